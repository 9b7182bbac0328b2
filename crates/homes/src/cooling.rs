//! How far the hot water fell in each idle stretch, beside what the fitted and the declared loss let it fall.

use drawoff_contract::Utc;
use drawoff_contract::results::CoolingRow;

use crate::loss::{Loss, Observation};

/// Segments no farther apart than this are one stretch: one interval of half an hour may lie between two.
const NEAR_MS: i64 = 1_800_000;
const MS_PER_H: f64 = 3_600_000.0;

fn start_ms(o: &Observation) -> i64 {
    o.at_ms - (o.hours / 2.0 * MS_PER_H).round() as i64
}

fn end_ms(o: &Observation) -> i64 {
    start_ms(o) + (o.hours * MS_PER_H).round() as i64
}

/// One row a stretch, in order of time. `declared_w_per_k` is the declared loss; without it that column is null.
pub(crate) fn stretches(home: &str, loss: &Loss, declared_w_per_k: Option<f64>) -> Vec<CoolingRow> {
    loss.observations
        .chunk_by(|a, b| start_ms(b).saturating_sub(end_ms(a)) <= NEAR_MS)
        .map(|run| {
            let sum = |of: &dyn Fn(&Observation) -> f64| run.iter().map(of).sum::<f64>();
            let hours = sum(&|o| o.hours);
            // What one W/K lets the zone fall.
            let per_w_per_k = sum(&|o| o.lift_k * o.fall_k_per_w);
            CoolingRow {
                home: home.to_owned(),
                start: Utc(start_ms(&run[0])),
                end: Utc(end_ms(&run[run.len() - 1])),
                hours,
                lift_k: sum(&|o| o.lift_k * o.hours) / hours,
                fall_k: sum(&|o| o.loss_w * o.fall_k_per_w),
                fitted_fall_k: loss.w_per_k * per_w_per_k,
                declared_fall_k: declared_w_per_k.map(|w| w * per_w_per_k),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A segment of an hour and a half that begins at this hour, 40 K over the surroundings; 0.006 K/W is an excess of 0.93 in 233 Wh/K.
    fn segment(start_h: f64, loss_w: f64) -> Observation {
        Observation {
            loss_w,
            lift_k: 40.0,
            share: 0.6,
            day: 0,
            at_ms: ((start_h + 0.75) * MS_PER_H) as i64,
            hours: 1.5,
            fall_k_per_w: 0.006,
        }
    }

    fn loss(observations: Vec<Observation>) -> Loss {
        Loss {
            w_per_k: 1.5,
            p05: 1.4,
            p95: 1.6,
            before_w_per_k: None,
            changed_ms: None,
            change_z: 0.0,
            segments: observations.len(),
            nights: 2,
            zone_share: 0.6,
            log_error: 0.05,
            observations,
        }
    }

    #[test]
    fn segments_of_one_night_are_one_stretch() {
        let all = vec![segment(1.0, 60.0), segment(2.5, 80.0), segment(12.0, 61.0)];
        let rows = stretches("a", &loss(all), Some(1.0));
        assert_eq!(rows.iter().map(|r| r.hours).collect::<Vec<_>>(), [3.0, 1.5]);
        assert_eq!((rows[0].start, rows[0].end), (Utc(3_600_000), Utc(4 * 3_600_000)));
        // By hand: 0.006 K/W x (60 + 80) W; 2 x 0.006 x 40 K x 1.5 W/K; the same at 1 W/K.
        assert!((rows[0].fall_k - 0.84).abs() < 1e-12);
        assert!((rows[0].fitted_fall_k - 0.72).abs() < 1e-12);
        assert!((rows[0].declared_fall_k.unwrap() - 0.48).abs() < 1e-12);
        assert!((rows[0].lift_k - 40.0).abs() < 1e-12);
        assert!(stretches("a", &loss(vec![segment(1.0, 60.0)]), None)[0].declared_fall_k.is_none());
    }
}
