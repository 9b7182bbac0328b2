//! What the forward model must keep to whatever happens to the cylinder.

use drawoff_tank::Water;
use drawoff_tank::model::{
    Coil, Element, Entering, Flows, Inputs, Mixing, Model, Primary, Settings, State, Stream,
};
use proptest::prelude::*;

fn water() -> impl Strategy<Value = Water> {
    prop_oneof![
        Just(Water::Iapws),
        Just(Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: 4.183 })
    ]
}

fn mixing() -> impl Strategy<Value = Mixing> {
    prop_oneof![
        Just(Mixing::NONE),
        Just(Mixing::default()),
        (0.001..1.0f64, 0.0..0.08f64, 0.0..3.0f64).prop_map(
            |(inlet_length_m, port_diameter_m, withdrawal)| {
                Mixing { inlet_length_m, port_diameter_m, withdrawal }
            }
        )
    ]
}

fn settings() -> impl Strategy<Value = Settings> {
    let numbers = (20.0..500.0f64, 2u16..120, 0.0..5.0f64, 0.0..20.0f64);
    (numbers, mixing(), water(), proptest::option::of(0.4..2.0f64)).prop_map(
        |((volume_l, layers, standing_loss_w_per_k, conductivity_w_per_m_k), mixing, water, height_m)| {
            Settings {
                volume_l,
                height_m,
                layers,
                standing_loss_w_per_k,
                conductivity_w_per_m_k,
                mixing,
                water,
            }
        },
    )
}

fn primary() -> impl Strategy<Value = Primary> {
    (5.0..90.0f64, 0.0..30.0f64, 0.0..2000.0f64).prop_map(|(degc, l_per_min, ua_w_per_k)| Primary {
        degc,
        l_per_min,
        ua_w_per_k,
    })
}

fn entering() -> impl Strategy<Value = Entering> {
    prop_oneof![
        (5.0..90.0f64).prop_map(Entering::At),
        (0.0..6000.0f64).prop_map(Entering::Heated),
        primary().prop_map(Entering::Exchanged)
    ]
}

fn stream() -> impl Strategy<Value = Stream> {
    (0.0..=1.0f64, 0.0..=1.0f64, 0.0..40.0f64, entering())
        .prop_map(|(leaves, enters, l_per_min, entering)| Stream { leaves, enters, l_per_min, entering })
}

fn element() -> impl Strategy<Value = Element> {
    (0.0..=1.0f64, 0.0..=1.0f64, 0.0..3000.0f64).prop_map(|(low, high, power_w)| Element {
        low,
        high,
        power_w,
    })
}

fn coil() -> impl Strategy<Value = Coil> {
    (0.0..=1.0f64, 0.0..=1.0f64, primary()).prop_map(|(low, high, primary)| Coil { low, high, primary })
}

fn start() -> impl Strategy<Value = Vec<f64>> {
    proptest::collection::vec(5.0..90.0f64, 1..80)
}

fn layers_of(state: &State, count: usize) -> Vec<f64> {
    let mut layers = vec![0.0; count];
    state.layers_into(&mut layers);
    layers
}

