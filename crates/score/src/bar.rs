//! A figure with its interval, and the bar that it must reach.

use crate::wilson::Share;

/// What a figure must reach.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Bar {
    /// The figure may not be larger.
    AtMost(f64),
    /// The figure may not be smaller.
    AtLeast(f64),
    /// The figure may not be further from zero, either way.
    Off(f64),
    /// The figure must lie between the two.
    Within(f64, f64),
    /// The interval of the figure must have a part between the two: where there are too few homes to ask for more.
    Overlaps(f64, f64),
}

/// How a figure is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Unit {
    /// A fraction, written in per cent.
    #[default]
    Percent,
    /// A bare number.
    Number,
}

/// One figure over some homes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Figure {
    /// The figure; `None` where no home has it.
    pub value: Option<f64>,
    /// 95 % interval; `None` where there are too few homes.
    pub interval: Option<(f64, f64)>,
    /// Homes or cases behind it.
    pub cases: usize,
    /// Homes that belong here but of which the run says nothing.
    pub abstained: usize,
    /// What it must reach, if anything.
    pub bar: Option<Bar>,
    /// How it is written.
    pub unit: Unit,
}

impl Figure {
    /// A share with its Wilson interval.
    #[must_use]
    pub fn of_share(share: Share) -> Self {
        let cases = usize::try_from(share.of).unwrap_or(usize::MAX);
        Self { value: share.value(), interval: share.interval(), cases, ..Self::default() }
    }

    /// The same figure with a bar.
    #[must_use]
    pub fn with_bar(self, bar: Option<Bar>) -> Self {
        Self { bar, ..self }
    }

    /// Whether the figure reaches its bar; `None` without a bar or without a figure. NaN reaches nothing.
    #[must_use]
    pub fn reached(&self) -> Option<bool> {
        let (bar, value) = (self.bar?, self.value?);
        Some(match bar {
            Bar::AtMost(most) => value <= most,
            Bar::AtLeast(least) => value >= least,
            Bar::Off(most) => value.abs() <= most,
            Bar::Within(low, high) => (low..=high).contains(&value),
            Bar::Overlaps(low, high) => {
                let (from, to) = self.interval.unwrap_or((value, value));
                from <= high && to >= low
            }
        })
    }

    /// The bar in words.
    #[must_use]
    pub fn bar_text(&self) -> Option<String> {
        let number = |v: f64| match self.unit {
            Unit::Percent => format!("{} %", (1000.0 * v).round() / 10.0),
            Unit::Number => format!("{v}"),
        };
        Some(match self.bar? {
            Bar::AtMost(v) => format!("at most {}", number(v)),
            Bar::AtLeast(v) => format!("at least {}", number(v)),
            Bar::Off(v) => format!("at most {} either way", number(v)),
            Bar::Within(low, high) => format!("{} to {}", number(low), number(high)),
            Bar::Overlaps(low, high) => format!("interval meets {} to {}", number(low), number(high)),
        })
    }

    /// "4.1 % [3.2, 5.0]", a dash without a figure.
    #[must_use]
    pub fn text(&self) -> String {
        let number = |v: f64| match self.unit {
            Unit::Percent => format!("{:.1}", 100.0 * v),
            Unit::Number => format!("{v:.3}"),
        };
        let sign = if self.unit == Unit::Percent { " %" } else { "" };
        match (self.value, self.interval) {
            (None, _) => "-".to_owned(),
            (Some(v), None) => format!("{}{sign}", number(v)),
            (Some(v), Some((low, high))) => {
                format!("{}{sign} [{}, {}]", number(v), number(low), number(high))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figure(value: f64, bar: Bar) -> Figure {
        Figure {
            value: Some(value),
            interval: Some((value - 0.03, value + 0.03)),
            bar: Some(bar),
            ..Figure::default()
        }
    }

    #[test]
    fn bars_are_reached_at_the_bar_itself() {
        assert_eq!(figure(0.05, Bar::AtMost(0.05)).reached(), Some(true));
        assert_eq!(figure(0.0501, Bar::AtMost(0.05)).reached(), Some(false));
        assert_eq!(figure(0.89, Bar::AtLeast(0.9)).reached(), Some(false));
        assert_eq!(figure(-0.041, Bar::Off(0.04)).reached(), Some(false));
        assert_eq!(figure(0.83, Bar::Within(0.85, 0.95)).reached(), Some(false));
        assert_eq!(figure(0.83, Bar::Overlaps(0.85, 0.95)).reached(), Some(true));
        assert_eq!(figure(0.81, Bar::Overlaps(0.85, 0.95)).reached(), Some(false));
        assert_eq!(figure(f64::NAN, Bar::AtMost(0.05)).reached(), Some(false));
    }

    #[test]
    fn a_figure_that_is_not_there_reaches_and_misses_nothing() {
        let none = Figure { value: None, ..figure(0.0, Bar::AtMost(0.05)) };
        assert_eq!((none.reached(), none.text().as_str()), (None, "-"));
    }

    #[test]
    fn figures_are_written_with_their_unit() {
        assert_eq!(figure(0.041, Bar::AtMost(0.05)).text(), "4.1 % [1.1, 7.1]");
        assert_eq!(figure(0.041, Bar::AtMost(0.05)).bar_text().unwrap(), "at most 5 %");
        let f1 = Figure { unit: Unit::Number, interval: None, ..figure(0.91, Bar::AtLeast(0.9)) };
        assert_eq!((f1.text().as_str(), f1.bar_text().unwrap().as_str()), ("0.910", "at least 0.9"));
    }
}
