//! Plots of flexible load as inline SVG: a stretched inner drawing with labels in per cent, so that text keeps its size.

use drawoff_contract::flexible_tables::FlexibleRow;

use super::{HOURS, kw};
use crate::text;

const UNITS: f64 = 1000.0;
const LEFT: f64 = 130.0;
const RIGHT: f64 = 985.0;
const SLOTS: usize = 48;

fn label(class: &str, x: f64, y: f64, content: &str) -> String {
    format!(
        "<text class=\"{class}\" x=\"{:.2}%\" y=\"{y:.0}\">{}</text>",
        x / UNITS * 100.0,
        text::html(content)
    )
}

fn svg(id: &str, height: f64, title: &str, description: &str, ink: &str, labels: &str) -> String {
    format!(
        "<figure><svg class=\"plot\" style=\"height:{height:.0}px\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\"><title id=\"{id}-t\">{}</title>\
         <desc id=\"{id}-d\">{}</desc><svg width=\"100%\" height=\"{height:.0}\" viewBox=\"0 0 {UNITS} {height:.0}\" \
         preserveAspectRatio=\"none\" aria-hidden=\"true\">{ink}</svg><g aria-hidden=\"true\">{labels}</g></svg><figcaption>{}</figcaption></figure>\n",
        text::html(title),
        text::html(description),
        text::html(title),
    )
}

fn slot_x(slot: f64) -> f64 {
    LEFT + slot / SLOTS as f64 * (RIGHT - LEFT)
}

/// Clock under a plot: every six hours, so that it fits a telephone.
fn clock(y: f64, labels: &mut String) {
    for hour in [0, 6, 12, 18] {
        labels.push_str(&label("start", slot_x(f64::from(hour) * 2.0), y, &format!("{hour:02}:00")));
    }
}

fn slot(row: &FlexibleRow) -> usize {
    usize::try_from(row.period - 1).unwrap_or(0).min(SLOTS - 1)
}

/// Firm power by start: a row a length of event and kind of day.
pub(super) fn heat_map(id: &str, heading: &str, rows: &[&FlexibleRow]) -> String {
    const ROW: f64 = 26.0;
    let highest = rows.iter().map(|r| r.firm_kw).fold(0.0, f64::max);
    let (mut ink, mut labels) = (String::new(), String::new());
    let mut y = 18.0;
    for day_type in ["weekday", "weekend"] {
        labels.push_str(&label("start", 0.0, y - 4.0, day_type));
        for hours in HOURS {
            let of_row = rows.iter().filter(|r| r.day_type == day_type && r.duration_h == hours);
            let mut best: Option<&FlexibleRow> = None;
            for row in of_row {
                let share = if highest > 0.0 { (row.firm_kw / highest).clamp(0.0, 1.0) } else { 0.0 };
                let x = slot_x(slot(row) as f64);
                let width = (RIGHT - LEFT) / SLOTS as f64;
                ink.push_str(&format!(
                    "<path class=\"heat\" style=\"fill-opacity:{:.2}\" d=\"M{x:.1} {y:.0}h{width:.1}v{:.0}h-{width:.1}z\"/>",
                    0.04 + 0.96 * share,
                    ROW - 2.0
                ));
                if best.is_none_or(|b| row.firm_kw > b.firm_kw) {
                    best = Some(row);
                }
            }
            labels.push_str(&label("end", LEFT - 12.0, y + 16.0, &format!("{hours} h")));
            if let Some(best) = best.filter(|b| b.firm_kw > 0.0) {
                let x = slot_x(slot(best) as f64 + 0.5);
                let (class, x) = if slot(best) > SLOTS / 2 { ("end halo", x) } else { ("halo", x) };
                labels.push_str(&label(class, x, y + 16.0, &kw(best.firm_kw)));
            }
            y += ROW;
        }
        y += 20.0;
    }
    clock(y - 4.0, &mut labels);
    let title = format!("{heading}: firm power by start and length of the event");
    let description =
        format!("Largest field: {} kW. The same figures stand in the table below.", kw(highest));
    svg(&format!("map-{id}"), y + 4.0, &title, &description, &ink, &labels)
}

