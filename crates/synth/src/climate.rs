//! The weather of the invented town, and what one home gets of it: room, cold feed, spare solar power.

use core::f64::consts::{PI, TAU};

use rand_chacha::ChaCha8Rng;

use crate::dice::{Purpose, TOWN, dice, normal, uniform};

/// Step of the series, s.
const STEP_S: i64 = 600;
const STEPS_PER_DAY: i64 = 86_400 / STEP_S;
/// First day for which the town's weather is drawn, so that it does not depend on the period asked for.
const TOWN_EPOCH_DAY: i64 = 10_957;

/// Where the cylinder stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Place {
    /// A cupboard in the heated part of the home, at this mean temperature, degC.
    Cupboard(f64),
    /// An unheated loft that follows the weather.
    Loft,
}

/// Series of one home in steps of ten minutes.
#[derive(Clone, Debug)]
pub(crate) struct Climate {
    first_s: i64,
    outside_degc: Vec<f64>,
    room_degc: Vec<f64>,
    feed_degc: Vec<f64>,
    surplus_w: Vec<f64>,
}

impl Climate {
    /// The same at all times: no weather, no spare solar power.
    pub(crate) fn steady(room_degc: f64, feed_degc: f64) -> Self {
        let steady = |value| vec![value];
        Self {
            first_s: 0,
            outside_degc: steady(room_degc),
            room_degc: steady(room_degc),
            feed_degc: steady(feed_degc),
            surplus_w: steady(0.0),
        }
    }

    fn step(&self, second: i64) -> usize {
        let step = second.div_euclid(STEP_S) - self.first_s.div_euclid(STEP_S);
        usize::try_from(step).unwrap_or(0).min(self.room_degc.len().saturating_sub(1))
    }

    /// Temperature of the outside air at a UTC second, degC.
    pub(crate) fn outside_degc(&self, second: i64) -> f64 {
        self.outside_degc[self.step(second)]
    }

    /// Temperature around the cylinder at a UTC second, degC.
    pub(crate) fn room_degc(&self, second: i64) -> f64 {
        self.room_degc[self.step(second)]
    }

    /// Temperature of the cold feed, degC.
    pub(crate) fn feed_degc(&self, second: i64) -> f64 {
        self.feed_degc[self.step(second)]
    }

    /// Solar power left over by the rest of the home, W.
    pub(crate) fn surplus_w(&self, second: i64) -> f64 {
        self.surplus_w[self.step(second)]
    }
}

/// Draws the series of one home for a range of UTC seconds; `solar_peak_w` is 0 without panels, `feed_swing_k` is how far the cold
/// feed goes to either side of its mean over the year.
pub(crate) fn climate(
    seed: u64,
    home: u32,
    range_s: core::ops::Range<i64>,
    place: Place,
    solar_peak_w: f64,
    feed_swing_k: f64,
) -> Climate {
    let days = range_s.start.div_euclid(86_400)..=range_s.end.div_euclid(86_400);
    let mut rng = dice(seed, home, Purpose::Room);
    let feed_offset = normal(&mut rng, 0.0, 0.7);
    let mut wander = Wander::new(if place == Place::Loft { 0.6 } else { 0.5 });
    let mut passing_cloud = Wander::new(0.3);
    let mut base_load = Wander::new(120.0);
    let mut out = Climate {
        first_s: days.start() * 86_400,
        outside_degc: Vec::new(),
        room_degc: Vec::new(),
        feed_degc: Vec::new(),
        surplus_w: Vec::new(),
    };
    for day in days {
        let (outside_mean, clearness) = town_day(seed, day);
        for step in 0..STEPS_PER_DAY {
            let hour = step as f64 * 24.0 / STEPS_PER_DAY as f64;
            let outside = outside_mean + (1.0 + 3.0 * clearness) * libm::sin(TAU * (hour - 9.0) / 24.0);
            out.outside_degc.push(outside);
            let drift = wander.next(&mut rng);
            out.room_degc.push(match place {
                Place::Cupboard(mean) => {
                    mean + 0.1 * (outside - 9.0) + 0.8 * libm::sin(TAU * (hour - 14.0) / 24.0) + drift
                }
                Place::Loft => 2.5 + 0.75 * outside + drift,
            });
            out.feed_degc.push(feed_offset + 10.5 - feed_swing_k * libm::cos(TAU * (season(day) - 0.12)));
            let cloud = (clearness + passing_cloud.next(&mut rng)).clamp(0.05, 1.0);
            let used = (280.0 + base_load.next(&mut rng)).max(80.0);
            out.surplus_w.push((solar_peak_w * sun_height(day, hour) * cloud - used).max(0.0));
        }
    }
    out
}

/// Mean outside temperature of a day, degC, and how clear its sky is, 0 to 1.
fn town_day(seed: u64, day: i64) -> (f64, f64) {
    // A moving average over a week of independent days: any day can be had without the days before it.
    let spells: f64 = (0..7)
        .map(|back| {
            let key = seed ^ ((day - back - TOWN_EPOCH_DAY) as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
            normal(&mut dice(key, TOWN, Purpose::Town), 0.0, 1.0) * libm::exp(-0.4 * back as f64)
        })
        .sum();
    let key = seed ^ ((day - TOWN_EPOCH_DAY) as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let clearness = uniform(&mut dice(key.rotate_left(17), TOWN, Purpose::Town), 0.15, 0.95);
    (10.0 - 6.0 * libm::cos(TAU * (season(day) - 0.06)) + 2.0 * spells, clearness)
}

/// Part of the year that has gone by, 0 to 1.
fn season(day: i64) -> f64 {
    (day as f64 % 365.25) / 365.25
}

/// Shape of the sun over a day at about 52 degrees north, 0 to 1; a plain arch, good enough for a diverter.
fn sun_height(day: i64, hour: f64) -> f64 {
    let summer = libm::sin(TAU * (season(day) - 0.22));
    let length = 12.2 + 4.4 * summer;
    let since_rise = hour - (12.0 - length / 2.0);
    if !(0.0..length).contains(&since_rise) {
        return 0.0;
    }
    (0.6 + 0.35 * summer) * libm::pow(libm::sin(PI * since_rise / length), 1.3)
}

/// First-order autoregressive noise with a memory of about two hours.
pub(crate) struct Wander {
    value: f64,
    deviation: f64,
}

impl Wander {
    pub(crate) fn new(deviation: f64) -> Self {
        Self { value: 0.0, deviation }
    }

    pub(crate) fn next(&mut self, rng: &mut ChaCha8Rng) -> f64 {
        const MEMORY: f64 = 0.92;
        self.value = MEMORY * self.value + normal(rng, 0.0, self.deviation) * (1.0 - MEMORY * MEMORY).sqrt();
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unusual::FEED_SWING_K;

    #[test]
    fn lofts_are_colder_than_cupboards_and_the_sun_sets() {
        let range = 1_773_014_400..1_773_014_400 + 20 * 86_400;
        let loft = climate(1, 1, range.clone(), Place::Loft, 0.0, FEED_SWING_K);
        let cupboard = climate(1, 1, range.clone(), Place::Cupboard(20.0), 3000.0, FEED_SWING_K);
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        assert!(mean(&loft.room_degc) < 14.0 && (mean(&cupboard.room_degc) - 20.0).abs() < 1.5);
        assert!(cupboard.surplus_w(range.start) == 0.0);
        assert!(cupboard.surplus_w.iter().any(|&w| w > 800.0));
        assert!(mean(&loft.feed_degc) > 5.0 && mean(&loft.feed_degc) < 13.0);
    }
}
