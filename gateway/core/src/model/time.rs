//! Two clocks that are never mixed.
//!
//! [`Uptime`] is monotonic: delays, periods and staleness are counted in it, so a clock correction neither raises an
//! alarm nor bends a rate. [`Timestamp`] is UTC: what is stored and shown carries it. Only the daemon's edge reads a
//! clock; every step in this crate is handed a [`Now`].

use std::fmt;
use std::time::Duration;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Nanoseconds of an hour.
pub const HOUR_NS: f64 = 3.6e12;

/// Monotonic time since an arbitrary start, in nanoseconds.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, Default)]
pub struct Uptime(u64);

impl Uptime {
    /// From nanoseconds since the start.
    pub const fn from_nanos(nanos: u64) -> Self {
        Self(nanos)
    }

    /// Nanoseconds since the start.
    pub const fn as_nanos(self) -> u64 {
        self.0
    }

    /// Time passed since `earlier`; zero if `earlier` is later.
    pub const fn since(self, earlier: Self) -> Duration {
        Duration::from_nanos(self.0.saturating_sub(earlier.0))
    }

    /// This instant and `duration` back; stays at the start rather than wrap.
    pub const fn minus(self, duration: Duration) -> Self {
        let nanos = duration.as_nanos();
        Self(self.0.saturating_sub(if nanos > u64::MAX as u128 { u64::MAX } else { nanos as u64 }))
    }

    /// This instant and `duration` on; stays at the end of time rather than wrap.
    pub const fn plus(self, duration: Duration) -> Self {
        let nanos = duration.as_nanos();
        Self(self.0.saturating_add(if nanos > u64::MAX as u128 { u64::MAX } else { nanos as u64 }))
    }
}

/// UTC, in nanoseconds since 1970-01-01T00:00:00Z. Holds the years 1677 to 2262.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, Default)]
pub struct Timestamp(i64);

/// Why a text is no [`Timestamp`].
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{text:?} is no RFC 3339 time with an offset, such as 2026-03-01T08:00:00Z ({why})")]
pub struct TimestampError {
    text: String,
    why: String,
}

impl Timestamp {
    /// From nanoseconds since 1970.
    pub const fn from_nanos(nanos: i64) -> Self {
        Self(nanos)
    }

    /// Nanoseconds since 1970.
    pub const fn as_nanos(self) -> i64 {
        self.0
    }

    /// From whole milliseconds since 1970; the far ends saturate.
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis.saturating_mul(1_000_000))
    }

    /// Whole milliseconds since 1970, rounded down.
    pub const fn as_millis(self) -> i64 {
        self.0.div_euclid(1_000_000)
    }

    /// Cut down to the whole millisecond. Polls are stamped so: a sump's state does not change in a millisecond, and
    /// even steps compress to almost nothing.
    pub const fn floor_to_millis(self) -> Self {
        Self(self.0.saturating_sub(self.0.rem_euclid(1_000_000)))
    }

    /// Time passed since `earlier`; zero if `earlier` is later.
    pub const fn since(self, earlier: Self) -> Duration {
        let nanos = self.0 as i128 - earlier.0 as i128;
        if nanos <= 0 { Duration::ZERO } else { Duration::from_nanos_u128(nanos as u128) }
    }

    /// This instant and `duration` on; saturates.
    pub const fn plus(self, duration: Duration) -> Self {
        let nanos = duration.as_nanos();
        Self(self.0.saturating_add(if nanos > i64::MAX as u128 { i64::MAX } else { nanos as i64 }))
    }

    /// This instant and `duration` back; saturates.
    pub const fn minus(self, duration: Duration) -> Self {
        let nanos = duration.as_nanos();
        Self(self.0.saturating_sub(if nanos > i64::MAX as u128 { i64::MAX } else { nanos as i64 }))
    }

    /// Reads RFC 3339 with an offset; any offset is turned to UTC. A local time without an offset is refused.
    pub fn parse(text: &str) -> Result<Self, TimestampError> {
        let fail = |why: String| TimestampError { text: text.to_owned(), why };
        let parsed: jiff::Timestamp = text.parse().map_err(|e: jiff::Error| fail(e.to_string()))?;
        i64::try_from(parsed.as_nanosecond()).map(Self).map_err(|_| fail("outside 1677 to 2262".to_owned()))
    }
}

impl Serialize for Timestamp {
    /// As text, the way [`Display`](fmt::Display) writes it.
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Timestamp {
    /// From text, as [`Timestamp::parse`] reads it.
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text).map_err(serde::de::Error::custom)
    }
}

impl fmt::Display for Timestamp {
    /// RFC 3339 in UTC with as many decimals as are needed: `2026-03-01T08:00:00.25Z`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let whole = jiff::Timestamp::from_nanosecond(i128::from(self.0)).map_err(|_| fmt::Error)?;
        write!(f, "{whole}")
    }
}

