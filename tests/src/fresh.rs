//! Exports that no threshold of `propose` was set on: invented fleets of seeds of their own, laid out as a logger of some other make might, each
//! with what is true of every line.
#![expect(clippy::expect_used, reason = "a test cannot go on without the files")]
#![expect(clippy::disallowed_methods, reason = "tests make their own inputs")]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

use arrow::array::{Array, AsArray};
use arrow::compute::cast;
use arrow::datatypes::{DataType, Float64Type, Int64Type, TimeUnit};
use chrono_tz::Tz;
use drawoff_store::output::read_batches;

use crate::program::{bytes_of, text_of};

/// A column of a layout: its name, what it is made of, and the unit that it is written in.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    /// Name in the export.
    pub name: &'static str,
    /// A column of our own layout, or an invention: `weather`, `humidity`, `set_point`, `inlet`, `battery`, `quality`, `half_register`, `house_register`.
    pub of: &'static str,
    /// Unit: degC, degF, K, tenths_degC, tenths_degF, W, kW, Wh, kWh (energy of the interval or counted), bool.
    pub unit: &'static str,
}

/// How stamps are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stamp {
    /// ISO 8601 in UTC with Z.
    Iso,
    /// ISO 8601 on the local clock, without a zone.
    Naive,
    /// Milliseconds since 1970, of UTC.
    EpochMs,
    /// Milliseconds as if the local clock were UTC: no mapping can say it.
    EpochMsLocal,
    /// Seconds since 1970, of UTC.
    EpochS,
}

/// A layout and its fleet.
#[derive(Clone, Copy, Debug)]
pub struct Fresh {
    /// What is odd about it.
    pub name: &'static str,
    /// Options of `drawoff synth` beside the folder.
    pub fleet: &'static [&'static str],
    /// Minutes between rows.
    pub cadence_min: i64,
    /// Column of homes, and of times.
    pub keys: (&'static str, &'static str),
    /// How stamps are written.
    pub stamp: Stamp,
    /// Whether a stamp names the start of its interval.
    pub at_start: bool,
    /// Columns, or channels of a long export.
    pub columns: &'static [Column],
    /// Columns of channel and value of a long export.
    pub long: Option<(&'static str, &'static str)>,
    /// Sign between fields, and of decimals.
    pub signs: (char, char),
    /// Columns of the register under other names; those not named keep theirs, those that become empty are left out.
    pub register: &'static [(&'static str, &'static str)],
}

const fn column(name: &'static str, of: &'static str, unit: &'static str) -> Column {
    Column { name, of, unit }
}

