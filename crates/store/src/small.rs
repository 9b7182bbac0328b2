//! Reading the small tables beside the register, from CSV or Parquet: tariffs, carbon intensity, and the log of visits.
//!
//! Bad rows are named by line and left out; the rest is kept.

mod carbon;
mod changed;
mod lines;
mod prices;
mod tariffs;
mod visits;

use drawoff_contract::ContractError;

pub use carbon::read_carbon;
pub use changed::read_changed;
pub use prices::{PriceLayout, read_prices};
pub use tariffs::read_tariffs;
pub use visits::read_visits;

/// A small table, read.
#[derive(Clone, Debug, PartialEq)]
pub struct Small<Row> {
    /// The rows that could be read.
    pub rows: Vec<Row>,
    /// One problem for each row that is left out, by line.
    pub problems: Vec<ContractError>,
    /// What is odd and costs no row, such as gaps in a series.
    pub remarks: Vec<ContractError>,
}
