//! A flow meter held against the heat: whether its litres can be believed, and the days' litres by it where they can.
//!
//! Heat tells litres without any meter. Over days with use the metered litres are divided by those of the heat; the middle
//! ratio has an interval, and a meter whose interval stays clear of what a sound one may show is named. Its litres are then
//! not used: those of the heat stand.

use drawoff_contract::Utc;
use drawoff_contract::daybook::DayNote;
use drawoff_contract::results::DrawOffRow;
use drawoff_tank::water::Water;

use crate::days::{Days, GOOD_DAY};
use crate::robust::{median, scatter};

/// A day tells of the meter when the heat shows at least this use, l.
const LEAST_LITRES: f64 = 20.0;
/// Fewer such days tell nothing.
const LEAST_DAYS: usize = 5;
/// What heat itself misses of a home's litres, standard deviation as a share (cold feed, volume, offsets of probes): twice
/// what it was on invented homes in a fleet, as one that is alone was read 5 to 10 % high (tapping profiles).
const HEAT_SPREAD: f64 = 0.05;
/// Scatter of single days' ratios is not taken for less, as a share.
const LEAST_SCATTER: f64 = 0.02;
/// Error that a sound meter may have: 5 % in the lower flow zone (OIML R 49, class 2; from memory).
const SOUND_ERROR: f64 = 0.05;
/// A meter that shows less than this share of the water, or as much backwards, is dead.
const DEAD_SHARE: f64 = 0.05;
/// A day on which a sound meter and the heat differ by more than half of the heat's litres, and by this, stays with the heat, l.
const ODD_DAY_L: f64 = 20.0;
/// Heats of a day's draw-offs are made smaller or larger by at most this to sum to the day's balance.
const TO_DAY: (f64, f64) = (0.5, 1.6);

/// What a flow meter turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MeterState {
    /// It agrees with the heat: litres are those metered.
    Sound,
    /// It counts too much or too little.
    OffScale,
    /// It counts nothing, or hardly anything.
    Dead,
    /// It counts down.
    Reversed,
    /// Too few days with use, or none on which heat tells litres.
    Unchecked,
}

/// A flow meter and its ratio to the heat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlowMeter {
    /// What it turned out to be.
    pub state: MeterState,
    /// Metered litres over those of the heat, middle day with its 90 % interval; NaN when unchecked.
    pub over_heat: f64,
    /// 5 % point.
    pub p05: f64,
    /// 95 % point.
    pub p95: f64,
    /// Days behind it.
    pub days: usize,
}

impl FlowMeter {
    /// Dotted name of what limits its use; `None` for a sound one.
    #[must_use]
    pub fn verdict(&self) -> Option<&'static str> {
        match self.state {
            MeterState::Sound => None,
            MeterState::OffScale => Some("use.flow_meter_off_scale"),
            MeterState::Dead => Some("use.flow_meter_dead"),
            MeterState::Reversed => Some("use.flow_meter_reversed"),
            MeterState::Unchecked => Some("use.flow_meter_unchecked"),
        }
    }
}

/// Litres by the meter over the whole day; `None` when it counted less than four fifths of it, or there is none.
fn metered_litres(day: &DayNote) -> Option<f64> {
    let counted = day.metered_l.filter(|_| day.metered_hours >= GOOD_DAY * day.hours)?;
    Some(counted * day.hours / day.metered_hours)
}

