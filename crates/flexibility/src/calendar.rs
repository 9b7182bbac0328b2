//! Which days are like Sundays.

use std::collections::BTreeSet;

use drawoff_contract::Day;
use drawoff_contract::local::weekday;

/// Days on which people are at home: Saturdays, Sundays, and the public holidays that it is told.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Calendar {
    /// Public holidays.
    pub holidays: BTreeSet<Day>,
}

impl Calendar {
    /// Whether a day is a Saturday, a Sunday or a public holiday.
    ///
    /// ```
    /// use drawoff_contract::Day;
    /// use drawoff_flexibility::calendar::Calendar;
    /// // 1 January 1970 was a Thursday
    /// assert!(!Calendar::default().is_weekend(Day(0)) && Calendar::default().is_weekend(Day(2)));
    /// assert!(Calendar { holidays: [Day(0)].into() }.is_weekend(Day(0)));
    /// ```
    #[must_use]
    pub fn is_weekend(&self, day: Day) -> bool {
        weekday(day) >= 5 || self.holidays.contains(&day)
    }
}
