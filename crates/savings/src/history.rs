//! A home's half-hours: what its users took, what was around the cylinder, and what the meter counted.

use std::ops::Range;

use drawoff_contract::daybook::DayNote;
use drawoff_contract::local::{LocalDay, minute_of_day};
use drawoff_contract::money::whole_wh;
use drawoff_contract::results::DrawOffRow;
use drawoff_contract::{Cylinder, Day};
use drawoff_homes::HomeReading;

use crate::series::HALF_HOUR_MS;

/// Slots of a day.
pub const SLOTS: usize = 48;
/// Local hours over which heat that was drawn unseen is spread where no half-hour shows it.
const WAKING_SLOTS: Range<usize> = 12..46;

/// One half-hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HalfHour {
    /// Start, UTC ms.
    pub start_ms: i64,
    /// Which half-hour of the day by the local clock, 0 to 47.
    pub slot: usize,
    /// The same by the clock of the zone's winter time.
    pub winter_slot: usize,
    /// Heat above the cold feed that users took, Wh; on days that are not counted, what the home takes as a rule.
    pub wanted_wh: f64,
    /// Cold feed, degC.
    pub feed_degc: f64,
    /// Around the cylinder, degC.
    pub room_degc: f64,
    /// Metered energy, Wh; 0 on days that are not counted.
    pub metered_wh: i64,
    /// Of that, spare solar power that a diverter sent to the heater; 0 without one.
    pub surplus_wh: i64,
}

/// One local day.
#[derive(Clone, Debug, PartialEq)]
pub struct DaySpan {
    /// The day.
    pub day: Day,
    /// Its half-hours.
    pub steps: Range<usize>,
    /// Why it is not counted; `None` where it is.
    pub masked: Option<&'static str>,
    /// Volume-mean temperature by the probes, degC.
    pub mean_degc: Option<f64>,
    /// Heat that users took, Wh.
    pub drawn_wh: f64,
}

/// All half-hours of a home from its first day to its last, days without readings filled in.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct History {
    /// Half-hours in order, without a gap.
    pub steps: Vec<HalfHour>,
    /// Days in order, without a gap.
    pub days: Vec<DaySpan>,
}

/// Too little of a day was seen for its balance.
pub const TOO_LITTLE_SEEN: &str = "too little of the day was seen";
/// The heater's energy of a day is not known.
pub const NOT_METERED: &str = "heater energy is not metered";
/// No reading of a day.
pub const NO_READINGS: &str = "no readings";
/// Days of this many in a row without readings end a history: what came before is not bridged.
const LONGEST_BRIDGE_DAYS: i32 = 60;

impl History {
    /// Water at the start of a replay, degC: the first day's mean; 50 where no day has one.
    #[must_use]
    pub fn start_degc(&self) -> f64 {
        self.days.iter().find_map(|d| d.mean_degc).unwrap_or(50.0)
    }

    /// Lays out a home's days. Draw-offs give the time, the day's balance the amount; a steady leak is part of what is taken.
    ///
    /// Days whose balance or meter is not known are kept with what the home takes as a rule, so that the water goes on, and are not counted.
    #[must_use]
    pub fn new(cylinder: &Cylinder, notes: &[DayNote], reading: &HomeReading) -> Self {
        let mut out = Self::default();
        let usual = usual_wh(notes, reading);
        let winter_min = crate::tariff::winter_east_min(cylinder.zone);
        let mut draws = reading.days.draws.as_slice();
        for (i, note) in notes.iter().enumerate() {
            let before = out.days.last().map(|d| d.day.0 + 1);
            if let Some(next) = before.filter(|next| note.day.0 > *next) {
                if note.day.0 - next > LONGEST_BRIDGE_DAYS {
                    break;
                }
                for missing in next..note.day.0 {
                    let day = LocalDay::of(cylinder.zone, Day(missing));
                    out.fill(
                        cylinder,
                        &day,
                        winter_min,
                        Filled {
                            feed_degc: reading.cold_degc[i],
                            room_degc: reading.room_degc[i],
                            masked: Some(NO_READINGS),
                            mean_degc: None,
                            wanted_wh: |slot| usual[slot],
                            metered: &[],
                        },
                    );
                }
            }
            let first = draws.partition_point(|d| d.start.0 < note.day_start_utc.0);
            draws = &draws[first..];
            let day = LocalDay::of(cylinder.zone, note.day);
            let own = draws.partition_point(|d| d.start.0 < day.end_ms);
            let row = &reading.days.rows[i];
            let leak_wh = reading.days.steady_w[i] / 2.0;
            let shown = reading.days.drawn_kwh_by_half_hour.get(i).map_or(&[][..], Vec::as_slice);
            let taken = row.energy_kwh.map(|kwh| taken_wh(&draws[..own], kwh * 1000.0, shown, &day));
            let metered = row
                .heater_kwh
                .and_then(|kwh| metered_wh(kwh, &note.heater_kwh_by_half_hour, day.half_hours()));
            let masked = match (&taken, &metered) {
                (Some(_), Some(_)) => None,
                (None, _) => Some(TOO_LITTLE_SEEN),
                (_, None) => Some(NOT_METERED),
            };
            let taken = taken.unwrap_or_default();
            out.fill(
                cylinder,
                &day,
                winter_min,
                Filled {
                    feed_degc: reading.cold_degc[i],
                    room_degc: reading.room_degc[i],
                    masked,
                    mean_degc: note.mean_degc,
                    wanted_wh: |slot| if taken.is_empty() { usual[slot] } else { 0.0 },
                    metered: metered.as_deref().unwrap_or_default(),
                },
            );
            let span = out.days.len() - 1;
            let steps = out.days[span].steps.clone();
            for (step, wh) in out.steps[steps].iter_mut().zip(&taken) {
                step.wanted_wh = wh + leak_wh;
            }
            out.days[span].drawn_wh =
                out.steps[out.days[span].steps.clone()].iter().map(|s| s.wanted_wh).sum();
        }
        out
    }

