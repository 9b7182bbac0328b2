//! One home's telling days as inline SVG: probe temperatures over time, and the heater beneath.
//!
//! Lines and areas live in a stretched inner drawing; labels are placed in per cent, so that they keep their size
//! and place on a telephone, a desk screen and paper.

use chrono_tz::Tz;
use drawoff_contract::local::LocalDay;
use drawoff_contract::results::EvidenceRow;
use drawoff_contract::{Day, Utc};

use super::axis::{self, Axis, LEFT, RIGHT, percent};
use super::heater::{self, Band};
use super::trace::{self, Point};
use crate::{text, words};

const PLOT_TOP: f64 = 40.0;
const PLOT_BASE: f64 = 412.0;
const HEIGHT: f64 = 560.0;
/// The inner drawing has two units a pixel of height.
const UNITS_PER_PX: f64 = 2.0;
/// Points a probe at most, and of all probes together, so that a card stays small.
const MOST_POINTS: usize = 400;
const MOST_POINTS_TOGETHER: usize = 1200;
/// Least height between two labels, pixels.
const LABEL_PX: f64 = 12.0;
/// Classes of line style and tone, from hot to cold.
const TONES: usize = 6;
/// Nothing outside this can be water in a cylinder; it is drawn at the edge.
const PLAUSIBLE_DEGC: (f64, f64) = (-20.0, 110.0);

/// What a plot is drawn from.
pub(super) struct Plot<'a> {
    pub(super) id: usize,
    pub(super) home: &'a str,
    pub(super) problem: &'a str,
    /// Sorted by time.
    pub(super) rows: &'a [&'a EvidenceRow],
    pub(super) axis: &'a Axis,
    pub(super) zone: Tz,
    pub(super) set_point_degc: Option<f64>,
    pub(super) onset: Option<Utc>,
}

struct Scale {
    low: f64,
    high: f64,
}

impl Scale {
    fn y(&self, degc: f64) -> f64 {
        let share = (degc - self.low) / (self.high - self.low);
        PLOT_BASE - share.clamp(0.0, 1.0) * (PLOT_BASE - PLOT_TOP)
    }
}

/// Number of probes in the rows.
pub(super) fn probe_count(rows: &[&EvidenceRow]) -> usize {
    rows.iter().map(|r| r.probes_degc.len()).max().unwrap_or(0)
}

/// Class of a probe's line: 0 at the top to 5 at the base.
pub(super) fn tone(probe: usize, probes: usize) -> usize {
    if probes < 2 { 0 } else { (probe * (TONES - 1) + (probes - 1) / 2) / (probes - 1) }
}

/// Name of a probe by its place.
pub(super) fn probe_name(probe: usize, probes: usize) -> String {
    match probe + 1 {
        _ if probes == 1 => "probe".to_owned(),
        1 => "1 top".to_owned(),
        n if n == probes => format!("{n} base"),
        n => n.to_string(),
    }
}

/// The plot as an `svg` element.
pub(super) fn svg(plot: &Plot<'_>) -> String {
    let probes = probe_count(plot.rows);
    let scale = scale(plot);
    let band = heater::band(plot.axis, plot.rows);
    let mut ink = String::new();
    let mut labels = String::new();
    grid(plot, &scale, &mut ink, &mut labels);
    marks(plot, &scale, &mut ink, &mut labels);
    traces(plot, probes, &scale, &mut ink, &mut labels);
    beneath(&band, &mut ink, &mut labels);
    let id = plot.id;
    format!(
        "<svg class=\"plot\" role=\"img\" aria-labelledby=\"plot-{id}-title plot-{id}-desc\">\
         <title id=\"plot-{id}-title\">{}</title><desc id=\"plot-{id}-desc\">{}</desc>\
         <svg width=\"100%\" height=\"{}\" viewBox=\"0 0 {} {HEIGHT}\" preserveAspectRatio=\"none\" aria-hidden=\"true\">{ink}</svg>\
         <g aria-hidden=\"true\">{labels}</g></svg>",
        text::html(&format!("Home {}: temperatures and heater", plot.home)),
        text::html(&description(plot, probes, &scale, &band)),
        HEIGHT / UNITS_PER_PX,
        axis::UNITS,
    )
}

