//! Kernels of the hot path: the volume mean, the reduction of one home-month, the reading of a home from its daybook.

use criterion::{Criterion, criterion_group, criterion_main};
use drawoff_contract::{Channel, Cylinder, Element, HomeRows, Mask, Series, Shape};
use drawoff_daybook::{Machine, Settings, Setup};
use drawoff_homes::{FleetPriors, HomeNotes, read_home};
use drawoff_tank::{Profile, Water};

const DAYS: usize = 30;
const STEP_MS: i64 = 300_000;

fn cylinder() -> Cylinder {
    Cylinder {
        zone: chrono_tz::Europe::London,
        volume_l: Some(200.0),
        height_m: Some(1.2),
        probe_heights: vec![0.95, 0.8, 0.65, 0.5, 0.35, 0.2, 0.12, 0.05],
        elements: vec![Element { index: 0, rated_w: 3000.0, height: 0.1 }],
        declared_loss_w_per_k: Some(1.6),
        set_point_degc: Some(60.0),
        ..Cylinder::unknown("bench")
    }
}

/// A cylinder that is heated two hours a night, cools, and gives one draw-off a day: enough to walk every branch.
fn rows() -> HomeRows {
    let n = DAYS * 288;
    let mut rows = HomeRows::new(Shape::Wide);
    rows.time_ms = (1..=n as i64).map(|i| i * STEP_MS).collect();
    rows.file = vec![0; n];
    let mut put = |channel: Channel, value: Vec<f64>| {
        rows.series[channel.slot()] = Some(Series { mask: vec![Mask::Used; value.len()], value });
    };
    let minute = |i: usize| (i * 5) % 1440;
    for p in 0..8_u8 {
        let value = (0..n)
            .map(|i| {
                let hours = minute(i) as f64 / 60.0;
                let heated = if hours < 2.0 { 15.0 * hours } else { 30.0 - 0.4 * (hours - 2.0) };
                let drawn = if hours > 7.0 { 5.0 * f64::from(p) } else { 0.0 };
                ((30.0 + heated - drawn.min(heated)) * 10.0).round() / 10.0
            })
            .collect();
        put(Channel::Probe(p), value);
    }
    let power: Vec<f64> = (0..n).map(|i| if minute(i) < 120 { 2950.0 } else { 0.0 }).collect();
    put(Channel::Call(0), power.iter().map(|p| f64::from(u8::from(*p > 0.0))).collect());
    put(Channel::Power(0), power);
    rows
}

fn kernels(c: &mut Criterion) {
    let cylinder = cylinder();
    if let Some(profile) = Profile::new(&cylinder.probe_heights) {
        let temps = [60.0, 60.0, 59.0, 50.0, 40.0, 20.0, 15.0, 12.0];
        c.bench_function("volume mean of 8 probes", |b| {
            b.iter(|| profile.mean(std::hint::black_box(&temps)))
        });
    }
    let rows = rows();
    let reduce = || {
        let setup = Setup::new(&cylinder, Settings::default()).ok()?;
        let mut machine = Machine::new(setup, 1);
        machine.push(&rows);
        Some(machine.finish())
    };
    c.bench_function("reduction of a home-month at 5 min", |b| b.iter(reduce));
    if let Some(notes) = reduce() {
        let home =
            HomeNotes { cylinder: &cylinder, days: &notes.days, spells: &notes.spells, draws: &notes.draws };
        let priors = FleetPriors::new(&[home]);
        let settings = drawoff_homes::Settings { water: Water::Iapws, seed: 1 };
        c.bench_function("reading of a home-month", |b| {
            b.iter(|| read_home(home, &priors, &[true; 8], settings))
        });
    }
}

criterion_group!(benches, kernels);
criterion_main!(benches);
