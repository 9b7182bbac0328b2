//! Tariffs from a table with days of validity, as they stand on one day.

use std::collections::BTreeMap;

use drawoff_contract::Day;
use drawoff_contract::small_tables::TariffRow;

use crate::background::iso;
use crate::settings::Tariff;

const MILLION: f64 = 1_000_000.0;

/// The price of each tariff on a day, by name, and a note for each tariff without one.
///
/// A tariff is the default if any of its rows is marked. One without a price is taken at the prices that ended last, or
/// else begin first: a yearly cost needs some price.
#[must_use]
pub fn in_force(rows: &[TariffRow], day: Day) -> (Vec<Tariff>, Vec<String>) {
    let mut by_name: BTreeMap<&str, Vec<&TariffRow>> = BTreeMap::new();
    for row in rows {
        by_name.entry(&row.tariff).or_default().push(row);
    }
    let mut notes = Vec::new();
    let mut tariffs = Vec::new();
    for (name, mut prices) in by_name {
        prices.sort_by_key(|r| r.valid_from);
        let begun = |r: &&&TariffRow| r.valid_from.is_none_or(|from| from <= day);
        let ended = |r: &TariffRow| r.valid_to.is_some_and(|to| to < day);
        let latest = prices.iter().rfind(begun);
        let Some(&row) = latest.or(prices.first()) else { continue };
        if latest.is_none() || ended(row) {
            let which = match (latest, row.valid_to, row.valid_from) {
                (Some(_), Some(to), _) => format!("those that ended on {} are used", iso(to)),
                (_, _, Some(from)) => format!("those from {} are used", iso(from)),
                _ => "the first are used".to_owned(),
            };
            notes.push(format!("tariff {name:?} has no prices for {}; {which}", iso(day)));
        }
        tariffs.push(Tariff {
            name: name.to_owned(),
            unit_rate: row.unit_rate.0 as f64 / MILLION,
            low_rate: row.low_rate.map(|rate| rate.0 as f64 / MILLION),
            default: prices.iter().any(|r| r.is_default),
        });
    }
    (tariffs, notes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawoff_contract::Money;
    use drawoff_contract::money::micro;

    fn row(tariff: &str, from: Option<i32>, to: Option<i32>, price: i64) -> TariffRow {
        TariffRow {
            tariff: tariff.to_owned(),
            valid_from: from.map(Day),
            valid_to: to.map(Day),
            unit_rate: Money(price),
            low_rate: Some(Money(1)),
            is_default: false,
            currency: "GBP".to_owned(),
        }
    }

    #[test]
    fn prices_change_on_their_day() {
        let rows = [row("a", Some(11), None, 312_345), row("a", None, Some(10), 200_000)];
        let price = |day| {
            let (tariffs, notes) = in_force(&rows, Day(day));
            assert_eq!((tariffs.len(), notes.len()), (1, 0));
            micro(tariffs[0].unit_rate)
        };
        assert_eq!((price(-5), price(10), price(11), price(900)), (200_000, 200_000, 312_345, 312_345));
        assert_eq!(in_force(&rows, Day(0)).0[0].low_rate.map(micro), Some(1));
    }

    #[test]
    fn a_day_without_a_price_is_noted() {
        let rows = [row("a", Some(0), Some(5), 100), row("b", Some(30), None, 300)];
        let (tariffs, notes) = in_force(&rows, Day(10));
        assert_eq!(tariffs.iter().map(|t| micro(t.unit_rate)).collect::<Vec<_>>(), [100, 300]);
        assert_eq!(
            notes,
            [
                "tariff \"a\" has no prices for 1970-01-11; those that ended on 1970-01-06 are used",
                "tariff \"b\" has no prices for 1970-01-11; those from 1970-01-31 are used"
            ]
        );
        assert_eq!(in_force(&[], Day(0)), (Vec::new(), Vec::new()));
    }
}
