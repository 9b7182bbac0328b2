//! Energy and litres drawn each local day, from the heat balance less standing loss and any steady leak.

use chrono_tz::Tz;
use drawoff_contract::daybook::{DayNote, DrawNote};
use drawoff_contract::local::minute_of_day;
use drawoff_contract::results::{DayRow, DrawOffRow};
use drawoff_tank::water::Water;

use crate::heat_input::HeatInputs;
use crate::over_midnight::{
    Left, OverMidnight, UsualHours, cut_at_midnight, part_at_midnight, silence_before,
};
use crate::priors::Rooms;
use crate::robust::median;

/// A day counts when at least this share of it was seen.
pub const GOOD_DAY: f64 = 0.8;
/// A quiet loss below this is within what noise and the loss coefficient explain, W.
const LEAST_STEADY_W: f64 = 60.0;
/// A heat pump that takes less than this in half an hour stands: 60 W, as in the daybook.
const LEAST_RUNNING_KWH: f64 = 0.03;
/// Draw-offs of a day are made smaller or larger by at most these factors to sum to the day's balance; the rest was too
/// small to be seen one by one.
const DRAW_OFFS_TO_DAY: (f64, f64) = (0.5, 1.6);
/// Length of a settlement period, ms.
const HALF_HOUR_MS: i64 = 1_800_000;
/// Days either side over which a steady leak must persist.
const STEADY_REACH: usize = 2;
/// Water cannot be drawn for use at less than this above the feed.
const LEAST_OUTLET_LIFT_K: f64 = 5.0;

/// Everything read of a home's days.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Days {
    /// One row a local day.
    pub rows: Vec<DayRow>,
    /// Draw-offs with litres.
    pub draws: Vec<DrawOffRow>,
    /// Power that leaves steadily besides the standing loss, W, by day: 0 where there is none.
    pub steady_w: Vec<f64>,
    /// Heat drawn in each half-hour by day, kWh: below zero by noise, NaN where it was not seen or the heat put in is not known.
    pub drawn_kwh_by_half_hour: Vec<Vec<f32>>,
    /// Mean drawn energy by local hour on weekdays, kWh.
    pub weekday_kwh_by_hour: Vec<f32>,
    /// The same on Saturdays and Sundays.
    pub weekend_kwh_by_hour: Vec<f32>,
}

/// What the day's balance needs to know of the home.
#[derive(Clone, Copy, Debug)]
pub struct Balance<'a> {
    /// Loss against the volume-mean temperature, W/K.
    pub loss_w_per_k: f64,
    /// Loss that the daybook already took off its quiet figures, W/K.
    pub first_pass_w_per_k: f64,
    /// Surroundings.
    pub rooms: &'a Rooms<'a>,
    /// Cold feed by day, degC.
    pub cold_degc: &'a [f64],
    /// Heat into the water per metered energy; `None` where it is not known, and no day's use with it.
    pub heat_input: Option<&'a HeatInputs>,
    /// Water properties.
    pub water: Water,
    /// Zone of the home.
    pub zone: Tz,
}

/// Quiet heat loss of a day beyond the standing loss, W; NaN when unknown.
fn quiet_excess_w(day: &DayNote, b: &Balance<'_>) -> f64 {
    // What is steady runs by night and by day alike.
    let least = [day.quiet_w, day.quiet_night_w, day.quiet_day_w].into_iter().flatten().reduce(f64::min);
    let (Some(quiet), Some(mean)) = (least, day.mean_degc) else { return f64::NAN };
    let first_pass_room = day.surroundings_degc.unwrap_or(18.0);
    let taken = b.first_pass_w_per_k * (mean - first_pass_room);
    quiet + taken - b.loss_w_per_k * (mean - b.rooms.of_day(day.day))
}

/// Power that leaves steadily besides the standing loss, W, by day.
fn steady_w(days: &[DayNote], b: &Balance<'_>) -> Vec<f64> {
    let excess: Vec<f64> = days.iter().map(|d| quiet_excess_w(d, b)).collect();
    (0..days.len())
        .map(|i| {
            let near = &excess[i.saturating_sub(STEADY_REACH)..(i + STEADY_REACH + 1).min(days.len())];
            let typical = median(near);
            if typical > LEAST_STEADY_W { typical } else { 0.0 }
        })
        .collect()
}

/// Litres that carry `wh` above the cold feed at an outlet temperature; NaN when the outlet is no warmer.
fn litres(wh: f64, outlet_degc: f64, cold_degc: f64, water: Water) -> f64 {
    let per_litre = water.heat_wh_per_l(cold_degc, outlet_degc.max(cold_degc + LEAST_OUTLET_LIFT_K));
    wh / per_litre
}

