//! The accuracy tables as JSON.

use serde_json::{Map, Value, json};

use crate::accuracy::{Accuracy, FigureRow, FigureTable};
use crate::bar::Figure;

impl Accuracy {
    /// All tables with sorted keys; fractions stay fractions, and a figure without cases is null.
    #[must_use]
    pub fn to_json(&self) -> Value {
        let tables: Vec<Value> = self.tables().iter().map(table_json).collect();
        json!({"title": self.title, "origin": self.origin, "tables": tables})
    }
}

fn table_json(table: &FigureTable) -> Value {
    let rows: Vec<Value> = table.rows.iter().map(|row| row_json(row, &table.columns)).collect();
    json!({"title": table.title, "note": table.note, "rows": rows})
}

fn row_json(row: &FigureRow, columns: &[&str]) -> Value {
    let figures: Map<String, Value> =
        columns.iter().zip(&row.figures).map(|(name, f)| ((*name).to_owned(), figure_json(f))).collect();
    json!({"label": row.label, "homes": row.homes, "figures": figures})
}

fn figure_json(figure: &Figure) -> Value {
    json!({
        "value": figure.value,
        "interval_95": figure.interval.map(|(low, high)| [low, high]),
        "cases": figure.cases,
        "abstained": figure.abstained,
        "bar": figure.bar_text(),
        "reached": figure.reached(),
    })
}
