//! One home's past days as trials: what holding off or taking on would have moved, and what it would have done.

use core::ops::Range;

use drawoff_contract::Day;
use drawoff_tank::replay::{Outcome, Permit, State, Step};

use crate::battery::{Envelope, HORIZON};
use crate::home::{HalfHour, Home, PastDay};
use crate::quantile::of_next;

/// Half-hours of a day without a change of clocks; days with one are no trials.
pub const SLOTS: usize = 48;
/// Lengths of events, in half-hours: 0.5, 1, 2 and 4 h.
pub const DURATIONS: [usize; 4] = [1, 2, 4, 8];
/// Half-hours after an event in which what comes back is followed: 8 h.
pub const AFTER: usize = 16;
/// An event whose water has come within this of the undisturbed one is over, Wh.
const SAME_WH: f64 = 15.0;
/// A user goes short where this much of what is wanted is not there, Wh: half a litre of hot water.
const SHORT_WH: f64 = 25.0;
/// What a home draws is not exceeded with this probability; so much must be in the cylinder before an event is put on it.
const COMFORT: f64 = 0.90;
/// Less than this moved in an event is nothing, Wh.
const NOTHING_WH: f64 = 1.0;

/// Which way load is moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// Heating that would have run does not.
    HoldOff,
    /// Heating runs that would not have.
    TakeOn,
}

impl Direction {
    /// Both, in the order of tables.
    pub const ALL: [Self; 2] = [Self::HoldOff, Self::TakeOn];

    /// Words for tables.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::HoldOff => "hold off",
            Self::TakeOn => "take on",
        }
    }
}

/// What decided how much a home could move in one event.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Limit {
    /// It moved some load.
    #[default]
    Moved,
    /// No heating would have run, or no room was left for more.
    Nothing,
    /// Too little hot water in the cylinder for what may be drawn: left alone.
    Comfort,
    /// Spare solar power may be what heats: left alone.
    Sun,
    /// No readings: not reached.
    Silent,
}

/// One event of one home on one past day, Wh of electricity.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Moved {
    /// What decided.
    pub limit: Limit,
    /// Load moved, by the meter: held off, or taken on beyond what ran.
    pub wh: f32,
    /// The same between two runs of the model; what follows is of the model too and belongs to this.
    pub model_wh: f32,
    /// Heating that comes back afterwards (held off) or is saved afterwards (taken on).
    pub back_wh: f32,
    /// Loss avoided (held off) or added (taken on).
    pub loss_wh: f32,
    /// Stored heat still missing (held off) or still there (taken on) at the end, with what users had less (held off) or more (taken on):
    /// `model_wh = back_wh + loss_wh + left_wh`.
    pub left_wh: f32,
    /// Heat that users wanted and would have got without the event.
    pub short_wh: f32,
}

impl Moved {
    /// Whether a user went short.
    #[must_use]
    pub fn is_short(&self) -> bool {
        f64::from(self.short_wh) > SHORT_WH
    }
}

/// All events of one home.
#[derive(Clone, Debug)]
pub struct Trials {
    /// Days of the fleet's window; those that the home lacks are silent.
    days: usize,
    events: Vec<Moved>,
    /// Metered electricity by day and half-hour, Wh; NaN where not seen.
    pub metered_wh: Vec<f32>,
    /// Change of load after an event, Wh of the model, summed over days: by direction, duration, half-hour of the start, half-hour after the end.
    pub after_wh: Vec<f32>,
}

/// Place in [`Trials::after_wh`].
#[must_use]
pub fn after_index(direction: Direction, duration: usize, slot: usize, after: usize) -> usize {
    ((direction as usize * DURATIONS.len() + duration) * SLOTS + slot) * AFTER + after
}

/// Events of a home on one day.
const EVENTS_A_DAY: usize = SLOTS * 2 * DURATIONS.len();

/// Numbers in [`Trials::after_wh`].
pub const AFTER_LENGTH: usize = 2 * DURATIONS.len() * SLOTS * AFTER;

impl Trials {
    /// The event of a day of the window, a half-hour, a direction and a duration (its place in [`DURATIONS`]).
    #[must_use]
    pub fn event(&self, day: usize, slot: usize, direction: Direction, duration: usize) -> &Moved {
        &self.events[event_index(day, slot, direction, duration)]
    }

