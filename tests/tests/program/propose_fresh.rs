//! `propose` on layouts that it was not made with: each line is right, or marked.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![expect(clippy::print_stdout, reason = "the figures are what is looked for")]

use drawoff_tests::fresh::{AGAIN, FRESH, Fresh, Stamp};
use drawoff_tests::program::{run, text_of};
use toml::{Table, Value};

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

/// How a proposal did.
#[derive(Debug, Default)]
struct Judged {
    right: usize,
    unsure: usize,
    /// Lines that are not true and not marked.
    wrong: Vec<String>,
}

fn judge(layout: &Fresh, text: &str) -> Judged {
    let mut judged = Judged::default();
    let mut in_register = false;
    let (mut probes, mut order, mut all_sure): (Vec<(usize, String)>, Option<String>, bool) =
        (Vec::new(), None, true);
    for line in text.lines() {
        in_register |= line.starts_with("[register]");
        let (code, reason) = line.split_once("  # ").unwrap_or((line, ""));
        let code = code.trim().trim_end_matches(',');
        let marked = reason.starts_with("UNSURE");
        judged.unsure += usize::from(marked);
        let entry = code.starts_with('{');
        if code.is_empty() || code.starts_with(['#', '[', ']']) || code == "channels = [" {
            continue;
        }
        let parsed: Table =
            toml::from_str(&if entry { format!("entry = {code}") } else { code.to_owned() }).unwrap();
        let (key, value) = parsed.into_iter().next().unwrap();
        let is_probe = value.get("channel").and_then(Value::as_str).is_some_and(|c| c.starts_with("probe"));
        if is_probe || key == "probe_order" {
            all_sure &= !marked;
        }
        if marked {
            continue;
        }
        let right = match (in_register, entry) {
            (true, _) => register_is_right(layout, &key, &value),
            (false, true) => channel_is_right(layout, &value, &mut probes),
            (false, false) if key == "probe_order" => {
                order = value.as_str().map(str::to_owned);
                true
            }
            (false, false) => key_is_right(layout, &key, &value),
        };
        if right {
            judged.right += 1;
        } else {
            judged.wrong.push(line.to_owned());
        }
    }
    if all_sure && order.is_some() {
        probes.sort();
        let mut columns: Vec<String> = probes.into_iter().map(|p| p.1).collect();
        if order.as_deref() == Some("base_first") {
            columns.reverse();
        }
        let mut truth: Vec<(&str, &str)> =
            layout.columns.iter().filter(|c| c.of.starts_with("probe")).map(|c| (c.of, c.name)).collect();
        truth.sort_unstable();
        if !columns.iter().eq(truth.iter().map(|t| t.1)) {
            judged.wrong.push(format!("probes from the top: {columns:?}"));
        }
    }
    judged
}

fn key_is_right(layout: &Fresh, key: &str, value: &Value) -> bool {
    let is = |text: &str| value.as_str() == Some(text);
    match key {
        "shape" => is(if layout.long.is_some() { "long" } else { "wide" }),
        "channel_column" => layout.long.is_some_and(|(channel, _)| is(channel)),
        "value_column" => layout.long.is_some_and(|(_, value)| is(value)),
        "home" => is(layout.keys.0),
        "separator" => is(&layout.signs.0.to_string()),
        "decimal" => is(&layout.signs.1.to_string()),
        "stamp" => is(if layout.at_start { "start" } else { "end" }),
        // The powers of `synth` are means.
        "value" => is("mean"),
        "cadence_min" => {
            value.as_float().or(value.as_integer().map(|i| i as f64)) == Some(layout.cadence_min as f64)
        }
        "time" => {
            let of = |key: &str| value.get(key).and_then(Value::as_str);
            let format = match layout.stamp {
                Stamp::Iso | Stamp::Naive => "iso",
                Stamp::EpochMs => "epoch_ms",
                Stamp::EpochS => "epoch_s",
                Stamp::EpochMsLocal => return false,
            };
            let zone = (layout.stamp == Stamp::Naive).then_some("Europe/London");
            of("column") == Some(layout.keys.1) && of("format") == Some(format) && of("zone") == zone
        }
        _ => false,
    }
}

fn channel_is_right(layout: &Fresh, entry: &Value, probes: &mut Vec<(usize, String)>) -> bool {
    let of = |key: &str| entry.get(key).and_then(Value::as_str);
    let (Some(channel), Some(unit)) = (of("channel"), of("unit")) else { return false };
    let name = of("column").or(of("name")).unwrap_or_default();
    let columns: Vec<&drawoff_tests::fresh::Column> = match name.split_once("{n") {
        Some((prefix, _)) => layout.columns.iter().filter(|c| c.name.starts_with(prefix)).collect(),
        None => layout.columns.iter().filter(|c| c.name == name).collect(),
    };
    if channel.starts_with("probe") {
        for (i, column) in columns.iter().enumerate() {
            let number = channel.strip_prefix("probe_").and_then(|n| n.parse().ok()).unwrap_or(i + 1);
            probes.push((number, column.name.to_owned()));
        }
    }
    let fits = |c: &&drawoff_tests::fresh::Column| {
        let kind = match channel {
            "power_lower" => c.of == "power_lower_w",
            "power_upper" => c.of == "power_upper_w",
            "register" => c.of == "register_wh",
            "surroundings" => c.of == "surroundings_degc",
            _ => channel.starts_with("probe") && c.of.starts_with("probe"),
        };
        kind && c.unit == unit
    };
    !columns.is_empty() && columns.iter().all(fits)
}

fn register_is_right(layout: &Fresh, key: &str, value: &Value) -> bool {
    let own = match key {
        "separator" => return value.as_str() == Some(","),
        "volume" => "volume_l",
        "set_point" => "set_point_degc",
        "declared_loss" => "declared_loss_kwh_per_24h",
        "element_lower" | "element_upper" => {
            let of = |part: &str| value.get(part).and_then(Value::as_str);
            return of("power") == Some(format!("{key}_w").as_str())
                && of("height") == Some(format!("{key}_height").as_str());
        }
        other => other,
    };
    let told = value.as_str().or(value.get("column").and_then(Value::as_str));
    told == Some(layout.renamed(own))
}

#[test]
fn layouts_that_nothing_was_set_on_are_right_or_marked() {
    let mut wrong = Vec::new();
    for layout in FRESH.into_iter().chain(AGAIN) {
        let dir = tempfile::tempdir().unwrap();
        let path = |name: &str| dir.path().join(name).display().to_string();
        let made = path("made");
        let mut arguments = vec!["synth", &made, "--quick"];
        arguments.extend(layout.fleet);
        assert_eq!(run(DRAWOFF, &arguments).code, 0);
        layout.write(&dir.path().join("made"), dir.path());
        let (export, register, out) = (path("export.csv"), path("register.csv"), path("proposed.toml"));
        let ended = run(DRAWOFF, &["propose", &export, &register, "--out", &out]);
        assert!([0, 4].contains(&ended.code), "{}: {ended:?}", layout.name);
        let text = text_of(&dir.path().join("proposed.toml"));
        let judged = judge(&layout, &text);
        println!(
            "{}: {} lines right, {} marked unsure, {} wrong and not marked",
            layout.name,
            judged.right,
            judged.unsure,
            judged.wrong.len()
        );
        assert!(judged.right + judged.unsure > 10, "{text}");
        if !judged.wrong.is_empty() || std::env::var_os("DRAWOFF_SHOW").is_some() {
            wrong.extend(judged.wrong.iter().map(|line| format!("{}: {line}", layout.name)));
            println!("{text}");
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
