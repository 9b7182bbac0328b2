//! What a kilowatt-hour costs and brings in each half-hour: versions of tariffs by day, in whole millionths.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use drawoff_contract::local::minute_of_day;
use drawoff_contract::meter_window::MeterWindow;
use drawoff_contract::money::micro;
use drawoff_contract::small_tables::TariffRow;
use drawoff_contract::{DailyWindow, Day};

use crate::series::Series;

/// Whose clock switches a two-rate meter.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Clock {
    /// The clock on the wall, put forward in summer.
    #[default]
    Local,
    /// A clock that stays on the zone's winter time all year.
    Winter,
}

/// Price of energy from the grid.
#[derive(Clone, Debug, PartialEq)]
pub enum Rates {
    /// One price, millionths a kWh.
    Flat(i64),
    /// Two prices by the clock.
    TwoRate {
        /// Outside the windows, millionths a kWh.
        high: i64,
        /// Inside them.
        low: i64,
        /// Windows of the low price; `None` takes the home's own from the register, by the local clock.
        hours: Option<(Vec<DailyWindow>, Clock)>,
    },
    /// A price a half-hour.
    HalfHourly(Series),
}

/// Prices that hold for some days.
#[derive(Clone, Debug, PartialEq)]
pub struct Version {
    /// First local day; `None` since ever.
    pub from: Option<Day>,
    /// Last local day; `None` until further notice.
    pub to: Option<Day>,
    /// Price of energy.
    pub rates: Rates,
    /// Standing charge, millionths a day. It is paid whatever is done and never saved.
    pub standing_per_day: i64,
    /// Payment for energy sent out, millionths a kWh; 0 where none is paid.
    pub export: i64,
}

/// Price of one half-hour, millionths a kWh.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Price {
    /// Of energy from the grid.
    pub import: i64,
    /// Paid for energy sent out.
    pub export: i64,
}

/// Tariffs by name, each with its versions, and the name of the default one.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tariffs {
    by_name: BTreeMap<String, Vec<Version>>,
    default: Option<String>,
}

/// The prices of one home.
#[derive(Clone, Copy, Debug)]
pub struct HomeTariff<'a> {
    /// Name of the tariff that is used.
    pub name: &'a str,
    /// Whether it is the home's own, and not the default.
    pub own: bool,
    versions: &'a [Version],
    zone: Tz,
    low_rate: Option<DailyWindow>,
    winter_east_min: i64,
}

impl Tariffs {
    /// Adds a version. Where two hold on a day, the one added first does.
    pub fn add(&mut self, name: &str, version: Version, is_default: bool) {
        self.by_name.entry(name.to_owned()).or_default().push(version);
        if is_default {
            self.default = Some(name.to_owned());
        }
    }

    /// Whether there is a tariff of this name.
    #[must_use]
    pub fn has(&self, name: &str) -> bool {
        self.by_name.contains_key(name)
    }

    /// Adds the rows of the table of tariffs whose names are not there yet; their low-rate hours are the homes' own.
    pub fn add_rows(&mut self, rows: &[TariffRow]) {
        let known: Vec<String> = self.by_name.keys().cloned().collect();
        for row in rows.iter().filter(|r| !known.contains(&r.tariff)) {
            let rates = match row.low_rate {
                Some(low) => Rates::TwoRate { high: row.unit_rate.0, low: low.0, hours: None },
                None => Rates::Flat(row.unit_rate.0),
            };
            let version =
                Version { from: row.valid_from, to: row.valid_to, rates, standing_per_day: 0, export: 0 };
            self.add(&row.tariff, version, row.is_default && self.default.is_none());
        }
    }

