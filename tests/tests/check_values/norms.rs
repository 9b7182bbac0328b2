//! Published assumptions: UK Standard Assessment Procedure 2012 and 10.2 (values read in public implementations and in worked
//! assessments), and the UK Home Energy Model's wrapper for the Future Homes Standard.

use drawoff_savings::reference::combination_loss_kwh_per_day;
use drawoff_tank::norms::household::{
    MONTHLY_FACTORS, MONTHLY_RISE_K, bath_litres_per_day, gains_kwh, litres_per_day, litres_per_day_at_52,
    month_kwh, occupants, other_litres_per_day, pipe_loss_kwh, required_kwh,
};
use drawoff_tank::norms::storage::{
    Insulation, NO_THERMOSTAT, OWN_TIMES, TEMPERATURE_FACTOR, combination_factor, dear_share, loss_factor,
    loss_kwh_per_day, primary_kwh_per_day, volume_factor,
};
use drawoff_tank::norms::{DAYS_OF_MONTH, feed};
use drawoff_tests::assert_near;

#[test]
fn occupants_and_litres() {
    // Table 1b
    for (floor_m2, people) in [
        (10.0, 1.0),
        (45.0, 1.5446),
        (60.0, 1.9816),
        (75.0, 2.3612),
        (90.0, 2.6257),
        (100.0, 2.7395),
        (150.0, 2.9342),
        (200.0, 3.0019),
    ] {
        assert_near("occupants", occupants(floor_m2), people, 1e-4 * people);
    }
    for (people, litres) in [(1.0, 61.0), (2.0, 86.0), (3.0, 111.0), (4.0, 136.0), (5.0, 161.0)] {
        assert_near("litres a day", litres_per_day(people), litres, 1e-9);
    }
    // Future Homes Standard, at 52 degC
    for (people, litres) in [(1.0, 51.255), (2.0, 83.843), (3.0, 111.813), (4.0, 137.151), (5.0, 160.696)] {
        assert_near("litres a day at 52 degC", litres_per_day_at_52(people), litres, 1e-4 * litres);
    }
}

#[test]
fn heat_of_months_and_years() {
    // Table 1c: mean of the months 1 exactly, by days 0.999726
    assert_near("mean factor", MONTHLY_FACTORS.iter().sum::<f64>() / 12.0, 1.0, 1e-12);
    let by_days: f64 = MONTHLY_FACTORS.iter().zip(DAYS_OF_MONTH).map(|(f, d)| f * d).sum::<f64>() / 365.0;
    assert_near("mean factor by days", by_days, 0.999_726, 1e-6);
    // line 45
    for (people, kwh) in [(1.0, 962.06), (2.0, 1356.35), (3.0, 1750.64), (4.0, 2144.93), (5.0, 2539.22)] {
        let year: f64 = (0..12).map(|month| month_kwh(people, month)).sum();
        assert_near("kWh a year", year, kwh, 1e-4 * kwh);
    }
    assert_near("kWh in January", month_kwh(3.0, 0), 181.504, 0.0182);
    assert_near("kWh in July", month_kwh(3.0, 6), 109.575, 0.011);
    // Table 1d
    let rises = [41.2, 41.4, 40.1, 37.6, 36.4, 33.9, 30.4, 33.4, 33.5, 36.3, 39.4, 39.9];
    assert_eq!(MONTHLY_RISE_K, rises);
    // lines 46 and 62, by hand: 0.15 * 100; 0.85 * 100 + 15 + 30
    assert_near("pipe loss", pipe_loss_kwh(100.0), 15.0, 1e-9);
    assert_near("heat to be given", required_kwh(100.0, 30.0), 130.0, 1e-9);
    // lines 46 and 65, by hand: 0.25 * 0.85 * 100 + 0.8 * 30
    assert_near("gains", gains_kwh(100.0, 30.0), 45.25, 1e-9);
}

#[test]
fn worked_assessments_of_2022() {
    // worked values of version 10.2 (J11; J6 to J8 with the factor of January, 1.035, and mains of 8.0 degC)
    for (people, other_l, bath_l) in [(2.1468, 38.5426, 27.3868), (1.8896, 35.7697, 25.4345)] {
        assert_near("other uses", other_litres_per_day(people, 0), other_l, 3e-4);
        assert_near("baths", bath_litres_per_day(people, 1.035, feed::MAINS_DEGC[0]), bath_l, 5e-4);
    }
}

#[test]
fn cold_feed_by_month_and_hour() {
    // Table J1: mean 13.00, by days 13.025
    assert_near("mean", feed::MAINS_DEGC.iter().sum::<f64>() / 12.0, 13.00, 0.005);
    let by_days: f64 = feed::MAINS_DEGC.iter().zip(DAYS_OF_MONTH).map(|(t, d)| t * d).sum::<f64>() / 365.0;
    assert_near("mean by days", by_days, 13.025, 0.0005);
    assert!(feed::HEADER_DEGC.iter().zip(feed::MAINS_DEGC).all(|(header, mains)| *header > mains));
    for (hour, degc) in [(0, 8.4688), (6, 6.9688), (15, 8.4688), (23, 8.4688)] {
        assert_near("degC", feed::hour_degc(8.0, hour), degc, 5e-5);
    }
    let mean = (0..24).map(|hour| feed::hour_degc(8.0, hour)).sum::<f64>() / 24.0;
    assert_near("mean of the hours", mean, 8.0, 1e-12);
}

