//! Whether the wall clock can be believed, and what becomes of stamps that were given before it could.
//!
//! A box whose clock does not run on without power begins in 1970, or wherever its system puts it, until somebody tells it the
//! time. So long it goes by a time of its own: the monotonic clock, its [`Zero`] laid where the newest moment lies that is known
//! to have been. That time never runs ahead of the true one and never goes back, and all its stamps are wrong by one and the
//! same number. Once the clock is believed that number is known, and [`Zero::moved`] puts each stamp right.

use std::fmt;
use std::time::Duration;

use super::time::{Now, Timestamp, Uptime};

/// No gateway ran before 2024: a clock that says less was never set.
pub const EARLIEST: Timestamp = Timestamp::from_millis(1_704_067_200_000);

/// So far behind what is known a clock may be and still be believed: it may have been ahead, and was set back.
pub const SET_BACK_MAX: Duration = Duration::from_hours(24);

/// What the wall clock says when the monotonic clock stands at zero.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Zero(i64);

impl Zero {
    /// As of `now`; the far ends saturate.
    pub const fn of(now: Now) -> Self {
        let nanos = now.utc.as_nanos() as i128 - now.uptime.as_nanos() as i128;
        Self(narrow(nanos))
    }

    /// From nanoseconds since 1970.
    pub const fn from_nanos(nanos: i64) -> Self {
        Self(nanos)
    }

    /// Nanoseconds since 1970.
    pub const fn as_nanos(self) -> i64 {
        self.0
    }

    /// What the wall clock says at `uptime`.
    pub const fn at(self, uptime: Uptime) -> Timestamp {
        Timestamp::from_nanos(narrow(self.0 as i128 + uptime.as_nanos() as i128))
    }

    /// The stamp that the moment `at`, stamped under this zero, has under `to`. By whole milliseconds, so that stamps of polls
    /// stay whole ones; the far ends saturate.
    pub const fn moved(self, at: Timestamp, to: Self) -> Timestamp {
        let nanos = to.0 as i128 - self.0 as i128;
        let millis = (nanos + 500_000).div_euclid(1_000_000);
        Timestamp::from_nanos(narrow(at.as_nanos() as i128 + millis * 1_000_000))
    }

    /// Whether `at` is the stamp of a reading received at `received` under this zero, rather than a time that came with it.
    pub const fn stamped(self, at: Timestamp, received: Uptime) -> bool {
        let apart = self.at(received).as_nanos() as i128 - at.as_nanos() as i128;
        // Stamps are cut down to whole milliseconds.
        apart >= 0 && apart < 2_000_000
    }
}

const fn narrow(nanos: i128) -> i64 {
    if nanos > i64::MAX as i128 {
        i64::MAX
    } else if nanos < i64::MIN as i128 {
        i64::MIN
    } else {
        nanos as i64
    }
}

/// Why the wall clock is not believed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Doubt {
    /// It says a time before any gateway ran.
    BeforeAny(Timestamp),
    /// It says a time long before the newest moment that is known: the second one.
    BeforeKnown(Timestamp, Timestamp),
    /// The file that says that it is set is not there.
    NotSaid(Timestamp),
}

impl fmt::Display for Doubt {
    /// To follow "the clock is not set: ".
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::BeforeAny(says) => write!(f, "it says {}", seconds(*says)),
            Self::BeforeKnown(says, known) => {
                write!(f, "it says {}, and it was {} already", seconds(*says), seconds(*known))
            }
            Self::NotSaid(says) => {
                write!(f, "it says {}, and nobody has said that it is right", seconds(*says))
            }
        }
    }
}

fn seconds(at: Timestamp) -> Timestamp {
    Timestamp::from_nanos(at.as_nanos() - at.as_nanos().rem_euclid(1_000_000_000))
}

/// Whether a clock that says `wall` is believed, where `known` is the newest moment that is known to have been, and `said`
/// whether the file that is waited for is there; none where none is waited for.
pub fn doubt(wall: Timestamp, known: Option<Timestamp>, said: Option<bool>) -> Option<Doubt> {
    match (known, said) {
        _ if wall < EARLIEST => Some(Doubt::BeforeAny(wall)),
        (_, Some(said)) => (!said).then_some(Doubt::NotSaid(wall)),
        (Some(known), None) if known.since(wall) > SET_BACK_MAX => Some(Doubt::BeforeKnown(wall, known)),
        (_, None) => None,
    }
}

