//! Two hostile fleets: a tenth of all values replaced at random, and files cut at random. Runs finish, name every damage, account for every
//! row, and what is noted of the homes without damage is the same to the byte.
//!
//! Homes are coupled by what is learnt of the fleet, so the daybook and the accounts of sound homes are compared, not their findings.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::collections::BTreeSet;
use std::sync::Arc;

use arrow::array::{
    Array, ArrayRef, AsArray, Float64Array, RecordBatch, StringArray, TimestampMillisecondArray,
};
use arrow::compute::{cast, concat_batches};
use arrow::datatypes::{DataType, Float64Type, Int64Type, TimeUnit};
use drawoff_contract::Table;
use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::results::{FileRow, QualityRow};
use drawoff_store::output::{read_batches, read_table};
use drawoff_tests::program::{Ended, tried};
use drawoff_tests::small_fleet::{FILES, SmallFleet};

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");
const DAMAGED: [&str; 2] = ["OS-00002", "OS-00010"];
const SOUND: [&str; 2] = ["OS-00001", "OS-00003"];

/// Numbers that look random and are the same everywhere (xorshift, Marsaglia 2003).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }

    fn a_tenth(&mut self) -> bool {
        self.below(10) == 0
    }

    fn number(&mut self) -> f64 {
        const ODD: [f64; 12] = [
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            1e308,
            -1e308,
            1e-308,
            0.0,
            -0.0,
            85.0,
            -999.0,
            1e12,
            -40.0,
        ];
        match self.below(3) {
            0 => f64::from_bits(self.next()),
            1 => self.below(200) as f64 - 50.0,
            _ => ODD[usize::try_from(self.below(12)).unwrap()],
        }
    }
}

/// The batch with a tenth of the values of the `damaged` homes replaced: names by unknown ones, times by any instant or none.
fn replaced(batch: &RecordBatch, damaged: &[&str], dice: &mut Dice) -> RecordBatch {
    let homes = cast(batch.column_by_name("home").unwrap(), &DataType::Utf8).unwrap();
    let homes = homes.as_string::<i32>();
    let hit: Vec<bool> = homes.iter().map(|h| damaged.contains(&h.unwrap())).collect();
    let schema = batch.schema();
    let columns = schema.fields().iter().zip(batch.columns()).map(|(field, column)| {
        let array: ArrayRef = match field.name().as_str() {
            "home" => {
                let name = |i: usize, dice: &mut Dice| match hit[i] && dice.a_tenth() {
                    true if dice.below(2) == 0 => None,
                    true => Some(format!("<{}>\u{202e}\n", dice.below(50))),
                    false => Some(homes.value(i).to_owned()),
                };
                Arc::new((0..hit.len()).map(|i| name(i, dice)).collect::<StringArray>())
            }
            "time" => {
                let times =
                    cast(column, &DataType::Timestamp(TimeUnit::Millisecond, Some("UTC".into()))).unwrap();
                let times = cast(&times, &DataType::Int64).unwrap();
                let times = times.as_primitive::<Int64Type>();
                let time = |i: usize, dice: &mut Dice| match hit[i] && dice.a_tenth() {
                    true if dice.below(4) == 0 => None,
                    true if dice.below(2) == 0 => Some(dice.next().cast_signed()),
                    true => Some(times.value(i) + dice.below(1 << 33).cast_signed()),
                    false => Some(times.value(i)),
                };
                let array: TimestampMillisecondArray = (0..hit.len()).map(|i| time(i, dice)).collect();
                Arc::new(array.with_timezone("UTC"))
            }
            _ => {
                let numbers = cast(column, &DataType::Float64).unwrap();
                let numbers = numbers.as_primitive::<Float64Type>();
                let number = |i: usize, dice: &mut Dice| match hit[i] && dice.a_tenth() {
                    true => Some(dice.number()),
                    false => numbers.is_valid(i).then(|| numbers.value(i)),
                };
                Arc::new((0..hit.len()).map(|i| number(i, dice)).collect::<Float64Array>())
            }
        };
        (field.name().clone(), array, true)
    });
    RecordBatch::try_from_iter_with_nullable(columns.collect::<Vec<_>>()).unwrap()
}

fn whole(fleet: &SmallFleet, file: &str) -> RecordBatch {
    let batches = read_batches(&fleet.path(&format!("readings/{file}"))).unwrap();
    concat_batches(&batches[0].schema(), &batches).unwrap()
}

/// All that is noted of homes, as text to the last digit.
fn noted(fleet: &SmallFleet, homes: &[&str]) -> Vec<String> {
    fn of<T: Table + std::fmt::Debug>(fleet: &SmallFleet, homes: &[&str], out: &mut Vec<String>) {
        let rows: Vec<T> = read_table(&fleet.path(&format!("out/{}.parquet", T::NAME))).unwrap();
        let is_of = |row: &String| homes.iter().any(|home| row.contains(&format!("\"{home}\"")));
        out.extend(rows.iter().map(|row| format!("{row:?}")).filter(is_of));
    }
    let mut all = Vec::new();
    of::<DayNote>(fleet, homes, &mut all);
    of::<SpellNote>(fleet, homes, &mut all);
    of::<DrawNote>(fleet, homes, &mut all);
    of::<QualityRow>(fleet, homes, &mut all);
    assert!(all.len() > 100);
    all
}

