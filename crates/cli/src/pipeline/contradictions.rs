//! Settings that are well written and cannot hold together: windows, days and limits against each other, each at its line.

use drawoff_worklist::WorthSettings;
use std::collections::BTreeMap;

use drawoff_contract::{DailyWindow, Day};

use super::Pipeline;
use super::place::Problem;
use crate::savings::settings::{TariffSettings, parse_day};

/// All of them.
pub(super) fn all(pipeline: &Pipeline) -> Vec<Problem> {
    let mut problems: Vec<Problem> = Vec::new();
    if pipeline.savings.is_some() && pipeline.flexible_load.is_some() {
        let two = "and [savings] are two jobs in one pipeline";
        problems.push(Problem::at(&["flexible_load"], two, "keep one section a pipeline file"));
    }
    problems.extend(pipeline.water.problems());
    problems.extend(pipeline.faults.problems());
    let worth = &pipeline.worth;
    let hint = "mend the key, or leave it out: it takes its default";
    problems.extend(worth.problems().into_iter().map(|(path, message)| {
        let path: Vec<&str> = path.iter().map(String::as_str).collect();
        Problem::at(&path, message, hint).below(&["worth"])
    }));
    // A default is no word of the pipeline's.
    let stated = worth.visits_per_day != WorthSettings::default().visits_per_day;
    if stated && worth.visits_per_day > worth.visits_per_week && worth.visits_per_week > 0 {
        let message = format!("is {}, and visits_per_week {}", worth.visits_per_day, worth.visits_per_week);
        problems.push(Problem::at(
            &["worth", "visits_per_day"],
            message,
            "a week holds at least a day's visits",
        ));
    }
    if let Some(flexible) = &pipeline.flexible_load {
        problems.extend(flexible.calendar().err().unwrap_or_default());
    }
    if let Some(savings) = &pipeline.savings {
        problems.extend(savings.problems().into_iter().map(|p| p.below(&["savings"])));
        problems.extend(versions(&savings.tariffs).into_iter().map(|p| p.below(&["savings", "tariffs"])));
    }
    problems
}

/// Windows of a day that share a minute, by their places.
pub(crate) fn overlap(windows: &[DailyWindow]) -> Option<(usize, usize)> {
    let minutes: Vec<Vec<bool>> =
        windows.iter().map(|w| (0..1440).map(|m| w.contains(m)).collect()).collect();
    (0..windows.len())
        .flat_map(|a| (a + 1..windows.len()).map(move |b| (a, b)))
        .find(|(a, b)| minutes[*a].iter().zip(&minutes[*b]).any(|(x, y)| *x && *y))
}

/// Versions of tariffs against each other: days that two of one name claim, days in the wrong order, more than one default.
fn versions(tariffs: &[TariffSettings]) -> Vec<Problem> {
    let mut problems = Vec::new();
    let mut by_name: BTreeMap<&str, Vec<(usize, Day, Day)>> = BTreeMap::new();
    for (i, tariff) in tariffs.iter().enumerate() {
        let day = |text: &Option<String>| text.as_deref().map_or(Some(None), |t| parse_day(t).map(Some));
        // Days that are none have their own problem.
        let (Some(from), Some(to)) = (day(&tariff.from), day(&tariff.to)) else { continue };
        let (from, to) = (from.unwrap_or(Day(i32::MIN)), to.unwrap_or(Day(i32::MAX)));
        let at = i.to_string();
        if from > to {
            let message = format!(
                "is {:?}, before from = {:?}",
                tariff.to.as_deref().unwrap_or_default(),
                tariff.from.as_deref().unwrap_or_default()
            );
            problems.push(Problem::at(&[&at, "to"], message, "the last day is not before the first"));
            continue;
        }
        let others = by_name.entry(&tariff.name).or_default();
        if let Some((other, ..)) = others.iter().find(|(_, f, t)| *f <= to && from <= *t) {
            let message = format!(
                "of {:?} holds on days on which number {} of that name holds as well",
                tariff.name,
                other + 1
            );
            problems.push(Problem::at(
                &[&at],
                message,
                "end the earlier one with to, the day before the later one's from",
            ));
        }
        others.push((i, from, to));
    }
    let defaults: Vec<(usize, &TariffSettings)> =
        tariffs.iter().enumerate().filter(|(_, t)| t.default).collect();
    for (i, tariff) in defaults.iter().skip(1).filter(|(_, t)| t.name != defaults[0].1.name) {
        let message = format!("{:?} and {:?} are both marked default", defaults[0].1.name, tariff.name);
        problems.push(Problem::at(
            &[&i.to_string(), "default"],
            message,
            "homes without a known tariff have one default",
        ));
    }
    problems
}