/// Where a gateway that does not believe its clock lays the zero of its own time, at `uptime`.
pub fn at_the_earliest(known: Option<Timestamp>, uptime: Uptime) -> Zero {
    let utc = known.map_or(EARLIEST, |known| known.max(EARLIEST));
    Zero::of(Now { uptime, utc: utc.floor_to_millis().plus(Duration::from_millis(1)) })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const SECOND: u64 = 1_000_000_000;

    fn at(text: &str) -> Timestamp {
        Timestamp::parse(text).expect("RFC 3339")
    }

    #[test]
    fn a_clock_is_believed_by_what_is_known() {
        let (known, late) = (Some(at("2026-12-24T18:00:00Z")), at("2026-12-26T09:00:00Z"));
        assert_eq!(
            doubt(at("1970-01-01T00:00:09Z"), None, None).map(|d| d.to_string()).as_deref(),
            Some("it says 1970-01-01T00:00:09Z")
        );
        let early = at("2026-12-01T00:00:00Z");
        let found = doubt(early, known, None).expect("weeks before what is known");
        assert_eq!(
            found.to_string(),
            "it says 2026-12-01T00:00:00Z, and it was 2026-12-24T18:00:00Z already"
        );
        assert_eq!(doubt(early, None, None), None, "nothing speaks against it");
        assert_eq!(doubt(late, known, None), None);
        assert_eq!(doubt(at("2026-12-24T12:00:00Z"), known, None), None, "it was ahead and set back");
        assert_eq!(doubt(late, known, Some(false)), Some(Doubt::NotSaid(late)));
        assert_eq!(doubt(early, known, Some(true)), None, "whoever says so knows better");
        assert!(doubt(at("1999-01-01T00:00:00Z"), None, Some(true)).is_some(), "but not what cannot be");
    }

    #[test]
    fn own_time_goes_on_behind_what_is_known() {
        let uptime = Uptime::from_nanos(40 * SECOND);
        for known in [None, Some(at("1999-01-01T00:00:00Z"))] {
            assert_eq!(
                at_the_earliest(known, uptime).at(uptime).floor_to_millis(),
                EARLIEST.plus(Duration::from_millis(1))
            );
        }
        let known = at("2026-12-24T18:00:00.0002Z");
        let zero = at_the_earliest(Some(known), uptime);
        assert_eq!(zero.at(uptime), at("2026-12-24T18:00:00.001Z"));
        assert_eq!(zero.at(Uptime::from_nanos(41 * SECOND)), at("2026-12-24T18:00:01.001Z"));
    }

    proptest! {
        #[test]
        fn a_stamp_is_put_right_to_the_millisecond(
            own in 0..4_000_000_000_i64, true_s in 0..4_000_000_000_i64, fine in 0..SECOND as i64,
            uptimes in proptest::collection::vec(0..10_000_000 * SECOND, 2..20),
        ) {
            let (own, truth) = (Zero(own * SECOND as i64 + fine), Zero(true_s * SECOND as i64));
            for pair in uptimes.windows(2) {
                let [a, b] = [pair[0], pair[1]].map(Uptime::from_nanos);
                let [kept_a, kept_b] = [a, b].map(|uptime| own.at(uptime).floor_to_millis());
                let [right_a, right_b] = [kept_a, kept_b].map(|kept| own.moved(kept, truth));
                // The stamp was cut down by less than one millisecond, and the step is within half of one.
                let off = truth.at(a).as_nanos() - right_a.as_nanos();
                prop_assert!((-500_000..1_500_000).contains(&off), "off by {} ns", off);
                prop_assert_eq!(right_a.as_nanos() - right_b.as_nanos(), kept_a.as_nanos() - kept_b.as_nanos());
                prop_assert_eq!(right_a.floor_to_millis() == right_a, kept_a.floor_to_millis() == kept_a);
                prop_assert!(own.stamped(kept_a, a));
                let far = truth.0.abs_diff(own.0) > 4_000_000;
                prop_assert!(!far || !own.stamped(right_a, a), "what is right already is left");
            }
        }
    }

    #[test]
    fn far_ends_saturate() {
        let (low, high) = (Zero(i64::MIN), Zero(i64::MAX));
        assert_eq!(high.at(Uptime::from_nanos(u64::MAX)), Timestamp::from_nanos(i64::MAX));
        assert_eq!(low.moved(Timestamp::from_nanos(i64::MAX), high), Timestamp::from_nanos(i64::MAX));
        assert_eq!(high.moved(Timestamp::from_nanos(i64::MIN), low), Timestamp::from_nanos(i64::MIN));
    }
}