/// Rows and values of every file and home add up, and as many rows went in as were written.
fn assert_accounts(fleet: &SmallFleet, rows_written: usize) {
    let files: Vec<FileRow> = read_table(&fleet.path("out/files.parquet")).unwrap();
    let homes: Vec<QualityRow> = read_table(&fleet.path("out/quality.parquet")).unwrap();
    for f in &files {
        assert_eq!(f.rows_in, f.rows_used + f.rows_masked + f.rows_rejected, "{}", f.file);
        assert_eq!(f.values_in, f.values_used + f.values_masked + f.values_absent, "{}", f.file);
    }
    for h in &homes {
        assert_eq!(h.rows_in, h.rows_used + h.rows_masked + h.rows_rejected, "{}", h.home);
        assert_eq!(h.values_in, h.values_used + h.values_masked + h.values_absent, "{}", h.home);
    }
    assert_eq!(files.iter().map(|f| f.rows_in).sum::<i64>(), i64::try_from(rows_written).unwrap());
    let used = |homes: &[QualityRow]| homes.iter().map(|h| h.rows_used).sum::<i64>();
    assert_eq!(files.iter().map(|f| f.rows_used).sum::<i64>(), used(&homes));
}

fn assert_finished(ended: &Ended) {
    assert!([0, 4].contains(&ended.code), "{ended:?}");
    assert!(!ended.stderr.contains("panicked") && !ended.stderr.contains('\u{202e}'), "{}", ended.stderr);
}

#[test]
fn a_tenth_of_the_values_replaced() {
    for seed in 1..=3 {
        let fleet = SmallFleet::new();
        assert_finished(&fleet.drawoff(&tried(DRAWOFF, None), "run", &[]));
        let before = noted(&fleet, &SOUND);
        let mut dice = Dice(0x9e37_79b9_7f4a_7c15 ^ seed);
        let mut rows = 0;
        for file in FILES {
            let batch = replaced(&whole(&fleet, file), &DAMAGED, &mut dice);
            rows += batch.num_rows();
            fleet.write_batch(&format!("readings/{file}"), &batch);
        }
        let ended = fleet.drawoff(&tried(DRAWOFF, None), "run", &[]);
        assert_finished(&ended);
        // Names that no register knows are named, harmlessly, or counted beyond the first.
        assert!(ended.stderr.contains("not in the register; its"), "{}", ended.stderr);
        assert_accounts(&fleet, rows);
        assert_eq!(noted(&fleet, &SOUND), before, "seed {seed}");
    }
}

#[test]
fn a_tenth_of_the_values_replaced_at_every_home() {
    let fleet = SmallFleet::new();
    let all = [SOUND, DAMAGED].concat();
    let mut dice = Dice(77);
    let mut rows = 0;
    for file in FILES {
        let batch = replaced(&whole(&fleet, file), &all, &mut dice);
        rows += batch.num_rows();
        fleet.write_batch(&format!("readings/{file}"), &batch);
    }
    let ended = fleet.drawoff(&tried(DRAWOFF, None), "run", &[]);
    assert_finished(&ended);
    assert_accounts(&fleet, rows);
}

#[test]
fn files_cut_at_random() {
    let mut dice = Dice(4711);
    for _ in 0..4 {
        let fleet = SmallFleet::new();
        // One file a home and week.
        let mut rows = 0;
        for file in FILES {
            let batch = whole(&fleet, file);
            let homes = cast(batch.column(0), &DataType::Utf8).unwrap();
            for home in SOUND.iter().chain(&DAMAGED) {
                let here = homes.as_string::<i32>().iter().map(|h| Some(h == Some(*home))).collect();
                let part = arrow::compute::filter_record_batch(&batch, &here).unwrap();
                rows += if SOUND.contains(home) { part.num_rows() } else { 0 };
                fleet.write_batch(&format!("readings/{home}-{file}"), &part);
            }
            std::fs::remove_file(fleet.path(&format!("readings/{file}"))).unwrap();
        }
        assert_finished(&fleet.drawoff(&tried(DRAWOFF, None), "run", &[]));
        let before = noted(&fleet, &SOUND);
        let mut cut = BTreeSet::new();
        for home in DAMAGED {
            for file in FILES {
                let name = format!("{home}-{file}");
                let bytes = std::fs::metadata(fleet.path(&format!("readings/{name}"))).unwrap().len();
                fleet.cut(&format!("readings/{name}"), usize::try_from(dice.below(bytes)).unwrap());
                cut.insert(name);
            }
        }
        let ended = fleet.drawoff(&tried(DRAWOFF, None), "run", &[]);
        assert_finished(&ended);
        assert_eq!(ended.code, 4);
        let files: Vec<FileRow> = read_table(&fleet.path("out/files.parquet")).unwrap();
        let bad: BTreeSet<String> =
            files.iter().filter(|f| f.status != "ok").map(|f| f.file.clone()).collect();
        assert_eq!(bad, cut);
        assert!(cut.iter().all(|name| ended.stderr.contains(name.as_str())), "{}", ended.stderr);
        assert_accounts(&fleet, rows);
        assert_eq!(noted(&fleet, &SOUND), before);
    }
}
