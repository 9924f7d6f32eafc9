//! What a panic leaves behind: a line in the log with where it was, a count, and, where it takes the process, its cause in
//! the record of starts. Knows which threads take the process: those of acquisition, store, watchdog and `main`, unless a
//! kept task runs on them.

use std::any::Any;
use std::cell::RefCell;
use std::panic::PanicHookInfo;
use std::pin::Pin;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, Once, PoisonError, TryLockError};
use std::task::{Context, Poll};

use sumpwarden_core::model::line::clean;

use super::starts::{End, Record};

/// Characters of what a panic said.
const WORDS_CHARS_MAX: usize = 200;

/// Threads whose panic takes the process.
const VITAL: [&str; 4] = ["main", "acquire", "store", "watchdog"];

/// Ends by which the process itself says that it cannot go on, as exit codes of `sysexits.h`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Fatal {
    /// A panic took a vital thread.
    Panicked,
    /// A loop stood still.
    Stuck,
}

impl Fatal {
    /// `EX_SOFTWARE`; `EX_UNAVAILABLE`.
    pub const fn code(self) -> u8 {
        match self {
            Self::Panicked => 70,
            Self::Stuck => 69,
        }
    }
}

thread_local! {
    /// The kept task that runs on this thread at present.
    static TASK: RefCell<Option<Arc<str>>> = const { RefCell::new(None) };
}

/// Where the cause of a crash is written down: the record of the daemon that runs in this process.
static RECORD: Mutex<Option<Record>> = Mutex::new(None);
static PANICS: AtomicU64 = AtomicU64::new(0);
static CRASHED: AtomicBool = AtomicBool::new(false);

/// Panics of this process so far, kept tasks and all else.
pub(super) fn count() -> u64 {
    PANICS.load(Ordering::Relaxed)
}

/// From now on panics go to the log, and those that take the process to the record.
pub fn watch() {
    static WATCHED: Once = Once::new();
    WATCHED.call_once(|| std::panic::set_hook(Box::new(note)));
}

/// Where causes are written down from now on.
pub(super) fn write_to(record: Record) {
    *RECORD.lock().unwrap_or_else(PoisonError::into_inner) = Some(record);
}

/// Whether a crash was told that takes the process.
pub fn has_crashed() -> bool {
    CRASHED.load(Ordering::Relaxed)
}

/// The process is about to end by `cause`. Waits for nobody: whoever holds the record is about to write as well.
pub(super) fn crashed(cause: &str) {
    CRASHED.store(true, Ordering::Relaxed);
    match RECORD.try_lock() {
        Ok(mut record) => end(record.as_mut(), End::Crashed(clean(cause, WORDS_CHARS_MAX))),
        Err(TryLockError::Poisoned(poisoned)) => {
            end(poisoned.into_inner().as_mut(), End::Crashed(clean(cause, WORDS_CHARS_MAX)));
        }
        Err(TryLockError::WouldBlock) => {}
    }
}

/// The daemon was told to end, or has a reason to that is none to worry about.
pub fn ended_cleanly() {
    end(RECORD.lock().unwrap_or_else(PoisonError::into_inner).as_mut(), End::Clean);
}

fn end(record: Option<&mut Record>, end: End) {
    if let Some(record) = record {
        record.end(end);
    }
}

fn note(info: &PanicHookInfo<'_>) {
    PANICS.fetch_add(1, Ordering::Relaxed);
    let words = words_of(info.payload());
    let place = info.location().map(ToString::to_string).unwrap_or_default();
    let task = TASK.try_with(|task| task.borrow().clone()).ok().flatten();
    let thread = std::thread::current();
    let thread = thread.name().unwrap_or("a thread without a name");
    if let Some(task) = task {
        tracing::error!(task = &*task, place, "panic: {words}");
        return;
    }
    if VITAL.contains(&thread) {
        crashed(&format!("panic in {thread}: {words} ({place})"));
    }
    tracing::error!(thread, place, "panic: {words}");
}

/// What a panic said, on one line.
pub(super) fn words_of(payload: &(dyn Any + Send)) -> String {
    let text = payload.downcast_ref::<&str>().copied();
    let text = text.or_else(|| payload.downcast_ref::<String>().map(String::as_str));
    clean(text.unwrap_or("no words"), WORDS_CHARS_MAX)
}

/// A task with a name that a panic in it is told by.
#[derive(Debug)]
pub(super) struct Named<F> {
    name: Arc<str>,
    task: Pin<Box<F>>,
}

impl<F: Future> Named<F> {
    pub(super) fn new(name: &Arc<str>, task: F) -> Self {
        Self { name: Arc::clone(name), task: Box::pin(task) }
    }
}

impl<F: Future> Future for Named<F> {
    type Output = F::Output;

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<F::Output> {
        let name = Arc::clone(&self.name);
        within(&name, || self.task.as_mut().poll(context))
    }
}

/// What a kept task has done for it outside of itself: a panic in it is told by the task's name.
pub(super) fn within<T>(name: &Arc<str>, work: impl FnOnce() -> T) -> T {
    let _running = Running(TASK.replace(Some(Arc::clone(name))));
    work()
}

/// Puts the thread's task back, also when the task panics: after the hook has run.
struct Running(Option<Arc<str>>);

impl Drop for Running {
    fn drop(&mut self) {
        TASK.set(self.0.take());
    }
}
