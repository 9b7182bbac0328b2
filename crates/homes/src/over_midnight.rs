//! What a silence over midnight hides belongs to two days: it is parted by the home's own usual hours.
//!
//! The daybook knows over a silence only how much left, not when, and notes it where the silence ends. Parted by length alone, a quiet
//! night would take what was drawn late in the evening.

use chrono_tz::Tz;
use drawoff_contract::daybook::{DayNote, DrawNote};
use drawoff_contract::local::{day_of, minute_of_day, weekday};
use drawoff_contract::{Day, Utc};

/// Intervals of a half-hour that together last longer than this hold a silence, h: a half-hour and two late stamps.
const SILENCE_H: f64 = 0.6;
/// A draw-off is a bridged silence's when it begins so near where the balance says that the silence began, ms: late stamps of the half-hour in
/// which it ends.
const SAME_START_MS: i64 = 1_800_000;
/// A silence that began less than this before midnight is told to the day that it ends in, h.
const LEAST_BEFORE_H: f64 = 0.1;
/// Usual hours are looked up in pieces of this length, ms.
const PIECE_MS: i64 = 900_000;
const HOUR_MS: f64 = 3_600_000.0;
/// No hour is so quiet that nothing is ever drawn in it: part of the mean power that each has at least.
const LEAST_OF_MEAN: f64 = 0.1;

/// Usual power drawn by local hour, kW, on weekdays and at weekends.
#[derive(Clone, Debug, Default)]
pub(crate) struct UsualHours {
    sums: [[(f64, f64); 24]; 2],
}

impl UsualHours {
    /// Takes in what left in a half-hour that holds no silence.
    pub(crate) fn note(&mut self, zone: Tz, start_ms: i64, kwh: f64, hours: f64) {
        if hours > SILENCE_H {
            return;
        }
        let (kind, hour) = kind_and_hour(zone, start_ms);
        self.sums[kind][hour].0 += kwh;
        self.sums[kind][hour].1 += hours;
    }

    /// Mean power of all hours, kW; 0 when nothing was seen.
    fn mean_kw(&self) -> f64 {
        let all = self.sums.iter().flatten().fold((0.0, 0.0), |sum, s| (sum.0 + s.0, sum.1 + s.1));
        if all.1 > 0.0 { (all.0 / all.1).max(0.0) } else { 0.0 }
    }

    /// What is usually drawn between two instants, kWh.
    fn between(&self, zone: Tz, from_ms: i64, to_ms: i64) -> f64 {
        let mean = self.mean_kw();
        let mut at = from_ms;
        let mut sum = 0.0;
        while at < to_ms {
            let next = ((at.div_euclid(PIECE_MS) + 1) * PIECE_MS).min(to_ms);
            let (kind, hour) = kind_and_hour(zone, at);
            let (kwh, hours) = self.sums[kind][hour];
            let usual = if hours > 0.0 { kwh / hours } else { mean };
            sum += usual.max(LEAST_OF_MEAN * mean) * (next - at) as f64 / HOUR_MS;
            at = next;
        }
        sum
    }

    /// Share of what left between two instants that left before a third between them; by time where nothing is usual.
    pub(crate) fn share_before(&self, zone: Tz, from_ms: i64, midnight_ms: i64, to_ms: i64) -> f64 {
        let before = self.between(zone, from_ms, midnight_ms);
        let all = before + self.between(zone, midnight_ms, to_ms);
        if all > 0.0 { before / all } else { (midnight_ms - from_ms) as f64 / (to_ms - from_ms) as f64 }
    }
}

fn kind_and_hour(zone: Tz, at_ms: i64) -> (usize, usize) {
    let day = day_of(zone, at_ms);
    (usize::from(weekday(day) >= 5), (minute_of_day(zone, at_ms) / 60) as usize)
}

/// What left over a day as its balance says.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Left {
    /// Drawn for use, kWh.
    pub(crate) drawn_kwh: f64,
    /// Standing loss, kWh.
    pub(crate) loss_kwh: f64,
    /// Hours of which the balance speaks.
    pub(crate) seen_h: f64,
}

