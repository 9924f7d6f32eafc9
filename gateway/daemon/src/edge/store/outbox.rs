//! Rows of the outbox: written in the transaction of the change they tell of, marked when something has become of them.
//!
//! For each receiver `transitions = delivered + pending + failed + expired + suppressed` at every look, where `pending` is
//! counted from the rows themselves, so that the identity checks the counters.

mod book;

use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

use rusqlite::{Connection, OptionalExtension, Row, params};
use sumpwarden_core::alarm::settings::Priority;
use sumpwarden_core::model::{Name, Timestamp};
use sumpwarden_core::notify::{Action, Mark, OutboxCounts, OutboxEntry, OutboxNews, OutboxRow, RowState};

use super::inbox::Inbox;
use super::{Reader, Shared, Store, StoreError, locked};

pub(super) use book::{Book, Waiting, Written};
use book::{Loaded, Numbered};

/// Rows of one receiver that may wait. Full: the oldest expires.
const PENDING_MAX: u32 = 5_000;
/// Rows that are done with are kept so long for people to see.
const DONE_KEPT: Duration = Duration::from_hours(30 * 24);
/// Most of them that are kept.
pub const DONE_MAX: u32 = 20_000;
/// Rows deleted at once.
const SWEEP_ROWS: u32 = 2_000;
/// Text of a reason that is kept, characters.
const REASON_CHARS_MAX: usize = 300;

/// Writes rows under their numbers. One that is there already, by what it says, stays as it is.
pub(super) fn append(connection: &Connection, waiting: &Waiting) -> rusqlite::Result<Written> {
    let mut written = Written::default();
    let mut receivers = BTreeSet::new();
    for (id, entry) in &waiting.entries {
        let fresh = insert(connection, *id, entry)?;
        count(connection, entry.receiver.as_str(), "transitions", u64::from(fresh))?;
        // Its own row is there where a commit that was reported as failed is in the file after all.
        if !fresh && !is_there(connection, *id, entry)? {
            written.known.push(*id);
        }
        receivers.insert((&entry.receiver, entry.at));
    }
    for (receiver, dropped) in &waiting.dropped {
        count(connection, receiver.as_str(), "transitions", *dropped)?;
        count(connection, receiver.as_str(), RowState::Expired.word(), *dropped)?;
    }
    for (receiver, at) in receivers {
        let to = expire_excess(connection, receiver.as_str(), at)?;
        written.expired.extend(to.map(|to| (receiver.clone(), to)));
    }
    Ok(written)
}

/// Writes into a fresh file what was durable in one that is gone.
pub(super) fn write_anew(connection: &Connection, durable: &[Numbered]) -> rusqlite::Result<()> {
    for (id, entry) in durable {
        if insert(connection, *id, entry)? {
            count(connection, entry.receiver.as_str(), "transitions", 1)?;
        }
    }
    Ok(())
}

fn is_there(connection: &Connection, id: i64, entry: &OutboxEntry) -> rusqlite::Result<bool> {
    connection
        .prepare_cached(
            "SELECT EXISTS(SELECT 1 FROM outbox
             WHERE id = ? AND receiver = ? AND key = ? AND sequence = ? AND action = ?)",
        )?
        .query_row(
            params![id, entry.receiver.as_str(), entry.key, entry.sequence, entry.action.word()],
            |row| row.get(0),
        )
}

fn insert(connection: &Connection, id: i64, entry: &OutboxEntry) -> rusqlite::Result<bool> {
    let mut insert = connection.prepare_cached(
        "INSERT OR IGNORE INTO outbox(id, receiver, key, sequence, action, priority, at, body)
         VALUES(?, ?, ?, ?, ?, ?, ?, ?)",
    )?;
    let written = insert.execute(params![
        id,
        entry.receiver.as_str(),
        entry.key,
        entry.sequence,
        entry.action.word(),
        entry.priority.word(),
        entry.at.as_nanos(),
        entry.body
    ])?;
    Ok(written > 0)
}

