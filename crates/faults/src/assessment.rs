//! What every fault module returns, and how it becomes a row of the findings.

use drawoff_contract::results::FindingRow;
use drawoff_contract::{Fault, Outcome, Utc};

/// One fault at one home, assessed.
#[derive(Clone, Debug, PartialEq)]
pub struct Assessment {
    /// Which fault.
    pub fault: Fault,
    /// Which of the four outcomes.
    pub outcome: Outcome,
    /// Probability that it is present at the end of the period; NaN when not assessed or too little data.
    pub probability: f64,
    /// When it began, UTC ms; `None` if before the data, or not a fault.
    pub onset_ms: Option<i64>,
    /// Size of the effect, in the unit that `statistic` names.
    pub effect: f64,
    /// How far the effect lies beyond its limit, in the scale of the kind; below 0 within it; NaN when not assessed.
    pub margin: f64,
    /// What the effect is.
    pub statistic: &'static str,
    /// Days of evidence.
    pub days: usize,
    /// Extra metered energy a year, kWh: middle, 5 % and 95 % points.
    pub energy_kwh_per_year: [f64; 3],
    /// What speaks for it.
    pub evidence_for: String,
    /// What speaks against it.
    pub evidence_against: String,
    /// Name of the missing input.
    pub missing: String,
    /// Under whose story it is folded.
    pub folded_under: Option<Fault>,
}

impl Assessment {
    fn bare(fault: Fault, outcome: Outcome, statistic: &'static str) -> Self {
        Self {
            fault,
            outcome,
            probability: f64::NAN,
            onset_ms: None,
            effect: f64::NAN,
            margin: f64::NAN,
            statistic,
            days: 0,
            energy_kwh_per_year: [f64::NAN; 3],
            evidence_for: String::new(),
            evidence_against: String::new(),
            missing: String::new(),
            folded_under: None,
        }
    }

    /// An input is missing.
    #[must_use]
    pub fn not_assessed(fault: Fault, statistic: &'static str, missing: &str) -> Self {
        Self { missing: missing.to_owned(), ..Self::bare(fault, Outcome::NotAssessed, statistic) }
    }

    /// The inputs exist, but too little of them.
    #[must_use]
    pub fn too_little(fault: Fault, statistic: &'static str, why: &str) -> Self {
        Self { evidence_against: why.to_owned(), ..Self::bare(fault, Outcome::TooLittleData, statistic) }
    }

    /// Assessed: a fault when the effect reaches `limit`; `scale` is how much more makes it all but sure.
    ///
    /// The probability is 0.75 at the limit and rises to 0.98; below it falls towards 0.005. These figures come from no
    /// labels: [`crate::posterior`] replaces them by calibrated ones, made from the margin.
    #[must_use]
    pub fn judged(fault: Fault, statistic: &'static str, effect: f64, limit: f64, scale: f64) -> Self {
        if effect.is_nan() {
            return Self::too_little(fault, statistic, "the effect is not known");
        }
        let margin = (effect - limit) / scale;
        let probability = (1.0 / (1.0 + libm::exp(-(1.1 + 2.8 * margin)))).clamp(0.005, 0.98);
        let outcome = if effect >= limit { Outcome::Fault } else { Outcome::Sound };
        Self {
            probability,
            effect,
            margin,
            energy_kwh_per_year: [0.0; 3],
            ..Self::bare(fault, outcome, statistic)
        }
    }

    /// Whether it came out as a fault.
    #[must_use]
    pub fn is_fault(&self) -> bool {
        self.outcome == Outcome::Fault
    }

    /// Sets the extra energy with a relative standard error.
    #[must_use]
    pub fn with_energy(mut self, kwh_per_year: f64, relative_error: f64) -> Self {
        let half = 1.645 * relative_error * kwh_per_year.abs();
        self.energy_kwh_per_year = [kwh_per_year, kwh_per_year - half, kwh_per_year + half];
        self
    }

    /// Row of the findings.
    #[must_use]
    pub fn row(&self, home: &str) -> FindingRow {
        let known = |v: f64| v.is_finite().then_some(v);
        FindingRow {
            home: home.to_owned(),
            fault: self.fault.code().to_owned(),
            outcome: self.outcome.code().to_owned(),
            probability: known(self.probability),
            onset: self.onset_ms.filter(|_| self.is_fault()).map(Utc),
            effect: known(self.effect),
            statistic: self.statistic.to_owned(),
            margin: known(self.margin),
            evidence_days: i64::try_from(self.days).unwrap_or(i64::MAX),
            energy_kwh_per_year: known(self.energy_kwh_per_year[0]),
            energy_kwh_per_year_p05: known(self.energy_kwh_per_year[1]),
            energy_kwh_per_year_p95: known(self.energy_kwh_per_year[2]),
            evidence_for: self.evidence_for.clone(),
            evidence_against: self.evidence_against.clone(),
            missing: self.missing.clone(),
            folded_under: self.folded_under.map_or(String::new(), |f| f.code().to_owned()),
        }
    }
}
