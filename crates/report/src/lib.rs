//! Reports: result tables as CSV and JSON, the service list as one HTML page and as lines for a terminal.
//!
//! Pure: rows in, text out. No files, no clock, and no numbers made here beyond counts, sums and hourly means.
//! Text from data is treated as hostile everywhere: see [`text`].

pub mod csv;
pub mod flexible;
pub mod home;
pub mod json;
pub mod news;
pub mod page;
pub mod savings;
pub mod site;
pub mod terminal;
pub mod text;
pub mod values;
pub mod words;

pub use flexible::{FlexiblePage, flexible_load, flexible_load_in};
pub use home::HomeStory;
pub use page::{Counted, Frame, PageInput, PlanTables, service_list};
pub use savings::{SavingsInput, savings_page, savings_page_in};
