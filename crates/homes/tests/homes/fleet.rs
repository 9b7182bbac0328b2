//! A few homes of a generated fleet with their daybooks, read as a fleet.

use drawoff_homes::{FleetPriors, HomeReading, Settings, read_home};
use drawoff_synth::FleetPlan;
use drawoff_tank::Water;

use crate::made::{Made, made};
use crate::noted::{Noted, noted, view};

pub(crate) const SETTINGS: Settings = Settings { water: Water::Iapws, seed: 1 };

/// Three weeks of the homes at `pick`.
pub(crate) fn fleet(seed: u64, pick: impl IntoIterator<Item = u32>) -> Vec<Noted> {
    let plan = FleetPlan { seed, days: 21, zone: chrono_tz::UTC, ..FleetPlan::default() };
    pick.into_iter().map(|index| noted(made(&plan, index))).collect()
}

/// Numbers of the homes of a block whose truth is as wanted; a day of each is made to learn it.
pub(crate) fn numbers(seed: u64, wanted: impl Fn(&Made) -> bool) -> Vec<u32> {
    let plan = FleetPlan { seed, days: 1, zone: chrono_tz::UTC, ..FleetPlan::default() };
    (0..40).filter(|&index| wanted(&made(&plan, index))).collect()
}

pub(crate) fn read(n: &Noted, priors: &FleetPriors) -> HomeReading {
    let sound = vec![true; n.home.cylinder.probe_heights.len()];
    read_home(view(n), priors, &sound, SETTINGS)
}