impl Left {
    /// Adds what left otherwise.
    pub(crate) fn add(&mut self, other: Left) {
        self.drawn_kwh += other.drawn_kwh;
        self.loss_kwh += other.loss_kwh;
        self.seen_h += other.seen_h;
    }
}

/// What left over a silence that ends in a day and began before it, all of it counted to that day.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OverMidnight {
    pub(crate) from_ms: i64,
    pub(crate) to_ms: i64,
    pub(crate) left: Left,
}

/// Gives each day before what left before midnight of a silence that ends in the day after.
pub(crate) fn part_at_midnight(
    left: &mut [Left],
    silences: &[Option<OverMidnight>],
    starts: &[(Day, Utc)],
    usual: &UsualHours,
    zone: Tz,
) {
    for i in 1..left.len() {
        let Some(silence) = silences[i] else { continue };
        let midnight_ms = starts[i].1.0;
        let drawn = usual.share_before(zone, silence.from_ms, midnight_ms, silence.to_ms);
        let by_time = (midnight_ms - silence.from_ms) as f64 / (silence.to_ms - silence.from_ms) as f64;
        let before = Left {
            drawn_kwh: silence.left.drawn_kwh * drawn,
            loss_kwh: silence.left.loss_kwh * by_time,
            seen_h: silence.left.seen_h * by_time,
        };
        left[i - 1].add(before);
        left[i].add(Left {
            drawn_kwh: -before.drawn_kwh,
            loss_kwh: -before.loss_kwh,
            seen_h: -before.seen_h,
        });
    }
}

/// The half-hour of a day in which a silence ends that began before the day, and when it began, UTC ms.
pub(crate) fn silence_before(day: &DayNote) -> Option<(usize, i64)> {
    let slot = day.net_out_kwh_by_half_hour.iter().position(|v| !v.is_nan())?;
    let hours = f64::from(*day.net_out_hours_by_half_hour.get(slot)?);
    let end_h = 0.5 * (slot + 1) as f64;
    let before_h = hours - end_h;
    (hours > SILENCE_H && before_h > LEAST_BEFORE_H)
        .then(|| (slot, day.day_start_utc.0 - (before_h * HOUR_MS) as i64))
}

/// The draw-offs in order of time, with those that a silence over a local midnight hides cut in two there. `starts` are the local days with their
/// first instants, `silences` what [`silence_before`] says of them. What was read as it left stays whole, though an interval of readings lie
/// over midnight.
pub(crate) fn cut_at_midnight(
    draws: &[&DrawNote],
    starts: &[(Day, Utc)],
    silences: &[Option<OverMidnight>],
    usual: &UsualHours,
    zone: Tz,
) -> Vec<DrawNote> {
    let mut out = Vec::with_capacity(draws.len());
    for draw in draws {
        let own = starts.binary_search_by_key(&draw.day, |s| s.0).ok().filter(|&i| i > 0);
        let hidden = |i: &usize| {
            let silence = silences[*i].is_some_and(|s| (s.from_ms - draw.start.0).abs() <= SAME_START_MS);
            silence && draw.start < starts[*i].1 && starts[*i].1 < draw.end
        };
        let Some(i) = own.filter(hidden) else {
            out.push((*draw).clone());
            continue;
        };
        let midnight = starts[i].1;
        let before = usual.share_before(zone, draw.start.0, midnight.0, draw.end.0);
        out.push(part(draw, before, draw.start, midnight, starts[i - 1].0));
        out.push(part(draw, 1.0 - before, midnight, draw.end, draw.day));
    }
    out
}

