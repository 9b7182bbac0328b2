//! What is known to be true of a fleet, home by home.

use std::collections::BTreeMap;

use arrow::array::RecordBatch;
use drawoff_contract::{ContractError, Day, Fault, FaultClass, Level};

use crate::column::Columns;

const MS_PER_DAY: i64 = 86_400_000;
const MS_PER_MINUTE: f64 = 60_000.0;

/// Truth of a fleet, by home.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Truth {
    /// The homes, by the export's own identifier.
    pub homes: BTreeMap<String, TruthHome>,
}

/// Truth of one home over the whole period.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TruthHome {
    /// Conductance of the skin, W/K.
    pub ua_w_per_k: f64,
    /// Loss over (volume-mean tank temperature - room), W/K: what a mean-temperature method sees.
    pub ua_effective_w_per_k: f64,
    /// Water leaving for draw-offs, l/d; leaks apart.
    pub litres_per_day: f64,
    /// Heat drawn above the cold feed, kWh/d; leaks apart.
    pub kwh_draw_per_day: f64,
    /// Heat lost through the skin, kWh/d.
    pub kwh_loss_per_day: f64,
    /// UTC days, in order.
    pub days: Vec<TruthDay>,
    /// Draw-offs, in order of their start.
    pub draws: Vec<TruthDraw>,
    /// What is odd about the home without being a fault, in the truth's own word; empty where truth does not say.
    pub look: String,
    /// Faults that were imposed.
    pub faults: Vec<TruthFault>,
    /// Usable water (at 40 degC from a feed of 10 degC), l, at instants in UTC milliseconds; empty where truth has none.
    pub usable_litres: Vec<(i64, f64)>,
}

/// One UTC day.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TruthDay {
    /// The UTC day.
    pub day: Day,
    /// Water leaving for draw-offs, l.
    pub litres: f64,
    /// Heat drawn above the cold feed, kWh.
    pub kwh: f64,
    /// Mean tank temperature less mean room temperature, K.
    pub tank_above_room_k: f64,
    /// Heat lost through the skin, kWh; `None` where truth does not say.
    pub kwh_loss: Option<f64>,
}

/// One draw-off.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TruthDraw {
    /// Start, UTC milliseconds.
    pub start_ms: i64,
    /// End, UTC milliseconds.
    pub end_ms: i64,
    /// Water drawn, l.
    pub litres: f64,
    /// Mean temperature at the outlet, degC.
    pub outlet_degc: f64,
    /// Heat above the cold feed, kWh.
    pub kwh: f64,
}

/// One imposed fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TruthFault {
    /// What was imposed.
    pub fault: Fault,
    /// When it began, UTC milliseconds; `None` when it was there before the data.
    pub onset_ms: Option<i64>,
    /// How strong; `None` where truth does not say.
    pub level: Option<Level>,
}

impl TruthHome {
    /// Whether no fault of any class was imposed.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        self.faults.is_empty()
    }

    /// Whether a fault of a class was imposed.
    #[must_use]
    pub fn has(&self, class: FaultClass) -> bool {
        self.faults.iter().any(|f| f.fault.class() == class)
    }

    /// Whether a fault that can bring a visit was imposed.
    #[must_use]
    pub fn needs_visit(&self) -> bool {
        self.has(FaultClass::Equipment) || self.has(FaultClass::Sensor)
    }

    /// Mean of the tank's excess over the room, K; `None` without days.
    #[must_use]
    pub fn mean_tank_above_room_k(&self) -> Option<f64> {
        let sum: f64 = self.days.iter().map(|d| d.tank_above_room_k).sum();
        (!self.days.is_empty()).then(|| sum / self.days.len() as f64)
    }

    /// The first `count` UTC days. Faults that begin later stay: the coefficients of the whole period know of them.
    fn first_days(&self, count: u32) -> Self {
        let days: Vec<TruthDay> = self.days.iter().take(count as usize).copied().collect();
        let Some(last) = days.last() else { return self.clone() };
        let end_ms = (i64::from(last.day.0) + 1) * MS_PER_DAY;
        let mean = |get: &dyn Fn(&TruthDay) -> f64| days.iter().map(get).sum::<f64>() / days.len() as f64;
        let kwh_loss = mean(&|d| d.kwh_loss.unwrap_or(f64::NAN));
        Self {
            litres_per_day: mean(&|d| d.litres),
            kwh_draw_per_day: mean(&|d| d.kwh),
            kwh_loss_per_day: if kwh_loss.is_nan() { self.kwh_loss_per_day } else { kwh_loss },
            draws: self.draws.iter().filter(|d| d.start_ms < end_ms).copied().collect(),
            faults: self.faults.clone(),
            look: self.look.clone(),
            usable_litres: self.usable_litres.iter().filter(|(t, _)| *t <= end_ms).copied().collect(),
            days,
            ..*self
        }
    }
}

