//! Hostile bytes for every reader, parser and writer, made by changing good ones.
//!
//! Every target takes any bytes and panics when a promise of `THREATS.md` is broken. Two programs feed them: cargo-fuzz (`fuzz/`, nightly), which
//! looks at the code that an input reaches, and `src/bin/fuzz.rs`, which runs on the stable toolchain: bytes are flipped, cut, doubled, and replaced
//! by odd numbers and words, blindly.
#![expect(clippy::expect_used, reason = "a target that cannot be set up has to stop")]
#![expect(clippy::disallowed_methods, reason = "targets write the files that they let the store read")]

use std::collections::BTreeMap;
use std::path::Path;

use drawoff_contract::results::LeftOffRow;
use drawoff_contract::{Channel, Day, HomeRows, Mapping, Mask, Series, Shape};
use drawoff_daybook::{Machine, Settings, Setup, State};
use drawoff_store::intake::unmapped::{as_names, as_numbers, unmapped};

use crate::program::{repository, text_of};

/// A target: its name, what it does with bytes, and good bytes to begin with.
pub struct Target {
    /// Name.
    pub name: &'static str,
    /// Panics when a promise is broken.
    pub run: fn(&[u8], &Path),
    /// Good inputs.
    pub corpus: fn() -> Vec<Vec<u8>>,
}

impl Target {
    /// Good inputs, and those that `fuzz/corpus` keeps: of former findings, and such as reach what others do not.
    ///
    /// # Panics
    /// When they cannot be read.
    #[must_use]
    pub fn inputs(&self) -> Vec<Vec<u8>> {
        let mut inputs = (self.corpus)();
        let kept = repository().join("fuzz/corpus").join(self.name);
        if kept.is_dir() {
            inputs.extend(crate::program::bytes_of(&kept).into_values());
        }
        inputs
    }
}

/// All targets.
pub const TARGETS: [Target; 11] = [
    Target { name: "mapping", run: mapping, corpus: mappings },
    Target { name: "pipeline", run: pipeline, corpus: pipelines },
    Target { name: "register", run: register, corpus: registers },
    Target { name: "csv", run: |b, d| export(b, d, "csv"), corpus: csvs },
    Target { name: "parquet", run: |b, d| export(b, d, "parquet"), corpus: parquets },
    Target { name: "ipc_file", run: |b, d| export(b, d, "arrow"), corpus: ipc_files },
    Target { name: "ipc_stream", run: |b, d| export(b, d, "arrows"), corpus: ipc_streams },
    Target { name: "daybook", run: daybook, corpus: day_bytes },
    Target { name: "state", run: state, corpus: states },
    Target { name: "html_writer", run: html_writer, corpus: names },
    Target { name: "csv_writer", run: csv_writer, corpus: names },
];

/// Numbers that are the same on every machine (xorshift, Marsaglia 2003).
pub struct Dice(u64);

impl Dice {
    /// Dice of a seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    fn below(&mut self, n: usize) -> usize {
        if n == 0 { 0 } else { usize::try_from(self.next() >> 16).unwrap_or(0) % n }
    }
}

/// Words and numbers that parsers stumble over.
const ODD: [&[u8]; 24] = [
    b"\0",
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\xff\xff\xff\x7f",
    b"-1",
    b"1e999",
    b"NaN",
    b"99999999999999999999",
    b"\"",
    b"\\u0000",
    b"\xe2\x80\xae",
    b"\n",
    b"\r\n",
    b",,,,",
    b"]]",
    b"[[",
    b"= = =",
    b"=1+1",
    b"<script>",
    b"{nn}{n}",
    b"9999-12-31T23:59:59+99:99",
    b"0001-01-01T00:00",
    b"Europe/",
    b"\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80",
];

