//! How long a home's year at one minute takes: 200 l, 50 layers, draws through the day, top-down heating at night.
//!
//! Invented use, the same on every run. Prints the time and the year's balance.

use drawoff_tank::model::{Element, Inputs, Model, Settings, Stream};
use std::time::Instant;

const MINUTES: u32 = 365 * 24 * 60;

#[expect(clippy::print_stdout, reason = "an example prints what it measured")]
fn main() {
    let model = Model::new(&Settings::default());
    let mut state = model.uniform(55.0);
    let (mut heated_wh, mut delivered_wh, mut lost_wh, mut stored_wh) = (0.0, 0.0, 0.0, 0.0);
    let started = Instant::now();
    for minute in 0..MINUTES {
        let of_day = minute % (24 * 60);
        // two showers, and a short draw every three quarters of an hour from six in the morning to eleven at night
        let is_shower = (7 * 60..7 * 60 + 8).contains(&of_day) || (20 * 60..20 * 60 + 6).contains(&of_day);
        let is_short = (6 * 60..23 * 60).contains(&of_day) && of_day % 45 == 0;
        let draw_l_per_min = if is_shower {
            7.0
        } else if is_short {
            3.0
        } else {
            0.0
        };
        let is_cold = state.degc_at(0.3) < 50.0;
        let heater_l_per_min = if of_day < 5 * 60 && is_cold { 1.2 } else { 0.0 };
        let element_w = if (13 * 60..14 * 60).contains(&of_day) && is_cold { 1500.0 } else { 0.0 };
        let streams = [Stream::draw(draw_l_per_min, 12.0), Stream::top_down(heater_l_per_min, 3000.0)];
        let elements = [Element { low: 0.1, high: 0.15, power_w: element_w }];
        let inputs = Inputs { streams: &streams, elements: &elements, coils: &[], surroundings_degc: 18.0 };
        let flows = model.step(&mut state, &inputs, 60.0);
        heated_wh += flows.heated_wh;
        delivered_wh += flows.delivered_wh;
        lost_wh += flows.lost_wh;
        stored_wh += flows.stored_wh;
    }
    let seconds = started.elapsed().as_secs_f64();
    println!(
        "{MINUTES} minutes in {seconds:.3} s: heated {:.1}, delivered {:.1}, lost {:.1}, stored {:+.1} kWh; apart {:.1e} Wh",
        heated_wh / 1000.0,
        delivered_wh / 1000.0,
        lost_wh / 1000.0,
        stored_wh / 1000.0,
        heated_wh - delivered_wh - lost_wh - stored_wh,
    );
}
