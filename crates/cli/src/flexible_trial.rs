//! `drawoff accuracy --flexible`: what is declared of a fleet's flexible load, against what invented homes do under events.
//!
//! Homes of `synth` are read from their exports alone. On every second day one event is put on each of five parts of the fleet, at the homes
//! that drawoff would choose; the homes are then made once more, with the same weather and wants, their heaters following the orders. What
//! was declared is held against what they really took, and their people's draw-offs against those without events.

use drawoff_contract::habit_tables::DayType;
use drawoff_contract::local::{LocalDay, day_of};
use drawoff_contract::{ContractError, Cylinder, Day};
use drawoff_daybook::Notes;
use drawoff_flexibility::back_test::{BackTest, back_test, declared};
use drawoff_flexibility::calendar::Calendar;
use drawoff_flexibility::fleet::Sums;
use drawoff_flexibility::home::Home;
use drawoff_flexibility::trial::{DURATIONS, Direction, Limit, SLOTS, Trials, trials};
use drawoff_homes::HomeNotes;
use drawoff_score::wilson::Share;
use drawoff_store::output::export::write_text;
use drawoff_synth::{FaultsLaid, FleetPlan, Order, Pace, TruthDrawRow, UnderOrders, generate_under_orders};
use drawoff_tank::water::Water;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use crate::accuracy::date;
use crate::accuracy::in_memory::{cylinder, home_rows, own_mapping};
use crate::args::AccuracyArgs;
use crate::exit::{Exit, Failure};
use crate::fleet_trial::RUN_SEED;
use crate::progress;
use crate::run::VERSION;
use crate::stages::{self, HomeDaybook};
use crate::synth::portions;

/// Days that a declaration is made from, as a pipeline has it unless it says otherwise.
const WINDOW: usize = 42;
/// Parts of the fleet that have their own event on a day.
const PARTS: usize = 5;
/// Half-hours after an event in which a draw-off may have suffered from it.
const SUFFERS: i64 = 48;
/// Less than this share of a part's largest offer is nothing to sell.
const SOLD_SHARE: f64 = 0.02;
/// An outlet below this is of no use, degC.
const USABLE_DEGC: f64 = 40.0;
/// Draw-offs smaller than this are not missed by anyone, l.
const SMALLEST_L: f64 = 1.0;
const HALF_HOUR_MS: i64 = 1_800_000;

/// One home of the trial.
struct Subject {
    index: u32,
    cylinder: Cylinder,
    notes: Notes,
    really: UnderOrders,
}

/// One event on one part of the fleet.
#[derive(Clone, Copy, Debug)]
struct Event {
    day: usize,
    slot: usize,
    direction: Direction,
    duration: usize,
}

/// What came of events of one direction and duration.
#[derive(Clone, Copy, Debug, Default)]
struct Came {
    events: usize,
    broken: usize,
    came_kw: f64,
    p50_kw: f64,
    home_events: usize,
    short: usize,
}

pub(crate) fn measure(args: &AccuracyArgs) -> Result<Exit, Failure> {
    let date = date(&args.date)?;
    let plan = FleetPlan {
        homes: args.synth_homes,
        days: args.days,
        seed: args.seed,
        faults: FaultsLaid::None,
        pace: Pace::Quick,
        ..FleetPlan::default()
    };
    plan.check().map_err(Failure::settings)?;
    let subjects = subjects(&plan)?;
    let first = day_of(plan.zone, plan.start_ms);
    let window: Vec<Day> = (0..i32::try_from(plan.days).unwrap_or(0)).map(|d| Day(first.0 + d)).collect();
    let tried = tried(&subjects, &window);
    let of = |part: Option<usize>| {
        let mut sums = Sums::new(&window, &Calendar::default(), 0);
        for (at, found) in tried.iter().enumerate().filter(|(at, _)| part.is_none_or(|p| at % PARTS == p)) {
            if let Some(found) = found {
                debug_assert!(at < subjects.len());
                sums.add(found);
            }
        }
        sums
    };
    let parts: Vec<Sums> = (0..PARTS).map(|p| of(Some(p))).collect();
    let events = events(&window, args.seed);
    let came = under_events(&plan, &subjects, &tried, &window, &parts, &events)?;
    let fleet = of(None);
    let tests: Vec<(Direction, usize, BackTest)> = kinds()
        .map(|(direction, duration)| {
            (direction, duration, back_test(&fleet, WINDOW, WINDOW, direction, duration))
        })
        .collect();
    let text = page(args, &date.to_string(), &fleet, &tests, &came);
    let path = args.out.join(format!("flexible-{date}.md"));
    write_text(&path, &text)?;
    progress::result(&text);
    progress::result(&format!("written: {}", path.display()));
    Ok(Exit::Done)
}