fn part(draw: &DrawNote, share: f64, start: Utc, end: Utc, day: Day) -> DrawNote {
    DrawNote {
        day,
        start,
        end,
        litres: draw.litres * share,
        energy_kwh: draw.energy_kwh * share,
        ..draw.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAYS: [(Day, Utc); 2] = [(Day(0), Utc(0)), (Day(1), Utc(86_400_000))];

    /// Usually 1 kW from 22:00 to midnight, nothing from then until six, half a kilowatt by day.
    fn evenings() -> UsualHours {
        let mut usual = UsualHours::default();
        for half in 0..7 * 48_i64 {
            let hour = half / 2 % 24;
            let kw = if hour >= 22 {
                1.0
            } else if hour < 6 {
                0.0
            } else {
                0.5
            };
            usual.note(chrono_tz::UTC, half * 1_800_000, kw / 2.0, 0.5);
        }
        usual
    }

    #[test]
    fn a_silence_over_midnight_is_parted_by_usual_hours() {
        let h = 3_600_000;
        let before = evenings().share_before(chrono_tz::UTC, 22 * h, 24 * h, 26 * h);
        // Two hours at 1 kW against two at a tenth of the mean of 0.42 kW.
        assert!((before - 2.0 / (2.0 + 2.0 * 0.1 * (2.0 + 8.0) / 24.0)).abs() < 1e-9, "{before}");
        assert!(
            (UsualHours::default().share_before(chrono_tz::UTC, 23 * h, 24 * h, 27 * h) - 0.25).abs() < 1e-12
        );
    }

    #[test]
    fn nothing_is_lost_at_midnight() {
        let h = 3_600_000;
        let of = |drawn_kwh: f64| Left { drawn_kwh, loss_kwh: 1.0, seen_h: 26.0 };
        let mut left = [of(5.0), of(7.0)];
        let silence = OverMidnight {
            from_ms: 22 * h,
            to_ms: 26 * h,
            left: Left { drawn_kwh: 2.0, loss_kwh: 0.4, seen_h: 4.0 },
        };
        part_at_midnight(&mut left, &[None, Some(silence)], &DAYS, &evenings(), chrono_tz::UTC);
        assert!((left[0].drawn_kwh + left[1].drawn_kwh - 12.0).abs() < 1e-12);
        assert!(left[0].drawn_kwh > 6.5, "most was drawn in the evening: {left:?}");
        assert!((left[0].seen_h - 28.0).abs() < 1e-12 && (left[1].seen_h - 24.0).abs() < 1e-12);
        assert!((left[0].loss_kwh - 1.2).abs() < 1e-12);
    }

    #[test]
    fn a_draw_off_over_midnight_is_cut_there() {
        let h = 3_600_000;
        let draw = DrawNote {
            home: "a".to_owned(),
            day: Day(1),
            start: Utc(23 * h),
            end: Utc(25 * h),
            litres: 30.0,
            outlet_degc: 50.0,
            energy_kwh: 1.0,
            heating: false,
        };
        let silence = OverMidnight { from_ms: 23 * h, to_ms: 25 * h, left: Left::default() };
        let cut_with = |silence, draw: &DrawNote| {
            cut_at_midnight(&[draw], &DAYS, &[None, silence], &evenings(), chrono_tz::UTC)
        };
        let cut = cut_with(Some(silence), &draw);
        assert_eq!(
            cut.iter().map(|d| (d.day.0, d.start.0, d.end.0)).collect::<Vec<_>>(),
            [(0, 23 * h, 24 * h), (1, 24 * h, 25 * h)]
        );
        assert!((cut[0].litres + cut[1].litres - 30.0).abs() < 1e-12 && cut[0].litres > 25.0, "{cut:?}");
        // What was read as it left is no silence's.
        assert_eq!(cut_with(None, &draw), std::slice::from_ref(&draw));
        let seen = DrawNote { start: Utc(25 * h), end: Utc(26 * h), ..draw };
        assert_eq!(cut_with(Some(silence), &seen), [seen]);
    }

    #[test]
    fn what_a_silence_holds_is_not_usual() {
        let mut usual = evenings();
        usual.note(chrono_tz::UTC, 2 * 3_600_000, 50.0, 5.0);
        assert_eq!(usual.between(chrono_tz::UTC, 0, 1), evenings().between(chrono_tz::UTC, 0, 1));
    }
}
