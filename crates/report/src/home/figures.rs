//! The figures of a home as name and value, the same on the terminal and on the page.

use super::{HomeStory, number, ranged};
use crate::words;

/// A named group of figures.
pub(super) struct Group {
    pub(super) name: &'static str,
    pub(super) rows: Vec<(&'static str, String)>,
}

/// Cylinder, use and data, in this order; groups without a figure are left out.
pub(super) fn groups(story: &HomeStory) -> Vec<Group> {
    let groups = [
        Group { name: "The cylinder", rows: cylinder(story) },
        Group { name: "Use", rows: usage(story) },
        Group { name: "The data", rows: data(story) },
    ];
    groups.into_iter().filter(|g| !g.rows.is_empty()).collect()
}

fn cylinder(story: &HomeStory) -> Vec<(&'static str, String)> {
    let Some(row) = &story.row else { return Vec::new() };
    let mut out = Vec::new();
    let loss =
        ranged(row.standing_loss_w_per_k, row.standing_loss_w_per_k_p05, row.standing_loss_w_per_k_p95, 2);
    out.push((
        "Standing loss",
        format!("{loss} W/K; {} kWh a day in use", number(row.standing_loss_kwh_per_day, 2)),
    ));
    out.push((
        "Hot throughout",
        format!(
            "{} kWh/24 h at 45 K above the surroundings; declared {}",
            number(row.loss_at_45k_kwh_per_24h, 2),
            number(row.declared_loss_at_45k_kwh_per_24h, 2)
        ),
    ));
    if row.long_run_w_per_k.is_some() {
        let second = ranged(row.long_run_w_per_k, row.long_run_w_per_k_p05, row.long_run_w_per_k_p95, 2);
        out.push(("Second opinion", format!("{second} W/K, by the metered heat of days without use")));
    }
    out.push((
        "Surroundings",
        format!("{} °C, {}", number(row.surroundings_degc, 1), surroundings(&row.surroundings_source)),
    ));
    out.push((
        "Stored water",
        format!(
            "mean {} °C; top never below {} °C; highest {} °C",
            number(row.mean_stored_degc, 1),
            number(row.lowest_top_degc, 1),
            number(row.highest_degc, 1)
        ),
    ));
    if row.heat_per_metered.is_some() {
        let gain = ranged(row.heat_per_metered, row.heat_per_metered_p05, row.heat_per_metered_p95, 2);
        out.push(("Heat per metered kWh", gain));
    }
    let v40: Vec<f64> =
        row.v40_by_hour_litres.iter().map(|&v| f64::from(v)).filter(|v| v.is_finite()).collect();
    if let (Some(low), Some(high)) =
        (v40.iter().copied().reduce(f64::min), v40.iter().copied().reduce(f64::max))
    {
        out.push(("Usable at 40 °C", format!("{low:.0} to {high:.0} l over the day, median day")));
    }
    out
}

fn usage(story: &HomeStory) -> Vec<(&'static str, String)> {
    let Some(row) = &story.row else { return Vec::new() };
    let mut out = vec![(
        "Drawn a day",
        format!(
            "{} l, {} kWh; heater {} kWh",
            number(row.litres_per_day, 0),
            number(row.energy_kwh_per_day, 1),
            number(row.heater_kwh_per_day, 1)
        ),
    )];
    if row.small_draws_per_day.is_some() {
        out.push((
            "Uses a day",
            format!(
                "{} small, {} shower-like, {} baths or several at once",
                number(row.small_draws_per_day, 1),
                number(row.shower_draws_per_day, 1),
                number(row.bath_draws_per_day, 1)
            ),
        ));
    }
    if !story.vacancy.is_empty() {
        let of = |state: &str| story.vacancy.iter().filter(|v| v.state == state).count();
        let unknown = of(drawoff_contract::habit_tables::UNKNOWN);
        let mut text = format!("{} of {}", of(drawoff_contract::habit_tables::VACANT), story.vacancy.len());
        if unknown > 0 {
            text.push_str(&format!("; {unknown} not known"));
        }
        out.push(("Empty days", text));
    }
    if let Some(hours) = busiest(&row.weekday_draw_by_hour) {
        out.push(("Busiest weekday hours", hours));
    }
    for (kind, name) in
        [("weekday", "A weekday will draw"), ("saturday", "A Saturday"), ("sunday", "A Sunday")]
    {
        if let Some(a) = story.ahead.iter().find(|a| a.day_type == kind && a.hour == 0 && a.ahead_h == 24) {
            out.push((
                name,
                format!(
                    "up to {:.1} kWh one day in two, {:.1} nine in ten, {:.1} nineteen in twenty",
                    a.p50_kwh, a.p90_kwh, a.p95_kwh
                ),
            ));
        }
    }
    for change in &story.changes {
        out.push((
            "Level changed",
            format!(
                "on {}, from {:.1} to {:.1} kWh a day",
                words::day(change.day),
                change.before,
                change.after
            ),
        ));
    }
    for change in &story.hour_changes {
        out.push(("Hours changed", format!("on {}", words::day(change.day))));
    }
    if let Some(litres) = row.least_draw_off_litres {
        let hours = row.unseen_hours_per_day.filter(|h| *h >= 0.05);
        let after = hours
            .map_or(String::new(), |h| format!("; blind for {h:.1} h a day after the hot water is gone"));
        out.push(("Smallest draw-off seen", format!("{litres:.1} l{after}")));
    }
    out
}

/// "duplicate 1/1, out_of_range 0/5" as a reader would say it; what is not of this form stays as it is.
fn reasons(by_reason: &str) -> String {
    let one = |part: &str| {
        let (code, counts) = part.rsplit_once(' ')?;
        let (rows, values) = counts.split_once('/')?;
        let (rows, values): (u64, u64) = (rows.parse().ok()?, values.parse().ok()?);
        let named = |n: u64, noun: &str| {
            let ending = if n == 1 { "" } else { "s" };
            format!("{} {noun}{ending}", words::grouped(&n.to_string()))
        };
        let told: Vec<String> =
            [(rows, "row"), (values, "value")].iter().filter(|c| c.0 > 0).map(|c| named(c.0, c.1)).collect();
        Some(format!("{}: {}", code.replace('_', " "), told.join(", ")))
    };
    let parts = by_reason.split(", ").map(|part| one(part).unwrap_or_else(|| part.to_owned()));
    parts.collect::<Vec<_>>().join("; ")
}

/// Where the surroundings come from, in words; another word stands as it is.
fn surroundings(source: &str) -> &str {
    match source {
        "fleet" => "mean of the fleet's measured homes",
        other => other,
    }
}

/// The three hours with the most heat drawn, in the order of the day.
fn busiest(by_hour: &[f32]) -> Option<String> {
    let mut hours: Vec<(usize, f32)> =
        by_hour.iter().copied().enumerate().filter(|(_, v)| *v > 0.0 && v.is_finite()).collect();
    if hours.len() < 3 {
        return None;
    }
    hours.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let mut top: Vec<usize> = hours[..3].iter().map(|h| h.0).collect();
    top.sort_unstable();
    let named: Vec<String> = top.iter().map(|h| format!("{h} to {}", h + 1)).collect();
    Some(format!("{} o'clock", named.join(", ")))
}

fn data(story: &HomeStory) -> Vec<(&'static str, String)> {
    let mut out = Vec::new();
    if let (Some(first), Some(last)) = (story.days.first(), story.days.last()) {
        let good = story.row.as_ref().map_or(0, |r| r.good_days);
        out.push((
            "Period",
            format!(
                "{} to {}, {} days, {good} of them good",
                words::day(first.day),
                words::day(last.day),
                story.days.len()
            ),
        ));
    }
    if let Some(q) = &story.quality {
        let count = |n: i64| words::whole(n as f64);
        out.push((
            "Rows",
            format!(
                "{} in: {} used, {} masked, {} rejected",
                count(q.rows_in),
                count(q.rows_used),
                count(q.rows_masked),
                count(q.rows_rejected)
            ),
        ));
        out.push((
            "Missing",
            format!("{} rows; longest silence {:.1} h", count(q.rows_missing), q.longest_gap_hours),
        ));
        if !q.by_reason.is_empty() {
            out.push(("Masked", reasons(&q.by_reason)));
        }
    }
    if let Some(row) = &story.row {
        for verdict in super::verdicts::in_words(&row.verdicts) {
            out.push(("Note", verdict));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reasons_are_told_in_words_and_odd_ones_as_they_are() {
        assert_eq!(
            reasons("duplicate 1/8, out_of_range 0/1234, late 2/0"),
            "duplicate: 1 row, 8 values; out of range: 1,234 values; late: 2 rows"
        );
        assert_eq!(reasons("something else"), "something else");
    }
}
