//! Cylinders drawn by a tapping profile of Commission Regulation (EU) No 814/2013, Annex III, table 1.

use drawoff_contract::{ContractError, DailyWindow};

use crate::climate::Climate;
use crate::climate::Place;
use crate::control::{Control, Heater, Mode};
use crate::cylinder::{CylinderBody, SOUND_ENTRAINMENT};
use crate::design::Design;
use crate::dice::{Purpose, dice};
use crate::fleet::{HomeData, WARM_UP_S, home_data};
use crate::household::{Demand, Habit, Wanted};
use crate::measure::ProbeErrors;
use crate::plan::FleetPlan;
use crate::simulate::{Scene, simulate};
use crate::source::Source;
use crate::sums::Simulated;
use crate::tapping_table::{L, M, S, XL};
use crate::unusual::Unusual;

/// Cold feed of the profiles, degC.
const FEED_DEGC: f64 = 10.0;
/// Surroundings of the test, degC.
const ROOM_DEGC: f64 = 20.0;
/// A draw that has not got its heat after this time ends without it, s.
const LONGEST_DRAW_S: i64 = 3600;

/// One draw of a profile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TappingDraw {
    /// Minutes after midnight.
    pub minute: u32,
    /// Useful heat above 10 degC, kWh.
    pub kwh: f64,
    /// Flow, l/min.
    pub l_per_min: f64,
    /// Water counts from this temperature on, degC.
    pub useful_degc: f64,
    /// Temperature that has to be reached during the draw, degC.
    pub peak_degc: Option<f64>,
}

/// A profile with the cylinder that this crate drives through it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TappingProfile {
    /// 120 l.
    S,
    /// 150 l.
    M,
    /// 210 l.
    L,
    /// 300 l.
    Xl,
}

impl TappingProfile {
    /// All four.
    pub const ALL: [TappingProfile; 4] = [Self::S, Self::M, Self::L, Self::Xl];

    /// Name in the regulation.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::S => "S",
            Self::M => "M",
            Self::L => "L",
            Self::Xl => "XL",
        }
    }

    /// Draws of one day, in order.
    #[must_use]
    pub fn draws(self) -> &'static [TappingDraw] {
        match self {
            Self::S => &S,
            Self::M => &M,
            Self::L => &L,
            Self::Xl => &XL,
        }
    }

    /// Volume of the cylinder, l.
    #[must_use]
    pub fn volume_l(self) -> f64 {
        match self {
            Self::S => 120.0,
            Self::M => 150.0,
            Self::L => 210.0,
            Self::Xl => 300.0,
        }
    }
}

/// What to drive through a profile: set point 60 degC, feed 10 degC, an element of 3 kW at the base, room 20 degC.
#[derive(Clone, Debug, PartialEq)]
pub struct TappingPlan {
    /// The profile, which also gives the volume.
    pub profile: TappingProfile,
    /// Days, from 9 March 2026, UTC.
    pub days: u32,
    /// Minutes between rows; divides a day.
    pub cadence_min: u32,
    /// Seed of noise and mains voltage.
    pub seed: u64,
    /// Probes, 1 to 12, evenly spaced; more than 8 have columns of their own in [`crate::readings_schema`].
    pub probes: u8,
    /// Noise of each reading, one standard deviation, K; readings come in steps of 0.01 K and probes have no other error.
    pub noise_k: f64,
    /// How slowly probes follow the water, s.
    pub probe_lag_s: f64,
}

impl Default for TappingPlan {
    /// Profile M for a week at 5 minutes, seen by 6 probes in the water itself with 0.1 K of noise.
    fn default() -> Self {
        Self {
            profile: TappingProfile::M,
            days: 7,
            cadence_min: 5,
            seed: 1,
            probes: 6,
            noise_k: 0.1,
            probe_lag_s: 20.0,
        }
    }
}

/// Drives a cylinder through a profile, day after day. Pure: the same plan gives the same bytes.
///
/// Water is drawn from the outlet itself at the profile's flow, unmixed, until the useful heat of the draw is delivered: heat above
/// 10 degC counts while the outlet is at the draw's temperature or above. Truth has a row for each draw.
///
/// # Errors
/// Only when the readings do not fit their schema, which would be a mistake in this crate.
pub fn generate_tapping(plan: &TappingPlan) -> Result<HomeData, ContractError> {
    let (fleet, home) = (fleet_plan(plan), design(plan));
    home_data(&fleet, 0, &home, &run(plan, &fleet, &home))
}

fn fleet_plan(plan: &TappingPlan) -> FleetPlan {
    FleetPlan {
        seed: plan.seed,
        homes: 1,
        days: plan.days,
        cadence_min: plan.cadence_min,
        zone: chrono_tz::UTC,
        probes: Some(plan.probes),
        resolution_k: Some(0.01),
        lost_share: Some(0.0),
        ..FleetPlan::default()
    }
}

fn run(plan: &TappingPlan, fleet: &FleetPlan, home: &Design) -> Simulated {
    let start_s = fleet.start_ms.div_euclid(1000);
    let range_s = start_s..start_s + i64::from(plan.days) * 86_400;
    let climate = Climate::steady(ROOM_DEGC, FEED_DEGC);
    let midnights = (range_s.start - WARM_UP_S..range_s.end).step_by(86_400);
    let demands: Vec<Demand> = midnights
        .flat_map(|midnight| plan.profile.draws().iter().map(move |d| demand(d, midnight)))
        .collect();
    simulate(&Scene {
        orders: &[],
        home,
        climate: &climate,
        demands: &demands,
        zone: fleet.zone,
        range_s,
        warm_up_s: WARM_UP_S,
        cadence_s: fleet.cadence_s(),
        pace: fleet.pace,
        rng: dice(plan.seed, 0, Purpose::Voltage),
        pocket_rng: Some(dice(plan.seed, 0, Purpose::Pockets)),
    })
}

