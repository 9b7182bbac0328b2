//! A mapping says how a foreign export and its asset register turn into the contract.
//!
//! Written as TOML with the sections `[readings]` and `[register]`, and, where the small tables beside the register are laid
//! out in another way than drawoff's own, `[tariffs]`, `[carbon]` and `[visits]`; see `pipelines/mappings` for examples
//! with a comment on every line.

use toml::de::DeTable;

use crate::error::ContractError;
pub use crate::mapping_readings::{
    LongName, ProbeOrder, ReadingsMapping, Stamp, Target, TimeFormat, ValueKind, WideColumn,
};
pub use crate::mapping_register::{
    ElementColumns, HeightColumn, HeightUnit, ListColumn, PackedElements, RegisterMapping, SourceColumn,
    UnitColumn,
};
use crate::mapping_section::{Problems, Section};
pub use crate::mapping_small::{CarbonMapping, TariffsMapping, VisitsMapping};
pub use crate::mapping_unit::Unit;

/// How to read one foreign export and its register.
#[derive(Clone, Debug, PartialEq)]
pub struct Mapping {
    /// How rows of readings are laid out.
    pub readings: ReadingsMapping,
    /// How the asset register is laid out.
    pub register: RegisterMapping,
    /// How the table of tariffs is laid out.
    pub tariffs: TariffsMapping,
    /// How the series of carbon intensities is laid out.
    pub carbon: CarbonMapping,
    /// How the log of visits is laid out.
    pub visits: VisitsMapping,
}

impl Mapping {
    /// Reads a mapping. `subject` names it in errors, usually its path.
    ///
    /// # Errors
    /// All problems at once, each with its line number and the nearest valid word where one is near.
    pub fn parse(subject: &str, text: &str) -> Result<Self, Vec<ContractError>> {
        let (document, syntax) = DeTable::parse_recoverable(text);
        let mut problems = Problems::new(subject, text);
        for error in syntax {
            problems.add(error.span().map_or(0, |s| s.start), error.message(), None);
        }
        if !problems.is_empty() {
            return Err(problems.into_errors());
        }
        let mut top = Section::new("the mapping", 0, document.get_ref(), &mut problems);
        let readings = top.section("readings", &mut problems);
        let register = top.section("register", &mut problems);
        let tariffs = top.section_if("tariffs", &mut problems);
        let carbon = top.section_if("carbon", &mut problems);
        let visits = top.section_if("visits", &mut problems);
        top.finish(&mut problems);
        let readings = readings.and_then(|s| ReadingsMapping::read(s, &mut problems));
        let register = register.and_then(|s| RegisterMapping::read(s, &mut problems));
        // A section that cannot be read has left its problems behind.
        let tariffs = tariffs.and_then(|s| TariffsMapping::read(s, &mut problems)).unwrap_or_default();
        let carbon = carbon.and_then(|s| CarbonMapping::read(s, &mut problems)).unwrap_or_default();
        let visits = visits.and_then(|s| VisitsMapping::read(s, &mut problems)).unwrap_or_default();
        match (readings, register) {
            (Some(readings), Some(register)) if problems.is_empty() => {
                Ok(Self { readings, register, tariffs, carbon, visits })
            }
            _ => Err(problems.into_errors()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"
[readings]
shape = "wide"
home = "home"
time = { column = "time", format = "timestamp" }
stamp = "end"
value = "mean"
channels = [ { column = "t1", channel = "probe_1", unit = "degC" } ]
[register]
home = "home"
default_zone = "UTC"
"#;

    #[test]
    fn a_small_mapping_is_read() {
        let mapping = Mapping::parse("m.toml", GOOD).unwrap();
        assert_eq!(mapping.readings.home, "home");
        assert_eq!(mapping.readings.wide.len(), 1);
        assert_eq!(mapping.register.default_zone, Some(chrono_tz::UTC));
    }

    #[test]
    fn all_problems_come_at_once_with_lines_and_near_words() {
        let bad = GOOD
            .replace("stamp = \"end\"", "stamq = \"end\"")
            .replace("unit = \"degC\"", "unit = \"degc\"")
            .replace("default_zone = \"UTC\"", "default_zone = \"Europe/Dubln\"");
        let errors = Mapping::parse("m.toml", &bad).unwrap_err();
        let text: Vec<String> = errors.iter().map(ToString::to_string).collect();
        let all = text.join("\n");
        assert!(all.contains("m.toml line 6: `stamq` is not a key"), "{all}");
        assert!(all.contains("did you mean `stamp`?"), "{all}");
        assert!(all.contains("m.toml line 8: `degc`"), "{all}");
        assert!(all.contains("did you mean `degC`?"), "{all}");
        assert!(all.contains("m.toml line 11: `Europe/Dubln`"), "{all}");
        assert!(all.contains("Europe/Dublin"), "{all}");
        assert!(errors.iter().all(|e| e.subject.contains(" line ")), "{all}");
    }

    #[test]
    fn broken_toml_is_named_by_line() {
        let errors = Mapping::parse("m.toml", "[readings]\nshape = \"wide\nx = 1\n").unwrap_err();
        assert!(errors[0].subject.starts_with("m.toml line 2"), "{errors:?}");
    }
}
