//! The store at the edge: one SQLite file, one writer thread, readers of their own.
//!
//! What comes in as [`Commit`]s is gathered for at most a second and written in one synced transaction: samples as one
//! row of fixed-width bytes, journal records, saved engine state and cursors with them. Only then do the [`Ack`]s go
//! back. (On a full disk in two: what must not wait, and the samples later.) Later, in small slices between commits, the writer packs old batches into chunks of one series each, keeps
//! hourly and daily rollups, joins small chunks into larger ones, and drops what is too old or too much.
//!
//! While the file cannot be written, commits wait in bounded memory and are tried again each second; polling goes on, and
//! messages go out from memory after a few seconds ([`outbox`]). On a full disk a reserve is given up to what must not
//! wait ([`reserve`]): alarms, messages and the journal are written, samples wait. A sync that failed is not trusted: the
//! window is written again and counts only after a checkpoint that has copied the log into the file and synced both. A
//! file that turns out damaged is renamed, never deleted, and a new one begun; one that has gone is written anew from
//! what is known ([`attach`]).
//!
//! It does not know what a probe, an alarm or a message is.

mod attach;
mod compact;
pub mod examine;
pub mod extract;
mod forward;
mod inbox;
mod outbox;
mod quiet;
mod reader;
mod records;
mod reserve;
mod retain;
mod revive;
mod salvage;
mod schema;
mod shelf;
pub mod snapshot;
mod undated;
mod writer;

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use sumpwarden_core::model::{Ack, Sample, SeriesIndex, Timestamp};
use sumpwarden_core::notify::{OutboxEntry, OutboxNews};
use sumpwarden_core::store::forward::{Delivered, ForwardTotals, Parked};
use sumpwarden_core::store::retention::DropReason;
use sumpwarden_core::store::settings::StoreSettings;
use sumpwarden_core::store::{JournalRecord, SeriesKey};
use tokio::sync::mpsc::UnboundedSender;
use tokio::sync::{Notify, watch};

pub use outbox::DONE_MAX as OUTBOX_DONE_MAX;
pub use reader::{Reader, Samples, TrendPoint};
pub use salvage::Salvage;
pub use schema::{FILE, SetAside};
pub use shelf::{Beside, HourlyFigures, Shelf};
pub use undated::{Believed, Doubted, UndatedPoints};

use super::data_files::STORE;
use super::precedence;
use super::pulse::Pulse;
use inbox::Inbox;
use writer::Writer;

/// What is to be kept together: all of it becomes durable in one transaction. On a full disk the samples follow in a later
/// one, and where memory for waiting is used up the oldest of them, or of the journal, are dropped.
#[derive(Debug, Default)]
pub struct Commit {
    /// Points of series.
    pub samples: Vec<Sample>,
    /// Points whose time came with them: it holds, also while the gateway does not believe its own clock.
    pub own_time: Vec<Sample>,
    /// Journal entries.
    pub journal: Vec<JournalRecord>,
    /// State to be found again after a restart, by key; the last one of a key stays.
    pub saved: Vec<(String, Vec<u8>)>,
    /// What receivers are to be told. A row that is there already, by receiver, key, sequence and action, stays as it is.
    pub outbox: Vec<OutboxEntry>,
    /// Given back once everything above is durable, or told as lost if something of it never comes to be.
    pub acks: Vec<Ack>,
    /// A state changed: write now rather than within a second.
    pub at_once: bool,
}

/// What the store tells those who opened it.
#[derive(Clone, PartialEq, Debug)]
pub enum StoreEvent {
    /// Everything submitted with these is durable.
    Durable(Vec<Ack>),
    /// Something submitted with these was dropped and never becomes durable.
    Lost(Vec<Ack>),
    /// Points are no longer held.
    Dropped(Dropped),
    /// A file could not be used and lies under another name; a fresh one is in use.
    SetAside(SetAside),
    /// Writing fails; commits wait in memory.
    Trouble(String),
    /// Writing works again.
    Recovered,
}

