//! Cold feed of a home that no fleet speaks for.
//!
//! Where fewer than three homes report, nobody shows the feed: at the base of a cylinder that is reheated while it is drawn
//! from, inflow is warmed before it reaches a probe. Three things are known. The feed is no warmer than the coldest water
//! seen. It follows the season. And draw-offs speak for it by how they moved the water (`drawn_feed_degc` of the daybook).

use drawoff_contract::daybook::DayNote;
use drawoff_contract::local::months_into_year;
use drawoff_tank::norms::feed::MAINS_DEGC;

use crate::robust::median;

/// Standard deviation of a mains feed about the table of the season, K: between sites and years, and where the table is not
/// of the place; design choice.
const SEASON_SPREAD_K: f64 = 3.0;
/// Days either side whose draw-offs speak for a day's feed: the season moves it by a kelvin or so.
const REACH_DAYS: usize = 10;
/// What the model of the water is off by in the same way at each draw-off of a home, K.
const SAME_ERROR_K: f64 = 2.0;
/// Mains water is no colder: it would be near freezing.
const COLDEST_FEED_DEGC: f64 = 3.0;
/// Mains water is not warmer: common practice, no source.
const WARMEST_FEED_DEGC: f64 = 25.0;

/// Cold feed on day `i` of a home alone, degC; `lowest_degc` is the coldest water seen about then, NaN where none was.
pub(crate) fn cold_alone(days: &[DayNote], i: usize, lowest_degc: f64) -> f64 {
    let near = &days[i.saturating_sub(REACH_DAYS)..(i + REACH_DAYS + 1).min(days.len())];
    let told: Vec<(f64, f64)> =
        near.iter().filter_map(|d| d.drawn_feed_degc.zip(d.drawn_feed_se_k)).collect();
    weighed(season_degc(months_into_year(days[i].day)), &told, lowest_degc)
}

/// Season and draw-offs (degC, standard error), each by how sure it is, below the coldest water seen.
fn weighed(season_degc: f64, told: &[(f64, f64)], lowest_degc: f64) -> f64 {
    let feed_degc = if told.is_empty() {
        season_degc
    } else {
        let drawn_degc = median(&told.iter().map(|t| t.0).collect::<Vec<_>>());
        let information: f64 = told.iter().map(|t| 1.0 / (t.1 * t.1)).sum();
        let drawn = 1.0 / (1.0 / information + SAME_ERROR_K * SAME_ERROR_K);
        let season = 1.0 / (SEASON_SPREAD_K * SEASON_SPREAD_K);
        (drawn * drawn_degc + season * season_degc) / (drawn + season)
    };
    feed_degc.min(lowest_degc).clamp(COLDEST_FEED_DEGC, WARMEST_FEED_DEGC)
}

/// The table of the season, in straight lines between the middles of months so that no litres step at the turn of one.
fn season_degc(months: f64) -> f64 {
    let all = MAINS_DEGC.len();
    // Half a month back, and a year on to stay above 0.
    let since_middle = months - 0.5 + all as f64;
    let (month, share) = (since_middle as usize, since_middle.fract());
    let (from, to) = (MAINS_DEGC[month % all], MAINS_DEGC[(month + 1) % all]);
    from + (to - from) * share
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_season_has_its_table_at_the_middle_of_months() {
        assert!((season_degc(0.5) - 8.0).abs() < 1e-9 && (season_degc(6.5) - 18.4).abs() < 1e-9);
        assert!((season_degc(0.0) - 8.25).abs() < 1e-9 && (season_degc(12.0) - 8.25).abs() < 1e-9);
    }

    #[test]
    fn draw_offs_count_by_how_sure_they_are_and_the_coldest_water_is_a_limit() {
        assert_eq!(weighed(8.0, &[], 40.0), 8.0);
        assert_eq!(weighed(8.0, &[], 5.0), 5.0);
        assert_eq!(weighed(8.0, &[], f64::NAN), 8.0);
        // weights 1 / (0.25 / 5 + 4) and 1 / 9
        let by_hand = (14.0 / 4.05 + 8.0 / 9.0) / (1.0 / 4.05 + 1.0 / 9.0);
        assert!((weighed(8.0, &[(14.0, 0.5); 5], 40.0) - by_hand).abs() < 1e-9);
        assert!(weighed(8.0, &[(14.0, 9.0)], 40.0) < 9.0);
    }
}
