//! Shifts, breaks and jobs: when the machine cuts, how hard, and when its coolant pump runs.

use std::time::Duration;

use crate::rng::Rng;
use crate::stamp::Stamp;

/// Hours the shop works, the same on each of the first `days` days of the week. Hours are UTC.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Calendar {
    /// Start of the first shift.
    pub from_hour: f64,
    /// End of the last shift.
    pub to_hour: f64,
    /// Working days from Monday on, 0 to 7.
    pub days: u32,
}

/// A time in which the machine stands though the calendar says work.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Rest {
    /// From here.
    pub from: Stamp,
    /// To here.
    pub to: Stamp,
    /// Nobody is there either.
    pub holiday: bool,
}

/// Breaks, hours of the day: start and length.
const BREAKS: [(f64, f64); 3] = [(9.0, 0.25), (12.0, 0.5), (18.0, 0.5)];

impl Calendar {
    /// Two shifts, 6:00 to 22:00, Monday to Friday.
    pub const TWO_SHIFTS: Self = Self { from_hour: 6.0, to_hour: 22.0, days: 5 };

    /// Whether people are there.
    pub fn is_working(&self, at: Stamp) -> bool {
        at.weekday() < self.days && (self.from_hour..self.to_hour).contains(&at.hour())
    }

    /// Whether they are there and not at break.
    pub fn is_cutting(&self, at: Stamp) -> bool {
        let in_break = BREAKS.iter().any(|(from, length)| (*from..from + length).contains(&at.hour()));
        self.is_working(at) && !in_break
    }
}

/// What the machine is at.
#[derive(Clone, Debug)]
pub struct Job {
    /// Cutting load, 1 the usual.
    pub load: f64,
    until: Stamp,
    /// The pump stands for a part change or a measuring stop until then.
    pause_until: Stamp,
}

impl Job {
    /// Nothing yet; the first look draws a job.
    pub fn none(at: Stamp) -> Self {
        Self { load: 1.0, until: at, pause_until: at }
    }

    /// Draws the next job or pause when the last is over; says whether the pump runs at `at`.
    pub fn pump_runs(&mut self, at: Stamp, calendar: &Calendar, step: Duration, rng: &mut Rng) -> bool {
        if !calendar.is_cutting(at) {
            return false;
        }
        if at >= self.until {
            self.load = rng.between(0.5, 1.4);
            self.until = at + Duration::from_secs(rng.below(4 * 3600) + 3600);
        }
        // On average two stops an hour, of two to eight minutes: parts are changed and measured.
        if at >= self.pause_until && rng.chance(2.0 * step.as_secs_f64() / 3600.0) {
            self.pause_until = at + Duration::from_secs(120 + rng.below(360));
        }
        at >= self.pause_until
    }
}
