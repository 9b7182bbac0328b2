//! What cylinders saved, and what they still could: results of a pipeline with the section `[savings]`.
//!
//! Money is in whole millionths, greenhouse gases in whole milligrams: each is priced once a half-hour, and every total is a sum of rows.

use crate::cell::{Day, Money, Utc};
use crate::table;

table! {
    /// One row per home: its days again under the rule that it is heated by and under the reference (baseline A).
    SavingRow in "savings" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// assessed, not_assessed or too_little_data.
        outcome: String, "";
        /// What is missing; empty when assessed.
        missing: String, "";
        /// Currency code of the amounts.
        currency: String, "";
        /// Tariff that the hours are priced by; the default one in brackets where the home's own is not known.
        tariff: String, "";
        /// The rule that the home is heated by, as learnt from every other week.
        rule: String, "";
        /// The reference that it is held against.
        reference: String, "";
        /// Local days from the first to the last reading.
        days_in: i64, "d";
        /// Days left out: without readings, balance or meter. They enter no sum.
        days_masked: i64, "d";
        /// Days that count and lie outside the temperatures of the feed and the amounts of use that the rule was learnt from; they enter the sums.
        days_outside: i64, "d";
        /// Days that enter the sums.
        days_used: i64, "d";
        /// Metered energy over the days used.
        metered_kwh: Option<f64>, "kWh";
        /// The same days replayed under the rule that the home is heated by.
        replayed_kwh: Option<f64>, "kWh";
        /// The same days replayed under the reference, in the energy that the reference takes.
        reference_kwh: Option<f64>, "kWh";
        /// Reference less replayed.
        saved_kwh: Option<f64>, "kWh";
        /// Lower end of the 90 % interval of the saved energy.
        saved_kwh_p05: Option<f64>, "kWh";
        /// Upper end of the 90 % interval of the saved energy.
        saved_kwh_p95: Option<f64>, "kWh";
        /// Metered less replayed: what the model gets wrong; never part of the saving.
        model_error_kwh: Option<f64>, "kWh";
        /// Heat into the water under the rule that the home is heated by.
        replayed_heat_kwh: Option<f64>, "kWh";
        /// Heat into the water under the reference.
        reference_heat_kwh: Option<f64>, "kWh";
        /// Cost of the metered energy; null where it could not be priced.
        cost_metered: Option<Money>, "millionths of the pipeline's currency";
        /// Cost of the replayed energy.
        cost_replayed: Option<Money>, "millionths of the pipeline's currency";
        /// Cost of the reference.
        cost_reference: Option<Money>, "millionths of the pipeline's currency";
        /// Cost of the reference less cost of the replay.
        saved: Option<Money>, "millionths of the pipeline's currency";
        /// Lower end of the 90 % interval of the saving.
        saved_p05: Option<Money>, "millionths of the pipeline's currency";
        /// Upper end of the 90 % interval of the saving.
        saved_p95: Option<Money>, "millionths of the pipeline's currency";
        /// Cost of the metered energy less cost of the replay.
        model_error: Option<Money>, "millionths of the pipeline's currency";
        /// Standing charge over the days used: paid whatever is done, and in no cost or saving here.
        standing_charge: Option<Money>, "millionths of the pipeline's currency";
        /// Greenhouse gases of the metered energy, by the average intensity of the grid; null where it does not cover the days.
        carbon_metered_mg: Option<i64>, "mg";
        /// Greenhouse gases of the replayed energy.
        carbon_replayed_mg: Option<i64>, "mg";
        /// Greenhouse gases of the reference.
        carbon_reference_mg: Option<i64>, "mg";
        /// Reference less replay, by the average intensity.
        carbon_saved_mg: Option<i64>, "mg";
        /// Lower end of the 90 % interval of that.
        carbon_saved_mg_p05: Option<i64>, "mg";
        /// Upper end of the 90 % interval of that.
        carbon_saved_mg_p95: Option<i64>, "mg";
        /// Reference less replay, by the marginal intensity; null without such a series.
        marginal_saved_mg: Option<i64>, "mg";
        /// Heat that users wanted and the replayed cylinder did not have.
        short_kwh: Option<f64>, "kWh";
        /// Heat that users wanted and the reference did not have.
        reference_short_kwh: Option<f64>, "kWh";
        /// Heat that left at 40 degC and above, replayed.
        warm_kwh: Option<f64>, "kWh";
        /// Heat that left at 40 degC and above under the reference.
        reference_warm_kwh: Option<f64>, "kWh";
        /// equal, less (part of the saving is comfort lost) or more.
        service: String, "";
        /// Bias of the replay over the days that the rule was not learnt from, above 0 where it is too low; share of the metered energy.
        nmbe: Option<f64>, "";
        /// Scatter of its daily energies over their mean, the same days.
        cv_rmse_daily: Option<f64>, "";
        /// The same of whole weeks.
        cv_rmse_weekly: Option<f64>, "";
        /// Dotted names of what limits these figures, comma-separated.
        verdicts: String, "";
    }
}

