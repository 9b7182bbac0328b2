//! The results contract: the tables a run leaves behind.

use crate::cell::{Day, Money, Utc};
use crate::table;

table! {
    /// One row per home: what is known of the cylinder and its use.
    HomeRow in "homes" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Time zone of the home, by its IANA name.
        zone: String, "";
        /// Standing loss coefficient at the present condition, against the volume mean; 2 to 3 % off for each K that the surroundings are; null when not assessed or too little data.
        standing_loss_w_per_k: Option<f64>, "W/K";
        /// Lower end of the 90 % interval of the standing loss coefficient.
        standing_loss_w_per_k_p05: Option<f64>, "W/K";
        /// Upper end of the 90 % interval of the standing loss coefficient.
        standing_loss_w_per_k_p95: Option<f64>, "W/K";
        /// The same drawn towards the homes of the fleet, by their declared losses, for reports; faults are never judged by it.
        standing_loss_reported_w_per_k: Option<f64>, "W/K";
        /// Lower end of the 90 % interval of the reported coefficient.
        standing_loss_reported_w_per_k_p05: Option<f64>, "W/K";
        /// Upper end of the 90 % interval of the reported coefficient.
        standing_loss_reported_w_per_k_p95: Option<f64>, "W/K";
        /// Standard deviations by which ln(coefficient read / declared) lies above the fleet's sound homes; null in a small fleet.
        standing_loss_z: Option<f64>, "";
        /// Second opinion: metered heat in less rise over days without use; null without a meter or such days.
        long_run_w_per_k: Option<f64>, "W/K";
        /// Lower end of the 90 % interval of the second opinion.
        long_run_w_per_k_p05: Option<f64>, "W/K";
        /// Upper end of the 90 % interval of the second opinion.
        long_run_w_per_k_p95: Option<f64>, "W/K";
        /// Mean temperature of the surroundings used for the standing loss.
        surroundings_degc: Option<f64>, "degC";
        /// Where the surroundings come from: measured, fleet (mean of the fleet's measured homes) or assumed.
        surroundings_source: String, "";
        /// Heat lost through the insulation a day, in use; nearly free of the error of the surroundings, so compare homes by it.
        standing_loss_kwh_per_day: Option<f64>, "kWh/d";
        /// Heat loss of the whole cylinder hot at 45 K above the surroundings over 24 h, to set beside the declared one; carries the error of the surroundings in full.
        loss_at_45k_kwh_per_24h: Option<f64>, "kWh/24 h";
        /// The declared loss at 45 K over 24 h, from the register; null when the register has none.
        declared_loss_at_45k_kwh_per_24h: Option<f64>, "kWh/24 h";
        /// Water leaving the tank for use a day, at the density of the inlet; leaks apart.
        litres_per_day: Option<f64>, "l/d";
        /// Heat drawn above the cold feed a day; leaks apart.
        energy_kwh_per_day: Option<f64>, "kWh/d";
        /// Metered heater energy a day; null without power or register.
        heater_kwh_per_day: Option<f64>, "kWh/d";
        /// Coefficient of performance of a heat pump, as the water shows it; null for other sources of heat and too few heats.
        heat_per_metered: Option<f64>, "";
        /// Lower end of its 90 % interval.
        heat_per_metered_p05: Option<f64>, "";
        /// Upper end of its 90 % interval.
        heat_per_metered_p95: Option<f64>, "";
        /// Water by the flow meter over water by the heat, middle of the days with use; null without a meter that could be
        /// checked. Unless a verdict names the meter, litres are those metered.
        flow_metered_over_heat: Option<f64>, "";
        /// Lower end of the 90 % interval of that.
        flow_metered_over_heat_p05: Option<f64>, "";
        /// Upper end of the 90 % interval of that.
        flow_metered_over_heat_p95: Option<f64>, "";
        /// Smallest draw-off that the readings would tell from none, typical of the home.
        least_draw_off_litres: Option<f64>, "l";
        /// Hours a day in which the water at the top is too cool for its leaving to be seen.
        unseen_hours_per_day: Option<f64>, "h/d";
        /// Volume-mean temperature of the stored water.
        mean_stored_degc: Option<f64>, "degC";
        /// Lowest temperature at the top probe.
        lowest_top_degc: Option<f64>, "degC";
        /// Highest temperature at any probe that is not itself in doubt.
        highest_degc: Option<f64>, "degC";
        /// Usable water at 40 degC (V40) at each hour of the local day, median over days.
        v40_by_hour_litres: Vec<f32>, "l";
        /// Mean energy drawn in each local hour of a weekday.
        weekday_draw_by_hour: Vec<f32>, "kWh";
        /// Mean energy drawn in each local hour of a Saturday or Sunday.
        weekend_draw_by_hour: Vec<f32>, "kWh";
        /// Group of homes with a like shape of day; null when too few good days.
        habit_group: Option<i64>, "";
        /// Small uses a day (less than 6 l at 40 degC) seen one by one; null without a good day.
        small_draws_per_day: Option<f64>, "1/d";
        /// Shower-like uses a day (6 to 60 l at 40 degC).
        shower_draws_per_day: Option<f64>, "1/d";
        /// Baths or several uses at once a day (more than 60 l at 40 degC).
        bath_draws_per_day: Option<f64>, "1/d";
        /// Number of local days with at least 80 % of the expected rows.
        good_days: i64, "d";
        /// Number of idle segments behind the standing loss.
        idle_segments: i64, "";
        /// Dotted names of everything that limits these figures, comma-separated.
        verdicts: String, "";
    }
}

