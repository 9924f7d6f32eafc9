//! Taking out what is held, in an order that people can use: from a file that is whole, by SQLite, or from a damaged one by
//! [`super::Salvage`]. What cannot be read is passed over and named at the end.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::path::Path;

use rusqlite::types::Value;
use rusqlite::{Connection, params};
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::{JournalEntry, Point, SeriesId, StoredSeries, batch, chunk};

use super::quiet::Quiet;
use super::{Salvage, StoreError, reader, schema};

/// One row of the outbox.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct OutboxLine {
    /// Its number.
    pub id: i64,
    /// Whom it is for.
    pub receiver: String,
    /// Site, alarm and occurrence.
    pub key: String,
    /// Which change of that occurrence.
    pub sequence: i64,
    /// Word of what it asks.
    pub action: String,
    /// Word of its priority.
    pub priority: String,
    /// When it came about.
    pub at: Timestamp,
    /// What is told, as JSON. Untrusted text.
    pub body: String,
    /// What became of it: `pending`, `delivered`, `failed`, `expired`, `suppressed`.
    pub state: String,
    /// Since when, where it is done with.
    pub done_at: Option<Timestamp>,
    /// Why. Untrusted text.
    pub reason: Option<String>,
}

/// A line that a forwarder's other side will never take.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ParkedLine {
    /// Which forwarder.
    pub forwarder: String,
    /// Stamp of the point.
    pub at: Timestamp,
    /// The line as it was sent.
    pub line: String,
    /// What the other side said. Untrusted text.
    pub reason: String,
}

/// A point without a date: it lies between two moments.
#[derive(Clone, PartialEq, Debug)]
pub struct UndatedPoint {
    /// The boot of the machine it belongs to.
    pub boot: String,
    /// Time since the machine was started, ns.
    pub uptime_ns: i64,
    /// It was not before that, as far as the gateway could know.
    pub not_before: Timestamp,
    /// It was not after that; none while it may still be dated.
    pub not_after: Option<Timestamp>,
    /// Which series.
    pub series: SeriesId,
    /// Its numbers; its stamp is `not_before`.
    pub point: Point,
}

impl UndatedPoint {
    /// Those of a row with its columns in the order of the table; none if it is no such row, or damaged.
    pub(super) fn of(values: &[Value]) -> Option<Vec<Self>> {
        use Value::{Blob, Integer, Text};
        let [_, Text(boot), Integer(zero), Integer(_), Integer(_), Integer(_), not_after, Blob(body)] =
            values
        else {
            return None;
        };
        let not_after = if let Integer(at) = not_after { Some(Timestamp::from_nanos(*at)) } else { None };
        let of = |(series, point): (SeriesId, Point)| Self {
            boot: boot.clone(),
            uptime_ns: point.at.as_nanos().saturating_sub(*zero),
            not_before: point.at,
            not_after,
            series,
            point,
        };
        Some(batch::decode(body).ok()?.map(of).collect())
    }
}

/// Rows that could not be read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Skipped {
    /// Of which table; `page` where that is not known.
    pub table: &'static str,
    /// Which series, where that is known.
    pub series: Option<String>,
    /// How many rows.
    pub rows: u64,
    /// How many points were in them, as far as that is known.
    pub points: u64,
    /// From when to when, where that is known.
    pub stretch: Option<(Timestamp, Timestamp)>,
}

impl fmt::Display for Skipped {
    /// `chunk, probe/lathe-1/ph: 1 row, 4096 points, 2026-… to 2026-…`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.table)?;
        if let Some(series) = &self.series {
            write!(f, ", {series}")?;
        }
        write!(f, ": {} row{}", self.rows, if self.rows == 1 { "" } else { "s" })?;
        if self.points > 0 {
            write!(f, ", {} points", self.points)?;
        }
        match self.stretch {
            Some((from, to)) => write!(f, ", {from} to {to}"),
            None => Ok(()),
        }
    }
}

/// What was passed over, gathered by table and series.
#[derive(Clone, Debug, Default)]
pub(super) struct Skips {
    by: BTreeMap<(&'static str, Option<String>), Skipped>,
    /// Batches that were noted already: every series comes past them.
    batches: BTreeSet<i64>,
}

impl Skips {
    pub(super) fn note(
        &mut self,
        table: &'static str,
        points: u64,
        series: Option<String>,
        stretch: Option<(Timestamp, Timestamp)>,
    ) {
        let empty = Skipped { table, series: series.clone(), rows: 0, points: 0, stretch: None };
        let skipped = self.by.entry((table, series)).or_insert(empty);
        skipped.rows += 1;
        skipped.points += if matches!(table, "batch" | "chunk") { points } else { 0 };
        skipped.stretch = match (skipped.stretch, stretch) {
            (Some((a, b)), Some((c, d))) => Some((a.min(c), b.max(d))),
            (one, other) => one.or(other),
        };
    }

