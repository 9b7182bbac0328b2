//! Calibration of the classes of use, by tenths of the probability said.

use drawoff_homes::classes::{BATH_FROM_L, HomeClasses, SMALL_BELOW_L};
use drawoff_homes::{HomeNotes, HomeReading};
use drawoff_score::truth::TruthDraw;
use drawoff_score::{Half, Truth};

const NAMES: [&str; 3] = ["small", "shower-like", "bath or several"];

/// By class and tenth: draw-offs, sum of probabilities, number truly of the class.
#[derive(Default)]
pub(crate) struct Tally {
    bins: [[(u64, f64, u64); 10]; 3],
    right: u64,
    all: u64,
    /// Draw-offs in which no water was drawn at all.
    ghosts: u64,
    /// Sums of expected and true numbers by class.
    counts: [(f64, f64); 3],
}

/// Litres at 40 degC that carry the heat of a true draw-off; its feed follows from litres, outlet and heat.
fn litres_at_40(draw: &TruthDraw) -> f64 {
    // 1.163 Wh per litre and kelvin: water of 1.000 kg/l and 4187 J/(kg K).
    let cold_degc = draw.outlet_degc - draw.kwh * 1000.0 / (1.163 * draw.litres);
    draw.kwh * 1000.0 / (1.163 * (40.0 - cold_degc))
}

impl Tally {
    pub(crate) fn add(
        &mut self,
        homes: &[(HomeNotes<'_>, &HomeReading)],
        found: &[HomeClasses],
        truth: &Truth,
        half: Half,
    ) {
        for ((notes, reading), classes) in homes.iter().zip(found) {
            let home = &notes.cylinder.home;
            let Some(true_home) = truth.homes.get(home) else { continue };
            if !half.contains(home) || !true_home.is_sound() {
                continue;
            }
            let cadence_ms = notes.days.first().map_or(300_000.0, |d| d.cadence_min * 60_000.0) as i64;
            for (row, p) in reading.days.draws.iter().zip(&classes.of_draws) {
                let Some(p) = p else { continue };
                // What was drawn from an interval before the row to its end. Rows without water are the detection's, and counted apart.
                let (from, to) = (row.start.0 - cadence_ms, row.end.0);
                let first = true_home.draws.partition_point(|d| d.end_ms <= from + cadence_ms / 2);
                let of_row = true_home.draws[first..].iter().take_while(|d| d.start_ms < to);
                let litres: f64 = of_row.map(litres_at_40).filter(|l| l.is_finite()).sum();
                if litres <= 0.0 {
                    self.ghosts += 1;
                    continue;
                }
                let class = usize::from(litres >= SMALL_BELOW_L) + usize::from(litres >= BATH_FROM_L);
                self.all += 1;
                let best = (0..3).max_by(|&a, &b| p[a].total_cmp(&p[b])).unwrap_or(0);
                self.right += u64::from(best == class);
                for (c, said) in p.iter().enumerate() {
                    let is = u64::from(c == class);
                    let bin = &mut self.bins[c][((said * 10.0) as usize).min(9)];
                    *bin = (bin.0 + 1, bin.1 + said, bin.2 + is);
                    self.counts[c] = (self.counts[c].0 + said, self.counts[c].1 + is as f64);
                }
            }
        }
    }

    pub(crate) fn print(&self) {
        println!(
            "\nclasses: most likely class right at {:.1} % of {} draw-offs",
            100.0 * self.right as f64 / self.all as f64,
            self.all
        );
        for ((name, bins), (expected, are)) in NAMES.into_iter().zip(&self.bins).zip(self.counts) {
            println!("  {name}: {expected:.0} expected, {are:.0} true");
            for (n, sum, hits) in bins.iter().filter(|b| b.0 > 0) {
                let (said, is) = (100.0 * sum / *n as f64, 100.0 * *hits as f64 / *n as f64);
                println!("    said {said:5.1} %  is {is:5.1} %  off {:+5.1}  n {n}", is - said);
            }
        }
    }
}