fn kinds() -> impl Iterator<Item = (Direction, usize)> {
    Direction::ALL.into_iter().flat_map(|d| (0..DURATIONS.len()).map(move |i| (d, i)))
}

fn subjects(plan: &FleetPlan) -> Result<Vec<Subject>, Failure> {
    let mapping = own_mapping().map_err(Failure::settings)?;
    let mut out: Vec<Subject> = Vec::new();
    for indices in portions(plan) {
        let made: Vec<Subject> = indices
            .into_par_iter()
            .map(|index| {
                let (data, really) = generate_under_orders(plan, index, &[])?;
                let cylinder = cylinder(&data.register, &mapping)?;
                let rows = home_rows(&data.readings)?;
                let notes = stages::reduce(&cylinder, &rows, 1, Water::Iapws)
                    .map_err(|missing| ContractError::new(cylinder.home.clone(), missing))?;
                Ok(Subject { index, cylinder, notes, really })
            })
            .collect::<Result<_, ContractError>>()?;
        out.extend(made);
        progress::note(&format!("{} of {} homes made and reduced", out.len(), plan.homes));
    }
    Ok(out)
}

/// Events of every day of the record at each home; `None` where the home is not counted.
fn tried(subjects: &[Subject], window: &[Day]) -> Vec<Option<Trials>> {
    let daybooks: Vec<HomeDaybook<'_>> =
        subjects.iter().map(|s| HomeDaybook { cylinder: &s.cylinder, notes: Ok(s.notes.clone()) }).collect();
    let priors = stages::priors(&daybooks);
    let settings = drawoff_homes::Settings { water: Water::Iapws, seed: RUN_SEED };
    let last = window.last().copied().unwrap_or_default();
    daybooks
        .par_iter()
        .zip(subjects)
        .map(|(daybook, subject)| {
            let (reading, _) = stages::read_one(daybook, &priors, settings, false);
            let notes = HomeNotes {
                cylinder: &subject.cylinder,
                days: &subject.notes.days,
                spells: &subject.notes.spells,
                draws: &subject.notes.draws,
            };
            let home =
                Home::new(notes, &reading, last, window.len(), &Calendar::default(), Water::Iapws).ok()?;
            Some(trials(&home, window))
        })
        .collect()
}

/// One event a part on every second day, drawn evenly over starts, directions and durations; by day and part.
fn events(window: &[Day], seed: u64) -> Vec<[Event; PARTS]> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (WINDOW..window.len().saturating_sub(2))
        .step_by(2)
        .map(|day| {
            std::array::from_fn(|_| Event {
                day,
                slot: rng.random_range(0..SLOTS),
                direction: Direction::ALL[rng.random_range(0..Direction::ALL.len())],
                duration: rng.random_range(0..DURATIONS.len()),
            })
        })
        .collect()
}

/// First half-hour of an event, counted from the start of the plan; `None` on a day on which the clocks change.
fn place(plan: &FleetPlan, window: &[Day], event: &Event) -> Option<usize> {
    let local = LocalDay::of(plan.zone, window[event.day]);
    let since_ms = local.start_ms - plan.start_ms;
    (local.half_hours() == SLOTS).then_some(())?;
    usize::try_from(since_ms / HALF_HOUR_MS + event.slot as i64).ok()
}

