//! Which columns a mapping needs of every file, and what is wrong with a file that lacks them.

use arrow::datatypes::{DataType, Schema};
use drawoff_contract::ContractError;
use drawoff_contract::Shape;
use drawoff_contract::mapping::{ReadingsMapping, TimeFormat};
use drawoff_contract::mapping_hint::did_you_mean;

use crate::intake::open::Opened;
use crate::intake::values::can_hold_values;

/// What a needed column is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Role {
    Name,
    Time,
    Value,
}

fn needed(mapping: &ReadingsMapping) -> Vec<(&str, Role, bool)> {
    let mut needed =
        vec![(mapping.home.as_str(), Role::Name, false), (&mapping.time_column, Role::Time, false)];
    if mapping.shape == Shape::Long {
        needed.push((&mapping.channel_column, Role::Name, false));
        needed.push((&mapping.value_column, Role::Value, false));
    }
    needed.extend(mapping.wide.iter().map(|w| (w.column.as_str(), Role::Value, w.optional)));
    needed
}

/// Names of all needed columns.
pub(crate) fn wanted(mapping: &ReadingsMapping) -> Vec<&str> {
    needed(mapping).into_iter().map(|(name, ..)| name).collect()
}

/// Everything wrong with the columns of a file.
pub(crate) fn problems(name: &str, file: &Opened<'_>, mapping: &ReadingsMapping) -> Vec<ContractError> {
    let is_own = |column: &str| file.has_own_column(column);
    problems_of(name, &file.column_names(), &|column| file.column_type(column), &is_own, mapping)
}

/// Everything wrong with the columns of a stream.
pub(crate) fn problems_of_schema(
    name: &str,
    schema: &Schema,
    mapping: &ReadingsMapping,
) -> Vec<ContractError> {
    let found: Vec<&str> = schema.fields().iter().map(|f| f.name().as_str()).collect();
    let type_of = |column: &str| schema.field_with_name(column).ok().map(|f| f.data_type().clone());
    problems_of(name, &found, &type_of, &|_| true, mapping)
}

/// `is_own`: whether a column lies in the data themselves and is not said by the name of a folder.
fn problems_of(
    name: &str,
    found: &[&str],
    type_of: &dyn Fn(&str) -> Option<DataType>,
    is_own: &dyn Fn(&str) -> bool,
    mapping: &ReadingsMapping,
) -> Vec<ContractError> {
    let mut problems = Vec::new();
    for (column, role, optional) in needed(mapping) {
        let error = |message: String| ContractError::new(format!("{name}, column `{column}`"), message);
        match type_of(column) {
            None if optional => {}
            None => {
                let hint = if found.len() == 1 {
                    format!("only the column `{}` was found: check `separator` in the mapping", found[0])
                } else {
                    let may_lack = "a value column that a file may lack needs `optional = true`";
                    format!("{} ({may_lack})", did_you_mean(column, found))
                };
                problems.push(error("the column is missing".to_owned()).with_hint(hint));
            }
            Some(_) if found.iter().filter(|f| **f == column).count() > 1 && is_own(column) => {
                let hint = "give each column a name of its own: nobody could say which of them is meant";
                problems.push(error("the file has several columns of this name".to_owned()).with_hint(hint));
            }
            Some(data_type) => {
                if let Some((message, hint)) = type_problem(&data_type, role, mapping) {
                    problems.push(error(message).with_hint(hint));
                }
            }
        }
    }
    problems
}

fn type_problem(found: &DataType, role: Role, mapping: &ReadingsMapping) -> Option<(String, String)> {
    let is_text = matches!(found, DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View);
    let is_packed_text = matches!(found, DataType::Dictionary(_, v) if matches!(**v, DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View));
    match role {
        Role::Name if is_text || is_packed_text || found.is_integer() => None,
        Role::Name => Some((
            format!("the column holds {found}, a text or whole number is needed"),
            "map another column, or export it as text".to_owned(),
        )),
        Role::Value if can_hold_values(found) => None,
        Role::Value => Some((
            format!("the column holds {found}, a number is needed"),
            "map another column, or export it as numbers".to_owned(),
        )),
        Role::Time => time_problem(found, is_text || is_packed_text, mapping),
    }
}

fn time_problem(found: &DataType, is_text: bool, mapping: &ReadingsMapping) -> Option<(String, String)> {
    let is_epoch =
        matches!(mapping.time_format, TimeFormat::EpochS | TimeFormat::EpochMs | TimeFormat::EpochUs);
    match found {
        DataType::Timestamp(_, None)
            if mapping.time_format == TimeFormat::Timestamp && mapping.zone.is_none() =>
        {
            Some((
                "the times have no zone".to_owned(),
                "say which local time it is: time = { ..., zone = \"Europe/Dublin\" }, or zone = \"UTC\""
                    .to_owned(),
            ))
        }
        DataType::Timestamp(..) if mapping.time_format == TimeFormat::Timestamp => None,
        DataType::Timestamp(..) => {
            Some((format!("the column holds {found}"), "use format = \"timestamp\"".to_owned()))
        }
        _ if is_text => None,
        _ if is_epoch && found.is_numeric() => None,
        _ if found.is_numeric() => Some((
            format!("the column holds {found}"),
            "use format = \"epoch_s\", \"epoch_ms\" or \"epoch_us\"".to_owned(),
        )),
        _ => Some((format!("the column holds {found}, a time is needed"), "map another column".to_owned())),
    }
}
