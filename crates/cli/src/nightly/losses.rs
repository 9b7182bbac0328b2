//! Rows that never came to the reduction, by home and file.

use std::collections::BTreeMap;

use drawoff_contract::Account;
use drawoff_contract::kept_tables::KeptLoss;
use drawoff_store::Streamed;

use super::Work;
use super::ledger::unknown;

impl Work<'_, '_> {
    /// The lost rows of files just read, by home and file; what names no home goes into the ledger.
    pub(super) fn losses(
        &mut self,
        read: &[usize],
        streamed: &Streamed,
        disorder: BTreeMap<(String, i64), u64>,
    ) -> Vec<KeptLoss> {
        let mut out: BTreeMap<(String, i64), KeptLoss> = BTreeMap::new();
        for (&i, lost) in read.iter().zip(&streamed.lost) {
            let Some(file) = self.files.ids[i] else { continue };
            self.ledger.note_nameless(file, lost);
            for (home, account) in &lost.by_home {
                out.insert((home.clone(), file), loss(home, file, false, 0, account.to_counts()));
            }
            for (home, rows) in &lost.unknown_homes {
                let counts = unknown(*rows, self.ledger.values_per_row).to_counts();
                out.insert((home.clone(), file), loss(home, file, true, 0, counts));
            }
        }
        for ((home, file), rows) in disorder {
            let nothing = || loss(&home, file, false, 0, Account::default().to_counts());
            let of_home = out.entry((home.clone(), file)).or_insert_with(nothing);
            of_home.out_of_order = i64::try_from(rows).unwrap_or(i64::MAX);
        }
        out.into_values().collect()
    }
}

/// One row of lost rows.
pub(super) fn loss(home: &str, file: i64, is_unknown: bool, out_of_order: u64, counts: Vec<i64>) -> KeptLoss {
    let out_of_order = i64::try_from(out_of_order).unwrap_or(i64::MAX);
    KeptLoss { home: home.to_owned(), file, is_unknown, out_of_order, counts }
}
