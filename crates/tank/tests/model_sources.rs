//! Heat sources of the forward model, each against a value worked out by hand.

use drawoff_tank::Water;
use drawoff_tank::column::{self, Body};
use drawoff_tank::model::{Coil, Element, Entering, Inputs, Model, Primary, Settings, State, Stream};

/// 4.18 / 3.6 = 1.1611 Wh/(l K).
const WATER: Water = Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: 4.18 };

/// What 10 l/min carry, W/K.
const TEN_L_PER_MIN_W_PER_K: f64 = 696.667;

fn model() -> Model {
    Model::new(&Settings {
        volume_l: 200.0,
        height_m: Some(1.2),
        standing_loss_w_per_k: 0.0,
        conductivity_w_per_m_k: 0.0,
        water: WATER,
        ..Settings::default()
    })
}

/// Steps of a minute; gives the heat that came in, Wh.
fn run(model: &Model, state: &mut State, inputs: &Inputs<'_>, minutes: u32) -> f64 {
    (0..minutes).map(|_| model.step(state, inputs, 60.0).heated_wh).sum()
}

#[test]
fn an_element_heats_what_is_above_it_and_nothing_below() {
    let model = model();
    let mut state = model.uniform(15.0);
    let element = [Element { low: 0.4, high: 0.4, power_w: 3000.0 }];
    let heated_wh = run(&model, &mut state, &Inputs { elements: &element, ..Inputs::default() }, 60);
    assert!((heated_wh - 3000.0).abs() < 1e-6);
    // 3 kWh in the 120 l above it: 3000 / (120 x 1.1611) = 21.5 K
    assert!((state.degc_at(0.95) - 36.5).abs() < 0.2, "{}", state.degc_at(0.95));
    assert!((state.degc_at(0.3) - 15.0).abs() < 1e-9);
}

#[test]
fn top_down_heating_fills_from_the_top() {
    let model = model();
    let mut state = model.uniform(15.0);
    // 3 kW in 1 l/min: 3000 / 69.667 = 43.1 K above the base
    let loops = [Stream::top_down(1.0, 3000.0)];
    let heated_wh = run(&model, &mut state, &Inputs { streams: &loops, ..Inputs::default() }, 90);
    assert!((heated_wh - 4500.0).abs() < 1e-6);
    // ninety of 200 l are hot, the base is as it was
    assert!((state.degc_at(0.95) - 58.1).abs() < 0.5, "{}", state.degc_at(0.95));
    assert!((state.degc_at(0.4) - 15.0).abs() < 0.5, "{}", state.degc_at(0.4));
    assert!(state.degc_at(0.65) > 50.0, "{}", state.degc_at(0.65));
}

#[test]
fn a_heater_without_flow_gives_no_heat() {
    let model = model();
    let mut state = model.uniform(15.0);
    let loops = [Stream::top_down(0.0, 3000.0)];
    let heated_wh = run(&model, &mut state, &Inputs { streams: &loops, ..Inputs::default() }, 10);
    assert!(heated_wh == 0.0 && (state.mean_degc() - 15.0).abs() < 1e-12);
}

#[test]
fn a_coil_heats_by_what_its_wall_passes() {
    let model = model();
    let mut state = model.uniform(40.0);
    let primary = Primary { degc: 70.0, l_per_min: 10.0, ua_w_per_k: 500.0 };
    let coils = [Coil { low: 0.05, high: 0.4, primary }];
    let inputs = Inputs { coils: &coils, ..Inputs::default() };
    // one second, in which the water hardly warms
    let heated_wh = model.step(&mut state, &inputs, 1.0).heated_wh;
    // the wall passes 1 - exp(-500 / 696.7) = 0.5121 of what the stream could give
    let expected_wh = 0.5121 * TEN_L_PER_MIN_W_PER_K * 30.0 / 3600.0;
    assert!((heated_wh / expected_wh - 1.0).abs() < 0.002, "{heated_wh} of {expected_wh}");
    // in the end the water above the coil's foot nears the coil's stream and does not pass it
    run(&model, &mut state, &inputs, 2000);
    assert!((state.degc_at(0.9) - 70.0).abs() < 0.1 && state.degc_at(0.9) <= 70.0);
    assert!((state.degc_at(0.02) - 40.0).abs() < 1e-9);
}

