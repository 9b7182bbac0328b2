//! The best plan of heating with the draw-offs that a home had, by exact dynamic programming on a reduced state.
//!
//! The reduced cylinder holds whole portions of usable heat. Each half-hour some are taken, some are lost, and the heater adds none, half
//! or all of what it can; after it as many must be left as the learnt 95 % quantile of what is taken in the next hours. Once a week all
//! must be hot. What cannot be kept is broken as little as possible, before any cost counts. A plan is then put through the replay of the
//! layered cylinder (`still_open`), which must keep its service there too.

use std::ops::Range;

/// What lacking one portion weighs, in the unit of the cost: more than any year's bill.
pub const LACK: i64 = 10_000_000_000;
/// Fixed-point places of losses.
const PLACES: u32 = 20;

/// A reduced cylinder and what it meets.
#[derive(Clone, Debug, PartialEq)]
pub struct Problem {
    /// Portions when all is hot.
    pub full: usize,
    /// Half-hours of a longer problem before this part of it: whole portions are lost by their count.
    pub before: usize,
    /// Portions at the start.
    pub start: usize,
    /// Portions that there must be at the end.
    pub end: usize,
    /// Portions that the heater adds in a half-hour at most.
    pub most: usize,
    /// Portions lost in a half-hour when empty and when full; straight between.
    pub lost: (f64, f64),
    /// Portions taken in each half-hour.
    pub taken: Vec<u16>,
    /// Portions to be left after each half-hour.
    pub need: Vec<u16>,
    /// Cost of one portion in each half-hour; may be below 0.
    pub cost: Vec<i64>,
    /// Half-hours of each week, in each of which all must once be hot; weeks in order, without gap or overlap.
    pub weeks: Vec<Range<usize>>,
}

/// A plan.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    /// Portions added in each half-hour.
    pub heat: Vec<u16>,
    /// Portions held after each half-hour.
    pub after: Vec<u16>,
    /// Cost with what is lacking.
    pub total: i64,
    /// Portions lacking, and weeks without hygiene counted as one each.
    pub lacking: i64,
}

impl Problem {
    /// Portions lost in half-hour `t` from a state: whole ones, in the long run as many as the loss says.
    fn lost_at(&self, t: usize, state: usize) -> usize {
        let share = if self.full > 0 { state as f64 / self.full as f64 } else { 0.0 };
        let rate = (self.lost.0 + (self.lost.1 - self.lost.0) * share).max(0.0);
        let fixed = (rate * f64::from(1_u32 << PLACES)).round() as u64;
        let t = self.before + t;
        let until = |t: u64| (t * fixed) >> PLACES;
        usize::try_from(until(t as u64 + 1) - until(t as u64)).unwrap_or(0)
    }

    /// The half-hours `range` alone, from and to what `plan` holds at their ends; weeks that are not whole in it ask nothing.
    fn part(&self, plan: &Plan, range: Range<usize>) -> Self {
        let held = |t: usize| usize::from(plan.after[t]);
        let weeks = self.weeks.iter().filter(|w| range.start <= w.start && w.end <= range.end);
        Self {
            before: self.before + range.start,
            start: range.start.checked_sub(1).map_or(self.start, held),
            end: if range.end == self.taken.len() { self.end } else { held(range.end - 1) },
            taken: self.taken[range.clone()].to_vec(),
            need: self.need[range.clone()].to_vec(),
            cost: self.cost[range.clone()].to_vec(),
            weeks: weeks.map(|w| w.start - range.start..w.end - range.start).collect(),
            ..*self
        }
    }

    /// Stretches of whole weeks that hold the half-hours `near` and so many before each; the days beside whole weeks are as a week.
    fn stretches(&self, near: &[usize], reach: usize) -> Vec<Range<usize>> {
        let all = self.taken.len();
        let mut borders: Vec<usize> = self.weeks.iter().flat_map(|w| [w.start, w.end]).collect();
        borders.extend([0, all]);
        borders.sort_unstable();
        borders.dedup();
        let mut out: Vec<Range<usize>> = Vec::new();
        for week in borders.windows(2).map(|b| b[0]..b[1]) {
            let touched = near.iter().any(|&at| at.saturating_sub(reach) < week.end && week.start <= at);
            match out.last_mut().filter(|last| touched && last.end == week.start) {
                Some(last) => last.end = week.end,
                None if touched => out.push(week),
                None => {}
            }
        }
        out
    }

    /// What the heater may add in any half-hour.
    fn choices(&self) -> [usize; 3] {
        [0, self.most / 2, self.most]
    }

