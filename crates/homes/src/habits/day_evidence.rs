//! How likely what was seen of a day is, were nobody in, and were somebody in: learnt by home and drawn towards its fleet.
//!
//! Three kinds of day. On an *empty* one the balance shows its errors, and a draw-off seen is a false one. On a *frugal* one, as
//! one person alone has many, a few litres run in several small draw-offs. On a *usual* one the home draws as it does. How often a
//! home has frugal days, and how far its balance is off, the likelihood of its own days decides (expectation and maximisation:
//! A. P. Dempster, N. M. Laird and D. B. Rubin, J. R. Stat. Soc. B 39 (1977) 1-38, from memory).

use std::f64::consts::PI;

use super::vacancy::DayUse;
use crate::robust::median;

/// Least litres of a day on which a home surely draws as it does when somebody is in, l: of days with a draw seen, and of all.
const SURELY_DRAWN_L: (f64, f64) = (5.0, 20.0);
/// A home's own days count against this many of the fleet's.
const FLEET_DAYS: f64 = 5.0;
/// The spread of a home's days is never taken as less than this.
const LEAST_LOG_SD: f64 = 0.3;
/// Where no home shows how it draws: 100 l with a wide spread (common practice, no source).
const ASSUMED_USE: Use = Use { log_mean: 4.6, log_sd: 0.7 };
/// Draw-offs seen on a usual day where no home shows any: idle, and while it heats.
const ASSUMED_DRAWS: [f64; 2] = [4.0, 1.0];
/// Share of occupied days unlike the home's others: any number of litres between these, each doubling as likely as the next.
const ODD_SHARE: f64 = 0.02;
const ODD_L: (f64, f64) = (2.0, 500.0);
/// Mean litres that a balance shows on empty days, l, with how common such homes are: most read their loss well.
const BALANCE_L: [(f64, f64); 3] = [(0.7, 0.75), (2.0, 0.2), (5.0, 0.05)];
/// Where the loss could not be read and is the declared one, the balance shows the same litres on every empty day, give or take these, l:
/// up to half of a usual day's loss, and not less than what the errors above explain. How common such homes are is a design choice.
const STEADY_SD_L: f64 = 0.8;
const STEADY_L: (f64, f64) = (2.0, 15.0);
const STEADY_COMMON: f64 = 0.02;
/// Days without a draw-off while idle that show such a balance: at least, and as a share of all such days.
const STEADY_DAYS: usize = 5;
const STEADY_SHARE: f64 = 0.67;
/// Share of empty days with more all the same (a neighbour who looks in), and its mean, l.
const LOOKED_IN: (f64, f64) = (0.05, 6.0);
/// False draw-offs on an empty day, idle and while it heats, believed beforehand as if seen on so many days. A start of heating
/// looks like a draw-off more often. (Chosen on one `synth` seed.)
const FALSE_DRAWS: [f64; 2] = [0.06, 0.2];
const FALSE_DRAWS_DAYS: f64 = 30.0;
/// The fleet's rate while it heats counts as so many of the home's own empty days.
const FALSE_HEATING_DAYS: f64 = 5.0;
/// Mean litres of a frugal day, l, and its draw-offs seen over those of a usual one.
const FRUGAL_L: f64 = 6.0;
const FRUGAL_DRAWS: f64 = 0.4;
/// How draw-offs scatter from day to day: shapes of the negative binomial law by kind of day; a usual day's is nearest to Poisson.
const SHAPES: [f64; 3] = [1.0, 2.0, 4.0];
/// Share of empty and of frugal days believed beforehand, as if seen on so many days.
const SHARES: [f64; 2] = [0.05, 0.05];
const SHARES_DAYS: f64 = 10.0;
/// Rounds of learning: shares of days settle in a few.
const ROUNDS: usize = 8;
const FLEET_ROUNDS: usize = 3;

/// Litres on usual days: log-normal.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Use {
    log_mean: f64,
    log_sd: f64,
}

impl Use {
    fn logs(days: &[DayUse]) -> Vec<f64> {
        days.iter().filter(|d| surely_drawn(d)).map(|d| d.litres.ln()).collect()
    }

    /// Of one home alone; `None` of too few days.
    fn plain(days: &[DayUse]) -> Option<Self> {
        let logs = Self::logs(days);
        let n = logs.len() as f64;
        if n < FLEET_DAYS {
            return None;
        }
        let log_mean = logs.iter().sum::<f64>() / n;
        let variance = logs.iter().map(|l| (l - log_mean) * (l - log_mean)).sum::<f64>() / n;
        Some(Self { log_mean, log_sd: variance.sqrt() })
    }

