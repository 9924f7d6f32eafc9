//! How the writer comes to its file: at the start, after damage, and when the file, its directory or the right to write
//! has gone and is there again.
//!
//! Without a file the writer goes on: series have provisional numbers, everything waits in memory, and each second it tries
//! again. What a file then holds already stays; what the writer knows is written into it whole: series, saved state, rows of
//! the outbox, where forwarders stand. Numbers of commits, rows and journal records go on, so that cursors stay true.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::Ordering;
use std::time::Instant;

use rusqlite::{Connection, TransactionBehavior, params};
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::batch::{self, BatchWriter};
use sumpwarden_core::store::stamp::Stamps;
use sumpwarden_core::store::{SeriesId, SeriesKey};

use super::compact::Compactor;
use super::forward::{self, Forwarders};
use super::reserve::Reserve;
use super::retain::Retainer;
use super::schema;
use super::writer::{Names, Writer, save};
use super::{StoreError, UndatedPoints, locked, outbox, reader, undated};

/// What a file says about where things stand.
struct Found {
    forwarders: Forwarders,
    next_seq: u64,
    series: Names,
    stamps: Stamps,
    unpacked: u64,
    undated: UndatedPoints,
    stored_ever: u64,
    saved: BTreeMap<String, Vec<u8>>,
    last_journal: i64,
}

impl Found {
    fn read(connection: &Connection) -> rusqlite::Result<Self> {
        let number = |query: &str| connection.query_row(query, [], |row| row.get::<_, u64>(0));
        let series = read_series(connection)?;
        let mut saved = BTreeMap::new();
        let mut select = connection.prepare("SELECT key, value FROM saved")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            saved.insert(row.get(0)?, row.get(1)?);
        }
        Ok(Self {
            forwarders: forward::load(connection)?,
            next_seq: 1 + number(
                "SELECT max(coalesce((SELECT max(seq) FROM batch), 0), coalesce((SELECT max(last_seq) FROM span), 0),
                            coalesce((SELECT value FROM meta WHERE name = 'dropped_seq'), 0))",
            )?,
            stamps: read_stamps(connection, &series)?,
            unpacked: number("SELECT coalesce(sum(count), 0) FROM batch")?,
            undated: undated::count(connection)?,
            stored_ever: forward::stored_ever(connection)?,
            last_journal: connection.query_row(
                "SELECT coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'journal'), 0)",
                [],
                |row| row.get(0),
            )?,
            series,
            saved,
        })
    }
}

fn read_series(connection: &Connection) -> rusqlite::Result<Names> {
    let mut series = Names::new();
    let mut statement = connection.prepare("SELECT text, quantity, id FROM series")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        series.insert((row.get(0)?, row.get(1)?), SeriesId(row.get(2)?));
    }
    Ok(series)
}

fn read_stamps(connection: &Connection, series: &Names) -> rusqlite::Result<Stamps> {
    let mut stamps = Stamps::default();
    for &id in series.values() {
        let newest: Option<i64> = connection
            .prepare_cached("SELECT max(last_at) FROM chunk WHERE series = ?")?
            .query_row([id.0], |row| row.get(0))?;
        if let Some(at) = newest {
            stamps.note(id, Timestamp::from_nanos(at));
        }
    }
    reader::each_batch(connection, None, |id, point| stamps.note(id, point.at))?;
    Ok(stamps)
}

impl Writer {
    /// Lets go of the file. Every write fails until the writer is attached again.
    pub(super) fn detach(&mut self) -> rusqlite::Result<()> {
        self.identity = None;
        self.connection = Connection::open_in_memory()?;
        Ok(())
    }

    /// Gives the series provisional numbers, until there is a file that knows theirs.
    pub(super) fn number_provisionally(&mut self, keys: &[SeriesKey]) -> Vec<SeriesId> {
        let mut next = self.series.values().map(|id| id.0).max().unwrap_or(0);
        let number = |key: &SeriesKey| {
            *self.series.entry(name_of(key)).or_insert_with(|| {
                next += 1;
                SeriesId(next)
            })
        };
        keys.iter().map(number).collect()
    }

