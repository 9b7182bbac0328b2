//! What changed in the service list from one run to another.

use crate::cell::Money;
use crate::table;

table! {
    /// One row per home whose place in the list, or reason to be on it, differs from an earlier run.
    NewsRow in "news" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// new, worse, other_story, better, moved, left_off, done, cleared or unknown.
        change: String, "";
        /// Fault code of its story in the earlier run; empty when it was not listed.
        fault_before: String, "";
        /// Fault code of its story now; empty when it is not listed.
        fault_now: String, "";
        /// What is probably wrong, in a technician's words; of the earlier run when it is no longer listed.
        problem: String, "";
        /// Whether it is, or was, listed first for safety.
        safety: bool, "";
        /// Place in the earlier list; null when it was not listed.
        rank_before: Option<i64>, "";
        /// Place in the list; null when it is not listed.
        rank_now: Option<i64>, "";
        /// Probability in the earlier run; null when it was not listed.
        probability_before: Option<f64>, "";
        /// Probability now; null when it is not listed.
        probability_now: Option<f64>, "";
        /// Worth of the visit in the earlier run; null when it was not listed.
        worth_before: Option<Money>, "millionths of the pipeline's currency";
        /// Worth of the visit now; null when it is not listed.
        worth_now: Option<Money>, "millionths of the pipeline's currency";
        /// Homes before it now that were not listed earlier.
        arrived_before_it: i64, "";
        /// Homes before it earlier that are no longer listed.
        left_before_it: i64, "";
        /// Homes of both lists that were before it and are behind it.
        overtook: i64, "";
        /// Homes of both lists that were behind it and are before it; place now = place before + arrived - left - overtook + this.
        overtaken_by: i64, "";
        /// Why, in words.
        why: String, "";
        /// Currency code of the money columns.
        currency: String, "";
    }
}
