//! How far a finding stands out among homes of its kind: conformal p-values, and Benjamini and Hochberg's control.
//!
//! Peers are the homes with the same source of heat and number of probes; each gives one score, its margin. The p-value of a home is
//! (1 + peers that score as high) / (peers + 1), right if sound homes are exchangeable (Bates et al., arXiv 2104.08279). The highest 2 % of
//! the peers are left out as probably faulty themselves, and each home is left out of its own peers.
//!
//! A pool of n gives no p-value below 1 / (n + 1), so a rare fault seldom passes the control by this alone: it says whether a call
//! stands out or whether its like are common among its peers. The limit decides what is a call.

use std::collections::BTreeMap;

use drawoff_contract::plan_tables::PeerRow;
use drawoff_contract::results::FindingRow;
use drawoff_contract::{Cylinder, Fault, FaultClass, Outcome};

/// With fewer peers the smallest p-value is too coarse for control at a tenth; the limit alone decides.
pub const LEAST_POOL: usize = 200;
/// Share of the peers, from the top, that is taken as probably faulty.
const TRIMMED: f64 = 0.02;

/// Margins of a fleet by fault and kind of home, taken in the order of the findings.
#[derive(Clone, Debug, Default)]
pub struct Pools {
    /// Place of each finding and its margin.
    pools: BTreeMap<(Fault, String), Vec<(usize, f64)>>,
}

impl Pools {
    /// Takes the finding at a place.
    pub fn note(&mut self, place: usize, row: &FindingRow, cylinder: Option<&Cylinder>) {
        let visit = |f: &Fault| matches!(f.class(), FaultClass::Equipment | FaultClass::Sensor);
        let Some(fault) = Fault::from_code(&row.fault).filter(visit) else { return };
        if let (Some(margin), Some(cylinder)) = (row.margin, cylinder) {
            self.pools.entry((fault, kind_of_home(cylinder))).or_default().push((place, margin));
        }
    }

    /// How each called finding stands among its peers; `called` gives the finding at a place if it is one.
    #[must_use]
    pub fn rows<'r>(&self, rate: f64, called: &dyn Fn(usize) -> Option<&'r FindingRow>) -> Vec<PeerRow> {
        let mut out: BTreeMap<usize, PeerRow> = BTreeMap::new();
        for ((_, peers), pool) in &self.pools {
            let control = (pool.len() >= LEAST_POOL).then(|| {
                let p = p_values(&pool.iter().map(|(_, m)| *m).collect::<Vec<_>>());
                let q = q_values(&p);
                (p, q)
            });
            for (at, (i, _)) in pool.iter().enumerate() {
                let Some(row) = called(*i) else { continue };
                let p_value = control.as_ref().map(|(p, _)| p[at]);
                let q_value = control.as_ref().map(|(_, q)| q[at]);
                let peer = PeerRow {
                    home: row.home.clone(),
                    fault: row.fault.clone(),
                    peers: peers.clone(),
                    pool: pool.len() as i64,
                    p_value,
                    q_value,
                    stands_out: q_value.map(|q| q <= rate),
                };
                out.insert(*i, peer);
            }
        }
        out.into_values().collect()
    }
}

/// How each called finding of cylinder or probes stands among its peers, in the order of the findings.
#[must_use]
pub fn peers(rows: &[FindingRow], cylinders: &BTreeMap<String, Cylinder>, rate: f64) -> Vec<PeerRow> {
    let mut pools = Pools::default();
    for (place, row) in rows.iter().enumerate() {
        pools.note(place, row, cylinders.get(&row.home));
    }
    pools.rows(rate, &|place| rows.get(place).filter(|row| row.outcome == Outcome::Fault.code()))
}

fn kind_of_home(cylinder: &Cylinder) -> String {
    let probes = cylinder.probe_heights.len();
    format!("{}, {probes} probe{}", cylinder.heat_source.code(), if probes == 1 { "" } else { "s" })
}

/// Conformal p-value of each score against the others, the highest of all left out.
#[must_use]
pub fn p_values(scores: &[f64]) -> Vec<f64> {
    let mut sorted = scores.to_vec();
    sorted.sort_by(f64::total_cmp);
    let trimmed = libm::ceil(TRIMMED * sorted.len() as f64) as usize;
    let kept = &sorted[..sorted.len() - trimmed.min(sorted.len())];
    scores
        .iter()
        .map(|score| {
            let as_high = kept.len() - kept.partition_point(|s| s < score);
            // Its own score is among those kept unless it was trimmed.
            let own = usize::from(as_high > 0);
            (1 + as_high - own) as f64 / (kept.len() - own + 1) as f64
        })
        .collect()
}

/// Smallest rate of false discoveries at which each would be rejected (Benjamini and Hochberg, J. R. Stat. Soc. B 57, 1995, from memory).
#[must_use]
pub fn q_values(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*b].total_cmp(&p[*a]));
    let mut out = vec![1.0; p.len()];
    let mut least: f64 = 1.0;
    for (place, i) in order.iter().enumerate() {
        let rank = p.len() - place;
        least = least.min(p[*i] * p.len() as f64 / rank as f64);
        out[*i] = least;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn control_by_hand() {
        // 0.01 x 4/1 = 0.04, 0.02 x 4/2 = 0.04, 0.30 x 4/3 = 0.40, 0.50.
        let q = q_values(&[0.50, 0.01, 0.30, 0.02]);
        for (q, expected) in q.iter().zip([0.50, 0.04, 0.40, 0.04]) {
            assert!((q - expected).abs() < 1e-12, "{q} {expected}");
        }
    }

    #[test]
    fn a_home_is_not_its_own_peer() {
        // Of 100 the two highest are trimmed: the highest has no peer as high, the lowest all 97 others.
        let p = p_values(&(0..100).map(f64::from).collect::<Vec<_>>());
        assert!((p[99] - 1.0 / 99.0).abs() < 1e-12 && (p[0] - 1.0).abs() < 1e-12, "{} {}", p[99], p[0]);
        assert!((p[97] - 1.0 / 98.0).abs() < 1e-12, "{}", p[97]);
    }

    #[test]
    fn what_is_common_among_peers_does_not_stand_out() {
        let made = |high: usize| -> usize {
            let homes = 1000_u32;
            let scores: Vec<f64> =
                (0..homes).map(|i| if (i as usize) < high { 5.0 } else { f64::from(i) / 1000.0 }).collect();
            q_values(&p_values(&scores)).iter().take(high).filter(|q| **q <= 0.1).count()
        };
        // Twenty of 1000 are as many as are trimmed: all stand out (1/981 x 1000/20 = 0.05). 120 are common.
        assert_eq!((made(20), made(120)), (20, 0));
    }
}
