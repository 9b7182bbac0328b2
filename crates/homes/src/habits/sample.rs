//! Weighted samples of demand: a quantile, and where each of a home's own amounts stands among the others.

use drawoff_contract::habit_tables::DayType;

/// Weights are whole multiples of this (a 2^40th), so that sums of up to 2^13 are exact: what is taken away leaves nothing behind.
const WEIGHT_STEP: f64 = 1.0 / (1_u64 << 40) as f64;

/// An amount that a home drew.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Own {
    /// Heat drawn, kWh.
    pub(crate) kwh: f64,
    /// Index of the day in the home's history.
    pub(crate) day: usize,
    /// Kind of that day.
    pub(crate) kind: DayType,
    /// How much it counts in the sample of its own kind of day.
    pub(crate) weight: f64,
}

/// What others lend to a sample: amounts in any order, kWh, each with the same weight.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Lent {
    pub(crate) kwh: Vec<f64>,
    pub(crate) weight: f64,
}

/// Amounts in order of size.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Sample {
    kwh: Vec<f64>,
    /// Weight of each with all smaller ones.
    upto: Vec<f64>,
}

/// How an hour's amounts count in each other's samples.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Weighing {
    /// What a day of another kind counts, against one of the same kind.
    pub(crate) other_kind: f64,
    /// A day is asked of days at least so far from it.
    pub(crate) apart: usize,
    /// A second value whose standing is asked with each, kWh.
    pub(crate) least_kwh: f64,
}

fn whole_steps(weight: f64) -> f64 {
    (weight / WEIGHT_STEP).round() * WEIGHT_STEP
}

/// The samples of one hour of the day, by kind of day, from a home's own amounts in the order of their days and what is lent to each kind;
/// and for each own amount where it and [`Weighing::least_kwh`] stand in the sample of its kind: shares of the weight below, of all
/// days but its own and those less than `apart` from it, `None` when nothing is left.
pub(crate) fn samples_of_hour(
    own: &[Own],
    lent: [Lent; 3],
    by: Weighing,
) -> ([Sample; 3], Vec<Option<[f64; 2]>>) {
    let mut order: Vec<usize> = (0..own.len()).collect();
    order.sort_by(|&a, &b| own[a].kwh.total_cmp(&own[b].kwh));
    let mut standings = vec![None; own.len()];
    let samples = [0, 1, 2].map(|k| {
        let kind = DayType::ALL[k];
        let weight = |o: &Own| whole_steps(if o.kind == kind { o.weight } else { by.other_kind * o.weight });
        let weights: Vec<f64> = own.iter().map(weight).collect();
        let sample = Sample::merged(own, &weights, &order, &lent[k]);
        let least = sample.below(by.least_kwh);
        for (i, asked) in own.iter().enumerate().filter(|(_, o)| o.kind == kind) {
            // Days come in order: those too near lie on both sides of the one that is asked.
            let (before, after) = own.split_at(i);
            let from = i - before.iter().rev().take_while(|o| asked.day - o.day < by.apart).count();
            let to = i + after.iter().take_while(|o| o.day - asked.day < by.apart).count();
            let (mut near, mut near_below, mut near_least) = (0.0, 0.0, 0.0);
            for (o, weight) in own[from..to].iter().zip(&weights[from..to]) {
                near += weight;
                near_below += if o.kwh < asked.kwh { *weight } else { 0.0 };
                near_least += if o.kwh < by.least_kwh { *weight } else { 0.0 };
            }
            let all = sample.total() - near;
            standings[i] = (all > 0.0)
                .then(|| [(sample.below(asked.kwh) - near_below) / all, (least - near_least) / all]);
        }
        sample
    });
    (samples, standings)
}

impl Sample {
    /// Own amounts with their weights, in this `order` of size, and lent ones.
    fn merged(own: &[Own], weights: &[f64], order: &[usize], lent: &Lent) -> Self {
        let mut borrowed = lent.kwh.clone();
        borrowed.sort_by(f64::total_cmp);
        let lent_weight = whole_steps(lent.weight);
        let mut out = Self::default();
        out.kwh.reserve_exact(own.len() + borrowed.len());
        out.upto.reserve_exact(own.len() + borrowed.len());
        let mut sum = 0.0;
        let mut push = |kwh: f64, weight: f64| {
            sum += weight;
            out.kwh.push(kwh);
            out.upto.push(sum);
        };
        let mut next = borrowed.iter().copied().peekable();
        for &i in order {
            while let Some(kwh) = next.next_if(|kwh| *kwh <= own[i].kwh) {
                push(kwh, lent_weight);
            }
            push(own[i].kwh, weights[i]);
        }
        next.for_each(|kwh| push(kwh, lent_weight));
        out
    }

