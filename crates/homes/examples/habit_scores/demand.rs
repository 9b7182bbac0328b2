//! Coverage and loss of the quantiles of demand, pooled over runs.

use drawoff_homes::habits::coverage::{AheadCoverage, held_out, shares};
use drawoff_homes::habits::{HabitInput, LEVELS, rivals};
use drawoff_score::Half;

const READ: [(&str, Option<usize>); 2] = [("read once", None), ("read anew each week", Some(7))];

#[derive(Default)]
pub(crate) struct Tally([Vec<AheadCoverage>; 2]);

impl Tally {
    pub(crate) fn add(&mut self, inputs: &[HabitInput<'_>], half: Half) {
        for (sum, (how, renew_d)) in self.0.iter_mut().zip(READ) {
            let found = held_out(inputs, &|home| half.contains(home), renew_d);
            print(how, &found);
            *sum = pool(std::mem::take(sum), found);
        }
    }

    pub(crate) fn print(&self) {
        for (sum, (how, _)) in self.0.iter().zip(READ) {
            print(&format!("all runs, {how}"), sum);
            print_losses(sum);
        }
    }
}

fn print(title: &str, table: &[AheadCoverage]) {
    println!("{title}: share of held-out times within the quantile, per cent");
    println!(
        "  hours   where a quantile is above nothing   always                          homes within +-5 points"
    );
    for row in table {
        let percents = |counts| shares(counts).map(|s| format!("{:7.1}", 100.0 * s)).concat();
        let near: String = (0..LEVELS.len())
            .map(|l| {
                let homes = &row.of_homes[l];
                let within = homes.iter().filter(|s| (**s - LEVELS[l]).abs() <= 0.05).count();
                format!("{:7.0}", 100.0 * within as f64 / homes.len() as f64)
            })
            .collect();
        println!(
            "  {:>5}   {}        {}    {near}",
            row.ahead_h,
            percents(&row.of_demand),
            percents(&row.of_all)
        );
    }
}

fn print_losses(table: &[AheadCoverage]) {
    println!("  hours   pinball loss less than that of each, per cent, all levels and P50 P80 P90 P95");
    for row in table {
        let sum = |l: &[f64; 4]| l.iter().sum::<f64>();
        let [own, others @ ..] = &row.pinball_kwh;
        for (name, rival) in rivals::NAMES.into_iter().zip(others) {
            let by_level: String =
                own.iter().zip(rival).map(|(a, b)| format!("{:7.1}", 100.0 * (1.0 - a / b))).collect();
            println!(
                "  {:>5}   {name:<22} {:7.1}   {by_level}",
                row.ahead_h,
                100.0 * (1.0 - sum(own) / sum(rival))
            );
        }
    }
}

fn pool(mut all: Vec<AheadCoverage>, more: Vec<AheadCoverage>) -> Vec<AheadCoverage> {
    if all.is_empty() {
        return more;
    }
    for (a, b) in all.iter_mut().zip(more) {
        for l in 0..LEVELS.len() {
            for (sum, part) in [(&mut a.of_demand[l], b.of_demand[l]), (&mut a.of_all[l], b.of_all[l])] {
                *sum = (sum.0 + part.0, sum.1 + part.1);
            }
            a.of_homes[l].extend(&b.of_homes[l]);
            for (sum, part) in a.pinball_kwh.iter_mut().zip(b.pinball_kwh) {
                sum[l] += part[l];
            }
        }
    }
    all
}
