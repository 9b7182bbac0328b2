//! Standing loss for reporting: each home's reading drawn towards what its fleet loses against the declared loss.
//!
//! y = ln(coefficient / declared) of a home is normal about its true value with the variance of its reading; true values
//! come from a body of sound homes or from a raised part (Fay and Herriot, J. Am. Stat. Assoc. 74, 1979, with a prior of two
//! parts). One normal prior would pull raised homes to the body and hide what is sought. Faults are never judged by it.

use drawoff_contract::Cylinder;
use drawoff_contract::results::HomeRow;
use drawoff_tank::label::LabelClass;
use drawoff_tank::loss::w_per_k_from_label;

use crate::reading::HomeReading;
use crate::robust::{median, scatter};

/// Fewer homes than this make no fleet: readings stay as they are.
const LEAST_HOMES: usize = 8;
/// Raised part: centre and spread of ln(loss over the body's). Wet or missing insulation doubles a loss or so: common practice, no source.
const RAISED_LN: f64 = 0.75;
const RAISED_SPREAD: f64 = 0.3;
/// Share of raised homes: start, and what it is kept within.
const RAISED_SHARE: f64 = 0.04;
const RAISED_BOUNDS: (f64, f64) = (0.005, 0.3);
/// Variance between sound homes is not below this: two per cent of spread.
const LEAST_VARIANCE: f64 = 4e-4;
/// Additional variance where the class table stands for a declared loss: classes A to D lie within it. Design choice.
const CLASS_VARIANCE: f64 = 0.35 * 0.35;
/// Rounds of expectation and maximisation: it moves no more after some dozens.
const ROUNDS: usize = 200;

/// One home's reading for the fleet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// ln(coefficient / declared or usual).
    pub log_ratio: f64,
    /// Variance of the reading, of ln.
    pub variance: f64,
    /// Additional variance of what it is compared with: 0 for a declared loss.
    pub reference_variance: f64,
}

/// What a home is reported with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reported {
    /// Factor on the coefficient that was read.
    pub factor: f64,
    /// Factors to the 5 % and the 95 % point.
    pub factor_p05: f64,
    /// See `factor_p05`.
    pub factor_p95: f64,
    /// Residual of the reading itself in standard deviations of a sound home's: (y - fleet) / sqrt(between + within).
    pub z: f64,
}

/// The fleet's two-part prior of ln(coefficient / declared).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FleetLoss {
    /// Centre of the body.
    pub centre: f64,
    /// Variance between homes of the body.
    pub variance: f64,
    /// Share of raised homes.
    pub raised: f64,
}

impl FleetLoss {
    /// Fits the prior by expectation and maximisation; `None` of too few homes.
    #[must_use]
    pub fn fit(homes: &[Measured]) -> Option<Self> {
        if homes.len() < LEAST_HOMES {
            return None;
        }
        let ratios: Vec<f64> = homes.iter().map(|h| h.log_ratio).collect();
        let within = median(&homes.iter().map(|h| h.variance + h.reference_variance).collect::<Vec<_>>());
        let spread = scatter(&ratios);
        let mut fleet = Self {
            centre: median(&ratios),
            variance: (spread * spread - within).max(LEAST_VARIANCE),
            raised: RAISED_SHARE,
        };
        for _ in 0..ROUNDS {
            let (mut weight, mut sum, mut total, mut squares, mut raised) = (0.0, 0.0, 0.0, 0.0, 0.0);
            for home in homes {
                let in_body = 1.0 - fleet.raised_probability(home);
                let part = fleet.body(home);
                raised += 1.0 - in_body;
                weight += in_body / (fleet.variance + home.noise());
                sum += in_body * home.log_ratio / (fleet.variance + home.noise());
                total += in_body;
                squares +=
                    in_body * (part.variance + (part.mean - fleet.centre) * (part.mean - fleet.centre));
            }
            fleet = Self {
                centre: sum / weight,
                variance: (squares / total).max(LEAST_VARIANCE),
                raised: (raised / homes.len() as f64).clamp(RAISED_BOUNDS.0, RAISED_BOUNDS.1),
            };
        }
        Some(fleet)
    }

