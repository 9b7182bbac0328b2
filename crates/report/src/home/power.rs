//! Full power of each element by day against its rating, with what the mains may give.

use drawoff_contract::HeatSource;
use drawoff_contract::daybook::PowerNote;

use super::HomeStory;
use super::bars::{BASE, HEIGHT, LEFT, TOP, ceiling, grid_to, label, svg};
use super::tables::{folded, head};
use crate::words;

/// Days drawn and told, the last ones with power; the file holds all.
const MOST: usize = 45;
/// Voltages that the supply may have, V: 230 V, 6 % below to 10 % above (Electricity Safety, Quality and Continuity Regulations 2002, Great
/// Britain, regulation 27, from memory). Local supply may be otherwise.
const SUPPLY_V: (f64, f64) = (230.0 * 0.94, 230.0 * 1.1);
/// Voltages that elements are rated at, V: one of these (common practice, no source).
const RATED_V: (f64, f64) = (230.0, 240.0);

/// Rating and voltages stand right of it.
const RIGHT: f64 = 880.0;

/// Least and most power over the rating that the mains explain: power goes with the square of the voltage.
fn band() -> (f64, f64) {
    let share = |supply: f64, rated: f64| (supply / rated) * (supply / rated);
    (share(SUPPLY_V.0, RATED_V.1), share(SUPPLY_V.1, RATED_V.0))
}

/// One element with its days of full power, W.
struct Element<'a> {
    index: usize,
    name: &'static str,
    rated_w: f64,
    days: Vec<(&'a PowerNote, f64)>,
}

fn elements(story: &HomeStory) -> Vec<Element<'_>> {
    let Some(cylinder) = &story.cylinder else { return Vec::new() };
    // What other sources take has no such rating: a heat pump's goes with the weather.
    let source = HeatSource::from_code(&cylinder.heat_source);
    if !matches!(source, Some(HeatSource::Element | HeatSource::TopPump)) {
        return Vec::new();
    }
    let rated = cylinder.element_rated_w.iter().enumerate();
    let of = |(index, &rated_w): (usize, &f32)| {
        let value = |d: &PowerNote| d.element_full_power_w.get(index).map(|&w| f64::from(w));
        let mut days: Vec<(&PowerNote, f64)> = story
            .power
            .iter()
            .filter_map(|d| Some((d, value(d).filter(|w| w.is_finite() && *w >= 0.0)?)))
            .collect();
        days.drain(..days.len().saturating_sub(MOST));
        let name = if index == 0 { "Lower element" } else { "Upper element" };
        (rated_w > 0.0 && !days.is_empty()).then_some(Element {
            index,
            name,
            rated_w: f64::from(rated_w),
            days,
        })
    };
    rated.filter_map(of).collect()
}

/// A picture an element with a table each; empty without rating or full power.
pub(super) fn figures(story: &HomeStory) -> String {
    let diverter = story.cylinder.as_ref().is_some_and(|c| c.is_diverter);
    elements(story).iter().map(|e| figure(e, diverter)).collect()
}