const TOP: f64 = 24.0;
const BASE: f64 = 180.0;

/// A round number at or above the highest value, and the step of the grid.
fn ceiling(highest: f64) -> (f64, f64) {
    let raw = highest.max(1e-6) / 4.0;
    let magnitude = 10.0_f64.powi(raw.log10().floor() as i32);
    let step =
        [1.0, 2.0, 2.5, 5.0, 10.0].into_iter().map(|m| m * magnitude).find(|s| *s >= raw).unwrap_or(raw);
    ((highest / step).ceil().max(1.0) * step, step)
}

fn grid(high: f64, step: f64, unit: &str, ink: &mut String, labels: &mut String) {
    let mut lines = String::new();
    let mut value = 0.0;
    while value <= high * 1.0001 {
        let y = BASE - value / high * (BASE - TOP);
        lines.push_str(&format!("M{LEFT} {y:.0}H{RIGHT}"));
        let decimals = usize::from(step < 1.0) + usize::from(step < 0.1);
        labels.push_str(&label("end", LEFT - 12.0, y + 4.0, &format!("{value:.decimals$}")));
        value += step;
    }
    ink.push_str(&format!("<path class=\"grid\" d=\"{lines}\"/>"));
    labels.push_str(&label("start", 0.0, 12.0, unit));
}

fn line(class: &str, points: impl Iterator<Item = (f64, f64)>) -> String {
    let mut d = String::new();
    for (i, (x, y)) in points.enumerate() {
        d.push_str(&format!("{}{x:.1} {y:.1}", if i == 0 { 'M' } else { 'L' }));
    }
    format!("<path class=\"{class}\" d=\"{d}\"/>")
}

/// Firm powers of all half-hours of a week, largest first: weekdays count five times, weekends twice.
pub(super) fn sorted_week(rows: &[&FlexibleRow], hours: f64) -> Vec<f64> {
    let mut out: Vec<f64> = Vec::new();
    for row in rows.iter().filter(|r| r.duration_h == hours) {
        let times = if row.day_type == "weekday" { 5 } else { 2 };
        out.extend(std::iter::repeat_n(row.firm_kw, times));
    }
    out.sort_by(|a, b| b.total_cmp(a));
    out
}

/// One curve a length of event.
pub(super) fn durations(id: &str, heading: &str, rows: &[&FlexibleRow]) -> String {
    let curves: Vec<Vec<f64>> = HOURS.iter().map(|h| sorted_week(rows, *h)).collect();
    let highest = curves.iter().filter_map(|c| c.first()).copied().fold(0.0, f64::max);
    let (high, step) = ceiling(highest);
    let (mut ink, mut labels) = (String::new(), String::new());
    grid(high, step, "kW", &mut ink, &mut labels);
    for (place, (curve, hours)) in curves.iter().zip(HOURS).enumerate() {
        let n = curve.len().max(1) as f64;
        let at = |i: usize| LEFT + i as f64 / n * (RIGHT - LEFT);
        let class = ["p0", "p2", "p4", "p5"][place];
        ink.push_str(&line(
            class,
            curve.iter().enumerate().map(|(i, v)| (at(i), BASE - v / high * (BASE - TOP))),
        ));
        // labels at different places along the curves, so that they do not cover each other
        let i = (curve.len() * (1 + place)) / 12;
        if let Some(value) = curve.get(i) {
            let tone = ["t0", "t2", "t4", "t5"][place];
            labels.push_str(&label(
                &format!("halo {tone}"),
                at(i),
                BASE - value / high * (BASE - TOP) - 5.0,
                &format!("{hours} h"),
            ));
        }
    }
    for percent in [0, 25, 50, 75] {
        let x = LEFT + f64::from(percent) / 100.0 * (RIGHT - LEFT);
        labels.push_str(&label("start", x, BASE + 18.0, &format!("{percent} %")));
    }
    let title = format!("{heading}: firm power that so many half-hours of a week offer at least");
    svg(
        &format!("long-{id}"),
        BASE + 26.0,
        &title,
        "One curve for each length of event; the table below holds points of them.",
        &ink,
        &labels,
    )
}