/// Holds the meter against the heat; `None` where there is no meter.
///
/// `by_heat` are the days as the heat alone reads them. Days with a steady leak tell nothing: the meter counts it, use
/// does not hold it.
pub(crate) fn check(days: &[DayNote], by_heat: &Days) -> Option<FlowMeter> {
    days.iter().any(|d| d.metered_l.is_some()).then_some(())?;
    let ratios: Vec<f64> = days
        .iter()
        .zip(&by_heat.rows)
        .zip(&by_heat.steady_w)
        .filter(|(_, steady_w)| **steady_w <= 0.0)
        .filter_map(|((day, row), _)| {
            let heat_l = row.litres.filter(|litres| *litres >= LEAST_LITRES)?;
            Some(metered_litres(day)? / heat_l)
        })
        .collect();
    let (middle, count) = (median(&ratios), ratios.len());
    if count < LEAST_DAYS {
        let (p05, p95) = (f64::NAN, f64::NAN);
        return Some(FlowMeter { state: MeterState::Unchecked, over_heat: f64::NAN, p05, p95, days: count });
    }
    // 1.2533: the standard error of a median over that of a mean, under normality.
    let by_day = 1.2533 * scatter(&ratios).max(LEAST_SCATTER * middle.abs()) / (count as f64).sqrt();
    let half = 1.645 * (by_day * by_day + HEAT_SPREAD * HEAT_SPREAD * middle * middle).sqrt();
    let (p05, p95) = (middle - half, middle + half);
    let state = if p05 <= 1.0 + SOUND_ERROR && p95 >= 1.0 - SOUND_ERROR {
        MeterState::Sound
    } else if middle.abs() <= DEAD_SHARE {
        MeterState::Dead
    } else if middle < 0.0 {
        MeterState::Reversed
    } else {
        MeterState::OffScale
    };
    Some(FlowMeter { state, over_heat: middle, p05, p95, days: count })
}

/// The days with litres and draw-offs of a sound meter in place of the heat's, day by day where it counted.
///
/// The heat of a day stays that of its balance; the draw-offs share it out. A day with a steady leak, or one on which the
/// meter is far off, stays as the heat reads it.
pub(crate) fn by_meter(days: &[DayNote], by_heat: Days, cold_degc: &[f64], water: Water) -> Days {
    let mut out = by_heat;
    let heat_draws = std::mem::take(&mut out.draws);
    let mut seen = heat_draws.into_iter().peekable();
    for (i, (day, row)) in days.iter().zip(&mut out.rows).enumerate() {
        let end = Utc(day.day_start_utc.0 + (day.hours * 3_600_000.0) as i64);
        let of_heat: Vec<DrawOffRow> = std::iter::from_fn(|| seen.next_if(|draw| draw.end <= end)).collect();
        let odd = |litres: f64| {
            row.litres.is_some_and(|heat_l| (litres - heat_l).abs() > ODD_DAY_L.max(0.5 * heat_l))
        };
        let Some(litres) = metered_litres(day).filter(|litres| out.steady_w[i] <= 0.0 && !odd(*litres))
        else {
            out.draws.extend(of_heat);
            continue;
        };
        row.litres = Some(litres.max(0.0));
        let counted = row.energy_kwh.map(|kwh| kwh * day.metered_hours / day.hours);
        out.draws.extend(draw_offs(&row.home, day, cold_degc[i], counted, water));
    }
    out.draws.extend(seen);
    out
}

/// Draw-offs of the meter with their heat above the cold feed, which sums to `balance_kwh` as far as that is near.
fn draw_offs(
    home: &str,
    day: &DayNote,
    cold_degc: f64,
    balance_kwh: Option<f64>,
    water: Water,
) -> Vec<DrawOffRow> {
    let at = |seconds: f32| Utc(day.day_start_utc.0 + (f64::from(seconds) * 1000.0).round() as i64);
    let mut draws: Vec<DrawOffRow> = (0..day.metered_draw_l.len())
        .map(|i| {
            let (litres, outlet_degc) =
                (f64::from(day.metered_draw_l[i]), f64::from(day.metered_outlet_degc[i]));
            // Water drawn after a run-out carries no heat; where no probe tells, it is as warm as the day's mean.
            let outlet_degc =
                if outlet_degc.is_nan() { day.mean_degc.unwrap_or(cold_degc) } else { outlet_degc };
            let energy_kwh = litres * water.heat_wh_per_l(cold_degc, outlet_degc.max(cold_degc)) / 1000.0;
            DrawOffRow {
                home: home.to_owned(),
                start: at(day.metered_start_s[i]),
                end: at(day.metered_end_s[i]),
                litres,
                energy_kwh,
                class_small: None,
                class_shower: None,
                class_bath: None,
            }
        })
        .collect();
    let sum: f64 = draws.iter().map(|d| d.energy_kwh).sum();
    if let Some(balance) = balance_kwh.filter(|_| sum > 0.0) {
        let share = (balance / sum).clamp(TO_DAY.0, TO_DAY.1);
        draws.iter_mut().for_each(|d| d.energy_kwh *= share);
    }
    draws
}