    /// Names of all tariffs, in order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.by_name.keys().map(String::as_str)
    }

    /// The tariff of a home: its own where it is known, else the default; `None` without either.
    #[must_use]
    pub fn of_home(
        &self,
        name: Option<&str>,
        zone: Tz,
        low_rate: Option<DailyWindow>,
    ) -> Option<HomeTariff<'_>> {
        let own = name.and_then(|n| self.by_name.get_key_value(n));
        let found = own.or_else(|| self.by_name.get_key_value(self.default.as_ref()?))?;
        Some(HomeTariff {
            name: found.0,
            own: own.is_some(),
            versions: found.1,
            zone,
            low_rate,
            winter_east_min: winter_east_min(zone),
        })
    }
}

impl HomeTariff<'_> {
    fn version(&self, day: Day) -> Option<&Version> {
        self.versions.iter().find(|v| v.from.is_none_or(|f| f <= day) && v.to.is_none_or(|t| t >= day))
    }

    /// Price of the half-hour of a local day that begins at `start_ms`.
    ///
    /// # Errors
    /// Names what is missing: a version for the day, the hours of the low rate, or the half-hour in a series.
    pub fn price(&self, day: Day, start_ms: i64) -> Result<Price, &'static str> {
        let version = self.version(day).ok_or("prices for these days")?;
        let import = match &version.rates {
            Rates::Flat(price) => *price,
            Rates::TwoRate { high, low, hours } => {
                let inside = match (hours, self.low_rate) {
                    (Some((windows, clock)), _) => windows.iter().any(|w| self.within(*w, *clock, start_ms)),
                    (None, Some(window)) => self.within(window, Clock::Local, start_ms),
                    (None, None) => return Err("hours of the low rate"),
                };
                if inside { *low } else { *high }
            }
            Rates::HalfHourly(series) => series.at(start_ms).ok_or("price of every half-hour")?,
        };
        Ok(Price { import, export: version.export })
    }

    fn within(&self, window: DailyWindow, clock: Clock, start_ms: i64) -> bool {
        match clock {
            Clock::Local => window.contains(minute_of_day(self.zone, start_ms)),
            Clock::Winter => MeterWindow { window, east_min: self.winter_east_min }.contains(start_ms),
        }
    }

    /// Standing charge of a day, millionths; 0 where no version holds.
    #[must_use]
    pub fn standing(&self, day: Day) -> i64 {
        self.version(day).map_or(0, |v| v.standing_per_day)
    }

    /// Shift of the series that a version takes its prices from, years of 364 days; 0 without one.
    #[must_use]
    pub fn shift_years(&self) -> i64 {
        let of = |v: &Version| match &v.rates {
            Rates::HalfHourly(series) => series.shift_years(),
            _ => 0,
        };
        self.versions.iter().map(of).find(|s| *s != 0).unwrap_or(0)
    }
}

/// Winter offset of a zone from UTC, minutes east: the smaller of those of January and July 2026.
#[must_use]
pub fn winter_east_min(zone: Tz) -> i64 {
    let at = |ms| drawoff_contract::local::offset_minutes(zone, ms);
    at(1_768_435_200_000).min(at(1_784_073_600_000))
}

