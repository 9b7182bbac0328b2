//! Water that a heater warms while its pump moves too little of it: a chamber or an exchanger that trips again and again.

/// What such a vessel is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Vessel {
    /// Heat capacity of its water and metal, J/K.
    pub(crate) j_per_k: f64,
    /// To the room, W/K.
    pub(crate) loss_w_per_k: f64,
    /// Where its own cut-out opens, degC.
    pub(crate) trips_degc: f64,
    /// Where it closes again.
    pub(crate) resets_degc: f64,
}

/// An element's chamber of about 2 l: our own choice. Bare, 0.1 m2 at 10 W/(m2 K) of free convection and radiation together (from
/// memory) lose 1 W/K.
pub(crate) const CHAMBER: Vessel =
    Vessel { j_per_k: 8400.0, loss_w_per_k: 1.0, trips_degc: 85.0, resets_degc: 60.0 };
/// Exchanger and condenser of a heat pump with their water, about 5 l, with the pressure switch of the compressor. Its casing
/// is insulated: 0.3 m2 at 3 W/(m2 K), our own choice.
pub(crate) const CONDENSER: Vessel =
    Vessel { j_per_k: 21_000.0, loss_w_per_k: 1.0, trips_degc: 66.0, resets_degc: 45.0 };

/// How it stands.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Stalled {
    /// Of its water, degC; `None` before it was first heated.
    degc: Option<f64>,
    tripped: bool,
    /// Heat that it holds beyond what it began with, J.
    held_j: f64,
}

/// What one step brought, W.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Step {
    /// Into the vessel.
    pub(crate) in_w: f64,
    /// With the water that still moves.
    pub(crate) out_w: f64,
    pub(crate) lost_w: f64,
    /// At the end, degC.
    pub(crate) degc: f64,
}

impl Stalled {
    /// Heat that it holds, J: part of what is stored.
    pub(crate) fn held_j(&self) -> f64 {
        self.held_j
    }

    /// Heats for some seconds with `heater_w` while water of `flow_w_per_k` passes; exact for a well-mixed vessel.
    pub(crate) fn step(
        &mut self,
        vessel: &Vessel,
        heater_w: f64,
        flow_w_per_k: f64,
        [intake_degc, room_degc]: [f64; 2],
        seconds: f64,
    ) -> Step {
        let start_degc = *self.degc.get_or_insert(intake_degc);
        let in_w = if self.tripped { 0.0 } else { heater_w };
        let leaving_w_per_k = flow_w_per_k + vessel.loss_w_per_k;
        let steady_degc =
            (in_w + flow_w_per_k * intake_degc + vessel.loss_w_per_k * room_degc) / leaving_w_per_k;
        let fade = leaving_w_per_k * seconds / vessel.j_per_k;
        let kept = libm::exp(-fade);
        let degc = steady_degc + (start_degc - steady_degc) * kept;
        let mean_degc = steady_degc + (start_degc - steady_degc) * (1.0 - kept) / fade;
        self.degc = Some(degc);
        self.tripped = degc >= vessel.trips_degc || (self.tripped && degc > vessel.resets_degc);
        let (out_w, lost_w) =
            (flow_w_per_k * (mean_degc - intake_degc), vessel.loss_w_per_k * (mean_degc - room_degc));
        self.held_j += (in_w - out_w - lost_w) * seconds;
        Step { in_w, out_w, lost_w, degc }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_flow_it_trips_again_and_again() {
        let mut stalled = Stalled::default();
        let steps: Vec<Step> =
            (0..1080).map(|_| stalled.step(&CHAMBER, 3000.0, 0.0, [15.0, 20.0], 20.0)).collect();
        let hottest = steps.iter().map(|s| s.degc).fold(0.0, f64::max);
        assert!((85.0..93.0).contains(&hottest), "{hottest}");
        let starts = steps.windows(2).filter(|w| w[0].in_w == 0.0 && w[1].in_w > 0.0).count();
        // From 85 to 60 degC at 20 degC around: 8400 s x ln(65 / 40) = 68 min, less what it overshoots.
        assert!((4..7).contains(&starts), "{starts} in six hours");
        let balance: f64 = steps.iter().map(|s| (s.in_w - s.out_w - s.lost_w) * 20.0).sum();
        assert!((balance - 8400.0 * (steps[1079].degc - 15.0)).abs() < 1.0 && steps[5].out_w == 0.0);
        assert!((balance - stalled.held_j()).abs() < 1e-6);
    }

    #[test]
    fn with_enough_flow_it_gives_what_it_gets() {
        let mut stalled = Stalled::default();
        let last =
            (0..200).map(|_| stalled.step(&CHAMBER, 3000.0, 100.0, [20.0, 20.0], 20.0)).last().unwrap();
        // 3000 W over 101 W/K: 29.7 K.
        assert!((last.degc - 49.70).abs() < 0.01 && (last.out_w + last.lost_w - 3000.0).abs() < 1.0);
    }
}
