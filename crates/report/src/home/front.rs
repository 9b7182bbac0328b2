//! The cold front rising through quiet hours of a leak, beside the same hours without it.

use drawoff_contract::local;
use drawoff_contract::results::EvidenceRow;
use drawoff_contract::{Fault, Utc};

use super::HomeStory;
use super::heights::{Column, Picture, bands, probe_heights, svg, y_of};
use super::tables::{folded, head};
use crate::words;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// Length of the hours that are shown.
const SHOWN_MS: i64 = 8 * HOUR_MS;
const COLUMNS: usize = 32;
/// Cells of one shade side by side that one of the two pictures may have at most.
const MOST_RUNS: usize = 100;
/// Water as warm as this is hot water to whoever draws it: the front is where it ends.
const HOT_DEGC: f64 = 40.0;
/// Share of the columns that must have readings.
const SEEN: f64 = 0.8;
/// How the hours are chosen, by what they begin with and what people do in them, never by what the front does: hours with heating (as a
/// share), the largest draw-off (a leak itself shows as many small ones), cold water at the beginning (as a share), hours from the night.
const PER_HEATED_SHARE: f64 = 10.0;
const PER_LITRE: f64 = 0.1;
const PER_COLD_SHARE: f64 = 10.0;
const PER_HOUR_BY_DAY: f64 = 0.25;
/// The night, local hours, as the daybook has it.
const NIGHT_START_H: i64 = 22;

/// What of the water is hot, from the top down, as a share of the volume; `None` without readings. The front between two probes is where a
/// straight line from one to the other passes the limit.
fn hot_share(column: &Column, centres: &[f64]) -> Option<f64> {
    let known: Vec<(f64, f64)> =
        centres.iter().zip(&column.degc).filter(|(_, v)| !v.is_nan()).map(|(c, v)| (*c, *v)).collect();
    let first = known.first()?;
    if first.1 < HOT_DEGC {
        return Some(0.0);
    }
    let pair = known.windows(2).find(|w| w[1].1 < HOT_DEGC);
    Some(pair.map_or(1.0, |w| w[0].0 + (w[0].1 - HOT_DEGC) / (w[0].1 - w[1].1) * (w[1].0 - w[0].0)))
}

/// Whether hot water leaves round the clock, or only while it heats; `None` where no leak is found.
fn leak(story: &HomeStory) -> Option<Fault> {
    let fault = Fault::from_code(&story.visit.as_ref()?.fault)?;
    matches!(fault, Fault::LeakSteady | Fault::LeakHeating).then_some(fault)
}

/// Eight hours after the onset and the same hours of a day before it, ms: those that are quietest and nearest to the night; of a leak while
/// heating, those with most heating.
fn hours(
    story: &HomeStory,
    fault: Fault,
    centres: &[f64],
    picture: impl Fn(i64) -> Vec<Column>,
    span: (i64, i64),
) -> Option<(i64, i64)> {
    let onset = story.visit.as_ref()?.since?.0;
    let seen = |columns: &[Column]| {
        let with = columns.iter().filter(|c| c.degc.iter().any(|v| !v.is_nan())).count();
        with as f64 >= SEEN * columns.len() as f64
    };
    let heated = |columns: &[Column]| columns.iter().filter(|c| c.on).count() as f64 / columns.len() as f64;
    let drawn = |from: i64| -> f64 {
        let own = story.draws.iter().filter(|d| (from..from + SHOWN_MS).contains(&d.start.0));
        own.map(|d| d.litres).fold(0.0, f64::max)
    };
    let cold = |columns: &[Column]| 1.0 - columns.iter().find_map(|c| hot_share(c, centres)).unwrap_or(0.0);
    let for_heat = if fault == Fault::LeakHeating { -1.0 } else { 1.0 };
    let mut best: Option<(f64, (i64, i64))> = None;
    let mut after = (onset.max(span.0) + HOUR_MS - 1) / HOUR_MS * HOUR_MS;
    while after + SHOWN_MS <= span.1 {
        let now = picture(after);
        for days in 1..=3 {
            let before = after - days * DAY_MS;
            if before < span.0 || before + SHOWN_MS > onset {
                continue;
            }
            let then = picture(before);
            if !seen(&now) || !seen(&then) {
                continue;
            }
            let hour = i64::from(local::minute_of_day(story.zone(), after)) / 60;
            let from_night = (hour - NIGHT_START_H).rem_euclid(24).min((NIGHT_START_H - hour).rem_euclid(24));
            let cost = for_heat * PER_HEATED_SHARE * (heated(&now) + heated(&then))
                + PER_LITRE * (drawn(after) + drawn(before))
                + PER_COLD_SHARE * (cold(&now) + cold(&then))
                + PER_HOUR_BY_DAY * from_night as f64;
            if best.is_none_or(|(least, _)| cost < least) {
                best = Some((cost, (before, after)));
            }
        }
        after += HOUR_MS;
    }
    best.map(|(_, hours)| hours)
}