/// Millionths of a price in main units, for settings.
#[must_use]
pub fn price_micro(main_units: f64) -> i64 {
    micro(main_units)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::series::{HALF_HOUR_MS, Interval};
    use drawoff_contract::local::LocalDay;
    use drawoff_contract::{Money, Utc};

    const NIGHT: DailyWindow = DailyWindow { start_min: 0, minutes: 420 };

    fn version(rates: Rates) -> Version {
        Version { from: None, to: None, rates, standing_per_day: 500_000, export: 40_000 }
    }

    fn price_sum(tariffs: &Tariffs, day: Day, low_rate: Option<DailyWindow>) -> i64 {
        let zone = chrono_tz::Europe::London;
        let tariff = tariffs.of_home(Some("t"), zone, low_rate).unwrap();
        let local = LocalDay::of(zone, day);
        let half_hours = 0..local.half_hours() as i64;
        half_hours.map(|i| tariff.price(day, local.start_ms + i * HALF_HOUR_MS).unwrap().import).sum()
    }

    #[test]
    fn windows_by_the_wall_and_by_winter_time() {
        let mut local = Tariffs::default();
        local.add(
            "t",
            version(Rates::TwoRate { high: 3, low: 1, hours: Some((vec![NIGHT], Clock::Local)) }),
            true,
        );
        let mut fixed = Tariffs::default();
        fixed.add(
            "t",
            version(Rates::TwoRate { high: 3, low: 1, hours: Some((vec![NIGHT], Clock::Winter)) }),
            true,
        );
        let of_register = {
            let mut t = Tariffs::default();
            t.add("t", version(Rates::TwoRate { high: 3, low: 1, hours: None }), true);
            t
        };
        // 48 half-hours at 3 less 14 x 2; the clocks go forward at 1 h and back at 2 h on 29 March and 25 October 2026
        for (day, by_wall, by_meter) in
            [(20_500, 116, 116), (20_541, 46 * 3 - 24, 46 * 3 - 28), (20_751, 50 * 3 - 32, 50 * 3 - 28)]
        {
            assert_eq!(price_sum(&local, Day(day), None), by_wall, "{day}");
            assert_eq!(price_sum(&fixed, Day(day), None), by_meter, "{day}");
            assert_eq!(price_sum(&of_register, Day(day), Some(NIGHT)), by_wall, "{day}");
        }
        let none = of_register.of_home(Some("t"), chrono_tz::UTC, None).unwrap();
        assert_eq!(none.price(Day(0), 0), Err("hours of the low rate"));
    }

    #[test]
    fn versions_change_on_their_day_and_a_gap_is_named() {
        let mut tariffs = Tariffs::default();
        let held = |from: Option<i32>, to: Option<i32>, price| Version {
            from: from.map(Day),
            to: to.map(Day),
            ..version(Rates::Flat(price))
        };
        tariffs.add("t", held(None, Some(9), 200), true);
        tariffs.add("t", held(Some(10), Some(20), 300), false);
        let home = tariffs.of_home(Some("other"), chrono_tz::UTC, None).unwrap();
        assert!(!home.own && home.name == "t");
        let price = |day: i32| home.price(Day(day), i64::from(day) * 86_400_000).map(|p| p.import);
        assert_eq!((price(9), price(10), price(20)), (Ok(200), Ok(300), Ok(300)));
        assert_eq!(price(21), Err("prices for these days"));
        assert_eq!((home.standing(Day(10)), home.standing(Day(21))), (500_000, 0));
    }

    #[test]
    fn a_series_may_be_shifted_and_says_so() {
        let row = Interval { from: Utc(0), to: Utc(3_600_000), value: -5 };
        let mut tariffs = Tariffs::default();
        tariffs.add("t", version(Rates::HalfHourly(Series::new(vec![row], 1))), true);
        let home = tariffs.of_home(None, chrono_tz::UTC, None).unwrap();
        assert_eq!(home.price(Day(364), 364 * 86_400_000 + HALF_HOUR_MS).map(|p| p.import), Ok(-5));
        assert_eq!(home.price(Day(0), 0), Err("price of every half-hour"));
        assert_eq!(home.shift_years(), 1);
    }

    #[test]
    fn rows_of_the_table_stand_behind_versions_of_the_pipeline() {
        let row = |tariff: &str, low| TariffRow {
            tariff: tariff.to_owned(),
            valid_from: None,
            valid_to: None,
            unit_rate: Money(7),
            low_rate: low,
            is_default: true,
            currency: "GBP".to_owned(),
        };
        let mut tariffs = Tariffs::default();
        tariffs.add("t", version(Rates::Flat(1)), false);
        tariffs.add_rows(&[row("t", None), row("u", Some(Money(2)))]);
        let of =
            |name: &str| tariffs.of_home(Some(name), chrono_tz::UTC, Some(NIGHT)).unwrap().price(Day(0), 0);
        assert_eq!(of("t").unwrap(), Price { import: 1, export: 40_000 });
        assert_eq!(of("u").unwrap(), Price { import: 2, export: 0 });
        assert_eq!(of("nobody's").unwrap().import, 2);
    }
}
