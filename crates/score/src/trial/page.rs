//! The fault trial as text.

use std::collections::{BTreeMap, BTreeSet};

use crate::bar::Figure;
use crate::trial::Trial;
use crate::trial::reliability::{LEAST_P, bins};
use crate::wilson::Share;
use drawoff_contract::Level;

const NONE: &str = "-";

impl Trial {
    /// All tables of the trial.
    #[must_use]
    pub fn to_markdown(&self) -> String {
        let parts = [
            self.headline_text(),
            self.f1_text(),
            self.kinds_text(),
            self.confusions_text(),
            self.matrix_text(),
            self.looks_text(),
            self.delays_text(),
            self.reliability_text(),
        ];
        parts.join("\n")
    }

    fn headline_text(&self) -> String {
        let mut out = format!("### The whole\n\n{} homes.\n\n", self.homes());
        out.push_str("| figure | value | cases | bar | reached |\n|---|---|---|---|---|\n");
        for (name, figure) in self.headline() {
            out.push_str(&figure_row(name, &figure));
        }
        out
    }

    fn f1_text(&self) -> String {
        let mut out = String::from(
            "### F1 of the kinds with a bar\n\nHard kinds over all strengths; soft kinds at middle strength where truth says it. \
             Precision is that of all calls of the kind, calls at homes with another fault included as wrong.\n\n\
             | kind | F1 | homes | bar | reached |\n|---|---|---|---|---|\n",
        );
        for (fault, figure) in self.f1_bars().iter().filter(|(_, f)| f.cases > 0) {
            out.push_str(&figure_row(fault.code(), figure));
        }
        out
    }

    fn kinds_text(&self) -> String {
        let mut out = String::from(
            "### By kind\n\nWrong: called by another name only. Elsewhere: calls of the kind at homes with other faults. \
             Not assessed: homes with the fault of which the input is missing, or too little of it.\n\n\
             | kind | homes | found | recall | wrong | missed | not assessed | calls | elsewhere | false | precision | F1 | onset off, h |\n\
             |---|---|---|---|---|---|---|---|---|---|---|---|---|\n",
        );
        for fault in self.kinds() {
            let Some(k) = self.calls.kinds.get(&fault) else { continue };
            let onset = crate::errors::median(&k.onset_errors_hours);
            out.push_str(&format!(
                "| {} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |\n",
                fault.code(),
                k.imposed,
                k.found,
                short(k.recall()),
                k.wrong_diagnosis,
                k.missed,
                self.unassessed.get(&fault).copied().unwrap_or(0),
                k.calls,
                k.calls_at_other_faults(),
                k.false_calls,
                short(k.precision()),
                self.f1(fault, None).map_or(NONE.to_owned(), |v| format!("{v:.3}")),
                onset.map_or(NONE.to_owned(), |h| format!("{h:.0}")),
            ));
        }
        out
    }

