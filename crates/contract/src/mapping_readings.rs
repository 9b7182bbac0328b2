//! The `[readings]` section of a mapping: shape, time, home and channels of a foreign export.

use chrono_tz::Tz;

use crate::mapping_hint::did_you_mean;
use crate::mapping_section::{Problems, Section};
use crate::mapping_unit::Unit;
use crate::readings::{Channel, MAX_PROBES, Shape};

/// How rows of readings are laid out.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadingsMapping {
    /// One row a home and instant, or one row a home, instant and channel.
    pub shape: Shape,
    /// Column of the home's identifier.
    pub home: String,
    /// Column of the time stamp.
    pub time_column: String,
    /// How the time stamp is written.
    pub time_format: TimeFormat,
    /// Zone of time stamps without one; `None` when the export's times carry their own.
    pub zone: Option<Tz>,
    /// Which end of its interval a stamp names.
    pub stamp: Stamp,
    /// Whether powers and flows are means over the interval or were read at the stamp.
    pub value: ValueKind,
    /// Length of an interval, minutes; needed for stamps at the start and for interval energies.
    pub cadence_min: Option<f64>,
    /// Values, in the export's own unit, that stand for "no value".
    pub sentinels: Vec<f64>,
    /// From which end the export numbers its probes.
    pub probe_order: ProbeOrder,
    /// Value columns (wide shape).
    pub wide: Vec<WideColumn>,
    /// Column of the channel's name (long shape).
    pub channel_column: String,
    /// Column of the value (long shape).
    pub value_column: String,
    /// Channel names (long shape).
    pub long: Vec<LongName>,
    /// Field separator of text files.
    pub separator: u8,
    /// Decimal sign of text files.
    pub decimal: char,
}

/// How a time stamp is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeFormat {
    /// Seconds since 1970-01-01T00:00Z.
    EpochS,
    /// Milliseconds since 1970-01-01T00:00Z.
    EpochMs,
    /// Microseconds since 1970-01-01T00:00Z.
    EpochUs,
    /// The file's own timestamp type, with or without a zone.
    Timestamp,
    /// ISO 8601 text, with or without an offset.
    Iso,
}

/// Which end of its interval a stamp names.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stamp {
    /// The start: the cadence is added when values are means.
    Start,
    /// The end, as in the contract.
    End,
}

/// What powers and flows are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ValueKind {
    /// Means over the interval, as in the contract.
    Mean,
    /// Read at the stamp; taken as the mean of the interval that ends there, and never moved.
    Instant,
}

/// From which end an export numbers its probes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ProbeOrder {
    /// Probe 1 is the highest, as in the contract.
    TopFirst,
    /// Probe 1 is the lowest; the number of probes of a home comes from the register's heights.
    BaseFirst,
}

/// One value column of a wide export.
#[derive(Clone, Debug, PartialEq)]
pub struct WideColumn {
    /// Column name in the export.
    pub column: String,
    /// What it holds; probes in the export's own numbering.
    pub channel: Channel,
    /// Its unit.
    pub unit: Unit,
    /// Whether a file may lack the column: its values are then absent.
    pub optional: bool,
}

/// One channel name of a long export.
#[derive(Clone, Debug, PartialEq)]
pub struct LongName {
    /// Name in the export; `{n}` stands for a number and `{nn}` for a number of exactly two digits.
    pub name: String,
    /// What it holds.
    pub target: Target,
    /// Its unit.
    pub unit: Unit,
}

/// What a channel name of a long export stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Target {
    /// One channel; probes in the export's own numbering.
    Channel(Channel),
    /// The probe with the number in the name.
    NumberedProbe,
}

const CHANNEL_WORDS: &[(&str, Channel)] = &[
    ("power_lower", Channel::Power(0)),
    ("power_upper", Channel::Power(1)),
    ("call_lower", Channel::Call(0)),
    ("call_upper", Channel::Call(1)),
    ("register", Channel::Register),
    ("surroundings", Channel::Surroundings),
    ("inlet", Channel::Inlet),
    ("flow", Channel::Flow),
    ("export", Channel::Export),
    ("pump", Channel::Pump),
    ("coil_flow", Channel::CoilFlow),
    ("coil_return", Channel::CoilReturn),
];

/// The word of a channel in mappings: `probe_1` is the first probe.
#[must_use]
pub fn channel_word(channel: Channel) -> String {
    match channel {
        Channel::Probe(i) => format!("probe_{}", i + 1),
        other => CHANNEL_WORDS.iter().find(|(_, c)| *c == other).map_or("", |(w, _)| w).to_owned(),
    }
}

fn channel_of_word(word: &str) -> Option<Channel> {
    if let Some((_, channel)) = CHANNEL_WORDS.iter().find(|(w, _)| *w == word) {
        return Some(*channel);
    }
    probe(word.strip_prefix("probe_")?)
}

