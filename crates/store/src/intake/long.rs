//! Long exports: one row a home, instant and channel, brought together to one row an instant.

use std::collections::BTreeMap;
use std::ops::Range;

use arrow::array::RecordBatch;
use arrow::error::ArrowError;
use drawoff_contract::mapping::ReadingsMapping;
use drawoff_contract::{Channel, Cylinder, Mask, Reject, Series};

use crate::intake::names::{NO_NAME, Names, names};
use crate::intake::part::{FileRows, Filter, Homes, Lost, Owner, Part, check_time};
use crate::intake::time::{Clock, NO_TIME, Pass, Times, times};
use crate::intake::values::{Rule, numbers};

/// Collects the rows of one long file.
pub(crate) struct LongFile<'a> {
    mapping: &'a ReadingsMapping,
    register: &'a BTreeMap<String, Cylinder>,
    clock: Option<Clock>,
    homes: Homes,
    /// By home of the file, by slot.
    points: Vec<Vec<Points>>,
    lost: Lost,
}

/// Values of one channel of one home, in file order.
#[derive(Clone, Debug, Default)]
struct Points {
    time_ms: Vec<i64>,
    value: Vec<f64>,
    mask: Vec<Mask>,
    pass: Pass,
    latest_ms: i64,
    out_of_order: u64,
}

impl<'a> LongFile<'a> {
    pub(crate) fn new(mapping: &'a ReadingsMapping, register: &'a BTreeMap<String, Cylinder>) -> Self {
        Self {
            mapping,
            register,
            clock: mapping.zone.map(|zone| Clock::new(zone, mapping.cadence_min)),
            homes: Homes::default(),
            points: Vec::new(),
            lost: Lost::default(),
        }
    }

    /// Adds the rows of a batch that the filter takes.
    ///
    /// # Errors
    /// When a column's type turns out not to fit, or a home is where the file promises none.
    pub(crate) fn batch(&mut self, batch: &RecordBatch, filter: Filter<'_>) -> Result<(), ArrowError> {
        let m = self.mapping;
        let column = |name: &str| {
            batch
                .column_by_name(name)
                .ok_or_else(|| ArrowError::SchemaError(format!("column `{name}` is missing")))
        };
        let home = names(column(&m.home)?)?;
        let channel = names(column(&m.channel_column)?)?;
        let time = times(column(&m.time_column)?, m.time_format)?;
        let value = numbers(column(&m.value_column)?, m.decimal)?;
        let owners = self.homes.owners(&home.names, &home.codes, self.register, filter)?;
        self.points.resize_with(self.homes.list.len(), || vec![Points::default(); Channel::COUNT]);
        let rules: Vec<Option<(Channel, Rule)>> = channel
            .names
            .iter()
            .map(|name| m.channel_of_name(name).map(|(c, unit)| (c, Rule::new(m, c, unit))))
            .collect();
        let rows = batch.num_rows();
        let mut start = 0;
        while start < rows {
            let key = (home.codes[start], channel.codes[start]);
            let end = (start + 1..rows).find(|&i| (home.codes[i], channel.codes[i]) != key).unwrap_or(rows);
            let owner = if key.0 == NO_NAME { Owner::Nobody } else { owners[key.0 as usize] };
            let count = (end - start) as u64;
            match owner {
                Owner::Home(i) => {
                    let rule = rules.get(key.1 as usize).and_then(Option::as_ref);
                    self.run(i, rule, (&channel, key.1), start..end, &time, &value);
                }
                Owner::Unknown(code) => {
                    self.lost.reject_unknown_home(&home.names[code as usize], count, 1);
                }
                Owner::Nobody if filter.nobody => self.lost.reject(None, Reject::NoHome, count, 1),
                Owner::Nobody | Owner::Elsewhere => {}
            }
            start = end;
        }
        Ok(())
    }

    /// Adds consecutive rows of one home and channel.
    fn run(
        &mut self,
        home: usize,
        rule: Option<&(Channel, Rule)>,
        (channel, code): (&Names, u32),
        rows: Range<usize>,
        time: &Times,
        raw: &[f64],
    ) {
        let (name, probes) = &self.homes.list[home];
        let Some((exported, rule)) = rule else {
            let count = rows.len() as u64;
            self.lost.reject(Some(name), Reject::UnknownChannel, count, 1);
            let unknown = channel.names.get(code as usize).cloned().unwrap_or_default();
            *self.lost.unknown_channels.entry(unknown).or_default() += count;
            return;
        };
        let slot = self.mapping.place(*exported, *probes).slot();
        let points = &mut self.points[home][slot];
        let shift = self.mapping.shift_ms();
        for i in rows {
            let mut stamp = time.ms[i];
            if stamp != NO_TIME && time.naive.as_ref().is_some_and(|n| n[i]) {
                stamp = match &mut self.clock {
                    Some(clock) => clock.instant(stamp, &mut points.pass).unwrap_or(NO_TIME),
                    None => {
                        self.lost.without_zone += 1;
                        NO_TIME
                    }
                };
            }
            let (value, mask) = rule.apply(raw[i]);
            let valued = if mask == Mask::Absent { Err(Reject::NoValue) } else { Ok(()) };
            if let Err(reason) = check_time(stamp).and(valued) {
                self.lost.reject(Some(name), reason, 1, 1);
                continue;
            }
            let stamp = stamp + shift;
            if points.time_ms.is_empty() {
                points.latest_ms = stamp;
            }
            points.out_of_order += u64::from(stamp < points.latest_ms);
            points.latest_ms = points.latest_ms.max(stamp);
            points.time_ms.push(stamp);
            points.value.push(value);
            points.mask.push(mask);
        }
    }