    /// Days of the window.
    #[must_use]
    pub fn days(&self) -> usize {
        self.days
    }

    /// Events on so many days; `None` for more days than can be counted.
    pub(crate) fn events_of(days: usize) -> Option<usize> {
        days.checked_mul(EVENTS_A_DAY)
    }

    /// All events, as [`Trials::of_events`] takes them.
    pub(crate) fn events(&self) -> &[Moved] {
        &self.events
    }

    /// Trials handed on by another process; `None` where the numbers do not fit the days.
    pub(crate) fn of_events(
        days: usize,
        events: Vec<Moved>,
        metered_wh: Vec<f32>,
        after_wh: Vec<f32>,
    ) -> Option<Self> {
        let fits = Self::events_of(days) == Some(events.len())
            && days.checked_mul(SLOTS) == Some(metered_wh.len())
            && after_wh.len() == AFTER_LENGTH;
        fits.then_some(Self { days, events, metered_wh, after_wh })
    }
}

fn event_index(day: usize, slot: usize, direction: Direction, duration: usize) -> usize {
    ((day * SLOTS + slot) * 2 + direction as usize) * DURATIONS.len() + duration
}

/// Lengths of time ahead, in half-hours, for which what is drawn is known; others are rounded up.
const AHEAD: [usize; 9] = [2, 3, 5, 9, 13, 17, 25, 37, 49];

/// Days before an event from which a home's wants are known.
const KNOWN_DAYS: i32 = 42;
/// As long as fewer days are past, the first days of the record stand for them.
const FIRST_DAYS: i32 = 14;

/// Heat drawn within a time ahead that is not exceeded with probability [`COMFORT`], Wh, by kind of day, half-hour and time; from some
/// of the home's days.
struct Wants {
    wh: [[[f64; AHEAD.len()]; SLOTS]; 2],
    spare_wh: [f64; SLOTS],
}

impl Wants {
    /// What is known at the start of the week of a day, from the days before it; early in the record from its first days.
    fn known_in_week(home: &Home, week: i32) -> Self {
        let first = home.days.first().map_or(0, |d| d.day.0);
        let (from, before) =
            if week - first < FIRST_DAYS { (first, first + FIRST_DAYS) } else { (week - KNOWN_DAYS, week) };
        Self::of(home, Day(from)..Day(before))
    }

    fn of(home: &Home, known: Range<Day>) -> Self {
        let mut wants = [[[f64::INFINITY; AHEAD.len()]; SLOTS]; 2];
        let mut drawn: Vec<[f64; AHEAD.len()]> = Vec::new();
        let mut column: Vec<f64> = Vec::new();
        for (kind, by_slot) in wants.iter_mut().enumerate() {
            let days: Vec<usize> = (0..home.days.len())
                .filter(|i| usize::from(home.days[*i].weekend) == kind)
                .filter(|i| known.contains(&home.days[*i].day))
                .collect();
            for (slot, by_time) in by_slot.iter_mut().enumerate() {
                drawn.clear();
                drawn.extend(days.iter().filter_map(|day| drawn_ahead(home, *day, slot)));
                for (ahead, want) in by_time.iter_mut().enumerate() {
                    column.clear();
                    column.extend(drawn.iter().map(|sums| sums[ahead]));
                    column.sort_by(f64::total_cmp);
                    if !column.is_empty() {
                        *want = of_next(&column, COMFORT);
                    }
                }
            }
        }
        Self { wh: wants, spare_wh: spare_wh(home, &known) }
    }

    /// Heat that should be of use in the cylinder at the start of an event, Wh.
    fn ahead(&self, day: &PastDay, slot: usize, half_hours: usize) -> f64 {
        let ahead = AHEAD.iter().position(|a| *a >= half_hours).unwrap_or(AHEAD.len() - 1);
        self.wh[usize::from(day.weekend)][slot % SLOTS][ahead]
    }
}

