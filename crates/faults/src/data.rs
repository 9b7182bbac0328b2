//! The export itself: lost, doubled or late rows; a wrong clock; a register that restarted. None brings a visit.

use drawoff_contract::Fault;
use drawoff_contract::local::minute_of_day;
use drawoff_homes::robust::{median, step};

use crate::assessment::Assessment;
use crate::context::Context;

/// Share of rows lost that a poor radio link does not reach.
const LOST_SHARE: f64 = 0.08;
/// Stamps that come twice on an ordinary day: none; a re-sent hour has 12.
const DOUBLED_A_DAY: f64 = 1.0;

/// Rows lost, doubled or late.
#[must_use]
pub fn data_gaps(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "share of rows lost or doubled over the last week";
    let fault = Fault::DataGaps;
    let (starts_ms, lost): (Vec<i64>, Vec<f64>) = lost_by_day(ctx).into_iter().unzip();
    // The first and last days of an export are cut.
    let whole = if lost.len() > 4 { &lost[1..lost.len() - 1] } else { &lost[..] };
    if whole.len() < 5 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 5 whole days");
    }
    let recent: Vec<f64> = whole.iter().rev().take(7).copied().collect();
    let now = recent.iter().sum::<f64>() / recent.len() as f64;
    let mut found = Assessment::judged(fault, STATISTIC, now, LOST_SHARE, 0.04);
    found.days = recent.len();
    if found.is_fault() {
        let change = step(&lost, 3, 0.01).filter(|s| s.after - s.before > 0.03);
        found.onset_ms = change.and_then(|s| starts_ms.get(s.at).copied());
        found.evidence_for =
            format!("{:.0} % of the rows of the last week were lost or came twice.", now * 100.0);
    } else {
        found.evidence_against = format!("{:.1} % of the rows of the last week were lost.", now * 100.0);
    }
    found
}

/// Start and share of rows lost or doubled of every calendar day; a day without any row has no note and is lost whole.
fn lost_by_day(ctx: &Context<'_>) -> Vec<(i64, f64)> {
    let mut out: Vec<(i64, f64)> = Vec::new();
    for (i, d) in ctx.days.iter().enumerate() {
        let before = if i > 0 { ctx.days[i - 1].day.0 } else { d.day.0 - 1 };
        for missing in before + 1..d.day.0 {
            out.push((d.day_start_utc.0 - i64::from(d.day.0 - missing) * 86_400_000, 1.0));
        }
        let expected = d.instants_expected.max(1) as f64;
        out.push((d.day_start_utc.0, 1.0 - d.instants as f64 / expected + d.doubled as f64 / expected));
    }
    out
}

/// The register fell back.
#[must_use]
pub fn meter_reset(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "times the register fell back";
    let fault = Fault::MeterReset;
    let known: Vec<i64> = ctx.days.iter().filter_map(|d| d.register_falls).collect();
    if known.is_empty() {
        return Assessment::not_assessed(fault, STATISTIC, "energy register");
    }
    let falls: i64 = known.iter().sum();
    let mut found = Assessment::judged(fault, STATISTIC, falls as f64, 1.0, 0.5);
    found.days = ctx.days.len();
    if falls > 0 {
        found.onset_ms =
            ctx.days.iter().position(|d| d.register_falls.is_some_and(|f| f > 0)).map(|i| ctx.day_start(i));
        found.evidence_for =
            format!("The energy register fell back {falls} times; the steps over it are left out.");
    } else {
        found.evidence_against = "The register only rises.".to_owned();
    }
    found
}

/// Stamps moved by an hour against true time.
#[must_use]
pub fn clock_shift(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "hours doubled or missing at once, and the shift of the daily heating start";
    let fault = Fault::ClockShift;
    if ctx.days.len() < 10 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 10 days");
    }
    // A clock put back doubles an hour of stamps once; a clock put on leaves an hour empty once.
    let per_hour = 60.0 / ctx.days[0].cadence_min.max(0.1);
    let doubled: Vec<usize> = (0..ctx.days.len())
        .filter(|&i| {
            ctx.days[i].doubled as f64 >= 0.7 * per_hour && ctx.days[i].doubled as f64 <= 1.3 * per_hour
        })
        .collect();
    let any_doubled = ctx.days.iter().filter(|d| d.doubled as f64 > DOUBLED_A_DAY).count();
    let starts: Vec<f64> = first_starts(ctx);
    let moved = step(&starts, 5, 3.0);
    let by_timer = moved.filter(|s| (45.0..75.0).contains(&(s.after - s.before).abs()) && s.z.abs() > 8.0);
    let change_day = |i: usize| {
        // The change of hour moves a timer that does not follow it; that is no fault of the clock.
        i > 0 && (ctx.days[i - 1].hours - 24.0).abs() > 0.5 || (ctx.days[i].hours - 24.0).abs() > 0.5
    };
    let near_change = |i: usize| (i.saturating_sub(2)..(i + 3).min(ctx.days.len())).any(change_day);
    let once_doubled = (any_doubled <= 2).then(|| doubled.first().copied()).flatten();
    let timer_day = by_timer.map(|s| s.at).filter(|&i| !near_change(i));
    let effect = f64::from(u8::from(once_doubled.is_some())) * 1.0 + f64::from(u8::from(timer_day.is_some()));
    let mut found = Assessment::judged(fault, STATISTIC, effect, 1.0, 0.5);
    found.days = ctx.days.len();
    if found.is_fault() {
        let at = once_doubled.or(timer_day).unwrap_or(0);
        found.onset_ms = Some(ctx.day_start(at));
        found.evidence_for = match (once_doubled, by_timer) {
            (Some(_), _) => "An hour of stamps came twice once: the clock was put back.".to_owned(),
            (_, Some(s)) => {
                format!("The daily heating start moved by {:+.0} min at once.", s.after - s.before)
            }
            _ => String::new(),
        };
    } else {
        found.evidence_against = "No hour doubled, and the daily heating start stays.".to_owned();
    }
    found
}

/// Local minute at which the longest heating spell of each day starts, unwrapped around noon; NaN without heating.
fn first_starts(ctx: &Context<'_>) -> Vec<f64> {
    let mut out = vec![f64::NAN; ctx.days.len()];
    let mut longest = vec![0_i64; ctx.days.len()];
    for spell in ctx.heats() {
        // Nights start before midnight: a night belongs to the day it ends in.
        let i = ctx.day_index(spell.end.0);
        let length = spell.end.0 - spell.start.0;
        if length > longest[i] {
            longest[i] = length;
            let minute = f64::from(minute_of_day(ctx.cylinder.zone, spell.start.0));
            out[i] = if minute >= 720.0 { minute - 1440.0 } else { minute };
        }
    }
    let centre = median(&out);
    for v in &mut out {
        if *v - centre > 720.0 {
            *v -= 1440.0;
        }
    }
    out
}
