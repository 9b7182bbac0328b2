//! How often demand stays within its quantiles, and how far from them: read the first part of each history, ask the rest.

use super::demand::{AHEAD_H, LEAST_DEMAND_KWH, windows};
use super::history::History;
use super::patterns;
use super::rivals::Rivals;
use super::shapes::cell;
use super::{FleetDemand, HabitInput, LEVELS, histories};

/// Share of the days that the quantiles are read from.
const READ_SHARE: (usize, usize) = (2, 3);
/// Homes with fewer days than this in the first part are not asked.
const LEAST_DAYS: usize = 7;

/// Coverage of one number of hours ahead, over all homes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct AheadCoverage {
    /// Hours ahead.
    pub ahead_h: usize,
    /// By [`LEVELS`]: times within, and times asked, where the quantile is above nothing.
    pub of_demand: [(u64, u64); 4],
    /// By [`LEVELS`]: times within, and times asked, always. Hours in which nothing is drawn lie within every quantile.
    pub of_all: [(u64, u64); 4],
    /// Share within of each home, by [`LEVELS`], where the quantile is above nothing.
    pub of_homes: [Vec<f64>; 4],
    /// Sums of the pinball loss by [`LEVELS`], kWh, over times that all of these can be asked of: these quantiles, and
    /// [`super::rivals::NAMES`] in their order.
    pub pinball_kwh: [[f64; 4]; 4],
}

