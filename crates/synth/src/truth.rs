//! The truth beside a fleet: what the simulated homes really did.

use std::sync::Arc;

use arrow::array::RecordBatch;
use arrow::datatypes::{Field, Schema};
use drawoff_contract::{ContractError, Table, Utc, table};

table! {
    /// One row per home.
    TruthHomeRow in "truth_homes" {
        /// Identifier, as in the readings.
        id: String, "";
        /// Nominal volume.
        litres: f64, "l";
        /// How heating is controlled: always, night, partial, pv or programmer.
        mode: String, "";
        /// single_low, single_high or dual; top_pump, coil or heat_pump where that heats.
        element_layout: String, "";
        /// normal, large_family, guests, vacant, away or cold_loft.
        trait_: String, "";
        /// People in the home.
        occupants: i64, "";
        /// Loss coefficient of the skin given to the simulation; after the onset where it is raised.
        ua_w_k: f64, "W/K";
        /// Loss coefficient of the skin when sound.
        ua_healthy_w_k: f64, "W/K";
        /// Declared loss at 45 K divided by 45 K.
        ua_declared_w_k: f64, "W/K";
        /// Water leaving for draws, mass over density at the inlet; leaks apart.
        litres_per_day: f64, "l/d";
        /// Water leaking.
        litres_leak_per_day: f64, "l/d";
        /// Heat drawn above the cold feed.
        kwh_draw_per_day: f64, "kWh/d";
        /// Heat lost to the surroundings.
        kwh_loss_per_day: f64, "kWh/d";
        /// Heat from the elements, or from the source that stands in their place.
        kwh_element_per_day: f64, "kWh/d";
        /// Draws, each opening of a tap counted.
        draws_per_day: f64, "1/d";
        /// Energy that the balance leaves over, as a part of the energy in.
        closure_pct: f64, "%";
        /// Set point of the thermostat.
        set_c: f64, "degC";
        /// Hysteresis of the thermostat.
        deadband_k: f64, "K";
        /// Whether the timer follows the change of hour.
        timer_follows_dst: bool, "";
        /// Fault codes joined by semicolons; empty when sound.
        fault: String, "";
        /// Not used here: always 0.
        sim_seconds: f64, "s";
        /// Loss over (mass-mean tank temperature - room); after the onset where the loss is raised.
        ua_effective_w_k: f64, "W/K";
        /// Timer window: start in minutes after local midnight, length in minutes.
        window: String, "";
        /// Whether there is a boost window in the afternoon.
        pm_boost: bool, "";
    }
}

table! {
    /// One row per home and UTC day.
    TruthDayRow in "truth_daily" {
        /// Identifier, as in the readings.
        id: String, "";
        /// Start of the UTC day.
        date: Utc, "UTC";
        /// Water leaving for draws.
        litres_draw: f64, "l";
        /// Water leaking.
        litres_leak: f64, "l";
        /// Water that left the top and came back at the base.
        litres_circulated: f64, "l";
        /// Heat drawn above the cold feed.
        kwh_draw: f64, "kWh";
        /// Heat leaked above the cold feed.
        kwh_leak: f64, "kWh";
        /// Heat that circulating water left in pipework.
        kwh_circulation: f64, "kWh";
        /// Sum of the three heats above.
        kwh_use_side_total: f64, "kWh";
        /// Heat lost to the surroundings.
        kwh_loss: f64, "kWh";
        /// Heat from the lower element, the only one, or the source that stands in its place.
        kwh_element_main: f64, "kWh";
        /// Heat from the upper of two elements, or a boost element.
        kwh_element_upper: f64, "kWh";
        /// Rise of the stored heat, insulation included.
        kwh_storage_change: f64, "kWh";
        /// Mass-mean tank temperature.
        mean_tank_c: f64, "degC";
        /// Temperature around the cylinder.
        mean_room_c: f64, "degC";
        /// Temperature of the cold feed.
        cold_inlet_c: f64, "degC";
    }
}

table! {
    /// One row per opening of a tap.
    TruthDrawRow in "truth_draws" {
        /// Identifier, as in the readings.
        id: String, "";
        /// True start.
        start_utc: Utc, "UTC";
        /// Duration, rounded up.
        minutes: i64, "min";
        /// Water leaving the cylinder, mass over density at the inlet.
        litres: f64, "l";
        /// Mean outlet temperature.
        mean_outlet_c: f64, "degC";
        /// Heat above the cold feed.
        kwh: f64, "kWh";
    }
}

table! {
    /// One row per fault.
    TruthFaultRow in "truth_faults" {
        /// Identifier, as in the readings.
        id: String, "";
        /// Fault code.
        kind: String, "";
        /// equipment, sensor or data.
        cls: String, "";
        /// True onset; the start of the period when it was there before.
        onset_utc: Utc, "UTC";
        /// Whether it was there before the period.
        pre_existing: bool, "";
        /// How strong, in `unit`.
        severity: f64, "";
        /// Unit of the severity.
        unit: String, "";
        /// The variant, as a JSON object; probes are numbered from 0 at the top.
        detail: String, "";
    }
}

