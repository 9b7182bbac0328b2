//! A meter that counts by the wrong factor.

use drawoff_contract::{Fault, HeatSource};
use drawoff_homes::robust::{median, quantile};

use crate::assessment::Assessment;
use crate::context::Context;
use crate::evidence::sequence;

/// Factor by which metered energy and arriving heat must differ. Volume and the curve between few probes make a tenth.
const FACTOR: f64 = 1.25;
/// Highest power of a sound element over its rating: 253 V at a 230 V rating, squared (statutory supply range), and 4 %
/// for the meter.
const MOST_OF_RATING: f64 = 1.26;
/// A heat counts from this rise of the mean, K.
const LEAST_RISE_K: f64 = 4.0;
/// Fewer probes do not tell how much of the cylinder a heat has warmed.
const LEAST_PROBES: usize = 3;
/// Heats that must be known.
const LEAST_HEATS: usize = 5;
/// Days of the present state.
const RECENT_DAYS: usize = 10;

/// Heat that arrived over metered energy, of each heat with enough of a rise: day and ratio. Draw-offs only lower it.
fn arrived(ctx: &Context<'_>) -> Vec<(usize, f64)> {
    let capacity = ctx.cylinder.volume_l.unwrap_or(f64::NAN) * 1.15;
    let declared = ctx.cylinder.declared_loss_w_per_k.unwrap_or(1.6);
    ctx.heats()
        .iter()
        .filter_map(|s| {
            let (kwh, rise) = (s.energy_kwh.filter(|e| *e > 0.0)?, s.rise_k.filter(|r| *r >= LEAST_RISE_K)?);
            let i = ctx.day_index(s.end.0);
            let hours = (s.end.0 - s.start.0) as f64 / 3_600_000.0;
            let loss = declared * (ctx.days[i].mean_degc? - ctx.reading.room_degc[i]) * hours;
            Some((i, (capacity * rise + loss) / (kwh * 1000.0)))
        })
        .collect()
}

/// Full power over the rating, by day: the element farthest from it.
fn of_rating(ctx: &Context<'_>) -> Vec<f64> {
    ctx.days
        .iter()
        .map(|d| {
            let shares = ctx.cylinder.elements.iter().filter_map(|e| {
                let full =
                    d.element_full_power_w.get(usize::from(e.index)).copied().filter(|v| !v.is_nan())?;
                Some(f64::from(full) / e.rated_w)
            });
            shares.fold(
                f64::NAN,
                |a, b| if a.is_nan() || libm::log(b).abs() > libm::log(a).abs() { b } else { a },
            )
        })
        .collect()
}

/// Metered energy and the heat that arrives differ by a constant factor, or register and power do.
#[must_use]
pub fn meter_scale(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str =
        "factor between metered energy and the heat that arrives, or between register and power";
    let fault = Fault::MeterScale;
    if ctx.days.iter().all(|d| d.heater_kwh.is_none()) {
        return Assessment::not_assessed(fault, STATISTIC, "heater power or energy register");
    }
    let away = |ratio: f64| libm::exp(libm::log(ratio).abs());
    let between: Vec<f64> =
        ctx.days.iter().map(|d| d.register_over_power.filter(|r| *r > 0.0).map_or(f64::NAN, away)).collect();
    let by_meters = Context::latest_median(&between, 5, 3);
    let direct = matches!(ctx.cylinder.heat_source, HeatSource::Element | HeatSource::TopPump)
        && ctx.sending_probes() >= LEAST_PROBES;
    if !direct && between.iter().all(|v| v.is_nan()) {
        return Assessment::not_assessed(
            fault,
            STATISTIC,
            "register beside power, or an element and at least 3 probes",
        );
    }
    let heats = if direct { arrived(ctx) } else { Vec::new() };
    let from = ctx.last_days(RECENT_DAYS).start;
    let recent: Vec<f64> = heats.iter().filter(|h| h.0 >= from).map(|h| h.1).collect();
    let by_heat = (recent.len() >= LEAST_HEATS).then(|| factor(ctx, &recent, from)).flatten();
    let (Some(now), enough) =
        (by_heat.into_iter().chain(by_meters).reduce(f64::max), recent.len() + between.len())
    else {
        let why = "fewer than 5 heats in 10 days";
        return Assessment::too_little(fault, STATISTIC, why);
    };
    let by_day: Vec<f64> = (0..ctx.days.len())
        .map(|i| {
            let of_day: Vec<f64> = heats.iter().filter(|h| h.0 == i).map(|h| h.1).collect();
            let heat = if by_heat.is_some_and(|f| f >= FACTOR) { away(median(&of_day)) } else { f64::NAN };
            heat.max(between[i])
        })
        .collect();
    let shown = sequence(&by_day, 1.05, FACTOR, 0.12);
    let mut found = Assessment::judged(fault, STATISTIC, now, FACTOR, 0.15);
    found.days = enough.min(ctx.days.len());
    if found.is_fault() {
        found.evidence_for = if by_meters.is_some_and(|m| m >= FACTOR) {
            format!("Register and power differ by a factor of {:.2}.", by_meters.unwrap_or(now))
        } else {
            format!(
                "The heat that arrives in the water and the metered energy differ by a factor of {now:.2}, heat after heat."
            )
        };
    } else {
        found.evidence_against =
            format!("Metered energy and arriving heat agree within a factor of {now:.2}.");
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}

/// Factor by which recent heats say that the meter errs; 1 where they allow that it does not. `None` without a finite one.
fn factor(ctx: &Context<'_>, recent: &[f64], from: usize) -> Option<f64> {
    let (low, high) = (quantile(recent, 0.35), quantile(recent, 0.9));
    let powers = of_rating(ctx);
    let of_rating = median(&powers[from..]);
    let found = if low > 1.0 {
        // More heat than energy: no draw-off or leak explains it.
        low
    } else if high < 1.0 && (of_rating > MOST_OF_RATING || (of_rating.is_nan() && high < 0.5)) {
        // Less heat than energy may have been drawn; power beyond the rating cannot.
        1.0 / high
    } else {
        1.0
    };
    found.is_finite().then_some(found)
}
