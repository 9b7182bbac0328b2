//! What the columns of the result files mean, from the tables' own declarations.

use drawoff_contract::Table;
use drawoff_contract::plan_tables::{LearningRow, PeerRow, RingRow, RoundRow, StoryRow, VanRow};
use drawoff_contract::results::{
    DayRow, DrawOffRow, EvidenceRow, FileRow, FindingRow, HomeRow, QualityRow, VisitRow,
};

use crate::{text, values};

/// All tables, the service list first and open.
pub(super) fn section() -> String {
    let mut out = String::from(
        "<section id=\"columns\" aria-labelledby=\"columns-h\">\n<h2 id=\"columns-h\">What the columns mean</h2>\n\
         <p>The same tables are written as Parquet, CSV and JSON. Money is whole millionths of the currency unit in \
         Parquet, and main units in CSV and JSON. Instants are UTC.</p>\n",
    );
    out.push_str(&table::<VisitRow>(true));
    out.push_str(&table::<RingRow>(false));
    out.push_str(&table::<RoundRow>(false));
    out.push_str(&table::<VanRow>(false));
    out.push_str(&table::<FindingRow>(false));
    out.push_str(&table::<StoryRow>(false));
    out.push_str(&table::<PeerRow>(false));
    out.push_str(&table::<LearningRow>(false));
    out.push_str(&table::<HomeRow>(false));
    out.push_str(&table::<DayRow>(false));
    out.push_str(&table::<DrawOffRow>(false));
    out.push_str(&table::<QualityRow>(false));
    out.push_str(&table::<FileRow>(false));
    out.push_str(&table::<EvidenceRow>(false));
    out.push_str("</section>\n");
    out
}

/// The columns of one table, folded unless `open`.
pub(crate) fn table<T: Table>(open: bool) -> String {
    let name = text::html(T::NAME);
    let mut out = format!(
        "<details{}><summary>{name}</summary>\n<dl class=\"words\">\n",
        if open { " open" } else { "" }
    );
    for column in T::columns() {
        let unit = if values::is_money(column.unit) { "money" } else { column.unit };
        let unit = if unit.is_empty() {
            String::new()
        } else {
            format!(" <span class=\"aside\">{}</span>", text::html(unit))
        };
        let null = if column.nullable { " <span class=\"aside\">May be empty.</span>" } else { "" };
        out.push_str(&format!(
            "<div><dt><code>{}</code>{unit}</dt><dd>{}{null}</dd></div>\n",
            text::html(column.name),
            text::html(column.description)
        ));
    }
    out.push_str("</dl>\n</details>\n");
    out
}
