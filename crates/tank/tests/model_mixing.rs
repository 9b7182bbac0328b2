//! Which way plumes, jets and outlets of the forward model mix.

use drawoff_tank::Water;
use drawoff_tank::model::{Entering, Inputs, Mixing, Model, Settings, State, Stream};

fn model(mixing: Mixing) -> Model {
    Model::new(&Settings {
        volume_l: 200.0,
        height_m: Some(1.2),
        standing_loss_w_per_k: 0.0,
        conductivity_w_per_m_k: 0.0,
        water: Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: 4.18 },
        mixing,
        ..Settings::default()
    })
}

/// Lets water of a temperature through for some minutes; gives the mean temperature of what left, degC.
fn pass(model: &Model, state: &mut State, stream: Stream, minutes: u32) -> f64 {
    let streams = [stream];
    let inputs = Inputs { streams: &streams, ..Inputs::default() };
    (0..minutes).map(|_| model.step(state, &inputs, 60.0).drawn_degc).sum::<f64>() / f64::from(minutes)
}

fn hot_at_the_middle() -> Stream {
    Stream { leaves: 0.0, enters: 0.5, l_per_min: 4.0, entering: Entering::At(60.0) }
}

#[test]
fn hot_water_that_enters_at_the_middle_rises() {
    let model = model(Mixing::default());
    let mut state = model.uniform(15.0);
    pass(&model, &mut state, hot_at_the_middle(), 10);
    // 40 l x 45 K in the 140 l above where the entered water ends would be 28 degC throughout
    let (top_degc, port_degc) = (state.degc_at(0.98), state.degc_at(0.52));
    assert!(top_degc > 29.0 && top_degc < 40.0 && top_degc > port_degc + 0.5, "{top_degc} and {port_degc}");
    assert!(state.degc_at(0.2) < 15.01, "{}", state.degc_at(0.2));
}

#[test]
fn a_longer_mixing_length_mixes_less() {
    let mut above = 0.0;
    for inlet_length_m in [0.01, 0.05, 0.2, f64::INFINITY] {
        let model = model(Mixing { inlet_length_m, ..Mixing::NONE });
        let mut state = model.uniform(15.0);
        pass(&model, &mut state, hot_at_the_middle(), 10);
        let top_degc = state.degc_at(0.98);
        assert!(top_degc > above, "{top_degc} degC at {inlet_length_m} m");
        above = top_degc;
    }
    // with none at all it arrives as hot as it came
    assert!((above - 60.0).abs() < 1e-9);
}

#[test]
fn cold_water_let_in_near_the_top_mixes_all_below_and_spares_what_is_above() {
    let model = model(Mixing { inlet_length_m: 0.01, ..Mixing::default() });
    let mut state = model.uniform(60.0);
    let stream = Stream { leaves: 0.1, enters: 0.85, l_per_min: 10.0, entering: Entering::At(15.0) };
    pass(&model, &mut state, stream, 5);
    assert!(state.degc_at(0.8) < 57.0 && state.degc_at(0.05) < 52.0);
    assert!(state.degc_at(0.97) > 59.0, "{}", state.degc_at(0.97));
}

#[test]
fn a_narrow_port_stirs_further_than_a_wide_one() {
    let above_edge_degc = |port_diameter_m| {
        let model = model(Mixing { port_diameter_m, ..Mixing::NONE });
        let mut state = model.layered(&[15.0, 60.0]).unwrap();
        // feed as cold as what is there, 24 mm below the edge; through 10 mm its jet reaches 48 mm, through 30 mm 9 mm
        let streams = [Stream { leaves: 1.0, enters: 0.48, l_per_min: 10.0, entering: Entering::At(15.0) }];
        model.step(&mut state, &Inputs { streams: &streams, ..Inputs::default() }, 5.0);
        state.degc_at(0.515)
    };
    assert!(above_edge_degc(0.01) < 50.0, "{}", above_edge_degc(0.01));
    assert!((above_edge_degc(0.03) - 60.0).abs() < 1e-6, "{}", above_edge_degc(0.03));
}

#[test]
fn an_outlet_beside_the_edge_draws_from_both_sides() {
    let drawn_degc = |withdrawal| {
        let model = model(Mixing { withdrawal, ..Mixing::NONE });
        let mut state = model.layered(&[15.0, 60.0]).unwrap();
        let stream = Stream { leaves: 0.53, enters: 0.0, l_per_min: 10.0, entering: Entering::At(15.0) };
        let streams = [stream];
        model.step(&mut state, &Inputs { streams: &streams, ..Inputs::default() }, 5.0).drawn_degc
    };
    assert!((drawn_degc(0.0) - 60.0).abs() < 1e-9);
    assert!((35.0..58.0).contains(&drawn_degc(1.0)), "{}", drawn_degc(1.0));
}