    fn fill<F: Fn(usize) -> f64>(
        &mut self,
        cylinder: &Cylinder,
        day: &LocalDay,
        winter_min: i64,
        filled: Filled<'_, F>,
    ) {
        let first = self.steps.len();
        for i in 0..day.half_hours() {
            let start_ms = day.start_ms + i as i64 * HALF_HOUR_MS;
            let slot = minute_of_day(cylinder.zone, start_ms) as usize / 30;
            let winter = (start_ms.div_euclid(60_000) + winter_min).rem_euclid(1440);
            self.steps.push(HalfHour {
                start_ms,
                slot,
                winter_slot: usize::try_from(winter / 30).unwrap_or(0),
                wanted_wh: (filled.wanted_wh)(slot),
                feed_degc: filled.feed_degc,
                room_degc: filled.room_degc,
                metered_wh: filled.metered.get(i).copied().unwrap_or(0),
                surplus_wh: 0,
            });
        }
        let steps = first..self.steps.len();
        let drawn_wh = self.steps[steps.clone()].iter().map(|s| s.wanted_wh).sum();
        self.days.push(DaySpan {
            day: day.day,
            steps,
            masked: filled.masked,
            mean_degc: filled.mean_degc,
            drawn_wh,
        });
    }

    /// Number of days that count.
    #[must_use]
    pub fn counted(&self) -> usize {
        self.days.iter().filter(|d| d.masked.is_none()).count()
    }

    /// Metered energy of a day, Wh.
    #[must_use]
    pub fn metered_wh(&self, day: &DaySpan) -> i64 {
        self.steps[day.steps.clone()].iter().map(|s| s.metered_wh).sum()
    }
}

struct Filled<'a, F> {
    feed_degc: f64,
    room_degc: f64,
    masked: Option<&'static str>,
    mean_degc: Option<f64>,
    wanted_wh: F,
    metered: &'a [i64],
}

/// Mean heat drawn in each local half-hour of the days whose balance is known, Wh.
fn usual_wh(notes: &[DayNote], reading: &HomeReading) -> [f64; SLOTS] {
    let mut sums = [0.0; SLOTS];
    let mut days = 0.0;
    for (note, row) in notes.iter().zip(&reading.days.rows) {
        let Some(kwh) = row.energy_kwh else { continue };
        days += 1.0;
        let own = reading.days.draws.partition_point(|d| d.start.0 < note.day_start_utc.0);
        let seen: f64 = kwh * 1000.0;
        let day_end = note.day_start_utc.0 + (note.hours * 3_600_000.0) as i64;
        let draws = &reading.days.draws[own..];
        let until = draws.partition_point(|d| d.start.0 < day_end);
        let drawn: f64 = draws[..until].iter().map(|d| d.energy_kwh * 1000.0).sum();
        if drawn <= 0.0 {
            continue;
        }
        for draw in &draws[..until] {
            let slot =
                ((draw.start.0 - note.day_start_utc.0) / HALF_HOUR_MS).clamp(0, SLOTS as i64 - 1) as usize;
            sums[slot] += draw.energy_kwh * 1000.0 * seen / drawn;
        }
    }
    sums.map(|s| if days > 0.0 { s / days } else { 0.0 })
}

