//! The `[register]` section of a mapping: which column of an asset register holds which fact, in which unit.

use std::collections::BTreeMap;

use chrono_tz::Tz;

use crate::mapping_hint::did_you_mean;
use crate::mapping_readings::{ProbeOrder, read_decimal, read_separator, read_zone};
use crate::mapping_section::{Problems, Section};
use crate::register::HeatSource;

/// How the asset register is laid out. A fact without a column is not known for any home.
#[derive(Clone, Debug, PartialEq)]
pub struct RegisterMapping {
    /// Field separator.
    pub separator: u8,
    /// Decimal sign.
    pub decimal: char,
    /// Column of the home's identifier.
    pub home: String,
    /// Column of the area.
    pub area: Option<String>,
    /// Column of the zone.
    pub zone: Option<String>,
    /// Zone where the register gives none.
    pub default_zone: Option<Tz>,
    /// Stored volume; factor to litres.
    pub volume: Option<UnitColumn>,
    /// Height of the tank; factor to metres. Needed where heights are lengths.
    pub tank_height: Option<UnitColumn>,
    /// Probe heights.
    pub probe_heights: Option<ListColumn>,
    /// Lower element in columns of its own.
    pub element_lower: Option<ElementColumns>,
    /// Upper element in columns of its own.
    pub element_upper: Option<ElementColumns>,
    /// All elements in one column.
    pub elements: Option<PackedElements>,
    /// What heats the water.
    pub heat_source: Option<SourceColumn>,
    /// Rated power of a source that is no element; factor to W.
    pub source_power: Option<UnitColumn>,
    /// Lower end of a coil, or intake of a pump.
    pub source_lower: Option<HeightColumn>,
    /// Upper end of a coil, or return of a pump.
    pub source_upper: Option<HeightColumn>,
    /// Declared standing loss; factor to W/K.
    pub declared_loss: Option<UnitColumn>,
    /// Thermostat set point; added to give degC after the factor.
    pub set_point: Option<UnitColumn>,
    /// Column of the tariff's name.
    pub tariff: Option<String>,
    /// Column of the low-rate hours, as "00:30+420min" or "00:30-07:30" local time.
    pub low_rate: Option<String>,
    /// Column of the heating control.
    pub control: Option<String>,
    /// Column of the number of people.
    pub occupants: Option<String>,
    /// Column of the installation year or date.
    pub installed: Option<String>,
}

/// A column of numbers, and how they turn into the contract's unit: `value * factor + offset`.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitColumn {
    /// Column name.
    pub column: String,
    /// Multiplied with.
    pub factor: f64,
    /// Added afterwards.
    pub offset: f64,
}

/// Unit of a height in the tank.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HeightUnit {
    /// A share of the height, from the base; divided by this number it is a fraction.
    Share(f64),
    /// A length above the base; divided by this number it is in metres, and by the tank's height a fraction.
    Length(f64),
}

impl HeightUnit {
    const WORDS: &'static [(&'static str, HeightUnit)] = &[
        ("fraction", Self::Share(1.0)),
        ("percent", Self::Share(100.0)),
        ("mm", Self::Length(1000.0)),
        ("cm", Self::Length(100.0)),
        ("m", Self::Length(1.0)),
    ];
}

/// One column that holds a height.
#[derive(Clone, Debug, PartialEq)]
pub struct HeightColumn {
    /// Column name.
    pub column: String,
    /// Unit.
    pub unit: HeightUnit,
}

/// The column that says what heats the water; an empty field means an element.
#[derive(Clone, Debug, PartialEq)]
pub struct SourceColumn {
    /// Column name.
    pub column: String,
    /// Words of a register that has its own, and the source that each stands for; ours are known beside them.
    pub words: BTreeMap<String, HeatSource>,
}

impl SourceColumn {
    /// The source that a word of the register stands for.
    #[must_use]
    pub fn source_of(&self, word: &str) -> Option<HeatSource> {
        self.words.get(word).copied().or_else(|| HeatSource::from_code(word))
    }

    /// The nearest word that is known, or all of them.
    #[must_use]
    pub fn hint(&self, word: &str) -> String {
        let ours = HeatSource::ALL.iter().map(|s| s.code());
        let valid: Vec<&str> = ours.chain(self.words.keys().map(String::as_str)).collect();
        did_you_mean(word, &valid)
    }
}

/// One column that holds a list of heights.
#[derive(Clone, Debug, PartialEq)]
pub struct ListColumn {
    /// Column name.
    pub column: String,
    /// Unit of each item.
    pub unit: HeightUnit,
    /// Text between items.
    pub list_separator: String,
    /// Which probe is named first.
    pub order: ProbeOrder,
}