/// Rise of load after an hour of holding off, at once and in turns.
pub(super) fn after(day_type: &str, rows: &[&FlexibleRow]) -> String {
    type Value = fn(&FlexibleRow) -> f64;
    let highest = rows.iter().map(|r| r.rebound_kw.max(r.p50_kw)).fold(0.0, f64::max);
    let (high, step) = ceiling(highest);
    let (mut ink, mut labels) = (String::new(), String::new());
    grid(high, step, "kW", &mut ink, &mut labels);
    let y = |v: f64| BASE - v / high * (BASE - TOP);
    let lines: [(&str, &str, &str, Value); 3] = [
        ("p5", "t5", "held off", |r| r.p50_kw),
        ("p0", "t0", "back at once", |r| r.rebound_kw),
        ("p2", "t2", "back in turns", |r| r.return_rebound_kw),
    ];
    for (place, (class, tone, name, value)) in lines.into_iter().enumerate() {
        ink.push_str(&line(class, rows.iter().map(|r| (slot_x(slot(r) as f64 + 0.5), y(value(r))))));
        labels.push_str(&label(&format!("halo {tone}"), LEFT + 10.0 + 240.0 * place as f64, 12.0, name));
    }
    clock(BASE + 18.0, &mut labels);
    let title =
        format!("After an hour of holding off, {day_type}: what was held off and what comes back, by start");
    svg(
        &format!("after-{day_type}"),
        BASE + 26.0,
        &title,
        "The same figures stand in the table below.",
        &ink,
        &labels,
    )
}

/// Shares of homes by what decided, one column a start.
pub(super) fn limits(id: &str, heading: &str, rows: &[&FlexibleRow]) -> String {
    let (mut ink, mut labels) = (String::new(), String::new());
    grid(100.0, 25.0, "% of homes", &mut ink, &mut labels);
    let width = (RIGHT - LEFT) / SLOTS as f64;
    for row in rows {
        let mut from = 0.0;
        let parts = [
            ("moved", row.share_moved),
            ("comfort", row.share_comfort),
            ("sun", row.share_sun),
            ("silent", row.share_silent),
        ];
        for (class, share) in parts {
            let (top, base) = (BASE - (from + share) * (BASE - TOP), BASE - from * (BASE - TOP));
            if share > 0.0 {
                let x = slot_x(slot(row) as f64);
                ink.push_str(&format!(
                    "<path class=\"share {class}\" d=\"M{x:.1} {top:.1}h{:.1}V{base:.1}h-{:.1}z\"/>",
                    width * 0.9,
                    width * 0.9
                ));
            }
            from += share;
        }
    }
    for (place, (class, name)) in
        [("moved", "moved"), ("comfort", "comfort"), ("sun", "sun"), ("silent", "silent")]
            .into_iter()
            .enumerate()
    {
        let x = LEFT + [120.0, 290.0, 500.0, 640.0][place];
        labels.push_str(&format!(
            "<rect class=\"share {class}\" x=\"{:.2}%\" y=\"4\" width=\"10\" height=\"10\"/>",
            x / UNITS * 100.0
        ));
        labels.push_str(&format!("<text x=\"{:.2}%\" dx=\"14\" y=\"13\">{name}</text>", x / UNITS * 100.0));
    }
    clock(BASE + 18.0, &mut labels);
    let title = format!("{heading}: what decided, by start");
    svg(
        &format!("limits-{id}"),
        BASE + 26.0,
        &title,
        "What is left up to 100 % had nothing to move. The table below holds the figures.",
        &ink,
        &labels,
    )
}