fn under_events(
    plan: &FleetPlan,
    subjects: &[Subject],
    tried: &[Option<Trials>],
    window: &[Day],
    parts: &[Sums],
    events: &[[Event; PARTS]],
) -> Result<Vec<Came>, Failure> {
    // by home: what each event moved, Wh, and whether a user went short; `None` where no event was put on the home
    let of_homes: Vec<Vec<Option<(f64, bool)>>> = subjects
        .par_iter()
        .zip(tried)
        .enumerate()
        .map(|(at, (subject, tried))| {
            let own: Vec<Option<(Event, usize)>> = events
                .iter()
                .map(|of_day| {
                    let event = of_day[at % PARTS];
                    let start = place(plan, window, &event)?;
                    let found = tried.as_ref()?.event(event.day, event.slot, event.direction, event.duration);
                    (found.limit == Limit::Moved).then_some((event, start))
                })
                .collect();
            let orders: Vec<Order> =
                own.iter().flatten().map(|(event, start)| order(plan, event, *start)).collect();
            let under = generate_under_orders(plan, subject.index, &orders)?.1;
            Ok(own
                .iter()
                .map(|own| {
                    let (event, start) = (*own)?;
                    let range = start..start + DURATIONS[event.duration];
                    let sum = |wh: &[f64]| wh.get(range.clone()).map_or(0.0, |part| part.iter().sum::<f64>());
                    let held_wh = sum(&subject.really.electric_wh) - sum(&under.electric_wh);
                    let moved_wh = if event.direction == Direction::HoldOff { held_wh } else { -held_wh };
                    let from_ms = plan.start_ms + start as i64 * HALF_HOUR_MS;
                    let short = went_short(
                        &subject.really.draws,
                        &under.draws,
                        from_ms,
                        from_ms + SUFFERS * HALF_HOUR_MS,
                    );
                    Some((moved_wh, short))
                })
                .collect())
        })
        .collect::<Result<_, ContractError>>()?;
    progress::note("all homes made again under their events");
    let levels: Vec<Vec<Vec<f64>>> = parts
        .iter()
        .map(|sums| kinds().map(|(direction, duration)| sums.levels(direction, duration)).collect())
        .collect();
    let mut out = vec![Came::default(); 2 * DURATIONS.len()];
    for (number, of_day) in events.iter().enumerate() {
        for (part, event) in of_day.iter().enumerate() {
            if place(plan, window, event).is_none() {
                continue;
            }
            let Event { day, slot, direction, duration } = *event;
            let levels = &levels[part][direction as usize * DURATIONS.len() + duration];
            let Some((firm_kw, p50_kw, _)) =
                declared(&parts[part], levels, day, WINDOW, slot, direction, duration)
            else {
                continue;
            };
            let offers = (0..SLOTS)
                .filter_map(|s| declared(&parts[part], levels, day, WINDOW, s, direction, duration));
            let largest = offers.map(|o| o.1).fold(0.0, f64::max);
            if p50_kw <= SOLD_SHARE * largest {
                continue;
            }
            let homes = of_homes.iter().skip(part).step_by(PARTS).filter_map(|home| home[number]);
            let came = &mut out[direction as usize * DURATIONS.len() + duration];
            let mut wh = 0.0;
            for (moved_wh, short) in homes {
                wh += moved_wh;
                came.home_events += 1;
                came.short += usize::from(short);
            }
            let kw = wh / 1000.0 / (DURATIONS[duration] as f64 / 2.0);
            came.events += 1;
            came.broken += usize::from(kw < firm_kw);
            came.came_kw += kw;
            came.p50_kw += p50_kw;
        }
    }
    Ok(out)
}

fn order(plan: &FleetPlan, event: &Event, start: usize) -> Order {
    let start_ms = plan.start_ms + start as i64 * HALF_HOUR_MS;
    Order {
        start_ms,
        end_ms: start_ms + DURATIONS[event.duration] as i64 * HALF_HOUR_MS,
        hold: event.direction == Direction::HoldOff,
    }
}

/// Whether a draw-off that was hot without events is not with them.
fn went_short(without: &[TruthDrawRow], with: &[TruthDrawRow], from_ms: i64, to_ms: i64) -> bool {
    let within = |draws: &'_ [TruthDrawRow]| {
        let first = draws.partition_point(|d| d.start_utc.0 < from_ms);
        let last = draws.partition_point(|d| d.start_utc.0 < to_ms);
        first..last
    };
    let with = &with[within(with)];
    without[within(without)].iter().filter(|d| d.litres >= SMALLEST_L && d.mean_outlet_c >= USABLE_DEGC).any(
        |hot| {
            let at = with.partition_point(|d| d.start_utc.0 < hot.start_utc.0);
            with.get(at).is_some_and(|d| d.start_utc == hot.start_utc && d.mean_outlet_c < USABLE_DEGC)
        },
    )
}

