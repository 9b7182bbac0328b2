use drawoff_contract::results::FileRow;

use super::*;
use crate::intake::testing::write_text;

fn row(file: &str) -> FileRow {
    FileRow {
        file: file.to_owned(),
        status: "ok".to_owned(),
        rows_in: 1,
        rows_used: 1,
        rows_masked: 0,
        rows_rejected: 0,
        values_in: 3,
        values_used: 2,
        values_masked: 0,
        values_absent: 1,
        by_reason: String::new(),
    }
}

fn write_run(dir: &Path, files: &[&str], page: &str) {
    let mut run = RunFolder::begin(dir).unwrap();
    run.table(files.iter().map(|f| row(f)).collect()).unwrap();
    run.text(page, "<p>one</p>").unwrap();
    run.finish(serde_json::json!({ "version": "0.1.0" })).unwrap();
}

fn names(dir: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(dir)
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|n| n != ".lock")
        .collect();
    names.sort();
    names
}

#[test]
fn a_finished_run_is_complete_and_reads_back() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("new/run");
    write_run(&out, &["a", "b"], "homes/a.html");
    verify(&out).unwrap();
    assert_eq!(names(&out), ["files.parquet", "homes", "manifest.json"]);
    let rows: Vec<FileRow> = read_table(&out.join("files.parquet")).unwrap();
    assert_eq!(rows, vec![row("a"), row("b")]);
    let schema = read_batches(&out.join("files.parquet")).unwrap()[0].schema();
    assert_eq!(schema.field(2).metadata().get("unit").map(String::as_str), Some("rows"));
}

#[test]
fn same_tables_give_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let (one, two) = (dir.path().join("one"), dir.path().join("two"));
    write_run(&one, &["a"], "a.html");
    write_run(&two, &["a"], "a.html");
    for name in ["files.parquet", "manifest.json"] {
        assert_eq!(disk::bytes(&one.join(name)).unwrap(), disk::bytes(&two.join(name)).unwrap(), "{name}");
    }
}

#[test]
fn files_of_the_previous_run_go_and_those_of_others_stay() {
    let dir = tempfile::tempdir().unwrap();
    write_run(dir.path(), &["a"], "old.html");
    write_text(&dir.path().join("mine.txt"), "keep");
    write_run(dir.path(), &["b"], "new.html");
    assert_eq!(names(dir.path()), ["files.parquet", "manifest.json", "mine.txt", "new.html"]);
    verify(dir.path()).unwrap();
}

#[test]
fn two_runs_at_once_on_one_folder_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let first = RunFolder::begin(dir.path()).unwrap();
    let error = RunFolder::begin(dir.path()).unwrap_err();
    assert!(error.to_string().contains("another run"), "{error}");
    drop(first);
    assert!(RunFolder::begin(dir.path()).is_ok());
}

#[test]
fn killed_while_writing_the_old_run_stays() {
    let dir = tempfile::tempdir().unwrap();
    write_run(dir.path(), &["a"], "a.html");
    let mut run = RunFolder::begin(dir.path()).unwrap();
    run.table(vec![row("b")]).unwrap();
    let leftover = dir.path().join(place::UNFINISHED);
    assert!(leftover.exists());
    drop(run);
    // As if the program had died before it could tidy up.
    write_text(&leftover.join("files.parquet"), "half");
    verify(dir.path()).unwrap();
    write_run(dir.path(), &["c"], "a.html");
    verify(dir.path()).unwrap();
    assert!(!leftover.exists());
}

#[test]
fn killed_anywhere_while_moving_the_new_run_is_completed() {
    // 0: just decided; 1: one file moved; 2: all but the manifest; 3: all moved.
    for moved in 0..4 {
        let dir = tempfile::tempdir().unwrap();
        write_run(dir.path(), &["a"], "old.html");
        let new = tempfile::tempdir().unwrap();
        write_run(new.path(), &["b"], "new.html");
        let decided = dir.path().join(".decided");
        std::fs::create_dir(&decided).unwrap();
        let copy_manifest = dir.path().join(".old-manifest.json");
        std::fs::copy(dir.path().join(MANIFEST), copy_manifest).unwrap();
        for (i, name) in ["files.parquet", "new.html", MANIFEST].into_iter().enumerate() {
            let to = if i < moved { dir.path().join(name) } else { decided.join(name) };
            std::fs::rename(new.path().join(name), to).unwrap();
        }
        settle(dir.path()).unwrap();
        verify(dir.path()).unwrap();
        let rows: Vec<FileRow> = read_table(&dir.path().join("files.parquet")).unwrap();
        assert_eq!(rows, vec![row("b")], "moved {moved}");
        assert_eq!(names(dir.path()), ["files.parquet", "manifest.json", "new.html"], "moved {moved}");
    }
}

#[test]
fn a_name_never_leaves_the_folder() {
    let dir = tempfile::tempdir().unwrap();
    let mut run = RunFolder::begin(dir.path()).unwrap();
    for name in ["../a", "/a", "a/../b", ".a", "", MANIFEST] {
        assert!(run.text(name, "x").is_err(), "{name}");
    }
    run.text("a", "x").unwrap();
    assert!(run.text("a", "x").is_err());
}

#[test]
fn a_damaged_table_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("files.parquet");
    write_text(&path, "PAR1 and nothing more");
    let error = read_table::<FileRow>(&path).unwrap_err();
    assert!(error.subject.contains("files.parquet") && error.hint.is_some(), "{error}");
}