    /// The state after half-hour `t`, what was really added, and what lacks.
    fn step(&self, t: usize, state: usize, added: usize) -> (usize, usize, i64) {
        let taken = usize::from(self.taken[t]);
        let short = taken.saturating_sub(state);
        let left = state - taken.min(state);
        let left = left - self.lost_at(t, left).min(left);
        let added = added.min(self.full - left);
        let after = left + added;
        let below = usize::from(self.need[t]).min(self.full).saturating_sub(after);
        (after, added, (short + below) as i64)
    }
}

/// The cheapest plan; exact on the reduced state.
#[must_use]
pub fn cheapest(problem: &Problem) -> Plan {
    let states = problem.full + 1;
    let steps = problem.taken.len();
    // Whether the week has seen all hot doubles the states.
    let mut value = vec![0_i64; 2 * states];
    for (state, v) in value.iter_mut().enumerate() {
        *v = LACK * problem.end.saturating_sub(state % states) as i64;
    }
    let week_of = week_starts(problem);
    let mut choice = vec![0_u8; 2 * states * steps];
    let choices = problem.choices();
    let mut next = vec![0_i64; 2 * states];
    let mut lost: Vec<usize> = Vec::with_capacity(states);
    for t in (0..steps).rev() {
        // The value after this half-hour: at the end of a week the flag must stand, and is taken down.
        if let Some(in_week) = week_of[t + 1] {
            for state in 0..states {
                let fresh = value[state];
                value[states + state] = fresh;
                value[state] = fresh + if in_week { LACK } else { 0 };
            }
        }
        lost.clear();
        lost.extend((0..states).map(|s| problem.lost_at(t, s)));
        let (taken, need) = (usize::from(problem.taken[t]), usize::from(problem.need[t]).min(problem.full));
        let cost = problem.cost[t];
        for state in 0..states {
            let short = taken.saturating_sub(state) as i64;
            let left = state - taken.min(state);
            let left = left - lost[left].min(left);
            let mut best = [i64::MAX; 2];
            let mut which = [0_u8; 2];
            for (i, &added) in choices.iter().enumerate() {
                let added = added.min(problem.full - left);
                let after = left + added;
                let here = LACK * (short + need.saturating_sub(after) as i64) + cost * added as i64;
                let hot = usize::from(after == problem.full);
                for flag in 0..2 {
                    let total = here + value[states * (flag | hot) + after];
                    if total < best[flag] {
                        (best[flag], which[flag]) = (total, i as u8);
                    }
                }
            }
            for flag in 0..2 {
                next[states * flag + state] = best[flag];
                choice[(t * 2 + flag) * states + state] = which[flag];
            }
        }
        std::mem::swap(&mut value, &mut next);
    }
    forward(problem, &week_of, &choice, &choices)
}

/// The plan made again around the half-hours `near`, where the problem has changed since: the weeks that hold them and `reach`
/// half-hours before each are planned anew, between what the old plan holds at their ends.
#[must_use]
pub fn mended(problem: &Problem, plan: &Plan, near: &[usize], reach: usize) -> Plan {
    let mut out = plan.clone();
    for range in problem.stretches(near, reach) {
        let part = cheapest(&problem.part(plan, range.clone()));
        out.heat[range.clone()].copy_from_slice(&part.heat);
        out.after[range].copy_from_slice(&part.after);
    }
    out
}

/// For each border of half-hours whether a week ends there; `Some(true)` where it was a whole week that must have been hot once.
fn week_starts(problem: &Problem) -> Vec<Option<bool>> {
    let mut out = vec![None; problem.taken.len() + 1];
    for week in &problem.weeks {
        out[week.end] = Some(true);
    }
    out
}

fn forward(problem: &Problem, week_of: &[Option<bool>], choice: &[u8], choices: &[usize; 3]) -> Plan {
    let states = problem.full + 1;
    let (mut state, mut flag) = (problem.start.min(problem.full), 0_usize);
    let (mut total, mut lacking) = (0_i64, 0_i64);
    let mut heat = Vec::with_capacity(problem.taken.len());
    let mut held = Vec::with_capacity(problem.taken.len());
    for t in 0..problem.taken.len() {
        let added = choices[usize::from(choice[(t * 2 + flag) * states + state])];
        let (after, added, lack) = problem.step(t, state, added);
        total += problem.cost[t] * added as i64;
        lacking += lack;
        flag |= usize::from(after == problem.full);
        state = after;
        heat.push(u16::try_from(added).unwrap_or(u16::MAX));
        held.push(u16::try_from(after).unwrap_or(u16::MAX));
        if week_of[t + 1].is_some() {
            lacking += 1 - flag as i64;
            flag = 0;
        }
    }
    lacking += problem.end.saturating_sub(state) as i64;
    Plan { heat, after: held, total: total + LACK * lacking, lacking }
}

