//! What moving load is worth under a price, or saves of a carbon intensity, that changes by the half-hour.

use crate::fleet::{Offer, Sums};
use crate::trial::{AFTER, DURATIONS, Direction, SLOTS};

/// Mean value of a kWh by kind of day (weekday, weekend) and half-hour, in millionths of its unit; `None` where nothing covers it.
#[derive(Clone, Debug, PartialEq)]
pub struct Profile(pub [[Option<f64>; SLOTS]; 2]);

impl Profile {
    /// From values of half-hours: (weekend, half-hour of the day, value).
    #[must_use]
    pub fn mean_of(values: impl Iterator<Item = (bool, usize, i64)>) -> Self {
        let mut sums = [[(0_i128, 0_i128); SLOTS]; 2];
        for (weekend, slot, value) in values {
            if let Some(sum) = sums[usize::from(weekend)].get_mut(slot) {
                *sum = (sum.0 + i128::from(value), sum.1 + 1);
            }
        }
        Self(sums.map(|kind| kind.map(|(sum, n)| (n > 0).then(|| sum as f64 / n as f64))))
    }

    fn at(&self, weekend: bool, slot: usize) -> Option<f64> {
        self.0[usize::from(weekend)][slot % SLOTS]
    }
}

/// Value of one event at the P50 in millionths of the profile's unit: what is not bought at the time less what is bought because of it in the
/// 8 h afterwards, or the other way round. Heat that is still missing or still there after that is left out. Values of the next day are taken
/// for those of the same kind of day. `None` where a half-hour has no value, or nothing is moved.
///
/// A third of 30 kWh held off at 0.30 comes back in the next half-hour at 0.10: 9.00 - 1.00.
///
/// ```
/// use drawoff_flexibility::worth::{Profile, moved_value};
/// let price = |slot: usize| Some(if slot == 34 { 300_000.0 } else { 100_000.0 });
/// let profile = Profile([core::array::from_fn(price); 2]);
/// let mut after = [0.0; 16];
/// after[0] = 1.0 / 3.0;
/// assert_eq!(moved_value(&profile, false, 34, 1, -30.0, &after), Some(8_000_000.0));
/// ```
#[must_use]
pub fn moved_value(
    profile: &Profile,
    weekend: bool,
    slot: usize,
    half_hours: usize,
    load_kwh: f64,
    after_share: &[f64; AFTER],
) -> Option<f64> {
    let mut value = 0.0;
    for k in 0..half_hours {
        value -= load_kwh / half_hours as f64 * profile.at(weekend, slot + k)?;
    }
    for (after, share) in after_share.iter().enumerate() {
        if *share != 0.0 {
            value -= share * load_kwh.abs() * profile.at(weekend, slot + half_hours + after)?;
        }
    }
    Some(value)
}

/// Value of an offer at its P50; see [`moved_value`].
#[must_use]
pub fn offer_value(
    sums: &Sums,
    profile: &Profile,
    weekend: bool,
    slot: usize,
    direction: Direction,
    duration: usize,
    offer: &Offer,
) -> Option<f64> {
    let kwh = offer.p50_kw * DURATIONS[duration] as f64 / 2.0;
    if kwh <= 0.0 {
        return None;
    }
    let load_kwh = if direction == Direction::HoldOff { -kwh } else { kwh };
    moved_value(
        profile,
        weekend,
        slot,
        DURATIONS[duration],
        load_kwh,
        &sums.after_share(slot, direction, duration)?,
    )
}
