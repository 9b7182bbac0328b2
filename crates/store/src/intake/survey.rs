//! What each file holds, told from its metadata: columns, pieces that can be decoded alone, and whose rows lie in them.

use std::ops::Range;
use std::sync::Arc;

use arrow::datatypes::{DataType, Field, Schema};
use drawoff_contract::ContractError;
use drawoff_contract::mapping::ReadingsMapping;
use parquet::arrow::arrow_reader::{ArrowReaderMetadata, ArrowReaderOptions};
use parquet::file::metadata::RowGroupMetaData;
use parquet::file::statistics::Statistics;

use crate::intake::file;
use crate::intake::names::packed_names;
use crate::intake::open::Opened;
use crate::intake::source::Source;

/// Rows of a file that does not tell their number: bytes of a short line of text.
const BYTES_A_ROW: u64 = 40;

/// One file, before any row of it is read.
#[derive(Debug)]
pub(crate) struct Survey {
    /// For each mapped value column whether the file has it, or all that is wrong with its columns.
    pub(crate) columns: Result<Vec<bool>, Vec<ContractError>>,
    /// Metadata of a Parquet file, read once.
    pub(crate) metadata: Option<ArrowReaderMetadata>,
    /// Pieces in file order: row groups, runs of homes in one (see [`crate::intake::runs`]), or the whole file.
    pub(crate) pieces: Vec<Piece>,
}

/// A part of a file that can be decoded without the rest.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Piece {
    /// Row group of a Parquet file, else 0.
    pub(crate) group: usize,
    /// First row in its row group.
    pub(crate) first: u64,
    /// Rows, as far as the file tells.
    pub(crate) rows: u64,
    /// Lowest and highest home in it; `None` where nothing tells.
    pub(crate) homes: Option<(String, String)>,
}

impl Piece {
    /// Its rows in a row group of `all` rows.
    pub(crate) fn range(&self, all: usize) -> Range<usize> {
        let first = usize::try_from(self.first).unwrap_or(all).min(all);
        first..usize::try_from(self.first.saturating_add(self.rows)).unwrap_or(all).min(all)
    }
}

impl Survey {
    /// Looks at one file. What is wrong with it stands in `columns`.
    pub(crate) fn of(source: &Source, mapping: &ReadingsMapping) -> Self {
        match file::look(source, mapping) {
            Ok((columns, opened)) => Self {
                columns: Ok(columns),
                pieces: pieces(source, &opened, &mapping.home),
                metadata: opened.metadata().map(with_packed_texts),
            },
            Err(problems) => Self { columns: Err(problems), metadata: None, pieces: Vec::new() },
        }
    }

    /// A file that is known not to be readable.
    pub(crate) fn damaged(problem: ContractError) -> Self {
        Self { columns: Err(vec![problem]), metadata: None, pieces: Vec::new() }
    }
}

/// The same file with its columns of texts read as numbers into a list of texts, as they mostly lie in the file: that spares a
/// text for every row, and keeps one long text that many rows share from being written out for each.
pub(crate) fn with_packed_texts(metadata: &ArrowReaderMetadata) -> ArrowReaderMetadata {
    let packed = |field: &Arc<Field>| match field.data_type() {
        DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View => {
            Arc::new(Field::clone(field).with_data_type(packed_names()))
        }
        _ => field.clone(),
    };
    let schema = Schema::new(metadata.schema().fields().iter().map(packed).collect::<Vec<_>>());
    let options = ArrowReaderOptions::new().with_schema(Arc::new(schema));
    // Whoever refuses the hint reads texts.
    ArrowReaderMetadata::try_new(metadata.metadata().clone(), options).unwrap_or_else(|_| metadata.clone())
}

fn pieces(source: &Source, opened: &Opened<'_>, home: &str) -> Vec<Piece> {
    let folder = opened.folder_value(home).filter(|_| !opened.has_own_column(home));
    let of_folder = folder.map(|name| (name.to_owned(), name.to_owned()));
    let Some(metadata) = opened.metadata() else {
        let bytes = source.bytes();
        return vec![Piece { group: 0, first: 0, rows: bytes / BYTES_A_ROW + 1, homes: of_folder }];
    };
    let groups = metadata.metadata().row_groups().iter().enumerate();
    groups
        .map(|(number, group)| Piece {
            group: number,
            first: 0,
            rows: u64::try_from(group.num_rows()).unwrap_or(0),
            homes: of_folder.clone().or_else(|| range(group, home)),
        })
        .collect()
}

/// Lowest and highest home of a row group as its statistics give them.
///
/// Whole numbers are in another order than their texts, so they say something only where all are the same. A text that was
/// cut short is made larger by its writer where it is the highest, so the true ones always lie within.
fn range(group: &RowGroupMetaData, home: &str) -> Option<(String, String)> {
    let column = group.columns().iter().find(|c| {
        let path = c.column_path().parts();
        path.len() == 1 && path[0] == home
    })?;
    // Without them a row that names no home could hide anywhere; with them, its row group is known to be read once.
    match column.statistics()? {
        Statistics::ByteArray(s) => {
            let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).ok();
            Some((text(s.min_opt()?.data())?, text(s.max_opt()?.data())?))
        }
        Statistics::Int32(s) => only(*s.min_opt()?, *s.max_opt()?),
        Statistics::Int64(s) => only(*s.min_opt()?, *s.max_opt()?),
        _ => None,
    }
}

fn only<T: PartialEq + ToString>(least: T, most: T) -> Option<(String, String)> {
    (least == most).then(|| (least.to_string(), most.to_string()))
}
