//! Until when a bus may be polled that another box may poll as well.
//!
//! The instant is looked at before every request, so that polling ends by itself when nobody moves it on: whoever agrees with
//! the other box may hang, crash or be starved, and the bus is free in time all the same.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use sumpwarden_core::model::Uptime;
use tokio::sync::Notify;

/// A gate before one bus; open for ever unless somebody sets it.
#[derive(Debug)]
pub struct Gate {
    until: AtomicU64,
    shared: AtomicBool,
    in_use: AtomicBool,
    moved: Notify,
}

impl Default for Gate {
    fn default() -> Self {
        Self {
            until: AtomicU64::new(u64::MAX),
            shared: AtomicBool::new(false),
            in_use: AtomicBool::new(false),
            moved: Notify::new(),
        }
    }
}

impl Gate {
    /// Requests may begin before `until` from now on.
    pub fn set(&self, until: Uptime) {
        self.shared.store(true, Ordering::SeqCst);
        if self.until.swap(until.as_nanos(), Ordering::SeqCst) != until.as_nanos() {
            self.moved.notify_one();
        }
    }

    /// Before when requests may begin.
    pub fn until(&self) -> Uptime {
        Uptime::from_nanos(self.until.load(Ordering::SeqCst))
    }

    /// Whether a connection stands, or a late reply may still come.
    pub fn is_in_use(&self) -> bool {
        self.in_use.load(Ordering::SeqCst)
    }

    /// Whether another box may poll the bus at all.
    pub(super) fn is_shared(&self) -> bool {
        self.shared.load(Ordering::SeqCst)
    }

    pub(super) fn is_open(&self, now: Uptime) -> bool {
        now < self.until()
    }

    pub(super) fn use_it(&self, in_use: bool) {
        self.in_use.store(in_use, Ordering::SeqCst);
    }

    /// Completes when the instant was moved since the last time somebody waited.
    pub(super) async fn moved(&self) {
        self.moved.notified().await;
    }
}