/// The bytes with one to eight changes.
#[must_use]
pub fn changed(good: &[u8], other: &[u8], dice: &mut Dice) -> Vec<u8> {
    let mut bytes = good.to_vec();
    for _ in 0..=dice.below(8) {
        let at = dice.below(bytes.len());
        match dice.below(8) {
            0 if !bytes.is_empty() => bytes[at] ^= 1 << dice.below(8),
            1 if !bytes.is_empty() => bytes[at] = u8::try_from(dice.below(256)).unwrap_or(0),
            2 => bytes.truncate(at),
            3 => {
                let end = (at + dice.below(64)).min(bytes.len());
                bytes.drain(at..end);
            }
            4 => {
                let piece = bytes[at..(at + dice.below(64)).min(bytes.len())].to_vec();
                bytes.splice(at..at, piece);
            }
            5 => {
                let odd = ODD[dice.below(ODD.len())];
                let end = (at + odd.len()).min(bytes.len());
                bytes.splice(at..end, odd.iter().copied());
            }
            6 => {
                let odd = ODD[dice.below(ODD.len())];
                bytes.splice(at..at, odd.iter().copied());
            }
            _ => {
                let from = dice.below(other.len());
                let piece = other[from..(from + dice.below(256)).min(other.len())].to_vec();
                bytes.splice(at..at, piece);
            }
        }
    }
    bytes
}

fn mapping(bytes: &[u8], _dir: &Path) {
    if let Err(errors) = Mapping::parse("m.toml", &String::from_utf8_lossy(bytes)) {
        assert!(
            !errors.is_empty() && errors.iter().all(|e| e.subject.contains("m.toml line ")),
            "{errors:?}"
        );
    }
}

fn pipeline(bytes: &[u8], _dir: &Path) {
    let problems = drawoff_cli::pipeline_problems("p.toml", &String::from_utf8_lossy(bytes));
    assert!(problems.iter().all(|e| e.subject.starts_with("p.toml")), "{problems:?}");
}

fn our_mapping() -> Mapping {
    let text = text_of(&repository().join("pipelines/mappings/drawoff.toml"));
    Mapping::parse("ours", &text).expect("our own mapping")
}

fn register(bytes: &[u8], dir: &Path) {
    let path = dir.join("register.csv");
    std::fs::write(&path, bytes).expect("a written file");
    if let Ok((cylinders, _)) = drawoff_store::register::read(&path, &our_mapping()) {
        for cylinder in cylinders.values() {
            assert!(cylinder.volume_l.is_none_or(|v| v.is_finite() && v > 0.0), "{cylinder:?}");
            assert!(cylinder.probe_heights.iter().all(|h| (0.0..=1.0).contains(h)), "{cylinder:?}");
            assert!(
                cylinder.elements.iter().all(|e| e.rated_w.is_finite() && e.height.is_finite()),
                "{cylinder:?}"
            );
        }
    }
}

/// Reads the bytes as an export in every way, and accounts for the rows.
fn export(bytes: &[u8], dir: &Path, ending: &str) {
    let path = dir.join(format!("export.{ending}"));
    std::fs::write(&path, bytes).expect("a written file");
    let Ok(files) = unmapped(&path) else { return };
    let mut rows = None;
    if let Ok(columns) = files[0].columns(b',') {
        let names: Vec<&str> = columns.iter().map(|(name, _)| name.as_str()).collect();
        let mut count = 0_u64;
        let read = files[0].each_batch(b',', &names, &mut |batch| {
            count += batch.num_rows() as u64;
            batch.columns().iter().for_each(|c| drop((as_numbers(c, '.'), as_names(c))));
            count < 1_000_000
        });
        rows = read.is_ok().then_some(count);
    }
    let cylinders = BTreeMap::new();
    let gathered = drawoff_store::gather(&path, &our_mapping(), &cylinders, &|_| {});
    for file in &gathered.files {
        assert!(file.account.is_balanced(), "{file:?}");
        if let (Ok(()), Some(rows)) = (&file.status, rows) {
            assert_eq!(file.account.rows_in, rows, "{file:?}");
        }
    }
    let _ = drawoff_store::inspect(&path, &our_mapping(), &cylinders);
}

