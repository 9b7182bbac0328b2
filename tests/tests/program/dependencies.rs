//! Every dependency has its reason beside it, and a licence under which a binary may be passed on.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::collections::BTreeSet;
use std::process::Command;

use drawoff_tests::program::{repository, text_of};

/// Name and the comment lines directly above, of each line of a section.
fn with_reasons(text: &str, section: &str) -> Vec<(String, bool)> {
    let start = text.find(&format!("[{section}]")).unwrap();
    let mut reason = false;
    let mut found = Vec::new();
    for line in text[start..].lines().skip(1).take_while(|l| !l.starts_with('[')) {
        if let Some(comment) = line.strip_prefix('#') {
            reason = comment.split_whitespace().count() > 1;
        } else if let Some((name, _)) = line.split_once(" =") {
            found.push((name.to_owned(), reason || line.contains(" # ")));
            reason = false;
        }
    }
    found
}

#[test]
fn every_dependency_has_a_reason() {
    let found = with_reasons(&text_of(&repository().join("Cargo.toml")), "workspace.dependencies");
    let others: Vec<_> = found.iter().filter(|(name, _)| !name.starts_with("drawoff-")).collect();
    assert!(others.len() > 15, "{others:?}");
    let bare: Vec<_> = others.iter().filter(|(_, reason)| !reason).map(|(name, _)| name).collect();
    assert!(bare.is_empty(), "say in a line above why there is {bare:?}");
}

#[test]
fn no_crate_takes_a_dependency_past_the_list() {
    for entry in std::fs::read_dir(repository().join("crates")).unwrap() {
        let path = entry.unwrap().path().join("Cargo.toml");
        let text = text_of(&path);
        for section in
            ["dependencies", "dev-dependencies"].iter().filter(|s| text.contains(&format!("\n[{s}]")))
        {
            let start = text.find(&format!("\n[{section}]")).unwrap() + 1;
            let lines = text[start..].lines().skip(1).take_while(|l| !l.starts_with('['));
            for line in lines.filter(|l| l.contains('=') && !l.starts_with('#')) {
                assert!(line.contains("workspace = true"), "{}: {line}", path.display());
            }
        }
    }
}

/// What `deny.toml` allows holds for all that is built, also where `cargo deny` is not installed.
#[test]
fn licences_are_allowed() {
    let deny = text_of(&repository().join("deny.toml"));
    let list = deny.split("allow = [").nth(1).and_then(|rest| rest.split(']').next()).unwrap();
    let allowed: BTreeSet<&str> = list.split('"').skip(1).step_by(2).collect();
    // Packages of other systems were never fetched here: only those of this one are looked at.
    let version = Command::new(env!("CARGO")).arg("-vV").output().unwrap();
    let version = String::from_utf8_lossy(&version.stdout).into_owned();
    let host = version.lines().find_map(|l| l.strip_prefix("host: ")).unwrap();
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked", "--offline", "--filter-platform", host])
        .current_dir(repository())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let mut refused = Vec::new();
    for package in metadata["packages"].as_array().unwrap() {
        let licence = package["license"].as_str().unwrap_or("none");
        // `A OR B` and the older `A/B` leave the choice, `A AND B` does not.
        let is_allowed = licence.replace('/', " OR ").split(" AND ").all(|part| {
            part.trim_matches(['(', ')', ' '])
                .split(" OR ")
                .any(|l| allowed.contains(l.trim_matches(['(', ')', ' '])))
        });
        if !is_allowed {
            refused.push(format!("{}: {licence}", package["name"].as_str().unwrap()));
        }
    }
    assert!(refused.is_empty(), "{refused:?}");
}
