//! Two plots of one home as inline SVG: what it drew day by day, and what it usually draws by hour.
//!
//! Drawn in a stretched inner drawing with labels in per cent, as the plots of the list are.

use drawoff_contract::habit_tables::{VACANT, VacancyRow};
use drawoff_contract::results::DayRow;

use crate::{text, words};

const UNITS: f64 = 1000.0;
pub(crate) const LEFT: f64 = 70.0;
pub(crate) const RIGHT: f64 = 990.0;
pub(crate) const TOP: f64 = 44.0;
pub(crate) const BASE: f64 = 360.0;
pub(crate) const HEIGHT: f64 = 400.0;
const UNITS_PER_PX: f64 = 2.0;

pub(crate) fn label(class: &str, x: f64, y: f64, content: &str) -> String {
    format!(
        "<text class=\"{class}\" x=\"{:.2}%\" y=\"{:.0}\">{}</text>",
        x / UNITS * 100.0,
        y / UNITS_PER_PX,
        text::html(content)
    )
}

pub(crate) fn svg(id: &str, title: &str, description: &str, ink: &str, labels: &str) -> String {
    format!(
        "<svg class=\"plot bars\" role=\"img\" aria-labelledby=\"{id}-title {id}-desc\"><title id=\"{id}-title\">{}</title>\
         <desc id=\"{id}-desc\">{}</desc><svg width=\"100%\" height=\"{}\" viewBox=\"0 0 {UNITS} {HEIGHT}\" \
         preserveAspectRatio=\"none\" aria-hidden=\"true\">{ink}</svg><g aria-hidden=\"true\">{labels}</g></svg>",
        text::html(title),
        text::html(description),
        HEIGHT / UNITS_PER_PX,
    )
}

/// A round number at or above the highest value, and the step of the grid.
pub(crate) fn ceiling(highest: f64) -> (f64, f64) {
    let raw = highest.max(1e-9) / 4.0;
    let magnitude = power_of_ten(raw.log10().floor());
    let step =
        [1.0, 2.0, 2.5, 5.0, 10.0].into_iter().map(|m| m * magnitude).find(|s| *s >= raw).unwrap_or(raw);
    ((highest / step).ceil().max(1.0) * step, step)
}

/// Powers of ten small enough to be exact.
fn power_of_ten(exponent: f64) -> f64 {
    10.0_f64.powi(exponent.clamp(-9.0, 15.0) as i32)
}

pub(crate) fn grid(high: f64, step: f64, unit: &str, ink: &mut String, labels: &mut String) {
    grid_to(RIGHT, high, step, unit, ink, labels);
}

/// [`grid`] for a plot that ends at `right`, so that words stand beside it.
pub(crate) fn grid_to(right: f64, high: f64, step: f64, unit: &str, ink: &mut String, labels: &mut String) {
    let mut lines = String::new();
    let mut value = 0.0;
    while value <= high * 1.0001 {
        let y = BASE - value / high * (BASE - TOP);
        lines.push_str(&format!("M{LEFT} {y:.0}H{right}"));
        let decimals = usize::from(step < 1.0) + usize::from(step < 0.1);
        labels.push_str(&label("end", LEFT - 12.0, y + 8.0, &format!("{value:.decimals$}")));
        value += step;
    }
    labels.push_str(&label("end", LEFT - 12.0, TOP - 20.0, unit));
    ink.push_str(&format!("<path class=\"grid\" d=\"{lines}\"/>"));
}

fn bar(x: f64, wide: f64, value: f64, high: f64) -> String {
    let y = BASE - (value / high).clamp(0.0, 1.0) * (BASE - TOP);
    format!("M{x:.1} {BASE}V{y:.1}h{wide:.1}V{BASE}z")
}

/// Days drawn at most, the last ones.
const MOST_DAYS: usize = 183;

