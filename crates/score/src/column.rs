//! Columns of a truth table by name, whatever width of number, string or instant the writer chose.

use arrow::array::{Array, ArrayRef, AsArray, RecordBatch};
use arrow::compute::cast;
use arrow::datatypes::{DataType, Float64Type, Int64Type, TimeUnit};
use drawoff_contract::ContractError;

/// One table that may come as several batches.
pub(crate) struct Columns<'a> {
    pub(crate) table: &'static str,
    pub(crate) batches: &'a [RecordBatch],
}

impl Columns<'_> {
    /// Numbers as f64; null becomes NaN.
    pub(crate) fn numbers(&self, name: &str) -> Result<Vec<f64>, ContractError> {
        let mut out = Vec::new();
        for column in self.cast(name, &[DataType::Float64])? {
            out.extend(column.as_primitive::<Float64Type>().iter().map(|v| v.unwrap_or(f64::NAN)));
        }
        Ok(out)
    }

    /// Numbers as [`Columns::numbers`]; none where a batch lacks the column.
    pub(crate) fn numbers_if_there(&self, name: &str) -> Result<Vec<f64>, ContractError> {
        let there = self.batches.iter().all(|b| b.column_by_name(name).is_some());
        if there { self.numbers(name) } else { Ok(Vec::new()) }
    }

    /// Text; null becomes empty.
    pub(crate) fn texts(&self, name: &str) -> Result<Vec<String>, ContractError> {
        let mut out = Vec::new();
        for column in self.cast(name, &[DataType::Utf8])? {
            out.extend(column.as_string::<i32>().iter().map(|v| v.unwrap_or_default().to_owned()));
        }
        Ok(out)
    }

    /// Text as [`Columns::texts`]; none where a batch lacks the column.
    pub(crate) fn texts_if_there(&self, name: &str) -> Result<Vec<String>, ContractError> {
        let there = self.batches.iter().all(|b| b.column_by_name(name).is_some());
        if there { self.texts(name) } else { Ok(Vec::new()) }
    }

    /// Instants or dates as UTC milliseconds.
    pub(crate) fn instants_ms(&self, name: &str) -> Result<Vec<Option<i64>>, ContractError> {
        let by_way_of = [DataType::Timestamp(TimeUnit::Millisecond, None), DataType::Int64];
        let mut out = Vec::new();
        for column in self.cast(name, &by_way_of)? {
            out.extend(column.as_primitive::<Int64Type>().iter());
        }
        Ok(out)
    }

    /// Flags; null becomes false, and so does a column that is not there.
    pub(crate) fn flags_or_false(&self, name: &str) -> Result<Vec<bool>, ContractError> {
        let mut out = Vec::new();
        for batch in self.batches {
            match batch.column_by_name(name) {
                None => out.extend(std::iter::repeat_n(false, batch.num_rows())),
                Some(column) => {
                    let flags = self.cast_one(name, column, &[DataType::Boolean])?;
                    out.extend(flags.as_boolean().iter().map(|v| v.unwrap_or(false)));
                }
            }
        }
        Ok(out)
    }

    /// The first of several names that the table has, for columns whose name differs between writers.
    pub(crate) fn first_of<'n>(&self, names: &[&'n str]) -> &'n str {
        let has = |n: &str| self.batches.iter().all(|b| b.column_by_name(n).is_some());
        names.iter().copied().find(|n| has(n)).unwrap_or(names[0])
    }

    fn cast(&self, name: &str, types: &[DataType]) -> Result<Vec<ArrayRef>, ContractError> {
        self.batches
            .iter()
            .map(|batch| {
                let column = batch
                    .column_by_name(name)
                    .ok_or_else(|| ContractError::table(self.table, name, "column is missing"))?;
                self.cast_one(name, column, types)
            })
            .collect()
    }

    fn cast_one(&self, name: &str, column: &ArrayRef, types: &[DataType]) -> Result<ArrayRef, ContractError> {
        let mut column = ArrayRef::clone(column);
        for wanted in types {
            let nulls = column.null_count();
            let found = column.data_type().clone();
            column = cast(&column, wanted).map_err(|_| {
                ContractError::table(self.table, name, &format!("{found} cannot be read as {wanted}"))
            })?;
            // A failed conversion of one value becomes null, which would read as a value that is absent.
            if column.null_count() > nulls {
                let message = format!("some values of type {found} cannot be read as {wanted}");
                return Err(ContractError::table(self.table, name, &message));
            }
        }
        Ok(column)
    }
}
