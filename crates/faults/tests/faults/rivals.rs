//! Faults that show the same signs, told apart by the one in which they differ.

use drawoff_contract::{Fault, HeatSource, Outcome};

use crate::by_hand::{DAYS, Home, scatter, sound};

/// The fault begins here.
const ONSET: usize = 14;

fn since(home: &mut Home, mut change: impl FnMut(usize, &mut drawoff_contract::daybook::DayNote)) {
    home.days.iter_mut().enumerate().skip(ONSET).for_each(|(i, d)| change(i, d));
}

/// What is called, in the order of all faults.
fn called(home: &Home) -> Vec<&'static str> {
    home.assessed().iter().filter(|a| a.outcome == Outcome::Fault).map(|a| a.fault.code()).collect()
}

/// A cylinder whose hottest water is at a temperature from one day on, by every probe.
fn hottest(set_degc: f64, degc: f64) -> Home {
    let mut home = sound();
    home.cylinder.set_point_degc = Some(set_degc);
    let k = (set_degc - 60.0) as f32;
    home.days.iter_mut().for_each(|d| d.probe_max_degc.iter_mut().for_each(|v| *v += k));
    since(&mut home, |i, d| {
        d.probe_max_degc.iter_mut().for_each(|v| *v = (degc + 0.2 * scatter(i)) as f32);
    });
    home
}

#[test]
fn what_no_setting_explains_runs_to_the_high_limit() {
    // 75 degC over 64: within 16 K, but beyond what thermostats can be set to
    assert_eq!(called(&hottest(64.0, 75.0))[0], Fault::StuckOn.code());
    // 68 degC over 58: a thermostat that opens late
    let late = called(&hottest(58.0, 68.0));
    assert!(
        late.contains(&Fault::ThermostatHot.code()) && !late.contains(&Fault::StuckOn.code()),
        "{late:?}"
    );
}

#[test]
fn one_hygiene_heating_is_no_heater_that_will_not_stop() {
    let mut home = sound();
    home.days[DAYS - 2].probe_max_degc.iter_mut().for_each(|v| *v = 75.0);
    assert!(!called(&home).contains(&Fault::StuckOn.code()));
}

fn top_pump() -> Home {
    let mut home = sound();
    home.cylinder.heat_source = HeatSource::TopPump;
    home.cylinder.source_lower_height = Some(0.05);
    home
}

/// Power and arriving heat as shares of the rating.
fn weak(taken: f64, arriving: f64) -> Home {
    let mut home = top_pump();
    since(&mut home, |_, d| {
        d.element_full_power_w[0] = (3000.0 * taken) as f32;
        d.called_still_kwh = Some(1.8 * 3.0 * arriving);
    });
    home
}

#[test]
fn heat_that_is_taken_arrives_from_a_weak_element_and_not_past_a_standing_pump() {
    let element = called(&weak(0.33, 0.19));
    // what an element with a third of its power takes may lose a part on the way, and is still its own story
    assert!(
        !element.contains(&Fault::ElementHalf.code()) || !element.contains(&Fault::PumpFailed.code()),
        "{element:?}"
    );
    let pump = called(&weak(0.35, 0.05));
    assert!(
        pump.contains(&Fault::PumpFailed.code()) && !pump.contains(&Fault::ElementHalf.code()),
        "{pump:?}"
    );
    let weak = called(&weak(0.45, 0.42));
    assert!(
        weak.contains(&Fault::ElementHalf.code()) && !weak.contains(&Fault::PumpFailed.code()),
        "{weak:?}"
    );
}

/// A pumped cylinder whose layers are gone from one day on: at rest, or as draw-offs stir it.
fn mixed(source: HeatSource, top_fall_k: f64, spread_k: f64) -> Vec<&'static str> {
    let mut home = top_pump();
    home.cylinder.heat_source = source;
    since(&mut home, |i, d| {
        d.spread_k = Some(spread_k + scatter(i));
        d.draw_top_fall_k = top_fall_k;
    });
    called(&home)
}

#[test]
fn a_pump_beside_the_cylinder_is_what_turns_it_over_at_rest() {
    let (pump, mixes) = (Fault::PumpStuck.code(), Fault::Destratified.code());
    let at_rest = mixed(HeatSource::TopPump, 0.8, 4.0);
    assert!(at_rest.contains(&pump) && !at_rest.contains(&mixes), "{at_rest:?}");
    // an inlet that stirs with each draw-off is no pump, and without a pump nothing else is
    let by_draws = mixed(HeatSource::TopPump, 9.5, 15.0);
    assert!(by_draws.contains(&mixes) && !by_draws.contains(&pump), "{by_draws:?}");
    let no_pump = mixed(HeatSource::Element, 0.8, 4.0);
    assert!(no_pump.contains(&mixes) && !no_pump.contains(&pump), "{no_pump:?}");
}

#[test]
fn a_set_point_turned_up_is_no_clogged_coil() {
    // heats of a coil under a boiler's flow of 75 degC: the hotter the water, the slower it warms
    let coil = |later_degc: f64, share: f64| {
        let mut home = sound();
        home.cylinder.heat_source = HeatSource::Coil;
        home.cylinder.elements.clear();
        let onset = home.days[ONSET].day;
        home.draws.clear();
        for heat in home.spells.iter_mut().filter(|s| s.kind == "heat") {
            let (level, share) = if heat.day >= onset { (later_degc, share) } else { (45.0, 1.0) };
            heat.level_degc = vec![level as f32; 5];
            let hours = (heat.end.0 - heat.start.0) as f64 / 3_600_000.0;
            heat.rise_k = Some(share * 0.5 * (75.0 - level) * hours);
            (heat.energy_kwh, heat.power_w) = (None, None);
        }
        called(&home).contains(&Fault::ExchangerDecline.code())
    };
    assert!(coil(45.0, 0.5), "half of the transfer is gone");
    assert!(!coil(45.0, 1.0));
    assert!(!coil(60.0, 1.0), "only the water is hotter");
}
