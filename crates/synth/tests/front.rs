//! How thick the front between cold and hot water is, against a draw-off measured in a laboratory: test 12 of a stratified tank
//! of 285 l (Brecht Baeten, in the repository BrechtBa/modelica-annex60, commit dab8177; Modelica License 2).
#![expect(clippy::disallowed_methods, reason = "a test reads published data without the store")]
#![expect(clippy::print_stderr, reason = "a test that is passed over says so")]

use std::path::{Path, PathBuf};

use drawoff_synth::{Cylinder, CylinderBody};

const INSIDE_M: f64 = 1.225;
const INSIDE_L: f64 = 284.7;
/// Heights of the laboratory's probes, base first, m.
const PROBES_M: [f64; 17] =
    [0.05, 0.165, 0.2, 0.315, 0.35, 0.465, 0.5, 0.615, 0.65, 0.765, 0.8, 0.915, 0.95, 1.065, 1.1, 1.165, 1.2];
/// Flow of test 12, l/min, its feed and its hot water, degC.
const FLOW_L_PER_MIN: f64 = 3.3;
const FEED_DEGC: f64 = 15.1;
const HOT_DEGC: f64 = 53.0;
/// Parts of the volume drawn at which the front is looked at.
const DRAWN: [f64; 3] = [0.2, 0.4, 0.6];

/// From 10 to 90 % of the rise, as a part of the height; straight between the probes.
fn thickness(water_degc: &[f64; 17]) -> f64 {
    // The lowest probe lies in a dead zone under the inlet.
    let (cold, hot) = (water_degc[1], water_degc[16]);
    let height_m = |part: f64| {
        let level = cold + part * (hot - cold);
        let above = (2..17).find(|&i| water_degc[i] >= level).unwrap_or(16);
        let share = (level - water_degc[above - 1]) / (water_degc[above] - water_degc[above - 1]);
        PROBES_M[above - 1] + share * (PROBES_M[above] - PROBES_M[above - 1])
    };
    (height_m(0.9) - height_m(0.1)) / INSIDE_M
}

fn measured(folder: &Path) -> Vec<f64> {
    let text = std::fs::read_to_string(folder.join("profiles_degc.csv")).unwrap_or_default();
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter(|line| line.starts_with("12,"))
        .map(|line| line.split(',').map(|v| v.parse().unwrap_or(f64::NAN)).collect())
        .collect();
    let (mut drawn_l, mut out) = (0.0, Vec::new());
    for pair in rows.windows(2) {
        drawn_l += pair[0][2].max(0.0) * (pair[1][1] - pair[0][1]) / 60.0;
        if DRAWN.get(out.len()).is_some_and(|part| drawn_l >= part * INSIDE_L) {
            let mut water = [0.0; 17];
            for (value, cell) in water.iter_mut().zip(pair[1][5..].iter().rev()) {
                *value = *cell;
            }
            out.push(thickness(&water));
        }
    }
    out
}

fn simulated(conduction_w_per_m_k: f64, jet_l: f64, least_stirred_l: f64, entrainment: f64) -> Vec<f64> {
    let mut tank = Cylinder::new(
        CylinderBody {
            volume_l: INSIDE_L,
            height_m: INSIDE_M,
            loss_w_per_k: 1.5,
            top_fitting_share: 0.1,
            base_fitting_share: 0.05,
            insulation_j_per_k: 30_000.0,
            conduction_w_per_m_k,
            jet_l,
            least_stirred_l,
            entrainment,
        },
        HOT_DEGC,
        20.0,
    );
    let (mut drawn_l, mut out) = (0.0, Vec::new());
    while out.len() < DRAWN.len() {
        let litres = FLOW_L_PER_MIN / 3.0;
        tank.flow(litres, FEED_DEGC);
        tank.stir_by_inlet(litres, FLOW_L_PER_MIN);
        tank.rest(20.0, 20.0);
        drawn_l += litres;
        if drawn_l >= DRAWN[out.len()] * INSIDE_L {
            out.push(thickness(&PROBES_M.map(|m| tank.at_degc(m / INSIDE_M))));
        }
    }
    out
}

#[test]
fn measured_inlets_make_fronts_as_thick_as_measured() {
    let shared = std::env::var_os("DRAWOFF_SHARED")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared"), PathBuf::from);
    let folder = shared.join("lab-stratified-tank");
    if !folder.is_dir() {
        eprintln!("passed over: {} is absent", folder.display());
        return;
    }
    let real = measured(&folder);
    // Ends and middle of what `design` draws, for 285 l.
    let sharp = [(1.0, 4.0), (1.8, 9.0), (2.6, 14.0)].map(|(k, jet)| simulated(k, jet, 0.0, 3.0));
    let middle = simulated(2.3, 30.0, 30.0, 3.0);
    eprintln!(
        "front, 10 to 90 %, part of the height through 17 probes, after 20, 40 and 60 % drawn at 3.3 l/min:"
    );
    let line = |name: &str, parts: &[f64]| eprintln!("  {name:<28} {parts:.3?}");
    line("laboratory, test 12", &real);
    for (name, parts) in ["sharp, thinnest", "sharp, middle", "sharp, thickest"].into_iter().zip(&sharp) {
        line(name, parts);
    }
    line("measured inlet, middle", &middle);
    assert_eq!(real.len(), DRAWN.len());
    // At 20 % the laboratory's front is still near its inlet at 0.19 m, which the model puts at the base.
    for (made, real) in middle.iter().zip(&real).skip(1) {
        assert!((made / real - 1.0).abs() < 0.15, "{made} against {real}");
    }
}
