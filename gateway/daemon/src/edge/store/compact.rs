//! Packing: batches into chunks, small chunks into large ones, in slices that a commit need not wait for.
//!
//! Batches of a run of commits become one span: one chunk a series, and their buckets are merged into the hourly and
//! daily rollups in the same transaction. Sixteen spans in a row become one, series by series, until chunks are large
//! enough. No span is made across the place where a forwarder stands, and none is joined that a forwarder still owes,
//! so a cursor always finds the same points in the same order.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use rusqlite::{Connection, TransactionBehavior, params};
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::retention::DropReason;
use sumpwarden_core::store::rollup::{self, Bucket};
use sumpwarden_core::store::{Point, SeriesId, batch, chunk};

use super::retain::{DAY, HOUR};
use super::writer::{Writer, note_dropped};
use super::{Dropped, StoreEvent, forward, reader};

/// Points in batches from which they are packed, whatever their age; also the most that one run takes into memory.
const PACK_POINTS: u64 = 100_000;
/// Points handled in one slice.
const SLICE_POINTS: usize = 20_000;
/// Spans joined into one.
const JOIN_SPANS: usize = 16;
/// Chunks of so many points on average are large enough.
const CHUNK_POINTS: u64 = 4_096;
/// A joined chunk is cut into pieces of at most so many points: what a reader decodes at once.
const CHUNK_POINTS_MAX: usize = 16_384;
const _: () = assert!(CHUNK_POINTS_MAX <= chunk::POINTS_MAX);
/// Rest after a failure.
const REST: Duration = Duration::from_secs(30);

/// What is being packed.
#[derive(Debug)]
pub(super) struct Compactor {
    unpacked: u64,
    due_at: Option<Instant>,
    draining: bool,
    resting: Option<Instant>,
    look_for_joins: bool,
    job: Option<Job>,
}

#[derive(Debug)]
enum Job {
    Pack(Box<Pack>),
    Join(Join),
}

/// Commits `first_seq..=last_seq` on their way into a span.
#[derive(Debug)]
struct Pack {
    first_seq: u64,
    last_seq: u64,
    batches: u64,
    points: u64,
    lost: Option<Dropped>,
    todo: BTreeMap<SeriesId, Vec<Point>>,
    chunks: Vec<NewChunk>,
    buckets: Vec<(SeriesId, u64, Timestamp, Bucket)>,
}

#[derive(Debug)]
struct NewChunk {
    series: SeriesId,
    first_at: Timestamp,
    last_at: Timestamp,
    count: usize,
    body: Vec<u8>,
}

/// Spans on their way into one.
#[derive(Debug)]
struct Join {
    spans: Vec<Span>,
    series: Vec<u32>,
}

#[derive(Clone, Copy, Debug)]
struct Span {
    first_seq: u64,
    last_seq: u64,
    first_at: i64,
    last_at: i64,
    points: u64,
    chunks: u64,
    level: u32,
}

impl Compactor {
    pub(super) fn new() -> Self {
        Self { unpacked: 0, due_at: None, draining: false, resting: None, look_for_joins: true, job: None }
    }

    /// So many points were found in batches at the start.
    pub(super) fn begin_with(&mut self, points: u64) {
        self.unpacked = points;
        self.due_at = (points > 0).then(Instant::now);
    }

    /// A batch of `points` has been committed.
    pub(super) fn note_batch(&mut self, points: u64, now: Instant) {
        self.unpacked += points;
        self.due_at.get_or_insert(now);
    }

    pub(super) fn unpacked(&self) -> u64 {
        self.unpacked
    }

    /// Leaves off for a while.
    pub(super) fn rest(&mut self, now: Instant) {
        self.job = None;
        self.draining = false;
        self.resting = Some(now);
    }

    /// One slice of work; true if there is more.
    pub(super) fn work(&mut self, writer: &mut Writer) -> rusqlite::Result<bool> {
        if self.resting.is_some_and(|since| since.elapsed() < REST) {
            return Ok(false);
        }
        self.resting = None;
        match self.job.take() {
            Some(Job::Pack(mut pack)) => {
                if pack.todo.is_empty() {
                    self.finish_pack(writer, *pack)?;
                } else {
                    pack.encode_slice();
                    self.job = Some(Job::Pack(pack));
                }
                Ok(true)
            }
            Some(Job::Join(mut join)) => {
                if join.series.is_empty() {
                    finish_join(writer, &join)?;
                } else {
                    join.join_slice(writer)?;
                    self.job = Some(Job::Join(join));
                }
                Ok(true)
            }
            None => self.choose(writer),
        }
    }

