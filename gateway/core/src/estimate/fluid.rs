//! Conductivity at 25 °C to concentration by the fluid's own jar test.
//!
//! The jar test was made in the shop's fresh water. Minerals that have built up since raise the conductivity as
//! concentrate does, so this concentration is *uncorrected*: an upper bound once water has evaporated.

/// A jar test: conductivity over concentration, rising in both, joined by straight lines.
#[derive(Clone, PartialEq, Debug)]
pub struct JarTest {
    points: Vec<(f64, f64)>,
}

/// Why a list of points is no jar test.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum JarTestError {
    /// Fewer than two.
    #[error("a jar test needs at least two mixes, this one has {0}")]
    TooFew(usize),
    /// Not rising.
    #[error(
        "point {place} of the jar test ({percent} %, {us_cm} uS/cm) must lie above the one before it in both \
         concentration and conductivity"
    )]
    NotRising {
        /// 1-based place in the list.
        place: usize,
        /// Its concentration.
        percent: f64,
        /// Its conductivity.
        us_cm: f64,
    },
    /// Below zero, over 100 % or not finite.
    #[error("point {place} of the jar test must lie between 0 and 100 % and at or over 0 uS/cm")]
    OutOfRange {
        /// 1-based place in the list.
        place: usize,
    },
}

/// Concentration by the curve.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ByCurve {
    /// Percent by volume, never under 0.
    pub percent: f64,
    /// Change of conductivity with concentration there, uS/cm per percent.
    pub us_cm_per_percent: f64,
    /// Beyond the ends of the jar test: the nearest piece was extended.
    pub beyond: bool,
}

impl JarTest {
    /// Checks `points` of (percent, uS/cm at 25 °C).
    pub fn new(points: &[(f64, f64)]) -> Result<Self, JarTestError> {
        if points.len() < 2 {
            return Err(JarTestError::TooFew(points.len()));
        }
        for (place, &(percent, us_cm)) in (1..).zip(points) {
            if !(0.0..=100.0).contains(&percent) || !us_cm.is_finite() || us_cm < 0.0 {
                return Err(JarTestError::OutOfRange { place });
            }
        }
        for (place, pair) in (2..).zip(points.windows(2)) {
            let (before, (percent, us_cm)) = (pair[0], pair[1]);
            if percent <= before.0 || us_cm <= before.1 {
                return Err(JarTestError::NotRising { place, percent, us_cm });
            }
        }
        Ok(Self { points: points.to_vec() })
    }

    /// Its points, (percent, uS/cm at 25 °C), rising in both.
    pub fn points(&self) -> &[(f64, f64)] {
        &self.points
    }

    /// Concentration at `us_cm` (at 25 °C). Beyond the ends the nearest piece is extended and says so; never under 0 %.
    pub fn percent_at(&self, us_cm: f64) -> ByCurve {
        let last_piece = self.points.len() - 2;
        let piece = self.points[1..=last_piece].partition_point(|&(_, k)| k <= us_cm);
        let ((c0, k0), (c1, k1)) = (self.points[piece], self.points[piece + 1]);
        let slope = (k1 - k0) / (c1 - c0);
        let beyond = us_cm < self.points[0].1 || us_cm > self.points[last_piece + 1].1;
        ByCurve { percent: (c0 + (us_cm - k0) / slope).max(0.0), us_cm_per_percent: slope, beyond }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn jar() -> JarTest {
        JarTest::new(&[(0.0, 560.0), (3.0, 1010.0), (5.0, 1290.0), (8.0, 1690.0)]).expect("rising")
    }

    #[test]
    fn every_point_of_the_jar_test_reads_back() {
        for (percent, us_cm) in [(0.0, 560.0), (3.0, 1010.0), (5.0, 1290.0), (8.0, 1690.0)] {
            let read = jar().percent_at(us_cm);
            assert!((read.percent - percent).abs() < 1e-12 && !read.beyond, "{read:?}");
        }
        assert!((jar().percent_at(785.0).percent - 1.5).abs() < 1e-12);
    }

    #[test]
    fn beyond_the_ends_it_says_so() {
        let over = jar().percent_at(1690.0 + 400.0 / 3.0);
        assert!((over.percent - 9.0).abs() < 1e-9 && over.beyond);
        let under = jar().percent_at(100.0);
        assert!(under.percent == 0.0 && under.beyond);
    }

    #[test]
    fn a_jar_test_that_cannot_be_inverted_is_refused() {
        assert_eq!(JarTest::new(&[(0.0, 560.0)]), Err(JarTestError::TooFew(1)));
        assert!(matches!(
            JarTest::new(&[(0.0, 560.0), (3.0, 560.0)]),
            Err(JarTestError::NotRising { place: 2, .. })
        ));
        assert_eq!(JarTest::new(&[(0.0, f64::NAN), (3.0, 5.0)]), Err(JarTestError::OutOfRange { place: 1 }));
    }
}
