//! Dropping what is too old or too much, a span at a time, and keeping the journal and the rollups in bounds.

use std::time::{Duration, Instant};

use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};
use sumpwarden_core::model::{Timestamp, Uptime};
use sumpwarden_core::store::retention::{self, AgeBrake, Allowance, DropReason, Holding};

use super::schema::WAL_BYTES_MAX;
use super::writer::{Writer, note_dropped};
use super::{Dropped, StoreEvent, forward, locked, outbox, undated};

/// Width of the finer rollups, ns.
pub(super) const HOUR: u64 = 3_600_000_000_000;
/// Width of the coarser rollups, ns.
pub(super) const DAY: u64 = 24 * HOUR;

/// How often space and age are looked at.
const LOOK_EVERY: Duration = Duration::from_secs(2);
/// How often old journal records and rollups are looked for, and how many go at once.
const SWEEP_EVERY: Duration = Duration::from_secs(60);
const SWEEP_ROWS: u32 = 2_000;
/// Pages given back to the disk at once while it is nearly full.
const VACUUM_PAGES: u32 = 2_000;

/// Decides when to look.
#[derive(Debug)]
pub(super) struct Retainer {
    start: Instant,
    looked: Option<Instant>,
    /// None before the first sweep: a process that is often started anew sweeps as well.
    swept: Option<Instant>,
    brake: AgeBrake,
}

/// The oldest span.
struct Oldest {
    first_seq: u64,
    last_seq: u64,
    first_at: Timestamp,
    last_at: Timestamp,
    points: u64,
}

impl Retainer {
    pub(super) fn new(now: Instant) -> Self {
        Self { start: now, looked: None, swept: None, brake: AgeBrake::new(Uptime::from_nanos(0)) }
    }

    /// Looks, and drops at most one span; true if there may be more to drop.
    pub(super) fn work(&mut self, writer: &mut Writer) -> rusqlite::Result<bool> {
        if self.looked.is_some_and(|looked| looked.elapsed() < LOOK_EVERY) {
            return Ok(false);
        }
        if writer.wal_bytes() > WAL_BYTES_MAX {
            writer.copy_log_into_file()?;
        }
        let newest = newest_stamp(&writer.connection)?;
        let oldest = oldest_span(&writer.connection)?;
        let holding = Holding {
            bytes: bytes_in_use(&writer.connection)?,
            free: bytes_free(writer.shared.directory.as_path()),
            oldest_span_last_at: oldest.as_ref().map(|o| o.last_at),
        };
        let settings = &writer.settings;
        let allowance = Allowance {
            keep_raw: settings.keep_raw,
            bytes_max: settings.bytes_max,
            free_min: settings.free_min,
        };
        {
            let mut status = locked(&writer.shared.status);
            status.bytes = holding.bytes;
            status.fullness = retention::fullness(&allowance, &holding);
        }
        // Age is counted from the newest stamp in the store: no clock is asked, and a store at rest does not age.
        let reason = newest.and_then(|newest| retention::decide(&allowance, &holding, newest));
        if drop_undated(writer, reason, newest, oldest.is_none())? {
            return Ok(true);
        }
        if let (Some(reason), Some(oldest)) = (reason, oldest)
            && (reason != DropReason::Age
                || self.brake.allows(self.now(), oldest.last_at.since(oldest.first_at)))
        {
            drop_span(writer, &oldest, reason)?;
            if reason == DropReason::DiskFloor {
                give_back(&writer.connection)?;
            }
            return Ok(true);
        }
        if reason == Some(DropReason::DiskFloor) {
            give_back(&writer.connection)?;
        }
        if self.swept.is_none_or(|swept| swept.elapsed() >= SWEEP_EVERY) {
            self.swept = Some(Instant::now());
            sweep(writer, newest)?;
        }
        self.looked = Some(Instant::now());
        Ok(false)
    }

    fn now(&self) -> Uptime {
        Uptime::from_nanos(self.start.elapsed().as_nanos() as u64)
    }
}

/// Gives empty pages back to the disk, which has them once the log is copied into the file.
fn give_back(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute_batch(&format!("PRAGMA incremental_vacuum({VACUUM_PAGES})"))?;
    connection.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()))
}

fn oldest_span(connection: &Connection) -> rusqlite::Result<Option<Oldest>> {
    connection
        .prepare_cached(
            "SELECT first_seq, last_seq, first_at, last_at, points FROM span ORDER BY first_seq LIMIT 1",
        )?
        .query_row([], |row| {
            Ok(Oldest {
                first_seq: row.get(0)?,
                last_seq: row.get(1)?,
                first_at: Timestamp::from_nanos(row.get(2)?),
                last_at: Timestamp::from_nanos(row.get(3)?),
                points: row.get(4)?,
            })
        })
        .optional()
}

