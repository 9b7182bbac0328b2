//! What fleet to make, and which freedoms of it are fixed.

use chrono_tz::Tz;
use drawoff_contract::readings::MAX_PROBES;
use drawoff_contract::{ContractError, Fault};

use crate::trial;
use drawoff_contract::Level;

/// Probe columns of every export; more are added where a plan asks for more.
pub(crate) const USUAL_PROBES: usize = 8;

/// What fleet to make. What is `None`, "as drawn" or zero here is drawn home by home, as in the sample fleet.
///
/// The options of probes, rooms, gaps and resolution change what is seen of a home and not what happens there: the truth of
/// a home is the same with 2 and with 12 probes. `cadence_min` changes the mains voltage from row to row, so energies
/// move by some tenths of a per cent.
#[derive(Clone, Debug, PartialEq)]
pub struct FleetPlan {
    /// Run seed.
    pub seed: u64,
    /// Number of homes; homes 0, 1, ... are the same in a larger fleet of the same seed and period.
    pub homes: u32,
    /// Length of the period, days.
    pub days: u32,
    /// Minutes between rows: a divisor of a day in whole minutes, such as 1, 5, 15 or 30.
    pub cadence_min: u32,
    /// Start of the period, UTC ms, a whole minute.
    pub start_ms: i64,
    /// Time zone of the town.
    pub zone: Tz,
    /// Number of probes of every home, 1 to 12.
    pub probes: Option<u8>,
    /// Steps in which probes report, K.
    pub resolution_k: Option<f64>,
    /// Share of the rows that a sound home loses, 0 to 0.9: half of it singly, half in outages of an hour or so.
    pub lost_share: Option<f64>,
    /// Which homes measure the surroundings.
    pub room: RoomMeasured,
    /// Which faults are laid on the homes.
    pub faults: FaultsLaid,
    /// Mean number of further draws an hour that are too small to be seen (0.3 to 1.1 l), wherever somebody lives.
    pub small_draws_per_hour: f64,
    /// What heats the cylinders.
    pub source: Sources,
    /// How much the cold feed stirs on its way in.
    pub inlet: Inlet,
    /// How finely time is cut.
    pub pace: Pace,
}

/// Which homes measure the surroundings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum RoomMeasured {
    /// A third of the homes.
    #[default]
    AsDrawn,
    /// All homes.
    Always,
    /// No home.
    Never,
}

/// Which faults are laid on the homes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FaultsLaid {
    /// Each fault once in every block of 40 homes.
    #[default]
    AsDrawn,
    /// None: a sound fleet, its look-alikes included.
    None,
    /// This kind at this level at every home, over every heat source that can have it and 1 to 8 probes in turn.
    Only(Fault, Level),
    /// Every kind at every level over every heat source and 1 to 8 probes, beside sound homes with every look-alike: rounds of 46
    /// homes, 70 of them for a whole trial.
    Trial,
}

/// What heats the cylinders of a fleet.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sources {
    /// Elements, in one of seven homes driven by a surplus diverter; the export has no columns for other sources.
    #[default]
    AsDrawn,
    /// Elements on the mains.
    Element,
    /// Elements driven by a surplus diverter, with a short charge at night.
    Diverter,
    /// An element in a chamber through which a pump draws from the base; the water returns at the top.
    TopPump,
    /// A boiler's coil without a meter.
    Coil,
    /// A heat pump with a plate exchanger, and an element for a weekly boost.
    HeatPump,
    /// All of them side by side.
    Mixed,
}

/// How much the cold feed stirs on its way in, which sets how thick the front between cold and hot water is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Inlet {
    /// Inlets that spread their water well: from 10 to 90 % of the rise the front takes 5 to 13 % of the height after half the
    /// cylinder is drawn at once.
    #[default]
    Sharp,
    /// Inlets like that of a laboratory tank of 285 l, whose front takes about 20 % (`crates/synth/tests/front.rs`).
    Measured,
}

/// How finely time is cut; the physics is the same, and draws are always cut into steps of 20 s.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Pace {
    /// Heat goes into the water every 20 s, loss and conduction are reckoned every two minutes: so the sample fleet was made.
    #[default]
    Fine,
    /// Heat every minute, loss and conduction every ten minutes while nothing flows or heats: about twice as fast.
    Quick,
}

