//! What parts of a fleet, each reduced by a process of its own, hand on to the one that brings them together.
//!
//! Columns hold plain texts, whole numbers and bytes only, so that any engine carries them through unchanged.

use crate::table;

table! {
    /// One row per home of a part: its daybook, or why there is none.
    ReducedHome in "reduced_homes" {
        /// The export's own identifier, unchanged; empty for rows that name no home.
        home: String, "";
        /// `ok`, `lacking` (the register lacks what the reduction needs), `unlisted` (not in the register), `nameless`, `failed`.
        status: String, "";
        /// What is lacking, or how it failed; else empty.
        detail: String, "";
        /// Hash of version, mapping, water and this home's entry in the register.
        print: String, "";
        /// Rows of the home, as they came in.
        rows_in: i64, "";
        /// First stamp, UTC milliseconds; null without a usable row.
        first_ms: Option<i64>, "ms";
        /// Last stamp, UTC milliseconds; null without a usable row.
        last_ms: Option<i64>, "ms";
        /// Rows that came after a row of a later time, and were sorted back.
        out_of_order: i64, "";
        /// Files of the part that its usable rows come from, by their place in it.
        files: Vec<i64>, "";
        /// What became of the usable rows of each of these files: as many counts a file, in the order of the account's fields.
        counts: Vec<i64>, "";
        /// The same of all rejected rows; empty where the part has a table of losses.
        rejected: Vec<i64>, "";
        /// Rows of `daybook_days` as an Arrow IPC stream; empty for none.
        days: Vec<u8>, "";
        /// Rows of `daybook_spells`, likewise.
        spells: Vec<u8>, "";
        /// Rows of `daybook_draws`, likewise.
        draws: Vec<u8>, "";
    }
}

table! {
    /// One row per input file of a part.
    ReducedFile in "reduced_files" {
        /// Path below the source folder.
        file: String, "";
        /// Why the file could not be read; empty for a sound one.
        problem: String, "";
        /// What to do about it; empty for nothing.
        hint: String, "";
        /// Counts of its rejected rows, in the order of the account's fields.
        rejected: Vec<i64>, "";
    }
}

table! {
    /// Rejected rows of a part by home.
    ReducedLoss in "reduced_losses" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Whether the register lists the home.
        is_listed: bool, "";
        /// Their number.
        rows: i64, "";
        /// Their counts, in the order of the account's fields; empty where the register does not list the home.
        rejected: Vec<i64>, "";
    }
}
