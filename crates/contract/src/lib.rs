//! The contracts between the stages: tables with units, the register, readings with masks, fault codes, errors.
//!
//! Nothing here touches files, clocks or the network.

pub mod account;
pub mod cell;
pub mod error;
pub mod fault;
pub mod local;
pub mod readings;
pub mod register;
pub mod results;
pub mod table;

pub use account::Account;
pub use cell::{Cell, Day, Money, Utc};
pub use error::ContractError;
pub use fault::{Fault, FaultClass, Outcome};
pub use readings::{Channel, HomeRows, Mask, Reject, Series, Shape};
pub use register::{Cylinder, DailyWindow, Element};
pub use table::{ColumnDoc, Table};