fn setup() -> Setup {
    let path = repository().join("sample-fleet/register.csv");
    let (cylinders, _) = drawoff_store::register::read(&path, &our_mapping()).expect("the sample's register");
    Setup::new(&cylinders["OS-00001"], Settings::default()).expect("a home that can be read")
}

/// Rows out of any bytes: steps of time, and values that may be odd.
fn rows_of(bytes: &[u8]) -> HomeRows {
    const START_MS: i64 = 1_773_000_000_000;
    let mut rows = HomeRows::new(Shape::Wide);
    let channels = [
        Channel::Probe(0),
        Channel::Probe(4),
        Channel::Power(0),
        Channel::Register,
        Channel::Call(0),
        Channel::Surroundings,
    ];
    let mut series = vec![Series::default(); channels.len()];
    let mut ms = START_MS;
    for piece in bytes.chunks_exact(8).take(4000) {
        ms += match piece[0] {
            0 => 0,
            1 => 86_400_000 * i64::from(piece[1]),
            step => i64::from(step) * 5_000,
        };
        rows.time_ms.push(ms);
        rows.file.push(0);
        for (c, series) in series.iter_mut().enumerate() {
            let byte = piece[c + 2];
            let value = match (byte, channels[c]) {
                (255, _) => f64::NAN,
                (254, _) => f64::MAX,
                (_, Channel::Power(_)) => f64::from(byte) * 20.0,
                (_, Channel::Register) => f64::from(byte) * 1e3,
                (_, Channel::Call(_)) => f64::from(byte & 1),
                _ => f64::from(byte) / 2.5,
            };
            series.value.push(value);
            series.mask.push(if value.is_nan() {
                Mask::Absent
            } else if byte == 254 {
                Mask::OutOfRange
            } else {
                Mask::Used
            });
        }
    }
    for (channel, series) in channels.into_iter().zip(series) {
        rows.series[channel.slot()] = Some(series);
    }
    rows
}

fn daybook(bytes: &[u8], _dir: &Path) {
    let rows = rows_of(bytes);
    let mut machine = Machine::new(setup(), 1);
    machine.push(&rows);
    let notes = machine.finish();
    let rows_in: u64 = notes.accounts.iter().map(|a| a.rows_in).sum();
    assert_eq!(rows_in, rows.len() as u64);
    assert!(notes.accounts.iter().all(drawoff_contract::Account::is_balanced));
    for day in &notes.days {
        assert!(
            day.heater_kwh.is_none_or(f64::is_finite) && day.mean_degc.is_none_or(f64::is_finite),
            "{day:?}"
        );
    }
}

fn state(bytes: &[u8], _dir: &Path) {
    let state = State { day: Day::default(), until_ms: 1_773_600_000_000, bytes: bytes.to_vec() };
    // Damaged states are refused, or go on as what they say.
    if let Some(mut machine) = Machine::new(setup(), 1).after(&state) {
        machine.push(&rows_of(&day_bytes()[0]));
        let _ = machine.finish();
    }
}

fn html_writer(bytes: &[u8], _dir: &Path) {
    let text = String::from_utf8_lossy(bytes);
    let written = drawoff_report::text::html(&text);
    assert!(!written.contains(['<', '>', '"', '\'']), "{written}");
    let written = drawoff_report::text::isolated(&text);
    assert!(!written.chars().any(|c| c.is_control()), "{written:?}");
    assert!(
        !drawoff_report::text::visible(&text).chars().any(|c| c.is_control() || c == '\u{202e}'),
        "{text:?}"
    );
    let _ = drawoff_report::text::fitted(&text, 20);
}

fn csv_writer(bytes: &[u8], _dir: &Path) {
    let text = String::from_utf8_lossy(bytes).into_owned();
    let row = LeftOffRow { home: text.clone(), fault: "leak_steady".to_owned(), why: text };
    let written = drawoff_report::csv::csv(vec![row]);
    let mut reader = csv::Reader::from_reader(written.as_bytes());
    let read: Vec<csv::StringRecord> = reader.records().map(|r| r.expect("a line")).collect();
    assert_eq!(read.len(), 1, "{written:?}");
    assert_eq!((read[0].len(), &read[0][1]), (3, "leak_steady"), "{written:?}");
    for cell in &read[0] {
        assert!(!cell.trim_start().starts_with(['=', '+', '-', '@']), "{written:?}");
    }
}

