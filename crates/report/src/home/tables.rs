//! The tables beside the plots of one home.

use drawoff_contract::habit_tables::{OCCUPIED, UNKNOWN, VACANT};
use drawoff_contract::local::LocalDay;
use drawoff_contract::results::DrawOffRow;

use super::{HomeStory, number};
use crate::{text, words};

/// Draw-offs shown: those of the last days.
const DRAW_DAYS: i32 = 7;
const MOST_DRAWS: usize = 100;
/// Days shown: a quarter of a year, so that the page of a long record stays small.
const MOST_DAYS: usize = 92;

pub(super) fn head(class: &str, caption: &str, columns: &[&str]) -> String {
    let columns: String = columns.iter().map(|c| format!("<th scope=\"col\">{c}</th>")).collect();
    format!("<table class=\"{class}\"><caption>{caption}</caption><thead><tr>{columns}</tr></thead><tbody>\n")
}

pub(super) fn folded(summary: &str, table: &str) -> String {
    format!("<details><summary>{summary}</summary>\n{table}</tbody></table></details>\n")
}

/// The last local days; the file holds all.
pub(super) fn days(story: &HomeStory) -> String {
    let shown = &story.days[story.days.len().saturating_sub(MOST_DAYS)..];
    let rest = if shown.len() < story.days.len() {
        format!(", the last {MOST_DAYS} of {} (all in the table <code>days</code>)", story.days.len())
    } else {
        String::new()
    };
    let mut out = head(
        "counts",
        &format!("Local days{rest}; a dash where it is not known"),
        &["Day", "Litres", "Drawn, kWh", "Heater, kWh", "Loss, kWh", "Mean, °C", "Use"],
    );
    for d in shown {
        let state = story.vacancy.iter().find(|v| v.day == d.day).map_or("", |v| in_words(&v.state));
        out.push_str(&format!(
            "<tr><th scope=\"row\">{}</th><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>\n",
            words::day(d.day),
            number(d.litres, 0),
            number(d.energy_kwh, 2),
            number(d.heater_kwh, 2),
            number(d.loss_kwh, 2),
            number(d.mean_stored_degc, 1),
            text::html(state),
        ));
    }
    folded("Days as a table", &out)
}

/// Whether anybody was at home, in words; another word stands as it is.
fn in_words(state: &str) -> &str {
    match state {
        VACANT => "empty",
        OCCUPIED => "in use",
        UNKNOWN => "not known",
        other => other,
    }
}

/// Usual hours.
pub(super) fn hours(story: &HomeStory) -> String {
    let Some(row) = &story.row else { return String::new() };
    let mut out = head(
        "counts",
        "Means by local hour",
        &["From", "Weekday, kWh", "Weekend, kWh", "Usable at 40 °C, l"],
    );
    let at = |values: &[f32], hour: usize| values.get(hour).map(|&v| f64::from(v));
    for hour in 0..24 {
        out.push_str(&format!(
            "<tr><th scope=\"row\">{hour:02}:00</th><td>{}</td><td>{}</td><td>{}</td></tr>\n",
            number(at(&row.weekday_draw_by_hour, hour), 2),
            number(at(&row.weekend_draw_by_hour, hour), 2),
            number(at(&row.v40_by_hour_litres, hour), 0),
        ));
    }
    folded("Hours as a table", &out)
}

/// Draw-offs of the last week.
pub(super) fn draws(story: &HomeStory) -> String {
    let zone = story.zone();
    let Some(last) = story.draws.last() else { return String::new() };
    let first_day = LocalDay::of_stamp(zone, last.start.0 + 1).day.0 - DRAW_DAYS + 1;
    let first_ms = LocalDay::of(zone, drawoff_contract::Day(first_day)).start_ms;
    let recent: Vec<&DrawOffRow> = story.draws.iter().filter(|d| d.start.0 >= first_ms).collect();
    let shown = &recent[recent.len().saturating_sub(MOST_DRAWS)..];
    let mut out = head(
        "counts",
        &format!("Draw-offs of the last {DRAW_DAYS} days with any, local time ({})", text::html(zone.name())),
        &["Day", "From", "To", "Litres", "kWh", "Probably"],
    );
    for d in shown {
        out.push_str(&format!(
            "<tr><th scope=\"row\">{}</th><td>{}</td><td>{}</td><td>{:.1}</td><td>{:.2}</td><td>{}</td></tr>\n",
            words::date(d.start, zone),
            words::local(d.start, zone, "%H:%M"),
            words::local(d.end, zone, "%H:%M"),
            d.litres,
            d.energy_kwh,
            kind(d),
        ));
    }
    folded("Draw-offs of the last days", &out)
}

/// The likeliest class of use with its probability.
fn kind(d: &DrawOffRow) -> String {
    let classes =
        [("small", d.class_small), ("shower-like", d.class_shower), ("bath or several", d.class_bath)];
    let best = classes
        .into_iter()
        .filter_map(|(name, p)| p.filter(|p| p.is_finite()).map(|p| (name, p)))
        .max_by(|a, b| a.1.total_cmp(&b.1));
    best.map_or_else(|| "–".to_owned(), |(name, p)| format!("{name}, {}", words::per_cent(p)))
}
