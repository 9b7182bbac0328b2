//! Every row of the collected check values has a test, or a reason why it has none.

use std::collections::{BTreeMap, BTreeSet};

use drawoff_tests::shared_text;

/// Row, file of its test without `.rs`, test.
const ASSERTED: &[(&str, &str, &str)] = &[
    ("T1.1", "water", "volume_expansion"),
    ("T1.1", "water", "properties_at_1_bar"),
    ("T1.1", "water", "properties_in_the_whole_reference_table"),
    ("T1.1", "water", "water_grows_lighter_above_4_degc"),
    ("T1.2", "water", "heat_of_a_tank_measured_cold_and_hot"),
    ("T1.2", "water", "enthalpy_differences_at_1_bar"),
    ("T1.3", "water", "constants_of_published_methods_stay_close"),
    ("T2.1", "norms", "occupants_and_litres"),
    ("T2.2", "norms", "occupants_and_litres"),
    ("T2.3", "norms", "heat_of_months_and_years"),
    ("T2.4", "norms", "heat_of_months_and_years"),
    ("T2.5", "norms", "heat_of_months_and_years"),
    ("T2.6", "norms", "heat_of_months_and_years"),
    ("T2.7", "norms", "heat_of_months_and_years"),
    ("T2.8", "norms", "loss_of_storage"),
    ("T2.9", "norms", "loss_of_storage"),
    ("T2.10", "norms", "loss_of_storage"),
    ("T2.11", "norms", "loss_of_storage"),
    ("T2.13", "norms", "loss_of_primary_pipes"),
    ("T2.15", "norms", "cold_feed_by_month_and_hour"),
    ("T2.16", "norms", "cold_feed_by_month_and_hour"),
    ("T2.17", "norms", "cold_feed_by_month_and_hour"),
    ("T2.18", "norms", "worked_assessments_of_2022"),
    ("T2.19", "norms", "worked_assessments_of_2022"),
    ("T2.22", "norms", "occupants_and_litres"),
    ("T2.23", "norms", "share_of_dear_hours"),
    ("T2.25", "norms", "loss_of_combination_boilers"),
    ("T3.1", "tapping", "reference_energy_and_count_of_every_profile"),
    ("T3.1", "tapping", "profile_s_draw_by_draw"),
    ("T3.1", "tapping", "reference_energy_and_count_as_printed"),
    ("T3.1", "tapping", "sizes_of_the_draw_offs_of_m_l_and_xl"),
    ("T3.1", "metered", "metered_profiles_are_read_back_draw_by_draw"),
    ("T3.2", "tapping", "litres_and_minutes_of_the_large_draw_offs"),
    ("T3.3", "label", "limits_in_watts"),
    ("T3.3", "label", "class_changes_exactly_at_each_limit"),
    ("T3.4", "label", "market_limit_since_2017_is_the_limit_of_class_c"),
    ("T3.5", "label", "tolerances_of_verification"),
    ("T3.8", "usable", "v40_of_a_step_sampled_outlet"),
    ("T3.8", "usable", "v40_of_a_uniform_tank"),
    ("T3.8", "usable", "v40_of_a_drawn_thermocline_is_that_of_the_standing_one"),
    ("T3.8", "tapping", "water_and_volume_asked_of_each_profile"),
    ("T4.1", "loss", "declared_loss_to_coefficient"),
    ("T4.2", "loss", "cooling_of_an_idle_tank"),
    ("T4.2", "loss", "loss_is_linear_in_the_difference"),
    ("T4.2", "loss", "coefficient_found_again_from_a_night_in_tenths_of_a_degree"),
    ("T5.2", "rated", "sums_and_clusters_of_the_patterns"),
    ("T5.2", "rated", "patterns_draw_by_draw"),
    ("T5.3", "rated", "pattern_of_the_first_hour"),
    ("T5.4", "rated", "standing_loss_of_rated_heaters"),
    ("T6.5", "fleet", "invented_fleets_draw_as_much_as_measured_ones"),
    ("T6.6", "fleet", "invented_fleets_draw_as_much_as_measured_ones"),
    ("T6.7", "fleet", "invented_fleets_draw_as_much_as_measured_ones"),
    ("T6.8", "fleet", "invented_fleets_draw_as_much_as_measured_ones"),
    ("T7.1", "hygiene", "an_hour_at_60_degc_in_the_coldest_part"),
    ("T7.2", "hygiene", "an_hour_at_60_degc_in_the_coldest_part"),
    ("T7.3", "hygiene", "decade_times_of_legionella"),
    ("T7.5", "hygiene", "burn_times"),
    ("T8.1", "discharge", "worked_example_of_the_guidance"),
    ("T8.1", "discharge", "table_of_diameters"),
    ("T8.3", "discharge", "devices_act_one_after_another"),
    ("T8.5", "leaks", "expansion_of_a_210_l_tank"),
    ("T9.1", "elements", "power_against_voltage"),
    ("T9.2", "elements", "power_against_voltage"),
    ("T9.3", "elements", "healthy_band_of_a_3_kw_element"),
    ("T9.5", "elements", "heat_up_time_without_loss"),
    ("T10.1", "stratification", "mix_number_of_simple_tanks"),
    ("T10.1", "stratification", "mix_number_of_a_linear_tank"),
    ("T10.1", "stratification", "measures_do_not_hang_on_the_scale"),
    ("T10.2", "stratification", "stratification_number_by_hand"),
    ("T10.3", "stratification", "richardson_number_by_hand"),
    ("T10.4", "stratification", "thermocline_of_a_line_over_the_whole_height"),
    ("T10.5", "stratification", "exergy_by_hand"),
    ("T11.1", "verification", "fit_of_a_model_by_hand"),
    ("T11.2", "verification", "limits_of_a_calibrated_model"),
    ("T11.3", "verification", "fractional_uncertainty_of_a_saving"),
    ("T11.4", "verification", "uncertainty_of_a_portfolio"),
    ("T12.1", "settlement", "periods_of_every_day_from_2018_to_2030"),
    ("T12.1", "settlement", "periods_of_a_long_and_a_short_day"),
    ("T12.2", "settlement", "seven_hours_of_a_meter_that_keeps_winter_time"),
    ("T12.3", "settlement", "half_hours_of_utc_days_are_not_settlement_periods_in_summer"),
    ("T12.3", "settlement", "times_of_the_carbon_service_are_utc"),
    ("T12.4", "fleet", "power_moved_per_home"),
    ("T13.1", "leaks", "drops_to_litres"),
    ("T13.2", "leaks", "drops_to_litres"),
    ("T13.3", "leaks", "heat_of_a_hot_drip"),
];