    /// All rows of the file by home, one row an instant.
    pub(crate) fn finish(self) -> FileRows {
        let mut rows = FileRows { lost: self.lost, ..FileRows::default() };
        for ((name, _), points) in self.homes.list.into_iter().zip(self.points) {
            let part = pivot(points);
            if !part.time_ms.is_empty() {
                rows.homes.insert(name, part);
            }
        }
        rows
    }
}

/// Brings the channels of one home together by time. Copies of one channel and instant get rows of their own,
/// earlier copies first, so that the last copy of each channel shares one row with those of the others.
fn pivot(points: Vec<Points>) -> Part {
    let mut part = Part::new();
    let mut points = points;
    let mut stamps: Vec<i64> = Vec::new();
    for p in points.iter_mut().filter(|p| !p.time_ms.is_empty()) {
        part.out_of_order += p.out_of_order;
        if p.out_of_order > 0 {
            sort(p);
        }
        if stamps != p.time_ms {
            stamps = if stamps.is_empty() { p.time_ms.clone() } else { union(&stamps, &p.time_ms) };
        }
    }
    for (slot, p) in points.into_iter().enumerate().filter(|(_, p)| !p.time_ms.is_empty()) {
        part.series[slot] = Some(if p.time_ms == stamps {
            Series { value: p.value, mask: p.mask }
        } else {
            spread(&stamps, &p)
        });
    }
    part.time_ms = stamps;
    part
}

fn sort(points: &mut Points) {
    let mut order: Vec<usize> = (0..points.time_ms.len()).collect();
    order.sort_by_key(|&i| points.time_ms[i]);
    points.time_ms = order.iter().map(|&i| points.time_ms[i]).collect();
    points.value = order.iter().map(|&i| points.value[i]).collect();
    points.mask = order.iter().map(|&i| points.mask[i]).collect();
}

/// All times of both sorted lists, each as often as in the list that has it more often.
fn union(a: &[i64], b: &[i64]) -> Vec<i64> {
    let mut all = Vec::with_capacity(a.len().max(b.len()));
    let (mut i, mut j) = (0, 0);
    while i < a.len() && j < b.len() {
        let (x, y) = (a[i], b[j]);
        all.push(x.min(y));
        i += usize::from(x <= y);
        j += usize::from(y <= x);
    }
    all.extend_from_slice(&a[i..]);
    all.extend_from_slice(&b[j..]);
    all
}

/// Puts each value in the last rows of its time.
fn spread(stamps: &[i64], points: &Points) -> Series {
    let mut series = Series { value: vec![f64::NAN; stamps.len()], mask: vec![Mask::Absent; stamps.len()] };
    let mut row = stamps.len();
    for (i, &t) in points.time_ms.iter().enumerate().rev() {
        // Both lists are sorted, and `stamps` has each time at least as often.
        while row > 0 {
            row -= 1;
            if stamps[row] == t {
                series.value[row] = points.value[i];
                series.mask[row] = points.mask[i];
                break;
            }
        }
    }
    series
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_united_with_their_copies() {
        assert_eq!(union(&[1, 2, 2, 4], &[2, 3]), [1, 2, 2, 3, 4]);
        assert_eq!(union(&[], &[2, 3]), [2, 3]);
        assert_eq!(union(&[2, 2], &[2, 2, 2]), [2, 2, 2]);
    }

    #[test]
    fn last_copies_share_a_row() {
        let points = |times: &[i64], from: f64| Points {
            time_ms: times.to_vec(),
            value: (0..times.len()).map(|i| from + i as f64).collect(),
            mask: vec![Mask::Used; times.len()],
            ..Points::default()
        };
        let part = pivot(vec![points(&[1, 2, 2, 3], 10.0), points(&[2, 4], 20.0)]);
        assert_eq!(part.time_ms, [1, 2, 2, 3, 4]);
        let second = part.series[1].as_ref().unwrap();
        assert_eq!(second.mask[1], Mask::Absent);
        assert_eq!(second.value[2], 20.0);
        assert_eq!(part.series[0].as_ref().unwrap().value[2], 12.0);
    }
}
