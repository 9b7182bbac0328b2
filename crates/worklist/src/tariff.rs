//! What a wasted kWh costs at a home.

use std::collections::BTreeMap;

use drawoff_contract::Cylinder;

use crate::settings::{Tariff, WorthSettings};
use drawoff_contract::money::micro;

/// How many homes a note names before it only counts them.
const NAMED_IN_A_NOTE: usize = 5;

/// Price of wasted energy at a home, millionths a kWh.
///
/// Waste of a cylinder that heats in the low-rate hours is bought at the low rate: where the tariff has one, and the
/// register gives the hours or says that heating is controlled by night. A tariff that the settings lack, or a home without
/// one, is costed at the default tariff; 0 only when the settings have no default, which their check refuses.
#[must_use]
pub fn price_micro_per_kwh(cylinder: Option<&Cylinder>, settings: &WorthSettings) -> i64 {
    let named = cylinder.and_then(|c| known_tariff(c.tariff.as_deref()?, settings));
    let Some(tariff) = named.or_else(|| settings.default_tariff()) else { return 0 };
    let heats_at_night = cylinder.is_some_and(|c| {
        c.low_rate.is_some() || c.control.as_deref().is_some_and(|k| k.trim().eq_ignore_ascii_case("night"))
    });
    micro(tariff.low_rate.filter(|_| heats_at_night).unwrap_or(tariff.unit_rate))
}

/// One note for each tariff of these homes that the settings lack, naming it and its homes.
#[must_use]
pub fn unknown_tariffs<'a>(
    cylinders: impl Iterator<Item = &'a Cylinder>,
    settings: &WorthSettings,
) -> Vec<String> {
    let mut homes: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for cylinder in cylinders {
        if let Some(name) = cylinder.tariff.as_deref().filter(|n| known_tariff(n, settings).is_none()) {
            homes.entry(name).or_default().push(&cylinder.home);
        }
    }
    let default = settings.default_tariff().map_or("", |t| t.name.as_str());
    homes
        .into_iter()
        .map(|(name, homes)| {
            format!("tariff {name:?} is not in the settings; costed at {default:?} for {}", named(&homes))
        })
        .collect()
}

fn known_tariff<'a>(name: &str, settings: &'a WorthSettings) -> Option<&'a Tariff> {
    settings.tariffs.iter().find(|t| t.name == name)
}

fn named(homes: &[&str]) -> String {
    let shown = homes[..homes.len().min(NAMED_IN_A_NOTE)].join(", ");
    match homes.len() - homes.len().min(NAMED_IN_A_NOTE) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rank::made_up::{cylinder, two_rates};
    use drawoff_contract::DailyWindow;

    #[test]
    fn night_heating_wastes_at_the_low_rate() {
        let settings = two_rates();
        let mut home = cylinder("a", "two-rate");
        assert_eq!(price_micro_per_kwh(Some(&home), &settings), 300_000);
        home.control = Some("Night".to_owned());
        assert_eq!(price_micro_per_kwh(Some(&home), &settings), 100_000);
        home.control = None;
        home.low_rate = Some(DailyWindow { start_min: 0, minutes: 420 });
        assert_eq!(price_micro_per_kwh(Some(&home), &settings), 100_000);
        home.tariff = Some("flat".to_owned());
        assert_eq!(price_micro_per_kwh(Some(&home), &settings), 250_000);
        assert_eq!(price_micro_per_kwh(None, &settings), 250_000);
    }

    #[test]
    fn an_unknown_tariff_is_named_with_its_homes() {
        let settings = two_rates();
        let homes: Vec<_> = (0..7).map(|i| cylinder(&format!("h{i}"), "odd-hours")).collect();
        let notes = unknown_tariffs(homes.iter().chain([&cylinder("z", "flat")]), &settings);
        assert_eq!(
            notes,
            [
                "tariff \"odd-hours\" is not in the settings; costed at \"flat\" for h0, h1, h2, h3, h4 and 2 more"
            ]
        );
        assert_eq!(price_micro_per_kwh(Some(&homes[0]), &settings), 250_000);
    }
}
