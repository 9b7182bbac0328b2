//! Sums as rows of the results.

use chrono_tz::Tz;
use drawoff_contract::flexible_tables::{
    BackTestRow, BatteryRow, FlexibleDayRow, FlexibleGroupRow, FlexibleHomeRow, FlexibleRow,
};
use drawoff_contract::local::LocalDay;
use drawoff_contract::{Day, Utc};

use crate::back_test::back_test;
use crate::battery::fit;
use crate::fleet::{Offer, Sums};
use crate::gather::{BATTERY_STARTS, FLEET, Gather, Group};
use crate::rebound::in_turns;
use crate::trial::{DURATIONS, Direction, SLOTS};

/// Mean firm hold-off of an always-on cylinder in published field trials, kW (0.2 to 0.47 for heat pumps and mild days, up to 1.64 for elements
/// with large winter draws; PNNL field studies, see the check values, section 12.4): a band to warn by, not a bar.
pub const FIELD_RANGE_KW: std::ops::RangeInclusive<f64> = 0.2..=1.7;
/// Random directions and signals that a battery is judged by.
const DIRECTIONS: usize = 1000;
/// Share of always-on homes from which a group is held against the field range.
const MOSTLY: f64 = 0.9;

fn count(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

fn known(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// "07:30" of a half-hour of the day.
#[must_use]
pub fn clock(slot: usize) -> String {
    format!("{:02}:{:02}", slot / 2, slot % 2 * 30)
}

fn day_type(weekend: bool) -> String {
    if weekend { "weekend" } else { "weekday" }.to_owned()
}

/// What the moving of load is worth: given direction, duration, half-hour, the offer and what comes after, the money in millionths and the
/// carbon in kg.
pub type Worth<'a> = dyn Fn(&Sums, bool, usize, Direction, usize, &Offer) -> (Option<i64>, Option<f64>) + 'a;

/// Rows of every group of at least `fewest` counted homes.
#[must_use]
pub fn load_rows(gather: &Gather, fewest: usize, worth: &Worth<'_>) -> Vec<FlexibleRow> {
    let mut out = Vec::new();
    for ((by, name), group) in &gather.groups {
        if group.sums.homes >= fewest.max(1) {
            group_rows(by, name, group, worth, &mut out);
        }
    }
    out
}

fn group_rows(by: &str, name: &str, group: &Group, worth: &Worth<'_>, out: &mut Vec<FlexibleRow>) {
    let sums = &group.sums;
    for weekend in [false, true] {
        let peak_kw = baseline_peak(sums, weekend).map_or(0.0, |(kw, _)| kw);
        for slot in 0..SLOTS {
            for direction in Direction::ALL {
                for (duration, half_hours) in DURATIONS.into_iter().enumerate() {
                    let Some(offer) = sums.offer(weekend, slot, direction, duration) else { continue };
                    let hours = half_hours as f64 / 2.0;
                    let after = sums.after_kw(slot, direction, duration);
                    let turns = match direction {
                        Direction::HoldOff => {
                            let then = (slot + half_hours) % SLOTS;
                            let usual = sums.usual_kw(weekend, then);
                            in_turns(&after, offer.p50_kw, (peak_kw - usual).max(0.0))
                        }
                        Direction::TakeOn => crate::rebound::Return {
                            parts: 1,
                            peak_kw: after.iter().copied().fold(0.0, f64::max),
                        },
                    };
                    let (money, carbon_kg) = worth(sums, weekend, slot, direction, duration, &offer);
                    let [share_moved, share_nothing, share_comfort, share_sun, share_silent] = offer.limits;
                    out.push(FlexibleRow {
                        group_by: by.to_owned(),
                        group: name.to_owned(),
                        homes: count(sums.homes),
                        day_type: day_type(weekend),
                        period: count(slot + 1),
                        start: clock(slot),
                        direction: direction.words().to_owned(),
                        duration_h: hours,
                        days: count(offer.days),
                        baseline_kw: offer.baseline_kw,
                        p50_kw: offer.p50_kw,
                        firm_kw: offer.firm_kw,
                        p50_kwh: offer.p50_kw * hours,
                        firm_kwh: offer.firm_kw * hours,
                        back_share: known(offer.back_share),
                        loss_share: known(offer.loss_share),
                        left_share: known(offer.left_share),
                        rebound_kw: offer.rebound_kw,
                        rebound_after_h: offer.rebound_after as f64 / 2.0,
                        return_parts: count(turns.parts),
                        return_rebound_kw: turns.peak_kw,
                        short_share: offer.short_share,
                        share_moved,
                        share_nothing,
                        share_comfort,
                        share_sun,
                        share_silent,
                        worth: money.map(drawoff_contract::cell::Money),
                        carbon_kg,
                    });
                }
            }
        }
    }
}

/// Largest half-hour of the usual load, kW, and when it is.
fn baseline_peak(sums: &Sums, weekend: bool) -> Option<(f64, usize)> {
    (0..SLOTS)
        .map(|slot| (sums.usual_kw(weekend, slot), slot))
        .filter(|(kw, _)| kw.is_finite())
        .max_by(|a, b| a.0.total_cmp(&b.0))
}

/// One row a group, whatever its size: no power is told of a group smaller than `fewest`.
#[must_use]
pub fn group_table(gather: &Gather, fewest: usize) -> Vec<FlexibleGroupRow> {
    let row = |((by, name), group): (&(&'static str, String), &Group)| {
        let told = group.sums.homes >= fewest.max(1);
        let mut best: Option<(f64, bool, usize)> = None;
        for weekend in [false, true] {
            for slot in 0..SLOTS {
                let offer = group.sums.offer(weekend, slot, Direction::HoldOff, 0).filter(|_| told);
                if let Some(offer) = offer.filter(|o| best.is_none_or(|b| o.firm_kw > b.0)) {
                    best = Some((offer.firm_kw, weekend, slot));
                }
            }
        }
        let peak = [false, true].into_iter().filter_map(|w| baseline_peak(&group.sums, w)).map(|p| p.0);
        let peak_kw = peak.reduce(f64::max).filter(|_| told && group.rated_kw > 0.0);
        let homes = group.sums.homes as f64;
        let always_on = group.always_on as f64 >= MOSTLY * homes && homes > 0.0;
        let per_home = best.map(|b| b.0 / homes);
        let [faulty, silent, vacant, not_metered, no_volume, too_little_data] = group.not_counted.map(count);
        FlexibleGroupRow {
            group_by: (*by).to_owned(),
            group: name.clone(),
            homes: count(group.homes),
            counted: count(group.sums.homes),
            faulty,
            silent,
            vacant,
            not_metered,
            no_volume,
            too_little_data,
            rated_kw: told.then_some(group.rated_kw),
            diversity: peak_kw.map(|kw| kw / group.rated_kw),
            best_firm_kw: best.map(|b| b.0),
            best_firm_kw_per_home: per_home,
            best_start: best
                .map_or_else(String::new, |(_, w, slot)| format!("{} {}", day_type(w), clock(slot))),
            outside_field_range: per_home.filter(|_| always_on).map(|kw| !FIELD_RANGE_KW.contains(&kw)),
        }
    };
    gather.groups.iter().map(row).collect()
}

/// One row a home.
#[must_use]
pub fn home_rows(gather: &Gather) -> Vec<FlexibleHomeRow> {
    let row = |line: &crate::gather::Line| {
        let own = line.found.as_ref().ok();
        let best = |direction: Direction| own.and_then(|(_, _, own)| own.best[direction as usize]);
        let start = |direction| best(direction).map_or_else(String::new, |(_, slot)| clock(slot));
        FlexibleHomeRow {
            home: line.home.clone(),
            counted: own.is_some(),
            why_not: line.found.as_ref().err().map_or_else(String::new, |r| r.words().to_owned()),
            area: line.area.clone(),
            heater: line.heater.code().to_owned(),
            heater_kw: own.map(|o| o.0),
            set_point_degc: own.map(|o| o.1),
            baseline_kwh_per_day: own.and_then(|o| known(o.2.baseline_kwh_per_day)),
            hold_off_kwh: best(Direction::HoldOff).map(|b| b.0),
            hold_off_start: start(Direction::HoldOff),
            take_on_kwh: best(Direction::TakeOn).map(|b| b.0),
            take_on_start: start(Direction::TakeOn),
            short_share: own.map(|o| o.2.short_share),
        }
    };
    gather.lines.iter().map(row).collect()
}

/// All counted homes as one store, by kind of day and 2 h; none where fewer than `fewest` homes were seen.
#[must_use]
pub fn battery_rows(gather: &Gather, fewest: usize, seed: u64) -> Vec<BatteryRow> {
    let mut out = Vec::new();
    for weekend in [false, true] {
        for (index, slot) in BATTERY_STARTS.into_iter().enumerate() {
            let (homes, each) = gather.envelopes(weekend, index);
            if homes.len() < fewest.max(1) {
                continue;
            }
            let Some(fitted) = fit(&homes, DIRECTIONS, seed) else { continue };
            out.push(BatteryRow {
                day_type: day_type(weekend),
                start: clock(slot),
                homes: count((homes.len() as f64 * each).round() as usize),
                resting_kw: each * fitted.battery.resting_kw,
                charge_kw: each * fitted.battery.charge_kw,
                discharge_kw: each * fitted.battery.discharge_kw,
                capacity_kwh: each * fitted.battery.capacity_kwh,
                leakage_per_h: fitted.battery.leakage_per_h,
                start_kwh: each * fitted.battery.start_kwh,
                support_share: fitted.support_share,
                miss_rate: fitted.miss_rate,
            });
        }
    }
    out
}

/// What would have been declared on the tested days, against what came; none for fewer than `fewest` homes.
#[must_use]
pub fn back_test_rows(gather: &Gather, fewest: usize, seed: u64) -> Vec<BackTestRow> {
    let Some(group) =
        gather.groups.get(&(FLEET, "all homes".to_owned())).filter(|g| g.sums.homes >= fewest.max(1))
    else {
        return Vec::new();
    };
    let period = gather.period();
    let window = period.days.len() - period.tested;
    let mut out = Vec::new();
    if period.tested == 0 {
        return out;
    }
    for direction in Direction::ALL {
        for (duration, hours) in Gather::durations_h().into_iter().enumerate() {
            let test = back_test(&group.sums, window, window, direction, duration);
            let (p025, p975) = test.broken_bounds(seed);
            out.push(BackTestRow {
                direction: direction.words().to_owned(),
                duration_h: hours,
                homes: count(group.sums.homes),
                days: count(test.days),
                periods: count(test.periods),
                broken_share: known(test.broken_share()),
                broken_share_p025: known(p025),
                broken_share_p975: known(p975),
                p50_bias: known(test.p50_bias),
                crps_kw: known(test.crps_kw).filter(|_| test.periods > 0),
                mean_kw: known(test.mean_kw).filter(|_| test.periods > 0),
                home_events: i64::try_from(test.home_events).unwrap_or(i64::MAX),
                short_share: known(test.short_share()),
            });
        }
    }
    out
}

/// Each settlement period of named days in a zone, for all homes together: 46, 48 or 50 a day.
#[must_use]
pub fn day_rows(gather: &Gather, fewest: usize, days: &[Day], zone: Tz) -> Vec<FlexibleDayRow> {
    let mut out = Vec::new();
    let Some(group) =
        gather.groups.get(&(FLEET, "all homes".to_owned())).filter(|g| g.sums.homes >= fewest.max(1))
    else {
        return out;
    };
    for day in days {
        let local = LocalDay::of(zone, *day);
        for period in 0..local.half_hours() {
            let start_ms = local.start_ms + i64::try_from(period).unwrap_or(0) * 1_800_000;
            let minute = drawoff_contract::local::minute_of_day(zone, start_ms) as usize;
            for direction in Direction::ALL {
                for (duration, hours) in Gather::durations_h().into_iter().enumerate() {
                    let offer = group.sums.offer(
                        gather.period().calendar.is_weekend(*day),
                        minute / 30,
                        direction,
                        duration,
                    );
                    let Some(offer) = offer else { continue };
                    out.push(FlexibleDayRow {
                        day: *day,
                        period: count(period + 1),
                        start: Utc(start_ms),
                        direction: direction.words().to_owned(),
                        duration_h: hours,
                        p50_kw: offer.p50_kw,
                        firm_kw: offer.firm_kw,
                    });
                }
            }
        }
    }
    out
}
