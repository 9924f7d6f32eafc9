//! The writer thread: gathers, commits, tries again, and uses the time between for packing and dropping.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use rusqlite::{Connection, ErrorCode, OptionalExtension, TransactionBehavior, params};
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::batch::{Batch, BatchWriter};
use sumpwarden_core::store::settings::StoreSettings;
use sumpwarden_core::store::stamp::Stamps;
use sumpwarden_core::store::{SeriesId, SeriesKey};
use tokio::sync::mpsc::UnboundedSender;

use super::super::clock::Clock;
use super::compact::Compactor;
use super::forward::{self, Forwarders};
use super::inbox::{COMMIT_EVERY, Pressing, Row, Window};
use super::outbox::{self, Written};
use super::records::{append_journal, count_known};
use super::reserve::Reserve;
use super::retain::Retainer;
use super::revive::Revival;
use super::schema::{self, Place, SetAside};
use super::undated::{self, Dater, Doubted, Undated};
use super::{Dropped, Shared, StoreError, StoreEvent, locked, reader};
use crate::faults;

/// Between attempts to write where writing fails.
const RETRY_EVERY: Duration = Duration::from_secs(1);
/// Shortest time between attempts, whatever presses.
const RETRY_AFTER: Duration = Duration::from_millis(100);
/// After so many failures in a row the file is opened anew: what was opened while it could not be written stays so.
const FAILURES_MAX: u32 = 5;
/// How long a closing store goes on trying.
const CLOSE_WITHIN: Duration = Duration::from_secs(4);
/// How often the file is looked for under its name.
const LOOK_EVERY: Duration = Duration::from_secs(5);

/// How a full disk shows.
const DISK_FULL: &str = "the disk is full; samples wait in memory, alarms and messages are kept";

/// Numbers of series by text and quantity.
pub(super) type Names = BTreeMap<(String, String), SeriesId>;

/// Samples on their way into the file: as they came, or stamped and packed for it.
#[derive(Debug, Default)]
pub(super) struct Held {
    pub(super) rows: Vec<Row>,
    pub(super) batch: Option<Batch>,
    /// Of a clock that is not believed.
    pub(super) undated: Option<Undated>,
    /// That clock, where rows are of one.
    pub(super) doubted: Option<Doubted>,
}

/// What of the samples a transaction writes.
pub(super) type Packed = (Option<Batch>, Option<Undated>);

/// What a transaction came to.
struct Done {
    forwarders: Forwarders,
    outbox: Written,
    last_journal_at: Timestamp,
}

/// Owns the writing connection.
pub(super) struct Writer {
    pub(super) connection: Connection,
    pub(super) settings: StoreSettings,
    pub(super) forwarders: Forwarders,
    pub(super) shared: Arc<Shared>,
    pub(super) place: Place,
    pub(super) reserve: Reserve,
    /// Device and inode of the file that is open; none while there is none.
    pub(super) identity: Option<(u64, u64)>,
    /// Why the file is to be set aside before the next one is opened.
    pub(super) damaged: Option<String>,
    /// A file was open before, so that all that is durable is known here.
    pub(super) was_attached: bool,
    pub(super) series: Names,
    pub(super) stamps: Stamps,
    pub(super) held: Held,
    /// Saved state as the file has it.
    pub(super) saved: BTreeMap<String, Vec<u8>>,
    pub(super) next_seq: u64,
    /// Number of the newest journal record.
    pub(super) last_journal: i64,
    /// Points ever made durable.
    pub(super) stored_ever: u64,
    pub(super) compactor: Compactor,
    pub(super) retainer: Retainer,
    pub(super) dater: Dater,
    pub(super) revival: Revival,
    looked: Instant,
    events: UnboundedSender<StoreEvent>,
    pub(super) last_journal_at: Timestamp,
    pub(super) sync_distrusted: bool,
    /// Attempts that failed in a row.
    failures: u32,
}

