//! Money in whole millionths of the main currency unit: never a float sum.

/// Cost of an energy at a price: Wh x millionths per kWh / 1000, rounded half to even once. Negative energy is a saving.
///
/// ```
/// // 1.5 kWh at 0.30 a kWh are 0.45.
/// assert_eq!(drawoff_contract::money::cost_micro(1500, 300_000), 450_000);
/// ```
#[must_use]
pub fn cost_micro(wh: i64, price_micro_per_kwh: i64) -> i64 {
    let thousandths = i128::from(wh) * i128::from(price_micro_per_kwh);
    let whole = thousandths.div_euclid(1000);
    let up = match thousandths.rem_euclid(1000).cmp(&500) {
        std::cmp::Ordering::Less => 0,
        std::cmp::Ordering::Equal => whole.rem_euclid(2),
        std::cmp::Ordering::Greater => 1,
    };
    i64::try_from(whole + up).unwrap_or(if whole < 0 { i64::MIN } else { i64::MAX })
}

/// Millionths of a decimal amount in main units, half to even; NaN becomes 0.
#[must_use]
pub fn micro(main_units: f64) -> i64 {
    (main_units * 1_000_000.0).round_ties_even() as i64
}

/// A share of an amount, half to even: for probabilities, not for energy prices. NaN becomes 0.
#[must_use]
pub fn share_micro(amount_micro: i64, share: f64) -> i64 {
    (amount_micro as f64 * share).round_ties_even() as i64
}

/// Whole Wh of an energy in kWh, half to even; NaN becomes 0.
#[must_use]
pub fn whole_wh(kwh: f64) -> i64 {
    (kwh * 1000.0).round_ties_even() as i64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn halves_go_to_the_even_neighbour() {
        assert_eq!(cost_micro(1, 500), 0);
        assert_eq!(cost_micro(1, 501), 1);
        assert_eq!(cost_micro(1, 1500), 2);
        assert_eq!(cost_micro(1, 2500), 2);
        assert_eq!(cost_micro(5, 500), 2);
        assert_eq!(cost_micro(7, 500), 4);
    }

    #[test]
    fn savings_round_like_costs() {
        for wh in [1, 3, 5, 7, 999, 1001] {
            for price in [499, 500, 501, 312_345] {
                assert_eq!(cost_micro(-wh, price), -cost_micro(wh, price), "{wh} {price}");
            }
        }
    }

    #[test]
    fn the_largest_amounts_stay_in_range() {
        assert_eq!(cost_micro(i64::MAX, 1_000_000), i64::MAX);
        assert_eq!(cost_micro(i64::MIN, 1_000_000), i64::MIN);
    }

    #[test]
    fn decimal_amounts_become_exact_millionths() {
        assert_eq!(micro(0.2862), 286_200);
        assert_eq!(micro(85.0), 85_000_000);
        assert_eq!(micro(0.000_001), 1);
        assert_eq!(share_micro(3, 0.5), 2);
        assert_eq!(whole_wh(-1.2345), -1234);
    }
}
