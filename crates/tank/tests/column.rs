//! What the fast column must keep to, and how near it stays to the forward model.

use drawoff_tank::Water;
use drawoff_tank::column::{Body, Column, Heat, Interval, Settings};
use drawoff_tank::model::{Element, Inputs, Mixing, Model, Stream};
use proptest::prelude::*;

/// A large cylinder and a fast flow carry up to a hundred thousand Wh: this is their twelfth digit.
const ROUNDING_WH: f64 = 1e-7;

/// 4.18 / 3.6 = 1.1611 Wh/(l K).
const WATER: Water = Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: 4.18 };

const PLUG: Settings = Settings {
    volume_l: 200.0,
    height_m: Some(1.2),
    layers: 40,
    standing_loss_w_per_k: 0.0,
    fittings: (0.0, 0.0),
    conductivity_w_per_m_k: 0.0,
    inlet_mixing_l: 0.0,
    water: WATER,
};

fn settings() -> impl Strategy<Value = Settings> {
    let water = prop_oneof![Just(Water::Iapws), Just(WATER)];
    let fittings = (0.0..0.5f64, 0.0..0.5f64);
    (20.0..500.0f64, 4u8..64, 0.0..5.0f64, fittings, 0.0..20.0f64, 0.0..40.0f64, water).prop_map(
        |(
            volume_l,
            layers,
            standing_loss_w_per_k,
            fittings,
            conductivity_w_per_m_k,
            inlet_mixing_l,
            water,
        )| Settings {
            volume_l,
            height_m: None,
            layers,
            standing_loss_w_per_k,
            fittings,
            conductivity_w_per_m_k,
            inlet_mixing_l,
            water,
        },
    )
}

fn heat() -> impl Strategy<Value = Heat> {
    (0.0..=1.0f64, 0.0..=1.0f64, 0.0..500.0f64).prop_map(|(low, high, wh)| Heat { low, high, wh })
}

/// Draw-off, circulation and heat of some intervals.
fn intervals() -> impl Strategy<Value = Vec<(f64, f64, Vec<Heat>)>> {
    let draw = prop_oneof![Just(0.0), 0.0..60.0f64, 0.0..900.0f64];
    let turned = prop_oneof![Just(0.0), 0.0..40.0f64];
    proptest::collection::vec((draw, turned, proptest::collection::vec(heat(), 0..2)), 1..12)
}

fn heights(count: u16) -> impl Iterator<Item = f64> {
    (0..count).map(move |i| (f64::from(i) + 0.5) / f64::from(count))
}

proptest! {
    #[test]
    fn energy_closes_and_hot_stays_above_cold(
        settings in settings(),
        start in proptest::collection::vec(5.0..90.0f64, 64),
        intervals in intervals(),
        surroundings_degc in -5.0..35.0f64,
        seconds in 1.0..1800.0f64,
    ) {
        let body = Body::new(&settings);
        let mut water = body.column(|height| start[(height * 64.0) as usize]).unwrap();
        for (drawn_l, turned_l, heats) in &intervals {
            let before_wh = body.stored_wh(&water);
            let interval = Interval {
                seconds,
                drawn_l: *drawn_l,
                feed_degc: 12.0,
                turned_l: *turned_l,
                turned_wh: 100.0,
                heats,
                surroundings_degc,
            };
            let passed = body.advance(&mut water, &interval);
            let gained_wh = passed.heated_wh - passed.delivered_wh - passed.lost_wh;
            let apart_wh = body.stored_wh(&water) - before_wh - gained_wh;
            prop_assert!(apart_wh.abs() < ROUNDING_WH, "{apart_wh} Wh of {passed:?}");
            let degc: Vec<f64> = heights(200).map(|height| water.degc_at(height)).collect();
            prop_assert!(degc.windows(2).all(|pair| pair[0] <= pair[1] + 1e-9), "{degc:?}");
        }
    }

    #[test]
    fn readings_are_continuous_in_the_litres(
        settings in settings(), litres in 0.0..80.0f64, fill_l in 0.0..30.0f64,
    ) {
        let body = Body::new(&settings);
        let mut start = body.column(|height| 15.0 + 45.0 * height).unwrap();
        body.advance(&mut start, &Interval { drawn_l: fill_l, ..Interval::default() });
        let after = |drawn_l: f64| {
            let mut water = start;
            body.advance(&mut water, &Interval { drawn_l, ..Interval::default() });
            water
        };
        let (one, next) = (after(litres), after(litres + 1e-6));
        // a full difference of temperature over the layer moves by a millionth of a litre
        let most_k = 60.0 * 1e-6 * f64::from(settings.layers) / settings.volume_l * 20.0 + 1e-9;
        for height in heights(50) {
            let jump_k = (one.degc_at(height) - next.degc_at(height)).abs();
            prop_assert!(jump_k < most_k, "{jump_k} K at {height}");
        }
    }

    #[test]
    fn left_alone_it_only_cools(settings in settings(), seconds in 1.0..7200.0f64) {
        let body = Body::new(&settings);
        let mut water = body.column(|height| 30.0 + 30.0 * height * height).unwrap();
        let mut above = (water.mean_degc(), water.degc_at(1.0));
        for _ in 0..10 {
            let passed = body.advance(&mut water, &Interval { seconds, ..Interval::default() });
            let now = (water.mean_degc(), water.degc_at(1.0));
            prop_assert!(passed.lost_wh >= 0.0 && now.0 <= above.0 + 1e-9 && now.1 <= above.1 + 1e-9);
            prop_assert!(water.degc_at(0.0) >= 20.0 - 1e-9);
            above = now;
        }
    }
}

