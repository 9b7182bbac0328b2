//! What every fault module returns, and how it becomes a row of the findings.

use drawoff_contract::results::FindingRow;
use drawoff_contract::{Fault, Outcome, Utc};

use crate::evidence::{LEAST_WINDOWS, Sequence};

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
    /// What the effect is.
    pub statistic: &'static str,
    /// Effect from which it is called, in the same unit; NaN when not assessed or too little data.
    pub limit: f64,
    /// How much more effect makes it all but sure, in the same unit; NaN as the limit.
    pub scale: f64,
    /// Standard error of the effect, in the same unit; NaN where no windows were weighed.
    pub standard_error: f64,
    /// Chance of such windows if the effect were just at the limit; NaN where no windows were weighed.
    pub p_value: f64,
    /// Independent windows (days or heats) that speak for it; 0 where none were weighed.
    pub windows: usize,
    /// Sum of their log-likelihood ratios, natural log; NaN where none were weighed.
    pub log_odds: f64,
    /// 95 % interval of the onset, UTC ms; `None` if it may lie before the data, or no windows were weighed.
    pub onset_from_ms: Option<i64>,
    /// Its other end.
    pub onset_to_ms: Option<i64>,
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
            statistic,
            limit: f64::NAN,
            scale: f64::NAN,
            standard_error: f64::NAN,
            p_value: f64::NAN,
            windows: 0,
            log_odds: f64::NAN,
            onset_from_ms: None,
            onset_to_ms: None,
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
            limit,
            scale,
            energy_kwh_per_year: [0.0; 3],
            ..Self::bare(fault, outcome, statistic)
        }
    }

    /// Adds what the windows show; `start_ms` gives the start of a window.
    ///
    /// A fault that is no matter of safety and has fewer windows than [`LEAST_WINDOWS`] is not called: one odd day is none.
    /// Where nothing else told the onset, the windows do.
    #[must_use]
    pub fn with_windows(mut self, shown: &Sequence, start_ms: impl Fn(usize) -> i64) -> Self {
        self.standard_error = shown.standard_error;
        self.p_value = shown.p_value;
        self.windows = shown.windows;
        self.log_odds = shown.log_odds;
        if !self.is_fault() {
            return self;
        }
        let at = |i: usize| (i > 0).then(|| start_ms(i));
        if let Some((from, to)) = shown.onset_range {
            self.onset_from_ms = at(from);
            self.onset_to_ms = Some(start_ms(to));
        }
        if self.onset_ms.is_none() {
            // Windows before the first that is known may have held it too.
            self.onset_ms = shown.onset_range.filter(|r| r.0 > 0).and(shown.onset).and_then(at);
        }
        if shown.windows < LEAST_WINDOWS && !self.fault.is_safety() {
            self.outcome = Outcome::Sound;
            self.probability = self.probability.min(0.5);
            self.evidence_against =
                format!("Seen {} times only; it takes {LEAST_WINDOWS} to call it.", shown.windows);
        }
        self
    }

    /// How far the effect lies beyond its limit, in the scale of the kind; below 0 within it; NaN when not assessed.
    #[must_use]
    pub fn margin(&self) -> f64 {
        (self.effect - self.limit) / self.scale
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
            margin: known(self.margin()),
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
