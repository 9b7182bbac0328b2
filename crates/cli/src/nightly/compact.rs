//! Older segments laid together.

use drawoff_contract::ContractError;
use drawoff_daybook::{Notes, State};

use super::Work;
use super::segments::{SegmentWriter, Wanted, each_kept};
use crate::progress;

/// Newest segments that are never laid together: rows that come late find a state shortly before their day in them.
const LEFT_APART: usize = 3;
/// Of older states one in so many days is kept.
const STATE_EVERY_DAYS: i32 = 7;

impl Work<'_, '_> {
    /// Lays older segments together when there are many.
    pub(super) fn lay_together(&mut self) -> Result<(), ContractError> {
        let segments = self.ledger.segments.len();
        if segments <= self.settings.compact_after.max(LEFT_APART) {
            return Ok(());
        }
        let newer = self.ledger.segments.split_off(segments - LEFT_APART);
        let older = std::mem::take(&mut self.ledger.segments);
        let name = self.ledger.segment();
        let mut writer = SegmentWriter::begin(&self.kept, &name)?;
        let all = Wanted { states: true, accounts: true, notes: true };
        let (files, keep_days) = (&self.ledger.files, self.settings.keep_days);
        each_kept(&self.kept, &older, all, &mut |mut kept| {
            kept.after_day = None;
            kept.retain(keep_days);
            kept.losses.retain(|l| files.contains_key(&l.file));
            kept.losses.sort_by_key(|l| l.file);
            thin(&mut kept.notes);
            writer.push(kept)
        })?;
        writer.end()?;
        progress::note(&format!("laid {} segments of the kept daybook together", older.len()));
        self.ledger.segments = vec![name];
        self.ledger.segments.extend(newer);
        Ok(())
    }
}

/// Leaves the last states and of older ones the newest of each week.
fn thin(notes: &mut Notes) {
    let states = std::mem::take(&mut notes.states);
    let week = |s: &State| s.day.0.div_euclid(STATE_EVERY_DAYS);
    let last = states.len().saturating_sub(LEFT_APART);
    let stays = |i: usize| i >= last || states.get(i + 1).is_none_or(|next| week(next) != week(&states[i]));
    notes.states = (0..states.len()).filter(|&i| stays(i)).map(|i| states[i].clone()).collect();
}
