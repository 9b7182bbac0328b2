//! When a home draws hot water: hour by day of the week.

use drawoff_contract::local::LocalDay;

use super::HomeStory;
use super::bars::label;

const DAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
const LEFT: f64 = 60.0;
const CELL: f64 = 38.0;
const TOP: f64 = 8.0;
const ROW: f64 = 44.0;
/// Classes of shade above none.
const SHADES: usize = 7;

/// Mean kWh drawn in each hour of each day of the week, over the weeks that were seen; `None` without a draw-off or a week.
fn means(story: &HomeStory) -> Option<[[f64; 24]; 7]> {
    let zone = story.zone();
    let mut days_seen = [0_usize; 7];
    for day in &story.days {
        if day.energy_kwh.is_some() {
            days_seen[weekday(day.day.0)] += 1;
        }
    }
    let mut sums = [[0.0; 24]; 7];
    for draw in story.draws.iter().filter(|d| d.energy_kwh.is_finite()) {
        let day = LocalDay::of_stamp(zone, draw.start.0 + 1);
        let known = story.days.binary_search_by(|d| d.day.0.cmp(&day.day.0));
        if !known.is_ok_and(|i| story.days[i].energy_kwh.is_some()) {
            continue;
        }
        // By the wall clock: on a day of 23 or 25 hours the hours since midnight are another thing.
        let hour = crate::words::local(draw.start, zone, "%H").parse::<usize>().unwrap_or(0).min(23);
        sums[weekday(day.day.0)][hour] += draw.energy_kwh;
    }
    for (sums, seen) in sums.iter_mut().zip(days_seen) {
        sums.iter_mut().for_each(|sum| *sum /= seen.max(1) as f64);
    }
    let is_there = days_seen.iter().all(|&seen| seen > 0) && sums.iter().flatten().any(|&v| v > 0.0);
    is_there.then_some(sums)
}

/// 0 is Monday: day 0, 1 January 1970, was a Thursday.
fn weekday(day: i32) -> usize {
    (day + 3).rem_euclid(7) as usize
}

/// The picture with its table.
pub(super) fn figure(story: &HomeStory) -> String {
    let Some(means) = means(story) else { return String::new() };
    let highest = means.iter().flatten().copied().fold(0.0, f64::max);
    let (mut labels, mut table) = (String::new(), String::new());
    let mut paths = vec![String::new(); SHADES + 1];
    for (d, hours) in means.iter().enumerate() {
        labels.push_str(&label("end", LEFT - 12.0, TOP + ROW * (d as f64 + 0.7), DAYS[d]));
        for (h, value) in hours.iter().enumerate() {
            let shade = (value / highest * SHADES as f64).ceil() as usize;
            let (x, y) = (LEFT + CELL * h as f64, TOP + ROW * d as f64);
            let (wide, high) = (CELL - 2.0, ROW - 3.0);
            paths[shade.min(SHADES)].push_str(&format!("M{x} {y}h{wide}v{high}h-{wide}z"));
        }
    }
    let ink: String = (1..=SHADES)
        .filter(|&shade| !paths[shade].is_empty())
        .map(|shade| format!("<path class=\"z{shade}\" d=\"{}\"/>", paths[shade]))
        .collect();
    for hour in (0..24).step_by(6) {
        labels.push_str(&label(
            "",
            LEFT + CELL * f64::from(hour),
            TOP + ROW * 7.0 + 26.0,
            &format!("{hour:02}:00"),
        ));
    }
    for hour in 0..24 {
        table.push_str(&format!("<tr><th scope=\"row\">{hour:02}:00</th>"));
        means.iter().for_each(|day| table.push_str(&format!("<td>{:.2}</td>", day[hour])));
        table.push_str("</tr>\n");
    }
    let heads: String = DAYS.iter().map(|d| format!("<th scope=\"col\">{d}</th>")).collect();
    format!(
        "<figure><svg class=\"plot week\" role=\"img\" aria-labelledby=\"week-title week-desc\"><title id=\"week-title\">Heat drawn by hour and \
         day of the week</title><desc id=\"week-desc\">Darker is more, up to {highest:.2} kWh in an hour; empty is none. The table below gives \
         the figures.</desc><svg width=\"100%\" height=\"160\" viewBox=\"0 0 1000 320\" preserveAspectRatio=\"none\" aria-hidden=\"true\">{ink}</svg>\
         <g aria-hidden=\"true\">{labels}</g></svg><figcaption>Mean heat drawn by local hour and day of the week: darker is more, up to \
         {highest:.2} kWh in an hour; empty is none.</figcaption></figure>\n<details><summary>Week as a table</summary>\n\
         <table class=\"counts\"><caption>Mean kWh drawn from the local hour on</caption><thead><tr><th scope=\"col\">From</th>{heads}</tr></thead>\
         <tbody>\n{table}</tbody></table></details>\n"
    )
}

#[cfg(test)]
mod tests {
    use drawoff_contract::results::{DayRow, DrawOffRow};
    use drawoff_contract::{Day, Utc};

    use super::*;

    #[test]
    fn a_draw_off_counts_to_its_own_hour_and_day() {
        // Monday, 12 January 2026, is day 20465; two Mondays with one draw-off of 1 kWh at 07:30.
        assert_eq!(weekday(20_465), 0);
        let day = |n: i32| DayRow {
            home: String::new(),
            day: Day(20_465 + n),
            day_start_utc: Utc(0),
            hours: 24.0,
            litres: None,
            energy_kwh: Some(1.0),
            heater_kwh: None,
            loss_kwh: None,
            mean_stored_degc: None,
        };
        let start = 20_465 * 86_400_000 + 7 * 3_600_000 + 1_800_000;
        let draw = DrawOffRow {
            home: String::new(),
            start: Utc(start),
            end: Utc(start + 300_000),
            litres: 20.0,
            energy_kwh: 1.0,
            class_small: None,
            class_shower: None,
            class_bath: None,
        };
        let story = HomeStory { days: (0..14).map(day).collect(), draws: vec![draw], ..HomeStory::default() };
        let means = means(&story).unwrap();
        assert_eq!(means[0][7], 0.5);
        assert_eq!(means.iter().flatten().sum::<f64>(), 0.5);
        assert!(figure(&story).contains("<td>0.50</td>"));
        assert!(figure(&HomeStory::default()).is_empty());
    }
}
