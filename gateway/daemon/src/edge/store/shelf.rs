//! What a log book is made of: hourly figures and stretches of the journal, from the store of this process or from a file
//! beside it, whether a daemon has it or not.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use rusqlite::{Connection, params};
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::rollup::{self, Bucket};
use sumpwarden_core::store::{JournalEntry, SeriesId, StoredSeries};

use super::extract::{Skipped, Skips, each_batch};
use super::quiet::Quiet;
use super::reader::{Reader, TrendPoint, journal_entry, rollups, stored_series};
use super::retain::HOUR;
use super::{StoreError, schema};

/// Journal records of one portion: no reader holds the log for long.
const RECORDS: u32 = 2_000;

/// Hours of several series, and what of them could not be read.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct HourlyFigures {
    /// By series, in order of time; hours in which nothing came are left out.
    pub of: BTreeMap<SeriesId, Vec<TrendPoint>>,
    /// Rows that were passed over.
    pub skipped: Vec<Skipped>,
}

/// Where a log book comes from.
pub trait Shelf {
    /// Every series that was ever stored.
    fn series(&mut self) -> Result<Vec<StoredSeries>, StoreError>;

    /// Whole hours of UTC that begin in `from..until`, of these series.
    fn hours(
        &mut self,
        series: &[SeriesId],
        from: Timestamp,
        until: Timestamp,
    ) -> Result<HourlyFigures, StoreError>;

    /// Journal records of `from..until` in order of their stamps.
    fn records(
        &mut self,
        from: Timestamp,
        until: Timestamp,
        see: &mut dyn FnMut(JournalEntry),
    ) -> Result<(), StoreError>;
}

/// A file that belongs to another process, or to none.
#[derive(Debug)]
pub struct Beside(Quiet);

impl Beside {
    /// Opens the file at `path`; nothing beside it is changed.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let quiet = Quiet::open(path)?;
        schema::check_ours(&quiet)?;
        Ok(Self(quiet))
    }

    /// What was read counts unless a daemon began to write the file meanwhile that was taken for one at rest.
    pub fn close(self) -> Result<(), StoreError> {
        if self.0.was_disturbed() {
            let (path, why) =
                (self.0.path().to_owned(), "a daemon was started meanwhile; ask again".to_owned());
            return Err(StoreError::Unusable { path, why });
        }
        Ok(())
    }
}

impl Shelf for Beside {
    fn series(&mut self) -> Result<Vec<StoredSeries>, StoreError> {
        Ok(stored_series(&self.0)?)
    }

    fn hours(
        &mut self,
        series: &[SeriesId],
        from: Timestamp,
        until: Timestamp,
    ) -> Result<HourlyFigures, StoreError> {
        Ok(hours(&self.0, series, from, until)?)
    }

    fn records(
        &mut self,
        from: Timestamp,
        until: Timestamp,
        see: &mut dyn FnMut(JournalEntry),
    ) -> Result<(), StoreError> {
        Ok(records(&self.0, from, until, see)?)
    }
}

impl Shelf for Reader {
    fn series(&mut self) -> Result<Vec<StoredSeries>, StoreError> {
        Self::series(self)
    }

    fn hours(
        &mut self,
        series: &[SeriesId],
        from: Timestamp,
        until: Timestamp,
    ) -> Result<HourlyFigures, StoreError> {
        Ok(hours(self.fresh()?, series, from, until)?)
    }

    fn records(
        &mut self,
        from: Timestamp,
        until: Timestamp,
        see: &mut dyn FnMut(JournalEntry),
    ) -> Result<(), StoreError> {
        Ok(records(self.fresh()?, from, until, see)?)
    }
}

/// What is packed stands in the rollups, what is not in the batches: both as of one moment.
fn hours(
    connection: &Connection,
    series: &[SeriesId],
    from: Timestamp,
    until: Timestamp,
) -> rusqlite::Result<HourlyFigures> {
    let transaction = connection.unchecked_transaction()?;
    let mut of: BTreeMap<SeriesId, BTreeMap<Timestamp, Bucket>> =
        series.iter().map(|id| (*id, BTreeMap::new())).collect();
    for (id, hours) in &mut of {
        rollups(&transaction, *id, HOUR, from, until, |start, bucket| _ = hours.insert(start, bucket))?;
    }
    let mut skips = Skips::default();
    // The last hour may reach past the end.
    let end = until.plus(Duration::from_nanos(HOUR));
    each_batch(&transaction, from, end, &mut skips, |id, point| {
        let start = rollup::start_of(point.at, HOUR);
        if let Some(hours) = of.get_mut(&id).filter(|_| start >= from && start < until) {
            let bucket = Bucket::of(&point);
            hours.entry(start).and_modify(|held| *held = held.merge(bucket)).or_insert(bucket);
        }
    })?;
    let points = |hours: BTreeMap<Timestamp, Bucket>| {
        hours.into_iter().map(|(start, bucket)| TrendPoint { start, bucket }).collect()
    };
    let of = of.into_iter().map(|(id, hours)| (id, points(hours))).collect();
    Ok(HourlyFigures { of, skipped: skips.list() })
}

fn records(
    connection: &Connection,
    from: Timestamp,
    until: Timestamp,
    see: &mut dyn FnMut(JournalEntry),
) -> rusqlite::Result<()> {
    let mut statement = connection.prepare_cached(
        "SELECT id, at, kind, sump, subject, state, priority, value, message FROM journal
         WHERE at >= ? AND at < ? ORDER BY at LIMIT ?",
    )?;
    let mut from = from;
    loop {
        let rows = statement.query_map(params![from.as_nanos(), until.as_nanos(), RECORDS], journal_entry)?;
        let entries = rows.collect::<Result<Vec<_>, _>>()?;
        let Some(last) = entries.last() else { return Ok(()) };
        // No two records have the same stamp.
        from = last.at.plus(Duration::from_nanos(1));
        entries.into_iter().for_each(&mut *see);
    }
}