fn probe(digits: &str) -> Option<Channel> {
    let number: u8 = digits.parse().ok()?;
    (number >= 1 && usize::from(number) <= MAX_PROBES).then(|| Channel::Probe(number - 1))
}

impl ReadingsMapping {
    /// What a channel name of a long export holds, and its unit; `None` for a name the mapping does not know.
    #[must_use]
    pub fn channel_of_name(&self, name: &str) -> Option<(Channel, Unit)> {
        self.long.iter().find_map(|entry| match entry.target {
            Target::Channel(channel) => (entry.name == name).then_some((channel, entry.unit)),
            Target::NumberedProbe => Some((probe(number_in(&entry.name, name)?)?, entry.unit)),
        })
    }

    /// The channel in the contract's numbering, for a home with `probes` probes.
    ///
    /// A probe that the register does not know keeps a place beyond the known ones, so that its values stay
    /// countable; without heights its place in the cylinder is unknown anyway.
    #[must_use]
    pub fn place(&self, channel: Channel, probes: usize) -> Channel {
        match (self.probe_order, channel) {
            (ProbeOrder::BaseFirst, Channel::Probe(i)) if usize::from(i) < probes => {
                Channel::Probe(u8::try_from(probes - 1).unwrap_or(u8::MAX).saturating_sub(i))
            }
            _ => channel,
        }
    }

    /// Milliseconds added to a stamp so that it names the end of its interval.
    #[must_use]
    pub fn shift_ms(&self) -> i64 {
        match (self.stamp, self.value, self.cadence_min) {
            (Stamp::Start, ValueKind::Mean, Some(minutes)) => (minutes * 60_000.0).round() as i64,
            _ => 0,
        }
    }

    /// Number of values a row carries: mapped columns when wide, one when long.
    #[must_use]
    pub fn values_per_row(&self) -> u64 {
        if self.shape == Shape::Wide { self.wide.len() as u64 } else { 1 }
    }

    /// Reads the section; problems are added to `problems`.
    pub(crate) fn read(mut section: Section<'_>, problems: &mut Problems<'_>) -> Option<Self> {
        let at = section.at;
        let s = &mut section;
        let shape = s.need_word("shape", &[("wide", Shape::Wide), ("long", Shape::Long)], problems);
        let home = s.need_text("home", problems);
        let time = s.section("time", problems).and_then(|t| read_time(t, problems));
        let stamp = s.need_word("stamp", &[("start", Stamp::Start), ("end", Stamp::End)], problems);
        let kinds = [("mean", ValueKind::Mean), ("instant", ValueKind::Instant)];
        let value = s.need_word("value", &kinds, problems);
        let cadence_min = s.number("cadence_min", problems);
        if cadence_min.is_some_and(|m| !(m > 0.0 && m <= 1440.0)) {
            problems.add(s.at_key("cadence_min"), "`cadence_min` must be above 0 and at most 1440", None);
        }
        if stamp == Some(Stamp::Start) && value == Some(ValueKind::Mean) && cadence_min.is_none() {
            let hint = "add `cadence_min`: the contract's stamps end the interval".to_owned();
            problems.add(s.at_key("stamp"), "`stamp = \"start\"` needs `cadence_min`", Some(hint));
        }
        let sentinels = s.numbers("sentinels", problems);
        let orders = [("top_first", ProbeOrder::TopFirst), ("base_first", ProbeOrder::BaseFirst)];
        let probe_order = s.word("probe_order", &orders, problems).unwrap_or(ProbeOrder::TopFirst);
        let separator = read_separator(s, problems);
        let decimal = read_decimal(s, problems);
        let (mut wide, mut long) = (Vec::new(), Vec::new());
        let (mut channel_column, mut value_column) = (String::new(), String::new());
        let entries = s.sections("channels", problems);
        if entries.is_empty() {
            problems.add(at, "[readings] needs `channels` with at least one entry", None);
        }
        match shape {
            Some(Shape::Wide) => wide = read_wide(entries, cadence_min, problems),
            Some(Shape::Long) => {
                channel_column = s.need_text("channel_column", problems).unwrap_or_default();
                value_column = s.need_text("value_column", problems).unwrap_or_default();
                long = read_long(entries, cadence_min, problems);
            }
            None => {}
        }
        section.finish(problems);
        let (time_column, time_format, zone) = time?;
        Some(Self {
            shape: shape?,
            home: home?,
            time_column,
            time_format,
            zone,
            stamp: stamp?,
            value: value?,
            cadence_min,
            sentinels,
            probe_order,
            wide,
            channel_column,
            value_column,
            long,
            separator,
            decimal,
        })
    }
}

