//! What one home of the fleet is: cylinder, heaters, control, people, probes, and the faults laid on it.

mod fitting;

use drawoff_contract::{DailyWindow, Fault, FaultClass};
use rand_chacha::ChaCha8Rng;

use crate::climate::Place;
use crate::control::{Control, Heater, Mode, OVER_TEMPERATURE_DEGC};
use crate::cylinder::{CylinderBody, SOUND_ENTRAINMENT};
use crate::dice::{Purpose, below, chance, dice, normal, shuffled, uniform, weighted};
use crate::fault::{How, Injected, RAMP_DAYS};
use crate::household::Habit;
use crate::level::laid;
use crate::measure::ProbeErrors;
use crate::plan::{FaultsLaid, FleetPlan, Inlet, RoomMeasured, Sources};
use crate::source::{Source, fitted};
use crate::trial::{self, Cell};
use crate::unusual::{self, Unusual};

pub(crate) use fitting::timed;

/// Areas of the invented town.
const AREAS: [&str; 5] = ["Tallow Quay", "Nettlebank", "Upper Larch", "Cinder Lane", "Saltpan Rise"];

/// Every block of this many homes holds each fault once, the sound look-alikes, and ordinary sound homes.
pub(crate) const BLOCK: usize = 40;
/// The kinds of which a fleet "as drawn" holds one in every block: the first sixteen, so that the sample fleet stays as it is.
pub(crate) const SAMPLE_KINDS: &[Fault] = Fault::ALL.split_at(16).0;
const LOOK_ALIKES: [Habit; 11] = [
    Habit::LargeFamily,
    Habit::LargeFamily,
    Habit::LargeFamily,
    Habit::Guests,
    Habit::Guests,
    Habit::Guests,
    Habit::Vacant,
    Habit::Away,
    Habit::Away,
    Habit::ColdLoft,
    Habit::ColdLoft,
];

/// Everything that is drawn once per home.
#[derive(Clone, Debug)]
pub(crate) struct Design {
    pub(crate) id: String,
    pub(crate) area: &'static str,
    pub(crate) habit: Habit,
    pub(crate) people: u32,
    pub(crate) volume_l: f64,
    pub(crate) body: CylinderBody,
    pub(crate) heaters: Vec<Heater>,
    pub(crate) source: Source,
    pub(crate) control: Control,
    pub(crate) place: Place,
    /// Registered probe heights, volume fractions from the base, top first.
    pub(crate) probe_heights: Vec<f64>,
    /// Where the probes really are.
    pub(crate) true_probe_heights: Vec<f64>,
    pub(crate) probe_errors: ProbeErrors,
    pub(crate) room_measured: bool,
    pub(crate) declared_loss_w_per_k: f64,
    pub(crate) people_registered: bool,
    pub(crate) installed: i32,
    /// Whether the export tells flow and return of a coil or plate exchanger.
    pub(crate) primary_exported: bool,
    /// How many live there before the faults' onset, where it is the people that change.
    pub(crate) people_before: Option<u32>,
    pub(crate) unusual: Unusual,
    pub(crate) faults: Vec<Injected>,
}

impl Design {
    /// Word for the elements in the truth table.
    pub(crate) fn layout(&self) -> &'static str {
        match (&self.source, self.heaters.as_slice()) {
            (Source::TopPump(_) | Source::Coil(_) | Source::HeatPump(_), _) => self.source.kind().code(),
            (Source::Elements, [_, _]) => "dual",
            (Source::Elements, [only]) if only.index == 1 => "single_high",
            (Source::Elements, _) => "single_low",
        }
    }

    /// What the thermostat is set to at the end of the period, as the register has it, degC.
    pub(crate) fn final_set_point_degc(&self) -> f64 {
        let by_fault = self.faults.iter().find(|f| f.how == How::SetPoint).map(|f| f.severity);
        by_fault.or(self.unusual.set_point.map(|s| s.1)).unwrap_or(self.control.set_point_degc)
    }

    /// Word in the register and the truth table for how heating is controlled.
    pub(crate) fn control_word(&self) -> &'static str {
        if self.unusual.part_charge_degc.is_some() { "learned" } else { self.control.mode.code() }
    }

    /// People who live there at a second of the period.
    pub(crate) fn people_at(&self, second: i64) -> u32 {
        let changed = self.faults.iter().all(|f| f.is_on(second));
        self.people_before.filter(|_| !changed).unwrap_or(self.people)
    }
}

