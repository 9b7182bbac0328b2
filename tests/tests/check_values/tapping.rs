//! Load profiles of Regulation (EU) No 814/2013, Annex III, Table 1 (the same as No 812/2013, Annex VII, Table 3), and the
//! size of their draw-offs.

use std::collections::BTreeMap;

use drawoff_tank::Water;
use drawoff_tank::norms::tapping::{FIRST_DRAW_MIN, LoadProfile, OFF_PEAK_MOST_H, OFF_PEAK_WITHIN_MIN};
use drawoff_tank::usable::litres_of_energy;
use drawoff_tests::{assert_near, shared_text};

/// Profile S: minutes after midnight, kWh, l/min, degC from which it counts.
const S: [(u32, f64, f64, f64); 11] = [
    (420, 0.105, 3.0, 25.0),
    (450, 0.105, 3.0, 25.0),
    (510, 0.105, 3.0, 25.0),
    (570, 0.105, 3.0, 25.0),
    (690, 0.105, 3.0, 25.0),
    (705, 0.105, 3.0, 25.0),
    (765, 0.315, 4.0, 10.0),
    (1080, 0.105, 3.0, 25.0),
    (1095, 0.105, 3.0, 40.0),
    (1230, 0.42, 4.0, 10.0),
    (1290, 0.525, 5.0, 45.0),
];

/// Draw-offs of one size: kWh, l/min, how many.
type Size = (f64, f64, usize);

/// Draw-offs of M, L and XL by size.
const SIZES: [(&str, &[Size]); 3] = [
    ("M", &[(0.105, 3.0, 19), (0.315, 4.0, 1), (0.735, 4.0, 1), (1.4, 6.0, 2)]),
    ("L", &[(0.105, 3.0, 19), (0.315, 4.0, 1), (0.735, 4.0, 1), (1.4, 6.0, 1), (3.605, 10.0, 2)]),
    ("XL", &[(0.105, 3.0, 24), (0.735, 4.0, 2), (1.82, 6.0, 1), (4.42, 10.0, 3)]),
];

struct DrawOff {
    minute: u32,
    kwh: f64,
    flow_l_per_min: f64,
    counts_from_degc: f64,
}

/// Profiles of the reference file, in its order of draw-offs.
#[expect(clippy::unwrap_used, reason = "a malformed reference file fails the test")]
fn reference_profiles() -> Option<BTreeMap<String, Vec<DrawOff>>> {
    let text = shared_text("reference/tapping_profiles.csv")?;
    let mut profiles: BTreeMap<String, Vec<DrawOff>> = BTreeMap::new();
    for line in text.lines().filter(|line| !line.starts_with('#') && !line.starts_with("profile")) {
        let fields: Vec<&str> = line.split(',').collect();
        let (hour, minute) = fields[2].split_once(':').unwrap();
        let draws = profiles.entry(fields[0].to_owned()).or_default();
        assert_eq!(fields[1].parse::<usize>().unwrap(), draws.len() + 1, "numbered in order");
        draws.push(DrawOff {
            minute: hour.parse::<u32>().unwrap() * 60 + minute.parse::<u32>().unwrap(),
            kwh: fields[3].parse().unwrap(),
            flow_l_per_min: fields[4].parse().unwrap(),
            counts_from_degc: fields[5].parse().unwrap(),
        });
    }
    Some(profiles)
}

#[test]
fn reference_energy_and_count_of_every_profile() {
    let Some(profiles) = reference_profiles() else { return };
    assert_eq!(profiles.len(), LoadProfile::ALL.len());
    for profile in LoadProfile::ALL {
        let (name, (kwh, count)) = (profile.as_str(), profile.reference());
        let draws = &profiles[name];
        assert_eq!(draws.len(), count, "draw-offs of {name}");
        assert_near(name, draws.iter().map(|draw| draw.kwh).sum(), kwh, 1e-9);
        assert!(draws.windows(2).all(|pair| pair[0].minute < pair[1].minute), "{name} in order of time");
        // XS begins half an hour after the others
        let first = if profile == LoadProfile::XS { 450 } else { FIRST_DRAW_MIN };
        assert_eq!(draws[0].minute, first, "{name} draws nothing before 07:00");
    }
}

