//! Tables for whoever sells or plans flexible load: what a fleet can hold off or take on, when, for how long, and how surely.

use crate::cell::{Day, Money, Utc};
use crate::table;

table! {
    /// One row per group of homes, kind of day, half-hour, direction and duration: what the group can move from that half-hour on.
    /// Powers are means over the event, of the sum over the group's counted homes.
    FlexibleRow in "flexible_load" {
        /// What the group is by: fleet, area, tariff or heater.
        group_by: String, "";
        /// Name of the group.
        group: String, "";
        /// Homes counted.
        homes: i64, "";
        /// weekday (Monday to Friday) or weekend (with the public holidays that the pipeline lists).
        day_type: String, "";
        /// Half-hour of the local day in which the event begins, 1 to 48.
        period: i64, "";
        /// Local time at which it begins.
        start: String, "";
        /// hold off (heating that would have run does not) or take on (heating runs that would not have).
        direction: String, "";
        /// Length of the event.
        duration_h: f64, "h";
        /// Past days behind the figures.
        days: i64, "d";
        /// Load without an event over the same time; half of the days exceed it.
        baseline_kw: f64, "kW";
        /// Load moved that half of the days exceed.
        p50_kw: f64, "kW";
        /// Load moved that nine of ten days exceed.
        firm_kw: f64, "kW";
        /// Energy moved at the P50.
        p50_kwh: f64, "kWh";
        /// Energy moved at the firm power.
        firm_kwh: f64, "kWh";
        /// Share of what is moved that comes back (held off), or is saved (taken on), within 8 h after the event; null where nothing is moved.
        back_share: Option<f64>, "";
        /// Share that is never lost through the skin (held off), or lost besides (taken on), in that time; null where nothing is moved.
        loss_share: Option<f64>, "";
        /// Share still missing in the cylinders (held off) or still there (taken on) after that time, or that users went without; the three make 1.
        left_share: Option<f64>, "";
        /// Largest rise (held off) or fall (taken on) of load in a half-hour after the event if all homes are let go at once, of the mean over
        /// all days.
        rebound_kw: f64, "kW";
        /// Time after the event at which that half-hour begins.
        rebound_after_h: f64, "h";
        /// Parts in which homes are let go, half an hour apart, so that the rise stays within the day's usual peak; 1 where no turns are needed.
        return_parts: i64, "";
        /// Largest rise of load in a half-hour if homes are let go in these parts.
        return_rebound_kw: f64, "kW";
        /// Share of the events put on homes in which a user would have gone short.
        short_share: f64, "";
        /// Share of homes and days that moved load.
        share_moved: f64, "";
        /// Share at which no heating would have run (hold off), or no room was left (take on).
        share_nothing: f64, "";
        /// Share left alone, as too little hot water was there for what may be drawn.
        share_comfort: f64, "";
        /// Share left alone, as spare solar power may be what heats.
        share_sun: f64, "";
        /// Share without readings, that could not have been reached.
        share_silent: f64, "";
        /// Earnings of one event at the P50 under the prices given, after what comes back; null without prices.
        worth: Option<Money>, "millionths of the pipeline's currency";
        /// Greenhouse gases saved by one event at the P50, after what comes back; null without a carbon series.
        carbon_kg: Option<f64>, "kg";
    }
}

table! {
    /// One row per settlement period of each named day, direction and duration, for all counted homes together.
    FlexibleDayRow in "flexible_days" {
        /// Local calendar day.
        day: Day, "";
        /// Settlement period of the local day, from 1: 46, 48 or 50 of them.
        period: i64, "";
        /// Start of the period.
        start: Utc, "UTC";
        /// hold off or take on.
        direction: String, "";
        /// Length of the event.
        duration_h: f64, "h";
        /// Load moved that half of the days exceed, mean over the event.
        p50_kw: f64, "kW";
        /// Load moved that nine of ten days exceed, mean over the event.
        firm_kw: f64, "kW";
    }
}