/// Draws the design of home `index`; depends on the seed and the index, and on the period only for onsets.
pub(crate) fn design(plan: &FleetPlan, index: u32) -> Design {
    if let Some(cell) = trial::cell(plan, index) {
        return tried(plan, index, &cell);
    }
    let (habit, fault) = slot(plan.seed, index);
    let fault = fault.filter(|_| plan.faults == FaultsLaid::AsDrawn);
    let mut out = drawn(plan, index, habit, fault);
    // Two probes have no others between them to be exchanged over.
    let fault = fault
        .filter(|f| *f != Fault::SensorSwap || out.probe_heights.len() > 2)
        .filter(|f| *f != Fault::ElementHalf || out.control.mode != Mode::Surplus)
        .filter(|f| out.source.can_have(*f));
    if let Some(fault) = fault {
        out.faults.push(inject(plan, index, fault, &out));
    }
    out
}

/// A home of a trial, by its cell.
pub(crate) fn tried(plan: &FleetPlan, index: u32, cell: &Cell) -> Design {
    let plan = FleetPlan { source: cell.source, probes: Some(cell.probes), ..plan.clone() };
    let mut out = drawn(&plan, index, cell.habit, cell.fault.map(|f| f.0));
    unusual::settle(&mut dice(plan.seed, index, Purpose::Unusual), &mut out, plan.days);
    if let Some((fault, level)) = cell.fault {
        let rng = &mut dice(plan.seed, index, Purpose::Fault);
        let (onset_s, pre_existing) = onset(rng, &plan);
        fitting::prepare(fault, level, &mut out);
        let (severity, how) = laid(rng, fault, level, &out);
        fitting::fit(rng, fault, severity, &mut out);
        let mut found = Injected { fault, onset_s, pre_existing, severity, how, level: Some(level) };
        found.pre_existing = was_there(&found);
        found.onset_s = if found.pre_existing { 0 } else { found.onset_s };
        out.faults.push(found);
    }
    out
}

/// What home `index` is, apart from faults.
fn drawn(plan: &FleetPlan, index: u32, habit: Habit, fault: Option<Fault>) -> Design {
    let rng = &mut dice(plan.seed, index, Purpose::Design);
    let people = match habit {
        Habit::LargeFamily => 5 + below(rng, 2) as u32,
        Habit::Students => 4 + below(rng, 2) as u32,
        Habit::FullExporting => 1,
        _ => weighted(rng, &[(1, 0.3), (2, 0.35), (3, 0.17), (4, 0.13), (5, 0.05)], 2),
    };
    let mode = unusual::mode_for(habit, mode(rng, fault, plan.source));
    let mut heaters = heaters(rng, mode);
    let mut control = control(rng, mode, heaters.len() == 2);
    let source_rng = &mut dice(plan.seed, index, Purpose::Source);
    let source = fitted(source_rng, plan.source, control.set_point_degc).map_or(Source::Elements, |fitted| {
        heaters = vec![fitted.heater];
        control.mode = fitted.mode;
        control.window = fitted.window;
        control.boost = fitted.boost;
        control.set_point_degc = fitted.set_point_degc;
        control.solar_peak_w = 0.0;
        fitted.source
    });
    let volume_l = volume_for(rng, people, mode);
    let place = if habit == Habit::ColdLoft {
        Place::Loft
    } else {
        Place::Cupboard(normal(rng, 20.0, 1.4).clamp(16.5, 24.0))
    };
    let mut body = body(rng, volume_l);
    if plan.inlet == Inlet::Measured {
        stir_as_measured(&mut dice(plan.seed, index, Purpose::Inlet), &mut body);
    }
    let drawn = probes(rng, fault);
    let (probe_heights, true_probe_heights) = plan
        .probes
        .map_or(drawn, |count| probe_places(&mut dice(plan.seed, index, Purpose::Probes), count.into()));
    let declared_loss_w_per_k =
        (body.loss_w_per_k / libm::exp(normal(rng, 0.03, 0.1)) * 45.0 * 0.024 * 100.0).round()
            / 100.0
            / (45.0 * 0.024);
    let mut out = Design {
        id: format!("OS-{:05}", index + 1),
        area: AREAS[below(rng, AREAS.len())],
        habit,
        people,
        volume_l,
        body,
        heaters,
        control,
        place,
        room_measured: habit == Habit::ColdLoft && chance(rng, 0.5) || chance(rng, 0.33),
        declared_loss_w_per_k,
        people_registered: chance(rng, 0.8),
        installed: 2004 + below(rng, 21) as i32,
        probe_heights,
        true_probe_heights,
        probe_errors: ProbeErrors::USUAL,
        primary_exported: primary_exported(plan.seed, index, &source),
        source,
        people_before: None,
        unusual: Unusual::default(),
        faults: Vec::new(),
    };
    out.room_measured = match plan.room {
        RoomMeasured::AsDrawn => out.room_measured,
        RoomMeasured::Always => true,
        RoomMeasured::Never => false,
    };
    out
}

