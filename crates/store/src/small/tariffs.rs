//! The table of tariffs.

use std::path::Path;

use drawoff_contract::mapping::TariffsMapping;
use drawoff_contract::small_tables::TariffRow;
use drawoff_contract::{ContractError, Day, Money};

use super::Small;
use super::lines::{Layout, Line, lines};

const MILLION: f64 = 1_000_000.0;
/// No household pays this for a kWh in a currency of everyday use; a price above it is in another unit.
const DEAREST: f64 = 1000.0;

/// Reads tariffs, in the order of the file. `currency` is the pipeline's, for a mapping that names none.
///
/// A row that overlaps the days of an earlier one of the same name is left out.
///
/// # Errors
/// When the file cannot be read, mapped columns are missing, or no row can be used.
pub fn read_tariffs(
    path: &Path,
    mapping: &TariffsMapping,
    currency: &str,
) -> Result<Small<TariffRow>, ContractError> {
    let layout = Layout {
        section: "tariffs",
        key: "inputs.tariffs",
        separator: mapping.separator,
        decimal: mapping.decimal,
        columns: mapping.columns(),
    };
    let lines = lines(path, layout)?;
    let currency = mapping.currency.as_deref().unwrap_or(currency);
    let mut small = Small { rows: Vec::new(), problems: lines.broken.clone(), remarks: Vec::new() };
    for line in lines.rows() {
        match row(&line, mapping, currency).and_then(|row| distinct(row, &small.rows)) {
            Ok(row) => small.rows.push(row),
            Err(message) => small.problems.push(line.problem(&message)),
        }
    }
    if small.rows.is_empty() {
        let mut error =
            lines.whole("no tariff could be read", "one line a tariff, below a line of column names");
        if let Some(first) = small.problems.first() {
            error.message = format!("{}; {first}", error.message);
        }
        return Err(error);
    }
    Ok(small)
}

fn row(line: &Line<'_>, m: &TariffsMapping, currency: &str) -> Result<TariffRow, String> {
    let day = |column: &Option<String>| column.as_ref().map_or(Ok(None), |c| line.day(c));
    let tariff = line.need(&m.tariff)?.to_owned();
    let (valid_from, valid_to) = (day(&m.valid_from)?, day(&m.valid_to)?);
    if valid_from.zip(valid_to).is_some_and(|(from, to)| to < from) {
        return Err(format!("tariff `{tariff}` ends before it begins"));
    }
    let unit_rate = price(line, &m.unit_rate)?
        .ok_or_else(|| format!("column `{}`: tariff `{tariff}` has no price", m.unit_rate))?;
    let low_rate = m.low_rate.as_ref().map_or(Ok(None), |c| price(line, c))?;
    let is_default = m.is_default.as_ref().map_or(Ok(false), |c| flag(line, c))?;
    Ok(TariffRow {
        tariff,
        valid_from,
        valid_to,
        unit_rate,
        low_rate,
        is_default,
        currency: currency.to_owned(),
    })
}

/// Main units to millionths, half to even.
fn price(line: &Line<'_>, column: &str) -> Result<Option<Money>, String> {
    let Some(price) = line.number(column)? else { return Ok(None) };
    if (0.0..DEAREST).contains(&price) {
        return Ok(Some(Money((price * MILLION).round_ties_even() as i64)));
    }
    Err(format!("column `{column}`: {price} is not between 0 and {DEAREST}; prices are main units a kWh"))
}

fn flag(line: &Line<'_>, column: &str) -> Result<bool, String> {
    match line.text(column).map(str::to_ascii_lowercase).as_deref() {
        None | Some("false" | "no" | "0") => Ok(false),
        Some("true" | "yes" | "1") => Ok(true),
        Some(other) => Err(format!("column `{column}`: `{other}` is neither true nor false")),
    }
}