table! {
    /// One row per home and local day.
    DayRow in "days" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Local calendar day in the home's zone.
        day: Day, "";
        /// Start of the local day.
        day_start_utc: Utc, "UTC";
        /// Length of the local day: 23, 24 or 25.
        hours: f64, "h";
        /// Water leaving for use; null when too little of the day was seen.
        litres: Option<f64>, "l";
        /// Heat drawn above the cold feed; null when too little of the day was seen.
        energy_kwh: Option<f64>, "kWh";
        /// Metered heater energy; null without power or register.
        heater_kwh: Option<f64>, "kWh";
        /// Heat lost through the insulation.
        loss_kwh: Option<f64>, "kWh";
        /// Volume-mean temperature of the stored water.
        mean_stored_degc: Option<f64>, "degC";
    }
}

table! {
    /// One row per cylinder of the register: what plots and tables are read with.
    CylinderRow in "cylinders" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Stored volume; null where the register has none.
        volume_l: Option<f64>, "l";
        /// What heats the water: element, top_pump, coil or heat_pump.
        heat_source: String, "";
        /// Whether spare solar power is sent to the element, so that part power is no fault.
        is_diverter: bool, "";
        /// Thermostat set point; null where the register has none.
        set_point_degc: Option<f64>, "degC";
        /// Heights of the probes as volume fractions from the base, top first.
        probe_heights: Vec<f32>, "";
        /// Rated power by power channel, lower element first; not a number where no element is known.
        element_rated_w: Vec<f32>, "W";
        /// Heights of these elements as volume fractions from the base.
        element_heights: Vec<f32>, "";
        /// Rated heat of a source that is no element; null where there is none or it is not known.
        source_rated_w: Option<f64>, "W";
    }
}

table! {
    /// One row per idle stretch that the standing loss was read from: how far the hot water at the top cooled by itself.
    CoolingRow in "cooling" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Start of the stretch.
        start: Utc, "UTC";
        /// End of the stretch.
        end: Utc, "UTC";
        /// Hours of it that were read: segments end where the water was disturbed.
        hours: f64, "h";
        /// Hot water over the surroundings, mean.
        lift_k: f64, "K";
        /// How far the hot water at the top fell; below 0 where it rose within the noise.
        fall_k: f64, "K";
        /// How far the fitted standing loss lets it fall in these hours.
        fitted_fall_k: f64, "K";
        /// How far the declared loss lets it fall; null where the register has none.
        declared_fall_k: Option<f64>, "K";
    }
}