/// Every plan tried: for tests of small problems.
#[must_use]
pub fn exhaustive(problem: &Problem) -> i64 {
    fn best(problem: &Problem, t: usize, state: usize, hot: bool) -> i64 {
        if t == problem.taken.len() {
            return LACK * problem.end.saturating_sub(state) as i64;
        }
        let ends = problem.weeks.iter().any(|w| w.end == t + 1);
        problem
            .choices()
            .into_iter()
            .map(|added| {
                let (after, added, lack) = problem.step(t, state, added);
                let hot = hot || after == problem.full;
                let missed = i64::from(ends && !hot);
                problem.cost[t] * added as i64
                    + LACK * (lack + missed)
                    + best(problem, t + 1, after, hot && !ends)
            })
            .min()
            .unwrap_or(i64::MAX)
    }
    best(problem, 0, problem.start.min(problem.full), false)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Small problems of every kind, from a simple generator.
    fn small(seed: u64, steps: usize) -> Problem {
        let mut x = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        let mut below = |n: u64| {
            x = x.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (x >> 33) % n
        };
        let full = 2 + below(5) as usize;
        let start = below(full as u64 + 1) as usize;
        let most = 1 + below(4) as usize;
        let lost = (below(3) as f64 * 0.1, 0.2 + below(5) as f64 * 0.2);
        let taken = (0..steps).map(|_| if below(3) == 0 { below(3) as u16 } else { 0 }).collect();
        let need = (0..steps).map(|_| below(full as u64) as u16).collect();
        let cost = (0..steps).map(|_| below(40) as i64 * 10 - 50).collect();
        Problem {
            full,
            before: 0,
            start,
            end: start,
            most,
            lost,
            taken,
            need,
            cost,
            weeks: vec![0..steps / 2, steps / 2..steps],
        }
    }

    #[test]
    fn the_plan_is_as_good_as_the_best_of_all() {
        for seed in 0..300 {
            let problem = small(seed, 9);
            let plan = cheapest(&problem);
            assert_eq!(plan.total, exhaustive(&problem), "{seed}: {problem:?}");
        }
    }

    #[test]
    fn heat_moves_to_the_cheap_hours_and_waits_for_the_demand() {
        let mut cost = vec![300; 48];
        cost[4..10].fill(100);
        let mut taken = vec![0; 48];
        taken[16] = 8;
        let problem = Problem {
            full: 20,
            before: 0,
            start: 5,
            end: 5,
            most: 4,
            lost: (0.0, 0.0),
            taken,
            need: vec![2; 48],
            cost,
            weeks: Vec::new(),
        };
        let plan = cheapest(&problem);
        assert_eq!((plan.lacking, plan.total), (0, 800));
        assert!(plan.heat.iter().enumerate().all(|(t, h)| *h == 0 || (4..10).contains(&t)), "{plan:?}");
    }

    #[test]
    fn a_part_planned_again_fits_the_rest() {
        for seed in 0..200 {
            let old = small(seed, 12);
            let plan = cheapest(&old);
            // Unchanged, a part comes out no dearer and no worse than it was.
            let again = mended(&old, &plan, &[7], 0);
            assert_eq!(total(&old, &again), plan.total, "{seed}");
            // With more asked of the second week alone, the first stays.
            let mut more = old.clone();
            more.need[8] = more.full as u16;
            let new = mended(&more, &plan, &[8], 0);
            assert_eq!(new.heat[..6], plan.heat[..6]);
            assert!(total(&more, &new) <= total(&more, &plan), "{seed}");
        }
    }

    /// Cost of the heat of a plan with what lacks, from its start.
    fn total(problem: &Problem, plan: &Plan) -> i64 {
        let (mut state, mut sum, mut hot) = (problem.start, 0, false);
        for (t, &heat) in plan.heat.iter().enumerate() {
            let (after, added, lack) = problem.step(t, state, usize::from(heat));
            state = after;
            hot |= after == problem.full;
            sum += problem.cost[t] * added as i64 + LACK * lack;
            if problem.weeks.iter().any(|w| w.end == t + 1) {
                sum += if hot { 0 } else { LACK };
                hot = false;
            }
        }
        sum + LACK * problem.end.saturating_sub(state) as i64
    }

    #[test]
    fn losses_are_whole_in_the_long_run() {
        let problem = small(1, 9);
        let problem = Problem { full: 10, lost: (0.0, 0.375), ..problem };
        let sum: usize = (0..1000).map(|t| problem.lost_at(t, 10)).sum();
        assert_eq!(sum, 375);
    }
}
