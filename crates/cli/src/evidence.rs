//! Rows of listed homes, read once more for the plots.

use std::collections::{BTreeMap, BTreeSet};

use drawoff_contract::results::{EvidenceRow, VisitRow};
use drawoff_contract::{Channel, ContractError, Cylinder, Fault, HomeRows, Utc};
use drawoff_store::buckets::{self, bucket_of};
use drawoff_store::{Intake, Limits};

use crate::nightly;
use crate::run::Inputs;

const DAY_MS: i64 = 86_400_000;

/// Rows by home, and what was wrong.
type Found = (BTreeMap<String, HomeRows>, Vec<ContractError>);

/// Where rows are found again.
pub(crate) enum Readings<'a> {
    OfRun(Box<Intake<'a>>),
    OfNight(nightly::Night<'a>),
    /// Of parts that other processes have read: looked up anew.
    Anew(&'a Inputs),
}

impl Readings<'_> {
    /// The rows of some homes, and what hides more of them that nobody has told yet.
    ///
    /// # Errors
    /// When they cannot be read.
    fn homes(&self, only: &BTreeSet<String>) -> Result<Found, ContractError> {
        match self {
            Self::OfRun(intake) => intake.homes(only).map(|homes| (homes, Vec::new())),
            Self::OfNight(night) => night.homes(only).map(|homes| (homes, Vec::new())),
            // Nothing to look up.
            Self::Anew(_) if only.is_empty() => Ok(Found::default()),
            Self::Anew(inputs) => anew(inputs, only),
        }
    }
}

/// The rows of some homes, from the buckets that hold them or else from all files, with what is wrong with these.
fn anew(inputs: &Inputs, only: &BTreeSet<String>) -> Result<Found, ContractError> {
    let readings = &inputs.pipeline.inputs.readings;
    // Some homes of a list fit into memory.
    let limits = Limits { memory_bytes: u64::MAX, aside: std::path::PathBuf::new() };
    let mut own = inputs.cylinders.clone();
    own.retain(|home, _| only.contains(home));
    match buckets::layout(readings)? {
        Some(layout) => {
            let wanted: BTreeSet<usize> = only.iter().map(|home| bucket_of(home, layout.buckets)).collect();
            let wanted = |bucket: usize| wanted.contains(&bucket);
            Intake::of_buckets(
                readings,
                &layout,
                &wanted,
                Some(only.clone()),
                &inputs.mapping,
                &own,
                &limits,
            )?
            .homes_and_damage(only)
        }
        None => Intake::open(readings, &inputs.mapping, &own, &limits).homes_and_damage(only),
    }
}

/// Days before the onset that are kept: of a leak two, so that a whole night before it is among them.
fn days_before(fault: &str) -> i64 {
    let leak = matches!(Fault::from_code(fault), Some(Fault::LeakSteady | Fault::LeakHeating));
    if leak { 2 } else { 1 }
}

/// Readings of the telling days of the homes that get a card: about the onset if it is known, else the last days. With them what is
/// wrong with files that they were looked up in.
pub(crate) fn evidence(
    readings: &Readings<'_>,
    cylinders: &BTreeMap<String, Cylinder>,
    visits: &[VisitRow],
) -> Result<(Vec<EvidenceRow>, Vec<ContractError>), ContractError> {
    let mut out = Vec::new();
    let (homes, damage) = readings.homes(&visits.iter().map(|v| v.home.clone()).collect())?;
    for visit in visits {
        let (Some(rows), Some(cylinder)) = (homes.get(&visit.home), cylinders.get(&visit.home)) else {
            continue;
        };
        let Some(&last) = rows.time_ms.last() else { continue };
        let before = days_before(&visit.fault) * DAY_MS;
        let length = visit.since.map_or(3 * DAY_MS, |_| before + 2 * DAY_MS);
        let from = visit.since.map_or(last - length, |since| (since.0 - before).min(last - length));
        let to = from + length;
        let first = rows.time_ms.partition_point(|&t| t <= from);
        let end = rows.time_ms.partition_point(|&t| t <= to);
        let mut before = None;
        for i in first..end {
            if before == Some(rows.time_ms[i]) {
                continue;
            }
            before = Some(rows.time_ms[i]);
            let known = |v: f64| (!v.is_nan()).then_some(v);
            let sum = |pair: [f64; 2]| pair.into_iter().filter_map(known).reduce(|a, b| a + b);
            let max = |pair: [f64; 2]| pair.into_iter().filter_map(known).reduce(f64::max);
            out.push(EvidenceRow {
                home: visit.home.clone(),
                time: Utc(rows.time_ms[i]),
                probes_degc: (0..cylinder.probe_heights.len())
                    .map(|p| rows.at(Channel::Probe(u8::try_from(p).unwrap_or(u8::MAX)), i) as f32)
                    .collect(),
                power_w: sum([rows.at(Channel::Power(0), i), rows.at(Channel::Power(1), i)]),
                call: max([rows.at(Channel::Call(0), i), rows.at(Channel::Call(1), i)]),
                surroundings_degc: known(rows.at(Channel::Surroundings, i)),
            });
        }
    }
    Ok((out, damage))
}
