//! Draw-off groups against truth.
//!
//! Draws too close to part are joined, in truth and estimate alike, under two readings of "too close": by the times as
//! they are written, and with both sides first put on the grid of the readings. A reader of 5-minute rows cannot do
//! better than whole intervals, which narrows its gaps by up to 8 min, so only the second can come to 1. A true group of 3 l or more is found if an estimate
//! of any size matches it; an estimate of 3 l or more is false only if no true group of 2 l or more matches it. Each of
//! the two questions is a one-to-one match of its own. True groups whose water left below 40 degC are neither found nor
//! missed, and an estimate that meets only such a group is left out.

use std::collections::BTreeMap;

use drawoff_contract::FaultClass;
use drawoff_contract::results::DrawOffRow;

use crate::truth::{TruthDraw, TruthHome};
use crate::wilson::Share;

/// Groups from this size on are to be found, and must be true when claimed.
pub const GROUP_LITRES: f64 = 3.0;
/// A claimed group is borne out by a true group from this size on: a litre of error must not make it false.
pub const BACKING_LITRES: f64 = 2.0;
/// Water that leaves cooler than this carries too little heat to be seen.
pub const MIN_OUTLET_DEGC: f64 = 40.0;

/// One group of draws: span, litres, and litre-weighted outlet temperature (NaN where not known).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Group {
    /// Start of the first draw, UTC milliseconds.
    pub start_ms: i64,
    /// End of the last draw, UTC milliseconds.
    pub end_ms: i64,
    /// Water of all draws.
    pub litres: f64,
    /// Mean outlet temperature, degC.
    pub outlet_degc: f64,
}

/// What was found and what was claimed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct GroupTally {
    /// Homes behind it.
    pub homes: usize,
    /// True groups that were found.
    pub recall: Share,
    /// Claimed groups that are true.
    pub precision: Share,
    /// Claimed groups left out because only lukewarm water meets them.
    pub left_out: u64,
}

impl GroupTally {
    /// Harmonic mean of recall and precision; `None` when either has no cases.
    #[must_use]
    pub fn f1(&self) -> Option<f64> {
        let (recall, precision) = (self.recall.value()?, self.precision.value()?);
        let sum = recall + precision;
        Some(if sum > 0.0 { 2.0 * recall * precision / sum } else { 0.0 })
    }

    /// Adds the homes of another tally.
    pub fn add(&mut self, other: &Self) {
        self.homes += other.homes;
        self.recall.add(other.recall);
        self.precision.add(other.precision);
        self.left_out += other.left_out;
    }
}

/// Draw-off groups of homes without equipment fault.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct GroupScore {
    /// Draws are joined when the gap between their written times is at most two intervals (10 min at 5 min).
    pub by_time: GroupSet,
    /// Draws are widened to whole intervals, and joined when these are the same or neighbours.
    pub on_grid: GroupSet,
}

/// One reading of the rule by which draws are joined.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct GroupSet {
    /// All homes.
    pub all: GroupTally,
    /// By number of probes, for homes where it is known.
    pub by_probes: BTreeMap<usize, GroupTally>,
}

impl GroupScore {
    /// Takes one home in; a home with an equipment fault is passed over. `interval_ms` is the export's interval.
    pub fn push(
        &mut self,
        draw_offs: &[&DrawOffRow],
        truth: &TruthHome,
        probes: Option<usize>,
        interval_ms: i64,
    ) {
        if truth.has(FaultClass::Equipment) {
            return;
        }
        let truth: Vec<Group> = truth.draws.iter().map(of_truth).collect();
        let claimed: Vec<Group> = draw_offs.iter().map(|d| of_run(d)).collect();
        let max_gap_ms = 2 * interval_ms;
        let by_time = compare(&join(&truth, max_gap_ms), &join(&claimed, max_gap_ms), interval_ms);
        self.by_time.push(&by_time, probes);
        let widened = |groups: &[Group]| groups.iter().map(|g| widen(g, interval_ms)).collect::<Vec<_>>();
        let on_grid = compare(&join(&widened(&truth), 0), &join(&widened(&claimed), 0), interval_ms);
        self.on_grid.push(&on_grid, probes);
    }

    /// Adds the homes of another fleet.
    pub fn add(&mut self, other: &Self) {
        self.by_time.add(&other.by_time);
        self.on_grid.add(&other.on_grid);
    }
}

impl GroupSet {
    fn push(&mut self, tally: &GroupTally, probes: Option<usize>) {
        self.all.add(tally);
        if let Some(n) = probes {
            self.by_probes.entry(n).or_default().add(tally);
        }
    }

    fn add(&mut self, other: &Self) {
        self.all.add(&other.all);
        for (&n, tally) in &other.by_probes {
            self.by_probes.entry(n).or_default().add(tally);
        }
    }
}