table! {
    /// One row per home and half-hour, at the instant.
    TruthStoredRow in "truth_stored" {
        /// Identifier, as in the readings.
        id: String, "";
        /// The instant.
        time: Utc, "UTC";
        /// Water at 40 degC that the water at or above 40 degC makes with a feed of 10 degC, integrated over the fine layers.
        v40_litres: f64, "l";
        /// Heat of the stored water above 0 degC.
        stored_kwh: f64, "kWh";
        /// Mass-mean tank temperature.
        mean_degc: f64, "degC";
        /// Whether the water about to leave is at 40 degC or above.
        outlet_usable: bool, "";
    }
}

table! {
    /// One row per home and UTC day: what the source gave and took.
    TruthSourceRow in "truth_sources" {
        /// Identifier, as in the readings.
        id: String, "";
        /// Start of the UTC day.
        date: Utc, "UTC";
        /// element, top_pump, coil or heat_pump.
        source: String, "";
        /// Heat that the source gave to the water, boost element apart.
        heat_kwh: f64, "kWh";
        /// Heat of a boost element.
        boost_kwh: f64, "kWh";
        /// Electricity of source and boost, with pump and standby; null where the source takes none.
        electric_kwh: Option<f64>, "kWh";
        /// Coefficient of performance of a heat pump: heat over its own electricity, pump and standby included; null on a
        /// day without heat.
        performance: Option<f64>, "";
    }
}

/// Rows of the homes as a table; the column of [`TruthHomeRow::trait_`] is named `trait`, which no field of a row may be.
///
/// # Errors
/// Only when the row type's declaration contradicts itself.
pub fn truth_homes_batch(rows: Vec<TruthHomeRow>) -> Result<RecordBatch, ContractError> {
    let batch = TruthHomeRow::to_batch(rows)?;
    let fields: Vec<Field> = batch
        .schema()
        .fields()
        .iter()
        .map(|f| {
            let name = if f.name() == "trait_" { "trait" } else { f.name() };
            f.as_ref().clone().with_name(name)
        })
        .collect();
    RecordBatch::try_new(Arc::new(Schema::new(fields)), batch.columns().to_vec())
        .map_err(|e| ContractError::table(TruthHomeRow::NAME, "trait", &e.to_string()))
}

/// The truth of one home.
#[derive(Clone, Debug, PartialEq)]
pub struct HomeTruth {
    /// Its row of the homes.
    pub home: TruthHomeRow,
    /// Its UTC days.
    pub days: Vec<TruthDayRow>,
    /// Its draws, in order of start.
    pub draws: Vec<TruthDrawRow>,
    /// Usable water and stored heat at every half-hour; written to a file only where it is asked for.
    pub stored: Vec<TruthStoredRow>,
    /// What its source gave and took, by UTC day.
    pub sources: Vec<TruthSourceRow>,
    /// Its faults.
    pub faults: Vec<TruthFaultRow>,
}

/// The four truth tables of a fleet, each with its name, homes in the order given.
///
/// # Errors
/// Only when a row type's declaration contradicts itself.
pub fn truth_batches(truths: Vec<HomeTruth>) -> Result<[(&'static str, RecordBatch); 4], ContractError> {
    let (mut homes, mut days, mut draws, mut faults) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for truth in truths {
        homes.push(truth.home);
        days.extend(truth.days);
        draws.extend(truth.draws);
        faults.extend(truth.faults);
    }
    Ok([
        (TruthHomeRow::NAME, truth_homes_batch(homes)?),
        (TruthDayRow::NAME, TruthDayRow::to_batch(days)?),
        (TruthDrawRow::NAME, TruthDrawRow::to_batch(draws)?),
        (TruthFaultRow::NAME, TruthFaultRow::to_batch(faults)?),
    ])
}

/// The table of usable water and stored heat of a fleet, homes in the order given.
///
/// # Errors
/// Only when the row type's declaration contradicts itself.
pub fn truth_stored_batch(truths: &[HomeTruth]) -> Result<(&'static str, RecordBatch), ContractError> {
    let rows: Vec<TruthStoredRow> = truths.iter().flat_map(|t| t.stored.iter().cloned()).collect();
    Ok((TruthStoredRow::NAME, TruthStoredRow::to_batch(rows)?))
}

/// The table of what the sources gave and took, homes in the order given.
///
/// # Errors
/// Only when the row type's declaration contradicts itself.
pub fn truth_sources_batch(truths: &[HomeTruth]) -> Result<(&'static str, RecordBatch), ContractError> {
    let rows: Vec<TruthSourceRow> = truths.iter().flat_map(|t| t.sources.iter().cloned()).collect();
    Ok((TruthSourceRow::NAME, TruthSourceRow::to_batch(rows)?))
}
