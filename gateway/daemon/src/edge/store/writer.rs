//! The writer thread: gathers, commits, tries again, and uses the time between for packing and dropping.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::mpsc::Sender;
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use rusqlite::{Connection, ErrorCode, TransactionBehavior, params};
use sumpwarden_core::model::{Ack, Timestamp};
use sumpwarden_core::notify::Mark;
use sumpwarden_core::store::batch::{Batch, BatchWriter};
use sumpwarden_core::store::forward::ForwardTotals;
use sumpwarden_core::store::retention::DropReason;
use sumpwarden_core::store::settings::StoreSettings;
use sumpwarden_core::store::stamp::Stamps;
use sumpwarden_core::store::{JournalRecord, Point, SeriesId, SeriesKey};
use tokio::sync::mpsc::UnboundedSender;
use tokio::sync::oneshot;

use super::compact::Compactor;
use super::forward::{self, Forwarders, Step};
use super::outbox::{self, Waiting};
use super::retain::Retainer;
use super::schema::{self, Place, SetAside};
use super::{
    Commit, Counters, Dropped, Shared, StoreError, StoreEvent, WAITING_JOURNAL_MAX, WAITING_SAMPLES_MAX,
    locked, reader,
};

/// A quiet sample waits this long for company. With the commit itself it stays below a second.
const COMMIT_EVERY: Duration = Duration::from_millis(800);
/// So many samples do not wait any longer.
const COMMIT_ROWS: usize = 1_000;
/// Between attempts to write where writing fails.
const RETRY_EVERY: Duration = Duration::from_secs(1);
/// How long a closing store goes on trying.
const CLOSE_WITHIN: Duration = Duration::from_secs(4);
/// How often the file is looked for under its name.
const LOOK_EVERY: Duration = Duration::from_secs(5);

/// Series to find or make numbers for, and who asked.
type Plan = (Vec<SeriesKey>, Sender<Result<Vec<SeriesId>, StoreError>>);

/// What waits for the writer.
#[derive(Debug, Default)]
pub(super) struct Inbox {
    /// Series of each index in the samples submitted now.
    pub(super) ids: Vec<SeriesId>,
    pub(super) plans: Vec<Plan>,
    pub(super) flushes: Vec<Sender<()>>,
    pub(super) steps: Vec<(Step, oneshot::Sender<ForwardTotals>)>,
    pub(super) marks: Vec<(Vec<Mark>, oneshot::Sender<()>)>,
    pub(super) at_once: bool,
    pub(super) closing: bool,
    pub(super) closed: bool,
    pub(super) counters: Counters,
    rows: Vec<(SeriesId, Point)>,
    journal: Vec<JournalRecord>,
    saved: BTreeMap<String, Vec<u8>>,
    outbox: Waiting,
    acks: Vec<Ack>,
    dropped: Option<Dropped>,
    since: Option<Instant>,
}

impl Inbox {
    /// Takes `commit` in; true if the writer should look now.
    pub(super) fn accept(&mut self, commit: Commit, now: Instant) -> bool {
        self.counters.acquired += commit.samples.len() as u64;
        let ids = &self.ids;
        self.rows.extend(commit.samples.iter().map(|s| {
            let id = ids[s.series.slot()];
            (id, Point { at: s.at, raw: s.raw, value: s.value, quality: s.quality })
        }));
        self.journal.extend(commit.journal);
        self.saved.extend(commit.saved);
        let told = !commit.outbox.is_empty();
        self.outbox.extend(commit.outbox);
        self.acks.extend(commit.acks);
        self.since.get_or_insert(now);
        if self.rows.len() > WAITING_SAMPLES_MAX || self.journal.len() > WAITING_JOURNAL_MAX {
            self.drop_oldest();
        }
        let was_due = self.at_once;
        self.at_once |= commit.at_once || told || self.rows.len() >= COMMIT_ROWS;
        self.at_once && !was_due
    }