fn description(plot: &Plot<'_>, probes: usize, scale: &Scale, band: &Band) -> String {
    let spans: Vec<String> = plot
        .axis
        .spans
        .iter()
        .map(|s| {
            let (from, to) = (
                words::date(Utc(s.start_ms), plot.zone),
                words::date(Utc(s.end_ms.saturating_sub(1)), plot.zone),
            );
            if from == to { from } else { format!("{from} to {to}") }
        })
        .collect();
    let heater = match (band.highest_w, band.has_call) {
        (Some(w), true) => format!("heater power up to {}, and when it was called", kilowatts(w)),
        (Some(w), false) => format!("heater power up to {}", kilowatts(w)),
        (None, true) => "when the heater was called".to_owned(),
        (None, false) => "no heater readings".to_owned(),
    };
    let onset = match plot.onset.and_then(|o| plot.axis.x(o.0).map(|_| o)) {
        Some(at) => format!(" A vertical mark on {} shows when it began.", words::date(at, plot.zone)),
        None => String::new(),
    };
    let set_point = plot
        .set_point_degc
        .filter(|s| s.is_finite())
        .map_or(String::new(), |s| format!(" A dashed level line shows the set point, {s:.0} °C."));
    format!(
        "{}. {probes} probe temperatures between {:.0} and {:.0} °C over {}; {heater}.{onset}{set_point} \
         The table below gives the means.",
        plot.problem,
        scale.low,
        scale.high,
        spans.join(", "),
    )
}

fn kilowatts(w: f64) -> String {
    format!("{:.1}\u{a0}kW", w / 1000.0)
}

fn scale(plot: &Plot<'_>) -> Scale {
    let inside = |v: f64| v.is_finite() && (PLAUSIBLE_DEGC.0..=PLAUSIBLE_DEGC.1).contains(&v);
    let values = plot
        .rows
        .iter()
        .flat_map(|r| r.probes_degc.iter().map(|&v| f64::from(v)))
        .chain(plot.set_point_degc)
        .filter(|&v| inside(v));
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
    if low > high {
        return Scale { low: 0.0, high: 80.0 };
    }
    let (low, high) = ((low / 10.0).floor() * 10.0, (high / 10.0).ceil() * 10.0);
    Scale { low, high: high.max(low + 20.0) }
}

/// A label: horizontal place in per cent, baseline in pixels.
fn label(class: &str, x: f64, y_px: f64, content: &str) -> String {
    format!("<text class=\"{class}\" x=\"{}\" y=\"{y_px:.0}\">{}</text>", percent(x), text::html(content))
}

fn grid(plot: &Plot<'_>, scale: &Scale, ink: &mut String, labels: &mut String) {
    let step = if scale.high - scale.low > 50.0 { 20.0 } else { 10.0 };
    let mut degc = (scale.low / step).ceil() * step;
    let mut lines = String::new();
    while degc <= scale.high {
        let y = scale.y(degc);
        lines.push_str(&format!("M{LEFT} {y:.0}H{RIGHT}"));
        labels.push_str(&label("end", LEFT - 12.0, y / UNITS_PER_PX + 4.0, &format!("{degc:.0}")));
        degc += step;
    }
    labels.push_str(&label("end", LEFT - 12.0, 10.0, "°C"));
    ink.push_str(&format!("<path class=\"grid\" d=\"{lines}\"/>"));
    let mut midnights = String::new();
    let days = days(plot);
    let every = days.len().div_ceil(7).max(1);
    let pattern = if days.len() <= 3 { "%a %-d %b" } else { "%-d %b" };
    let mut last_label = f64::MIN;
    for (i, &(x, at)) in days.iter().enumerate() {
        midnights.push_str(&format!("M{x:.0} {PLOT_TOP}V{:.0}", HEIGHT - 32.0));
        // A part of a day at the edge may be too narrow for its label.
        if i % every == 0 && x - last_label > 200.0 && x < RIGHT - 60.0 {
            let name = words::local(Utc(at), plot.zone, pattern);
            labels.push_str(&label("", x + 4.0, HEIGHT / UNITS_PER_PX - 3.0, &name));
            last_label = x;
        }
    }
    ink.push_str(&format!("<path class=\"day\" d=\"{midnights}\"/>"));
    for pair in plot.axis.spans.windows(2) {
        let middle = f64::midpoint(pair[0].right, pair[1].left);
        let line = format!("M{middle:.0} {PLOT_TOP}V{:.0}", HEIGHT - 32.0);
        // A wide dark line under a narrow light one is a double line at any width.
        ink.push_str(&format!("<path class=\"cut\" d=\"{line}\"/><path class=\"gap\" d=\"{line}\"/>"));
    }
}

/// Where each local day begins on the axis, and an instant in it.
fn days(plot: &Plot<'_>) -> Vec<(f64, i64)> {
    const MOST_DAYS: usize = 400;
    let mut out = Vec::new();
    for span in &plot.axis.spans {
        // Outside these years there is no calendar to draw.
        if !(0..4_102_444_800_000).contains(&span.start_ms) {
            continue;
        }
        let mut day = LocalDay::of_stamp(plot.zone, span.start_ms + 1);
        while day.start_ms < span.end_ms && out.len() < MOST_DAYS {
            let x = plot.axis.x(day.start_ms.max(span.start_ms)).unwrap_or(span.left);
            out.push((x, day.start_ms.max(span.start_ms)));
            day = LocalDay::of(plot.zone, Day(day.day.0 + 1));
        }
    }
    out
}