impl Truth {
    /// Reads the four truth tables, each in any number of batches; extra columns are ignored.
    ///
    /// Instants may be timestamps of any precision or dates, naive ones are taken as UTC; a null onset, or
    /// `pre_existing`, means that the fault was there before the data.
    ///
    /// # Errors
    /// Names the table and the column that is missing or of another kind, a home that `truth_homes` lacks, and a fault
    /// kind that is no fault code.
    pub fn from_batches(
        homes: &[RecordBatch],
        daily: &[RecordBatch],
        draws: &[RecordBatch],
        faults: &[RecordBatch],
    ) -> Result<Self, ContractError> {
        let mut truth = Self { homes: read_homes(homes)? };
        truth.read_days(daily)?;
        truth.read_draws(draws)?;
        truth.read_faults(faults)?;
        for home in truth.homes.values_mut() {
            home.days.sort_by_key(|d| d.day);
            home.draws.sort_by_key(|d| (d.start_ms, d.end_ms));
            home.faults.sort_by_key(|f| f.fault);
        }
        Ok(truth)
    }

    /// Reads the optional table of stored water (`truth_stored`): home, instant and usable litres; extra columns are ignored.
    ///
    /// # Errors
    /// Names the column that is missing or of another kind, and a home that `truth_homes` lacks.
    pub fn add_stored(&mut self, batches: &[RecordBatch]) -> Result<(), ContractError> {
        let table = Columns { table: "truth_stored", batches };
        let times = table.instants_ms(table.first_of(&["time", "time_utc", "end_utc"]))?;
        let litres = table.numbers("v40_litres")?;
        for (i, id) in table.texts(table.first_of(&["id", "home"]))?.iter().enumerate() {
            let time_ms = required(times[i], table.table, "time")?;
            self.home(table.table, id)?.usable_litres.push((time_ms, litres[i]));
        }
        Ok(())
    }

    fn home(&mut self, table: &'static str, home: &str) -> Result<&mut TruthHome, ContractError> {
        self.homes
            .get_mut(home)
            .ok_or_else(|| ContractError::table(table, "id", &format!("home {home:?} is not in truth_homes")))
    }

    /// The truth of the first `count` UTC days of each home: sums and means are of these days, coefficients of the whole.
    #[must_use]
    pub fn first_days(&self, count: u32) -> Self {
        let homes = self.homes.iter().map(|(id, home)| (id.clone(), home.first_days(count)));
        Self { homes: homes.collect() }
    }

    fn read_days(&mut self, batches: &[RecordBatch]) -> Result<(), ContractError> {
        let table = Columns { table: "truth_daily", batches };
        let dates = table.instants_ms("date")?;
        let litres = table.numbers("litres_draw")?;
        let kwh = table.numbers("kwh_draw")?;
        let tank = table.numbers("mean_tank_c")?;
        let room = table.numbers("mean_room_c")?;
        let loss = table.numbers_if_there("kwh_loss")?;
        for (i, id) in table.texts("id")?.iter().enumerate() {
            let date = required(dates[i], table.table, "date")?;
            let day = TruthDay {
                day: utc_day(date),
                litres: litres[i],
                kwh: kwh[i],
                tank_above_room_k: tank[i] - room[i],
                kwh_loss: loss.get(i).copied().filter(|v| !v.is_nan()),
            };
            self.home(table.table, id)?.days.push(day);
        }
        Ok(())
    }

    fn read_draws(&mut self, batches: &[RecordBatch]) -> Result<(), ContractError> {
        let table = Columns { table: "truth_draws", batches };
        let starts = table.instants_ms("start_utc")?;
        let minutes = table.numbers("minutes")?;
        let litres = table.numbers("litres")?;
        let outlet = table.numbers("mean_outlet_c")?;
        let kwh = table.numbers("kwh")?;
        for (i, id) in table.texts("id")?.iter().enumerate() {
            let start_ms = required(starts[i], table.table, "start_utc")?;
            let draw = TruthDraw {
                start_ms,
                end_ms: start_ms + (minutes[i] * MS_PER_MINUTE).round() as i64,
                litres: litres[i],
                outlet_degc: outlet[i],
                kwh: kwh[i],
            };
            self.home(table.table, id)?.draws.push(draw);
        }
        Ok(())
    }

