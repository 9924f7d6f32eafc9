//! Series of numbers to slopes and scales that a few wild values cannot bend.
//!
//! Theil-Sen slope with its distribution-free band, median and median absolute deviation, points of the normal
//! distribution. What the numbers mean, and in which unit, is not known here; times are plain numbers in a unit the caller
//! chooses.

use serde::{Deserialize, Serialize};

/// Longest series that is looked at as a whole: the slopes of all its pairs, half a million, still take milliseconds.
pub const POINTS_MAX: usize = 1000;

/// Factor that turns the median absolute deviation into the standard deviation of normally distributed values.
pub const MAD_TO_SIGMA: f64 = 1.4826;

/// How sure a two-sided interval is, as the point of the standard normal distribution that bounds it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Confidence(f64);

impl Confidence {
    /// 90 %.
    pub const NINETY: Self = Self(1.644_853_626_951_472_7);
    /// 95 %.
    pub const NINETY_FIVE: Self = Self(1.959_963_984_540_054);

    /// The point of the standard normal distribution.
    pub const fn z(self) -> f64 {
        self.0
    }
}

/// Why a series says nothing.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum TrendError {
    /// Too few points.
    #[error("a trend needs at least {least} points, there are {count}")]
    TooFew {
        /// Points there are.
        count: usize,
        /// Points there should be.
        least: usize,
    },
    /// Too many points.
    #[error("a series of {0} points is too long; hand over at most {POINTS_MAX}, such as medians of days")]
    TooMany(usize),
    /// Times and values do not pair up.
    #[error("there are {times} times and {values} values; each value needs its time")]
    Unpaired {
        /// Times there are.
        times: usize,
        /// Values there are.
        values: usize,
    },
    /// Not a number, or infinite.
    #[error("point {place} is not finite; leave bad values out")]
    NotFinite {
        /// 1-based place in the series.
        place: usize,
    },
    /// All points at the same time.
    #[error("all points have the same time; a slope needs at least two different times")]
    SameTime,
}

/// A robust straight line through a series.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Slope {
    /// Median of the slopes of all pairs of points, units of the values per unit of the times.
    pub slope: f64,
    /// Lower end of the slope's band.
    pub low: f64,
    /// Upper end of the slope's band.
    pub high: f64,
    /// Value at time 0: median of the values less slope times median of the times.
    pub intercept: f64,
}

impl Slope {
    /// Value of the line at `time`.
    pub fn at(&self, time: f64) -> f64 {
        self.intercept + self.slope * time
    }
}

/// Theil-Sen slope of `values` over `times`, with the distribution-free band of Sen (1968), ties taken into account.
///
/// Nearly a third of the points may be wild without the slope following them. Pairs at the same time have no slope and
/// are left out.
pub fn theil_sen(times: &[f64], values: &[f64], confidence: Confidence) -> Result<Slope, TrendError> {
    check(times, values, 2)?;
    let mut slopes = Vec::with_capacity(times.len() * (times.len() - 1) / 2);
    for (i, (t0, v0)) in times.iter().zip(values).enumerate() {
        for (t1, v1) in times[i + 1..].iter().zip(&values[i + 1..]) {
            if t1 != t0 {
                slopes.push((v1 - v0) / (t1 - t0));
            }
        }
    }
    if slopes.is_empty() {
        return Err(TrendError::SameTime);
    }
    slopes.sort_by(f64::total_cmp);
    let slope = middle(&slopes);
    let variance = (pairs_term(times.len()) - ties_term(times) - ties_term(values)) / 18.0;
    let (low, high) = band(slopes.len(), confidence.z() * variance.max(0.0).sqrt());
    let (low, high) = (slopes[low], slopes[high]);
    Ok(Slope { slope, low, high, intercept: median_of(values) - slope * median_of(times) })
}

/// Places of the band's ends among `count` sorted slopes, `half_width` pairs to each side.
fn band(count: usize, half_width: f64) -> (usize, usize) {
    let count_f = count as f64;
    let low = ((count_f - half_width) / 2.0).round_ties_even() - 1.0;
    let high = ((count_f + half_width) / 2.0).round_ties_even();
    // Both lie between −count and 2 · count: the cast is exact once they are clamped.
    let place = |at: f64| at.clamp(0.0, count_f - 1.0) as usize;
    (place(low), place(high))
}

/// n (n − 1) (2n + 5), the variance term of a series or of a group of ties.
fn pairs_term(n: usize) -> f64 {
    let n = n as f64;
    n * (n - 1.0) * (2.0 * n + 5.0)
}

/// Sum of the variance terms of groups of equal values.
fn ties_term(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.chunk_by(|a, b| a == b).map(|group| pairs_term(group.len())).sum()
}

