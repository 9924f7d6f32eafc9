//! The Gaussian belief's arithmetic against worked runs of a Kalman and an extended Kalman filter.

use sumpwarden_core::estimate::gaussian::Gaussian;
use sumpwarden_tests::vectors::{Row, Vectors, assert_near};

/// Fails unless `got` agrees to nine digits.
#[track_caller]
fn assert_nine_digits(got: f64, row: &Row<'_>, column: &str) {
    let expected = row.number(column);
    assert_near(got, expected, 1e-9 * expected.abs(), &format!("step {}, {column}", row.integer("step")));
}

#[test]
fn one_number_that_wanders() {
    let mut belief = Gaussian::independent([7.0], [1.0]);
    for row in Vectors::read("filter").rows("kf_scalar") {
        belief.widen(0, 0.01);
        assert_nine_digits(belief.mean[0], &row, "x_pred");
        assert_nine_digits(belief.variance(0), &row, "P_pred");
        let observed = row.number("z");
        if !observed.is_nan() {
            belief.observe(belief.mean[0], observed, &[(0, 1.0)], 0.25);
        }
        assert_nine_digits(belief.mean[0], &row, "x");
        assert_nine_digits(belief.variance(0), &row, "P");
    }
}

/// Noise of a rate that wanders while the volume follows it, 0.001·[[1/3, 1/2], [1/2, 1]]: what moves both together, and
/// what is left for the volume.
fn shake_rate(belief: &mut Gaussian<2>) {
    let both = 0.001_f64.sqrt();
    belief.shake(&[(0, 0.5 * both), (1, both)]);
    belief.widen(0, 0.001 * (1.0 / 3.0 - 0.25));
}

#[test]
fn a_volume_that_sinks_and_is_topped_up() {
    let mut belief = Gaussian::independent([200.0, -0.3], [5.0, 0.2]);
    for row in Vectors::read("filter").rows("kf_volume_rate") {
        belief.transform(&[(0, &[(0, 1.0), (1, 1.0)])]);
        belief.mean[0] += belief.mean[1] + row.number("u");
        shake_rate(&mut belief);
        let innovation = belief.observe(belief.mean[0], row.number("z"), &[(0, 1.0)], 4.0);
        // A difference of two volumes near 200 L holds fewer digits than they do.
        assert_near(innovation.residual, row.number("y"), 1e-9 * row.number("z"), "y");
        assert_nine_digits(innovation.variance, &row, "S");
        assert_nine_digits(belief.mean[0], &row, "volume");
        assert_nine_digits(belief.mean[1], &row, "rate");
        for (column, i, j) in [("P00", 0, 0), ("P01", 0, 1), ("P01", 1, 0), ("P11", 1, 1)] {
            assert_nine_digits(belief.cov[i][j], &row, column);
        }
    }
}

#[test]
fn concentration_and_hardness_by_conductivity_and_refractometer() {
    let mut belief = Gaussian::independent([7.0, 200.0], [1.0, 30.0]);
    let mut kinds = [0; 3];
    for row in Vectors::read("filter").rows("ekf_concentration_hardness") {
        belief.widen(0, 0.0025);
        belief.widen(1, 4.0);
        let [c, h] = belief.mean;
        match row.text("kind") {
            "kappa" => {
                let expected = 260.0 * c - 18.0 * c.powf(1.5) + 2.0 * h - 0.012 * h.powf(1.5) + 60.0;
                let slopes = [(0, 260.0 - 27.0 * c.sqrt()), (1, 2.0 - 0.018 * h.sqrt())];
                belief.observe(expected, row.number("z"), &slopes, 400.0);
                kinds[0] += 1;
            }
            "brix" => {
                belief.observe(c / 1.5, row.number("z"), &[(0, 1.0 / 1.5)], 0.04);
                kinds[1] += 1;
            }
            "none" => kinds[2] += 1,
            other => panic!("{other}: no such observation"),
        }
        assert_nine_digits(belief.mean[0], &row, "c");
        assert_nine_digits(belief.mean[1], &row, "H");
        for (column, i, j) in [("P00", 0, 0), ("P01", 0, 1), ("P01", 1, 0), ("P11", 1, 1)] {
            assert_nine_digits(belief.cov[i][j], &row, column);
        }
    }
    assert_eq!(kinds, [5, 2, 1], "every kind of step was there");
}
