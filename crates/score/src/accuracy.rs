//! How well cylinders are read, condition by condition: tables of figures, each with its interval and its bar.

mod amounts;
mod habits;
mod losses;
mod stored;

use crate::bar::Figure;
use crate::bootstrap::LEAST_HOMES;
use crate::home_score::HomeScore;

/// One way in which the data came, with the score of every home under it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Condition {
    /// Words for it.
    pub label: String,
    /// Number of probes that every home of the condition has; `None` where each has its own.
    pub probes: Option<usize>,
    /// Minutes between rows.
    pub cadence_min: u32,
    /// What heats its cylinders, which sets the bars.
    pub heating: Heating,
    /// Scores, one a home.
    pub homes: Vec<HomeScore>,
}

/// What heats the cylinders of a condition.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Heating {
    /// Elements inside the cylinder.
    #[default]
    Element,
    /// Something else whose heat is metered.
    Metered,
    /// Something else whose heat is not metered.
    Unmetered,
}

/// All conditions of one set of fleets.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Accuracy {
    /// What fleets they are.
    pub title: String,
    /// Where they come from, in a sentence or two.
    pub origin: String,
    /// Whether there are homes enough to hold coverage itself against its band, not only its interval.
    pub strict: bool,
    /// The conditions.
    pub conditions: Vec<Condition>,
}

/// One table: a row a condition and class of probes.
#[derive(Clone, Debug, PartialEq)]
pub struct FigureTable {
    /// What it tells.
    pub title: &'static str,
    /// Which homes, and how a figure is made.
    pub note: &'static str,
    /// Names of the figures.
    pub columns: Vec<&'static str>,
    /// The rows.
    pub rows: Vec<FigureRow>,
}

/// One row of a table.
#[derive(Clone, Debug, PartialEq)]
pub struct FigureRow {
    /// Condition, and class of probes where the condition has several.
    pub label: String,
    /// Homes behind the row.
    pub homes: usize,
    /// The figures, in the order of the columns.
    pub figures: Vec<Figure>,
}

impl Accuracy {
    /// All tables; one that has no row is left out.
    #[must_use]
    pub fn tables(&self) -> Vec<FigureTable> {
        let mut tables = vec![
            losses::by_surroundings(self, true),
            losses::by_surroundings(self, false),
            losses::intervals(self),
            amounts::days(self),
            amounts::groups(self),
            habits::vacancy(self),
            habits::quantiles(self),
            stored::usable(self),
        ];
        tables.retain(|t| !t.rows.is_empty());
        tables
    }

    /// How many figures with a bar reach it, and how many have one.
    #[must_use]
    pub fn bars(&self) -> (usize, usize) {
        let tables = self.tables();
        let judged: Vec<bool> = tables
            .iter()
            .flat_map(|t| &t.rows)
            .flat_map(|r| &r.figures)
            .filter_map(Figure::reached)
            .collect();
        (judged.iter().filter(|reached| **reached).count(), judged.len())
    }

    /// A row for every condition and class of probes that has a home which belongs in the table. A row of fewer than
    /// [`LEAST_HOMES`] homes is shown and held against no bar.
    fn rows(
        &self,
        classes: &[ProbeClass],
        belongs: impl Fn(&HomeScore) -> bool,
        figures: impl Fn(&[&HomeScore], &Condition, ProbeClass) -> Vec<Figure>,
    ) -> Vec<FigureRow> {
        let mut rows = Vec::new();
        for condition in &self.conditions {
            for &class in classes {
                let homes: Vec<&HomeScore> =
                    condition.homes.iter().filter(|h| class.holds(h.probes) && belongs(h)).collect();
                if homes.is_empty() {
                    continue;
                }
                let label = match condition.probes {
                    Some(_) => condition.label.clone(),
                    None => format!("{}, {}", condition.label, class.label),
                };
                let mut figures = figures(&homes, condition, class);
                if homes.len() < LEAST_HOMES {
                    figures.iter_mut().for_each(|f| f.bar = None);
                }
                rows.push(FigureRow { label, homes: homes.len(), figures });
            }
        }
        rows
    }
}

/// Cylinders that are judged alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct ProbeClass {
    label: &'static str,
    least: usize,
    most: usize,
}

impl ProbeClass {
    const fn new(label: &'static str, least: usize, most: usize) -> Self {
        Self { label, least, most }
    }

    fn holds(self, probes: usize) -> bool {
        (self.least..=self.most).contains(&probes)
    }
}

/// Classes that most bars speak of.
const CLASSES: [ProbeClass; 3] = [
    ProbeClass::new("3 probes or more", 3, usize::MAX),
    ProbeClass::new("2 probes", 2, 2),
    ProbeClass::new("1 probe", 1, 1),
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::home_score::LossErrors;

    fn home(probes: usize, error: Option<f64>) -> HomeScore {
        let loss =
            LossErrors { w_per_k: error, kwh_per_day: error, covered: error.map(|e| e < 0.1), width: None };
        HomeScore {
            probes,
            room_measured: true,
            loss: Some(loss),
            undetected_per_hour: Some(0.1),
            ..HomeScore::default()
        }
    }

    fn accuracy(homes: Vec<HomeScore>) -> Accuracy {
        let condition =
            Condition { label: "as exported".to_owned(), cadence_min: 5, homes, ..Condition::default() };
        Accuracy { conditions: vec![condition], ..Accuracy::default() }
    }

    #[test]
    fn a_row_for_each_class_that_has_homes() {
        let of_six = (0..6).map(|i| home(6, Some(0.01 * f64::from(i))));
        let accuracy = accuracy(of_six.chain([home(2, Some(0.07)), home(6, None)]).collect());
        let tables = accuracy.tables();
        assert_eq!(tables.len(), 2, "{tables:#?}");
        let rows = &tables[0].rows;
        assert_eq!(rows[0].label, "as exported, 3 probes or more");
        assert_eq!((rows[0].homes, rows[0].figures[0].cases, rows[0].figures[0].abstained), (7, 6, 1));
        assert_eq!(rows[0].figures[0].value, Some(0.025));
        assert_eq!(rows[0].figures[0].reached(), Some(true));
        // One home reaches nothing and misses nothing.
        assert_eq!((rows[1].figures[0].reached(), rows[1].figures[0].value), (None, Some(0.07)));
    }

    #[test]
    fn coverage_is_strict_only_where_homes_are_many() {
        let homes: Vec<HomeScore> = (0..20).map(|i| home(4, Some(if i < 16 { 0.0 } else { 0.2 }))).collect();
        let coverage = |strict: bool| {
            let accuracy = Accuracy { strict, ..accuracy(homes.clone()) };
            accuracy.tables()[1].rows[0].figures[2].reached()
        };
        assert_eq!((coverage(true), coverage(false)), (Some(false), Some(true)));
    }
}
