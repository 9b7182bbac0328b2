//! The findings of a home as one posterior: probabilities of faults that exclude each other sum to 1 at most.

pub mod peers;

use std::collections::BTreeMap;

use drawoff_contract::plan_tables::StoryRow;
use drawoff_contract::results::FindingRow;
use drawoff_contract::{Fault, FaultClass, Outcome};

use crate::calibration::Calibration;
use crate::calibration::fit::{Case, softmax_with_none};

/// Faults of which a home is taken to have at most one at a time, because they are rival readings of the same signs: heat
/// that leaves, heat that does not come, heat that does not stop, probes that disagree. A fault that is in no set stands by itself.
pub const RIVALS: &[&[Fault]] = &[
    &[
        Fault::LeakSteady,
        Fault::LeakHeating,
        Fault::LossDoubled,
        Fault::GravityNight,
        Fault::Destratified,
        Fault::PumpStuck,
    ],
    &[
        Fault::ElementOpen,
        Fault::ElementHalf,
        Fault::ThermostatCold,
        Fault::PumpFailed,
        Fault::ExchangerDecline,
        Fault::BackupHeating,
    ],
    &[Fault::StuckOn, Fault::ThermostatHot],
    &[Fault::SensorStuck, Fault::SensorOffset, Fault::SensorSwap, Fault::SensorDrift, Fault::SensorHeight],
];

/// All sets, faults that stand by themselves included: every fault is in exactly one.
#[must_use]
pub fn sets() -> Vec<Vec<Fault>> {
    let alone = Fault::ALL.iter().filter(|f| !RIVALS.iter().any(|set| set.contains(f)));
    RIVALS.iter().map(|set| set.to_vec()).chain(alone.map(|f| vec![*f])).collect()
}

/// What a finding gives a curve to look at: `None` where it was not assessed, or another finding explains it.
fn margin(row: &FindingRow) -> Option<(Fault, f64, i64)> {
    let fault = Fault::from_code(&row.fault)?;
    let assessed = matches!(Outcome::from_code(&row.outcome), Some(Outcome::Sound | Outcome::Fault));
    let margin = row.margin.filter(|_| assessed && row.folded_under.is_empty())?;
    // Beyond the limit and not called for another reason: too few windows, say. That is no more than being at the limit.
    let called = row.outcome == Outcome::Fault.code();
    Some((fault, if called { margin } else { margin.min(0.0) }, row.evidence_days))
}

/// The cases of one home for the fit of curves, set by set in the order of [`sets`]; `None` where the set has none.
///
/// A home with two faults of one set is no case: the sets say that there is none such.
#[must_use]
pub fn cases(rows: &[FindingRow], present: &[Fault]) -> Vec<Option<Case>> {
    let known: Vec<(Fault, f64, i64)> = rows.iter().filter_map(margin).collect();
    sets()
        .iter()
        .map(|set| {
            let margins: Vec<_> = known.iter().filter(|(f, _, _)| set.contains(f)).copied().collect();
            let there: Vec<Fault> = present.iter().filter(|f| set.contains(f)).copied().collect();
            let present = there.first().copied();
            (!margins.is_empty() && there.len() < 2).then_some(Case { margins, present })
        })
        .collect()
}

/// Replaces the probabilities of one home's findings by calibrated ones.
///
/// Findings that were not assessed keep none. One that another explains has the share of such findings that were there all the
/// same, of what its set leaves over.
pub fn calibrate(rows: &mut [FindingRow], calibration: &Calibration) {
    let known: BTreeMap<Fault, f64> = rows
        .iter()
        .filter_map(margin)
        .filter_map(|(fault, margin, days)| Some((fault, calibration.curve(fault)?.log_odds(margin, days)?)))
        .collect();
    let mut out: BTreeMap<Fault, f64> = BTreeMap::new();
    for set in sets() {
        let of_set: Vec<(Fault, f64)> = set.iter().filter_map(|f| Some((*f, *known.get(f)?))).collect();
        let scores: Vec<f64> = of_set.iter().map(|(_, s)| *s).collect();
        let shares = softmax_with_none(&scores);
        let left = 1.0 - shares.iter().sum::<f64>();
        out.extend(of_set.iter().map(|(f, _)| *f).zip(shares));
        let folded: Vec<Fault> = rows
            .iter()
            .filter(|r| !r.folded_under.is_empty())
            .filter_map(|r| Fault::from_code(&r.fault))
            .filter(|f| set.contains(f))
            .collect();
        for fault in &folded {
            out.insert(*fault, calibration.folded_probability() * left / folded.len() as f64);
        }
    }
    for row in rows.iter_mut().filter(|r| r.probability.is_some()) {
        if let Some(p) = Fault::from_code(&row.fault).and_then(|f| out.get(&f)) {
            row.probability = Some(p.clamp(0.0, 1.0));
        }
    }
}

