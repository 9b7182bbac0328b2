//! Weighted samples of demand: a quantile, and where a value stands among the others.

/// One amount that was drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Amount {
    /// Heat drawn, kWh.
    pub(crate) kwh: f64,
    /// How much it counts.
    pub(crate) weight: f64,
    /// Index of the day in the home's history; `None` for what the fleet lends.
    pub(crate) day: Option<usize>,
}

/// Amounts in order of size.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Sample {
    kwh: Vec<f64>,
    weights: Vec<f64>,
    /// Day of each in the home's history, [`NO_DAY`] for what the fleet lends.
    days: Vec<u32>,
    total: f64,
}

/// Farther from every day than any is asked to be apart.
const NO_DAY: u32 = u32::MAX / 2;

impl Sample {
    pub(crate) fn new(mut amounts: Vec<Amount>) -> Self {
        amounts.sort_by(|a, b| a.kwh.total_cmp(&b.kwh).then(a.day.cmp(&b.day)));
        let weights: Vec<f64> = amounts.iter().map(|a| a.weight).collect();
        let number = |day: Option<usize>| day.and_then(|d| u32::try_from(d).ok()).unwrap_or(NO_DAY);
        Self {
            total: weights.iter().sum(),
            kwh: amounts.iter().map(|a| a.kwh).collect(),
            days: amounts.iter().map(|a| number(a.day)).collect(),
            weights,
        }
    }

    /// Shares of the weight below each of two values, of all days but `day` and those less than `apart` from it; `None` when nothing
    /// is left.
    pub(crate) fn standing(&self, kwh: [f64; 2], day: usize, apart: usize) -> Option<[f64; 2]> {
        // Amounts lie in order of size, so what is below a value is what was summed until there.
        let ends = kwh.map(|limit| self.kwh.partition_point(|&kwh| kwh < limit));
        let (day, apart) = (u32::try_from(day).unwrap_or(NO_DAY), u32::try_from(apart).unwrap_or(0));
        let upto = |from: usize, to: usize, sum: f64| {
            let amounts = self.weights[from..to].iter().zip(&self.days[from..to]);
            amounts.fold(sum, |sum, (weight, d)| sum + if d.abs_diff(day) < apart { 0.0 } else { *weight })
        };
        let (first, last) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
        let at_first = upto(0, first, 0.0);
        let at_last = upto(first, last, at_first);
        let all = upto(last, self.kwh.len(), at_last);
        let below = if ends[0] <= ends[1] { [at_first, at_last] } else { [at_last, at_first] };
        (all > 0.0).then(|| below.map(|sum| sum / all))
    }

    /// The smallest amount with more than `level` of the weight at or below it; the largest for a level of 1. NaN of none.
    ///
    /// A new amount lies at or below it just when its [`standing`](Self::standing) does not exceed `level`.
    pub(crate) fn quantile(&self, level: f64) -> f64 {
        let mut sum = 0.0;
        for (weight, kwh) in self.weights.iter().zip(&self.kwh) {
            sum += weight;
            // Rounding of the sum must not decide between equal steps.
            if sum > level * self.total * (1.0 + 1e-12) {
                return *kwh;
            }
        }
        self.kwh.last().copied().unwrap_or(f64::NAN)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(kwh: &[f64]) -> Sample {
        let amount = |(i, kwh): (usize, &f64)| Amount { kwh: *kwh, weight: 1.0, day: Some(10 * i) };
        Sample::new(kwh.iter().enumerate().map(amount).collect())
    }

    #[test]
    fn quantile_and_standing_say_the_same() {
        let s = sample(&[3.0, 1.0, 2.0, 4.0, 5.0]);
        for kwh in [0.5, 1.5, 2.0, 3.5, 4.5] {
            let [standing, _] = s.standing([kwh, 0.0], 1000, 2).unwrap();
            for level in [0.0, 0.1, 0.3, 0.5, 0.75, 0.9] {
                assert_eq!(kwh <= s.quantile(level), standing <= level, "{kwh} {level}");
            }
        }
        assert_eq!(s.quantile(1.0), 5.0);
        assert!(Sample::default().quantile(0.5).is_nan());
    }

    #[test]
    fn a_day_does_not_vouch_for_itself() {
        let s = sample(&[1.0, 2.0]);
        assert_eq!(s.standing([2.0, 0.5], 10, 2), Some([1.0, 0.0]));
        assert_eq!(s.standing([1.5, 3.0], 1, 2), Some([0.0, 1.0]));
        assert_eq!(sample(&[1.0]).standing([1.0, 0.0], 0, 2), None);
    }
}
