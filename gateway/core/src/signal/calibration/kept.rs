//! A session as it is kept over a restart: everything somebody was told was taken. The signal is looked at anew.

use serde::{Deserialize, Serialize};

use super::steady::Window;
use super::{Calibrated, Choice, IDLE_MAX, POINTS_MAX, Point, Session, Setup};
use crate::model::{KeptAt, Line, Now, Timestamp};

/// A session without its signal.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Kept {
    by: Line,
    begun_ns: i64,
    at: KeptAt,
    /// Nanoseconds from `at` until it is abandoned.
    left_ns: u64,
    standard: Option<String>,
    celsius: Option<f64>,
    points: Vec<Point>,
}

impl Session {
    /// As of `now`.
    pub fn keep(&self, now: Now) -> Kept {
        Kept {
            by: self.by.clone(),
            begun_ns: self.begun.as_nanos(),
            at: KeptAt::of(now),
            left_ns: u64::try_from(self.expires.since(now.uptime).as_nanos()).unwrap_or(u64::MAX),
            standard: self.choice.map(|choice| choice.to_string()),
            celsius: self.celsius,
            points: self.points.clone(),
        }
    }

    /// Goes on from what was kept; none where it does not fit the probe.
    pub fn resume(setup: Setup, now: Now, kept: Kept) -> Option<Self> {
        let is_ph = matches!(setup.before, Calibrated::Ph(_));
        let choice = kept.standard.map(|text| Choice::parse(&text, is_ph)).transpose().ok()?;
        if kept.points.len() > POINTS_MAX || !kept.points.iter().all(is_sound) {
            return None;
        }
        let left = std::time::Duration::from_nanos(kept.left_ns).min(IDLE_MAX);
        Some(Self {
            choice,
            celsius: kept.celsius.filter(|celsius| celsius.is_finite()),
            by: kept.by,
            begun: Timestamp::from_nanos(kept.begun_ns),
            expires: now.uptime.plus(left.saturating_sub(kept.at.passed(now))),
            window: Window::new(setup.window()),
            trouble: None,
            points: kept.points,
            setup,
        })
    }
}

fn is_sound(point: &Point) -> bool {
    [point.standard.value, point.signal, point.celsius].iter().all(|number| number.is_finite())
}
