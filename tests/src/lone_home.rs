//! A made home that is alone in its fleet, read as a run reads it.
#![expect(clippy::unwrap_used, reason = "helpers of tests: a failure is a failed test")]

use arrow::array::{Array, AsArray};
use arrow::compute::cast;
use arrow::datatypes::{DataType, Float64Type, TimestampMillisecondType};
use drawoff_contract::readings::MAX_PROBES;
use drawoff_contract::{Channel, Cylinder, HomeRows, Mask, Series, Shape};
use drawoff_daybook::{Machine, Notes, Setup};
use drawoff_faults::probes::{Probes, sound_probes};
use drawoff_homes::{FleetPriors, HomeNotes, HomeReading, Settings, read_home};
use drawoff_synth::HomeData;
use drawoff_tank::Water;

/// Its register line and rows.
#[derive(Clone, Debug)]
pub struct LoneHome {
    /// Register.
    pub cylinder: Cylinder,
    /// Readings; none lost, doubled or late.
    pub rows: HomeRows,
}

impl LoneHome {
    /// A home of the generator in UTC.
    ///
    /// # Panics
    /// When its readings are not in order of time or hold a null.
    #[must_use]
    pub fn new(made: &HomeData) -> Self {
        Self { cylinder: made.register.cylinder(chrono_tz::UTC), rows: rows(&made.readings) }
    }

    /// Its daybook.
    ///
    /// # Panics
    /// When the register lacks what a daybook needs.
    #[must_use]
    pub fn notes(&self) -> Notes {
        let setup = Setup::new(
            &self.cylinder,
            drawoff_daybook::Settings { water: Water::Iapws, ..Default::default() },
        )
        .unwrap();
        let mut machine = Machine::new(setup, 1);
        machine.push(&self.rows);
        machine.finish()
    }

    /// What is read of it from its daybook.
    #[must_use]
    pub fn read_from(&self, notes: &Notes) -> HomeReading {
        let of_home = HomeNotes {
            cylinder: &self.cylinder,
            days: &notes.days,
            spells: &notes.spells,
            draws: &notes.draws,
        };
        let priors = FleetPriors::new(&[of_home]);
        let cold_degc = priors.fleet_cold_feed(&notes.days);
        let probes = self.cylinder.probe_heights.len();
        let sound = sound_probes(Probes { days: &notes.days, probes, cold_degc: &cold_degc });
        read_home(of_home, &priors, &sound, Settings { water: Water::Iapws, seed: 1 })
    }

    /// What is read of it.
    ///
    /// # Panics
    /// As [`Self::notes`].
    #[must_use]
    pub fn read(&self) -> HomeReading {
        self.read_from(&self.notes())
    }
}

/// A series without a mask.
#[must_use]
pub fn series(value: Vec<f64>) -> Series {
    Series { mask: vec![Mask::Used; value.len()], value }
}

fn rows(batch: &arrow::array::RecordBatch) -> HomeRows {
    let times = batch.column_by_name("time").unwrap().as_primitive::<TimestampMillisecondType>();
    assert!(times.values().is_sorted());
    let mut rows = HomeRows::new(Shape::Wide);
    rows.time_ms = times.values().to_vec();
    rows.file = vec![0; rows.time_ms.len()];
    let probes = (0..MAX_PROBES as u8).map(|i| (format!("probe_{}_degc", i + 1), Channel::Probe(i)));
    let others = [
        ("power_lower_w", Channel::Power(0)),
        ("call_lower", Channel::Call(0)),
        ("register_wh", Channel::Register),
        ("surroundings_degc", Channel::Surroundings),
    ];
    for (name, channel) in probes.chain(others.map(|(name, channel)| (name.to_owned(), channel))) {
        let Some(column) = batch.column_by_name(&name).filter(|c| c.null_count() < c.len()) else { continue };
        assert_eq!(column.null_count(), 0, "{name}");
        let value = cast(column, &DataType::Float64).unwrap().as_primitive::<Float64Type>().values().to_vec();
        rows.series[channel.slot()] = Some(series(value));
    }
    rows
}
