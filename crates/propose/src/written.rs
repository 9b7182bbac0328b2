//! The whole mapping as text.

use drawoff_contract::mapping::{ProbeOrder, Unit};

use crate::balance::{Balance, balance};
use crate::channel::{Kind, Read, celsius, read_channels};
use crate::line::{Line, quoted};
use crate::order::{agreement, base_share, by_number, read_order};
use crate::places::{not_as_listed, out_of_place};
use crate::register::{Facts, RegisterTable, read_register};
use crate::sample::{Home, Sample, median, quantile};
use crate::skipped::skipped_hours;
use crate::stamps::read_stamps;

/// What the layout of an export says, before its values.
#[derive(Clone, Debug, Default)]
pub struct Export {
    /// Column of homes, with why.
    pub home: Option<(String, String)>,
    /// Whether the register lists the names in that column.
    pub home_is_listed: bool,
    /// Column of times, its format's word, and whether others could be it.
    pub time: Option<(String, &'static str, bool)>,
    /// Whether the stamps carry no zone.
    pub naive: bool,
    /// Whether the stamps are counts from 1970.
    pub counted: bool,
    /// Columns of channel and value of a long export.
    pub long: Option<(String, String)>,
    /// Separator and decimal sign of a text export.
    pub text: Option<(char, char)>,
    /// Columns that are neither numbers nor anything else that was found.
    pub left: Vec<String>,
    /// Zone that the user names for naive stamps.
    pub zone: Option<String>,
    /// Value columns that some file lacks.
    pub lacking: Vec<String>,
}

/// A proposed mapping.
#[derive(Clone, Debug)]
pub struct Proposal {
    /// TOML.
    pub text: String,
    /// Lines that a person has to look at.
    pub unsure: Vec<Line>,
    /// What proves the units.
    pub balance: Balance,
}

/// Proposes a mapping.
#[must_use]
pub fn propose(export: &Export, mut sample: Sample, register: Option<&RegisterTable>) -> Proposal {
    let names: Vec<String> = sample.homes.iter().map(|h| h.name.clone()).collect();
    let (register_lines, facts) = match register {
        Some(table) => read_register(table, &names),
        None => (no_register(), Facts::default()),
    };
    let read = read_channels(&mut sample);
    let of = |kind: Kind| (0..read.kinds.len()).filter(|&c| read.kinds[c] == kind).collect::<Vec<_>>();
    let powers = of(Kind::Power);
    let stamps = read_stamps(&sample, &powers);
    let unit = read.temperature.unwrap_or(Unit::DegC);
    let probes = by_number(&sample.columns, &of(Kind::Probe));
    let mut order = read_order(&sample, &probes, unit);
    let scale = (celsius(unit, 1.0) - celsius(unit, 0.0)).abs();
    let doubts = Doubts {
        out_of_place: out_of_place(&sample, &probes, scale),
        not_as_listed: not_as_listed(&sample, &probes, &facts.heights),
    };
    if let Some((columns, heights)) = doubts.not_as_listed {
        order.sure = false;
        order
            .reason
            .push_str(&format!("; a home has {columns} such columns, and {heights} heights in the register"));
    }
    order.sure &= doubts.out_of_place.is_empty();
    let mut from_base = probes.clone();
    if order.order == ProbeOrder::TopFirst {
        from_base.reverse();
    }
    let energy = Energy::of(&sample, &powers, &of(Kind::Register), &facts, &probes, unit, stamps.cadence_min);

    let mut lines = layout(export, &facts, &sample);
    let has_power = !powers.is_empty() || !of(Kind::Flow).is_empty();
    lines.push(match (stamps.at_end, has_power) {
        (Some(true), _) => Line::sure("stamp = \"end\"", &stamps.at_end_reason),
        (Some(false), _) => Line::sure("stamp = \"start\"", &stamps.at_end_reason),
        (None, _) => Line::unsure(
            "stamp = \"end\"",
            &stamps.at_end_reason,
            "what the logger's manual says of its stamps",
        ),
    });
    lines.push(match (stamps.mean, has_power) {
        (_, false) => Line::sure("value = \"mean\"", "there is no power and no flow that it could be about"),
        (Some(true), _) => Line::sure("value = \"mean\"", &stamps.mean_reason),
        (Some(false), _) => Line::sure("value = \"instant\"", &stamps.mean_reason),
        (None, _) => Line::unsure(
            "value = \"mean\"",
            &stamps.mean_reason,
            "what the logger's manual says of its powers",
        ),
    });
    if stamps.cadence_min.is_finite() {
        lines.push(Line::when(
            stamps.cadence_share > 0.8,
            format!("cadence_min = {}", stamps.cadence_min),
            format!("{:.0} % of the stamps follow each other at that distance", 100.0 * stamps.cadence_share),
            "whether homes report at different intervals",
        ));
    }
    if !read.sentinels.is_empty() {
        let list = read.sentinels.iter().map(|(v, _)| format!("{v}")).collect::<Vec<_>>().join(", ");
        let counts = read
            .sentinels
            .iter()
            .map(|(v, n)| format!("{v} stands {n} times, far from the rest"))
            .collect::<Vec<_>>();
        lines.push(Line::sure(format!("sentinels = [{list}]"), counts.join("; ")));
    }
    let word = if order.order == ProbeOrder::TopFirst { "top_first" } else { "base_first" };
    lines.push(Line::when(
        order.sure,
        format!("probe_order = \"{word}\""),
        &order.reason,
        "which probe is the highest",
    ));
    let entries = channels(export, &sample, &read, (&probes, &doubts, order.sure), &from_base, &energy);
    let mut text = String::from(
        "# Proposed from the readings: every line has its reason beside it. Whoever knows better is right; look at each line marked UNSURE,\n\
         # then let `drawoff check` show the balance of energy and what is rejected.\n\n[readings]\n",
    );
    let mut unsure = Vec::new();
    let mut add = |line: &Line, indent: &str| {
        if line.unsure.is_some() {
            unsure.push(line.clone());
        }
        text.push_str(&format!("{indent}{}\n", line.written()));
    };
    lines.iter().for_each(|l| add(l, ""));
    add(&Line::sure("channels = [", format!("units: {}", energy.balance.told())), "");
    entries.iter().for_each(|l| add(l, "  "));
    add(&Line::sure("]", "end of the channels"), "");
    let section = if register.is_some() { "the register" } else { "no register was given" };
    add(&Line::sure("\n[register]", section), "");
    register_lines.iter().for_each(|l| add(l, ""));
    Proposal { text, unsure, balance: energy.balance }
}

fn no_register() -> Vec<Line> {
    let look = "a register, and propose again with it";
    vec![
        Line::unsure("home = \"home\"", "no register was given", look),
        Line::unsure("default_zone = \"UTC\"", "no register was given", look),
    ]
}

fn layout(export: &Export, facts: &Facts, sample: &Sample) -> Vec<Line> {
    let mut lines = Vec::new();
    if let Some((separator, decimal)) = export.text {
        lines.push(Line::sure(
            format!("separator = {}", quoted(&separator.to_string())),
            "it gives every line as many fields",
        ));
        lines.push(Line::sure(format!("decimal = \"{decimal}\""), "numbers are written so"));
    }
    match &export.long {
        Some((channel, value)) => {
            lines.push(Line::sure(
                "shape = \"long\"",
                "a home and stamp has many rows, each with the name of its channel",
            ));
            lines.push(Line::sure(
                format!("channel_column = {}", quoted(channel)),
                "few texts, which come again at every home",
            ));
            lines.push(Line::sure(
                format!("value_column = {}", quoted(value)),
                "the only column of numbers that is left",
            ));
        }
        None => lines.push(Line::sure(
            "shape = \"wide\"",
            "a home and stamp has one row with many columns of numbers",
        )),
    }
    lines.push(match &export.home {
        Some((home, reason)) => Line::when(
            export.home_is_listed,
            format!("home = {}", quoted(home)),
            reason,
            "whether it names homes: no register lists them",
        ),
        None => Line::unsure(
            "home = \"home\"",
            "no column looks like one of homes",
            "which column says whose row it is",
        ),
    });
    if let Some((column, format, others)) = &export.time {
        let (zone, sure, reason) = zone_of(export, facts, sample);
        let zone = zone.map(|z| format!(", zone = {}", quoted(&z))).unwrap_or_default();
        lines.push(Line::when(
            sure && !others,
            format!("time = {{ column = {}, format = \"{format}\"{zone} }}", quoted(column)),
            format!(
                "its values are instants; {reason}{}",
                if *others { "; other columns could be it too" } else { "" }
            ),
            "the zone, and which column is the stamp",
        ));
    }
    lines
}

/// Zone of naive stamps, whether that is sure, and why.
fn zone_of(export: &Export, facts: &Facts, sample: &Sample) -> (Option<String>, bool, String) {
    if export.counted {
        return counted_zone(facts, sample);
    }
    if !export.naive {
        return (None, true, "they carry their zone".to_owned());
    }
    if let Some(zone) = &export.zone {
        return (Some(zone.clone()), true, "the zone was given".to_owned());
    }
    let Some(zone) = &facts.zone else {
        return (
            Some("UTC".to_owned()),
            false,
            "they carry no zone, and the register names not exactly one".to_owned(),
        );
    };
    match zone.parse().ok().and_then(|tz| skipped_hours(tz, sample)) {
        Some((skipped, 0)) if skipped > 0 => (
            Some(zone.clone()),
            true,
            format!(
                "no home has a row in the hour that its change of clocks skips, {skipped} have rows around it"
            ),
        ),
        Some((skipped, rows)) if rows > skipped => (
            Some("UTC".to_owned()),
            false,
            format!(
                "{rows} rows stand in the hour that the clocks of {zone} skip, so it is not its local time"
            ),
        ),
        _ => (
            Some(zone.clone()),
            false,
            "they carry no zone; it is the register's, and no change of clocks in the readings proves it"
                .to_owned(),
        ),
    }
}

/// Counts from 1970 are in UTC; loggers that count on the local clock give themselves away only where it skips an hour.
fn counted_zone(facts: &Facts, sample: &Sample) -> (Option<String>, bool, String) {
    let zone = facts.zone.as_ref().and_then(|z| Some((z, z.parse().ok()?)));
    let Some((zone, tz)) = zone else {
        let reason = "they count from 1970; the register names not exactly one zone whose clock could have counted instead of UTC";
        return (None, false, reason.to_owned());
    };
    match skipped_hours(tz, sample) {
        Some((_, rows)) if rows > 0 => (
            None,
            true,
            format!(
                "they count from 1970 in UTC: {rows} rows stand in the hour that the clocks of {zone} skip"
            ),
        ),
        Some((homes, _)) if homes > 0 => (
            None,
            false,
            format!(
                "they count from 1970, and no home has a row in the hour that the clocks of {zone} skip, so they seem to count on the local \
                 clock, which no mapping can say: write them as local times, or in UTC"
            ),
        ),
        _ => (
            None,
            false,
            format!(
                "they count from 1970; no change of clocks in the readings tells UTC from the local clock of {zone}"
            ),
        ),
    }
}

/// What speaks against columns that look like water.
struct Doubts {
    out_of_place: Vec<usize>,
    /// Such columns of a home, and its heights in the register.
    not_as_listed: Option<(usize, usize)>,
}

/// Air that is colder than this (99 of 100) may as well be the weather's, degC: rooms with cylinders stay above (common practice, no source).
const COLDEST_ROOM_DEGC: f64 = 5.0;

/// Units of power and register, settled by the balance.
struct Energy {
    power: Option<Unit>,
    register: Option<Unit>,
    balance: Balance,
    power_sure: bool,
    register_sure: bool,
}

impl Energy {
    fn of(
        sample: &Sample,
        powers: &[usize],
        registers: &[usize],
        facts: &Facts,
        probes: &[usize],
        unit: Unit,
        cadence: f64,
    ) -> Self {
        let volume = |h: &Home| facts.volume_l.get(&h.name).copied();
        let degc =
            |h: &Home, i: usize| probes.iter().map(|&c| celsius(unit, h.values[c][i])).collect::<Vec<f64>>();
        let of_power = |factor: f64| {
            let sum = move |h: &Home, a: usize, b: usize| {
                let row =
                    |i: usize| powers.iter().map(|&c| h.values[c][i]).filter(|v| v.is_finite()).sum::<f64>();
                (a + 1..=b).map(row).sum::<f64>() * factor
            };
            balance(&sample.homes, &volume, &degc, &sum)
        };
        let of_register = |factor: f64| {
            let step = move |h: &Home, a: usize, b: usize| {
                registers.iter().map(|&c| h.values[c][b] - h.values[c][a]).sum::<f64>() * factor
            };
            balance(&sample.homes, &volume, &degc, &step)
        };
        let hours = cadence / 60.0;
        let power_units =
            [(Unit::W, hours), (Unit::KW, 1000.0 * hours), (Unit::Wh, 1.0), (Unit::KWh, 1000.0)];
        let (power, power_balance, power_sure) = if powers.is_empty() {
            (None, None, false)
        } else {
            settle(&power_units, &of_power, by_size(sample, powers, cadence))
        };
        let register_units = [(Unit::Wh, 1.0), (Unit::KWh, 1000.0)];
        let (register, register_balance, register_sure) = if registers.is_empty() {
            (None, None, false)
        } else {
            settle(&register_units, &of_register, None)
        };
        let none = Balance { ratio: f64::NAN, pieces: 0 };
        Self {
            power,
            register,
            balance: power_balance.or(register_balance).unwrap_or(none),
            power_sure,
            register_sure,
        }
    }
}

/// The unit whose balance closes; without a balance the one that the size of the values suggests.
fn settle(
    units: &[(Unit, f64)],
    of: &dyn Fn(f64) -> Balance,
    likely: Option<Unit>,
) -> (Option<Unit>, Option<Balance>, bool) {
    let found: Vec<(Unit, Balance)> =
        units.iter().map(|(u, f)| (*u, of(*f))).filter(|(_, b)| b.closes()).collect();
    match found.as_slice() {
        [(unit, balance)] => (Some(*unit), Some(*balance), true),
        _ => (likely.or(units.first().map(|u| u.0)), units.first().map(|u| of(u.1)), false),
    }
}

/// Full power of a domestic element is 0.5 to 15 kW (common practice, no source).
fn by_size(sample: &Sample, powers: &[usize], _cadence: f64) -> Option<Unit> {
    let full = powers.iter().map(|&c| {
        let on: Vec<f64> = sample.sorted(c).into_iter().filter(|v| *v > 0.0).collect();
        quantile(&on, 0.8)
    });
    let full = median(&full.collect::<Vec<_>>());
    if (500.0..15_000.0).contains(&full) {
        Some(Unit::W)
    } else {
        (0.5..15.0).contains(&full).then_some(Unit::KW)
    }
}

fn channels(
    export: &Export,
    sample: &Sample,
    read: &Read,
    (probes, doubts, ordered): (&[usize], &Doubts, bool),
    from_base: &[usize],
    energy: &Energy,
) -> Vec<Line> {
    let long = export.long.is_some();
    let entry = |c: usize, channel: &str, unit: Unit| {
        let name = &sample.columns[c];
        let optional = if !long && export.lacking.contains(name) { ", optional = true" } else { "" };
        let key = if long { "name" } else { "column" };
        format!(
            "{{ {key} = {}, channel = \"{channel}\", unit = \"{}\"{optional} }},",
            quoted(name),
            unit.word()
        )
    };
    let of = |kind: Kind| (0..read.kinds.len()).filter(|&c| read.kinds[c] == kind).collect::<Vec<_>>();
    let mut lines = Vec::new();
    let unit = read.temperature.unwrap_or(Unit::DegC);
    let closes = energy.balance.closes();
    let look = "the balance of energy: no register, or too little heating, to prove the unit";
    let doubt = |c: Option<usize>| match (doubts.not_as_listed, c) {
        _ if read.temperature.is_none() => Some(look),
        (_, Some(c)) if doubts.out_of_place.contains(&c) => {
            Some("whether it is water: it does not keep its place among the others")
        }
        (_, None) if !doubts.out_of_place.is_empty() => {
            Some("whether all are water: some do not keep their places among the others")
        }
        (Some(_), _) => {
            Some("whether it is water in the cylinder: the register lists another number of heights")
        }
        _ => None,
    };
    match pattern(sample, probes).filter(|_| long) {
        Some(pattern) => lines.push(Line::when(
            doubt(None).is_none(),
            format!("{{ name = {}, channel = \"probe\", unit = \"{}\" }},", quoted(&pattern), unit.word()),
            format!("{} of them are water; {}", probes.len(), read.temperature_reason),
            doubt(None).unwrap_or_default(),
        )),
        None => {
            for (i, &c) in probes.iter().enumerate() {
                let mean = celsius(unit, quantile(&sample.sorted(c), 0.5));
                let reason =
                    format!("water of {mean:.0} degC on half of its stamps; {}", read.temperature_reason);
                lines.push(Line::when(
                    doubt(Some(c)).is_none(),
                    entry(c, &format!("probe_{}", i + 1), unit),
                    reason,
                    doubt(Some(c)).unwrap_or_default(),
                ));
            }
        }
    }
    let powers = of(Kind::Power);
    let mut by_element: Vec<(f64, usize)> = powers
        .iter()
        .map(|&c| {
            let others: Vec<usize> = powers.iter().copied().filter(|&o| o != c).collect();
            (base_share(sample, from_base, c, &others), c)
        })
        .collect();
    // The one that warms the base most is the lower.
    by_element.sort_by(|a, b| b.0.total_cmp(&a.0));
    let clear = match by_element.as_slice() {
        [(lower, _), (upper, _), ..] => lower - upper > 0.1,
        [(only, _)] => *only > 0.5,
        [] => true,
    };
    for (i, (share, c)) in by_element.iter().take(2).enumerate() {
        let channel = ["power_lower", "power_upper"][i];
        let power_unit = energy.power.unwrap_or(Unit::W);
        let reason = format!(
            "on for part of the day, and the water warms; the lowest probes take {share:.2} of the mean rise; {}",
            energy.balance.told()
        );
        let look = if energy.power_sure { "which element it is" } else { look };
        lines.push(Line::when(
            energy.power_sure && clear && ordered,
            entry(*c, channel, power_unit),
            reason,
            look,
        ));
    }
    let mut switches = of(Kind::Switch);
    for (i, (_, power)) in by_element.iter().take(2).enumerate() {
        // A switch belongs to the power that it is on with, and seldom without.
        let fit = |s: usize| {
            let (of_power, of_switch) = agreement(sample, *power, s);
            of_power.min(of_switch)
        };
        let Some(switch) = switches.iter().copied().max_by(|a, b| fit(*a).total_cmp(&fit(*b))) else {
            continue;
        };
        let (of_power, of_switch) = agreement(sample, *power, switch);
        if fit(switch) > 0.4 {
            switches.retain(|s| *s != switch);
            let channel = ["call_lower", "call_upper"][i];
            let reason = format!(
                "0 and 1, on at {:.0} % of the stamps of that power, which is on at {:.0} % of its own",
                100.0 * of_power,
                100.0 * of_switch
            );
            // What decides is that no other switch comes near: a heater may be called in vain, and short heats lie between stamps.
            let next = of(Kind::Switch).into_iter().filter(|s| *s != switch).map(&fit).fold(0.0, f64::max);
            let sure = fit(switch) > 0.6 && fit(switch) - next > 0.3;
            lines.push(Line::when(
                sure,
                entry(switch, channel, Unit::Bool),
                reason,
                "whether it is the call for heat",
            ));
        }
    }
    let registers = of(Kind::Register);
    for (i, &c) in registers.iter().enumerate() {
        let register_unit = energy.register.unwrap_or(Unit::Wh);
        let text = entry(c, "register", register_unit);
        let text = if i > 0 { format!("# {text}") } else { text };
        let alone = registers.len() == 1;
        let look = if alone { look } else { "which of them counts all the energy of the cylinder" };
        let reason = format!("it only counts up; {}", energy.balance.told());
        lines.push(Line::when(energy.register_sure && alone, text, reason, look));
    }
    let airs = of(Kind::Surroundings);
    for (i, &c) in airs.iter().enumerate() {
        let text = entry(c, "surroundings", unit);
        let text = if i > 0 { format!("# {text}") } else { text };
        let coldest = celsius(unit, quantile(&sample.sorted(c), 0.01));
        let reason = format!(
            "never warm and never quick: air, not water beside a draw-off; {coldest:.0} degC at its coldest"
        );
        let look = match (airs.len(), coldest < COLDEST_ROOM_DEGC) {
            (2.., _) => "which of them is the room of the cylinder",
            (_, true) => "whether it is the room of the cylinder, or the weather, or no temperature at all",
            _ => look,
        };
        let sure = airs.len() == 1 && coldest >= COLDEST_ROOM_DEGC && (closes || read.temperature.is_some());
        lines.push(Line::when(sure, text, reason, look));
    }
    let left = of(Kind::Unknown)
        .into_iter()
        .chain(of(Kind::Flow))
        .chain(switches)
        .chain(by_element.iter().skip(2).map(|e| e.1));
    for c in left {
        let why = match read.kinds[c] {
            Kind::Flow => "flows while the water cools, and its unit is not told by the readings",
            Kind::Switch => "0 and 1, and follows no power",
            _ => "too few values, or none that is a temperature, power, register or switch",
        };
        lines.push(Line::unsure(
            format!("# {}", quoted(&sample.columns[c])),
            why,
            "the export's own description",
        ));
    }
    for name in &export.left {
        lines.push(Line::unsure(
            format!("# {}", quoted(name)),
            "no column of numbers",
            "whether it is needed",
        ));
    }
    lines
}

/// `TT{nn}` for TT01, TT02, ...; `None` where names are not of one such form.
fn pattern(sample: &Sample, probes: &[usize]) -> Option<String> {
    let split = |c: &usize| {
        let name = &sample.columns[*c];
        let start = name.find(|ch: char| ch.is_ascii_digit())?;
        let digits = name[start..].bytes().take_while(u8::is_ascii_digit).count();
        Some((&name[..start], digits, &name[start + digits..]))
    };
    let forms: Vec<(&str, usize, &str)> = probes.iter().map(split).collect::<Option<_>>()?;
    let (prefix, digits, suffix) = *forms.first()?;
    let same = forms.iter().all(|f| f.0 == prefix && f.2 == suffix);
    let same_length = forms.iter().all(|f| f.1 == digits);
    let marker = if same_length && digits == 2 { "{nn}" } else { "{n}" };
    (same && probes.len() > 1).then(|| format!("{prefix}{marker}{suffix}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_on_the_local_clock_are_never_sure() {
        let export = Export { counted: true, ..Export::default() };
        let facts = Facts { zone: Some("Europe/London".to_owned()), ..Facts::default() };
        assert!(
            zone_of(&export, &facts, &around_the_change(false)).1,
            "rows in the hour that the clocks skip"
        );
        let (zone, sure, reason) = zone_of(&export, &facts, &around_the_change(true));
        assert!(zone.is_none() && !sure && reason.contains("local clock"), "{reason}");
        assert!(!zone_of(&export, &facts, &Sample::default()).1, "no change of clocks tells");
    }

    /// Rows every five minutes around the spring change of Europe/London, 29 March 2026, with or without the hour that it skips.
    fn around_the_change(skips: bool) -> Sample {
        // 2026-03-28T00:00 on the local clock.
        const START_MIN: i64 = 29_577_600;
        let stamps = (0..576).map(|i| START_MIN + 5 * i);
        let is_skipped = |m: &i64| (60..120).contains(&(m - START_MIN - 1440));
        let time_ms: Vec<i64> = stamps.filter(|m| !(skips && is_skipped(m))).map(|m| m * 60_000).collect();
        let values = vec![vec![50.0; time_ms.len()]];
        let home = Home { name: "a".to_owned(), time_ms, values };
        Sample { columns: vec!["t".to_owned()], homes: vec![home] }
    }

    #[test]
    fn a_change_of_clocks_proves_a_zone_or_refutes_it() {
        let export = Export { naive: true, ..Export::default() };
        let facts = Facts { zone: Some("Europe/London".to_owned()), ..Facts::default() };
        let (zone, sure, _) = zone_of(&export, &facts, &around_the_change(true));
        assert_eq!((zone.as_deref(), sure), (Some("Europe/London"), true));
        let (zone, sure, _) = zone_of(&export, &facts, &around_the_change(false));
        assert_eq!((zone.as_deref(), sure), (Some("UTC"), false));
        let (zone, sure, _) = zone_of(&export, &facts, &Sample::default());
        assert_eq!((zone.as_deref(), sure), (Some("Europe/London"), false));
        let given = Export { zone: Some("Europe/Dublin".to_owned()), ..export };
        assert!(zone_of(&given, &facts, &Sample::default()).1);
    }

    #[test]
    fn names_cannot_break_out_of_their_line() {
        let line =
            Line::unsure(format!("home = {}", quoted("a\"\n[register]\u{1b}")), "a\nb", "c\rd").written();
        assert_eq!(line.lines().count(), 1, "{line:?}");
        assert!(line.starts_with("home = \"a\\\"\\u000A[register]\\u001B\""), "{line}");
    }
}
