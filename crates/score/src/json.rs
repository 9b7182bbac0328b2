//! The score card as JSON: the figures of the text, for machines.

use drawoff_contract::FaultClass;
use serde_json::{Map, Value, json};

use crate::amounts::{Amount, AmountPair};
use crate::calls::KindTally;
use crate::card::ScoreCard;
use crate::errors::{RelativeErrors, median};
use crate::groups::{GroupSet, GroupTally};
use crate::loss::COVERAGE_BAND;
use crate::trial::reliability;
use crate::vacancy::DayTally;
use crate::wilson::Share;

impl ScoreCard {
    /// All figures with sorted keys. Relative errors are fractions, shares carry their counts and 95 % Wilson interval,
    /// and a figure without cases is null.
    #[must_use]
    pub fn to_json(&self) -> Value {
        let calls = &self.calls;
        let kinds: Map<String, Value> =
            calls.kinds.iter().map(|(fault, kind)| (fault.code().to_owned(), kind_json(kind))).collect();
        let false_calls: Vec<Value> = calls
            .false_calls
            .iter()
            .map(|(home, fault)| json!({"home": home, "fault": fault.code()}))
            .collect();
        json!({
            "homes": self.homes,
            "homes_without_results": self.homes_without_results,
            "homes_without_truth": self.homes_without_truth,
            "standing_loss": {
                "w_per_k": errors_json(&self.loss.w_per_k),
                "kwh_per_day": errors_json(&self.loss.kwh_per_day),
                "skin_w_per_k_compare_only": errors_json(&self.loss.skin_w_per_k),
                "interval_coverage": share_json(self.loss.covered),
                "interval_coverage_overlaps_85_95": self.loss.covered.overlaps(COVERAGE_BAND),
                "interval_median_relative_width": median(&self.loss.widths),
            },
            "draw_off_per_day": {
                "all": pair_json(&self.amounts.all),
                "no_equipment_fault": pair_json(&self.amounts.equipment_sound),
                "nearly_empty_litres_per_day": self.amounts.nearly_empty_litres_per_day,
            },
            "draw_off_groups": {
                "by_time": set_json(&self.groups.by_time),
                "on_grid": set_json(&self.groups.on_grid),
            },
            "faults": {
                "kinds": kinds,
                "equipment_and_sensor": kind_json(&calls.pooled(FaultClass::Equipment)),
                "data": kind_json(&calls.pooled(FaultClass::Data)),
                "service": kind_json(&calls.pooled(FaultClass::Service)),
                "unknown_codes": calls.unknown_codes,
            },
            "probabilities": {
                "expected_calibration_error": reliability::ece(&self.predictions).0,
                "brier": reliability::brier(&self.predictions),
                "predictions": self.predictions.len(),
            },
            "sound_homes": {
                "flagged": share_json(calls.flagged_sound),
                "flagged_data_fault_only": share_json(calls.flagged_data_only),
                "false_calls": false_calls,
                "false_calls_per_100_home_years": calls.false_calls_per_100_home_years(),
                "days": calls.sound_days,
            },
            "service_list": {
                "listed": self.list.listed,
                "precision_at_k": share_json(self.list.right_kind),
                "precision_at_k_any_fault": share_json(self.list.right_home),
            },
            "vacant_days": {
                "all": days_json(self.vacancy.all),
                "without_always_empty_homes": days_json(self.vacancy.used_homes),
            },
        })
    }
}

fn days_json(days: DayTally) -> Value {
    json!({
        "homes": days.homes,
        "days": days.days,
        "unknown": days.unknown,
        "f1": days.f1(),
        "recall": share_json(days.recall()),
        "precision": share_json(days.precision()),
    })
}

fn share_json(share: Share) -> Value {
    let interval = share.interval().map(|(low, high)| [low, high]);
    json!({"hits": share.hits, "of": share.of, "share": share.value(), "interval_95": interval})
}

fn errors_json(errors: &RelativeErrors) -> Value {
    json!({
        "homes": errors.values.len(),
        "not_assessed": errors.not_assessed,
        "median_abs": errors.median_abs(),
        "p90_abs": errors.p90_abs(),
        "bias": errors.bias(),
    })
}

fn pair_json(pair: &AmountPair) -> Value {
    json!({"litres": amount_json(&pair.litres), "energy_kwh": amount_json(&pair.energy)})
}

fn amount_json(amount: &Amount) -> Value {
    json!({
        "home_mean": errors_json(&amount.home_mean),
        "utc_days": {"homes": amount.utc_days.len(), "median": median(&amount.utc_days)},
        "local_days": {"homes": amount.local_days.len(), "median": median(&amount.local_days)},
    })
}

fn set_json(set: &GroupSet) -> Value {
    let by_probes: Map<String, Value> =
        set.by_probes.iter().map(|(n, tally)| (n.to_string(), group_json(tally))).collect();
    json!({"all": group_json(&set.all), "by_probes": by_probes})
}

fn group_json(tally: &GroupTally) -> Value {
    json!({
        "homes": tally.homes,
        "f1": tally.f1(),
        "recall": share_json(tally.recall),
        "precision": share_json(tally.precision),
        "left_out": tally.left_out,
    })
}

fn kind_json(kind: &KindTally) -> Value {
    json!({
        "imposed": kind.imposed,
        "found": kind.found,
        "wrong_diagnosis": kind.wrong_diagnosis,
        "missed": kind.missed,
        "missed_not_assessed": kind.missed_not_assessed,
        "calls": kind.calls,
        "calls_at_other_faults": kind.calls_at_other_faults(),
        "false_calls": kind.false_calls,
        "recall": share_json(kind.recall()),
        "precision": share_json(kind.precision()),
        "onset_median_abs_hours": median(&kind.onset_errors_hours),
        "onset_dated": kind.onset_errors_hours.len(),
        "onset_missing": kind.onset_missing,
        "began_before_data": share_json(kind.began_before),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_without_cases_are_null() {
        let json = ScoreCard::default().to_json();
        assert!(json["standing_loss"]["w_per_k"]["median_abs"].is_null());
        assert!(json["sound_homes"]["flagged"]["interval_95"].is_null());
        assert_eq!(json["faults"]["equipment_and_sensor"]["imposed"], 0);
    }
}
