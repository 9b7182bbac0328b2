//! From homes one by one to the sums of their groups.

use std::collections::BTreeMap;

use drawoff_contract::{Cylinder as Registered, Day, HeatSource};
use drawoff_homes::{HomeNotes, HomeReading};
use drawoff_tank::Water;

use crate::battery::Envelope;
use crate::calendar::Calendar;
use crate::fleet::Sums;
use crate::home::{Home, NotCounted};
use crate::trial::{DURATIONS, Direction, Limit, SLOTS, Trials, envelope, trials};

/// Half-hours at which the 2 h of a battery begin.
pub const BATTERY_STARTS: [usize; 12] = [0, 4, 8, 12, 16, 20, 24, 28, 32, 36, 40, 44];
/// Homes that the one store is fitted to, evenly taken from all that are counted: more change its shape by nothing and cost in proportion.
pub const BATTERY_HOMES: usize = 200;
/// Place in [`DURATIONS`] of the event that a home's own row tells.
const OWN: usize = 2;

/// What past days are looked at.
#[derive(Clone, Debug, PartialEq)]
pub struct Period {
    /// Days in order, the last of the record included.
    pub days: Vec<Day>,
    /// Of these, how many at the end are declared from those before, as a test.
    pub tested: usize,
    /// Which days are like Sundays.
    pub calendar: Calendar,
}

impl Period {
    /// The days up to the end of the record on `last`: `window` to declare from, and `tested` to hold such declarations against.
    #[must_use]
    pub fn ending(last: Day, window: usize, tested: usize, calendar: Calendar) -> Self {
        let length = i32::try_from(window + tested).unwrap_or(i32::MAX);
        Self { days: (last.0 - length + 1..=last.0).map(Day).collect(), tested, calendar }
    }

    fn last(&self) -> Day {
        self.days.last().copied().unwrap_or_default()
    }

    /// The last day of each kind that can be a trial: those that the battery is fitted on.
    fn battery_days(&self) -> [Option<Day>; 2] {
        // the last day has no day after it to follow an event into
        let before = &self.days[..self.days.len().saturating_sub(1)];
        [false, true]
            .map(|weekend| before.iter().rev().find(|d| self.calendar.is_weekend(**d) == weekend).copied())
    }
}

/// One counted home.
#[derive(Clone, Debug)]
pub struct Counted {
    /// Its events.
    pub trials: Trials,
    /// As a store, by kind of day and start of 4 h; `None` where not seen.
    pub envelopes: [[Option<Envelope>; BATTERY_STARTS.len()]; 2],
    /// Power of the heater by the meter, kW.
    pub heater_kw: f64,
    /// Where its thermostat opens, degC.
    pub set_point_degc: f64,
    /// Half-hours of the day in which it may heat by its rule.
    pub allowed: usize,
}

/// What was found of a home, or why it is not counted.
pub type Found = Result<Box<Counted>, NotCounted>;

/// Works one home out, in any order and on any thread.
///
/// # Errors
/// Why the home is not counted.
pub fn one(notes: HomeNotes<'_>, reading: &HomeReading, period: &Period, water: Water) -> Found {
    let home = Home::new(notes, reading, period.last(), period.days.len(), &period.calendar, water)?;
    let of_day = |day: Option<Day>| home.days.iter().position(|d| Some(d.day) == day);
    let envelopes = period.battery_days().map(|day| {
        let index = of_day(day);
        BATTERY_STARTS.map(|slot| index.and_then(|index| envelope(&home, index, slot)))
    });
    let heater = home.cylinder.heater();
    Ok(Box::new(Counted {
        trials: trials(&home, &period.days),
        envelopes,
        heater_kw: heater.power_w / home.heat_per_metered / 1000.0,
        set_point_degc: heater.set_degc,
        allowed: home.allowed.iter().filter(|may| **may).count(),
    }))
}

/// What one home can move by itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Own {
    /// Electricity without events, kWh a day.
    pub baseline_kwh_per_day: f64,
    /// Best 2 h by direction: (energy moved, mean over days, kWh; half-hour of the start).
    pub best: [Option<(f64, usize)>; 2],
    /// Share of its events in which a user went short.
    pub short_share: f64,
}

impl Own {
    fn of(trials: &Trials) -> Self {
        let (metered, seen) = trials
            .metered_wh
            .iter()
            .filter(|wh| !wh.is_nan())
            .fold((0.0, 0.0), |(sum, n), wh| (sum + f64::from(*wh), n + 1.0));
        let (mut events, mut short) = (0.0, 0.0);
        let best = Direction::ALL.map(|direction| {
            let mut best: Option<(f64, usize)> = None;
            for slot in 0..SLOTS {
                let (mut wh, mut days) = (0.0, 0.0);
                for day in 0..trials.days() {
                    let event = trials.event(day, slot, direction, OWN);
                    if event.limit != Limit::Silent {
                        wh += f64::from(event.wh);
                        days += 1.0;
                        events += f64::from(u8::from(event.limit == Limit::Moved));
                        short += f64::from(u8::from(event.is_short()));
                    }
                }
                if days > 0.0 && best.is_none_or(|(kwh, _)| wh / days / 1000.0 > kwh) {
                    best = Some((wh / days / 1000.0, slot));
                }
            }
            best
        });
        Self {
            baseline_kwh_per_day: metered / 1000.0 / seen * SLOTS as f64,
            best,
            short_share: if events > 0.0 { short / events } else { 0.0 },
        }
    }
}