    fn total(&self) -> f64 {
        self.upto.last().copied().unwrap_or(0.0)
    }

    /// Weight of what is less than a value.
    fn below(&self, kwh: f64) -> f64 {
        match self.kwh.partition_point(|&v| v < kwh) {
            0 => 0.0,
            n => self.upto[n - 1],
        }
    }

    /// The smallest amount with more than `level` of the weight at or below it; the largest for a level of 1. NaN of none.
    ///
    /// A new amount lies at or below it just when the weight below that amount does not exceed `level` of the whole.
    pub(crate) fn quantile(&self, level: f64) -> f64 {
        // Rounding must not decide between equal steps.
        let limit = level * self.total() * (1.0 + 1e-12);
        let at = self.upto.partition_point(|&sum| sum <= limit);
        self.kwh.get(at).or(self.kwh.last()).copied().unwrap_or(f64::NAN)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BY: Weighing = Weighing { other_kind: 0.2, apart: 2, least_kwh: 0.05 };

    fn own(kwh: &[f64], days: usize) -> Vec<Own> {
        let amount =
            |(i, kwh): (usize, &f64)| Own { kwh: *kwh, day: days * i, kind: DayType::ALL[0], weight: 1.0 };
        kwh.iter().enumerate().map(amount).collect()
    }

    #[test]
    fn quantile_and_standing_say_the_same() {
        let ([s, ..], _) = samples_of_hour(&own(&[3.0, 1.0, 2.0, 4.0, 5.0], 10), Default::default(), BY);
        for kwh in [0.5, 1.5, 2.0, 3.5, 4.5] {
            let standing = s.below(kwh) / s.total();
            for level in [0.0, 0.1, 0.3, 0.5, 0.75, 0.9] {
                assert_eq!(kwh <= s.quantile(level), standing <= level, "{kwh} {level}");
            }
        }
        assert_eq!(s.quantile(1.0), 5.0);
        assert!(Sample::default().quantile(0.5).is_nan());
    }

    #[test]
    fn a_day_does_not_vouch_for_itself() {
        let apart = |days| samples_of_hour(&own(&[1.0, 2.0], days), Default::default(), BY).1;
        assert_eq!(apart(10), [Some([0.0, 0.0]), Some([1.0, 0.0])]);
        assert_eq!(apart(1), [None, None]);
    }

    #[test]
    fn standings_are_what_counting_gives() {
        let own: Vec<Own> = (0..60)
            .map(|day| Own {
                kwh: f64::from((day * 37) % 11) * 0.04,
                day: day as usize,
                kind: DayType::ALL[(day % 7 / 5) as usize],
                weight: (-f64::from(59 - day) / 42.0).exp2(),
            })
            .collect();
        let lent: [Lent; 3] =
            [0, 1, 2].map(|k| Lent { kwh: vec![0.3, 0.1 * k as f64, 0.2], weight: 2.0 / 3.0 });
        let (_, found) = samples_of_hour(&own, lent.clone(), Weighing { apart: 7, ..BY });
        for (o, found) in own.iter().zip(found) {
            let far = own.iter().filter(|x| x.day.abs_diff(o.day) >= 7);
            let weighed = far.map(|x| (x.kwh, if x.kind == o.kind { 1.0 } else { 0.2 } * x.weight));
            let lent = &lent[o.kind as usize];
            let all: Vec<(f64, f64)> = weighed.chain(lent.kwh.iter().map(|k| (*k, lent.weight))).collect();
            let sum = |limit: f64| all.iter().filter(|a| a.0 < limit).map(|a| a.1).sum::<f64>();
            let wanted = [o.kwh, 0.05].map(|limit| sum(limit) / sum(f64::INFINITY));
            for (found, wanted) in found.unwrap().into_iter().zip(wanted) {
                assert!((found - wanted).abs() < 1e-9, "{o:?} {found} {wanted}");
                // Nothing below is nothing, and not a rest of rounding.
                assert_eq!(found == 0.0, wanted == 0.0);
            }
        }
    }
}
