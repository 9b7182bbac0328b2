//! One row of an asset register turned into a cylinder.

use chrono_tz::Tz;

use crate::mapping_readings::{ProbeOrder, zone_hint};
use crate::mapping_register::{HeightColumn, HeightUnit, RegisterMapping, UnitColumn};
use crate::readings::{MAX_ELEMENTS, MAX_PROBES};
use crate::register::{Cylinder, DailyWindow, Element, HeatSource};

/// A cylinder, and what was wrong with its row; a fact that cannot be read is left unknown.
#[derive(Clone, Debug, PartialEq)]
pub struct RegisterRow {
    /// The cylinder; `None` when the row names no home or no valid zone.
    pub cylinder: Option<Cylinder>,
    /// Problems, each with the column it is about.
    pub problems: Vec<String>,
}

/// Reads one row; `cell` gives the trimmed text of a column, `None` when it is empty.
pub fn read_row<'r>(mapping: &RegisterMapping, cell: &dyn Fn(&str) -> Option<&'r str>) -> RegisterRow {
    let mut row = Row { mapping, cell, problems: Vec::new() };
    let cylinder = row.cylinder();
    RegisterRow { cylinder, problems: row.problems }
}

struct Row<'a, 'r> {
    mapping: &'a RegisterMapping,
    cell: &'a dyn Fn(&str) -> Option<&'r str>,
    problems: Vec<String>,
}

