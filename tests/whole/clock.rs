//! Two clocks of a machine that are not to be trusted in the same way: one runs on, a little wrong; one is set about.

use std::time::Duration;

use sumpwarden_core::model::{Now, Timestamp, Uptime};

const NS: u64 = 1_000_000_000;

/// 2026-03-02T06:00:00Z.
const START_NS: i64 = 1_772_431_200 * NS as i64;

/// Clocks as seen from true time, nanoseconds since the story began.
#[derive(Clone, Debug)]
pub(crate) struct Clocks {
    drift_ppm: u64,
    offset_ns: i64,
    grain_ns: i64,
}

impl Clocks {
    pub(crate) fn new(drift_ppm: u64, coarse: bool) -> Self {
        Self { drift_ppm, offset_ns: 0, grain_ns: if coarse { NS as i64 } else { 1 } }
    }

    pub(crate) fn now(&self, t: u64) -> Now {
        let utc = START_NS + t as i64 + self.offset_ns;
        Now { uptime: self.uptime(t), utc: Timestamp::from_nanos(utc - utc.rem_euclid(self.grain_ns)) }
    }

    fn uptime(&self, t: u64) -> Uptime {
        Uptime::from_nanos(100 * NS + t + (u128::from(t) * u128::from(self.drift_ppm) / 1_000_000) as u64)
    }

    /// True time at which uptime will be this.
    pub(crate) fn at(&self, uptime: Uptime) -> u64 {
        if uptime.as_nanos() == u64::MAX {
            return u64::MAX;
        }
        let passed = u128::from(uptime.as_nanos().saturating_sub(100 * NS));
        let mut t = (passed * 1_000_000 / (1_000_000 + u128::from(self.drift_ppm))) as u64;
        while self.uptime(t) < uptime {
            t += 1;
        }
        t
    }

    /// True UTC, as everybody else has it.
    pub(crate) fn truth(t: u64) -> Timestamp {
        Timestamp::from_nanos(START_NS + t as i64)
    }

    /// UTC is set off by so much, or right again.
    pub(crate) fn set(&mut self, offset_s: i64) {
        self.offset_ns = offset_s * NS as i64;
    }
}

/// Seconds in nanoseconds.
pub(crate) const fn s(seconds: u64) -> u64 {
    seconds * NS
}

/// Milliseconds in time.
pub(crate) const fn ms(millis: u64) -> Duration {
    Duration::from_millis(millis)
}