    /// Of one home, drawn towards its fleet where its days are few.
    fn of_home(days: &[DayUse], fleet: Self) -> Self {
        let logs = Self::logs(days);
        let n = logs.len() as f64;
        let log_mean = (logs.iter().sum::<f64>() + FLEET_DAYS * fleet.log_mean) / (n + FLEET_DAYS);
        let squares: f64 = logs.iter().map(|l| (l - log_mean) * (l - log_mean)).sum();
        let variance = (squares + FLEET_DAYS * fleet.log_sd * fleet.log_sd) / (n + FLEET_DAYS);
        Self { log_mean, log_sd: variance.sqrt().max(LEAST_LOG_SD) }
    }

    /// Density of so many litres, 1/l.
    fn density(self, litres: f64) -> f64 {
        // A log-normal has no density at zero: half a litre is the least that can be told from nothing.
        let drawn = litres.max(0.5);
        let z = (drawn.ln() - self.log_mean) / self.log_sd;
        let usual = (-0.5 * z * z).exp() / (drawn * self.log_sd * (2.0 * PI).sqrt());
        let odd = if drawn >= ODD_L.0 { 1.0 / (drawn * (ODD_L.1 / ODD_L.0).ln()) } else { 0.0 };
        (1.0 - ODD_SHARE) * usual + ODD_SHARE * odd
    }
}

fn surely_drawn(d: &DayUse) -> bool {
    d.draws[0] > 0 && d.litres >= SURELY_DRAWN_L.0 || d.litres >= SURELY_DRAWN_L.1
}

/// Mean draw-offs seen on a day with much drawn, idle and while it heats, drawn towards `prior`.
fn usual_draws(days: &[DayUse], prior: [f64; 2]) -> [f64; 2] {
    let much: Vec<&DayUse> = days.iter().filter(|d| d.litres >= SURELY_DRAWN_L.1).collect();
    [0, 1].map(|i| {
        let seen: f64 = much.iter().map(|d| f64::from(d.draws[i])).sum();
        (seen + FLEET_DAYS * prior[i]) / (much.len() as f64 + FLEET_DAYS)
    })
}

/// What a fleet shows of its homes' days.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct FleetDays {
    usage: Use,
    /// Draw-offs seen on a usual day, idle and while it heats.
    draws: [f64; 2],
    /// False draw-offs on an empty day, idle and while it heats.
    false_draws: [f64; 2],
}

impl FleetDays {
    /// From the days of each home.
    pub(crate) fn new(homes: &[Vec<DayUse>]) -> Self {
        let own: Vec<Use> = homes.iter().filter_map(|days| Use::plain(days)).collect();
        let usage = if own.is_empty() {
            ASSUMED_USE
        } else {
            Use {
                log_mean: median(&own.iter().map(|u| u.log_mean).collect::<Vec<_>>()),
                log_sd: median(&own.iter().map(|u| u.log_sd).collect::<Vec<_>>()).max(LEAST_LOG_SD),
            }
        };
        let all: Vec<DayUse> = homes.iter().flatten().copied().collect();
        let draws = usual_draws(&all, ASSUMED_DRAWS);
        let mut fleet = Self { usage, draws, false_draws: FALSE_DRAWS };
        for _ in 0..FLEET_ROUNDS {
            let (mut days, mut seen) = (FALSE_DRAWS_DAYS, FALSE_DRAWS.map(|f| f * FALSE_DRAWS_DAYS));
            for of_home in homes {
                let kinds = HomeDays::new(of_home, fleet);
                for day in of_home.iter().filter(|d| !d.litres.is_nan()) {
                    let empty = kinds.shares(kinds.densities(*day))[0];
                    days += empty;
                    seen.iter_mut().zip(day.draws).for_each(|(sum, n)| *sum += empty * f64::from(n));
                }
            }
            fleet.false_draws = seen.map(|s| s / days);
        }
        fleet
    }
}

/// What a balance shows on empty days, l.
#[derive(Clone, Copy, Debug, PartialEq)]
enum BalanceError {
    /// Anything from nothing on, this much in the mean.
    Mean(f64),
    /// Nearly the same every day.
    Steady(f64),
}

impl BalanceError {
    /// What a home's may be, with how common each is.
    fn candidates(days: &[DayUse]) -> Vec<(Self, f64)> {
        let mut out: Vec<(Self, f64)> =
            BALANCE_L.iter().map(|(l, common)| (Self::Mean(*l), *common)).collect();
        let undrawn: Vec<f64> =
            days.iter().filter(|d| d.assumed_loss && d.draws[0] == 0).map(|d| d.litres).collect();
        let steady_l = median(&undrawn);
        let alike = undrawn.iter().filter(|l| (*l - steady_l).abs() <= 2.0 * STEADY_SD_L).count();
        let mostly = alike >= STEADY_DAYS && alike as f64 >= STEADY_SHARE * undrawn.len() as f64;
        if mostly && (STEADY_L.0..=STEADY_L.1).contains(&steady_l) {
            out.push((Self::Steady(steady_l), STEADY_COMMON));
        }
        out
    }