/// The layouts.
pub const FRESH: [Fresh; 4] = [
    Fresh {
        name: "German names, 10 min, tenths, semicolons, local time, weather beside the room",
        fleet: &[
            "--homes",
            "14",
            "--days",
            "20",
            "--seed",
            "9101",
            "--cadence-min",
            "10",
            "--probes",
            "3",
            "--room",
            "always",
        ],
        cadence_min: 10,
        keys: ("Anlage", "Zeit"),
        stamp: Stamp::Naive,
        at_start: false,
        columns: &[
            column("Aussen", "weather", "tenths_degC"),
            column("Temp_unten", "probe_3_degc", "tenths_degC"),
            column("Temp_mitte", "probe_2_degc", "tenths_degC"),
            column("Temp_oben", "probe_1_degc", "tenths_degC"),
            column("Raum", "surroundings_degc", "tenths_degC"),
            column("Heizstab_u", "power_lower_w", "kW"),
            column("Heizstab_o", "power_upper_w", "kW"),
            column("Zaehler", "register_wh", "kWh"),
        ],
        long: None,
        signs: (';', ','),
        register: &[
            ("home", "Anlage"),
            ("volume_l", "Inhalt"),
            ("probe_heights", "Fuehler"),
            ("zone", "Zeitzone"),
            ("area", "Bezirk"),
        ],
    },
    Fresh {
        name: "probes numbered out of order, tenths of Fahrenheit, milliseconds of the local clock, long",
        fleet: &["--homes", "14", "--days", "16", "--seed", "9102", "--probes", "4", "--room", "never"],
        cadence_min: 5,
        keys: ("device", "ts"),
        stamp: Stamp::EpochMsLocal,
        at_start: false,
        columns: &[
            column("temp1", "probe_2_degc", "tenths_degF"),
            column("temp2", "probe_1_degc", "tenths_degF"),
            column("temp3", "probe_4_degc", "tenths_degF"),
            column("temp4", "probe_3_degc", "tenths_degF"),
            column("kw_a", "power_lower_w", "kW"),
            column("kw_b", "power_upper_w", "kW"),
        ],
        long: Some(("metric", "value")),
        signs: (',', '.'),
        register: &[("home", "device")],
    },
    Fresh {
        name: "two probes at 15 min, energy by interval, a set point, humidity and a battery beside them",
        fleet: &[
            "--homes",
            "16",
            "--days",
            "30",
            "--seed",
            "9103",
            "--cadence-min",
            "15",
            "--probes",
            "2",
            "--room",
            "never",
        ],
        cadence_min: 15,
        keys: ("site", "read_at"),
        stamp: Stamp::Iso,
        at_start: false,
        columns: &[
            column("stat", "set_point", "degC"),
            column("hum", "humidity", "degC"),
            column("cyl_a", "probe_1_degc", "degC"),
            column("cyl_b", "probe_2_degc", "degC"),
            column("batt", "battery", "degC"),
            column("e1", "power_lower_w", "kWh"),
            column("meter", "register_wh", "kWh"),
        ],
        long: None,
        signs: (',', '.'),
        register: &[("home", "site"), ("probe_heights", "")],
    },
    Fresh {
        name: "five probes numbered out of order, Fahrenheit, the cold feed as a sixth, a count for each element",
        fleet: &["--homes", "12", "--days", "18", "--seed", "9104", "--probes", "5", "--room", "always"],
        cadence_min: 5,
        keys: ("unit", "epoch"),
        stamp: Stamp::EpochS,
        at_start: true,
        columns: &[
            column("s1", "probe_1_degc", "degF"),
            column("s2", "probe_2_degc", "degF"),
            column("s3", "probe_4_degc", "degF"),
            column("s4", "probe_3_degc", "degF"),
            column("s5", "probe_5_degc", "degF"),
            column("s6", "inlet", "degF"),
            column("room", "surroundings_degc", "degF"),
            column("watts_1", "power_lower_w", "W"),
            column("watts_2", "power_upper_w", "W"),
            column("count_1", "register_wh", "Wh"),
            column("count_2", "half_register", "Wh"),
        ],
        long: None,
        signs: (',', '.'),
        register: &[("home", "unit"), ("volume_l", "litres"), ("set_point_degc", "thermostat_degc")],
    },
];

/// Layouts made after the mends that those above asked for, and judged once.
pub const AGAIN: [Fresh; 3] = [
    Fresh {
        name: "French names from the base up, kelvins, 2 min, the weather and no room",
        fleet: &[
            "--homes",
            "10",
            "--days",
            "12",
            "--seed",
            "9201",
            "--cadence-min",
            "2",
            "--probes",
            "4",
            "--room",
            "never",
        ],
        cadence_min: 2,
        keys: ("logement", "horodatage"),
        stamp: Stamp::Naive,
        at_start: false,
        columns: &[
            column("bas", "probe_4_degc", "K"),
            column("milieu_bas", "probe_3_degc", "K"),
            column("milieu_haut", "probe_2_degc", "K"),
            column("haut", "probe_1_degc", "K"),
            column("exterieur", "weather", "K"),
            column("resistance", "power_lower_w", "W"),
            column("resistance_haute", "power_upper_w", "W"),
        ],
        long: None,
        signs: ('\t', '.'),
        register: &[
            ("home", "logement"),
            ("volume_l", "contenance"),
            ("zone", "fuseau"),
            ("set_point_degc", "consigne"),
            ("tariff", "tarif"),
        ],
    },
    Fresh {
        name: "long, six probes numbered from the base, the meter of the house beside that of the cylinder, humidity",
        fleet: &["--homes", "12", "--days", "15", "--seed", "9202", "--probes", "6", "--room", "always"],
        cadence_min: 5,
        keys: ("asset", "at"),
        stamp: Stamp::Iso,
        at_start: true,
        columns: &[
            column("T1", "probe_6_degc", "degC"),
            column("T2", "probe_5_degc", "degC"),
            column("T3", "probe_4_degc", "degC"),
            column("T4", "probe_3_degc", "degC"),
            column("T5", "probe_2_degc", "degC"),
            column("T6", "probe_1_degc", "degC"),
            column("H1", "humidity", "degC"),
            column("A1", "surroundings_degc", "degC"),
            column("P1", "power_lower_w", "kW"),
            column("P2", "power_upper_w", "kW"),
            column("E_house", "house_register", "kWh"),
            column("E_cyl", "register_wh", "kWh"),
        ],
        long: Some(("point", "v")),
        signs: (',', '.'),
        register: &[("home", "asset")],
    },
    Fresh {
        name: "half-hours, three probes in Fahrenheit named by height, no power, milliseconds of UTC, the feed as a fourth",
        fleet: &[
            "--homes",
            "16",
            "--days",
            "40",
            "--seed",
            "9203",
            "--cadence-min",
            "30",
            "--probes",
            "3",
            "--room",
            "never",
        ],
        cadence_min: 30,
        keys: ("id", "t_ms"),
        stamp: Stamp::EpochMs,
        at_start: false,
        columns: &[
            column("h90", "probe_1_degc", "degF"),
            column("h50", "probe_2_degc", "degF"),
            column("h10", "probe_3_degc", "degF"),
            column("cold_in", "inlet", "degF"),
            column("total", "register_wh", "Wh"),
        ],
        long: None,
        signs: (';', '.'),
        register: &[("home", "id"), ("probe_heights", ""), ("zone", "tz")],
    },
];