#[test]
fn a_front_stands_where_the_litres_put_it_and_stays_sharp() {
    let body = Body::new(&PLUG);
    let mut water = body.uniform(60.0);
    for _ in 0..10 {
        body.advance(&mut water, &Interval { drawn_l: 7.3, ..Interval::default() });
    }
    // 73 of 200 l; a probe shows the mean over a layer about it
    assert!((water.degc_at(0.365 - 0.0126) - 10.0).abs() < 1e-9);
    assert!((water.degc_at(0.365 + 0.0126) - 60.0).abs() < 1e-9);
    assert!((water.degc_at(0.365) - 35.0).abs() < 1e-6);
}

#[test]
fn what_was_drawn_is_what_stood_at_the_top() {
    let body = Body::new(&PLUG);
    let mut water = body.column(|height| if height > 0.8 { 60.0 } else { 30.0 }).unwrap();
    // forty litres at 60 degC, then twenty at 30 degC
    let passed = body.advance(&mut water, &Interval { drawn_l: 60.0, ..Interval::default() });
    assert!((passed.drawn_degc - 50.0).abs() < 1e-9);
    assert!((passed.delivered_wh - 60.0 * 40.0 * 4.18 / 3.6).abs() < 1e-6);
    // six tank volumes leave nothing but feed
    body.advance(&mut water, &Interval { drawn_l: 1200.0, ..Interval::default() });
    assert!((water.mean_degc() - 10.0).abs() < 1e-9);
}

#[test]
fn a_stirred_zone_cools_exponentially() {
    // twenty stirred litres through which much flows: what it gave upwards, and it itself, are exponential in the litres
    let body = Body::new(&Settings { inlet_mixing_l: 20.0, ..PLUG });
    let mut water = body.uniform(60.0);
    body.advance(&mut water, &Interval { drawn_l: 80.0, ..Interval::default() });
    let stirred_l = 20.0 * (1.0 - f64::exp(-4.0));
    let zone_degc = 10.0 + 50.0 * f64::exp(-80.0 / stirred_l);
    assert!((water.degc_at(0.0) - zone_degc).abs() < 1e-9, "{}", water.degc_at(0.0));
    // thirty litres below the top of what left the zone, that is when thirty litres had flown in
    let at = (stirred_l + 80.0 - 30.0) / 200.0;
    let there_degc = 10.0 + 50.0 * f64::exp(-30.0 / stirred_l);
    assert!((water.degc_at(at) - there_degc).abs() < 0.2, "{} {there_degc}", water.degc_at(at));
}

#[test]
fn heat_makes_a_plateau_above_the_element_and_leaves_what_is_below() {
    let body = Body::new(&PLUG);
    let mut water = body.uniform(15.0);
    for _ in 0..12 {
        let heats = [Heat { low: 0.4, high: 0.4, wh: 250.0 }];
        body.advance(&mut water, &Interval { heats: &heats, ..Interval::default() });
    }
    // 3 kWh in the 120 l above it: 3000 / (120 x 1.1611) = 21.5 K
    assert!((water.degc_at(0.9) - 36.5).abs() < 0.1, "{}", water.degc_at(0.9));
    assert!((water.degc_at(0.3) - 15.0).abs() < 1e-9);
}

#[test]
fn a_pumped_loop_fills_from_the_top() {
    let body = Body::new(&PLUG);
    let mut water = body.uniform(15.0);
    // 5 l at 250 Wh: 250 / (5 x 1.1611) = 43.1 K above the base
    for _ in 0..18 {
        body.advance(&mut water, &Interval { turned_l: 5.0, turned_wh: 250.0, ..Interval::default() });
    }
    // ninety of 200 l are hot, the base is as it was
    assert!((water.degc_at(0.9) - 58.06).abs() < 0.1, "{}", water.degc_at(0.9));
    assert!((water.degc_at(0.565) - 58.06).abs() < 0.1, "{}", water.degc_at(0.565));
    assert!((water.degc_at(0.53) - 15.0).abs() < 0.1, "{}", water.degc_at(0.53));
}

