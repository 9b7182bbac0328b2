//! `drawoff calibrate`: curves from margins to probabilities, fitted on a fleet of invented homes.

use std::collections::BTreeMap;

use drawoff_contract::results::FindingRow;
use drawoff_contract::{Fault, Outcome};
use drawoff_faults::calibration::fit::{self, Case};
use drawoff_faults::calibration::{Calibration, Curve};
use drawoff_faults::posterior;
use drawoff_store::output::export::write_text;
use drawoff_tank::water::Water;

use crate::args::CalibrateArgs;
use crate::exit::{Exit, Failure};
use crate::fleet_trial::RUN_SEED;
use crate::fleet_trial::pieces::{Fleet, each_piece};
use crate::progress;
use crate::stages::{self, Wanted};

pub(crate) fn calibrate(args: &CalibrateArgs) -> Result<Exit, Failure> {
    let fleet = Fleet { homes: args.homes, days: args.days, seed: args.seed, faults: args.faults };
    let mut known = Known::default();
    each_piece(&fleet, |piece| {
        let wanted = Wanted { faults: true, habits: false };
        let findings = stages::read_fleet(&piece.daybooks(), Water::Iapws, RUN_SEED, wanted).findings;
        for rows in findings.chunk_by(|a, b| a.home == b.home) {
            let truth = rows.first().and_then(|r| piece.truth.homes.get(&r.home));
            let present: Vec<Fault> =
                truth.map_or_else(Vec::new, |t| t.faults.iter().map(|f| f.fault).collect());
            known.push(rows, &present);
            known.push_calls(rows, !present.is_empty());
        }
        Ok(())
    })?;
    let calibration = Calibration {
        origin: format!(
            "{} invented homes over {} days, seed {}, faults {}; made by `drawoff calibrate --homes {} --days {} --seed {} --faults {}`.",
            args.homes,
            args.days,
            args.seed,
            fleet.word(),
            args.homes,
            args.days,
            args.seed,
            fleet.word()
        ),
        ..known.fit()
    };
    write_text(&args.out, &calibration.table())?;
    progress::result(&format!("written: {}, {} curves", args.out.display(), calibration.curves.len()));
    Ok(Exit::Done)
}

/// Cases of a fleet, set by set.
#[derive(Default)]
struct Known {
    cases: Vec<Vec<Case>>,
    calls: Vec<Case>,
    folded: (usize, usize),
}

impl Known {
    fn push_calls(&mut self, rows: &[FindingRow], any_fault: bool) {
        self.calls.extend(posterior::call_cases(rows, any_fault));
    }

    fn push(&mut self, rows: &[FindingRow], present: &[Fault]) {
        let cases = posterior::cases(rows, present);
        self.cases.resize_with(cases.len(), Vec::new);
        for (all, case) in self.cases.iter_mut().zip(cases) {
            all.extend(case);
        }
        let folded = rows.iter().filter(|r| !r.folded_under.is_empty() && r.outcome == Outcome::Sound.code());
        for fault in folded.filter_map(|r| Fault::from_code(&r.fault)) {
            self.folded.0 += 1;
            self.folded.1 += usize::from(present.contains(&fault));
        }
    }

    fn fit(&self) -> Calibration {
        let all: Vec<&Case> = self.cases.iter().flatten().collect();
        let pooled = fit::pooled(&all);
        let mut curves: BTreeMap<Fault, Curve> = BTreeMap::new();
        for (set, cases) in posterior::sets().iter().zip(&self.cases) {
            curves.extend(fit::set(&cases.iter().collect::<Vec<_>>(), set, &pooled));
        }
        let calls: Vec<&Case> = self.calls.iter().collect();
        let all_calls = fit::pooled(&calls);
        let of_kind = |fault: &Fault| {
            let own: Vec<&Case> = calls.iter().filter(|c| c.margins[0].0 == *fault).copied().collect();
            fit::set(&own, &[*fault], &all_calls)
        };
        let calls = Fault::ALL.iter().flat_map(of_kind).collect();
        Calibration {
            curves,
            pooled: Some(pooled),
            calls,
            all_calls: Some(all_calls),
            folded: self.folded,
            origin: String::new(),
        }
    }
}
