//! What an export's columns are for, before any value is believed.

use std::collections::BTreeSet;

use arrow::array::{Array, ArrayRef};
use arrow::datatypes::DataType;
use drawoff_contract::ContractError;
use drawoff_contract::mapping::TimeFormat;
use drawoff_propose::{Export, RegisterTable};
use drawoff_store::intake::unmapped::{UnmappedFile, as_names, as_numbers, as_times};

use super::SEPARATORS;

/// Rows of the first readable file that are looked at.
const HEAD_ROWS: usize = 200_000;
/// Share of the values that must fit.
const FITS: f64 = 0.95;
/// Most channels of a long export.
const MOST_CHANNELS: usize = 64;
/// 1990 to 2100, s: counts of seconds, milliseconds and microseconds in this range do not overlap.
const SENSIBLE_S: std::ops::Range<f64> = 631_152_000.0..4_102_444_800.0;

/// An export that was looked at.
pub(crate) struct Looked {
    pub(crate) export: Export,
    pub(crate) separator: u8,
    pub(crate) decimal: char,
    pub(crate) format: TimeFormat,
    /// Value columns of a wide export.
    pub(crate) values: Vec<String>,
    /// Files that could not be read.
    pub(crate) problems: Vec<ContractError>,
}

/// The first rows of one column.
struct Head {
    name: String,
    kind: DataType,
    texts: BTreeSet<String>,
    /// Rows on which the text differs from that of the row before.
    changes: usize,
    numbers: Vec<f64>,
    instants: usize,
    naive: usize,
    there: usize,
}