    fn choose(&mut self, writer: &Writer) -> rusqlite::Result<bool> {
        let old = self.due_at.is_some_and(|since| since.elapsed() >= writer.settings.compact_after);
        if self.draining || old || self.unpacked >= PACK_POINTS {
            if let Some(pack) = Pack::load(writer)? {
                self.draining = true;
                self.job = Some(Job::Pack(Box::new(pack)));
                return Ok(true);
            }
            // What is left lies where a forwarder stands; it is tried again when it has aged anew.
            self.draining = false;
            self.due_at = (self.unpacked > 0).then(Instant::now);
        }
        if self.look_for_joins {
            if let Some(join) = Join::find(writer)? {
                self.job = Some(Job::Join(join));
                return Ok(true);
            }
            self.look_for_joins = false;
        }
        Ok(false)
    }

    fn finish_pack(&mut self, writer: &mut Writer, pack: Pack) -> rusqlite::Result<()> {
        if writer.forwarders.values().any(|f| f.pending.cuts(pack.first_seq, pack.last_seq)) {
            // A forwarder has stopped inside meanwhile.
            self.draining = false;
            self.due_at = Some(Instant::now());
            return Ok(());
        }
        pack.write(writer)?;
        self.unpacked = self.unpacked.saturating_sub(pack.points + pack.lost.map_or(0, |lost| lost.count));
        self.look_for_joins = true;
        if let Some(lost) = pack.lost {
            tracing::error!(count = lost.count, first = %lost.first_at, last = %lost.last_at, "damaged batches");
            writer.tell(StoreEvent::Dropped(lost));
        }
        Ok(())
    }
}

impl Pack {
    /// The oldest batches that may become one span; none if there are none.
    fn load(writer: &Writer) -> rusqlite::Result<Option<Self>> {
        let cuts = |first, last| writer.forwarders.values().any(|f| f.pending.cuts(first, last));
        let mut pack: Option<Self> = None;
        let mut statement = writer
            .connection
            .prepare_cached("SELECT seq, first_at, last_at, count, body FROM batch ORDER BY seq")?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let (seq, count): (u64, u64) = (row.get(0)?, row.get(3)?);
            let first_seq = pack.as_ref().map_or(seq, |p| p.first_seq);
            let full = pack.as_ref().is_some_and(|p| p.points + count > PACK_POINTS || seq != p.last_seq + 1);
            if full || cuts(first_seq, seq) {
                if pack.is_some() {
                    break;
                }
                continue;
            }
            let pack = pack.get_or_insert_with(|| Self::from(seq));
            pack.last_seq = seq;
            pack.batches += 1;
            let body = row.get_ref(4)?.as_blob().map_err(rusqlite::Error::from)?;
            match batch::decode(body) {
                Ok(points) => {
                    pack.points += points.len() as u64;
                    points.for_each(|(series, point)| pack.todo.entry(series).or_default().push(point));
                }
                Err(_) => {
                    pack.lose(count, Timestamp::from_nanos(row.get(1)?), Timestamp::from_nanos(row.get(2)?))
                }
            }
        }
        Ok(pack)
    }

    fn from(seq: u64) -> Self {
        Self {
            first_seq: seq,
            last_seq: seq,
            batches: 0,
            points: 0,
            lost: None,
            todo: BTreeMap::new(),
            chunks: Vec::new(),
            buckets: Vec::new(),
        }
    }

    fn lose(&mut self, count: u64, first_at: Timestamp, last_at: Timestamp) {
        let lost =
            self.lost.get_or_insert(Dropped { reason: DropReason::Damaged, count: 0, first_at, last_at });
        lost.count += count;
        lost.first_at = lost.first_at.min(first_at);
        lost.last_at = lost.last_at.max(last_at);
    }

    /// Packs some of the series.
    fn encode_slice(&mut self) {
        let mut done = 0;
        while done < SLICE_POINTS
            && let Some((series, mut points)) = self.todo.pop_first()
        {
            done += points.len().max(SLICE_POINTS / 200);
            points.sort_by_key(|p| p.at);
            for width in [HOUR, DAY] {
                for run in
                    points.chunk_by(|a, b| rollup::start_of(a.at, width) == rollup::start_of(b.at, width))
                {
                    let bucket =
                        run.iter().map(Bucket::of).reduce(Bucket::merge).expect("a run is not empty");
                    self.buckets.push((series, width, rollup::start_of(run[0].at, width), bucket));
                }
            }
            self.chunks.extend(points.chunks(CHUNK_POINTS_MAX).map(|piece| NewChunk::of(series, piece)));
        }
    }

    /// Puts the chunks in the place of the batches.
    fn write(&self, writer: &mut Writer) -> rusqlite::Result<()> {
        let mut forwarders = writer.forwarders.clone();
        let transaction = writer.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        for chunk in &self.chunks {
            chunk.insert(&transaction, self.first_seq)?;
        }
        for (series, width, start, bucket) in &self.buckets {
            merge_rollup(&transaction, *series, *width, *start, *bucket)?;
        }
        let first_at = self.chunks.iter().map(|c| c.first_at).min();
        let last_at = self.chunks.iter().map(|c| c.last_at).max();
        if let (Some(first_at), Some(last_at)) = (first_at, last_at) {
            insert_span(
                &transaction,
                &Span {
                    first_seq: self.first_seq,
                    last_seq: self.last_seq,
                    first_at: first_at.as_nanos(),
                    last_at: last_at.as_nanos(),
                    points: self.points,
                    chunks: self.chunks.len() as u64,
                    level: 0,
                },
            )?;
        }
        if let Some(lost) = &self.lost {
            note_dropped(&transaction, lost)?;
            for (name, totals) in &mut forwarders {
                if totals.pending.owes(self.first_seq, self.last_seq) {
                    totals.expired += lost.count;
                    forward::save(&transaction, name, totals)?;
                }
            }
        }
        transaction
            .execute("DELETE FROM batch WHERE seq BETWEEN ? AND ?", [self.first_seq, self.last_seq])?;
        forward::add_packed(&transaction, self.points + self.lost.map_or(0, |lost| lost.count))?;
        transaction.commit()?;
        writer.forwarders = forwarders;
        Ok(())
    }
}

