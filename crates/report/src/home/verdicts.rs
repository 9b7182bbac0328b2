//! What limits the figures of a home, in words.

/// Dotted names, and what they mean to a reader.
const WORDS: &[(&str, &str)] = &[
    (
        "readings.stale",
        "the home fell silent, or repeats itself, while its fleet went on: these figures are old",
    ),
    ("readings.one_temperature", "no probe moves: there is nothing to read"),
    ("standing_loss.no_probe", "no standing loss: no probe can be used"),
    ("standing_loss.one_probe", "no standing loss: one probe does not show what the rest of the water does"),
    (
        "standing_loss.surroundings_above_water",
        "no standing loss: the surroundings are taken as warmer than the water",
    ),
    ("standing_loss.never_hot", "no standing loss: the water was never clearly warmer than its surroundings"),
    ("standing_loss.no_idle_time", "no standing loss: no quiet time to read it from"),
    ("standing_loss.one_temperature", "no standing loss: the readings do not move"),
    ("standing_loss.too_few_idle_segments", "no standing loss: too few quiet times to read it from"),
    (
        "standing_loss.long_run_disagrees",
        "the metered heat of days without use says another standing loss: see the second opinion",
    ),
    (
        "surroundings.not_measured",
        "the surroundings are not measured: the coefficient is 2 to 3 % off for each kelvin that they differ",
    ),
    ("use.no_good_day", "no day with enough readings: use is not known"),
    ("use.no_draws", "no draw-off was seen"),
    ("use.heat_input_not_known", "the heat put in is not metered: no day's use is told"),
    (
        "use.heat_input_estimated",
        "the heat put in is not metered: it is the metered energy times a performance learnt from heats without a draw-off",
    ),
    (
        "use.flow_meter_off_scale",
        "the flow meter counts more or less than the heat allows: litres are by the heat",
    ),
    ("use.flow_meter_dead", "the flow meter counts nothing while water is drawn: litres are by the heat"),
    ("use.flow_meter_reversed", "the flow meter counts backwards: litres are by the heat"),
    (
        "use.flow_meter_unchecked",
        "too few days to hold the flow meter against the heat: litres are by the heat",
    ),
];

/// The words for each dotted name, in order; an unknown name stands as it is.
pub(super) fn in_words(verdicts: &str) -> Vec<String> {
    verdicts
        .split(',')
        .map(str::trim)
        .filter(|v| !v.is_empty())
        .map(|v| WORDS.iter().find(|(name, _)| *name == v).map_or(v, |(_, words)| words).to_owned())
        .collect()
}
