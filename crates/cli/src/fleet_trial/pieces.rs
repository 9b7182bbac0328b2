//! A trial fleet made in memory, a piece at a time: each piece is assessed as a fleet and thrown away.

use std::ops::Range;

use drawoff_contract::{ContractError, Cylinder};
use drawoff_daybook::Notes;
use drawoff_score::Truth;
use drawoff_synth::{FaultsLaid, FleetPlan, HomeData, HomeTruth, Pace, generate_home};
use drawoff_tank::water::Water;
use rayon::prelude::*;

use crate::accuracy::in_memory::{cylinder, home_rows, own_mapping};
use crate::accuracy::synthetic::truth_without_stored;
use crate::args::word_of;
use crate::exit::Failure;
use crate::progress;
use crate::stages::{self, HomeDaybook};
use crate::synth::portions;

/// Homes of a piece: whole blocks of the fleet's plan, enough for the homes to tell each other of cold feed and surroundings.
pub(crate) const HOMES_OF_A_PIECE: u32 = 480;

/// What fleet to make.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fleet {
    pub(crate) homes: u32,
    pub(crate) days: u32,
    pub(crate) seed: u64,
    pub(crate) faults: FaultsLaid,
}

impl Fleet {
    /// The word of the command line for the faults.
    pub(crate) fn word(&self) -> String {
        word_of(self.faults)
    }
}

/// Some homes of the fleet, reduced to daybooks.
pub(crate) struct Piece {
    pub(crate) truth: Truth,
    pub(crate) cylinders: Vec<Cylinder>,
    notes: Vec<Result<Notes, &'static str>>,
}

impl Piece {
    pub(crate) fn daybooks(&self) -> Vec<HomeDaybook<'_>> {
        let pairs = self.cylinders.iter().zip(&self.notes);
        pairs.map(|(cylinder, notes)| HomeDaybook { cylinder, notes: notes.clone() }).collect()
    }
}

/// Makes the fleet and hands over each piece.
pub(crate) fn each_piece(
    fleet: &Fleet,
    mut take: impl FnMut(Piece) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let plan = FleetPlan {
        seed: fleet.seed,
        homes: fleet.homes,
        days: fleet.days,
        faults: fleet.faults,
        pace: Pace::Quick,
        ..FleetPlan::default()
    };
    plan.check().map_err(Failure::settings)?;
    let mapping = own_mapping().map_err(Failure::settings)?;
    let make = |index| -> Result<(HomeTruth, Cylinder, Result<Notes, &'static str>), ContractError> {
        let HomeData { readings, register, truth, .. } = generate_home(&plan, index)?;
        let own = cylinder(&register, &mapping)?;
        let notes = stages::reduce(&own, &home_rows(&readings)?, 1, Water::Iapws);
        Ok((truth, own, notes))
    };
    let mut made = 0;
    for indices in pieces(&plan) {
        let mut piece = Piece { truth: Truth::default(), cylinders: Vec::new(), notes: Vec::new() };
        for portion in indices {
            made += portion.len();
            let homes: Vec<_> = portion.into_par_iter().map(make).collect::<Result<_, _>>()?;
            let mut truths = Vec::new();
            for (truth, cylinder, notes) in homes {
                truths.push(truth);
                piece.cylinders.push(cylinder);
                piece.notes.push(notes);
            }
            piece.truth.homes.extend(truth_without_stored(truths)?.homes);
            progress::note(&format!("{made} of {} homes made and reduced", plan.homes));
        }
        take(piece)?;
    }
    Ok(())
}

/// The portions that fit in memory, by piece.
fn pieces(plan: &FleetPlan) -> Vec<Vec<Range<u32>>> {
    let mut out: Vec<Vec<Range<u32>>> = Vec::new();
    for portion in portions(plan) {
        match out
            .last_mut()
            .filter(|last| last.iter().map(|r| r.end - r.start).sum::<u32>() < HOMES_OF_A_PIECE)
        {
            Some(last) => last.push(portion),
            None => out.push(vec![portion]),
        }
    }
    out
}
