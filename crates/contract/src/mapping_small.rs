//! The sections `[tariffs]`, `[carbon]` and `[visits]` of a mapping: which column of a small table holds what.
//!
//! Each section may be left out. Its table is then read in drawoff's own layout, which the `Default` of its mapping states.

use std::collections::BTreeMap;

use crate::fault::Fault;
use crate::mapping_hint::did_you_mean;
use crate::mapping_readings::{Stamp, TimeFormat, read_decimal, read_separator};
use crate::mapping_register::{UnitColumn, unit_column};
use crate::mapping_section::{Problems, Section};
use crate::small_tables::{CarbonBasis, CarbonKind, NOTHING_FOUND, OTHER_FOUND};

/// Length of a settlement period, minutes.
const HALF_HOUR_MIN: f64 = 30.0;

/// How a table of tariffs is laid out. Prices are in main units of the currency a kWh.
#[derive(Clone, Debug, PartialEq)]
pub struct TariffsMapping {
    /// Field separator of text files.
    pub separator: u8,
    /// Decimal sign of texts.
    pub decimal: char,
    /// Column of the tariff's name.
    pub tariff: String,
    /// Column of the price.
    pub unit_rate: String,
    /// Column of the price in the low-rate hours; an empty cell means one rate.
    pub low_rate: Option<String>,
    /// Column of the first day, ISO; an empty cell means since ever.
    pub valid_from: Option<String>,
    /// Column of the last day, ISO; an empty cell means until further notice.
    pub valid_to: Option<String>,
    /// Column that marks the default tariff.
    pub is_default: Option<String>,
    /// Currency code of the prices; `None` takes the pipeline's.
    pub currency: Option<String>,
}

impl Default for TariffsMapping {
    fn default() -> Self {
        Self {
            separator: b',',
            decimal: '.',
            tariff: "tariff".to_owned(),
            unit_rate: "unit_rate".to_owned(),
            low_rate: Some("low_rate".to_owned()),
            valid_from: Some("valid_from".to_owned()),
            valid_to: Some("valid_to".to_owned()),
            is_default: Some("is_default".to_owned()),
            currency: None,
        }
    }
}

impl TariffsMapping {
    /// Reads the section; problems are added to `problems`.
    pub(crate) fn read(mut section: Section<'_>, problems: &mut Problems<'_>) -> Option<Self> {
        let s = &mut section;
        let separator = read_separator(s, problems);
        let decimal = read_decimal(s, problems);
        let tariff = s.need_text("tariff", problems);
        let unit_rate = s.need_text("unit_rate", problems);
        let low_rate = s.text("low_rate", problems);
        let valid_from = s.text("valid_from", problems);
        let valid_to = s.text("valid_to", problems);
        let is_default = s.text("is_default", problems);
        let currency = s.need_text("currency", problems);
        section.finish(problems);
        Some(Self {
            separator,
            decimal,
            tariff: tariff?,
            unit_rate: unit_rate?,
            low_rate,
            valid_from,
            valid_to,
            is_default,
            currency: Some(currency?),
        })
    }

    /// All columns that the table must have.
    #[must_use]
    pub fn columns(&self) -> Vec<&str> {
        let more = [&self.low_rate, &self.valid_from, &self.valid_to, &self.is_default];
        [&self.tariff, &self.unit_rate]
            .into_iter()
            .chain(more.into_iter().flatten())
            .map(String::as_str)
            .collect()
    }
}

/// How a series of carbon intensities is laid out. Times are UTC.
#[derive(Clone, Debug, PartialEq)]
pub struct CarbonMapping {
    /// Field separator of text files.
    pub separator: u8,
    /// Decimal sign of texts.
    pub decimal: char,
    /// Column of the time stamp.
    pub time_column: String,
    /// How the time stamp is written: seconds or milliseconds of the epoch, or ISO with Z or an offset.
    pub time_format: TimeFormat,
    /// Which end of its interval a stamp names.
    pub stamp: Stamp,
    /// Length of an interval, minutes.
    pub interval_min: f64,
    /// Column of the intensity; factor to g/kWh.
    pub intensity: UnitColumn,
    /// Which generation it speaks of.
    pub kind: CarbonKind,
    /// Whether it was foretold or counted.
    pub basis: CarbonBasis,
}

