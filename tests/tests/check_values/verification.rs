//! Measurement and verification: ASHRAE Guideline 14-2014 (quoted word for word in public programs), CalTRACK methods 4.3, and
//! Sun and Baltazar (2013) as CalTRACK 4.3.2.4.6 gives them.

use drawoff_homes::verification::{
    HOURLY_FACTOR, Interval, MOST_UNCERTAINTY, Saving, cv_rmse, daily_factor, independent_count,
    is_fit_for_portfolio, lag_1_autocorrelation, monthly_factor, nmbe, portfolio_uncertainty,
    savings_uncertainty,
};
use drawoff_tests::assert_near;

#[test]
fn fit_of_a_model_by_hand() {
    let (measured, modelled) = ([9.0, 11.0, 12.0, 8.0], [10.0, 10.0, 10.0, 8.0]);
    // sqrt(6 / (4 - p)) / 10 and 2 / (4 - p) / 10
    for (parameters, variation, bias) in [(1, 0.141_421, 0.066_667), (2, 0.173_205, 0.1)] {
        assert_near("CV(RMSE)", cv_rmse(&measured, &modelled, parameters), variation, 1e-5);
        assert_near("NMBE", nmbe(&measured, &modelled, parameters), bias, 1e-5);
    }
    assert!(cv_rmse(&measured, &modelled, 4).is_nan() && nmbe(&measured, &modelled[..3], 1).is_nan());
}

#[test]
fn limits_of_a_calibrated_model() {
    // months: bias 5 %, variation 15 %; hours: 10 %, 30 %
    for (interval, bias, variation) in [(Interval::Monthly, 0.05, 0.15), (Interval::Hourly, 0.10, 0.30)] {
        assert!(interval.is_calibrated(bias, variation) && interval.is_calibrated(-bias, variation));
        assert!(
            !interval.is_calibrated(bias + 1e-9, variation)
                && !interval.is_calibrated(-bias - 1e-9, variation)
        );
        assert!(
            !interval.is_calibrated(bias, variation + 1e-9) && !interval.is_calibrated(f64::NAN, variation)
        );
    }
}

#[test]
fn fractional_uncertainty_of_a_saving() {
    // share, variation, count, autocorrelation, t, independent values, uncertainty
    for (share, variation, count, autocorrelation, t, independent, published) in [
        (0.10, 0.20, 12.0, 0.0, 1.812, 12.0, 1.423_78),
        (0.10, 0.25, 365.0, 0.5, 1.649, 121.667, 0.474_77),
        (0.10, 0.50, 8760.0, 0.8, 1.645, 973.33, 0.332_52),
    ] {
        assert_near("independent", independent_count(count, autocorrelation), independent, 0.004);
        let saving = Saving {
            share,
            variation,
            baseline: count,
            reporting: count,
            autocorrelation,
            t,
            factor: HOURLY_FACTOR,
        };
        assert_near("uncertainty", savings_uncertainty(&saving), published, 1e-5);
        // more data either side, or a larger saving, and it is surer
        for surer in [
            Saving { baseline: 2.0 * count, ..saving },
            Saving { reporting: 2.0 * count, ..saving },
            Saving { share: 2.0 * share, ..saving },
        ] {
            assert!(savings_uncertainty(&surer) < savings_uncertainty(&saving));
        }
        assert!(
            savings_uncertainty(&Saving { autocorrelation: 0.9, ..saving }) > savings_uncertainty(&saving)
        );
    }
    assert_near("days, 12 months", daily_factor(12.0), 1.3925, 5e-5);
    assert_near("months, 12 months", monthly_factor(12.0), 1.305_58, 1e-5);
    // by hand: deviations 1, -1, 1, -1, so -3 over 4
    assert_near("autocorrelation", lag_1_autocorrelation(&[3.0, 1.0, 3.0, 1.0]), -0.75, 1e-12);
}

#[test]
fn uncertainty_of_a_portfolio() {
    // root of the sum of squares over the sum; equal homes: a single home's over the root of their number
    assert_near("two homes", portfolio_uncertainty(&[(10.0, 3.0), (10.0, 4.0)]), 0.25, 1e-12);
    let mut last = f64::INFINITY;
    for homes in [1, 4, 25, 100] {
        let all = portfolio_uncertainty(&vec![(100.0, 80.0); homes]);
        assert_near("equal homes", all, 0.8 / (homes as f64).sqrt(), 1e-12);
        assert!(all < last);
        last = all;
    }
    // Guideline 14: below half of the saving at 68 %
    assert_near("Guideline 14", MOST_UNCERTAINTY, 0.5, 0.0);
    // CalTRACK: variation capped at 100 %, at most 37 days of 365 missing
    assert!(
        is_fit_for_portfolio(1.0, 37)
            && !is_fit_for_portfolio(1.0 + 1e-9, 37)
            && !is_fit_for_portfolio(1.0, 38)
    );
}
