//! Power and false alarms of the search for changes.

use std::collections::BTreeSet;

use drawoff_homes::habits::power::{Question, change_power};
use drawoff_homes::habits::{HabitInput, Habits};
use drawoff_score::{Half, Truth};

const ROUNDS: usize = 6;

pub(crate) fn print(inputs: &[HabitInput<'_>], habits: &Habits, truth: &Truth, half: Half) {
    let homes: Vec<HabitInput<'_>> =
        inputs.iter().filter(|i| half.contains(&i.notes.cylinder.home)).copied().collect();
    let level: BTreeSet<&str> = habits.changes.iter().map(|c| c.home.as_str()).collect();
    let hours: BTreeSet<&str> = habits.hour_changes.iter().map(|c| c.home.as_str()).collect();
    let (mut sound, mut by_level, mut by_hours) = (0, 0, 0);
    for input in &homes {
        let home = input.notes.cylinder.home.as_str();
        // Homes whose people stay as they are: no fault, nobody away, no guests. The truth tables do not tell slow changes.
        if truth.homes.get(home).is_some_and(|t| t.is_sound() && stays(t)) {
            sound += 1;
            by_level += usize::from(level.contains(home));
            by_hours += usize::from(hours.contains(home));
        }
    }
    println!(
        "as they were: changes of level at {by_level}, of hours at {by_hours} of {sound} sound homes without absence"
    );
    for days in [60, 90, 120] {
        for (times, later_h) in [(1.0, 0), (1.3, 0), (0.7, 0), (1.6, 0), (0.5, 0), (1.0, 2)] {
            let question = Question { days, at: days / 2, times, later_h };
            let a = change_power(&homes, question, ROUNDS);
            let share = |n: usize| 100.0 * n as f64 / a.asked as f64;
            let near = |off: &[usize]| {
                let mut sorted = off.to_vec();
                sorted.sort_unstable();
                let within = sorted.iter().filter(|d| **d <= 3).count();
                format!(
                    "median {} d off, {:.0} % within 3 d",
                    sorted.get(sorted.len() / 2).map_or(-1, |d| *d as i64),
                    100.0 * within as f64 / sorted.len() as f64
                )
            };
            println!(
                "{days} d, level x {times}, {later_h} h later, {} series: level found {:.1} % ({}); hours found {:.1} % ({})",
                a.asked,
                share(a.level_found),
                near(&a.level_off_d),
                share(a.hours_found),
                near(&a.hours_off_d)
            );
        }
    }
}

/// No fortnight without water, by the truth.
fn stays(home: &drawoff_score::truth::TruthHome) -> bool {
    home.days.iter().filter(|d| d.litres < 0.5).count() < 5
}
