//! Words and abbreviations of the pages, each explained once.

/// Terms of the trade, and what they mean here. Common practice unless a source stands beside it.
const TERMS: [(&str, &str); 26] = [
    (
        "Calibrated probability",
        "Of all findings that are called 70 % sure, about 70 in 100 are there, measured on homes with known truth.",
    ),
    (
        "CO₂ equivalent",
        "Greenhouse gases as the mass of carbon dioxide that warms as much over a hundred years.",
    ),
    ("Cold feed", "The cold water that comes in at the base of the cylinder as hot water leaves at the top."),
    (
        "Cold front",
        "The thin layer between hot water above and cold water below. It rises as water is drawn, or as it leaks.",
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
    (
        "Gravity circulation",
        "Warm water that creeps round the heating pipes at night with no pump running, and cools the cylinder.",
    ),
    ("Idle night", "Hours with no heating and no draw-off, in which the cylinder only cools."),
    ("Interval", "Where the true value lies in 90 of 100 cases; _p05 and _p95 in the tables are its ends."),
    ("K", "Kelvin: a difference of temperature, as large as a difference of one degree Celsius."),
    ("kWh", "Kilowatt-hour: what a 3 kW element takes in twenty minutes."),
    (
        "Legionella",
        "Bacteria that grow in lukewarm water and make people ill through spray. Local hygiene rules come before saving.",
    ),
    ("Masked", "A reading that cannot be true is kept as it came, counted with its reason, and left out."),
    ("Probe", "A temperature sensor at the cylinder; number 1 is the top one."),
    ("Set point", "The temperature at which the thermostat ends heating."),
    ("Spell", "A stretch of idle time or of heating, from beginning to end."),
    (
        "Standing loss",
        "Heat that leaves through insulation and pipework while nobody draws: W/K for each kelvin above the surroundings.",
    ),
    ("Stratified", "Hot at the top and cold at the base, as a healthy cylinder is after a draw-off."),
    ("Too little data", "The input is there but too short or too broken to tell. Never the same as sound."),
    (
        "Unvented",
        "Under mains pressure, with an expansion vessel and safety valves; work on it is for people qualified for it.",
    ),
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
