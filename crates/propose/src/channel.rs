//! What each column holds, and in which unit, told from its numbers.

use drawoff_contract::mapping::Unit;

use crate::sample::{Sample, mean, median, quantile};

/// Values that loggers write for "no value" (common practice, no source).
const CODES: [f64; 10] = [-999.0, -999.9, -9999.0, -127.0, -32768.0, 999.9, 9999.0, 32767.0, 65535.0, 6553.5];
/// Fewer values say nothing.
const FEWEST: usize = 20;
/// How often a code must stand before it is taken for one.
const FEWEST_CODES: usize = 3;
/// Steps down that a register may have: it is read again, or starts anew.
const STEPS_DOWN: f64 = 0.005;
/// Zeros of a quantity that is off for most of the day.
const SHARE_OF_ZEROS: f64 = 0.2;
/// Largest change from stamp to stamp (99 of 100) of air in a cupboard or loft, K; water beside a draw-off changes faster.
const STEP_OF_AIR_K: f64 = 1.2;
/// Air around a cylinder is below this (99 of 100), degC.
const WARMEST_AIR_DEGC: f64 = 40.0;

/// Least warming from stamp to stamp of the probe that an element warms most, K; 3 kW in 300 l at one minute are 0.14 K.
const WARMS_K: f64 = 0.1;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Too few values, or none that fit.
    Unknown,
    /// Water in the cylinder.
    Probe,
    /// Air around it.
    Surroundings,
    /// Power into an element.
    Power,
    /// Energy counted up.
    Register,
    /// 0 and 1.
    Switch,
    /// Water that flows.
    Flow,
}

/// What was found of all columns.
#[derive(Clone, Debug, PartialEq)]
pub struct Read {
    /// By column of the sample.
    pub kinds: Vec<Kind>,
    /// Unit of all temperatures; `None` when none fits.
    pub temperature: Option<Unit>,
    /// Why.
    pub temperature_reason: String,
    /// Codes for "no value", with how often each stands.
    pub sentinels: Vec<(f64, usize)>,
}

/// Looks at all columns, and takes the sentinels out of the sample.
#[must_use]
pub fn read_channels(sample: &mut Sample) -> Read {
    let sentinels = find_sentinels(sample);
    sample.without(&sentinels.iter().map(|(v, _)| *v).collect::<Vec<_>>());
    let mut kinds: Vec<Kind> = (0..sample.columns.len()).map(|c| first_kind(sample, c)).collect();
    // The hottest of the smooth columns is the top of the tank of most homes, and has the unit of all.
    let smooth: Vec<usize> = (0..kinds.len()).filter(|&c| kinds[c] == Kind::Probe).collect();
    let hottest = smooth.iter().map(|&c| quantile(&sample.sorted(c), 0.9)).fold(f64::NAN, f64::max);
    let temperature = unit_of(hottest);
    let temperature_reason = format!("the hottest probe column reads {hottest:.1} on one stamp in ten");
    for c in smooth {
        kinds[c] = match temperature {
            Some(unit) => water_or_air(sample, c, unit),
            None => Kind::Unknown,
        };
    }
    for c in 0..kinds.len() {
        if kinds[c] == Kind::Power && cools(sample, c, &kinds, temperature.unwrap_or(Unit::DegC)) {
            kinds[c] = Kind::Flow;
        }
    }
    Read { kinds, temperature, temperature_reason, sentinels }
}

/// Hot stored water lies between 40 and 99 degC (common practice, no source); the four ranges do not overlap.
fn unit_of(hottest: f64) -> Option<Unit> {
    [
        (Unit::DegC, 38.0..100.0),
        (Unit::DegF, 104.0..212.0),
        (Unit::Kelvin, 313.0..373.0),
        (Unit::TenthsDegC, 400.0..1000.0),
    ]
    .into_iter()
    .find(|(_, range)| range.contains(&hottest))
    .map(|(unit, _)| unit)
}

/// Degrees Celsius of a value in a unit of temperature.
pub(crate) fn celsius(unit: Unit, value: f64) -> f64 {
    unit.conversion(drawoff_contract::Channel::Probe(0), f64::NAN).apply(value)
}