/// Values of our own layout by column, at a stamp.
type Row = (String, i64, BTreeMap<String, f64>);

fn rows(folder: &Path) -> Vec<Row> {
    let mut all = Vec::new();
    for name in bytes_of(folder).into_keys() {
        for batch in read_batches(&folder.join(&name)).expect("readings") {
            let schema = batch.schema();
            let homes = cast(batch.column_by_name("home").expect("homes"), &DataType::Utf8).expect("texts");
            let utc = DataType::Timestamp(TimeUnit::Millisecond, Some("UTC".into()));
            let times = cast(batch.column_by_name("time").expect("times"), &utc).expect("instants");
            let times = cast(&times, &DataType::Int64).expect("numbers");
            let values: Vec<(String, arrow::array::ArrayRef)> = schema
                .fields()
                .iter()
                .filter(|f| !["home", "time"].contains(&f.name().as_str()))
                .filter_map(|f| {
                    Some((f.name().clone(), cast(batch.column_by_name(f.name())?, &DataType::Float64).ok()?))
                })
                .collect();
            for i in 0..batch.num_rows() {
                let of = |(name, array): &(String, arrow::array::ArrayRef)| {
                    let array = array.as_primitive::<Float64Type>();
                    array.is_valid(i).then(|| (name.clone(), array.value(i)))
                };
                let home = homes.as_string::<i32>().value(i).to_owned();
                all.push((
                    home,
                    times.as_primitive::<Int64Type>().value(i),
                    values.iter().filter_map(of).collect(),
                ));
            }
        }
    }
    all.sort_by(|a, b| (&a.0, a.1).cmp(&(&b.0, b.1)));
    all
}

impl Fresh {
    /// Writes the fleet in `made` (as `drawoff synth` leaves it) in this layout as `export.csv` and `register.csv` of a folder.
    ///
    /// # Panics
    /// When files cannot be read or written.
    pub fn write(&self, made: &Path, folder: &Path) {
        let register = text_of(&made.join("register.csv"));
        let zone: Tz = self.zone(&register).parse().expect("a zone");
        let all = rows(&made.join("readings"));
        let separator = self.signs.0.to_string();
        let names: Vec<&str> = match self.long {
            Some((channel, value)) => vec![channel, value],
            None => self.columns.iter().map(|c| c.name).collect(),
        };
        let mut text =
            format!("{}{separator}{}{separator}{}\n", self.keys.0, self.keys.1, names.join(&separator));
        let mut feed = 12.0;
        let mut before: Option<(&str, f64)> = None;
        for (home, ms, values) in &all {
            // The feed is cold while water is drawn, and warms towards the room after it.
            let lowest = (1..=12).rev().find_map(|n| values.get(&format!("probe_{n}_degc")));
            if let (Some((of, last)), Some(now)) = (before, lowest) {
                feed = if of == home && last - now > 0.3 { 11.0 } else { feed + 0.15 * (19.0 - feed) };
            }
            before = lowest.map(|l| (home.as_str(), *l));
            let at = self.stamp_of(if self.at_start { ms - self.cadence_min * 60_000 } else { *ms }, zone);
            let cells: Vec<String> = self
                .columns
                .iter()
                .map(|c| self.value(c, home, *ms, values, feed).map_or(String::new(), |v| self.written(c, v)))
                .collect();
            if self.long.is_some() {
                for (c, cell) in self.columns.iter().zip(&cells).filter(|(_, cell)| !cell.is_empty()) {
                    let _ = writeln!(text, "{home}{separator}{at}{separator}{}{separator}{cell}", c.name);
                }
            } else {
                let _ = writeln!(text, "{home}{separator}{at}{separator}{}", cells.join(&separator));
            }
        }
        std::fs::write(folder.join("export.csv"), text).expect("a written export");
        std::fs::write(folder.join("register.csv"), self.register_of(&register)).expect("a written register");
    }

