//! Fleets of invented homes with known truth: cylinders, households, controls, faults and meters, and the exports they leave.
//!
//! [`generate_home`] is pure: a home depends on its number and on the plan's seed, period and zone, so homes may be
//! made in any order and on any number of threads. The cylinder here is finer than any estimator's and shares no code with them.
//!
//! ```
//! use drawoff_synth::{FleetPlan, generate_home};
//! let plan = FleetPlan { days: 1, ..FleetPlan::default() };
//! let home = generate_home(&plan, 0)?;
//! let day = &home.truth.days[0];
//! let out = day.kwh_use_side_total + day.kwh_loss + day.kwh_storage_change;
//! assert!((day.kwh_element_main + day.kwh_element_upper - out).abs() < 1e-6);
//! # Ok::<(), drawoff_contract::ContractError>(())
//! ```

mod climate;
mod control;
mod cylinder;
mod delivery;
mod design;
mod dice;
mod export;
mod fault;
mod fleet;
mod household;
mod impose;
mod level;
mod measure;
mod mixing;
mod order;
mod plan;
mod register;
#[cfg(test)]
mod signatures;
mod simulate;
mod source;
#[cfg(test)]
mod source_homes;
mod stalled;
mod sums;
mod tapping;
mod tapping_table;
mod trial;
#[cfg(test)]
mod trial_signatures;
mod truth;
mod twin;
mod unusual;
mod usable;

pub use cylinder::{Cylinder, CylinderBody};
pub use drawoff_contract::Level;
pub use export::readings_schema;
pub use fleet::{HomeData, UnderOrders, generate_home, generate_under_orders};
pub use order::Order;
pub use plan::{FaultsLaid, FleetPlan, Inlet, Pace, RoomMeasured, Sources};
pub use register::{REGISTER_HEADER, RegisterRow, SOURCE_HEADER, SourceEntry, register_csv};
pub use tapping::{TappingDraw, TappingPlan, TappingProfile, generate_tapping};
pub use truth::{
    HomeTruth, TruthDayRow, TruthDrawRow, TruthFaultRow, TruthHomeRow, TruthSourceRow, TruthStoredRow,
    truth_batches, truth_homes_batch, truth_sources_batch, truth_stored_batch,
};
pub use twin::{TwinRule, TwinTruth, Twins, generate_twins};
