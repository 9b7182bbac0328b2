//! The log of visits.

use std::path::Path;

use drawoff_contract::ContractError;
use drawoff_contract::mapping::VisitsMapping;
use drawoff_contract::mapping_small::{finding_hint, is_finding};
use drawoff_contract::small_tables::VisitLogRow;

use super::Small;
use super::lines::{Layout, Line, lines};

/// Longest visit, minutes: a day.
const LONGEST_MIN: f64 = 1440.0;

/// Reads a log of visits, in the order of the file; an empty one is no problem.
///
/// # Errors
/// When the file cannot be read, or mapped columns are missing.
pub fn read_visits(path: &Path, mapping: &VisitsMapping) -> Result<Small<VisitLogRow>, ContractError> {
    let layout = Layout {
        section: "visits",
        key: "inputs.visits",
        separator: mapping.separator,
        decimal: mapping.decimal,
        columns: mapping.columns(),
    };
    let lines = lines(path, layout)?;
    let mut small = Small { rows: Vec::new(), problems: lines.broken.clone(), remarks: Vec::new() };
    for line in lines.rows() {
        match row(&line, mapping) {
            Ok(row) if small.rows.contains(&row) => {
                small.problems.push(line.problem("the same visit is given a second time"));
            }
            Ok(row) => small.rows.push(row),
            Err(message) => small.problems.push(line.problem(&message)),
        }
    }
    Ok(small)
}

fn row(line: &Line<'_>, m: &VisitsMapping) -> Result<VisitLogRow, String> {
    let home = line.need(&m.home)?.to_owned();
    let date = line.day(&m.date)?.ok_or_else(|| format!("column `{}`: the cell is empty", m.date))?;
    let word = line.need(&m.finding)?;
    let finding = m.words.get(word).map_or(word, String::as_str);
    if !is_finding(finding) {
        let hint = finding_hint(finding);
        return Err(format!("column `{}`: `{word}` is no finding; {hint}", m.finding));
    }
    let minutes = m.minutes.as_ref().map_or(Ok(None), |c| line.number(c))?;
    if let Some(minutes) = minutes.filter(|m| !(0.0..=LONGEST_MIN).contains(m)) {
        return Err(format!("{minutes} minutes on site are not between 0 and {LONGEST_MIN}"));
    }
    let parts = m.parts.as_ref().and_then(|c| line.text(c)).unwrap_or_default().to_owned();
    Ok(VisitLogRow { home, date, finding: finding.to_owned(), parts, minutes })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::testing::{strings, write_parquet, write_text};
    use arrow::array::{Int32Array, TimestampMillisecondArray};
    use drawoff_contract::Day;
    use std::sync::Arc;

    #[test]
    fn bad_rows_are_named_and_the_rest_is_kept() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("visits.csv");
        write_text(
            &path,
            "home,date,finding,parts,minutes\n\
             a,2026-03-20,element_open,\"element, gasket\",75\n\
             a,2026-03-20,element_open,\"element, gasket\",75\n\
             b,2026-03-21,nothing_found,,\n\
             ,2026-03-21,other,,\n\
             c,21/03/2026,other,,\n\
             d,2026-03-22,renewed,,20\n\
             e,2026-03-22,leak_stedy,,20\n\
             f,2026-03-22,other,,9000\n",
        );
        let words = [("renewed".to_owned(), "element_half".to_owned())].into();
        let small = read_visits(&path, &VisitsMapping { words, ..VisitsMapping::default() }).unwrap();
        let kept: Vec<_> = small.rows.iter().map(|r| (r.home.as_str(), r.finding.as_str())).collect();
        assert_eq!(kept, [("a", "element_open"), ("b", "nothing_found"), ("d", "element_half")]);
        assert_eq!((small.rows[0].parts.as_str(), small.rows[0].minutes), ("element, gasket", Some(75.0)));
        let problems: Vec<String> = small.problems.iter().map(ToString::to_string).collect();
        for (problem, part) in problems.iter().zip([
            "line 3: the same visit is given a second time",
            "line 5: column `home`: the cell is empty",
            "line 6: column `date`: `21/03/2026` is no day like 2026-03-29",
            "line 8: column `finding`: `leak_stedy` is no finding; did you mean `leak_steady`?",
            "line 9: 9000 minutes on site",
        ]) {
            assert!(problem.contains(part), "{part} is not in {problem}");
        }
        assert_eq!(problems.len(), 5);
    }

    #[test]
    fn parquet_with_days_as_timestamps() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("visits.parquet");
        let days = vec![20_541 * 86_400_000, 20_542 * 86_400_000 + 3_600_000];
        write_parquet(
            &path,
            vec![
                ("home", strings(&["a", "b"])),
                ("date", Arc::new(TimestampMillisecondArray::from(days))),
                ("finding", strings(&["other", "other"])),
                ("parts", strings(&["", ""])),
                ("minutes", Arc::new(Int32Array::from(vec![None, Some(30)]))),
            ],
            10,
        );
        let small = read_visits(&path, &VisitsMapping::default()).unwrap();
        assert_eq!((small.rows.len(), small.rows[0].date), (1, Day(20_541)));
        assert!(small.problems[0].to_string().contains("row 2: column `date`"), "{small:?}");
    }

    #[test]
    fn an_empty_log_is_a_log() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("visits.csv");
        write_text(&path, "home,date,finding,parts,minutes\n");
        assert_eq!(read_visits(&path, &VisitsMapping::default()).unwrap().rows, []);
        let error = read_visits(&dir.path().join("none.csv"), &VisitsMapping::default()).unwrap_err();
        assert!(error.to_string().contains("check `inputs.visits`"), "{error}");
    }
}