/// Heat drawn from a half-hour of a day on within each of [`AHEAD`], Wh; `None` where the record ends before.
fn drawn_ahead(home: &Home, day: usize, slot: usize) -> Option<[f64; AHEAD.len()]> {
    let mut out = [0.0; AHEAD.len()];
    let (mut next, mut sum, mut seen) = (0, 0.0, 0);
    for half_hour in series(home, day, slot).take(AHEAD[AHEAD.len() - 1]) {
        sum += half_hour.wanted_wh;
        seen += 1;
        if seen == AHEAD[next] {
            out[next] = sum;
            next += 1;
        }
    }
    // a day at the end of the record tells what it holds of the times ahead
    let told = out.get(next.checked_sub(1)?).copied()?;
    out[next..].fill(told.max(sum));
    Some(out)
}

/// What the heater can give in each half-hour of the day beyond what it does give on most days, Wh of electricity: this is what puts
/// back what was held off.
fn spare_wh(home: &Home, known: &Range<Day>) -> [f64; SLOTS] {
    let each_wh = home.cylinder.heater().power_w / home.heat_per_metered / 2.0;
    std::array::from_fn(|slot| {
        let days = home.days.iter().filter(|d| known.contains(&d.day));
        let metered = days.filter_map(|d| d.half_hours.get(slot)).map(|h| h.heater_wh);
        let (sum, n) = metered.filter(|wh| !wh.is_nan()).fold((0.0, 0.0), |(sum, n), wh| (sum + wh, n + 1.0));
        if home.allowed[slot] && n > 0.0 { (each_wh - sum / n).max(0.0) } else { 0.0 }
    })
}

/// Half-hours from the start of an event until what was held off can have been put back; a day at most.
fn until_restored(spare_wh: &[f64; SLOTS], slot: usize, length: usize, held_wh: f64) -> usize {
    let mut left_wh = held_wh;
    let mut after = slot + length;
    while left_wh > 0.0 && after < slot + SLOTS {
        left_wh -= spare_wh[after % SLOTS];
        after += 1;
    }
    after - slot + 1
}

/// Half-hours from a slot of a day on, over midnight as long as the days follow each other.
pub(crate) fn series(home: &Home, day: usize, slot: usize) -> impl Iterator<Item = &HalfHour> {
    let first = home.days[day].day.0 - i32::try_from(day).unwrap_or(0);
    home.days[day..]
        .iter()
        .enumerate()
        .take_while(move |(i, d)| d.day.0 - i32::try_from(day + i).unwrap_or(0) == first)
        .flat_map(|(_, d)| d.half_hours.iter())
        .skip(slot)
}

/// The Monday of a day's week.
fn week_of(day: Day) -> i32 {
    day.0 - i32::try_from(drawoff_contract::local::weekday(day)).unwrap_or(0)
}

/// Works out all events of a home on the days of the fleet's window. What a home will want is known from days before the week of each event.
#[must_use]
pub fn trials(home: &Home, window: &[Day]) -> Trials {
    let silent = Moved { limit: Limit::Silent, ..Moved::default() };
    let mut out = Trials {
        days: window.len(),
        events: vec![silent; window.len() * EVENTS_A_DAY],
        metered_wh: vec![f32::NAN; window.len() * SLOTS],
        after_wh: vec![0.0; AFTER_LENGTH],
    };
    let mut wants: Option<(i32, Wants)> = None;
    for (index, past) in home.days.iter().enumerate() {
        let Ok(day) = window.binary_search(&past.day) else { continue };
        if past.half_hours.len() != SLOTS {
            continue;
        }
        let week = week_of(past.day);
        let (_, wants) = match wants.take() {
            Some(known) if known.0 == week => wants.insert(known),
            _ => wants.insert((week, Wants::known_in_week(home, week))),
        };
        for slot in 0..SLOTS {
            out.metered_wh[day * SLOTS + slot] = past.half_hours[slot].heater_wh as f32;
            start(home, index, slot, wants, |direction, duration, moved, after| {
                out.events[event_index(day, slot, direction, duration)] = moved;
                for (i, wh) in after.iter().enumerate() {
                    out.after_wh[after_index(direction, duration, slot, i)] += *wh as f32;
                }
            });
        }
    }
    out
}

/// Half-hours that one start needs: the longest event and what comes after.
const LENGTH: usize = DURATIONS[DURATIONS.len() - 1] + AFTER;

/// The undisturbed run of the model from one start.
struct Undisturbed {
    states: [State; LENGTH + 1],
    outcomes: [Outcome; LENGTH],
    steps: usize,
}

