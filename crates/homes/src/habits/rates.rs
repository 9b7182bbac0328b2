//! Draws begun and heat drawn in each local hour by kind of day, drawn towards the fleet where a home's days are few.
//!
//! Counts of draws are Poisson with rates that differ between homes by a gamma distribution about the fleet's shape at the
//! home's own level; the mean of what is then believed is the usual weighted one (A. Gelman et al., Bayesian Data Analysis,
//! section 2.6, from memory).

use drawoff_contract::habit_tables::{DayType, RateRow};

use super::demand::weights;
use super::history::History;

/// Effective days that the fleet's shape counts as: bounds for what the spread between homes says.
const PRIOR_DAYS: (f64, f64) = (1.0, 30.0);
/// Weight of the hours either side: a bell of 30 minutes about each draw, cut at the hour (design choice).
const NEXT_HOUR: f64 = 0.1;

/// Weighted sums of one home by kind of day and hour.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Sums {
    /// Effective days of each kind.
    pub(crate) days: [f64; 3],
    /// Weighted draws and hours seen.
    draws: [[(f64, f64); 24]; 3],
    /// Weighted heat drawn and hours seen.
    energy: [[(f64, f64); 24]; 3],
}

impl Sums {
    pub(crate) fn new(history: &History) -> Self {
        let weights = weights(history);
        let mut out = Self { days: [0.0; 3], draws: [[(0.0, 0.0); 24]; 3], energy: [[(0.0, 0.0); 24]; 3] };
        for (day, weight) in history.days.iter().zip(&weights) {
            out.days[day.kind as usize] += weight;
        }
        for hour in history.hours.iter().filter(|h| h.seen) {
            let (kind, weight) = (history.days[hour.day].kind as usize, weights[hour.day]);
            let draws = &mut out.draws[kind][hour.hour];
            *draws = (draws.0 + weight * f64::from(hour.draws), draws.1 + weight);
            if hour.energy_kwh.is_nan() {
                continue;
            }
            let energy = &mut out.energy[kind][hour.hour];
            *energy = (energy.0 + weight * hour.energy_kwh, energy.1 + weight);
        }
        out
    }

    /// Whether the heat drawn is known in any hour: it is not where heat is put in unmetered.
    fn has_energy(&self) -> bool {
        self.energy.iter().flatten().any(|(_, seen)| *seen > 0.0)
    }
}

/// Rates of a quantity for the fleet's mean home, and how far homes differ in shape.
#[derive(Clone, Debug, PartialEq)]
struct Fleet {
    /// By kind of day and hour; sums to one over the hours of a kind.
    shape: [[f64; 24]; 3],
    /// Days that the shape counts as.
    prior_days: f64,
}

impl Fleet {
    fn of(homes: &[[[(f64, f64); 24]; 3]]) -> Self {
        let mut shape = [[0.0; 24]; 3];
        for (kind, of_kind) in shape.iter_mut().enumerate() {
            for (hour, of_hour) in of_kind.iter_mut().enumerate() {
                let (sum, seen) =
                    homes.iter().map(|h| h[kind][hour]).fold((0.0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1));
                *of_hour = if seen > 0.0 { (sum / seen).max(0.0) } else { 0.0 };
            }
            let total: f64 = of_kind.iter().sum();
            of_kind.iter_mut().for_each(|v| *v = if total > 0.0 { *v / total } else { 1.0 / 24.0 });
        }
        let mut fleet = Self { shape, prior_days: PRIOR_DAYS.1 };
        fleet.prior_days = fleet.spread(homes);
        fleet
    }

    /// Days at which a home's own rate says as much as the shape: Poisson variance of a day over the variance between homes.
    fn spread(&self, homes: &[[[(f64, f64); 24]; 3]]) -> f64 {
        let (mut poisson, mut between) = (0.0, 0.0);
        for home in homes {
            for (kind, of_kind) in home.iter().enumerate() {
                let level = level(of_kind);
                for (hour, &(sum, seen)) in of_kind.iter().enumerate() {
                    if seen > 0.0 && level > 0.0 {
                        let expected = level * self.shape[kind][hour];
                        let excess = sum / seen - expected;
                        poisson += expected;
                        between += excess * excess - expected / seen;
                    }
                }
            }
        }
        if between > 0.0 { (poisson / between).clamp(PRIOR_DAYS.0, PRIOR_DAYS.1) } else { PRIOR_DAYS.1 }
    }

