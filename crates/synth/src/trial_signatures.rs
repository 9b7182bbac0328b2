//! Each fault that trials add leaves its mark against the home's own sound twin, the stronger the plainer; look-alikes show what
//! they are, and carry no fault.

use drawoff_contract::Fault;

use crate::design::{Design, tried};
use crate::fleet::{generate, run};
use crate::household::Habit;
use crate::measure::{Row, rows};
use crate::plan::{FaultsLaid, FleetPlan, Pace, Sources};
use crate::sums::{DaySums, Sample, Simulated};
use crate::trial::Cell;
use drawoff_contract::Level;

const DAYS: usize = 28;
const ROWS_A_DAY: usize = 288;
/// No onset lies later, and no step needs longer than a day to show.
const LATE: usize = 19;

fn plan() -> FleetPlan {
    FleetPlan {
        seed: 21,
        days: DAYS as u32,
        zone: chrono_tz::UTC,
        faults: FaultsLaid::Trial,
        pace: Pace::Quick,
        ..FleetPlan::default()
    }
}

fn cell(habit: Habit, fault: Option<(Fault, Level)>, source: Sources) -> Cell {
    Cell { habit, fault, source, probes: 6 }
}

/// The first home of its kind whose fault begins within the period, with its number.
fn with(fault: Fault, level: Level, source: Sources) -> (u32, Design) {
    let cell = cell(Habit::Normal, Some((fault, level)), source);
    let found = (0..20).map(|i| (i, tried(&plan(), i, &cell))).find(|(_, d)| d.faults[0].onset_s > 0);
    found.unwrap()
}

fn twin(home: &Design) -> Design {
    Design { faults: Vec::new(), ..home.clone() }
}

fn simulated((index, home): &(u32, Design)) -> Simulated {
    run(&plan(), *index, home)
}

/// The home and its sound twin.
fn both(fault: Fault, level: Level, source: Sources) -> [Simulated; 2] {
    let (index, home) = with(fault, level, source);
    [simulated(&(index, home.clone())), simulated(&(index, twin(&home)))]
}

fn late(samples: &[Sample]) -> &[Sample] {
    &samples[LATE * ROWS_A_DAY..]
}

fn mean(samples: &[Sample], get: impl Fn(&Sample) -> f64) -> f64 {
    samples.iter().map(get).sum::<f64>() / samples.len() as f64
}

fn heat_j(days: &[DaySums]) -> f64 {
    days.iter().map(|d| d.element_j.iter().sum::<f64>()).sum()
}

fn highest(samples: &[Sample]) -> f64 {
    samples.iter().map(|s| s.probe_degc[0]).fold(0.0, f64::max)
}

#[test]
fn chattering_contacts_leave_rows_of_part_power() {
    for source in [Sources::Element, Sources::TopPump] {
        let [chattering, sound] = both(Fault::RelayChatter, Level::Strong, source);
        let part = |run: &Simulated| {
            let powers: Vec<f64> = late(&run.samples).iter().map(|s| s.power_w.iter().sum()).collect();
            let most = powers.iter().copied().fold(0.0, f64::max);
            let heating = powers.iter().filter(|w| **w > 0.05 * most).count();
            powers.iter().filter(|w| **w > 0.05 * most && **w < 0.85 * most).count() as f64 / heating as f64
        };
        let full = |run: &Simulated| run.samples.iter().map(|s| s.power_w.iter().sum()).fold(0.0, f64::max);
        assert!((full(&chattering) / full(&sound) - 1.0).abs() < 0.1, "full power before the onset");
        let lowered =
            late(&chattering.samples).iter().map(|s| s.power_w[0] + s.power_w[1]).fold(0.0, f64::max);
        assert!(lowered < 0.85 * full(&sound), "{source:?} {lowered}");
        // A sound chamber's own limit lowers the power towards the end of a heat too: chattering shows in more rows, not alone.
        assert!(part(&chattering) > part(&sound), "{source:?} {} {}", part(&chattering), part(&sound));
    }
}