#[test]
fn a_plate_exchanger_with_equal_streams_passes_units_over_one_and_units() {
    let model = model();
    let mut state = model.uniform(40.0);
    let primary = Primary { degc: 70.0, l_per_min: 10.0, ua_w_per_k: 2.0 * TEN_L_PER_MIN_W_PER_K };
    let loops =
        [Stream { leaves: 0.0, enters: 1.0, l_per_min: 10.0, entering: Entering::Exchanged(primary) }];
    let heated_wh = run(&model, &mut state, &Inputs { streams: &loops, ..Inputs::default() }, 1);
    // two transfer units: two thirds of 30 K
    let expected_wh = 2.0 / 3.0 * TEN_L_PER_MIN_W_PER_K * 30.0 / 60.0;
    assert!((heated_wh / expected_wh - 1.0).abs() < 1e-5, "{heated_wh} of {expected_wh}");
}

#[test]
fn a_plate_exchanger_with_unequal_streams() {
    let model = model();
    let mut state = model.uniform(20.0);
    // 5 l/min from the tank against 10 l/min at 60 degC (as many W/K a litre, by the settings' water), one transfer unit
    let primary = Primary { degc: 60.0, l_per_min: 10.0, ua_w_per_k: TEN_L_PER_MIN_W_PER_K / 2.0 };
    let loops = [Stream { leaves: 0.1, enters: 0.7, l_per_min: 5.0, entering: Entering::Exchanged(primary) }];
    let inputs = Inputs { streams: &loops, ..Inputs::default() };
    let before_wh = model.stored_wh(&state);
    let heated_wh = run(&model, &mut state, &inputs, 1);
    // (1 - exp(-0.5)) / (1 - 0.5 exp(-0.5)) = 0.5647 of 40 K (W. M. Kays and A. L. London, counterflow, from memory)
    let expected_wh = 0.5647 * TEN_L_PER_MIN_W_PER_K / 2.0 * 40.0 / 60.0;
    assert!((heated_wh / expected_wh - 1.0).abs() < 1e-4, "{heated_wh} of {expected_wh}");
    assert!((model.stored_wh(&state) - before_wh - heated_wh).abs() < 1e-8);
    // it heats what is above its lower port and never past the stream; below, only what the outlet's band takes is replaced
    run(&model, &mut state, &inputs, 2000);
    assert!((state.degc_at(0.02) - 20.0).abs() < 2.0, "{}", state.degc_at(0.02));
    assert!((state.degc_at(0.9) - 60.0).abs() < 0.1 && state.degc_at(0.9) <= 60.0, "{}", state.degc_at(0.9));
}

#[test]
fn a_warm_tank_heats_a_colder_coil() {
    let model = model();
    let mut state = model.uniform(60.0);
    let primary = Primary { degc: 20.0, l_per_min: 5.0, ua_w_per_k: 300.0 };
    let coils = [Coil { low: 0.6, high: 0.9, primary }];
    let heated_wh = run(&model, &mut state, &Inputs { coils: &coils, ..Inputs::default() }, 600);
    // what it cools sinks, and all but what lies above the coil ends near its stream
    assert!(heated_wh < 0.0 && (state.degc_at(0.3) - 20.0).abs() < 1.0, "{}", state.degc_at(0.3));
    assert!(state.degc_at(0.98) > 59.0);
}

