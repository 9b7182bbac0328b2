//! Trial fleets: every kind of fault at every level, over every heat source that can have it and 1 to 8 probes, beside
//! sound homes with everything that is easily taken for a fault.
//!
//! The homes come in rounds of [`ROUND`]: each kind once, each look-alike once. Levels change from round to round, so that 14 rounds
//! hold eight middle, three mild and three strong ones of each kind. A home depends on its number and the seed only: a smaller fleet is
//! the beginning of a larger one. 70 rounds (3,220 homes) hold each kind 40 times at the middle level and 15 times at the others,
//! beside 1,190 sound homes.

use drawoff_contract::Fault;

use crate::dice::{Purpose, below, dice, shuffled};
use crate::household::Habit;
use crate::plan::{FaultsLaid, FleetPlan, Sources};
use drawoff_contract::Level;

/// Sound homes of a round. Two are ordinary.
const SOUND: [Habit; 17] = [
    Habit::Normal,
    Habit::Normal,
    Habit::Vacant,
    Habit::LargeFamily,
    Habit::Guests,
    Habit::Away,
    Habit::Students,
    Habit::ColdLoft,
    Habit::SecondaryReturn,
    Habit::HygieneCycle,
    Habit::LowVoltage,
    Habit::SetPointChange,
    Habit::InletSeason,
    Habit::ClockChange,
    Habit::WinterTimeMeter,
    Habit::PartCharge,
    Habit::FullExporting,
];

/// Homes of a round.
pub(crate) const ROUND: usize = Fault::ALL.len() + SOUND.len();

const LEVELS: [Level; 14] = [
    Level::Middle,
    Level::Mild,
    Level::Middle,
    Level::Strong,
    Level::Middle,
    Level::Middle,
    Level::Mild,
    Level::Middle,
    Level::Strong,
    Level::Middle,
    Level::Middle,
    Level::Mild,
    Level::Strong,
    Level::Middle,
];

const SOURCES: [Sources; 5] =
    [Sources::Element, Sources::Diverter, Sources::TopPump, Sources::Coil, Sources::HeatPump];

/// What the plan of a trial lays down for one home.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Cell {
    pub(crate) habit: Habit,
    pub(crate) fault: Option<(Fault, Level)>,
    pub(crate) source: Sources,
    pub(crate) probes: u8,
}

/// The cell of home `index`; `None` for plans that are no trial.
///
/// A plan's own source and number of probes hold for every home; a kind that its source cannot have leaves an ordinary sound home.
pub(crate) fn cell(plan: &FleetPlan, index: u32) -> Option<Cell> {
    match plan.faults {
        FaultsLaid::AsDrawn | FaultsLaid::None => None,
        FaultsLaid::Only(fault, level) => {
            Some(faulty(plan, fault, level, index).unwrap_or_else(|| sound(plan, 0, index)))
        }
        FaultsLaid::Trial => {
            let round = index / ROUND as u32;
            let order = shuffled(&mut dice(plan.seed, round, Purpose::Slots), ROUND);
            let place = order[index as usize % ROUND];
            let Some(&fault) = Fault::ALL.get(place) else {
                return Some(sound(plan, place - Fault::ALL.len(), round));
            };
            let level_in = |round: u32| LEVELS[(round as usize + place) % LEVELS.len()];
            let level = level_in(round);
            let before = (0..round).filter(|&r| level_in(r) == level).count() as u32;
            Some(faulty(plan, fault, level, before).unwrap_or_else(|| sound(plan, 0, round)))
        }
    }
}

/// The `number`-th home with this fault at this level.
fn faulty(plan: &FleetPlan, fault: Fault, level: Level, number: u32) -> Option<Cell> {
    let can = allowed(plan, sources_of(fault));
    let least = least_probes(fault);
    let turn = turn(plan.seed, fault as u32 * 4 + level as u32) + number;
    let source = *can.get(turn as usize % can.len().max(1))?;
    Some(Cell {
        habit: Habit::Normal,
        fault: Some((fault, level)),
        source,
        probes: probes(plan, least, turn, can.len())?,
    })
}