fn check(times: &[f64], values: &[f64], least: usize) -> Result<(), TrendError> {
    if times.len() != values.len() {
        return Err(TrendError::Unpaired { times: times.len(), values: values.len() });
    }
    if values.len() < least {
        return Err(TrendError::TooFew { count: values.len(), least });
    }
    if values.len() > POINTS_MAX {
        return Err(TrendError::TooMany(values.len()));
    }
    match times.iter().zip(values).position(|(t, v)| !t.is_finite() || !v.is_finite()) {
        Some(index) => Err(TrendError::NotFinite { place: index + 1 }),
        None => Ok(()),
    }
}

/// Median; the mean of the two in the middle of an even number. `None` for an empty list or one that is not finite.
pub fn median(values: &[f64]) -> Option<f64> {
    let usable = !values.is_empty() && values.iter().all(|v| v.is_finite());
    usable.then(|| median_of(values))
}

/// Median and median absolute deviation from it; both in the unit of the values. Times [`MAD_TO_SIGMA`] the deviation
/// is a standard deviation that up to half of the values cannot spoil.
pub fn median_and_mad(values: &[f64]) -> Option<(f64, f64)> {
    let centre = median(values)?;
    let away: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    Some((centre, median_of(&away)))
}

fn median_of(values: &[f64]) -> f64 {
    median_in_place(&mut values.to_vec()).unwrap_or(f64::NAN)
}

/// Median of numbers that may be put in another order, which saves a copy; of an even number of them the mean of the two in
/// the middle. `None` for an empty list.
pub(crate) fn median_in_place(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let even = values.len().is_multiple_of(2);
    let (below, &mut middle, _) = values.select_nth_unstable_by(values.len() / 2, f64::total_cmp);
    if !even {
        return Some(middle);
    }
    let before = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(0.5 * (before + middle))
}

/// Middle of a sorted list that is not empty.
fn middle(sorted: &[f64]) -> f64 {
    let half = sorted.len() / 2;
    if sorted.len().is_multiple_of(2) { (sorted[half - 1] + sorted[half]) / 2.0 } else { sorted[half] }
}

/// The point below which a share `p` of the standard normal distribution lies; infinite at 0 and 1, NaN outside.
pub fn normal_quantile(p: f64) -> f64 {
    if p <= 0.0 || p >= 1.0 || p.is_nan() {
        return match p {
            0.0 => f64::NEG_INFINITY,
            1.0 => f64::INFINITY,
            _ => f64::NAN,
        };
    }
    // On the side of the small tail the distribution is convex, so Newton's steps from the middle never overshoot.
    let tail = p.min(1.0 - p);
    let mut z = 0.0;
    for _ in 0..QUANTILE_STEPS_MAX {
        let excess = 0.5 * libm::erfc(-z / std::f64::consts::SQRT_2) - tail;
        let density = libm::exp(-0.5 * z * z) / SQRT_TAU;
        let step = excess / density;
        z -= step;
        if step.abs() < 1e-14 {
            break;
        }
    }
    if p < 0.5 { z } else { -z }
}

/// Steps that reach the far end: a tail of 1e-300 takes some 700, one of 1e-3 ten.
const QUANTILE_STEPS_MAX: usize = 1000;

/// Square root of 2π.
const SQRT_TAU: f64 = 2.506_628_274_631_000_7;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_series_is_refused_by_name() {
        let slope = |t: &[f64], v: &[f64]| theil_sen(t, v, Confidence::NINETY);
        assert_eq!(slope(&[1.0], &[1.0]), Err(TrendError::TooFew { count: 1, least: 2 }));
        assert_eq!(slope(&[1.0, 2.0], &[1.0]), Err(TrendError::Unpaired { times: 2, values: 1 }));
        assert_eq!(slope(&[1.0, 2.0], &[1.0, f64::NAN]), Err(TrendError::NotFinite { place: 2 }));
        assert_eq!(slope(&[1.0, 1.0], &[1.0, 2.0]), Err(TrendError::SameTime));
        let long = vec![0.0; POINTS_MAX + 1];
        assert_eq!(slope(&long, &long), Err(TrendError::TooMany(POINTS_MAX + 1)));
        assert_eq!(median(&[]), None);
        assert_eq!(median_and_mad(&[1.0, f64::INFINITY]), None);
    }

    #[test]
    fn a_series_without_change_has_no_slope() {
        let times: Vec<f64> = (0..6).map(f64::from).collect();
        let slope = theil_sen(&times, &[7.0; 6], Confidence::NINETY).unwrap();
        assert_eq!((slope.slope, slope.low, slope.high, slope.at(3.0)), (0.0, 0.0, 0.0, 7.0));
    }

    #[test]
    fn normal_quantiles_lead_back_to_their_share() {
        assert!((normal_quantile(0.95) - Confidence::NINETY.z()).abs() < 1e-12);
        assert!((normal_quantile(0.025) + Confidence::NINETY_FIVE.z()).abs() < 1e-12);
        assert_eq!(normal_quantile(0.5), 0.0);
        assert!(normal_quantile(f64::MIN_POSITIVE).is_finite());
        assert!(normal_quantile(1.5).is_nan() && normal_quantile(1.0) == f64::INFINITY);
    }
}
