//! The score card as plain text for the terminal.

use std::fmt::{Display, Write};

use drawoff_contract::{Fault, FaultClass};

use crate::amounts::{Amount, AmountPair};
use crate::calls::{KindTally, side};
use crate::card::ScoreCard;
use crate::errors::{RelativeErrors, median};
use crate::groups::GroupTally;
use crate::loss::{COVERAGE_BAND, MIN_TANK_ABOVE_ROOM_K};
use crate::trial::reliability;
use crate::vacancy::VACANT_BELOW_LITRES;
use crate::wilson::Share;

/// What stands where a figure has no cases.
const NONE: &str = "-";

impl ScoreCard {
    /// Plain text tables; shares come with their 95 % Wilson interval, and a figure without cases is a dash.
    #[must_use]
    pub fn render(&self) -> String {
        let mut text = String::new();
        self.head(&mut text);
        self.standing_loss(&mut text);
        self.daily_amounts(&mut text);
        self.draw_off_groups(&mut text);
        self.faults(&mut text);
        self.sound_homes(&mut text);
        self.service_list(&mut text);
        self.vacant_days(&mut text);
        self.probabilities(&mut text);
        text
    }

    fn probabilities(&self, text: &mut String) {
        let bins = reliability::bins(&self.predictions);
        let (error, interval) = reliability::ece(&self.predictions);
        let count = self.predictions.iter().filter(|p| p.p > reliability::LEAST_P).count();
        line(
            text,
            format!(
                "\nProbabilities above {} ({count} of {} predictions)",
                reliability::LEAST_P,
                self.predictions.len()
            ),
        );
        let interval = interval.map_or(String::new(), |(low, high)| format!(" [{low:.3}, {high:.3}]"));
        line(text, format!("  Expected calibration error: {}{interval}", number(error, 3)));
        line(text, format!("  Brier score, all: {}", number(reliability::brier(&self.predictions), 4)));
        for bin in bins {
            let (from, to) = bin.from_to;
            line(
                text,
                format!(
                    "    {from:.3} to {to:.3}  said {:>5.1} %, was so {}",
                    100.0 * bin.said,
                    share(bin.present)
                ),
            );
        }
    }

    fn head(&self, text: &mut String) {
        let missing = &self.homes_without_results;
        line(text, format!("{} homes scored, {} of them without results", self.homes, missing.len()));
        if !missing.is_empty() {
            line(text, format!("  without results: {}", missing.join(", ")));
        }
        if self.homes_without_truth > 0 {
            line(
                text,
                format!("  {} homes of the run have no truth and are not scored", self.homes_without_truth),
            );
        }
    }

    fn standing_loss(&self, text: &mut String) {
        let loss = &self.loss;
        line(text, format!("\nStanding loss (sound homes, tank >= {MIN_TANK_ABOVE_ROOM_K} K above room)"));
        line(text, ERROR_HEADING);
        line(text, error_row("W/K, effective", &loss.w_per_k));
        line(text, error_row("kWh a day in use", &loss.kwh_per_day));
        line(text, error_row("W/K, skin (compare only)", &loss.skin_w_per_k));
        let width = percent(median(&loss.widths));
        let in_band = match loss.covered.overlaps(COVERAGE_BAND) {
            Some(true) => "yes",
            Some(false) => "NO",
            None => NONE,
        };
        line(
            text,
            format!(
                "  90 % interval holds the truth: {}, overlaps 85-95 %: {in_band}; median width {width}",
                share(loss.covered)
            ),
        );
    }

    fn daily_amounts(&self, text: &mut String) {
        line(text, "\nDraw-off a day (mean of the period; homes that draw)");
        line(text, ERROR_HEADING);
        let sets: [(&str, &AmountPair); 2] =
            [("all", &self.amounts.all), ("no equipment fault", &self.amounts.equipment_sound)];
        for (name, set) in sets {
            line(text, error_row(&format!("litres, {name}"), &set.litres.home_mean));
            line(text, error_row(&format!("kWh, {name}"), &set.energy.home_mean));
        }
        line(text, "  Single days: median over homes of mean absolute error / mean day");
        for (name, set) in sets {
            line(text, day_row(&format!("litres, {name}"), &set.litres));
            line(text, day_row(&format!("kWh, {name}"), &set.energy));
        }
        let empty = &self.amounts.nearly_empty_litres_per_day;
        let most = empty.iter().copied().max_by(f64::total_cmp);
        line(
            text,
            format!(
                "  {} nearly empty homes; most litres a day claimed there: {}",
                empty.len(),
                number(most, 1)
            ),
        );
    }