/// The half-hour before a slot; `None` where the day before is missing.
pub(crate) fn before(home: &Home, day: usize, slot: usize) -> Option<&HalfHour> {
    if let Some(earlier) = slot.checked_sub(1) {
        return home.days[day].half_hours.get(earlier);
    }
    let yesterday = home.days.get(day.checked_sub(1)?)?;
    if yesterday.day.0 + 1 == home.days[day].day.0 { yesterday.half_hours.last() } else { None }
}

fn start(
    home: &Home,
    day: usize,
    slot: usize,
    wants: &Wants,
    mut put: impl FnMut(Direction, usize, Moved, &[f64]),
) {
    let Some(water) = before(home, day, slot).and_then(|h| home.water_at(h)) else { return };
    let half_hours: Vec<&HalfHour> = series(home, day, slot).take(LENGTH).collect();
    let feed_degc = half_hours[0].feed_degc;
    let usable_wh = home.cylinder.usable_wh(&water, feed_degc);
    let room_wh = home.cylinder.room_wh(&water);
    let mut undisturbed: Option<Undisturbed> = None;
    for (duration, length) in DURATIONS.into_iter().enumerate() {
        let Some(event) = half_hours.get(..length) else { return };
        let metered_wh: f64 = event.iter().map(|h| h.heater_wh).sum();
        if metered_wh.is_nan() {
            return;
        }
        let sun = (slot..slot + length).any(|s| !home.sellable[s % SLOTS]);
        for direction in Direction::ALL {
            let hold = direction == Direction::HoldOff;
            let wanted_wh: f64 = event.iter().map(|h| h.wanted_wh).sum();
            let limit = match direction {
                _ if sun => Limit::Sun,
                Direction::HoldOff if metered_wh < NOTHING_WH => Limit::Nothing,
                Direction::HoldOff
                    if usable_wh
                        < wants.ahead(
                            &home.days[day],
                            slot,
                            until_restored(&wants.spare_wh, slot, length, metered_wh),
                        ) =>
                {
                    Limit::Comfort
                }
                Direction::TakeOn if room_wh + wanted_wh < NOTHING_WH => Limit::Nothing,
                _ => Limit::Moved,
            };
            let mut moved = Moved { limit, ..Moved::default() };
            if limit != Limit::Moved {
                put(direction, duration, moved, &[]);
                continue;
            }
            let plain = undisturbed.get_or_insert_with(|| run_undisturbed(home, water, &half_hours, slot));
            let run = disturb(home, plain, &half_hours, slot, length, direction);
            let per = home.heat_per_metered;
            let metered = if hold { metered_wh } else { (run.heated_wh / per - metered_wh).max(0.0) };
            let sign = if hold { 1.0 } else { -1.0 };
            if metered < NOTHING_WH {
                put(direction, duration, Moved { limit: Limit::Nothing, ..moved }, &[]);
                continue;
            }
            moved.wh = metered as f32;
            moved.model_wh = (sign * (run.plain_wh - run.heated_wh) / per) as f32;
            moved.back_wh = (sign * run.after_wh.iter().sum::<f64>() / per) as f32;
            moved.loss_wh = (sign * run.loss_avoided_wh / per) as f32;
            moved.left_wh = (sign * (run.stored_missing_wh + run.short_wh) / per) as f32;
            moved.short_wh = run.short_wh.max(0.0) as f32;
            let after: Vec<f64> = run.after_wh.iter().map(|wh| wh / per).collect();
            put(direction, duration, moved, &after);
        }
    }
}

pub(crate) fn step(home: &Home, half_hour: &HalfHour, slot: usize, permit: Permit) -> Step {
    let allowed = permit == Permit::ForceOn || home.allowed[slot % SLOTS];
    Step {
        seconds: 1800.0,
        wanted_wh: half_hour.wanted_wh,
        feed_degc: half_hour.feed_degc,
        surroundings_degc: half_hour.surroundings_degc,
        permit,
        share: if allowed { 1.0 } else { 0.0 },
    }
}