    /// What a home is reported with.
    #[must_use]
    pub fn report(&self, home: &Measured) -> Reported {
        let raised = self.raised_probability(home);
        let parts = [(1.0 - raised, self.body(home)), (raised, self.raised_part(home))];
        let mean: f64 = parts.iter().map(|(p, part)| p * part.mean).sum();
        let quantile = |q: f64| {
            let (mut low, mut high) = (mean - 5.0, mean + 5.0);
            for _ in 0..60 {
                let middle = f64::midpoint(low, high);
                let below: f64 = parts.iter().map(|(p, part)| p * part.below(middle)).sum();
                if below < q { low = middle } else { high = middle }
            }
            f64::midpoint(low, high)
        };
        Reported {
            factor: libm::exp(mean - home.log_ratio),
            factor_p05: libm::exp(quantile(0.05) - home.log_ratio),
            factor_p95: libm::exp(quantile(0.95) - home.log_ratio),
            z: (home.log_ratio - self.centre) / (self.variance + home.noise()).sqrt(),
        }
    }

    fn raised_probability(&self, home: &Measured) -> f64 {
        let density = |centre: f64, variance: f64| {
            let r = home.log_ratio - centre;
            libm::exp(-0.5 * r * r / variance) / variance.sqrt()
        };
        let body = (1.0 - self.raised) * density(self.centre, self.variance + home.noise());
        let raised =
            self.raised * density(self.centre + RAISED_LN, RAISED_SPREAD * RAISED_SPREAD + home.noise());
        if body + raised > 0.0 {
            raised / (body + raised)
        } else {
            f64::from(u8::from(home.log_ratio > self.centre))
        }
    }

    fn body(&self, home: &Measured) -> Part {
        Part::of(home, self.centre, self.variance)
    }

    fn raised_part(&self, home: &Measured) -> Part {
        Part::of(home, self.centre + RAISED_LN, RAISED_SPREAD * RAISED_SPREAD)
    }
}

impl Measured {
    /// Variance of the reading against the fleet's centre beyond what lies between homes.
    fn noise(&self) -> f64 {
        self.variance + self.reference_variance
    }
}

/// True value of a home, were it of one part of the prior: normal.
#[derive(Clone, Copy)]
struct Part {
    mean: f64,
    variance: f64,
}

impl Part {
    fn of(home: &Measured, centre: f64, between: f64) -> Self {
        // What the reference may be off by lies between the homes, as far as this home's own value goes.
        let between = between + home.reference_variance;
        let kept = between / (between + home.variance);
        Self { mean: centre + kept * (home.log_ratio - centre), variance: kept * home.variance }
    }

    fn below(self, x: f64) -> f64 {
        0.5 * libm::erfc(-(x - self.mean) / (2.0 * self.variance).sqrt())
    }
}

/// Fills the reported standing loss and the residual into the rows of a fleet, homes in any order, each with what [`measured`]
/// says of it.
///
/// Where too few homes have a reading the reported figures are those that were read, and the residual is null.
pub fn report_fleet<'a>(homes: impl Iterator<Item = (&'a mut HomeRow, Option<Measured>)>) {
    let mut homes: Vec<(&mut HomeRow, Option<Measured>)> = homes.collect();
    let mut known: Vec<Measured> = homes.iter().filter_map(|h| h.1).collect();
    // Sums in an order that does not depend on that of the homes.
    known.sort_by(|a, b| a.log_ratio.total_cmp(&b.log_ratio).then(a.variance.total_cmp(&b.variance)));
    let fleet = FleetLoss::fit(&known);
    for (row, measured) in &mut homes {
        let (w, p05, p95) =
            (row.standing_loss_w_per_k, row.standing_loss_w_per_k_p05, row.standing_loss_w_per_k_p95);
        let reported = fleet.zip(*measured).map(|(f, m)| f.report(&m));
        let (a, b, c) = reported.map_or((w, p05, p95), |r| {
            (w.map(|v| v * r.factor), w.map(|v| v * r.factor_p05), w.map(|v| v * r.factor_p95))
        });
        row.standing_loss_reported_w_per_k = a;
        row.standing_loss_reported_w_per_k_p05 = b;
        row.standing_loss_reported_w_per_k_p95 = c;
        row.standing_loss_z = reported.map(|r| r.z);
    }
}

