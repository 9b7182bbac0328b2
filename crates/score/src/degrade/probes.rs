//! Fewer probes: those that best cover the volume.

use drawoff_contract::readings::MAX_PROBES;
use drawoff_contract::{Channel, HomeRows};

/// Positions of the `n` probes to keep, from the top down; all of them where there are no more.
///
/// The top one always, and of the others those nearest to the middles of `n` equal shares of the volume (least sum of
/// squared distances; of equals those nearer the top).
pub(super) fn kept_probes(heights: &[f64], n: usize) -> Vec<usize> {
    if heights.len() <= n || heights.len() > MAX_PROBES {
        return (0..heights.len()).collect();
    }
    let middles: Vec<f64> = (0..n).map(|i| 1.0 - (i as f64 + 0.5) / n as f64).collect();
    let mut best: Option<(f64, Vec<usize>)> = None;
    for set in (0_u32..1 << heights.len()).filter(|s| s & 1 == 1 && s.count_ones() as usize == n) {
        let kept: Vec<usize> = (0..heights.len()).filter(|i| set & (1 << i) != 0).collect();
        // The top probe stands where it stands.
        let misses = kept.iter().zip(&middles).skip(1).map(|(&i, middle)| (heights[i] - middle).powi(2));
        let sum = misses.sum();
        if best.as_ref().is_none_or(|(least, _)| sum < *least) {
            best = Some((sum, kept));
        }
    }
    best.map_or_else(Vec::new, |(_, kept)| kept)
}

/// The rows with the probes of these positions only, numbered anew from the top.
#[must_use]
pub fn fewer_probes(rows: &HomeRows, kept: &[usize]) -> HomeRows {
    let probe = |position: usize| Channel::Probe(u8::try_from(position).unwrap_or(u8::MAX)).slot();
    let mut out = rows.clone();
    for position in 0..MAX_PROBES {
        let from = kept.get(position).map(|&i| probe(i));
        if let Some(series) = out.series.get_mut(probe(position)) {
            *series = from.and_then(|slot| rows.series.get(slot)).cloned().flatten();
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::degrade::Degradation;
    use crate::degrade::made_up::{cylinder, rows};

    #[test]
    fn the_top_is_kept_and_the_rest_spread_over_the_volume() {
        let heights = [0.96, 0.84, 0.69, 0.57, 0.44, 0.29, 0.18, 0.06];
        // By hand, middles of the shares: 0.75, 0.25 / 0.83, 0.5, 0.17 / 0.92, 0.75, 0.58, 0.42, 0.25, 0.08.
        assert_eq!(kept_probes(&heights, 1), [0]);
        assert_eq!(kept_probes(&heights, 2), [0, 5]);
        assert_eq!(kept_probes(&heights, 3), [0, 4, 6]);
        assert_eq!(kept_probes(&heights, 6), [0, 2, 3, 4, 5, 7]);
        assert_eq!(kept_probes(&heights, 8), [0, 1, 2, 3, 4, 5, 6, 7]);
        assert_eq!(kept_probes(&heights[..2], 6), [0, 1]);
    }

    #[test]
    fn register_and_rows_lose_the_same_probes() {
        let full = cylinder(&[0.9, 0.6, 0.2]);
        let readings: Vec<_> = (0..3).map(|p| (Channel::Probe(p), f64::from(10 * p), 0.0)).collect();
        let rows = rows(2, &readings);
        let poorer = Degradation::Probes(2).rows(&rows, &full);
        assert_eq!(Degradation::Probes(2).cylinder(&full).probe_heights, [0.9, 0.2]);
        assert_eq!((poorer.at(Channel::Probe(0), 0), poorer.at(Channel::Probe(1), 0)), (0.0, 20.0));
        assert!(poorer.get(Channel::Probe(2)).is_none());
    }
}