/// Both pictures with their table; words where the data hold no time without the leak; empty where none is found.
pub(super) fn figure(story: &HomeStory, rows: &[&EvidenceRow]) -> String {
    let Some(fault) = leak(story) else { return String::new() };
    let probes = rows.iter().map(|r| r.probes_degc.len()).max().unwrap_or(0);
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return String::new() };
    // Two probes and a span that a calendar can hold.
    if probes < 2 || last.time.0.saturating_sub(first.time.0) > 60 * DAY_MS || first.time.0 < 0 {
        return String::new();
    }
    let bands = bands(probe_heights(story), probes);
    let centres: Vec<f64> = bands.iter().map(|(from, to)| f64::midpoint(*from, *to)).collect();
    let picture =
        |from_ms: i64| Picture { rows, bands: &bands, from_ms, span_ms: SHOWN_MS, columns: COLUMNS };
    let chosen =
        hours(story, fault, &centres, |from| picture(from).columns(), (first.time.0 - 1, last.time.0));
    let Some((before, after)) = chosen else {
        let why = match story.visit.as_ref().and_then(|v| v.since) {
            None => {
                "Hot water leaves from the first day of the data on: they hold no night without it to set beside."
            }
            Some(_) => "The readings kept hold no quiet hours both before and after it began.",
        };
        return format!("<p class=\"aside\">{why}</p>\n");
    };
    let one = |id: &str, from_ms: i64, title: &str| {
        let mut picture = picture(from_ms);
        let columns = picture.readable(MOST_RUNS, 8);
        let shares: Vec<Option<f64>> = columns.iter().map(|c| hot_share(c, &centres)).collect();
        let mut ink = picture.ink(story, &columns);
        let line = front(&picture, &shares);
        ink.push_str(&format!(
            "<path class=\"front under\" d=\"{line}\"/><path class=\"front\" d=\"{line}\"/>"
        ));
        let ends: Vec<f64> = shares.iter().flatten().copied().collect();
        let told = match (ends.first(), ends.last()) {
            (Some(a), Some(b)) => {
                format!("{:.0} % of the water is hot at first, {:.0} % at last", a * 100.0, b * 100.0)
            }
            _ => "no readings".to_owned(),
        };
        let day = words::date(Utc(from_ms), story.zone());
        let description = format!(
            "Eight hours from {day}: {told}. A line marks where the water falls below {HOT_DEGC:.0} °C."
        );
        let labels = picture.labels(story, &[from_ms, from_ms + SHOWN_MS / 2], "%H:%M");
        let html = format!(
            "<figure>{}<figcaption>{title}, {}: {told}</figcaption></figure>\n",
            svg(id, title, &description, &ink, &labels),
            words::local(Utc(from_ms), story.zone(), "%a %-d %b"),
        );
        (html, shares)
    };
    let (left, without) = one("front-before", before, "Before it began");
    let (right, with) = one("front-after", after, "Since it began");
    format!(
        "<h3>The cold front, with and without it</h3>\n<p>The same hours before and since. The line is where the water falls below {HOT_DEGC:.0} °C: \
         while nobody draws it stays where it is; where hot water leaves at the top, it rises.</p>\n<div class=\"pair\">{left}{right}</div>{}",
        table(story, after, &without, &with),
    )
}

/// The front from column to column, broken where readings are missing.
fn front(picture: &Picture<'_>, shares: &[Option<f64>]) -> String {
    let mut out = String::new();
    let mut pen_up = true;
    let wide = picture.span_ms as f64 / shares.len().max(1) as f64;
    for (i, share) in shares.iter().enumerate() {
        let Some(share) = share else {
            pen_up = true;
            continue;
        };
        let x = picture.x_of(picture.from_ms + (wide * (i as f64 + 0.5)) as i64);
        out.push_str(&format!("{}{x:.0} {:.0}", if pen_up { 'M' } else { 'L' }, y_of(*share)));
        pen_up = false;
    }
    out
}