    /// Opens the file, or begins one, and makes it say all that is known here.
    pub(super) fn attach(&mut self) -> Result<(), StoreError> {
        // The old connection must let go before its file is renamed under it. Should the rest fail, a missing identity
        // has it tried again.
        self.detach()?;
        self.place.claim_again()?;
        let fresh = self.open_or_set_aside()?;
        // What a killed gateway had written and not synced is taken for durable from now on: copies of it are acknowledged.
        self.sync_distrusted |= !self.place.sync_log();
        // A large file takes its time; it is no stuck loop.
        self.shared.alive.beat();
        let found = match Found::read(&self.connection) {
            Err(error) if schema::is_damage(&error) && !fresh => {
                self.detach()?;
                self.damaged = Some(error.to_string());
                self.open_or_set_aside()?;
                Found::read(&self.connection)
            }
            found => found,
        };
        self.shared.alive.beat();
        let united = found.and_then(|found| self.unite(found));
        if let Err(error) = united {
            self.detach()?;
            return Err(error.into());
        }
        self.identity = self.place.identity();
        self.reserve = Reserve::of(self.place.directory());
        self.retainer = Retainer::new(Instant::now());
        self.begin_revival()?;
        self.shared.generation.fetch_add(1, Ordering::Release);
        self.shared.tell_outbox();
        Ok(())
    }

    /// Whether there is a file to write into.
    pub(super) fn is_attached(&self) -> bool {
        self.identity.is_some()
    }

    /// True if something was set aside and its place was taken by a fresh file.
    fn open_or_set_aside(&mut self) -> Result<bool, StoreError> {
        // What was found damaged may be gone meanwhile.
        if let Some(reason) = self.damaged.take().filter(|_| self.place.identity().is_some())
            && let Err(error) = self.place.leave_damaged(reason.clone())
        {
            self.damaged = Some(reason);
            return Err(error);
        }
        let opened = self.place.open().or_else(|error| {
            // With the reserve gone there may be room for its log.
            self.reserve.give_up();
            if matches!(error, StoreError::Newer { .. }) { Err(error) } else { self.place.open() }
        });
        let (connection, aside) = opened?;
        self.connection = connection;
        let fresh = !aside.is_empty();
        aside.into_iter().for_each(|aside| self.tell_set_aside(aside));
        Ok(fresh)
    }

    /// Writes what is known here into the file, in one transaction, and takes over what it says. Where nothing is missing
    /// nothing is written: a file that can only be read can be opened.
    fn unite(&mut self, found: Found) -> rusqlite::Result<()> {
        let carried = (found.next_seq < self.next_seq && found.forwarders.is_empty()).then(|| self.carried());
        let missing: Vec<_> = self.series.keys().filter(|name| !found.series.contains_key(*name)).collect();
        let mut series = found.series.clone();
        let mut forwarders = found.forwarders.clone();
        if !missing.is_empty() || self.was_attached {
            // Nobody who submits waits for the disk.
            let durable: Vec<_> = locked(&self.shared.inbox).book.durable().collect();
            let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            for name in missing {
                let own = self.series[name];
                let free = !series.values().any(|id| *id == own);
                series.insert(name.clone(), insert_series(&transaction, free.then_some(own), name)?);
            }
            for (key, value) in &self.saved {
                save(&transaction, key, value)?;
            }
            outbox::write_anew(&transaction, &durable)?;
            if let Some(carried) = carried {
                let (last_commit, stored_ever) = (self.next_seq - 1, self.stored_ever);
                carry_on(&transaction, &carried, last_commit, stored_ever, self.last_journal)?;
                forwarders = carried;
            }
            transaction.commit()?;
        }
        if !std::mem::replace(&mut self.was_attached, true) {
            let found = outbox::read(&self.connection)?;
            locked(&self.shared.inbox).book.load(found);
        }
        self.renumber(&series, found.stamps);
        self.series = series;
        self.forwarders = forwarders;
        self.next_seq = self.next_seq.max(found.next_seq);
        self.last_journal = self.last_journal.max(found.last_journal);
        self.stored_ever = self.stored_ever.max(found.stored_ever);
        // What is known here is newer.
        let known = std::mem::replace(&mut self.saved, found.saved);
        self.saved.extend(known);
        self.compactor = Compactor::new();
        self.compactor.begin_with(found.unpacked);
        let mut status = locked(&self.shared.status);
        status.newest_seq = self.next_seq - 1;
        status.unpacked = found.unpacked;
        status.undated = found.undated;
        self.dater.begin_again();
        Ok(())
    }

