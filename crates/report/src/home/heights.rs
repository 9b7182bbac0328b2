//! The tank as a picture: height by time, shaded by temperature, with heating and draw-offs marked.

use drawoff_contract::Utc;
use drawoff_contract::results::EvidenceRow;

use super::HomeStory;
use super::bars::label;
use crate::{text, words};

const LEFT: f64 = 60.0;
const RIGHT: f64 = 990.0;
const TOP: f64 = 44.0;
const BASE: f64 = 380.0;
/// Columns of the picture at most: half an hour each over three days.
const COLUMNS: usize = 144;
/// Lower ends of the shades, °C: below 20 cold, from 60 hot enough against legionella.
const SHADES: [f64; 8] = [f64::NEG_INFINITY, 20.0, 30.0, 40.0, 50.0, 55.0, 60.0, 70.0];
const HALF_HOUR_MS: i64 = 1_800_000;
/// Draw-offs marked at most, the largest.
const MOST_DRAWS: usize = 60;
/// Above this a heater is on.
const ON_W: f64 = 100.0;

fn shade(degc: f64) -> usize {
    SHADES.iter().rposition(|&low| degc >= low).unwrap_or(0)
}

/// What a column of the picture is made from.
struct Column {
    sums: Vec<f64>,
    counts: Vec<u32>,
    on: bool,
}

/// The picture; empty with fewer than two probes or less than a few hours of readings.
pub(super) fn figure(story: &HomeStory, rows: &[&EvidenceRow]) -> String {
    let probes = rows.iter().map(|r| r.probes_degc.len()).max().unwrap_or(0);
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return String::new() };
    let span = last.time.0.saturating_sub(first.time.0);
    if probes < 2 || !(8 * HALF_HOUR_MS..=400 * HALF_HOUR_MS).contains(&span) {
        return String::new();
    }
    let wide = span / COLUMNS as i64 + 1;
    let columns = columns(rows, first.time.0, wide, probes);
    let (cell, row) = ((RIGHT - LEFT) / COLUMNS as f64, (BASE - TOP - 30.0) / probes as f64);
    let mut paths = vec![String::new(); SHADES.len()];
    for probe in 0..probes {
        let y = TOP + row * probe as f64;
        let shades: Vec<Option<usize>> = columns
            .iter()
            .map(|c| (c.counts[probe] > 0).then(|| shade(c.sums[probe] / f64::from(c.counts[probe]))))
            .collect();
        let mut at = 0;
        for run in shades.chunk_by(|a, b| a == b) {
            if let Some(shade) = run[0] {
                let x = LEFT + cell * at as f64;
                let width = cell * run.len() as f64;
                paths[shade].push_str(&format!("M{x:.1} {y:.1}h{width:.1}v{row:.1}h-{width:.1}z"));
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
    let x_of = |ms: i64| LEFT + (ms - first.time.0) as f64 / span as f64 * (RIGHT - LEFT);
    let mut draws: Vec<_> =
        story.draws.iter().filter(|d| d.start.0 >= first.time.0 && d.start.0 <= last.time.0).collect();
    let seen = draws.len();
    draws.sort_by(|a, b| b.litres.total_cmp(&a.litres));
    let taken: String = draws
        .iter()
        .take(MOST_DRAWS)
        .map(|d| {
            format!("M{:.1} {}v-{:.1}", x_of(d.start.0), TOP - 4.0, 6.0 + d.litres.clamp(0.0, 60.0) / 2.0)
        })
        .collect();
    ink.push_str(&format!("<path class=\"call\" d=\"{heated}\"/><path class=\"taken\" d=\"{taken}\"/>"));
    let mut labels = String::new();
    for (probe, name) in [(0, "top"), (probes - 1, "base")] {
        labels.push_str(&label("end", LEFT - 8.0, TOP + row * (probe as f64 + 0.5) + 8.0, name));
    }
    labels.push_str(&label("end", LEFT - 8.0, BASE - 4.0, "heat"));
    labels.push_str(&label("end", LEFT - 8.0, TOP - 10.0, "taken"));
    let zone = story.zone();
    for i in 0..4 {
        let at = first.time.0 + span / 4 * i;
        labels.push_str(&label("", x_of(at), BASE + 28.0, &words::local(Utc(at), zone, "%a %H:%M")));
    }
    format!(
        "<figure><svg class=\"plot cells\" role=\"img\" aria-labelledby=\"heights-title heights-desc\"><title id=\"heights-title\">The tank by height \
         and time</title><desc id=\"heights-desc\">One band a probe, the top one above, darker where the water is hotter; a dark bar beneath where \
         it was heated; {seen} draw-offs as strokes above, longer for more litres. The table of the readings gives the means.</desc>\
         <svg width=\"100%\" height=\"220\" viewBox=\"0 0 1000 440\" preserveAspectRatio=\"none\" aria-hidden=\"true\">{ink}</svg>\
         <g aria-hidden=\"true\">{labels}</g></svg><figcaption>The tank by height and time ({}): a band a probe, darker is hotter; strokes \
         above are draw-offs, dark bars beneath heating.</figcaption>{}</figure>\n",
        text::html(zone.name()),
        key(),
    )
}

fn columns(rows: &[&EvidenceRow], start_ms: i64, wide: i64, probes: usize) -> Vec<Column> {
    let mut columns: Vec<Column> = (0..COLUMNS)
        .map(|_| Column { sums: vec![0.0; probes], counts: vec![0; probes], on: false })
        .collect();
    for row in rows {
        let at = usize::try_from((row.time.0 - start_ms) / wide).unwrap_or(0).min(COLUMNS - 1);
        let column = &mut columns[at];
        for (probe, &degc) in row.probes_degc.iter().enumerate().filter(|(_, v)| v.is_finite()) {
            column.sums[probe] += f64::from(degc);
            column.counts[probe] += 1;
        }
        column.on |= row.power_w.is_some_and(|w| w > ON_W) || row.call.is_some_and(|c| c >= 0.5);
    }
    columns
}

/// What the shades mean, in words.
fn key() -> String {
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
        assert!(html.contains("<path class=\"z6\" d=\"M60.0 44.0h930.0"), "{html}");
        assert!(html.contains("<path class=\"z0\" d=\"M60.0 197.0h3"), "{html}");
        assert!(!html.contains("<path class=\"z1\""));
    }
}