fn distinct(row: TariffRow, before: &[TariffRow]) -> Result<TariffRow, String> {
    let start = |r: &TariffRow| r.valid_from.unwrap_or(Day(i32::MIN));
    let end = |r: &TariffRow| r.valid_to.unwrap_or(Day(i32::MAX));
    let overlaps = |r: &&TariffRow| r.tariff == row.tariff && start(r) <= end(&row) && start(&row) <= end(r);
    match before.iter().find(overlaps) {
        Some(_) => {
            Err(format!("tariff `{}` has prices for these days already; the first are kept", row.tariff))
        }
        None => Ok(row),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::testing::{strings, write_parquet, write_text};
    use arrow::array::{BooleanArray, Date32Array, Float64Array};
    use std::sync::Arc;

    fn read(text: &str, mapping: &TariffsMapping) -> Result<Small<TariffRow>, ContractError> {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("tariffs.csv");
        write_text(&path, text);
        read_tariffs(&path, mapping, "GBP")
    }

    #[test]
    fn bad_rows_are_named_and_the_rest_is_kept() {
        let text = "tariff,valid_from,valid_to,unit_rate,low_rate,is_default\n\
                    flat,,2026-03-31,0.3,,true\n\
                    flat,2026-04-01,,0.286201,,yes\n\
                    flat,2026-04-02,,0.29,,\n\
                    ,,,0.1,,\n\n\
                    night,,,cheap,0.09,\n\
                    dear,,,3000,,\n\
                    back,2026-02-01,2026-01-01,0.1,,\n\
                    odd,,,0.1,,maybe\n\
                    two,,,0.3,0.09,0\n";
        let small = read(text, &TariffsMapping::default()).unwrap();
        let kept: Vec<_> =
            small.rows.iter().map(|r| (r.tariff.as_str(), r.unit_rate.0, r.is_default)).collect();
        assert_eq!(kept, [("flat", 300_000, true), ("flat", 286_201, true), ("two", 300_000, false)]);
        assert_eq!((small.rows[2].low_rate, small.rows[0].currency.as_str()), (Some(Money(90_000)), "GBP"));
        let problems: Vec<String> = small.problems.iter().map(ToString::to_string).collect();
        for (i, part) in [
            "line 4: tariff `flat` has prices for these days already",
            "line 5: column `tariff`: the cell is empty",
            "line 7: column `unit_rate`: `cheap` is no number",
            "line 8: column `unit_rate`: 3000 is not between 0 and 1000",
            "line 9: tariff `back` ends before it begins",
            "line 10: column `is_default`: `maybe` is neither true nor false",
        ]
        .into_iter()
        .enumerate()
        {
            assert!(problems[i].contains(part), "{part} is not in {}", problems[i]);
        }
        assert_eq!(problems.len(), 6);
    }

    #[test]
    fn foreign_texts_and_columns() {
        let mapping = TariffsMapping {
            separator: b';',
            decimal: ',',
            tariff: "Name".to_owned(),
            unit_rate: "Preis".to_owned(),
            low_rate: None,
            valid_from: None,
            valid_to: None,
            is_default: None,
            currency: Some("EUR".to_owned()),
        };
        let small = read("Name;Preis\nTag;0,3125\n", &mapping).unwrap();
        assert_eq!((small.rows[0].unit_rate, small.rows[0].currency.as_str()), (Money(312_500), "EUR"));
        let error = read("Name;Price\nTag;0,3\n", &mapping).unwrap_err().to_string();
        assert!(error.contains("column `Preis` is missing") && error.contains("Price"), "{error}");
        let error = read("Name,Preis\nTag,0.3\n", &mapping).unwrap_err().to_string();
        assert!(error.contains("check `separator` of [tariffs]"), "{error}");
        let error = read("Name;Preis\nTag;x\n", &mapping).unwrap_err().to_string();
        assert!(error.contains("no tariff could be read") && error.contains("`x` is no number"), "{error}");
    }

    #[test]
    fn parquet_gives_the_same_rows() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("tariffs.parquet");
        write_parquet(
            &path,
            vec![
                ("tariff", strings(&["flat", "two"])),
                ("unit_rate", Arc::new(Float64Array::from(vec![0.286_201, -0.3]))),
                ("low_rate", Arc::new(Float64Array::from(vec![None, Some(0.09)]))),
                ("valid_from", Arc::new(Date32Array::from(vec![Some(20_541), None]))),
                ("valid_to", Arc::new(Date32Array::from(vec![None, None]))),
                ("is_default", Arc::new(BooleanArray::from(vec![true, false]))),
            ],
            10,
        );
        for decimal in ['.', ','] {
            let mapping = TariffsMapping { decimal, ..TariffsMapping::default() };
            let small = read_tariffs(&path, &mapping, "GBP").unwrap();
            let expected = TariffRow {
                tariff: "flat".to_owned(),
                valid_from: Some(Day(20_541)),
                valid_to: None,
                unit_rate: Money(286_201),
                low_rate: None,
                is_default: true,
                currency: "GBP".to_owned(),
            };
            assert_eq!(small.rows, [expected]);
            assert!(small.problems[0].to_string().contains("row 2: column `unit_rate`: -0.3"), "{small:?}");
        }
    }
}
