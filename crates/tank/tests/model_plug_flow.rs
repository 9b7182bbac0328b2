//! How the forward model carries an edge between hot and cold.

use drawoff_tank::Water;
use drawoff_tank::model::{Entering, Inputs, Mixing, Model, Settings, State, Stream};

const PLUG: Settings = Settings {
    volume_l: 200.0,
    height_m: Some(1.2),
    layers: 50,
    standing_loss_w_per_k: 0.0,
    conductivity_w_per_m_k: 0.0,
    mixing: Mixing::NONE,
    water: Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: 4.18 },
};

/// One layer of the fifty, and half a fine slice.
const ONE_LAYER: f64 = 0.02 + 0.0005;

/// Share of the volume that is neither at 10 nor at 60 degC, by more than a tenth of a kelvin.
fn neither(state: &State) -> f64 {
    let mut fine = [0.0; 2000];
    state.layers_into(&mut fine);
    fine.iter().filter(|degc| (10.1..59.9).contains(*degc)).count() as f64 / 2000.0
}

fn draw_for(model: &Model, state: &mut State, l_per_min: f64) -> f64 {
    let draw = [Stream::draw(l_per_min, 10.0)];
    model.step(state, &Inputs { streams: &draw, ..Inputs::default() }, 60.0).delivered_wh
}

#[test]
fn an_edge_is_smeared_over_no_more_than_one_layer() {
    let model = Model::new(&PLUG);
    let mut state = model.uniform(60.0);
    // litres that fit no layer, with pauses
    for step in 0..230 {
        draw_for(&model, &mut state, if step % 3 == 0 { 0.0 } else { 0.777 });
        assert!(neither(&state) <= ONE_LAYER, "after {step} steps: {}", neither(&state));
    }
}

#[test]
fn the_edge_stands_where_the_litres_put_it() {
    let model = Model::new(&PLUG);
    let mut state = model.uniform(60.0);
    for _ in 0..10 {
        draw_for(&model, &mut state, 7.3);
    }
    // 73 of 200 l
    assert!(state.degc_at(0.365 - 0.02) < 10.5 && state.degc_at(0.365 + 0.02) > 59.5);
}

#[test]
fn whole_layers_move_along() {
    let model = Model::new(&PLUG);
    let start: Vec<f64> = (0..50u8).map(|layer| 20.0 + f64::from(layer)).collect();
    let mut state = model.layered(&start).unwrap();
    // five layers of 4 l
    let draw = [Stream::draw(20.0, 10.0)];
    let flows = model.step(&mut state, &Inputs { streams: &draw, ..Inputs::default() }, 60.0);
    let mut layers = [0.0; 50];
    state.layers_into(&mut layers);
    for (layer, degc) in layers.iter().enumerate().skip(5) {
        // where two slugs were joined, each layer is half their difference off
        assert!((degc - start[layer - 5]).abs() <= 0.500_001, "layer {layer}: {degc}");
    }
    assert!(layers[..5].iter().all(|degc| (degc - 10.0).abs() < 1e-9));
    assert!((flows.drawn_degc - 67.0).abs() < 1e-9, "{}", flows.drawn_degc); // mean of 65 to 69
}

#[test]
fn an_edge_moved_up_and_down_all_day_stays_an_edge() {
    let model = Model::new(&PLUG);
    let mut state = model.layered(&[10.0, 60.0]).unwrap();
    let up = [Stream::draw(10.0, 10.0)];
    let down = [Stream { leaves: 0.0, enters: 1.0, l_per_min: 10.0, entering: Entering::At(60.0) }];
    for _ in 0..700 {
        model.step(&mut state, &Inputs { streams: &up, ..Inputs::default() }, 60.0);
        model.step(&mut state, &Inputs { streams: &down, ..Inputs::default() }, 60.0);
    }
    assert!(neither(&state) <= ONE_LAYER, "{}", neither(&state));
    assert!((state.mean_degc() - 35.0).abs() < 1e-6);
}

#[test]
fn the_number_of_layers_hardly_changes_the_heat_that_is_drawn() {
    let delivered_wh = |layers| {
        let model = Model::new(&Settings { layers, mixing: Mixing::default(), ..PLUG });
        let mut state = model.uniform(60.0);
        (0..33).map(|_| draw_for(&model, &mut state, 6.0)).sum::<f64>()
    };
    let fine = delivered_wh(200);
    for (layers, within) in [(100, 0.005), (50, 0.01), (20, 0.02)] {
        let got = delivered_wh(layers);
        assert!((got / fine - 1.0).abs() < within, "{layers} layers: {got} and {fine} Wh");
    }
}