/// An element in columns of its own; an empty power means that the cylinder has no such element.
#[derive(Clone, Debug, PartialEq)]
pub struct ElementColumns {
    /// Rated power; factor to W.
    pub power: UnitColumn,
    /// Height.
    pub height: HeightColumn,
}

/// Elements packed in one column, each like a pattern with {n}, {power} and {height}.
#[derive(Clone, Debug, PartialEq)]
pub struct PackedElements {
    /// Column name.
    pub column: String,
    /// Text between elements.
    pub list_separator: String,
    /// Pattern of one element; {n} is 1 for the lower and 2 for the upper.
    pub pattern: String,
    /// Multiplied with {power} gives W.
    pub power_factor: f64,
    /// Unit of {height}.
    pub height_unit: HeightUnit,
}

const POWER_WORDS: &[(&str, f64)] = &[("W", 1.0), ("kW", 1000.0)];

impl RegisterMapping {
    /// Reads the section; problems are added to `problems`.
    pub(crate) fn read(mut section: Section<'_>, problems: &mut Problems<'_>) -> Option<Self> {
        let s = &mut section;
        let separator = read_separator(s, problems);
        let decimal = read_decimal(s, problems);
        let home = s.need_text("home", problems);
        let area = s.text("area", problems);
        let zone = s.text("zone", problems);
        let asked_default = s.at_key("default_zone") != s.at;
        let default_zone = read_zone(s, "default_zone", problems);
        if zone.is_none() && default_zone.is_none() && !asked_default {
            let hint = Some("such as default_zone = \"Europe/Dublin\"".to_owned());
            problems.add(s.at, "[register] needs `zone` (a column) or `default_zone`", hint);
        }
        let volume = unit_column(s, "volume", &[("l", (1.0, 0.0)), ("m3", (1000.0, 0.0))], problems);
        let lengths = [("m", (1.0, 0.0)), ("cm", (0.01, 0.0)), ("mm", (0.001, 0.0))];
        let tank_height = unit_column(s, "tank_height", &lengths, problems);
        let probe_heights = read_list(s, problems);
        let element_lower = read_element(s, "element_lower", problems);
        let element_upper = read_element(s, "element_upper", problems);
        let elements = read_packed(s, problems);
        let heat_source = read_source(s, problems);
        let powers = [("W", (1.0, 0.0)), ("kW", (1000.0, 0.0))];
        let source_power = unit_column(s, "source_power", &powers, problems);
        let source_lower = height_column(s, "source_lower", problems);
        let source_upper = height_column(s, "source_upper", problems);
        // Declared figures hold at 45 K between water and surroundings; 24 h at 1 W are 0.024 kWh.
        let losses =
            [("kWh/24h", (1.0 / 0.024 / 45.0, 0.0)), ("W_at_45K", (1.0 / 45.0, 0.0)), ("W/K", (1.0, 0.0))];
        let declared_loss = unit_column(s, "declared_loss", &losses, problems);
        let temperatures = [("degC", (1.0, 0.0)), ("K", (1.0, -273.15)), ("degF", (5.0 / 9.0, -160.0 / 9.0))];
        let set_point = unit_column(s, "set_point", &temperatures, problems);
        let tariff = s.text("tariff", problems);
        let low_rate = s.text("low_rate", problems);
        let control = s.text("control", problems);
        let occupants = s.text("occupants", problems);
        let installed = s.text("installed", problems);
        let is_length = |unit: HeightUnit| matches!(unit, HeightUnit::Length(_));
        let needs_height = probe_heights.as_ref().is_some_and(|p| is_length(p.unit))
            || elements.as_ref().is_some_and(|e| is_length(e.height_unit))
            || [&element_lower, &element_upper].into_iter().flatten().any(|e| is_length(e.height.unit))
            || [&source_lower, &source_upper].into_iter().flatten().any(|h| is_length(h.unit));
        if needs_height && tank_height.is_none() {
            let hint = Some("such as tank_height = { column = \"height\", unit = \"mm\" }".to_owned());
            problems.add(s.at, "heights in lengths need `tank_height`", hint);
        }
        section.finish(problems);
        Some(Self {
            separator,
            decimal,
            home: home?,
            area,
            zone,
            default_zone,
            volume,
            tank_height,
            probe_heights,
            element_lower,
            element_upper,
            elements,
            heat_source,
            source_power,
            source_lower,
            source_upper,
            declared_loss,
            set_point,
            tariff,
            low_rate,
            control,
            occupants,
            installed,
        })
    }