/// Who lives in home `index`, and what is wrong there; every block of [`BLOCK`] homes is shuffled by itself.
fn slot(seed: u64, index: u32) -> (Habit, Option<Fault>) {
    let block = index / BLOCK as u32;
    let order = shuffled(&mut dice(seed, block, Purpose::Slots), BLOCK);
    let place = order[index as usize % BLOCK];
    match SAMPLE_KINDS.get(place) {
        Some(&fault) => (Habit::Normal, Some(fault)),
        None => (LOOK_ALIKES.get(place - SAMPLE_KINDS.len()).copied().unwrap_or(Habit::Normal), None),
    }
}

/// Two of three coils and plate exchangers have probes on their own flow and return.
fn primary_exported(seed: u64, index: u32, source: &Source) -> bool {
    matches!(source, Source::Coil(_) | Source::HeatPump(_))
        && chance(&mut dice(seed, index, Purpose::Primary), 0.67)
}

/// Large enough for the people as a rule; a cylinder that is heated once a day has to be larger.
fn volume_for(rng: &mut ChaCha8Rng, people: u32, mode: Mode) -> f64 {
    const SIZES: [f64; 6] = [120.0, 150.0, 180.0, 210.0, 250.0, 300.0];
    let once_a_day_l = if mode == Mode::Always { 0.0 } else { 45.0 };
    let wanted = 80.0 + 38.0 * f64::from(people) + once_a_day_l + normal(rng, 0.0, 25.0);
    SIZES.iter().copied().find(|&size| size >= wanted).unwrap_or(300.0)
}

fn heaters(rng: &mut ChaCha8Rng, mode: Mode) -> Vec<Heater> {
    let rated_w = if chance(rng, 0.85) { 3000.0 } else { 2500.0 };
    let at = |index, height: f64| Heater { index, rated_w, height, thermostat_height: height + 0.05 };
    let lower = at(0, (uniform(rng, 0.08, 0.16) * 100.0).round() / 100.0);
    let upper = at(1, (uniform(rng, 0.52, 0.66) * 100.0).round() / 100.0);
    // A lone upper element heats too little for a day; it serves where it may come on again.
    let high = if mode == Mode::Always { 0.25 } else { 0.06 };
    match weighted(rng, &[("low", 0.45), ("both", 0.4), ("high", high)], "low") {
        "low" => vec![lower],
        "both" => vec![lower, upper],
        _ => vec![upper],
    }
}

fn mode(rng: &mut ChaCha8Rng, fault: Option<Fault>, sources: Sources) -> Mode {
    let mode = weighted(
        rng,
        &[(Mode::Always, 0.34), (Mode::Night, 0.4), (Mode::Partial, 0.12), (Mode::Surplus, 0.14)],
        Mode::Always,
    );
    // Part power cannot be told from a dim sun, so that fault is not laid on a diverter.
    let told = if fault == Some(Fault::ElementHalf) && mode == Mode::Surplus { Mode::Night } else { mode };
    match (sources, told) {
        (Sources::Diverter, _) => Mode::Surplus,
        (Sources::Element, Mode::Surplus) => Mode::Night,
        _ => told,
    }
}

fn control(rng: &mut ChaCha8Rng, mode: Mode, dual: bool) -> Control {
    let starts = [1320, 1380, 1410, 0, 30, 60];
    let start_min = starts[below(rng, starts.len())];
    let minutes = match mode {
        Mode::Always | Mode::Night | Mode::Programmer => 300 + 30 * below(rng, 7) as u32,
        Mode::Partial => 180 + 30 * below(rng, 4) as u32,
        Mode::Surplus => 90 + 30 * below(rng, 3) as u32,
    };
    let afternoon =
        DailyWindow { start_min: 960 + 15 * below(rng, 7) as u32, minutes: 60 + 30 * below(rng, 2) as u32 };
    let boosted = match mode {
        Mode::Always | Mode::Programmer => false,
        Mode::Night => chance(rng, 0.4),
        Mode::Partial => !dual,
        Mode::Surplus => chance(rng, 0.6),
    };
    Control {
        mode,
        window: DailyWindow { start_min, minutes },
        boost: boosted.then_some(afternoon),
        timer_follows_dst: chance(rng, 0.8),
        set_point_degc: 57.0 + below(rng, 8) as f64,
        deadband_k: uniform(rng, 3.5, 6.5).round(),
        solar_peak_w: if mode == Mode::Surplus { uniform(rng, 2800.0, 4800.0) } else { 0.0 },
    }
}