/// What a home says to its fleet; `None` without a reading, or without a volume to compare with.
#[must_use]
pub fn measured(reading: &HomeReading, cylinder: &Cylinder) -> Option<Measured> {
    let loss = reading.loss.as_ref()?;
    let class_w = |class: LabelClass| Some(w_per_k_from_label(class.limit_w(cylinder.volume_l?)?));
    let (reference, reference_variance) = match cylinder.declared_loss_w_per_k {
        Some(declared) => (declared, 0.0),
        // Middle of class C.
        None => (f64::midpoint(class_w(LabelClass::B)?, class_w(LabelClass::C)?), CLASS_VARIANCE),
    };
    let log_ratio = libm::log(loss.w_per_k / reference);
    let variance = loss.log_error * loss.log_error;
    (log_ratio.is_finite() && variance.is_finite() && variance > 0.0).then_some(Measured {
        log_ratio,
        variance,
        reference_variance,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 200 homes about 5 % above the declared loss, 8 of them raised; fixed sequences stand for chance.
    fn fleet() -> Vec<(f64, Measured)> {
        (0..200)
            .map(|i| {
                let u = |k: f64| (f64::from(i) * k).fract() - 0.5;
                // Sums of three uniforms: near enough to normal.
                let of = |a: f64, b: f64, c: f64| 2.0 * (u(a) + u(b) + u(c));
                let raised = if i % 25 == 7 { 0.59 + 0.5 * (u(0.414_213) + 0.5) } else { 0.0 };
                let truth = 0.05 + 0.12 * of(0.618_034, 0.754_878, 0.569_840) + raised;
                let error = 0.05 + 0.1 * (u(0.302_775) + 0.5);
                let log_ratio = truth + error * of(0.236_068, 0.438_579, 0.645_751);
                (truth, Measured { log_ratio, variance: error * error, reference_variance: 0.0 })
            })
            .collect()
    }

    fn rmse(pairs: &[(f64, f64)]) -> f64 {
        (pairs.iter().map(|(a, b)| (a - b) * (a - b)).sum::<f64>() / pairs.len() as f64).sqrt()
    }

    #[test]
    fn sound_homes_gain_and_raised_homes_do_not_lose() {
        let homes = fleet();
        let measured: Vec<Measured> = homes.iter().map(|h| h.1).collect();
        let prior = FleetLoss::fit(&measured).unwrap();
        assert!((prior.centre - 0.05).abs() < 0.03 && (prior.raised - 0.04).abs() < 0.03, "{prior:?}");
        let errors = |raised: bool| {
            let part = homes.iter().enumerate().filter(|(i, _)| (i % 25 == 7) == raised);
            let pairs: Vec<((f64, f64), (f64, f64))> = part
                .map(|(_, (truth, m))| {
                    let reported = m.log_ratio + libm::log(prior.report(m).factor);
                    ((*truth, m.log_ratio), (*truth, reported))
                })
                .collect();
            let (plain, shrunk): (Vec<_>, Vec<_>) = pairs.into_iter().unzip();
            (rmse(&plain), rmse(&shrunk))
        };
        let ((sound, sound_shrunk), (raised, raised_shrunk)) = (errors(false), errors(true));
        assert!(sound_shrunk < 0.9 * sound, "{sound_shrunk} {sound}");
        assert!(raised_shrunk < 1.15 * raised, "{raised_shrunk} {raised}");
    }

    #[test]
    fn a_raised_home_stands_out_and_the_interval_holds_the_report() {
        let measured: Vec<Measured> = fleet().iter().map(|h| h.1).collect();
        let prior = FleetLoss::fit(&measured).unwrap();
        let doubled = Measured { log_ratio: 0.75, variance: 0.0064, reference_variance: 0.0 };
        let report = prior.report(&doubled);
        assert!(report.z > 4.0 && (report.factor - 1.0).abs() < 0.06, "{report:?}");
        assert!(report.factor_p05 < report.factor && report.factor < report.factor_p95);
        let certain = Measured { variance: 1e-9, ..doubled };
        assert!((prior.report(&certain).factor - 1.0).abs() < 1e-3);
    }

    #[test]
    fn few_homes_are_no_fleet() {
        let measured: Vec<Measured> = fleet().iter().take(7).map(|h| h.1).collect();
        assert_eq!(FleetLoss::fit(&measured), None);
    }
}
