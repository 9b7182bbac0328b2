//! The daybook: per home and local day, what a careful reader of the raw rows would have noted down.
//!
//! Everything after it reads only these three tables.

use crate::cell::{Day, Utc};
use crate::table;

table! {
    /// One row per home and local day.
    DayNote in "daybook_days" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Local calendar day in the home's zone.
        day: Day, "";
        /// Start of the local day.
        day_start_utc: Utc, "UTC";
        /// Length of the local day.
        hours: f64, "h";
        /// Interval between stamps.
        cadence_min: f64, "min";
        /// Instants with at least one used probe value.
        instants: i64, "";
        /// Instants that the day should have.
        instants_expected: i64, "";
        /// Stamps that came twice with different values.
        doubled: i64, "";
        /// Longest silence that ends in this day.
        longest_gap_min: f64, "min";
        /// End of the longest silence; null when there is none over two intervals.
        longest_gap_end: Option<Utc>, "UTC";
        /// Times that the energy register restarted; null without a register.
        register_falls: Option<i64>, "";
        /// Heater energy; null without power and register.
        heater_kwh: Option<f64>, "kWh";
        /// Volume-mean temperature.
        mean_degc: Option<f64>, "degC";
        /// Mean temperature of the water against the outer skin, weighted by skin area.
        skin_degc: Option<f64>, "degC";
        /// Mean of the measured surroundings; null when not measured.
        surroundings_degc: Option<f64>, "degC";
        /// Measured surroundings by half-hour of the day; empty when not measured.
        surroundings_by_half_hour: Vec<f32>, "degC";
        /// Stored heat above 0 degC at the end of each half-hour.
        stored_kwh_by_half_hour: Vec<f32>, "kWh";
        /// Heater energy in each half-hour.
        heater_kwh_by_half_hour: Vec<f32>, "kWh";
        /// Heat that left in each half-hour by draw-offs and losses together: in less rise.
        net_out_kwh_by_half_hour: Vec<f32>, "kWh";
        /// Hours of each half-hour over which net_out is known.
        net_out_hours_by_half_hour: Vec<f32>, "h";
        /// Volume-mean temperature in each half-hour.
        mean_degc_by_half_hour: Vec<f32>, "degC";
        /// Lowest temperature of the top probe in each half-hour.
        top_degc_by_half_hour: Vec<f32>, "degC";
        /// Usable water at 40 degC from a 10 degC feed, at the end of each half-hour.
        v40_by_half_hour: Vec<f32>, "l";
        /// Lowest temperature of each probe, top first.
        probe_min_degc: Vec<f32>, "degC";
        /// Mean temperature of each probe.
        probe_mean_degc: Vec<f32>, "degC";
        /// Highest temperature of each probe.
        probe_max_degc: Vec<f32>, "degC";
        /// Longest time that each probe repeated one value up to now, begun today or before.
        probe_frozen_hours: Vec<f32>, "h";
        /// How far the probe's neighbours moved at its height during that time.
        probe_frozen_expected_k: Vec<f32>, "K";
        /// Mean difference from its neighbours where the water around it is at one temperature.
        probe_flat_residual_k: Vec<f32>, "K";
        /// Number of instants behind that difference.
        probe_flat_count: Vec<f32>, "";
        /// Standard deviation of that difference over the day.
        probe_flat_scatter_k: Vec<f32>, "K";
        /// For each pair of probes (row probe above column probe, row-major): mean excess of the lower over the upper.
        probe_inversion_k: Vec<f32>, "K";
        /// Hours that each element is called, lower first.
        element_call_hours: Vec<f32>, "h";
        /// Hours called at both ends of the interval with less than a tenth of the rated power.
        element_dead_hours: Vec<f32>, "h";
        /// Hours with power.
        element_on_hours: Vec<f32>, "h";
        /// Median power of intervals called at both ends and with power.
        element_full_power_w: Vec<f32>, "W";
        /// Hours with power though not called at either end.
        element_uncalled_hours: Vec<f32>, "h";
        /// Mixing in draw-offs: fall of the top probe, summed over draw-offs from a charged cylinder.
        draw_top_fall_k: f64, "K";
        /// The same sum of the fall of the volume mean.
        draw_mean_fall_k: f64, "K";
        /// Mean difference between the warmest and coldest probe when the cylinder is partly charged.
        spread_k: Option<f64>, "K";
        /// Quiet loss: lower quantile of the heat leaving over two-hour windows, less the declared loss.
        quiet_w: Option<f64>, "W";
        /// The same over windows between 22 and 6 o'clock, local time, of this calendar day.
        quiet_night_w: Option<f64>, "W";
        /// The same over windows between 6 and 22 o'clock, local time.
        quiet_day_w: Option<f64>, "W";
        /// Quiet loss by night as hot water leaving at the top against a feed of 10 degC, over windows with a hot top.
        quiet_night_l_per_min: Option<f64>, "l/min";
        /// The same by day.
        quiet_day_l_per_min: Option<f64>, "l/min";
        /// Smallest draw-off that the readings would tell from none, median over the day; null when not followed.
        least_seen_l: Option<f64>, "l";
        /// Heat that the heater gives over what is metered, learnt from heats without a draw-off; null with too few.
        power_gain: Option<f64>, "";
        /// Cold feed that the draw-offs of the day speak for by how they moved the water; null when they say too little.
        drawn_feed_degc: Option<f64>, "degC";
        /// Its standard error, as far as readings and the model of the water scatter.
        drawn_feed_se_k: Option<f64>, "K";
        /// Hours in which water at the top is too cool for its leaving to be seen.
        unseen_hours: f64, "h";
        /// Lower quantile of the heat leaving while heating, less the declared loss.
        heating_quiet_w: Option<f64>, "W";
        /// Energy of each power channel, lower first; NaN without its power.
        element_kwh: Vec<f32>, "kWh";
        /// Most starts of each element within any hour, as far as the cadence shows them; NaN without its power and call.
        element_starts_in_hour: Vec<f32>, "1/h";
        /// Hours called at both ends of the interval while no water was drawn, whatever calls.
        called_still_hours: f64, "h";
        /// Heat that the water took up in those hours, with the first-pass standing loss; null when there is none.
        called_still_kwh: Option<f64>, "kWh";
        /// Hours that a circulating pump runs; null without its state.
        pump_hours: Option<f64>, "h";
        /// Of these, hours in which nothing was called or took power, nor had within a quarter of an hour.
        pump_alone_hours: Option<f64>, "h";
        /// Number of transfer units of coil or plate exchanger, median while heating; null without flow and return.
        exchanger_units: Option<f64>, "";
        /// Energy sent to the grid; null without its power.
        export_kwh: Option<f64>, "kWh";
        /// Of that, what the heater could have taken: beside part power, or at rest far below the set point; null without one.
        export_with_room_kwh: Option<f64>, "kWh";
        /// Thermal disinfection at each probe, tenfold reductions by published times at 50 and 60 degC.
        probe_dose_decades: Vec<f32>, "";
        /// Hours of each probe between 25 and 45 degC.
        probe_growth_hours: Vec<f32>, "h";
        /// Times that the top fell below 40 degC while water was drawn.
        run_outs: i64, "";
        /// Hours in which the top stands at 67 degC or more, which burns adult skin within about a second and a half.
        scald_hours: f64, "h";
        /// Energy by the register over energy by power, where both are whole; null with too little of either.
        register_over_power: Option<f64>, "";
        /// Water that the flow meter counted, below 0 when it counts down; null without one.
        metered_l: Option<f64>, "l";
        /// Hours over which it counted.
        metered_hours: f64, "h";
        /// Start of each draw-off that the flow meter shows, after the start of the day; empty without one.
        metered_start_s: Vec<f32>, "s";
        /// End of each of them.
        metered_end_s: Vec<f32>, "s";
        /// Water of each of them.
        metered_draw_l: Vec<f32>, "l";
        /// Temperature of the highest probe while it left.
        metered_outlet_degc: Vec<f32>, "degC";
    }
}