fn sound(plan: &FleetPlan, which: usize, number: u32) -> Cell {
    let can = allowed(plan, sources_with(SOUND[which]));
    // Where the plan's source cannot have the look-alike, an ordinary home stands in its place.
    let (habit, can) =
        if can.is_empty() { (Habit::Normal, allowed(plan, &SOURCES)) } else { (SOUND[which], can) };
    let turn = turn(plan.seed, 1000 + which as u32) + number;
    let source = can.get(turn as usize % can.len().max(1)).copied().unwrap_or(Sources::Element);
    Cell { habit, fault: None, source, probes: probes(plan, 1, turn, can.len()).unwrap_or(4) }
}

/// Where the turns of sources and probes begin.
fn turn(seed: u64, of: u32) -> u32 {
    below(&mut dice(seed, of, Purpose::Cells), 40) as u32
}

/// A number of probes, so that each of `sources` that are taken in turn meets one number after the other; `None` where the plan's own is
/// too small.
fn probes(plan: &FleetPlan, least: u32, turn: u32, sources: usize) -> Option<u8> {
    let choices = 9 - least;
    let sources = sources.max(1) as u32;
    let drawn = least + (turn / sources + turn % sources) % choices;
    let count = plan.probes.map_or(drawn, u32::from);
    u8::try_from(count).ok().filter(|_| count >= least)
}

/// The sources of a list that the plan allows.
fn allowed(plan: &FleetPlan, list: &[Sources]) -> Vec<Sources> {
    let all = matches!(plan.source, Sources::AsDrawn | Sources::Mixed);
    list.iter().copied().filter(|s| all || *s == plan.source).collect()
}

/// Whether a plan can lay this fault at all.
pub(crate) fn is_possible(plan: &FleetPlan, fault: Fault) -> bool {
    !allowed(plan, sources_of(fault)).is_empty() && probes(plan, least_probes(fault), 0, 1).is_some()
}

/// The heat sources that can have a fault.
fn sources_of(fault: Fault) -> &'static [Sources] {
    use Sources::{Coil, Diverter, Element, HeatPump, TopPump};
    match fault {
        Fault::ElementOpen => &[Element, Diverter, TopPump],
        // Part power cannot be told from a dim sun.
        Fault::ElementHalf | Fault::RelayChatter | Fault::DearHours => &[Element, TopPump],
        // The compressor's limit lies below.
        Fault::ThermostatHot | Fault::ScaldRisk => &[Element, Diverter, TopPump, Coil],
        // The chamber's own limit and the compressor's stop the others.
        Fault::StuckOn => &[Element, Diverter, Coil],
        Fault::PumpFailed => &[TopPump, HeatPump, Coil],
        Fault::PumpStuck => &[TopPump, HeatPump],
        Fault::ExchangerDecline => &[Coil, HeatPump],
        Fault::BackupHeating => &[HeatPump],
        Fault::SurplusMissed => &[Diverter],
        Fault::MeterReset | Fault::MeterScale => &[Element, Diverter, TopPump, HeatPump],
        Fault::RunsOut => &[Element, TopPump, HeatPump],
        Fault::ThermostatCold
        | Fault::Destratified
        | Fault::LeakSteady
        | Fault::LeakHeating
        | Fault::LossDoubled
        | Fault::GravityNight
        | Fault::SensorStuck
        | Fault::SensorOffset
        | Fault::SensorSwap
        | Fault::SensorDrift
        | Fault::SensorHeight
        | Fault::DataGaps
        | Fault::ClockShift
        | Fault::HygieneLow => &SOURCES,
    }
}

/// Two probes make a difference, three a line.
fn least_probes(fault: Fault) -> u32 {
    match fault {
        Fault::SensorSwap => 3,
        Fault::SensorOffset | Fault::SensorDrift | Fault::SensorHeight => 2,
        _ => 1,
    }
}

