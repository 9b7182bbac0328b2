//! Tables for the one who plans: days of visits, the van, telephone calls, stories with their doubts, and what visits taught.

use crate::cell::{Money, Utc};
use crate::table;

table! {
    /// One row per listed visit: which day of which week it is made on.
    RoundRow in "rounds" {
        /// Number of the day's round, from 1, in the order in which to drive them.
        round: i64, "";
        /// Week, from 1.
        week: i64, "";
        /// Day within the week, from 1.
        day: i64, "";
        /// Place within the day, from 1; safety first.
        place: i64, "";
        /// Area of the home from the register; empty when it has none.
        area: String, "";
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Fault code of the home's story.
        fault: String, "";
        /// Place in the service list.
        rank: i64, "";
        /// Time on site to plan for.
        minutes: f64, "min";
        /// Worth of the visit.
        worth: Money, "millionths of the pipeline's currency";
        /// Currency code of the money column.
        currency: String, "";
    }
}

table! {
    /// One row per round and thing to load into the van.
    VanRow in "van" {
        /// Number of the day's round.
        round: i64, "";
        /// Week, from 1.
        week: i64, "";
        /// The part or tool.
        item: String, "";
        /// part (used up, one a visit) or tool (one a van).
        kind: String, "";
        /// How many to load.
        count: i64, "";
        /// How many will be used up as a mean, by the probabilities; null for tools.
        expected: Option<f64>, "";
        /// Visits of the round that want it.
        visits: i64, "";
    }
}

table! {
    /// One row per home that is rung before anyone drives there, most gain first.
    RingRow in "ring_first" {
        /// Place in the order of calls, from 1.
        rank: i64, "";
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Area from the register; empty when it has none.
        area: String, "";
        /// Fault code of what is to be asked about.
        fault: String, "";
        /// What is probably wrong.
        problem: String, "";
        /// Probability that it is present.
        probability: f64, "";
        /// Expected value of ringing first.
        worth: Money, "millionths of the pipeline's currency";
        /// Expected value of a visit without ringing; below 0 where it would cost more than it brings.
        worth_of_visit: Money, "millionths of the pipeline's currency";
        /// What to ask.
        ask: String, "";
        /// What can hurt, and what nobody should be asked to do.
        caution: String, "";
        /// The evidence in a sentence or two.
        reason: String, "";
        /// When it began; null if before the data.
        since: Option<Utc>, "UTC";
        /// Currency code of the money columns.
        currency: String, "";
    }
}

table! {
    /// One row per assessed home: how likely it is that nothing is wrong, and what else it may be.
    StoryRow in "stories" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Probability that cylinder and probes have none of the assessed faults.
        sound: f64, "";
        /// Most probable fault of cylinder or probes; empty when none was assessed.
        first: String, "";
        /// Its probability.
        first_probability: Option<f64>, "";
        /// Second most probable.
        second: String, "";
        /// Its probability.
        second_probability: Option<f64>, "";
        /// Third most probable.
        third: String, "";
        /// Its probability.
        third_probability: Option<f64>, "";
    }
}

table! {
    /// One row per called finding: how it stands out among homes of its kind.
    PeerRow in "peers" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Fault code.
        fault: String, "";
        /// The homes it is compared with: source of heat and number of probes.
        peers: String, "";
        /// Homes among them in which the fault was assessed.
        pool: i64, "";
        /// Share of a sound peer's chances to score as high (conformal p-value); null where the pool is too small.
        p_value: Option<f64>, "";
        /// Smallest rate of false discoveries at which it would stand out (Benjamini and Hochberg); null likewise.
        q_value: Option<f64>, "";
        /// Whether it stands out at the pipeline's rate; null where the pool is too small and the limit alone decides.
        stands_out: Option<bool>, "";
    }
}

table! {
    /// One row per fault: what the log of visits says of the probabilities, and what it changed.
    LearningRow in "learning" {
        /// Fault code.
        fault: String, "";
        /// Visits of the log that were made because of it, or found it.
        visits: i64, "";
        /// Of these, found.
        found: i64, "";
        /// Mean probability that was said before those visits; null without visits.
        said: Option<f64>, "";
        /// Share found; null without visits.
        found_share: Option<f64>, "";
        /// Lower end of the 95 % interval of the share.
        found_share_low: Option<f64>, "";
        /// Upper end of the 95 % interval of the share.
        found_share_high: Option<f64>, "";
        /// Mean squared error of the probabilities as said (Brier); null without visits.
        brier_before: Option<f64>, "";
        /// The same after learning, each visit judged by what the others taught; null without visits.
        brier_after: Option<f64>, "";
        /// How the probabilities are mended: none, logistic or isotonic.
        method: String, "";
        /// What a probability of 0.5 became.
        half_becomes: f64, "";
        /// What a probability of 0.9 became.
        nine_tenths_becomes: f64, "";
        /// Share of the assessed homes that have it, as the mended probabilities say.
        prevalence: Option<f64>, "";
        /// Time on site to plan for.
        minutes: f64, "min";
        /// In words: where the probabilities come from and what changed.
        note: String, "";
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::Table;

    #[test]
    fn rows_survive_their_table() {
        let rows = vec![PeerRow {
            home: "a".to_owned(),
            fault: "leak_steady".to_owned(),
            peers: "element, 4 probes".to_owned(),
            pool: 240,
            p_value: Some(0.004),
            q_value: None,
            stands_out: Some(false),
        }];
        assert_eq!(PeerRow::from_batch(&PeerRow::to_batch(rows.clone()).unwrap()).unwrap(), rows);
    }
}