impl NewChunk {
    fn of(series: SeriesId, points: &[Point]) -> Self {
        let (first, last) = (points.first().expect("not empty"), points.last().expect("not empty"));
        Self {
            series,
            first_at: first.at,
            last_at: last.at,
            count: points.len(),
            body: chunk::encode(points),
        }
    }

    fn insert(&self, connection: &Connection, first_seq: u64) -> rusqlite::Result<()> {
        connection
            .prepare_cached(
                "INSERT INTO chunk(first_seq, series, first_at, last_at, count, body) VALUES(?, ?, ?, ?, ?, ?)",
            )?
            .execute(params![
                first_seq,
                self.series.0,
                self.first_at.as_nanos(),
                self.last_at.as_nanos(),
                self.count as u64,
                self.body
            ])?;
        Ok(())
    }
}

impl Join {
    /// The oldest sixteen spans in a row of the same level whose chunks are small and that nobody owes.
    fn find(writer: &Writer) -> rusqlite::Result<Option<Self>> {
        let mut statement = writer.connection.prepare_cached(
            "SELECT first_seq, last_seq, first_at, last_at, points, chunks, level FROM span ORDER BY first_seq",
        )?;
        let spans = statement.query_map([], |row| {
            Ok(Span {
                first_seq: row.get(0)?,
                last_seq: row.get(1)?,
                first_at: row.get(2)?,
                last_at: row.get(3)?,
                points: row.get(4)?,
                chunks: row.get(5)?,
                level: row.get(6)?,
            })
        })?;
        let mut run: Vec<Span> = Vec::new();
        for span in spans {
            let span = span?;
            let owed = writer.forwarders.values().any(|f| f.pending.owes(span.first_seq, span.last_seq));
            if owed || span.points >= span.chunks * CHUNK_POINTS {
                run.clear();
                continue;
            }
            if run.last().is_some_and(|last| last.level != span.level || last.last_seq + 1 != span.first_seq)
            {
                run.clear();
            }
            run.push(span);
            if run.len() == JOIN_SPANS {
                return Ok(Some(Self { series: series_of(&writer.connection, &run)?, spans: run }));
            }
        }
        Ok(None)
    }

    /// Joins the chunks of some of the series.
    fn join_slice(&mut self, writer: &mut Writer) -> rusqlite::Result<()> {
        let mut done = 0;
        let transaction = writer.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        while done < SLICE_POINTS
            && let Some(series) = self.series.pop()
        {
            done += join_series(&transaction, &self.spans, series)?.max(SLICE_POINTS / 200);
        }
        transaction.commit()
    }
}

fn series_of(connection: &Connection, spans: &[Span]) -> rusqlite::Result<Vec<u32>> {
    let (first, last) = (spans[0].first_seq, spans[spans.len() - 1].first_seq);
    let mut statement =
        connection.prepare_cached("SELECT DISTINCT series FROM chunk WHERE first_seq BETWEEN ? AND ?")?;
    statement.query_map([first, last], |row| row.get(0))?.collect()
}