/// One instant on both clocks, handed into every step.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Now {
    /// For delays, periods and staleness.
    pub uptime: Uptime,
    /// For stamps.
    pub utc: Timestamp,
}

/// A moment as it is kept over a restart, on both clocks.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct KeptAt {
    utc_ns: i64,
    /// None where it was kept by UTC alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    uptime_ns: Option<u64>,
}

impl KeptAt {
    /// As of `now`.
    pub const fn of(now: Now) -> Self {
        Self { utc_ns: now.utc.as_nanos(), uptime_ns: Some(now.uptime.as_nanos()) }
    }

    /// Monotonic time of that moment, where it is known.
    pub fn uptime(self) -> Option<Uptime> {
        self.uptime_ns.map(Uptime::from_nanos)
    }

    /// Time that has passed until `now`: by the monotonic clock if that went on, by the other if the machine itself was
    /// restarted, and then at least for as long as it has been up.
    pub fn passed(self, now: Now) -> Duration {
        let by_utc = now.utc.since(Timestamp(self.utc_ns));
        match self.uptime() {
            None => by_utc,
            Some(then) if now.uptime >= then => now.uptime.since(then),
            Some(_) => by_utc.max(now.uptime.since(Uptime::default())),
        }
    }
}

impl Now {
    /// An instant in a replay or a story, where both clocks run together: uptime counts from 1970.
    pub const fn simulated(utc: Timestamp) -> Self {
        let nanos = utc.as_nanos();
        Self { uptime: Uptime::from_nanos(if nanos < 0 { 0 } else { nanos as u64 }), utc }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rfc_3339_goes_in_with_any_offset_and_comes_out_in_utc() {
        let t = Timestamp::parse("2026-03-29T02:30:00.250+02:00").expect("RFC 3339");
        assert_eq!(t.to_string(), "2026-03-29T00:30:00.25Z");
        assert_eq!(Timestamp::parse(&t.to_string()), Ok(t));
        assert!(Timestamp::parse("2026-03-29T02:30:00").is_err(), "local time without offset is ambiguous");
        assert!(Timestamp::parse("9999-01-01T00:00:00Z").is_err(), "beyond 64-bit nanoseconds");
    }

    #[test]
    fn far_ends_saturate_instead_of_wrapping() {
        assert_eq!(Uptime::from_nanos(u64::MAX).plus(Duration::from_secs(1)).as_nanos(), u64::MAX);
        assert_eq!(Timestamp::from_nanos(i64::MAX).plus(Duration::MAX).as_nanos(), i64::MAX);
        assert_eq!(Timestamp::from_nanos(i64::MIN).floor_to_millis().as_nanos(), i64::MIN);
        assert_eq!(Timestamp::from_nanos(5).since(Timestamp::from_nanos(9)), Duration::ZERO);
    }

    #[test]
    fn seconds_of_32_bits_have_no_end_here() {
        for (text, seconds) in [
            ("2038-01-19T03:14:07Z", i64::from(i32::MAX)),
            ("2038-01-19T03:14:08Z", i64::from(i32::MAX) + 1),
            ("2106-02-07T06:28:16Z", i64::from(u32::MAX) + 1),
        ] {
            let at = Timestamp::parse(text).expect("RFC 3339");
            assert_eq!((at.as_nanos(), at.to_string().as_str()), (seconds * 1_000_000_000, text));
            assert_eq!(Timestamp::from_millis(at.floor_to_millis().as_millis()), at);
        }
        let last = "2262-04-11T23:47:16.854775807Z";
        assert_eq!(Timestamp::parse(last).map(Timestamp::as_nanos), Ok(i64::MAX));
        assert!(Timestamp::parse("2262-04-11T23:47:16.854775808Z").is_err());
    }

    #[test]
    fn what_was_kept_goes_on_by_the_clock_that_went_on() {
        let hour = Duration::from_secs(3_600);
        let now = |uptime_h: u32, utc_h: u32| Now {
            uptime: Uptime::default().plus(hour * uptime_h),
            utc: Timestamp::default().plus(hour * utc_h),
        };
        let kept = KeptAt::of(now(10, 1_000));
        assert_eq!(kept.passed(now(11, 1_072)), hour, "UTC was set on by three days");
        assert_eq!(kept.passed(now(12, 900)), 2 * hour, "or back");
        assert_eq!(kept.passed(now(1, 1_005)), 5 * hour, "the machine was restarted");
        assert_eq!(kept.passed(now(2, 990)), 2 * hour, "and has been up for longer than UTC says");
        let by_utc: KeptAt =
            serde_json::from_str(&format!(r#"{{"utc_ns":{}}}"#, 3_600_000_000_000_u64)).expect("JSON");
        assert_eq!(by_utc.passed(now(50, 3)), 2 * hour, "kept by an earlier version");
    }
}