    /// All columns that the register must have.
    #[must_use]
    pub fn columns(&self) -> Vec<&str> {
        let mut columns = vec![self.home.as_str()];
        let texts = [&self.area, &self.zone, &self.tariff, &self.low_rate, &self.control];
        columns.extend(
            texts.into_iter().chain([&self.occupants, &self.installed]).flatten().map(String::as_str),
        );
        let numbers =
            [&self.volume, &self.tank_height, &self.declared_loss, &self.set_point, &self.source_power];
        columns.extend(self.heat_source.iter().map(|c| c.column.as_str()));
        let heights = [&self.source_lower, &self.source_upper];
        columns.extend(heights.into_iter().flatten().map(|c| c.column.as_str()));
        columns.extend(numbers.into_iter().flatten().map(|c| c.column.as_str()));
        columns.extend(self.probe_heights.iter().map(|c| c.column.as_str()));
        columns.extend(self.elements.iter().map(|c| c.column.as_str()));
        for element in [&self.element_lower, &self.element_upper].into_iter().flatten() {
            columns.extend([element.power.column.as_str(), element.height.column.as_str()]);
        }
        columns
    }
}

/// A column with its unit, if the key is there.
pub(crate) fn unit_column(
    s: &mut Section<'_>,
    key: &'static str,
    units: &[(&str, (f64, f64))],
    problems: &mut Problems<'_>,
) -> Option<UnitColumn> {
    let mut inner = s.section_if(key, problems)?;
    let column = inner.need_text("column", problems);
    let unit = inner.need_word("unit", units, problems);
    inner.finish(problems);
    let (factor, offset) = unit?;
    Some(UnitColumn { column: column?, factor, offset })
}

fn height_column(
    s: &mut Section<'_>,
    key: &'static str,
    problems: &mut Problems<'_>,
) -> Option<HeightColumn> {
    let mut inner = s.section_if(key, problems)?;
    let column = inner.need_text("column", problems);
    let unit = inner.need_word("unit", HeightUnit::WORDS, problems);
    inner.finish(problems);
    Some(HeightColumn { column: column?, unit: unit? })
}

fn read_source(s: &mut Section<'_>, problems: &mut Problems<'_>) -> Option<SourceColumn> {
    let mut inner = s.section_if("heat_source", problems)?;
    let column = inner.need_text("column", problems);
    let sources: Vec<(&str, HeatSource)> = HeatSource::ALL.iter().map(|&s| (s.code(), s)).collect();
    let mut words = BTreeMap::new();
    for mut entry in inner.sections("words", problems) {
        let word = entry.need_text("word", problems);
        let source = entry.need_word("source", &sources, problems);
        entry.finish(problems);
        words.extend(word.zip(source));
    }
    inner.finish(problems);
    Some(SourceColumn { column: column?, words })
}

fn read_list(s: &mut Section<'_>, problems: &mut Problems<'_>) -> Option<ListColumn> {
    let mut inner = s.section_if("probe_heights", problems)?;
    let column = inner.need_text("column", problems);
    let unit = inner.need_word("unit", HeightUnit::WORDS, problems);
    let list_separator = inner.need_text("list_separator", problems);
    let orders = [("top_first", ProbeOrder::TopFirst), ("base_first", ProbeOrder::BaseFirst)];
    let order = inner.need_word("order", &orders, problems);
    inner.finish(problems);
    Some(ListColumn { column: column?, unit: unit?, list_separator: list_separator?, order: order? })
}

fn read_element(
    s: &mut Section<'_>,
    key: &'static str,
    problems: &mut Problems<'_>,
) -> Option<ElementColumns> {
    let mut inner = s.section_if(key, problems)?;
    let power = inner.need_text("power", problems);
    let power_unit = inner.need_word("power_unit", POWER_WORDS, problems);
    let height = inner.need_text("height", problems);
    let height_unit = inner.need_word("height_unit", HeightUnit::WORDS, problems);
    inner.finish(problems);
    Some(ElementColumns {
        power: UnitColumn { column: power?, factor: power_unit?, offset: 0.0 },
        height: HeightColumn { column: height?, unit: height_unit? },
    })
}

fn read_packed(s: &mut Section<'_>, problems: &mut Problems<'_>) -> Option<PackedElements> {
    let mut inner = s.section_if("elements", problems)?;
    let column = inner.need_text("column", problems);
    let list_separator = inner.need_text("list_separator", problems);
    let pattern = inner.need_text("pattern", problems);
    let power_factor = inner.need_word("power_unit", POWER_WORDS, problems);
    let height_unit = inner.need_word("height_unit", HeightUnit::WORDS, problems);
    for part in ["{n}", "{power}", "{height}"] {
        if pattern.as_ref().is_some_and(|p| !p.contains(part)) {
            let hint = Some("such as \"EL{n}={power}kW@{height}mm\"".to_owned());
            problems.add(inner.at_key("pattern"), format!("`pattern` lacks {part}"), hint);
        }
    }
    inner.finish(problems);
    Some(PackedElements {
        column: column?,
        list_separator: list_separator?,
        pattern: pattern?,
        power_factor: power_factor?,
        height_unit: height_unit?,
    })
}
