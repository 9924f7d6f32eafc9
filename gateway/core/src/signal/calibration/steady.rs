//! When a signal is steady: it has been looked at for long enough, neither drifts nor jumps, and the liquid keeps its
//! temperature.
//!
//! There is no one published figure: field manuals ask for readings within 0.05 to 0.1 pH of each other, instruments
//! differ. These are about a quarter of that, so that two points add less than 0.02 pH (common practice, no source).

use std::collections::VecDeque;
use std::fmt;
use std::time::Duration;

use super::Seen;
use crate::model::{Quality, Uptime};

/// Shortest time a signal is looked at.
const WINDOW_MIN: Duration = Duration::from_secs(30);
/// A window holds at least so many periods of the probe, so that its drift is that of more than two readings.
const WINDOW_PERIODS: u32 = 5;
/// Parts of a window of which only one reading each is kept: a probe that is read every millisecond fills no memory.
const WINDOW_PARTS: u32 = 256;
/// The liquid may warm or cool by so much within the window, K.
pub const WARMS_MAX_K: f64 = 0.5;

/// How steady a signal must be.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Criteria {
    /// Fastest drift, per minute.
    pub drift_per_min: f64,
    /// Greatest span from the least to the greatest reading in the window.
    pub spread: f64,
    /// Both are percent of the signal rather than mV.
    pub in_percent: bool,
}

/// Of an electrode: 1 mV is 0.017 pH.
pub const ELECTRODE: Criteria = Criteria { drift_per_min: 1.0, spread: 1.5, in_percent: false };
/// Of a cell.
pub const CELL: Criteria = Criteria { drift_per_min: 0.5, spread: 1.0, in_percent: true };

/// Over how long a signal that is read every `period` must be steady.
pub fn window(period: Duration) -> Duration {
    WINDOW_MIN.max(period.saturating_mul(WINDOW_PERIODS))
}

/// The signal over its window.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Figures {
    /// Mean.
    pub mean: f64,
    /// Mean temperature, °C.
    pub celsius: f64,
    /// Slope of the straight line of least squares, per minute.
    pub drift_per_min: f64,
    /// Greatest less least.
    pub spread: f64,
    /// The same of the temperature, K.
    pub warms_k: f64,
    /// From the first to the last reading.
    pub covers: Duration,
}

/// Why a signal is not steady.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Unsteady {
    /// There is none.
    NoSignal(Quality),
    /// The thermometer that its compensation goes by gives nothing.
    NoTemperature,
    /// It has not been looked at for long enough.
    Waiting {
        /// For so long.
        covers: Duration,
        /// It takes so long.
        window: Duration,
    },
    /// It moves one way.
    Drifting {
        /// Per minute.
        per_min: f64,
        /// What it may.
        criteria: Criteria,
    },
    /// It moves about.
    Spread {
        /// From least to greatest.
        spread: f64,
        /// What it may.
        criteria: Criteria,
    },
    /// The liquid or the thermometer has not come to rest.
    Warming {
        /// By so much within the window, K.
        by_k: f64,
    },
}

impl Criteria {
    const fn unit(self) -> &'static str {
        if self.in_percent { "%" } else { "mV" }
    }

    /// Why the signal in `window` is not steady; none if it is.
    pub(super) fn judge(self, window: &Window) -> Option<Unsteady> {
        let waiting = |covers| Some(Unsteady::Waiting { covers, window: window.span });
        let Some(figures) = window.figures() else { return waiting(Duration::ZERO) };
        if figures.covers < window.span {
            return waiting(figures.covers);
        }
        let share = if self.in_percent { 100.0 / figures.mean.abs().max(f64::MIN_POSITIVE) } else { 1.0 };
        let (drift, spread) = (figures.drift_per_min * share, figures.spread * share);
        if spread > self.spread {
            return Some(Unsteady::Spread { spread, criteria: self });
        }
        if drift.abs() > self.drift_per_min {
            return Some(Unsteady::Drifting { per_min: drift, criteria: self });
        }
        (figures.warms_k > WARMS_MAX_K).then_some(Unsteady::Warming { by_k: figures.warms_k })
    }
}

