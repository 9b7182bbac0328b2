//! What of the results may be passed on to those who do not look after the cylinders.
//!
//! A list of what may pass, not of what may not: a table or column that nobody has thought of stays at home. What passes has no time of use
//! (no instant, hour or day of a home's readings, no words that could hold one) and names no home and no area.

use std::collections::BTreeMap;
use std::sync::Arc;

use arrow::array::{Array, ArrayRef, AsArray, BooleanArray, RecordBatch, StringArray};
use arrow::compute::{filter_record_batch, sort_to_indices, take};
use arrow::datatypes::Int64Type;

use crate::error::ContractError;

/// What may pass of one table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PassedOn {
    /// Name of the table.
    pub table: &'static str,
    /// Columns that pass, in their order.
    pub columns: &'static [&'static str],
    /// Column that counts the homes behind a row of a group; none where a row is of one home.
    pub homes_behind: Option<&'static str>,
}

const fn of_homes(table: &'static str, columns: &'static [&'static str]) -> PassedOn {
    PassedOn { table, columns, homes_behind: None }
}

const fn of_groups(
    table: &'static str,
    homes_behind: &'static str,
    columns: &'static [&'static str],
) -> PassedOn {
    PassedOn { table, columns, homes_behind: Some(homes_behind) }
}

/// Everything that may pass, of any job.
///
/// Left out on purpose: whatever has hours or days of a home (`draw_offs`, `days`, `vacancy`, `rates`, `habits`, `changes`, `evidence`, the
/// daybook, half-hours and months of savings), shapes of days (a group's is that of one real home), reasons and other words made from
/// readings, learnt rules (hours of timers) and names of files.
pub const PASSED_ON: [PassedOn; 13] = [
    of_homes(
        "service_list",
        &[
            "rank",
            "home",
            "area",
            "fault",
            "problem",
            "safety",
            "worth",
            "worth_p05",
            "worth_p95",
            "probability",
            "cost_per_year",
            "cost_per_year_p05",
            "cost_per_year_p95",
            "carbon_kg_per_year",
            "bring",
            "check_first",
            "caution",
            "currency",
        ],
    ),
    of_homes(
        "homes",
        &[
            "home",
            "standing_loss_w_per_k",
            "standing_loss_w_per_k_p05",
            "standing_loss_w_per_k_p95",
            "standing_loss_reported_w_per_k",
            "standing_loss_reported_w_per_k_p05",
            "standing_loss_reported_w_per_k_p95",
            "standing_loss_kwh_per_day",
            "loss_at_45k_kwh_per_24h",
            "declared_loss_at_45k_kwh_per_24h",
            "litres_per_day",
            "energy_kwh_per_day",
            "heater_kwh_per_day",
            "heat_per_metered",
            "heat_per_metered_p05",
            "heat_per_metered_p95",
            "mean_stored_degc",
            "small_draws_per_day",
            "shower_draws_per_day",
            "bath_draws_per_day",
            "verdicts",
        ],
    ),
    of_groups(
        "habit_groups",
        "homes",
        &[
            "group",
            "homes",
            "stability",
            "verdict",
            "energy_kwh_per_day_p25",
            "energy_kwh_per_day_p50",
            "energy_kwh_per_day_p75",
        ],
    ),
    of_homes(
        "savings",
        &[
            "home",
            "outcome",
            "missing",
            "currency",
            "tariff",
            "reference",
            "days_used",
            "metered_kwh",
            "replayed_kwh",
            "reference_kwh",
            "saved_kwh",
            "saved_kwh_p05",
            "saved_kwh_p95",
            "model_error_kwh",
            "cost_metered",
            "cost_replayed",
            "cost_reference",
            "saved",
            "saved_p05",
            "saved_p95",
            "standing_charge",
            "carbon_metered_mg",
            "carbon_replayed_mg",
            "carbon_reference_mg",
            "carbon_saved_mg",
            "carbon_saved_mg_p05",
            "carbon_saved_mg_p95",
            "marginal_saved_mg",
            "service",
            "nmbe",
            "cv_rmse_daily",
            "cv_rmse_weekly",
            "verdicts",
        ],
    ),
    of_homes("savings_parts", &["home", "part", "kwh", "saved", "carbon_mg"]),
    of_groups(
        "savings_fleet",
        "homes",
        &["baseline", "statement", "unit", "value", "p05", "p95", "homes", "note"],
    ),
    of_homes(
        "savings_still_open",
        &[
            "home",
            "outcome",
            "missing",
            "paid",
            "cheapest",
            "gap",
            "emitted_mg",
            "least_mg",
            "change",
            "change_saves",
        ],
    ),
    of_groups(
        "flexible_load",
        "homes",
        &[
            "group_by",
            "group",
            "homes",
            "day_type",
            "period",
            "start",
            "direction",
            "duration_h",
            "days",
            "baseline_kw",
            "p50_kw",
            "firm_kw",
            "p50_kwh",
            "firm_kwh",
            "back_share",
            "loss_share",
            "left_share",
            "rebound_kw",
            "rebound_after_h",
            "return_parts",
            "return_rebound_kw",
            "short_share",
            "share_moved",
            "share_nothing",
            "share_comfort",
            "share_sun",
            "share_silent",
            "worth",
            "carbon_kg",
        ],
    ),
    of_homes("flexible_days", &["day", "period", "start", "direction", "duration_h", "p50_kw", "firm_kw"]),
    of_homes(
        "flexible_homes",
        &[
            "home",
            "counted",
            "area",
            "heater",
            "heater_kw",
            "set_point_degc",
            "baseline_kwh_per_day",
            "hold_off_kwh",
            "take_on_kwh",
            "short_share",
        ],
    ),
    of_groups(
        "flexible_groups",
        "counted",
        &[
            "group_by",
            "group",
            "homes",
            "counted",
            "faulty",
            "silent",
            "vacant",
            "not_metered",
            "no_volume",
            "too_little_data",
            "rated_kw",
            "diversity",
            "best_firm_kw",
            "best_firm_kw_per_home",
            "best_start",
            "outside_field_range",
        ],
    ),
    of_groups(
        "virtual_battery",
        "homes",
        &[
            "day_type",
            "start",
            "homes",
            "resting_kw",
            "charge_kw",
            "discharge_kw",
            "capacity_kwh",
            "leakage_per_h",
            "start_kwh",
            "support_share",
            "miss_rate",
        ],
    ),
    of_groups(
        "back_test",
        "homes",
        &[
            "direction",
            "duration_h",
            "homes",
            "days",
            "periods",
            "broken_share",
            "broken_share_p025",
            "broken_share_p975",
            "p50_bias",
            "crps_kw",
            "mean_kw",
            "home_events",
            "short_share",
        ],
    ),
];

