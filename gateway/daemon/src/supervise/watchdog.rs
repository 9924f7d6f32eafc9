//! A thread of its own that looks once a second whether every loop that must go on goes on.
//!
//! It counts its own looks, not the time: a process that was stopped, a machine that was paused or had no time for this
//! program had none for the looks either. While every loop goes on, the service manager gets its sign of life. A loop that
//! stands still for [`LOOKS_MAX`] looks is named in the log and the process ends, so that it is started anew.

use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::LOOK_EVERY;
use super::panics::{self, Fatal};
use super::parts::Watched;
use super::systemd::Manager;
use crate::faults;
use std::sync::{Arc, Mutex, PoisonError};

/// A loop beats every few seconds at least; one that has stood still for so many looks gets no sign of life sent.
const LOOKS_QUIET: u32 = 10;
/// For so many, it is stuck. A sync of a slow card takes five seconds, starvation ten.
const LOOKS_MAX: u32 = 20;
/// How long the last words may take: the log or the disk may be what hangs.
const LAST_WORDS_MAX: Duration = Duration::from_secs(2);

/// For how many looks each loop has stood still.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
struct Looks {
    last: Vec<Option<u64>>,
    still: Vec<u32>,
}

/// What a look comes to.
#[derive(Clone, PartialEq, Eq, Debug)]
enum Verdict {
    /// Everything goes on.
    Alive,
    /// Something stands still, maybe for a reason.
    Doubtful,
    /// These have stood still for so many looks, and the process is to end.
    Stuck(Vec<(usize, u32)>),
}

impl Looks {
    /// One look at the counts; one that is none is not expected to go on.
    fn look(&mut self, counts: &[Option<u64>]) -> Verdict {
        self.still.resize(counts.len(), 0);
        self.last.resize(counts.len(), None);
        for ((still, last), count) in self.still.iter_mut().zip(&mut self.last).zip(counts) {
            let stands = count.is_some() && *last == *count;
            *still = if stands { *still + 1 } else { 0 };
            *last = *count;
        }
        let longest = self.still.iter().copied().max().unwrap_or(0);
        if longest >= LOOKS_MAX {
            // Whatever else has stopped meanwhile stopped because of it, or for the same reason.
            let stuck = (0..).zip(&self.still).filter(|(_, still)| **still >= LOOKS_QUIET);
            return Verdict::Stuck(stuck.map(|(at, still)| (at, *still)).collect());
        }
        if longest >= LOOKS_QUIET { Verdict::Doubtful } else { Verdict::Alive }
    }

    /// Those that have stood still for long enough to be doubted.
    fn quiet(&self) -> impl Iterator<Item = usize> {
        self.still.iter().enumerate().filter(|(_, still)| **still >= LOOKS_QUIET).map(|(at, _)| at)
    }
}

/// When it was looked last, and names of what stood still then; none before the first look.
type LastLook = Option<(Instant, Vec<String>)>;

/// What stands still, as of the last look; clones are the same.
#[derive(Clone, Debug, Default)]
pub(super) struct Quiet(Arc<Mutex<LastLook>>);

impl Quiet {
    fn note(&self, names: Vec<String>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some((Instant::now(), names));
    }

    /// Names of the loops that stand still; the watchdog itself where it has not looked for as long.
    pub(super) fn names(&self) -> Vec<String> {
        match &*self.0.lock().unwrap_or_else(PoisonError::into_inner) {
            Some((at, names)) if at.elapsed() < LOOK_EVERY * LOOKS_QUIET => names.clone(),
            Some(_) => vec!["watchdog".to_owned()],
            // It has just begun.
            None => Vec::new(),
        }
    }
}

/// The running watchdog; it ends with this, and with a [`Watchdog::stand_down`].
#[derive(Debug)]
pub(super) struct Watchdog {
    stop: Sender<()>,
    thread: JoinHandle<()>,
}

impl Watchdog {
    /// Watches from now on.
    pub(super) fn start(watched: Watched, manager: Arc<Manager>, quiet: Quiet) -> std::io::Result<Self> {
        let (stop, stopped) = channel();
        let watching = move || watch(&watched, &manager, &quiet, &stopped);
        let thread = std::thread::Builder::new().name("watchdog".into()).spawn(watching)?;
        Ok(Self { stop, thread })
    }

