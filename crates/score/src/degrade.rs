//! Poorer data made from good data: fewer probes, longer intervals, coarser steps, gaps, no room temperature.
//!
//! Pure: the same home and degradation give the same rows. Nothing is made up; values are left out, averaged or rounded.

mod cadence;
mod gaps;
mod probes;

use drawoff_contract::{Channel, Cylinder, HomeRows};

pub use cadence::coarser;
pub use gaps::with_gaps;
pub use probes::fewer_probes;

use crate::degrade::probes::kept_probes;

/// One way in which an export can be poorer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Degradation {
    /// As exported.
    None,
    /// So many probes, those that best cover the volume, the top one always; a home with fewer is left as it is.
    Probes(usize),
    /// Rows so many minutes apart.
    CadenceMin(u32),
    /// Temperatures in steps of so many kelvin.
    StepK(f64),
    /// So large a share of the time lost in outages of 1 to 6 h.
    Gaps(f64),
    /// Surroundings not measured.
    NoRoom,
    /// Only the first so many days.
    Days(u32),
}

impl Degradation {
    /// Words for a table.
    #[must_use]
    pub fn label(self) -> String {
        match self {
            Self::None => "as exported".to_owned(),
            Self::Probes(1) => "1 probe".to_owned(),
            Self::Probes(n) => format!("{n} probes"),
            Self::CadenceMin(minutes) => format!("{minutes} min"),
            Self::StepK(step_k) => format!("{step_k} K steps"),
            Self::Gaps(share) => format!("{:.0} % gaps", 100.0 * share),
            Self::NoRoom => "no room temperature".to_owned(),
            Self::Days(days) => format!("first {days} days"),
        }
    }

    /// Number of probes that a home must end up with to stand for this degradation; `None` = any.
    #[must_use]
    pub fn probes(self) -> Option<usize> {
        if let Self::Probes(n) = self { Some(n) } else { None }
    }

    /// Whether any row differs from the export's own.
    #[must_use]
    pub fn changes_rows(self) -> bool {
        self != Self::None
    }

    /// The cylinder as the register would list it.
    #[must_use]
    pub fn cylinder(self, cylinder: &Cylinder) -> Cylinder {
        let mut poorer = cylinder.clone();
        if let Self::Probes(n) = self {
            let kept = kept_probes(&cylinder.probe_heights, n);
            poorer.probe_heights = kept.iter().map(|&i| cylinder.probe_heights[i]).collect();
        }
        poorer
    }

    /// The readings as the poorer export would hold them.
    #[must_use]
    pub fn rows(self, rows: &HomeRows, cylinder: &Cylinder) -> HomeRows {
        match self {
            Self::None => rows.clone(),
            Self::Probes(n) => fewer_probes(rows, &kept_probes(&cylinder.probe_heights, n)),
            Self::CadenceMin(minutes) => coarser(rows, minutes),
            Self::StepK(step_k) => in_steps(rows, step_k),
            Self::Gaps(share) => with_gaps(rows, share, &cylinder.home),
            Self::NoRoom => without_room(rows),
            Self::Days(days) => first_days(rows, days),
        }
    }
}

/// Channels that hold a temperature, probes apart.
const OTHER_TEMPERATURES: [Channel; 4] =
    [Channel::Surroundings, Channel::Inlet, Channel::CoilFlow, Channel::CoilReturn];

fn is_temperature(slot: usize) -> bool {
    slot < drawoff_contract::readings::MAX_PROBES || OTHER_TEMPERATURES.iter().any(|c| c.slot() == slot)
}

/// Every temperature rounded to whole steps.
fn in_steps(rows: &HomeRows, step_k: f64) -> HomeRows {
    let mut out = rows.clone();
    let temperatures = out.series.iter_mut().enumerate().filter(|(slot, _)| is_temperature(*slot));
    for value in temperatures.flat_map(|(_, series)| series).flat_map(|s| &mut s.value) {
        *value = (*value / step_k).round() * step_k;
    }
    out
}

fn without_room(rows: &HomeRows) -> HomeRows {
    let mut out = rows.clone();
    if let Some(series) = out.series.get_mut(Channel::Surroundings.slot()) {
        *series = None;
    }
    out
}