    /// Rates of one home and kind of day.
    fn rates(&self, own: &[(f64, f64); 24], kind: usize, level: f64) -> Vec<f32> {
        let raw: [f64; 24] = std::array::from_fn(|h| {
            let prior = self.prior_days * level * self.shape[kind][h];
            (own[h].0 + prior) / (own[h].1 + self.prior_days)
        });
        (0..24)
            .map(|h| {
                let beside = raw[(h + 23) % 24] + raw[(h + 1) % 24];
                ((1.0 - 2.0 * NEXT_HOUR) * raw[h] + NEXT_HOUR * beside).max(0.0) as f32
            })
            .collect()
    }
}

/// Amount a day: the sum of the hourly means.
fn level(own: &[(f64, f64); 24]) -> f64 {
    own.iter().map(|(sum, seen)| if *seen > 0.0 { sum / seen } else { 0.0 }).sum()
}

/// Level of a kind of day, from all kinds where it has fewer effective days than a week.
fn level_of(own: &[[(f64, f64); 24]; 3], days: &[f64; 3], kind: usize) -> f64 {
    let all: f64 = days.iter().sum();
    let mean = (0..3).map(|k| days[k] * level(&own[k])).sum::<f64>() / all;
    (days[kind] * level(&own[kind]) + 7.0 * mean) / (days[kind] + 7.0)
}

/// Rates of draws and of heat for the fleet's mean home.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct FleetRates {
    draws: Fleet,
    energy: Fleet,
}

impl FleetRates {
    pub(crate) fn of(homes: &[Sums]) -> Self {
        Self {
            draws: Fleet::of(&homes.iter().map(|h| h.draws).collect::<Vec<_>>()),
            energy: Fleet::of(&homes.iter().map(|h| h.energy).collect::<Vec<_>>()),
        }
    }

    /// Rates of one home; no rows for a home without a day.
    pub(crate) fn rows(&self, home: &str, sums: &Sums) -> Vec<RateRow> {
        if sums.days.iter().sum::<f64>() <= 0.0 {
            return Vec::new();
        }
        let row = |kind: DayType| {
            let k = kind as usize;
            RateRow {
                home: home.to_owned(),
                day_type: kind.code().to_owned(),
                effective_days: sums.days[k],
                draws_by_hour: self.draws.rates(&sums.draws[k], k, level_of(&sums.draws, &sums.days, k)),
                energy_by_hour: if sums.has_energy() {
                    self.energy.rates(&sums.energy[k], k, level_of(&sums.energy, &sums.days, k))
                } else {
                    vec![f32::NAN; 24]
                },
            }
        };
        DayType::ALL.into_iter().map(row).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::history::made_up::{Household, history};
    use super::*;

    fn rows(days: &[usize]) -> Vec<RateRow> {
        let home = |(i, d): (usize, &usize)| {
            let peak_draws = 0.5 + 0.5 * (i % 4) as f64;
            Sums::new(&history(Household { peak_draws, draw_kwh: 0.4 }, *d, i as u64))
        };
        let sums: Vec<(String, Sums)> =
            days.iter().enumerate().map(|(i, d)| (format!("h{i:02}"), home((i, d)))).collect();
        let fleet = FleetRates::of(&sums.iter().map(|(_, s)| s.clone()).collect::<Vec<_>>());
        sums.iter().flat_map(|(h, s)| fleet.rows(h, s)).collect()
    }

    #[test]
    fn a_home_of_many_days_shows_its_own_rates() {
        let rows = rows(&[120; 8]);
        // Home 1 draws once in each peak hour of a weekday, 0.4 kWh a draw; the bell takes a tenth to either side.
        let weekday = rows.iter().find(|r| r.home == "h01" && r.day_type == "weekday").unwrap();
        assert!((f64::from(weekday.draws_by_hour[7]) - 1.0).abs() < 0.2, "{:?}", weekday.draws_by_hour);
        assert!((f64::from(weekday.energy_by_hour[7]) - 0.4).abs() < 0.12, "{:?}", weekday.energy_by_hour);
        let sunday = rows.iter().find(|r| r.home == "h01" && r.day_type == "sunday").unwrap();
        assert!(sunday.draws_by_hour[9] > 2.0 * sunday.draws_by_hour[6]);
    }

    #[test]
    fn a_home_of_one_day_leans_on_the_fleet_at_its_own_level() {
        let mut days = vec![60; 8];
        days.push(1);
        let rows = rows(&days);
        let of = |day_type: &str| rows.iter().find(|r| r.home == "h08" && r.day_type == day_type).unwrap();
        // It has seen no Sunday at all, and yet a Sunday's shape is given: later than a weekday's.
        assert_eq!(of("sunday").effective_days, 0.0);
        let sunday = &of("sunday").draws_by_hour;
        assert!(sunday[9] > 2.0 * sunday[6] && sunday[6] > 0.0, "{sunday:?}");
    }

    #[test]
    fn no_day_no_row() {
        assert!(rows(&[0, 0]).is_empty());
    }
}
