//! Reading, each reader over a connection of its own that only reads. Transactions are short, so that the log stays
//! short; a long walk is made of many.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use rusqlite::{Connection, OptionalExtension, Row, params};
use sumpwarden_core::model::{Name, Quality, Timestamp};
use sumpwarden_core::store::cursor::Cursor;
use sumpwarden_core::store::forward::{ForwardTotals, Parked, Read};
use sumpwarden_core::store::rollup::{self, Bucket, Values};
use sumpwarden_core::store::stamp::times_asked_for;
use sumpwarden_core::store::{JournalEntry, Point, SeriesId, StoredSeries, batch, chunk};

use super::retain::{DAY, HOUR};
use super::{Dropped, Shared, StoreError, forward, schema, undated};
use sumpwarden_core::store::retention::DropReason;

/// One bucket of a trend.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct TrendPoint {
    /// Where the bucket begins.
    pub start: Timestamp,
    /// What is in it.
    pub bucket: Bucket,
}

/// Most chunks decoded for one trend: bounds time and memory of a request.
const TREND_CHUNKS_MAX: usize = 20_000;

/// Reads the store.
#[derive(Debug)]
pub struct Reader {
    shared: Arc<Shared>,
    generation: u64,
    connection: Connection,
}

impl Reader {
    pub(super) fn open(shared: Arc<Shared>) -> Result<Self, StoreError> {
        let generation = shared.generation();
        let connection = if generation == 0 {
            // Nobody writes: what lies there may be all that can be had of it.
            schema::open_reader(&shared.file).or_else(|_| schema::open_frozen(&shared.file))?
        } else {
            schema::open_reader(&shared.file)?
        };
        Ok(Self { shared, generation, connection })
    }

    /// Opens again if another file has taken the place of the one read so far.
    /// Which file it reads, of those that were open one after the other.
    pub(super) const fn generation(&self) -> u64 {
        self.generation
    }

    pub(super) fn fresh(&mut self) -> Result<&mut Connection, StoreError> {
        let generation = self.shared.generation();
        if generation != self.generation {
            self.connection = schema::open_reader(&self.shared.file)?;
            self.generation = generation;
        }
        Ok(&mut self.connection)
    }

    /// Every series that was ever stored.
    pub fn series(&mut self) -> Result<Vec<StoredSeries>, StoreError> {
        Ok(stored_series(self.fresh()?)?)
    }

    /// The series of a key's text; the youngest, should its quantity have changed.
    pub fn find(&mut self, text: &str) -> Result<Option<SeriesId>, StoreError> {
        let id = self
            .fresh()?
            .prepare_cached("SELECT max(id) FROM series WHERE text = ?")?
            .query_row([text], |row| row.get::<_, Option<u32>>(0))?;
        Ok(id.map(SeriesId))
    }

    /// The point with the latest stamp.
    pub fn latest(&mut self, series: SeriesId) -> Result<Option<Point>, StoreError> {
        let connection = self.fresh()?;
        let transaction = connection.transaction()?;
        let mut latest: Option<Point> = None;
        let mut see = |point: Point| {
            if latest.is_none_or(|l| point.at > l.at) {
                latest = Some(point);
            }
        };
        each_batch(&transaction, None, |id, point| {
            if id == series {
                see(point);
            }
        })?;
        newest_chunk(&transaction, series)?.into_iter().for_each(see);
        Ok(latest)
    }

    /// Times of the points with a number that were stored last: all that is not packed yet, and of each series' newest
    /// pack.
    pub fn recent_times(
        &mut self,
        wanted: &[SeriesId],
    ) -> Result<BTreeMap<SeriesId, Vec<Timestamp>>, StoreError> {
        let mut recent: BTreeMap<SeriesId, Vec<(Timestamp, Option<f64>)>> =
            wanted.iter().map(|id| (*id, Vec::new())).collect();
        let transaction = self.fresh()?.transaction()?;
        for (id, points) in &mut recent {
            points.extend(newest_chunk(&transaction, *id)?.into_iter().map(|point| (point.at, point.raw)));
        }
        each_batch(&transaction, None, |id, point| {
            if let Some(points) = recent.get_mut(&id) {
                points.push((point.at, point.raw));
            }
        })?;
        Ok(recent.into_iter().map(|(id, points)| (id, times_asked_for(&points))).collect())
    }

