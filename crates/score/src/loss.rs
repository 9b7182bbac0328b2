//! Standing loss against truth: sound homes whose tank stood well above the room.

use std::ops::RangeInclusive;

use drawoff_contract::results::HomeRow;

use crate::errors::RelativeErrors;
use crate::truth::TruthHome;
use crate::wilson::Share;

/// Least mean excess of tank over room for a home to be scored: below it the loss is too small to be seen.
pub const MIN_TANK_ABOVE_ROOM_K: f64 = 15.0;

/// Where the share of 90 % intervals that hold the truth may lie.
pub const COVERAGE_BAND: RangeInclusive<f64> = 0.85..=0.95;

/// Errors of the standing loss.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LossScore {
    /// W/K against loss over (mean tank temperature - room).
    pub w_per_k: RelativeErrors,
    /// kWh a day in use.
    pub kwh_per_day: RelativeErrors,
    /// W/K against the conductance of the skin: printed for comparison only, since the cold base loses less.
    pub skin_w_per_k: RelativeErrors,
    /// 90 % intervals of W/K that hold the truth; a home with an estimate but no interval counts as not held.
    pub covered: Share,
    /// Width of the 90 % interval relative to the estimate, one a home.
    pub widths: Vec<f64>,
}

impl LossScore {
    /// Takes one home in; homes with a fault or a tank near room temperature are passed over.
    pub fn push(&mut self, row: Option<&HomeRow>, truth: &TruthHome) {
        let stood_hot = truth.mean_tank_above_room_k().is_some_and(|k| k >= MIN_TANK_ABOVE_ROOM_K);
        if !truth.is_sound() || !stood_hot {
            return;
        }
        let estimate = row.and_then(|r| r.standing_loss_w_per_k).filter(|e| e.is_finite());
        self.w_per_k.push(estimate, truth.ua_effective_w_per_k);
        self.skin_w_per_k.push(estimate, truth.ua_w_per_k);
        self.kwh_per_day.push(row.and_then(|r| r.standing_loss_kwh_per_day), truth.kwh_loss_per_day);
        let (Some(row), Some(estimate)) = (row, estimate) else { return };
        let interval = row.standing_loss_w_per_k_p05.zip(row.standing_loss_w_per_k_p95);
        self.covered
            .count(interval.is_some_and(|(low, high)| (low..=high).contains(&truth.ua_effective_w_per_k)));
        self.widths.extend(interval.map(|(low, high)| (high - low) / estimate));
    }

    /// Adds the homes of another fleet.
    pub fn add(&mut self, other: &Self) {
        self.w_per_k.add(&other.w_per_k);
        self.kwh_per_day.add(&other.kwh_per_day);
        self.skin_w_per_k.add(&other.skin_w_per_k);
        self.covered.add(other.covered);
        self.widths.extend_from_slice(&other.widths);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::made_up::{home_row, truth_home};
    use crate::truth::TruthFault;
    use drawoff_contract::Fault;

    #[test]
    fn only_sound_homes_with_a_hot_tank_are_scored() {
        let mut truth = truth_home();
        truth.ua_effective_w_per_k = 2.0;
        truth.kwh_loss_per_day = 1.0;
        let mut row = home_row("a");
        row.standing_loss_w_per_k = Some(2.2);
        row.standing_loss_w_per_k_p05 = Some(1.9);
        row.standing_loss_w_per_k_p95 = Some(2.5);
        row.standing_loss_kwh_per_day = Some(0.9);

        let mut score = LossScore::default();
        score.push(Some(&row), &truth);
        score.push(None, &truth);
        let mut faulty = truth.clone();
        faulty.faults.push(TruthFault { fault: Fault::ClockShift, onset_ms: None, level: None });
        score.push(Some(&row), &faulty);
        let mut cool = truth.clone();
        cool.days.iter_mut().for_each(|d| d.tank_above_room_k = 14.9);
        score.push(Some(&row), &cool);

        assert_eq!(score.w_per_k.values.len(), 1);
        assert_eq!(score.w_per_k.not_assessed, 1);
        assert!((score.w_per_k.values[0] - 0.1).abs() < 1e-12);
        assert!((score.kwh_per_day.values[0] + 0.1).abs() < 1e-12);
        assert_eq!(score.covered, Share::new(1, 1));
    }

    #[test]
    fn an_estimate_without_an_interval_is_not_covered() {
        let mut row = home_row("a");
        row.standing_loss_w_per_k = Some(2.0);
        let mut score = LossScore::default();
        score.push(Some(&row), &truth_home());
        assert_eq!(score.covered, Share::new(0, 1));
    }
}
