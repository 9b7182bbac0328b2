//! The table beside a plot: means by hour of the local day.

use chrono_tz::Tz;
use drawoff_contract::local::{self, LocalDay};
use drawoff_contract::results::EvidenceRow;
use drawoff_contract::{Day, Utc};

use super::plot::{probe_count, probe_name};
use crate::{text, words};

/// Cells of a table at most, so that a card stays small: longer evidence is averaged over more hours.
const MOST_CELLS: usize = 1100;
/// More columns than this do not fit a telephone side by side: there each row wraps.
const MOST_NARROW_COLUMNS: usize = 9;
const HOUR_MS: i64 = 3_600_000;

/// Mean of the finite values; NaN when there is none.
#[derive(Clone, Copy, Default)]
struct Mean {
    sum: f64,
    count: u32,
}

impl Mean {
    fn add(&mut self, value: f64) {
        if value.is_finite() {
            self.sum += value;
            self.count += 1;
        }
    }

    fn value(self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / f64::from(self.count))
    }
}

struct Bucket {
    day: Day,
    start_ms: i64,
    probes: Vec<Mean>,
    power_w: Mean,
    call: Mean,
    surroundings: Mean,
}

/// The evidence as a folded table; `hours_shown` is the length of the evidence.
pub(super) fn table(home: &str, rows: &[&EvidenceRow], zone: Tz, hours_shown: f64) -> String {
    let probes = probe_count(rows);
    let hours = bucket_hours(hours_shown, probes);
    let buckets = buckets(rows, zone, hours, probes);
    let has = |part: fn(&Bucket) -> Mean| buckets.iter().any(|b| part(b).count > 0);
    let optional = [has(|b| b.power_w), has(|b| b.call), has(|b| b.surroundings)];
    let span = if hours == 1 { "hour".to_owned() } else { format!("{hours} hours") };
    let columns = 1 + probes + optional.iter().filter(|&&shown| shown).count();
    let class = if columns > MOST_NARROW_COLUMNS { "hours many" } else { "hours" };
    let mut out = format!(
        "<details><summary>Means by {span} as a table</summary><table class=\"{class}\"><caption>Home {}: \
         means by {span} from the local time given; temperatures in °C, power in W, calls in % of the \
         time</caption><thead><tr><th scope=\"col\">From",
        text::isolated(home)
    );
    for probe in 0..probes {
        out.push_str(&format!("<th scope=\"col\">{}", probe_name(probe, probes)));
    }
    for (name, shown) in ["power", "called", "around"].iter().zip(optional) {
        if shown {
            out.push_str(&format!("<th scope=\"col\">{name}"));
        }
    }
    out.push_str("</thead>");
    for day in buckets.chunk_by(|a, b| a.day == b.day) {
        out.push_str(&day_rows(day, zone, columns, optional));
    }
    out.push_str("</table></details>");
    out
}

fn bucket_hours(hours_shown: f64, probes: usize) -> i64 {
    // Time, power, call and surroundings stand beside the probes.
    let most_rows = MOST_CELLS as f64 / (probes + 4) as f64;
    [1, 2, 3, 4, 6, 12].into_iter().find(|&h| hours_shown / h as f64 <= most_rows).unwrap_or(24)
}

fn day_rows(day: &[Bucket], zone: Tz, columns: usize, optional: [bool; 3]) -> String {
    let start = Utc(day[0].start_ms);
    // On a day of 23 or 25 hours the clock alone does not name the hour.
    let plain = (LocalDay::of(zone, day[0].day).hours() - 24.0).abs() < 0.01;
    let pattern = if plain { "%H:%M" } else { "%H:%M %Z" };
    let mut out = format!(
        "<tbody><tr><th class=\"date\" scope=\"rowgroup\" colspan=\"{columns}\">{}",
        words::local(start, zone, "%a %-d %b %Y")
    );
    for bucket in day {
        let from = words::local(Utc(bucket.start_ms), zone, pattern);
        out.push_str(&format!("<tr><th scope=\"row\">{from}"));
        for mean in &bucket.probes {
            out.push_str("<td>");
            out.push_str(&shown(mean.value(), 1));
        }
        let others = [
            (bucket.power_w.value(), 0),
            (bucket.call.value().map(|c| c * 100.0), 0),
            (bucket.surroundings.value(), 1),
        ];
        for (i, (value, digits)) in others.into_iter().enumerate() {
            if optional[i] {
                out.push_str(&format!("<td class={}>{}", ["w", "c", "s"][i], shown(value, digits)));
            }
        }
    }
    out
}

