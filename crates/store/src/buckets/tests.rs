use std::collections::BTreeSet;

use arrow::array::{ArrayRef, Float64Array, Int64Array};

use super::*;
use crate::intake::testing::{register, strings, wide_mapping, write_parquet, write_text};
use crate::{Intake, Limits, gather};

const HOMES: usize = 40;

/// Files in time order that each hold rows of all homes, one of them text, with copies over files and rows of no home.
fn export(dir: &Path) -> BTreeMap<String, drawoff_contract::Cylinder> {
    for file in 0..3_i64 {
        let (mut homes, mut times, mut t1, mut t2) = (vec![], vec![], vec![], vec![]);
        for i in 0..30 {
            for h in 0..HOMES {
                homes.push(if h == 7 && i == 3 { String::new() } else { format!("home-{h:02}") });
                // The last stamps of a file are the first of the next.
                times.push(1_760_000_000 + 300 * (28 * file + i));
                t1.push(40.0 + h as f64 + i as f64 / 10.0 + file as f64);
                t2.push(if i == 5 { -999.0 } else { 20.0 });
            }
        }
        let names: Vec<&str> = homes.iter().map(String::as_str).collect();
        if file == 1 {
            let line = |i: usize| format!("{},{},{},{},7\n", homes[i], times[i], t1[i], t2[i]);
            let rows: String = (0..homes.len()).map(line).collect();
            write_text(&dir.join("1.csv"), &format!("home,time,t1,t2,p\n{rows}"));
            continue;
        }
        let columns: Vec<(&str, ArrayRef)> = vec![
            ("home", strings(&names)),
            ("other", strings(&names)),
            ("time", Arc::new(Int64Array::from(times))),
            ("t1", Arc::new(Float64Array::from(t1))),
            ("t2", Arc::new(Float64Array::from(t2))),
            ("p", Arc::new(Float64Array::from(vec![7.0; homes.len()]))),
        ];
        write_parquet(&dir.join(format!("{file}.parquet")), columns, 500);
    }
    let names: Vec<String> = (0..HOMES - 1).map(|h| format!("home-{h:02}")).collect();
    register(&names.iter().map(|n| (n.as_str(), "0.8|0.2")).collect::<Vec<_>>())
}

