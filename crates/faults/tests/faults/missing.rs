//! An input that is missing turns a fault into "not assessed", names itself, and moves no other fault's outcome.

use drawoff_contract::{Channel, Cylinder, Fault, Outcome};
use drawoff_faults::Assessment;

use crate::homes::{assessed, plan};
use crate::made::{Made, made};
use crate::noted::{Noted, noted, priors};

fn homes() -> Vec<Noted> {
    (0..8).map(|index| noted(made(&plan(2), index))).collect()
}

fn without(home: &Made, channels: &[Channel]) -> Made {
    let mut home = home.clone();
    for channel in channels {
        home.rows.series[channel.slot()] = None;
    }
    home
}

const POWER: [Channel; 2] = [Channel::Power(0), Channel::Power(1)];
const CALL: [Channel; 2] = [Channel::Call(0), Channel::Call(1)];

/// Probes from `first` on, of the eight that may be there.
fn probes_from(first: u8) -> Vec<Channel> {
    (first..8).map(Channel::Probe).collect()
}

/// Assessments of every home whole, and of the same homes after `change`, by the same fleet.
fn pairs(change: impl Fn(&Made) -> Made) -> Vec<(Vec<Assessment>, Vec<Assessment>)> {
    let whole = homes();
    let lent = priors(&whole);
    whole.iter().map(|n| (assessed(n, &lent), assessed(&noted(change(&n.home)), &lent))).collect()
}

/// Prints what changed, and returns (fault, outcome before, outcome after, missing) of every change.
fn changes(name: &str, change: impl Fn(&Made) -> Made) -> Vec<(Fault, Outcome, Outcome, String)> {
    let mut out = Vec::new();
    for (before, after) in pairs(change) {
        // What another finding explained stands alone once that one cannot be assessed.
        let alone = |b: &Assessment| b.folded_under.is_none();
        for (b, a) in before.iter().zip(&after).filter(|(b, a)| b.outcome != a.outcome && alone(b)) {
            out.push((b.fault, b.outcome, a.outcome, a.missing.clone()));
        }
    }
    let mut lines: Vec<String> = out
        .iter()
        .map(|(f, b, a, m)| format!("  without {name}: {} {} -> {} [{m}]", f.code(), b.code(), a.code()))
        .collect();
    lines.sort();
    let mut counted: Vec<(String, usize)> = Vec::new();
    for line in lines {
        match counted.last_mut() {
            Some((text, n)) if *text == line => *n += 1,
            _ => counted.push((line, 1)),
        }
    }
    for (line, n) in counted {
        eprintln!("{line} x{n}");
    }
    out
}

/// Nothing may turn into a fault for want of an input.
fn assert_no_new_fault(found: &[(Fault, Outcome, Outcome, String)]) {
    let new: Vec<_> = found.iter().filter(|c| c.2 == Outcome::Fault).collect();
    assert!(new.is_empty(), "{new:?}");
}

/// These are not assessed, for a named reason, wherever they change.
fn assert_not_assessed(found: &[(Fault, Outcome, Outcome, String)], faults: &[Fault]) {
    for (fault, _, after, missing) in found.iter().filter(|c| faults.contains(&c.0)) {
        assert_eq!(*after, Outcome::NotAssessed, "{}", fault.code());
        assert!(!missing.is_empty());
    }
    for fault in faults {
        assert!(found.iter().any(|c| c.0 == *fault), "{} did not change", fault.code());
    }
}

#[test]
fn power() {
    let found = changes("power", |h| without(h, &POWER));
    assert_not_assessed(&found, &[Fault::ElementOpen, Fault::ElementHalf]);
    assert_no_new_fault(&found);
}

#[test]
fn call() {
    let found = changes("call", |h| without(h, &CALL));
    assert_not_assessed(&found, &[Fault::ElementOpen]);
    assert_no_new_fault(&found);
}

