//! One home under one condition of its data: every error that the accuracy tables are made of.
//!
//! A record a home, so that fleets are pooled by putting their records together, and homes are resampled whole.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use drawoff_contract::FaultClass;
use drawoff_contract::daybook::DayNote;
use drawoff_contract::habit_tables::VacancyRow;
use drawoff_contract::results::{DayRow, DrawOffRow, HomeRow};

use crate::amounts::{AmountScore, HomeResults, NEARLY_EMPTY_LITRES_PER_DAY};
use crate::groups::{GroupScore, GroupTally, MIN_OUTLET_DEGC};
use crate::local_days::{DayErrors, day_errors};
use crate::loss::LossScore;
use crate::truth::TruthHome;
use crate::usable::usable_error;
use crate::vacancy::{DayTally, VacancyScore};
use crate::wilson::Share;

/// What a run says of one home, and what its data were.
#[derive(Clone, Copy, Debug)]
pub struct HomeRead<'a> {
    /// Its row.
    pub home: &'a HomeRow,
    /// Its local days, in order.
    pub days: &'a [DayRow],
    /// Its draw-offs.
    pub draw_offs: &'a [DrawOffRow],
    /// Its empty days; none where habits were not read.
    pub vacancy: &'a [&'a VacancyRow],
    /// Its daybook.
    pub notes: &'a [DayNote],
    /// Stored volume of the register, l.
    pub volume_l: Option<f64>,
    /// Time zone.
    pub zone: Tz,
    /// Probes that were read.
    pub probes: usize,
    /// Whether the surroundings were measured.
    pub room_measured: bool,
    /// Interval of the readings, ms.
    pub interval_ms: i64,
}

/// Errors of one home's standing loss.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LossErrors {
    /// Signed relative error of W/K; `None` where the run abstains.
    pub w_per_k: Option<f64>,
    /// Signed relative error of kWh a day; `None` where the run abstains.
    pub kwh_per_day: Option<f64>,
    /// Whether the 90 % interval of W/K holds the truth; `None` where the run abstains.
    pub covered: Option<bool>,
    /// Width of the interval over the estimate.
    pub width: Option<f64>,
}

/// All errors of one home. What a home is not scored for is `None`, which is not the same as an abstention.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HomeScore {
    /// The export's own identifier.
    pub home: String,
    /// Probes that were read.
    pub probes: usize,
    /// Whether the surroundings were measured.
    pub room_measured: bool,
    /// Whether the litres drawn left hot enough as a rule: at least nine tenths at 40 degC or more.
    pub reheated: bool,
    /// True draw-offs an hour that no estimate meets.
    pub undetected_per_hour: Option<f64>,
    /// Standing loss: sound homes whose tank stood well above the room.
    pub loss: Option<LossErrors>,
    /// Day table against local days: homes without equipment fault that draw.
    pub days: Option<DayErrors>,
    /// Draw-offs summed into UTC days, the same homes.
    pub utc_days: Option<DayErrors>,
    /// Draw-off groups on the grid of the readings: homes without equipment fault.
    pub groups: Option<GroupTally>,
    /// Empty days; `None` where habits were not read.
    pub vacancy: Option<DayTally>,
    /// Whether water was drawn on any day.
    pub ever_used: bool,
    /// Usable water, root mean square error over the volume; `None` without truth or equipment fault.
    pub usable: Option<f64>,
    /// Whether no fault of any kind was imposed.
    pub is_sound: bool,
    /// Days within the quantiles of demand; `None` where they were not asked.
    pub quantiles: Option<[Share; 4]>,
}

/// A draw-off is warm from this share of its litres on.
const REHEATED_SHARE: f64 = 0.9;

/// Compares one home with truth; quantiles are left to whoever has held days out.
#[must_use]
pub fn score_home(read: &HomeRead<'_>, truth: &TruthHome) -> HomeScore {
    let equipment_sound = !truth.has(FaultClass::Equipment);
    let draws_enough = truth.litres_per_day >= NEARLY_EMPTY_LITRES_PER_DAY;
    let days: Vec<&DayRow> = read.days.iter().collect();
    let draw_offs: Vec<&DrawOffRow> = read.draw_offs.iter().collect();
    let scored_for_days = equipment_sound && draws_enough;
    HomeScore {
        home: read.home.home.clone(),
        probes: read.probes,
        room_measured: read.room_measured,
        reheated: warm_share(truth).is_some_and(|share| share >= REHEATED_SHARE),
        undetected_per_hour: undetected_per_hour(read.draw_offs, truth, read.interval_ms),
        loss: loss_errors(read.home, truth),
        days: scored_for_days.then(|| day_errors(&days, truth, read.zone)),
        utc_days: scored_for_days.then(|| utc_day_errors(read.home, &draw_offs, truth)),
        groups: equipment_sound.then(|| {
            let mut own = GroupScore::default();
            own.push(&draw_offs, truth, None, read.interval_ms);
            own.on_grid.all
        }),
        vacancy: (!read.vacancy.is_empty()).then(|| {
            let mut own = VacancyScore::default();
            own.push(read.vacancy, truth);
            own.all
        }),
        ever_used: truth.days.iter().any(|d| d.litres >= crate::vacancy::VACANT_BELOW_LITRES),
        usable: equipment_sound.then(|| usable_error(read.notes, read.volume_l, truth)).flatten(),
        is_sound: truth.is_sound(),
        quantiles: None,
    }
}

