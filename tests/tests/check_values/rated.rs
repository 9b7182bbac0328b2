//! The United States test, 10 CFR 430 Subpart B Appendix E: draw patterns (Tables III.1 to III.4) and ratings, read in public
//! programs that implement it.

use drawoff_tank::norms::rated::{
    LITRES_PER_US_GALLON, Pattern, electric_w_per_k, electric_w_per_k_of_old_factor,
};
use drawoff_tests::{assert_near, shared_text};

const PATTERNS: [(&str, Pattern, usize, f64, f64, usize); 4] = [
    // name, pattern, draw-offs, US gallons, litres, draw-offs of the first cluster
    ("VerySmall", Pattern::VerySmall, 9, 10.0, 37.9, 5),
    ("Low", Pattern::Low, 11, 38.0, 143.8, 3),
    ("Medium", Pattern::Medium, 12, 55.0, 208.2, 3),
    ("High", Pattern::High, 14, 84.0, 318.0, 4),
];

#[test]
fn pattern_of_the_first_hour() {
    for (gallons, pattern) in [
        (17.9, Pattern::VerySmall),
        (18.0, Pattern::Low),
        (50.9, Pattern::Low),
        (51.0, Pattern::Medium),
        (74.9, Pattern::Medium),
        (75.0, Pattern::High),
    ] {
        assert_eq!(Pattern::of_first_hour(gallons), pattern);
    }
}

#[test]
fn standing_loss_of_rated_heaters() {
    assert_near("Btu a day", Pattern::Medium.btu_per_day(), 30_584.0, 0.5);
    // in public code after Maguire and Roberts (2020)
    for (factor, pattern, w_per_k) in [
        (0.93, Pattern::Medium, 1.1474),
        (0.92, Pattern::Medium, 1.3255),
        (0.95, Pattern::Low, 0.5543),
        (0.90, Pattern::High, 2.5868),
    ] {
        assert_near("W/K", electric_w_per_k(factor, pattern), w_per_k, 1e-3);
    }
    // the factor before, by hand: 41093.7 * (1 / 0.9 - 1) / (24 * 67.5) = 2.8185 Btu/(h degF), times 0.52753
    assert_near("W/K", electric_w_per_k_of_old_factor(0.90), 1.4868, 1e-4);
    assert!(electric_w_per_k_of_old_factor(0.0).is_nan() && electric_w_per_k(1.01, Pattern::Low).is_nan());
}

#[test]
fn sums_and_clusters_of_the_patterns() {
    for (name, pattern, count, gallons, litres, cluster) in PATTERNS {
        let draws = pattern.draws();
        assert_eq!((draws.len(), pattern.first_cluster()), (count, cluster), "{name}");
        let sum: f64 = draws.iter().map(|draw| draw.us_gallons).sum();
        assert_near(name, sum, gallons, 1e-9);
        assert_near(name, pattern.us_gallons_per_day(), gallons, 1e-9);
        assert_near(name, sum * LITRES_PER_US_GALLON, litres, 0.1);
        assert!(draws.windows(2).all(|pair| pair[0].minute < pair[1].minute), "{name} in order of time");
    }
}

#[test]
fn patterns_draw_by_draw() {
    let Some(text) = shared_text("reference/uef_draw_patterns.csv") else { return };
    for (name, pattern, ..) in PATTERNS {
        let rows: Vec<Vec<&str>> = text
            .lines()
            .map(|line| line.split(',').collect())
            .filter(|row: &Vec<&str>| row[0] == name)
            .collect();
        assert_eq!(rows.len(), pattern.draws().len(), "{name}");
        for (row, draw) in rows.iter().zip(pattern.draws()) {
            let (hour, minute) = row[2].split_once(':').unwrap();
            let minute = hour.parse::<u32>().unwrap() * 60 + minute.parse::<u32>().unwrap();
            assert_eq!(draw.minute, minute, "{name} {row:?}");
            let number = |column: usize| row[column].parse::<f64>().unwrap();
            assert_near("US gallons", draw.us_gallons, number(3), 1e-9);
            assert_near("litres", draw.us_gallons * LITRES_PER_US_GALLON, number(4), 0.01);
            assert_near("US gallons a minute", draw.us_gallons_per_min, number(5), 1e-9);
        }
    }
}