/// Looks at an export.
///
/// # Errors
/// When no file can be read.
pub(crate) fn look(
    files: &[UnmappedFile],
    register: Option<&RegisterTable>,
) -> Result<Looked, ContractError> {
    let mut problems = Vec::new();
    let mut found = None;
    for file in files {
        match head(file) {
            Ok((separator, decimal, heads)) if heads.iter().any(|h| h.there > 0) => {
                found = Some((file.is_text(), separator, decimal, heads));
                break;
            }
            Ok(_) => problems.push(ContractError::new(file.name(), "has no rows")),
            Err(e) => problems.push(e),
        }
    }
    let Some((is_text, separator, decimal, heads)) = found else {
        return Err(problems.pop().unwrap_or_else(|| ContractError::new("export", "no file with rows")));
    };
    let mut export = Export { text: is_text.then(|| (char::from(separator), decimal)), ..Export::default() };
    let times: Vec<(&Head, &'static str, TimeFormat)> = heads.iter().filter_map(time_of).collect();
    let time =
        times.iter().min_by_key(|(h, ..)| (!matches!(h.kind, DataType::Timestamp(..)), h.name.clone()));
    let format = time.map_or(TimeFormat::Iso, |t| t.2);
    if let Some((head, word, _)) = time {
        export.time = Some((head.name.clone(), word, times.len() > 1));
        export.naive = head.naive > 0;
        export.counted = word.starts_with("epoch");
    }
    let is_time = |h: &Head| times.iter().any(|(t, ..)| t.name == h.name);
    let home = home_of(&heads, register, &is_time);
    if let Some((head, reason, is_listed)) = &home {
        export.home = Some((head.name.clone(), reason.clone()));
        export.home_is_listed = *is_listed;
    }
    let rest: Vec<&Head> = heads
        .iter()
        .filter(|h| !is_time(h) && home.as_ref().is_none_or(|(head, ..)| head.name != h.name))
        .collect();
    let (numbers, texts): (Vec<&Head>, Vec<&Head>) = rest.into_iter().partition(|h| h.holds_numbers());
    let channel = texts.iter().find(|h| (2..=MOST_CHANNELS).contains(&h.texts.len()));
    let mut values: Vec<String> = numbers.iter().map(|h| h.name.clone()).collect();
    if let ([value], Some(channel)) = (values.as_slice(), channel) {
        export.long = Some((channel.name.clone(), value.clone()));
        values.clear();
    }
    let is_channel = |h: &Head| export.long.as_ref().is_some_and(|(c, _)| *c == h.name);
    export.left = texts.iter().filter(|h| !is_channel(h)).map(|h| h.name.clone()).collect();
    Ok(Looked { export, separator, decimal, format, values, problems })
}

fn head(file: &UnmappedFile) -> Result<(u8, char, Vec<Head>), ContractError> {
    let mut separator = b',';
    if file.is_text() {
        let width = |s: u8| file.columns(s).map_or(0, |c| c.len());
        separator = SEPARATORS.iter().copied().max_by_key(|&s| (width(s), u8::MAX - s)).unwrap_or(b',');
    }
    let columns = file.columns(separator)?;
    let names: Vec<&str> = columns.iter().map(|(name, _)| name.as_str()).collect();
    let mut batches: Vec<Vec<ArrayRef>> = Vec::new();
    let mut rows = 0;
    file.each_batch(separator, &names, &mut |batch| {
        let of = |name: &&str| batch.column_by_name(name).cloned();
        batches.push(names.iter().filter_map(of).collect());
        rows += batch.num_rows();
        rows < HEAD_ROWS
    })?;
    let decimal = if file.is_text() && separator != b',' { decimal_of(&batches) } else { '.' };
    let heads = columns.into_iter().enumerate().map(|(i, (name, kind))| {
        let parts: Vec<&ArrayRef> = batches.iter().filter_map(|b| b.get(i)).collect();
        Head::of(name, kind, &parts, decimal)
    });
    Ok((separator, decimal, heads.collect()))
}

/// The decimal sign with which more cells are numbers.
fn decimal_of(batches: &[Vec<ArrayRef>]) -> char {
    let count = |decimal: char| {
        let columns = batches.iter().flatten().filter_map(|c| as_numbers(c, decimal));
        columns.flatten().filter(|v| v.is_finite()).count()
    };
    if count(',') > count('.') { ',' } else { '.' }
}

impl Head {
    fn of(name: String, kind: DataType, parts: &[&ArrayRef], decimal: char) -> Self {
        let mut head = Self {
            name,
            kind,
            texts: BTreeSet::new(),
            changes: 0,
            numbers: Vec::new(),
            instants: 0,
            naive: 0,
            there: 0,
        };
        let format = match head.kind {
            DataType::Timestamp(..) => TimeFormat::Timestamp,
            _ => TimeFormat::Iso,
        };
        for part in parts {
            head.there += part.len() - part.null_count();
            if let Some((texts, codes)) = as_names(part) {
                head.changes += codes.windows(2).filter(|w| w[0] != w[1]).count();
                // More distinct texts than any fleet has homes are no names.
                if head.texts.len() < HEAD_ROWS / 4 {
                    head.texts.extend(texts.into_iter().filter(|t| !t.is_empty()));
                }
            }
            head.numbers.extend(as_numbers(part, decimal).unwrap_or_default());
            if !head.kind.is_numeric()
                && let Some(times) = as_times(part, format)
            {
                head.instants += times.iter().flatten().count();
                head.naive += times.iter().flatten().filter(|t| t.1).count();
            }
        }
        head
    }

    /// Whether what is there is mostly numbers.
    fn holds_numbers(&self) -> bool {
        let (finite, odd) = self.numbers.iter().fold((0_usize, 0_usize), |(f, o), v| {
            (f + usize::from(v.is_finite()), o + usize::from(v.is_infinite()))
        });
        matches!(self.kind, DataType::Boolean)
            || self.kind.is_numeric()
            || finite as f64 >= FITS * (finite + odd).max(1) as f64
    }
}

fn time_of(head: &Head) -> Option<(&Head, &'static str, TimeFormat)> {
    if matches!(head.kind, DataType::Timestamp(..)) {
        return Some((head, "timestamp", TimeFormat::Timestamp));
    }
    if head.there > 0 && head.instants as f64 >= FITS * head.there as f64 {
        return Some((head, "iso", TimeFormat::Iso));
    }
    let values: Vec<f64> = head.numbers.iter().copied().filter(|v| v.is_finite()).collect();
    let formats = [
        (1.0, "epoch_s", TimeFormat::EpochS),
        (1e3, "epoch_ms", TimeFormat::EpochMs),
        (1e6, "epoch_us", TimeFormat::EpochUs),
    ];
    formats.into_iter().find_map(|(scale, word, format)| {
        let fits = values.iter().filter(|v| SENSIBLE_S.contains(&(**v / scale))).count();
        (values.len() > 1 && fits as f64 >= FITS * values.len() as f64).then_some((head, word, format))
    })
}

/// The column whose names the register lists; without a register the column of texts that changes least from row to row.
fn home_of<'h>(
    heads: &'h [Head],
    register: Option<&RegisterTable>,
    is_time: &dyn Fn(&Head) -> bool,
) -> Option<(&'h Head, String, bool)> {
    let names = heads.iter().filter(|h| !is_time(h) && !h.texts.is_empty());
    if let Some(table) = register {
        let listed: BTreeSet<&str> =
            table.columns.iter().flat_map(|(_, cells)| cells).map(String::as_str).collect();
        let share = |h: &Head| {
            h.texts.iter().filter(|t| listed.contains(t.as_str())).count() as f64 / h.texts.len() as f64
        };
        // Numbers are names only where nothing else is: a value may well stand in a register by chance.
        let best = names
            .clone()
            .filter(|h| !h.kind.is_numeric())
            .chain(names.clone().filter(|h| h.kind.is_integer()));
        let found = best.clone().find(|h| share(h) > 0.5);
        if let Some(head) = found {
            return Some((
                head,
                format!("the register lists {:.0} % of its {} names", 100.0 * share(head), head.texts.len()),
                true,
            ));
        }
    }
    let texts = names.filter(|h| !h.holds_numbers());
    texts
        .min_by_key(|h| h.changes)
        .map(|h| (h, "the texts that change least from row to row".to_owned(), false))
}
