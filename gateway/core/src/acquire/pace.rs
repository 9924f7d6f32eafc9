//! When to knock again: back-off with full jitter, and a brake where another client seems to use our client id.

use std::collections::VecDeque;
use std::time::Duration;

use super::Backoff;
use crate::model::Uptime;

/// A connection that ends sooner than this after the broker accepted it did not last.
const SHORT: Duration = Duration::from_secs(30);

/// While the client id seems to be taken over: this many in [`BRAKE_WINDOW`] at most.
const BRAKE_CONNECTS_MAX: usize = 2;

/// See [`BRAKE_CONNECTS_MAX`].
const BRAKE_WINDOW: Duration = Duration::from_secs(60);

/// Connections in a row that the broker ended early before it is called a take-over.
const TAKE_OVER_AFTER: u32 = 2;

/// Keeps the waits between attempts.
///
/// Two clients with one client id throw each other out for ever: each connect of one ends the other's connection (MQTT
/// 3.1.1, 3.1.4). Seen from here it is a connection that is accepted and soon closed, again and again, by a broker that is
/// always there. The brake keeps that to two connects a minute. Every other connection that does not last, be it given up
/// from here or ended by a broker that then was away, is no more than another failure: waits grow as if it had not been.
#[derive(Debug)]
pub struct Pace {
    backoff: Backoff,
    longest: Duration,
    /// When the last connections were accepted, newest last.
    accepted: VecDeque<Uptime>,
    /// Connections in a row that the broker ended early without having been away.
    closed_early: u32,
}

/// How a connection or an attempt ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum End {
    /// Nobody there, no TLS, time-out, not available yet.
    NotReached,
    /// The broker said no: credentials, client id.
    Refused,
    /// The other side closed a connection it had accepted.
    ClosedByPeer,
    /// It was ended from here, or fell silent.
    Lost,
}

impl Pace {
    /// Waits between the first and the longest of `reconnect`; the same `seed` gives the same waits.
    pub fn new(reconnect: (Duration, Duration), seed: u64) -> Self {
        Self {
            backoff: Backoff::new(reconnect.0, reconnect.1, seed),
            longest: reconnect.1,
            accepted: VecDeque::with_capacity(BRAKE_CONNECTS_MAX),
            closed_early: 0,
        }
    }

    /// The broker has accepted a connection.
    pub fn accepted(&mut self, now: Uptime) {
        if self.accepted.len() == BRAKE_CONNECTS_MAX {
            self.accepted.pop_front();
        }
        self.accepted.push_back(now);
    }

    /// How long to wait after this end; `was_accepted` tells a connection from a mere attempt.
    pub fn next_wait(&mut self, end: End, was_accepted: bool, now: Uptime) -> Duration {
        if was_accepted {
            let lasted = self.accepted.back().map_or(Duration::ZERO, |at| now.since(*at));
            let short = lasted < SHORT;
            self.closed_early = if short && end == End::ClosedByPeer { self.closed_early + 1 } else { 0 };
            // Over a fight for the client id it is the brake that holds us back.
            if !short || self.looks_taken_over() {
                self.backoff.reset();
            }
        } else if end == End::NotReached {
            // Who throws us out for another client is there to accept us again.
            self.closed_early = 0;
        }
        let wait = match end {
            // What was refused once is refused again until a person changes something.
            End::Refused => self.longest,
            End::NotReached | End::ClosedByPeer | End::Lost => self.backoff.next_wait(),
        };
        wait.max(self.brake(now))
    }

    /// Whether somebody else seems to use our client id.
    pub fn looks_taken_over(&self) -> bool {
        self.closed_early >= TAKE_OVER_AFTER
    }

    /// The connection has lasted: whatever threw us out has stopped. True once.
    pub fn settled(&mut self, now: Uptime) -> bool {
        let settled =
            self.looks_taken_over() && self.accepted.back().is_some_and(|at| now.since(*at) >= SHORT);
        if settled {
            self.closed_early = 0;
        }
        settled
    }