#[test]
fn a_failed_pump_brings_no_heat() {
    for source in [Sources::TopPump, Sources::HeatPump, Sources::Coil] {
        let [failed, sound] = both(Fault::PumpFailed, Level::Strong, source);
        // Without a heat pump's weekly boost, which goes on.
        let brought = |run: &Simulated| run.days[LATE..].iter().map(|d| d.element_j[0]).sum::<f64>();
        // What nothing flows through takes what it loses to the room, 1 W/K up to where it trips, however little the home draws.
        let lift_k = match source {
            Sources::TopPump => 85.0 - 15.0,
            Sources::HeatPump => 66.0 - 15.0,
            _ => 0.0,
        };
        let most_j = (lift_k * 86_400.0 * (DAYS - LATE) as f64).max(0.5 * brought(&sound));
        assert!(brought(&failed) < most_j, "{source:?} {} {}", brought(&failed), brought(&sound));
        let top = |run: &Simulated| mean(late(&run.samples), |s| s.probe_degc[0]);
        assert!(top(&failed) < top(&sound) - 8.0, "{source:?} {} {}", top(&failed), top(&sound));
        assert!(failed.days.iter().all(|d| d.unexplained_j().abs() < 10.0));
        let called = |run: &Simulated| mean(late(&run.samples), |s| f64::from(s.call[0]));
        assert!(called(&failed) > called(&sound), "{source:?}");
    }
}

#[test]
fn a_pump_that_runs_on_takes_the_layers_away() {
    for source in [Sources::TopPump, Sources::HeatPump] {
        let spread = |run: &Simulated| mean(late(&run.samples), |s| s.probe_degc[0] - s.probe_degc[5]);
        let [strong, sound] = both(Fault::PumpStuck, Level::Strong, source);
        let [mild, its_twin] = both(Fault::PumpStuck, Level::Mild, source);
        assert!(spread(&strong) < 0.4 * spread(&sound), "{source:?} {} {}", spread(&strong), spread(&sound));
        let (strong_left, mild_left) = (spread(&strong) / spread(&sound), spread(&mild) / spread(&its_twin));
        assert!(mild_left > strong_left, "{source:?} {mild_left} {strong_left}");
        assert!(strong.days.iter().all(|d| d.unexplained_j().abs() < 10.0));
        assert!(strong.days[LATE + 1].heat_j.circulation > 0.0);
    }
}

#[test]
fn a_worse_exchanger_asks_for_more() {
    let [declined, sound] = both(Fault::ExchangerDecline, Level::Strong, Sources::HeatPump);
    let factor = |run: &Simulated| {
        let sum = |get: &dyn Fn(&DaySums) -> f64| run.days[LATE..].iter().map(get).sum::<f64>();
        let boost = sum(&|d| d.element_j[1]);
        sum(&|d| d.element_j[0]) / (sum(&|d| d.electric_j[0] + d.electric_j[1]) - boost)
    };
    assert!(factor(&declined) < 0.92 * factor(&sound), "{} {}", factor(&declined), factor(&sound));
    let [declined, sound] = both(Fault::ExchangerDecline, Level::Strong, Sources::Coil);
    // Less of the flow's heat stays in the cylinder.
    let cooled = |run: &Simulated| {
        let on: Vec<&Sample> = late(&run.samples).iter().filter(|s| s.call[0]).collect();
        on.iter()
            .map(|s| (s.primary_degc[0] - s.primary_degc[1]) / (s.primary_degc[0] - s.probe_degc[4]))
            .sum::<f64>()
            / on.len() as f64
    };
    assert!(cooled(&declined) < 0.8 * cooled(&sound), "{} {}", cooled(&declined), cooled(&sound));
}

#[test]
fn an_element_makes_up_for_its_heat_pump() {
    let share = |level| {
        let [run, _] = both(Fault::BackupHeating, level, Sources::HeatPump);
        let by_element: f64 = run.days[LATE..].iter().map(|d| d.element_j[1]).sum();
        by_element / heat_j(&run.days[LATE..])
    };
    let [mild, middle, strong] = Level::ALL.map(share);
    assert!(0.1 < mild && mild < middle && middle < strong && strong > 0.999, "{mild} {middle} {strong}");
}

