//! Keeps a task running: one that panics, or ends though nobody told it to, is counted, told as an alarm, and started again
//! after a growing wait. After three such ends within ten minutes it is left away until the daemon is started anew, and
//! everything else goes on; where it is vital, the process ends.

use std::collections::{BTreeMap, VecDeque};
use std::hash::{BuildHasher, RandomState};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use sumpwarden_core::acquire::Backoff;
use sumpwarden_core::alarm::condition::Fault;
use sumpwarden_core::alarm::settings::FaultKey;
use sumpwarden_core::model::Uptime;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

use super::acquisition::FaultNews;
use super::panics::{self, Named, words_of};
use super::parts::{Part, PartHeld};
use crate::config::tasks::VITAL;
use crate::edge::clock::Clock;
use crate::edge::pulse::Pulse;

/// So long without another crash, and the task runs well; so many within that, and it is left away (common practice, no
/// source).
const WELL_AFTER: Duration = Duration::from_mins(10);
const CRASHES_MAX: usize = 3;
/// First and longest wait before a task is started again.
const AGAIN: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(30));

/// How a task shows that ended without a panic.
const ENDED: &str = "it ended though it was not told to";

/// When a task has crashed lately, and what follows.
#[derive(Debug)]
struct Lately {
    crashes: VecDeque<Uptime>,
    backoff: Backoff,
}

/// What becomes of a task that has crashed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Then {
    /// It is started again after this.
    Again(Duration),
    /// It is left away.
    LeftAway,
}

impl Lately {
    fn new(seed: u64) -> Self {
        Self { crashes: VecDeque::new(), backoff: Backoff::new(AGAIN.0, AGAIN.1, seed) }
    }

    fn crashed(&mut self, now: Uptime) -> Then {
        while self.crashes.pop_front_if(|then| now.since(*then) >= WELL_AFTER).is_some() {}
        if self.crashes.is_empty() {
            self.backoff.reset();
        }
        self.crashes.push_back(now);
        if self.crashes.len() >= CRASHES_MAX {
            return Then::LeftAway;
        }
        Then::Again(self.backoff.next_wait())
    }
}

/// What the page and whoever collects metrics are told of crashes.
#[derive(Clone, Debug, Default)]
pub(super) struct Ledger(Arc<Mutex<Crashes>>);

#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(super) struct Crashes {
    /// Crashes of each task.
    pub(super) of_task: BTreeMap<String, u64>,
    /// What is left away and why, in words; nothing while everything runs.
    pub(super) reduced: Vec<String>,
    /// What cannot be left away cannot be kept.
    lost: bool,
}

impl Ledger {
    pub(super) fn view(&self) -> Crashes {
        self.lock().clone()
    }

    /// Something is left away.
    pub(super) fn leave_away(&self, words: String) {
        self.lock().reduced.push(words);
    }

    /// Whether something that is vital cannot be kept.
    pub(super) fn has_lost(&self) -> bool {
        self.lock().lost
    }

    fn note(&self, task: &str) -> u64 {
        let mut crashes = self.lock();
        let count = crashes.of_task.entry(task.to_owned()).or_default();
        *count += 1;
        *count
    }

    fn lock(&self) -> MutexGuard<'_, Crashes> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What keepers share.
#[derive(Clone, Debug)]
pub(super) struct Keeper {
    pub(super) clock: Clock,
    pub(super) ledger: Ledger,
    pub(super) news: mpsc::Sender<FaultNews>,
    pub(super) stop: watch::Receiver<bool>,
}

impl Keeper {
    /// One for a part that can be stopped by itself, with what stops it and what the part holds while it runs.
    pub(super) fn apart(&self) -> (Part, Self, PartHeld) {
        let (part, stop, held) = Part::new(&self.stop);
        (part, Self { stop, ..self.clone() }, held)
    }

