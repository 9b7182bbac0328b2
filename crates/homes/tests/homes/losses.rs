//! Null and recovery: an empty home draws nothing and its loss lies in its interval; a loss that rises is dated.

use crate::fleet::{fleet, numbers, read};
use crate::noted::priors;

#[test]
fn an_empty_home_draws_nothing_and_its_loss_lies_within_its_interval() {
    let mut inside = 0;
    let mut homes = 0;
    for seed in 1..=6 {
        let vacant = numbers(seed, |h| h.truth.home.trait_ == "vacant");
        let company = (0..10).filter(|i| !vacant.contains(i));
        let fleet = fleet(seed, vacant.iter().copied().chain(company));
        let priors = priors(&fleet);
        for empty in &fleet[..vacant.len()] {
            let row = read(empty, &priors).row;
            let truth = &empty.home.truth.home;
            eprintln!(
                "seed {seed} {}: {:.2} l/d, {:.2} W/K ({:.2} to {:.2}), truth {:.2}, rooms {}",
                row.home,
                row.litres_per_day.unwrap(),
                row.standing_loss_w_per_k.unwrap_or(f64::NAN),
                row.standing_loss_w_per_k_p05.unwrap_or(f64::NAN),
                row.standing_loss_w_per_k_p95.unwrap_or(f64::NAN),
                truth.ua_effective_w_k,
                row.surroundings_source
            );
            assert!(row.litres_per_day.unwrap() <= 2.0, "{:?}", row.litres_per_day);
            let (Some(low), Some(high)) = (row.standing_loss_w_per_k_p05, row.standing_loss_w_per_k_p95)
            else {
                // Two probes either side of an upper element never lie in water of one temperature.
                assert!(
                    row.verdicts.contains("standing_loss") && empty.home.cylinder.probe_heights.len() == 2
                );
                continue;
            };
            assert!(low < high && low > 0.0);
            homes += 1;
            inside += u32::from((low..=high).contains(&truth.ua_effective_w_k));
        }
    }
    // Of five 90 % intervals fewer than three hold the truth in 1 % of cases (binomial).
    assert!(homes >= 4 && inside + 2 >= homes, "{inside} of {homes}");
}

#[test]
fn a_loss_that_rises_is_found_and_dated_within_two_days() {
    let (mut found, mut homes) = (0, 0);
    for seed in 1..=8 {
        let rising =
            numbers(seed, |h| h.truth.faults.iter().any(|f| f.kind == "loss_doubled" && !f.pre_existing));
        for n in fleet(seed, rising) {
            let priors = priors(std::slice::from_ref(&n));
            let reading = read(&n, &priors);
            let fault = &n.home.truth.faults[0];
            let loss = reading.loss.as_ref();
            let late_days =
                loss.and_then(|l| l.changed_ms).map(|ms| (ms - fault.onset_utc.0) as f64 / 86_400_000.0);
            let rise = loss.and_then(|l| l.before_w_per_k.map(|b| l.w_per_k / b));
            eprintln!(
                "seed {seed} {}: x{:.2}, found {rise:.2?}, {late_days:.1?} days late",
                n.home.cylinder.home, fault.severity
            );
            homes += 1;
            found += u32::from(late_days.is_some_and(|d| d.abs() <= 2.0) && rise.is_some_and(|r| r > 1.4));
        }
    }
    assert!(homes >= 4 && found * 2 >= homes, "{found} of {homes}");
}
