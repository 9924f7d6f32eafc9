//! Series of numbers to slopes, scales and signals that a few wild values cannot bend.
//!
//! Theil-Sen slope with its distribution-free band, the Mann-Kendall test for a trend, median and median absolute
//! deviation, and two control charts that notice a small lasting shift: CUSUM and EWMA. What the numbers mean, and in
//! which unit, is not known here; times are plain numbers in a unit the caller chooses.
//!
//! Nothing here keeps more than it is given: the charts hold a handful of numbers, the rest are functions.

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
    /// A chart's setting that makes no chart.
    #[error("{what} is {value}; {cure}")]
    Setting {
        /// Which.
        what: &'static str,
        /// What it was.
        value: f64,
        /// What would be right.
        cure: &'static str,
    },
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

/// Which way a series goes.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// Up.
    Increasing,
    /// Down.
    Decreasing,
    /// Neither can be told from chance.
    NoTrend,
}

/// Result of the Mann-Kendall test.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct MannKendall {
    /// Rising pairs less falling pairs.
    pub s: f64,
    /// Variance of `s` were there no trend, corrected for ties.
    pub variance: f64,
    /// Standardised, with continuity correction.
    pub z: f64,
    /// Two-sided probability of so large a |z| without a trend.
    pub p: f64,
    /// `s` over the number of pairs.
    pub tau: f64,
}

impl MannKendall {
    /// The trend where chance is less likely than `alpha`, such as 0.05.
    pub fn direction(&self, alpha: f64) -> Direction {
        match self.p < alpha {
            true if self.z > 0.0 => Direction::Increasing,
            true => Direction::Decreasing,
            false => Direction::NoTrend,
        }
    }
}

/// Mann-Kendall test of `values` in the order of time. Asks only whether later values are more often higher or lower,
/// so any shape of distribution will do; values that hang together from one to the next make it too sure.
pub fn mann_kendall(values: &[f64]) -> Result<MannKendall, TrendError> {
    check(values, values, 3)?;
    let mut s = 0.0;
    for (i, earlier) in values.iter().enumerate() {
        for later in &values[i + 1..] {
            s += f64::from(i8::from(later > earlier) - i8::from(later < earlier));
        }
    }
    let variance = (pairs_term(values.len()) - ties_term(values)) / 18.0;
    // No variance: all values are equal, and s is 0.
    let z = if s == 0.0 { 0.0 } else { (s - f64::signum(s)) / variance.sqrt() };
    let p = libm::erfc(z.abs() / std::f64::consts::SQRT_2);
    let pairs = (values.len() * (values.len() - 1) / 2) as f64;
    Ok(MannKendall { s, variance, z, p, tau: s / pairs })
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
    let before = below.iter().copied().max_by(f64::total_cmp)?;
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

/// Two-sided tabular CUSUM: sums up what lies beyond `slack` on each side of `target`, so that a shift too small for one
/// value to show is noticed once it has lasted.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Cusum {
    target: f64,
    slack: f64,
    decision: f64,
    high: f64,
    low: f64,
}

/// Both sums after a value.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct CusumStep {
    /// Sum of what lay above.
    pub high: f64,
    /// Sum of what lay below.
    pub low: f64,
    /// Which sum has passed the decision limit, if any.
    pub signal: Option<Direction>,
}

impl Cusum {
    /// A chart around `target`. `slack` is half the shift worth noticing, `decision` the sum that signals (four to five
    /// standard deviations are usual), all in the unit of the values.
    pub fn new(target: f64, slack: f64, decision: f64) -> Result<Self, TrendError> {
        finite("target", target)?;
        not_negative("slack", slack)?;
        positive("decision limit", decision)?;
        Ok(Self { target, slack, decision, high: 0.0, low: 0.0 })
    }

    /// Takes the next value. One that is not finite changes nothing.
    pub fn observe(&mut self, value: f64) -> CusumStep {
        if value.is_finite() {
            self.high = (self.high + (value - (self.target + self.slack))).max(0.0);
            self.low = (self.low + ((self.target - self.slack) - value)).max(0.0);
        }
        let signal = match (self.high > self.decision, self.low > self.decision) {
            (true, _) => Some(Direction::Increasing),
            (false, true) => Some(Direction::Decreasing),
            (false, false) => None,
        };
        CusumStep { high: self.high, low: self.low, signal }
    }