/// Reads the rows of a file that are still to be sent, and what has become of the others.
pub(super) fn read(connection: &Connection) -> rusqlite::Result<Loaded> {
    let newest: i64 = connection.query_row(
        "SELECT max(coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'outbox'), 0),
                    coalesce((SELECT max(id) FROM outbox), 0))",
        [],
        |row| row.get(0),
    )?;
    let mut select = connection.prepare(
        "SELECT id, key, sequence, action, priority, at, body, attempts, receiver FROM outbox
         WHERE state = 'pending' ORDER BY id",
    )?;
    let rows = select.query_map([], |row| {
        let receiver: String = row.get(8)?;
        Name::new(&receiver).ok().map(|receiver| outbox_row(&receiver, row)).transpose()
    })?;
    let rows: Vec<Option<OutboxRow>> = rows.collect::<Result<_, _>>()?;
    let mut stands = BTreeMap::new();
    let mut select = connection.prepare(COUNTS)?;
    for found in select.query_map([], counts_of)? {
        let (receiver, counts) = found?;
        let taken_at: Option<i64> = connection
            .prepare_cached("SELECT max(done_at) FROM outbox WHERE receiver = ? AND state = 'delivered'")?
            .query_row([&receiver], |row| row.get(0))?;
        // A name that is none can only be of another hand.
        let Ok(receiver) = Name::new(&receiver) else { continue };
        stands.insert(receiver, (counts, taken_at.map(Timestamp::from_nanos)));
    }
    Ok(Loaded { newest, rows: rows.into_iter().flatten().collect(), stands })
}

/// The oldest rows of a receiver beyond [`PENDING_MAX`] expire; gives the number of the newest of them.
fn expire_excess(connection: &Connection, receiver: &str, at: Timestamp) -> rusqlite::Result<Option<i64>> {
    let newest_excess: Option<i64> = connection
        .prepare_cached(
            "SELECT id FROM outbox WHERE receiver = ? AND state = 'pending' ORDER BY id DESC LIMIT 1 OFFSET ?",
        )?
        .query_row(params![receiver, PENDING_MAX], |row| row.get(0))
        .optional()?;
    let Some(id) = newest_excess else { return Ok(None) };
    let expired = connection
        .prepare_cached(
            "UPDATE outbox SET state = 'expired', done_at = ?, reason = 'too many wait'
             WHERE receiver = ? AND state = 'pending' AND id <= ?",
        )?
        .execute(params![at.as_nanos(), receiver, id])?;
    count(connection, receiver, RowState::Expired.word(), expired as u64)?;
    Ok(Some(id))
}

pub(super) fn apply(connection: &Connection, marks: &[Mark]) -> rusqlite::Result<()> {
    for mark in marks {
        match mark {
            Mark::Rows { ids, state, reason, at } => {
                mark_rows(connection, ids, *state, reason.as_deref(), *at)?
            }
            Mark::Configured { receivers, at } => suppress_others(connection, receivers, *at)?,
        }
    }
    Ok(())
}

fn mark_rows(
    connection: &Connection,
    ids: &[i64],
    state: RowState,
    reason: Option<&str>,
    at: Timestamp,
) -> rusqlite::Result<()> {
    let mut update = connection.prepare_cached(
        "UPDATE outbox SET state = ?1, attempts = attempts + ?2, done_at = ?3, reason = ?4
         WHERE id = ?5 AND state = 'pending' RETURNING receiver",
    )?;
    let reason: Option<String> = reason.map(|reason| reason.chars().take(REASON_CHARS_MAX).collect());
    let tried = u32::from(state != RowState::Expired);
    let done_at = (state != RowState::Pending).then(|| at.as_nanos());
    for id in ids {
        let receiver: Option<String> = update
            .query_row(params![state.word(), tried, done_at, reason, id], |row| row.get(0))
            .optional()?;
        if let Some(receiver) = receiver.filter(|_| state != RowState::Pending) {
            count(connection, &receiver, state.word(), 1)?;
        }
    }
    Ok(())
}