    /// Density of so many litres, 1/l.
    fn density(self, litres: f64) -> f64 {
        match self {
            Self::Mean(mean_l) => (-litres / mean_l).exp() / mean_l,
            Self::Steady(steady_l) => {
                let z = (litres - steady_l) / STEADY_SD_L;
                (-0.5 * z * z).exp() / (STEADY_SD_L * (2.0 * PI).sqrt())
            }
        }
    }
}

/// The kinds of day of one home.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct HomeDays {
    usage: Use,
    /// Mean draw-offs by kind of day (empty, frugal, usual), idle and while it heats.
    draws: [[f64; 2]; 3],
    balance: BalanceError,
    /// Shares of empty and frugal days.
    shares: [f64; 2],
}

impl HomeDays {
    /// Learns them from the home's days.
    pub(crate) fn new(days: &[DayUse], fleet: FleetDays) -> Self {
        let usual = usual_draws(days, fleet.draws);
        let known: Vec<DayUse> = days.iter().copied().filter(|d| !d.litres.is_nan()).collect();
        let start = Self {
            usage: Use::of_home(days, fleet.usage),
            draws: [fleet.false_draws, usual.map(|d| FRUGAL_DRAWS * d), usual],
            balance: BalanceError::Mean(BALANCE_L[0].0),
            shares: SHARES,
        };
        let mut best = (start, f64::NEG_INFINITY);
        for (balance, common) in BalanceError::candidates(&known) {
            let mut tried = Self { balance, ..start };
            // What is learnt moves shares, and where a balance is steady the law of empty days; the other laws stay.
            let mut densities: Vec<[f64; 3]> = known.iter().map(|d| tried.densities(*d)).collect();
            for _ in 0..ROUNDS {
                let mut sums = SHARES.map(|s| s * SHARES_DAYS);
                // Probes too few for a loss miss where heat goes when it starts too: how often that looks like a draw-off is the home's own.
                let mut false_heating = (fleet.false_draws[1] * FALSE_HEATING_DAYS, FALSE_HEATING_DAYS);
                for (day, densities) in known.iter().zip(&densities) {
                    let shares = tried.shares(*densities);
                    sums.iter_mut().zip(shares).for_each(|(sum, s)| *sum += s);
                    false_heating.0 += shares[0] * f64::from(day.draws[1]);
                    false_heating.1 += shares[0];
                }
                tried.shares = sums.map(|s| s / (known.len() as f64 + SHARES_DAYS));
                if matches!(balance, BalanceError::Steady(_)) {
                    tried.draws[0][1] = false_heating.0 / false_heating.1;
                    for (day, densities) in known.iter().zip(&mut densities) {
                        densities[0] = tried.density(*day, 0);
                    }
                }
            }
            let likely = densities.iter().map(|d| tried.weighted(*d).iter().sum::<f64>().ln());
            let log = likely.sum::<f64>() + common.ln();
            if log > best.1 {
                best = (tried, log);
            }
        }
        best.0
    }

    /// Density of a day by its kind: empty, frugal, usual.
    fn densities(&self, day: DayUse) -> [f64; 3] {
        [0, 1, 2].map(|kind| self.density(day, kind))
    }

    /// Density of a day of one kind.
    fn density(&self, day: DayUse, kind: usize) -> f64 {
        let about = |mean_l: f64| BalanceError::Mean(mean_l).density(day.litres);
        let of_litres = match kind {
            0 => (1.0 - LOOKED_IN.0) * self.balance.density(day.litres) + LOOKED_IN.0 * about(LOOKED_IN.1),
            1 => about(FRUGAL_L),
            _ => self.usage.density(day.litres),
        };
        let of_draws: f64 =
            (0..2).map(|i| negative_binomial(day.draws[i], self.draws[kind][i], SHAPES[kind])).product();
        (of_litres * of_draws).max(f64::MIN_POSITIVE)
    }

    fn weighted(&self, [empty, frugal, usual]: [f64; 3]) -> [f64; 3] {
        [self.shares[0] * empty, self.shares[1] * frugal, (1.0 - self.shares[0] - self.shares[1]) * usual]
    }