/// Rows that no test holds, and why.
const WITHOUT: &[(&str, &str)] = &[
    (
        "T2.12",
        "the temperature factor of a declared loss is the one of T2.10; the line numbers are from memory",
    ),
    ("T2.14", "classes of an edition that was replaced; nothing here uses them"),
    ("T2.20", "from memory but for January, which T2.19 holds"),
    ("T2.21", "from memory"),
    ("T2.24", "sizes by code of an assessor's form; nothing here reads such forms"),
    ("T3.6", "efficiency classes of whole water heaters; drawoff labels the tank alone"),
    ("T3.7", "efficiency of whole water heaters, formulae from memory"),
    ("T4.3", "a title and a scope; its 45 K is that of T4.1"),
    ("T4.4", "from memory"),
    ("T4.5", "a scope"),
    ("T5.1", "conditions of the test, which T5.4 holds in its results"),
    ("T5.5", "heaters that burn fuel"),
    ("T5.6", "from memory or second hand"),
    ("T6.1", "a benchmark in the band of T6.5 to T6.8"),
    ("T6.2", "from memory"),
    ("T6.3", "a benchmark of use by hour, not of a function"),
    ("T6.4", "gas of boilers"),
    ("T6.9", "second hand; the cold feed held is that of T2.15"),
    ("T6.10", "a range of assumptions"),
    ("T6.11", "words"),
    ("T6.12", "words"),
    ("T6.13", "a default of another method"),
    ("T6.14", "factors of a form for cold water as well"),
    ("T6.15a", "sizing of heat pumps, second hand"),
    ("T6.15b", "from memory"),
    ("T7.4", "a rule of other countries, second hand"),
    ("T7.6", "limits at outlets; drawoff sees no outlet"),
    ("T8.2", "routes of pipes, which no reading shows"),
    ("T8.4", "from memory"),
    ("T8.6", "words, from memory"),
    ("T9.4", "a type test"),
    ("T9.6", "words"),
    ("T11.5", "words"),
];

/// The sources of the tests, by the same short names.
const SOURCES: &[(&str, &str)] = &[
    ("discharge", include_str!("discharge.rs")),
    ("elements", include_str!("elements.rs")),
    ("fleet", include_str!("fleet.rs")),
    ("hygiene", include_str!("hygiene.rs")),
    ("label", include_str!("label.rs")),
    ("leaks", include_str!("leaks.rs")),
    ("loss", include_str!("loss.rs")),
    ("metered", include_str!("metered.rs")),
    ("norms", include_str!("norms.rs")),
    ("rated", include_str!("rated.rs")),
    ("settlement", include_str!("settlement.rs")),
    ("stratification", include_str!("stratification.rs")),
    ("tapping", include_str!("tapping.rs")),
    ("usable", include_str!("usable.rs")),
    ("verification", include_str!("verification.rs")),
    ("water", include_str!("water.rs")),
];