    /// Runs what `make` makes until the daemon stops. `spawn` puts it on its runtime.
    pub(super) async fn keep<F: Future<Output = ()>>(
        mut self,
        key: FaultKey,
        pulse: Option<Pulse>,
        mut make: impl FnMut() -> F,
        spawn: impl Fn(Named<F>) -> JoinHandle<()>,
    ) {
        let name: Arc<str> = key.of.as_str().into();
        let mut lately = Lately::new(RandomState::new().hash_one(&name));
        let pulse = pulse.unwrap_or_default();
        while let Some(words) = self.once(&key, &name, &mut make, &spawn).await {
            let count = self.ledger.note(&name);
            match lately.crashed(self.clock.uptime()) {
                Then::Again(wait) => {
                    let crash = "a task has crashed; it is started again";
                    tracing::error!(task = &*name, count, ?wait, words, "{crash}");
                    self.tell(&key, Some(words)).await;
                    tokio::select! {
                        _ = self.stop.wait_for(|stop| *stop) => break,
                        () = pulse.during(tokio::time::sleep(wait)) => {}
                    }
                }
                Then::LeftAway => {
                    let crash = "a task has crashed again and again; it is left away";
                    tracing::error!(task = &*name, count, words, "{crash}");
                    pulse.rest();
                    if *name == *VITAL {
                        self.lose(&name, &words);
                    }
                    self.leave_away(&key, &words).await;
                    let _ = self.stop.wait_for(|stop| *stop).await;
                    break;
                }
            }
        }
        pulse.rest();
    }

    /// Makes and runs a task; gives how it shows that it crashed, none where the daemon stops.
    async fn once<F: Future<Output = ()>>(
        &mut self,
        key: &FaultKey,
        name: &Arc<str>,
        make: &mut impl FnMut() -> F,
        spawn: &impl Fn(Named<F>) -> JoinHandle<()>,
    ) -> Option<String> {
        let making = AssertUnwindSafe(|| panics::within(name, &mut *make));
        let task = match catch_unwind(making) {
            Ok(task) => Named::new(name, task),
            Err(panic) => return Some(words_of(&*panic)),
        };
        let panicked = self.run(key, spawn(task)).await;
        panicked.or_else(|| (!self.is_stopping()).then(|| ENDED.to_owned()))
    }

    fn is_stopping(&self) -> bool {
        // Who could tell to stop has gone: that is an end as well.
        *self.stop.borrow() || self.stop.has_changed().is_err()
    }

    /// Waits for the end of a task; gives what it said if it panicked. One that has run well for long enough is told.
    async fn run(&mut self, key: &FaultKey, mut running: JoinHandle<()>) -> Option<String> {
        let ended = tokio::select! {
            ended = &mut running => ended,
            () = tokio::time::sleep(WELL_AFTER) => {
                // Its alarm may stand since before the daemon was started anew.
                self.tell(key, None).await;
                running.await
            }
        };
        ended.err().and_then(|error| error.try_into_panic().ok()).map(|panic| words_of(&*panic))
    }

    /// The process is to end: [`super::Running::lost`] looks for it.
    fn lose(&self, name: &str, words: &str) {
        panics::crashed(&format!("{name} has crashed again and again: {words}"));
        self.ledger.lock().lost = true;
    }

    async fn leave_away(&self, key: &FaultKey, words: &str) {
        let left = format!("{} is left away until the gateway is started anew: {words}", key.of);
        self.tell(key, Some(format!("{words}; it is left away until the gateway is started anew"))).await;
        self.ledger.leave_away(left);
        let all = self.ledger.view().reduced.join("; ");
        self.tell(&FaultKey::own(Fault::Reduced), Some(all)).await;
    }

    async fn tell(&self, key: &FaultKey, shows: Option<String>) {
        // The engine has ended: so will everything else.
        let _ = self.news.send(FaultNews { key: key.clone(), shows }).await;
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicU32, Ordering};

    use super::*;

    fn at(second: u64) -> Uptime {
        Uptime::default().plus(Duration::from_secs(second))
    }

    #[test]
    fn the_third_crash_within_ten_minutes_is_the_last() {
        for (crashes, left_away_at) in [
            (&[0, 1, 2][..], Some(2)),
            (&[0, 300, 599], Some(2)),
            (&[0, 300, 601], None),
            (&[0, 601, 1_202, 1_803], None),
            (&[0, 500, 650, 700], Some(3)),
        ] {
            let mut lately = Lately::new(1);
            let then: Vec<Then> = crashes.iter().map(|second| lately.crashed(at(*second))).collect();
            assert_eq!(then.iter().position(|then| *then == Then::LeftAway), left_away_at, "{crashes:?}");
            for then in then {
                let Then::Again(wait) = then else { break };
                assert!(wait <= AGAIN.1, "{wait:?}");
            }
        }
    }

    /// A way to fail.
    #[derive(Clone, Copy)]
    enum Fails {
        Panicking,
        Ending,
        BeforeItRuns,
    }

    type Kept = (mpsc::Receiver<FaultNews>, Ledger, watch::Sender<bool>, Arc<AtomicU32>, Pulse);

