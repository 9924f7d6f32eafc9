//! A value that jumps further than its quantity can in the time.
//!
//! A jump is left out until `confirm` readings in a row agree on it: then it was a real step (a top-up, a dump) and the
//! last of them counts. The first reading that is back near the last accepted value counts at once.

use std::time::Duration;

use crate::model::{DeviceStatus, Quality, Reason, Status};

use super::settings::SpikeCheck;

/// Memory of one probe's check.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Spike {
    check: SpikeCheck,
    accepted: Option<Heard>,
    candidate: Option<Candidate>,
}

/// A value and how long ago it was heard.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Heard {
    value: f64,
    age: Duration,
}

/// Where the readings that were left out agree.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Candidate {
    value: f64,
    readings: u8,
}

impl Spike {
    pub(super) fn new(check: SpikeCheck) -> Self {
        Self { check, accepted: None, candidate: None }
    }

    /// Whether the other was told the same, so that its memory means the same.
    pub(super) fn is_like(&self, other: &Self) -> bool {
        self.check == other.check
    }

    /// Starts over: what comes next stands in no relation to what was.
    pub(super) fn forget(&mut self) {
        (self.accepted, self.candidate) = (None, None);
    }

    /// Takes a value `elapsed` after the last one judged: true if it counts.
    pub(super) fn accept(&mut self, value: f64, elapsed: Duration) -> bool {
        if let Some(accepted) = &mut self.accepted {
            accepted.age = accepted.age.saturating_add(elapsed);
        }
        let near = self.accepted.is_none_or(|a| self.within(a.value, value, a.age));
        if near || self.confirms(value, elapsed) {
            self.accepted = Some(Heard { value, age: Duration::ZERO });
            self.candidate = None;
            return true;
        }
        false
    }

    /// Counts a reading that is far from the accepted value; true if it makes the jump real.
    fn confirms(&mut self, value: f64, elapsed: Duration) -> bool {
        let agreeing = self.candidate.filter(|c| self.within(c.value, value, elapsed));
        let readings = agreeing.map_or(1, |c| c.readings.saturating_add(1));
        self.candidate = Some(Candidate { value, readings });
        readings >= self.check.confirm
    }

    /// Whether a value can have moved so far in `elapsed`. No division, so equal stamps are no special case.
    fn within(&self, from: f64, to: f64, elapsed: Duration) -> bool {
        (to - from).abs() <= self.check.step + self.check.rate_per_s * elapsed.as_secs_f64()
    }
}

/// A value left out. A jump no sump can make is not a value of the sump, so it is bad rather than doubtful.
pub(super) const LEFT_OUT: Quality =
    Quality::new(Status::BadOutOfRange, DeviceStatus::OutOfSpecification, Reason::Spike);

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    /// Level of a sump: 5 mm at once, 2 mm/s, three readings make a step real.
    fn level() -> Spike {
        Spike::new(SpikeCheck { step: 5.0, rate_per_s: 2.0, confirm: 3 })
    }

    fn accepted(spike: &mut Spike, values: &[f64]) -> Vec<bool> {
        values.iter().map(|v| spike.accept(*v, SECOND)).collect()
    }

    #[test]
    fn a_foam_spike_is_left_out_and_the_return_counts_at_once() {
        assert_eq!(
            accepted(&mut level(), &[300.0, 301.0, 380.0, 301.0, 302.0]),
            [true, true, false, true, true]
        );
    }

    #[test]
    fn a_top_up_counts_after_three_readings_that_agree() {
        assert_eq!(
            accepted(&mut level(), &[300.0, 350.0, 352.0, 353.0, 354.0]),
            [true, false, false, true, true]
        );
    }

    #[test]
    fn spikes_that_disagree_never_add_up() {
        let got = accepted(&mut level(), &[300.0, 400.0, 500.0, 400.0, 500.0, 400.0, 300.0]);
        assert_eq!(got, [true, false, false, false, false, false, true]);
    }

    #[test]
    fn a_long_gap_allows_a_long_way() {
        let mut spike = level();
        assert!(spike.accept(300.0, Duration::ZERO));
        assert!(spike.accept(400.0, 48 * SECOND), "5 mm + 48 s · 2 mm/s = 101 mm");
    }

    #[test]
    fn equal_stamps_are_judged_by_the_step_alone() {
        let mut spike = level();
        assert!(spike.accept(300.0, Duration::ZERO));
        assert!(spike.accept(304.0, Duration::ZERO));
        assert!(!spike.accept(310.0, Duration::ZERO));
    }

    #[test]
    fn confirming_by_one_reading_accepts_everything() {
        let mut spike = Spike::new(SpikeCheck { step: 0.0, rate_per_s: 0.0, confirm: 1 });
        assert_eq!(accepted(&mut spike, &[1.0, 100.0, -5.0]), [true; 3]);
        let mut none = Spike::new(SpikeCheck { step: 0.0, rate_per_s: 0.0, confirm: 0 });
        assert_eq!(accepted(&mut none, &[1.0, 100.0]), [true; 2]);
    }
}
