//! From the options of the command line to the plan of a fleet.

use drawoff_synth::{FleetPlan, Inlet, Pace, RoomMeasured, Sources, TappingPlan, TappingProfile};

use crate::args::{Fronts, Room, Source, SynthArgs, Tapping};

/// The plan that the options ask for; not yet checked.
pub(super) fn plan(args: &SynthArgs) -> FleetPlan {
    FleetPlan {
        seed: args.seed,
        homes: if args.tapping.is_empty() { args.homes } else { args.tapping.len() as u32 },
        days: args.days,
        cadence_min: args.cadence_min,
        probes: args.probes,
        resolution_k: args.resolution_k,
        lost_share: args.gaps,
        room: match args.room {
            Room::AsDrawn => RoomMeasured::AsDrawn,
            Room::Always => RoomMeasured::Always,
            Room::Never => RoomMeasured::Never,
        },
        faults: args.faults,
        small_draws_per_hour: args.small_draws_per_hour,
        source: match args.source {
            None => Sources::AsDrawn,
            Some(Source::Element) => Sources::Element,
            Some(Source::TopPump) => Sources::TopPump,
            Some(Source::Coil) => Sources::Coil,
            Some(Source::HeatPump) => Sources::HeatPump,
            Some(Source::Diverter) => Sources::Diverter,
            Some(Source::Mixed) => Sources::Mixed,
        },
        inlet: match args.fronts {
            Fronts::Sharp => Inlet::Sharp,
            Fronts::Measured => Inlet::Measured,
        },
        pace: if args.quick { Pace::Quick } else { Pace::Fine },
        ..FleetPlan::default()
    }
}

/// The plans of the tapping profiles that the options ask for, in their order; none where a fleet is asked for.
pub(super) fn tapping(args: &SynthArgs) -> Vec<TappingPlan> {
    let plan = |tapping: &Tapping| TappingPlan {
        profile: match tapping {
            Tapping::S => TappingProfile::S,
            Tapping::M => TappingProfile::M,
            Tapping::L => TappingProfile::L,
            Tapping::Xl => TappingProfile::Xl,
        },
        days: args.days,
        cadence_min: args.cadence_min,
        seed: args.seed,
        probes: args.probes.unwrap_or(TappingPlan::default().probes),
        ..TappingPlan::default()
    };
    args.tapping.iter().map(plan).collect()
}