#[test]
fn reference_energy_and_count_as_printed() {
    let printed = [
        ("3XS", 0.345, 23),
        ("XXS", 2.100, 20),
        ("XS", 2.100, 3),
        ("S", 2.100, 11),
        ("M", 5.845, 23),
        ("L", 11.655, 24),
        ("XL", 19.07, 30),
        ("XXL", 24.53, 30),
        ("3XL", 46.76, 10),
        ("4XL", 93.52, 10),
    ];
    let ours = LoadProfile::ALL.map(|p| (p.as_str(), p.reference().0, p.reference().1));
    assert_eq!(ours, printed);
    // Annex III, point 2: no draw-off before 07:00; a cheap-hours heater has at most 8 h between 22:00 and 07:00
    assert_eq!((FIRST_DRAW_MIN, OFF_PEAK_WITHIN_MIN), (420, (1320, 420)));
    assert_near("h", OFF_PEAK_MOST_H, 8.0, 0.0);
}

#[test]
fn water_and_volume_asked_of_each_profile() {
    // Annex II 1.3, just at and below each limit
    use LoadProfile as P;
    for (profile, litres) in [
        (P::M, 65.0),
        (P::L, 130.0),
        (P::XL, 210.0),
        (P::XXL, 300.0),
        (P::ThreeXL, 520.0),
        (P::FourXL, 1040.0),
    ] {
        assert_eq!(profile.least_v40_l(), Some(litres));
        assert_eq!(P::largest_of_v40(litres), Some(profile));
        assert_ne!(P::largest_of_v40(litres - 1e-9), Some(profile));
    }
    assert_eq!(P::largest_of_v40(64.9), None);
    let volumes = [P::ThreeXS, P::XXS, P::XS, P::S, P::M].map(P::most_volume_l);
    assert_eq!(volumes, [Some(7.0), Some(15.0), Some(15.0), Some(36.0), None]);
}

#[test]
fn profile_s_draw_by_draw() {
    assert_near("S", S.iter().map(|draw| draw.1).sum(), 2.100, 1e-9);
    let Some(profiles) = reference_profiles() else { return };
    for (draw, published) in profiles["S"].iter().zip(S) {
        assert_eq!((draw.minute, draw.kwh, draw.flow_l_per_min, draw.counts_from_degc), published);
    }
}

#[test]
fn sizes_of_the_draw_offs_of_m_l_and_xl() {
    for (name, sizes) in SIZES {
        let (kwh, count) = LoadProfile::ALL.into_iter().find(|p| p.as_str() == name).unwrap().reference();
        let sum = sizes.iter().map(|&(kwh, _, count)| kwh * count as f64).sum();
        assert_near(name, sum, kwh, 1e-9);
        assert_eq!(sizes.iter().map(|size| size.2).sum::<usize>(), count);
    }
    let Some(profiles) = reference_profiles() else { return };
    for (name, sizes) in SIZES {
        for &(kwh, flow, count) in sizes {
            let same = |draw: &&DrawOff| draw.kwh == kwh && draw.flow_l_per_min == flow;
            assert_eq!(
                profiles[name].iter().filter(same).count(),
                count,
                "{name}: {kwh} kWh at {flow} l/min"
            );
        }
    }
}

#[test]
fn litres_and_minutes_of_the_large_draw_offs() {
    // E * 3600 / (4.18 kJ/(l K) * 30 K) litres at 40 degC, over the flow
    let water = Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: 4.18 };
    for (kwh, flow, litres, minutes) in
        [(1.4, 6.0, 40.2, 6.7), (3.605, 10.0, 103.5, 10.3), (4.42, 10.0, 127.0, 12.7)]
    {
        let got = litres_of_energy(kwh, 10.0, 40.0, water);
        assert_near("litres", got, litres, 0.12);
        assert_near("minutes", got / flow, minutes, 0.06);
    }
}