    /// Probability of each kind, from the densities of a day taken by itself.
    fn shares(&self, densities: [f64; 3]) -> [f64; 3] {
        let weighted = self.weighted(densities);
        let sum: f64 = weighted.iter().sum();
        weighted.map(|w| w / sum)
    }

    /// Log-likelihood of a day under occupied and vacant; zeros where unknown.
    pub(crate) fn evidence(&self, day: DayUse) -> [f64; 2] {
        if day.litres.is_nan() {
            return [0.0, 0.0];
        }
        let [empty, frugal, usual] = self.densities(day);
        let occupied = 1.0 - self.shares[0];
        let frugal_share = self.shares[1] / occupied;
        [(frugal_share * frugal + (1.0 - frugal_share) * usual).ln(), empty.ln()]
    }
}

/// Probability of a number of draw-offs whose daily rate differs by a gamma law of this shape: negative binomial.
fn negative_binomial(count: u32, mean: f64, shape: f64) -> f64 {
    let n = f64::from(count);
    let ways = libm::lgamma(n + shape) - libm::lgamma(shape) - libm::lgamma(n + 1.0);
    (ways + shape * (shape / (shape + mean)).ln() + n * (mean / (shape + mean)).ln()).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_sum_to_one_with_their_mean() {
        let terms = || (0..400).map(|n| (f64::from(n), negative_binomial(n, 2.4, 2.0)));
        assert!((terms().map(|t| t.1).sum::<f64>() - 1.0).abs() < 1e-9);
        assert!((terms().map(|t| t.0 * t.1).sum::<f64>() - 2.4).abs() < 1e-9);
    }

    #[test]
    fn a_fleet_shows_how_often_a_draw_off_is_false() {
        let day = |i: usize| DayUse {
            litres: 0.3,
            draws: [u32::from(i.is_multiple_of(2)), 0],
            assumed_loss: false,
        };
        let empty: Vec<DayUse> = (0..200).map(day).collect();
        let used = (0..60)
            .map(|i| DayUse { litres: 60.0 + f64::from(i % 30), draws: [6, 1], assumed_loss: false })
            .collect();
        let fleet = FleetDays::new(&[empty, used]);
        // By hand: 100 on 200 days, and 30 days of what was believed.
        assert!((fleet.false_draws[0] - 101.8 / 230.0).abs() < 0.03, "{fleet:?}");
        assert!(fleet.false_draws[1] < 0.06);
    }

    #[test]
    fn the_same_few_litres_on_every_day_are_an_error_of_the_loss_and_differing_ones_are_use() {
        let days = |away: &dyn Fn(usize) -> DayUse| -> Vec<DayUse> {
            (0..45)
                .map(|i| match i {
                    12..26 => away(i),
                    _ => DayUse { litres: 20.0 + ((i * 37) % 90) as f64, draws: [5, 2], assumed_loss: true },
                })
                .collect()
        };
        let vacant = |days: &[DayUse]| {
            let home = HomeDays::new(days, FleetDays::new(&[days.to_vec()]));
            days[12..26].iter().map(|d| home.evidence(*d)).map(|[at_home, away]| away - at_home).sum::<f64>()
        };
        // Two starts of heating a day look like draw-offs, with two probes.
        let steady =
            days(&|i| DayUse { litres: 8.0 + 0.1 * (i % 5) as f64, draws: [0, 2], assumed_loss: true });
        let frugal =
            days(&|i| DayUse { litres: 3.0 + ((i * 5) % 13) as f64, draws: [2, 1], assumed_loss: true });
        let read: Vec<DayUse> = steady.iter().map(|d| DayUse { assumed_loss: false, ..*d }).collect();
        assert!(vacant(&read) < 0.0, "{}", vacant(&read));
        assert!(vacant(&steady) > 10.0 && vacant(&frugal) < -10.0, "{} {}", vacant(&steady), vacant(&frugal));
    }

    #[test]
    fn frugal_days_with_draw_offs_are_occupied_and_the_home_says_how_common_they_are() {
        let days: Vec<DayUse> = (0..50)
            .map(|i| match i % 5 {
                0 => DayUse { litres: 2.0, draws: [2, 0], assumed_loss: false },
                _ => DayUse { litres: 40.0 + f64::from((i * 37) % 50), draws: [5, 1], assumed_loss: false },
            })
            .collect();
        let home = HomeDays::new(&days, FleetDays::new(std::slice::from_ref(&days)));
        assert!((0.1..0.3).contains(&home.shares[1]) && home.shares[0] < 0.03, "{home:?}");
        let [occupied, vacant] = home.evidence(days[0]);
        assert!(occupied > vacant + 2.0, "{occupied} {vacant}");
    }
}