fn figure(element: &Element<'_>, diverter: bool) -> String {
    let (low, most) = band();
    let Element { index, name, rated_w, days } = element;
    let highest = days.iter().map(|d| d.1).fold(rated_w * most, f64::max);
    let (high, step) = ceiling(highest / 1000.0);
    let (mut ink, mut labels) = (String::new(), String::new());
    grid_to(RIGHT, high, step, "kW", &mut ink, &mut labels);
    let y = |w: f64| BASE - (w / 1000.0 / high).clamp(0.0, 1.0) * (BASE - TOP);
    ink.push_str(&format!(
        "<path class=\"band\" d=\"M{LEFT} {:.0}H{RIGHT}V{:.0}H{LEFT}z\"/><path class=\"fit\" d=\"M{LEFT} {:.0}H{RIGHT}\"/>",
        y(rated_w * low),
        y(rated_w * most),
        y(*rated_w),
    ));
    let voltages =
        [(most, SUPPLY_V.1), (low, SUPPLY_V.0)].map(|(share, v)| (share, format!("{v:.0}\u{a0}V")));
    for (share, words) in voltages.into_iter().chain([(1.0, "rated".to_owned())]) {
        labels.push_str(&label("", RIGHT + 10.0, y(rated_w * share) + 8.0, &words));
    }
    let (first, last) = (days[0].0.day.0, days[days.len() - 1].0.day.0);
    let wide = (RIGHT - LEFT) / f64::from(last - first + 1);
    let mut dots = String::new();
    for (day, w) in days {
        let x = LEFT + wide * (f64::from(day.day.0 - first) + 0.5);
        dots.push_str(&format!("M{x:.0} {:.0}h0", y(*w)));
    }
    ink.push_str(&format!("<path class=\"dots\" d=\"{dots}\"/>"));
    let every = (last - first + 1).max(1).unsigned_abs().div_ceil(6).max(1) as usize;
    for day in (first..=last).step_by(every) {
        let words = words::day(drawoff_contract::Day(day));
        let words = words.rsplit_once(' ').map_or("", |p| p.0);
        labels.push_str(&label("", LEFT + wide * f64::from(day - first), HEIGHT - 2.0, words));
    }
    let (least, top) = days.iter().fold((f64::MAX, 0.0_f64), |(l, h), d| (l.min(d.1), h.max(d.1)));
    let description = format!(
        "{} days with full power, {:.2} to {:.2} kW, a dot each; a level line at the rating, {:.2} kW, in a band from {:.2} to {:.2} kW that the \
         voltage of the mains explains. The table below gives the figures.",
        days.len(),
        least / 1000.0,
        top / 1000.0,
        rated_w / 1000.0,
        rated_w * low / 1000.0,
        rated_w * most / 1000.0,
    );
    let plot = svg(
        &format!("power-{index}"),
        &format!("{name}: full power against its rating"),
        &description,
        &ink,
        &labels,
    );
    let sun = if diverter {
        " Spare solar power is sent here, so that days below the band are no fault by themselves."
    } else {
        ""
    };
    format!(
        "<figure>{plot}<figcaption>{name}: median power at full call, a dot a day, against the rating. The band is what mains of {:.0} to {:.0} V \
         make of it, rated at {:.0} or {:.0} V: power goes with the square of the voltage. A finding allows for tolerance and meter besides.{sun}\
         </figcaption></figure>\n{}",
        SUPPLY_V.0,
        SUPPLY_V.1,
        RATED_V.0,
        RATED_V.1,
        table(element),
    )
}

fn table(element: &Element<'_>) -> String {
    let mut out = head(
        "counts",
        &format!("{}: days with full power, the last {MOST} at most", element.name),
        &["Day", "Full power, W", "Of the rating"],
    );
    for (day, w) in &element.days {
        out.push_str(&format!(
            "<tr><th scope=\"row\">{}</th><td>{w:.0}</td><td>{:.0} %</td></tr>\n",
            words::day(day.day),
            100.0 * w / element.rated_w,
        ));
    }
    folded(&format!("{} as a table", element.name), &out)
}

#[cfg(test)]
mod tests {
    use drawoff_contract::Day;
    use drawoff_contract::results::CylinderRow;

    use super::*;

    fn story(source: HeatSource, power: &[f32]) -> HomeStory {
        let day = |(i, &w): (usize, &f32)| PowerNote {
            home: "a".to_owned(),
            day: Day(20_465 + i32::try_from(i).unwrap()),
            element_full_power_w: vec![f32::NAN, w],
        };
        HomeStory {
            cylinder: Some(CylinderRow {
                home: "a".to_owned(),
                volume_l: Some(200.0),
                heat_source: source.code().to_owned(),
                is_diverter: false,
                set_point_degc: None,
                probe_heights: Vec::new(),
                element_rated_w: vec![f32::NAN, 3000.0],
                element_heights: vec![f32::NAN, 0.6],
                source_rated_w: None,
            }),
            power: power.iter().enumerate().map(day).collect(),
            ..HomeStory::default()
        }
    }

    #[test]
    fn the_band_is_that_of_the_voltages_squared() {
        // By hand: (216.2 / 240)^2 and (253 / 230)^2.
        assert!((band().0 - 0.811_501).abs() < 1e-6 && (band().1 - 1.21).abs() < 1e-9, "{:?}", band());
    }

    #[test]
    fn part_power_lies_below_the_band_and_days_without_power_are_left_out() {
        let html = figures(&story(HeatSource::Element, &[2950.0, f32::NAN, 1980.0]));
        assert!(html.contains("2 days with full power, 1.98 to 2.95 kW"), "{html}");
        assert!(html.contains("<td>1980</td><td>66 %</td>") && html.contains("Upper element"));
        let dots = html.split("<path class=\"dots\" d=\"").nth(1).unwrap().split('"').next().unwrap();
        // 4 kW fill 316 units: the band ends at 0.8115 x 3 kW, 168 units above the base at 360.
        assert_eq!(dots, "M205 127h0M745 204h0");
        assert!(html.contains("M70 168H880V73H70z"), "{html}");
    }

    #[test]
    fn heat_pumps_and_homes_without_power_have_no_such_picture() {
        assert!(figures(&story(HeatSource::HeatPump, &[900.0])).is_empty());
        assert!(figures(&story(HeatSource::Element, &[f32::NAN])).is_empty());
        assert!(figures(&HomeStory::default()).is_empty());
    }
}