/// Points that are no longer held, or never were.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Dropped {
    /// Why.
    pub reason: DropReason,
    /// How many.
    pub count: u64,
    /// Earliest stamp among them.
    pub first_at: Timestamp,
    /// Latest stamp among them.
    pub last_at: Timestamp,
}

/// Counts of this run. At any moment `acquired = stored + dropped + pending`.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counters {
    /// Samples submitted.
    pub acquired: u64,
    /// Samples durable.
    pub stored: u64,
    /// Samples that never became durable, because memory for waiting was used up.
    pub dropped: u64,
    /// Samples not yet durable.
    pub pending: u64,
    /// Journal records that never became durable, because memory for waiting was used up.
    pub journal_dropped: u64,
}

/// How the store is.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct StoreStatus {
    /// Counts of this run.
    pub counters: Counters,
    /// Why writing fails at the moment.
    pub trouble: Option<String>,
    /// How often writing began to fail, or failed in another way, in this run.
    pub troubles: u64,
    /// Why writing failed last.
    pub last_trouble: Option<String>,
    /// Failed syncs in this run.
    pub syncs_failed: u64,
    /// Transactions made durable in this run.
    pub commits: u64,
    /// Number of the newest commit that holds samples; where a live reader begins.
    pub newest_seq: u64,
    /// Bytes in use.
    pub bytes: u64,
    /// 1.0 is when raw points begin to be dropped for want of space.
    pub fullness: f64,
    /// Points waiting in batches to be packed.
    pub unpacked: u64,
    /// Points that came while the clock was not believed.
    pub undated: UndatedPoints,
}

/// Why the store cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The directory cannot be made, read or locked.
    #[error(
        "data directory {path}: {source}; make it, let this user write in it, or name another one as `directory` under \
         [store]", path = path.display()
    )]
    Directory {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Another process has it.
    #[error("data directory {path} is in use by another instance; stop that one first", path = path.display())]
    InUse {
        /// Which.
        path: PathBuf,
    },
    /// Written by a later version.
    #[error(
        "{path} was written by a newer version (schema {version}, this program knows up to {known}); \
         use that version or another data directory", path = path.display()
    )]
    Newer {
        /// Which file.
        path: PathBuf,
        /// Its version.
        version: i32,
        /// The newest one known here.
        known: i32,
    },
    /// The thread cannot be started.
    #[error("cannot start the writer thread: {0}")]
    Thread(std::io::Error),
    /// The store has been closed.
    #[error("the store is closed")]
    Closed,
    /// Nothing to read there.
    #[error("{path}: {why}", path = path.display())]
    Unusable {
        /// Which file.
        path: PathBuf,
        /// Why not.
        why: String,
    },
    /// Anything else.
    #[error("store: {0}")]
    Sql(#[from] rusqlite::Error),
}

impl StoreError {
    /// Whether it says that the file itself is at fault.
    pub fn is_damage(&self) -> bool {
        matches!(self, Self::Sql(error) if schema::is_damage(error))
    }
}

/// Told how far long work has come: of what, how many, of how many.
pub type Progress<'a> = &'a dyn Fn(&str, u64, u64);

/// Samples waiting for the writer. Full: the oldest are dropped, counted and reported; the acks of what they came with are
/// told as lost, so that their senders deliver again. Longest wait: a second, unless the file cannot be written.
pub const WAITING_SAMPLES_MAX: usize = 200_000;
/// From so many on, a sender that can wait waits until the writer has taken them ([`Store::room`]).
const WAITING_SAMPLES_EASY: usize = WAITING_SAMPLES_MAX / 4;
/// Journal records waiting for the writer. Full: the oldest is dropped and counted, and the acks that came with it are lost.
pub const WAITING_JOURNAL_MAX: usize = 10_000;
/// Rows of the outbox waiting for the writer. Full: the oldest is dropped and counted as expired. Longest wait: they are
/// written at once, unless the file cannot be written.
pub const WAITING_OUTBOX_MAX: usize = 10_000;

/// A disk that takes so long for one transaction is told.
const HANGS_AFTER: Duration = Duration::from_secs(10);

/// Readers kept open between requests; more are opened and closed as needed.
const IDLE_READERS_MAX: usize = 4;

