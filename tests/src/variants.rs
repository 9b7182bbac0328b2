//! The small fleet in layouts of other loggers, each with the mapping that a person would write for it.
#![expect(clippy::expect_used, reason = "a test cannot go on without the files")]

use std::fmt::Write as _;

use arrow::array::{Array, AsArray, RecordBatch};
use arrow::compute::cast;
use arrow::datatypes::{DataType, Float64Type, Int64Type, TimeUnit};
use chrono_tz::Europe::London;
use chrono_tz::Tz;
use drawoff_store::output::read_batches;

use crate::small_fleet::{FILES, SmallFleet};

/// Columns of the sample fleet: eight probes, two powers, two calls, the register, the room.
const COLUMNS: [&str; 14] = [
    "probe_1_degc",
    "probe_2_degc",
    "probe_3_degc",
    "probe_4_degc",
    "probe_5_degc",
    "probe_6_degc",
    "probe_7_degc",
    "probe_8_degc",
    "power_lower_w",
    "power_upper_w",
    "call_lower",
    "call_upper",
    "register_wh",
    "surroundings_degc",
];
const CHANNELS: [&str; 14] = [
    "probe_1",
    "probe_2",
    "probe_3",
    "probe_4",
    "probe_5",
    "probe_6",
    "probe_7",
    "probe_8",
    "power_lower",
    "power_upper",
    "call_lower",
    "call_upper",
    "register",
    "surroundings",
];

/// One invented layout.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Layout {
    /// Degrees Fahrenheit, stamps in seconds since 1970.
    Fahrenheit,
    /// Tenths of a degree, kilowatts, semicolons.
    Tenths,
    /// A row a channel.
    Long,
    /// No power, only a register in kWh.
    RegisterOnly,
    /// Local time without a zone.
    NaiveLocal,
}

/// Rows: home, milliseconds of UTC, values.
type Row = (String, i64, [Option<f64>; 14]);

fn rows(batch: &RecordBatch) -> Vec<Row> {
    let text =
        |name: &str| cast(batch.column_by_name(name).expect("a column"), &DataType::Utf8).expect("texts");
    let homes = text("home");
    let milliseconds = DataType::Timestamp(TimeUnit::Millisecond, Some("UTC".into()));
    let times = cast(batch.column_by_name("time").expect("times"), &milliseconds).expect("milliseconds");
    let times = cast(&times, &DataType::Int64).expect("numbers");
    let columns: Vec<_> = COLUMNS
        .iter()
        .map(|c| cast(batch.column_by_name(c).expect("a column"), &DataType::Float64).expect("numbers"))
        .collect();
    let value = |c: usize, i: usize| {
        let column = columns[c].as_primitive::<Float64Type>();
        column.is_valid(i).then(|| column.value(i))
    };
    (0..batch.num_rows())
        .map(|i| {
            let home = homes.as_string::<i32>().value(i).to_owned();
            (home, times.as_primitive::<Int64Type>().value(i), std::array::from_fn(|c| value(c, i)))
        })
        .collect()
}

impl Layout {
    /// All layouts.
    pub const ALL: [Self; 5] =
        [Self::Fahrenheit, Self::Tenths, Self::Long, Self::RegisterOnly, Self::NaiveLocal];

    /// Writes the fleet's readings in this layout as `variant/*.csv`, and the mapping that a person would write as `by-hand.toml`.
    ///
    /// # Panics
    /// When the files cannot be written.
    pub fn write(self, fleet: &SmallFleet) {
        #[expect(clippy::disallowed_methods, reason = "tests make their own inputs")]
        for file in FILES {
            let batches = read_batches(&fleet.path(&format!("readings/{file}"))).expect("readings");
            let all: Vec<Row> = batches.iter().flat_map(rows).collect();
            std::fs::create_dir_all(fleet.path("variant")).expect("a folder");
            let path = fleet.path(&format!("variant/{}", file.replace("parquet", "csv")));
            std::fs::write(path, self.export(&all)).expect("a written file");
        }
        fleet.write("by-hand.toml", &self.by_hand(fleet));
    }

