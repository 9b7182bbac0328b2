//! `drawoff explain` on the sample fleet: known and unknown homes, terminal and page.

use drawoff_tests::program::{run, text_of};

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

#[test]
fn a_home_is_explained_on_the_terminal_and_as_a_page() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    let made = run(
        DRAWOFF,
        &["run", "pipelines/service-list.toml", "--set", &format!("outputs.dir={}", out.display())],
    );
    assert_eq!(made.code, 0, "{}", made.stderr);
    let list = text_of(&out.join("service_list.csv"));
    let mut lines = list.lines();
    let place = lines.next().unwrap().split(',').position(|c| c == "home").unwrap();
    let home = lines.next().unwrap().split(',').nth(place).unwrap().to_owned();

    let told = run(DRAWOFF, &["explain", &home, "--run", out.to_str().unwrap()]);
    assert_eq!(told.code, 0, "{}", told.stderr);
    for part in
        ["What was found", "The visit", "Check first", "Caution", "Standing loss", "Drawn a day", "Last days"]
    {
        assert!(told.stdout.contains(part), "{part} is not in\n{}", told.stdout);
    }

    let page = dir.path().join("home.html");
    let args = ["explain", &home, "--run", out.to_str().unwrap(), "--html", page.to_str().unwrap()];
    assert_eq!(run(DRAWOFF, &args).code, 0);
    let page = text_of(&page);
    assert!(page.contains("by-day-title") && page.contains("by-hour-title") && page.len() < 150_000);

    let unknown = run(DRAWOFF, &["explain", "nobody", "--run", out.to_str().unwrap()]);
    assert_eq!(unknown.code, 3, "{}", unknown.stderr);
    assert!(unknown.stderr.contains("home nobody") && unknown.stderr.contains("hint:"), "{}", unknown.stderr);
    let nowhere = run(DRAWOFF, &["explain", &home, "--run", dir.path().join("none").to_str().unwrap()]);
    assert_eq!(nowhere.code, 3, "{}", nowhere.stderr);
}
