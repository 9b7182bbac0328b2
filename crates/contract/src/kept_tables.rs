//! What is kept beside the daybook from one night to the next: whose days, from which files, and where each home stands.
//!
//! Rows of a home lie together in every table, homes in the order of their identifiers.

use crate::cell::{Day, Utc};
use crate::table;

table! {
    /// One row per home that a segment tells of.
    KeptHome in "kept_homes" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Last day of older segments that still holds; null when nothing of them does.
        after_day: Option<Day>, "";
        /// What the register said when its days were reduced, as a hash.
        print: String, "";
    }
}

table! {
    /// Where the reduction of a home stood after one of its days.
    KeptState in "kept_states" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Local calendar day with rows, after which the state holds.
        day: Day, "";
        /// End of that day.
        until: Utc, "UTC";
        /// The state, as this version of the reduction writes it.
        state: Vec<u8>, "";
    }
}

table! {
    /// What became of the rows of one home, day and input file.
    KeptAccount in "kept_accounts" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Local calendar day.
        day: Day, "";
        /// Number of the input file in the ledger.
        file: i64, "";
        /// First stamp of these rows.
        first: Utc, "UTC";
        /// Last stamp of these rows.
        last: Utc, "UTC";
        /// Counts of rows and values, in the order of the account's fields.
        counts: Vec<i64>, "";
    }
}

table! {
    /// Rows of one home and input file that never came to the reduction. Of several rows of one home and file the newest segment's holds.
    KeptLoss in "kept_losses" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Number of the input file in the ledger.
        file: i64, "";
        /// Whether the register did not list the home when the file was read.
        is_unknown: bool, "";
        /// Rows that came after a row of a later time.
        out_of_order: i64, "";
        /// Counts of rejected rows and their values, in the order of the account's fields.
        counts: Vec<i64>, "";
    }
}
