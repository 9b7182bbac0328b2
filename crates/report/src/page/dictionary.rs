//! What the columns of the result files mean, from the tables' own declarations.

use drawoff_contract::Table;
use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::flexible_tables::{
    BackTestRow, BatteryRow, FlexibleDayRow, FlexibleGroupRow, FlexibleHomeRow, FlexibleRow,
};
use drawoff_contract::habit_tables::{ChangeRow, GroupRow, HabitRow, HourChangeRow, RateRow, VacancyRow};
use drawoff_contract::news_table::NewsRow;
use drawoff_contract::plan_tables::{LearningRow, PeerRow, RingRow, RoundRow, StoryRow, VanRow};
use drawoff_contract::results::{
    CoolingRow, CylinderRow, DayRow, DrawOffRow, EvidenceRow, FileRow, FindingRow, HomeRow, LeftOffRow,
    QualityRow, VisitRow,
};
use drawoff_contract::savings_tables::{
    BeforeAfterRow, SavingFleetRow, SavingHalfHourRow, SavingMonthRow, SavingPartRow, SavingRow, StillOpenRow,
};
use drawoff_contract::small_tables::VisitLogRow;

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
    out.push_str(&table::<CylinderRow>(false));
    out.push_str(&table::<CoolingRow>(false));
    out.push_str(&table::<QualityRow>(false));
    out.push_str(&table::<FileRow>(false));
    out.push_str(&table::<EvidenceRow>(false));
    out.push_str("</section>\n");
    out
}

/// Every table that any run leaves behind, the service list open.
pub(crate) fn all() -> String {
    let mut out = String::from(
        "<section id=\"columns\" aria-labelledby=\"columns-h\">\n<h2 id=\"columns-h\">Tables of a service list</h2>\n\
         <p>Every table is a Parquet file of its name, and each column carries unit and description in its field metadata; some are \
         written as CSV and JSON too. Money is whole millionths of the currency unit in Parquet, and main units in CSV and JSON. Instants are \
         UTC, days are local calendar days of the home.</p>\n",
    );
    out.push_str(&table::<VisitRow>(true));
    out.push_str(&table::<LeftOffRow>(false));
    out.push_str(&table::<NewsRow>(false));
    out.push_str(&table::<RingRow>(false));
    out.push_str(&table::<RoundRow>(false));
    out.push_str(&table::<VanRow>(false));
    out.push_str(&table::<FindingRow>(false));
    out.push_str(&table::<StoryRow>(false));
    out.push_str(&table::<PeerRow>(false));
    out.push_str(&table::<LearningRow>(false));
    out.push_str(&table::<VisitLogRow>(false));
    out.push_str(&table::<HomeRow>(false));
    out.push_str(&table::<DayRow>(false));
    out.push_str(&table::<DrawOffRow>(false));
    out.push_str(&table::<CylinderRow>(false));
    out.push_str(&table::<CoolingRow>(false));
    out.push_str(&table::<VacancyRow>(false));
    out.push_str(&table::<RateRow>(false));
    out.push_str(&table::<HabitRow>(false));
    out.push_str(&table::<ChangeRow>(false));
    out.push_str(&table::<HourChangeRow>(false));
    out.push_str(&table::<GroupRow>(false));
    out.push_str(&table::<QualityRow>(false));
    out.push_str(&table::<FileRow>(false));
    out.push_str(&table::<EvidenceRow>(false));
    out.push_str("<h2>The daybook</h2>\n<p>What everything else was worked out from.</p>\n");
    out.push_str(&table::<DayNote>(false));
    out.push_str(&table::<SpellNote>(false));
    out.push_str(&table::<DrawNote>(false));
    out.push_str("<h2>Tables of a run on savings</h2>\n");
    out.push_str(&table::<SavingRow>(false));
    out.push_str(&table::<SavingHalfHourRow>(false));
    out.push_str(&table::<SavingPartRow>(false));
    out.push_str(&table::<SavingMonthRow>(false));
    out.push_str(&table::<SavingFleetRow>(false));
    out.push_str(&table::<BeforeAfterRow>(false));
    out.push_str(&table::<StillOpenRow>(false));
    out.push_str("<h2>Tables of a run on flexible load</h2>\n");
    out.push_str(&table::<FlexibleRow>(false));
    out.push_str(&table::<FlexibleDayRow>(false));
    out.push_str(&table::<FlexibleHomeRow>(false));
    out.push_str(&table::<FlexibleGroupRow>(false));
    out.push_str(&table::<BatteryRow>(false));
    out.push_str(&table::<BackTestRow>(false));
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