/// A body between the label classes A and C of Regulation (EU) 812/2013 (S = 8.5 + 4.25 V^0.4 to 16.66 + 8.33 V^0.4 W
/// at 45 K; formulae from memory).
fn body(rng: &mut ChaCha8Rng, volume_l: f64) -> CylinderBody {
    let class_b_w = class_b_w(volume_l);
    CylinderBody {
        volume_l: volume_l * (1.0 + normal(rng, 0.0, 0.01)),
        height_m: libm::cbrt(volume_l / 1000.0 * uniform(rng, 6.0, 9.0)),
        loss_w_per_k: class_b_w / 45.0 * uniform(rng, 0.75, 1.35),
        top_fitting_share: uniform(rng, 0.06, 0.2),
        base_fitting_share: uniform(rng, 0.03, 0.08),
        insulation_j_per_k: volume_l * uniform(rng, 90.0, 170.0),
        conduction_w_per_m_k: uniform(rng, 1.0, 2.6),
        jet_l: uniform(rng, 4.0, 14.0),
        least_stirred_l: 0.0,
        entrainment: SOUND_ENTRAINMENT,
    }
}

/// Most that a cylinder of label class B loses at 45 K, W.
fn class_b_w(volume_l: f64) -> f64 {
    12.0 + 5.93 * libm::pow(volume_l, 0.4)
}

/// Ranges around what the fronts of a laboratory tank of 285 l ask for: about 30 l stirred at any flow, 30 l at 8 l/min, three times
/// the inflow drawn along. The spread is our own choice.
fn stir_as_measured(rng: &mut ChaCha8Rng, body: &mut CylinderBody) {
    body.least_stirred_l = body.volume_l * uniform(rng, 0.07, 0.14);
    body.jet_l = body.volume_l * uniform(rng, 0.07, 0.14);
    body.entrainment = uniform(rng, 2.0, 4.0);
    body.conduction_w_per_m_k = uniform(rng, 1.8, 2.8);
}

fn probes(rng: &mut ChaCha8Rng, fault: Option<Fault>) -> (Vec<f64>, Vec<f64>) {
    let few = if fault.is_some_and(|f| f.class() == FaultClass::Sensor) { 0.0 } else { 0.08 };
    let count = weighted(rng, &[(2, few), (3, few), (4, 0.3), (5, 0.3), (6, 0.24), (8, 0.08)], 4);
    probe_places(rng, count)
}

/// Where a number of probes are by the register, and where they really are: top first, volume fractions from the base.
fn probe_places(rng: &mut ChaCha8Rng, count: usize) -> (Vec<f64>, Vec<f64>) {
    let (top, base) = (uniform(rng, 0.93, 0.97), uniform(rng, 0.05, 0.1));
    let spacing = (top - base) / (count.max(2) - 1) as f64;
    let registered: Vec<f64> = (0..count)
        .map(|i| {
            // A lone probe sits in the upper third, where it tells of the water that people get: common practice, no source.
            let highest = if count == 1 { uniform(rng, 0.65, 0.85) } else { top };
            highest - spacing * i as f64
                + if i > 0 && i < count - 1 { uniform(rng, -0.1, 0.1) * spacing } else { 0.0 }
        })
        .map(|height| (height * 100.0).round() / 100.0)
        .collect();
    let real = registered.iter().map(|height| (height + normal(rng, 0.0, 0.005)).clamp(0.02, 0.98)).collect();
    (registered, real)
}