/// Replaces the chunks that `series` has in `spans`; gives the number of points moved. A chunk that cannot be read is
/// kept as it is, under the joined span.
fn join_series(connection: &Connection, spans: &[Span], series: u32) -> rusqlite::Result<usize> {
    let first_seq = spans[0].first_seq;
    let mut points = Vec::new();
    let mut read = Vec::new();
    let mut select = connection
        .prepare_cached("SELECT id, body FROM chunk WHERE first_seq = ? AND series = ? ORDER BY id")?;
    let mut keep = connection.prepare_cached("UPDATE chunk SET first_seq = ? WHERE id = ?")?;
    for span in spans {
        let mut rows = select.query(params![span.first_seq, series])?;
        while let Some(row) = rows.next()? {
            let id: i64 = row.get(0)?;
            match chunk::decode(row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?) {
                Ok(some) => {
                    points.extend(some);
                    read.push(id);
                }
                Err(error) => {
                    tracing::error!(id, %error, "a chunk cannot be read; it is kept as it is");
                    keep.execute(params![first_seq, id])?;
                }
            }
        }
    }
    points.sort_by_key(|p: &Point| p.at);
    let mut delete = connection.prepare_cached("DELETE FROM chunk WHERE id = ?")?;
    for id in read {
        delete.execute([id])?;
    }
    for piece in points.chunks(CHUNK_POINTS_MAX) {
        NewChunk::of(SeriesId(series), piece).insert(connection, first_seq)?;
    }
    Ok(points.len())
}

fn finish_join(writer: &mut Writer, join: &Join) -> rusqlite::Result<()> {
    let (first, last) = (join.spans[0], join.spans[join.spans.len() - 1]);
    let owed = writer.forwarders.values().any(|f| f.pending.owes(first.first_seq, last.last_seq));
    if owed {
        // A forwarder has begun meanwhile. The spans stay apart; every chunk still belongs to exactly one of them.
        return Ok(());
    }
    let transaction = writer.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    transaction
        .execute("DELETE FROM span WHERE first_seq BETWEEN ? AND ?", [first.first_seq, last.first_seq])?;
    let chunks: u64 = transaction.query_row(
        "SELECT count(*) FROM chunk WHERE first_seq = ?",
        [first.first_seq],
        |row| row.get(0),
    )?;
    insert_span(
        &transaction,
        &Span {
            first_seq: first.first_seq,
            last_seq: last.last_seq,
            first_at: join.spans.iter().map(|s| s.first_at).min().expect("sixteen"),
            last_at: join.spans.iter().map(|s| s.last_at).max().expect("sixteen"),
            points: join.spans.iter().map(|s| s.points).sum(),
            chunks,
            level: first.level + 1,
        },
    )?;
    transaction.commit()
}

fn insert_span(connection: &Connection, span: &Span) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT INTO span(first_seq, last_seq, first_at, last_at, points, chunks, level)
             VALUES(?, ?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![
            span.first_seq,
            span.last_seq,
            span.first_at,
            span.last_at,
            span.points,
            span.chunks,
            span.level
        ])?;
    Ok(())
}

/// Merges `bucket` into the rollup that is already kept for that stretch.
fn merge_rollup(
    connection: &Connection,
    series: SeriesId,
    width: u64,
    start: Timestamp,
    bucket: Bucket,
) -> rusqlite::Result<()> {
    let kept = {
        let mut statement = connection.prepare_cached(
            "SELECT start, points, worst, count, min, max, sum, last_at, last FROM rollup
             WHERE series = ? AND width = ? AND start = ?",
        )?;
        let mut rows = statement.query(params![series.0, width, start.as_nanos()])?;
        rows.next()?.map(reader::bucket_of).transpose()?
    };
    let bucket = kept.map_or(bucket, |kept| kept.merge(bucket));
    let values = bucket.values;
    connection
        .prepare_cached(
            "INSERT OR REPLACE INTO rollup(series, width, start, points, worst, count, min, max, sum, last_at, last)
             VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![
            series.0,
            width,
            start.as_nanos(),
            bucket.points,
            bucket.worst.pack(),
            values.map_or(0, |v| v.count),
            values.map(|v| v.min),
            values.map(|v| v.max),
            values.map(|v| v.sum),
            values.map(|v| v.last_at.as_nanos()),
            values.map(|v| v.last)
        ])?;
    Ok(())
}