/// Other names for homes and areas, and the smallest group that is told.
pub struct Aliases<'a> {
    /// Another name for a home or an area: the same for the same, and no way back without a key.
    pub of: &'a dyn Fn(&str) -> String,
    /// Homes of the register by area.
    pub homes_by_area: &'a BTreeMap<String, usize>,
    /// Fewest homes of an area or a group that is told.
    pub fewest: usize,
}

impl Aliases<'_> {
    /// An area under another name; empty where it has too few homes.
    fn area(&self, name: &str) -> String {
        let homes = self.homes_by_area.get(name).copied().unwrap_or(0);
        if name.is_empty() || homes < self.fewest { String::new() } else { (self.of)(name) }
    }
}

/// Rows of a table as they may be passed on: columns of the list alone, groups of enough homes alone, homes and areas under other names, and
/// rows of homes in the order of these, because the order of their own names would tell them.
///
/// # Errors
/// Names the table and the column that is missing or of another type.
pub fn passed_on(
    of: &PassedOn,
    batch: &RecordBatch,
    aliases: &Aliases<'_>,
) -> Result<RecordBatch, ContractError> {
    let broken = |column: &str, why: &str| ContractError::table(of.table, column, why);
    let enough = match of.homes_behind {
        None => batch.clone(),
        Some(name) => {
            let counts = batch.column_by_name(name).and_then(|c| c.as_primitive_opt::<Int64Type>());
            let counts = counts.ok_or_else(|| broken(name, "is no column of whole numbers"))?;
            let fewest = i64::try_from(aliases.fewest).unwrap_or(i64::MAX);
            let keep: BooleanArray = counts.iter().map(|n| Some(n.is_some_and(|n| n >= fewest))).collect();
            filter_record_batch(batch, &keep).map_err(|e| broken("", &e.to_string()))?
        }
    };
    let by = enough.column_by_name("group_by").and_then(|c| c.as_string_opt::<i32>().cloned());
    let schema = enough.schema();
    let (mut fields, mut columns): (Vec<_>, Vec<ArrayRef>) = (Vec::new(), Vec::new());
    for name in of.columns {
        let at = schema.index_of(name).map_err(|_| broken(name, "column is missing"))?;
        let column = enough.column(at);
        let named = |alias: &dyn Fn(usize, &str) -> String| -> Result<ArrayRef, ContractError> {
            let texts = column.as_string_opt::<i32>().ok_or_else(|| broken(name, "is no text"))?;
            let row = |(i, text): (usize, Option<&str>)| text.map(|text| alias(i, text));
            Ok(Arc::new(texts.iter().enumerate().map(row).collect::<StringArray>()))
        };
        let is_area = |i: usize| by.as_ref().is_some_and(|by| by.is_valid(i) && by.value(i) == "area");
        columns.push(match (*name, &by) {
            ("home", _) => named(&|_, text| (aliases.of)(text))?,
            ("area", _) => named(&|_, text| aliases.area(text))?,
            // A group that is told has enough counted homes, and its area more still.
            ("group", Some(_)) => {
                named(&|i, text| if is_area(i) { (aliases.of)(text) } else { text.to_owned() })?
            }
            _ => column.clone(),
        });
        fields.push(schema.fields()[at].clone());
    }
    let told = Arc::new(arrow::datatypes::Schema::new(fields));
    let batch = RecordBatch::try_new(told, columns).map_err(|e| broken("", &e.to_string()))?;
    match batch.column_by_name("home").filter(|_| batch.column_by_name("rank").is_none()) {
        None => Ok(batch),
        Some(homes) => {
            let order = sort_to_indices(homes, None, None).map_err(|e| broken("home", &e.to_string()))?;
            let sorted = batch.columns().iter().map(|c| take(c, &order, None)).collect::<Result<Vec<_>, _>>();
            let sorted = sorted.map_err(|e| broken("", &e.to_string()))?;
            RecordBatch::try_new(batch.schema(), sorted).map_err(|e| broken("", &e.to_string()))
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use arrow::datatypes::DataType;

    use super::*;
    use crate::flexible_tables::{
        BackTestRow, BatteryRow, FlexibleDayRow, FlexibleGroupRow, FlexibleHomeRow, FlexibleRow,
    };
    use crate::habit_tables::GroupRow;
    use crate::results::{HomeRow, VisitRow};
    use crate::savings_tables::{SavingFleetRow, SavingPartRow, SavingRow, StillOpenRow};
    use crate::table::{ColumnDoc, Table};

    fn all() -> Vec<(&'static str, Vec<ColumnDoc>)> {
        fn of<T: Table>() -> (&'static str, Vec<ColumnDoc>) {
            (T::NAME, T::columns())
        }
        vec![
            of::<VisitRow>(),
            of::<HomeRow>(),
            of::<GroupRow>(),
            of::<SavingRow>(),
            of::<SavingPartRow>(),
            of::<SavingFleetRow>(),
            of::<StillOpenRow>(),
            of::<FlexibleRow>(),
            of::<FlexibleDayRow>(),
            of::<FlexibleHomeRow>(),
            of::<FlexibleGroupRow>(),
            of::<BatteryRow>(),
            of::<BackTestRow>(),
        ]
    }

    #[test]
    fn what_passes_is_there_and_has_no_time_of_a_home() {
        let tables = all();
        let names: BTreeSet<&str> = tables.iter().map(|t| t.0).collect();
        assert_eq!(names, PASSED_ON.iter().map(|p| p.table).collect());
        for (table, columns) in &tables {
            let of = PASSED_ON.iter().find(|p| p.table == *table).unwrap();
            for name in of.columns {
                let doc = columns.iter().find(|c| c.name == *name);
                let doc = doc.unwrap_or_else(|| panic!("{table} has no column {name}"));
                let is_time = matches!(doc.data_type, DataType::Timestamp(..) | DataType::Date32)
                    || matches!(doc.data_type, DataType::List(_));
                // Days and half-hours of offers are those to come, and of sums over a fleet.
                assert!(!is_time || *table == "flexible_days", "{table}.{name} tells when");
            }
            assert!(of.homes_behind.is_none_or(|name| of.columns.contains(&name)), "{table}");
            let of_one = of.columns.contains(&"home") || *table == "flexible_days";
            assert_eq!(of.homes_behind.is_none(), of_one, "{table}");
        }
    }

    fn home(name: &str, area: &str) -> FlexibleHomeRow {
        FlexibleHomeRow {
            home: name.to_owned(),
            counted: true,
            why_not: String::new(),
            area: area.to_owned(),
            heater: "element".to_owned(),
            heater_kw: None,
            set_point_degc: None,
            baseline_kwh_per_day: None,
            hold_off_kwh: None,
            hold_off_start: "06:30".to_owned(),
            take_on_kwh: None,
            take_on_start: String::new(),
            short_share: None,
        }
    }

    fn texts(batch: &RecordBatch, column: &str) -> Vec<String> {
        let column = batch.column_by_name(column).unwrap().as_string::<i32>();
        column.iter().map(|t| t.unwrap().to_owned()).collect()
    }

    #[test]
    fn homes_have_other_names_and_another_order() {
        let alias = |name: &str| format!("{}!", name.chars().rev().collect::<String>());
        let by_area = BTreeMap::from([("north".to_owned(), 12), ("south".to_owned(), 2)]);
        let aliases = Aliases { of: &alias, homes_by_area: &by_area, fewest: 10 };
        let of = PASSED_ON.iter().find(|p| p.table == "flexible_homes").unwrap();
        let rows = vec![home("a2", "north"), home("b1", "south"), home("c0", "")];
        let told = passed_on(of, &FlexibleHomeRow::to_batch(rows).unwrap(), &aliases).unwrap();
        assert_eq!(texts(&told, "home"), ["0c!", "1b!", "2a!"]);
        assert_eq!(texts(&told, "area"), ["", "", "htron!"]);
        assert!(told.column_by_name("hold_off_start").is_none());
    }

    #[test]
    fn small_groups_are_not_told() {
        let row = |statement: &str, homes| SavingFleetRow {
            baseline: "A".to_owned(),
            statement: statement.to_owned(),
            unit: String::new(),
            value: Some(1.0),
            p05: None,
            p95: None,
            homes,
            note: String::new(),
        };
        let by_area = BTreeMap::new();
        let aliases = Aliases { of: &str::to_owned, homes_by_area: &by_area, fewest: 10 };
        let of = PASSED_ON.iter().find(|p| p.table == "savings_fleet").unwrap();
        let rows = vec![row("of many", 10), row("of few", 9)];
        let told = passed_on(of, &SavingFleetRow::to_batch(rows).unwrap(), &aliases).unwrap();
        assert_eq!(texts(&told, "statement"), ["of many"]);
    }
}
