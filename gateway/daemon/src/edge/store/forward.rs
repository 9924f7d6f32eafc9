//! What each forwarder still owes, kept in the same file as the points, and moved in the same transactions.
//!
//! For each forwarder `stored = forwarded + pending + parked + expired` at rest, where `pending` is counted from what
//! the file holds, so that the identity checks the counters.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, params};
use sumpwarden_core::store::cursor::Pending;
use sumpwarden_core::store::forward::{Delivered, ForwardTotals, Parked};

/// Parked lines kept for people to see, per forwarder; the count goes on.
const PARKED_KEPT_MAX: i64 = 10_000;

/// One step of a forwarder. Applied whole or not at all.
#[derive(Debug, Default)]
pub(super) struct Step {
    pub(super) name: String,
    pub(super) delivered: Option<Delivered>,
    /// Journal records up to this id, exclusive, are done with; some lines of them were refused for good.
    pub(super) journal: Option<(i64, Vec<Parked>)>,
    /// Make what is owed before the commit of this step a backlog of its own.
    pub(super) split: bool,
}

/// All forwarders, as the file has them.
pub(super) type Forwarders = BTreeMap<String, ForwardTotals>;

pub(super) fn load(connection: &Connection) -> rusqlite::Result<Forwarders> {
    let mut statement = connection.prepare("SELECT name FROM forward")?;
    let names: Vec<String> = statement.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    let mut all = Forwarders::new();
    for name in names {
        if let Some(totals) = load_one(connection, &name)? {
            all.insert(name, totals);
        }
    }
    Ok(all)
}

pub(super) fn load_one(connection: &Connection, name: &str) -> rusqlite::Result<Option<ForwardTotals>> {
    connection
        .prepare_cached(
            "SELECT pending, journal_from, forwarded, parked, expired FROM forward WHERE name = ?",
        )?
        .query_row([name], |row| {
            let text: String = row.get(0)?;
            let pending = Pending::parse(&text).map_err(|e| {
                rusqlite::Error::FromSqlConversionFailure(0, rusqlite::types::Type::Text, Box::new(e))
            })?;
            Ok(ForwardTotals {
                pending,
                journal_from: row.get(1)?,
                forwarded: row.get(2)?,
                parked: row.get(3)?,
                expired: row.get(4)?,
            })
        })
        .optional()
}

pub(super) fn save(connection: &Connection, name: &str, totals: &ForwardTotals) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT OR REPLACE INTO forward(name, pending, journal_from, forwarded, parked, expired)
             VALUES(?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![
            name,
            totals.pending.to_string(),
            totals.journal_from,
            totals.forwarded,
            totals.parked,
            totals.expired
        ])?;
    Ok(())
}

/// Applies `step` to the file; gives the totals that follow from it. A name seen for the first time owes everything
/// that is held. `head` is the number of this very commit.
pub(super) fn apply(
    connection: &Connection,
    forwarders: &mut Forwarders,
    step: &Step,
    head: u64,
) -> rusqlite::Result<()> {
    let mut totals = match forwarders.get(&step.name) {
        Some(known) => known.clone(),
        None => begin(connection)?,
    };
    if let Some(done) = &step.delivered
        && lies_still(connection, done)?
        && totals.pending.advance(done.from, done.to)
    {
        totals.forwarded += done.forwarded;
        totals.parked += done.parked.len() as u64;
        totals.expired += done.damaged;
        park(connection, &step.name, &done.parked)?;
    }
    if step.split {
        totals.pending.split(head);
    }
    if let Some((to, parked)) = &step.journal {
        totals.journal_from = totals.journal_from.max(*to);
        park(connection, &step.name, parked)?;
    }
    save(connection, &step.name, &totals)?;
    forwarders.insert(step.name.clone(), totals);
    Ok(())
}

/// How the points lie: another number after every packing. (Joining needs none: what a forwarder owes is not joined.)
pub(super) fn layout(connection: &Connection) -> rusqlite::Result<u64> {
    let packed = connection
        .prepare_cached("SELECT value FROM meta WHERE name = 'packed'")?
        .query_row([], |row| row.get(0))
        .optional()?;
    Ok(packed.unwrap_or(0))
}

