//! A value that no longer moves where noise is expected.
//!
//! The check waits for the span of the values to exceed `least_change`; each time it does, the wait starts over. A quiet
//! sump read through a coarse register moves by whole steps only, so `least_change` must lie below one step for it to be
//! seen; the configuration says what is normal, this check does not guess it.

use crate::model::{DeviceStatus, Quality, Reason, Status, Uptime};

use super::settings::FrozenCheck;

/// Fewer readings than this within the window are no evidence: two equal values an hour apart say nothing.
const READINGS_MIN: u32 = 5;

/// Memory of one probe's check.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Frozen {
    check: FrozenCheck,
    standing: Option<Standing>,
}

/// Values since the last movement.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Standing {
    since: Uptime,
    readings: u32,
    least: f64,
    greatest: f64,
    raw: f64,
}

impl Frozen {
    pub(super) fn new(check: FrozenCheck) -> Self {
        Self { check, standing: None }
    }

    /// Whether the other was told the same, so that its memory means the same.
    pub(super) fn is_like(&self, other: &Self) -> bool {
        self.check == other.check
    }

    /// Starts over, after a gap or a bad value: what happened meanwhile is not known.
    pub(super) fn forget(&mut self) {
        self.standing = None;
    }

    /// Takes a value and says how good that leaves it. The device's own number must move as well: a compensation that
    /// follows the temperature would otherwise breathe life into a dead probe.
    pub(super) fn judge(&mut self, raw: f64, value: f64, at: Uptime) -> Quality {
        let anew = Standing { since: at, readings: 1, least: value, greatest: value, raw };
        let Some(standing) = &mut self.standing else {
            self.standing = Some(anew);
            return Quality::GOOD;
        };
        standing.readings = standing.readings.saturating_add(1);
        if raw != standing.raw {
            standing.raw = raw;
            standing.least = standing.least.min(value);
            standing.greatest = standing.greatest.max(value);
        }
        if standing.greatest - standing.least > self.check.least_change {
            *standing = anew;
        }
        let frozen = standing.readings >= READINGS_MIN && at.since(standing.since) >= self.check.window;
        if frozen { FROZEN } else { Quality::GOOD }
    }
}

const FROZEN: Quality =
    Quality::new(Status::UncertainSensorNotAccurate, DeviceStatus::OutOfSpecification, Reason::Frozen);

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    fn check(window_s: u64, least_change: f64) -> Frozen {
        Frozen::new(FrozenCheck { window: Duration::from_secs(window_s), least_change })
    }

    fn reasons(frozen: &mut Frozen, every_s: u64, values: &[f64]) -> Vec<Reason> {
        let at = |i: usize| Uptime::from_nanos(i as u64 * every_s * 1_000_000_000);
        values.iter().enumerate().map(|(i, v)| frozen.judge(*v, *v, at(i)).reason).collect()
    }

    #[test]
    fn fires_after_the_window_and_lets_go_at_the_first_movement() {
        let got = reasons(&mut check(60, 0.0), 10, &[8.7, 8.7, 8.7, 8.7, 8.7, 8.7, 8.7, 8.7, 8.71]);
        assert_eq!(got[..6], [Reason::None; 6]);
        assert_eq!(got[6..], [Reason::Frozen, Reason::Frozen, Reason::None]);
    }

    #[test]
    fn one_step_of_a_coarse_register_within_the_window_is_life() {
        let values: Vec<f64> = (0..200).map(|i| 8.7 + if (i / 5) % 2 == 0 { 0.0 } else { 0.01 }).collect();
        assert!(reasons(&mut check(60, 0.005), 10, &values).iter().all(|r| *r == Reason::None));
        let dithers = reasons(&mut check(60, 0.05), 10, &values);
        assert_eq!(dithers[199], Reason::Frozen, "told to expect more than one step");
    }

    #[test]
    fn two_values_far_apart_are_no_evidence() {
        let got = reasons(&mut check(60, 0.0), 600, &[8.7; 6]);
        assert_eq!(
            got,
            [Reason::None, Reason::None, Reason::None, Reason::None, Reason::Frozen, Reason::Frozen]
        );
    }

    #[test]
    fn compensation_alone_does_not_pass_for_movement() {
        let mut frozen = check(60, 0.0);
        let last = (0..10).map(|i| {
            frozen.judge(500.0, 1000.0 + f64::from(i), Uptime::from_nanos(i as u64 * 10_000_000_000))
        });
        assert_eq!(last.last().map(|q| q.reason), Some(Reason::Frozen));
    }

    #[test]
    fn a_gap_starts_the_wait_over() {
        let mut frozen = check(60, 0.0);
        reasons(&mut frozen, 10, &[8.7; 7]);
        frozen.forget();
        assert_eq!(frozen.judge(8.7, 8.7, Uptime::from_nanos(70_000_000_000)).reason, Reason::None);
    }
}