impl<'r> Row<'_, 'r> {
    fn cylinder(&mut self) -> Option<Cylinder> {
        let m = self.mapping;
        let Some(home) = (self.cell)(&m.home) else {
            self.problem(&m.home, "no home identifier");
            return None;
        };
        let zone = self.zone()?;
        let tank_height_m = self.number(m.tank_height.as_ref(), 0.1, 10.0);
        Some(Cylinder {
            home: home.to_owned(),
            area: self.text(m.area.as_ref()).unwrap_or_default(),
            zone,
            volume_l: self.number(m.volume.as_ref(), 5.0, 20_000.0),
            height_m: tank_height_m,
            probe_heights: self.probe_heights(tank_height_m).unwrap_or_default(),
            elements: self.elements(tank_height_m),
            heat_source: self.heat_source(),
            source_rated_w: self.number(m.source_power.as_ref(), 0.0, 200_000.0).filter(|w| *w > 0.0),
            source_lower_height: self.source_height(m.source_lower.as_ref(), tank_height_m),
            source_upper_height: self.source_height(m.source_upper.as_ref(), tank_height_m),
            declared_loss_w_per_k: self.number(m.declared_loss.as_ref(), 0.05, 100.0),
            set_point_degc: self.number(m.set_point.as_ref(), 20.0, 100.0),
            tariff: self.text(m.tariff.as_ref()),
            low_rate: self.low_rate(),
            control: self.text(m.control.as_ref()),
            occupants: self.occupants(),
            installed: self.installed(),
        })
    }

    fn problem(&mut self, column: &str, message: &str) {
        self.problems.push(format!("column `{column}`: {message}"));
    }

    fn text(&self, column: Option<&String>) -> Option<String> {
        (self.cell)(column?).map(str::to_owned)
    }

    fn zone(&mut self) -> Option<Tz> {
        let column = self.mapping.zone.as_ref();
        let Some(name) = column.and_then(|c| (self.cell)(c)) else {
            if self.mapping.default_zone.is_none() {
                self.problem(
                    &column.cloned().unwrap_or_default(),
                    "no zone, and the mapping has no `default_zone`",
                );
            }
            return self.mapping.default_zone;
        };
        let zone = name.parse().ok();
        if zone.is_none() {
            let message = format!("`{name}` is no zone of the tz database; {}", zone_hint(name));
            self.problem(&column.cloned().unwrap_or_default(), &message);
        }
        zone
    }

    fn parse(&mut self, column: &str, text: &str) -> Option<f64> {
        let number = parse_number(text, self.mapping.decimal);
        if number.is_none() {
            self.problem(column, &format!("`{text}` is no number"));
        }
        number
    }

    fn number(&mut self, from: Option<&UnitColumn>, low: f64, high: f64) -> Option<f64> {
        let from = from?;
        let text = (self.cell)(&from.column)?;
        let value = self.parse(&from.column, text)? * from.factor + from.offset;
        if (low..=high).contains(&value) {
            return Some(value);
        }
        let message = format!("`{text}` is not between {low} and {high} once converted; check the unit");
        self.problem(&from.column, &message);
        None
    }

    fn height(
        &mut self,
        column: &str,
        text: &str,
        unit: HeightUnit,
        tank_height_m: Option<f64>,
    ) -> Option<f64> {
        let value = self.parse(column, text)?;
        let height = match (unit, tank_height_m) {
            (HeightUnit::Share(whole), _) => value / whole,
            (HeightUnit::Length(per_metre), Some(tank)) => value / per_metre / tank,
            (HeightUnit::Length(_), None) => {
                self.problem(column, "a height without the height of the tank");
                return None;
            }
        };
        if (0.0..=1.0).contains(&height) {
            return Some(height);
        }
        self.problem(column, &format!("`{text}` is outside the tank; check the unit"));
        None
    }

    fn probe_heights(&mut self, tank_height_m: Option<f64>) -> Option<Vec<f64>> {
        let list = self.mapping.probe_heights.as_ref()?;
        let text = (self.cell)(&list.column)?;
        let mut heights = Vec::new();
        for item in text.split(list.list_separator.as_str()).map(str::trim).filter(|i| !i.is_empty()) {
            heights.push(self.height(&list.column, item, list.unit, tank_height_m)?);
        }
        if list.order == ProbeOrder::BaseFirst {
            heights.reverse();
        }
        if heights.len() > MAX_PROBES {
            self.problem(&list.column, &format!("more than {MAX_PROBES} probes"));
            return None;
        }
        if heights.windows(2).any(|pair| pair[0] <= pair[1]) {
            self.problem(&list.column, &format!("`{text}` does not fall from top to base; check the order"));
            return None;
        }
        Some(heights)
    }

    fn elements(&mut self, tank_height_m: Option<f64>) -> Vec<Element> {
        let m = self.mapping;
        let mut elements = Vec::new();
        for (index, columns) in [(0, &m.element_lower), (1, &m.element_upper)] {
            let Some(columns) = columns else { continue };
            let Some(rated_w) = self.number(Some(&columns.power), 0.0, 30_000.0).filter(|w| *w > 0.0) else {
                continue;
            };
            let column = &columns.height.column;
            let Some(text) = (self.cell)(column) else {
                self.problem(column, "an element without its height");
                continue;
            };
            if let Some(height) = self.height(column, text, columns.height.unit, tank_height_m) {
                elements.push(Element { index, rated_w, height });
            }
        }
        elements.extend(self.packed_elements(tank_height_m));
        elements.sort_by_key(|e: &Element| e.index);
        if elements.windows(2).any(|pair| pair[0].index == pair[1].index) {
            self.problems.push("an element is given twice; the first is kept".to_owned());
            elements.dedup_by_key(|e| e.index);
        }
        elements
    }

    fn packed_elements(&mut self, tank_height_m: Option<f64>) -> Vec<Element> {
        let Some(packed) = self.mapping.elements.as_ref() else { return Vec::new() };
        let Some(text) = (self.cell)(&packed.column) else { return Vec::new() };
        let mut elements = Vec::new();
        for item in text.split(packed.list_separator.as_str()).map(str::trim).filter(|i| !i.is_empty()) {
            let parts = match_pattern(&packed.pattern, item);
            let number = part(&parts, "n").and_then(|n| n.parse::<u8>().ok());
            let power = part(&parts, "power").and_then(|p| parse_number(p, self.mapping.decimal));
            let (Some(number @ 1..), Some(power), Some(height)) = (number, power, part(&parts, "height"))
            else {
                self.problem(&packed.column, &format!("`{item}` is not like `{}`", packed.pattern));
                continue;
            };
            if usize::from(number) > MAX_ELEMENTS {
                self.problem(&packed.column, &format!("`{item}`: at most {MAX_ELEMENTS} elements are known"));
                continue;
            }
            if let Some(height) = self.height(&packed.column, height, packed.height_unit, tank_height_m) {
                elements.push(Element { index: number - 1, rated_w: power * packed.power_factor, height });
            }
        }
        elements
    }

    fn heat_source(&mut self) -> HeatSource {
        let Some(from) = self.mapping.heat_source.as_ref() else { return HeatSource::default() };
        let Some(word) = (self.cell)(&from.column) else { return HeatSource::default() };
        from.source_of(word).unwrap_or_else(|| {
            self.problem(&from.column, &format!("`{word}` is no heat source; {}", from.hint(word)));
            HeatSource::default()
        })
    }

    fn source_height(&mut self, from: Option<&HeightColumn>, tank_height_m: Option<f64>) -> Option<f64> {
        let from = from?;
        let text = (self.cell)(&from.column)?;
        self.height(&from.column, text, from.unit, tank_height_m)
    }

    fn low_rate(&mut self) -> Option<DailyWindow> {
        let column = self.mapping.low_rate.as_ref()?;
        let text = (self.cell)(column)?;
        let window = parse_window(text);
        if window.is_none() {
            self.problem(column, &format!("`{text}` is not like `00:30+420min` or `00:30-07:30`"));
        }
        window
    }

    fn occupants(&mut self) -> Option<f64> {
        let column = self.mapping.occupants.as_ref()?;
        let text = (self.cell)(column)?;
        self.parse(column, text).filter(|n| (0.0..=1000.0).contains(n))
    }

    fn installed(&mut self) -> Option<i32> {
        let column = self.mapping.installed.as_ref()?;
        let text = (self.cell)(column)?;
        let year = text.get(..4).and_then(|y| y.parse().ok()).filter(|y| (1900..=2100).contains(y));
        if year.is_none() {
            self.problem(column, &format!("`{text}` does not begin with a year"));
        }
        year
    }
}