fn shown(value: Option<f64>, digits: usize) -> String {
    let tens = if digits == 0 { 1.0 } else { 10.0 };
    // A dash, so that an empty cell is never taken for a zero; adding zero takes the sign from minus zero.
    value.map_or_else(|| "–".to_owned(), |v| format!("{:.digits$}", (v * tens).round() / tens + 0.0))
}

fn buckets(rows: &[&EvidenceRow], zone: Tz, hours: i64, probes: usize) -> Vec<Bucket> {
    let mut out: Vec<Bucket> = Vec::new();
    for row in rows {
        // Outside these years there is no calendar to sort by.
        if !(1..4_102_444_800_000).contains(&row.time.0) {
            continue;
        }
        let day = local::day_of(zone, row.time.0 - 1);
        let day_start_ms = LocalDay::of(zone, day).start_ms;
        // A stamp ends its interval: the value at 14:00 belongs to the hour from 13:00.
        let index = (row.time.0 - 1 - day_start_ms).div_euclid(hours * HOUR_MS);
        let start_ms = day_start_ms + index * hours * HOUR_MS;
        if out.last().is_none_or(|b| b.start_ms != start_ms) {
            out.push(Bucket {
                day,
                start_ms,
                probes: vec![Mean::default(); probes],
                power_w: Mean::default(),
                call: Mean::default(),
                surroundings: Mean::default(),
            });
        }
        let Some(bucket) = out.last_mut() else { continue };
        for (mean, &value) in bucket.probes.iter_mut().zip(&row.probes_degc) {
            mean.add(f64::from(value));
        }
        bucket.power_w.add(row.power_w.unwrap_or(f64::NAN));
        bucket.call.add(row.call.unwrap_or(f64::NAN));
        bucket.surroundings.add(row.surroundings_degc.unwrap_or(f64::NAN));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(ms: i64, degc: f32) -> EvidenceRow {
        EvidenceRow {
            home: "h".to_owned(),
            time: Utc(ms),
            probes_degc: vec![degc, f32::NAN],
            power_w: None,
            call: Some(1.0),
            surroundings_degc: None,
        }
    }

    #[test]
    fn a_stamp_counts_to_the_hour_it_ends() {
        // 1 January 2026, 00:30 to 02:00 UTC.
        let start = 1_767_225_600_000;
        let rows: Vec<EvidenceRow> =
            (1..=4_i16).map(|i| row(start + i64::from(i) * 1_800_000, f32::from(i))).collect();
        let refs: Vec<&EvidenceRow> = rows.iter().collect();
        let out = table("<h>", &refs, chrono_tz::UTC, 2.0);
        assert!(out.contains("<th scope=\"row\">00:00<td>1.5<td>–<td class=c>100<tr>"), "{out}");
        assert!(out.contains("<th scope=\"row\">01:00<td>3.5<td>–"), "{out}");
        assert!(out.contains("<bdi>&lt;h&gt;</bdi>"));
    }

    #[test]
    fn the_doubled_hour_is_named_twice() {
        // 25 October 2026, 00:00 to 02:00 UTC, London: 01:00 BST then 01:00 GMT.
        let start = 1_792_886_400_000;
        let rows: Vec<EvidenceRow> = (1..=4).map(|i| row(start + i * 1_800_000, 50.0)).collect();
        let refs: Vec<&EvidenceRow> = rows.iter().collect();
        let out = table("h", &refs, chrono_tz::Europe::London, 2.0);
        assert!(out.contains("01:00 BST") && out.contains("01:00 GMT"), "{out}");
    }

    #[test]
    fn long_evidence_is_averaged_over_more_hours() {
        assert_eq!((bucket_hours(120.0, 5), bucket_hours(240.0, 5), bucket_hours(9000.0, 5)), (1, 2, 24));
    }
}