fn of_truth(draw: &TruthDraw) -> Group {
    Group { start_ms: draw.start_ms, end_ms: draw.end_ms, litres: draw.litres, outlet_degc: draw.outlet_degc }
}

fn of_run(draw: &DrawOffRow) -> Group {
    Group { start_ms: draw.start.0, end_ms: draw.end.0, litres: draw.litres, outlet_degc: f64::NAN }
}

/// Widens a draw to the whole intervals that it touches.
fn widen(draw: &Group, interval_ms: i64) -> Group {
    let start_ms = draw.start_ms.div_euclid(interval_ms) * interval_ms;
    let end_ms = -(-draw.end_ms).div_euclid(interval_ms) * interval_ms;
    Group { start_ms, end_ms: end_ms.max(start_ms + interval_ms), ..*draw }
}

/// Joins draws whose gap is at most `max_gap_ms`.
fn join(draws: &[Group], max_gap_ms: i64) -> Vec<Group> {
    let mut sorted = draws.to_vec();
    sorted.sort_by_key(|g| (g.start_ms, g.end_ms));
    let mut groups: Vec<Group> = Vec::new();
    for draw in sorted {
        match groups.last_mut() {
            Some(last) if draw.start_ms - last.end_ms <= max_gap_ms => {
                let litres = last.litres + draw.litres;
                if litres > 0.0 {
                    last.outlet_degc =
                        (last.outlet_degc * last.litres + draw.outlet_degc * draw.litres) / litres;
                }
                last.litres = litres;
                last.end_ms = last.end_ms.max(draw.end_ms);
            }
            _ => groups.push(draw),
        }
    }
    groups
}

fn meet(truth: &Group, claimed: &Group, interval_ms: i64) -> bool {
    truth.start_ms - interval_ms <= claimed.end_ms && claimed.start_ms <= truth.end_ms + interval_ms
}

/// One-to-one match; returns for each claimed group whether it got a partner.
///
/// Both sides are in order and do not overlap among themselves, so pairing the earliest that meet pairs as many as can
/// be paired: two pairs that cross can always be uncrossed.
fn match_one_to_one(truth: &[&Group], claimed: &[&Group], interval_ms: i64) -> Vec<bool> {
    let mut matched = vec![false; claimed.len()];
    let (mut t, mut c) = (0, 0);
    while t < truth.len() && c < claimed.len() {
        if meet(truth[t], claimed[c], interval_ms) {
            matched[c] = true;
            t += 1;
            c += 1;
        } else if truth[t].end_ms < claimed[c].start_ms {
            t += 1;
        } else {
            c += 1;
        }
    }
    matched
}

