//! A count that rises with every pass through a loop, so that whoever looks sees that the loop lives.
//!
//! A loop beats for itself, in its own task and on its own way round, never another for it. Where one pass waits for long
//! on something that ends by itself (a time-out, a back-off, the store, which has a pulse of its own), it waits
//! [`Pulse::during`] it.

use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use tokio::time::{Instant, sleep_until};

/// A loop passes at least so often, whatever it waits for.
pub const BEAT_EVERY: Duration = Duration::from_secs(4);

/// The count of one loop; clones are the same count.
#[derive(Clone, Debug, Default)]
pub struct Pulse(Arc<Count>);

#[derive(Debug, Default)]
struct Count {
    passes: AtomicU64,
    resting: AtomicBool,
}

impl Pulse {
    /// One more pass.
    pub fn beat(&self) {
        self.0.passes.fetch_add(1, Ordering::Relaxed);
    }

    /// The loop has ended, and is not expected to pass again.
    pub fn rest(&self) {
        self.0.resting.store(true, Ordering::Relaxed);
    }

    /// Passes so far; none where no further one is expected.
    pub fn passes(&self) -> Option<u64> {
        (!self.0.resting.load(Ordering::Relaxed)).then(|| self.0.passes.load(Ordering::Relaxed))
    }

    /// Waits for what ends by itself, and beats meanwhile.
    pub async fn during<F: Future>(&self, wait: F) -> F::Output {
        let mut wait = pin!(wait);
        loop {
            self.beat();
            tokio::select! {
                biased;
                done = &mut wait => return done,
                () = sleep_until(Instant::now() + BEAT_EVERY) => {}
            }
        }
    }
}

/// Something that must go on: its name and a count that rises while it does.
#[derive(Clone)]
pub struct Progress {
    /// For the log.
    pub name: String,
    /// The count; none where it is not expected to go on.
    pub count: Arc<dyn Fn() -> Option<u64> + Send + Sync>,
}

impl Progress {
    /// That of a pulse.
    pub fn of(name: impl Into<String>, pulse: &Pulse) -> Self {
        let pulse = pulse.clone();
        Self { name: name.into(), count: Arc::new(move || pulse.passes()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn it_beats_while_it_waits_and_rests_when_told() {
        let pulse = Pulse::default();
        pulse.during(tokio::time::sleep(Duration::from_secs(21))).await;
        assert_eq!(pulse.passes(), Some(6), "at once and every four seconds");
        pulse.rest();
        assert_eq!(pulse.passes(), None);
    }
}
