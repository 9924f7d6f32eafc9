//! Trends and control charts against the libraries and books they are known from.

use sumpwarden_core::estimate::trend::{
    Confidence, Cusum, Direction, Ewma, MAD_TO_SIGMA, mann_kendall, median_and_mad, theil_sen,
};
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
fn tests_for_a_trend() {
    let vectors = vectors();
    for row in vectors.rows("mann_kendall") {
        let name = row.text("case");
        let y = case(&vectors, name);
        let test = mann_kendall(&y).expect("a series");
        assert_eq!(test.s, row.number("S"), "{name}");
        for (got, column) in [(test.variance, "var_S"), (test.z, "Z"), (test.tau, "Tau")] {
            assert_near(got, row.number(column), DIGITS * 1000.0, &format!("{name} {column}"));
        }
        // The library takes 1 − Φ(z), which loses digits where p is small.
        assert_near(test.p, row.number("p"), 1e-12, &format!("{name} p"));
        let direction = match row.text("trend") {
            "increasing" => Direction::Increasing,
            "decreasing" => Direction::Decreasing,
            "no trend" => Direction::NoTrend,
            other => panic!("{other}: no such trend"),
        };
        assert_eq!(test.direction(0.05), direction, "{name}");
        let x: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
        let line = theil_sen(&x, &y, Confidence::NINETY_FIVE).expect("a series");
        assert_near(line.slope, row.number("sen_slope"), DIGITS * 200.0, name);
        assert_near(line.intercept, row.number("sen_intercept"), DIGITS * 200.0, name);
    }
}

#[test]
fn cusum_of_the_textbook() {
    let mut chart = Cusum::new(99.0, 1.0, 10.0).expect("a chart");
    for row in vectors().rows("cusum_montgomery") {
        let step = chart.observe(row.number("x"));
        assert_near(step.high, row.number("SH"), 1e-9, "SH as printed");
        assert_near(step.low, row.number("SL"), 1e-9, "SL as printed");
        assert_eq!(step.signal, None);
    }
}

#[test]
fn cusum_of_the_handbook_signals_at_the_fourteenth() {
    let mut chart = Cusum::new(325.0, 0.3175, 4.1959).expect("a chart");
    for row in vectors().rows("cusum_nist") {
        let step = chart.observe(row.number("x"));
        assert_near(step.high, row.number("S_hi"), 1e-9, "S_hi");
        assert_near(step.low, row.number("S_lo"), 1e-9, "S_lo");
        assert_eq!(step.signal, row.truth("signal").then_some(Direction::Increasing), "{}", row.integer("i"));
    }
}

#[test]
fn ewma_and_its_limits() {
    let mut chart = Ewma::new(99.0, 2.0, 0.2, 3.0).expect("a chart");
    for row in vectors().rows("ewma") {
        let step = chart.observe(row.number("x"));
        assert_near(step.average, row.number("ewma"), 1e-9, "printed to nine decimals");
        assert_near(step.high, row.number("ucl"), 1e-9, "printed to nine decimals");
        assert_near(step.low, row.number("lcl"), 1e-9, "printed to nine decimals");
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