#[test]
fn buckets_hold_the_same_homes_as_the_export_each_in_one() {
    let (dir, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let cylinders = export(dir.path());
    let mapping = wide_mapping();
    let mut folder = RunFolder::begin(out.path()).unwrap();
    let told = std::cell::Cell::new(0);
    let made = rewrite(dir.path(), &mapping, 5, &mut folder, &|n| told.set(told.get() + n)).unwrap();
    folder.finish(serde_json::to_value(&made).unwrap()).unwrap();
    assert_eq!((made.left_out.len(), made.rows, told.get()), (0, 3600, 3600));
    assert_eq!(made.sources, ["0.parquet", "1.csv", "2.parquet"]);
    assert_eq!(layout(out.path()).unwrap(), Some(made.clone()));
    assert_eq!(layout(dir.path()).unwrap(), None);
    let direct = gather(dir.path(), &mapping, &cylinders, &|_| {});
    assert_eq!(direct.files.iter().filter(|f| f.status.is_err()).count(), 0);
    let all = gather(out.path(), &mapping, &cylinders, &|_| {});
    assert_eq!(format!("{:?}", all.unknown_homes), format!("{:?}", direct.unknown_homes));
    let mut seen = BTreeSet::new();
    let limits = Limits { memory_bytes: u64::MAX, aside: std::path::PathBuf::new() };
    for bucket in 0..5 {
        let mut own = cylinders.clone();
        own.retain(|home, _| bucket_of(home, 5) == bucket);
        let mut intake =
            Intake::of_buckets(out.path(), &made, &|b| b == bucket, None, &mapping, &own, &limits).unwrap();
        assert_eq!(intake.files(), 3);
        let mut take = |home: String, rows: drawoff_contract::HomeRows| {
            // Values and masks; a row's file is another in every bucket.
            let of = |rows: &drawoff_contract::HomeRows| format!("{:?} {:?}", rows.time_ms, rows.series);
            assert_eq!(of(&rows), of(&direct.homes[&home]), "{home}");
            assert_eq!(rows.null_columns, direct.homes[&home].null_columns);
            assert!(seen.insert(home));
            Ok(())
        };
        let streamed = intake.each_home(&|_| {}, &|_, rows| rows, &mut take).unwrap().unwrap();
        let strangers: Vec<&String> = streamed.unknown_homes.keys().collect();
        assert!(strangers.iter().all(|h| bucket_of(h, 5) == bucket), "{strangers:?}");
    }
    assert_eq!(seen.len(), HOMES - 1);
}

#[test]
fn a_damaged_file_is_left_out_of_all_buckets_and_told_by_all_who_read_them() {
    let (dir, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let cylinders = export(dir.path());
    write_text(&dir.path().join("3.parquet"), "PAR1 and then nothing");
    write_text(&dir.path().join("4.csv"), "home,when\nhome-01,5\n");
    let mapping = wide_mapping();
    let mut folder = RunFolder::begin(out.path()).unwrap();
    let made = rewrite(dir.path(), &mapping, 3, &mut folder, &|_| {}).unwrap();
    folder.finish(serde_json::to_value(&made).unwrap()).unwrap();
    let named: Vec<&str> = made.left_out.iter().map(|l| l.file.as_str()).collect();
    assert_eq!((named, made.rows), (vec!["3.parquet", "4.csv"], 3600));
    assert_eq!(layout(out.path()).unwrap(), Some(made.clone()));
    let problems = |files: &[crate::FileReport]| -> Vec<(String, ContractError)> {
        files.iter().filter_map(|f| Some((f.path.clone(), f.status.clone().err()?))).collect()
    };
    let direct = problems(&gather(dir.path(), &mapping, &cylinders, &|_| {}).files);
    assert_eq!(direct.len(), 2);
    assert_eq!(problems(&gather(out.path(), &mapping, &cylinders, &|_| {}).files), direct);
    // A manifest that cannot be read may hide such files; what another program calls so does not.
    write_text(&dir.path().join(MANIFEST), "one\ntwo\n");
    assert_eq!(problems(&gather(dir.path(), &mapping, &cylinders, &|_| {}).files), direct);
    let whole = disk::text(&out.path().join(MANIFEST)).unwrap();
    write_text(&out.path().join(MANIFEST), "{");
    let told = problems(&gather(out.path(), &mapping, &cylinders, &|_| {}).files);
    assert!(told.len() == 1 && told[0].0 == MANIFEST, "{told:?}");
    write_text(&out.path().join(MANIFEST), &whole);
    // Whoever knows files by their content cannot know these.
    assert_eq!(crate::inputs(out.path()).unwrap_err(), direct[0].1);
    assert_eq!(crate::inputs(dir.path()).unwrap().len(), 5);
    let limits = Limits { memory_bytes: u64::MAX, aside: std::path::PathBuf::new() };
    let mut shard =
        Intake::of_buckets(out.path(), &made, &|b| b == 1, None, &mapping, &cylinders, &limits).unwrap();
    assert_eq!(shard.files(), 5);
    let streamed = shard.each_home(&|_| {}, &|_, rows| rows, &mut |_, _| Ok(())).unwrap().unwrap();
    assert_eq!(problems(&streamed.files), direct);
}

#[test]
fn more_buckets_than_can_be_read_again_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    (0..129).for_each(|i| write_text(&dir.path().join(format!("{i}.csv")), ""));
    assert!(check_number(dir.path(), 508).is_ok());
    let refused = check_number(dir.path(), 509).unwrap_err();
    assert!(refused.message.contains("509 buckets of 129 files"), "{refused}");
}

#[test]
fn homes_are_spread_evenly_and_always_alike() {
    let mut counts = [0; 8];
    (0..8000).for_each(|i| counts[bucket_of(&format!("OS-{i:05}"), 8)] += 1);
    assert!(counts.iter().all(|n| (900..1100).contains(n)), "{counts:?}");
    assert_eq!((bucket_of("", 8), bucket_of("x", 1)), (0, 0));
    // Fixed for ever: parts of one export may be made by different machines.
    assert_eq!(bucket_of("OS-00001", 1000), 662);
    assert_eq!(number("bucket=0012/00003.parquet"), Some(12));
    assert_eq!(number("week-1.parquet"), None);
}