/// Handle on the store; clones share it. With the last one the store is closed.
#[derive(Clone, Debug)]
pub struct Store {
    shared: Arc<Shared>,
    _held: Arc<Held>,
}

/// Closes the store when nobody holds it any longer: else its writer would go on, and write its directory anew should that
/// be taken away.
#[derive(Debug)]
struct Held(Arc<Shared>);

impl Drop for Held {
    fn drop(&mut self) {
        self.0.close();
    }
}

/// What the writer and its clients share.
#[derive(Debug)]
struct Shared {
    directory: PathBuf,
    file: PathBuf,
    /// Goes up when another file takes the place of the old one: readers open again.
    generation: AtomicU64,
    inbox: Mutex<Inbox>,
    wake: Condvar,
    /// Told when the writer has taken what was waiting, and when it cannot write.
    taken: Notify,
    status: Mutex<StoreStatus>,
    news: watch::Sender<OutboxNews>,
    /// What a reader has found to be damaged.
    suspected: Mutex<Option<String>>,
    /// Whether rows that wait in memory are sent.
    released: watch::Sender<bool>,
    /// Since when the writer has waited for the disk; none while it does not.
    writing_since: Mutex<Option<Instant>>,
    /// Rises with every pass of the writer, also of one that cannot write.
    alive: Pulse,
    /// Rises with every pass that has written what it had to.
    written: Pulse,
    thread: Mutex<Option<JoinHandle<()>>>,
    readers: Mutex<Vec<Reader>>,
}

/// A panic of another thread has not left a half-made state behind any of these locks: each is held for a few moves.
fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A data directory that no daemon gets while this is held.
#[derive(Debug)]
pub struct Claim {
    _place: schema::Place,
}

impl Claim {
    /// Takes the lock of `directory`, which is made if it is not there.
    ///
    /// # Errors
    /// If a daemon has it, or it cannot be locked.
    pub fn take(directory: &Path) -> Result<Self, StoreError> {
        Ok(Self { _place: schema::Place::claim(directory)? })
    }
}

/// Says so if a daemon has `directory`; changes nothing.
///
/// # Errors
/// If one has it.
pub fn ask_whether_free(directory: &Path) -> Result<(), StoreError> {
    match quiet::is_running(&STORE.of(directory)) {
        true => Err(StoreError::InUse { path: directory.to_owned() }),
        false => Ok(()),
    }
}

/// What SQLite, or the store, keeps beside the file at `path`, by the end of its name.
fn beside(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    name.into()
}

/// The write-ahead log of the file at `path`.
fn log_of(path: &Path) -> PathBuf {
    beside(path, "-wal")
}

impl Store {
    /// Opens the store in `directory`, and makes it if there is none. `series` gives meaning to the indices in the
    /// samples; `events` never holds more than the acks that were submitted and one message a second.
    ///
    /// Where the directory is there but no file can be opened or made in it now, the store begins in memory, says so in its
    /// status, and goes on trying.
    pub fn open(
        directory: &Path,
        series: &[SeriesKey],
        settings: StoreSettings,
        events: UnboundedSender<StoreEvent>,
    ) -> Result<Self, StoreError> {
        let place = schema::Place::claim(directory)?;
        let shared = Arc::new(Shared::of(&place));
        let mut writer = Writer::open(place, series, settings, events, Arc::clone(&shared))?;
        let write = move || {
            precedence::step_back();
            writer.run();
        };
        let thread = std::thread::Builder::new().name("store".into()).spawn(write);
        *locked(&shared.thread) = Some(thread.map_err(StoreError::Thread)?);
        Ok(Self { _held: Arc::new(Held(Arc::clone(&shared))), shared })
    }

    /// Gives series numbers to count by in samples, those of `keys` in their order; a key that has one keeps it. For a new
    /// configuration, while samples of the old one go on coming.
    pub async fn know(&self, keys: Vec<SeriesKey>) -> Result<Vec<SeriesIndex>, StoreError> {
        let (reply, answer) = tokio::sync::oneshot::channel();
        self.ask(|inbox| inbox.naming.push((keys, reply)))?;
        answer.await.map_err(|_| StoreError::Closed)
    }