/// Heat taken in each half-hour of a day, Wh: that of the draw-offs by their time, and what the balance says beyond them where the half-hours show it.
fn taken_wh(draws: &[DrawOffRow], day_wh: f64, shown_kwh: &[f32], day: &LocalDay) -> Vec<f64> {
    let count = day.half_hours();
    let mut out = vec![0.0; count];
    for draw in draws {
        let wh = (draw.energy_kwh * 1000.0).max(0.0);
        let (from, to) = (draw.start.0.max(day.start_ms), draw.end.0.min(day.end_ms).max(draw.start.0 + 1));
        let length = (to - from).max(1) as f64;
        let mut at = from;
        while at < to {
            let i = (usize::try_from((at - day.start_ms) / HALF_HOUR_MS).unwrap_or(0)).min(count - 1);
            let end = (day.start_ms + (i as i64 + 1) * HALF_HOUR_MS).min(to).max(at + 1);
            out[i] += wh * (end - at) as f64 / length;
            at = end;
        }
    }
    let seen: f64 = out.iter().sum();
    let rest = day_wh - seen;
    if rest <= 0.0 {
        let share = if seen > 0.0 { (day_wh / seen).max(0.0) } else { 0.0 };
        out.iter_mut().for_each(|wh| *wh *= share);
        return out;
    }
    let mut weights: Vec<f64> = (0..count)
        .map(|i| (f64::from(shown_kwh.get(i).copied().unwrap_or(0.0)) * 1000.0 - out[i]).max(0.0))
        .collect();
    if weights.iter().any(|w| w.is_nan()) || weights.iter().sum::<f64>() <= 0.0 {
        weights = (0..count).map(|i| f64::from(u8::from(WAKING_SLOTS.contains(&i)))).collect();
    }
    let all: f64 = weights.iter().sum();
    out.iter_mut().zip(weights).for_each(|(wh, weight)| *wh += rest * weight / all);
    out
}

/// Whole Wh of each half-hour that sum to the day's whole Wh, in proportion to what the half-hours show; `None` when they show nothing of a day that has some.
fn metered_wh(day_kwh: f64, by_half_hour_kwh: &[f32], count: usize) -> Option<Vec<i64>> {
    let total = whole_wh(day_kwh);
    let shown: Vec<f64> = (0..count)
        .map(|i| f64::from(by_half_hour_kwh.get(i).copied().unwrap_or(f32::NAN)))
        .map(|v| if v.is_nan() { 0.0 } else { v.max(0.0) })
        .collect();
    if total < 0 || (total > 0 && shown.iter().sum::<f64>() <= 0.0) {
        return None;
    }
    Some(shares(&shown, total))
}

/// Splits a whole amount in proportion to weights that are not below 0: running sums are rounded, so that the parts add up exactly.
#[must_use]
pub fn shares(weights: &[f64], total: i64) -> Vec<i64> {
    let all: f64 = weights.iter().sum();
    let (mut sum, mut given) = (0.0, 0_i64);
    let mut out: Vec<i64> = Vec::with_capacity(weights.len());
    for weight in weights {
        sum += weight;
        let until = if all > 0.0 { (total as f64 * (sum / all)).round_ties_even() as i64 } else { 0 };
        out.push(until - given);
        given = until;
    }
    // Rounding of the last running sum: it is the total itself.
    if let Some(last) = out.iter_mut().rev().find(|v| **v != 0).filter(|_| all > 0.0) {
        *last += total - given;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawoff_contract::Utc;

    fn draw(start_min: i64, end_min: i64, kwh: f64) -> DrawOffRow {
        DrawOffRow {
            home: String::new(),
            start: Utc(start_min * 60_000),
            end: Utc(end_min * 60_000),
            litres: 1.0,
            energy_kwh: kwh,
            class_small: None,
            class_shower: None,
            class_bath: None,
        }
    }

    #[test]
    fn draw_offs_give_the_time_and_the_balance_the_amount() {
        let day = LocalDay::of(chrono_tz::UTC, Day(0));
        // 20 to 40 minutes: half of it before the half-hour
        let draws = [draw(20, 40, 1.0), draw(600, 605, 2.0)];
        let exact = taken_wh(&draws, 3000.0, &[], &day);
        assert_eq!((exact[0].round(), exact[1].round(), exact[20].round()), (500.0, 500.0, 2000.0));
        let less = taken_wh(&draws, 1500.0, &[], &day);
        assert!((less.iter().sum::<f64>() - 1500.0).abs() < 1e-9 && (less[20] - 1000.0).abs() < 1e-9);
        let mut shown = [0.0_f32; 48];
        shown[30] = 0.4;
        let more = taken_wh(&draws, 3300.0, &shown, &day);
        assert!((more[30] - 300.0).abs() < 1e-3, "{more:?}");
        assert_eq!(taken_wh(&[], 0.0, &[], &day), vec![0.0; 48]);
    }

    #[test]
    fn parts_add_up() {
        assert_eq!(shares(&[1.0, 1.0, 1.0], 100), [33, 34, 33]);
        assert_eq!(shares(&[0.0, 0.0], 7), [0, 0]);
        let weights: Vec<f64> = (0..50).map(|i| libm::sin(f64::from(i)).abs()).collect();
        for total in [0, 1, 49, 12_345] {
            assert_eq!(shares(&weights, total).iter().sum::<i64>(), total);
        }
        assert_eq!(metered_wh(1.0005, &[f32::NAN, 0.5, 0.5], 3), Some(vec![0, 500, 500]));
        assert_eq!(metered_wh(1.0, &[f32::NAN], 1), None);
        assert_eq!(metered_wh(0.0, &[f32::NAN], 1), Some(vec![0]));
    }
}