impl Default for CarbonMapping {
    fn default() -> Self {
        Self {
            separator: b',',
            decimal: '.',
            time_column: "from".to_owned(),
            time_format: TimeFormat::Iso,
            stamp: Stamp::Start,
            interval_min: HALF_HOUR_MIN,
            intensity: UnitColumn { column: "g_per_kwh".to_owned(), factor: 1.0, offset: 0.0 },
            kind: CarbonKind::Average,
            basis: CarbonBasis::Actual,
        }
    }
}

impl CarbonMapping {
    /// Reads the section; problems are added to `problems`.
    pub(crate) fn read(mut section: Section<'_>, problems: &mut Problems<'_>) -> Option<Self> {
        let s = &mut section;
        let separator = read_separator(s, problems);
        let decimal = read_decimal(s, problems);
        let time = s.section("time", problems).and_then(|t| read_time(t, problems));
        let stamp = s.need_word("stamp", &[("start", Stamp::Start), ("end", Stamp::End)], problems);
        let interval_min = s.number("interval_min", problems);
        match interval_min {
            None => s.missing("interval_min", problems),
            Some(m) if !(m > 0.0 && m <= 1440.0) => {
                let message = "`interval_min` must be above 0 and at most 1440";
                problems.add(s.at_key("interval_min"), message, None);
            }
            Some(_) => {}
        }
        let units = [("g/kWh", (1.0, 0.0)), ("kg/kWh", (1000.0, 0.0))];
        if s.at_key("intensity") == s.at {
            s.missing("intensity", problems);
        }
        let intensity = unit_column(s, "intensity", &units, problems);
        let kind = s.need_word("kind", CarbonKind::WORDS, problems);
        let basis = s.need_word("basis", CarbonBasis::WORDS, problems);
        section.finish(problems);
        let (time_column, time_format) = time?;
        Some(Self {
            separator,
            decimal,
            time_column,
            time_format,
            stamp: stamp?,
            interval_min: interval_min?,
            intensity: intensity?,
            kind: kind?,
            basis: basis?,
        })
    }

    /// All columns that the table must have.
    #[must_use]
    pub fn columns(&self) -> Vec<&str> {
        vec![&self.time_column, &self.intensity.column]
    }
}

fn read_time(mut s: Section<'_>, problems: &mut Problems<'_>) -> Option<(String, TimeFormat)> {
    let column = s.need_text("column", problems);
    let formats =
        [("epoch_s", TimeFormat::EpochS), ("epoch_ms", TimeFormat::EpochMs), ("iso", TimeFormat::Iso)];
    let format = s.need_word("format", &formats, problems);
    s.finish(problems);
    Some((column?, format?))
}

/// How a log of visits is laid out.
#[derive(Clone, Debug, PartialEq)]
pub struct VisitsMapping {
    /// Field separator of text files.
    pub separator: u8,
    /// Decimal sign of texts.
    pub decimal: char,
    /// Column of the home's identifier.
    pub home: String,
    /// Column of the local day, ISO.
    pub date: String,
    /// Column of what was found.
    pub finding: String,
    /// Column of the parts that were fitted.
    pub parts: Option<String>,
    /// Column of the time on site, minutes.
    pub minutes: Option<String>,
    /// Words of the log, and the fault code, `nothing_found` or `other` that each stands for.
    pub words: BTreeMap<String, String>,
}

impl Default for VisitsMapping {
    fn default() -> Self {
        Self {
            separator: b',',
            decimal: '.',
            home: "home".to_owned(),
            date: "date".to_owned(),
            finding: "finding".to_owned(),
            parts: Some("parts".to_owned()),
            minutes: Some("minutes".to_owned()),
            words: BTreeMap::new(),
        }
    }
}

impl VisitsMapping {
    /// Reads the section; problems are added to `problems`.
    pub(crate) fn read(mut section: Section<'_>, problems: &mut Problems<'_>) -> Option<Self> {
        let s = &mut section;
        let separator = read_separator(s, problems);
        let decimal = read_decimal(s, problems);
        let home = s.need_text("home", problems);
        let date = s.need_text("date", problems);
        let finding = s.need_text("finding", problems);
        let parts = s.text("parts", problems);
        let minutes = s.text("minutes", problems);
        let mut words = BTreeMap::new();
        for mut entry in s.sections("words", problems) {
            let word = entry.need_text("word", problems);
            let at = entry.at_key("finding");
            let code = entry.need_text("finding", problems);
            entry.finish(problems);
            if let Some(code) = code.as_ref().filter(|c| !is_finding(c)) {
                problems.add(at, format!("`{code}` is no finding"), Some(finding_hint(code)));
            }
            words.extend(word.zip(code));
        }
        section.finish(problems);
        Some(Self { separator, decimal, home: home?, date: date?, finding: finding?, parts, minutes, words })
    }

