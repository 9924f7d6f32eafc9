//! Simulated time: UTC in whole milliseconds, never read from a clock.

use std::fmt;
use std::ops::{Add, Sub};
use std::time::Duration;

const DAY_MS: i64 = 86_400_000;

/// A moment of simulated time, milliseconds since 1970-01-01 UTC.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Stamp(pub i64);

impl Stamp {
    /// Monday 2024-01-01, 00:00 UTC: where scenarios count from.
    pub const MONDAY: Self = Self(1_704_067_200_000);

    /// Day of the week, Monday 0 to Sunday 6.
    pub fn weekday(self) -> u32 {
        // 1970-01-01 was a Thursday.
        (self.0.div_euclid(DAY_MS) + 3).rem_euclid(7) as u32
    }

    /// Hour of the day with its fraction, 0 ≤ h < 24.
    pub fn hour(self) -> f64 {
        self.0.rem_euclid(DAY_MS) as f64 / 3_600_000.0
    }

    /// Seconds since 1970, with the fraction.
    pub fn unix_s(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// Time from `earlier` to here; zero if `earlier` is later.
    pub fn since(self, earlier: Self) -> Duration {
        Duration::from_millis((self.0 - earlier.0).max(0) as u64)
    }

    /// This moment plus some days, for scripts.
    pub fn plus_days(self, days: f64) -> Self {
        Self(self.0 + (days * DAY_MS as f64) as i64)
    }
}

impl Add<Duration> for Stamp {
    type Output = Self;

    fn add(self, step: Duration) -> Self {
        Self(self.0 + step.as_millis() as i64)
    }
}

impl Sub<Duration> for Stamp {
    type Output = Self;

    fn sub(self, step: Duration) -> Self {
        Self(self.0 - step.as_millis() as i64)
    }
}

impl fmt::Display for Stamp {
    /// RFC 3339 in UTC with milliseconds.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (days, ms) = (self.0.div_euclid(DAY_MS), self.0.rem_euclid(DAY_MS));
        let (year, month, day) = civil(days);
        let (h, m, s) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60);
        write!(f, "{year:04}-{month:02}-{day:02}T{h:02}:{m:02}:{s:02}.{:03}Z", ms % 1000)
    }
}

/// Days since 1970 to year, month, day in the Gregorian calendar (Hinnant's `civil_from_days`).
fn civil(days: i64) -> (i64, i64, i64) {
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let doe = z.rem_euclid(146_097);
    let yoe = (doe - doe / 1460 + doe / 36_524 - doe / 146_096) / 365;
    let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    let mp = (5 * doy + 2) / 153;
    let month = if mp < 10 { mp + 3 } else { mp - 9 };
    (yoe + era * 400 + i64::from(month <= 2), month, doy - (153 * mp + 2) / 5 + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_the_calendar_s() {
        assert_eq!(Stamp(0).to_string(), "1970-01-01T00:00:00.000Z");
        assert_eq!(Stamp::MONDAY.to_string(), "2024-01-01T00:00:00.000Z");
        // 2024 is a leap year: `date -u -d @1709164800.25` says 29 February.
        assert_eq!(Stamp(1_709_164_800_250).to_string(), "2024-02-29T00:00:00.250Z");
        assert_eq!(Stamp(-1).to_string(), "1969-12-31T23:59:59.999Z");
        assert_eq!(Stamp::MONDAY.weekday(), 0);
        assert_eq!((Stamp::MONDAY - Duration::from_millis(1)).weekday(), 6);
        assert_eq!(Stamp::MONDAY.plus_days(5.75).hour(), 18.0);
    }
}