    /// How long the brake holds.
    fn brake(&self, now: Uptime) -> Duration {
        if !self.looks_taken_over() || self.accepted.len() < BRAKE_CONNECTS_MAX {
            return Duration::ZERO;
        }
        self.accepted.front().map_or(Duration::ZERO, |first| first.plus(BRAKE_WINDOW).since(now))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: f64) -> Uptime {
        Uptime::default().plus(Duration::from_secs_f64(seconds))
    }

    fn pace() -> Pace {
        Pace::new((Duration::from_secs(1), Duration::from_secs(60)), 7)
    }

    #[test]
    fn a_fight_over_the_client_id_is_kept_to_two_connects_in_any_minute() {
        let (mut pace, mut now, mut connects) = (pace(), 0.0, Vec::new());
        while now < 600.0 {
            pace.accepted(at(now));
            connects.push(now);
            now += 0.8;
            now += pace.next_wait(End::ClosedByPeer, true, at(now)).as_secs_f64();
        }
        for window in connects.windows(3) {
            assert!(window[2] - window[0] >= 60.0, "{connects:?}");
        }
        assert!(connects.len() >= 18, "but it goes on trying: {connects:?}");
        assert!(pace.looks_taken_over());
    }

    #[test]
    fn a_restarted_broker_is_no_take_over_and_is_back_soon() {
        let mut pace = pace();
        pace.accepted(at(0.0));
        assert!(pace.next_wait(End::ClosedByPeer, true, at(3600.0)) <= Duration::from_secs(1));
        for _ in 0..3 {
            assert!(pace.next_wait(End::NotReached, false, at(3601.0)) <= Duration::from_secs(8));
        }
        pace.accepted(at(3610.0));
        assert!(!pace.looks_taken_over());
        assert!(
            pace.next_wait(End::ClosedByPeer, true, at(9000.0)) <= Duration::from_secs(1),
            "waits start over"
        );
    }

    #[test]
    fn connections_that_break_early_are_no_take_over_and_do_not_wait_for_a_minute() {
        for end in [End::Lost, End::NotReached] {
            let mut pace = pace();
            for start in [0.0, 20.0] {
                pace.accepted(at(start));
                let wait = pace.next_wait(end, true, at(start + 10.0));
                assert!(wait <= Duration::from_secs(2), "{end:?}: {wait:?}");
            }
            assert!(!pace.looks_taken_over());
        }
    }

    #[test]
    fn a_broker_that_restarts_twice_is_no_take_over() {
        let mut pace = pace();
        for start in [0.0, 15.0] {
            pace.accepted(at(start));
            pace.next_wait(End::ClosedByPeer, true, at(start + 10.0));
            let wait = pace.next_wait(End::NotReached, false, at(start + 11.0));
            assert!(wait <= Duration::from_secs(8), "{wait:?}");
        }
        assert!(!pace.looks_taken_over());
    }

    #[test]
    fn waits_grow_while_no_connection_lasts() {
        let (mut pace, mut now, mut waited) = (pace(), 0.0, Duration::ZERO);
        for _ in 0..40 {
            pace.accepted(at(now));
            let wait = pace.next_wait(End::Lost, true, at(now + 1.0));
            now += 1.0 + wait.as_secs_f64();
            waited = waited.max(wait);
        }
        assert!(waited > Duration::from_secs(30), "{waited:?}");
        pace.accepted(at(now));
        assert!(pace.next_wait(End::Lost, true, at(now + 31.0)) <= Duration::from_secs(1), "it lasted");
    }

    #[test]
    fn once_a_connection_lasts_the_brake_lets_go() {
        let mut pace = pace();
        for start in [0.0, 2.0] {
            pace.accepted(at(start));
            pace.next_wait(End::ClosedByPeer, true, at(start + 1.0));
        }
        assert!(pace.looks_taken_over());
        pace.accepted(at(62.0));
        assert!(!pace.settled(at(63.0)));
        assert!(pace.settled(at(92.0)) && !pace.settled(at(93.0)), "said once");
        assert!(pace.next_wait(End::Lost, true, at(200.0)) <= Duration::from_secs(1));
        assert!(!pace.looks_taken_over());
    }

    #[test]
    fn refused_credentials_are_tried_seldom() {
        assert_eq!(pace().next_wait(End::Refused, false, at(0.0)), Duration::from_secs(60));
    }
}