fn demand(draw: &TappingDraw, midnight_s: i64) -> Demand {
    Demand {
        start_s: midnight_s + i64::from(draw.minute) * 60,
        seconds: LONGEST_DRAW_S,
        l_per_min: draw.l_per_min,
        mixed_degc: f64::INFINITY,
        gives_up: false,
        wanted: Some(Wanted { heat_j: draw.kwh * 3.6e6, useful_degc: draw.useful_degc }),
    }
}

/// The cylinder: proportions and loss in the middle of what the fleets have.
fn design(plan: &TappingPlan) -> Design {
    let volume_l = plan.profile.volume_l();
    let loss_w_per_k = (12.0 + 5.93 * libm::pow(volume_l, 0.4)) / 45.0;
    let count = f64::from(plan.probes.clamp(1, 12));
    let probe_heights: Vec<f64> = (0..plan.probes.clamp(1, 12))
        .map(|i| ((1.0 - (f64::from(i) + 0.5) / count) * 100.0).round() / 100.0)
        .collect();
    Design {
        id: format!("TP-{}", plan.profile.code()),
        area: "Bench",
        habit: Habit::Normal,
        people: 1,
        volume_l,
        body: CylinderBody {
            volume_l,
            height_m: libm::cbrt(volume_l / 1000.0 * 7.5),
            loss_w_per_k,
            top_fitting_share: 0.12,
            base_fitting_share: 0.05,
            insulation_j_per_k: volume_l * 130.0,
            conduction_w_per_m_k: 1.8,
            jet_l: 8.0,
            least_stirred_l: 0.0,
            entrainment: SOUND_ENTRAINMENT,
        },
        heaters: vec![Heater { index: 0, rated_w: 3000.0, height: 0.06, thermostat_height: 0.12 }],
        source: Source::Elements,
        control: Control {
            mode: Mode::Always,
            window: DailyWindow { start_min: 0, minutes: 1440 },
            boost: None,
            timer_follows_dst: true,
            set_point_degc: 60.0,
            deadband_k: 4.0,
            solar_peak_w: 0.0,
        },
        place: Place::Cupboard(ROOM_DEGC),
        true_probe_heights: probe_heights.clone(),
        probe_heights,
        probe_errors: ProbeErrors {
            calibration_k: 0.0,
            noise_k: plan.noise_k,
            lag_s: (plan.probe_lag_s, plan.probe_lag_s),
            towards_room: 0.0,
        },
        room_measured: true,
        declared_loss_w_per_k: loss_w_per_k,
        people_registered: false,
        primary_exported: false,
        people_before: None,
        unusual: Unusual::default(),
        installed: 2020,
        faults: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_hold_the_heat_of_the_regulation() {
        // Qref of Annex III, table 1.
        for (profile, kwh, draws) in [
            (TappingProfile::S, 2.1, 11),
            (TappingProfile::M, 5.845, 23),
            (TappingProfile::L, 11.655, 24),
            (TappingProfile::Xl, 19.07, 30),
        ] {
            assert!((profile.draws().iter().map(|d| d.kwh).sum::<f64>() - kwh).abs() < 1e-9);
            assert_eq!(profile.draws().len(), draws);
        }
    }

    #[test]
    fn every_draw_gets_its_heat_and_its_peak() {
        for profile in TappingProfile::ALL {
            let plan = TappingPlan { profile, days: 3, ..TappingPlan::default() };
            let (fleet, home) = (fleet_plan(&plan), design(&plan));
            let run = run(&plan, &fleet, &home);
            let asked = profile.draws();
            assert_eq!(run.draws.len(), 3 * asked.len(), "{profile:?}");
            for (drawn, asked) in run.draws.iter().zip(asked.iter().cycle()) {
                assert_eq!(drawn.start_s.rem_euclid(86_400), i64::from(asked.minute) * 60);
                assert!(
                    (drawn.useful_j / 3.6e6 / asked.kwh - 1.0).abs() < 1e-3,
                    "{profile:?} {asked:?} {drawn:?}"
                );
                assert!(
                    drawn.highest_degc >= asked.peak_degc.unwrap_or(0.0),
                    "{profile:?} {asked:?} {drawn:?}"
                );
            }
        }
    }

    #[test]
    fn readings_have_what_was_asked_for() {
        let plan = TappingPlan { days: 2, cadence_min: 1, ..TappingPlan::default() };
        let home = generate_tapping(&plan).unwrap();
        assert_eq!((home.readings.num_rows(), home.register.probe_heights.len()), (2 * 1440, 6));
        assert_eq!(home.truth.draws.len(), 2 * 23);
        assert_eq!(generate_tapping(&plan).unwrap().readings, home.readings);
        for day in &home.truth.days {
            // The rest is water below the useful temperature; at 60 degC there is none.
            assert!((day.kwh_draw / 5.845 - 1.0).abs() < 0.005, "{}", day.kwh_draw);
        }
    }
}