fn run_undisturbed(home: &Home, water: State, half_hours: &[&HalfHour], slot: usize) -> Undisturbed {
    let mut out = Undisturbed {
        states: [water; LENGTH + 1],
        outcomes: [Outcome::default(); LENGTH],
        steps: half_hours.len(),
    };
    let mut state = water;
    for (i, half_hour) in half_hours.iter().enumerate() {
        out.outcomes[i] = home.cylinder.advance(&mut state, &step(home, half_hour, slot + i, Permit::Rule));
        out.states[i + 1] = state;
    }
    out
}

/// An event between two runs of the model, Wh of heat: `plain - heated = sum of after + loss avoided + stored missing + short` to rounding.
struct Disturbed {
    heated_wh: f64,
    plain_wh: f64,
    after_wh: Vec<f64>,
    loss_avoided_wh: f64,
    stored_missing_wh: f64,
    short_wh: f64,
}

fn disturb(
    home: &Home,
    plain: &Undisturbed,
    half_hours: &[&HalfHour],
    slot: usize,
    length: usize,
    direction: Direction,
) -> Disturbed {
    let permit = if direction == Direction::HoldOff { Permit::HoldOff } else { Permit::ForceOn };
    let mut state = plain.states[0];
    let mut out = Disturbed {
        heated_wh: 0.0,
        plain_wh: 0.0,
        after_wh: Vec::with_capacity(AFTER),
        loss_avoided_wh: 0.0,
        stored_missing_wh: 0.0,
        short_wh: 0.0,
    };
    let last = plain.steps.min(length + AFTER);
    let stored = |state: &State| home.cylinder.stored_wh(state, 0.0);
    let mut end = last;
    for (i, half_hour) in half_hours.iter().enumerate().take(last) {
        let permit = if i < length { permit } else { Permit::Rule };
        let one = home.cylinder.advance(&mut state, &step(home, half_hour, slot + i, permit));
        let plain_one = &plain.outcomes[i];
        if i < length {
            out.heated_wh += one.heated_wh;
            out.plain_wh += plain_one.heated_wh;
        } else {
            out.after_wh.push(one.heated_wh - plain_one.heated_wh);
        }
        out.loss_avoided_wh += plain_one.lost_wh - one.lost_wh;
        out.short_wh += plain_one.delivered_wh - one.delivered_wh;
        if i + 1 >= length && (stored(&state) - stored(&plain.states[i + 1])).abs() < SAME_WH {
            end = i + 1;
            break;
        }
    }
    out.stored_missing_wh = stored(&plain.states[end]) - stored(&state);
    out
}

/// What a home can follow from a half-hour of one of its past days on (`day` its place in the home's days), as bounds of a store beside the
/// undisturbed run; `None` where it was not seen.
#[must_use]
pub fn envelope(home: &Home, day: usize, slot: usize) -> Option<Envelope> {
    let wants = Wants::known_in_week(home, week_of(home.days[day].day));
    let before = before(home, day, slot)?;
    let half_hours: Vec<&HalfHour> = series(home, day, slot).take(HORIZON + 1).collect();
    if half_hours.len() <= HORIZON {
        return None;
    }
    let per = home.heat_per_metered;
    let plain = run_undisturbed(home, home.water_at(before)?, &half_hours, slot);
    let mut out = Envelope {
        least_kw: [0.0; HORIZON],
        most_kw: [0.0; HORIZON],
        low_kwh: [0.0; HORIZON],
        high_kwh: [0.0; HORIZON],
        kept_per_h: home.cylinder.kept_per_h(),
    };
    for (t, half_hour) in half_hours.iter().enumerate().take(HORIZON) {
        if (slot..=slot + t).any(|s| !home.sellable[s % SLOTS]) {
            continue;
        }
        let state = &plain.states[t + 1];
        let base_kw = plain.outcomes[t].heated_wh / per / 500.0;
        let want_wh = wants.ahead(&home.days[day], slot + t + 1, AHEAD[0]);
        out.least_kw[t] = -base_kw;
        out.most_kw[t] = (home.cylinder.heater().power_w / per / 1000.0 - base_kw).max(0.0);
        out.low_kwh[t] =
            -(home.cylinder.usable_wh(state, half_hour.feed_degc) - want_wh).max(0.0) / per / 1000.0;
        out.high_kwh[t] = home.cylinder.room_wh(state) / per / 1000.0;
    }
    Some(out)
}

#[cfg(test)]
pub(crate) mod tests;
