//! The tank as a picture: height by time, shaded by temperature, with heating and draw-offs marked.

use drawoff_contract::local::LocalDay;
use drawoff_contract::results::EvidenceRow;
use drawoff_contract::{Day, Utc};

use super::HomeStory;
use super::bars::label;
use crate::{text, words};

/// The names of bands left of it need this much of a telephone's width.
pub(super) const LEFT: f64 = 100.0;
pub(super) const RIGHT: f64 = 990.0;
const TOP: f64 = 44.0;
const BASE: f64 = 380.0;
/// Where the bands end: heating is marked below.
const TANK_BASE: f64 = BASE - 30.0;
pub(super) const HEIGHT: f64 = 420.0;
/// Columns of the picture at most: half an hour each over three days.
const COLUMNS: usize = 144;
/// Lower ends of the shades, °C: below 20 cold, from 60 hot enough against legionella.
const SHADES: [f64; 8] = [f64::NEG_INFINITY, 20.0, 30.0, 40.0, 50.0, 55.0, 60.0, 70.0];
const HALF_HOUR_MS: i64 = 1_800_000;
/// Cells of one shade side by side that a picture may have at most; with more, as of a probe that jumps about, columns are made wider.
const MOST_RUNS: usize = 500;
/// Fewest columns that are left then.
const FEWEST_COLUMNS: usize = 12;
/// Draw-offs marked at most, the largest.
const MOST_DRAWS: usize = 60;
/// Above this a heater is on.
const ON_W: f64 = 100.0;

fn shade(degc: f64) -> usize {
    SHADES.iter().rposition(|&low| degc >= low).unwrap_or(0)
}

/// Where the band of each probe begins and ends, as shares of the volume from the top: half way to its neighbours. Bands are alike where the
/// register's heights do not fit the probes.
pub(super) fn bands(heights: &[f32], probes: usize) -> Vec<(f64, f64)> {
    let fits = heights.len() == probes
        && heights.iter().all(|h| (0.0..=1.0).contains(h))
        && heights.windows(2).all(|w| w[0] > w[1]);
    let border = |i: usize| match i {
        0 => 0.0,
        i if i == probes => 1.0,
        i if fits => 1.0 - f64::from(heights[i - 1] + heights[i]) / 2.0,
        i => i as f64 / probes as f64,
    };
    (0..probes).map(|i| (border(i), border(i + 1))).collect()
}

/// A stretch of time to be drawn.
pub(super) struct Picture<'a> {
    pub(super) rows: &'a [&'a EvidenceRow],
    pub(super) bands: &'a [(f64, f64)],
    pub(super) from_ms: i64,
    pub(super) span_ms: i64,
    pub(super) columns: usize,
}

/// What a column of a picture is made from.
pub(super) struct Column {
    /// Mean of each probe, NaN without a reading.
    pub(super) degc: Vec<f64>,
    pub(super) on: bool,
}

/// The height on the picture of a share of the volume from the top.
pub(super) fn y_of(share: f64) -> f64 {
    TOP + share * (TANK_BASE - TOP)
}