#[cfg(test)]
mod tests {
    use crate::pipeline::text_problems;

    const GOOD: &str = r#"name = "x"
[inputs]
readings = "r"
mapping = "m"
register = "a"
[outputs]
dir = "o"
[worth]
visits_per_day = 5
[savings]
members = 12
[savings.reference]
system = "element"
hours = ["00:00-07:00", "13:00-16:00"]
set_point_degc = 60.0
[[savings.tariffs]]
name = "two-rate"
to = "2026-03-31"
unit_rate = 0.34
low_rate = 0.12
low_hours = ["23:30-06:30", "13:00-14:00"]
default = true
[[savings.tariffs]]
name = "two-rate"
from = "2026-04-01"
unit_rate = 0.30
default = true
"#;

    fn told(changes: &[(&str, &str)]) -> Vec<String> {
        let mut text = GOOD.to_owned();
        for (old, new) in changes {
            assert!(text.contains(old), "{old}");
            text = text.replacen(old, new, 1);
        }
        text_problems("p.toml", &text).iter().map(|e| format!("{}: {}", e.subject, e.message)).collect()
    }

    #[test]
    fn what_contradicts_itself_is_told_at_once_with_lines() {
        assert_eq!(told(&[]), Vec::<String>::new());
        let all = told(&[
            ("visits_per_day = 5", "visits_per_day = 50"),
            ("members = 12", "members = 3"),
            ("[\"00:00-07:00\", \"13:00-16:00\"]", "[\"07:00-07:00\"]"),
            ("set_point_degc = 60.0", "set_point_degc = 30.0"),
            ("unit_rate = 0.34\nlow_rate = 0.12", "unit_rate = 0.12\nlow_rate = 0.34"),
            ("\"13:00-14:00\"", "\"06:00-07:00\""),
            ("from = \"2026-04-01\"", "from = \"2026-03-31\""),
        ]);
        let expected = [
            "p.toml line 9: worth.visits_per_day is 50, and visits_per_week 25",
            "p.toml line 11: savings.members is 3",
            "p.toml line 14: savings.reference.hours \"07:00-07:00\" is no window",
            "p.toml line 15: savings.reference.set_point_degc is 30",
            "p.toml line 20: savings.tariffs[1].low_rate is 0.34, and unit_rate 0.12",
            "p.toml line 21: savings.tariffs[1].low_hours \"23:30-06:30\" and \"06:00-07:00\" overlap",
            "p.toml line 23: savings.tariffs[2] of \"two-rate\" holds on days",
        ];
        assert_eq!(all.len(), expected.len(), "{all:#?}");
        assert!(all.iter().zip(expected).all(|(told, words)| told.starts_with(words)), "{all:#?}");
    }

    #[test]
    fn days_in_the_wrong_order_and_two_defaults_are_told() {
        let all = told(&[
            ("to = \"2026-03-31\"", "from = \"2026-04-01\"\nto = \"2026-03-31\""),
            ("name = \"two-rate\"\nfrom", "name = \"other\"\nfrom"),
        ]);
        assert_eq!(all.len(), 2, "{all:#?}");
        assert!(all[0].contains("line 19: savings.tariffs[1].to is \"2026-03-31\", before"), "{all:#?}");
        assert!(
            all[1].contains("line 28: savings.tariffs[2].default \"other\" and \"two-rate\""),
            "{all:#?}"
        );
    }

    #[test]
    fn two_jobs_are_told_with_all_the_rest() {
        let both = told(&[
            ("members = 12", "members = 0"),
            ("[worth]", "[flexible_load]\nwindow_days = 2\n[worth]"),
        ]);
        assert_eq!(both.len(), 3, "{both:#?}");
        assert!(both[0].starts_with("p.toml line 8: flexible_load and [savings] are two jobs"), "{both:#?}");
        assert!(both[1].starts_with("p.toml line 9: flexible_load.window_days is 2"), "{both:#?}");
    }
}