    fn zone(&self, register: &str) -> String {
        let at =
            register.lines().next().and_then(|h| h.split(',').position(|c| c == "zone")).expect("a zone");
        register.lines().nth(1).and_then(|l| l.split(',').nth(at)).expect("a home").to_owned()
    }

    fn register_of(&self, register: &str) -> String {
        let head: Vec<&str> = register.lines().next().expect("a head").split(',').collect();
        let kept: Vec<(usize, &str)> =
            head.iter().map(|c| self.renamed(c)).enumerate().filter(|(_, name)| !name.is_empty()).collect();
        let mut out = kept.iter().map(|k| k.1).collect::<Vec<_>>().join(",") + "\n";
        for line in register.lines().skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            out += &(kept.iter().map(|k| cells[k.0]).collect::<Vec<_>>().join(",") + "\n");
        }
        out
    }

    /// The name of a column of our own register in this one; empty where it has none.
    #[must_use]
    pub fn renamed<'n>(&self, own: &'n str) -> &'n str {
        self.register.iter().find(|(from, _)| *from == own).map_or(own, |(_, to)| to)
    }

    fn stamp_of(&self, ms: i64, zone: Tz) -> String {
        let utc = chrono::DateTime::from_timestamp_millis(ms).expect("an instant");
        let local = utc.with_timezone(&zone).naive_local();
        match self.stamp {
            Stamp::Iso => utc.format("%Y-%m-%dT%H:%M:%SZ").to_string(),
            Stamp::Naive => local.format("%Y-%m-%d %H:%M:%S").to_string(),
            Stamp::EpochMs => ms.to_string(),
            Stamp::EpochMsLocal => local.and_utc().timestamp_millis().to_string(),
            Stamp::EpochS => (ms / 1000).to_string(),
        }
    }

    fn value(
        &self,
        column: &Column,
        home: &str,
        ms: i64,
        values: &BTreeMap<String, f64>,
        feed: f64,
    ) -> Option<f64> {
        let hours = ms as f64 / 3_600_000.0;
        let number = home.bytes().map(f64::from).sum::<f64>();
        let noise = |n: f64| ((hours * 7.31 + number) * n).sin();
        Some(match column.of {
            "weather" => 7.0 + 5.0 * (hours / 24.0 * std::f64::consts::TAU).sin() + 2.0 * noise(0.01),
            "humidity" => 52.0 + 9.0 * (hours / 24.0 * std::f64::consts::TAU).cos() + 4.0 * noise(1.7),
            "set_point" => 55.0 + number % 10.0,
            "inlet" => feed,
            "battery" => 3.6 - hours % 9000.0 / 90_000.0,
            "house_register" => values.get("register_wh")? + (hours - 490_000.0) * 350.0,
            "half_register" => 0.5 * values.get("register_wh")?,
            own => *values.get(own)?,
        })
    }

    fn written(&self, column: &Column, value: f64) -> String {
        let hours = self.cadence_min as f64 / 60.0;
        let counted = column.of.contains("register");
        let text = match column.unit {
            "degF" => format!("{:.1}", value * 1.8 + 32.0),
            "K" => format!("{:.2}", value + 273.15),
            "tenths_degC" => format!("{:.0}", value * 10.0),
            "tenths_degF" => format!("{:.0}", value * 18.0 + 320.0),
            "kW" => format!("{:.3}", value / 1000.0),
            "Wh" if !counted => format!("{:.1}", value * hours),
            "kWh" if counted => format!("{:.3}", value / 1000.0),
            "kWh" => format!("{:.4}", value * hours / 1000.0),
            _ => format!("{value}"),
        };
        if self.signs.1 == ',' { text.replace('.', ",") } else { text }
    }
}