    /// What was called in place of, or beside, what was imposed: most often first.
    fn confusions_text(&self) -> String {
        let mut out = String::from(
            "### Called where something else was so\n\nHomes by what was imposed and what else was called there.\n\n\
             | imposed | homes with another call, by its kind |\n|---|---|\n",
        );
        let mut by_imposed: BTreeMap<_, Vec<(usize, &str)>> = BTreeMap::new();
        for ((imposed, called), homes) in &self.confusions {
            by_imposed.entry(imposed).or_default().push((*homes, called.code()));
        }
        for (imposed, mut called) in by_imposed {
            called.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(b.1)));
            let words: Vec<String> = called.iter().map(|(homes, code)| format!("{code} {homes}")).collect();
            let imposed = imposed.map_or("nothing", |f| f.code());
            out.push_str(&format!("| {imposed} | {} |\n", words.join(", ")));
        }
        out
    }

    fn matrix_text(&self) -> String {
        let probes: BTreeSet<usize> = self.cells.keys().map(|(_, _, n)| *n).collect();
        let mut out = String::from(
            "### Found of imposed, by kind, strength and probes\n\nWith Wilson's 95 % interval, in per cent. A kind that is not assessed \
             counts as not found.\n\n| kind | strength | all |",
        );
        probes.iter().for_each(|n| out.push_str(&format!(" {n} |")));
        out.push_str("\n|---|---|---|");
        probes.iter().for_each(|_| out.push_str("---|"));
        out.push('\n');
        let levels = || [None].into_iter().chain(Level::ALL.map(Some));
        for fault in self.kinds() {
            for level in levels() {
                let mut by_probes: BTreeMap<usize, Share> = BTreeMap::new();
                let mut all = Share::default();
                for ((_, _, n), share) in
                    self.cells.iter().filter(|((f, l, _), _)| *f == fault && *l == level)
                {
                    by_probes.entry(*n).or_default().add(*share);
                    all.add(*share);
                }
                if all.of == 0 {
                    continue;
                }
                let word = level.map_or("as drawn", Level::code);
                out.push_str(&format!("| {} | {word} | {} |", fault.code(), counted(all)));
                for n in &probes {
                    out.push_str(&format!(
                        " {} |",
                        by_probes.get(n).map_or(NONE.to_owned(), |s| counted(*s))
                    ));
                }
                out.push('\n');
            }
        }
        out
    }

    fn looks_text(&self) -> String {
        let mut out = String::from(
            "### Sound homes by their look\n\n| look | homes | home-years | false calls | per 100 home-years |\n|---|---|---|---|---|\n",
        );
        for (look, t) in &self.looks {
            let years = t.days as f64 / 365.25;
            let rate =
                if years > 0.0 { format!("{:.1}", 100.0 * t.calls as f64 / years) } else { NONE.to_owned() };
            let look = if look.is_empty() { "not said" } else { look };
            out.push_str(&format!("| {look} | {} | {years:.1} | {} | {rate} |\n", t.homes, t.calls));
        }
        let mut by_kind: BTreeMap<&str, usize> = BTreeMap::new();
        for (_, fault) in &self.calls.false_calls {
            *by_kind.entry(fault.code()).or_default() += 1;
        }
        let kinds: Vec<String> = by_kind.iter().map(|(code, n)| format!("{code} {n}")).collect();
        out.push_str(&format!(
            "\nFalse calls by kind: {}.\n",
            if kinds.is_empty() { "none".to_owned() } else { kinds.join(", ") }
        ));
        out
    }

    fn delays_text(&self) -> String {
        if self.delays_hours.is_empty() {
            return String::new();
        }
        let mut out = String::from(
            "### Delay to the first call\n\nFrom the later of onset and first row to the first nightly batch that calls the fault by its name, the \
             record cut at the end of each local day. Homes that are never called count as endless.\n\n\
             | kind | homes | called | median, d | 90 % of homes within, d |\n|---|---|---|---|---|\n",
        );
        let days =
            |hours: f64| if hours.is_finite() { format!("{:.1}", hours / 24.0) } else { "never".to_owned() };
        for (fault, delays) in &self.delays_hours {
            let Some((median, p90)) = self.delay(*fault) else { continue };
            let called = delays.iter().filter(|d| d.is_finite()).count();
            out.push_str(&format!(
                "| {} | {} | {called} | {} | {} |\n",
                fault.code(),
                delays.len(),
                days(median),
                days(p90)
            ));
        }
        out
    }

    fn reliability_text(&self) -> String {
        let mut out = format!(
            "### What was said and what was so\n\nEvery assessed home and fault with a probability above {LEAST_P}, in bins of equal count.\n\n\
             | probability | predictions | said, mean | was so |\n|---|---|---|---|\n"
        );
        for bin in bins(&self.predictions) {
            let (from, to) = bin.from_to;
            out.push_str(&format!(
                "| {from:.3} to {to:.3} | {} | {:.1} % | {} |\n",
                bin.present.of,
                100.0 * bin.said,
                short(bin.present)
            ));
        }
        out
    }
}

fn figure_row(name: &str, figure: &Figure) -> String {
    let reached = figure.reached().map_or(NONE, |r| if r { "yes" } else { "**no**" });
    let bar = figure.bar_text().unwrap_or_else(|| NONE.to_owned());
    format!("| {name} | {} | {} | {bar} | {reached} |\n", figure.text(), figure.cases)
}

/// "share [low, high]" in per cent.
fn short(share: Share) -> String {
    match share.value().zip(share.interval()) {
        Some((v, (low, high))) => format!("{:.1} [{:.0}, {:.0}]", 100.0 * v, 100.0 * low, 100.0 * high),
        None => NONE.to_owned(),
    }
}

/// "hits/of [low, high]".
fn counted(share: Share) -> String {
    let (low, high) = share.interval().unwrap_or((0.0, 1.0));
    format!("{}/{} [{:.0}, {:.0}]", share.hits, share.of, 100.0 * low, 100.0 * high)
}