fn inject(plan: &FleetPlan, index: u32, fault: Fault, home: &Design) -> Injected {
    let rng = &mut dice(plan.seed, index, Purpose::Fault);
    let (onset_s, pre_existing) = onset(rng, plan);
    let probe = below(rng, home.probe_heights.len());
    let (severity, how) = match fault {
        Fault::ElementOpen => (1.0, element(rng, home, 0.7)),
        Fault::ElementHalf => (0.5, element(rng, home, 1.0)),
        Fault::ThermostatHot => (uniform(rng, 8.0, 15.0), ramp(rng)),
        Fault::ThermostatCold => (uniform(rng, -15.0, -8.0), ramp(rng)),
        Fault::Destratified => match below(rng, 3) {
            0 => (uniform(rng, 2.0, 5.0), How::Pump),
            1 => (uniform(rng, 0.55, 0.85), How::InletJet),
            _ => (uniform(rng, 70.0, 150.0), How::Conduction),
        },
        Fault::LeakSteady => (uniform(rng, 0.05, 0.3), How::Plain),
        Fault::LeakHeating => (uniform(rng, 0.2, 0.6), How::Plain),
        Fault::LossDoubled => (uniform(rng, 1.8, 3.0), How::Plain),
        Fault::GravityNight => (uniform(rng, 3.0, 8.0), How::PipeFlow(uniform(rng, 0.2, 0.5))),
        // Where heating is allowed at any hour, a welded relay shows nowhere.
        Fault::StuckOn if home.control.mode != Mode::Always && chance(rng, 0.5) => {
            (home.control.set_point_degc, How::Relay)
        }
        Fault::StuckOn => (OVER_TEMPERATURE_DEGC, How::Thermostat),
        Fault::SensorStuck => (0.0, How::Probe(probe)),
        Fault::SensorOffset => {
            (uniform(rng, 4.0, 10.0) * if chance(rng, 0.5) { 1.0 } else { -1.0 }, How::Probe(probe))
        }
        Fault::SensorSwap => {
            let first = below(rng, home.probe_heights.len() - 2);
            let second = first + 2 + below(rng, home.probe_heights.len() - first - 2);
            ((second - first) as f64, How::Probes(first, second))
        }
        Fault::DataGaps => (uniform(rng, 0.12, 0.35), How::Plain),
        Fault::ClockShift => (if chance(rng, 0.5) { 60.0 } else { -60.0 }, How::Plain),
        Fault::MeterReset => (1.0 + below(rng, 3) as f64, How::Plain),
        _ => (0.0, How::Plain),
    };
    let mut out = Injected { fault, onset_s, pre_existing, severity, how, level: None };
    out.pre_existing = was_there(&out);
    out.onset_s = if out.pre_existing { 0 } else { onset_s };
    out
}

/// When a fault begins, seconds after the start of the period, and whether it was there before.
fn onset(rng: &mut ChaCha8Rng, plan: &FleetPlan) -> (i64, bool) {
    let days = f64::from(plan.days);
    // A sound start of ten days where the period has room for it.
    let earliest = (0.34 * days).max(10.0_f64.min(0.5 * days));
    let onset_s = (uniform(rng, earliest, (0.6 * days).max(earliest + 0.02)) * 86_400.0) as i64;
    (onset_s, chance(rng, 0.15))
}

/// Whether a fault was there before the period, as far as its kind leaves that open.
fn was_there(injected: &Injected) -> bool {
    let class = injected.fault.class();
    if injected.how == How::Conduction || injected.how == How::RegisterOnly {
        true
    } else if injected.fault == Fault::SensorStuck {
        false
    } else {
        injected.pre_existing && (class != FaultClass::Data || injected.fault == Fault::MeterScale)
    }
}

/// The lower of two elements with the given probability, or the only one.
fn element(rng: &mut ChaCha8Rng, home: &Design, lower: f64) -> How {
    match home.heaters.as_slice() {
        [_, _] if chance(rng, lower) => How::Element { index: 0, name: "lower" },
        [_, _] => How::Element { index: 1, name: "upper" },
        [only] => How::Element { index: only.index, name: "only" },
        _ => How::Plain,
    }
}

fn ramp(rng: &mut ChaCha8Rng) -> How {
    How::Ramp(if chance(rng, 0.5) { RAMP_DAYS } else { 0.0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_block_holds_each_fault_once_and_the_look_alikes() {
        for seed in 0..4 {
            let mut kinds: Vec<Fault> = (0..BLOCK as u32).filter_map(|i| slot(seed, i).1).collect();
            kinds.sort();
            assert_eq!(kinds, SAMPLE_KINDS);
            let away = (0..BLOCK as u32).filter(|&i| slot(seed, i).0 == Habit::Away).count();
            assert_eq!(away, 2);
        }
    }

    #[test]
    fn designs_are_possible_homes() {
        let plan = FleetPlan { seed: 9, homes: 400, days: 29, ..FleetPlan::default() };
        for index in 0..400 {
            let home = design(&plan, index);
            assert!((2..=8).contains(&home.probe_heights.len()), "{home:?}");
            assert!(home.probe_heights.windows(2).all(|w| w[0] > w[1] + 0.03), "{home:?}");
            assert!((0.7..1.5).contains(&(home.body.height_m)), "{home:?}");
            for fault in &home.faults {
                assert!(fault.pre_existing || (10.0..18.0).contains(&(fault.onset_s as f64 / 86_400.0)));
            }
        }
    }
}
