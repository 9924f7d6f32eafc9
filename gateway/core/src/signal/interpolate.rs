//! Values between the rows of a table. It never leaves the table: outside its ends there is no value.

/// A row of a table: argument and value. Arguments rise.
pub type Row = (f64, f64);

/// Straight between neighbours; `None` outside the table, on an empty one and for NaN.
pub fn straight(rows: &[Row], x: f64) -> Option<f64> {
    let at = interval(rows, x)?;
    Some(on_line(rows[at], rows[at + 1], x))
}

/// Straight between neighbours, the first and the last piece extended; `None` with fewer than two rows and for NaN.
pub fn straight_extended(rows: &[Row], x: f64) -> Option<f64> {
    if rows.len() < 2 || x.is_nan() {
        return None;
    }
    let at = (rows.partition_point(|row| row.0 <= x).max(1) - 1).min(rows.len() - 2);
    Some(on_line(rows[at], rows[at + 1], x))
}

/// The cubic through the four rows around `x`: for smooth tables whose curvature a straight line would miss. `None`
/// outside the table, with fewer than four rows and for NaN.
pub fn cubic(rows: &[Row], x: f64) -> Option<f64> {
    let at = interval(rows, x)?;
    let first = at.saturating_sub(1).min(rows.len().checked_sub(4)?);
    Some(through_all(&rows[first..first + 4], x))
}

/// A smooth table whose arguments rise in even steps.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct EvenTable {
    first: f64,
    step: f64,
    values: &'static [f64],
}

impl EvenTable {
    /// From the first argument, the step between arguments and the values, at least four.
    pub const fn new(first: f64, step: f64, values: &'static [f64]) -> Self {
        assert!(step > 0.0 && values.len() >= 4, "a cubic needs four rows");
        Self { first, step, values }
    }

    /// The cubic through the four rows around `x`; `None` outside the table and for NaN.
    pub fn cubic(&self, x: f64) -> Option<f64> {
        let place = (x - self.first) / self.step;
        if !(0.0..=(self.values.len() - 1) as f64).contains(&place) {
            return None;
        }
        let first = (place as usize).saturating_sub(1).min(self.values.len() - 4);
        let row = |i: usize| ((first + i) as f64 * self.step + self.first, self.values[first + i]);
        Some(through_all(&[row(0), row(1), row(2), row(3)], x))
    }
}

/// The polynomial through all of `rows` (Lagrange).
fn through_all(rows: &[Row], x: f64) -> f64 {
    let mut sum = 0.0;
    for (i, &(xi, yi)) in rows.iter().enumerate() {
        let mut weight = yi;
        for (j, &(xj, _)) in rows.iter().enumerate() {
            if i != j {
                weight *= (x - xj) / (xi - xj);
            }
        }
        sum += weight;
    }
    sum
}

/// First row of the interval that holds `x`.
fn interval(rows: &[Row], x: f64) -> Option<usize> {
    let (first, last) = (rows.first()?.0, rows.last()?.0);
    if rows.len() < 2 || !(first..=last).contains(&x) {
        return None;
    }
    Some((rows.partition_point(|row| row.0 <= x) - 1).min(rows.len() - 2))
}

fn on_line(a: Row, b: Row, x: f64) -> f64 {
    a.1 + (x - a.0) * (b.1 - a.1) / (b.0 - a.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const CUBES: [Row; 6] = [(-1.0, -1.0), (0.0, 0.0), (1.0, 1.0), (2.0, 8.0), (4.0, 64.0), (5.0, 125.0)];

    #[test]
    fn a_cubic_is_reproduced_and_nothing_is_extrapolated() {
        for x in [-1.0, -0.5, 0.0, 0.3, 1.7, 3.0, 4.0, 4.9, 5.0] {
            assert!((cubic(&CUBES, x).expect("inside") - x * x * x).abs() < 1e-12, "{x}");
        }
        for x in [-1.000_001, 5.000_001, f64::NAN, f64::INFINITY] {
            assert_eq!((cubic(&CUBES, x), straight(&CUBES, x)), (None, None), "{x}");
        }
        assert_eq!(cubic(&CUBES[..3], 0.0), None);
        assert_eq!(straight(&[], 0.0), None);
    }

    #[test]
    fn even_steps_give_the_same_cubic() {
        const EVEN: EvenTable = EvenTable::new(-1.0, 0.5, &[-1.0, -0.125, 0.0, 0.125, 1.0, 3.375]);
        for x in [-1.0, -0.7, 0.0, 0.25, 1.2, 1.5] {
            assert!((EVEN.cubic(x).expect("inside") - x * x * x).abs() < 1e-12, "{x}");
        }
        assert_eq!((EVEN.cubic(-1.01), EVEN.cubic(1.51), EVEN.cubic(f64::NAN)), (None, None, None));
    }

    #[test]
    fn ends_are_extended_only_where_asked() {
        let line = [(4.0, 0.0), (20.0, 128.0)];
        assert_eq!(straight_extended(&line, 12.0), Some(64.0));
        assert_eq!(straight_extended(&line, 3.5), Some(-4.0));
        assert_eq!(straight_extended(&line, 20.5), Some(132.0));
        assert_eq!(straight_extended(&line[..1], 5.0), None);
        assert_eq!(straight_extended(&line, f64::NAN), None);
    }
}