/// Brings the probabilities of each set back to a sum of 1, where something other than [`calibrate`] has raised them above.
pub fn cap_rivals(rows: &mut [FindingRow]) {
    for set in RIVALS {
        let of_set = |r: &FindingRow| Fault::from_code(&r.fault).is_some_and(|f| set.contains(&f));
        let sum: f64 = rows.iter().filter(|r| of_set(r)).filter_map(|r| r.probability).sum();
        if sum > 1.0 {
            for row in rows.iter_mut().filter(|r| of_set(r)) {
                row.probability = row.probability.map(|p| p / sum);
            }
        }
    }
}

/// One story of a home: how likely it is that cylinder and probes have nothing, and the three likeliest faults. `None` when
/// none of them was assessed.
///
/// Sets are taken as independent of each other, given the readings.
#[must_use]
pub fn story(home: &str, rows: &[FindingRow]) -> Option<StoryRow> {
    let visit = |f: &Fault| matches!(f.class(), FaultClass::Equipment | FaultClass::Sensor);
    let mut all: Vec<(Fault, f64)> = rows
        .iter()
        .filter_map(|r| Some((Fault::from_code(&r.fault).filter(visit)?, r.probability?)))
        .collect();
    if all.is_empty() {
        return None;
    }
    let mut sound = 1.0;
    for set in sets() {
        let there: f64 = all.iter().filter(|(f, _)| set.contains(f)).map(|(_, p)| p).sum();
        sound *= (1.0 - there).max(0.0);
    }
    all.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let code = |i: usize| all.get(i).map_or(String::new(), |(f, _)| f.code().to_owned());
    let share = |i: usize| all.get(i).map(|(_, p)| *p);
    Some(StoryRow {
        home: home.to_owned(),
        sound,
        first: code(0),
        first_probability: share(0),
        second: code(1),
        second_probability: share(1),
        third: code(2),
        third_probability: share(2),
    })
}

/// Calls that the rate of false ones is asked of: not explained by others, and neither of the export nor of what can hurt.
fn is_held(row: &FindingRow) -> bool {
    let fault = Fault::from_code(&row.fault).filter(|f| f.class() != FaultClass::Data && !f.is_safety());
    fault.is_some() && row.outcome == Outcome::Fault.code() && row.folded_under.is_empty()
}

/// The calls of one home for the fit of [`Calibration::calls`], each a case of its own: whether the home has any fault at all.
#[must_use]
pub fn call_cases(rows: &[FindingRow], any_fault: bool) -> Vec<Case> {
    let called = rows.iter().filter(|r| is_held(r)).filter_map(margin);
    called.map(|m| Case { present: any_fault.then_some(m.0), margins: vec![m] }).collect()
}

/// Doubt of a call that the rate of false ones is asked of: how likely it comes from a home with nothing wrong.
#[must_use]
pub fn doubt(row: &FindingRow, calibration: &Calibration) -> Option<f64> {
    let (fault, margin, days) = margin(row).filter(|_| is_held(row))?;
    calibration.doubt(fault, margin, days)
}

/// Which calls are to turn sound, with their doubts: the most doubtful, until the mean doubt of what is left is at most `rate`. Calls
/// are given as doubt and place; of equal doubts the later place turns first.
///
/// The posterior form of false-discovery control (Newton et al., Biostatistics 5, 2004, from memory), with the doubt of
/// [`Calibration::doubt`]. A wrong name for what is wrong is no false call: probabilities tell that. Faults of the export are apart, and
/// what can hurt is never silenced.
#[must_use]
pub fn too_doubtful(mut calls: Vec<(f64, usize)>, rate: f64) -> BTreeMap<usize, f64> {
    calls.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let mut sum = 0.0;
    let mut keep = calls.len();
    for (n, (doubt, _)) in calls.iter().enumerate() {
        sum += doubt;
        // Doubts grow along the list, so their mean does too.
        if sum / (n + 1) as f64 > rate {
            keep = n;
            break;
        }
    }
    calls[keep..].iter().map(|(doubt, place)| (*place, *doubt)).collect()
}

/// Turns a call sound, and says why.
pub fn silence(row: &mut FindingRow, doubt: f64) {
    Outcome::Sound.code().clone_into(&mut row.outcome);
    row.onset = None;
    let why = format!(
        "Beyond its limit, but {:.0} in 100 such calls come from sound homes: more than the rate of false calls allows.",
        100.0 * doubt
    );
    row.evidence_against = format!("{} {why}", row.evidence_against.trim_end()).trim_start().to_owned();
}