fn suppress_others(connection: &Connection, receivers: &[Name], at: Timestamp) -> rusqlite::Result<()> {
    let waiting: Vec<String> = connection
        .prepare_cached("SELECT DISTINCT receiver FROM outbox WHERE state = 'pending'")?
        .query_map([], |row| row.get(0))?
        .collect::<Result<_, _>>()?;
    for receiver in waiting.iter().filter(|one| !receivers.iter().any(|known| known.as_str() == one.as_str()))
    {
        let suppressed = connection
            .prepare_cached(
                "UPDATE outbox SET state = 'suppressed', done_at = ?, reason = 'the receiver is no longer configured'
                 WHERE receiver = ? AND state = 'pending'",
            )?
            .execute(params![at.as_nanos(), receiver])?;
        count(connection, receiver, RowState::Suppressed.word(), suppressed as u64)?;
    }
    Ok(())
}

/// Adds to one of a receiver's totals.
fn count(connection: &Connection, receiver: &str, column: &'static str, more: u64) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR IGNORE INTO outbox_total(receiver, transitions) VALUES(?, 0)")?
        .execute([receiver])?;
    connection
        .prepare_cached(&format!("UPDATE outbox_total SET {column} = {column} + ? WHERE receiver = ?"))?
        .execute(params![more, receiver])?;
    Ok(())
}

/// Puts the totals right after rows or totals were lost with a damaged file: what was lost of them counts as expired.
pub(super) fn settle(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute_batch(
        "BEGIN IMMEDIATE;
         INSERT OR IGNORE INTO outbox_total(receiver, transitions, delivered, failed, expired, suppressed)
         SELECT receiver, count(*), sum(state = 'delivered'), sum(state = 'failed'), sum(state = 'expired'),
                sum(state = 'suppressed') FROM outbox GROUP BY receiver;
         UPDATE outbox_total SET transitions = max(transitions, delivered + failed + expired + suppressed +
             (SELECT count(*) FROM outbox o WHERE o.receiver = outbox_total.receiver AND o.state = 'pending'));
         UPDATE outbox_total SET expired = transitions - delivered - failed - suppressed -
             (SELECT count(*) FROM outbox o WHERE o.receiver = outbox_total.receiver AND o.state = 'pending');
         COMMIT;",
    )
}

/// Deletes rows that were done with long ago, counted from the newest stamp in the store, and those that are too many.
pub(super) fn sweep(connection: &Connection, newest: Option<Timestamp>) -> rusqlite::Result<()> {
    let before = newest.map_or(i64::MIN, |newest| newest.minus(DONE_KEPT).as_nanos());
    let excess: Option<i64> = connection
        .prepare_cached(
            "SELECT done_at FROM outbox WHERE done_at IS NOT NULL ORDER BY done_at DESC LIMIT 1 OFFSET ?",
        )?
        .query_row([DONE_MAX], |row| row.get(0))
        .optional()?;
    connection
        .prepare_cached(
            "DELETE FROM outbox WHERE id IN (SELECT id FROM outbox WHERE done_at IS NOT NULL AND done_at <= ?
             ORDER BY done_at LIMIT ?)",
        )?
        .execute(params![before.max(excess.unwrap_or(i64::MIN)), SWEEP_ROWS])?;
    Ok(())
}

impl Shared {
    /// Wakes those who send.
    pub(super) fn tell_outbox(&self) {
        let generation = self.generation();
        self.news.send_modify(|news| *news = OutboxNews { generation, commits: news.commits + 1 });
    }

    /// Rows that were taken are durable.
    pub(super) fn settle(&self, taken: &Waiting, written: Written) {
        let mut inbox = locked(&self.inbox);
        let news = inbox.book.settle(taken, written);
        if self.released.send_replace(false) {
            tracing::info!("messages are durable again before they are sent");
        }
        if news {
            self.tell_outbox();
        }
    }

    /// Rows that wait in memory go out from there if they have waited for too long.
    pub(super) fn release_late(&self, inbox: &mut Inbox) {
        if inbox.book.is_late(Instant::now()) {
            self.release(inbox);
        }
    }