    /// Starts anew, once the cause of a signal was dealt with.
    pub fn reset(&mut self) {
        (self.high, self.low) = (0.0, 0.0);
    }
}

/// Exponentially weighted moving average with control limits that widen to their final distance.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Ewma {
    target: f64,
    sigma: f64,
    lambda: f64,
    width: f64,
    average: f64,
    /// (1 − λ)^(2 i) after i values: how much of the start is still in the average's variance.
    start_share: f64,
}

/// The average after a value, and its limits.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct EwmaStep {
    /// The average.
    pub average: f64,
    /// Lower control limit.
    pub low: f64,
    /// Upper control limit.
    pub high: f64,
}

impl EwmaStep {
    /// Whether the average lies beyond a limit, and beyond which.
    pub fn signal(&self) -> Option<Direction> {
        match (self.average > self.high, self.average < self.low) {
            (true, _) => Some(Direction::Increasing),
            (false, true) => Some(Direction::Decreasing),
            (false, false) => None,
        }
    }
}

impl Ewma {
    /// A chart around `target` for values that scatter by `sigma`. `lambda`, over 0 to 1, is the weight of the newest
    /// value (0.05 to 0.3 are usual), `width` the limits' distance in standard deviations of the average (about 3).
    pub fn new(target: f64, sigma: f64, lambda: f64, width: f64) -> Result<Self, TrendError> {
        finite("target", target)?;
        positive("sigma", sigma)?;
        positive("width", width)?;
        if !(lambda > 0.0 && lambda <= 1.0) {
            let cure = "it lies over 0 and at most at 1";
            return Err(TrendError::Setting { what: "lambda", value: lambda, cure });
        }
        Ok(Self { target, sigma, lambda, width, average: target, start_share: 1.0 })
    }

    /// Takes the next value. One that is not finite changes nothing.
    pub fn observe(&mut self, value: f64) -> EwmaStep {
        if value.is_finite() {
            self.average += self.lambda * (value - self.average);
            let kept = 1.0 - self.lambda;
            self.start_share *= kept * kept;
        }
        let settled = self.lambda / (2.0 - self.lambda);
        let away = self.width * self.sigma * (settled * (1.0 - self.start_share)).sqrt();
        EwmaStep { average: self.average, low: self.target - away, high: self.target + away }
    }
}

fn finite(what: &'static str, value: f64) -> Result<(), TrendError> {
    let cure = "it must be a finite number";
    if value.is_finite() { Ok(()) } else { Err(TrendError::Setting { what, value, cure }) }
}

fn not_negative(what: &'static str, value: f64) -> Result<(), TrendError> {
    let cure = "it must be a finite number, 0 or more";
    let fits = value.is_finite() && value >= 0.0;
    if fits { Ok(()) } else { Err(TrendError::Setting { what, value, cure }) }
}

fn positive(what: &'static str, value: f64) -> Result<(), TrendError> {
    let cure = "it must be a finite number over 0";
    let fits = value.is_finite() && value > 0.0;
    if fits { Ok(()) } else { Err(TrendError::Setting { what, value, cure }) }
}

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
    fn a_series_without_change_has_no_trend() {
        let flat = [7.0; 6];
        let test = mann_kendall(&flat).unwrap();
        assert_eq!((test.s, test.z, test.p), (0.0, 0.0, 1.0));
        assert_eq!(test.direction(0.05), Direction::NoTrend);
        let times: Vec<f64> = (0..6).map(f64::from).collect();
        let slope = theil_sen(&times, &flat, Confidence::NINETY).unwrap();
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

    #[test]
    fn a_chart_needs_sensible_settings_and_survives_a_bad_value() {
        assert!(Cusum::new(99.0, -1.0, 10.0).is_err());
        assert!(Ewma::new(99.0, 2.0, 0.0, 3.0).is_err());
        let mut cusum = Cusum::new(0.0, 0.5, 3.0).unwrap();
        assert_eq!(cusum.observe(f64::NAN).signal, None);
        assert_eq!(cusum.observe(-4.0).signal, Some(Direction::Decreasing));
        cusum.reset();
        assert_eq!(cusum.observe(0.0), CusumStep { high: 0.0, low: 0.0, signal: None });
        let mut ewma = Ewma::new(0.0, 1.0, 1.0, 3.0).unwrap();
        assert_eq!(ewma.observe(4.0).signal(), Some(Direction::Increasing));
        assert_eq!(ewma.observe(f64::INFINITY).average, 4.0);
    }
}
