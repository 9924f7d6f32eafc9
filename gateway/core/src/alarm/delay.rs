//! A condition that has held, or has ended, for long enough.

use std::time::Duration;

use crate::model::Uptime;

/// A condition behind an on-delay and an off-delay, on the monotonic clock.
#[derive(Clone, Debug)]
pub struct Delayed {
    on_delay: Duration,
    off_delay: Duration,
    active: bool,
    /// Since when the condition has held, as it was seen, whatever the delays say.
    holds_since: Option<Uptime>,
    /// Since when the condition has been other than `active`.
    since: Option<Uptime>,
    /// How long it had been so before that.
    credit: Duration,
    /// How long it had been so when a restart put it back, and when that was; counts once it is seen to be so still.
    resumed: Option<(Duration, Uptime)>,
}

impl Delayed {
    /// Not active, nothing running.
    pub const fn new(on_delay: Duration, off_delay: Duration) -> Self {
        Self {
            on_delay,
            off_delay,
            active: false,
            holds_since: None,
            since: None,
            credit: Duration::ZERO,
            resumed: None,
        }
    }

    /// Whether it has held for long enough and not yet ended for long enough.
    pub const fn active(&self) -> bool {
        self.active
    }

    /// Whether it held when it was seen last.
    pub const fn holds(&self) -> bool {
        self.holds_since.is_some()
    }

    /// Since when it has been seen to hold.
    pub const fn holds_since(&self) -> Option<Uptime> {
        self.holds_since
    }

    /// Since when a delay has been running.
    pub const fn since(&self) -> Option<Uptime> {
        self.since
    }

    /// How long a delay has been running; one that a restart put back counts until it is seen to be otherwise.
    pub fn running(&self, now: Uptime) -> Option<Duration> {
        let resumed = self.resumed.map(|(running, at)| running.saturating_add(now.since(at)));
        self.since.map(|since| now.since(since) + self.credit).or(resumed)
    }

    /// What a restart must know, but for how far a delay has come by itself.
    pub const fn stand(&self) -> (bool, bool) {
        (self.active, self.since.is_some() || self.resumed.is_some())
    }

    /// Sets it at `now` as it was before a restart; `running` is how long a delay has been running.
    pub fn set(&mut self, now: Uptime, active: bool, running: Option<Duration>) {
        self.stop();
        self.active = active;
        self.holds_since = active.then_some(now);
        self.resumed = running.map(|running| (running, now));
    }

    /// Begins anew: not active, and where the condition was seen to hold, its on-delay runs from now.
    pub fn start_over(&mut self, now: Uptime) {
        self.stop();
        self.active = false;
        self.since = self.holds_since.map(|_| now);
    }

    const fn stop(&mut self) {
        self.since = None;
        self.credit = Duration::ZERO;
        self.resumed = None;
    }

    /// Seen now: holds or not. True if that ends a delay. The first sighting starts the delay; the opposite stops it.
    pub fn update(&mut self, now: Uptime, holds: bool) -> bool {
        self.holds_since = self.holds_since.or(Some(now)).filter(|_| holds);
        if holds == self.active {
            self.stop();
            return false;
        }
        if let Some((running, at)) = self.resumed.take() {
            self.credit = running + now.since(at);
        }
        let since = *self.since.get_or_insert(now);
        if now.since(since) + self.credit < self.delay() {
            return false;
        }
        self.active = holds;
        self.stop();
        true
    }

    /// Nothing can be said now: a running delay starts over with the next sighting. Never a change.
    pub fn suspend(&mut self) -> bool {
        self.stop();
        false
    }

    /// When the running delay ends.
    pub fn due(&self) -> Option<Uptime> {
        self.since.map(|since| since.plus(self.delay().saturating_sub(self.credit)))
    }

    /// Time has passed with nothing new seen. True if that ends a delay.
    pub fn expire(&mut self, now: Uptime) -> bool {
        self.since.is_some() && self.update(now, !self.active)
    }

    const fn delay(&self) -> Duration {
        if self.active { self.off_delay } else { self.on_delay }
    }
}