fn table(story: &HomeStory, from_ms: i64, without: &[Option<f64>], with: &[Option<f64>]) -> String {
    let mut out = head(
        "counts",
        &format!("Part of the water at {HOT_DEGC:.0} °C or above, from the local time on"),
        &["From", "Before it began", "Since it began"],
    );
    let cell =
        |shares: &[Option<f64>], hour: usize| match shares.get(hour * shares.len() / 8).copied().flatten() {
            Some(share) => format!("{:.0} %", share * 100.0),
            None => "–".to_owned(),
        };
    for hour in 0..8 {
        let from = words::local(Utc(from_ms + hour as i64 * HOUR_MS), story.zone(), "%H:%M");
        out.push_str(&format!(
            "<tr><th scope=\"row\">{from}</th><td>{}</td><td>{}</td></tr>\n",
            cell(without, hour),
            cell(with, hour)
        ));
    }
    folded("The front as a table", &out)
}

#[cfg(test)]
mod tests {
    use super::super::tests::visit_of;
    use super::*;

    /// 12 January 2026, 00:00 UTC.
    const START_MS: i64 = 1_768_176_000_000;

    /// Four days of a tank of two halves; from the onset on the base half loses 4 K an hour, and is hot again a day later.
    fn rows(onset_ms: i64) -> Vec<EvidenceRow> {
        (1..=4 * 96)
            .map(|i| {
                let ms = START_MS + i * 900_000;
                let lost = ((ms - onset_ms).max(0) % DAY_MS) as f32 / HOUR_MS as f32 * 4.0;
                EvidenceRow {
                    home: "a".to_owned(),
                    time: Utc(ms),
                    probes_degc: vec![60.0, 60.0 - lost],
                    power_w: Some(0.0),
                    call: None,
                    surroundings_degc: None,
                }
            })
            .collect()
    }

    fn told(fault: &str, since: Option<i64>, rows: &[EvidenceRow]) -> String {
        let visit = Some(visit_of(fault, since));
        figure(&HomeStory { visit, ..HomeStory::default() }, &rows.iter().collect::<Vec<_>>())
    }

    #[test]
    fn the_front_is_between_the_probes_that_it_lies_between() {
        let column = |degc: &[f64]| Column { degc: degc.to_vec(), on: false };
        assert_eq!(hot_share(&column(&[60.0, 20.0]), &[0.25, 0.75]), Some(0.5));
        assert_eq!(hot_share(&column(&[60.0, 50.0]), &[0.25, 0.75]), Some(1.0));
        assert_eq!(hot_share(&column(&[30.0, 50.0]), &[0.25, 0.75]), Some(0.0));
        assert_eq!(hot_share(&column(&[60.0, f64::NAN, 20.0]), &[0.1, 0.5, 0.9]), Some(0.5));
        assert_eq!(hot_share(&column(&[f64::NAN]), &[0.5]), None);
    }

    #[test]
    fn hours_of_the_leak_stand_beside_the_same_hours_before_it() {
        // At ten in the evening: the night begins with the leak, and the night before is without it.
        let onset = START_MS + DAY_MS + 22 * HOUR_MS;
        let html = told("leak_steady", Some(onset), &rows(onset));
        assert!(
            html.contains("Before it began, Mon 12 Jan: 100 % of the water is hot at first, 100 % at last"),
            "{html}"
        );
        // Eight hours later the base half has 28 degC: hot down to 0.25 + 0.5 x 20 / 32 of the water.
        assert!(
            html.contains("Since it began, Tue 13 Jan: 100 % of the water is hot at first, 56 % at last"),
            "{html}"
        );
        assert_eq!(html.matches("<figure>").count(), 2);
    }

    #[test]
    fn without_a_time_before_it_the_page_says_so() {
        let rows = rows(START_MS);
        assert!(told("leak_steady", None, &rows).contains("from the first day"));
        assert!(told("leak_heating", Some(START_MS), &rows).contains("no quiet hours"));
        assert!(told("stuck_on", Some(START_MS), &rows).is_empty());
    }
}