/// Whether the place that was read up to lies between the same points as then. Meanwhile the commits around it may have
/// become one span, where points stand by series.
fn lies_still(connection: &Connection, done: &Delivered) -> rusqlite::Result<bool> {
    if layout(connection)? == done.layout {
        return Ok(true);
    }
    let inside = if done.to.position == 0 {
        "SELECT EXISTS(SELECT 1 FROM span WHERE first_seq < ?1 AND last_seq >= ?1)"
    } else {
        "SELECT EXISTS(SELECT 1 FROM span WHERE first_seq <= ?1 AND last_seq >= ?1)"
    };
    connection.prepare_cached(inside)?.query_row([done.to.seq], |row| row.get(0)).map(|packed: bool| !packed)
}

fn begin(connection: &Connection) -> rusqlite::Result<ForwardTotals> {
    let first: Option<u64> = connection.query_row(
        "SELECT min(seq) FROM (SELECT min(seq) AS seq FROM batch UNION ALL SELECT min(first_seq) FROM span)",
        [],
        |row| row.get(0),
    )?;
    let pending = Pending::since(first.unwrap_or(1));
    let held = count_held(connection)?;
    let expired = stored_ever(connection)?.saturating_sub(held);
    Ok(ForwardTotals { pending, journal_from: 1, forwarded: 0, parked: 0, expired })
}

fn park(connection: &Connection, name: &str, parked: &[Parked]) -> rusqlite::Result<()> {
    if parked.is_empty() {
        return Ok(());
    }
    let mut insert =
        connection.prepare_cached("INSERT INTO parked(forwarder, at, line, reason) VALUES(?, ?, ?, ?)")?;
    for line in parked {
        insert.execute(params![name, line.at.as_nanos(), line.line, line.reason])?;
    }
    connection
        .prepare_cached(
            "DELETE FROM parked WHERE forwarder = ?1 AND id <=
             (SELECT id FROM parked WHERE forwarder = ?1 ORDER BY id DESC LIMIT 1 OFFSET ?2)",
        )?
        .execute(params![name, PARKED_KEPT_MAX])?;
    Ok(())
}

/// Points in the file.
fn count_held(connection: &Connection) -> rusqlite::Result<u64> {
    connection.query_row(
        "SELECT (SELECT coalesce(sum(count), 0) FROM batch) + (SELECT coalesce(sum(points), 0) FROM span)",
        [],
        |row| row.get(0),
    )
}

/// Points ever made durable in this file. Names in `meta`: `packed`, points that left batches; nothing else is needed,
/// since batches are only ever left by packing or by a drop, and a drop is counted as packed too.
pub(super) fn stored_ever(connection: &Connection) -> rusqlite::Result<u64> {
    connection.query_row(
        "SELECT coalesce((SELECT value FROM meta WHERE name = 'packed'), 0)
              + (SELECT coalesce(sum(count), 0) FROM batch)",
        [],
        |row| row.get(0),
    )
}

/// Counts points that left batches, one way or another.
pub(super) fn add_packed(connection: &Connection, points: u64) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT INTO meta(name, value) VALUES('packed', ?1)
             ON CONFLICT(name) DO UPDATE SET value = value + ?1",
        )?
        .execute([points])?;
    Ok(())
}

/// Points held that `pending` owes.
pub(super) fn count_owed(connection: &Connection, pending: &Pending) -> rusqlite::Result<u64> {
    let mut owed: u64 = 0;
    for stretch in pending.stretches() {
        let until = stretch.until.unwrap_or(i64::MAX as u64);
        let held: u64 = connection
            .prepare_cached(
                "SELECT (SELECT coalesce(sum(count), 0) FROM batch WHERE seq >= ?1 AND seq < ?2)
                      + (SELECT coalesce(sum(count), 0) FROM chunk WHERE first_seq >= ?1 AND first_seq < ?2)",
            )?
            .query_row([stretch.from.seq, until], |row| row.get(0))?;
        owed += held.saturating_sub(u64::from(stretch.from.position));
    }
    Ok(owed)
}