#[test]
fn missed_surplus_leaves_the_home() {
    let left = |level| {
        let [missed, sound] = both(Fault::SurplusMissed, level, Sources::Diverter);
        let export = |run: &Simulated| mean(late(&run.samples), |s| s.export_w);
        export(&missed) / export(&sound)
    };
    let [mild, middle, strong] = Level::ALL.map(left);
    // Six tenths of the surplus still fill the cylinder where there is plenty, only later in the day: no more leaves than the water
    // then lacks.
    assert!(1.0 < mild && mild < middle && middle < strong && strong > 1.05, "{mild} {middle} {strong}");
}

fn measured((index, home): &(u32, Design)) -> Vec<Row> {
    rows(&plan(), *index, home, &simulated(&(*index, home.clone())).samples)
}

#[test]
fn probes_drift_and_sit_elsewhere() {
    let error = |fault, level| {
        let (index, home) = with(fault, level, Sources::Element);
        let (seen, true_rows) = (measured(&(index, home.clone())), measured(&(index, twin(&home))));
        let crate::fault::How::Probe(probe) = home.faults[0].how else { panic!("{:?}", home.faults) };
        let last = seen.len() - ROWS_A_DAY..;
        let differences = seen[last.clone()].iter().zip(&true_rows[last]);
        let sum: f64 = differences.map(|(a, b)| f64::from(a.probe_degc[probe] - b.probe_degc[probe])).sum();
        (sum / ROWS_A_DAY as f64, home.faults[0].clone())
    };
    for level in Level::ALL {
        let (error_k, fault) = error(Fault::SensorDrift, level);
        let weeks = (DAYS as f64 - 0.5 - fault.onset_s as f64 / 86_400.0) / 7.0;
        assert!((error_k - fault.severity * weeks).abs() < 0.15, "{level:?} {error_k} {fault:?}");
    }
    // Between draw-offs the water at both heights may have one temperature for days: the higher place is warmer while a front passes.
    let (index, home) = with(Fault::SensorHeight, Level::Strong, Sources::Element);
    let (seen, true_rows) = (measured(&(index, home.clone())), measured(&(index, twin(&home))));
    let crate::fault::How::Probe(probe) = home.faults[0].how else { panic!("{:?}", home.faults) };
    let warmer = |(a, b): (&Row, &Row)| {
        f64::from(a.probe_degc[probe] - b.probe_degc[probe]) * home.faults[0].severity.signum()
    };
    let after = home.faults[0].onset_s as usize / 300 + 1;
    let differences = || seen[after..].iter().zip(&true_rows[after..]).map(warmer).filter(|k| !k.is_nan());
    let most_k = differences().fold(0.0, f64::max);
    let mean_k = differences().sum::<f64>() / differences().count() as f64;
    assert!(most_k > 3.0 && mean_k > 0.0, "higher is warmer: {most_k} {mean_k} {:?}", home.faults);
}

#[test]
fn a_wrong_scale_is_a_factor() {
    for level in [Level::Mild, Level::Middle] {
        let (index, home) = with(Fault::MeterScale, level, Sources::Element);
        let (seen, true_rows) = (measured(&(index, home.clone())), measured(&(index, twin(&home))));
        let sum = |rows: &[Row]| {
            let powers = rows[LATE * ROWS_A_DAY..].iter().flat_map(|r| r.power_w);
            powers.filter(|w| !w.is_nan()).map(f64::from).sum::<f64>()
        };
        let counted = |rows: &[Row]| {
            let at = |i: usize| rows[i].register_wh.unwrap() as f64;
            at(rows.len() - 1) - at(LATE * ROWS_A_DAY)
        };
        let factor = home.faults[0].severity;
        assert!((sum(&seen) / sum(&true_rows) / factor - 1.0).abs() < 0.01, "{level:?}");
        assert!((counted(&seen) / counted(&true_rows) / factor - 1.0).abs() < 0.01, "{level:?}");
    }
}