    fn draw_off_groups(&self, text: &mut String) {
        line(text, "\nDraw-off groups of 3 l or more (homes without equipment fault, outlet >= 40 degC)");
        let rules = [
            ("joined by their times (gap of two intervals at most)", &self.groups.by_time),
            ("joined on the grid of the readings (same or neighbouring intervals)", &self.groups.on_grid),
        ];
        for (rule, set) in rules {
            line(text, format!("  {rule}"));
            line(
                text,
                format!(
                    "    {:<8} {:>5} {:>6}  {:<40} {:<40} {:>8}",
                    "probes", "homes", "F1", "found", "true", "left out"
                ),
            );
            for (n, tally) in &set.by_probes {
                line(text, group_row(&n.to_string(), tally));
            }
            line(text, group_row("all", &set.all));
        }
    }

    fn faults(&self, text: &mut String) {
        line(
            text,
            "\nFaults (wrong = called only by another name; elsewhere = calls at homes with other faults)",
        );
        line(
            text,
            format!(
                "  {:<15} {:>4} {:>5} {:>5} {:>6} {:<22} {:>5} {:>9} {:>5} {:<22} {:>8}",
                "kind",
                "true",
                "found",
                "wrong",
                "missed",
                "recall",
                "calls",
                "elsewhere",
                "false",
                "precision",
                "onset h"
            ),
        );
        for (class, name) in [
            (FaultClass::Equipment, "EQUIP + SENSOR"),
            (FaultClass::Data, "DATA"),
            (FaultClass::Service, "SERVICE"),
        ] {
            for &fault in Fault::ALL.iter().filter(|f| side(**f) == class) {
                if let Some(kind) = self.calls.kinds.get(&fault) {
                    line(text, kind_row(fault.code(), kind));
                }
            }
            line(text, kind_row(name, &self.calls.pooled(class)));
        }
        let pooled = self.calls.pooled(FaultClass::Equipment);
        line(
            text,
            format!("  Wrong diagnosis: {}", share(Share::new(pooled.wrong_diagnosis, pooled.imposed))),
        );
        line(
            text,
            format!(
                "  Missed faults not assessed or with too little data: {} of {}",
                pooled.missed_not_assessed, pooled.missed
            ),
        );
        line(
            text,
            format!(
                "  Onset: median error {} h of {} dated; {} found without a date; begun before the data and called so: {}",
                number(median(&pooled.onset_errors_hours), 1),
                pooled.onset_errors_hours.len(),
                pooled.onset_missing,
                share(pooled.began_before)
            ),
        );
        if !self.calls.unknown_codes.is_empty() {
            let codes: Vec<&str> = self.calls.unknown_codes.iter().map(String::as_str).collect();
            line(text, format!("  Not scored, unknown fault codes: {}", codes.join(", ")));
        }
    }

    fn sound_homes(&self, text: &mut String) {
        let calls = &self.calls;
        line(text, "\nHomes without any fault");
        line(text, format!("  Flagged (equipment or sensor): {}", share(calls.flagged_sound)));
        line(
            text,
            format!("  Flagged among homes with data faults only: {}", share(calls.flagged_data_only)),
        );
        line(
            text,
            format!(
                "  False calls: {} in {:.1} home-years, {} per 100 home-years",
                calls.false_calls.len(),
                calls.sound_days as f64 / 365.25,
                number(calls.false_calls_per_100_home_years(), 1)
            ),
        );
        for (home, fault) in &calls.false_calls {
            line(text, format!("    {home} {}", fault.code()));
        }
    }