fn compare(truth: &[Group], claimed: &[Group], interval_ms: i64) -> GroupTally {
    // NaN outlets (unknown) are kept: only water known to be lukewarm is set aside.
    let lukewarm = |g: &Group| g.outlet_degc < MIN_OUTLET_DEGC;
    let from = |litres: f64| truth.iter().filter(|g| !lukewarm(g) && g.litres >= litres).collect::<Vec<_>>();
    let to_find = from(GROUP_LITRES);
    let found = match_one_to_one(&to_find, &claimed.iter().collect::<Vec<_>>(), interval_ms);
    let mut tally = GroupTally {
        homes: 1,
        recall: Share::new(found.iter().filter(|&&m| m).count(), to_find.len()),
        ..GroupTally::default()
    };
    let claims: Vec<&Group> = claimed.iter().filter(|g| g.litres >= GROUP_LITRES).collect();
    let borne_out = match_one_to_one(&from(BACKING_LITRES), &claims, interval_ms);
    for (claim, is_true) in claims.into_iter().zip(borne_out) {
        if !is_true && truth.iter().any(|g| lukewarm(g) && meet(g, claim, interval_ms)) {
            tally.left_out += 1;
        } else {
            tally.precision.count(is_true);
        }
    }
    tally
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIN: i64 = 60_000;
    const FIVE: i64 = 5 * MIN;

    fn group(start_min: i64, end_min: i64, litres: f64, outlet_degc: f64) -> Group {
        Group { start_ms: start_min * MIN, end_ms: end_min * MIN, litres, outlet_degc }
    }

    #[test]
    fn draws_ten_minutes_apart_are_one_group() {
        let joined = join(&[group(20, 22, 2.0, 50.0), group(0, 10, 1.0, 20.0)], 2 * FIVE);
        assert_eq!(joined.len(), 1);
        assert_eq!((joined[0].start_ms, joined[0].end_ms, joined[0].litres), (0, 22 * MIN, 3.0));
        assert_eq!(joined[0].outlet_degc, 40.0);
        assert_eq!(join(&[group(0, 10, 1.0, 50.0), group(21, 22, 2.0, 50.0)], 2 * FIVE).len(), 2);
    }

    #[test]
    fn on_the_grid_neighbouring_intervals_are_one_group() {
        let ends = |draws: &[Group]| {
            let widened: Vec<Group> = draws.iter().map(|g| widen(g, FIVE)).collect();
            join(&widened, 0).iter().map(|g| (g.start_ms / MIN, g.end_ms / MIN)).collect::<Vec<_>>()
        };
        assert_eq!(ends(&[group(1, 2, 1.0, 50.0), group(8, 9, 1.0, 50.0)]), [(0, 10)]);
        assert_eq!(ends(&[group(4, 5, 1.0, 50.0), group(10, 11, 1.0, 50.0)]), [(0, 5), (10, 15)]);
        assert_eq!(ends(&[group(5, 5, 1.0, 50.0)]), [(5, 10)]);
    }

    #[test]
    fn one_estimate_finds_one_group_only() {
        let truth = [group(0, 10, 5.0, 55.0), group(25, 30, 5.0, 55.0)];
        let claimed = [group(5, 25, 10.0, f64::NAN)];
        let tally = compare(&truth, &claimed, FIVE);
        assert_eq!(tally.recall, Share::new(1, 2));
        assert_eq!(tally.precision, Share::new(1, 1));
        assert!((tally.f1().unwrap() - 2.0 / 3.0).abs() < 1e-12);
    }

    #[test]
    fn a_small_estimate_finds_but_is_not_judged() {
        let tally = compare(&[group(0, 5, 3.0, 55.0)], &[group(10, 15, 0.5, f64::NAN)], FIVE);
        assert_eq!((tally.recall, tally.precision), (Share::new(1, 1), Share::new(0, 0)));
    }

    #[test]
    fn an_estimate_is_false_only_without_two_true_litres() {
        let claimed = [group(0, 5, 3.5, f64::NAN)];
        assert_eq!(compare(&[group(0, 5, 2.0, 55.0)], &claimed, FIVE).precision, Share::new(1, 1));
        assert_eq!(compare(&[group(0, 5, 1.9, 55.0)], &claimed, FIVE).precision, Share::new(0, 1));
        assert_eq!(compare(&[group(11, 15, 9.0, 55.0)], &claimed, FIVE).precision, Share::new(0, 1));
    }

    #[test]
    fn lukewarm_water_is_set_aside() {
        let tally = compare(&[group(0, 5, 20.0, 39.9)], &[group(0, 5, 6.0, f64::NAN)], FIVE);
        assert_eq!((tally.recall.of, tally.precision.of, tally.left_out), (0, 0, 1));
    }

    #[test]
    fn each_takes_the_earlier_partner_so_that_all_are_paired() {
        let truth = [group(0, 4, 5.0, 55.0), group(20, 24, 5.0, 55.0), group(60, 61, 4.0, 55.0)];
        let claimed =
            [group(5, 15, 4.0, f64::NAN), group(28, 40, 4.0, f64::NAN), group(45, 50, 4.0, f64::NAN)];
        let tally = compare(&truth, &claimed, FIVE);
        assert_eq!(tally.recall, Share::new(2, 3));
        assert_eq!(tally.precision, Share::new(2, 3));
    }

    /// Largest possible one-to-one match, by augmenting paths.
    fn largest_match(truth: &[Group], claimed: &[Group]) -> usize {
        fn augment(
            t: usize,
            truth: &[Group],
            claimed: &[Group],
            seen: &mut [bool],
            partner: &mut [Option<usize>],
        ) -> bool {
            for c in 0..claimed.len() {
                if seen[c] || !meet(&truth[t], &claimed[c], FIVE) {
                    continue;
                }
                seen[c] = true;
                if partner[c].is_none_or(|other| augment(other, truth, claimed, seen, partner)) {
                    partner[c] = Some(t);
                    return true;
                }
            }
            false
        }
        let mut partner = vec![None; claimed.len()];
        (0..truth.len())
            .filter(|&t| augment(t, truth, claimed, &mut vec![false; claimed.len()], &mut partner))
            .count()
    }

    proptest::proptest! {
        #[test]
        fn no_other_pairing_pairs_more(
            truth in proptest::collection::vec((0_i64..240, 1_i64..20), 0..14),
            claimed in proptest::collection::vec((0_i64..240, 1_i64..20), 0..14),
            max_gap_min in 0_i64..11,
        ) {
            let groups = |draws: &[(i64, i64)]| {
                let draws: Vec<Group> = draws.iter().map(|d| group(d.0, d.0 + d.1, 1.0, 50.0)).collect();
                join(&draws, max_gap_min * MIN)
            };
            let (truth, claimed) = (groups(&truth), groups(&claimed));
            let pairs = match_one_to_one(&truth.iter().collect::<Vec<_>>(), &claimed.iter().collect::<Vec<_>>(), FIVE);
            proptest::prop_assert_eq!(pairs.iter().filter(|&&p| p).count(), largest_match(&truth, &claimed));
        }
    }
}
