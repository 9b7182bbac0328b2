//! Two days of rows, and one, and none: what each fault says then.

use drawoff_contract::{Channel, Fault, Outcome};

use crate::homes::{assessed, outcome, plan};
use crate::made::{Made, made, picked};
use crate::noted::{noted, priors};

/// Kinds that need days to be told from chance.
const SOFT: [Fault; 8] = [
    Fault::LossDoubled,
    Fault::LeakSteady,
    Fault::LeakHeating,
    Fault::GravityNight,
    Fault::Destratified,
    Fault::ThermostatCold,
    Fault::SensorOffset,
    Fault::DataGaps,
];

fn first_days(home: &Made, days: i64) -> Made {
    let end_ms = home.rows.time_ms[0] + days * 86_400_000 - 300_000;
    let pick: Vec<usize> = (0..home.rows.len()).filter(|&i| home.rows.time_ms[i] <= end_ms).collect();
    Made { rows: picked(&home.rows, &pick), ..home.clone() }
}

#[test]
fn two_days_never_clear_a_home_of_a_soft_kind() {
    let homes: Vec<Made> = (0..8).map(|index| made(&plan(2), index)).collect();
    for days in [1, 2] {
        let short: Vec<_> = homes.iter().map(|h| noted(first_days(h, days))).collect();
        let lent = priors(&short);
        let all: Vec<_> = short.iter().map(|n| assessed(n, &lent)).collect();
        for fault in Fault::ALL {
            let count = |o: Outcome| all.iter().filter(|a| outcome(a, *fault) == o).count();
            eprintln!(
                "{days} days {:<15} sound {} fault {} too little {} not assessed {}",
                fault.code(),
                count(Outcome::Sound),
                count(Outcome::Fault),
                count(Outcome::TooLittleData),
                count(Outcome::NotAssessed)
            );
            if SOFT.contains(fault) {
                assert_eq!(count(Outcome::Sound) + count(Outcome::Fault), 0, "{}", fault.code());
            }
        }
    }
}

#[test]
fn one_row_and_no_probe_values_clear_nothing_soft_and_break_nothing() {
    let home = made(&plan(2), 1);
    let mut blind = home.clone();
    for p in 0..8 {
        blind.rows.series[Channel::Probe(p).slot()] = None;
    }
    let one = Made { rows: picked(&home.rows, &[100]), ..home };
    for (name, home) in [("blind", blind), ("one row", one)] {
        let homes = [noted(home)];
        let all = assessed(&homes[0], &priors(&homes));
        assert_eq!(all.len(), Fault::ALL.len());
        for fault in SOFT.into_iter().filter(|f| *f != Fault::DataGaps) {
            assert!(
                !matches!(outcome(&all, fault), Outcome::Sound | Outcome::Fault),
                "{name} {}",
                fault.code()
            );
        }
        let said: Vec<_> = all.iter().map(|a| (a.fault.code(), a.outcome.code())).collect();
        eprintln!("{name}: {said:?}");
    }
}

#[test]
fn an_element_that_was_never_called_is_not_cleared() {
    let home = made(&plan(2), 1);
    let mut idle = home.clone();
    for element in 0..2 {
        for channel in [Channel::Power(element), Channel::Call(element)] {
            if let Some(series) = idle.rows.series[channel.slot()].as_mut() {
                series.value.fill(0.0);
            }
        }
    }
    let homes = [noted(idle)];
    let all = assessed(&homes[0], &priors(&homes));
    assert_eq!(outcome(&all, Fault::ElementOpen), Outcome::TooLittleData);
    assert_eq!(outcome(&all, Fault::ElementHalf), Outcome::TooLittleData);
}

/// The command line asks nothing of a home without days; whoever uses the crate alone may.
#[test]
fn no_days_break_nothing() {
    let home = made(&plan(2), 1);
    let homes = [noted(Made { rows: picked(&home.rows, &[]), ..home })];
    let all = assessed(&homes[0], &priors(&homes));
    assert!(all.iter().all(|a| matches!(a.outcome, Outcome::TooLittleData | Outcome::NotAssessed)));
}

#[test]
fn two_days_call_no_probe_exchanged() {
    let short: Vec<_> = (0..8).map(|index| noted(first_days(&made(&plan(2), index), 2))).collect();
    let lent = priors(&short);
    assert!(short.iter().all(|n| outcome(&assessed(n, &lent), Fault::SensorSwap) != Outcome::Fault));
}