/// A finite number with the given decimal sign.
#[must_use]
pub fn parse_number(text: &str, decimal: char) -> Option<f64> {
    let text = text.trim();
    let number: f64 = if decimal == '.' { text.parse() } else { text.replace(decimal, ".").parse() }.ok()?;
    number.is_finite().then_some(number)
}

/// "HH:MM+NNNmin" or "HH:MM-HH:MM" as a daily window, "00:00-24:00" as the whole day; `None` for any other text, and for a window that ends
/// where it starts: nobody could say whether it is none or all of the day.
#[must_use]
pub fn parse_window(text: &str) -> Option<DailyWindow> {
    let minute = |clock: &str| -> Option<u32> {
        let (hours, minutes) = clock.trim().split_once(':')?;
        let (hours, minutes): (u32, u32) = (hours.parse().ok()?, minutes.parse().ok()?);
        (hours < 24 && minutes < 60 || (hours, minutes) == (24, 0)).then_some(hours * 60 + minutes)
    };
    let window = |start_min: u32, minutes: u32| {
        (1..=1440).contains(&minutes).then_some(DailyWindow { start_min: start_min % 1440, minutes })
    };
    if let Some((start, length)) = text.split_once('+') {
        let minutes: u32 = length.trim().strip_suffix("min")?.trim().parse().ok()?;
        return window(minute(start)?, minutes);
    }
    let (start, end) = text.split_once('-')?;
    let (start_min, end_min) = (minute(start)?, minute(end)?);
    if (start_min, end_min) == (0, 1440) {
        return window(0, 1440);
    }
    window(start_min, (end_min + 1440 - start_min) % 1440)
}

/// The texts that stand for the {placeholders} of a pattern; empty when the text does not match.
fn match_pattern<'p, 't>(pattern: &'p str, text: &'t str) -> Vec<(&'p str, &'t str)> {
    let mut parts = Vec::new();
    let mut pieces = pattern.split('{');
    let Some(mut rest) = pieces.next().and_then(|prefix| text.strip_prefix(prefix)) else {
        return Vec::new();
    };
    for piece in pieces {
        let Some((name, literal)) = piece.split_once('}') else { return Vec::new() };
        let end = if literal.is_empty() { Some(rest.len()) } else { rest.find(literal) };
        let Some(end) = end else { return Vec::new() };
        parts.push((name, &rest[..end]));
        rest = &rest[end + literal.len()..];
    }
    if rest.is_empty() { parts } else { Vec::new() }
}