    /// The clock is not believed: what is submitted from now on is kept apart until it is.
    pub fn doubt(&self, doubted: Doubted) {
        locked(&self.shared.inbox).doubt(doubted);
    }

    /// The clock is believed: what is submitted from now on carries its time, and what came before is given it.
    pub fn believe(&self, believed: Believed) {
        locked(&self.shared.inbox).believe(believed);
        self.shared.wake.notify_one();
    }

    /// Hands over `commit`. Never waits for the disk.
    ///
    /// # Panics
    /// If a sample's series is not in the list that the store was opened with.
    pub fn submit(&self, commit: Commit) {
        let told = !commit.outbox.is_empty();
        let mut inbox = locked(&self.shared.inbox);
        if inbox.accept(commit, Instant::now()) {
            self.shared.wake.notify_one();
        }
        if told && inbox.book.is_released() {
            self.shared.tell_outbox();
        }
        // The writer itself may hang in a disk that does not answer.
        self.shared.release_late(&mut inbox);
    }

    /// Completes once few samples wait, so that a fast sender goes at the pace of the disk instead of having its oldest
    /// samples dropped. At once where the file cannot be written: then memory has to do, however long.
    pub async fn room(&self) {
        loop {
            let taken = self.shared.taken.notified();
            if self.shared.has_room() {
                return;
            }
            taken.await;
        }
    }

    /// Waits until everything submitted before is durable.
    pub fn flush(&self) -> Result<(), StoreError> {
        let (reply, answer) = std::sync::mpsc::channel();
        self.ask(|inbox| inbox.flushes.push(reply))?;
        answer.recv().map_err(|_| StoreError::Closed)
    }

    fn ask(&self, put: impl FnOnce(&mut Inbox)) -> Result<(), StoreError> {
        let mut inbox = locked(&self.shared.inbox);
        if inbox.closed {
            return Err(StoreError::Closed);
        }
        put(&mut inbox);
        inbox.at_once = true;
        drop(inbox);
        self.shared.wake.notify_one();
        Ok(())
    }

    /// How the store is.
    pub fn status(&self) -> StoreStatus {
        let mut status = locked(&self.shared.status).clone();
        status.counters = locked(&self.shared.inbox).counters;
        status.counters.pending = status.counters.acquired - status.counters.stored - status.counters.dropped;
        let hangs = locked(&self.shared.writing_since).filter(|since| since.elapsed() >= HANGS_AFTER);
        if let Some(since) = hangs.filter(|_| status.trouble.is_none()) {
            status.trouble = Some(format!("the disk has not answered for {} s", since.elapsed().as_secs()));
        }
        status
    }

    /// Bytes free to it on its disk; plenty where the system does not say.
    pub fn free_bytes(&self) -> u64 {
        retain::bytes_free(&self.shared.directory)
    }

    /// Whether there is, or was in this run, a file that could be opened.
    pub fn has_file(&self) -> bool {
        self.shared.generation() > 0
    }

    /// Rises with every pass of the writer's loop, also while it cannot write.
    pub fn pulse(&self) -> &Pulse {
        &self.shared.alive
    }

    /// Rises while what is to be written gets written.
    pub fn written(&self) -> &Pulse {
        &self.shared.written
    }

    /// Whether the writer thread has ended, by itself or because the store was closed.
    pub fn has_ended(&self) -> bool {
        locked(&self.shared.thread).as_ref().is_none_or(JoinHandle::is_finished)
    }

    /// A reader with a connection of its own.
    pub fn reader(&self) -> Result<Reader, StoreError> {
        Reader::open(Arc::clone(&self.shared))
    }

    /// Where the store lies.
    pub fn directory(&self) -> &Path {
        &self.shared.directory
    }

    /// Writes what is waiting and stops the writer. Waits for it, at most a few seconds where writing fails.
    pub fn close(&self) {
        self.shared.close();
    }
}

