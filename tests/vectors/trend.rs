//! Slopes and scales against the libraries they are known from.

use sumpwarden_core::estimate::trend::{Confidence, MAD_TO_SIGMA, median_and_mad, theil_sen};
use sumpwarden_tests::vectors::{Row, Vectors, assert_near};

/// Printed to fifteen digits.
const DIGITS: f64 = 1e-13;

fn vectors() -> Vectors {
    Vectors::read("trend")
}

fn series(row: &Row<'_>) -> Vec<f64> {
    row.list("y").iter().map(|v| v.as_float().expect("a number")).collect()
}

/// The series of a case.
fn case(vectors: &Vectors, name: &str) -> Vec<f64> {
    let row = vectors.rows("theil_sen").find(|row| row.text("case") == name);
    series(&row.unwrap_or_else(|| panic!("no series {name}")))
}

#[test]
fn slopes_and_their_bands() {
    for row in vectors().rows("theil_sen") {
        let (name, y) = (row.text("case"), series(&row));
        let x: Vec<f64> = match name {
            "uneven_times" => vec![0.0, 1.0, 2.5, 7.0, 7.5, 14.0, 15.0, 21.0],
            _ => (0..y.len()).map(|i| i as f64).collect(),
        };
        let line = theil_sen(&x, &y, Confidence::NINETY_FIVE).expect("a series");
        for (got, column) in
            [(line.slope, "slope"), (line.intercept, "intercept"), (line.low, "lo"), (line.high, "hi")]
        {
            assert_near(got, row.number(column), DIGITS * 200.0, &format!("{name} {column}"));
        }
        let narrower = theil_sen(&x, &y, Confidence::NINETY).expect("a series");
        assert!(line.low <= narrower.low && narrower.high <= line.high, "{name}");
    }
}

#[test]
fn scales_that_outliers_do_not_spoil() {
    let vectors = vectors();
    for row in vectors.rows("robust_scale") {
        let name = if row.text("case") == "ph" { "falling_ph" } else { row.text("case") };
        let (median, mad) = median_and_mad(&case(&vectors, name)).expect("a series");
        assert_near(median, row.number("median"), DIGITS, name);
        assert_near(mad, row.number("mad"), DIGITS, name);
        assert_near(mad * MAD_TO_SIGMA, row.number("sigma_1.4826_mad"), DIGITS, name);
    }
}