fn mappings() -> Vec<Vec<u8>> {
    ["drawoff", "drawoff-sources", "reference-wide", "reference-tall"]
        .map(|name| text_of(&repository().join(format!("pipelines/mappings/{name}.toml"))).into_bytes())
        .to_vec()
}

fn pipelines() -> Vec<Vec<u8>> {
    ["service-list", "nightly", "savings", "flexible-load"]
        .map(|name| text_of(&repository().join(format!("pipelines/{name}.toml"))).into_bytes())
        .to_vec()
}

fn registers() -> Vec<Vec<u8>> {
    vec![text_of(&repository().join("sample-fleet/register.csv")).into_bytes()]
}

/// A few rows of the sample fleet.
fn some_rows() -> arrow::array::RecordBatch {
    let path = repository().join("sample-fleet/readings/week-5.parquet");
    drawoff_store::output::read_batches(&path).expect("the sample fleet").swap_remove(0).slice(0, 200)
}

fn csvs() -> Vec<Vec<u8>> {
    let columns: Vec<String> = some_rows().schema().fields().iter().map(|f| f.name().clone()).collect();
    let line =
        |i: usize| format!("OS-0000{i},2026-03-0{}T00:05:00Z{}\n", i + 1, ",45.5".repeat(columns.len() - 2));
    vec![format!("{}\n{}", columns.join(","), (1..6).map(line).collect::<String>()).into_bytes()]
}

fn parquets() -> Vec<Vec<u8>> {
    let rows = some_rows();
    let mut bytes = Vec::new();
    let mut writer = parquet::arrow::ArrowWriter::try_new(&mut bytes, rows.schema(), None).expect("a writer");
    writer.write(&rows).expect("written rows");
    writer.close().expect("a whole file");
    vec![bytes]
}

fn ipc_files() -> Vec<Vec<u8>> {
    let rows = some_rows();
    let mut bytes = Vec::new();
    let mut writer = arrow::ipc::writer::FileWriter::try_new(&mut bytes, &rows.schema()).expect("a writer");
    writer.write(&rows).and_then(|()| writer.finish()).expect("a whole file");
    drop(writer);
    vec![bytes]
}

fn ipc_streams() -> Vec<Vec<u8>> {
    let rows = some_rows();
    let mut bytes = Vec::new();
    let mut writer = arrow::ipc::writer::StreamWriter::try_new(&mut bytes, &rows.schema()).expect("a writer");
    writer.write(&rows).and_then(|()| writer.finish()).expect("a whole stream");
    drop(writer);
    vec![bytes]
}

/// Two days of a cylinder that is heated and drawn from.
fn day_bytes() -> Vec<Vec<u8>> {
    let row = |i: u32| {
        let heats = i % 100 < 20;
        let level = u8::try_from(120 + if heats { i % 100 } else { 40 - (i % 100) / 3 }).unwrap_or(0);
        let counted = u8::try_from(i / 30 % 250).unwrap_or(0);
        [60, 0, level, level / 2, if heats { 150 } else { 0 }, counted, u8::from(heats), 50]
    };
    vec![(0..600).flat_map(row).collect()]
}

fn states() -> Vec<Vec<u8>> {
    let mut machine = Machine::new(setup(), 1).keeping_states();
    machine.push(&rows_of(&day_bytes()[0]));
    machine.finish().states.into_iter().map(|s| s.bytes).collect()
}

fn names() -> Vec<Vec<u8>> {
    ["OS-00001", "<b onmouseover='x'>", "=1+1", "\u{202e}\u{0}\"',;|\r\n", "  @SUM(A1)", "e\u{301}\u{1f600}"]
        .map(|n| n.as_bytes().to_vec())
        .to_vec()
}
