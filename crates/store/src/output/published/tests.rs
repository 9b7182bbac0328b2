use super::*;

const ADDRESS: &str = "s3://bucket/fleet/list";

/// A bucket of its own, whatever other tests have put in theirs.
fn in_memory() -> Arc<Storage> {
    Storage::in_memory("bucket")
}

fn address() -> Address {
    Address::of(ADDRESS.as_ref()).unwrap()
}

/// A finished run on a disk with one text.
fn run(text: &str) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let mut folder = RunFolder::begin(dir.path()).unwrap();
    folder.text("list.csv", text).unwrap();
    folder.text("site/a.html", text).unwrap();
    folder.finish(serde_json::json!({ "text": text })).unwrap();
    dir
}

fn begin(storage: &Arc<Storage>) -> Publishing {
    Publishing::begin_in(storage.clone(), &address()).unwrap()
}

/// What a reader finds: the text of the run, with every file held against the manifest.
fn read(storage: &Storage) -> String {
    let dir = tempfile::tempdir().unwrap();
    fetch_from(storage, &address(), dir.path()).unwrap();
    verify(dir.path()).unwrap();
    disk::text(&dir.path().join("list.csv")).unwrap()
}

fn runs(storage: &Storage) -> usize {
    let listed = storage.list("fleet/list/runs").unwrap();
    listed.iter().filter(|f| f.key.ends_with("list.csv")).count()
}

#[test]
fn a_run_comes_back_as_it_was_and_the_next_takes_its_place() {
    let storage = in_memory();
    assert!(fetch_from(&storage, &address(), tempfile::tempdir().unwrap().path()).is_err());
    let first = run("one");
    let at = begin(&storage).publish(first.path()).unwrap();
    let back = tempfile::tempdir().unwrap();
    assert_eq!(fetch_from(&storage, &address(), back.path()).unwrap(), 2);
    for name in [MANIFEST, "list.csv", "site/a.html"] {
        let of = |dir: &Path| disk::bytes(&dir.join(name)).unwrap();
        assert_eq!(of(first.path()), of(back.path()), "{name}");
        assert_eq!(storage.read(&at.join(name).key).unwrap().unwrap().0, of(back.path()), "{name}");
    }
    begin(&storage).publish(run("two").path()).unwrap();
    assert_eq!((read(&storage).as_str(), runs(&storage)), ("two", 2));
}

#[test]
fn of_two_runs_at_once_the_second_gives_way_and_leaves_nothing() {
    let storage = in_memory();
    for before in [false, true] {
        let (early, late) = (begin(&storage), begin(&storage));
        late.publish(run("late").path()).unwrap();
        let error = early.publish(run("early").path()).unwrap_err();
        assert!(error.to_string().contains("another run was put there while this one"), "{error}");
        assert_eq!((read(&storage).as_str(), runs(&storage)), ("late", 1 + usize::from(before)));
    }
}

#[test]
fn runs_that_ended_half_way_are_never_seen_and_go_after_the_next() {
    let storage = in_memory();
    begin(&storage).publish(run("one").path()).unwrap();
    storage.write("fleet/list/runs/0abc-1/list.csv", b"half".to_vec()).unwrap();
    storage.write("fleet/list/runs/notes/list.csv", b"not ours".to_vec()).unwrap();
    assert_eq!((read(&storage).as_str(), runs(&storage)), ("one", 3));
    std::thread::sleep(std::time::Duration::from_millis(20));
    let two = run("two");
    let publishing = begin(&storage);
    let folder = publishing.before.clone();
    publishing.publish(two.path()).unwrap();
    // Within what clocks may differ by nothing is removed.
    assert_eq!(runs(&storage), 4);
    let again = begin(&storage);
    let now = current(&storage, &address()).unwrap().unwrap();
    let manifest = storage.read("fleet/list/manifest.json").unwrap().unwrap().0;
    let own = Publishing { before: folder, ..again };
    own.tidy(&now.folder, b"another", 0).unwrap();
    assert_eq!(runs(&storage), 4);
    own.tidy(&now.folder, &manifest, 0).unwrap();
    assert_eq!((read(&storage).as_str(), runs(&storage)), ("two", 3));
    assert!(storage.read("fleet/list/runs/notes/list.csv").unwrap().is_some());
}

#[test]
fn a_file_that_is_not_what_its_manifest_says_is_neither_put_nor_fetched() {
    let storage = in_memory();
    let at = begin(&storage).publish(run("one").path()).unwrap();
    let changed = run("two");
    disk::open(&changed.path().join("list.csv")).unwrap();
    super::super::write(&changed.path().join("list.csv"), b"twO").unwrap();
    let error = begin(&storage).publish(changed.path()).unwrap_err();
    assert!(error.to_string().contains("differs from what the manifest says"), "{error}");
    assert_eq!(read(&storage), "one");
    storage.write(&at.join("list.csv").key, b"onE".to_vec()).unwrap();
    let error = fetch_from(&storage, &address(), tempfile::tempdir().unwrap().path()).unwrap_err();
    assert!(error.to_string().contains("differs from what the manifest says"), "{error}");
}

#[test]
fn what_is_no_manifest_of_ours_is_not_replaced_nor_followed() {
    let storage = in_memory();
    storage.write("fleet/list/manifest.json", b"{}".to_vec()).unwrap();
    assert!(Publishing::begin_in(storage.clone(), &address()).is_err());
    for text in [r#"{"run": "../x", "files": {}}"#, r#"{"run": "runs/0a", "files": {"../x": {}}}"#] {
        storage.write("fleet/list/manifest.json", text.as_bytes().to_vec()).unwrap();
        assert!(current(&storage, &address()).is_err(), "{text}");
    }
}

#[test]
fn large_files_go_in_parts() {
    let storage = in_memory();
    let text = "0123456789abcdef".repeat((20 << 20) / 16);
    begin(&storage).publish(run(&text).path()).unwrap();
    assert_eq!(read(&storage), text);
}