fn part<'t>(parts: &[(&str, &'t str)], name: &str) -> Option<&'t str> {
    parts.iter().find(|(n, _)| *n == name).map(|(_, text)| *text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mapping::Mapping;

    const READINGS: &str = r#"
[readings]
shape = "wide"
home = "h"
time = { column = "t", format = "epoch_s" }
stamp = "end"
value = "mean"
channels = [ { column = "a", channel = "probe_1", unit = "degC" } ]
"#;

    fn read(register: &str, cells: &[(&str, &'static str)]) -> RegisterRow {
        let mapping = Mapping::parse("m", &format!("{READINGS}[register]\n{register}")).unwrap();
        read_row(&mapping.register, &|c| {
            cells.iter().find(|(n, v)| *n == c && !v.is_empty()).map(|(_, v)| *v)
        })
    }

    #[test]
    fn lengths_kelvin_and_packed_elements() {
        let row = read(
            r#"
home = "id"
default_zone = "Europe/Berlin"
volume = { column = "v", unit = "m3" }
tank_height = { column = "h", unit = "mm" }
probe_heights = { column = "p", unit = "mm", list_separator = ";", order = "base_first" }
elements = { column = "e", list_separator = ";", pattern = "EL{n}={power}kW@{height}mm", power_unit = "kW", height_unit = "mm" }
declared_loss = { column = "l", unit = "W_at_45K" }
set_point = { column = "s", unit = "K" }
low_rate = "r"
installed = "y"
"#,
            &[
                ("id", "a"),
                ("v", "0.2"),
                ("h", "1000"),
                ("p", "100;500;900"),
                ("e", "EL1=3.0kW@150mm;EL2=2.5kW@700mm"),
                ("l", "90"),
                ("s", "333.15"),
                ("r", "23:30+420min"),
                ("y", "2017-08"),
            ],
        );
        assert_eq!(row.problems, Vec::<String>::new());
        let cylinder = row.cylinder.unwrap();
        assert_eq!(cylinder.volume_l, Some(200.0));
        assert_eq!(cylinder.probe_heights, vec![0.9, 0.5, 0.1]);
        assert_eq!(cylinder.elements[1], Element { index: 1, rated_w: 2500.0, height: 0.7 });
        assert!((cylinder.declared_loss_w_per_k.unwrap() - 2.0).abs() < 1e-12);
        assert!((cylinder.set_point_degc.unwrap() - 60.0).abs() < 1e-9);
        assert_eq!(cylinder.low_rate, Some(DailyWindow { start_min: 1410, minutes: 420 }));
        assert_eq!(cylinder.installed, Some(2017));
    }

    #[test]
    fn declared_loss_a_day_at_45_k() {
        let register =
            "home = \"id\"\ndefault_zone = \"UTC\"\ndeclared_loss = { column = \"l\", unit = \"kWh/24h\" }\n";
        let row = read(register, &[("id", "a"), ("l", "1.08")]);
        // 1.08 kWh in 24 h is 45 W, at 45 K 1 W/K.
        assert!((row.cylinder.unwrap().declared_loss_w_per_k.unwrap() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn sources_have_words_power_and_heights() {
        let register = r#"
home = "id"
default_zone = "UTC"
heat_source = { column = "s", words = [ { word = "boiler", source = "coil" } ] }
source_power = { column = "kw", unit = "kW" }
source_lower = { column = "low", unit = "percent" }
source_upper = { column = "high", unit = "percent" }
"#;
        let cells = |source| [("id", "a"), ("s", source), ("kw", "18"), ("low", "5"), ("high", "45")];
        let row = read(register, &cells("boiler"));
        let cylinder = row.cylinder.unwrap();
        assert_eq!((row.problems.len(), cylinder.heat_source), (0, HeatSource::Coil));
        assert_eq!(cylinder.source_rated_w, Some(18_000.0));
        assert_eq!((cylinder.source_lower_height, cylinder.source_upper_height), (Some(0.05), Some(0.45)));
        assert_eq!(read(register, &cells("heat_pump")).cylinder.unwrap().heat_source, HeatSource::HeatPump);
        assert_eq!(read(register, &cells("")).cylinder.unwrap().heat_source, HeatSource::Element);
        let odd = read(register, &cells("heat_pum"));
        assert!(odd.problems[0].contains("did you mean `heat_pump`?"), "{:?}", odd.problems);
        assert_eq!(odd.cylinder.unwrap().heat_source, HeatSource::Element);
    }

    #[test]
    fn a_fact_that_cannot_be_read_is_unknown_and_named() {
        let register = "home = \"id\"\nzone = \"z\"\nvolume = { column = \"v\", unit = \"l\" }\n";
        let row = read(register, &[("id", "a"), ("z", "UTC"), ("v", "lots")]);
        assert_eq!(row.cylinder.unwrap().volume_l, None);
        assert_eq!(row.problems, vec!["column `v`: `lots` is no number"]);
        let row = read(register, &[("id", "a"), ("z", "Europe/Dubln")]);
        assert!(row.cylinder.is_none());
        assert!(row.problems[0].contains("Europe/Dublin"), "{:?}", row.problems);
    }

    #[test]
    fn windows() {
        assert_eq!(parse_window("00:30-07:30"), Some(DailyWindow { start_min: 30, minutes: 420 }));
        assert_eq!(parse_window("22:00-06:00"), Some(DailyWindow { start_min: 1320, minutes: 480 }));
        assert_eq!(parse_window("00:00-24:00"), Some(DailyWindow { start_min: 0, minutes: 1440 }));
        assert_eq!(parse_window("22:00-24:00"), Some(DailyWindow { start_min: 1320, minutes: 120 }));
        for none in ["midnight", "07:00-07:00", "07:00+0min", "24:30-06:00", "24:00-00:00", "07:00+1441min"] {
            assert_eq!(parse_window(none), None, "{none}");
        }
    }
}