impl Writer {
    /// Opens the file, or goes on without one where that cannot be done now.
    pub(super) fn open(
        place: Place,
        series: &[SeriesKey],
        settings: StoreSettings,
        events: UnboundedSender<StoreEvent>,
        shared: Arc<Shared>,
    ) -> Result<Self, StoreError> {
        let now = Instant::now();
        let mut writer = Self {
            connection: Connection::open_in_memory()?,
            settings,
            forwarders: Forwarders::new(),
            shared,
            reserve: Reserve::of(place.directory()),
            place,
            identity: None,
            damaged: None,
            was_attached: false,
            series: Names::new(),
            stamps: Stamps::default(),
            held: Held::default(),
            saved: BTreeMap::new(),
            next_seq: 1,
            last_journal: 0,
            stored_ever: 0,
            compactor: Compactor::new(),
            retainer: Retainer::new(now),
            dater: Dater::default(),
            revival: Revival::default(),
            looked: now,
            events,
            last_journal_at: Timestamp::from_nanos(i64::MIN),
            sync_distrusted: false,
            failures: 0,
        };
        let ids = match writer.attach().and_then(|()| writer.series_ids(series)) {
            Ok(ids) => ids,
            Err(error @ (StoreError::Newer { .. } | StoreError::InUse { .. })) => return Err(error),
            Err(error) => {
                writer.detach()?;
                let ids = writer.number_provisionally(series);
                writer.begin_without_file(&error);
                ids
            }
        };
        locked(&writer.shared.inbox).ids = ids;
        Ok(writer)
    }

    fn begin_without_file(&mut self, error: &StoreError) {
        let directory = self.place.directory().display();
        let text = format!(
            "{directory} cannot be written ({error}); make room there, or give this user the right to write"
        );
        self.report_trouble(&text);
        let mut inbox = locked(&self.shared.inbox);
        inbox.book.number_after(provisional_row());
        self.shared.release(&mut inbox);
    }

    /// Runs until the store is closed.
    pub(super) fn run(&mut self) {
        let mut busy = true;
        loop {
            self.shared.alive.beat();
            self.shared.written.beat();
            faults::point("writer");
            self.name_series();
            self.look_at_clock();
            self.date();
            if let Some(window) = self.next_window(busy) {
                let closing = window.closing;
                self.commit(window);
                if closing {
                    self.look_at_clock();
                    self.date();
                    break;
                }
            }
            busy = self.tend();
        }
    }

    fn look_at_clock(&mut self) {
        let mut inbox = locked(&self.shared.inbox);
        if std::mem::take(&mut inbox.dates)
            && let Some(believed) = inbox.believed()
        {
            self.dater.begin(believed.clone());
        }
    }

