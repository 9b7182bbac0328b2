//! The small tables beside the register: tariffs, carbon intensity of the grid, and the log of visits.

use crate::cell::{Day, Money, Utc};
use crate::table;

/// What a visit log says of a visit that found no fault.
pub const NOTHING_FOUND: &str = "nothing_found";
/// What a visit log says of a visit that found something without a fault code.
pub const OTHER_FOUND: &str = "other";

table! {
    /// One row per tariff and the days that its prices hold.
    TariffRow in "tariffs" {
        /// Name as the register writes it.
        tariff: String, "";
        /// First day of these prices; null since ever.
        valid_from: Option<Day>, "";
        /// Last day of these prices; null until further notice.
        valid_to: Option<Day>, "";
        /// Price of energy.
        unit_rate: Money, "millionths of the currency a kWh";
        /// Price in the low-rate hours; null when the tariff has one rate.
        low_rate: Option<Money>, "millionths of the currency a kWh";
        /// Whether homes without a known tariff are costed at this one.
        is_default: bool, "";
        /// Currency code of the prices.
        currency: String, "";
    }
}

table! {
    /// One row per interval of the grid's carbon intensity; greenhouse gases as CO2 equivalent.
    CarbonRow in "carbon" {
        /// Start of the interval.
        from: Utc, "UTC";
        /// End of the interval.
        to: Utc, "UTC";
        /// Greenhouse gases of a kWh taken from the grid.
        g_per_kwh: f64, "g/kWh";
        /// average (of all generation) or marginal (of the generation that answers a change).
        kind: String, "";
        /// forecast or actual.
        basis: String, "";
    }
}

table! {
    /// One row per visit that was made.
    VisitLogRow in "visits" {
        /// The home's identifier, as in the readings.
        home: String, "";
        /// Local day of the visit.
        date: Day, "";
        /// Fault code of what was found, nothing_found, or other.
        finding: String, "";
        /// Parts that were fitted, in the log's words; empty when none.
        parts: String, "";
        /// Time on site; null when the log does not say.
        minutes: Option<f64>, "min";
    }
}

table! {
    /// One row per interval of a price that changes by the half-hour.
    PriceRow in "prices" {
        /// Start of the interval.
        from: Utc, "UTC";
        /// End of the interval.
        to: Utc, "UTC";
        /// Price of energy; below 0 where taking it is paid for.
        price: Money, "millionths of the currency a kWh";
    }
}

table! {
    /// One row per home whose heating was changed.
    ChangedRow in "changed" {
        /// The home's identifier, as in the readings.
        home: String, "";
        /// First local day of the new state.
        changed: Day, "";
    }
}

/// Which generation a carbon intensity speaks of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CarbonKind {
    /// All generation of the interval.
    Average,
    /// The generation that answers a change of demand.
    Marginal,
}

impl CarbonKind {
    /// Both, with the word for mappings and files.
    pub const WORDS: &'static [(&'static str, Self)] =
        &[("average", Self::Average), ("marginal", Self::Marginal)];

    /// Stable word for files.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Average => "average",
            Self::Marginal => "marginal",
        }
    }
}

/// Whether a carbon intensity was foretold or counted afterwards.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CarbonBasis {
    /// Said before the interval.
    Forecast,
    /// Counted after the interval.
    Actual,
}

impl CarbonBasis {
    /// Both, with the word for mappings and files.
    pub const WORDS: &'static [(&'static str, Self)] =
        &[("forecast", Self::Forecast), ("actual", Self::Actual)];

    /// Stable word for files.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Forecast => "forecast",
            Self::Actual => "actual",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::Table;

    #[test]
    fn rows_survive_their_table() {
        let tariffs = vec![TariffRow {
            tariff: "flat".to_owned(),
            valid_from: Some(Day(20_500)),
            valid_to: None,
            unit_rate: Money(300_000),
            low_rate: None,
            is_default: true,
            currency: "GBP".to_owned(),
        }];
        let carbon = vec![CarbonRow {
            from: Utc(0),
            to: Utc(1_800_000),
            g_per_kwh: 180.5,
            kind: CarbonKind::Average.code().to_owned(),
            basis: CarbonBasis::Actual.code().to_owned(),
        }];
        let visits = vec![VisitLogRow {
            home: "a".to_owned(),
            date: Day(20_530),
            finding: NOTHING_FOUND.to_owned(),
            parts: String::new(),
            minutes: None,
        }];
        assert_eq!(TariffRow::from_batch(&TariffRow::to_batch(tariffs.clone()).unwrap()).unwrap(), tariffs);
        assert_eq!(CarbonRow::from_batch(&CarbonRow::to_batch(carbon.clone()).unwrap()).unwrap(), carbon);
        assert_eq!(VisitLogRow::from_batch(&VisitLogRow::to_batch(visits.clone()).unwrap()).unwrap(), visits);
    }

    #[test]
    fn words_and_codes_agree() {
        assert!(CarbonKind::WORDS.iter().all(|(word, kind)| *word == kind.code()));
        assert!(CarbonBasis::WORDS.iter().all(|(word, basis)| *word == basis.code()));
    }
}