fn loss_errors(row: &HomeRow, truth: &TruthHome) -> Option<LossErrors> {
    let mut own = LossScore::default();
    own.push(Some(row), truth);
    (own.w_per_k.values.len() + own.w_per_k.not_assessed > 0).then(|| LossErrors {
        w_per_k: own.w_per_k.values.first().copied(),
        kwh_per_day: own.kwh_per_day.values.first().copied(),
        covered: (own.covered.of > 0).then_some(own.covered.hits > 0),
        width: own.widths.first().copied(),
    })
}

fn utc_day_errors(row: &HomeRow, draw_offs: &[&DrawOffRow], truth: &TruthHome) -> DayErrors {
    let mut own = AmountScore::default();
    own.push(HomeResults { home: Some(row), days: &[], draw_offs }, truth);
    DayErrors {
        litres: own.all.litres.utc_days.first().copied(),
        kwh: own.all.energy.utc_days.first().copied(),
    }
}

fn warm_share(truth: &TruthHome) -> Option<f64> {
    let sum = |from_degc: f64| -> f64 {
        truth.draws.iter().filter(|d| d.outlet_degc >= from_degc).map(|d| d.litres).sum()
    };
    let all = sum(f64::NEG_INFINITY);
    (all > 0.0).then(|| sum(MIN_OUTLET_DEGC) / all)
}

/// True draw-offs that no estimate comes within one interval of, an hour of truth.
fn undetected_per_hour(draw_offs: &[DrawOffRow], truth: &TruthHome, interval_ms: i64) -> Option<f64> {
    let hours = truth.days.len() as f64 * 24.0;
    let mut ends: BTreeMap<i64, i64> = BTreeMap::new();
    for d in draw_offs {
        let end = ends.entry(d.start.0).or_insert(d.end.0);
        *end = (*end).max(d.end.0);
    }
    // Estimates of one home do not overlap, so the last that begins before the draw-off ends is the nearest.
    let met = |start_ms: i64, end_ms: i64| {
        ends.range(..=end_ms + interval_ms).next_back().is_some_and(|(_, &end)| end >= start_ms - interval_ms)
    };
    let unmet = truth.draws.iter().filter(|d| !met(d.start_ms, d.end_ms)).count();
    (hours > 0.0).then(|| unmet as f64 / hours)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::made_up::{HOUR, draw_off, home_row, truth_home};
    use crate::truth::{TruthDay, TruthDraw, TruthFault};
    use drawoff_contract::Fault;

    const INTERVAL_MS: i64 = 300_000;

    fn truth() -> TruthHome {
        let draw = |hour: i64, outlet_degc: f64| TruthDraw {
            start_ms: hour * HOUR,
            end_ms: hour * HOUR + 60_000,
            litres: 10.0,
            outlet_degc,
            kwh: 0.5,
        };
        TruthHome {
            days: vec![TruthDay { litres: 20.0, tank_above_room_k: 30.0, ..TruthDay::default() }],
            draws: vec![draw(8, 50.0), draw(20, 30.0)],
            ..truth_home()
        }
    }

    fn read<'a>(row: &'a HomeRow, draw_offs: &'a [DrawOffRow]) -> HomeRead<'a> {
        HomeRead {
            home: row,
            days: &[],
            draw_offs,
            vacancy: &[],
            notes: &[],
            volume_l: Some(180.0),
            zone: chrono_tz::UTC,
            probes: 3,
            room_measured: true,
            interval_ms: INTERVAL_MS,
        }
    }

    #[test]
    fn an_abstention_is_not_a_home_that_is_not_scored() {
        let row = home_row("a");
        let score = score_home(&read(&row, &[]), &truth());
        assert_eq!(score.loss, Some(LossErrors::default()));
        let mut faulty = truth();
        faulty.faults.push(TruthFault { fault: Fault::LeakSteady, onset_ms: None, level: None });
        let score = score_home(&read(&row, &[]), &faulty);
        assert_eq!((score.loss, score.days, score.groups), (None, None, None));
    }

    #[test]
    fn missed_draws_and_lukewarm_litres_are_counted() {
        let row = home_row("a");
        let score = score_home(&read(&row, &[draw_off("a", 8 * HOUR + 360_000, 9 * HOUR, 9.0)]), &truth());
        // The estimate begins five minutes after the first draw ends; the second is not met.
        assert_eq!(score.undetected_per_hour, Some(1.0 / 24.0));
        assert!(!score.reheated);
        assert_eq!(score.groups.map(|g| g.recall), Some(Share::new(1, 1)));
    }
}
