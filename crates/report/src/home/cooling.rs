//! How the water cooled in idle stretches, beside the fitted and the declared loss.

use drawoff_contract::results::CoolingRow;

use super::bars::{BASE, HEIGHT, LEFT, TOP, ceiling, label, svg};
use super::tables::{folded, head};
use super::{HomeStory, number};
use crate::words;

/// Stretches drawn and told, the last ones; the file holds all.
const MOST: usize = 40;
/// Fewer stretches show no usual cooling.
const FEWEST: usize = 3;
/// Of the stretches, by how far they fell, this share lies within the picture; the others run out of it.
const WITHIN: f64 = 0.9;
/// Least height between the words of two lines.
const APART: f64 = 26.0;
/// The words of the lines stand right of it.
const RIGHT: f64 = 830.0;

/// A stretch as a line from the origin.
struct Line {
    hours: f64,
    fall_k: f64,
}

fn middle(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// The picture with its table; empty with too few stretches.
pub(super) fn figure(story: &HomeStory) -> String {
    let known = |r: &&CoolingRow| r.hours > 0.0 && r.fitted_fall_k > 0.0 && r.fall_k.is_finite();
    let rows: Vec<&CoolingRow> = story.cooling.iter().filter(known).collect();
    let shown = &rows[rows.len().saturating_sub(MOST)..];
    let (Some(rate), Some(lift), true) = (
        middle(shown.iter().map(|r| r.fitted_fall_k / r.hours).collect()),
        middle(shown.iter().map(|r| r.lift_k).collect()),
        shown.len() >= FEWEST,
    ) else {
        return String::new();
    };
    // Hotter water falls faster: all are brought to the usual rate, so that they can be set against one line.
    let lines: Vec<Line> = shown
        .iter()
        .map(|r| Line { hours: r.hours, fall_k: r.fall_k / r.fitted_fall_k * rate * r.hours })
        .collect();
    let declared = shown.iter().rev().find_map(|r| Some(r.declared_fall_k? / r.fitted_fall_k));
    let drawing = drawing(&lines, rate, declared, lift);
    let of_row = |get: fn(&drawoff_contract::results::HomeRow) -> Option<f64>| {
        let value = story.row.as_ref().and_then(get).filter(|v| v.is_finite());
        value.map_or(String::new(), |v| format!(" ({v:.2} kWh/24 h at 45 K)"))
    };
    let fitted_words = of_row(|r| r.loss_at_45k_kwh_per_24h);
    let declared_words = match declared {
        Some(_) => {
            format!(", the dashed one the declared loss{}", of_row(|r| r.declared_loss_at_45k_kwh_per_24h))
        }
        None => String::new(),
    };
    format!(
        "<figure>{drawing}<figcaption>How far the hot water at the top fell in {} idle stretches, each a thin line, brought to the usual \
         {lift:.0} K above the surroundings. The thick line is the fitted loss{fitted_words}{declared_words}. Where a thin line falls faster, \
         water was probably drawn unseen: the fit leaves it aside.</figcaption></figure>\n{}",
        shown.len(),
        table(story, shown, rows.len()),
    )
}

fn drawing(lines: &[Line], rate: f64, declared: Option<f64>, lift: f64) -> String {
    let longest = lines.iter().map(|l| l.hours).fold(0.0, f64::max);
    let (_, step_h) = ceiling(longest);
    let mut falls: Vec<f64> = lines.iter().map(|l| l.fall_k).collect();
    falls.sort_by(f64::total_cmp);
    let most = falls[((falls.len() - 1) as f64 * WITHIN).round() as usize];
    let steepest = rate * declared.unwrap_or(1.0).max(1.0) * longest;
    let (high, step_k) = ceiling(most.max(steepest * 1.1));
    let low = falls[0].min(0.0).max(-high / 2.0);
    let x = |h: f64| LEFT + h / longest * (RIGHT - LEFT);
    let y = |k: f64| TOP + (k - low) / (high - low) * (BASE - TOP);
    let (mut ink, mut labels) = (String::new(), String::new());
    let mut grid = String::new();
    let mut k = 0.0;
    while k <= high * 1.0001 {
        grid.push_str(&format!("M{LEFT} {:.0}H{RIGHT}", y(k)));
        let decimals = usize::from(step_k < 1.0) + usize::from(step_k < 0.1);
        labels.push_str(&label("end", LEFT - 12.0, y(k) + 8.0, &format!("{k:.decimals$}")));
        k += step_k;
    }
    labels.push_str(&label("end", LEFT - 12.0, TOP - 20.0, "K"));
    let mut h = 0.0;
    while h <= longest * 1.0001 {
        let decimals = usize::from(step_h < 1.0);
        labels.push_str(&label("", x(h), HEIGHT - 2.0, &format!("{h:.decimals$}\u{a0}h")));
        h += step_h;
    }
    ink.push_str(&format!("<path class=\"grid\" d=\"{grid}\"/>"));
    let thin: String = lines
        .iter()
        .map(|l| {
            // What runs out of the picture is cut where it leaves it.
            let inside =
                if l.fall_k > high { high / l.fall_k } else { low.min(-1e-9).max(l.fall_k) / l.fall_k };
            let inside = if l.fall_k.abs() < 1e-9 || (low..=high).contains(&l.fall_k) { 1.0 } else { inside };
            format!("M{:.0} {:.0}L{:.0} {:.0}", x(0.0), y(0.0), x(l.hours * inside), y(l.fall_k * inside))
        })
        .collect();
    ink.push_str(&format!("<path class=\"thin\" d=\"{thin}\"/>"));
    let line = |class: &str, per_h: f64| {
        format!(
            "<path class=\"{class}\" d=\"M{:.0} {:.0}L{:.0} {:.0}\"/>",
            x(0.0),
            y(0.0),
            x(longest),
            y(per_h * longest)
        )
    };
    ink.push_str(&line("fit", rate));
    let fitted_y = y(rate * longest);
    let mut fitted_at = fitted_y;
    if let Some(share) = declared {
        ink.push_str(&line("set", rate * share));
        let declared_y = y(rate * share * longest);
        let lack = (APART - (declared_y - fitted_y).abs()).max(0.0) / 2.0;
        let down = if share > 1.0 { lack } else { -lack };
        fitted_at -= down;
        labels.push_str(&label("", RIGHT + 10.0, declared_y + down + 8.0, "declared"));
    }
    labels.push_str(&label("strong", RIGHT + 10.0, fitted_at + 8.0, "fitted"));
    let description = format!(
        "{} idle stretches of up to {longest:.1} h as thin lines of how far the water fell, at {lift:.0} K above the surroundings; a thick line for \
         the fitted loss, which gives {:.2} K an hour{}. The table below gives the figures.",
        lines.len(),
        rate,
        declared.map_or(String::new(), |s| format!(
            "; a dashed line for the declared loss, {:.2} K an hour",
            s * rate
        )),
    );
    svg("cooling", "Cooling of idle stretches against fitted and declared loss", &description, &ink, &labels)
}

fn table(story: &HomeStory, shown: &[&CoolingRow], all: usize) -> String {
    let zone = story.zone();
    let rest = if all > shown.len() {
        format!("; the last {} of {all}, the others in the table <code>cooling</code>", shown.len())
    } else {
        String::new()
    };
    let mut out = head(
        "counts",
        &format!("Idle stretches{rest}: how far the hot water fell, and how far either loss lets it fall"),
        &["From", "Hours", "Above around, K", "Fell, K", "Fitted, K", "Declared, K"],
    );
    for r in shown {
        out.push_str(&format!(
            "<tr><th scope=\"row\">{}</th><td>{:.1}</td><td>{:.1}</td><td>{:.2}</td><td>{:.2}</td><td>{}</td></tr>\n",
            words::local(r.start, zone, "%-d %b %H:%M"),
            r.hours,
            r.lift_k,
            r.fall_k + 0.0,
            r.fitted_fall_k,
            number(r.declared_fall_k, 2),
        ));
    }
    folded("Cooling as a table", &out)
}

#[cfg(test)]
mod tests {
    use drawoff_contract::Utc;

    use super::*;

    fn row(day: i64, hours: f64, lift_k: f64, ratio: f64) -> CoolingRow {
        // 1.5 W/K on 233 Wh/K.
        let fitted_fall_k = 1.5 * lift_k / 233.0 * hours;
        CoolingRow {
            home: "a".to_owned(),
            start: Utc(day * 86_400_000),
            end: Utc(day * 86_400_000 + 21_600_000),
            hours,
            lift_k,
            fall_k: ratio * fitted_fall_k,
            fitted_fall_k,
            declared_fall_k: Some(0.5 * fitted_fall_k),
        }
    }

    /// Ends of the thin lines, drawing units.
    fn ends(html: &str) -> Vec<(f64, f64)> {
        let path = html.split("<path class=\"thin\" d=\"").nth(1).unwrap().split('"').next().unwrap();
        path.split('L')
            .skip(1)
            .map(|end| {
                let (x, y) = end.split('M').next().unwrap().split_once(' ').unwrap();
                (x.parse().unwrap(), y.parse().unwrap())
            })
            .collect()
    }

    #[test]
    fn stretches_at_the_fitted_rate_end_on_its_line_however_hot_the_water_is() {
        let cooling = vec![row(0, 6.0, 30.0, 1.0), row(1, 6.0, 40.0, 1.0), row(2, 6.0, 50.0, 1.0)];
        let html = figure(&HomeStory { cooling, ..HomeStory::default() });
        let all = ends(&html);
        assert!(all.iter().all(|end| *end == all[0]), "{all:?}");
        let fit = html.split("<path class=\"fit\" d=\"").nth(1).unwrap().split('"').next().unwrap();
        assert!(fit.ends_with(&format!("L{:.0} {:.0}", all[0].0, all[0].1)), "{fit} {all:?}");
        assert!(html.contains("declared") && html.contains("1.55</td>"), "40 K x 1.5 / 233 x 6 h");
    }

    #[test]
    fn a_stretch_with_a_draw_off_runs_out_of_the_picture_and_rising_water_stays_in_it() {
        let mut cooling: Vec<CoolingRow> = (0..18).map(|d| row(d, 6.0, 40.0, 1.0)).collect();
        cooling.push(row(18, 6.0, 40.0, 40.0));
        cooling.push(row(19, 6.0, 40.0, -30.0));
        let html = figure(&HomeStory { cooling, ..HomeStory::default() });
        assert!(
            ends(&html).iter().all(|(x, y)| (LEFT..=RIGHT).contains(x) && (TOP..=BASE).contains(y)),
            "{:?}",
            ends(&html)
        );
        assert!(!html.contains("NaN") && !html.contains("inf"));
    }

    #[test]
    fn long_records_stay_small_and_too_few_stretches_show_nothing() {
        let cooling: Vec<CoolingRow> = (0..800).map(|d| row(d, 6.0, 40.0, 1.1)).collect();
        let html = figure(&HomeStory { cooling: cooling.clone(), ..HomeStory::default() });
        assert!(html.len() < 10_000 && html.contains("the last 40 of 800"), "{}", html.len());
        assert!(figure(&HomeStory { cooling: cooling[..2].to_vec(), ..HomeStory::default() }).is_empty());
        assert!(figure(&HomeStory::default()).is_empty());
    }
}
