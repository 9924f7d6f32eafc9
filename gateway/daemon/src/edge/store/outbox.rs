//! Rows of the outbox: written in the transaction of the change they tell of, marked when something has become of them.
//!
//! For each receiver `transitions = delivered + pending + failed + expired + suppressed` at every look, where `pending` is
//! counted from the rows themselves, so that the identity checks the counters.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;

use rusqlite::{Connection, OptionalExtension, Row, params};
use sumpwarden_core::alarm::settings::Priority;
use sumpwarden_core::model::{Name, Timestamp};
use sumpwarden_core::notify::{Action, Mark, OutboxCounts, OutboxEntry, OutboxNews, OutboxRow, RowState};

use super::{Reader, Shared, Store, StoreError, WAITING_OUTBOX_MAX};

/// Rows of one receiver that may wait. Full: the oldest expires.
const PENDING_MAX: u32 = 5_000;
/// Rows that are done with are kept so long for people to see,
const DONE_KEPT: Duration = Duration::from_hours(30 * 24);
/// and at most so many of them.
const DONE_MAX: u32 = 20_000;
/// Rows deleted at once.
const SWEEP_ROWS: u32 = 2_000;
/// Text of a reason that is kept, characters.
const REASON_CHARS_MAX: usize = 300;

/// Rows that wait for the writer.
#[derive(Debug, Default)]
pub(super) struct Waiting {
    entries: VecDeque<OutboxEntry>,
    /// Rows that never became durable, by receiver.
    dropped: BTreeMap<Name, u64>,
}

impl Waiting {
    pub(super) fn extend(&mut self, entries: Vec<OutboxEntry>) {
        self.entries.extend(entries);
        while self.entries.len() > WAITING_OUTBOX_MAX {
            let oldest = self.entries.pop_front().expect("more than the maximum are some");
            tracing::error!(receiver = %oldest.receiver, key = oldest.key, "a message was dropped: the store cannot be written");
            *self.dropped.entry(oldest.receiver).or_default() += 1;
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }
}

pub(super) fn append(connection: &Connection, waiting: &Waiting) -> rusqlite::Result<()> {
    let mut insert = connection.prepare_cached(
        "INSERT OR IGNORE INTO outbox(receiver, key, sequence, action, priority, at, body) VALUES(?, ?, ?, ?, ?, ?, ?)",
    )?;
    let mut receivers = BTreeSet::new();
    for entry in &waiting.entries {
        let written = insert.execute(params![
            entry.receiver.as_str(),
            entry.key,
            entry.sequence,
            entry.action.word(),
            entry.priority.word(),
            entry.at.as_nanos(),
            entry.body
        ])?;
        count(connection, entry.receiver.as_str(), "transitions", written as u64)?;
        receivers.insert((entry.receiver.as_str(), entry.at));
    }
    for (receiver, dropped) in &waiting.dropped {
        count(connection, receiver.as_str(), "transitions", *dropped)?;
        count(connection, receiver.as_str(), RowState::Expired.word(), *dropped)?;
    }
    for (receiver, at) in receivers {
        expire_excess(connection, receiver, at)?;
    }
    Ok(())
}

/// The oldest rows of a receiver beyond [`PENDING_MAX`] expire.
fn expire_excess(connection: &Connection, receiver: &str, at: Timestamp) -> rusqlite::Result<()> {
    let newest_excess: Option<i64> = connection
        .prepare_cached(
            "SELECT id FROM outbox WHERE receiver = ? AND state = 'pending' ORDER BY id DESC LIMIT 1 OFFSET ?",
        )?
        .query_row(params![receiver, PENDING_MAX], |row| row.get(0))
        .optional()?;
    let Some(id) = newest_excess else { return Ok(()) };
    let expired = connection
        .prepare_cached(
            "UPDATE outbox SET state = 'expired', done_at = ?, reason = 'too many wait'
             WHERE receiver = ? AND state = 'pending' AND id <= ?",
        )?
        .execute(params![at.as_nanos(), receiver, id])?;
    count(connection, receiver, RowState::Expired.word(), expired as u64)
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
}

impl Store {
    /// Changes whenever rows of the outbox have become durable.
    pub fn outbox_news(&self) -> tokio::sync::watch::Receiver<OutboxNews> {
        self.shared.news.subscribe()
    }

    /// Records what has become of rows; returns once that is durable.
    pub async fn outbox_mark(&self, marks: Vec<Mark>) -> Result<(), StoreError> {
        let (reply, answer) = tokio::sync::oneshot::channel();
        self.ask(|inbox| inbox.marks.push((marks, reply)))?;
        answer.await.map_err(|_| StoreError::Closed)
    }
}

impl Reader {
    /// Rows of a receiver that are to be sent, after row `id`, in the order they became durable, at most `limit`.
    pub fn outbox_after(
        &mut self,
        receiver: &Name,
        id: i64,
        limit: u32,
    ) -> Result<Vec<OutboxRow>, StoreError> {
        let connection = self.fresh()?;
        let mut statement = connection.prepare_cached(
            "SELECT id, key, sequence, action, priority, at, body, attempts FROM outbox
             WHERE receiver = ? AND state = 'pending' AND id > ? ORDER BY id LIMIT ?",
        )?;
        let rows =
            statement.query_map(params![receiver.as_str(), id, limit], |row| outbox_row(receiver, row))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// What has become of the rows of every receiver that ever had one, all from one look.
    pub fn outbox_counts(&mut self) -> Result<BTreeMap<String, OutboxCounts>, StoreError> {
        let connection = self.fresh()?;
        let mut statement = connection.prepare_cached(COUNTS)?;
        let rows = statement.query_map([], counts_of)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// What has become of the rows of one receiver.
    pub fn outbox_counts_of(&mut self, receiver: &Name) -> Result<OutboxCounts, StoreError> {
        let connection = self.fresh()?;
        let mut statement = connection.prepare_cached(&format!("{COUNTS} WHERE receiver = ?"))?;
        let counts = statement.query_row([receiver.as_str()], |row| Ok(counts_of(row)?.1)).optional()?;
        Ok(counts.unwrap_or_default())
    }

    /// When a row of the receiver was taken last.
    pub fn outbox_delivered_at(&mut self, receiver: &Name) -> Result<Option<Timestamp>, StoreError> {
        let at: Option<i64> = self
            .fresh()?
            .prepare_cached("SELECT max(done_at) FROM outbox WHERE receiver = ? AND state = 'delivered'")?
            .query_row([receiver.as_str()], |row| row.get(0))?;
        Ok(at.map(Timestamp::from_nanos))
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