/// Holds the calls of a fleet, given in the order of the homes, at a rate of false ones; how many turned sound. See [`too_doubtful`].
pub fn hold_rate(rows: &mut [FindingRow], calibration: &Calibration, rate: f64) -> usize {
    let calls = rows.iter().enumerate().filter_map(|(i, row)| Some((doubt(row, calibration)?, i)));
    let silenced = too_doubtful(calls.collect(), rate);
    for (&i, &doubt) in &silenced {
        silence(&mut rows[i], doubt);
    }
    silenced.len()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assessment::Assessment;
    use crate::calibration::Curve;

    fn row(home: &str, fault: Fault, margin: f64) -> FindingRow {
        Assessment::judged(fault, "test", margin, 0.0, 1.0).row(home)
    }

    fn steep() -> Calibration {
        let curve = Curve { intercept: 0.0, below: 3.0, beyond: 3.0, days: 0.0, homes: 100, present: 50 };
        Calibration { pooled: Some(curve), folded: (9, 2), ..Calibration::default() }
    }

    #[test]
    fn every_fault_is_in_one_set() {
        let mut all: Vec<Fault> = sets().concat();
        all.sort_unstable();
        assert_eq!(all, Fault::ALL);
    }

    #[test]
    fn rivals_share_and_others_do_not() {
        let mut rows =
            [Fault::StuckOn, Fault::ThermostatHot, Fault::SensorStuck].map(|f| row("a", f, 1.0)).to_vec();
        calibrate(&mut rows, &steep());
        let p = |i: usize| rows[i].probability.unwrap();
        // By hand: e^3 each against 1 for none: 20.09 / 41.17 = 0.488; alone 20.09 / 21.09 = 0.953.
        assert!((p(0) - 0.488).abs() < 1e-3 && (p(1) - 0.488).abs() < 1e-3 && (p(2) - 0.953).abs() < 1e-3);
        assert!(p(0) + p(1) <= 1.0);
        let story = story("a", &rows).unwrap();
        assert_eq!((story.first.as_str(), story.second.as_str()), ("sensor_stuck", "thermostat_hot"));
        assert!((story.sound - (1.0 - p(0) - p(1)) * (1.0 - p(2))).abs() < 1e-12);
    }

    #[test]
    fn what_is_explained_has_the_share_of_its_like() {
        let mut folded = row("a", Fault::ThermostatHot, 2.0);
        folded.folded_under = "stuck_on".to_owned();
        let mut rows = vec![row("a", Fault::StuckOn, 1.0), folded];
        calibrate(&mut rows, &steep());
        // A quarter of what is left by the cause: 0.25 x (1 - 0.953).
        assert!((rows[1].probability.unwrap() - 0.25 * 0.0474).abs() < 1e-3, "{rows:?}");
        assert_eq!(cases(&rows, &[Fault::StuckOn])[2].as_ref().unwrap().margins.len(), 1);
    }

    #[test]
    fn what_was_not_assessed_has_no_probability() {
        let mut rows = vec![Assessment::not_assessed(Fault::StuckOn, "", "power").row("a")];
        calibrate(&mut rows, &steep());
        assert_eq!((rows[0].probability, story("a", &rows)), (None, None));
    }

    #[test]
    fn rivals_never_sum_above_one() {
        let mut rows =
            [Fault::StuckOn, Fault::ThermostatHot, Fault::RunsOut].map(|f| row("a", f, 1.0)).to_vec();
        rows.iter_mut().for_each(|r| r.probability = Some(0.8));
        cap_rivals(&mut rows);
        let p: Vec<f64> = rows.iter().filter_map(|r| r.probability).collect();
        assert_eq!(p, [0.5, 0.5, 0.8]);
    }

    #[test]
    fn the_rate_is_held_and_danger_is_not_silenced() {
        let curve = Curve { intercept: 0.0, below: 0.0, beyond: 1.0, days: 0.0, homes: 100, present: 50 };
        let calibration = Calibration { all_calls: Some(curve), ..Calibration::default() };
        let mut rows: Vec<FindingRow> = [4.0, 3.5, 3.0, 0.4].map(|m| row("a", Fault::LeakSteady, m)).to_vec();
        rows.push(row("a", Fault::StuckOn, 0.0));
        let called = |rows: &[FindingRow]| -> Vec<bool> {
            rows.iter().map(|r| r.outcome == Outcome::Fault.code()).collect()
        };
        // Doubts by hand 0.018, 0.029, 0.047, 0.401: the mean of three is 0.032, of four 0.124.
        let mut held = rows.clone();
        assert_eq!(hold_rate(&mut held, &calibration, 0.1), 1);
        assert_eq!(called(&held), [true, true, true, false, true]);
        assert!(held[3].evidence_against.contains("40 in 100"), "{}", held[3].evidence_against);
        assert_eq!(hold_rate(&mut rows.clone(), &calibration, 0.13), 0);
        assert_eq!(hold_rate(&mut rows, &Calibration::default(), 0.0), 0, "nothing is known of calls");
        assert_eq!(call_cases(&held, true).len(), 3);
    }
}