#[test]
fn a_boost_left_on_heats_in_dear_hours() {
    for source in [Sources::Element, Sources::TopPump] {
        let share = |level| {
            let (index, home) = with(Fault::DearHours, level, source);
            let window = home.control.window;
            let run = simulated(&(index, home));
            let power = |s: &Sample| s.power_w[0] + s.power_w[1];
            let all = mean(late(&run.samples), power);
            let dear: f64 = late(&run.samples)
                .iter()
                .enumerate()
                .filter(|(i, _)| !window.contains((*i % ROWS_A_DAY) as u32 * 5))
                .map(|(_, s)| power(s))
                .sum();
            dear / late(&run.samples).len() as f64 / all
        };
        let [mild, middle, strong] = Level::ALL.map(share);
        assert!(mild > 0.1 && middle > 0.25 && strong > 0.4, "{source:?} {mild} {middle} {strong}");
    }
}

#[test]
fn too_small_a_cylinder_runs_out() {
    for source in [Sources::Element, Sources::TopPump, Sources::HeatPump] {
        let cold_a_week = |level| {
            let (index, home) = with(Fault::RunsOut, level, source);
            let run = simulated(&(index, home.clone()));
            let late_s = plan().start_ms / 1000 + LATE as i64 * 86_400;
            let cold = |d: &&crate::sums::Drawn| d.litre_degc / d.litres < 40.0 && d.litres > 3.0;
            let count = |after: bool| {
                let of = run.draws.iter().filter(|d| (d.start_s > late_s) == after).filter(cold);
                of.count() as f64 * 7.0 / if after { (DAYS - LATE) as f64 } else { LATE as f64 }
            };
            (count(true), count(false))
        };
        let [mild, middle, strong] = Level::ALL.map(|level| cold_a_week(level).0);
        // At the mild level a mean day asks for as much as is stored: it runs out on the days above the mean only, and a heat pump
        // with two programmes a day heats in between.
        assert!(mild > 0.5 && middle > 3.0 && strong > 6.0, "{source:?} {mild} {middle} {strong}");
    }
}

#[test]
fn set_points_turned_down_and_up_show_at_the_top() {
    for source in [Sources::Element, Sources::TopPump, Sources::HeatPump, Sources::Coil] {
        let (index, home) = with(Fault::HygieneLow, Level::Middle, source);
        let top_degc = highest(late(&simulated(&(index, home.clone())).samples));
        // A pump may return hotter water than the thermostat asks for.
        assert!(top_degc < home.faults[0].severity + 9.0, "{source:?} {top_degc}");
        assert_eq!(home.final_set_point_degc(), home.faults[0].severity);
    }
    for source in [Sources::Element, Sources::TopPump, Sources::Coil] {
        let (index, home) = with(Fault::ScaldRisk, Level::Middle, source);
        let top_degc = highest(late(&simulated(&(index, home)).samples));
        assert!(top_degc > 67.0, "{source:?} {top_degc}");
    }
}

fn alike(habit: Habit, source: Sources) -> (u32, Design) {
    let home = tried(&plan(), 3, &cell(habit, None, source));
    assert!(generate(&plan(), 3, &home).unwrap().truth.faults.is_empty(), "{habit:?}");
    (3, home)
}

#[test]
fn a_secondary_return_carries_heat_in_its_hours_and_is_declared() {
    for source in [Sources::Element, Sources::Coil, Sources::HeatPump] {
        let (index, home) = alike(Habit::SecondaryReturn, source);
        let run = simulated(&(index, home.clone()));
        for day in &run.days {
            assert!((0.2..5.0).contains(&(day.heat_j.circulation / 3.6e6)), "{day:?}");
            assert!(day.unexplained_j().abs() < 10.0, "{day:?}");
        }
        assert!(home.declared_loss_w_per_k > 1.3 * home.body.loss_w_per_k / 1.2, "{home:?}");
    }
}

#[test]
fn hygiene_cycles_come_once_a_week() {
    for source in [Sources::Element, Sources::TopPump, Sources::Coil] {
        let (index, home) = alike(Habit::HygieneCycle, source);
        let run = simulated(&(index, home.clone()));
        let wanted_degc = home.unusual.hygiene.unwrap().degc - 2.0;
        let hot: Vec<usize> = (0..DAYS)
            .filter(|d| highest(&run.samples[d * ROWS_A_DAY..][..ROWS_A_DAY]) > wanted_degc)
            .collect();
        assert!((3..=9).contains(&hot.len()), "{source:?} {hot:?}");
    }
}