    /// All columns that the table must have.
    #[must_use]
    pub fn columns(&self) -> Vec<&str> {
        let more = [&self.parts, &self.minutes];
        let needed = [&self.home, &self.date, &self.finding];
        needed.into_iter().chain(more.into_iter().flatten()).map(String::as_str).collect()
    }
}

/// Whether a word is a finding of a visit: a fault code, `nothing_found` or `other`.
#[must_use]
pub fn is_finding(word: &str) -> bool {
    word == NOTHING_FOUND || word == OTHER_FOUND || Fault::from_code(word).is_some()
}

/// The nearest finding, or all of them.
#[must_use]
pub fn finding_hint(word: &str) -> String {
    let codes = Fault::ALL.iter().map(|f| f.code());
    let valid: Vec<&str> = codes.chain([NOTHING_FOUND, OTHER_FOUND]).collect();
    did_you_mean(word, &valid)
}

#[cfg(test)]
mod tests {
    use crate::mapping::Mapping;
    use crate::small_tables::CarbonBasis;

    const REST: &str = r#"
[readings]
shape = "wide"
home = "h"
time = { column = "t", format = "epoch_s" }
stamp = "end"
value = "mean"
channels = [ { column = "a", channel = "probe_1", unit = "degC" } ]
[register]
home = "h"
default_zone = "UTC"
"#;

    const SMALL: &str = r#"
[tariffs]
separator = ";"
decimal = ","
tariff = "Name"
unit_rate = "Price"
currency = "EUR"
[carbon]
time = { column = "t", format = "epoch_s" }
stamp = "end"
interval_min = 60
intensity = { column = "kg", unit = "kg/kWh" }
kind = "marginal"
basis = "forecast"
[visits]
home = "Asset"
date = "Day"
finding = "Found"
words = [ { word = "element renewed", finding = "element_open" } ]
"#;

    #[test]
    fn sections_are_read() {
        let mapping = Mapping::parse("m", &format!("{REST}{SMALL}")).unwrap();
        assert_eq!((mapping.tariffs.separator, mapping.tariffs.decimal), (b';', ','));
        assert_eq!(mapping.tariffs.columns(), ["Name", "Price"]);
        assert_eq!(mapping.tariffs.currency.as_deref(), Some("EUR"));
        assert_eq!((mapping.carbon.intensity.factor, mapping.carbon.interval_min), (1000.0, 60.0));
        assert_eq!(mapping.carbon.basis, CarbonBasis::Forecast);
        assert_eq!(mapping.visits.words["element renewed"], "element_open");
    }

    #[test]
    fn sections_left_out_mean_our_own_layout() {
        let mapping = Mapping::parse("m", REST).unwrap();
        assert_eq!(mapping.carbon.columns(), ["from", "g_per_kwh"]);
        assert_eq!(mapping.visits.columns(), ["home", "date", "finding", "parts", "minutes"]);
        assert_eq!(mapping.tariffs.currency, None);
    }

    #[test]
    fn all_problems_come_at_once_by_line() {
        let bad = SMALL
            .replace("currency = \"EUR\"", "curency = \"EUR\"")
            .replace("unit = \"kg/kWh\"", "unit = \"kg/kW\"")
            .replace("interval_min = 60", "interval_min = 0")
            .replace("finding = \"element_open\"", "finding = \"element_opn\"");
        let errors = Mapping::parse("m", &format!("{REST}{bad}")).unwrap_err();
        let all: Vec<String> = errors.iter().map(ToString::to_string).collect();
        let all = all.join("\n");
        assert_eq!(errors.len(), 5, "{all}");
        for part in [
            "m line 13: `tariffs` needs the key `currency`",
            "m line 18: `curency` is not a key of `tariffs`",
            "m line 22: `interval_min` must be above 0",
            "m line 23: `kg/kW` is no value of `unit`",
            "did you mean `element_open`?",
        ] {
            assert!(all.contains(part), "{part} is not in\n{all}");
        }
    }
}
