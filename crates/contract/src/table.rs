//! Tables declared once: row type, Arrow schema with units and descriptions, writing and reading.

use std::collections::HashMap;
use std::sync::Arc;

use arrow::array::{ArrayRef, RecordBatch};
use arrow::datatypes::{DataType, Field, Schema, SchemaRef};

use crate::error::ContractError;

/// What a column is, for readers and for the data dictionary.
#[derive(Clone, Debug)]
pub struct ColumnDoc {
    /// Column name.
    pub name: &'static str,
    /// Unit as printed; empty where there is none.
    pub unit: &'static str,
    /// One sentence: meaning, and what null means where null is allowed.
    pub description: &'static str,
    /// Arrow type.
    pub data_type: DataType,
    /// Whether null may occur.
    pub nullable: bool,
}

/// A row type that knows its table.
pub trait Table: Sized {
    /// Table name: the file's stem.
    const NAME: &'static str;
    /// Columns in file order.
    fn columns() -> Vec<ColumnDoc>;
    /// Lays rows out in columns, in file order.
    fn arrays(rows: Vec<Self>) -> Vec<ArrayRef>;
    /// Reads all rows of a batch, by column name; extra columns are ignored.
    ///
    /// # Errors
    /// Names the table and the column that is missing, of another type, or null where it must not be.
    fn from_batch(batch: &RecordBatch) -> Result<Vec<Self>, ContractError>;

    /// Schema with unit and description in each field's metadata.
    fn schema() -> SchemaRef {
        let fields: Vec<Field> = Self::columns()
            .into_iter()
            .map(|c| {
                Field::new(c.name, c.data_type, c.nullable).with_metadata(HashMap::from([
                    ("unit".to_owned(), c.unit.to_owned()),
                    ("description".to_owned(), c.description.to_owned()),
                ]))
            })
            .collect();
        Arc::new(Schema::new(fields))
    }

    /// All rows as one batch.
    ///
    /// # Errors
    /// Only when the row type's declaration contradicts itself.
    fn to_batch(rows: Vec<Self>) -> Result<RecordBatch, ContractError> {
        RecordBatch::try_new(Self::schema(), Self::arrays(rows))
            .map_err(|e| ContractError::table(Self::NAME, "", &e.to_string()))
    }
}

/// Declares a row type and its table: name, then fields with unit; the field's doc comment is its description.
#[macro_export]
macro_rules! table {
    (
        $(#[doc = $tdoc:literal])*
        $row:ident in $name:literal {
            $( $(#[doc = $doc:literal])* $field:ident : $ty:ty, $unit:literal; )*
        }
    ) => {
        $(#[doc = $tdoc])*
        #[derive(Clone, Debug, PartialEq)]
        pub struct $row {
            $( $(#[doc = $doc])* pub $field: $ty, )*
        }
        impl $crate::Table for $row {
            const NAME: &'static str = $name;
            fn columns() -> Vec<$crate::ColumnDoc> {
                vec![ $( $crate::ColumnDoc {
                    name: stringify!($field),
                    unit: $unit,
                    description: concat!($($doc),*).trim_ascii(),
                    data_type: <$ty as $crate::Cell>::data_type(),
                    nullable: <$ty as $crate::Cell>::NULLABLE,
                }, )* ]
            }
            fn arrays(rows: Vec<Self>) -> Vec<arrow::array::ArrayRef> {
                let n = rows.len();
                $( let mut $field: Vec<$ty> = Vec::with_capacity(n); )*
                for row in rows { $( $field.push(row.$field); )* }
                vec![ $( <$ty as $crate::Cell>::column($field), )* ]
            }
            fn from_batch(batch: &arrow::array::RecordBatch) -> Result<Vec<Self>, $crate::ContractError> {
                $( let $field = batch.column_by_name(stringify!($field))
                    .ok_or_else(|| $crate::ContractError::table($name, stringify!($field), "column is missing"))?; )*
                (0..batch.num_rows()).map(|i| Ok(Self { $(
                    $field: <$ty as $crate::Cell>::read($field.as_ref(), i)
                        .ok_or_else(|| $crate::ContractError::table($name, stringify!($field), "wrong type, or null where a value is required"))?,
                )* })).collect()
            }
        }
    };
}
