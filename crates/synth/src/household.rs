//! When the people of a home draw hot water, and how much mixed water they want.

use drawoff_contract::local::{LocalDay, day_of, weekday};
use rand_chacha::ChaCha8Rng;

use crate::dice::{Purpose, chance, dice, exponential, normal, poisson, uniform, weighted};
use crate::plan::FleetPlan;

/// Who lives there and what is out of the ordinary, though sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Habit {
    Normal,
    LargeFamily,
    /// Three more people for a week.
    Guests,
    /// Nobody the whole time.
    Vacant,
    /// Nobody for two weeks.
    Away,
    /// Ordinary people; the cylinder stands in a cold loft.
    ColdLoft,
    /// Several people without fixed hours; nobody on some days, and for a week.
    Students,
    /// A loop keeps far taps hot, by design.
    SecondaryReturn,
    /// The cylinder is heated above its set point once a week.
    HygieneCycle,
    /// Elements give less on low mains.
    LowVoltage,
    /// Somebody turns the thermostat, and the register is told.
    SetPointChange,
    /// The cold feed follows the season strongly.
    InletSeason,
    /// A timer that follows the change of hour.
    ClockChange,
    /// Timer and low rate stay on winter time.
    WinterTimeMeter,
    /// The control stops at the charge it has learnt to be enough.
    PartCharge,
    /// A surplus diverter whose cylinder is full long before the sun sets.
    FullExporting,
}

impl Habit {
    /// Word in the truth table.
    pub(crate) fn code(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::LargeFamily => "large_family",
            Self::Guests => "guests",
            Self::Vacant => "vacant",
            Self::Away => "away",
            Self::ColdLoft => "cold_loft",
            Self::Students => "students",
            Self::SecondaryReturn => "secondary_return",
            Self::HygieneCycle => "hygiene_cycle",
            Self::LowVoltage => "low_voltage",
            Self::SetPointChange => "set_point_change",
            Self::InletSeason => "inlet_season",
            Self::ClockChange => "clock_change",
            Self::WinterTimeMeter => "winter_time_meter",
            Self::PartCharge => "part_charge",
            Self::FullExporting => "full_exporting",
        }
    }
}

/// One use of hot water, as wanted at the tap.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Demand {
    /// UTC second at which the tap opens.
    pub(crate) start_s: i64,
    pub(crate) seconds: i64,
    /// Mixed water, l/min.
    pub(crate) l_per_min: f64,
    /// Temperature of the mixed water, degC.
    pub(crate) mixed_degc: f64,
    /// Whether the person stops when the water runs cold.
    pub(crate) gives_up: bool,
    /// Where set, the tap closes as soon as this is delivered.
    pub(crate) wanted: Option<Wanted>,
}

/// Heat that a draw of a test has to deliver.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Wanted {
    /// Above the feed, J.
    pub(crate) heat_j: f64,
    /// Only water of this temperature or above counts, degC.
    pub(crate) useful_degc: f64,
}

/// A kind of use: how often and how large. Sizes and flows are common practice, no source; they are set so that a home
/// of N people draws about 25 N + 36 l a day of stored water, as the table of SAP 2012 (1b, line 43) has it.
struct Use {
    per_person_a_day: f64,
    per_home_a_day: f64,
    litres: (f64, f64),
    l_per_min: (f64, f64),
    mixed_degc: f64,
    gives_up: bool,
    /// Weights of morning, noon, evening, any waking hour.
    hours: [f64; 4],
}

const USES: [Use; 5] = [
    // Shower.
    Use {
        per_person_a_day: 0.62,
        per_home_a_day: 0.0,
        litres: (25.0, 75.0),
        l_per_min: (6.0, 10.0),
        mixed_degc: 40.0,
        gives_up: true,
        hours: [0.6, 0.05, 0.3, 0.05],
    },
    // Bath.
    Use {
        per_person_a_day: 0.11,
        per_home_a_day: 0.05,
        litres: (80.0, 140.0),
        l_per_min: (9.0, 13.0),
        mixed_degc: 42.0,
        gives_up: true,
        hours: [0.05, 0.05, 0.85, 0.05],
    },
    // Wash basin.
    Use {
        per_person_a_day: 4.0,
        per_home_a_day: 1.0,
        litres: (0.6, 4.0),
        l_per_min: (3.0, 6.0),
        mixed_degc: 38.0,
        gives_up: false,
        hours: [0.3, 0.1, 0.3, 0.3],
    },
    // Dishes.
    Use {
        per_person_a_day: 0.25,
        per_home_a_day: 1.0,
        litres: (5.0, 14.0),
        l_per_min: (5.0, 8.0),
        mixed_degc: 46.0,
        gives_up: false,
        hours: [0.15, 0.3, 0.5, 0.05],
    },
    // Rinse at the sink.
    Use {
        per_person_a_day: 0.8,
        per_home_a_day: 3.0,
        litres: (0.5, 3.0),
        l_per_min: (3.0, 7.0),
        mixed_degc: 42.0,
        gives_up: false,
        hours: [0.25, 0.25, 0.35, 0.15],
    },
];

