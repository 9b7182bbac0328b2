//! What the fleet lends to a home: by number of homes that measure their surroundings, in any order of homes.

use drawoff_contract::Channel;
use drawoff_homes::{FleetPriors, HomeReading};

use crate::fleet::{fleet, read};
use crate::made::{Made, picked};
use crate::noted::{Noted, noted, priors};

/// Without the room probe.
fn unmeasured(home: &Made) -> Made {
    let mut home = home.clone();
    if home.rows.series[Channel::Surroundings.slot()].take().is_some() {
        home.rows.null_columns += 1;
    }
    home
}

#[test]
fn three_measured_homes_speak_for_the_rest_and_fewer_do_not() {
    let all = fleet(3, 0..20);
    let measured: Vec<&Noted> =
        all.iter().filter(|n| n.home.rows.get(Channel::Surroundings).is_some()).collect();
    let plain = noted(unmeasured(&all[0].home));
    assert!(measured.len() >= 3);
    for known in 0..=3 {
        let mut homes = vec![noted(plain.home.clone())];
        homes.extend(measured.iter().take(known).map(|n| noted(n.home.clone())));
        let priors = priors(&homes);
        let reading = read(&homes[0], &priors);
        let (source, spread_k) = if known < 3 { ("assumed", 3.0..=3.0) } else { ("fleet", 0.5..=8.0) };
        assert_eq!(reading.row.surroundings_source, source, "{known}");
        assert!(spread_k.contains(&reading.room_spread_k), "{known} {}", reading.room_spread_k);
        if known < 3 {
            assert!(reading.room_degc.iter().all(|r| (r - 18.0).abs() < 1e-9));
        } else {
            assert!(reading.room_degc.iter().all(|r| (5.0..30.0).contains(r)));
        }
        for home in &homes[1..] {
            let own = read(home, &priors);
            assert_eq!(own.row.surroundings_source, "measured");
            assert!(own.room_spread_k < 1.0);
        }
    }
}

#[test]
fn an_empty_fleet_lends_assumptions() {
    let home = fleet(3, [0]);
    let priors = FleetPriors::new(&[]);
    let reading = read(&noted(unmeasured(&home[0].home)), &priors);
    assert_eq!(reading.row.surroundings_source, "assumed");
    assert!(reading.cold_degc.iter().all(|c| c.is_finite()));
    let nothing = noted(Made { rows: picked(&home[0].home.rows, &[]), ..home[0].home.clone() });
    let empty = read(&nothing, &priors);
    assert!(empty.loss.is_none() && empty.days.rows.is_empty());
    let row = &empty.row;
    assert_eq!((row.litres_per_day, row.energy_kwh_per_day, row.surroundings_degc), (None, None, None));
    assert_eq!((row.standing_loss_w_per_k, row.highest_degc, row.good_days), (None, None, 0));
}

#[test]
fn the_order_of_homes_changes_nothing() {
    let mut homes = fleet(4, 0..9);
    let all = |homes: &[Noted]| -> Vec<String> {
        let priors = priors(homes);
        let mut texts: Vec<(String, HomeReading)> =
            homes.iter().map(|n| (n.home.cylinder.home.clone(), read(n, &priors))).collect();
        texts.sort_by(|a, b| a.0.cmp(&b.0));
        texts.into_iter().map(|(_, r)| format!("{r:?}")).collect()
    };
    let straight = all(&homes);
    homes.rotate_left(4);
    assert!(all(&homes) == straight);
    homes.reverse();
    assert!(all(&homes) == straight);
}