table! {
    /// One row per assessed home and half-hour of a day used; all sums of money and gases are sums of these.
    SavingHalfHourRow in "savings_half_hours" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// Local calendar day in the home's zone.
        day: Day, "";
        /// Half-hour of the local day, from 1: 46, 48 or 50 of them.
        period: i64, "";
        /// Start.
        start: Utc, "UTC";
        /// Price of energy.
        price: Option<Money>, "millionths of the pipeline's currency a kWh";
        /// Intensity of the grid, average.
        intensity: Option<i64>, "mg/kWh";
        /// Metered energy.
        metered_wh: i64, "Wh";
        /// Of that, spare solar power that would have been sent out.
        surplus_wh: i64, "Wh";
        /// Energy of the replay.
        replayed_wh: i64, "Wh";
        /// Energy of the reference.
        reference_wh: i64, "Wh";
        /// Cost of the metered energy.
        cost_metered: Option<Money>, "millionths of the pipeline's currency";
        /// Cost of the replay.
        cost_replayed: Option<Money>, "millionths of the pipeline's currency";
        /// Cost of the reference.
        cost_reference: Option<Money>, "millionths of the pipeline's currency";
        /// Greenhouse gases of the metered energy, average.
        carbon_metered_mg: Option<i64>, "mg";
        /// Greenhouse gases of the replay.
        carbon_replayed_mg: Option<i64>, "mg";
        /// Greenhouse gases of the reference.
        carbon_reference_mg: Option<i64>, "mg";
    }
}

table! {
    /// One row per assessed home and part of its saving; the parts of a home add up to its saving exactly.
    SavingPartRow in "savings_parts" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// less_heat_lost, service, hours, own_surplus or heat_source.
        part: String, "";
        /// Heat behind it; null where it moves none.
        kwh: Option<f64>, "kWh";
        /// What it saves; null where hours could not be priced.
        saved: Option<Money>, "millionths of the pipeline's currency";
        /// What it saves of greenhouse gases, average.
        carbon_mg: Option<i64>, "mg";
    }
}

table! {
    /// One row per assessed home and calendar month of its days used.
    SavingMonthRow in "savings_months" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// First day of the month.
        month: Day, "";
        /// Days used.
        days: i64, "d";
        /// Metered energy.
        metered_wh: i64, "Wh";
        /// Energy of the replay.
        replayed_wh: i64, "Wh";
        /// Energy of the reference.
        reference_wh: i64, "Wh";
        /// Cost of the replay.
        cost_replayed: Option<Money>, "millionths of the pipeline's currency";
        /// Cost of the reference.
        cost_reference: Option<Money>, "millionths of the pipeline's currency";
        /// Greenhouse gases saved, average.
        carbon_saved_mg: Option<i64>, "mg";
    }
}

table! {
    /// One row per statement about the fleet: the three baselines side by side, and the coverage behind them.
    SavingFleetRow in "savings_fleet" {
        /// A replay, B before and after, C matched controls; empty for coverage.
        baseline: String, "";
        /// What is stated.
        statement: String, "";
        /// Unit of the value.
        unit: String, "";
        /// The value; null where it is not assessed.
        value: Option<f64>, "";
        /// Lower end of its 90 % interval.
        p05: Option<f64>, "";
        /// Upper end of its 90 % interval.
        p95: Option<f64>, "";
        /// Homes behind it.
        homes: i64, "";
        /// What limits it, or what is missing.
        note: String, "";
    }
}

table! {
    /// One row per home with a change: daily energy before and after it (baseline B), and against homes without one (baseline C).
    BeforeAfterRow in "savings_before_after" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// assessed, not_assessed or too_little_data.
        outcome: String, "";
        /// What is missing; empty when assessed.
        missing: String, "";
        /// First local day of the new state.
        changed: Day, "";
        /// Days before that the regression was fitted on.
        days_before: i64, "d";
        /// Days after.
        days_after: i64, "d";
        /// Energy that the regression expects after the change, less the metered.
        saved_kwh: Option<f64>, "kWh";
        /// Lower end of its 90 % interval, by blocks of weeks.
        saved_kwh_p05: Option<f64>, "kWh";
        /// Upper end of its 90 % interval.
        saved_kwh_p95: Option<f64>, "kWh";
        /// Scatter of the regression over its mean, daily.
        cv_rmse: Option<f64>, "";
        /// Bias of the regression.
        nmbe: Option<f64>, "";
        /// Half-width of the 90 % interval over the saving by the guideline's formula, as a cross-check.
        formula_uncertainty: Option<f64>, "";
        /// Whether scatter and bias keep the guideline's limits for days as the mean of its hourly and monthly ones.
        within_limits: Option<bool>, "";
        /// Matched homes without a change.
        controls: i64, "";
        /// Change of the daily energy less that of the matched homes, below 0 where it fell.
        against_controls_kwh_per_day: Option<f64>, "kWh/d";
    }
}

table! {
    /// One row per home: what it could still save with the draw-offs that it had.
    StillOpenRow in "savings_still_open" {
        /// The export's own identifier, unchanged.
        home: String, "";
        /// assessed, not_assessed or too_little_data.
        outcome: String, "";
        /// What is missing; empty when assessed.
        missing: String, "";
        /// Cost of the replay over the days used.
        paid: Option<Money>, "millionths of the pipeline's currency";
        /// Cost of the cheapest plan that keeps the learnt 95 % quantile of the coming demand in hot water, weekly hygiene and thermostat.
        cheapest: Option<Money>, "millionths of the pipeline's currency";
        /// Paid less cheapest.
        gap: Option<Money>, "millionths of the pipeline's currency";
        /// Greenhouse gases of the replay.
        emitted_mg: Option<i64>, "mg";
        /// Greenhouse gases of the plan that emits least.
        least_mg: Option<i64>, "mg";
        /// Half-hours in which the cheapest plan, replayed, holds less than the demand to be kept: 0, or there is no plan.
        broken: Option<i64>, "";
        /// The single change that gets most of the gap: timer, set_point, part_tank, tariff, jacket or none.
        change: String, "";
        /// The change in words.
        change_words: String, "";
        /// What it saves.
        change_saves: Option<Money>, "millionths of the pipeline's currency";
    }
}
