//! All parts of one home as one table sorted by time, with copies masked.

use drawoff_contract::{HomeRows, Mask, Series, Shape};

use crate::intake::part::{Part, extend_absent};

/// Merges the parts of one home, given in file order with their file numbers.
///
/// `mapped_columns` is the number of value columns of the export, for the count of columns that are null throughout.
pub(crate) fn merge(shape: Shape, parts: Vec<(u16, Part)>, mapped_columns: usize) -> HomeRows {
    let mut rows = HomeRows::new(shape);
    let total: usize = parts.iter().map(|(_, part)| part.time_ms.len()).sum();
    let mut parts = parts.into_iter();
    match (parts.next(), parts.len()) {
        // Nothing to bring together.
        (Some((file, part)), 0) => {
            rows.file = vec![file; total];
            (rows.time_ms, rows.series) = (part.time_ms, part.series);
            note_disorder(&mut rows, file, part.out_of_order);
        }
        (first, _) => {
            rows.time_ms.reserve_exact(total);
            rows.file.reserve_exact(total);
            for (file, part) in first.into_iter().chain(parts) {
                append(&mut rows, file, part, total);
            }
        }
    }
    if !rows.time_ms.is_sorted() {
        sort(&mut rows);
    }
    if rows.time_ms.windows(2).any(|w| w[0] == w[1]) {
        mask_copies(&mut rows);
    }
    if shape == Shape::Wide {
        let kept = rows.series.iter().flatten().count();
        rows.null_columns = u32::try_from(mapped_columns.saturating_sub(kept)).unwrap_or(u32::MAX);
    }
    rows
}

fn append(rows: &mut HomeRows, file: u16, part: Part, total: usize) {
    let before = rows.time_ms.len();
    let added = part.time_ms.len();
    for (all, new) in rows.series.iter_mut().zip(part.series) {
        match (all.as_mut(), new) {
            (Some(all), Some(new)) => {
                all.value.extend_from_slice(&new.value);
                all.mask.extend_from_slice(&new.mask);
            }
            (None, Some(new)) => {
                let mut series = Series { value: Vec::new(), mask: Vec::new() };
                series.value.reserve_exact(total);
                series.mask.reserve_exact(total);
                series.value.resize(before, f64::NAN);
                series.mask.resize(before, Mask::Absent);
                series.value.extend_from_slice(&new.value);
                series.mask.extend_from_slice(&new.mask);
                *all = Some(series);
            }
            (_, None) => extend_absent(all, added),
        }
    }
    rows.time_ms.extend_from_slice(&part.time_ms);
    rows.file.resize(before + added, file);
    note_disorder(rows, file, part.out_of_order);
}

fn note_disorder(rows: &mut HomeRows, file: u16, out_of_order: u64) {
    rows.out_of_order += out_of_order;
    if out_of_order > 0 {
        rows.out_of_order_by_file.push((file, out_of_order));
    }
}

fn sort(rows: &mut HomeRows) {
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by_key(|&i| rows.time_ms[i]);
    rows.time_ms = order.iter().map(|&i| rows.time_ms[i]).collect();
    rows.file = order.iter().map(|&i| rows.file[i]).collect();
    for series in rows.series.iter_mut().flatten() {
        series.value = order.iter().map(|&i| series.value[i]).collect();
        series.mask = order.iter().map(|&i| series.mask[i]).collect();
    }
}

/// Of equal times the last row (wide) or the last value of each channel (long) counts.
fn mask_copies(rows: &mut HomeRows) {
    let mut start = 0;
    while start < rows.time_ms.len() {
        let time = rows.time_ms[start];
        let mut end = start + 1;
        while end < rows.time_ms.len() && rows.time_ms[end] == time {
            end += 1;
        }
        if end - start > 1 {
            for series in rows.series.iter_mut().flatten() {
                let last = match rows.shape {
                    Shape::Wide => Some(end - 1),
                    Shape::Long => (start..end).rev().find(|&i| series.mask[i] != Mask::Absent),
                };
                for i in start..last.unwrap_or(start) {
                    if series.mask[i] != Mask::Absent {
                        series.mask[i] = Mask::Duplicate;
                    }
                }
            }
        }
        start = end;
    }
}