/// The digits that stand for `{n}` or `{nn}` of a pattern.
fn number_in<'a>(pattern: &str, name: &'a str) -> Option<&'a str> {
    let (prefix, rest) = pattern.split_once('{')?;
    let (marker, suffix) = rest.split_once('}')?;
    let digits = name.strip_prefix(prefix)?.strip_suffix(suffix)?;
    let fits = !digits.is_empty()
        && digits.bytes().all(|b| b.is_ascii_digit())
        && (marker == "n" || digits.len() == marker.len());
    fits.then_some(digits)
}

fn read_time(mut s: Section<'_>, problems: &mut Problems<'_>) -> Option<(String, TimeFormat, Option<Tz>)> {
    let column = s.need_text("column", problems);
    let formats = [
        ("epoch_s", TimeFormat::EpochS),
        ("epoch_ms", TimeFormat::EpochMs),
        ("epoch_us", TimeFormat::EpochUs),
        ("timestamp", TimeFormat::Timestamp),
        ("iso", TimeFormat::Iso),
    ];
    let format = s.need_word("format", &formats, problems);
    let zone = read_zone(&mut s, "zone", problems);
    s.finish(problems);
    Some((column?, format?, zone))
}

/// A zone of the tz database by its name.
pub(crate) fn read_zone(s: &mut Section<'_>, key: &'static str, problems: &mut Problems<'_>) -> Option<Tz> {
    let name = s.text(key, problems)?;
    match name.parse() {
        Ok(zone) => Some(zone),
        Err(_) => {
            let message = format!("`{name}` is no zone of the tz database");
            problems.add(s.at_key(key), message, Some(zone_hint(&name)));
            None
        }
    }
}

/// The nearest zone name, or what one looks like.
#[must_use]
pub fn zone_hint(name: &str) -> String {
    let names: Vec<&str> = chrono_tz::TZ_VARIANTS.iter().map(|z| z.name()).collect();
    match crate::mapping_hint::nearest(name, &names) {
        Some(near) => format!("did you mean `{near}`?"),
        None => "a zone looks like `UTC` or `Europe/Dublin`".to_owned(),
    }
}

/// The field separator of text files: one byte, a comma when not given.
pub(crate) fn read_separator(s: &mut Section<'_>, problems: &mut Problems<'_>) -> u8 {
    match s.text("separator", problems).as_deref().map(str::as_bytes) {
        None => b',',
        Some([byte]) if byte.is_ascii() && !byte.is_ascii_alphanumeric() => *byte,
        Some(_) => {
            problems.add(
                s.at_key("separator"),
                "`separator` must be one sign",
                Some("such as \";\"".to_owned()),
            );
            b','
        }
    }
}

/// The decimal sign of text files: a point when not given.
pub(crate) fn read_decimal(s: &mut Section<'_>, problems: &mut Problems<'_>) -> char {
    s.word("decimal", &[(".", '.'), (",", ',')], problems).unwrap_or('.')
}

/// A unit that suits the channel; any unit where the channel is not known.
fn read_unit(
    s: &mut Section<'_>,
    channel: Option<Channel>,
    cadence_min: Option<f64>,
    problems: &mut Problems<'_>,
) -> Option<Unit> {
    let unit = s.need_word("unit", Unit::WORDS, problems)?;
    let Some(channel) = channel else { return Some(unit) };
    if !unit.suits(channel) {
        let words = Unit::words_for(channel).join(", ");
        let message = format!("unit `{}` does not suit `{}`", unit.word(), channel_word(channel));
        problems.add(s.at_key("unit"), message, Some(format!("valid here: {words}")));
        return None;
    }
    if unit.is_interval_energy(channel) && cadence_min.is_none() {
        let message = format!("unit `{}` needs `cadence_min`", unit.word());
        let hint = "add `cadence_min`, so that the energy of an interval can become its mean power";
        problems.add(s.at_key("unit"), message, Some(hint.to_owned()));
    }
    Some(unit)
}

fn unknown_channel(s: &Section<'_>, word: &str, problems: &mut Problems<'_>) {
    let mut valid: Vec<&str> = CHANNEL_WORDS.iter().map(|(w, _)| *w).collect();
    valid.push("probe_1");
    problems.add(
        s.at_key("channel"),
        format!("`{word}` is no channel (probes are probe_1 to probe_{MAX_PROBES})"),
        Some(did_you_mean(word, &valid)),
    );
}

