//! How good the habits of finished runs are: groups, quantiles of demand, changes, classes of use, time taken.
//!
//! `cargo run --release -p drawoff-homes --example habit_scores -- [--half even|odd] [--only PART] RUN MAPPING REGISTER TRUTH ...`, where RUN is the
//! output folder of `drawoff run`, mapping and register are those of its pipeline, and TRUTH is the folder of truth tables. PART is
//! groups, demand, changes or classes. Limits are chosen on the even half and reported on the odd one.
#![expect(clippy::print_stdout, clippy::print_stderr, reason = "an example prints its result")]

mod changes;
mod classes;
mod demand;
mod load;

use std::time::Instant;

use drawoff_homes::classes::read_classes;
use drawoff_homes::habits::{HabitInput, Habits, read_habits};
use drawoff_homes::{HomeNotes, HomeReading};
use drawoff_score::Half;
use drawoff_tank::water::Water;

fn main() {
    let mut words: Vec<String> = std::env::args().skip(1).collect();
    let mut option = |name: &str| {
        let at = words.iter().position(|w| w == name)?;
        let value = words.get(at + 1).cloned();
        words.drain(at..words.len().min(at + 2));
        value
    };
    let half = option("--half").and_then(|h| Half::from_code(&h)).unwrap_or(Half::All);
    let only = option("--only").unwrap_or_default();
    let asked = |part: &str| only.is_empty() || only == part;
    let (mut demand, mut classes) = (demand::Tally::default(), classes::Tally::default());
    println!("asked of the {} half of the homes", half.code());
    for paths in words.chunks_exact(4) {
        let loaded = match load::load(paths) {
            Ok(loaded) => loaded,
            Err(problems) => {
                problems.iter().for_each(|p| eprintln!("{p}"));
                continue;
            }
        };
        let notes = loaded.notes();
        let readings = loaded.readings(&notes);
        let inputs: Vec<HabitInput<'_>> = notes
            .iter()
            .zip(&readings)
            .map(|(notes, reading)| HabitInput { notes: *notes, reading })
            .collect();
        println!("\n== {}", paths[0]);
        let started = Instant::now();
        let habits = if only == "classes" { Habits::default() } else { read_habits(&inputs, 1) };
        println!("habits of {} homes read in {:.2} s", inputs.len(), started.elapsed().as_secs_f64());
        let pairs: Vec<(HomeNotes<'_>, &HomeReading)> = notes.iter().copied().zip(&readings).collect();
        let started = Instant::now();
        let found = read_classes(&pairs, Water::Iapws);
        println!("classes read in {:.2} s", started.elapsed().as_secs_f64());
        if asked("groups") {
            for g in &habits.groups {
                println!(
                    "group {}: {} homes, medoid {}, stability {:.2?}, level {:.1} / {:.1} / {:.1} kWh/d {}",
                    g.group,
                    g.homes,
                    g.medoid_home,
                    g.stability,
                    g.energy_kwh_per_day_p25,
                    g.energy_kwh_per_day_p50,
                    g.energy_kwh_per_day_p75,
                    g.verdict
                );
            }
        }
        if asked("changes") {
            changes::print(&inputs, &habits, &loaded.truth, half);
        }
        if asked("classes") {
            classes.add(&pairs, &found, &loaded.truth, half);
        }
        if asked("demand") {
            demand.add(&inputs, half);
        }
    }
    if asked("classes") {
        classes.print();
    }
    if asked("demand") {
        demand.print();
    }
}
