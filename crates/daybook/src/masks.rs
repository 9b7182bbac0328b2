//! Masks that need more than one row: register falls, spikes, frozen probes. Values stay, reasons are set.

use drawoff_contract::{Channel, HomeRows, Mask, Series};

/// A jump away and back larger than this within [`SPIKE_REACH_MS`] is no water temperature.
const SPIKE_K: f64 = 10.0;
/// The values either side of a spike agree within this.
const SPIKE_RETURN_K: f64 = 3.0;
/// Longest distance from a spike to the values either side.
const SPIKE_REACH_MS: i64 = 20 * 60_000;
/// A register may fall by this much from rounding, Wh.
const REGISTER_SLACK_WH: f64 = 1.5;

/// A restart leaves less than this share of the register.
const RESTART_SHARE: f64 = 0.5;

/// No heater of a home's cylinder takes more, W: two elements of 3 kW with every tolerance, thrice over.
const FASTEST_W: f64 = 24_000.0;

/// What masking must remember from one day to the next.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct MaskMemory {
    pub(crate) register_wh: Option<f64>,
    pub(crate) register_ms: Option<i64>,
}

/// Masks register falls in one day's rows and returns how many of them were restarts.
pub(crate) fn mask_register(rows: &mut HomeRows, memory: &mut MaskMemory) -> i64 {
    let Some(series) = rows.series[Channel::Register.slot()].as_mut() else { return 0 };
    let mut falls = 0;
    for i in 0..series.value.len() {
        if series.mask[i] != Mask::Used {
            continue;
        }
        let value = series.value[i];
        let since_h =
            memory.register_ms.map_or(0.0, |before| (rows.time_ms[i] - before) as f64 / 3_600_000.0);
        if memory.register_wh.is_some_and(|before| value - before > FASTEST_W * since_h.max(0.1)) {
            series.mask[i] = Mask::RegisterStep;
        }
        if memory.register_wh.is_some_and(|before| value < before - REGISTER_SLACK_WH) {
            series.mask[i] = Mask::RegisterStep;
            // Rows out of true order make it fall a little; a register that restarts falls to next to nothing.
            falls += i64::from(value < memory.register_wh.unwrap_or(0.0) * RESTART_SHARE);
        }
        memory.register_wh = Some(value);
        memory.register_ms = Some(rows.time_ms[i]);
    }
    falls
}

/// Masks single values that jump away and back.
pub(crate) fn mask_spikes(rows: &mut HomeRows, probes: usize) {
    let times = std::mem::take(&mut rows.time_ms);
    for probe in 0..probes {
        let slot = Channel::Probe(u8::try_from(probe).unwrap_or(u8::MAX)).slot();
        if let Some(series) = rows.series[slot].as_mut() {
            mask_spikes_of(series, &times);
        }
    }
    rows.time_ms = times;
}

fn mask_spikes_of(series: &mut Series, times: &[i64]) {
    // Most columns hold no jump at all, which whole columns tell quickly.
    let jumps = |w: &[f64]| (w[1] - w[0]).abs() > SPIKE_K;
    let any_jump = series.value.windows(2).fold(false, |any, w| any | jumps(w));
    let all_used = series.mask.iter().fold(true, |all, m| all & (*m == Mask::Used));
    if all_used && !any_jump {
        return;
    }
    // The last two used values before `c`.
    let (mut before, mut last): (Option<usize>, Option<usize>) = (None, None);
    for c in 0..times.len() {
        if series.mask[c] != Mask::Used {
            continue;
        }
        let window = before.zip(last);
        (before, last) = (last, Some(c));
        let Some((a, b)) = window else { continue };
        if series.mask[a] != Mask::Used || times[c] - times[a] > 2 * SPIKE_REACH_MS {
            continue;
        }
        let (va, vb, vc) = (series.value[a], series.value[b], series.value[c]);
        let out = (vb - va).abs().min((vb - vc).abs());
        if out > SPIKE_K && (va - vc).abs() < SPIKE_RETURN_K && (vb - va) * (vb - vc) > 0.0 {
            series.mask[b] = Mask::Spike;
        }
    }
}

/// Masks a frozen probe's values of this day.
pub(crate) fn mask_frozen(rows: &mut HomeRows, probe: usize, since_ms: i64) {
    let slot = Channel::Probe(u8::try_from(probe).unwrap_or(u8::MAX)).slot();
    let HomeRows { time_ms, series, .. } = rows;
    if let Some(series) = series[slot].as_mut() {
        for (mask, &t) in series.mask.iter_mut().zip(time_ms.iter()) {
            if *mask == Mask::Used && t >= since_ms {
                *mask = Mask::Stuck;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawoff_contract::Shape;

    fn rows(channel: Channel, values: &[f64]) -> HomeRows {
        let mut rows = HomeRows::new(Shape::Wide);
        rows.time_ms = (0..values.len() as i64).map(|i| i * 300_000).collect();
        rows.file = vec![0; values.len()];
        rows.series[channel.slot()] =
            Some(Series { value: values.to_vec(), mask: vec![Mask::Used; values.len()] });
        rows
    }

    #[test]
    fn a_spike_is_masked_and_a_cold_front_is_not() {
        let mut spike = rows(Channel::Probe(0), &[50.0, 50.1, 85.0, 50.0, 49.9]);
        mask_spikes(&mut spike, 1);
        assert_eq!(spike.get(Channel::Probe(0)).unwrap().mask[2], Mask::Spike);
        let mut front = rows(Channel::Probe(0), &[50.0, 50.0, 20.0, 12.0, 11.0]);
        mask_spikes(&mut front, 1);
        assert!(front.get(Channel::Probe(0)).unwrap().mask.iter().all(|m| *m == Mask::Used));
    }

    #[test]
    fn register_falls_are_counted_over_days() {
        let mut memory = MaskMemory::default();
        assert_eq!(mask_register(&mut rows(Channel::Register, &[10.0, 20.0]), &mut memory), 0);
        let mut next = rows(Channel::Register, &[5.0, 6.0, 1.0]);
        assert_eq!(mask_register(&mut next, &mut memory), 2);
        assert_eq!(
            next.get(Channel::Register).unwrap().mask,
            [Mask::RegisterStep, Mask::Used, Mask::RegisterStep]
        );
    }
}