/// Latest stamp of the newest commits.
pub(super) fn newest_stamp(connection: &Connection) -> rusqlite::Result<Option<Timestamp>> {
    let at: Option<i64> = connection
        .prepare_cached(
            "SELECT max(at) FROM (SELECT last_at AS at FROM (SELECT last_at FROM batch ORDER BY seq DESC LIMIT 1)
             UNION ALL SELECT last_at FROM (SELECT last_at FROM span ORDER BY first_seq DESC LIMIT 1))",
        )?
        .query_row([], |row| row.get(0))?;
    Ok(at.map(Timestamp::from_nanos))
}

/// Pages that hold something, in bytes.
fn bytes_in_use(connection: &Connection) -> rusqlite::Result<u64> {
    let number = |pragma| connection.query_row(pragma, [], |row| row.get::<_, u64>(0));
    let pages = number("PRAGMA page_count")?.saturating_sub(number("PRAGMA freelist_count")?);
    Ok(pages * number("PRAGMA page_size")?)
}

/// Bytes free to us; plenty where the system does not say.
pub(super) fn bytes_free(directory: &std::path::Path) -> u64 {
    rustix::fs::statvfs(directory).map_or(u64::MAX, |s| s.f_bavail.saturating_mul(s.f_frsize))
}

/// What cannot be dated goes by the same age, and before everything else where there is no room; what waits for its date goes
/// last. True if something went.
fn drop_undated(
    writer: &Writer,
    reason: Option<DropReason>,
    newest: Option<Timestamp>,
    nothing_else: bool,
) -> rusqlite::Result<bool> {
    let held = locked(&writer.shared.status).undated;
    if held.waiting + held.aside == 0 {
        return Ok(false);
    }
    let room = reason.filter(|reason| *reason != DropReason::Age);
    let before = newest.map(|newest| newest.minus(writer.settings.keep_raw));
    let (reason, before, waiting_too) = match (room, before) {
        (Some(reason), _) => (reason, None, nothing_else && held.aside == 0),
        (None, Some(before)) => (DropReason::Age, Some(before), false),
        (None, None) => return Ok(false),
    };
    let transaction = writer.connection.unchecked_transaction()?;
    let gone = undated::drop_oldest(&transaction, before, waiting_too)?;
    let Some((count, first_at, last_at)) = gone else { return Ok(false) };
    let dropped = Dropped { reason, count, first_at, last_at };
    note_dropped(&transaction, &dropped)?;
    transaction.commit()?;
    locked(&writer.shared.status).undated = undated::count(&writer.connection)?;
    tracing::info!(reason = reason.word(), count, "points without a date dropped");
    writer.tell(StoreEvent::Dropped(dropped));
    Ok(true)
}

fn drop_span(writer: &mut Writer, oldest: &Oldest, reason: DropReason) -> rusqlite::Result<()> {
    let dropped =
        Dropped { reason, count: oldest.points, first_at: oldest.first_at, last_at: oldest.last_at };
    let mut forwarders = writer.forwarders.clone();
    let transaction = writer.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for (name, totals) in &mut forwarders {
        let before = forward::count_owed(&transaction, &totals.pending)?;
        totals.pending.expire(oldest.last_seq + 1);
        totals.expired += before.saturating_sub(forward::count_owed(&transaction, &totals.pending)?);
        forward::save(&transaction, name, totals)?;
    }
    transaction
        .execute("DELETE FROM chunk WHERE first_seq BETWEEN ? AND ?", [oldest.first_seq, oldest.last_seq])?;
    transaction.execute("DELETE FROM span WHERE first_seq = ?", [oldest.first_seq])?;
    transaction
        .execute("INSERT OR REPLACE INTO meta(name, value) VALUES('dropped_seq', ?)", [oldest.last_seq])?;
    note_dropped(&transaction, &dropped)?;
    transaction.commit()?;
    writer.forwarders = forwarders;
    tracing::info!(
        reason = reason.word(), count = dropped.count, first = %dropped.first_at, last = %dropped.last_at,
        "raw points dropped"
    );
    writer.tell(StoreEvent::Dropped(dropped));
    Ok(())
}

/// Rows of the outbox, journal records and rollups past their age, a few at a time.
fn sweep(writer: &Writer, newest: Option<Timestamp>) -> rusqlite::Result<()> {
    outbox::sweep(&writer.connection, newest)?;
    let Some(newest) = newest else { return Ok(()) };
    let before = newest.minus(writer.settings.keep_journal).as_nanos();
    writer.connection.execute(
        "DELETE FROM journal WHERE id IN (SELECT id FROM journal WHERE at < ? ORDER BY at LIMIT ?)",
        params![before, SWEEP_ROWS],
    )?;
    writer.connection.execute(
        "DELETE FROM undated_journal WHERE not_after < ? AND id NOT IN (SELECT id FROM journal)",
        [newest.as_nanos()],
    )?;
    let mut series = writer.connection.prepare_cached("SELECT id FROM series")?;
    let ids: Vec<u32> = series.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    for id in ids {
        for width in [HOUR, DAY] {
            writer
                .connection
                .prepare_cached("DELETE FROM rollup WHERE series = ? AND width = ? AND start < ?")?
                .execute(params![id, width, before])?;
        }
    }
    Ok(())
}
