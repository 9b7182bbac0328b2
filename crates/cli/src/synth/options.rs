//! From the options of the command line to the plan of a fleet.

use drawoff_synth::{FaultsLaid, FleetPlan, Pace, RoomMeasured, Sources};

use crate::args::{Faults, Room, Source, SynthArgs};

/// The plan that the options ask for; not yet checked.
pub(super) fn plan(args: &SynthArgs) -> FleetPlan {
    FleetPlan {
        seed: args.seed,
        homes: args.homes,
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
        faults: match args.faults {
            Faults::AsDrawn => FaultsLaid::AsDrawn,
            Faults::None => FaultsLaid::None,
        },
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
        pace: if args.quick { Pace::Quick } else { Pace::Fine },
        ..FleetPlan::default()
    }
}