impl Default for FleetPlan {
    /// The period of the sample fleet: 29 days from 9 March 2026, with a change of hour on the 29th.
    fn default() -> Self {
        Self {
            seed: 1,
            homes: 46,
            days: 29,
            cadence_min: 5,
            start_ms: 1_773_014_400_000,
            zone: chrono_tz::Europe::London,
            probes: None,
            resolution_k: None,
            lost_share: None,
            room: RoomMeasured::AsDrawn,
            faults: FaultsLaid::AsDrawn,
            small_draws_per_hour: 0.0,
            source: Sources::AsDrawn,
            inlet: Inlet::Sharp,
            pace: Pace::Fine,
        }
    }
}

impl FleetPlan {
    /// Whether export and register carry the further columns: probes 9 to 12, a pump's signal, the heat source.
    #[must_use]
    pub fn has_further_columns(&self) -> bool {
        self.source != Sources::AsDrawn || self.probe_columns() > USUAL_PROBES || self.is_trial()
    }

    /// Whether each home is laid down by the plan of a trial.
    #[must_use]
    pub fn is_trial(&self) -> bool {
        matches!(self.faults, FaultsLaid::Only(..) | FaultsLaid::Trial)
    }

    /// Whether the number of probes is set and not drawn.
    pub(crate) fn sets_probes(&self) -> bool {
        self.probes.is_some() || self.is_trial()
    }

    pub(crate) fn probe_columns(&self) -> usize {
        self.probes.map_or(USUAL_PROBES, usize::from).max(USUAL_PROBES)
    }

    pub(crate) fn cadence_s(&self) -> i64 {
        i64::from(self.cadence_min.max(1)) * 60
    }

    /// Looks for settings that no fleet can have.
    ///
    /// # Errors
    /// All of them, each with what is possible.
    pub fn check(&self) -> Result<(), Vec<ContractError>> {
        let mut problems = Vec::new();
        let mut need = |holds: bool, what: &str, hint: &str| {
            if !holds {
                problems.push(ContractError::new("a fleet", what).with_hint(hint));
            }
        };
        need(
            self.homes > 0 && self.days > 0,
            "needs at least one home and one day",
            "for example --homes 46 --days 29",
        );
        need(
            self.cadence_min > 0 && 1440 % self.cadence_min == 0,
            "needs a cadence that divides a day",
            "for example 1, 5, 15 or 30 minutes",
        );
        let probes = self.probes.map_or(1, usize::from);
        need((1..=MAX_PROBES).contains(&probes), "needs 1 to 12 probes", "leave the number out to draw it");
        let resolution_k = self.resolution_k.unwrap_or(0.1);
        need((0.001..=5.0).contains(&resolution_k), "needs a resolution of 0.001 to 5 K", "for example 0.1");
        let lost = self.lost_share.unwrap_or(0.0);
        need((0.0..=0.9).contains(&lost), "needs a share of gaps from 0 to 0.9", "for example 0.2");
        need(
            (0.0..=20.0).contains(&self.small_draws_per_hour),
            "needs 0 to 20 small draws an hour",
            "for example 0.4",
        );
        if let FaultsLaid::Only(fault, _) = self.faults {
            need(
                trial::is_possible(self, fault),
                "has a heat source or a number of probes with which this fault cannot be",
                "leave out the source and the number of probes",
            );
        }
        if problems.is_empty() { Ok(()) } else { Err(problems) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn impossible_fleets_are_named() {
        assert!(FleetPlan::default().check().is_ok());
        let odd = FleetPlan {
            homes: 0,
            cadence_min: 7,
            probes: Some(13),
            resolution_k: Some(f64::NAN),
            lost_share: Some(1.0),
            small_draws_per_hour: -1.0,
            ..FleetPlan::default()
        };
        assert_eq!(odd.check().unwrap_err().len(), 6);
        assert!(!FleetPlan { probes: Some(8), ..FleetPlan::default() }.has_further_columns());
        assert!(FleetPlan { probes: Some(9), ..FleetPlan::default() }.has_further_columns());
    }
}
