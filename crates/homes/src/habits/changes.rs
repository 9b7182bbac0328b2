//! Days on which a home's level of use changed for good: exact penalised search.
//!
//! Cost of a stretch of days: twice the negative log-likelihood of a negative binomial with that stretch's mean and the home's
//! own dispersion, so that the spread of busy homes is not a change. The search is exact with pruning: R. Killick,
//! P. Fearnhead and I. A. Eckley, J. Am. Stat. Assoc. 107 (2012) 1590-1598, from memory.

use drawoff_contract::habit_tables::ChangeRow;

use super::history::{History, HistoryDay};
use crate::robust::median;

/// A level lasts at least so many days that count.
const LEAST_DAYS: usize = 14;
/// Penalty of a change, in logarithms of the number of days.
const PENALTY_LOGS: f64 = 3.0;
/// Heat that counts as one: about one small draw (design choice), kWh.
const UNIT_KWH: f64 = 0.25;
/// A day beyond so many times the level around it is taken for so much: guests for a day are no change.
const MOST_TIMES_LEVEL: f64 = 3.0;
/// Homes that draw less than this a day have no level that could change, kWh.
const LEAST_LEVEL_KWH: f64 = 0.3;
/// Changes smaller than this share of the level are of no use to anybody.
const LEAST_CHANGE: f64 = 0.15;
/// Least variance beyond a Poisson's, as a share of the squared mean: days of a home are never all alike.
const LEAST_DISPERSION: f64 = 0.05;

/// Running sums of a series, for the cost of any stretch.
struct Costs {
    sums: Vec<f64>,
    dispersion: f64,
}

impl Costs {
    fn new(counts: &[f64]) -> Self {
        let mut sum = 0.0;
        let mut sums = vec![0.0];
        for count in counts {
            sum += count;
            sums.push(sum);
        }
        Self { sums, dispersion: dispersion(counts) }
    }

    fn mean(&self, from: usize, to: usize) -> f64 {
        (self.sums[to] - self.sums[from]) / (to - from) as f64
    }

    /// Twice the negative log-likelihood, without the terms that no cut changes.
    fn of(&self, from: usize, to: usize) -> f64 {
        let (n, mean, size) = ((to - from) as f64, self.mean(from, to), 1.0 / self.dispersion);
        let total = n * mean;
        let drawn = if total > 0.0 { total * (mean / (mean + size)).ln() } else { 0.0 };
        -2.0 * (drawn - n * size * (1.0 + mean / size).ln())
    }
}

/// Variance beyond a Poisson's over the squared mean: median over blocks of days, so that a change inside one counts little.
fn dispersion(counts: &[f64]) -> f64 {
    let of_block = |block: &[f64]| {
        let n = block.len() as f64;
        let mean = block.iter().sum::<f64>() / n;
        let variance = block.iter().map(|c| (c - mean) * (c - mean)).sum::<f64>() / (n - 1.0);
        if mean > 0.0 { (variance - mean) / (mean * mean) } else { f64::NAN }
    };
    let blocks: Vec<f64> =
        counts.chunks(LEAST_DAYS).filter(|b| b.len() >= LEAST_DAYS / 2).map(of_block).collect();
    let typical = median(&blocks);
    if typical > LEAST_DISPERSION { typical } else { LEAST_DISPERSION }
}

/// First days of new levels, exact minimum of cost plus penalty a change.
fn search(costs: &Costs, n: usize, penalty: f64) -> Vec<usize> {
    let mut best = vec![f64::INFINITY; n + 1];
    best[0] = -penalty;
    let mut before = vec![0; n + 1];
    let mut candidates = vec![0];
    for to in LEAST_DAYS..=n {
        for &from in &candidates {
            if to - from >= LEAST_DAYS {
                let total = best[from] + costs.of(from, to) + penalty;
                if total < best[to] {
                    (best[to], before[to]) = (total, from);
                }
            }
        }
        // A place that is worse already, by more than a change could win back, never becomes the best.
        let limit = best[to];
        candidates
            .retain(|&from| to - from < 2 * LEAST_DAYS || best[from] + costs.of(from, to) <= limit + penalty);
        if to + LEAST_DAYS <= n {
            candidates.push(to);
        }
    }
    let mut cuts = Vec::new();
    let mut at = n;
    while at > 0 {
        at = before[at];
        if at > 0 {
            cuts.push(at);
        }
    }
    cuts.reverse();
    cuts
}

