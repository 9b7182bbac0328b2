//! Flexible load as one self-contained HTML page: when, how much, for how long, how surely, what comes back, what limits it.

mod plots;
mod tables;

use drawoff_contract::flexible_tables::{BackTestRow, BatteryRow, FlexibleGroupRow, FlexibleRow};

use crate::page::{Frame, prose, shell_in};
use crate::{text, words};

/// What the page is made from. All text is taken as hostile.
#[derive(Clone, Copy, Debug)]
pub struct FlexiblePage<'a> {
    /// Heading of the page.
    pub title: &'a str,
    /// Currency of worths.
    pub currency: &'a str,
    /// Offers of all groups.
    pub load: &'a [FlexibleRow],
    /// Groups, counted and not.
    pub groups: &'a [FlexibleGroupRow],
    /// The fleet as one store.
    pub battery: &'a [BatteryRow],
    /// Declarations of past days against what came.
    pub back_test: &'a [BackTestRow],
    /// Remarks on this run.
    pub notes: &'a [String],
}

const LEAD: &str = "How much heating of this fleet's cylinders can be held off, or taken on, from each half-hour of the day on: what nine \
past days in ten would have given, for how long, and what comes back afterwards.";

/// Words of the two directions for headings.
pub(crate) const DIRECTIONS: [(&str, &str, &str); 2] =
    [("hold off", "hold", "Holding off"), ("take on", "take", "Taking on")];
/// Lengths of events that the tables hold, h.
pub(crate) const HOURS: [f64; 4] = [0.5, 1.0, 2.0, 4.0];

/// The page, UTF-8. Same rows, same bytes.
#[must_use]
pub fn flexible_load(page: &FlexiblePage<'_>) -> String {
    flexible_load_in(page, &Frame::default())
}

/// [`flexible_load`] among the other pages of its run.
#[must_use]
pub fn flexible_load_in(page: &FlexiblePage<'_>, frame: &Frame<'_>) -> String {
    let links = [
        ("#figures", "In short"),
        ("#when", "When"),
        ("#long", "For how long"),
        ("#after", "What comes back"),
        ("#limits", "What limits it"),
        ("#store", "As one store"),
        ("#test", "Back-test"),
        ("#groups", "Groups"),
        ("#method", "Method"),
    ];
    let fleet: Vec<&FlexibleRow> = page.load.iter().filter(|r| r.group_by == "fleet").collect();
    let mut body = figures(page, &fleet);
    if fleet.is_empty() {
        body.push_str(
            "<section id=\"when\"><p>Too few homes are counted for any power to be told.</p></section>\n",
        );
    } else {
        body.push_str(&when(&fleet));
        body.push_str(&long(&fleet));
        body.push_str(&after(&fleet));
        body.push_str(&limits(&fleet));
        body.push_str(&tables::worth(&fleet, page.currency));
    }
    body.push_str(&tables::store(page.battery));
    body.push_str(&tables::test(page.back_test));
    body.push_str(&tables::groups(page.groups));
    body.push_str(METHOD);
    body.push_str(prose::CAUTIONS);
    shell_in(frame, page.title, LEAD, &links, &body)
}

fn section(id: &str, heading: &str, body: &str) -> String {
    format!(
        "<section id=\"{id}\" aria-labelledby=\"{id}-h\">\n<h2 id=\"{id}-h\">{}</h2>\n{body}</section>\n",
        text::html(heading)
    )
}

fn figure(name: &str, value: &str, aside: &str) -> String {
    format!(
        "<div><dt>{}</dt><dd><b>{}</b><span>{}</span></dd></div>\n",
        text::html(name),
        text::html(value),
        text::html(aside)
    )
}

/// A power with three figures that matter.
pub(crate) fn kw(value: f64) -> String {
    match value.abs() {
        v if v >= 99.95 => words::grouped(&format!("{value:.0}")),
        v if v >= 9.995 => format!("{value:.1}"),
        _ => format!("{value:.2}"),
    }
}

fn figures(page: &FlexiblePage<'_>, fleet: &[&FlexibleRow]) -> String {
    let mut body = String::from("<dl class=\"figures\">\n");
    if let Some(all) = page.groups.iter().find(|g| g.group_by == "fleet") {
        body.push_str(&figure(
            "Homes counted",
            &words::count(usize::try_from(all.counted).unwrap_or(0)),
            &format!("of {}", words::count(usize::try_from(all.homes).unwrap_or(0))),
        ));
    }
    for (direction, _, heading) in DIRECTIONS {
        let hour = fleet.iter().filter(|r| r.direction == direction && r.duration_h == 1.0);
        if let Some(best) = hour.max_by(|a, b| a.firm_kw.total_cmp(&b.firm_kw)) {
            body.push_str(&figure(
                &format!("{heading}, 1 h, firm"),
                &format!("{} kW", kw(best.firm_kw)),
                &format!("at best: {}, {}", best.day_type, best.start),
            ));
        }
    }
    let events = fleet.iter().filter(|r| r.direction == "hold off" && r.share_moved > 0.0);
    let (sum, n) =
        events.fold((0.0, 0.0), |(s, n), r| (s + r.short_share * r.share_moved, n + r.share_moved));
    if n > 0.0 {
        body.push_str(&figure(
            "Events with a user going short",
            &format!("{:.2} %", 100.0 * sum / n),
            "holding off, on past days",
        ));
    }
    body.push_str("</dl>\n");
    if !page.notes.is_empty() {
        body.push_str("<ul class=\"notes\">\n");
        for note in page.notes {
            body.push_str(&format!("<li>{}</li>\n", text::html(note)));
        }
        body.push_str("</ul>\n");
    }
    section("figures", "In short", &body)
}

