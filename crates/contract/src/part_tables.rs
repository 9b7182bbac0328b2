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

table! {
    /// One row per home that was assessed against what was learnt of its fleet: its rows of the tables of a run, packed.
    AssessedHome in "assessed_homes" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// `ok` or `failed`; homes of which no row was usable are left out.
        status: String, "";
        /// How it failed; else empty.
        detail: String, "";
        /// Hash of version, settings, this home's entry in the register, and what was learnt of the fleet.
        print: String, "";
        /// Standing loss for the fleet's: logarithm of the ratio, its variance, its variance for reference; bits of these numbers, none without.
        measured: Vec<i64>, "";
        /// Group by habit; null where none is told.
        group: Option<i64>, "";
        /// Mean heat drawn on a day that counts, kWh: bits of the number.
        mean_day_bits: i64, "";
        /// The row of `homes`, as an Arrow IPC stream.
        homes: Vec<u8>, "";
        /// Rows of `findings`, likewise, before anything is calibrated.
        findings: Vec<u8>, "";
        /// Rows of `days`, likewise.
        days: Vec<u8>, "";
        /// Rows of `draw_offs`, likewise.
        draw_offs: Vec<u8>, "";
        /// Rows of `cooling`, likewise.
        cooling: Vec<u8>, "";
        /// Rows of `vacancy`, likewise.
        vacancy: Vec<u8>, "";
        /// Rows of `rates`, likewise.
        rates: Vec<u8>, "";
        /// Rows of `habits`, likewise.
        demand: Vec<u8>, "";
        /// Rows of `changes`, likewise.
        changes: Vec<u8>, "";
        /// Rows of `hour_changes`, likewise.
        hour_changes: Vec<u8>, "";
    }
}

table! {
    /// One row per home whose savings were worked out: its rows of the tables of a run, packed.
    SavedHome in "saved_homes" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// `ok` or `failed`; homes of which no row was usable are left out.
        status: String, "";
        /// How it failed; else empty.
        detail: String, "";
        /// Hash of version, settings, this home's entry in the register, what was learnt of the fleet, prices and carbon.
        print: String, "";
        /// 1 where nothing was found wrong with the home, else 0.
        sound: i64, "";
        /// The row of `savings`, as an Arrow IPC stream.
        savings: Vec<u8>, "";
        /// Rows of `savings_half_hours`, likewise.
        half_hours: Vec<u8>, "";
        /// Rows of `savings_parts`, likewise.
        parts: Vec<u8>, "";
        /// Rows of `savings_months`, likewise.
        months: Vec<u8>, "";
        /// The row of `savings_still_open`, likewise.
        still_open: Vec<u8>, "";
        /// Its days of use, four numbers each: days since 1970-01-01, then the bits of kWh metered, kWh taken and degC of the cold feed.
        uses: Vec<i64>, "";
    }
}

table! {
    /// One row per home on which events were tried.
    TriedHome in "tried_homes" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// `ok` or `failed`; homes of which no row was usable are left out.
        status: String, "";
        /// How it failed; else empty.
        detail: String, "";
        /// Hash of version, settings, this home's entry in the register, what was learnt of the fleet, and the days that are tried.
        print: String, "";
        /// The row of `homes`, as an Arrow IPC stream.
        homes: Vec<u8>, "";
        /// Why it cannot be counted: the place of the reason, from 0; null where it can.
        not_counted: Option<i64>, "";
        /// Why it is not counted although it could be: a fault called, or nobody at home; the place of the reason, null for none.
        instead: Option<i64>, "";
        /// Its events as bytes that this version writes; empty where it cannot be counted.
        counted: Vec<u8>, "";
    }
}

table! {
    /// What all homes of a fleet together say of the surroundings and the cold feed: lists of numbers, by name and day.
    LearntRow in "learnt" {
        /// What it is.
        what: String, "";
        /// Local calendar day, in days since 1970-01-01; null where it holds for all.
        day: Option<i64>, "";
        /// Bits of the numbers.
        bits: Vec<i64>, "";
    }
}