impl Shared {
    fn of(place: &schema::Place) -> Self {
        Self {
            directory: place.directory().to_owned(),
            file: place.file(),
            generation: AtomicU64::new(0),
            inbox: Mutex::new(Inbox::default()),
            wake: Condvar::new(),
            taken: Notify::new(),
            status: Mutex::new(StoreStatus::default()),
            news: watch::Sender::default(),
            suspected: Mutex::default(),
            released: watch::Sender::default(),
            writing_since: Mutex::default(),
            alive: Pulse::default(),
            written: Pulse::default(),
            thread: Mutex::new(None),
            readers: Mutex::new(Vec::new()),
        }
    }

    fn close(&self) {
        locked(&self.inbox).closing = true;
        self.wake.notify_one();
        locked(&self.readers).clear();
        let thread = locked(&self.thread).take();
        if thread.is_some_and(|thread| thread.join().is_err()) {
            tracing::error!("the store's writer thread panicked");
        }
    }

    fn has_room(&self) -> bool {
        let easy = {
            let inbox = locked(&self.inbox);
            inbox.waiting() <= WAITING_SAMPLES_EASY || inbox.closed
        };
        easy || locked(&self.status).trouble.is_some()
    }

    fn generation(&self) -> u64 {
        self.generation.load(Ordering::Acquire)
    }

    /// A reader of the file of `generation` has met `error`: where that says that the file is damaged, the writer sets it aside.
    fn suspect(&self, generation: u64, error: &StoreError) {
        if error.is_damage() && generation == self.generation() {
            *locked(&self.suspected) = Some(error.to_string());
            self.wake.notify_one();
        }
    }

    fn note_writing(&self, writes: bool) {
        *locked(&self.writing_since) = writes.then(Instant::now);
    }
}

impl Store {
    /// Records what a forwarder has delivered, set aside or passed over; gives where it stands once that is durable.
    async fn step(&self, step: forward::Step) -> Result<ForwardTotals, StoreError> {
        let (reply, answer) = tokio::sync::oneshot::channel();
        self.ask(|inbox| inbox.steps.push((step, reply)))?;
        answer.await.map_err(|_| StoreError::Closed)
    }

    /// Where forwarder `name` stands; one that is new owes everything that is held.
    pub async fn forward_begin(&self, name: &str) -> Result<ForwardTotals, StoreError> {
        self.step(forward::Step { name: name.to_owned(), ..Default::default() }).await
    }

    /// Makes what is owed so far a backlog of its own, so that live points need not wait behind it.
    pub async fn forward_split(&self, name: &str) -> Result<ForwardTotals, StoreError> {
        self.step(forward::Step { name: name.to_owned(), split: true, ..Default::default() }).await
    }

    /// Records what became of the points of a stretch.
    pub async fn forward_delivered(&self, name: &str, done: Delivered) -> Result<ForwardTotals, StoreError> {
        self.step(forward::Step { name: name.to_owned(), delivered: Some(done), ..Default::default() }).await
    }

    /// Journal records before number `to` are done with; `parked` are lines of them that were refused for good.
    pub async fn forward_journal(
        &self,
        name: &str,
        to: i64,
        parked: Vec<Parked>,
    ) -> Result<ForwardTotals, StoreError> {
        let journal = Some((to, parked));
        self.step(forward::Step { name: name.to_owned(), journal, ..Default::default() }).await
    }

    /// Runs `work` with a reader on a thread where it may wait for the disk. Readers are kept for the next one.
    pub async fn read<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Reader) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        let store = self.clone();
        let task = tokio::task::spawn_blocking(move || {
            let idle = locked(&store.shared.readers).pop();
            let mut reader = idle.map_or_else(|| store.reader(), Ok)?;
            let found = work(&mut reader);
            if let Err(error) = &found {
                store.shared.suspect(reader.generation(), error);
            }
            let found = found?;
            let mut readers = locked(&store.shared.readers);
            if readers.len() < IDLE_READERS_MAX {
                readers.push(reader);
            }
            Ok(found)
        });
        task.await.map_err(|_| StoreError::Closed)?
    }
}

#[cfg(test)]
mod tests;