    /// Rows that wait in memory go out from there.
    pub(super) fn release(&self, inbox: &mut Inbox) {
        if inbox.book.release() {
            tracing::error!("the store cannot be written; messages go out from memory");
            self.released.send_replace(true);
            self.tell_outbox();
        }
    }
}

impl Store {
    /// Changes whenever rows of the outbox have become durable.
    pub fn outbox_news(&self) -> tokio::sync::watch::Receiver<OutboxNews> {
        self.shared.news.subscribe()
    }

    /// Rows of a receiver that are to be sent, after row `id`, in their order, at most `limit`: those that are durable, and
    /// where the store has not been written for a while those that wait in memory as well. Never waits for the disk.
    pub fn outbox_after(&self, receiver: &Name, id: i64, limit: u32) -> Vec<OutboxRow> {
        locked(&self.shared.inbox).book.after(receiver, id, limit)
    }

    /// What has become of the rows of one receiver, and when one was taken last. Never waits for the disk.
    pub fn outbox_stand(&self, receiver: &Name) -> (OutboxCounts, Option<Timestamp>) {
        locked(&self.shared.inbox).book.stand(receiver)
    }

    /// Records what has become of rows; returns once that is durable, or, where the store cannot be written, once it is to be
    /// written with the rows.
    pub async fn outbox_mark(&self, marks: Vec<Mark>) -> Result<(), StoreError> {
        let mut released = self.shared.released.subscribe();
        let (reply, answer) = tokio::sync::oneshot::channel();
        self.ask(|inbox| {
            inbox.book.mark(&marks);
            let kept = |mark: &Mark| !matches!(mark, Mark::Rows { state: RowState::Pending, .. });
            // An attempt more or less is not worth memory for as long as nothing can be written.
            let marks =
                if inbox.book.is_released() { marks.into_iter().filter(kept).collect() } else { marks };
            inbox.marks.push((marks, reply));
        })?;
        tokio::select! {
            durable = answer => durable.map_err(|_| StoreError::Closed),
            waited = released.wait_for(|released| *released) => waited.map(drop).map_err(|_| StoreError::Closed),
        }
    }
}

impl Reader {
    /// What has become of the rows of every receiver that ever had one, all from one look.
    pub fn outbox_counts(&mut self) -> Result<BTreeMap<String, OutboxCounts>, StoreError> {
        let connection = self.fresh()?;
        let mut statement = connection.prepare_cached(COUNTS)?;
        let rows = statement.query_map([], counts_of)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}

/// Receiver and counts; those that wait are counted where they stand.
const COUNTS: &str = "SELECT receiver, transitions, delivered, failed, expired, suppressed,
    (SELECT count(*) FROM outbox o WHERE o.receiver = outbox_total.receiver AND o.state = 'pending')
    FROM outbox_total";

fn counts_of(row: &Row<'_>) -> rusqlite::Result<(String, OutboxCounts)> {
    let counts = OutboxCounts {
        transitions: row.get(1)?,
        delivered: row.get(2)?,
        failed: row.get(3)?,
        expired: row.get(4)?,
        suppressed: row.get(5)?,
        pending: row.get(6)?,
    };
    Ok((row.get(0)?, counts))
}

/// A word that this version does not know is taken for the loudest one: nobody can say what it allowed.
fn outbox_row(receiver: &Name, row: &Row<'_>) -> rusqlite::Result<OutboxRow> {
    let (action, priority): (String, String) = (row.get(3)?, row.get(4)?);
    let entry = OutboxEntry {
        receiver: receiver.clone(),
        key: row.get(1)?,
        sequence: row.get(2)?,
        action: Action::from_word(&action).unwrap_or(Action::Raise),
        priority: Priority::from_word(&priority).unwrap_or(Priority::High),
        at: Timestamp::from_nanos(row.get(5)?),
        body: row.get(6)?,
    };
    Ok(OutboxRow { id: row.get(0)?, entry, attempts: row.get(7)? })
}

#[cfg(test)]
mod tests;