fn marks(plot: &Plot<'_>, scale: &Scale, ink: &mut String, labels: &mut String) {
    if let Some(degc) = plot.set_point_degc.filter(|d| d.is_finite()) {
        let y = scale.y(degc);
        ink.push_str(&format!("<path class=\"set\" d=\"M{LEFT} {y:.0}H{RIGHT}\"/>"));
        labels.push_str(&label(
            "halo",
            LEFT + 8.0,
            y / UNITS_PER_PX - 4.0,
            &format!("set point {degc:.0}\u{a0}°C"),
        ));
    }
    if let Some(x) = plot.onset.and_then(|o| plot.axis.x(o.0)) {
        ink.push_str(&format!("<path class=\"onset\" d=\"M{x:.0} {}V{}\"/>", PLOT_TOP - 10.0, HEIGHT - 32.0));
        let class = if x > (LEFT + RIGHT) / 2.0 { "end onset" } else { "onset" };
        let words = if class == "onset" { "▾ began" } else { "began ▾" };
        labels.push_str(&label(class, x, 13.0, words));
    }
}

fn traces(plot: &Plot<'_>, probes: usize, scale: &Scale, ink: &mut String, labels: &mut String) {
    let most = MOST_POINTS.min(MOST_POINTS_TOGETHER / probes.max(1));
    let mut ends = Vec::new();
    // From the base up, so that the top probe's line lies over the others.
    for probe in (0..probes).rev() {
        let points = points(plot, probe, scale);
        let Some(last) = points.last() else { continue };
        ends.push((last.y / UNITS_PER_PX, probe));
        let line = trace::path(&trace::thinned(&points, LEFT, RIGHT, most));
        ink.push_str(&format!("<path class=\"p{}\" d=\"{line}\"/>", tone(probe, probes)));
    }
    for (y, probe) in spread(ends) {
        let class = format!("t{}", tone(probe, probes));
        labels.push_str(&label(&class, RIGHT + 12.0, y + 4.0, &probe_name(probe, probes)));
    }
}

fn points(plot: &Plot<'_>, probe: usize, scale: &Scale) -> Vec<Point> {
    let mut out: Vec<Point> = Vec::new();
    let mut last_ms = i64::MIN;
    for row in plot.rows {
        let Some(degc) = row.probes_degc.get(probe).map(|&v| f64::from(v)).filter(|v| v.is_finite()) else {
            continue;
        };
        let Some(x) = plot.axis.x(row.time.0) else { continue };
        // Two and a half steps: one lost row is bridged, two are a break.
        let starts = row.time.0.saturating_sub(last_ms).saturating_mul(2) > plot.axis.step_ms * 5;
        out.push(Point { x, y: scale.y(degc), starts });
        last_ms = row.time.0;
    }
    out
}

/// Moves labels apart, top to bottom by height then by probe, inside the plot.
fn spread(mut ends: Vec<(f64, usize)>) -> Vec<(f64, usize)> {
    ends.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let mut least = PLOT_TOP / UNITS_PER_PX;
    for end in &mut ends {
        end.0 = end.0.max(least);
        least = end.0 + LABEL_PX;
    }
    let mut most = PLOT_BASE / UNITS_PER_PX;
    for end in ends.iter_mut().rev() {
        end.0 = end.0.min(most);
        most = end.0 - LABEL_PX;
    }
    ends
}

fn beneath(band: &Band, ink: &mut String, labels: &mut String) {
    if band.has_call {
        ink.push_str(&format!("<path class=\"call\" d=\"{}\"/>", band.call_path));
        labels.push_str(&label("", RIGHT + 12.0, 224.0, "called"));
    }
    if let Some(w) = band.highest_w {
        ink.push_str(&format!("<path class=\"power\" d=\"{}\"/>", band.power_path));
        labels.push_str(&label("", RIGHT + 12.0, 246.0, "power"));
        labels.push_str(&label("end", LEFT - 12.0, 236.0, &format!("{:.1}", w / 1000.0)));
        labels.push_str(&label("end", LEFT - 12.0, 258.0, "kW"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_keep_their_distance_inside_the_plot() {
        let placed = spread(vec![(200.0, 0), (200.0, 1), (199.0, 2), (30.0, 3)]);
        assert_eq!(placed.iter().map(|p| p.1).collect::<Vec<_>>(), [3, 2, 0, 1]);
        assert!(placed.windows(2).all(|w| w[1].0 - w[0].0 >= LABEL_PX));
        assert!(placed[3].0 <= PLOT_BASE / UNITS_PER_PX);
    }

    #[test]
    fn styles_run_from_the_top_to_the_base() {
        assert_eq!((0..4).map(|i| tone(i, 4)).collect::<Vec<_>>(), [0, 2, 3, 5]);
        assert_eq!((tone(0, 12), tone(11, 12), tone(0, 1)), (0, 5, 0));
    }
}
