//! Which conditions of the data are measured.

use drawoff_score::Degradation::{self, CadenceMin, Days, Gaps, NoRoom, None, Probes, StepK};
use drawoff_score::Heating;
use drawoff_synth::{FleetPlan, Inlet, Sources};

/// The conditions of the reference fleets, which were exported every five minutes.
pub(crate) const REFERENCE: [Degradation; 10] = [
    None,
    Probes(6),
    Probes(3),
    Probes(2),
    CadenceMin(15),
    CadenceMin(30),
    StepK(1.0),
    Gaps(0.2),
    NoRoom,
    Days(30),
];

/// A few of them, to see that all is well.
pub(crate) const QUICK: [Degradation; 3] = [None, Probes(3), CadenceMin(15)];

/// One invented fleet and the conditions that are made from it.
pub(crate) struct Made {
    /// Words for the fleet where nothing is left out.
    pub(crate) name: &'static str,
    pub(crate) plan: FleetPlan,
    pub(crate) degradations: Vec<Degradation>,
    pub(crate) heating: Heating,
}

impl Made {
    fn of(name: &'static str, plan: FleetPlan, degradations: &[Degradation]) -> Self {
        Self { name, plan, degradations: degradations.to_vec(), heating: Heating::Element }
    }

    /// Words for the fleet under one of its conditions.
    pub(crate) fn label(&self, degradation: Degradation) -> String {
        if degradation == None { self.name.to_owned() } else { degradation.label() }
    }
}

/// Which conditions are asked for, by their label; every one where none is named.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Only<'a>(pub(crate) &'a [String]);

impl Only<'_> {
    /// Whether a condition is asked for.
    pub(crate) fn asks(self, label: &str) -> bool {
        self.0.is_empty() || self.0.iter().any(|name| name == label)
    }

    /// The fleets that are asked for, each with the conditions that are.
    pub(crate) fn of_made(self, mut fleets: Vec<Made>) -> Vec<Made> {
        for made in &mut fleets {
            let asked = made.degradations.iter().copied().filter(|d| self.asks(&made.label(*d))).collect();
            made.degradations = asked;
        }
        fleets.retain(|made| !made.degradations.is_empty());
        fleets
    }

    /// The conditions of an export that are asked for.
    pub(crate) fn of_export(self, degradations: &[Degradation]) -> Vec<Degradation> {
        degradations.iter().copied().filter(|d| self.asks(&d.label())).collect()
    }
}

/// The invented fleets that elements heat.
pub(crate) fn with_elements(plan: &FleetPlan, quick: bool) -> Vec<Made> {
    const OF_OWN: [Degradation; 7] =
        [None, CadenceMin(15), CadenceMin(30), StepK(1.0), Gaps(0.2), NoRoom, Days(30)];
    const OF_TWELVE: [Degradation; 6] = [None, Probes(8), Probes(6), Probes(3), Probes(2), Probes(1)];
    if quick {
        return vec![Made::of("as exported", plan.clone(), &QUICK)];
    }
    vec![
        Made::of("as exported", plan.clone(), &OF_OWN),
        Made::of("12 probes", FleetPlan { probes: Some(12), ..plan.clone() }, &OF_TWELVE),
        Made::of("1 min", FleetPlan { cadence_min: 1, ..plan.clone() }, &[None]),
        Made::of(
            "half a small draw an hour more",
            FleetPlan { small_draws_per_hour: 0.5, ..plan.clone() },
            &[None],
        ),
        Made::of(
            "fronts as thick as measured",
            FleetPlan { inlet: Inlet::Measured, ..plan.clone() },
            &[None],
        ),
    ]
}

/// The invented fleets that something else heats.
pub(crate) fn with_other_sources(plan: &FleetPlan) -> Vec<Made> {
    let source = |name, source, heating| Made {
        heating,
        ..Made::of(name, FleetPlan { source, ..plan.clone() }, &[None])
    };
    vec![
        source("surplus diverter", Sources::Diverter, Heating::Metered),
        source("from the top, by pump", Sources::TopPump, Heating::Metered),
        source("boiler coil", Sources::Coil, Heating::Unmetered),
        source("heat pump", Sources::HeatPump, Heating::Unmetered),
    ]
}

/// Minutes between rows after a degradation of rows that are `own_min` apart.
pub(crate) fn cadence_min(degradation: Degradation, own_min: u32) -> u32 {
    if let CadenceMin(minutes) = degradation { minutes.max(own_min) } else { own_min }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conditions_are_named_whole() {
        let names = ["2 probes".to_owned(), "1 min".to_owned()];
        let fleets = Only(&names).of_made(with_elements(&FleetPlan::default(), false));
        let labels: Vec<String> =
            fleets.iter().flat_map(|made| made.degradations.iter().map(|d| made.label(*d))).collect();
        assert_eq!(labels, ["2 probes", "1 min"]);
        assert_eq!(Only(&names).of_export(&REFERENCE), [Probes(2)]);
        assert_eq!(Only(&[]).of_export(&REFERENCE), REFERENCE);
    }
}