fn highest(degc: &[f64]) -> f64 {
    degc.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

fn imbalance_wh(flows: &Flows) -> f64 {
    flows.heated_wh - flows.delivered_wh - flows.lost_wh - flows.stored_wh
}

/// A large cylinder holds, and a fast stream carries, up to a hundred thousand Wh: this is their twelfth digit.
const ROUNDING_WH: f64 = 1e-7;

/// Rounding of a mean over layers, K.
const ROUNDING_K: f64 = 1e-9;

proptest! {
    #[test]
    fn in_is_delivered_and_lost_and_stored(
        settings in settings(),
        start in start(),
        streams in proptest::collection::vec(stream(), 0..3),
        elements in proptest::collection::vec(element(), 0..3),
        coils in proptest::collection::vec(coil(), 0..2),
        surroundings_degc in -5.0..35.0f64,
        dt_s in 1.0..900.0f64,
    ) {
        let model = Model::new(&settings);
        let mut state = model.layered(&start).unwrap();
        let inputs = Inputs { streams: &streams, elements: &elements, coils: &coils, surroundings_degc };
        for _ in 0..5 {
            let before = model.stored_wh(&state);
            let flows = model.step(&mut state, &inputs, dt_s);
            prop_assert!(imbalance_wh(&flows).abs() < ROUNDING_WH, "{} of {flows:?}", imbalance_wh(&flows));
            prop_assert!((model.stored_wh(&state) - before - flows.stored_wh).abs() < ROUNDING_WH);
            prop_assert!((state.litres() / settings.volume_l - 1.0).abs() < 1e-10);
        }
    }

    #[test]
    fn order_is_never_inverted_after_a_step(
        settings in settings(),
        start in start(),
        streams in proptest::collection::vec(stream(), 0..3),
        elements in proptest::collection::vec(element(), 0..3),
        coils in proptest::collection::vec(coil(), 0..2),
        dt_s in 1.0..900.0f64,
    ) {
        let model = Model::new(&settings);
        let mut state = model.layered(&start).unwrap();
        let inputs = Inputs { streams: &streams, elements: &elements, coils: &coils, ..Inputs::default() };
        for _ in 0..5 {
            model.step(&mut state, &inputs, dt_s);
            let layers = layers_of(&state, 64);
            prop_assert!(layers.windows(2).all(|pair| pair[0] <= pair[1] + ROUNDING_K), "{layers:?}");
        }
    }

    #[test]
    fn mixing_keeps_the_heat_and_never_raises_the_maximum(
        settings in settings(),
        start in start(),
        leaves in 0.0..=1.0f64,
        enters in 0.0..=1.0f64,
        l_per_min in 0.0..40.0f64,
        dt_s in 1.0..900.0f64,
    ) {
        let settings = Settings { standing_loss_w_per_k: 0.0, ..settings };
        let model = Model::new(&settings);
        let mut state = model.layered(&start).unwrap();
        // a pump alone: whatever it does is mixing
        let stream = [Stream { leaves, enters, l_per_min, entering: Entering::Heated(0.0) }];
        let before = model.stored_wh(&state);
        for _ in 0..5 {
            model.step(&mut state, &Inputs { streams: &stream, ..Inputs::default() }, dt_s);
            prop_assert!((model.stored_wh(&state) - before).abs() < ROUNDING_WH);
            prop_assert!(highest(&layers_of(&state, 400)) <= highest(&start) + ROUNDING_K);
        }
    }

    #[test]
    fn left_alone_it_only_cools(
        settings in settings(),
        start in proptest::collection::vec(30.0..90.0f64, 1..80),
        surroundings_degc in -5.0..30.0f64,
        dt_s in 1.0..7200.0f64,
    ) {
        let model = Model::new(&settings);
        let mut state = model.layered(&start).unwrap();
        let mut above = (model.stored_wh(&state), highest(&start));
        for _ in 0..10 {
            let flows = model.step(&mut state, &Inputs { surroundings_degc, ..Inputs::default() }, dt_s);
            let layers = layers_of(&state, 50);
            let now = (model.stored_wh(&state), highest(&layers));
            prop_assert!(now.0 <= above.0 + ROUNDING_WH && now.1 <= above.1 + ROUNDING_K);
            prop_assert!(flows.lost_wh >= 0.0 && flows.heated_wh == 0.0 && flows.delivered_wh == 0.0);
            prop_assert!(layers.iter().all(|degc| *degc >= surroundings_degc - ROUNDING_K));
            above = now;
        }
    }

    #[test]
    fn a_long_step_is_the_same_as_its_minutes(l_per_min in 0.1..6.0f64, power_w in 0.0..3000.0f64) {
        let model = Model::new(&Settings::default());
        let draw = [Stream::draw(l_per_min, 10.0)];
        let element = [Element { low: 0.1, high: 0.2, power_w }];
        let inputs = Inputs { streams: &draw, elements: &element, ..Inputs::default() };
        let (mut long, mut short) = (model.uniform(60.0), model.uniform(60.0));
        let of_long = model.step(&mut long, &inputs, 600.0);
        let of_short: f64 = (0..10).map(|_| model.step(&mut short, &inputs, 60.0).delivered_wh).sum();
        prop_assert!((of_long.delivered_wh - of_short).abs() < ROUNDING_WH);
        prop_assert!((model.stored_wh(&long) - model.stored_wh(&short)).abs() < ROUNDING_WH);
    }
}