    /// Makes room: an eighth of the samples goes, and the acks, since nobody may think them durable.
    fn drop_oldest(&mut self) {
        self.acks.clear();
        let excess = self.journal.len().saturating_sub(WAITING_JOURNAL_MAX);
        self.journal.drain(..excess);
        if self.rows.len() > WAITING_SAMPLES_MAX {
            let stamps = self.rows.drain(..WAITING_SAMPLES_MAX / 8).map(|(_, point)| point.at);
            let gone = count(DropReason::NotWritable, stamps).expect("an eighth of the maximum is some");
            self.counters.dropped += gone.count;
            self.dropped = Some(join(self.dropped, gone));
        }
    }

    /// Samples that nobody has taken yet.
    pub(super) fn waiting(&self) -> usize {
        self.rows.len()
    }

    fn due_in(&self, now: Instant) -> Option<Duration> {
        if self.at_once || self.closing {
            return Some(Duration::ZERO);
        }
        self.since.map(|since| COMMIT_EVERY.saturating_sub(now.saturating_duration_since(since)))
    }

    fn take(&mut self) -> Window {
        self.at_once = false;
        self.since = None;
        Window {
            rows: std::mem::take(&mut self.rows),
            journal: std::mem::take(&mut self.journal),
            saved: std::mem::take(&mut self.saved),
            outbox: std::mem::take(&mut self.outbox),
            acks: std::mem::take(&mut self.acks),
            steps: std::mem::take(&mut self.steps),
            marks: std::mem::take(&mut self.marks),
            flushes: std::mem::take(&mut self.flushes),
            plans: std::mem::take(&mut self.plans),
            dropped: self.dropped.take(),
            closing: self.closing,
        }
    }
}

/// What one transaction writes.
#[derive(Debug)]
struct Window {
    rows: Vec<(SeriesId, Point)>,
    journal: Vec<JournalRecord>,
    saved: BTreeMap<String, Vec<u8>>,
    outbox: Waiting,
    acks: Vec<Ack>,
    steps: Vec<(Step, oneshot::Sender<ForwardTotals>)>,
    marks: Vec<(Vec<Mark>, oneshot::Sender<()>)>,
    flushes: Vec<Sender<()>>,
    plans: Vec<Plan>,
    dropped: Option<Dropped>,
    closing: bool,
}

/// One who is told about `stamps` having gone.
pub(super) fn count(reason: DropReason, stamps: impl Iterator<Item = Timestamp>) -> Option<Dropped> {
    stamps.map(|at| Dropped { reason, count: 1, first_at: at, last_at: at }).reduce(|a, b| join(Some(a), b))
}

fn join(before: Option<Dropped>, more: Dropped) -> Dropped {
    match before {
        None => more,
        Some(before) => Dropped {
            reason: before.reason,
            count: before.count + more.count,
            first_at: before.first_at.min(more.first_at),
            last_at: before.last_at.max(more.last_at),
        },
    }
}

/// Owns the writing connection.
pub(super) struct Writer {
    pub(super) connection: Connection,
    pub(super) settings: StoreSettings,
    pub(super) forwarders: Forwarders,
    pub(super) shared: Arc<Shared>,
    place: Place,
    identity: Option<(u64, u64)>,
    looked: Instant,
    events: UnboundedSender<StoreEvent>,
    series: BTreeMap<(String, String), SeriesId>,
    stamps: Stamps,
    next_seq: u64,
    last_journal_at: Timestamp,
    sync_distrusted: bool,
    compactor: Compactor,
    retainer: Retainer,
}