fn find_sentinels(sample: &Sample) -> Vec<(f64, usize)> {
    let mut found: Vec<(f64, usize)> = Vec::new();
    for column in 0..sample.columns.len() {
        let sorted = sample.sorted(column);
        let (low, high) = (quantile(&sorted, 0.02), quantile(&sorted, 0.98));
        let reach = 2.0 * (high - low) + 1.0;
        for code in CODES {
            let count = sorted.partition_point(|v| *v <= code) - sorted.partition_point(|v| *v < code);
            let apart = code < low - reach || code > high + reach;
            if count >= FEWEST_CODES && apart {
                match found.iter_mut().find(|(v, _)| *v == code) {
                    Some((_, n)) => *n += count,
                    None => found.push((code, count)),
                }
            }
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found
}

/// Everything but the difference between water and air, power and flow.
fn first_kind(sample: &Sample, column: usize) -> Kind {
    let sorted = sample.sorted(column);
    if sorted.len() < FEWEST {
        return Kind::Unknown;
    }
    if sorted.iter().all(|v| *v == 0.0 || *v == 1.0) {
        return if sorted.contains(&1.0) { Kind::Switch } else { Kind::Unknown };
    }
    if never_changes(sample, column) {
        return Kind::Unknown;
    }
    if counts_up(sample, column) {
        return Kind::Register;
    }
    let zeros = sorted.iter().filter(|v| **v == 0.0).count() as f64 / sorted.len() as f64;
    if zeros >= SHARE_OF_ZEROS && sorted.first().is_some_and(|v| *v >= 0.0) {
        return Kind::Power;
    }
    Kind::Probe
}

/// Whether the column is one value at most homes: a setting or a rating, and no reading.
fn never_changes(sample: &Sample, column: usize) -> bool {
    let of = |home: &crate::sample::Home| -> Option<bool> {
        let mut values = home.values[column].iter().copied().filter(|v| v.is_finite());
        let first = values.next()?;
        Some(values.all(|v| v == first))
    };
    let homes: Vec<bool> = sample.homes.iter().filter_map(of).collect();
    2 * homes.iter().filter(|same| **same).count() > homes.len()
}

fn counts_up(sample: &Sample, column: usize) -> bool {
    let (mut steps, mut down, mut rising, mut homes) = (0_usize, 0_usize, 0_usize, 0_usize);
    for home in &sample.homes {
        let values: Vec<f64> = home.values[column].iter().copied().filter(|v| v.is_finite()).collect();
        let (Some(first), Some(last)) = (values.first(), values.last()) else { continue };
        homes += 1;
        rising += usize::from(last > first);
        steps += values.len() - 1;
        down += values.windows(2).filter(|w| w[1] < w[0]).count();
    }
    steps > FEWEST && (down as f64) < STEPS_DOWN * steps as f64 && 2 * rising > homes
}

fn water_or_air(sample: &Sample, column: usize, unit: Unit) -> Kind {
    let sorted = sample.sorted(column);
    let scale = (celsius(unit, 1.0) - celsius(unit, 0.0)).abs();
    let mut steps: Vec<f64> = sample
        .homes
        .iter()
        .flat_map(|h| h.values[column].windows(2).map(|w| (w[1] - w[0]).abs() * scale))
        .filter(|v| v.is_finite())
        .collect();
    steps.sort_by(f64::total_cmp);
    let warmest = celsius(unit, quantile(&sorted, 0.99));
    let coldest = celsius(unit, quantile(&sorted, 0.01));
    if !(-20.0..105.0).contains(&coldest) || !(-20.0..115.0).contains(&warmest) {
        Kind::Unknown
    } else if warmest < WARMEST_AIR_DEGC && quantile(&steps, 0.99) < STEP_OF_AIR_K {
        Kind::Surroundings
    } else {
        Kind::Probe
    }
}

/// Whether no probe warms while the column is not zero, in most homes: water that flows cools or leaves alone, what heats warms what is above it.
fn cools(sample: &Sample, column: usize, kinds: &[Kind], unit: Unit) -> bool {
    let scale = (celsius(unit, 1.0) - celsius(unit, 0.0)).abs();
    let probes: Vec<usize> = (0..kinds.len()).filter(|&c| kinds[c] == Kind::Probe).collect();
    let warmings: Vec<f64> = sample
        .homes
        .iter()
        .map(|home| {
            let change = |c: usize, of: &dyn Fn(f64) -> bool| {
                let rows = (1..home.time_ms.len()).filter(|&i| of(home.values[column][i]));
                mean(rows.map(|i| home.values[c][i] - home.values[c][i - 1])) * scale
            };
            let warming = |c: &usize| change(*c, &|v| v > 0.0) - change(*c, &|v| v == 0.0);
            probes.iter().map(warming).fold(f64::NAN, f64::max)
        })
        .collect();
    median(&warmings) < WARMS_K
}