    /// A kept task that panics at its first `panics` starts and then runs until it is stopped.
    fn kept(panics: u32) -> Kept {
        kept_as("page", Fails::Panicking, panics)
    }

    /// A kept task that fails so at its first `times` starts and then runs until it is stopped.
    fn kept_as(kind: &str, fails: Fails, times: u32) -> Kept {
        let (news, told) = mpsc::channel(16);
        let (stop, stopping) = watch::channel(false);
        let (ledger, starts, pulse) = (Ledger::default(), Arc::new(AtomicU32::new(0)), Pulse::default());
        let keeper = Keeper { clock: Clock, ledger: ledger.clone(), news, stop: stopping.clone() };
        let count = Arc::clone(&starts);
        let make = move || {
            let start = count.fetch_add(1, Ordering::Relaxed);
            let well = start >= times;
            assert!(well || !matches!(fails, Fails::BeforeItRuns), "start {start} was not made");
            let mut stopping = stopping.clone();
            async move {
                assert!(well || !matches!(fails, Fails::Panicking), "start {start} was not to be");
                if well {
                    let _ = stopping.wait_for(|stop| *stop).await;
                }
            }
        };
        tokio::spawn(keeper.keep(FaultKey::task(kind, None), Some(pulse.clone()), make, tokio::spawn));
        (told, ledger, stop, starts, pulse)
    }

    #[tokio::test(start_paused = true)]
    async fn a_task_that_ends_by_itself_or_cannot_be_made_has_crashed() {
        for (fails, words) in [(Fails::Ending, ENDED), (Fails::BeforeItRuns, "start 0 was not made")] {
            let (mut told, ledger, stop, starts, _) = kept_as("page", fails, 1);
            assert_eq!(told.recv().await.expect("told").shows.as_deref(), Some(words));
            assert_eq!(told.recv().await.expect("told").shows, None, "it runs well since");
            assert_eq!((starts.load(Ordering::Relaxed), ledger.view().of_task["page"]), (2, 1));
            stop.send_replace(true);
            assert_eq!(told.recv().await, None, "told to end, it may");
            assert_eq!(ledger.view().of_task["page"], 1);
        }
    }

    #[tokio::test(start_paused = true)]
    async fn only_a_vital_task_that_cannot_be_kept_is_lost() {
        for (kind, times, lost) in [("page", 3, false), (VITAL, 2, false), (VITAL, 3, true)] {
            let (mut told, ledger, _stop, starts, _) = kept_as(kind, Fails::Panicking, times);
            for _ in 0..=times {
                told.recv().await.expect("told");
            }
            assert_eq!((ledger.has_lost(), starts.load(Ordering::Relaxed)), (lost, 3), "{kind} {times}");
        }
    }

    #[tokio::test(start_paused = true)]
    async fn a_task_that_panics_is_told_started_again_and_well_after_ten_minutes() {
        let (mut told, ledger, stop, starts, pulse) = kept(2);
        for start in 0..2 {
            let news = told.recv().await.expect("told");
            assert_eq!(news.key.name(), "task/page");
            assert_eq!(news.shows, Some(format!("start {start} was not to be")));
        }
        assert_eq!(told.recv().await.expect("told").shows, None, "after ten minutes");
        assert_eq!(starts.load(Ordering::Relaxed), 3);
        assert_eq!(ledger.view(), Crashes { of_task: [("page".to_owned(), 2)].into(), ..Crashes::default() });
        assert!(pulse.passes().is_some(), "expected to go on");
        stop.send_replace(true);
        assert_eq!(told.recv().await, None, "the keeper ends with its task");
        assert_eq!(pulse.passes(), None);
    }

    #[tokio::test(start_paused = true)]
    async fn a_task_that_panics_thrice_is_left_away_and_said_to_be() {
        let (mut told, ledger, _stop, starts, pulse) = kept(u32::MAX);
        let mut all = Vec::new();
        for _ in 0..4 {
            all.push(told.recv().await.expect("told"));
        }
        assert!(all[2].shows.as_ref().is_some_and(|shows| shows.contains("left away until")), "{all:?}");
        assert_eq!(all[3].key, FaultKey::own(Fault::Reduced));
        assert!(all[3].shows.as_ref().is_some_and(|shows| shows.starts_with("page is left away")), "{all:?}");
        tokio::time::sleep(Duration::from_hours(5)).await;
        assert_eq!(starts.load(Ordering::Relaxed), 3, "not started again");
        assert_eq!((ledger.view().reduced.len(), pulse.passes()), (1, None));
    }
}
