//! Findings on their way to the disk: each home's as they come, the fleet's rate of false calls once all are there.
//!
//! Only calls stay in memory, and of the others a number each, so that memory hardly grows with the fleet.

use std::collections::BTreeMap;
use std::path::PathBuf;

use drawoff_contract::plan_tables::{PeerRow, StoryRow};
use drawoff_contract::results::FindingRow;
use drawoff_contract::{ContractError, Cylinder, Outcome};
use drawoff_faults::posterior::{self, peers::Pools};
use drawoff_report::csv;
use drawoff_store::RunFolder;
use drawoff_store::output::{TableRows, TableStream};

use crate::lessons::{Lessons, Said};
use crate::settle::Rules;

/// Rows after which they are written aside: some megabytes.
const GROUP_ROWS: usize = 8_192;

/// Findings of the homes so far.
pub(crate) struct Findings<'a> {
    rules: &'a Rules,
    lessons: &'a Lessons,
    cylinders: &'a BTreeMap<String, Cylinder>,
    aside: TableStream<FindingRow>,
    rows: usize,
    /// Doubt and place of each call that the rate of false calls is asked of.
    doubts: Vec<(f64, usize)>,
    pools: Pools,
    stories: Vec<StoryRow>,
    said: Said,
}

/// What is known once all findings are there.
pub(crate) struct Settled {
    /// Findings with the outcome `fault`, in the order of the homes.
    pub(crate) called: Vec<FindingRow>,
    pub(crate) stories: Vec<StoryRow>,
    pub(crate) peers: Vec<PeerRow>,
    pub(crate) said: Said,
    /// Calls that the rate of false calls turned sound.
    pub(crate) silenced: usize,
}

impl<'a> Findings<'a> {
    /// None yet.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn begin(
        folder: &RunFolder,
        rules: &'a Rules,
        lessons: &'a Lessons,
        cylinders: &'a BTreeMap<String, Cylinder>,
    ) -> Result<Self, ContractError> {
        Ok(Self {
            rules,
            lessons,
            cylinders,
            aside: RunFolder::begin_aside(&folder.rows_aside().join("findings"))?,
            rows: 0,
            doubts: Vec::new(),
            pools: Pools::default(),
            stories: Vec::new(),
            said: Said::default(),
        })
    }

    /// Takes all findings of the next home: their probabilities are calibrated and mended.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn push(&mut self, mut rows: Vec<FindingRow>) -> Result<(), ContractError> {
        posterior::calibrate(&mut rows, &self.rules.calibration);
        self.lessons.mend(&mut rows);
        self.said.note(&rows);
        for (place, row) in (self.rows..).zip(&rows) {
            self.doubts.extend(posterior::doubt(row, &self.rules.calibration).map(|doubt| (doubt, place)));
            self.pools.note(place, row, self.cylinders.get(&row.home));
        }
        self.stories.extend(rows.first().and_then(|first| posterior::story(&first.home, &rows)));
        self.rows += rows.len();
        if self.aside.push_to_group(rows) >= GROUP_ROWS { self.aside.end_group().map(|_| ()) } else { Ok(()) }
    }

    /// Holds the calls at their rate, and writes all findings as part of the run.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn settle(self, folder: &mut RunFolder) -> Result<Settled, ContractError> {
        let Self { rules, aside, doubts, pools, stories, said, .. } = self;
        let silenced = posterior::too_doubtful(doubts, rules.rate);
        let aside: PathBuf = aside.end_aside()?;
        let mut table = folder.begin_table::<FindingRow>()?;
        let mut text = folder.begin_text("findings.csv")?;
        text.push(&csv::head::<FindingRow>())?;
        let mut called: BTreeMap<usize, FindingRow> = BTreeMap::new();
        let mut of_home: Vec<FindingRow> = Vec::new();
        let mut rows = TableRows::<FindingRow>::open(&aside)?;
        let mut place = 0;
        let mut write = |of_home: &mut Vec<FindingRow>| {
            text.push(&csv::lines(of_home.clone()))?;
            if table.push_to_group(of_home.drain(..)) >= GROUP_ROWS {
                table.end_group().map(|_| ())
            } else {
                Ok(())
            }
        };
        while let Some(mut row) = rows.take()? {
            if let Some(doubt) = silenced.get(&place) {
                posterior::silence(&mut row, *doubt);
            }
            if row.outcome == Outcome::Fault.code() {
                called.insert(place, row.clone());
            }
            if of_home.first().is_some_and(|first| first.home != row.home) {
                write(&mut of_home)?;
            }
            of_home.push(row);
            place += 1;
        }
        write(&mut of_home)?;
        folder.end(table)?;
        folder.end_text(text)?;
        let peers = pools.rows(rules.rate, &|place| called.get(&place));
        let silenced = silenced.len();
        Ok(Settled { called: called.into_values().collect(), stories, peers, said, silenced })
    }
}
