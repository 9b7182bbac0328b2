//! The results of reading habits: empty days, rates of use, quantiles of demand, changes of level.

use crate::cell::Day;
use crate::table;

/// A day on which the home drew hot water.
pub const OCCUPIED: &str = "occupied";
/// A day on which nobody drew hot water, though draws would have been seen.
pub const VACANT: &str = "vacant";
/// A day on which draws would not have been seen: data missing, probes silent or the store cold.
pub const UNKNOWN: &str = "unknown";

/// Kind of day by calendar: public holidays are not known and count as the weekday they fall on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DayType {
    /// Monday to Friday.
    Weekday,
    /// Saturday.
    Saturday,
    /// Sunday.
    Sunday,
}

impl DayType {
    /// All kinds, in the order of tables.
    pub const ALL: [Self; 3] = [Self::Weekday, Self::Saturday, Self::Sunday];

    /// Kind of a calendar day.
    ///
    /// ```
    /// use drawoff_contract::{Day, habit_tables::DayType};
    /// // 1 January 1970 was a Thursday.
    /// assert_eq!(DayType::of(Day(0)), DayType::Weekday);
    /// assert_eq!(DayType::of(Day(3)), DayType::Sunday);
    /// ```
    #[must_use]
    pub fn of(day: Day) -> Self {
        match crate::local::weekday(day) {
            5 => Self::Saturday,
            6 => Self::Sunday,
            _ => Self::Weekday,
        }
    }

    /// Stable word for tables.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Weekday => "weekday",
            Self::Saturday => "saturday",
            Self::Sunday => "sunday",
        }
    }
}

table! {
    /// One row per home and local day: whether anybody drew hot water.
    VacancyRow in "vacancy" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Local calendar day in the home's zone.
        day: Day, "";
        /// occupied, vacant, or unknown where draws would not have been seen.
        state: String, "";
        /// Probability that the day was vacant; null where unknown.
        probability: Option<f64>, "";
    }
}

table! {
    /// One row per home and kind of day: draws and heat drawn by local hour, occupied days only.
    RateRow in "rates" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// weekday, saturday or sunday.
        day_type: String, "";
        /// Days behind the rates, later days counting more.
        effective_days: f64, "d";
        /// Draw-offs begun in each local hour of an occupied day, drawn towards the fleet's where days are few.
        draws_by_hour: Vec<f32>, "1/h";
        /// Mean heat drawn in each local hour of an occupied day, drawn towards the fleet's; NaN where the heat put in is not known.
        energy_by_hour: Vec<f32>, "kWh";
    }
}

table! {
    /// One row per home, kind of day, local hour and time ahead: quantiles of the heat drawn in that time on occupied days.
    /// Hour 0 and 24 h ahead is the whole day.
    HabitRow in "habits" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Kind of the day in which the time ahead begins: weekday, saturday or sunday.
        day_type: String, "";
        /// Local hour at whose start the time ahead begins, 0 to 23.
        hour: i64, "h";
        /// Length of the time ahead: 1, 2, 4, 8, 12 or 24.
        ahead_h: i64, "h";
        /// Heat drawn that is not exceeded with probability 0.50.
        p50_kwh: f64, "kWh";
        /// Heat drawn that is not exceeded with probability 0.80.
        p80_kwh: f64, "kWh";
        /// Heat drawn that is not exceeded with probability 0.90.
        p90_kwh: f64, "kWh";
        /// Heat drawn that is not exceeded with probability 0.95.
        p95_kwh: f64, "kWh";
    }
}

table! {
    /// One row per lasting change of a home's level of use; empty days do not count as one.
    ChangeRow in "changes" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// First local day of the new level.
        day: Day, "";
        /// Mean heat drawn on an occupied day since the change before, or the start.
        before: f64, "kWh/d";
        /// Mean heat drawn on an occupied day until the next change, or the end.
        after: f64, "kWh/d";
        /// Fall of the cost that the change brings, over the penalty that it had to beat: above 1.
        score: f64, "";
    }
}

table! {
    /// One row per home and day from which its draws lie at other hours for good; the level is left out of it.
    HourChangeRow in "hour_changes" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// First local day of the new hours.
        day: Day, "";
        /// Share of a day's heat drawn in each local hour before, from the change before or the start.
        before_by_hour: Vec<f32>, "";
        /// Share of a day's heat drawn in each local hour after, until the next change or the end.
        after_by_hour: Vec<f32>, "";
        /// Fall of the cost that the change brings, over the penalty that it had to beat: above 1.
        score: f64, "";
    }
}

table! {
    /// One row per group of homes whose days have a like shape; how much they draw is left out of it. The shape shown is that of
    /// one real home, the medoid: the member with the least sum of squared distances to the others.
    GroupRow in "habit_groups" {
        /// Number of the group, as in homes: largest group first.
        group: i64, "";
        /// Homes in it.
        homes: i64, "";
        /// The home in its middle.
        medoid_home: String, "";
        /// Mean adjusted Rand index between the groups and those of resampled homes, for all groups together; null of one group.
        stability: Option<f64>, "";
        /// What limits the grouping: groups.too_few_homes, groups.no_stable_split, groups.fewer_than_four; empty when nothing does.
        verdict: String, "";
        /// Heat drawn a day that a quarter of its homes stay below: the level is an axis of its own.
        energy_kwh_per_day_p25: f64, "kWh/d";
        /// Median over its homes of the heat drawn a day.
        energy_kwh_per_day_p50: f64, "kWh/d";
        /// Heat drawn a day that a quarter of its homes exceed.
        energy_kwh_per_day_p75: f64, "kWh/d";
        /// Share of a weekday's heat that the medoid draws in each local hour.
        weekday_by_hour: Vec<f32>, "";
        /// The same of a Saturday.
        saturday_by_hour: Vec<f32>, "";
        /// The same of a Sunday; public holidays are not known.
        sunday_by_hour: Vec<f32>, "";
    }
}