impl Writer {
    pub(super) fn open(
        place: Place,
        settings: StoreSettings,
        events: UnboundedSender<StoreEvent>,
        shared: Arc<Shared>,
    ) -> Result<Self, StoreError> {
        let (connection, mut aside) = place.open()?;
        let now = Instant::now();
        let mut writer = Self {
            connection,
            settings,
            forwarders: Forwarders::new(),
            shared,
            identity: place.identity(),
            place,
            looked: now,
            events,
            series: BTreeMap::new(),
            stamps: Stamps::default(),
            next_seq: 1,
            last_journal_at: Timestamp::from_nanos(i64::MIN),
            sync_distrusted: false,
            compactor: Compactor::new(),
            retainer: Retainer::new(now),
        };
        if let Err(error) = writer.load() {
            if !schema::is_damage(&error) {
                return Err(error.into());
            }
            aside = Some(writer.begin_anew(Some(error.to_string()))?.expect("a reason was given"));
        }
        if let Some(aside) = aside {
            writer.tell_set_aside(aside);
        }
        Ok(writer)
    }

    /// Reads what the file says about where things stand.
    fn load(&mut self) -> rusqlite::Result<()> {
        self.forwarders = forward::load(&self.connection)?;
        self.next_seq = 1 + self.connection.query_row(
            "SELECT max(coalesce((SELECT max(seq) FROM batch), 0), coalesce((SELECT max(last_seq) FROM span), 0),
                        coalesce((SELECT value FROM meta WHERE name = 'dropped_seq'), 0))",
            [],
            |row| row.get::<_, u64>(0),
        )?;
        let mut series = BTreeMap::new();
        let mut statement = self.connection.prepare("SELECT text, quantity, id FROM series")?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            series.insert((row.get(0)?, row.get(1)?), SeriesId(row.get(2)?));
        }
        let mut stamps = Stamps::default();
        for &id in series.values() {
            let newest: Option<i64> = self
                .connection
                .prepare_cached("SELECT max(last_at) FROM chunk WHERE series = ?")?
                .query_row([id.0], |row| row.get(0))?;
            if let Some(at) = newest {
                stamps.note(id, Timestamp::from_nanos(at));
            }
        }
        reader::each_batch(&self.connection, None, |id, point| stamps.note(id, point.at))?;
        self.compactor.begin_with(self.connection.query_row(
            "SELECT coalesce(sum(count), 0) FROM batch",
            [],
            |r| r.get(0),
        )?);
        drop(rows);
        drop(statement);
        self.series = series;
        self.stamps = stamps;
        let mut status = locked(&self.shared.status);
        status.newest_seq = self.next_seq - 1;
        status.unpacked = self.compactor.unpacked();
        Ok(())
    }

    /// Runs until the store is closed.
    pub(super) fn run(&mut self) {
        let mut busy = true;
        loop {
            if let Some(window) = self.next_window(busy) {
                let closing = window.closing;
                self.commit(window);
                if closing {
                    break;
                }
            }
            busy = self.tend();
        }
    }

    /// Waits for something to write; none if there is time for other work.
    fn next_window(&self, busy: bool) -> Option<Window> {
        let mut inbox = locked(&self.shared.inbox);
        let mut patience = if busy { Duration::ZERO } else { COMMIT_EVERY };
        loop {
            let due = inbox.due_in(Instant::now());
            if due == Some(Duration::ZERO) {
                let window = inbox.take();
                inbox.closed = window.closing;
                self.shared.taken.notify_waiters();
                return Some(window);
            }
            if patience.is_zero() {
                return None;
            }
            let wait = due.unwrap_or(patience).min(patience);
            inbox = self.shared.wake.wait_timeout(inbox, wait).unwrap_or_else(PoisonError::into_inner).0;
            patience = if inbox.at_once { patience } else { patience.saturating_sub(wait) };
        }
    }

    /// Makes `window` durable, however long it takes; gives up only when the store closes.
    fn commit(&mut self, mut window: Window) {
        for (keys, reply) in std::mem::take(&mut window.plans) {
            // A caller that went away meanwhile does not want to know.
            let _ = reply.send(self.series_ids(&keys));
        }
        let batch = self.prepare(&mut window.rows);
        let stored = window.rows.len() as u64;
        window.rows = Vec::new();
        let mut closing_since = None;
        loop {
            match self.write(batch.as_ref(), &window) {
                Ok(forwarders) => {
                    self.forwarders = forwarders;
                    break;
                }
                Err(error) => self.face(error),
            }
            let closing = locked(&self.shared.inbox).closing;
            if closing && closing_since.get_or_insert_with(Instant::now).elapsed() > CLOSE_WITHIN {
                tracing::error!(samples = stored, "the store could not be written before the end");
                return;
            }
            std::thread::sleep(if closing { RETRY_EVERY / 4 } else { RETRY_EVERY });
        }
        if let Some(batch) = batch {
            self.next_seq += 1;
            self.compactor.note_batch(u64::from(batch.count), Instant::now());
        }
        self.report_durable(stored, window);
    }

    fn report_durable(&mut self, stored: u64, window: Window) {
        locked(&self.shared.inbox).counters.stored += stored;
        let recovered = {
            let mut status = locked(&self.shared.status);
            status.newest_seq = self.next_seq - 1;
            status.unpacked = self.compactor.unpacked();
            status.commits += 1;
            status.trouble.take().is_some()
        };
        if recovered {
            tracing::info!("the store is written again");
            self.tell(StoreEvent::Recovered);
        }
        if !window.outbox.is_empty() {
            self.shared.tell_outbox();
        }
        if !window.acks.is_empty() {
            self.tell(StoreEvent::Durable(window.acks));
        }
        if let Some(dropped) = window.dropped {
            self.tell(StoreEvent::Dropped(dropped));
        }
        for (step, reply) in window.steps {
            if let Some(totals) = self.forwarders.get(&step.name) {
                let _ = reply.send(totals.clone());
            }
        }
        for (_, reply) in window.marks {
            let _ = reply.send(());
        }
        for reply in window.flushes {
            let _ = reply.send(());
        }
    }

    /// Gives each row its stamp and makes the body.
    fn prepare(&mut self, rows: &mut [(SeriesId, Point)]) -> Option<Batch> {
        let mut writer = BatchWriter::with_capacity(rows.len());
        for place in 0..rows.len() {
            let (series, point) = rows[place];
            let before = &rows[..place];
            let connection = &self.connection;
            let at = self.stamps.assign(series, point.at, |from, until| {
                let mut taken = reader::stamps(connection, series, from, until).unwrap_or_else(|error| {
                    tracing::warn!(%error, "stamps of a series could not be looked up");
                    BTreeSet::new()
                });
                let same = before.iter().filter(|(s, p)| *s == series && (from..until).contains(&p.at));
                taken.extend(same.map(|(_, p)| p.at));
                taken
            });
            rows[place].1.at = at;
            writer.push(series, &rows[place].1);
        }
        writer.finish()
    }

    fn write(&mut self, batch: Option<&Batch>, window: &Window) -> rusqlite::Result<Forwarders> {
        if self.sync_distrusted {
            self.copy_log_into_file()?;
        }
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        if let Some(batch) = batch {
            transaction
                .prepare_cached(
                    "INSERT INTO batch(seq, first_at, last_at, count, body) VALUES(?, ?, ?, ?, ?)",
                )?
                .execute(params![
                    self.next_seq,
                    batch.first_at.as_nanos(),
                    batch.last_at.as_nanos(),
                    batch.count,
                    batch.body
                ])?;
        }
        let mut last = self.last_journal_at;
        for record in &window.journal {
            last = append_journal(&transaction, record, last)?;
        }
        for (key, value) in &window.saved {
            transaction
                .prepare_cached("INSERT OR REPLACE INTO saved(key, value) VALUES(?, ?)")?
                .execute(params![key, value])?;
        }
        outbox::append(&transaction, &window.outbox)?;
        for (marks, _) in &window.marks {
            outbox::apply(&transaction, marks)?;
        }
        if let Some(dropped) = &window.dropped {
            note_dropped(&transaction, dropped)?;
        }
        let mut forwarders = self.forwarders.clone();
        for (step, _) in &window.steps {
            forward::apply(&transaction, &mut forwarders, step, self.next_seq)?;
        }
        transaction.commit()?;
        self.last_journal_at = last;
        Ok(forwarders)
    }

    pub(super) fn wal_bytes(&self) -> u64 {
        self.place.wal_bytes()
    }

    /// Copies the log into the file, syncs both and begins the log anew. After a failed sync: what the system's cache
    /// shows may not be on the disk, and nothing durable must rest on pages of that sync.
    pub(super) fn copy_log_into_file(&mut self) -> rusqlite::Result<()> {
        let busy: i64 = self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0))?;
        if busy != 0 {
            return Err(rusqlite::Error::SqliteFailure(
                rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_BUSY),
                Some("a reader holds the log; waiting for it".into()),
            ));
        }
        self.sync_distrusted = false;
        Ok(())
    }

    /// Does what can be done about `error`, so that the next attempt may go through.
    pub(super) fn face(&mut self, error: rusqlite::Error) {
        let extended = error.sqlite_error().map_or(0, |e| e.extended_code);
        if matches!(extended, rusqlite::ffi::SQLITE_IOERR_FSYNC | rusqlite::ffi::SQLITE_IOERR_DIR_FSYNC) {
            self.sync_distrusted = true;
            locked(&self.shared.status).syncs_failed += 1;
        }
        let text = match error.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => format!("disk full ({error})"),
            _ => error.to_string(),
        };
        let news = {
            let mut status = locked(&self.shared.status);
            let news = status.trouble.as_ref() != Some(&text);
            status.trouble = Some(text.clone());
            news
        };
        self.shared.taken.notify_waiters();
        if news {
            tracing::error!(error = %text, "the store cannot be written; commits wait in memory");
            self.tell(StoreEvent::Trouble(text.clone()));
        }
        let gone = self.identity.is_none() || self.place.identity() != self.identity;
        if schema::is_damage(&error) || gone {
            let reason = (!gone).then_some(text);
            match self.begin_anew(reason) {
                Ok(Some(aside)) => self.tell_set_aside(aside),
                Ok(None) => tracing::error!("the store's file was gone; a fresh one has been begun"),
                Err(error) => tracing::error!(%error, "no fresh store can be begun"),
            }
        }
    }

    /// Sets the file aside, where a reason is given, and begins a fresh one with the same series.
    fn begin_anew(&mut self, reason: Option<String>) -> Result<Option<SetAside>, StoreError> {
        // The old connection must let go before its file is renamed under it. Should the rest fail, a missing identity
        // has it tried again.
        self.connection = Connection::open_in_memory()?;
        self.identity = None;
        let mut aside = reason.map(|reason| self.place.set_aside(reason)).transpose()?;
        std::fs::create_dir_all(self.place.directory())
            .map_err(|source| StoreError::Directory { path: self.place.directory().to_owned(), source })?;
        let (connection, also) = self.place.open()?;
        aside = aside.or(also);
        if let Some(aside) = &aside {
            schema::salvage_kept(&aside.path, &connection);
        }
        self.connection = connection;
        self.identity = self.place.identity();
        self.forwarders = Forwarders::new();
        self.next_seq = 1;
        self.sync_distrusted = false;
        self.compactor = Compactor::new();
        self.retainer = Retainer::new(Instant::now());
        for ((text, quantity), id) in &self.series {
            insert_series(&self.connection, Some(*id), text, quantity)?;
        }
        self.shared.generation.fetch_add(1, std::sync::atomic::Ordering::Release);
        self.shared.tell_outbox();
        Ok(aside)
    }

    /// Ids of `keys`, given for good to those that are new.
    pub(super) fn series_ids(&mut self, keys: &[SeriesKey]) -> Result<Vec<SeriesId>, StoreError> {
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut ids = Vec::with_capacity(keys.len());
        let mut fresh = BTreeMap::new();
        for key in keys {
            let name = (key.to_string(), key.quantity.word().to_owned());
            let id = match self.series.get(&name).or_else(|| fresh.get(&name)) {
                Some(&id) => id,
                None => {
                    let id = insert_series(&transaction, None, &name.0, &name.1)?;
                    fresh.insert(name, id);
                    id
                }
            };
            ids.push(id);
        }
        transaction.commit()?;
        self.series.extend(fresh);
        Ok(ids)
    }

    /// One slice of other work; true if there is more of it.
    fn tend(&mut self) -> bool {
        if self.looked.elapsed() >= LOOK_EVERY {
            self.looked = Instant::now();
            if self.place.identity() != self.identity {
                self.face(rusqlite::Error::InvalidPath(self.place.file()));
                return false;
            }
        }
        let mut compactor = std::mem::replace(&mut self.compactor, Compactor::new());
        let packed = compactor.work(self);
        locked(&self.shared.status).unpacked = compactor.unpacked();
        self.compactor = compactor;
        match packed {
            Ok(true) => return true,
            Ok(false) => {}
            Err(error) => {
                self.compactor.rest(Instant::now());
                self.face(error);
                return false;
            }
        }
        let mut retainer = std::mem::replace(&mut self.retainer, Retainer::new(Instant::now()));
        let kept = retainer.work(self);
        self.retainer = retainer;
        kept.unwrap_or_else(|error| {
            self.face(error);
            false
        })
    }

    pub(super) fn tell(&self, event: StoreEvent) {
        // Nobody listening any more means that the daemon is on its way out.
        let _ = self.events.send(event);
    }

    fn tell_set_aside(&self, aside: SetAside) {
        tracing::error!(file = %aside.path.display(), reason = aside.reason, "a damaged store was set aside");
        self.tell(StoreEvent::SetAside(aside));
    }
}