    pub(super) fn note_batch(&mut self, seq: i64, points: u64, stretch: (Timestamp, Timestamp)) {
        if self.batches.insert(seq) {
            self.note("batch", points, None, Some(stretch));
        }
    }

    pub(super) fn list(&self) -> Vec<Skipped> {
        self.by.values().cloned().collect()
    }
}

/// A file to take things out of.
pub trait Holding {
    /// Every series.
    fn series(&mut self) -> Result<Vec<StoredSeries>, StoreError>;
    /// Points of a series in `from..until`, in time order, each stamp once.
    fn points(
        &mut self,
        series: SeriesId,
        from: Timestamp,
        until: Timestamp,
        see: &mut dyn FnMut(Point),
    ) -> Result<(), StoreError>;
    /// The journal in order of arrival.
    fn journal(&mut self, see: &mut dyn FnMut(JournalEntry)) -> Result<(), StoreError>;
    /// The outbox in order of arrival.
    fn outbox(&mut self, see: &mut dyn FnMut(OutboxLine)) -> Result<(), StoreError>;
    /// Parked lines in order of arrival.
    fn parked(&mut self, see: &mut dyn FnMut(ParkedLine)) -> Result<(), StoreError>;
    /// Points without a date, in order of arrival.
    fn undated(&mut self, see: &mut dyn FnMut(UndatedPoint)) -> Result<(), StoreError>;
    /// What could not be read so far.
    fn skipped(&self) -> Vec<Skipped>;
}

impl OutboxLine {
    /// A row with its columns in the order of the table.
    pub(super) fn of(id: i64, values: &[Value]) -> Option<Self> {
        use Value::{Integer, Text};
        let [
            _,
            Text(receiver),
            Text(key),
            Integer(sequence),
            Text(action),
            Text(priority),
            Integer(at),
            Text(body),
            Text(state),
            Integer(_),
            done_at,
            reason,
        ] = values
        else {
            return None;
        };
        Some(Self {
            id,
            receiver: receiver.clone(),
            key: key.clone(),
            sequence: *sequence,
            action: action.clone(),
            priority: priority.clone(),
            at: Timestamp::from_nanos(*at),
            body: body.clone(),
            state: state.clone(),
            done_at: if let Integer(at) = done_at { Some(Timestamp::from_nanos(*at)) } else { None },
            reason: if let Text(reason) = reason { Some(reason.clone()) } else { None },
        })
    }
}

impl ParkedLine {
    /// A row with its columns in the order of the table.
    pub(super) fn of(values: &[Value]) -> Option<Self> {
        use Value::{Integer, Text};
        let [_, Text(forwarder), Integer(at), Text(line), Text(reason)] = values else { return None };
        Some(Self {
            forwarder: forwarder.clone(),
            at: Timestamp::from_nanos(*at),
            line: line.clone(),
            reason: reason.clone(),
        })
    }
}

/// A file that SQLite can read; also one that a daemon is writing at the same time.
#[derive(Debug)]
pub struct Whole {
    connection: Quiet,
    names: BTreeMap<u32, String>,
    skips: Skips,
}

impl Whole {
    /// Opens the file for reading; nothing beside it is changed.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        Ok(Self { connection: Quiet::open(path)?, names: BTreeMap::new(), skips: Skips::default() })
    }

    /// Whether SQLite finds nothing wrong with the file and sees everything that was committed to its log.
    pub fn is_sound(path: &Path) -> bool {
        let verdict = Quiet::open(path).and_then(|quiet| {
            schema::check_ours(&quiet)?;
            Ok(quiet.query_row("PRAGMA integrity_check(1)", [], |row| row.get::<_, String>(0))?)
        });
        verdict.is_ok_and(|verdict| verdict == "ok") && !Salvage::log_damaged(path)
    }

    fn rows(
        &mut self,
        query: &str,
        table: &'static str,
        mut see: impl FnMut(i64, &[Value]) -> bool,
    ) -> Result<(), StoreError> {
        let mut after = i64::MIN;
        loop {
            // A portion at a time, so that no reader holds the log for long.
            let mut statement = self.connection.prepare_cached(query)?;
            let width = statement.column_count();
            let mut rows = statement.query(params![after, ROWS])?;
            let mut seen = 0;
            while let Some(row) = rows.next()? {
                let values: Vec<Value> =
                    (0..width).map(|column| row.get(column)).collect::<Result<_, _>>()?;
                let id: i64 = row.get(0)?;
                after = id;
                seen += 1;
                if !see(id, &values) {
                    self.skips.note(table, 0, None, None);
                }
            }
            if seen < ROWS {
                return Ok(());
            }
        }
    }
}

/// Rows of one portion.
const ROWS: u32 = 2_000;