#[test]
fn an_edge_widens_as_conduction_says() {
    // conductivity 1 W/(m K) over 1.1611 Wh/(l K): 2.392e-7 m2/s; after six hours the error function's width is 0.1438 m
    let conductive = Settings {
        volume_l: 200.0,
        height_m: Some(1.2),
        layers: 120,
        standing_loss_w_per_k: 0.0,
        conductivity_w_per_m_k: 1.0,
        water: WATER,
        ..Settings::default()
    };
    let model = Model::new(&conductive);
    let mut state = model.layered(&[20.0, 60.0]).unwrap();
    let body = Body::new(&column::Settings {
        volume_l: 200.0,
        height_m: Some(1.2),
        layers: 60,
        standing_loss_w_per_k: 0.0,
        water: WATER,
        ..column::Settings::default()
    });
    let mut water = body.column(|height| if height > 0.5 { 60.0 } else { 20.0 }).unwrap();
    run(&model, &mut state, &Inputs::default(), 360);
    for _ in 0..72 {
        body.advance(&mut water, &column::Interval::default());
    }
    for height in [0.35, 0.42, 0.47, 0.5, 0.56, 0.65] {
        let exact_degc = 40.0 + 20.0 * libm::erf((height - 0.5) * 1.2 / 0.1438);
        let (fine, fast) = (state.degc_at(height), water.degc_at(height));
        assert!((fine - exact_degc).abs() < 0.1, "{fine} and {exact_degc} at {height}");
        assert!((fast - exact_degc).abs() < 0.1, "{fast} and {exact_degc} at {height}");
    }
}

#[test]
fn ports_of_a_loop_bound_what_it_heats() {
    let model = model();
    let mut state = model.uniform(20.0);
    let loops = [Stream { leaves: 0.5, enters: 0.8, l_per_min: 2.0, entering: Entering::Heated(3000.0) }];
    run(&model, &mut state, &Inputs { streams: &loops, ..Inputs::default() }, 240);
    assert!((state.degc_at(0.2) - 20.0).abs() < 0.01, "{}", state.degc_at(0.2));
    assert!(state.degc_at(0.95) > 60.0);
}

#[test]
fn it_cools_as_its_standing_loss_says() {
    let model = Model::new(&Settings { standing_loss_w_per_k: 2.0, water: WATER, ..Settings::default() });
    let mut state = model.uniform(60.0);
    let inputs = Inputs { surroundings_degc: 20.0, ..Inputs::default() };
    let lost_wh: f64 = (0..24 * 60).map(|_| model.step(&mut state, &inputs, 60.0).lost_wh).sum();
    // 40 K x 232.2 Wh/K x (1 - exp(-2 x 24 / 232.2)) = 1734 Wh; a little less, as the ends cool first
    assert!((1715.0..1735.0).contains(&lost_wh), "{lost_wh}");
}

#[test]
fn what_is_not_known_is_left_out() {
    let model = model();
    let mut state = model.uniform(50.0);
    let streams = [
        Stream::draw(f64::NAN, 10.0),
        Stream::draw(5.0, f64::NAN),
        Stream::draw(-3.0, 10.0),
        Stream::top_down(2.0, f64::NAN),
        Stream { leaves: f64::NAN, ..Stream::draw(5.0, 10.0) },
    ];
    let elements = [Element { low: 0.1, high: 0.2, power_w: f64::NAN }];
    let primary = Primary { degc: f64::NAN, l_per_min: 5.0, ua_w_per_k: 300.0 };
    let coils = [Coil { low: 0.0, high: 0.5, primary }];
    let inputs =
        Inputs { streams: &streams, elements: &elements, coils: &coils, surroundings_degc: f64::NAN };
    let flows = model.step(&mut state, &inputs, 60.0);
    assert!(flows.heated_wh == 0.0 && flows.delivered_wh == 0.0 && flows.lost_wh == 0.0);
    assert!(flows.stored_wh.abs() < 1e-9 && flows.drawn_degc.is_nan());
    assert!((state.mean_degc() - 50.0).abs() < 1e-12);
}

#[test]
fn a_profile_with_gaps_is_refused_and_a_short_one_is_spread() {
    let model = model();
    assert!(model.layered(&[]).is_none());
    assert!(model.layered(&[10.0, f64::NAN]).is_none());
    let state = model.layered(&[10.0, 40.0, 60.0]).unwrap();
    assert!((state.mean_degc() - 110.0 / 3.0).abs() < 1e-9);
    assert!((state.degc_at(0.1) - 10.0).abs() < 1e-9 && (state.degc_at(0.9) - 60.0).abs() < 1e-9);
}