/// Changes of one home, oldest first. Days away and days not seen are left out of the series.
///
/// `level` is the same history with the fleet's season taken out: what all homes do is no change of one. Means are those of the
/// history as it was. A leak that begins or a heater that fails shows as a change too: the energy cannot tell.
pub(crate) fn read_changes(home: &str, history: &History, level: &History) -> Vec<ChangeRow> {
    let known = |d: &&HistoryDay| d.counts && !d.energy_kwh.is_nan();
    let days: Vec<_> = history.days.iter().filter(known).collect();
    let n = days.len();
    let energies: Vec<f64> = level.days.iter().filter(known).map(|d| d.energy_kwh).collect();
    if n < 2 * LEAST_DAYS || energies.iter().sum::<f64>() < LEAST_LEVEL_KWH * n as f64 {
        return Vec::new();
    }
    let counts: Vec<f64> = (0..n)
        .map(|i| {
            let around = &energies[i.saturating_sub(LEAST_DAYS)..(i + LEAST_DAYS + 1).min(n)];
            energies[i].clamp(0.0, MOST_TIMES_LEVEL * median(around).max(LEAST_LEVEL_KWH)) / UNIT_KWH
        })
        .collect();
    let costs = Costs::new(&counts);
    let penalty = PENALTY_LOGS * (n as f64).ln();
    let cuts = search(&costs, n, penalty);
    let mut edges = vec![0];
    edges.extend(&cuts);
    edges.push(n);
    let mean = |from: usize, to: usize| {
        days[from..to].iter().map(|d| d.energy_kwh).sum::<f64>() / (to - from) as f64
    };
    edges
        .windows(3)
        .filter_map(|e| {
            let (before, after) = (mean(e[0], e[1]), mean(e[1], e[2]));
            let (was, is) = (costs.mean(e[0], e[1]), costs.mean(e[1], e[2]));
            let fall = costs.of(e[0], e[2]) - costs.of(e[0], e[1]) - costs.of(e[1], e[2]);
            let row = ChangeRow {
                home: home.to_owned(),
                day: days[e[1]].day,
                before,
                after,
                score: fall / penalty,
            };
            ((is - was).abs() >= LEAST_CHANGE * is.max(was)).then_some(row)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::history::made_up::{Household, history};
    use super::*;

    /// Use falls or rises to a multiple from a day on.
    fn changed(days: usize, at: usize, times: f64, seed: u64) -> History {
        let mut h = history(Household { peak_draws: 1.2, draw_kwh: 0.5 }, days, seed);
        for day in &mut h.days[at..] {
            day.energy_kwh *= times;
        }
        h
    }

    fn changes(history: &History) -> Vec<ChangeRow> {
        read_changes("a", history, history)
    }

    #[test]
    fn a_doubling_is_found_with_its_date() {
        let mut near = 0;
        for seed in 0..40 {
            let h = changed(90, 40, 2.0, seed);
            let found = changes(&h);
            assert_eq!(found.len(), 1, "seed {seed}: {found:?}");
            assert!(found[0].score > 1.0 && found[0].after > 1.5 * found[0].before);
            near += usize::from((found[0].day.0 - h.days[40].day.0).abs() <= 3);
        }
        // The days of these homes scatter by half their mean, so that a few days at the edge fit either side.
        assert!(near >= 34, "{near} of 40 dated within three days");
    }

    #[test]
    fn no_change_gives_none() {
        let calls: usize = (0..100).map(|seed| changes(&changed(120, 60, 1.0, seed)).len()).sum();
        assert!(calls <= 2, "{calls} false changes in 100 homes of 120 days");
    }

    #[test]
    fn two_changes_are_parted() {
        let mut h = changed(120, 40, 2.2, 3);
        for day in &mut h.days[80..] {
            day.energy_kwh /= 2.2;
        }
        let found = changes(&h);
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(found[0].after > found[0].before && found[1].after < found[1].before);
    }

    #[test]
    fn days_away_and_single_odd_days_are_no_change() {
        let mut h = changed(60, 30, 1.0, 4);
        for day in &mut h.days[30..50] {
            (day.energy_kwh, day.counts) = (0.0, false);
        }
        h.days[10].energy_kwh = 60.0;
        h.days[12].energy_kwh = f64::NAN;
        assert!(changes(&h).is_empty());
    }

    #[test]
    fn pruning_loses_nothing() {
        let h = changed(100, 37, 1.5, 5);
        let counts: Vec<f64> = h.days.iter().map(|d| d.energy_kwh / UNIT_KWH).collect();
        let costs = Costs::new(&counts);
        let penalty = 2.0;
        let total = |cuts: &[usize]| {
            let edges: Vec<usize> = [0].iter().chain(cuts).chain(&[100]).copied().collect();
            edges.windows(2).map(|e| costs.of(e[0], e[1]) + penalty).sum::<f64>()
        };
        // All ways to set up to two changes.
        let mut least = total(&[]);
        for a in LEAST_DAYS..=100 - LEAST_DAYS {
            least = least.min(total(&[a]));
            for b in a + LEAST_DAYS..=100 - LEAST_DAYS {
                least = least.min(total(&[a, b]));
            }
        }
        assert!(total(&search(&costs, 100, penalty)) <= least + 1e-9);
    }

    #[test]
    fn too_few_days_or_no_use_give_none() {
        assert!(changes(&changed(27, 13, 3.0, 1)).is_empty());
        assert!(changes(&changed(60, 30, 0.0, 1)).len() <= 1);
        assert!(changes(&History::default()).is_empty());
    }
}
