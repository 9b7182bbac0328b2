//! Words that are the same on every page: what it is, cautions, method.

/// What the page is, in one sentence.
pub(crate) const LEAD: &str = "Hot-water cylinders to visit first, from their own temperature and heater readings: \
what is probably wrong, how sure that is, what leaving it costs, and what to bring.";

/// Cautions. Sources are named in the text; limits are from memory and local codes come first.
pub(crate) const CAUTIONS: &str = "<section id=\"caution\" class=\"caution\" aria-labelledby=\"caution-h\">\n\
<h2 id=\"caution-h\">Before anyone goes out</h2>\n\
<p><strong>Findings are indications from data, not a diagnosis.</strong> They say where to look first. Check on \
site before any part is changed.</p>\n\
<ul>\n\
<li><strong>Mains electricity.</strong> Isolate, lock off and prove dead before a cover is opened. Work on \
immersion elements and thermostats is for competent, licensed people under local wiring rules.</li>\n\
<li><strong>Pressure.</strong> An unvented cylinder holds water under pressure, hot enough to flash to steam. Its \
safety devices are never plugged, bypassed or adjusted to stop a drip. Work on it is for people qualified for it \
under local codes.</li>\n\
<li><strong>Scalding.</strong> Stored water of 60 °C burns in seconds, and an overheating cylinder stores it hotter. \
Warn the household, and check mixing valves after any change of set point.</li>\n\
<li><strong>Hygiene.</strong> A set point is not lowered to save energy below what local rules on legionella ask for; \
60 °C stored is a common rule. Long idle or lukewarm water is flushed with care for spray.</li>\n\
</ul>\n</section>\n";

/// How the list is made.
pub(crate) const METHOD: &str = "<section id=\"method\" aria-labelledby=\"method-h\">\n\
<h2 id=\"method-h\">Method</h2>\n\
<ol class=\"steps\">\n\
<li><strong>Readings.</strong> Every value of the export is kept as it came. Values that cannot be true are masked, \
each with its reason, and every row and value is accounted for.</li>\n\
<li><strong>Days.</strong> For each home and local day: idle spells and how the water cooled, heating spells with \
energy and stop temperature, and draw-offs.</li>\n\
<li><strong>Homes.</strong> Standing loss (heat lost through insulation and pipework, W/K) with a 90 % interval, and \
the habits of drawing hot water.</li>\n\
<li><strong>Findings.</strong> Every fault is assessed for every home and ends in one of four outcomes: sound, fault, \
not assessed (an input is missing) or too little data. A home without the input is never called sound.</li>\n\
<li><strong>One story a home.</strong> Where several findings have one probable cause they are told as one, and the \
others stand under it.</li>\n\
<li><strong>Rank.</strong> Safety first: overheating, and a heater that will not stop. Then by worth: probability \
times the value of putting it right for a year, less the cost of the visit. Prices and weights are settings of \
the run.</li>\n\
</ol>\n\
<p><strong>How sure</strong> is the probability that the fault is present at the end of the data. In words: virtually \
certain from 99 %, very likely from 90 %, likely from 66 %, about as likely as not from 33 %, unlikely from 10 %, very unlikely below \
(scale of the IPCC guidance note on uncertainty, 2010). <strong>Costs a year</strong> hold if the fault is present and is left; the range \
is the 90 % interval. Figures behind the plots are means of the readings; nothing is smoothed, and a gap is a gap.</p>\n\
</section>\n";

/// Last line.
pub(crate) const FOOT: &str = "Made from readings alone, without a visit. Nothing on this page replaces local codes or the judgement of a \
licensed person on site.";
