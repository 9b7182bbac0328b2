//! The least that a run must reach when it is compared with the truth.

use serde_json::Value;

/// One figure of a score and its floor, or its ceiling.
struct Floor {
    name: &'static str,
    /// Where the JSON of `drawoff score` has it.
    path: &'static str,
    limit: f64,
    at_least: bool,
}

/// Floors of a small fault trial, as `drawoff accuracy --faults` writes it: a guard against falling back, below what 1150 homes of seed 31
/// reached on 26 November 2026 (0.50, 0.55, 0.89, 0.65; 0.023) by as much as 230 homes may err. The bars themselves stand in the page.
const TRIAL_FLOORS: [Floor; 5] = [
    Floor {
        name: "recall of laid equipment and sensor faults",
        path: "/score/trial/recall, equipment and sensor/value",
        limit: 0.40,
        at_least: true,
    },
    Floor {
        name: "event-wise F0.5",
        path: "/score/trial/event-wise F0.5/value",
        limit: 0.42,
        at_least: true,
    },
    Floor {
        name: "sound homes without a call",
        path: "/score/trial/sound homes without a call/value",
        limit: 0.80,
        at_least: true,
    },
    Floor {
        name: "precision at k",
        path: "/score/trial/precision at k, right fault/value",
        limit: 0.45,
        at_least: true,
    },
    Floor {
        name: "expected calibration error",
        path: "/score/trial/expected calibration error, p > 0.02/value",
        limit: 0.12,
        at_least: false,
    },
];

const FLOORS: [Floor; 4] = [
    Floor {
        name: "recall of equipment and sensor faults",
        path: "/faults/equipment_and_sensor/recall/share",
        limit: 0.70,
        at_least: true,
    },
    Floor { name: "flagged sound homes", path: "/sound_homes/flagged/share", limit: 0.10, at_least: false },
    Floor {
        name: "standing loss, median absolute error",
        path: "/standing_loss/w_per_k/median_abs",
        limit: 0.12,
        at_least: false,
    },
    Floor {
        name: "litres a day, median absolute error",
        path: "/draw_off_per_day/all/litres/home_mean/median_abs",
        limit: 0.15,
        at_least: false,
    },
];

impl Floor {
    fn figure(&self, score: &Value) -> Option<f64> {
        score.pointer(self.path).and_then(Value::as_f64)
    }

    fn is_reached(&self, score: &Value) -> bool {
        let reached = |v: f64| if self.at_least { v >= self.limit } else { v <= self.limit };
        self.figure(score).is_some_and(reached)
    }

    fn line(&self, score: &Value) -> String {
        let percent = |v: f64| format!("{:.1} %", 100.0 * v);
        let figure = self.figure(score).map_or("no figure".to_owned(), percent);
        let side = if self.at_least { "at least" } else { "at most" };
        format!("{}: {figure} ({side} {})", self.name, percent(self.limit))
    }
}

/// The floors of the command that wrote the JSON.
fn floors(score: &Value) -> &'static [Floor] {
    if score.pointer("/score/trial").is_some() { &TRIAL_FLOORS } else { &FLOORS }
}

/// A line for each figure that has a floor, given the JSON of `drawoff score` or `drawoff accuracy --faults`.
#[must_use]
pub fn figures(score: &Value) -> Vec<String> {
    floors(score).iter().map(|f| f.line(score)).collect()
}

/// A line for each figure that misses its floor, or is not there.
#[must_use]
pub fn missed(score: &Value) -> Vec<String> {
    floors(score).iter().filter(|f| !f.is_reached(score)).map(|f| f.line(score)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_that_is_not_there_is_missed() {
        assert_eq!(missed(&Value::Null).len(), 4);
        let score = serde_json::json!({
            "faults": {"equipment_and_sensor": {"recall": {"share": 0.7}}},
            "sound_homes": {"flagged": {"share": 0.1}},
            "standing_loss": {"w_per_k": {"median_abs": 0.12}},
            "draw_off_per_day": {"all": {"litres": {"home_mean": {"median_abs": 0.2}}}},
        });
        assert_eq!(missed(&score), ["litres a day, median absolute error: 20.0 % (at most 15.0 %)"]);
        let trial = serde_json::json!({"score": {"trial": {"event-wise F0.5": {"value": 0.9}}}});
        assert_eq!(missed(&trial).len(), 4, "figures that are not there");
    }
}