table! {
    /// One row per home: whether it is counted, and what it can move by itself as a mean.
    FlexibleHomeRow in "flexible_homes" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Whether it is counted among those that can move load.
        counted: bool, "";
        /// Why it is not; empty where it is.
        why_not: String, "";
        /// Area from the register.
        area: String, "";
        /// What heats it.
        heater: String, "";
        /// Power of the heater, by the meter.
        heater_kw: Option<f64>, "kW";
        /// Temperature at which its thermostat opens, fitted to the home's own heats.
        set_point_degc: Option<f64>, "degC";
        /// Electricity that it takes without events.
        baseline_kwh_per_day: Option<f64>, "kWh/d";
        /// Energy that a day's best 2 h event holds off, mean over days.
        hold_off_kwh: Option<f64>, "kWh";
        /// Local time at which that event begins.
        hold_off_start: String, "";
        /// Energy that a day's best 2 h event takes on, mean over days.
        take_on_kwh: Option<f64>, "kWh";
        /// Local time at which that event begins.
        take_on_start: String, "";
        /// Share of its events in which a user would have gone short.
        short_share: Option<f64>, "";
    }
}

table! {
    /// One row per group of homes: how many are counted, and how many not, by reason.
    FlexibleGroupRow in "flexible_groups" {
        /// What the group is by: fleet, area, tariff or heater.
        group_by: String, "";
        /// Name of the group.
        group: String, "";
        /// Homes of the group.
        homes: i64, "";
        /// Homes counted.
        counted: i64, "";
        /// Not counted: a fault is called.
        faulty: i64, "";
        /// Not counted: no readings at the end of the record.
        silent: i64, "";
        /// Not counted: nobody at home at the end of the record.
        vacant: i64, "";
        /// Not counted: no electric heat is metered.
        not_metered: i64, "";
        /// Not counted: the register lacks the volume.
        no_volume: i64, "";
        /// Not counted: too little data.
        too_little_data: i64, "";
        /// Sum of the counted heaters' power; null for a group that is too small to be told.
        rated_kw: Option<f64>, "kW";
        /// Largest half-hour of the P50 baseline over the sum of the heaters' power.
        diversity: Option<f64>, "";
        /// Firm power that half an hour's hold-off has in its best half-hour.
        best_firm_kw: Option<f64>, "kW";
        /// The same for one home.
        best_firm_kw_per_home: Option<f64>, "kW";
        /// When that is: day_type and local time.
        best_start: String, "";
        /// Whether one home's share lies outside the field range of 0.2 to 1.7 kW that trials with always-on cylinders found; null where it is not to be expected.
        outside_field_range: Option<bool>, "";
    }
}

table! {
    /// One row per kind of day and 2 h: all counted homes as one store about its resting load.
    BatteryRow in "virtual_battery" {
        /// weekday or weekend.
        day_type: String, "";
        /// Local time at which the 2 h begin.
        start: String, "";
        /// Homes in it.
        homes: i64, "";
        /// Load at which the store keeps what it holds: what use and loss take; all of the load counts.
        resting_kw: f64, "kW";
        /// Most load beyond the resting load.
        charge_kw: f64, "kW";
        /// Most load below the resting load.
        discharge_kw: f64, "kW";
        /// Capacity between empty and full.
        capacity_kwh: f64, "kWh";
        /// Share of what is stored beside the resting load that is lost in an hour.
        leakage_per_h: f64, "1/h";
        /// What may be taken out at the start.
        start_kwh: f64, "kWh";
        /// How far it reaches over how far the homes reach, mean over random directions of load.
        support_share: f64, "";
        /// Share of random signals within it that break a home's comfort.
        miss_rate: f64, "";
    }
}

table! {
    /// One row per direction and duration: what would have been declared on past days from the days before them, against what came.
    BackTestRow in "back_test" {
        /// hold off or take on.
        direction: String, "";
        /// Length of the event.
        duration_h: f64, "h";
        /// Homes in it.
        homes: i64, "";
        /// Days declared.
        days: i64, "d";
        /// Settlement periods declared, with something to sell.
        periods: i64, "";
        /// Share of them in which less came than was declared as firm; null without periods.
        broken_share: Option<f64>, "";
        /// 2.5 % point of that share when whole days are drawn again and again.
        broken_share_p025: Option<f64>, "";
        /// 97.5 % point.
        broken_share_p975: Option<f64>, "";
        /// Sum of what came over the sum of the declared P50, less 1; null without periods.
        p50_bias: Option<f64>, "";
        /// Continuous ranked probability score, mean over periods.
        crps_kw: Option<f64>, "kW";
        /// What came, mean over periods.
        mean_kw: Option<f64>, "kW";
        /// Events put on homes.
        home_events: i64, "";
        /// Share of them in which a user would have gone short; null without events.
        short_share: Option<f64>, "";
    }
}