/// Reads the days of one home.
#[must_use]
pub fn read_days(home: &str, days: &[DayNote], draws: &[&DrawNote], b: &Balance<'_>) -> Days {
    let steady = steady_w(days, b);
    let mut out = Days { steady_w: steady.clone(), ..Days::default() };
    let mut hourly = [[(0.0, 0.0); 24]; 2];
    let mut usual = UsualHours::default();
    let (mut left, mut silences) = (Vec::with_capacity(days.len()), Vec::with_capacity(days.len()));
    for (i, day) in days.iter().enumerate() {
        let (mut sum, mut silence) = (Left::default(), None);
        let room = b.rooms.of_day(day.day);
        let kind = usize::from(drawoff_contract::local::weekday(day.day) >= 5);
        let mut by_half_hour = vec![f32::NAN; day.net_out_kwh_by_half_hour.len()];
        for (slot, net) in day.net_out_kwh_by_half_hour.iter().enumerate() {
            let hours = f64::from(day.net_out_hours_by_half_hour[slot]);
            let mean = f64::from(day.mean_degc_by_half_hour[slot]);
            if net.is_nan() || hours <= 0.0 || mean.is_nan() {
                continue;
            }
            let start_ms = day.day_start_utc.0 + slot as i64 * HALF_HOUR_MS;
            let lost = b.loss_w_per_k * (mean - room) * hours / 1000.0;
            let metered = f64::from(day.heater_kwh_by_half_hour[slot]);
            let beyond_metered = match b.heat_input {
                // What a heat pump takes while it stands warms no water.
                Some(input) if input.typical.heats > 0 && metered < LEAST_RUNNING_KWH => -metered.max(0.0),
                Some(input) if metered > 0.0 => (input.of_half_hour(day.day, start_ms) - 1.0) * metered,
                _ => 0.0,
            };
            let drawn = f64::from(*net) + beyond_metered - lost - steady[i] * hours / 1000.0;
            if b.heat_input.is_some() {
                by_half_hour[slot] = drawn as f32;
            }
            let of_slot = Left { drawn_kwh: drawn, loss_kwh: lost, seen_h: hours };
            sum.add(of_slot);
            if let Some((_, from_ms)) = silence_before(day).filter(|s| s.0 == slot) {
                silence = Some(OverMidnight { from_ms, to_ms: start_ms + HALF_HOUR_MS, left: of_slot });
            }
            usual.note(b.zone, start_ms, drawn, hours);
            let hour = minute_of_day(b.zone, start_ms) / 60;
            hourly[kind][hour as usize].0 += drawn;
            hourly[kind][hour as usize].1 += hours;
        }
        out.drawn_kwh_by_half_hour.push(by_half_hour);
        left.push(sum);
        silences.push(silence);
    }
    let starts: Vec<_> = days.iter().map(|d| (d.day, d.day_start_utc)).collect();
    part_at_midnight(&mut left, &silences, &starts, &usual, b.zone);
    let draws = cut_at_midnight(draws, &starts, &usual, b.zone);
    let mut next_draw = 0;
    for (i, day) in days.iter().enumerate() {
        let cold = b.cold_degc[i];
        let Left { drawn_kwh, loss_kwh, seen_h } = left[i];
        let good = b.heat_input.is_some() && seen_h >= GOOD_DAY * day.hours;
        let scale = day.hours / seen_h;
        let energy = good.then(|| (drawn_kwh * scale).max(0.0));
        let mut event_kwh = 0.0;
        let mut event_litres = 0.0;
        let first_of_day = out.draws.len();
        while let Some(draw) = draws.get(next_draw).filter(|d| d.day <= day.day) {
            let lift_k = (draw.outlet_degc - cold).max(LEAST_OUTLET_LIFT_K);
            let kwh = draw.litres * b.water.heat_wh_per_l(cold, cold + lift_k) / 1000.0;
            if kwh.is_finite() {
                event_kwh += kwh;
                event_litres += draw.litres;
                out.draws.push(DrawOffRow {
                    home: home.to_owned(),
                    start: draw.start,
                    end: draw.end,
                    litres: draw.litres,
                    energy_kwh: kwh,
                    class_small: None,
                    class_shower: None,
                    class_bath: None,
                });
            }
            next_draw += 1;
        }
        if good && event_kwh > 0.0 {
            // The balance over a day is surer than each draw-off by itself.
            let share = (drawn_kwh / event_kwh).clamp(DRAW_OFFS_TO_DAY.0, DRAW_OFFS_TO_DAY.1);
            for draw in &mut out.draws[first_of_day..] {
                draw.litres *= share;
                draw.energy_kwh *= share;
            }
            (event_kwh, event_litres) = (event_kwh * share, event_litres * share);
        }
        // What the balance says beyond the draw-offs seen one by one is the sum of the small ones.
        let typical_top =
            median(&day.top_degc_by_half_hour.iter().map(|v| f64::from(*v)).collect::<Vec<_>>());
        // Without the temperature at the top, heat does not tell litres.
        let litres_day = energy.filter(|_| !typical_top.is_nan()).map(|e| {
            let rest = litres((e - event_kwh * scale) * 1000.0, typical_top, cold, b.water);
            (event_litres * scale + if rest.is_nan() { 0.0 } else { rest }).max(0.0)
        });
        out.rows.push(DayRow {
            home: home.to_owned(),
            day: day.day,
            day_start_utc: day.day_start_utc,
            hours: day.hours,
            litres: litres_day,
            energy_kwh: energy,
            heater_kwh: day.heater_kwh,
            loss_kwh: good.then_some(loss_kwh * scale),
            mean_stored_degc: day.mean_degc,
        });
    }
    let pattern = |kind: usize| -> Vec<f32> {
        // Hours seen over 24 h make days: energy over hours is mean power in that hour.
        hourly[kind]
            .iter()
            .map(|(kwh, hours)| if *hours > 0.0 { (kwh / hours).max(0.0) as f32 } else { f32::NAN })
            .collect()
    };
    out.weekday_kwh_by_hour = pattern(0);
    out.weekend_kwh_by_hour = pattern(1);
    out
}