impl Holding for Whole {
    fn series(&mut self) -> Result<Vec<StoredSeries>, StoreError> {
        let series = reader::stored_series(&self.connection)?;
        self.names = series.iter().map(|one| (one.id.0, one.text.clone())).collect();
        Ok(series)
    }

    fn points(
        &mut self,
        series: SeriesId,
        from: Timestamp,
        until: Timestamp,
        see: &mut dyn FnMut(Point),
    ) -> Result<(), StoreError> {
        let name = self.names.get(&series.0).cloned();
        let transaction = self.connection.unchecked_transaction()?;
        let inside = |point: &Point| point.at >= from && point.at < until;
        let mut ready = BTreeMap::new();
        each_batch(&transaction, from, until, &mut self.skips, |id, point| {
            if id == series && inside(&point) {
                ready.insert(point.at, point);
            }
        })?;
        let mut statement = transaction.prepare_cached(
            "SELECT id, first_at, last_at FROM chunk WHERE series = ? AND last_at >= ? AND first_at < ?
             ORDER BY first_at",
        )?;
        let mut body = transaction.prepare_cached("SELECT series, count, body FROM chunk WHERE id = ?")?;
        let mut rows = statement.query(params![series.0, from.as_nanos(), until.as_nanos()])?;
        while let Some(row) = rows.next()? {
            let (id, first, last): (i64, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
            let rest = ready.split_off(&Timestamp::from_nanos(first));
            std::mem::replace(&mut ready, rest).into_values().for_each(&mut *see);
            let (owner, count, points) = body.query_row([id], |row| {
                let body = row.get_ref(2)?.as_blob().map_err(rusqlite::Error::from)?;
                Ok((row.get::<_, u32>(0)?, row.get::<_, u64>(1)?, chunk::decode(body)))
            })?;
            match points {
                Ok(points) if owner == series.0 => {
                    ready.extend(
                        points.into_iter().filter(|point| inside(point)).map(|point| (point.at, point)),
                    );
                }
                _ => {
                    let stretch = (Timestamp::from_nanos(first), Timestamp::from_nanos(last));
                    self.skips.note("chunk", count, name.clone(), Some(stretch));
                }
            }
        }
        ready.into_values().for_each(see);
        Ok(())
    }

    fn journal(&mut self, see: &mut dyn FnMut(JournalEntry)) -> Result<(), StoreError> {
        let mut after = 0;
        loop {
            let entries = reader::journal_after(&self.connection, after, ROWS)?;
            let Some(last) = entries.last() else { return Ok(()) };
            after = last.id + 1;
            entries.into_iter().for_each(&mut *see);
        }
    }

    fn outbox(&mut self, see: &mut dyn FnMut(OutboxLine)) -> Result<(), StoreError> {
        self.rows("SELECT * FROM outbox WHERE id > ? ORDER BY id LIMIT ?", "outbox", |id, values| {
            OutboxLine::of(id, values).map(&mut *see).is_some()
        })
    }

    fn parked(&mut self, see: &mut dyn FnMut(ParkedLine)) -> Result<(), StoreError> {
        self.rows("SELECT * FROM parked WHERE id > ? ORDER BY id LIMIT ?", "parked", |_, values| {
            ParkedLine::of(values).map(&mut *see).is_some()
        })
    }

    fn undated(&mut self, see: &mut dyn FnMut(UndatedPoint)) -> Result<(), StoreError> {
        // Files of versions before have no such table.
        let there = "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = 'undated')";
        if !self.connection.query_row(there, [], |row| row.get::<_, bool>(0))? {
            return Ok(());
        }
        self.rows("SELECT * FROM undated WHERE id > ? ORDER BY id LIMIT ?", "undated", |_, values| {
            UndatedPoint::of(values).map(|points| points.into_iter().for_each(&mut *see)).is_some()
        })
    }

    fn skipped(&self) -> Vec<Skipped> {
        self.skips.list()
    }
}

/// Every point of the batches that touch `from..until`; those that cannot be read are noted.
pub(super) fn each_batch(
    connection: &Connection,
    from: Timestamp,
    until: Timestamp,
    skips: &mut Skips,
    mut see: impl FnMut(SeriesId, Point),
) -> rusqlite::Result<()> {
    let mut statement = connection.prepare_cached(
        "SELECT first_at, last_at, count, body, seq FROM batch WHERE last_at >= ? AND first_at < ?",
    )?;
    let mut rows = statement.query([from.as_nanos(), until.as_nanos()])?;
    while let Some(row) = rows.next()? {
        match batch::decode(row.get_ref(3)?.as_blob().map_err(rusqlite::Error::from)?) {
            Ok(points) => points.for_each(|(id, point)| see(id, point)),
            Err(_) => {
                let at = |column| row.get(column).map(Timestamp::from_nanos);
                skips.note_batch(row.get(4)?, row.get(2)?, (at(0)?, at(1)?));
            }
        }
    }
    Ok(())
}
