//! Words and abbreviations of the pages, each explained once.

/// Terms of the trade, and what they mean here. Common practice unless a source stands beside it.
const TERMS: [(&str, &str); 40] = [
    (
        "Calibrated probability",
        "Of all findings that are called 70 % sure, about 70 in 100 are there, measured on homes with known truth.",
    ),
    ("Cold feed", "The cold water that comes in at the base of the cylinder as hot water leaves at the top."),
    (
        "Cold front",
        "The thin layer between hot water above and cold water below. It rises as water is drawn, or as it leaks.",
    ),
    (
        "CO₂ equivalent",
        "Greenhouse gases as the mass of carbon dioxide that warms as much over a hundred years.",
    ),
    (
        "CRPS",
        "Continuous ranked probability score: how far a forecast with its spread lies from what came; smaller is better.",
    ),
    (
        "Declared loss",
        "Heat lost in 24 hours at 45 K above the surroundings, as the maker states it (kWh/24 h).",
    ),
    ("Destratified", "Mixed: the base is nearly as warm as the top though nobody heated it."),
    (
        "Draw-off",
        "Hot water taken from the cylinder. The three kinds (small, shower-like, bath or several) go by litres at 40 °C.",
    ),
    ("Element", "Immersion heater: an electric heater inside the water."),
    ("Empty day", "A day on which nobody seems to be at home."),
    ("Firm", "What the homes together give on nine past days in ten; never a sum of the homes' own figures."),
    ("Full power", "What a heater takes while it is called from one reading to the next."),
    (
        "Gravity circulation",
        "Warm water that creeps round the heating pipes at night with no pump running, and cools the cylinder.",
    ),
    ("Hold off", "Leave heating for later than it would have been."),
    ("Idle night", "Hours with no heating and no draw-off, in which the cylinder only cools."),
    ("Idle stretch", "Idle time between two disturbances, by day or by night."),
    ("Interval", "Where the true value lies in 90 of 100 cases; _p05 and _p95 in the tables are its ends."),
    ("K", "Kelvin: a difference of temperature, as large as a difference of one degree Celsius."),
    ("kW", "Kilowatt: a thousand watts."),
    ("kWh", "Kilowatt-hour: what a 3 kW element takes in twenty minutes."),
    (
        "Legionella",
        "Bacteria that grow in lukewarm water and make people ill through spray. Local hygiene rules come before saving.",
    ),
    ("Masked", "A reading that cannot be true is kept as it came, counted with its reason, and left out."),
    ("P50", "The middle: exceeded on one day in two. P90 is exceeded on one day in ten."),
    (
        "Prediction interval",
        "Where one further home would lie in 90 of 100 cases; wider than the interval of a mean.",
    ),
    ("Probe", "A temperature sensor at the cylinder; number 1 is the top one."),
    ("Random effects", "A mean that reckons with homes that differ, not only with the error of each."),
    ("Rating", "Power that the maker states, at the voltage on the plate."),
    ("Reference", "The rule of heating that a saving is told against."),
    ("Replay", "The cylinder worked out again in a model: a stated rule, and the draw-offs that came."),
    ("Set point", "The temperature at which the thermostat ends heating."),
    ("Spell", "A stretch of idle time or of heating, from beginning to end."),
    (
        "Standing loss",
        "Heat that leaves through insulation and pipework while nobody draws: W/K for each kelvin above the surroundings.",
    ),
    ("Stratified", "Hot at the top and cold at the base, as a healthy cylinder is after a draw-off."),
    ("Take on", "Heat earlier, or more, than it would have been."),
    ("Too little data", "The input is there but too short or too broken to tell. Never the same as sound."),
    (
        "Unvented",
        "Under mains pressure, with an expansion vessel and safety valves; work on it is for people qualified for it.",
    ),
    ("V", "Volt: electrical tension of the mains; power goes with its square."),
    ("V40", "Litres of water at 40 °C that the stored water makes when mixed with cold water."),
    ("W", "Watt: rate of heat or of electrical energy."),
    (
        "Worth of a visit",
        "Probability times the value of putting it right for a year, less the cost of the visit.",
    ),
];

/// The glossary as a section.
pub(crate) fn section() -> String {
    let mut out = String::from(
        "<section id=\"glossary\" aria-labelledby=\"glossary-h\">\n<h2 id=\"glossary-h\">Glossary</h2>\n<dl class=\"work terms\">\n",
    );
    for (term, meaning) in TERMS {
        out.push_str(&format!("<div><dt>{term}</dt><dd>{meaning}</dd></div>\n"));
    }
    out.push_str("</dl>\n</section>\n");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn terms_are_in_order_and_each_stands_once() {
        assert!(TERMS.windows(2).all(|w| w[0].0.to_lowercase() < w[1].0.to_lowercase()));
    }
}