impl fmt::Display for Unsteady {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoSignal(why) => write!(f, "no signal: {}", why.reason.text()),
            Self::NoTemperature => f.write_str(
                "the thermometer gives nothing: say the temperature of the liquid (temperature_c)",
            ),
            Self::Waiting { covers, window } => {
                let left = window.saturating_sub(*covers).as_secs_f64().ceil();
                write!(
                    f,
                    "looked at for {} s so far; {left} s more to see that it is steady",
                    covers.as_secs()
                )
            }
            Self::Drifting { per_min, criteria } => {
                let (unit, most) = (criteria.unit(), criteria.drift_per_min);
                write!(f, "drifting by {per_min:+.2} {unit} a minute, at most {most} {unit}; wait")
            }
            Self::Spread { spread, criteria } => {
                let (unit, most) = (criteria.unit(), criteria.spread);
                write!(
                    f,
                    "moving by {spread:.2} {unit}, at most {most} {unit}; stir once, then keep still and wait"
                )
            }
            Self::Warming { by_k } => {
                write!(
                    f,
                    "temperature moving by {by_k:.1} K, at most {WARMS_MAX_K} K; wait until the liquid rests"
                )
            }
        }
    }
}

/// Readings of the last while.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Window {
    span: Duration,
    seen: VecDeque<Seen>,
    latest: Option<Seen>,
}

impl Window {
    pub(super) const fn new(span: Duration) -> Self {
        Self { span, seen: VecDeque::new(), latest: None }
    }

    pub(super) fn take(&mut self, seen: Seen) {
        if self.latest.is_some_and(|latest| latest.received > seen.received) {
            return;
        }
        self.latest = Some(seen);
        // Over a gap as long as the window anything may have happened.
        if self.seen.back().is_some_and(|last| seen.received.since(last.received) >= self.span) {
            self.seen.clear();
        }
        let since = |earlier: &Seen, later: Uptime| later.since(earlier.received);
        if self.seen.back().is_some_and(|last| since(last, seen.received) < self.span / WINDOW_PARTS) {
            return;
        }
        self.seen.push_back(seen);
        // The first one kept is the youngest that is old enough for the window to be covered.
        while self.seen.get(1).is_some_and(|second| since(second, seen.received) >= self.span) {
            self.seen.pop_front();
        }
    }

    pub(super) fn forget(&mut self) {
        self.seen.clear();
        self.latest = None;
    }

    /// All of it was at this temperature, as somebody says who has a thermometer in it.
    pub(super) fn set_celsius(&mut self, celsius: f64) {
        self.seen.iter_mut().chain(&mut self.latest).for_each(|seen| seen.celsius = celsius);
    }

    pub(super) const fn latest(&self) -> Option<Seen> {
        self.latest
    }

    pub(super) fn figures(&self) -> Option<Figures> {
        let (first, last) = (self.seen.front()?, self.seen.back()?);
        let count = self.seen.len() as f64;
        let minutes = |seen: &Seen| seen.received.since(first.received).as_secs_f64() / 60.0;
        let mean = |of: &dyn Fn(&Seen) -> f64| self.seen.iter().map(of).sum::<f64>() / count;
        let (mean_signal, mean_minutes) = (mean(&|seen| seen.signal), mean(&minutes));
        let along = |seen: &Seen| minutes(seen) - mean_minutes;
        let (across, beside) = self.seen.iter().fold((0.0, 0.0), |(across, beside), seen| {
            (across + along(seen) * (seen.signal - mean_signal), beside + along(seen) * along(seen))
        });
        Some(Figures {
            mean: mean_signal,
            celsius: mean(&|seen| seen.celsius),
            drift_per_min: if beside > 0.0 { across / beside } else { 0.0 },
            spread: span_of(self.seen.iter().map(|seen| seen.signal)),
            warms_k: span_of(self.seen.iter().map(|seen| seen.celsius)),
            covers: last.received.since(first.received),
        })
    }
}

fn span_of(values: impl Iterator<Item = f64>) -> f64 {
    let (least, greatest) =
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, g), value| (l.min(value), g.max(value)));
    greatest - least
}