/// The row's number at the head of a text: T, section, point, number, perhaps a letter.
fn row_at(text: &str) -> Option<&str> {
    let rest = text.strip_prefix('T')?;
    let (section, rest) = rest.split_once('.')?;
    let digits = rest.find(|c: char| !c.is_ascii_digit()).unwrap_or(rest.len());
    let letter = usize::from(rest[digits..].starts_with(|c: char| c.is_ascii_lowercase()));
    let sound = !section.is_empty() && section.bytes().all(|b| b.is_ascii_digit()) && digits > 0;
    sound.then(|| &text[..1 + section.len() + 1 + digits + letter])
}

/// Rows that the collection defines, in its lists and tables.
fn rows_of(text: &str) -> BTreeSet<String> {
    let heads = text.lines().filter_map(|line| line.strip_prefix("- ").or_else(|| line.strip_prefix("| ")));
    heads.filter_map(row_at).map(str::to_owned).collect()
}

/// Rows that its section 14 calls machine-checkable; of a span from one row to another, those that are defined.
#[expect(clippy::unwrap_used, reason = "a malformed reference file fails the test")]
fn machine_checkable(text: &str, rows: &BTreeSet<String>) -> BTreeSet<String> {
    let number = |row: &str| -> (u32, u32) {
        let (section, at) = row[1..].split_once('.').unwrap();
        let at = at.trim_end_matches(|c: char| c.is_ascii_lowercase());
        (section.parse().unwrap(), at.parse().unwrap())
    };
    let section = text.split("## 14.").nth(1).unwrap();
    let cells = section.lines().filter_map(|line| line.strip_prefix("| T").map(|rest| format!("T{rest}")));
    let mut out = BTreeSet::new();
    for cell in cells.map(|line| line.split('|').next().unwrap_or_default().to_owned()) {
        let named: Vec<(usize, &str)> =
            cell.match_indices('T').filter_map(|(at, _)| Some((at, row_at(&cell[at..])?))).collect();
        for (i, &(at, row)) in named.iter().enumerate() {
            out.insert(row.to_owned());
            let spans = cell[at + row.len()..].starts_with('–');
            if let Some(&(_, last)) = named.get(i + 1).filter(|_| spans) {
                let span = number(row)..=number(last);
                out.extend(rows.iter().filter(|r| span.contains(&number(r))).cloned());
            }
        }
    }
    out
}

#[test]
fn every_row_has_a_test_or_a_reason() {
    let Some(text) = shared_text("reference/check-values.md") else { return };
    let rows = rows_of(text.split("## 14.").next().unwrap());
    assert!(rows.len() > 90, "{} rows found", rows.len());
    let asserted: BTreeSet<String> = ASSERTED.iter().map(|a| a.0.to_owned()).collect();
    let without: BTreeSet<String> = WITHOUT.iter().map(|w| w.0.to_owned()).collect();
    let both: Vec<_> = asserted.intersection(&without).collect();
    assert!(both.is_empty(), "both tested and excused: {both:?}");
    let known: BTreeSet<String> = asserted.union(&without).cloned().collect();
    let (lacking, unknown): (Vec<_>, Vec<_>) =
        (rows.difference(&known).collect(), known.difference(&rows).collect());
    assert!(
        lacking.is_empty() && unknown.is_empty(),
        "without a case: {lacking:?}; not in the file: {unknown:?}"
    );
    let checkable = machine_checkable(&text, &rows);
    assert!(checkable.len() > 55, "{checkable:?}");
    let excused: Vec<_> = checkable.intersection(&without).collect();
    assert!(excused.is_empty(), "machine-checkable, but excused: {excused:?}");
}

#[test]
fn every_test_named_is_there() {
    let sources: BTreeMap<&str, &str> = SOURCES.iter().copied().collect();
    for (row, file, test) in ASSERTED {
        let there = sources[file].contains(&format!("#[test]\nfn {test}()"));
        assert!(there, "{row}: no test {test} in {file}.rs");
    }
    for (file, source) in SOURCES {
        for test in source.split("#[test]\nfn ").skip(1).filter_map(|rest| rest.split_once("()").map(|s| s.0))
        {
            let named = ASSERTED.iter().any(|a| a.1 == *file && a.2 == test);
            assert!(named, "{file}.rs: {test} holds no row that is named");
        }
    }
    assert!(WITHOUT.iter().all(|w| !w.1.is_empty()));
}

#[test]
fn rows_and_spans_are_read() {
    let text = "- T1.1 a\n| T2.3 | b |\n- T2.4 c\n- T2.10 d\n| T6.15a | e |\n- Tank\n## 14. Machine\n| T1.1, T2.3–T2.10 x | unit |\n";
    let rows = rows_of(text.split("## 14.").next().unwrap());
    assert_eq!(
        rows.iter().map(String::as_str).collect::<Vec<_>>(),
        ["T1.1", "T2.10", "T2.3", "T2.4", "T6.15a"]
    );
    let checkable = machine_checkable(text, &rows);
    assert_eq!(checkable.iter().map(String::as_str).collect::<Vec<_>>(), ["T1.1", "T2.10", "T2.3", "T2.4"]);
}
