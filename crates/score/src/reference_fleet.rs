//! Null test on the reference fleets' truth: a run that says what is true scores as perfect.

use std::collections::BTreeMap;
use std::env;
use std::path::{Path, PathBuf};

use arrow::array::RecordBatch;
use drawoff_contract::results::{DrawOffRow, FindingRow, HomeRow, VisitRow};
use drawoff_contract::{FaultClass, Outcome, Utc};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use crate::card::made_up::{draw_off, finding, home_row, visit};
use crate::{Half, Run, Share, Truth, pool, score};

const INTERVAL_MS: i64 = 300_000;

fn reference_fleet() -> Option<PathBuf> {
    let shared = env::var_os("DRAWOFF_SHARED")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared"), PathBuf::from);
    Some(shared.join("reference-fleet")).filter(|p| p.is_dir())
}

#[expect(
    clippy::disallowed_methods,
    reason = "a test reads truth tables; this crate itself touches no files"
)]
fn read(path: &Path) -> Vec<RecordBatch> {
    let file = std::fs::File::open(path).unwrap();
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).unwrap().build().unwrap();
    reader.map(Result::unwrap).collect()
}

fn truth_of(folder: &Path) -> Truth {
    let table = |name: &str| read(&folder.join("truth").join(format!("truth_{name}.parquet")));
    Truth::from_batches(&table("homes"), &table("daily"), &table("draws"), &table("faults")).unwrap()
}

/// Draw-offs on the grid of 5 min, as the best reader of 5-min rows would report them.
fn on_the_grid(truth: &Truth) -> Vec<DrawOffRow> {
    let mut rows = Vec::new();
    for (id, home) in &truth.homes {
        for draw in &home.draws {
            let start = draw.start_ms.div_euclid(INTERVAL_MS) * INTERVAL_MS;
            let end = (draw.end_ms + INTERVAL_MS - 1).div_euclid(INTERVAL_MS) * INTERVAL_MS;
            rows.push(DrawOffRow { energy_kwh: draw.kwh, ..draw_off(id, start, end, draw.litres) });
        }
    }
    rows
}

#[test]
#[expect(clippy::print_stdout, reason = "a test that is passed over says so")]
fn saying_the_truth_scores_as_perfect() {
    let Some(fleet) = reference_fleet() else {
        println!("passed over: ../shared/reference-fleet is absent");
        return;
    };
    let mut cards = Vec::new();
    for layout in ["wide", "tall"] {
        let truth = truth_of(&fleet.join(layout));
        assert_eq!(truth.homes.len(), 132);
        let mut homes: Vec<HomeRow> = Vec::new();
        let mut findings: Vec<FindingRow> = Vec::new();
        let mut visits: Vec<VisitRow> = Vec::new();
        for (id, home) in &truth.homes {
            let mut row = home_row(id);
            row.standing_loss_w_per_k = Some(home.ua_effective_w_per_k);
            row.standing_loss_w_per_k_p05 = Some(home.ua_effective_w_per_k - 0.1);
            row.standing_loss_w_per_k_p95 = Some(home.ua_effective_w_per_k + 0.1);
            row.standing_loss_kwh_per_day = Some(home.kwh_loss_per_day);
            row.litres_per_day = Some(home.litres_per_day);
            row.energy_kwh_per_day = Some(home.kwh_draw_per_day);
            homes.push(row);
            findings.extend(
                home.faults.iter().map(|f| FindingRow {
                    onset: f.onset_ms.map(Utc),
                    ..finding(id, f.fault, Outcome::Fault)
                }),
            );
            let story = home.faults.iter().find(|_| home.needs_visit());
            visits.extend(story.map(|f| visit(visits.len() as i64 + 1, id, f.fault)));
        }
        let probes: BTreeMap<String, usize> =
            truth.homes.keys().enumerate().map(|(i, id)| (id.clone(), 2 + i % 5)).collect();
        let draw_offs = on_the_grid(&truth);
        let run = Run {
            homes: &homes,
            draw_offs: &draw_offs,
            findings: &findings,
            visits: &visits,
            probes: Some(&probes),
            ..Run::default()
        };
        let whole = score(&run, &truth, Half::All);
        let halves = pool(&[score(&run, &truth, Half::Even), score(&run, &truth, Half::Odd)]);
        assert_eq!(
            halves.calls.pooled(FaultClass::Equipment).imposed,
            whole.calls.pooled(FaultClass::Equipment).imposed
        );
        cards.push(whole);
    }
    let both = pool(&cards);
    assert!(both.render().contains("EQUIP + SENSOR   104   104"), "{}", both.render());
    assert_eq!(both.calls.pooled(FaultClass::Equipment).recall(), Share::new(104, 104));
    assert_eq!(both.calls.pooled(FaultClass::Data).recall(), Share::new(24, 24));
    assert_eq!(both.calls.flagged_sound, Share::new(0, 148));
    assert_eq!(both.list.right_kind, Share::new(50, 50));
    assert_eq!(both.loss.w_per_k.median_abs(), Some(0.0));
    assert_eq!(both.loss.covered.hits, both.loss.covered.of);
    let groups = &both.groups;
    assert!(groups.on_grid.all.f1().unwrap() > 0.99, "{groups:?}");
    // Whole intervals bridge gaps that true times leave open, and one group finds one.
    assert!(groups.by_time.all.f1().unwrap() > 0.9, "{groups:?}");
    for days in [&both.amounts.all.litres.utc_days, &both.amounts.all.energy.utc_days] {
        let error = crate::errors::median(days).unwrap();
        assert!(error < 0.01, "draw-offs summed into UTC days miss truth_daily by {error}");
    }
    assert_eq!(
        crate::errors::median(&both.calls.pooled(FaultClass::Equipment).onset_errors_hours),
        Some(0.0)
    );
}
