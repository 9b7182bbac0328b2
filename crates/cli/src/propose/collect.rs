//! Readings of a few homes, evenly taken from all of an export.

use std::collections::{BTreeMap, BTreeSet};

use arrow::array::RecordBatch;
use drawoff_propose::{Home, RegisterTable, Sample};
use drawoff_store::intake::unmapped::{UnmappedFile, as_names, as_numbers, as_times};

use super::look::Looked;

/// Homes that are looked at: enough that one odd home decides nothing.
const HOMES: usize = 24;
/// Values of a home that are kept: two months of fifteen channels at five minutes.
const MOST_VALUES: usize = 300_000;

/// Reads the sample; files that cannot be read are named in `looked.problems`.
pub(crate) fn collect(
    files: &[UnmappedFile],
    looked: &mut Looked,
    register: Option<&RegisterTable>,
) -> Sample {
    let Some((home, _)) = looked.export.home.clone() else { return Sample::default() };
    let Some((time, ..)) = looked.export.time.clone() else { return Sample::default() };
    let wanted = some_homes(files, looked, &home, register);
    let mut pool = Pool { columns: looked.values.clone(), rows: BTreeMap::new(), counts: BTreeMap::new() };
    for file in files {
        if let Err(e) = read_file(file, looked, (&home, &time), &wanted, &mut pool)
            && !looked.problems.contains(&e)
        {
            looked.problems.push(e);
        }
    }
    pool.sample()
}

/// Names of homes all over the export; those that the register lists, where there are any.
fn some_homes(
    files: &[UnmappedFile],
    looked: &mut Looked,
    home: &str,
    register: Option<&RegisterTable>,
) -> BTreeSet<String> {
    let mut all = BTreeSet::new();
    let mut columns: BTreeMap<String, usize> = BTreeMap::new();
    let mut readable = 0;
    for file in files {
        let Ok(found) = file.columns(looked.separator) else { continue };
        readable += 1;
        found.into_iter().for_each(|(name, _)| *columns.entry(name).or_default() += 1);
        // Damage is named when the rows themselves are read.
        let _ = file.each_batch(looked.separator, &[home], &mut |batch| {
            if let Some((texts, _)) = batch.column_by_name(home).and_then(as_names) {
                all.extend(texts.into_iter().filter(|t| !t.is_empty()));
            }
            true
        });
    }
    looked.export.lacking =
        columns.into_iter().filter(|(_, n)| *n < readable).map(|(name, _)| name).collect();
    let cells = register.into_iter().flat_map(|r| &r.columns).flat_map(|(_, cells)| cells);
    let listed: BTreeSet<&String> = cells.collect();
    let known: Vec<&String> = all.iter().filter(|h| listed.contains(h)).collect();
    let from: Vec<&String> = if known.is_empty() { all.iter().collect() } else { known };
    let step = from.len().div_ceil(HOMES).max(1);
    from.into_iter().step_by(step).cloned().collect()
}

/// Rows by home and stamp.
struct Pool {
    columns: Vec<String>,
    rows: BTreeMap<String, BTreeMap<i64, Vec<f64>>>,
    counts: BTreeMap<String, usize>,
}

impl Pool {
    /// The place of a value; `None` when the home has enough.
    fn at(&mut self, home: &str, ms: i64, column: usize) -> Option<&mut f64> {
        let count = self.counts.entry(home.to_owned()).or_default();
        *count += 1;
        if *count > MOST_VALUES {
            return None;
        }
        let row = self.rows.entry(home.to_owned()).or_default().entry(ms).or_default();
        if row.len() <= column {
            row.resize(column + 1, f64::NAN);
        }
        row.get_mut(column)
    }

    fn sample(self) -> Sample {
        let columns = self.columns;
        let homes = self.rows.into_iter().map(|(name, rows)| {
            let value = |c: usize| rows.values().map(|r| r.get(c).copied().unwrap_or(f64::NAN)).collect();
            Home {
                name,
                time_ms: rows.keys().copied().collect(),
                values: (0..columns.len()).map(value).collect(),
            }
        });
        Sample { homes: homes.collect(), columns }
    }
}

fn read_file(
    file: &UnmappedFile,
    looked: &Looked,
    (home, time): (&str, &str),
    wanted: &BTreeSet<String>,
    pool: &mut Pool,
) -> Result<(), drawoff_contract::ContractError> {
    let mut columns = vec![home, time];
    match &looked.export.long {
        Some((channel, value)) => columns.extend([channel.as_str(), value.as_str()]),
        None => columns.extend(looked.values.iter().map(String::as_str)),
    }
    file.each_batch(looked.separator, &columns, &mut |batch| {
        rows(batch, looked, (home, time), wanted, pool);
        true
    })
}

fn rows(
    batch: &RecordBatch,
    looked: &Looked,
    (home, time): (&str, &str),
    wanted: &BTreeSet<String>,
    pool: &mut Pool,
) {
    let names = |column: &str| batch.column_by_name(column).and_then(as_names);
    let Some((homes, of_row)) = names(home) else { return };
    let Some(times) = batch.column_by_name(time).and_then(|c| as_times(c, looked.format)) else { return };
    let numbers = |column: &str| batch.column_by_name(column).and_then(|c| as_numbers(c, looked.decimal));
    let is_wanted: Vec<bool> = homes.iter().map(|h| wanted.contains(h)).collect();
    let taken = (0..batch.num_rows()).filter_map(|i| {
        let home = of_row[i].filter(|&h| is_wanted.get(h).copied().unwrap_or(false))?;
        Some((i, home, times[i]?.0))
    });
    if let Some((channel, value)) = &looked.export.long {
        let (Some((channels, of_channel)), Some(values)) = (names(channel), numbers(value)) else { return };
        let places: Vec<usize> = channels
            .iter()
            .map(|name| {
                pool.columns.iter().position(|c| c == name).unwrap_or_else(|| {
                    pool.columns.push(name.clone());
                    pool.columns.len() - 1
                })
            })
            .collect();
        for (i, home, ms) in taken {
            let Some(&column) = of_channel[i].and_then(|c| places.get(c)) else { continue };
            if let Some(place) = pool.at(&homes[home], ms, column) {
                *place = values[i];
            }
        }
        return;
    }
    let columns: Vec<Option<Vec<f64>>> = looked.values.iter().map(|name| numbers(name)).collect();
    for (i, home, ms) in taken {
        for (column, values) in columns.iter().enumerate() {
            let Some(values) = values else { continue };
            if let Some(place) = pool.at(&homes[home], ms, column) {
                *place = values[i];
            }
        }
    }
}
