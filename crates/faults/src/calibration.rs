//! From the margin of an assessment to a probability: one curve a kind of fault, fitted where the truth is known.
//!
//! The curve is a logistic (Platt, Advances in Large Margin Classifiers, 1999, from memory) with a slope of its own on each side
//! of the limit, since an effect just short of it and one just beyond are not equally told apart. Kinds with few cases
//! are drawn towards the curve of all kinds pooled, see [`fit`].

pub mod fit;

use std::collections::BTreeMap;

use drawoff_contract::{ContractError, Fault};

/// Margins beyond these count as these: far from the limit the margin says nothing more.
pub const WIDEST_MARGIN: f64 = 4.0;
/// Days of evidence at which [`Curve::days`] counts nothing: a month.
const USUAL_DAYS: f64 = 30.0;

/// The curves as `drawoff calibrate` left them.
const BUILT_IN: &str = include_str!("calibration/curves.csv");
/// Before the names of curves of calls.
const CALL: &str = "call:";
const COLUMNS: &str = "fault,intercept,below,beyond,days,homes,present";

/// Log-odds of one kind of fault as a function of the margin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Curve {
    /// Log-odds at the limit, after [`USUAL_DAYS`] of evidence.
    pub intercept: f64,
    /// Rise for each unit of margin below the limit, 0 or more.
    pub below: f64,
    /// Rise for each unit of margin beyond the limit, 0 or more.
    pub beyond: f64,
    /// Rise where the days of evidence are e times as many.
    pub days: f64,
    /// Homes that it was fitted on.
    pub homes: usize,
    /// Of these, homes that had the fault.
    pub present: usize,
}

/// What a curve looks at: a constant, the margin on either side of the limit, and the days of evidence.
pub const FEATURES: usize = 4;

/// The features of a margin; `None` when it is not known.
#[must_use]
pub fn features(margin: f64, evidence_days: i64) -> Option<[f64; FEATURES]> {
    if margin.is_nan() {
        return None;
    }
    let margin = margin.clamp(-WIDEST_MARGIN, WIDEST_MARGIN);
    let days = libm::log((1.0 + evidence_days.max(0) as f64) / (1.0 + USUAL_DAYS));
    Some([1.0, margin.min(0.0), margin.max(0.0), days])
}

impl Curve {
    /// Coefficients in the order of [`features`].
    #[must_use]
    pub fn coefficients(&self) -> [f64; FEATURES] {
        [self.intercept, self.below, self.beyond, self.days]
    }

    /// Log-odds that the fault is present, were no other possible; `None` when the margin is not known.
    #[must_use]
    pub fn log_odds(&self, margin: f64, evidence_days: i64) -> Option<f64> {
        let features = features(margin, evidence_days)?;
        Some(self.coefficients().iter().zip(features).map(|(c, f)| c * f).sum())
    }

    /// Log-odds of the prevalence that the curve was fitted at, of half a home more on each side; 0 without homes.
    #[must_use]
    pub fn prevalence_log_odds(&self) -> f64 {
        libm::log((self.present as f64 + 0.5) / (self.homes.saturating_sub(self.present) as f64 + 0.5))
    }
}

/// The curves of all kinds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibration {
    /// By kind; a kind without a curve has the pooled one.
    pub curves: BTreeMap<Fault, Curve>,
    /// All kinds as one.
    pub pooled: Option<Curve>,
    /// Log-odds that a home at which a kind is called has any fault at all; a kind without a curve has the one of all calls.
    pub calls: BTreeMap<Fault, Curve>,
    /// Calls of all kinds as one; `None` where calls were not fitted.
    pub all_calls: Option<Curve>,
    /// Findings that another explains: cases, and how many of them were there all the same.
    pub folded: (usize, usize),
    /// Where the cases come from, in a sentence.
    pub origin: String,
}

impl Calibration {
    /// The curves that come with the program.
    ///
    /// # Errors
    /// When the table in the source is damaged; a test guards it.
    pub fn built_in() -> Result<Self, ContractError> {
        Self::parse(BUILT_IN)
    }

    /// Reads the table that [`Calibration::table`] writes.
    ///
    /// # Errors
    /// Names the line that is not a curve.
    pub fn parse(text: &str) -> Result<Self, ContractError> {
        let mut out = Self::default();
        for (number, line) in text.lines().enumerate() {
            if let Some(origin) = line.strip_prefix("# ") {
                origin.clone_into(&mut out.origin);
                continue;
            }
            if line.is_empty() || line == COLUMNS {
                continue;
            }
            let wrong = || {
                ContractError::new(
                    format!("calibration line {}", number + 1),
                    format!("{line:?} is no curve"),
                )
                .with_hint("make the table again with `drawoff calibrate`")
            };
            let cells: Vec<&str> = line.split(',').collect();
            let [name, numbers @ ..] = cells.as_slice() else { return Err(wrong()) };
            let numbers: Vec<f64> = numbers.iter().filter_map(|c| c.parse().ok()).collect();
            let [intercept, below, beyond, days, homes, present] = numbers[..] else { return Err(wrong()) };
            let (homes, present) = (homes as usize, present as usize);
            let curve = Curve { intercept, below, beyond, days, homes, present };
            let call = name.strip_prefix(CALL);
            match (call.unwrap_or(name), Fault::from_code(call.unwrap_or(name))) {
                (_, Some(fault)) => {
                    let curves = if call.is_some() { &mut out.calls } else { &mut out.curves };
                    curves.insert(fault, curve);
                }
                ("pooled", None) if call.is_some() => out.all_calls = Some(curve),
                ("pooled", None) => out.pooled = Some(curve),
                ("folded", None) => out.folded = (homes, present),
                // A kind that this version does not know.
                _ => {}
            }
        }
        Ok(out)
    }