    fn read_faults(&mut self, batches: &[RecordBatch]) -> Result<(), ContractError> {
        let table = Columns { table: "truth_faults", batches };
        let kinds = table.texts("kind")?;
        let onsets = table.instants_ms(table.first_of(&["onset_utc", "onset"]))?;
        let before = table.flags_or_false("pre_existing")?;
        let details = table.texts_if_there("detail")?;
        for (i, id) in table.texts("id")?.iter().enumerate() {
            let kind = &kinds[i];
            let fault = Fault::from_code(kind).ok_or_else(|| {
                ContractError::table(table.table, "kind", &format!("{kind:?} is no fault code"))
                    .with_hint("a truth table uses the fault codes of the findings table")
            })?;
            let onset_ms = if before[i] { None } else { onsets[i] };
            self.home(table.table, id)?.faults.push(TruthFault {
                fault,
                onset_ms,
                level: details.get(i).and_then(|d| level_of(d)),
            });
        }
        Ok(())
    }
}

/// The word for the strength within the JSON of the detail; `None` where it is not there.
fn level_of(detail: &str) -> Option<Level> {
    let detail: serde_json::Value = serde_json::from_str(detail).ok()?;
    detail.get("level")?.as_str().and_then(Level::from_code)
}

fn read_homes(batches: &[RecordBatch]) -> Result<BTreeMap<String, TruthHome>, ContractError> {
    let table = Columns { table: "truth_homes", batches };
    let ua = table.numbers("ua_w_k")?;
    let ua_effective = table.numbers("ua_effective_w_k")?;
    let litres = table.numbers("litres_per_day")?;
    let kwh_draw = table.numbers("kwh_draw_per_day")?;
    let kwh_loss = table.numbers("kwh_loss_per_day")?;
    let looks = table.texts_if_there("trait")?;
    let home = |i: usize| TruthHome {
        look: looks.get(i).cloned().unwrap_or_default(),
        ua_w_per_k: ua[i],
        ua_effective_w_per_k: ua_effective[i],
        litres_per_day: litres[i],
        kwh_draw_per_day: kwh_draw[i],
        kwh_loss_per_day: kwh_loss[i],
        ..TruthHome::default()
    };
    Ok(table.texts("id")?.into_iter().enumerate().map(|(i, id)| (id, home(i))).collect())
}

fn required(value: Option<i64>, table: &str, column: &str) -> Result<i64, ContractError> {
    value.ok_or_else(|| ContractError::table(table, column, "null where a value is required"))
}