    fn vacant_days(&self, text: &mut String) {
        line(text, format!("\nVacant days (less than {VACANT_BELOW_LITRES} l drawn)"));
        line(
            text,
            format!(
                "  {:<26} {:>5} {:>6} {:>7} {:>6}  {:<40} {:<40}",
                "", "homes", "days", "unknown", "F1", "found", "true"
            ),
        );
        let sets = [("all homes", self.vacancy.all), ("without always empty homes", self.vacancy.used_homes)];
        for (name, days) in sets {
            line(
                text,
                format!(
                    "  {name:<26} {:>5} {:>6} {:>7} {:>6}  {:<40} {:<40}",
                    days.homes,
                    days.days,
                    days.unknown,
                    number(days.f1(), 3),
                    share(days.recall()),
                    share(days.precision())
                ),
            );
        }
    }

    fn service_list(&self, text: &mut String) {
        let list = &self.list;
        line(text, format!("\nService list ({} visits to scored homes)", list.listed));
        line(
            text,
            format!("  Precision at k = {}, right fault: {}", list.right_kind.of, share(list.right_kind)),
        );
        line(text, format!("  Any equipment or sensor fault there: {}", share(list.right_home)));
    }
}

const ERROR_HEADING: &str =
    "                                homes  no estimate  median abs %  90 % of homes within %   bias %";

fn error_row(name: &str, errors: &RelativeErrors) -> String {
    format!(
        "  {name:<29} {:>5} {:>12} {:>13} {:>23} {:>8}",
        errors.values.len(),
        errors.not_assessed,
        bare_percent(errors.median_abs()),
        bare_percent(errors.p90_abs()),
        bare_percent(errors.bias())
    )
}

fn day_row(name: &str, amount: &Amount) -> String {
    format!(
        "    {name:<27} UTC days {} ({} homes); day table where local days are UTC days {} ({} homes)",
        percent(median(&amount.utc_days)),
        amount.utc_days.len(),
        percent(median(&amount.local_days)),
        amount.local_days.len()
    )
}

fn group_row(name: &str, tally: &GroupTally) -> String {
    format!(
        "    {name:<8} {:>5} {:>6}  {:<40} {:<40} {:>8}",
        tally.homes,
        number(tally.f1(), 3),
        share(tally.recall),
        share(tally.precision),
        tally.left_out
    )
}

fn kind_row(name: &str, kind: &KindTally) -> String {
    format!(
        "  {name:<15} {:>4} {:>5} {:>5} {:>6} {:<22} {:>5} {:>9} {:>5} {:<22} {:>8}",
        kind.imposed,
        kind.found,
        kind.wrong_diagnosis,
        kind.missed,
        short_share(kind.recall()),
        kind.calls,
        kind.calls_at_other_faults(),
        kind.false_calls,
        short_share(kind.precision()),
        number(median(&kind.onset_errors_hours), 1)
    )
}

/// "hits/of share % [low, high]".
fn share(share: Share) -> String {
    format!("{}/{} {}", share.hits, share.of, short_share(share))
}

/// "share % [low, high]".
fn short_share(share: Share) -> String {
    match (share.value(), share.interval()) {
        (Some(value), Some((low, high))) => {
            format!("{:.1} % [{:.1}, {:.1}]", 100.0 * value, 100.0 * low, 100.0 * high)
        }
        _ => NONE.to_owned(),
    }
}

fn number(value: Option<f64>, digits: usize) -> String {
    value.map_or(NONE.to_owned(), |v| format!("{v:.digits$}"))
}

fn bare_percent(value: Option<f64>) -> String {
    number(value.map(|v| 100.0 * v), 1)
}

fn percent(value: Option<f64>) -> String {
    value.map_or(NONE.to_owned(), |v| format!("{:.1} %", 100.0 * v))
}

fn line(text: &mut String, content: impl Display) {
    // Writing to a string cannot fail.
    let _ = writeln!(text, "{content}");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_card_is_dashes_not_zeros() {
        let text = ScoreCard::default().render();
        assert!(text.contains("Flagged (equipment or sensor): 0/0 -"), "{text}");
        assert!(!text.contains("NaN"), "{text}");
        assert!(text.contains("without always empty homes     0      0       0      -  0/0 -"), "{text}");
    }

    #[test]
    fn shares_come_with_their_interval() {
        assert_eq!(share(Share::new(8, 10)), "8/10 80.0 % [49.0, 94.3]");
    }
}
