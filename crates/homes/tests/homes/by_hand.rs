//! Cylinders made by hand: all the water at one temperature, so that what must be read of them is known to the digit.

use drawoff_contract::{Channel, Cylinder, Element, HomeRows, Mask, Series, Shape};
use drawoff_homes::HomeReading;
use drawoff_synth::HomeTruth;
use drawoff_tank::Water;

use crate::fleet::read;
use crate::made::Made;
use crate::noted::{Noted, noted, priors};

/// 1 February 2026, 00:00 UTC.
const START_MS: i64 = 1_769_904_000_000;
const STEP_MIN: usize = 5;
const RATED_W: f64 = 2500.0;

/// What the cylinder is and does.
#[derive(Clone)]
pub(crate) struct ByHand {
    pub(crate) days: usize,
    pub(crate) volume_l: f64,
    pub(crate) heights: Vec<f64>,
    pub(crate) room_degc: f64,
    pub(crate) start_degc: f64,
    /// Loss coefficient on a day counted from 0, fractions allowed, W/K.
    pub(crate) loss_w_per_k: fn(f64) -> f64,
    /// Thermostat: on below, off above, degC; `None` for a heater that never comes on.
    pub(crate) thermostat_degc: Option<(f64, f64)>,
    pub(crate) later_by_days: i64,
}

impl Default for ByHand {
    fn default() -> Self {
        Self {
            days: 30,
            volume_l: 180.0,
            heights: vec![0.9, 0.7, 0.5, 0.3, 0.1],
            room_degc: 20.0,
            start_degc: 60.0,
            loss_w_per_k: |_| 1.6,
            thermostat_degc: Some((52.0, 61.0)),
            later_by_days: 0,
        }
    }
}

impl ByHand {
    pub(crate) fn cylinder(&self) -> Cylinder {
        Cylinder {
            volume_l: Some(self.volume_l),
            probe_heights: self.heights.clone(),
            elements: vec![Element { index: 0, rated_w: RATED_W, height: 0.08 }],
            declared_loss_w_per_k: Some(1.6),
            set_point_degc: Some(61.0),
            ..Cylinder::unknown("by hand")
        }
    }

    /// Rows every 5 minutes: temperatures to 0.1 K with a small even noise, power as a mean, the room as it is.
    pub(crate) fn rows(&self) -> HomeRows {
        let count = self.days * 1440 / STEP_MIN;
        let capacity = self.volume_l * Water::Iapws.wh_per_l_k(45.0);
        let hours = STEP_MIN as f64 / 60.0;
        let mut rows = HomeRows::new(Shape::Wide);
        let mut degc = self.start_degc;
        let mut on = false;
        let mut probes = vec![Vec::new(); self.heights.len()];
        let mut power = Vec::new();
        for i in 0..count {
            if let Some((low, high)) = self.thermostat_degc {
                on = if on { degc < high } else { degc < low };
            }
            let heater = if on { RATED_W } else { 0.0 };
            let loss = (self.loss_w_per_k)(i as f64 * STEP_MIN as f64 / 1440.0);
            degc += (heater - loss * (degc - self.room_degc)) * hours / capacity;
            power.push(heater);
            for (p, column) in probes.iter_mut().enumerate() {
                let noise = 0.2 * ((i * 7 + p * 3) as f64 * 0.618_033_988_75).fract() - 0.1;
                column.push(((degc + noise) * 10.0).round() / 10.0);
            }
            let step = (i as i64 + 1) * STEP_MIN as i64 * 60_000;
            rows.time_ms.push(START_MS + self.later_by_days * 86_400_000 + step);
        }
        rows.file = vec![0; count];
        for (p, column) in probes.into_iter().enumerate() {
            put(&mut rows, Channel::Probe(u8::try_from(p).unwrap()), column);
        }
        put(&mut rows, Channel::Power(0), power);
        put(&mut rows, Channel::Surroundings, vec![self.room_degc; count]);
        rows
    }

    pub(crate) fn noted(&self) -> Noted {
        noted_of(self.cylinder(), self.rows())
    }

    pub(crate) fn read(&self) -> HomeReading {
        read_alone(&self.noted())
    }
}

pub(crate) fn put(rows: &mut HomeRows, channel: Channel, value: Vec<f64>) {
    let mask = vec![Mask::Used; value.len()];
    rows.series[channel.slot()] = Some(Series { value, mask });
}

pub(crate) fn noted_of(cylinder: Cylinder, rows: HomeRows) -> Noted {
    noted(Made { cylinder, rows, truth: no_truth() })
}

pub(crate) fn read_alone(noted: &Noted) -> HomeReading {
    read(noted, &priors(std::slice::from_ref(noted)))
}

/// The truth of a home of the generator stands in where none is asked for.
fn no_truth() -> HomeTruth {
    let plan = drawoff_synth::FleetPlan { days: 1, ..drawoff_synth::FleetPlan::default() };
    drawoff_synth::generate_home(&plan, 0).unwrap().truth
}
