//! The tapping profiles of Regulation (EU) No 814/2013, Annex III, Table 1, read from a flow meter at one minute: every
//! draw-off by itself, and the reference energy in sum.

use drawoff_contract::Channel;
use drawoff_homes::flow_meter::MeterState;
use drawoff_synth::{TappingPlan, TappingProfile, generate_tapping};
use drawoff_tank::norms::tapping::LoadProfile;
use drawoff_tests::assert_near;
use drawoff_tests::lone_home::{LoneHome, series};

const DAYS: u32 = 8;
const MINUTE_MS: i64 = 60_000;

#[test]
fn metered_profiles_are_read_back_draw_by_draw() {
    let profiles = [
        (TappingProfile::S, LoadProfile::S),
        (TappingProfile::M, LoadProfile::M),
        (TappingProfile::L, LoadProfile::L),
        (TappingProfile::Xl, LoadProfile::XL),
    ];
    for (profile, published) in profiles {
        let plan = TappingPlan {
            profile,
            days: DAYS,
            cadence_min: 1,
            probes: 6,
            noise_k: 0.1,
            ..TappingPlan::default()
        };
        let made = generate_tapping(&plan).unwrap();
        let mut home = LoneHome::new(&made);
        let flow_at = |&end_ms: &i64| -> f64 {
            let start_ms = end_ms - MINUTE_MS;
            let litres = made.truth.draws.iter().map(|draw| {
                let (from, to) = (draw.start_utc.0, draw.start_utc.0 + draw.minutes * MINUTE_MS);
                draw.litres * (to.min(end_ms) - from.max(start_ms)).max(0) as f64 / (to - from) as f64
            });
            litres.sum()
        };
        let flow: Vec<f64> = home.rows.time_ms.iter().map(flow_at).collect();
        home.rows.series[Channel::Flow.slot()] = Some(series(flow));
        let reading = home.read();
        let name = published.as_str();
        assert_eq!(reading.flow_meter.unwrap().state, MeterState::Sound, "{name}: {:?}", reading.flow_meter);
        let (kwh, count) = published.reference();
        let good: Vec<_> = reading.days.rows.iter().filter(|row| row.energy_kwh.is_some()).collect();
        assert!(good.len() + 1 >= DAYS as usize, "{name}: {} good days", good.len());
        for row in good {
            let day = row.day_start_utc.0..row.day_start_utc.0 + 86_400_000;
            let draws: Vec<_> = reading.days.draws.iter().filter(|d| day.contains(&d.start.0)).collect();
            assert_eq!(draws.len(), count, "{name}: draw-offs on {:?}", row.day);
            let litres: f64 =
                made.truth.draws.iter().filter(|d| day.contains(&d.start_utc.0)).map(|d| d.litres).sum();
            assert_near(name, row.litres.unwrap(), litres, 0.03 * litres);
            assert_near(name, draws.iter().map(|d| d.litres).sum(), litres, 0.03 * litres);
            assert_near(name, draws.iter().map(|d| d.energy_kwh).sum(), kwh, 0.02 * kwh);
        }
    }
}