/// One home of the fleet as it was taken.
#[derive(Clone, Debug)]
pub struct Line {
    /// The export's own identifier.
    pub home: String,
    /// Area from the register.
    pub area: String,
    /// What heats it.
    pub heater: HeatSource,
    /// Heater and what it can move, or why it is not counted.
    pub found: Result<(f64, f64, Own), NotCounted>,
}

/// One group.
#[derive(Clone, Debug)]
pub struct Group {
    /// Sums over its counted homes.
    pub sums: Sums,
    /// Homes, and those not counted by reason, in the order of [`NotCounted::ALL`].
    pub homes: usize,
    /// Not counted, by reason.
    pub not_counted: [usize; NotCounted::ALL.len()],
    /// Sum of the counted heaters' power, kW.
    pub rated_kw: f64,
    /// Counted homes that may heat at nearly any hour.
    pub always_on: usize,
}

/// A home that may heat in more than this many half-hours of the day is always on.
const ALWAYS_ON: usize = 40;

/// All groups of a fleet while its homes are taken in order.
#[derive(Clone, Debug)]
pub struct Gather {
    period: Period,
    /// By what, and name.
    pub groups: BTreeMap<(&'static str, String), Group>,
    /// Homes in the order taken.
    pub lines: Vec<Line>,
    /// Stores of counted homes by kind of day and start.
    envelopes: [[Vec<Envelope>; BATTERY_STARTS.len()]; 2],
}

/// The group of all homes.
pub const FLEET: &str = "fleet";

impl Gather {
    /// Of no homes yet.
    #[must_use]
    pub fn new(period: Period) -> Self {
        Self { period, groups: BTreeMap::new(), lines: Vec::new(), envelopes: Default::default() }
    }

    /// The days looked at.
    #[must_use]
    pub fn period(&self) -> &Period {
        &self.period
    }

    /// Takes a home; the order of homes is the order of all sums. `instead` is a reason that stands before what was found.
    pub fn take(&mut self, registered: &Registered, found: Found, instead: Option<NotCounted>) {
        let found = match instead {
            Some(reason) => Err(reason),
            None => found,
        };
        let named = |name: Option<&String>| {
            name.filter(|n| !n.is_empty()).cloned().unwrap_or_else(|| "not known".to_owned())
        };
        let keys = [
            (FLEET, "all homes".to_owned()),
            ("area", named(Some(&registered.area))),
            ("tariff", named(registered.tariff.as_ref())),
            ("heater", registered.heat_source.code().to_owned()),
        ];
        for key in keys {
            let group = self.groups.entry(key).or_insert_with(|| Group {
                sums: Sums::new(&self.period.days, &self.period.calendar, self.period.tested),
                homes: 0,
                not_counted: [0; NotCounted::ALL.len()],
                rated_kw: 0.0,
                always_on: 0,
            });
            group.homes += 1;
            match &found {
                Ok(counted) => {
                    group.sums.add(&counted.trials);
                    group.rated_kw += counted.heater_kw;
                    group.always_on += usize::from(counted.allowed >= ALWAYS_ON);
                }
                Err(reason) => group.not_counted[*reason as usize] += 1,
            }
        }
        if let Ok(counted) = &found {
            for (all, own) in self.envelopes.iter_mut().flatten().zip(counted.envelopes.iter().flatten()) {
                all.extend(own);
            }
        }
        self.lines.push(Line {
            home: registered.home.clone(),
            area: registered.area.clone(),
            heater: registered.heat_source,
            found: found.map(|c| (c.heater_kw, c.set_point_degc, Own::of(&c.trials))),
        });
    }

    /// Stores of homes for one kind of day and one start, evenly taken, and how many homes each stands for.
    #[must_use]
    pub fn envelopes(&self, weekend: bool, start: usize) -> (Vec<Envelope>, f64) {
        let all = &self.envelopes[usize::from(weekend)][start];
        let n = all.len().min(BATTERY_HOMES);
        let chosen: Vec<Envelope> = (0..n).map(|i| all[i * all.len() / n]).collect();
        let each = if n > 0 { all.len() as f64 / n as f64 } else { 0.0 };
        (chosen, each)
    }

    /// Lengths of events, h.
    #[must_use]
    pub fn durations_h() -> [f64; DURATIONS.len()] {
        DURATIONS.map(|half_hours| half_hours as f64 / 2.0)
    }
}