/// The heat sources that can show a look-alike.
fn sources_with(habit: Habit) -> &'static [Sources] {
    use Sources::{Coil, Diverter, Element, HeatPump, TopPump};
    match habit {
        Habit::SecondaryReturn => &[Element, Coil, HeatPump],
        // A heat pump has its weekly boost anyhow.
        Habit::HygieneCycle => &[Element, TopPump, Coil],
        Habit::LowVoltage | Habit::WinterTimeMeter => &[Element, TopPump],
        Habit::SetPointChange | Habit::ClockChange => &[Element, TopPump, Coil, HeatPump],
        Habit::PartCharge => &[Element, TopPump, HeatPump],
        Habit::FullExporting => &[Diverter],
        _ => &SOURCES,
    }
}

#[cfg(test)]
mod tests {
    use std::collections::{BTreeMap, BTreeSet};

    use super::*;

    fn plan(seed: u64) -> FleetPlan {
        FleetPlan { seed, faults: FaultsLaid::Trial, ..FleetPlan::default() }
    }

    #[test]
    fn seventy_rounds_hold_what_a_trial_needs() {
        let cells: Vec<Cell> = (0..70 * ROUND as u32).filter_map(|i| cell(&plan(5), i)).collect();
        let mut count: BTreeMap<(Fault, Level), usize> = BTreeMap::new();
        for (fault, level) in cells.iter().filter_map(|c| c.fault) {
            *count.entry((fault, level)).or_default() += 1;
        }
        for &fault in Fault::ALL {
            assert_eq!(Level::ALL.map(|l| count[&(fault, l)]), [15, 40, 15], "{}", fault.code());
            let of: Vec<&Cell> = cells.iter().filter(|c| c.fault.is_some_and(|f| f.0 == fault)).collect();
            let probes: BTreeSet<u8> = of.iter().map(|c| c.probes).collect();
            assert_eq!(probes.len() as u32, 9 - least_probes(fault), "{}", fault.code());
            for source in sources_of(fault) {
                let with = of.iter().filter(|c| c.source == *source);
                let probes: BTreeSet<u8> = with.map(|c| c.probes).collect();
                assert!(probes.len() >= 4, "{} {source:?} {probes:?}", fault.code());
            }
        }
        let sound: Vec<&Cell> = cells.iter().filter(|c| c.fault.is_none()).collect();
        assert!(sound.len() >= 1000);
        for habit in SOUND {
            let sources = sound.iter().filter(|c| c.habit == habit).map(|c| format!("{:?}", c.source));
            assert_eq!(sources.collect::<BTreeSet<_>>().len(), sources_with(habit).len(), "{habit:?}");
        }
    }

    #[test]
    fn one_round_holds_every_kind_and_look_alike_and_seeds_differ() {
        let cells: Vec<Cell> = (0..ROUND as u32).filter_map(|i| cell(&plan(1), i)).collect();
        let kinds: BTreeSet<Fault> = cells.iter().filter_map(|c| c.fault.map(|f| f.0)).collect();
        assert_eq!((kinds.len(), cells.len()), (Fault::ALL.len(), ROUND));
        assert_ne!(cells[..9], (0..9).filter_map(|i| cell(&plan(2), i)).collect::<Vec<_>>()[..]);
        assert_eq!(cell(&FleetPlan::default(), 0), None);
    }

    #[test]
    fn a_plan_may_fix_source_and_probes() {
        let coils = FleetPlan { source: Sources::Coil, probes: Some(2), ..plan(1) };
        let cells: Vec<Cell> = (0..ROUND as u32).filter_map(|i| cell(&coils, i)).collect();
        assert!(cells.iter().all(|c| c.source == Sources::Coil && c.probes == 2));
        assert!(cells.iter().all(|c| c.fault.is_none_or(|f| is_possible(&coils, f.0))));
        assert!(!is_possible(&coils, Fault::ElementOpen) && !is_possible(&coils, Fault::SensorSwap));
        let leaks = FleetPlan { faults: FaultsLaid::Only(Fault::LeakSteady, Level::Strong), ..plan(1) };
        assert!((0..40).all(|i| cell(&leaks, i).unwrap().fault == Some((Fault::LeakSteady, Level::Strong))));
    }
}
