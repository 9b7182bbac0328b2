//! Outages: all channels of a home silent for some hours.

use drawoff_contract::HomeRows;
use drawoff_contract::seed::seed;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::only;

/// Length of an outage, h: evenly spread between these.
const OUTAGE_H: std::ops::Range<f64> = 1.0..6.0;
const HOUR_MS: f64 = 3_600_000.0;
/// Every home has its own outages, the same in every run.
const SEED: u64 = 20;

/// The rows without those of outages that take up `share` of the time on average, 0 to less than 1.
///
/// Times between outages are exponential, so outages come at all hours; the energy register goes on counting.
#[must_use]
pub fn with_gaps(rows: &HomeRows, share: f64, home: &str) -> HomeRows {
    let (Some(&first), Some(&last)) = (rows.time_ms.first(), rows.time_ms.last()) else {
        return rows.clone();
    };
    let share = share.clamp(0.0, 0.99);
    let mean_outage_h = (OUTAGE_H.start + OUTAGE_H.end) / 2.0;
    let mean_between_h = mean_outage_h * (1.0 - share) / share.max(1e-9);
    let mut rng = ChaCha8Rng::seed_from_u64(seed(SEED, home, "outages"));
    let mut outages: Vec<(i64, i64)> = Vec::new();
    let mut at_ms = first;
    while at_ms < last {
        let between_h = -mean_between_h * libm::log(1.0 - rng.random::<f64>());
        let start_ms = at_ms + (between_h * HOUR_MS) as i64;
        at_ms = start_ms + (rng.random_range(OUTAGE_H) * HOUR_MS) as i64;
        outages.push((start_ms, at_ms));
    }
    let lost = |t: i64| {
        let next = outages.partition_point(|(start, _)| *start < t);
        next > 0 && t <= outages[next - 1].1
    };
    only(rows, |i| !lost(rows.time_ms[i]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::degrade::made_up::{FIVE_MS, rows};
    use drawoff_contract::Channel;

    #[test]
    fn about_the_share_is_lost_in_outages_of_hours() {
        let rows = rows(288 * 400, &[(Channel::Probe(0), 1.0, 1.0)]);
        let poorer = with_gaps(&rows, 0.2, "a");
        let lost = 1.0 - poorer.len() as f64 / rows.len() as f64;
        assert!((lost - 0.2).abs() < 0.015, "{lost}");
        let silences: Vec<i64> =
            poorer.time_ms.windows(2).map(|w| w[1] - w[0]).filter(|&d| d > FIVE_MS).collect();
        let hours = |ms: &i64| *ms as f64 / HOUR_MS;
        // Two outages may meet.
        let ordinary = silences.iter().filter(|ms| (0.9..6.2).contains(&hours(ms))).count();
        assert!(ordinary as f64 > 0.95 * silences.len() as f64, "{ordinary} of {}", silences.len());
        assert_eq!(poorer.at(Channel::Probe(0), 0), poorer.time_ms[0] as f64 / FIVE_MS as f64);
    }

    #[test]
    fn a_home_has_its_own_outages() {
        let rows = rows(288 * 20, &[]);
        assert_eq!(with_gaps(&rows, 0.2, "a"), with_gaps(&rows, 0.2, "a"));
        assert_ne!(with_gaps(&rows, 0.2, "a"), with_gaps(&rows, 0.2, "b"));
        assert_eq!(with_gaps(&rows, 0.0, "a"), rows);
    }
}