#[test]
fn readings_pull_the_water_to_themselves() {
    let body = Body::new(&PLUG);
    let mut water = body.uniform(50.0);
    let heights = [0.9, 0.5, 0.1];
    // the line over height bends at an end probe, and a probe sees a layer's mean about it
    water.correct(&heights, &[60.0, f64::NAN, 20.0], 1.0);
    assert!((water.degc_at(0.9) - 60.0).abs() < 0.5 && (water.degc_at(0.1) - 20.0).abs() < 0.5);
    assert!((water.degc_at(0.5) - 40.0).abs() < 0.1 && (water.degc_at(0.99) - 60.0).abs() < 0.1);
    let before = water;
    water.correct(&heights, &[f64::NAN; 3], 1.0);
    assert_eq!(before, water);
}

/// Three days with a shower, small draw-offs and an element with a thermostat, by both; gives the columns and means.
fn both(layers: u8) -> (Vec<f64>, Vec<f64>) {
    let (height_m, standing_loss_w_per_k) = (Some(1.2), 1.8);
    let body = Body::new(&Settings { height_m, layers, standing_loss_w_per_k, ..Settings::default() });
    let mixing = Mixing { inlet_length_m: f64::INFINITY, ..Mixing::default() };
    let model = Model::new(&drawoff_tank::model::Settings {
        height_m,
        layers: 200,
        standing_loss_w_per_k,
        mixing,
        ..drawoff_tank::model::Settings::default()
    });
    let mut water = body.uniform(55.0);
    let mut state = model.uniform(55.0);
    let (mut fast, mut fine) = (Vec::new(), Vec::new());
    for five in 0..3 * 288 {
        let drawn_l = match five % 288 {
            84 => 40.0,
            85 | 200 | 240 => 8.0,
            100..110 => 1.5,
            216..219 => 25.0,
            _ => 0.0,
        };
        let on = water.degc_at(0.3) < 58.0 && (five % 288) < 60;
        let wh = if on { 250.0 } else { 0.0 };
        let heats = [Heat { low: 0.08, high: 0.12, wh }];
        body.advance(&mut water, &Interval { drawn_l, heats: &heats, ..Interval::default() });
        let streams = [Stream::draw(drawn_l / 5.0, 10.0)];
        let elements = [Element { low: 0.08, high: 0.12, power_w: wh * 12.0 }];
        let inputs = Inputs { streams: &streams, elements: &elements, ..Inputs::default() };
        model.step(&mut state, &inputs, 300.0);
        for height in [0.95, 0.75, 0.55, 0.35, 0.15, 0.05] {
            fast.push(water.degc_at(height));
            fine.push(state.degc_at(height));
        }
    }
    (fast, fine)
}

#[test]
fn it_stays_near_the_forward_model_over_three_days() {
    for (layers, within_k) in [(30, 1.5), (40, 1.5), (60, 1.5)] {
        let (fast, fine) = both(layers);
        let squares: f64 = fast.iter().zip(&fine).map(|(a, b)| (a - b) * (a - b)).sum();
        let rmse_k = (squares / fast.len() as f64).sqrt();
        assert!(rmse_k < within_k, "{layers} layers: {rmse_k} K");
    }
}

#[test]
fn what_is_not_known_is_left_out() {
    let body = Body::new(&PLUG);
    let mut water: Column = body.uniform(50.0);
    let heats = [Heat { low: f64::NAN, high: 0.2, wh: 100.0 }, Heat { low: 0.1, high: 0.2, wh: f64::NAN }];
    let unknown = Interval {
        drawn_l: f64::NAN,
        turned_l: f64::NAN,
        heats: &heats,
        surroundings_degc: f64::NAN,
        ..Interval::default()
    };
    let passed = body.advance(&mut water, &unknown);
    assert!(passed.drawn_degc.is_nan() && passed.heated_wh == 0.0 && passed.lost_wh == 0.0);
    assert_eq!(water, body.uniform(50.0));
    assert!(body.column(|_| f64::NAN).is_none() && water.degc_at(f64::NAN).is_nan());
}

/// What fittings lose is lost at their end, however cold the rest; hot throughout, the whole loses what it loses by its skin alone.
#[test]
fn fittings_lose_at_their_ends() {
    let with =
        |fittings| Body::new(&Settings { fittings, conductivity_w_per_m_k: 0.0, ..Settings::default() });
    let minute = Interval { seconds: 60.0, surroundings_degc: 20.0, ..Interval::default() };
    let lost = |body: &Body, water: &Column| body.advance(&mut water.clone(), &minute).lost_wh;
    let (skin, fitted) = (with((0.0, 0.0)), with((0.2, 0.1)));
    let hot = skin.uniform(60.0);
    assert!((lost(&skin, &hot) - lost(&fitted, &hot)).abs() < 0.005 * lost(&skin, &hot));
    // Hot at the top half only: the half of 70 % and all of the top's 20 %, where the skin alone loses half.
    let half = skin.column(|height| if height > 0.5 { 60.0 } else { 20.0 }).unwrap();
    let ratio = lost(&fitted, &half) / lost(&skin, &half);
    assert!((ratio - (0.35 + 0.2) / 0.5).abs() < 0.02, "{ratio}");
    // Out of range, they are held to it.
    let all = with((0.8, 0.9));
    assert!((lost(&all, &hot) - lost(&skin, &hot)).abs() < 0.02 * lost(&skin, &hot));
}