    /// Gives places to series of a new configuration: without a file provisional ones, as at the start. Where the file takes no
    /// new ones now, whoever asked has no answer and may ask again.
    fn name_series(&mut self) {
        let naming = std::mem::take(&mut locked(&self.shared.inbox).naming);
        for (keys, reply) in naming {
            let ids = match self.is_attached() {
                true => self.series_ids(&keys),
                false => Ok(self.number_provisionally(&keys)),
            };
            match ids {
                // Whoever asked may have gone.
                Ok(ids) => drop(reply.send(locked(&self.shared.inbox).places(ids))),
                Err(error) => tracing::warn!(%error, "new series cannot be written now"),
            }
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

    /// Makes `window` durable, however long it takes; gives up only when the store closes. While the disk is full, what
    /// presses goes ahead of the samples, into the room of the reserve.
    fn commit(&mut self, mut window: Window) {
        self.held.rows = std::mem::take(&mut window.rows);
        self.held.doubted = window.pressing.doubted.clone();
        self.tell_lost(&mut window);
        let mut closing_since = None;
        // A full disk, or none, is no stuck loop.
        self.shared.alive.beat();
        while !self.try_whole(&mut window) {
            self.shared.alive.beat();
            let closing = locked(&self.shared.inbox).closing;
            if closing && closing_since.get_or_insert_with(Instant::now).elapsed() > CLOSE_WITHIN {
                let samples = self.held_count();
                tracing::error!(samples, "the store could not be written before the end");
                return;
            }
            self.wait_to_retry(closing);
            locked(&self.shared.inbox).press(&mut window);
            self.tell_lost(&mut window);
        }
    }

    /// One attempt; true once all of `window` is durable.
    fn try_whole(&mut self, window: &mut Window) -> bool {
        self.shared.note_writing(true);
        if self.is_attached() && self.reserve.hold() {
            self.prepare();
            let packed = (self.held.batch.take(), self.held.undated.take());
            let written = self.write(&packed, &window.pressing, window.dropped.as_ref());
            match written {
                Ok(done) => {
                    self.report_samples(packed, window);
                    self.report_pressing(done, std::mem::take(&mut window.pressing));
                    for reply in window.flushes.drain(..) {
                        let _ = reply.send(());
                    }
                    self.shared.note_writing(false);
                    return true;
                }
                Err(error) => {
                    (self.held.batch, self.held.undated) = packed;
                    self.face_with(error, window);
                }
            }
        } else if !self.is_attached() {
            self.face_with(rusqlite::Error::InvalidPath(self.place.file()), window);
        }
        if self.is_attached() && !self.reserve.hold() {
            self.report_trouble(DISK_FULL);
            self.write_pressing(window);
        }
        self.shared.note_writing(false);
        self.shared.release_late(&mut locked(&self.shared.inbox));
        false
    }

    /// On a full disk: what must not wait, and whatever makes room.
    fn write_pressing(&mut self, window: &mut Window) {
        if !window.pressing.is_empty() {
            match self.write(&(None, None), &window.pressing, None) {
                Ok(done) => self.report_pressing(done, std::mem::take(&mut window.pressing)),
                Err(error) => return self.face_with(error, window),
            }
        }
        self.retain();
    }

    /// Does what can be done about `error`, and leaves out of `window` what is in the file all the same: a commit whose sync
    /// failed may be in the log, and once the file is opened again it counts.
    fn face_with(&mut self, error: rusqlite::Error, window: &mut Window) {
        let (next_seq, last_journal) = (self.next_seq, self.last_journal);
        self.face(error);
        if !self.is_attached() || (next_seq, last_journal) == (self.next_seq, self.last_journal) {
            return;
        }
        let left_out = self.leave_out(next_seq, last_journal, window);
        if let Err(error) = left_out {
            tracing::error!(%error, "what may be in the file already could not be looked for");
        }
    }

    /// `next_seq` and `last_journal` are what was known before the file was opened again.
    fn leave_out(&mut self, next_seq: u64, last_journal: i64, window: &mut Window) -> rusqlite::Result<()> {
        let records = count_known(&self.connection, last_journal, &window.pressing.journal)?;
        window.pressing.journal.drain(..records);
        let body: Option<Vec<u8>> = self
            .connection
            .query_row("SELECT body FROM batch WHERE seq = ?", [next_seq], |row| row.get(0))
            .optional()?;
        let batch = self.held.batch.take_if(|batch| body.as_ref() == Some(&batch.body));
        let undated = match &self.held.undated {
            Some(undated) if undated::is_newest(&self.connection, undated)? => self.held.undated.take(),
            _ => None,
        };
        // Nothing may rest on a log that nobody knows to be synced.
        self.sync_distrusted |= batch.is_some() || undated.is_some() || records > 0;
        let samples = batch.as_ref().map_or(0, |batch| u64::from(batch.count))
            + undated.as_ref().map_or(0, |undated| u64::from(undated.batch.count));
        if samples > 0 {
            tracing::info!(samples, "a commit that seemed to fail is in the file");
            locked(&self.shared.inbox).counters.stored += samples;
            if let Some(dropped) = window.dropped.take() {
                self.tell(StoreEvent::Dropped(dropped));
            }
        }
        Ok(())
    }

    /// Waits for the next attempt: less long if something presses and there is a chance.
    fn wait_to_retry(&self, closing: bool) {
        std::thread::sleep(RETRY_AFTER);
        let until = Instant::now() + if closing { RETRY_EVERY / 4 } else { RETRY_EVERY };
        let mut inbox = locked(&self.shared.inbox);
        while !inbox.presses()
            && let Some(left) = until.checked_duration_since(Instant::now())
        {
            inbox = self.shared.wake.wait_timeout(inbox, left).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    fn tell_lost(&self, window: &mut Window) {
        if !window.lost.is_empty() {
            tracing::error!(
                messages = window.lost.len(),
                "what came by message was dropped; it is asked for again"
            );
            self.tell(StoreEvent::Lost(std::mem::take(&mut window.lost)));
        }
    }

    fn held_count(&self) -> u64 {
        self.held.rows.len() as u64
            + self.held.batch.as_ref().map_or(0, |batch| u64::from(batch.count))
            + self.held.undated.as_ref().map_or(0, |undated| u64::from(undated.batch.count))
    }

    /// A commit of so many points is in the file.
    pub(super) fn count_stored(&mut self, points: u64) {
        self.next_seq += 1;
        self.stored_ever += points;
        self.compactor.note_batch(points, Instant::now());
        let mut status = locked(&self.shared.status);
        status.newest_seq = self.next_seq - 1;
        status.unpacked = self.compactor.unpacked();
    }

    fn report_samples(&mut self, (batch, undated): Packed, window: &mut Window) {
        if let Some(batch) = batch {
            self.count_stored(u64::from(batch.count));
            locked(&self.shared.inbox).counters.stored += u64::from(batch.count);
        }
        if let Some(undated) = undated {
            locked(&self.shared.inbox).counters.stored += u64::from(undated.batch.count);
            locked(&self.shared.status).undated.waiting += u64::from(undated.batch.count);
        }
        let recovered = locked(&self.shared.status).trouble.take().is_some();
        if recovered {
            tracing::info!("the store is written again");
            self.tell(StoreEvent::Recovered);
        }
        if !window.acks.is_empty() {
            self.tell(StoreEvent::Durable(window.acks.drain(..).map(|owed| owed.ack).collect()));
        }
        if let Some(dropped) = window.dropped.take() {
            self.tell(StoreEvent::Dropped(dropped));
        }
    }

    fn report_pressing(&mut self, done: Done, written: Pressing) {
        self.failures = 0;
        self.forwarders = done.forwarders;
        self.last_journal_at = done.last_journal_at;
        self.saved.extend(written.saved);
        locked(&self.shared.status).commits += 1;
        self.shared.settle(&written.outbox, done.outbox);
        for (step, reply) in written.steps {
            if let Some(totals) = self.forwarders.get(&step.name) {
                let _ = reply.send(totals.clone());
            }
        }
        for (_, reply) in written.marks {
            let _ = reply.send(());
        }
    }

    /// Gives each row its stamp and makes the bodies.
    fn prepare(&mut self) {
        let mut rows = std::mem::take(&mut self.held.rows);
        if rows.is_empty() {
            return;
        }
        if let Some(of) = self.held.doubted.take() {
            let (undated, dated): (Vec<Row>, Vec<Row>) = rows.into_iter().partition(|row| !row.dated);
            self.held.undated = body_of(&undated).map(|batch| Undated { batch, of });
            rows = dated;
        }
        self.stamp(&mut rows);
        self.held.batch = body_of(&rows);
    }

    /// Gives each of `rows` a stamp that no other point of its series has.
    pub(super) fn stamp(&mut self, rows: &mut [Row]) {
        for place in 0..rows.len() {
            let Row { series, point, .. } = rows[place];
            let before = &rows[..place];
            let connection = &self.connection;
            let at = self.stamps.assign(series, point.at, |from, until| {
                let mut taken = reader::stamps(connection, series, from, until).unwrap_or_else(|error| {
                    tracing::warn!(%error, "stamps of a series could not be looked up");
                    BTreeSet::new()
                });
                let same =
                    before.iter().filter(|row| row.series == series && (from..until).contains(&row.point.at));
                taken.extend(same.map(|row| row.point.at));
                taken
            });
            rows[place].point.at = at;
        }
    }

    fn write(
        &mut self,
        (batch, undated): &Packed,
        pressing: &Pressing,
        dropped: Option<&Dropped>,
    ) -> rusqlite::Result<Done> {
        if self.sync_distrusted {
            self.copy_log_into_file()?;
        }
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        if let Some(batch) = batch {
            insert_batch(&transaction, self.next_seq, batch)?;
        }
        if let Some(undated) = undated {
            undated::insert(&transaction, undated)?;
        }
        let mut last_journal_at = self.last_journal_at;
        let mut newest = self.last_journal;
        for record in &pressing.journal {
            last_journal_at = append_journal(&transaction, record, last_journal_at)?;
            newest = transaction.last_insert_rowid();
            if let Some(doubted) = pressing.doubted.as_ref().filter(|doubted| record.at >= doubted.since) {
                undated::mark_record(&transaction, doubted)?;
            }
        }
        for (key, value) in &pressing.saved {
            save(&transaction, key, value)?;
        }
        let outbox = outbox::append(&transaction, &pressing.outbox)?;
        for (marks, _) in &pressing.marks {
            outbox::apply(&transaction, marks)?;
        }
        if let Some(dropped) = dropped {
            note_dropped(&transaction, dropped)?;
        }
        let mut forwarders = self.forwarders.clone();
        for (step, _) in &pressing.steps {
            forward::apply(&transaction, &mut forwarders, step, self.next_seq)?;
        }
        transaction.commit()?;
        self.last_journal = newest;
        Ok(Done { forwarders, outbox, last_journal_at })
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
        self.failures += 1;
        let extended = error.sqlite_error().map_or(0, |e| e.extended_code);
        if matches!(extended, rusqlite::ffi::SQLITE_IOERR_FSYNC | rusqlite::ffi::SQLITE_IOERR_DIR_FSYNC) {
            self.sync_distrusted = true;
            locked(&self.shared.status).syncs_failed += 1;
        }
        let gone = !self.is_attached() || self.place.identity() != self.identity;
        let full = error.sqlite_error_code() == Some(ErrorCode::DiskFull);
        if full {
            self.reserve.give_up();
        }
        let damage = schema::is_damage(&error);
        let text = match &error {
            _ if gone && self.was_attached && self.is_attached() => {
                "its file has gone; it is begun anew".to_owned()
            }
            _ if gone => return self.attach_again(),
            _ if full => DISK_FULL.to_owned(),
            error => error.to_string(),
        };
        self.report_trouble(&text);
        let unwritable = matches!(
            error.sqlite_error_code(),
            Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied)
        );
        // Where it has gone another one may lie in its place.
        if damage && !gone {
            self.damaged = Some(text);
        }
        if damage || gone || unwritable || self.failures >= FAILURES_MAX {
            self.attach_again();
        }
    }

    /// Opens the file again, or begins one.
    fn attach_again(&mut self) {
        self.failures = 0;
        if let Err(error) = self.attach() {
            let directory = self.place.directory().display().to_string();
            self.report_trouble(&format!("no file can be written in {directory} ({error})"));
        }
    }

    fn report_trouble(&self, text: &str) {
        let news = {
            let mut status = locked(&self.shared.status);
            let news = status.trouble.as_deref() != Some(text);
            status.trouble = Some(text.to_owned());
            if news {
                status.troubles += 1;
                status.last_trouble = status.trouble.clone();
            }
            news
        };
        self.shared.taken.notify_waiters();
        if news {
            tracing::error!(error = %text, "the store cannot be written; commits wait in memory");
            self.tell(StoreEvent::Trouble(text.to_owned()));
        }
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
        let suspected = locked(&self.shared.suspected).take();
        if let Some(text) = suspected.filter(|_| self.is_attached()) {
            let corrupt = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_CORRUPT);
            self.face(rusqlite::Error::SqliteFailure(corrupt, Some(text)));
            return false;
        }
        if self.is_attached() && self.reserve.hold() {
            match self.revive() {
                Ok(true) => return true,
                Ok(false) => {}
                Err(error) => {
                    self.face(error);
                    return false;
                }
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
        self.retain()
    }

    fn retain(&mut self) -> bool {
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

    pub(super) fn tell_set_aside(&self, aside: SetAside) {
        tracing::error!(file = %aside.path.display(), reason = aside.reason, "a damaged store was set aside");
        self.tell(StoreEvent::SetAside(aside));
    }
}

/// Numbers of rows that are handed over before there is a file that says how far it has got: far above those of any file,
/// and rising from start to start.
fn provisional_row() -> i64 {
    Clock.utc().as_millis().max(0).saturating_mul(1 << 20).min(i64::MAX / 2)
}

/// One commit of `rows`; none of none.
pub(super) fn body_of(rows: &[Row]) -> Option<Batch> {
    let mut writer = BatchWriter::with_capacity(rows.len());
    rows.iter().for_each(|row| writer.push(row.series, &row.point));
    writer.finish()
}

/// Writes `batch` as commit number `seq`.
pub(super) fn insert_batch(connection: &Connection, seq: u64, batch: &Batch) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT INTO batch(seq, first_at, last_at, count, body) VALUES(?, ?, ?, ?, ?)")?
        .execute(params![
            seq,
            batch.first_at.as_nanos(),
            batch.last_at.as_nanos(),
            batch.count,
            batch.body
        ])?;
    Ok(())
}

/// Keeps `value` under `key`.
pub(super) fn save(connection: &Connection, key: &str, value: &[u8]) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR REPLACE INTO saved(key, value) VALUES(?, ?)")?
        .execute(params![key, value])?;
    Ok(())
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

#[cfg(test)]
mod tests;