impl Picture<'_> {
    /// Means by column; rows outside the time are passed over.
    pub(super) fn columns(&self) -> Vec<Column> {
        let probes = self.bands.len();
        let mut sums = vec![vec![(0.0, 0_u32); probes]; self.columns];
        let mut on = vec![false; self.columns];
        for row in self.rows {
            // A stamp ends its interval.
            let after = row.time.0.saturating_sub(self.from_ms);
            if !(1..=self.span_ms).contains(&after) {
                continue;
            }
            let at = (after - 1) as f64 / self.span_ms as f64 * self.columns as f64;
            let at = (at as usize).min(self.columns - 1);
            for (sum, &degc) in sums[at].iter_mut().zip(&row.probes_degc).filter(|(_, v)| v.is_finite()) {
                *sum = (sum.0 + f64::from(degc), sum.1 + 1);
            }
            on[at] |= row.power_w.is_some_and(|w| w > ON_W) || row.call.is_some_and(|c| c >= 0.5);
        }
        let mean = |(sum, count): (f64, u32)| if count > 0 { sum / f64::from(count) } else { f64::NAN };
        let degc = sums.into_iter().map(|s| s.into_iter().map(mean).collect());
        degc.zip(on).map(|(degc, on)| Column { degc, on }).collect()
    }

    /// [`Picture::columns`], made wider until there are no more than `most` cells of one shade side by side, or only `fewest` columns.
    pub(super) fn readable(&mut self, most: usize, fewest: usize) -> Vec<Column> {
        loop {
            let columns = self.columns();
            if runs(&columns) <= most || self.columns / 2 < fewest {
                return columns;
            }
            self.columns /= 2;
        }
    }

    pub(super) fn x_of(&self, ms: i64) -> f64 {
        LEFT + (ms - self.from_ms) as f64 / self.span_ms as f64 * (RIGHT - LEFT)
    }

    /// Shades, heating and draw-offs.
    pub(super) fn ink(&self, story: &HomeStory, columns: &[Column]) -> String {
        let cell = (RIGHT - LEFT) / columns.len() as f64;
        let mut paths = vec![String::new(); SHADES.len()];
        for (probe, &(from, to)) in self.bands.iter().enumerate() {
            // Whole units keep the paths short; edges are rounded, never widths, so that bands and columns still meet.
            let (y, high) = (y_of(from).round(), y_of(to).round() - y_of(from).round());
            let shades: Vec<Option<usize>> =
                columns.iter().map(|c| Some(c.degc[probe]).filter(|v| !v.is_nan()).map(shade)).collect();
            let mut at = 0;
            for run in shades.chunk_by(|a, b| a == b) {
                if let Some(shade) = run[0] {
                    let edge = |i: usize| (LEFT + cell * i as f64).round();
                    let (x, width) = (edge(at), edge(at + run.len()) - edge(at));
                    paths[shade].push_str(&format!("M{x} {y}h{width}v{high}h-{width}z"));
                }
                at += run.len();
            }
        }
        let mut ink: String = paths
            .iter()
            .enumerate()
            .filter(|(_, path)| !path.is_empty())
            .map(|(shade, path)| format!("<path class=\"z{shade}\" d=\"{path}\"/>"))
            .collect();
        let heated: String = columns
            .iter()
            .enumerate()
            .filter(|(_, c)| c.on)
            .map(|(i, _)| format!("M{:.1} {}h{cell:.1}v14h-{cell:.1}z", LEFT + cell * i as f64, BASE - 18.0))
            .collect();
        let mut draws = self.draws(story);
        draws.sort_by(|a, b| b.litres.total_cmp(&a.litres));
        let taken: String = draws
            .iter()
            .take(MOST_DRAWS)
            .map(|d| {
                let long = 6.0 + d.litres.clamp(0.0, 60.0) / 2.0;
                format!("M{:.1} {}v-{long:.1}", self.x_of(d.start.0), TOP - 4.0)
            })
            .collect();
        ink.push_str(&format!("<path class=\"call\" d=\"{heated}\"/><path class=\"taken\" d=\"{taken}\"/>"));
        ink
    }

    /// Draw-offs that begin within the time.
    pub(super) fn draws<'s>(&self, story: &'s HomeStory) -> Vec<&'s drawoff_contract::results::DrawOffRow> {
        let within = self.from_ms..=self.from_ms.saturating_add(self.span_ms);
        story.draws.iter().filter(|d| within.contains(&d.start.0)).collect()
    }

    /// Names of the bands, and marks of the time at these instants.
    pub(super) fn labels(&self, story: &HomeStory, times: &[i64], pattern: &str) -> String {
        let mut out = String::new();
        let last = self.bands.len().saturating_sub(1);
        for (probe, name) in [(0, "top"), (last, "base")] {
            let (from, to) = self.bands[probe];
            out.push_str(&label("end", LEFT - 8.0, y_of(f64::midpoint(from, to)) + 8.0, name));
        }
        out.push_str(&label("end", LEFT - 8.0, BASE - 4.0, "heat"));
        out.push_str(&label("end", LEFT - 8.0, TOP - 10.0, "taken"));
        for &at in times {
            let words = words::local(Utc(at), story.zone(), pattern);
            out.push_str(&label("", self.x_of(at), BASE + 28.0, &words));
        }
        out
    }

    /// The local midnights within, as far apart as their words need.
    fn midnights(&self, story: &HomeStory) -> Vec<i64> {
        // A telephone has room for four.
        let least_apart = self.span_ms / 5;
        let mut out: Vec<i64> = Vec::new();
        let mut day = LocalDay::of_stamp(story.zone(), self.from_ms + 1);
        while day.start_ms < self.from_ms + self.span_ms - least_apart / 2 {
            let apart = out.last().is_none_or(|last| day.start_ms - last >= least_apart);
            if day.start_ms >= self.from_ms && apart {
                out.push(day.start_ms);
            }
            day = LocalDay::of(story.zone(), Day(day.day.0 + 1));
        }
        // The first day has no midnight within; its name stands at the edge where there is room.
        if out.first().is_none_or(|first| first - self.from_ms >= least_apart) {
            out.insert(0, self.from_ms);
        }
        out
    }
}

/// Cells of one shade side by side, counted over all bands.
fn runs(columns: &[Column]) -> usize {
    let shade_of = |column: &Column, probe: usize| column.degc.get(probe).map(|&v| (v.is_nan(), shade(v)));
    let probes = columns.first().map_or(0, |c| c.degc.len());
    (0..probes).map(|p| columns.chunk_by(|a, b| shade_of(a, p) == shade_of(b, p)).count()).sum()
}

