//! How one value of a table row is laid out in an Arrow column, and read back.

use std::sync::Arc;

use arrow::array::{
    Array, ArrayRef, AsArray, BinaryArray, BooleanArray, Date32Array, Float32Builder, Float64Array,
    Int64Array, Int64Builder, ListBuilder, StringArray, TimestampMillisecondArray,
};
use arrow::datatypes::{
    DataType, Date32Type, Field, Float32Type, Float64Type, Int64Type, TimeUnit, TimestampMillisecondType,
};

/// An instant in UTC, in milliseconds since 1970-01-01T00:00Z.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Utc(pub i64);

/// A calendar day, in days since 1970-01-01; which zone it belongs to is said by the column.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Day(pub i32);

/// Money in millionths of the main currency unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Money(pub i64);

/// A value that a table column can hold.
pub trait Cell: Sized {
    /// Arrow type of the column.
    fn data_type() -> DataType;
    /// Whether the column may hold nulls.
    const NULLABLE: bool;
    /// Lays the values of all rows out as one column.
    fn column(values: Vec<Self>) -> ArrayRef;
    /// Reads row `i` of a column; `None` when the column is of another type, or null where no null is allowed.
    fn read(column: &dyn Array, i: usize) -> Option<Self>;
}

impl Cell for String {
    fn data_type() -> DataType {
        DataType::Utf8
    }
    const NULLABLE: bool = false;
    fn column(values: Vec<Self>) -> ArrayRef {
        Arc::new(StringArray::from(values))
    }
    fn read(column: &dyn Array, i: usize) -> Option<Self> {
        let strings = column.as_string_opt::<i32>()?;
        (!strings.is_null(i)).then(|| strings.value(i).to_owned())
    }
}

impl Cell for Option<String> {
    fn data_type() -> DataType {
        DataType::Utf8
    }
    const NULLABLE: bool = true;
    fn column(values: Vec<Self>) -> ArrayRef {
        Arc::new(StringArray::from(values))
    }
    fn read(column: &dyn Array, i: usize) -> Option<Self> {
        let strings = column.as_string_opt::<i32>()?;
        Some((!strings.is_null(i)).then(|| strings.value(i).to_owned()))
    }
}

impl Cell for bool {
    fn data_type() -> DataType {
        DataType::Boolean
    }
    const NULLABLE: bool = false;
    fn column(values: Vec<Self>) -> ArrayRef {
        Arc::new(BooleanArray::from(values))
    }
    fn read(column: &dyn Array, i: usize) -> Option<Self> {
        let flags = column.as_boolean_opt()?;
        (!flags.is_null(i)).then(|| flags.value(i))
    }
}

macro_rules! primitive_cell {
    ($rust:ty, $arrow:ty, $array:ty, $data_type:expr, $wrap:expr, $unwrap:expr, $tz:expr) => {
        impl Cell for $rust {
            fn data_type() -> DataType {
                $data_type
            }
            const NULLABLE: bool = false;
            fn column(values: Vec<Self>) -> ArrayRef {
                let array: $array = values.into_iter().map(|v| Some($unwrap(v))).collect();
                Arc::new($tz(array))
            }
            fn read(column: &dyn Array, i: usize) -> Option<Self> {
                let array = column.as_primitive_opt::<$arrow>()?;
                (!array.is_null(i)).then(|| $wrap(array.value(i)))
            }
        }
        impl Cell for Option<$rust> {
            fn data_type() -> DataType {
                $data_type
            }
            const NULLABLE: bool = true;
            fn column(values: Vec<Self>) -> ArrayRef {
                let array: $array = values.into_iter().map(|v| v.map($unwrap)).collect();
                Arc::new($tz(array))
            }
            fn read(column: &dyn Array, i: usize) -> Option<Self> {
                let array = column.as_primitive_opt::<$arrow>()?;
                Some((!array.is_null(i)).then(|| $wrap(array.value(i))))
            }
        }
    };
}

fn same<T>(array: T) -> T {
    array
}

primitive_cell!(f64, Float64Type, Float64Array, DataType::Float64, |v| v, |v| v, same);
primitive_cell!(i64, Int64Type, Int64Array, DataType::Int64, |v| v, |v| v, same);
primitive_cell!(Money, Int64Type, Int64Array, DataType::Int64, Money, |m: Money| m.0, same);
primitive_cell!(Day, Date32Type, Date32Array, DataType::Date32, Day, |d: Day| d.0, same);
primitive_cell!(
    Utc,
    TimestampMillisecondType,
    TimestampMillisecondArray,
    DataType::Timestamp(TimeUnit::Millisecond, Some("UTC".into())),
    Utc,
    |t: Utc| t.0,
    |a: TimestampMillisecondArray| a.with_timezone("UTC")
);

impl Cell for Option<bool> {
    fn data_type() -> DataType {
        DataType::Boolean
    }
    const NULLABLE: bool = true;
    fn column(values: Vec<Self>) -> ArrayRef {
        Arc::new(BooleanArray::from(values))
    }
    fn read(column: &dyn Array, i: usize) -> Option<Self> {
        let flags = column.as_boolean_opt()?;
        Some((!flags.is_null(i)).then(|| flags.value(i)))
    }
}

/// A list of numbers, one per probe or half-hour; NaN is stored as null.
impl Cell for Vec<f32> {
    fn data_type() -> DataType {
        DataType::List(Arc::new(Field::new("item", DataType::Float32, true)))
    }
    const NULLABLE: bool = false;
    fn column(values: Vec<Self>) -> ArrayRef {
        let mut builder = ListBuilder::new(Float32Builder::new());
        for list in values {
            for v in list {
                builder.values().append_option((!v.is_nan()).then_some(v));
            }
            builder.append(true);
        }
        Arc::new(builder.finish())
    }
    fn read(column: &dyn Array, i: usize) -> Option<Self> {
        let lists = column.as_list_opt::<i32>()?;
        if lists.is_null(i) {
            return None;
        }
        let inner = lists.value(i);
        let items = inner.as_primitive_opt::<Float32Type>()?;
        Some(items.iter().map(|v| v.unwrap_or(f32::NAN)).collect())
    }
}

/// A list of counts.
impl Cell for Vec<i64> {
    fn data_type() -> DataType {
        DataType::List(Arc::new(Field::new("item", DataType::Int64, true)))
    }
    const NULLABLE: bool = false;
    fn column(values: Vec<Self>) -> ArrayRef {
        let mut builder = ListBuilder::new(Int64Builder::new());
        for list in values {
            builder.values().append_slice(&list);
            builder.append(true);
        }
        Arc::new(builder.finish())
    }
    fn read(column: &dyn Array, i: usize) -> Option<Self> {
        let lists = column.as_list_opt::<i32>()?;
        if lists.is_null(i) {
            return None;
        }
        Some(lists.value(i).as_primitive_opt::<Int64Type>()?.values().to_vec())
    }
}

/// Bytes that only their writer can read.
impl Cell for Vec<u8> {
    fn data_type() -> DataType {
        DataType::Binary
    }
    const NULLABLE: bool = false;
    fn column(values: Vec<Self>) -> ArrayRef {
        Arc::new(values.iter().map(|bytes| Some(bytes.as_slice())).collect::<BinaryArray>())
    }
    fn read(column: &dyn Array, i: usize) -> Option<Self> {
        let bytes = column.as_binary_opt::<i32>()?;
        (!bytes.is_null(i)).then(|| bytes.value(i).to_vec())
    }
}
