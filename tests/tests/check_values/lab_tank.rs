//! Stored heat and V40 of a profile against charge and draw-off tests of a real tank in a laboratory.
//!
//! Source: validation data of the Annex60 library's storage models (IEA EBC Annex 60, Modelica License 2, copyright Brecht
//! Baeten): 284.7 l, 1.225 m, probes in the water, flow and both port temperatures. Tank wall and loss were not measured.

use drawoff_tank::usable::v40_drawn_litres;
use drawoff_tank::{Profile, Water};
use drawoff_tests::shared_text;

const VOLUME_L: f64 = 284.7;
const INSIDE_HEIGHT_MM: f64 = 1225.0;

/// Nine of the seventeen probes, mm above the base, and their columns in the file.
const PROBES: [(f64, usize); 9] = [
    (1200.0, 5),
    (1100.0, 7),
    (950.0, 9),
    (800.0, 11),
    (650.0, 13),
    (500.0, 15),
    (350.0, 17),
    (200.0, 19),
    (50.0, 21),
];

/// One instant of a test.
struct Instant {
    time_s: f64,
    flow_l_per_min: f64,
    inlet_degc: f64,
    outlet_degc: f64,
    probes_degc: Vec<f64>,
}

#[expect(clippy::unwrap_used, reason = "a malformed reference file fails the test")]
fn instants(text: &str, experiment: &str) -> Vec<Instant> {
    let of_experiment = text.lines().skip(1).filter(|line| line.split(',').next() == Some(experiment));
    of_experiment
        .map(|line| {
            let row: Vec<f64> = line.split(',').map(|field| field.parse().unwrap()).collect();
            Instant {
                time_s: row[1],
                // small negative flows are noise of the meter
                flow_l_per_min: row[2].max(0.0),
                inlet_degc: row[3],
                outlet_degc: row[4],
                probes_degc: PROBES.iter().map(|&(_, column)| row[column]).collect(),
            }
        })
        .collect()
}

/// Litres through the ports between each instant and the next, with the later one.
fn steps(run: &[Instant]) -> impl Iterator<Item = (f64, &Instant)> {
    run.windows(2).map(|pair| {
        let flow = f64::midpoint(pair[0].flow_l_per_min, pair[1].flow_l_per_min);
        (flow * (pair[1].time_s - pair[0].time_s) / 60.0, &pair[1])
    })
}

fn profile() -> Option<Profile> {
    Profile::new(&PROBES.map(|(mm, _)| mm / INSIDE_HEIGHT_MM))
}

#[test]
fn stored_heat_changes_by_what_flows_through() {
    let Some(text) = shared_text("lab-stratified-tank/profiles_degc.csv") else { return };
    let profile = profile().unwrap();
    // the large charges (1, 4, 7) and draw-offs (12, 13); in the small ones the tank wall weighs too much
    for experiment in ["1", "4", "7", "12", "13"] {
        let run = instants(&text, experiment);
        let through_wh: f64 = steps(&run)
            .map(|(litres, at)| litres * Water::Iapws.heat_wh_per_l(at.outlet_degc, at.inlet_degc))
            .sum();
        let stored = |at: &Instant| profile.stored_wh(&at.probes_degc, VOLUME_L, 10.0, Water::Iapws);
        let change_wh = stored(&run[run.len() - 1]) - stored(&run[0]);
        assert!(
            (change_wh / through_wh - 1.0).abs() < 0.04,
            "test {experiment}: {change_wh} of {through_wh} Wh"
        );
    }
}

#[test]
fn v40_falls_by_what_is_drawn_and_what_mixing_takes() {
    let Some(text) = shared_text("lab-stratified-tank/profiles_degc.csv") else { return };
    let profile = profile().unwrap();
    let cold_degc = 10.0;
    // 12 is slow and stays layered; 13 is fast with a warm feed, so part of its water mixes to below 40 degC undrawn
    for (experiment, lost_to_mixing) in [("12", 0.04), ("13", 0.15)] {
        let run = instants(&text, experiment);
        // the outlet's probe stands in a pipe that is cold until water flows
        let warm =
            steps(&run).map(|(litres, at)| (at.outlet_degc, litres)).skip_while(|&(degc, _)| degc < 40.0);
        let drawn_l = v40_drawn_litres(warm, cold_degc);
        let v40 = |at: &Instant| profile.v40_litres(&at.probes_degc, VOLUME_L, cold_degc);
        let fall_l = v40(&run[0]) - v40(&run[run.len() - 1]);
        let drawn = drawn_l / fall_l;
        assert!((1.0 - lost_to_mixing..=1.01).contains(&drawn), "test {experiment}: {drawn_l} of {fall_l} l");
    }
}