#[test]
fn set_point() {
    let no_set_point =
        |h: &Made| Made { cylinder: Cylinder { set_point_degc: None, ..h.cylinder.clone() }, ..h.clone() };
    let found = changes("set point", no_set_point);
    assert_not_assessed(&found, &[Fault::ThermostatHot, Fault::ThermostatCold]);
    assert_no_new_fault(&found);
    // Nothing but the two thermostats, and what they explained or what explained them.
    let near = [Fault::ThermostatHot, Fault::ThermostatCold, Fault::StuckOn];
    assert!(found.iter().all(|c| near.contains(&c.0)), "{found:?}");
}

#[test]
fn register_of_energy() {
    let found = changes("energy register", |h| without(h, &[Channel::Register]));
    assert_no_new_fault(&found);
    // Power says the same: no fault of the equipment or of a probe may be lost.
    let of_the_register = |f: Fault| matches!(f, Fault::MeterReset | Fault::MeterScale);
    assert!(found.iter().all(|c| c.2 != Outcome::NotAssessed || of_the_register(c.0)), "{found:?}");
}

#[test]
fn a_register_that_is_not_there_cannot_have_been_reset() {
    let found = changes("energy register", |h| without(h, &[Channel::Register]));
    assert_not_assessed(&found, &[Fault::MeterReset]);
}

#[test]
fn power_and_register() {
    let meters = [POWER[0], POWER[1], Channel::Register];
    let found = changes("any meter", |h| without(h, &meters));
    assert_not_assessed(
        &found,
        &[Fault::ElementOpen, Fault::ElementHalf, Fault::LeakHeating, Fault::MeterReset],
    );
    let soft = [Fault::GravityNight];
    assert_no_new_fault(&found.into_iter().filter(|c| !soft.contains(&c.0)).collect::<Vec<_>>());
}

#[test]
fn without_a_meter_no_home_circulates_by_night() {
    let meters = [POWER[0], POWER[1], Channel::Register];
    assert_no_new_fault(&changes("any meter", |h| without(h, &meters)));
}

#[test]
fn without_a_meter_a_hot_thermostat_is_not_assessed() {
    let meters = [POWER[0], POWER[1], Channel::Register];
    assert_not_assessed(&changes("any meter", |h| without(h, &meters)), &[Fault::ThermostatHot]);
}

#[test]
fn declared_loss() {
    let undeclared = |h: &Made| Made {
        cylinder: Cylinder { declared_loss_w_per_k: None, ..h.cylinder.clone() },
        ..h.clone()
    };
    assert_no_new_fault(&changes("declared loss", undeclared));
}

#[test]
fn heights_of_two_probes_and_of_one() {
    for n in [2_usize, 1] {
        let cut = |h: &Made| {
            let heights = h.cylinder.probe_heights[..n.min(h.cylinder.probe_heights.len())].to_vec();
            Made { cylinder: Cylinder { probe_heights: heights, ..h.cylinder.clone() }, ..h.clone() }
        };
        let found = changes(&format!("all but {n} probes, known to the register"), cut);
        assert_not_assessed(&found, &[Fault::Destratified, Fault::SensorOffset, Fault::SensorSwap]);
        if n == 1 {
            assert_not_assessed(&found, &[Fault::SensorStuck]);
        }
        for fault in [Fault::SensorOffset, Fault::SensorSwap, Fault::Destratified] {
            assert!(found.iter().all(|c| c.0 != fault || c.2 == Outcome::NotAssessed));
        }
    }
}

#[test]
fn two_probes_make_no_leak() {
    let cut = |h: &Made| {
        let heights = h.cylinder.probe_heights[..2].to_vec();
        Made { cylinder: Cylinder { probe_heights: heights, ..h.cylinder.clone() }, ..h.clone() }
    };
    assert_no_new_fault(&changes("all but 2 probes, known to the register", cut));
}

#[test]
fn probes_that_send_nothing() {
    for n in [2, 1] {
        let found =
            changes(&format!("all but {n} probes, unknown to the register"), |h| without(h, &probes_from(n)));
        assert_no_new_fault(&found);
        assert_not_assessed(&found, &[Fault::Destratified, Fault::SensorOffset, Fault::SensorSwap]);
    }
}

#[test]
fn a_missing_top_probe_makes_no_leak() {
    let found = changes("the top probe", |h| without(h, &[Channel::Probe(0)]));
    assert_no_new_fault(&found);
}