    /// The table, one line a curve.
    #[must_use]
    pub fn table(&self) -> String {
        let line = |name: &str, c: &Curve| {
            format!(
                "{name},{:.4},{:.4},{:.4},{:.4},{},{}\n",
                c.intercept, c.below, c.beyond, c.days, c.homes, c.present
            )
        };
        let mut out = format!("# {}\n{COLUMNS}\n", self.origin);
        out.extend(self.pooled.iter().map(|c| line("pooled", c)));
        out.extend(self.curves.iter().map(|(fault, c)| line(fault.code(), c)));
        out.extend(self.all_calls.iter().map(|c| line(&format!("{CALL}pooled"), c)));
        out.extend(self.calls.iter().map(|(fault, c)| line(&format!("{CALL}{}", fault.code()), c)));
        let (homes, present) = self.folded;
        out.push_str(&format!("folded,0,0,0,0,{homes},{present}\n"));
        out
    }

    /// The curve of a kind; `None` only where there is no curve at all.
    #[must_use]
    pub fn curve(&self, fault: Fault) -> Option<&Curve> {
        self.curves.get(&fault).or(self.pooled.as_ref())
    }

    /// Probability that nothing at all is wrong at a home at which a kind is called with this margin; `None` where calls were not
    /// fitted.
    #[must_use]
    pub fn doubt(&self, fault: Fault, margin: f64, evidence_days: i64) -> Option<f64> {
        let curve = self.calls.get(&fault).or(self.all_calls.as_ref())?;
        Some(1.0 / (1.0 + libm::exp(curve.log_odds(margin, evidence_days)?)))
    }

    /// Probability that a finding that another explains is there all the same, of half a case more on each side.
    #[must_use]
    pub fn folded_probability(&self) -> f64 {
        let (cases, present) = self.folded;
        (present as f64 + 0.5) / (cases as f64 + 1.0)
    }

    /// The same curves for a fleet in which kinds are as frequent as stated.
    ///
    /// The log-odds move by the difference of the log-odds of the two prevalences (Bayes' rule); evidence is as it was.
    #[must_use]
    pub fn at_prevalence(mut self, stated: &BTreeMap<Fault, f64>) -> Self {
        let pooled = self.pooled;
        for (&fault, &share) in stated.iter().filter(|(_, p)| (0.0..1.0).contains(*p) && **p > 0.0) {
            if let Some(curve) = self.curves.get(&fault).copied().or(pooled) {
                let moved = libm::log(share / (1.0 - share)) - curve.prevalence_log_odds();
                self.curves.insert(fault, Curve { intercept: curve.intercept + moved, ..curve });
            }
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve() -> Curve {
        Curve { intercept: 0.5, below: 2.0, beyond: 1.0, days: 0.0, homes: 99, present: 9 }
    }

    #[test]
    fn a_margin_has_one_side() {
        // By hand: 0.5 + 2 x (-1.5), 0.5 + 1 x 2, and the margin of 9 counts as 4.
        assert_eq!(curve().log_odds(-1.5, 30), Some(-2.5));
        assert_eq!(curve().log_odds(2.0, 30), Some(2.5));
        assert_eq!(curve().log_odds(9.0, 30), Some(4.5));
        assert_eq!(curve().log_odds(f64::NAN, 30), None);
    }

    #[test]
    fn the_table_is_read_as_it_was_written() {
        let made = Calibration {
            curves: BTreeMap::from([(Fault::LeakSteady, curve())]),
            pooled: Some(Curve { intercept: -1.25, ..curve() }),
            calls: BTreeMap::from([(Fault::StuckOn, Curve { beyond: 0.5, ..curve() })]),
            all_calls: Some(Curve { below: 0.0, ..curve() }),
            folded: (40, 3),
            origin: "Two invented fleets.".to_owned(),
        };
        assert_eq!(Calibration::parse(&made.table()).unwrap(), made);
        let error = Calibration::parse("leak_steady,1,2\n").unwrap_err().to_string();
        assert!(error.contains("line 1") && error.contains("drawoff calibrate"), "{error}");
    }

    #[test]
    fn the_built_in_table_has_a_curve_for_every_kind() {
        let built_in = Calibration::built_in().unwrap();
        assert!(!built_in.origin.is_empty());
        for &fault in Fault::ALL {
            let curve = built_in.curve(fault).unwrap();
            assert!(curve.below >= 0.0 && curve.beyond >= 0.0, "{fault:?}");
        }
    }

    #[test]
    fn a_rarer_fault_is_less_probable_by_bayes() {
        let made =
            Calibration { curves: BTreeMap::from([(Fault::LeakSteady, curve())]), ..Calibration::default() };
        let at = made.at_prevalence(&BTreeMap::from([(Fault::LeakSteady, 0.01)]));
        // Fitted at 9.5 to 90.5, stated as 1 to 99.
        let moved = libm::log(1.0 / 99.0) - libm::log(9.5 / 90.5);
        assert!((at.curves[&Fault::LeakSteady].intercept - (0.5 + moved)).abs() < 1e-12);
    }
}