    /// Where forwarders stand after everything that they were still owed was lost.
    fn carried(&self) -> Forwarders {
        let mut forwarders = self.forwarders.clone();
        for totals in forwarders.values_mut() {
            totals.pending.expire(self.next_seq);
            totals.expired = self.stored_ever.saturating_sub(totals.forwarded + totals.parked);
        }
        forwarders
    }

    /// Gives everything that waits the numbers that series have in the file.
    fn renumber(&mut self, series: &Names, found: Stamps) {
        let changed = self.series.iter().filter(|(name, id)| series[*name] != **id);
        let changed: BTreeMap<SeriesId, SeriesId> = changed.map(|(name, id)| (*id, series[name])).collect();
        let own = std::mem::replace(&mut self.stamps, found);
        if changed.is_empty() {
            self.stamps.join(own);
            return;
        }
        let new = |id: SeriesId| changed.get(&id).copied().unwrap_or(id);
        let mut inbox = locked(&self.shared.inbox);
        inbox.ids.iter_mut().for_each(|id| *id = new(*id));
        inbox.rows.iter_mut().for_each(|row| row.series = new(row.series));
        self.held.rows.iter_mut().for_each(|row| row.series = new(row.series));
        if let Some(undated) = &mut self.held.undated {
            let mut again = BatchWriter::with_capacity(undated.batch.count as usize);
            let points = batch::decode(&undated.batch.body).into_iter().flatten();
            points.for_each(|(id, point)| again.push(new(id), &point));
            if let Some(batch) = again.finish() {
                undated.batch = batch;
            }
        }
        if let Some(batch) = self.held.batch.take() {
            let mut again = BatchWriter::with_capacity(batch.count as usize);
            for (id, point) in batch::decode(&batch.body).into_iter().flatten() {
                self.stamps.note(new(id), point.at);
                again.push(new(id), &point);
            }
            self.held.batch = again.finish();
        }
    }

    /// Ids of `keys`, given for good to those that are new.
    pub(super) fn series_ids(&mut self, keys: &[SeriesKey]) -> Result<Vec<SeriesId>, StoreError> {
        let fresh: BTreeSet<_> =
            keys.iter().map(name_of).filter(|name| !self.series.contains_key(name)).collect();
        if !fresh.is_empty() {
            let mut given = Vec::with_capacity(fresh.len());
            let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            for name in keys.iter().map(name_of).filter(|name| fresh.contains(name)) {
                if !given.iter().any(|(known, _)| *known == name) {
                    let id = insert_series(&transaction, None, &name)?;
                    given.push((name, id));
                }
            }
            transaction.commit()?;
            self.series.extend(given);
        }
        Ok(keys.iter().map(|key| self.series[&name_of(key)]).collect())
    }
}

/// In a fresh file after one that was lost, numbers go on.
fn carry_on(
    connection: &Connection,
    forwarders: &Forwarders,
    last_commit: u64,
    stored_ever: u64,
    last_journal: i64,
) -> rusqlite::Result<()> {
    for (name, totals) in forwarders {
        forward::save(connection, name, totals)?;
    }
    let mut meta = connection.prepare("INSERT OR REPLACE INTO meta(name, value) VALUES(?, ?)")?;
    meta.execute(params!["dropped_seq", last_commit])?;
    meta.execute(params!["packed", stored_ever])?;
    connection.execute("DELETE FROM sqlite_sequence WHERE name = 'journal'", [])?;
    connection.execute("INSERT INTO sqlite_sequence(name, seq) VALUES('journal', ?)", [last_journal])?;
    Ok(())
}

fn name_of(key: &SeriesKey) -> (String, String) {
    (key.to_string(), key.quantity.word().to_owned())
}

pub(super) fn insert_series(
    connection: &Connection,
    id: Option<SeriesId>,
    (text, quantity): &(String, String),
) -> rusqlite::Result<SeriesId> {
    connection.prepare_cached("INSERT INTO series(id, text, quantity) VALUES(?, ?, ?)")?.execute(params![
        id.map(|id| id.0),
        text,
        quantity
    ])?;
    let given = connection.last_insert_rowid();
    // A number that no store gives is damage to the file.
    u32::try_from(given).map(SeriesId).map_err(|_| rusqlite::Error::IntegralValueOutOfRange(0, given))
}