    /// Buckets over `from..until`, at most `points_max` of them, empty ones left out. Each is either built from the
    /// points themselves, or, where buckets are an hour or longer or the points have been dropped, from hourly or daily
    /// rollups; then the first begins and the last ends on a whole hour or day (UTC).
    pub fn trend(
        &mut self,
        series: SeriesId,
        from: Timestamp,
        until: Timestamp,
        points_max: u32,
    ) -> Result<Vec<TrendPoint>, StoreError> {
        if until <= from {
            return Ok(Vec::new());
        }
        let connection = self.fresh()?;
        let transaction = connection.transaction()?;
        let grain = trend_grain(&transaction, from, until, points_max)?;
        let mut trend = Trend::over(from, until, grain, points_max);
        if grain > 1 {
            rollups(&transaction, series, grain, trend.from, trend.until, |start, bucket| {
                trend.add(start, bucket)
            })?;
            each_batch(&transaction, Some((trend.from, trend.until)), |id, point| {
                if id == series {
                    trend.add(point.at, Bucket::of(&point));
                }
            })?;
        } else {
            each_point(&transaction, series, from, until, |point| trend.add(point.at, Bucket::of(&point)))?;
        }
        Ok(trend.finish())
    }

    /// Every point of `from..until` in time order, read a chunk at a time.
    pub fn samples(&mut self, series: SeriesId, from: Timestamp, until: Timestamp) -> Samples<'_> {
        Samples { reader: self, series, from, until, ready: VecDeque::new() }
    }

    /// Journal records of `from..until`, newest first, at most `limit`.
    pub fn journal(
        &mut self,
        from: Timestamp,
        until: Timestamp,
        limit: u32,
    ) -> Result<Vec<JournalEntry>, StoreError> {
        self.journal_of(None, from, until, limit)
    }

    /// The same of one sump only.
    pub fn journal_of(
        &mut self,
        sump: Option<&Name>,
        from: Timestamp,
        until: Timestamp,
        limit: u32,
    ) -> Result<Vec<JournalEntry>, StoreError> {
        let connection = self.fresh()?;
        let mut statement = connection.prepare_cached(
            "SELECT id, at, kind, sump, subject, state, priority, value, message FROM journal
             WHERE at >= ?1 AND at < ?2 AND (?3 IS NULL OR sump = ?3) ORDER BY at DESC LIMIT ?4",
        )?;
        let sump = sump.map(Name::as_str);
        let rows =
            statement.query_map(params![from.as_nanos(), until.as_nanos(), sump, limit], journal_entry)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Journal records from number `id` on, in order of arrival, at most `limit`: those whose date is known, up to the first
    /// that waits for its own.
    pub fn journal_after(&mut self, id: i64, limit: u32) -> Result<Vec<JournalEntry>, StoreError> {
        let mut statement = self.fresh()?.prepare_cached(&format!(
            "SELECT id, at, kind, sump, subject, state, priority, value, message FROM journal
             WHERE id >= ? AND id < {} AND id NOT IN (SELECT id FROM undated_journal) ORDER BY id LIMIT ?",
            undated::OPEN_RECORDS_FROM
        ))?;
        Ok(statement.query_map(params![id, limit], journal_entry)?.collect::<Result<_, _>>()?)
    }

    /// The newest moment that is known to have been: `mark`, or else the newest stamp that is stored, and what waits for its date.
    pub fn newest_known(&mut self, mark: Option<Timestamp>) -> Result<Option<Timestamp>, StoreError> {
        let connection = self.fresh()?;
        let known = mark.map_or_else(|| super::retain::newest_stamp(connection), |mark| Ok(Some(mark)))?;
        Ok(known.max(undated::newest(connection)?))
    }

    /// Everything that was saved, by key.
    pub fn all_saved(&mut self) -> Result<BTreeMap<String, Vec<u8>>, StoreError> {
        let connection = self.fresh()?;
        let mut statement = connection.prepare_cached("SELECT key, value FROM saved")?;
        Ok(statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<Result<_, _>>()?)
    }

    /// What was saved under `key`.
    pub fn saved(&mut self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        let connection = self.fresh()?;
        let mut statement = connection.prepare_cached("SELECT value FROM saved WHERE key = ?")?;
        Ok(statement.query_row([key], |row| row.get(0)).optional()?)
    }

    /// Points after `from`, up to commit `until` (exclusive), about `max` of them: never more, and none only where
    /// there is nothing.
    pub fn read_after(&mut self, from: Cursor, until: Option<u64>, max: usize) -> Result<Read, StoreError> {
        let connection = self.fresh()?;
        let transaction = connection.transaction()?;
        let mut read = read_units(&transaction, from, until.unwrap_or(i64::MAX as u64), max.max(1))?;
        read.layout = forward::layout(&transaction)?;
        Ok(read)
    }

    /// Where a forwarder stands; none before its first step.
    pub fn forward(&mut self, name: &str) -> Result<Option<ForwardTotals>, StoreError> {
        Ok(forward::load_one(self.fresh()?, name)?)
    }

    /// The identity of a forwarder, counted from what is held: (stored ever, pending).
    pub fn owed(&mut self, name: &str) -> Result<Option<(u64, u64)>, StoreError> {
        let connection = self.fresh()?;
        let transaction = connection.transaction()?;
        let Some(totals) = forward::load_one(&transaction, name)? else { return Ok(None) };
        let pending = forward::count_owed(&transaction, &totals.pending)?;
        Ok(Some((forward::stored_ever(&transaction)?, pending)))
    }

    /// Stamp of the oldest point that a forwarder owes, as far as points lie in the order of their commits.
    pub fn oldest_owed(&mut self, name: &str) -> Result<Option<Timestamp>, StoreError> {
        let Some(totals) = self.forward(name)? else { return Ok(None) };
        let first = totals.pending.backlog().unwrap_or_else(|| totals.pending.live());
        let read = self.read_after(first.from, first.until, 1)?;
        Ok(read.points.first().map(|(_, point)| point.at))
    }

    /// Stamp of the oldest sample.
    pub fn oldest(&mut self) -> Result<Option<Timestamp>, StoreError> {
        let packed: Option<i64> =
            self.fresh()?.query_row("SELECT min(first_at) FROM chunk", [], |row| row.get(0))?;
        if let Some(at) = packed {
            return Ok(Some(Timestamp::from_nanos(at)));
        }
        let read = self.read_after(Cursor::before(1), None, 1)?;
        Ok(read.points.first().map(|(_, point)| point.at))
    }

    /// Lines that a forwarder set aside, newest first.
    pub fn parked(&mut self, name: &str, limit: u32) -> Result<Vec<Parked>, StoreError> {
        let connection = self.fresh()?;
        let mut statement = connection.prepare_cached(
            "SELECT at, line, reason FROM parked WHERE forwarder = ? ORDER BY id DESC LIMIT ?",
        )?;
        let rows = statement.query_map(params![name, limit], |row| {
            Ok(Parked { at: Timestamp::from_nanos(row.get(0)?), line: row.get(1)?, reason: row.get(2)? })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// All that was ever dropped, by reason.
    pub fn dropped(&mut self) -> Result<Vec<Dropped>, StoreError> {
        let connection = self.fresh()?;
        let mut statement =
            connection.prepare_cached("SELECT reason, count, first_at, last_at FROM dropped")?;
        let rows = statement.query_map([], |row| {
            let word: String = row.get(0)?;
            let reason =
                DropReason::ALL.into_iter().find(|r| r.word() == word).unwrap_or(DropReason::Damaged);
            let at = |column| row.get(column).map(Timestamp::from_nanos);
            Ok(Dropped { reason, count: row.get(1)?, first_at: at(2)?, last_at: at(3)? })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Bytes of all chunk bodies and the points in them.
    pub fn packed_size(&mut self) -> Result<(u64, u64), StoreError> {
        let query = "SELECT coalesce(sum(length(body)), 0), coalesce(sum(count), 0) FROM chunk";
        Ok(self.fresh()?.query_row(query, [], |row| Ok((row.get(0)?, row.get(1)?)))?)
    }
}

/// Points of a series in time order; see [`Reader::samples`].
#[derive(Debug)]
pub struct Samples<'a> {
    reader: &'a mut Reader,
    series: SeriesId,
    from: Timestamp,
    until: Timestamp,
    ready: VecDeque<Point>,
}

impl Samples<'_> {
    /// Reads on, to the end of the next chunk.
    fn read_on(&mut self) -> Result<(), StoreError> {
        let connection = self.reader.fresh()?;
        let transaction = connection.transaction()?;
        let last: Option<i64> = transaction
            .prepare_cached(
                "SELECT min(last_at) FROM chunk WHERE series = ? AND last_at >= ? AND first_at < ?",
            )?
            .query_row(params![self.series.0, self.from.as_nanos(), self.until.as_nanos()], |row| {
                row.get(0)
            })?;
        let one = Duration::from_nanos(1);
        let until = last.map_or(self.until, |last| Timestamp::from_nanos(last).plus(one).min(self.until));
        let mut points = Vec::new();
        each_point(&transaction, self.series, self.from, until, |point| points.push(point))?;
        points.sort_unstable_by_key(|p| p.at);
        self.ready = points.into();
        self.from = until;
        Ok(())
    }
}

impl Iterator for Samples<'_> {
    type Item = Result<Point, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        while self.ready.is_empty() && self.from < self.until {
            if let Err(error) = self.read_on() {
                self.from = self.until;
                self.reader.shared.suspect(self.reader.generation, &error);
                return Some(Err(error));
            }
        }
        self.ready.pop_front().map(Ok)
    }
}

/// Buckets of equal width over a stretch of time.
struct Trend {
    from: Timestamp,
    until: Timestamp,
    width: u64,
    buckets: BTreeMap<u64, Bucket>,
}

impl Trend {
    fn over(from: Timestamp, until: Timestamp, grain: u64, points_max: u32) -> Self {
        let from = rollup::start_of(from, grain);
        let last = rollup::start_of(Timestamp::from_nanos(until.as_nanos().saturating_sub(1)), grain);
        let until = last.plus(Duration::from_nanos(grain));
        let grains = until.as_nanos().abs_diff(from.as_nanos()).div_ceil(grain);
        let width = grains.div_ceil(u64::from(points_max.max(1))).max(1).saturating_mul(grain);
        Self { from, until, width, buckets: BTreeMap::new() }
    }

    fn add(&mut self, at: Timestamp, bucket: Bucket) {
        if at < self.from || at >= self.until {
            return;
        }
        let place = at.as_nanos().abs_diff(self.from.as_nanos()) / self.width;
        self.buckets.entry(place).and_modify(|b| *b = b.merge(bucket)).or_insert(bucket);
    }

    fn finish(self) -> Vec<TrendPoint> {
        let start = |place: u64| self.from.plus(Duration::from_nanos(place.saturating_mul(self.width)));
        self.buckets.into_iter().map(|(place, bucket)| TrendPoint { start: start(place), bucket }).collect()
    }
}

/// Width of the pieces that a trend is built from: 1 stands for the points themselves.
fn trend_grain(
    connection: &Connection,
    from: Timestamp,
    until: Timestamp,
    points_max: u32,
) -> rusqlite::Result<u64> {
    let width = until.as_nanos().abs_diff(from.as_nanos()).div_ceil(u64::from(points_max.max(1)));
    if width >= DAY {
        return Ok(DAY);
    }
    if width >= HOUR {
        return Ok(HOUR);
    }
    // Where the points of the beginning have been dropped, only the rollups know it.
    let gone: Option<i64> = connection
        .prepare_cached("SELECT max(last_at) FROM dropped WHERE reason IN ('age', 'size', 'disk_floor')")?
        .query_row([], |row| row.get(0))?;
    Ok(if gone.is_some_and(|gone| from.as_nanos() <= gone) { HOUR } else { 1 })
}

/// Buckets of `width` of a series that begin in `from..until`, as they were kept.
pub(super) fn rollups(
    connection: &Connection,
    series: SeriesId,
    width: u64,
    from: Timestamp,
    until: Timestamp,
    mut see: impl FnMut(Timestamp, Bucket),
) -> rusqlite::Result<()> {
    let mut statement = connection.prepare_cached(
        "SELECT start, points, worst, count, min, max, sum, last_at, last FROM rollup
         WHERE series = ? AND width = ? AND start >= ? AND start < ?",
    )?;
    let mut rows = statement.query(params![series.0, width, from.as_nanos(), until.as_nanos()])?;
    while let Some(row) = rows.next()? {
        see(Timestamp::from_nanos(row.get(0)?), bucket_of(row)?);
    }
    Ok(())
}

/// The bucket in columns 1 to 8: points, worst, count, min, max, sum, last_at, last.
pub(super) fn bucket_of(row: &Row<'_>) -> rusqlite::Result<Bucket> {
    let count: u64 = row.get(3)?;
    let values = if count == 0 {
        None
    } else {
        Some(Values {
            count,
            min: row.get(4)?,
            max: row.get(5)?,
            sum: row.get(6)?,
            last_at: Timestamp::from_nanos(row.get(7)?),
            last: row.get(8)?,
        })
    };
    Ok(Bucket {
        points: row.get(1)?,
        values,
        worst: Quality::unpack(row.get(2)?).unwrap_or(Quality::WAITING),
    })
}

/// Stamps that `series` holds in `from..until`.
pub(super) fn stamps(
    connection: &Connection,
    series: SeriesId,
    from: Timestamp,
    until: Timestamp,
) -> rusqlite::Result<BTreeSet<Timestamp>> {
    let mut stamps = BTreeSet::new();
    each_point(connection, series, from, until, |point| {
        stamps.insert(point.at);
    })?;
    Ok(stamps)
}

/// Every point of `series` in `from..until`, in no particular order. Damaged bodies are passed over with a warning.
fn each_point(
    connection: &Connection,
    series: SeriesId,
    from: Timestamp,
    until: Timestamp,
    mut see: impl FnMut(Point),
) -> rusqlite::Result<()> {
    let mut statement = connection.prepare_cached(
        "SELECT body FROM chunk WHERE series = ? AND last_at >= ? AND first_at < ? ORDER BY last_at LIMIT ?",
    )?;
    let mut rows =
        statement.query(params![series.0, from.as_nanos(), until.as_nanos(), TREND_CHUNKS_MAX as i64])?;
    while let Some(row) = rows.next()? {
        let body = row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?;
        decode_chunk(body).into_iter().filter(|p| p.at >= from && p.at < until).for_each(&mut see);
    }
    each_batch(connection, Some((from, until)), |id, point| {
        if id == series && point.at >= from && point.at < until {
            see(point);
        }
    })
}

/// Every row of every batch that touches the stretch.
pub(super) fn each_batch(
    connection: &Connection,
    stretch: Option<(Timestamp, Timestamp)>,
    mut see: impl FnMut(SeriesId, Point),
) -> rusqlite::Result<()> {
    let (from, until) =
        stretch.map_or((i64::MIN, i64::MAX), |(from, until)| (from.as_nanos(), until.as_nanos()));
    let mut statement = connection
        .prepare_cached("SELECT seq, body FROM batch WHERE last_at >= ? AND first_at <= ? ORDER BY seq")?;
    let mut rows = statement.query([from, until])?;
    while let Some(row) = rows.next()? {
        let body = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
        match batch::decode(body) {
            Ok(points) => points.for_each(|(id, point)| see(id, point)),
            Err(error) => tracing::warn!(seq = row.get::<_, u64>(0)?, %error, "a batch cannot be read"),
        }
    }
    Ok(())
}

/// Points of a series' newest chunk; none if it has none.
fn newest_chunk(connection: &Connection, series: SeriesId) -> rusqlite::Result<Vec<Point>> {
    let body: Option<Vec<u8>> = connection
        .prepare_cached("SELECT body FROM chunk WHERE series = ? ORDER BY last_at DESC LIMIT 1")?
        .query_row([series.0], |row| row.get(0))
        .optional()?;
    Ok(body.map(|body| decode_chunk(&body)).unwrap_or_default())
}

fn decode_chunk(body: &[u8]) -> Vec<Point> {
    chunk::decode(body).unwrap_or_else(|error| {
        tracing::warn!(%error, "a chunk cannot be read");
        Vec::new()
    })
}

/// Every series that was ever stored.
pub(super) fn stored_series(connection: &Connection) -> rusqlite::Result<Vec<StoredSeries>> {
    let mut statement = connection.prepare_cached("SELECT id, text, quantity FROM series ORDER BY id")?;
    let rows = statement.query_map([], |row| {
        Ok(StoredSeries { id: SeriesId(row.get(0)?), text: row.get(1)?, quantity: row.get(2)? })
    })?;
    rows.collect()
}

/// Journal records from number `id` on, in order of arrival, at most `limit`.
pub(super) fn journal_after(
    connection: &Connection,
    id: i64,
    limit: u32,
) -> rusqlite::Result<Vec<JournalEntry>> {
    let mut statement = connection.prepare_cached(
        "SELECT id, at, kind, sump, subject, state, priority, value, message FROM journal
         WHERE id >= ? ORDER BY id LIMIT ?",
    )?;
    statement.query_map(params![id, limit], journal_entry)?.collect()
}

/// A row of the journal in the order of its columns.
pub(super) fn journal_entry(row: &Row<'_>) -> rusqlite::Result<JournalEntry> {
    Ok(JournalEntry {
        id: row.get(0)?,
        at: Timestamp::from_nanos(row.get(1)?),
        kind: row.get(2)?,
        sump: row.get(3)?,
        subject: row.get(4)?,
        state: row.get(5)?,
        priority: row.get(6)?,
        value: row.get(7)?,
        message: row.get(8)?,
    })
}

/// Walks batches and spans in order of their numbers.
fn read_units(connection: &Connection, from: Cursor, until: u64, max: usize) -> Result<Read, StoreError> {
    let mut read = Read { points: Vec::new(), next: from, damaged: 0, layout: 0 };
    while read.points.len() < max && read.next.seq < until {
        let seq = read.next.seq;
        let first = |query: &str| -> rusqlite::Result<Option<u64>> {
            connection.prepare_cached(query)?.query_row([seq], |row| row.get(0))
        };
        let batch = first("SELECT min(seq) FROM batch WHERE seq >= ?")?;
        let span = first("SELECT min(first_seq) FROM span WHERE first_seq >= ?")?;
        let Some(unit) = [batch, span].into_iter().flatten().min().filter(|&unit| unit < until) else {
            break;
        };
        if unit > seq {
            read.next = Cursor::before(unit);
        }
        if Some(unit) == batch {
            read_batch(connection, &mut read, max)?
        } else {
            read_span(connection, &mut read, max)?
        }
    }
    Ok(read)
}

fn read_batch(connection: &Connection, read: &mut Read, max: usize) -> Result<(), StoreError> {
    let mut statement = connection.prepare_cached("SELECT count, body FROM batch WHERE seq = ?")?;
    let mut rows = statement.query([read.next.seq])?;
    let row = rows.next()?.ok_or(rusqlite::Error::QueryReturnedNoRows)?;
    let count: u32 = row.get(0)?;
    let room = max - read.points.len();
    let position = read.next.position.min(count);
    match batch::decode(row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?) {
        Ok(points) => read.points.extend(points.skip(position as usize).take(room)),
        Err(_) => read.damaged += u64::from(count - position),
    }
    let left = (count - position) as usize;
    read.next = if left <= room || read.points.len() < max {
        Cursor::before(read.next.seq + 1)
    } else {
        Cursor { position: position + room as u32, ..read.next }
    };
    Ok(())
}

fn read_span(connection: &Connection, read: &mut Read, max: usize) -> Result<(), StoreError> {
    let first_seq = read.next.seq;
    let last_seq: u64 = connection
        .prepare_cached("SELECT last_seq FROM span WHERE first_seq = ?")?
        .query_row([first_seq], |row| row.get(0))?;
    let mut chunks = connection.prepare_cached(
        "SELECT id, series, count FROM chunk WHERE first_seq = ? ORDER BY first_seq, series, id",
    )?;
    let mut body = connection.prepare_cached("SELECT body FROM chunk WHERE id = ?")?;
    let mut rows = chunks.query([first_seq])?;
    let mut behind: u32 = 0;
    while let Some(row) = rows.next()? {
        let (id, series, count): (i64, u32, u32) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let skip = read.next.position.saturating_sub(behind).min(count);
        behind += count;
        if skip == count {
            continue;
        }
        let room = max - read.points.len();
        if room == 0 {
            return Ok(());
        }
        let found = body.query_row([id], |row| row.get::<_, Vec<u8>>(0))?;
        let taken = match chunk::decode(&found) {
            Ok(points) => {
                let points = points.into_iter().skip(skip as usize).take(room);
                let before = read.points.len();
                read.points.extend(points.map(|point| (SeriesId(series), point)));
                (read.points.len() - before) as u32
            }
            Err(_) => {
                read.damaged += u64::from(count - skip);
                count - skip
            }
        };
        read.next.position += taken;
    }
    if read.next.position >= behind {
        read.next = Cursor::before(last_seq + 1);
    }
    Ok(())
}