    /// The daemon has begun to stop: loops end now. Until [`Watchdog::end`], it is the stop that must come to an end.
    pub(super) fn stand_down(&self) {
        // It has ended by itself only with the process.
        let _ = self.stop.send(());
    }

    /// Whether its thread is no more.
    pub(super) fn has_ended(&self) -> bool {
        self.thread.is_finished()
    }

    /// Everything has stopped.
    pub(super) fn end(self) {
        drop(self.stop);
        if self.thread.join().is_err() {
            tracing::error!("the watchdog has panicked");
        }
    }
}

fn watch(watched: &Watched, manager: &Manager, quiet: &Quiet, stopped: &Receiver<()>) {
    let mut looks = Looks::default();
    loop {
        match stopped.recv_timeout(LOOK_EVERY) {
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return,
            Ok(()) => return watch_stop(stopped),
        }
        faults::point("watchdog");
        let watched = watched.all();
        let counts: Vec<_> = watched.iter().map(|one| (one.count)()).collect();
        let verdict = looks.look(&counts);
        quiet.note(looks.quiet().map(|at| watched[at].name.clone()).collect());
        match verdict {
            Verdict::Alive => manager.alive(),
            Verdict::Doubtful => {}
            Verdict::Stuck(stuck) => {
                let name = |(at, still): (usize, u32)| format!("{} for {still} s", watched[at].name);
                bite(stuck.into_iter().map(name).collect::<Vec<_>>().join(", "));
            }
        }
    }
}

fn watch_stop(stopped: &Receiver<()>) {
    for _ in 0..LOOKS_MAX {
        match stopped.recv_timeout(LOOK_EVERY) {
            Err(RecvTimeoutError::Disconnected) => return,
            Err(RecvTimeoutError::Timeout) | Ok(()) => {}
        }
    }
    bite(format!("stop for {LOOKS_MAX} s"));
}

/// Writes down what hangs, says so in the log, and ends the process; a disk or a log that hangs is not waited for.
fn bite(stuck: String) -> ! {
    let (done, said) = channel();
    let last_words = std::thread::Builder::new().spawn(move || {
        tracing::error!(stuck, "these loops stand still; ending so that the daemon is started anew");
        panics::crashed(&format!("stuck: {stuck}"));
        // The watchdog may have waited for long enough.
        let _ = done.send(());
    });
    if last_words.is_ok() {
        let _ = said.recv_timeout(LAST_WORDS_MAX);
    }
    std::process::exit(Fatal::Stuck.code().into());
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Looks at two loops; `counts` gives their counts at each look.
    fn after(looks: u32, counts: impl Fn(u32) -> [Option<u64>; 2]) -> Vec<Verdict> {
        let mut watching = Looks::default();
        (0..looks).map(|look| watching.look(&counts(look))).collect()
    }

    #[test]
    fn who_stands_still_for_twenty_looks_is_named_and_nobody_before() {
        let verdicts = after(30, |look| [Some(u64::from(look)), Some(u64::from(look.min(5)))]);
        let quiet = 5 + LOOKS_QUIET as usize;
        assert!(verdicts[..quiet].iter().all(|v| *v == Verdict::Alive), "{verdicts:?}");
        assert!(verdicts[quiet..5 + 20].iter().all(|v| *v == Verdict::Doubtful), "{verdicts:?}");
        assert_eq!(verdicts[5 + 20], Verdict::Stuck(vec![(1, 20)]));
    }

    #[test]
    fn one_that_beats_every_few_seconds_is_alive_for_ever() {
        let verdicts = after(1_000, |look| [Some(u64::from(look / 9)), Some(u64::from(look))]);
        assert!(verdicts.iter().all(|v| *v == Verdict::Alive));
    }

    #[test]
    fn one_that_rests_is_not_missed_and_one_that_starts_late_is_not_blamed() {
        let verdicts = after(100, |look| [None, (look >= 50).then(|| u64::from(look))]);
        assert!(verdicts.iter().all(|v| *v == Verdict::Alive));
    }

    #[test]
    fn what_stopped_with_it_is_named_with_it() {
        let verdicts = after(30, |look| [Some(u64::from(look.min(2))), Some(u64::from(look.min(4)))]);
        assert_eq!(verdicts[22], Verdict::Stuck(vec![(0, 20), (1, 18)]));
    }
}