fn insert_series(
    connection: &Connection,
    id: Option<SeriesId>,
    text: &str,
    quantity: &str,
) -> rusqlite::Result<SeriesId> {
    connection.prepare_cached("INSERT INTO series(id, text, quantity) VALUES(?, ?, ?)")?.execute(params![
        id.map(|id| id.0),
        text,
        quantity
    ])?;
    Ok(SeriesId(u32::try_from(connection.last_insert_rowid()).expect("series are counted in thousands")))
}

/// Appends `record` under a stamp of its own, as forwarders need one; gives that stamp.
fn append_journal(
    connection: &Connection,
    record: &JournalRecord,
    last: Timestamp,
) -> rusqlite::Result<Timestamp> {
    let one = Duration::from_nanos(1);
    // A burst of records at the same instant stands in a row.
    let mut at = if last >= record.at && last.since(record.at) < Duration::from_millis(1) {
        last.plus(one)
    } else {
        record.at
    };
    let mut insert = connection.prepare_cached(
        "INSERT OR IGNORE INTO journal(at, kind, sump, subject, state, priority, value, message)
         VALUES(?, ?, ?, ?, ?, ?, ?, ?)",
    )?;
    while 0
        == insert.execute(params![
            at.as_nanos(),
            record.kind.word(),
            record.sump.as_ref().map(|name| name.as_str()),
            record.subject,
            record.state,
            record.priority,
            record.value,
            record.message
        ])?
    {
        at = at.plus(one);
    }
    Ok(at)
}

/// Adds `dropped` to the totals of its reason.
pub(super) fn note_dropped(connection: &Connection, dropped: &Dropped) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT INTO dropped(reason, count, first_at, last_at) VALUES(?1, ?2, ?3, ?4)
             ON CONFLICT(reason) DO UPDATE SET count = count + ?2, first_at = min(first_at, ?3),
             last_at = max(last_at, ?4)",
        )?
        .execute(params![
            dropped.reason.word(),
            dropped.count,
            dropped.first_at.as_nanos(),
            dropped.last_at.as_nanos()
        ])?;
    Ok(())
}