fn percent(part: usize, whole: usize) -> String {
    let Some((low, high)) = Share::new(part, whole).interval() else { return "-".to_owned() };
    format!("{:.1} % [{:.1}, {:.1}]", 100.0 * part as f64 / whole as f64, 100.0 * low, 100.0 * high)
}

fn page(
    args: &AccuracyArgs,
    date: &str,
    fleet: &Sums,
    tests: &[(Direction, usize, BackTest)],
    came: &[Came],
) -> String {
    let mut out = format!(
        "# Flexible load of drawoff {VERSION}, {date}\n\n\
         Made by `drawoff accuracy --flexible --date {date} --synth-homes {} --days {} --seed {}`; the same arguments and version give the same \
         bytes. {} of the homes are counted. A declaration for a day rests on the {WINDOW} days before it. Firm should be broken in 10 ± 2 % of \
         periods, the P50 be off by less than 3 %, and fewer than 1 % of home-events leave a user short.\n\n\
         ## Every period of every day, by the meter\n\n\
         Obtained is what drawoff's own trial of the day gives: by the meter for holding off, by the model of the cylinder less the meter for taking \
         on. Intervals draw whole days.\n\n\
         | event | days | periods | firm broken | P50 off by | CRPS, kW | mean, kW | users short (own model) |\n|---|---|---|---|---|---|---|---|\n",
        args.synth_homes, args.days, args.seed, fleet.homes
    );
    for (direction, duration, test) in tests {
        let (low, high) = test.broken_bounds(args.seed);
        out.push_str(&format!(
            "| {}, {} h | {} | {} | {:.1} % [{:.1}, {:.1}] | {:+.1} % | {:.2} | {:.2} | {:.2} % |\n",
            direction.words(),
            DURATIONS[*duration] as f64 / 2.0,
            test.days,
            test.periods,
            100.0 * test.broken_share(),
            100.0 * low,
            100.0 * high,
            100.0 * test.p50_bias,
            test.crps_kw,
            test.mean_kw,
            100.0 * test.short_share(),
        ));
    }
    out.push_str(
        "\n## Events on invented homes, which share no model with the estimators\n\n\
         One event on each fifth of the fleet every second day, on the homes that drawoff chose; true draw-offs, finer model. A user goes short \
         where a draw-off that was at 40 degC or more without events is below it within a day after the event begins.\n\n\
         | event | events | firm broken | P50 off by | home-events | users short |\n|---|---|---|---|---|---|\n",
    );
    let mut all = Came::default();
    for ((direction, duration), came) in kinds().zip(came) {
        out.push_str(&row(&format!("{}, {} h", direction.words(), DURATIONS[duration] as f64 / 2.0), came));
        all.events += came.events;
        all.broken += came.broken;
        all.came_kw += came.came_kw;
        all.p50_kw += came.p50_kw;
        all.home_events += came.home_events;
        all.short += came.short;
    }
    out.push_str(&row("all", &all));
    out.push_str("\n## Firm hold-off a home\n\n");
    for weekend in [false, true] {
        let best = (0..SLOTS)
            .filter_map(|slot| Some((fleet.offer(weekend, slot, Direction::HoldOff, 0)?.firm_kw, slot)))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((kw, slot)) = best {
            out.push_str(&format!(
                "{}: {:.2} kW a counted home in the best half-hour, from {}\n\n",
                if weekend { "weekend" } else { DayType::Weekday.code() },
                kw / fleet.homes as f64,
                drawoff_flexibility::rows::clock(slot)
            ));
        }
    }
    out
}

fn row(name: &str, came: &Came) -> String {
    format!(
        "| {name} | {} | {} | {:+.1} % | {} | {} |\n",
        came.events,
        percent(came.broken, came.events),
        100.0 * (came.came_kw / came.p50_kw - 1.0),
        came.home_events,
        percent(came.short, came.home_events)
    )
}