#[test]
fn low_mains_lower_the_power() {
    let (index, home) = alike(Habit::LowVoltage, Sources::Element);
    let rated_w = home.heaters[0].rated_w;
    let run = simulated(&(index, home));
    let most = run.samples.iter().map(|s| s.power_w[0].max(s.power_w[1])).fold(0.0, f64::max);
    // (207/230)^2 = 0.81, (216/230)^2 = 0.88, and the mains wander by some per cent.
    assert!((0.8..0.95).contains(&(most / rated_w)), "{most}");
}

#[test]
fn a_turned_thermostat_is_in_the_register() {
    let (index, home) = alike(Habit::SetPointChange, Sources::Element);
    let run = simulated(&(index, home.clone()));
    let step_k = home.final_set_point_degc() - home.control.set_point_degc;
    let seen_k = highest(late(&run.samples)) - highest(&run.samples[..8 * ROWS_A_DAY]);
    assert!(step_k.abs() >= 1.0 && (seen_k - step_k).abs() < 2.5, "{seen_k} {step_k}");
    assert_eq!(generate(&plan(), index, &home).unwrap().register.set_point_degc, home.final_set_point_degc());
}

#[test]
fn charges_learnt_stop_below_the_set_point() {
    for source in [Sources::Element, Sources::TopPump, Sources::HeatPump] {
        let (index, home) = alike(Habit::PartCharge, source);
        let run = simulated(&(index, home.clone()));
        let fullest = run.stored.iter().map(|s| s.mean_degc).fold(0.0, f64::max);
        assert!(fullest < 59.0, "{source:?} {fullest}");
        assert_eq!(generate(&plan(), index, &home).unwrap().register.control, "learned");
    }
}

#[test]
fn a_full_cylinder_exports_and_the_season_warms_the_feed() {
    let (index, home) = alike(Habit::FullExporting, Sources::Diverter);
    let run = simulated(&(index, home.clone()));
    // Water below the element stays cold however full the cylinder is.
    let above = |h: &f64| *h > home.heaters[0].height + 0.1;
    let lowest_heated = home.true_probe_heights.iter().rposition(above).unwrap();
    let full = |s: &&Sample| {
        s.probe_degc[lowest_heated] > home.control.set_point_degc - home.control.deadband_k - 3.0
    };
    let exporting = run.samples.iter().filter(full).filter(|s| s.export_w > 500.0).count();
    assert!(exporting > 5 * DAYS, "{exporting}");
    let risen = |habit| {
        let (index, home) = alike(habit, Sources::Element);
        let days = simulated(&(index, home)).days;
        days[DAYS - 1].mean_feed_degc - days[0].mean_feed_degc
    };
    assert!(risen(Habit::InletSeason) > 1.8 * risen(Habit::Normal));
}

#[test]
fn timers_follow_the_change_of_hour_or_stay() {
    let plan = FleetPlan { zone: chrono_tz::Europe::London, ..plan() };
    // The change of hour is on day 20 of the period.
    let first_heating = |habit| {
        let home = tried(&plan, 3, &cell(habit, None, Sources::Element));
        let samples = run(&plan, 3, &home).samples;
        let start_row = home.control.window.start_min as usize / 5;
        let on = |days: core::ops::Range<usize>, row: usize| {
            days.filter(|d| samples[(d * ROWS_A_DAY + row) % samples.len()].call[0]).count()
        };
        // Calls in the first half-hour before the window, in UTC of winter: only a timer that follows is early then.
        let early = (start_row + ROWS_A_DAY - 8) % ROWS_A_DAY;
        (on(2..18, early), on(22..27, early))
    };
    let (followed, stayed) = (first_heating(Habit::ClockChange), first_heating(Habit::WinterTimeMeter));
    assert!(followed.0 <= 1 && followed.1 >= 3, "{followed:?}");
    assert!(stayed.0 <= 1 && stayed.1 <= 1, "{stayed:?}");
}