/// Heat drawn each local day as bars, heater energy as a line, empty days marked at the base.
pub(super) fn days(days: &[DayRow], vacancy: &[VacancyRow]) -> Option<String> {
    let days = &days[days.len().saturating_sub(MOST_DAYS)..];
    let known = |v: Option<f64>| v.filter(|v| v.is_finite()).map(|v| v.max(0.0));
    let highest =
        days.iter().flat_map(|d| [known(d.energy_kwh), known(d.heater_kwh)]).flatten().fold(0.0, f64::max);
    if days.is_empty() || highest <= 0.0 {
        return None;
    }
    let (high, step) = ceiling(highest);
    let (mut ink, mut labels) = (String::new(), String::new());
    grid(high, step, "kWh", &mut ink, &mut labels);
    let wide = (RIGHT - LEFT) / days.len() as f64;
    let (mut drawn, mut heater, mut empty) = (String::new(), String::new(), String::new());
    let mut pen_up = true;
    let every = days.len().div_ceil(6).max(1);
    for (i, d) in days.iter().enumerate() {
        let x = LEFT + wide * i as f64;
        if let Some(v) = known(d.energy_kwh) {
            drawn.push_str(&bar(x + 0.12 * wide, 0.76 * wide, v, high));
        }
        match known(d.heater_kwh) {
            Some(v) => {
                let y = BASE - v / high * (BASE - TOP);
                let to = if pen_up { 'M' } else { 'L' };
                heater.push_str(&format!("{to}{x:.1} {y:.1}h{wide:.1}"));
                pen_up = false;
            }
            None => pen_up = true,
        }
        if vacancy.iter().any(|v| v.day == d.day && v.state == VACANT) {
            empty.push_str(&format!(
                "M{:.1} {}h{:.1}v8h-{:.1}z",
                x + 0.12 * wide,
                BASE + 4.0,
                0.76 * wide,
                0.76 * wide
            ));
        }
        if i % every == 0 {
            labels.push_str(&label(
                "",
                x,
                HEIGHT - 2.0,
                words::day(d.day).rsplit_once(' ').map_or("", |p| p.0),
            ));
        }
    }
    ink.push_str(&format!("<path class=\"power\" d=\"{drawn}\"/><path class=\"set\" d=\"{heater}\"/>"));
    if !empty.is_empty() {
        ink.push_str(&format!("<path class=\"call\" d=\"{empty}\"/>"));
    }
    let description = format!(
        "{} days: bars of heat drawn, up to {highest:.1} kWh; a dashed line of heater energy; a mark beneath an empty day. \
         The table below gives the figures.",
        days.len()
    );
    Some(svg("by-day", "Heat drawn and heater energy by day", &description, &ink, &labels))
}

/// Mean heat drawn by local hour: weekday bars, weekend as a dashed line.
pub(super) fn hours(weekday: &[f32], weekend: &[f32]) -> Option<String> {
    let value = |v: &f32| f64::from(*v).max(0.0);
    let highest = weekday.iter().chain(weekend).filter(|v| v.is_finite()).map(value).fold(0.0, f64::max);
    if highest <= 0.0 {
        return None;
    }
    let (high, step) = ceiling(highest);
    let (mut ink, mut labels) = (String::new(), String::new());
    grid(high, step, "kWh", &mut ink, &mut labels);
    let wide = (RIGHT - LEFT) / 24.0;
    let (mut bars, mut line) = (String::new(), String::new());
    for hour in 0..24 {
        let x = LEFT + wide * hour as f64;
        if let Some(v) = weekday.get(hour).filter(|v| v.is_finite()) {
            bars.push_str(&bar(x + 0.12 * wide, 0.76 * wide, value(v), high));
        }
        if let Some(v) = weekend.get(hour).filter(|v| v.is_finite()) {
            let y = BASE - value(v) / high * (BASE - TOP);
            line.push_str(&format!("{}{x:.1} {y:.1}h{wide:.1}", if line.is_empty() { 'M' } else { 'L' }));
        }
        if hour % 6 == 0 {
            labels.push_str(&label("", x, HEIGHT - 2.0, &format!("{hour:02}:00")));
        }
    }
    ink.push_str(&format!("<path class=\"power\" d=\"{bars}\"/><path class=\"set\" d=\"{line}\"/>"));
    let description = format!(
        "Mean heat drawn in each local hour, up to {highest:.2} kWh: bars for weekdays, a dashed line for Saturdays and Sundays. \
         The table below gives the figures."
    );
    Some(svg("by-hour", "Heat drawn by hour of the day", &description, &ink, &labels))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grids_are_round_and_hold_the_highest_value() {
        for highest in [0.013, 0.4, 1.0, 3.7, 9.99, 27.0, 1234.0] {
            let (high, step) = ceiling(highest);
            assert!(high >= highest && high <= 1.7 * highest, "{highest}: {high}");
            assert!((high / step).round() <= 5.0 && ((high / step) - (high / step).round()).abs() < 1e-9);
        }
    }

    #[test]
    fn nothing_drawn_gives_no_plot() {
        assert!(days(&[], &[]).is_none());
        assert!(hours(&[0.0; 24], &[f32::NAN; 24]).is_none());
    }
}