table! {
    /// One row per draw-off, or group of draw-offs too close to part.
    DrawOffRow in "draw_offs" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Start of the first interval with flow.
        start: Utc, "UTC";
        /// End of the last interval with flow.
        end: Utc, "UTC";
        /// Water drawn, mass over density at the inlet.
        litres: f64, "l";
        /// Heat drawn above the cold feed.
        energy_kwh: f64, "kWh";
        /// Probability, given that water was drawn, of a small use: below 6 l at 40 degC. From 15 min cadence on a row is an interval with draw-offs. Null without heat.
        class_small: Option<f64>, "";
        /// Probability of a shower-like use: 6 to 60 l at 40 degC, most above 20.
        class_shower: Option<f64>, "";
        /// Probability of a bath or several uses at once: 60 l at 40 degC and more. The three sum to 1.
        class_bath: Option<f64>, "";
    }
}

table! {
    /// One row for every home and fault.
    FindingRow in "findings" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Fault code.
        fault: String, "";
        /// sound, fault, not_assessed or too_little_data.
        outcome: String, "";
        /// Probability that it is present at the end of the period; null when not assessed or too little data.
        probability: Option<f64>, "";
        /// When it began; null if before the data, or not a fault.
        onset: Option<Utc>, "UTC";
        /// Size of the effect in the statistic's own unit; null when not assessed.
        effect: Option<f64>, "";
        /// What the effect is and its unit.
        statistic: String, "";
        /// How far the effect lies beyond the limit of its kind, in the scale of that kind; below 0 within it. Probabilities are made from it; null when not assessed.
        margin: Option<f64>, "";
        /// Days of evidence behind it.
        evidence_days: i64, "d";
        /// Extra metered energy a year, positive = wasted; null when not assessed.
        energy_kwh_per_year: Option<f64>, "kWh/a";
        /// Lower end of the 90 % interval of the extra energy.
        energy_kwh_per_year_p05: Option<f64>, "kWh/a";
        /// Upper end of the 90 % interval of the extra energy.
        energy_kwh_per_year_p95: Option<f64>, "kWh/a";
        /// What speaks for it, in a technician's words.
        evidence_for: String, "";
        /// What speaks against it.
        evidence_against: String, "";
        /// Name of the missing input; empty when assessed.
        missing: String, "";
        /// Fault code under whose story this finding is folded; empty when it stands alone.
        folded_under: String, "";
    }
}

table! {
    /// One row per home to visit, best worth first, safety before all.
    VisitRow in "service_list" {
        /// Place in the list, from 1.
        rank: i64, "";
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Area from the register; empty when it has none.
        area: String, "";
        /// Fault code of the home's story.
        fault: String, "";
        /// What is probably wrong, in a technician's words.
        problem: String, "";
        /// Whether it is listed first for safety.
        safety: bool, "";
        /// Worth of the visit: probability times yearly value, less the cost of the visit.
        worth: Money, "millionths of the pipeline's currency";
        /// Lower end of the 90 % interval of the worth: the energy's interval; comfort, danger and the probability as they are.
        worth_p05: Money, "millionths of the pipeline's currency";
        /// Upper end of the 90 % interval of the worth.
        worth_p95: Money, "millionths of the pipeline's currency";
        /// Probability that the fault is present.
        probability: f64, "";
        /// When it began; null if before the data.
        since: Option<Utc>, "UTC";
        /// What leaving it costs a year at the home's tariff.
        cost_per_year: Money, "millionths of the pipeline's currency a year";
        /// Lower end of the 90 % interval of the cost a year.
        cost_per_year_p05: Money, "millionths of the pipeline's currency a year";
        /// Upper end of the 90 % interval of the cost a year.
        cost_per_year_p95: Money, "millionths of the pipeline's currency a year";
        /// Greenhouse gases of the extra energy a year, CO2 equivalent; null without a carbon series or a yearly energy.
        carbon_kg_per_year: Option<f64>, "kg/a";
        /// What to bring.
        bring: String, "";
        /// What to check first.
        check_first: String, "";
        /// What can hurt, and who may do the work.
        caution: String, "";
        /// The evidence in a sentence or two.
        reason: String, "";
        /// Other findings at the same home, folded into this visit.
        also: String, "";
        /// Local day of the last visit in the log; null when the log has none.
        last_visit: Option<Day>, "";
        /// What that visit found: a fault code, nothing_found or other; null when the log has none.
        last_finding: Option<String>, "";
        /// Currency code of the money columns.
        currency: String, "";
    }
}

