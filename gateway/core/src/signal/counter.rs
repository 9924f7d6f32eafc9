//! A counter that rolls over and restarts, to a total that never goes down.
//!
//! The total counts from the first reading on. It refuses to guess: what cannot have flowed in the time is not added.

use std::time::Duration;

use crate::model::{DeviceStatus, Quality, Reason, Status};

use super::{Conversion, Graded, NOT_CONVERTIBLE};

/// What a counter is told.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct CounterRule {
    /// Litres per count.
    pub litres_per_count: f64,
    /// Where the counter starts over.
    pub modulus: Option<f64>,
    /// Most litres per second that can be real.
    pub litres_per_second_max: f64,
}

/// Running total of one counter.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Counter {
    rule: CounterRule,
    /// Last count the total is up to date with.
    count: Option<f64>,
    /// Counts added so far: whole numbers stay exact, so a long total does not drift.
    total_counts: f64,
}

impl Counter {
    /// Starts at zero.
    pub fn new(rule: CounterRule) -> Self {
        Self { rule, count: None, total_counts: 0.0 }
    }

    /// Whether the other counts by the same rule, so that its total means the same.
    pub(super) fn is_like(&self, other: &Self) -> bool {
        self.rule == other.rule
    }

    /// Litres since the first reading.
    pub fn total_l(&self) -> f64 {
        self.total_counts * self.rule.litres_per_count
    }

    /// Whether a step seen after no time at all has been left for the next reading, which can judge it.
    fn cannot_judge(&self, count: f64, elapsed: Duration) -> bool {
        elapsed.is_zero() && self.count.is_some_and(|last| last != count)
    }

    /// Takes the next count, `elapsed` after the last one taken; true if it was taken, false if it was left for a later
    /// reading because no time has passed.
    pub(super) fn advance(&mut self, count: f64, elapsed: Duration) -> (Conversion, bool) {
        let beyond = self.rule.modulus.is_some_and(|modulus| count >= modulus);
        if !count.is_finite() || count < 0.0 || beyond {
            return (Err(NOT_CONVERTIBLE), false);
        }
        if self.cannot_judge(count, elapsed) {
            return (Ok(Graded { value: self.total_l(), quality: Quality::GOOD }), false);
        }
        let step = match self.count.replace(count) {
            None => Some(0.0),
            Some(last) => self.step(last, count, elapsed),
        };
        self.total_counts += step.unwrap_or(0.0);
        let quality = if step.is_some() { Quality::GOOD } else { RESTARTED };
        (Ok(Graded { value: self.total_l(), quality }), true)
    }

    /// Counts between two readings, through a roll-over where that explains it; `None` if nothing does.
    fn step(&self, last: f64, count: f64, elapsed: Duration) -> Option<f64> {
        // One count more than the time allows: a coarse meter delivers its litres in lumps.
        let flowed = self.rule.litres_per_second_max * elapsed.as_secs_f64();
        let most = flowed / self.rule.litres_per_count + 1.0;
        let step = if count >= last { count - last } else { self.rule.modulus? - last + count };
        (step <= most).then_some(step)
    }
}

const RESTARTED: Quality =
    Quality::new(Status::UncertainSubNormal, DeviceStatus::OutOfSpecification, Reason::CounterReset);

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    fn pulses(modulus: Option<f64>) -> Counter {
        Counter::new(CounterRule { litres_per_count: 0.5, modulus, litres_per_second_max: 2.0 })
    }

    fn total(counter: &mut Counter, count: f64, elapsed: Duration) -> (f64, Reason) {
        let graded = counter.advance(count, elapsed).0.expect("a count");
        (graded.value, graded.quality.reason)
    }

    #[test]
    fn rolls_over_without_losing_a_count() {
        let mut counter = pulses(Some(65_536.0));
        assert_eq!(total(&mut counter, 65_533.0, SECOND), (0.0, Reason::None), "starts at zero");
        assert_eq!(total(&mut counter, 65_535.0, SECOND), (1.0, Reason::None));
        assert_eq!(total(&mut counter, 1.0, SECOND), (2.0, Reason::None), "65535 → 0 → 1 are two counts");
    }

    #[test]
    fn a_restart_adds_nothing_and_says_so_once() {
        let mut counter = pulses(Some(65_536.0));
        total(&mut counter, 1000.0, SECOND);
        total(&mut counter, 1004.0, SECOND);
        assert_eq!(total(&mut counter, 0.0, SECOND), (2.0, Reason::CounterReset));
        assert_eq!(total(&mut counter, 4.0, SECOND), (4.0, Reason::None), "counts on from the new start");
        let mut endless = pulses(None);
        total(&mut endless, 10.0, SECOND);
        assert_eq!(
            total(&mut endless, 9.0, SECOND).1,
            Reason::CounterReset,
            "without a modulus nothing rolls over"
        );
    }

    #[test]
    fn more_than_the_line_can_deliver_is_no_flow() {
        let mut counter = pulses(None);
        total(&mut counter, 0.0, SECOND);
        assert_eq!(total(&mut counter, 1e6, SECOND), (0.0, Reason::CounterReset));
        assert_eq!(
            total(&mut counter, 1e6 + 5.0, SECOND),
            (2.5, Reason::None),
            "2 L/s are 4 counts, and one for the lump"
        );
        assert_eq!(
            total(&mut counter, 1e6 + 405.0, 100 * SECOND),
            (202.5, Reason::None),
            "a longer gap allows more"
        );
    }

    #[test]
    fn equal_stamps_leave_the_step_for_the_next_reading() {
        let mut counter = pulses(None);
        total(&mut counter, 0.0, SECOND);
        let (held, taken) = counter.advance(3.0, Duration::ZERO);
        assert_eq!((held.expect("a count").value, taken), (0.0, false));
        assert_eq!(total(&mut counter, 4.0, SECOND), (2.0, Reason::None));
    }

    #[test]
    fn what_is_no_count_is_refused() {
        let mut counter = pulses(Some(100.0));
        for count in [-1.0, 100.0, f64::NAN, f64::INFINITY] {
            assert_eq!(counter.advance(count, SECOND), (Err(NOT_CONVERTIBLE), false), "{count}");
        }
    }
}
