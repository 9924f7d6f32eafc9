//! Points of a file that was set aside come back into the one in its place, by themselves and behind everything else.
//!
//! Which files are still to be looked through stands in `meta`, under `salvage` and the name of the file, from the moment the
//! fresh file is begun until the last point is back; so a kill in between costs nothing. A thread of its own looks through the
//! file page by page ([`Salvage`]) and hands over what it finds, a series at a time; the writer takes a slice whenever it has
//! nothing else to do. A point whose stamp its series has already is there already: none comes back twice. What comes back is
//! a commit like any other, so that it is packed, shown and forwarded; what a forwarder had sent before is the same point
//! again. The file itself stays where it is.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, TryRecvError, sync_channel};
use std::time::Duration;

use rusqlite::{Connection, TransactionBehavior};
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::{JournalRecord, Point, RecordKind};

use super::super::clock::Clock;
use super::attach::insert_series;
use super::extract::Holding;
use super::inbox::Row;
use super::records::append_journal;
use super::retain::bytes_free;
use super::undated;
use super::writer::{Writer, body_of, insert_batch};
use super::{Salvage, Shared, locked, reader};

/// Points that are handed over at once.
const SLICE_POINTS: usize = 10_000;
/// Slices on their way to the writer. Full: the thread waits.
const SLICES_MAX: usize = 1;
/// Of what could not be read, so many lines are told.
const SKIPPED_TOLD_MAX: usize = 5;

/// What the thread has found.
enum Found {
    /// Points of a series, by its text and quantity.
    Points((String, String), Vec<Point>),
    /// Nothing more is in this file; with what could not be read.
    Done(String, Vec<String>),
}

/// The thread's other end.
#[derive(Debug, Default)]
pub(super) struct Revival {
    found: Option<Receiver<Found>>,
    points: u64,
}

/// Remembers that the points of this file are to come back.
pub(super) fn note(connection: &Connection, aside: &Path) -> rusqlite::Result<()> {
    let Some(name) = aside.file_name().and_then(|name| name.to_str()) else { return Ok(()) };
    connection
        .execute("INSERT OR REPLACE INTO meta(name, value) VALUES('salvage ' || ?, 0)", [name])
        .map(drop)
}

fn waiting(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut select = connection.prepare("SELECT substr(name, 9) FROM meta WHERE name LIKE 'salvage %'")?;
    select.query_map([], |row| row.get(0))?.collect()
}

fn forget(connection: &Connection, name: &str) -> rusqlite::Result<()> {
    connection.execute("DELETE FROM meta WHERE name = 'salvage ' || ?", [name]).map(drop)
}

impl Writer {
    /// Begins to look through what was set aside, unless that goes on already.
    pub(super) fn begin_revival(&mut self) -> rusqlite::Result<()> {
        let names = waiting(&self.connection)?;
        if names.is_empty() || self.revival.found.is_some() {
            return Ok(());
        }
        let store = self.place.file();
        let files: Vec<(String, PathBuf)> =
            names.into_iter().map(|name| (name.clone(), store.with_file_name(name))).collect();
        let (shared, free_min) = (Arc::clone(&self.shared), self.settings.free_min);
        let (send, found) = sync_channel(SLICES_MAX);
        let look = move || files.iter().for_each(|file| look_through(file, &shared, free_min, &send));
        match std::thread::Builder::new().name("revive".into()).spawn(look) {
            Ok(_) => self.revival = Revival { found: Some(found), points: 0 },
            Err(error) => tracing::warn!(%error, "points that were set aside do not come back in this run"),
        }
        Ok(())
    }

    /// One slice; true if there may be more at once.
    pub(super) fn revive(&mut self) -> rusqlite::Result<bool> {
        let Some(found) = &self.revival.found else { return Ok(false) };
        match found.try_recv() {
            Ok(Found::Points(name, points)) => {
                self.revival.points += self.bring_back(&name, &points)?;
                Ok(true)
            }
            Ok(Found::Done(file, skipped)) => {
                self.tell_revived(&file, &skipped)?;
                Ok(true)
            }
            Err(TryRecvError::Empty) => Ok(false),
            Err(TryRecvError::Disconnected) => {
                self.revival = Revival::default();
                Ok(false)
            }
        }
    }

