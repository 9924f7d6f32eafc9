//! A condition that has held, or has ended, for long enough.

use std::time::Duration;

use crate::model::Uptime;

/// A condition behind an on-delay and an off-delay, on the monotonic clock.
#[derive(Clone, Debug)]
pub struct Delayed {
    on_delay: Duration,
    off_delay: Duration,
    active: bool,
    /// Since when the condition has been other than `active`.
    since: Option<Uptime>,
}

impl Delayed {
    /// Not active, nothing running.
    pub const fn new(on_delay: Duration, off_delay: Duration) -> Self {
        Self { on_delay, off_delay, active: false, since: None }
    }

    /// Whether it has held for long enough and not yet ended for long enough.
    pub const fn active(&self) -> bool {
        self.active
    }

    /// Sets it as it was before a restart.
    pub const fn set(&mut self, active: bool) {
        self.active = active;
        self.since = None;
    }

    /// Seen now: holds or not. True if that ends a delay. The first sighting starts the delay; the opposite stops it.
    pub fn update(&mut self, now: Uptime, holds: bool) -> bool {
        if holds == self.active {
            self.since = None;
            return false;
        }
        let since = *self.since.get_or_insert(now);
        let delay = if holds { self.on_delay } else { self.off_delay };
        if now.since(since) < delay {
            return false;
        }
        self.set(holds);
        true
    }

    /// Nothing can be said now: a running delay starts over with the next sighting. Never a change.
    pub fn suspend(&mut self) -> bool {
        self.since = None;
        false
    }

    /// When the running delay ends.
    pub fn due(&self) -> Option<Uptime> {
        let delay = if self.active { self.off_delay } else { self.on_delay };
        self.since.map(|since| since.plus(delay))
    }

    /// Time has passed with nothing new seen. True if that ends a delay.
    pub fn expire(&mut self, now: Uptime) -> bool {
        self.since.is_some() && self.update(now, !self.active)
    }
}