fn when(fleet: &[&FlexibleRow]) -> String {
    let mut body = String::from(
        "<p>Each field is one start; the stronger its colour, the more firm power (kW, mean over the event, exceeded on nine past days in ten). The \
         strongest field of each row carries its figure.</p>\n",
    );
    for (direction, id, heading) in DIRECTIONS {
        let rows: Vec<&FlexibleRow> = fleet.iter().copied().filter(|r| r.direction == direction).collect();
        body.push_str(&format!("<h3>{heading}</h3>\n"));
        body.push_str(&plots::heat_map(id, heading, &rows));
        body.push_str(&tables::by_start(heading, &rows));
    }
    section("when", "When", &body)
}

fn long(fleet: &[&FlexibleRow]) -> String {
    let mut body = String::from(
        "<p>Half-hours of a week in order of what they offer: how many of them offer at least so much firm power, by length of the event.</p>\n",
    );
    for (direction, id, heading) in DIRECTIONS {
        let rows: Vec<&FlexibleRow> = fleet.iter().copied().filter(|r| r.direction == direction).collect();
        body.push_str(&format!("<h3>{heading}</h3>\n"));
        body.push_str(&plots::durations(id, heading, &rows));
        body.push_str(&tables::durations(heading, &rows));
    }
    section("long", "For how long", &body)
}

fn after(fleet: &[&FlexibleRow]) -> String {
    let rows: Vec<&FlexibleRow> =
        fleet.iter().copied().filter(|r| r.direction == "hold off" && r.duration_h == 1.0).collect();
    let mut body = String::from(
        "<p>After an hour of holding off, the cylinders heat again: largest rise of load in one half-hour if all are let go at once, and if they \
         are let go in turns so that the rise stays under the day's usual peak.</p>\n",
    );
    for day_type in ["weekday", "weekend"] {
        let of_day: Vec<&FlexibleRow> = rows.iter().copied().filter(|r| r.day_type == day_type).collect();
        if !of_day.is_empty() {
            body.push_str(&plots::after(day_type, &of_day));
        }
    }
    body.push_str(&tables::after(&rows));
    section("after", "What comes back", &body)
}

fn limits(fleet: &[&FlexibleRow]) -> String {
    let mut body = String::from(
        "<p>What decided on past days, as a share of homes, for an hour's event on weekdays: moved load; left alone for comfort, as too \
         little hot water was there for what may be drawn; left alone as the sun may be what heats; silent. The rest had nothing to move.</p>\n",
    );
    for (direction, id, heading) in DIRECTIONS {
        let rows: Vec<&FlexibleRow> = fleet
            .iter()
            .copied()
            .filter(|r| r.direction == direction && r.duration_h == 1.0 && r.day_type == "weekday")
            .collect();
        if rows.is_empty() {
            continue;
        }
        body.push_str(&format!("<h3>{heading}</h3>\n"));
        body.push_str(&plots::limits(id, heading, &rows));
        body.push_str(&tables::limits(heading, &rows));
    }
    section("limits", "What limits it", &body)
}

const METHOD: &str = "<section id=\"method\" aria-labelledby=\"method-h\">\n<h2 id=\"method-h\">Method</h2>\n<ol class=\"steps\">\n\
<li><strong>Trials.</strong> Every past day is a trial: what would an event have moved at each home, had it begun in that half-hour? \
What is held off is what the meter shows; what is taken on is what the cylinder had room for, less what the meter shows.</li>\n\
<li><strong>Comfort.</strong> A home is left alone where the hot water in its cylinder would not have covered what it draws (nine days in ten) \
until the heat can be put back. Its own draw-offs of the day, run through a model of its cylinder, then show whether a user went short.</li>\n\
<li><strong>Firm.</strong> The trial days are the same for all homes, so weather, weekends and lost connections act on all of them together. \
Firm is what the sum over the homes exceeds on nine days in ten; it is never a sum of the homes' own figures.</li>\n\
<li><strong>Afterwards.</strong> Energy not taken comes back, or is loss avoided, or is still missing 8 h later: the three add up.</li>\n\
<li><strong>Not counted.</strong> Homes with a fault, without readings, with nobody at home, or without metered electric heat. Where spare \
solar power may be what heats, nothing is offered.</li>\n</ol>\n\
<p>Groups smaller than the run's limit get no figures, so that no home's habits can be read from them.</p>\n</section>\n";