fn first_days(rows: &HomeRows, days: u32) -> HomeRows {
    let until_ms = rows.time_ms.first().map_or(0, |first| first + i64::from(days) * 86_400_000);
    let last = rows.time_ms.partition_point(|&t| t <= until_ms);
    only(rows, |i| i < last)
}

/// The rows that `keep` says yes to, by position.
fn only(rows: &HomeRows, keep: impl Fn(usize) -> bool) -> HomeRows {
    let kept: Vec<usize> = (0..rows.len()).filter(|&i| keep(i)).collect();
    let mut out = HomeRows {
        shape: rows.shape,
        time_ms: kept.iter().map(|&i| rows.time_ms[i]).collect(),
        file: kept.iter().map(|&i| rows.file[i]).collect(),
        series: rows.series.clone(),
        out_of_order: 0,
        out_of_order_by_file: Vec::new(),
        null_columns: rows.null_columns,
    };
    for series in out.series.iter_mut().flatten() {
        series.value = kept.iter().map(|&i| series.value[i]).collect();
        series.mask = kept.iter().map(|&i| series.mask[i]).collect();
    }
    out
}

#[cfg(test)]
pub(crate) mod made_up {
    //! A home with a row every five minutes.

    use drawoff_contract::{Channel, Cylinder, HomeRows, Mask, Series, Shape};

    pub(crate) const FIVE_MS: i64 = 300_000;

    pub(crate) fn cylinder(probe_heights: &[f64]) -> Cylinder {
        Cylinder { volume_l: Some(180.0), probe_heights: probe_heights.to_vec(), ..Cylinder::unknown("a") }
    }

    /// Stamps 5 min apart from 5 min on; each channel counts up by its own step from its own start.
    pub(crate) fn rows(count: usize, channels: &[(Channel, f64, f64)]) -> HomeRows {
        let mut rows = HomeRows::new(Shape::Wide);
        rows.time_ms = (1..=count as i64).map(|i| i * FIVE_MS).collect();
        rows.file = vec![0; count];
        for &(channel, start, step) in channels {
            let value = (0..count).map(|i| start + step * i as f64).collect();
            rows.series[channel.slot()] = Some(Series { value, mask: vec![Mask::Used; count] });
        }
        rows
    }
}

#[cfg(test)]
mod tests {
    use super::made_up::{cylinder, rows};
    use super::*;

    #[test]
    fn temperatures_are_rounded_and_powers_are_not() {
        let rows = rows(3, &[(Channel::Probe(1), 50.4, 0.2), (Channel::Power(0), 2.4, 0.0)]);
        let poorer = Degradation::StepK(1.0).rows(&rows, &cylinder(&[0.9, 0.5]));
        let values = |channel| (0..3).map(|i| poorer.at(channel, i)).collect::<Vec<_>>();
        assert_eq!(values(Channel::Probe(1)), [50.0, 51.0, 51.0]);
        assert_eq!(values(Channel::Power(0)), [2.4, 2.4, 2.4]);
    }

    #[test]
    fn only_the_room_is_left_out() {
        let rows = rows(3, &[(Channel::Probe(0), 50.0, 0.0), (Channel::Surroundings, 20.0, 0.0)]);
        let poorer = Degradation::NoRoom.rows(&rows, &cylinder(&[0.9]));
        assert!(poorer.get(Channel::Surroundings).is_none());
        assert_eq!(poorer.get(Channel::Probe(0)), rows.get(Channel::Probe(0)));
    }

    #[test]
    fn the_first_days_end_with_their_last_stamp() {
        let rows = rows(3 * 288, &[(Channel::Probe(0), 0.0, 1.0)]);
        let poorer = Degradation::Days(2).rows(&rows, &cylinder(&[0.9]));
        assert_eq!(poorer.len(), 2 * 288 + 1);
        assert_eq!(poorer.at(Channel::Probe(0), 2 * 288), 576.0);
    }

    #[test]
    fn as_exported_is_left_alone() {
        let rows = rows(10, &[(Channel::Probe(0), 50.0, 0.3)]);
        let own = cylinder(&[0.9]);
        assert_eq!(Degradation::None.rows(&rows, &own), rows);
        assert_eq!(Degradation::None.cylinder(&own), own);
    }
}