table! {
    /// Idle segments and heating spells, cut at local midnight.
    SpellNote in "daybook_spells" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Local calendar day.
        day: Day, "";
        /// idle or heat.
        kind: String, "";
        /// Start.
        start: Utc, "UTC";
        /// End.
        end: Utc, "UTC";
        /// Whether it goes on from the day before.
        from_yesterday: bool, "";
        /// Whether it goes on into the next day.
        to_tomorrow: bool, "";
        /// Mean temperature of each probe, top first.
        level_degc: Vec<f32>, "degC";
        /// Idle: slope of each probe. Heat: temperature of each probe at the end.
        slope_or_stop: Vec<f32>, "K/h or degC";
        /// Mean measured surroundings; null when not measured.
        surroundings_degc: Option<f64>, "degC";
        /// Heat: energy put in; null when unknown.
        energy_kwh: Option<f64>, "kWh";
        /// Heat: rise of the volume mean.
        rise_k: Option<f64>, "K";
        /// Heat: highest probe temperature at the end, of the probes at and above the element.
        stop_degc: Option<f64>, "degC";
        /// Heat: which element took most of the energy, 0 lower, 1 upper; null when unknown.
        element: Option<i64>, "";
        /// Heat: median power of the full intervals.
        power_w: Option<f64>, "W";
        /// Heat: whether the call ended with it, and was not itself ended at a silence.
        call_ended: bool, "";
        /// Heat: whether the heater was called all the time.
        called: Option<bool>, "";
        /// Heat leaving, less the declared loss: mean (idle), lower quantile (heat).
        net_out_w: Option<f64>, "W";
    }
}

table! {
    /// Draw-offs seen by following the water from reading to reading, cut at local midnight.
    DrawNote in "daybook_draws" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Local calendar day.
        day: Day, "";
        /// Start of the first interval.
        start: Utc, "UTC";
        /// End of the last interval.
        end: Utc, "UTC";
        /// Heat that left above the cold feed as the lowest probe shows it.
        energy_kwh: f64, "kWh";
        /// Water that left beside any steady leak, as metered in the cold feed.
        litres: f64, "l";
        /// Temperature at the top while it left, weighted by heat.
        outlet_degc: f64, "degC";
        /// Whether the heater ran during any part.
        heating: bool, "";
    }
}

table! {
    /// What a day says of the elements' power: some columns of `daybook_days`, for those who need no more of it.
    PowerNote in "daybook_days" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Local calendar day in the home's zone.
        day: Day, "";
        /// Median power of intervals called at both ends and with power.
        element_full_power_w: Vec<f32>, "W";
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Table;

    #[test]
    fn a_part_of_the_days_is_a_part_of_the_days() {
        let whole = DayNote::columns();
        for column in PowerNote::columns() {
            let same = whole.iter().find(|c| c.name == column.name).unwrap();
            assert_eq!(
                (same.unit, &same.data_type, same.nullable, same.description),
                (column.unit, &column.data_type, column.nullable, column.description)
            );
        }
        assert_eq!(DayNote::NAME, PowerNote::NAME);
    }
}
