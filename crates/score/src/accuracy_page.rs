//! The accuracy tables as Markdown.

use std::fmt::{Display, Write};

use crate::accuracy::{Accuracy, FigureTable};
use crate::bar::Figure;

impl Accuracy {
    /// A section with all tables; what was not reached is listed first.
    #[must_use]
    pub fn to_markdown(&self) -> String {
        let tables = self.tables();
        let mut text = String::new();
        line(&mut text, format!("## {}\n\n{}\n", self.title, self.origin));
        summary(&mut text, &tables);
        for table in &tables {
            line(&mut text, format!("### {}\n\n{}\n", table.title, table.note));
            let heads: Vec<String> = table.columns.iter().map(|c| (*c).to_owned()).collect();
            line(&mut text, format!("| data | homes | {} |", heads.join(" | ")));
            line(&mut text, format!("|---|---:|{}", "---|".repeat(heads.len())));
            for row in &table.rows {
                let cells: Vec<String> = row.figures.iter().map(cell).collect();
                line(&mut text, format!("| {} | {} | {} |", row.label, row.homes, cells.join(" | ")));
            }
            line(&mut text, "");
        }
        text
    }
}

/// Figure, interval, and whether the bar is reached.
fn cell(figure: &Figure) -> String {
    match (figure.reached(), figure.bar_text()) {
        (Some(true), Some(bar)) => format!("{}; reached ({bar})", figure.text()),
        (Some(false), Some(bar)) => format!("{}; **not reached** ({bar})", figure.text()),
        _ => figure.text(),
    }
}

/// How many bars are reached, and a line for each figure that misses its bar under some condition.
fn summary(text: &mut String, tables: &[FigureTable]) {
    let (mut asked, mut missed) = (0_usize, 0_usize);
    let mut lines = Vec::new();
    for table in tables {
        for (i, column) in table.columns.iter().enumerate() {
            let judged = table.rows.iter().filter(|row| row.figures[i].reached().is_some());
            asked += judged.clone().count();
            let short: Vec<String> = judged
                .filter(|row| row.figures[i].reached() == Some(false))
                .map(|row| {
                    let figure = &row.figures[i];
                    format!("{}: {} ({})", row.label, figure.text(), figure.bar_text().unwrap_or_default())
                })
                .collect();
            missed += short.len();
            if !short.is_empty() {
                lines.push(format!("- {}, {column}. {}", table.title, short.join("; ")));
            }
        }
    }
    line(text, format!("{} of {asked} figures with a bar reach it.", asked - missed));
    if !lines.is_empty() {
        line(text, format!("\nNot reached:\n\n{}", lines.join("\n")));
    }
    line(text, "");
}

fn line(text: &mut String, content: impl Display) {
    // Writing to a string cannot fail.
    let _ = writeln!(text, "{content}");
}

#[cfg(test)]
mod tests {
    use crate::accuracy::{Accuracy, Condition, Heating};
    use crate::home_score::{HomeScore, LossErrors};

    #[test]
    fn what_is_missed_is_named_with_its_bar() {
        let error = |w_per_k: f64| HomeScore {
            probes: 2,
            loss: Some(LossErrors { w_per_k: Some(w_per_k), ..LossErrors::default() }),
            ..HomeScore::default()
        };
        let condition = Condition {
            label: "2 probes".to_owned(),
            probes: Some(2),
            cadence_min: 5,
            heating: Heating::Element,
            homes: [0.2, 0.3, 0.3, 0.3, 0.4].map(error).to_vec(),
        };
        let page =
            Accuracy { title: "Made up".to_owned(), conditions: vec![condition], ..Accuracy::default() }
                .to_markdown();
        assert!(page.contains("0 of 1 figures with a bar reach it."), "{page}");
        let missed =
            "- Standing loss, surroundings not measured, W/K. 2 probes: 30.0 % [20.0, 40.0] (at most 10 %)";
        assert!(page.contains(missed), "{page}");
        assert!(
            page.contains("| 2 probes | 5 | 30.0 % [20.0, 40.0]; **not reached** (at most 10 %) |"),
            "{page}"
        );
    }
}