/// UTC day of an instant.
pub(crate) fn utc_day(ms: i64) -> Day {
    Day(i32::try_from(ms.div_euclid(MS_PER_DAY)).unwrap_or(i32::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use arrow::array::{
        ArrayRef, BooleanArray, Date32Array, Float64Array, Int16Array, LargeStringArray, StringArray,
        TimestampMicrosecondArray, TimestampMillisecondArray,
    };
    use std::sync::Arc;

    fn batch(columns: Vec<(&str, ArrayRef)>) -> RecordBatch {
        RecordBatch::try_from_iter(columns).unwrap()
    }

    fn numbers(value: f64) -> ArrayRef {
        Arc::new(Float64Array::from(vec![value]))
    }

    fn homes() -> RecordBatch {
        batch(vec![
            ("id", Arc::new(LargeStringArray::from(vec!["a"]))),
            ("ua_w_k", numbers(2.1)),
            ("ua_effective_w_k", numbers(2.0)),
            ("litres_per_day", numbers(90.0)),
            ("kwh_draw_per_day", numbers(5.0)),
            ("kwh_loss_per_day", numbers(1.5)),
        ])
    }

    fn daily(date: ArrayRef) -> RecordBatch {
        batch(vec![
            ("id", Arc::new(StringArray::from(vec!["a"]))),
            ("date", date),
            ("litres_draw", numbers(90.0)),
            ("kwh_draw", numbers(5.0)),
            ("mean_tank_c", numbers(50.0)),
            ("mean_room_c", numbers(20.0)),
        ])
    }

    fn draws(start: ArrayRef) -> RecordBatch {
        batch(vec![
            ("id", Arc::new(StringArray::from(vec!["a"]))),
            ("start_utc", start),
            ("minutes", Arc::new(Int16Array::from(vec![3]))),
            ("litres", numbers(12.0)),
            ("mean_outlet_c", numbers(55.0)),
            ("kwh", numbers(0.6)),
        ])
    }

    fn faults(kind: &str, before: bool) -> RecordBatch {
        batch(vec![
            ("id", Arc::new(StringArray::from(vec!["a"]))),
            ("kind", Arc::new(StringArray::from(vec![kind]))),
            ("onset_utc", Arc::new(TimestampMicrosecondArray::from(vec![Some(5_000_000)]))),
            ("pre_existing", Arc::new(BooleanArray::from(vec![before]))),
        ])
    }

    #[test]
    fn instants_of_any_precision_are_read() {
        let dates: [ArrayRef; 2] = [
            Arc::new(TimestampMillisecondArray::from(vec![86_400_000])),
            Arc::new(Date32Array::from(vec![1])),
        ];
        let starts: [ArrayRef; 2] = [
            Arc::new(TimestampMicrosecondArray::from(vec![60_000_000])),
            Arc::new(TimestampMillisecondArray::from(vec![60_000]).with_timezone("UTC")),
        ];
        for (date, start) in dates.into_iter().zip(starts) {
            let truth = Truth::from_batches(
                &[homes()],
                &[daily(date)],
                &[draws(start)],
                &[faults("leak_steady", false), faults("clock_shift", true)],
            )
            .unwrap();
            let home = &truth.homes["a"];
            assert_eq!(home.days[0].day, Day(1));
            assert_eq!(home.mean_tank_above_room_k(), Some(30.0));
            assert_eq!((home.draws[0].start_ms, home.draws[0].end_ms), (60_000, 240_000));
            assert_eq!(
                home.faults[0],
                TruthFault { fault: Fault::LeakSteady, onset_ms: Some(5_000), level: None }
            );
            assert_eq!(home.faults[1], TruthFault { fault: Fault::ClockShift, onset_ms: None, level: None });
            assert!(home.needs_visit() && !home.is_sound());
        }
    }

    #[test]
    fn the_first_days_have_means_of_their_own() {
        let day = |n: i32, litres: f64, kwh_loss: f64| TruthDay {
            day: Day(n),
            litres,
            kwh: litres / 20.0,
            tank_above_room_k: 30.0,
            kwh_loss: Some(kwh_loss),
        };
        let home = TruthHome {
            litres_per_day: 50.0,
            days: vec![day(0, 10.0, 1.0), day(1, 30.0, 1.2), day(2, 110.0, 1.4)],
            draws: vec![TruthDraw::default(), TruthDraw { start_ms: 2 * MS_PER_DAY, ..TruthDraw::default() }],
            faults: vec![TruthFault {
                fault: Fault::LeakSteady,
                onset_ms: Some(2 * MS_PER_DAY),
                level: None,
            }],
            ..TruthHome::default()
        };
        let first = home.first_days(2);
        assert_eq!((first.days.len(), first.draws.len(), first.faults.len()), (2, 1, 1));
        assert_eq!((first.litres_per_day, first.kwh_draw_per_day), (20.0, 1.0));
        assert!((first.kwh_loss_per_day - 1.1).abs() < 1e-12);
    }

    #[test]
    fn the_strength_stands_in_the_detail() {
        assert_eq!(level_of(r#"{"probe": 2, "level": "middle"}"#), Some(Level::Middle));
        assert_eq!((level_of("{}"), level_of("no JSON")), (None, None));
    }

    #[test]
    fn stored_water_is_an_extra_table() {
        let mut truth = Truth::from_batches(&[homes()], &[], &[], &[]).unwrap();
        let stored = |id: &str| {
            batch(vec![
                ("home", Arc::new(StringArray::from(vec![id]))),
                ("time", Arc::new(TimestampMillisecondArray::from(vec![1_800_000]))),
                ("v40_litres", numbers(210.0)),
            ])
        };
        truth.add_stored(&[stored("a")]).unwrap();
        assert_eq!(truth.homes["a"].usable_litres, [(1_800_000, 210.0)]);
        let error = truth.add_stored(&[stored("b")]).unwrap_err();
        assert!(error.to_string().contains("\"b\" is not in truth_homes"), "{error}");
    }

    #[test]
    fn what_is_wrong_is_named() {
        let error = Truth::from_batches(&[], &[], &[], &[faults("leak_steady", false)]).unwrap_err();
        assert!(error.to_string().contains("\"a\" is not in truth_homes"), "{error}");
        let error = Truth::from_batches(&[homes()], &[], &[], &[faults("gremlin", false)]).unwrap_err();
        assert!(error.to_string().starts_with("truth_faults.kind: \"gremlin\""), "{error}");
        let error = Truth::from_batches(&[draws(numbers(1.0))], &[], &[], &[]).unwrap_err();
        assert_eq!(error.to_string(), "truth_homes.ua_w_k: column is missing");
        let words: ArrayRef = Arc::new(StringArray::from(vec!["soon"]));
        let error = Truth::from_batches(&[homes()], &[], &[draws(words)], &[]).unwrap_err();
        assert!(error.subject == "truth_draws.start_utc", "{error}");
    }
}