table! {
    /// What was found and is not on the list, and why.
    LeftOffRow in "left_off" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Fault code.
        fault: String, "";
        /// Why it is not listed.
        why: String, "";
    }
}

table! {
    /// Row accounting of each home.
    QualityRow in "quality" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Rows as stored.
        rows_in: i64, "rows";
        /// Rows with at least one value used.
        rows_used: i64, "rows";
        /// Rows whose values were all masked.
        rows_masked: i64, "rows";
        /// Rows without a valid time or with no value at all.
        rows_rejected: i64, "rows";
        /// Values as stored, nulls counted.
        values_in: i64, "values";
        /// Values used.
        values_used: i64, "values";
        /// Values masked.
        values_masked: i64, "values";
        /// Values absent (null) or belonging to a rejected row.
        values_absent: i64, "values";
        /// Masked rows and values by reason, as "reason rows/values" joined by commas.
        by_reason: String, "";
        /// Rows that came later than a row of a later time and were sorted back; they are used.
        rows_out_of_order: i64, "rows";
        /// Expected rows that never came, between the home's first and last row.
        rows_missing: i64, "rows";
        /// Longest silence.
        longest_gap_hours: f64, "h";
        /// Stamps that came twice; the earlier copies are masked. A clock put back doubles an hour of them.
        stamps_doubled: i64, "";
        /// Times that the energy register restarted.
        register_restarts: i64, "";
        /// Local days of 23 or 25 hours.
        change_of_hour_days: i64, "d";
    }
}

table! {
    /// Row accounting of each input file.
    FileRow in "files" {
        /// Path as found, relative to the input folder.
        file: String, "";
        /// ok, or what is wrong with the file.
        status: String, "";
        /// Rows as stored.
        rows_in: i64, "rows";
        /// Rows with at least one value used.
        rows_used: i64, "rows";
        /// Rows whose values were all masked.
        rows_masked: i64, "rows";
        /// Rows without a valid home or time, or with no value at all.
        rows_rejected: i64, "rows";
        /// Values as stored, nulls counted.
        values_in: i64, "values";
        /// Values used.
        values_used: i64, "values";
        /// Values masked.
        values_masked: i64, "values";
        /// Values absent (null) or belonging to a rejected row.
        values_absent: i64, "values";
        /// Masked and rejected rows and values by reason, as "reason rows/values" joined by commas.
        by_reason: String, "";
    }
}

table! {
    /// Readings of named days of listed homes, for the plots only.
    EvidenceRow in "evidence" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Stamp, end of the interval.
        time: Utc, "UTC";
        /// Probe temperatures top to bottom.
        probes_degc: Vec<f32>, "degC";
        /// Heater power over the interval; null without it.
        power_w: Option<f64>, "W";
        /// Whether any heater was called at the stamp; null without it.
        call: Option<f64>, "";
        /// Temperature of the surroundings; null without it.
        surroundings_degc: Option<f64>, "degC";
    }
}