fn read_wide(
    entries: Vec<Section<'_>>,
    cadence_min: Option<f64>,
    problems: &mut Problems<'_>,
) -> Vec<WideColumn> {
    let mut columns: Vec<WideColumn> = Vec::new();
    for mut s in entries {
        let column = s.need_text("column", problems);
        let word = s.need_text("channel", problems);
        let optional = s.flag("optional", problems);
        let channel = word.as_deref().and_then(channel_of_word);
        if let (Some(word), None) = (&word, channel) {
            unknown_channel(&s, word, problems);
        }
        let unit = read_unit(&mut s, channel, cadence_min, problems);
        if let Some(twice) = channel.filter(|c| columns.iter().any(|w| w.channel == *c)) {
            problems.add(s.at_key("channel"), format!("`{}` is given twice", channel_word(twice)), None);
        }
        s.finish(problems);
        if let (Some(column), Some(channel), Some(unit)) = (column, channel, unit) {
            columns.push(WideColumn { column, channel, unit, optional });
        }
    }
    columns
}

fn read_long(
    entries: Vec<Section<'_>>,
    cadence_min: Option<f64>,
    problems: &mut Problems<'_>,
) -> Vec<LongName> {
    let mut names: Vec<LongName> = Vec::new();
    for mut s in entries {
        let name = s.need_text("name", problems);
        let word = s.need_text("channel", problems);
        let target = match word.as_deref() {
            Some("probe") => Some(Target::NumberedProbe),
            Some(word) => channel_of_word(word).map(Target::Channel),
            None => None,
        };
        if let (Some(word), None) = (&word, target) {
            unknown_channel(&s, word, problems);
        }
        if let (Some(name), Some(Target::NumberedProbe)) = (&name, target)
            && number_in(name, &name.replace("{nn}", "11").replace("{n}", "1")).is_none()
        {
            let hint = Some("write the number as {n} or {nn}, such as \"TT{nn}\"".to_owned());
            problems.add(s.at_key("name"), "channel `probe` needs a number in `name`", hint);
        }
        let of_unit = target.map(|target| match target {
            Target::Channel(channel) => channel,
            Target::NumberedProbe => Channel::Probe(0),
        });
        let unit = read_unit(&mut s, of_unit, cadence_min, problems);
        s.finish(problems);
        if let (Some(name), Some(target), Some(unit)) = (name, target, unit) {
            names.push(LongName { name, target, unit });
        }
    }
    names
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mapping::Mapping;

    fn long(channels: &str, more: &str) -> Result<Mapping, String> {
        let text = format!(
            "[readings]\nshape = \"long\"\nhome = \"h\"\ntime = {{ column = \"t\", format = \"epoch_s\" }}\n\
             stamp = \"end\"\nvalue = \"mean\"\nchannel_column = \"c\"\nvalue_column = \"v\"\n{more}\n\
             channels = [{channels}]\n[register]\nhome = \"h\"\ndefault_zone = \"UTC\"\n"
        );
        Mapping::parse("m", &text)
            .map_err(|errors| errors.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    }

    #[test]
    fn numbered_probes_are_counted_from_the_top() {
        let probes = "{ name = \"TT{nn}x\", channel = \"probe\", unit = \"K\" }";
        let readings = long(probes, "probe_order = \"base_first\"").unwrap().readings;
        let (channel, unit) = readings.channel_of_name("TT02x").unwrap();
        assert_eq!((channel, unit), (Channel::Probe(1), Unit::Kelvin));
        assert_eq!(readings.place(channel, 5), Channel::Probe(3));
        // Beyond what the register knows: kept, out of the way of the known ones.
        assert_eq!(readings.place(Channel::Probe(6), 5), Channel::Probe(6));
        for unknown in ["TT2x", "TT00x", "TT13x", "TT02", "TTaax", "XTT02x"] {
            assert_eq!(readings.channel_of_name(unknown), None, "{unknown}");
        }
    }

    #[test]
    fn units_that_do_not_suit_are_named() {
        let error = long("{ name = \"P\", channel = \"power_lower\", unit = \"degC\" }", "").unwrap_err();
        assert!(error.contains("line 10: unit `degC` does not suit `power_lower`"), "{error}");
        let error = long("{ name = \"P\", channel = \"power_lower\", unit = \"Wh\" }", "").unwrap_err();
        assert!(error.contains("needs `cadence_min`"), "{error}");
        let error = long("{ name = \"P\", channel = \"power_lowr\", unit = \"W\" }", "").unwrap_err();
        assert!(error.contains("did you mean `power_lower`?") && !error.contains("suit"), "{error}");
        let error = long("{ name = \"T\", channel = \"probe\", unit = \"degC\" }", "").unwrap_err();
        assert!(error.contains("{nn}"), "{error}");
    }

    #[test]
    fn stamps_at_the_start_need_the_cadence() {
        let channel = "{ name = \"P\", channel = \"power_lower\", unit = \"W\" }";
        let mut readings = long(channel, "cadence_min = 5").unwrap().readings;
        assert_eq!(readings.shift_ms(), 0);
        readings.stamp = Stamp::Start;
        assert_eq!(readings.shift_ms(), 300_000);
        readings.value = ValueKind::Instant;
        assert_eq!(readings.shift_ms(), 0);
    }
}
