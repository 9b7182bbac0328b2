//! The contracts between the stages: tables with units, the register, readings with masks, fault codes, errors.
//!
//! Nothing here touches files, clocks or the network.

pub mod account;
pub mod cell;
pub mod daybook;
pub mod error;
pub mod fault;
pub mod flexible_tables;
pub mod for_others;
pub mod habit_tables;
pub mod kept_tables;
pub mod local;
pub mod mapping;
pub mod mapping_hint;
pub mod mapping_readings;
pub mod mapping_register;
pub mod mapping_row;
pub mod mapping_section;
pub mod mapping_small;
pub mod mapping_unit;
pub mod meter_window;
pub mod money;
pub mod news_table;
pub mod part_tables;
pub mod plan_tables;
pub mod readings;
pub mod register;
pub mod results;
pub mod savings_tables;
pub mod seed;
pub mod small_tables;
pub mod table;

pub use account::Account;
pub use cell::{Cell, Day, Money, Utc};
pub use error::ContractError;
pub use fault::{Fault, FaultClass, Level, Outcome};
pub use mapping::Mapping;
pub use readings::{Channel, HomeRows, Mask, Reject, Series, Shape};
pub use register::{Cylinder, DailyWindow, Element, HeatSource};
pub use table::{ColumnDoc, Table};