/// Personal clock of a home, local hours.
struct Clock {
    morning: f64,
    morning_weekend: f64,
    noon: f64,
    evening: f64,
}

/// Draws all demands of a range of UTC seconds, in order of start; `people` live there at a UTC second.
pub(crate) fn demands(
    plan: &FleetPlan,
    home: u32,
    range_s: core::ops::Range<i64>,
    habit: Habit,
    people: impl Fn(i64) -> u32,
) -> Vec<Demand> {
    let &FleetPlan { seed, zone, .. } = plan;
    let mut rng = dice(seed, home, Purpose::Habits);
    let morning = normal(&mut rng, 7.0, 0.6).clamp(5.2, 9.0);
    let clock = Clock {
        morning,
        morning_weekend: morning + uniform(&mut rng, 0.6, 2.4),
        noon: normal(&mut rng, 12.8, 0.5),
        evening: normal(&mut rng, 19.3, 0.9).clamp(17.0, 22.0),
    };
    let liking = libm::exp(normal(&mut rng, 0.0, 0.22));
    let first_day = day_of(zone, range_s.start * 1000);
    let last_day = day_of(zone, range_s.end * 1000);
    let days = f64::from(last_day.0 - first_day.0 + 1);
    let from = first_day.0 + 1 + (days * uniform(&mut rng, 0.2, 0.35)) as i32;
    let mut rng = dice(seed, home, Purpose::Draws);
    let mut small_rng = dice(seed, home, Purpose::SmallDraws);
    let mut whim_rng = dice(seed, home, Purpose::Whims);
    let mut out = Vec::new();
    for number in first_day.0..=last_day.0 {
        let day = LocalDay::of(zone, drawoff_contract::Day(number));
        let people = people(day.start_ms / 1000);
        let whim = if habit == Habit::Students { whim(&mut whim_rng) } else { 1.0 };
        let people = match habit {
            Habit::Vacant => continue,
            Habit::Students if (from..from + 7).contains(&number) => continue,
            Habit::Away if (from..from + 14).contains(&number) => continue,
            Habit::Guests if (from..from + 7).contains(&number) => people + 3,
            _ => people,
        };
        let hours = (day.end_ms - day.start_ms) as f64 / 3.6e6;
        for _ in 0..poisson(&mut small_rng, plan.small_draws_per_hour * hours) {
            let second = uniform(&mut small_rng, 0.0, hours * 3600.0) as i64;
            out.push(small_draw(&mut small_rng, day.start_ms / 1000 + second));
        }
        let weekend = weekday(day.day) >= 5;
        let busy = liking * libm::exp(normal(&mut rng, 0.0, 0.15)) * if weekend { 1.12 } else { 1.0 } * whim;
        for kind in &USES {
            let mean = kind.per_person_a_day * f64::from(people) + kind.per_home_a_day;
            for _ in 0..poisson(&mut rng, mean * busy) {
                let hour = match habit {
                    Habit::Students => uniform(&mut whim_rng, 9.0, 26.0) % 24.0,
                    _ => hour_of(&mut rng, kind, &clock, weekend),
                };
                out.push(demand(&mut rng, kind, day.start_ms / 1000 + (hour * 3600.0) as i64));
            }
        }
    }
    out.retain(|d| range_s.contains(&d.start_s));
    out.sort_by_key(|d| d.start_s);
    out
}

/// How busy a day without habits is: one in seven is without anybody.
fn whim(rng: &mut ChaCha8Rng) -> f64 {
    let away = chance(rng, 0.15);
    let busy = libm::exp(normal(rng, 0.0, 0.45));
    if away { 0.0 } else { busy }
}

fn hour_of(rng: &mut ChaCha8Rng, kind: &Use, clock: &Clock, weekend: bool) -> f64 {
    let morning = if weekend { clock.morning_weekend } else { clock.morning };
    let [at_morning, at_noon, at_evening, any] = kind.hours;
    let peak = weighted(rng, &[(0, at_morning), (1, at_noon), (2, at_evening), (3, any)], 3);
    let hour = match peak {
        0 => normal(rng, morning, 0.6),
        1 => normal(rng, clock.noon, 0.9),
        2 => normal(rng, clock.evening, 1.3),
        _ if chance(rng, 0.06) => uniform(rng, 0.0, 6.0),
        _ => uniform(rng, morning, 23.0),
    };
    hour.clamp(0.0, 23.98)
}

