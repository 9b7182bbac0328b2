//! Kernels of one cylinder: a home-year of the forward model, one interval of the fast column, the fit of a front.

use criterion::{Criterion, criterion_group, criterion_main};
use drawoff_tank::Profile;
use drawoff_tank::column::{self, Body, Heat, Interval};
use drawoff_tank::front::{Front, Known};
use drawoff_tank::model::{Element, Inputs, Model, Settings, Stream};
use std::hint::black_box;

/// Litres a minute: 30 l at seven and nineteen, 1 l at each full hour.
fn flow_l_per_min(minute: u32) -> f64 {
    match minute % 1440 {
        420..425 | 1140..1145 => 6.0,
        m if m % 60 == 0 => 1.0,
        _ => 0.0,
    }
}

fn forward_model(c: &mut Criterion) {
    let model = Model::new(&Settings::default());
    let mut group = c.benchmark_group("forward model");
    group.sample_size(10);
    group.bench_function("home-year at 1 min, 50 layers", |b| {
        b.iter(|| {
            let mut state = model.uniform(55.0);
            let mut delivered_wh = 0.0;
            for minute in 0..365 * 1440 {
                let streams = [Stream::draw(flow_l_per_min(minute), 10.0)];
                let power_w = if minute % 1440 < 120 { 3000.0 } else { 0.0 };
                let elements = [Element { low: 0.08, high: 0.12, power_w }];
                let inputs = Inputs { streams: &streams, elements: &elements, ..Inputs::default() };
                delivered_wh += model.step(&mut state, &inputs, 60.0).delivered_wh;
            }
            delivered_wh
        });
    });
    group.finish();
}

fn fast_column(c: &mut Criterion) {
    for layers in [30, 40, 60] {
        let body = Body::new(&column::Settings { layers, ..column::Settings::default() });
        let start = body.column(|height| if height > 0.4 { 58.0 } else { 15.0 });
        let Some(start) = start else { continue };
        let heats = [Heat { low: 0.08, high: 0.12, wh: 250.0 }];
        let quiet = Interval::default();
        let drawn = Interval { drawn_l: 12.0, ..quiet };
        let busy = Interval { heats: &heats, ..drawn };
        for (what, interval) in [("quiet", quiet), ("drawn", drawn), ("drawn and heated", busy)] {
            c.bench_function(&format!("column, {layers} layers, copy and one interval, {what}"), |b| {
                b.iter(|| {
                    let mut water = black_box(start);
                    body.advance(&mut water, black_box(&interval));
                    water
                });
            });
        }
    }
}

/// Readings of fronts all over the cylinder, by six probes.
fn front(c: &mut Criterion) {
    let Some(profile) = Profile::new(&[0.92, 0.75, 0.58, 0.42, 0.25, 0.08]) else { return };
    let row = |front: u32| {
        let mut temps = [0.0; 6];
        for (degc, height) in temps.iter_mut().zip(profile.heights()) {
            *degc = 35.0 + 25.0 * f64::tanh(12.0 * (height - f64::from(front) / 100.0));
        }
        temps
    };
    let rows: Vec<[f64; 6]> = (0..100).map(row).collect();
    let known = Known { cold_degc: 11.0, element: 0.06 };
    c.bench_function("fit of a front and its V40, 6 probes, 100 rows", |b| {
        b.iter(|| {
            let fitted = rows.iter().filter_map(|temps| Front::fit(&profile, black_box(temps), &known));
            fitted.map(|front| front.v40_litres(200.0, 10.0)).sum::<f64>()
        });
    });
}

criterion_group!(benches, forward_model, fast_column, front);
criterion_main!(benches);