/// Coverage of the homes that `ask` names, on days that the quantiles were not read from; vacant days are asked only where they are
/// the habit. All homes are read, as they are in a run.
///
/// The quantiles are read anew every `renew_d` days of the rest, as a weekly or nightly run does; with `None` they are read
/// once.
#[must_use]
pub fn held_out(
    homes: &[HabitInput<'_>],
    ask: &dyn Fn(&str) -> bool,
    renew_d: Option<usize>,
) -> Vec<AheadCoverage> {
    let asked: Vec<bool> = homes.iter().map(|h| ask(&h.notes.cylinder.home)).collect();
    of_histories(&histories(homes), &asked, renew_d)
}

/// Loss of a quantile that turns out to be off: `level` times what is short, the rest times what is over, kWh.
///
/// R. Koenker and G. Bassett, Econometrica 46 (1978) 33-50, from memory.
fn pinball(level: f64, quantile_kwh: f64, drawn_kwh: f64) -> f64 {
    let short = drawn_kwh - quantile_kwh;
    if short >= 0.0 { level * short } else { (level - 1.0) * short }
}

fn of_histories(histories: &[History], asked: &[bool], renew_d: Option<usize>) -> Vec<AheadCoverage> {
    let days = |h: &History| h.days.len();
    let first = |h: &History| days(h) * READ_SHARE.0 / READ_SHARE.1;
    let longest_rest = histories.iter().map(|h| days(h) - first(h)).max().unwrap_or(0);
    let renew = renew_d.unwrap_or(longest_rest).max(1);
    let mut out: Vec<AheadCoverage> =
        AHEAD_H.iter().map(|&ahead_h| AheadCoverage { ahead_h, ..AheadCoverage::default() }).collect();
    let mut own = vec![vec![[(0_u64, 0_u64); 4]; AHEAD_H.len()]; histories.len()];
    for from in (0..longest_rest).step_by(renew) {
        let cut = |h: &History| (first(h) + from).min(days(h));
        let read: Vec<History> = histories.iter().map(|h| h.until(cut(h))).collect();
        let groups = patterns::groups(&read, 1).1;
        let fleet = FleetDemand::learn(&read, &groups.of_home);
        let rivals = Rivals::new(&read);
        let to_ask = |(i, h): &(usize, &History)| asked[*i] && first(h) >= LEAST_DAYS;
        for (i, history) in histories.iter().enumerate().filter(to_ask) {
            let week_before = rivals.week_before(history);
            let (demand, levels) = fleet.of_home(&read[i], groups.of_home[i]);
            for (a, all) in out.iter_mut().enumerate() {
                for w in windows(history, AHEAD_H[a]) {
                    if w.day < cut(history) || w.day >= cut(history) + renew {
                        continue;
                    }
                    let at = cell(w.kind, w.hour);
                    let quantiles = demand.quantiles(&levels, a, at);
                    for (l, q) in quantiles.into_iter().enumerate().filter(|(_, q)| !q.is_nan()) {
                        let within = u64::from(w.kwh <= q.max(LEAST_DEMAND_KWH));
                        let add = |sum: &mut (u64, u64)| *sum = (sum.0 + within, sum.1 + 1);
                        add(&mut all.of_all[l]);
                        if q > 0.0 {
                            add(&mut all.of_demand[l]);
                            add(&mut own[i][a][l]);
                        }
                    }
                    let Some(others) = rivals.forecasts(i, a, at, week_before(w.day, w.hour, AHEAD_H[a]))
                    else {
                        continue;
                    };
                    for l in 0..LEVELS.len() {
                        let forecasts = [quantiles[l], others[0][l], others[1][l], others[2][l]];
                        for (sum, forecast) in all.pinball_kwh.iter_mut().zip(forecasts) {
                            sum[l] += pinball(LEVELS[l], forecast, w.kwh);
                        }
                    }
                }
            }
        }
    }
    for of_home in own {
        for (all, of_ahead) in out.iter_mut().zip(of_home) {
            for (list, (within, asked)) in all.of_homes.iter_mut().zip(of_ahead).filter(|(_, c)| c.1 > 0) {
                list.push(within as f64 / asked as f64);
            }
        }
    }
    out
}

/// Shares of [`AheadCoverage::of_demand`], in the order of [`LEVELS`]; NaN where never asked.
#[must_use]
pub fn shares(counts: &[(u64, u64); 4]) -> [f64; LEVELS.len()] {
    counts.map(|(within, asked)| within as f64 / asked as f64)
}

#[cfg(test)]
mod tests {
    use super::super::history::made_up::{Household, history};
    use super::*;

    fn fleet(homes: u32, days: usize) -> Vec<History> {
        (0..homes)
            .map(|i| {
                let household = Household {
                    peak_draws: 0.4 + 0.3 * f64::from(i % 7),
                    draw_kwh: 0.3 + 0.1 * f64::from(i % 4),
                };
                history(household, days, u64::from(i))
            })
            .collect()
    }

    #[test]
    fn quantiles_hold_as_often_as_they_say() {
        let homes = fleet(60, 90);
        let asked = vec![true; homes.len()];
        for ahead in of_histories(&homes, &asked, None) {
            for ((share, level), (_, asked)) in
                shares(&ahead.of_demand).into_iter().zip(LEVELS).zip(ahead.of_demand)
            {
                assert!(asked > 1000, "{ahead:?}");
                assert!((share - level).abs() <= 0.02, "{} h ahead: {share:.3} for {level}", ahead.ahead_h);
            }
        }
    }

    #[test]
    fn a_short_history_leans_on_its_fleet_and_still_holds() {
        let mut homes = fleet(200, 90);
        // Homes that joined a fortnight before the others are asked, and are asked for the week after.
        for h in homes.iter_mut().step_by(2) {
            let (from, to) = (46, 67);
            h.days = h.days[from..to].to_vec();
            h.hours.retain(|x| (from..to).contains(&x.day));
            h.hours.iter_mut().for_each(|x| x.day -= from);
        }
        let asked = vec![true; homes.len()];
        for ahead in of_histories(&homes, &asked, None) {
            for (l, level) in LEVELS.into_iter().enumerate().skip(1) {
                let short: Vec<f64> = ahead.of_homes[l].iter().step_by(2).copied().collect();
                let share = short.iter().sum::<f64>() / short.len() as f64;
                assert!((share - level).abs() <= 0.05, "{} h ahead: {share:.3} for {level}", ahead.ahead_h);
            }
        }
    }

    #[test]
    fn the_quantiles_beat_a_week_ago_and_the_fleets_mean() {
        let homes = fleet(60, 90);
        for ahead in of_histories(&homes, &vec![true; homes.len()], Some(7)) {
            let [own, rivals @ ..] = ahead.pinball_kwh.map(|l| l.iter().sum::<f64>());
            assert!(
                rivals[..2].iter().all(|r| own < 0.95 * r),
                "{} h ahead: {own} {rivals:?}",
                ahead.ahead_h
            );
        }
    }

    #[test]
    fn pinball_by_hand() {
        assert_eq!(
            [pinball(0.9, 2.0, 3.0), pinball(0.9, 3.0, 2.0), pinball(0.5, 1.0, 1.0)]
                .map(|v| (v * 1e9).round() / 1e9),
            [0.9, 0.1, 0.0]
        );
    }

    #[test]
    fn homes_without_days_are_not_asked() {
        let found = of_histories(&[History::default()], &[true], None);
        assert!(found.iter().all(|a| a.of_demand.iter().all(|c| c.1 == 0)));
    }
}