fn demand(rng: &mut ChaCha8Rng, kind: &Use, start_s: i64) -> Demand {
    let (low, high) = kind.litres;
    // Small uses are skewed to the small side, large ones spread evenly.
    let litres = if high < 20.0 {
        (low + exponential(rng, (high - low) / 3.0)).min(high * 1.5)
    } else {
        uniform(rng, low, high)
    };
    let l_per_min = uniform(rng, kind.l_per_min.0, kind.l_per_min.1);
    Demand {
        start_s,
        seconds: ((litres / l_per_min * 60.0) as i64).max(5),
        l_per_min,
        mixed_degc: kind.mixed_degc + uniform(rng, -1.0, 1.0),
        gives_up: kind.gives_up,
        wanted: None,
    }
}

/// A draw that no probe shows by itself: 0.3 to 1.1 l of unmixed water.
fn small_draw(rng: &mut ChaCha8Rng, start_s: i64) -> Demand {
    let l_per_min = 3.0;
    let litres = uniform(rng, 0.3, 1.1);
    Demand {
        start_s,
        seconds: (litres / l_per_min * 60.0) as i64,
        l_per_min,
        mixed_degc: f64::INFINITY,
        gives_up: false,
        wanted: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: i64 = 1_773_014_400;

    fn plan() -> FleetPlan {
        FleetPlan { seed: 5, zone: chrono_tz::UTC, ..FleetPlan::default() }
    }

    #[test]
    fn small_draws_come_on_top() {
        let days = START..START + 40 * 86_400;
        let more = FleetPlan { small_draws_per_hour: 0.5, ..plan() };
        let count = |plan: &FleetPlan| demands(plan, 1, days.clone(), Habit::Normal, |_| 2).len() as f64;
        let added = count(&more) - count(&plan());
        assert!((added / (40.0 * 24.0) - 0.5).abs() < 0.1, "{added}");
        assert_eq!(demands(&more, 1, days.clone(), Habit::Vacant, |_| 2), vec![]);
    }

    fn litres(habit: Habit, people: u32, days: std::ops::Range<i64>) -> f64 {
        let homes = 40;
        let sum: f64 = (0..homes)
            .flat_map(|home| demands(&plan(), home, START..START + 40 * 86_400, habit, |_| people))
            .filter(|d| days.contains(&((d.start_s - START) / 86_400)))
            .map(|d| d.l_per_min * d.seconds as f64 / 60.0)
            .sum();
        sum / f64::from(homes) / (days.end - days.start) as f64
    }

    #[test]
    fn people_draw_what_people_draw() {
        // Hot share of mixed water at 40 degC from 60 degC with a feed of 9 degC: 0.6.
        for people in 1..=5 {
            let hot = litres(Habit::Normal, people, 0..40) * 0.62;
            let book = 25.0 * f64::from(people) + 36.0;
            assert!((hot / book - 1.0).abs() < 0.3, "{people}: {hot} against {book}");
        }
    }

    #[test]
    fn guests_and_absence_show() {
        assert_eq!(demands(&plan(), 1, START..START + 40 * 86_400, Habit::Vacant, |_| 2), vec![]);
        let away = demands(&plan(), 1, START..START + 40 * 86_400, Habit::Away, |_| 2);
        let longest = away.windows(2).map(|w| w[1].start_s - w[0].start_s).max().unwrap();
        assert!((13 * 86_400..16 * 86_400).contains(&longest));
        assert!(litres(Habit::Guests, 2, 0..40) > 1.1 * litres(Habit::Normal, 2, 0..40));
    }

    #[test]
    fn students_keep_no_hours() {
        let days = START..START + 40 * 86_400;
        let night = |habit| {
            let all = demands(&plan(), 3, days.clone(), habit, |_| 4);
            let late = all.iter().filter(|d| d.start_s.rem_euclid(86_400) < 2 * 3600).count();
            late as f64 / all.len() as f64
        };
        assert!(night(Habit::Students) > 0.08 && night(Habit::Normal) < 0.03);
        let used: std::collections::BTreeSet<i64> = demands(&plan(), 3, days.clone(), Habit::Students, |_| 4)
            .iter()
            .map(|d| d.start_s / 86_400)
            .collect();
        assert!((22..36).contains(&used.len()), "{}", used.len());
    }
}