#[test]
fn loss_of_storage() {
    // Table 2, note 1: thickness mm, foam, jacket
    for (mm, foam, jacket) in [
        (0.0, 0.1425, 0.1425),
        (12.0, 0.0394, 0.0760),
        (25.0, 0.0240, 0.0516),
        (35.0, 0.0191, 0.0418),
        (38.0, 0.0181, 0.0396),
        (50.0, 0.0152, 0.0330),
        (80.0, 0.0115, 0.0240),
        (120.0, 0.0094, 0.0183),
        (160.0, 0.0084, 0.0152),
    ] {
        assert_near("foam", loss_factor(Insulation::Foam, mm), foam, 6e-5);
        assert_near("jacket", loss_factor(Insulation::Jacket, mm), jacket, 6e-5);
    }
    // Table 2a; the printed table rounds some down
    for (litres, factor) in [
        (40.0, 1.442),
        (80.0, 1.145),
        (100.0, 1.063),
        (110.0, 1.029),
        (120.0, 1.000),
        (140.0, 0.950),
        (160.0, 0.909),
        (180.0, 0.874),
        (200.0, 0.843),
        (210.0, 0.830),
        (300.0, 0.737),
    ] {
        assert_near("volume factor", volume_factor(litres), factor, 0.002);
    }
    // lines 47 to 57: litres, mm of foam, kWh a day, kWh a year
    for (litres, mm, day, year) in [
        (110.0, 25.0, 1.6283, 594.3),
        (160.0, 50.0, 1.3245, 483.4),
        (210.0, 50.0, 1.5877, 579.5),
        (210.0, 25.0, 2.5058, 914.6),
        (300.0, 50.0, 2.0139, 735.1),
    ] {
        let kwh = loss_kwh_per_day(litres, Insulation::Foam, mm, TEMPERATURE_FACTOR);
        assert_near("kWh a day", kwh, day, 1e-4 * day);
        assert_near("kWh a year", kwh * 365.0, year, 0.06);
    }
    // Table 2b: with a thermostat, without one, with times of its own; stores in combination boilers by hand
    assert_eq!((TEMPERATURE_FACTOR, NO_THERMOSTAT, OWN_TIMES), (0.60, 1.3, 0.9));
    for (litres, primary, factor) in [
        (115.0, true, 0.82),
        (115.0, false, 0.60),
        (65.0, true, 0.93),
        (65.0, false, 0.68),
        (150.0, true, 0.82),
    ] {
        assert_near("combination boiler", combination_factor(litres, primary), factor, 1e-9);
    }
    let jacket = loss_kwh_per_day(110.0, Insulation::Jacket, 80.0, TEMPERATURE_FACTOR * NO_THERMOSTAT);
    assert_near("110 l, jacket, no thermostat", jacket, 2.1168, 3e-4);
}

#[test]
fn loss_of_primary_pipes() {
    // Table 3: insulated share, hours a day, kWh a day
    for (share, hours, kwh) in [
        (0.0, 3.0, 1.3972),
        (0.0, 5.0, 2.0832),
        (0.0, 11.0, 4.1412),
        (1.0, 3.0, 0.7504),
        (1.0, 5.0, 1.0052),
        (1.0, 11.0, 1.7696),
    ] {
        assert_near("kWh a day", primary_kwh_per_day(share, hours), kwh, 1e-4);
    }
    // June to September 3 h a day, else 5 h
    for (share, year) in [(0.0, 676.68), (1.0, 335.81)] {
        let kwh = 122.0 * primary_kwh_per_day(share, 3.0) + 243.0 * primary_kwh_per_day(share, 5.0);
        assert_near("kWh a year", kwh, year, 0.01);
    }
}

#[test]
fn share_of_dear_hours() {
    // Table 13, seven cheap hours: occupants, litres, one element, two
    for (people, litres, one, two) in [
        (2.0, 110.0, 0.5824, 0.1462),
        (2.0, 160.0, 0.2129, 0.0872),
        (2.0, 210.0, 0.0193, 0.0282),
        (2.0, 245.0, 0.0, 0.0),
        (3.0, 210.0, 0.0830, 0.0458),
    ] {
        assert_near("one element", dear_share(people, litres, false, 7.0), one, 6e-5);
        assert_near("two elements", dear_share(people, litres, true, 7.0), two, 6e-5);
    }
    // ten hours, by hand: (14530 - 1524) / 165 - 60 = 18.824; 2 * (6.8 - 3.96) + 14 - 11.55 = 8.13
    assert_near("one element, ten hours", dear_share(2.0, 110.0, false, 10.0), 0.188_24, 1e-5);
    assert_near("two elements, ten hours", dear_share(2.0, 110.0, true, 10.0), 0.0813, 1e-9);
}

#[test]
fn loss_of_combination_boilers() {
    // Table 3a, without a facility that keeps water hot: 600 x fu x days / 365, fu = min(1, litres / 100); a worked January
    assert_near("January", combination_loss_kwh_per_day(77.8795) * DAYS_OF_MONTH[0], 39.6866, 1e-3);
    assert_near("a year of 100 l and more", combination_loss_kwh_per_day(140.0) * 365.0, 600.0, 1e-9);
}