/// The drawing as an `svg` element.
pub(super) fn svg(id: &str, title: &str, description: &str, ink: &str, labels: &str) -> String {
    format!(
        "<svg class=\"plot cells\" role=\"img\" aria-labelledby=\"{id}-title {id}-desc\"><title id=\"{id}-title\">{}</title>\
         <desc id=\"{id}-desc\">{}</desc><svg width=\"100%\" height=\"{}\" viewBox=\"0 0 1000 {HEIGHT}\" \
         preserveAspectRatio=\"none\" aria-hidden=\"true\">{ink}</svg><g aria-hidden=\"true\">{labels}</g></svg>",
        text::html(title),
        text::html(description),
        HEIGHT / 2.0,
    )
}

/// Heights of the probes as the register has them; none where it has none.
pub(super) fn probe_heights(story: &HomeStory) -> &[f32] {
    story.cylinder.as_ref().map_or(&[], |c| c.probe_heights.as_slice())
}

/// The picture; empty with fewer than two probes or less than a few hours of readings.
pub(super) fn figure(story: &HomeStory, rows: &[&EvidenceRow]) -> String {
    let probes = rows.iter().map(|r| r.probes_degc.len()).max().unwrap_or(0);
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return String::new() };
    let span_ms = last.time.0.saturating_sub(first.time.0);
    if probes < 2 || !(8 * HALF_HOUR_MS..=400 * HALF_HOUR_MS).contains(&span_ms) {
        return String::new();
    }
    let bands = bands(probe_heights(story), probes);
    let mut picture =
        Picture { rows, bands: &bands, from_ms: first.time.0 - 1, span_ms: span_ms + 1, columns: COLUMNS };
    let columns = picture.readable(MOST_RUNS, FEWEST_COLUMNS);
    let ink = picture.ink(story, &columns);
    let description = format!(
        "One band a probe, the top one above, as wide as the part of the water that it stands for, darker where the water is hotter; a bar \
         beneath where it was heated; {} draw-offs as strokes above, longer for more litres. The table of the readings gives the means.",
        picture.draws(story).len()
    );
    let labels = picture.labels(story, &picture.midnights(story), "%a %-d %b");
    format!(
        "<figure>{}<figcaption>The tank by height and time ({}): a band a probe, as wide as its part of the water; darker is hotter; strokes \
         above are draw-offs, bars beneath are heating.</figcaption>{}</figure>\n",
        svg("heights", "The tank by height and time", &description, &ink, &labels),
        text::html(story.zone().name()),
        key(),
    )
}

/// What the shades mean, in words.
pub(super) fn key() -> String {
    let mut out = String::from("<ul class=\"key\" aria-label=\"Shades\">");
    for shade in 0..SHADES.len() {
        let words = match (SHADES.get(shade), SHADES.get(shade + 1)) {
            (Some(low), Some(high)) if low.is_finite() => format!("{low:.0} to {high:.0} °C"),
            (Some(low), None) => format!("{low:.0} °C and above"),
            (_, Some(high)) => format!("below {high:.0} °C"),
            _ => String::new(),
        };
        out.push_str(&format!(
            "<li><svg aria-hidden=\"true\"><rect class=\"z{shade}\" width=\"100%\" height=\"100%\"/></svg>{words}</li>"
        ));
    }
    out.push_str("</ul>");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shades_begin_where_they_say() {
        assert_eq!([-5.0, 19.9, 20.0, 54.9, 60.0, 95.0].map(shade), [0, 0, 1, 4, 6, 7]);
    }

    #[test]
    fn bands_end_half_way_between_probes() {
        assert_eq!(bands(&[0.75, 0.25], 2), [(0.0, 0.5), (0.5, 1.0)]);
        assert_eq!(bands(&[1.0, 0.5, 0.0], 3), [(0.0, 0.25), (0.25, 0.75), (0.75, 1.0)]);
        // Heights that do not fit: too few, in no order, no number.
        for odd in [&[0.5][..], &[0.2, 0.8], &[f32::NAN, 0.1], &[]] {
            assert_eq!(bands(odd, 2), [(0.0, 0.5), (0.5, 1.0)]);
        }
    }

    #[test]
    fn each_probe_has_its_band_and_a_gap_stays_empty() {
        let row = |i: i64, base: f32| EvidenceRow {
            home: String::new(),
            time: Utc(i * 300_000),
            probes_degc: vec![62.0, base],
            power_w: Some(0.0),
            call: None,
            surroundings_degc: None,
        };
        let rows: Vec<EvidenceRow> =
            (0..288).map(|i| row(i, if i > 100 { f32::NAN } else { 15.0 })).collect();
        let html = figure(&HomeStory::default(), &rows.iter().collect::<Vec<_>>());
        // The top stays in one shade all day; the base is cold for a third of it, then silent.
        assert!(html.contains("<path class=\"z6\" d=\"M100 44h890v153"), "{html}");
        assert!(html.contains("<path class=\"z0\" d=\"M100 197h3"), "{html}");
        assert!(!html.contains("<path class=\"z1\""));
    }
}