    /// Makes a commit of those of `points`, which stand in order of time, that are not there; gives how many.
    fn bring_back(&mut self, name: &(String, String), points: &[Point]) -> rusqlite::Result<u64> {
        let (Some(first), Some(last)) = (points.first(), points.last()) else { return Ok(0) };
        let (first, last) = (first.at, last.at);
        let seq = self.next_seq;
        let known = self.series.get(name).copied();
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let series = match known {
            Some(series) => series,
            None => insert_series(&transaction, None, name)?,
        };
        let there = reader::stamps(&transaction, series, first, last.plus(Duration::from_nanos(1)))?;
        let missing = points.iter().filter(|point| !there.contains(&point.at));
        let rows: Vec<Row> = missing.map(|point| Row { series, point: *point, dated: true }).collect();
        let batch = body_of(&rows);
        if let Some(batch) = &batch {
            insert_batch(&transaction, seq, batch)?;
        }
        transaction.commit()?;
        self.series.insert(name.clone(), series);
        rows.iter().for_each(|row| self.stamps.note(series, row.point.at));
        if batch.is_some() {
            self.count_stored(rows.len() as u64);
        }
        Ok(rows.len() as u64)
    }

    fn tell_revived(&mut self, file: &str, skipped: &[String]) -> rusqlite::Result<()> {
        let points = std::mem::take(&mut self.revival.points);
        tracing::info!(file, points, skipped = skipped.len(), "points of a file that was set aside are back");
        let lost = match skipped {
            [] => "all that was in it".to_owned(),
            some => {
                let told = some.iter().take(SKIPPED_TOLD_MAX).cloned().collect::<Vec<_>>().join("; ");
                let more = if some.len() > SKIPPED_TOLD_MAX { ", and more" } else { "" };
                format!("not what could not be read: {told}{more}")
            }
        };
        let record = JournalRecord {
            at: Clock.utc(),
            kind: RecordKind::Instrument,
            sump: None,
            subject: "store".to_owned(),
            state: "brought back".to_owned(),
            priority: None,
            value: None,
            message: format!("{points} points of {file}, which was damaged and set aside, are back, {lost}"),
        };
        let doubted = locked(&self.shared.inbox).doubted().cloned();
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        forget(&transaction, file)?;
        let last = append_journal(&transaction, &record, self.last_journal_at)?;
        let newest = transaction.last_insert_rowid();
        if let Some(doubted) = &doubted {
            undated::mark_record(&transaction, doubted)?;
        }
        transaction.commit()?;
        (self.last_journal_at, self.last_journal) = (last, newest);
        Ok(())
    }
}

/// Hands over what a file holds, until the store is closed.
fn look_through((name, path): &(String, PathBuf), shared: &Shared, free_min: u64, send: &SyncSender<Found>) {
    let length =
        ["", "-wal"].iter().map(|end| std::fs::metadata(super::beside(path, end)).map_or(0, |m| m.len()));
    let wanted = length.sum::<u64>().saturating_mul(2).saturating_add(free_min);
    if bytes_free(&shared.directory) < wanted {
        tracing::warn!(file = %path.display(), wanted, "no room for the points that were set aside; they come back after a start with more");
        return;
    }
    let mut salvage = match Salvage::look(path, &|_, _, _| {}) {
        Ok(salvage) => salvage,
        Err(error) => {
            tracing::warn!(file = %path.display(), %error, "its points do not come back");
            // Nobody listens where the store is closed.
            let _ = send.send(Found::Done(name.clone(), vec![error.to_string()]));
            return;
        }
    };
    let hand_over = |found| {
        let taken = !locked(&shared.inbox).closing && send.send(found).is_ok();
        shared.wake.notify_one();
        taken
    };
    for series in salvage.series().unwrap_or_default() {
        // Whose name was hit is nobody's.
        if series.quantity.is_empty() {
            continue;
        }
        let key = (series.text, series.quantity);
        let mut open = true;
        let mut points = Vec::with_capacity(SLICE_POINTS);
        let mut see = |point: Point| {
            points.push(point);
            if open && points.len() >= SLICE_POINTS {
                open = hand_over(Found::Points(key.clone(), std::mem::take(&mut points)));
            }
            if !open {
                points.clear();
            }
        };
        let (from, until) = (Timestamp::from_nanos(i64::MIN), Timestamp::from_nanos(i64::MAX));
        if let Err(error) = Holding::points(&mut salvage, series.id, from, until, &mut see) {
            tracing::warn!(%error, series = key.0, "not all of it comes back");
        }
        if !open || !points.is_empty() && !hand_over(Found::Points(key, points)) {
            return;
        }
    }
    let skipped = salvage.skipped().iter().map(ToString::to_string).collect();
    hand_over(Found::Done(name.clone(), skipped));
}
