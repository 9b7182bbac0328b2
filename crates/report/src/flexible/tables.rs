//! Tables beside the plots of flexible load.

use drawoff_contract::flexible_tables::{BackTestRow, BatteryRow, FlexibleGroupRow, FlexibleRow};

use super::plots::sorted_week;
use super::{HOURS, kw, section};
use crate::{text, words};

fn percent(share: Option<f64>) -> String {
    share.map_or_else(String::new, |s| format!("{:.1} %", 100.0 * s))
}

fn table(caption: &str, heads: &[&str], rows: impl Iterator<Item = Vec<String>>) -> String {
    // Whoever has no pointer scrolls it by the keyboard.
    let caption = text::html(caption);
    let mut out = format!(
        "<div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"{caption}\"><table class=\"hours\"><caption>{caption}</caption><thead><tr>"
    );
    for head in heads {
        out.push_str(&format!("<th scope=\"col\">{}</th>", text::html(head)));
    }
    out.push_str("</tr></thead><tbody>\n");
    for row in rows {
        out.push_str("<tr>");
        for (i, cell) in row.iter().enumerate() {
            let cell = text::html(cell);
            out.push_str(&if i == 0 {
                format!("<th scope=\"row\">{cell}</th>")
            } else {
                format!("<td>{cell}</td>")
            });
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody></table></div>\n");
    out
}

fn folded(summary: &str, body: &str) -> String {
    format!("<details><summary>{}</summary>{body}</details>\n", text::html(summary))
}

/// The heat map's figures.
pub(super) fn by_start(heading: &str, rows: &[&FlexibleRow]) -> String {
    let heads = ["Start", "0.5 h", "1 h", "2 h", "4 h", "0.5 h", "1 h", "2 h", "4 h"];
    let of = |slot: usize| {
        let mut cells = vec![format!("{:02}:{:02}", slot / 2, slot % 2 * 30)];
        for day_type in ["weekday", "weekend"] {
            for hours in HOURS {
                let found = rows
                    .iter()
                    .find(|r| r.period == slot as i64 + 1 && r.day_type == day_type && r.duration_h == hours);
                cells.push(found.map_or_else(String::new, |r| kw(r.firm_kw)));
            }
        }
        cells
    };
    folded(
        "The figures as a table",
        &table(
            &format!("{heading}: firm kW by start; first weekdays, then weekends"),
            &heads,
            (0..48).map(of),
        ),
    )
}

/// Points of the curves.
pub(super) fn durations(heading: &str, rows: &[&FlexibleRow]) -> String {
    let curves: Vec<Vec<f64>> = HOURS.iter().map(|h| sorted_week(rows, *h)).collect();
    let of = |percent: usize| {
        let mut cells = vec![format!("{percent} %")];
        cells.extend(curves.iter().map(|c| {
            let at = (c.len().saturating_sub(1)) * percent / 100;
            c.get(at).map_or_else(String::new, |v| kw(*v))
        }));
        cells
    };
    let caption =
        format!("{heading}: firm kW that so much of a week offers at least, by length of the event");
    folded(
        "Points of the curves as a table",
        &table(
            &caption,
            &["Share of the week", "0.5 h", "1 h", "2 h", "4 h"],
            [0, 10, 25, 50, 75, 90, 100].into_iter().map(of),
        ),
    )
}

/// What comes back, by start.
pub(super) fn after(rows: &[&FlexibleRow]) -> String {
    let heads = [
        "Start",
        "Held off, kW",
        "Back within 8 h",
        "Never lost",
        "Rise at once, kW",
        "Turns",
        "Rise in turns, kW",
    ];
    let of = |r: &&FlexibleRow| {
        vec![
            format!("{} {}", r.day_type, r.start),
            kw(r.p50_kw),
            percent(r.back_share),
            percent(r.loss_share),
            kw(r.rebound_kw),
            r.return_parts.to_string(),
            kw(r.return_rebound_kw),
        ]
    };
    folded(
        "The figures as a table",
        &table("After 1 h of holding off, by start", &heads, rows.iter().map(of)),
    )
}

/// What limits it, by start.
pub(super) fn limits(heading: &str, rows: &[&FlexibleRow]) -> String {
    let heads =
        ["Start", "Moves load", "Nothing to move", "Too little hot water", "Sun", "Silent", "Users short"];
    let of = |r: &&FlexibleRow| {
        let mut cells = vec![r.start.clone()];
        cells.extend(
            [r.share_moved, r.share_nothing, r.share_comfort, r.share_sun, r.share_silent, r.short_share]
                .map(|s| format!("{:.1} %", 100.0 * s)),
        );
        cells
    };
    folded(
        "The figures as a table",
        &table(&format!("{heading}, 1 h, weekdays: share of homes"), &heads, rows.iter().map(of)),
    )
}

/// Starts at which an event is worth most.
const BEST: usize = 8;

/// What moving load is worth under the prices and the carbon given; nothing without either.
pub(super) fn worth(rows: &[&FlexibleRow], currency: &str) -> String {
    let mut body = String::new();
    let mut priced: Vec<&FlexibleRow> = rows.iter().copied().filter(|r| r.worth.is_some()).collect();
    priced.sort_by_key(|r| std::cmp::Reverse(r.worth.map(|w| w.0)));
    let mut green: Vec<&FlexibleRow> = rows.iter().copied().filter(|r| r.carbon_kg.is_some()).collect();
    green.sort_by(|a, b| b.carbon_kg.unwrap_or(0.0).total_cmp(&a.carbon_kg.unwrap_or(0.0)));
    let heads = ["Event", "From", "P50, kWh", "Worth", "Carbon, kg"];
    let of = |r: &&FlexibleRow| {
        vec![
            format!("{}, {} h", r.direction, r.duration_h),
            format!("{} {}", r.day_type, r.start),
            kw(r.p50_kwh),
            r.worth.map_or_else(|| "–".to_owned(), |w| words::money(w, currency)),
            r.carbon_kg.map_or_else(|| "–".to_owned(), kw),
        ]
    };
    for (caption, best) in [("Events worth most money", &priced), ("Events that save most carbon", &green)] {
        if !best.is_empty() {
            body.push_str(&table(caption, &heads, best.iter().take(BEST).map(of)));
        }
    }
    if body.is_empty() {
        return body;
    }
    body.insert_str(
        0,
        "<p>Of one event at the P50: what is not bought at the time less what is bought because of it within 8 h afterwards, or the other way \
         round, at mean prices and intensities by half-hour.</p>\n",
    );
    section("worth", "What it is worth", &body)
}

/// The fleet as one store.
pub(super) fn store(rows: &[BatteryRow]) -> String {
    let mut body = String::from(
        "<p>The largest single store that the fleet can imitate for 2 h. At its resting load, which is what use and loss take, it keeps what it \
         holds; charge and discharge are load above and below that. It goes nowhere farther than the homes go together, and of random signals \
         within it one in twenty at most breaks a home's comfort (missed). Reach is how far it goes over how far the homes go, as a mean \
         over random directions.</p>\n",
    );
    if rows.is_empty() {
        body.push_str("<p>Not assessed: too few homes were seen.</p>\n");
    } else {
        let heads = [
            "From",
            "Homes",
            "Resting, kW",
            "Charge, kW",
            "Discharge, kW",
            "Capacity, kWh",
            "Leakage, % an hour",
            "Start, kWh",
            "Reach",
            "Missed",
        ];
        let of = |r: &BatteryRow| {
            vec![
                format!("{} {}", r.day_type, r.start),
                r.homes.to_string(),
                kw(r.resting_kw),
                kw(r.charge_kw),
                kw(r.discharge_kw),
                kw(r.capacity_kwh),
                format!("{:.2}", 100.0 * r.leakage_per_h),
                kw(r.start_kwh),
                format!("{:.0} %", 100.0 * r.support_share),
                format!("{:.1} %", 100.0 * r.miss_rate),
            ]
        };
        body.push_str(&table("One store", &heads, rows.iter().map(of)));
    }
    section("store", "As one store", &body)
}

/// The back-test.
pub(super) fn test(rows: &[BackTestRow]) -> String {
    let mut body = String::from(
        "<p>What would have been declared on the last days of the record from the days before them, against what those days gave. Firm should be \
         broken in one period of ten.</p>\n",
    );
    if rows.is_empty() {
        body.push_str("<p>Not assessed: too few homes, or no days were set aside for it.</p>\n");
    } else {
        let heads = [
            "Event",
            "Days",
            "Periods",
            "Firm broken",
            "95 % interval",
            "P50 off by",
            "CRPS, kW",
            "Mean, kW",
            "Users short",
        ];
        let of = |r: &BackTestRow| {
            let interval = match (r.broken_share_p025, r.broken_share_p975) {
                (Some(a), Some(b)) => format!("{:.1} to {:.1} %", 100.0 * a, 100.0 * b),
                _ => String::new(),
            };
            vec![
                format!("{}, {} h", r.direction, r.duration_h),
                r.days.to_string(),
                r.periods.to_string(),
                percent(r.broken_share),
                interval,
                r.p50_bias.map_or_else(String::new, |b| format!("{:+.1} %", 100.0 * b)),
                r.crps_kw.map_or_else(String::new, kw),
                r.mean_kw.map_or_else(String::new, kw),
                r.short_share.map_or_else(String::new, |s| format!("{:.2} %", 100.0 * s)),
            ]
        };
        body.push_str(&table("Declared on past days", &heads, rows.iter().map(of)));
    }
    section("test", "Back-test", &body)
}

/// Groups and why homes are not counted.
pub(super) fn groups(rows: &[FlexibleGroupRow]) -> String {
    let heads = [
        "Group",
        "Homes",
        "Counted",
        "Faulty",
        "Silent",
        "Vacant",
        "Not metered",
        "No volume",
        "Too little data",
        "Rated, kW",
        "Best firm, kW",
        "When",
    ];
    let of = |r: &FlexibleGroupRow| {
        let mut cells = vec![format!("{} {}", r.group_by, r.group)];
        cells.extend(
            [r.homes, r.counted, r.faulty, r.silent, r.vacant, r.not_metered, r.no_volume, r.too_little_data]
                .map(|n| words::count(usize::try_from(n).unwrap_or(0))),
        );
        cells.push(r.rated_kw.map_or_else(|| "not told".to_owned(), kw));
        cells.push(r.best_firm_kw.map_or_else(|| "not told".to_owned(), kw));
        cells.push(r.best_start.clone());
        cells
    };
    section(
        "groups",
        "Groups",
        &table("Homes counted, and not, by group; half an hour's holding off", &heads, rows.iter().map(of)),
    )
}