    fn export(self, rows: &[Row]) -> String {
        let separator = if self == Self::Tenths { ';' } else { ',' };
        let mut text = String::new();
        if self == Self::Long {
            text.push_str("unit,at,tag,reading\n");
        } else {
            let names: Vec<String> = self.columns().iter().map(|(name, ..)| name.clone()).collect();
            let _ = writeln!(text, "unit{separator}at{separator}{}", names.join(&separator.to_string()));
        }
        for (home, ms, values) in rows {
            let at = self.stamp(*ms);
            let cells: Vec<String> = self
                .columns()
                .iter()
                .map(|(_, c, unit)| values[*c].map_or(String::new(), |v| self.written(v, unit)))
                .collect();
            if self == Self::Long {
                for ((name, ..), cell) in
                    self.columns().iter().zip(&cells).filter(|(_, cell)| !cell.is_empty())
                {
                    let _ = writeln!(text, "{home},{at},{name},{cell}");
                }
            } else {
                let _ =
                    writeln!(text, "{home}{separator}{at}{separator}{}", cells.join(&separator.to_string()));
            }
        }
        text
    }

    fn stamp(self, ms: i64) -> String {
        let utc = chrono_time(ms);
        match self {
            Self::Fahrenheit => (ms / 1000).to_string(),
            Self::NaiveLocal => utc.with_timezone::<Tz>(&London).format("%Y-%m-%d %H:%M:%S").to_string(),
            _ => utc.format("%Y-%m-%dT%H:%M:%SZ").to_string(),
        }
    }

    /// Name, column of the sample and unit of each value; no name tells what it holds.
    fn columns(self) -> Vec<(String, usize, &'static str)> {
        let all = (0..14).filter(|c| self != Self::RegisterOnly || !(8..12).contains(c));
        all.map(|c| {
            let unit = match (c, self) {
                (0..8 | 13, Self::Fahrenheit) => "degF",
                (0..8 | 13, Self::Tenths) => "tenths_degC",
                (0..8 | 13, _) => "degC",
                (8 | 9, Self::Tenths) => "kW",
                (8 | 9, _) => "W",
                (12, Self::RegisterOnly | Self::Tenths) => "kWh",
                (12, _) => "Wh",
                _ => "bool",
            };
            let name =
                if c < 8 { format!("t{}", c + 1) } else { format!("x{}", (b'a' + c as u8 - 8) as char) };
            (name, c, unit)
        })
        .collect()
    }

    fn written(self, value: f64, unit: &str) -> String {
        let text = match unit {
            "degF" => format!("{:.2}", value * 1.8 + 32.0),
            "tenths_degC" => format!("{:.0}", value * 10.0),
            "kW" | "kWh" => format!("{:.3}", value / 1000.0),
            _ => value.to_string(),
        };
        if self == Self::Tenths { text.replace('.', ",") } else { text }
    }

    fn by_hand(self, fleet: &SmallFleet) -> String {
        let register = crate::program::text_of(&fleet.path("mapping.toml"));
        let register = &register[register.find("[register]").expect("a section")..];
        let time = match self {
            Self::Fahrenheit => "{ column = \"at\", format = \"epoch_s\" }",
            Self::NaiveLocal => "{ column = \"at\", format = \"iso\", zone = \"Europe/London\" }",
            _ => "{ column = \"at\", format = \"iso\" }",
        };
        let (shape, key, more) = match self {
            Self::Long => ("long", "name", "channel_column = \"tag\"\nvalue_column = \"reading\"\n"),
            Self::Tenths => ("wide", "column", "separator = \";\"\ndecimal = \",\"\n"),
            _ => ("wide", "column", ""),
        };
        let mut text = format!(
            "[readings]\nshape = \"{shape}\"\nhome = \"unit\"\ntime = {time}\nstamp = \"end\"\nvalue = \"mean\"\ncadence_min = 5\n{more}channels = [\n"
        );
        for (name, c, unit) in self.columns() {
            let _ = writeln!(
                text,
                "  {{ {key} = \"{name}\", channel = \"{}\", unit = \"{unit}\" }},",
                CHANNELS[c]
            );
        }
        format!("{text}]\n{register}")
    }
}

fn chrono_time(ms: i64) -> chrono::DateTime<chrono::Utc> {
    chrono::DateTime::from_timestamp_millis(ms).expect("an instant")
}
