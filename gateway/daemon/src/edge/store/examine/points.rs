//! Series, batches, spans, chunks, stamps and rollups.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, params};
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::rollup::{self, Bucket};
use sumpwarden_core::store::{Point, batch, chunk};

use super::super::reader;
use super::super::retain::{DAY, HOUR};
use super::Look;

/// What the packed points of a series come to, by width and start.
type Buckets = BTreeMap<(u64, i64), Bucket>;

/// Row, stretch and what is wrong.
type Wrong = (Option<i64>, Option<(i64, i64)>, String);

/// How a series' walk went.
#[derive(Default)]
struct Walked {
    points: u64,
    buckets: Buckets,
    /// Some of it could not be read.
    damaged: bool,
    findings: Vec<Wrong>,
}

impl Look<'_> {
    pub(super) fn points(&mut self) -> rusqlite::Result<()> {
        let names = self.series()?;
        self.begin("batch", "check sums, counts, stretches, series");
        let points =
            self.batches(&names, "SELECT seq, first_at, last_at, count, body FROM batch ORDER BY seq")?;
        self.report.points += points;
        if self.report.schema >= 3 {
            self.begin("undated", "check sums, counts, stretches, series");
            self.batches(&names, "SELECT id, first_at, last_at, count, body FROM undated ORDER BY id")?;
        }
        self.spans()?;
        self.chunks(&names)
    }

    fn series(&mut self) -> rusqlite::Result<BTreeMap<u32, String>> {
        self.begin("series", "numbers and names given once");
        let mut names: BTreeMap<u32, String> = BTreeMap::new();
        let mut keys = BTreeSet::new();
        for one in reader::stored_series(self.quiet)? {
            self.part().rows += 1;
            if !one.text.starts_with("probe/") && !one.text.starts_with("estimate/") {
                self.wrong(Some(i64::from(one.id.0)), Some(one.text.clone()), None, "no name of a series");
            }
            if !keys.insert((one.text.clone(), one.quantity)) {
                self.wrong(Some(i64::from(one.id.0)), Some(one.text.clone()), None, "named twice");
            }
            if names.insert(one.id.0, one.text).is_some() {
                self.wrong(Some(i64::from(one.id.0)), None, None, "numbered twice");
            }
        }
        Ok(names)
    }

    /// Batches that `query` gives: number, stretch, count, body. Says how many points they hold.
    fn batches(&mut self, names: &BTreeMap<u32, String>, query: &str) -> rusqlite::Result<u64> {
        let (quiet, mut held) = (self.quiet, 0);
        let mut statement = quiet.prepare(query)?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let (seq, stretch): (i64, (i64, i64)) = (row.get(0)?, (row.get(1)?, row.get(2)?));
            let count: u64 = row.get(3)?;
            self.part().rows += 1;
            let body = row.get_ref(4)?.as_blob().map_err(rusqlite::Error::from)?;
            match batch::decode(body) {
                Err(error) => self.wrong(Some(seq), None, Some(stretch), format!("{count} points: {error}")),
                Ok(points) => {
                    let points: Vec<_> = points.collect();
                    held += points.len() as u64;
                    let found = stretch_of(points.iter().map(|(_, point)| point));
                    if points.len() as u64 != count || found != Some(stretch) {
                        self.wrong(Some(seq), None, Some(stretch), "its row and its points differ");
                    }
                    if let Some((id, _)) = points.iter().find(|(id, _)| !names.contains_key(&id.0)) {
                        self.wrong(Some(seq), None, Some(stretch), format!("series {} has no name", id.0));
                    }
                }
            }
        }
        Ok(held)
    }

    /// Spans come one after the other and hold as many points as their chunks together. While spans are being joined,
    /// chunks stand under the first of them already, so only the whole is compared.
    fn spans(&mut self) -> rusqlite::Result<()> {
        self.begin("span", "order, and points as in the chunks");
        let quiet = self.quiet;
        let transaction = quiet.unchecked_transaction()?;
        let mut statement = transaction
            .prepare("SELECT first_seq, last_seq, first_at, last_at, points FROM span ORDER BY first_seq")?;
        let mut rows = statement.query([])?;
        let (mut before, mut points) = (i64::MIN, 0);
        while let Some(row) = rows.next()? {
            let (first, last): (i64, i64) = (row.get(0)?, row.get(1)?);
            points += row.get::<_, u64>(4)?;
            self.part().rows += 1;
            if first > last || first <= before {
                let stretch = Some((row.get(2)?, row.get(3)?));
                self.wrong(
                    Some(first),
                    None,
                    stretch,
                    format!("commits {first} to {last} overlap those before"),
                );
            }
            before = last;
        }
        let held: u64 =
            transaction.query_row("SELECT coalesce(sum(count), 0) FROM chunk", [], |row| row.get(0))?;
        if held != points {
            self.wrong(None, None, None, format!("spans count {points} points, chunks {held}"));
        }
        let both: i64 = transaction.query_row(
            "SELECT count(*) FROM batch b JOIN span s ON b.seq BETWEEN s.first_seq AND s.last_seq",
            [],
            |row| row.get(0),
        )?;
        if both > 0 {
            self.wrong(None, None, None, format!("{both} commits are packed and are still batches"));
        }
        Ok(())
    }

    fn chunks(&mut self, names: &BTreeMap<u32, String>) -> rusqlite::Result<()> {
        self.begin("chunk", "check sums, counts, stretches, series, spans");
        let quiet = self.quiet;
        let alone: Vec<(i64, u32)> = quiet
            .prepare(
                "SELECT id, series FROM chunk WHERE series NOT IN (SELECT id FROM series)
                 OR first_seq NOT IN (SELECT first_seq FROM span)",
            )?
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
            .collect::<Result<_, _>>()?;
        for (id, series) in alone {
            self.wrong(Some(id), names.get(&series).cloned(), None, "under no span, or of no series");
        }
        let chunks = self.report.parts.len() - 1;
        self.begin("stamps", "no two of a series at one instant, each chunk in order");
        self.begin("rollup", "points, lowest, highest, last and sum as in the points held");
        let all = names.len() as u64;
        let mut loose = Loose::default();
        for (place, (&id, name)) in (0..).zip(names) {
            (self.progress)("series", place, all);
            let transaction = quiet.unchecked_transaction()?;
            let unpacked = loose.stamps(&transaction, id)?;
            let walked = walk(&transaction, id, unpacked)?;
            let rolled = rollups(&transaction, id, &walked)?;
            drop(transaction);
            self.report.points += walked.points;
            self.report.parts[chunks].rows += walked.points;
            let findings = walked.findings.into_iter().chain(rolled.1);
            self.report.parts[chunks + 1].rows += walked.points + unpacked.len() as u64;
            self.report.parts[chunks + 2].rows += rolled.0;
            for (row, stretch, what) in findings {
                let part = match what.as_str() {
                    what if what.starts_with("rollup") => chunks + 2,
                    what if what.starts_with("stamp") => chunks + 1,
                    _ => chunks,
                };
                self.report.parts.swap(part, chunks + 2);
                self.wrong(row, Some(name.clone()), stretch, what);
                self.report.parts.swap(part, chunks + 2);
            }
        }
        let rows = quiet.query_row("SELECT count(*) FROM chunk", [], |row| row.get(0))?;
        self.report.parts[chunks].rows = rows;
        Ok(())
    }
}

fn stretch_of<'a>(points: impl Iterator<Item = &'a Point>) -> Option<(i64, i64)> {
    points.map(|p| (p.at.as_nanos(), p.at.as_nanos())).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
}

/// Stamps that are in no chunk yet, rising, by series.
#[derive(Default)]
struct Loose {
    by_series: BTreeMap<u32, Vec<i64>>,
    /// What SQLite calls the data they were read from: another number once somebody has committed since.
    version: Option<i64>,
}

impl Loose {
    /// Those of a series as of `transaction`.
    fn stamps(&mut self, transaction: &Connection, series: u32) -> rusqlite::Result<&[i64]> {
        let version = transaction.query_row("PRAGMA data_version", [], |row| row.get(0))?;
        if self.version != Some(version) {
            self.read(transaction)?;
            self.version = Some(version);
        }
        Ok(self.by_series.get(&series).map_or(&[], Vec::as_slice))
    }

    fn read(&mut self, transaction: &Connection) -> rusqlite::Result<()> {
        self.by_series.clear();
        let mut statement = transaction.prepare_cached("SELECT body FROM batch")?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let body = row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?;
            for (id, point) in batch::decode(body).into_iter().flatten() {
                self.by_series.entry(id.0).or_default().push(point.at.as_nanos());
            }
        }
        self.by_series.values_mut().for_each(|stamps| stamps.sort_unstable());
        Ok(())
    }
}

/// Stamps of a series that a chunk to come could give again, rising.
struct Near(Vec<i64>);

impl Near {
    /// Takes in those of a chunk, none of them before `first`, as are those of the chunks to come. Gives those that were given
    /// before.
    fn take(&mut self, first: i64, stamps: impl Iterator<Item = i64>) -> Vec<i64> {
        self.0.drain(..self.0.partition_point(|&at| at < first));
        self.0.extend(stamps);
        // Two rising runs, as a rule: a stable sort joins them in one pass.
        self.0.sort();
        self.again()
    }

    /// Stamps that are there more than once, which are there once from then on.
    fn again(&mut self) -> Vec<i64> {
        let again = self.0.windows(2).filter(|pair| pair[0] == pair[1]).map(|pair| pair[0]).collect();
        self.0.dedup();
        again
    }
}

/// Sums points up by hours. They come in the order of their stamps, as a rule, so one hour is open at a time.
#[derive(Default)]
struct Hours {
    open: Option<(i64, Bucket)>,
    closed: BTreeMap<i64, Bucket>,
}

impl Hours {
    fn add(&mut self, point: &Point) {
        let (at, bucket) = (point.at.as_nanos(), Bucket::of(point));
        match &mut self.open {
            Some((start, sum))
                if at.checked_sub(*start).is_some_and(|since| (0..HOUR as i64).contains(&since)) =>
            {
                *sum = sum.merge(bucket);
            }
            open => {
                if let Some((start, sum)) =
                    open.replace((rollup::start_of(point.at, HOUR).as_nanos(), bucket))
                {
                    put(&mut self.closed, start, sum);
                }
            }
        }
    }

    /// All of them, and the days that they make up.
    fn buckets(mut self) -> Buckets {
        if let Some((start, sum)) = self.open {
            put(&mut self.closed, start, sum);
        }
        let mut all = Buckets::new();
        for (start, sum) in self.closed {
            put(&mut all, (HOUR, start), sum);
            let day = rollup::start_of(Timestamp::from_nanos(start), DAY).as_nanos();
            put(&mut all, (DAY, day), sum);
        }
        all
    }
}

/// Adds to the bucket of `key`.
fn put<K: Ord>(buckets: &mut BTreeMap<K, Bucket>, key: K, sum: Bucket) {
    buckets.entry(key).and_modify(|kept| *kept = kept.merge(sum)).or_insert(sum);
}

/// Every chunk of a series, by its first stamp.
fn walk(connection: &Connection, series: u32, unpacked: &[i64]) -> rusqlite::Result<Walked> {
    let mut walked = Walked::default();
    let mut near = Near(unpacked.to_vec());
    let mut hours = Hours::default();
    let twice = |row: Option<i64>, at: i64, what: &str| (row, Some((at, at)), what.to_owned());
    walked
        .findings
        .extend(near.again().into_iter().map(|at| twice(None, at, "stamp given twice in batches")));
    let mut list = connection
        .prepare_cached("SELECT id, first_at, last_at FROM chunk WHERE series = ? ORDER BY first_at")?;
    let mut body = connection.prepare_cached("SELECT series, count, body FROM chunk WHERE id = ?")?;
    let mut rows = list.query([series])?;
    while let Some(row) = rows.next()? {
        let (id, stretch): (i64, (i64, i64)) = (row.get(0)?, (row.get(1)?, row.get(2)?));
        let (owner, count, points) = body.query_row([id], |row| {
            let body = row.get_ref(2)?.as_blob().map_err(rusqlite::Error::from)?;
            Ok((row.get::<_, u32>(0)?, row.get::<_, u64>(1)?, chunk::decode(body)))
        })?;
        let mut wrong = |what: String| walked.findings.push((Some(id), Some(stretch), what));
        let points = match points {
            Ok(points) => points,
            Err(error) => {
                wrong(format!("{count} points: {error}"));
                walked.damaged = true;
                continue;
            }
        };
        if owner != series || points.len() as u64 != count || stretch_of(points.iter()) != Some(stretch) {
            wrong("its row and its points differ".to_owned());
        }
        if points.windows(2).any(|pair| pair[0].at >= pair[1].at) {
            wrong("stamps of the chunk do not rise".to_owned());
        }
        walked.points += points.len() as u64;
        points.iter().for_each(|point| hours.add(point));
        let again = near.take(stretch.0, points.iter().map(|point| point.at.as_nanos()));
        walked.findings.extend(again.into_iter().map(|at| twice(Some(id), at, "stamp given twice")));
    }
    walked.buckets = hours.buckets();
    Ok(walked)
}

/// Rollups may know points that are no longer held, but never less than is held.
fn rollups(connection: &Connection, series: u32, walked: &Walked) -> rusqlite::Result<(u64, Vec<Wrong>)> {
    let mut wrong = Vec::new();
    let gone: Option<i64> = connection.query_row("SELECT max(last_at) FROM dropped", [], |row| row.get(0))?;
    let mut rows = 0;
    for width in [HOUR, DAY] {
        let mut kept: BTreeMap<i64, Bucket> = BTreeMap::new();
        let mut statement = connection.prepare_cached(
            "SELECT start, points, worst, count, min, max, sum, last_at, last FROM rollup
             WHERE series = ? AND width = ?",
        )?;
        let mut found = statement.query(params![series, width])?;
        while let Some(row) = found.next()? {
            kept.insert(row.get(0)?, reader::bucket_of(row)?);
            rows += 1;
        }
        let oldest = kept.keys().next().copied().unwrap_or(i64::MAX);
        let end = |start: i64| start.saturating_add(width as i64);
        for (&(_, start), held) in walked.buckets.range((width, i64::MIN)..=(width, i64::MAX)) {
            let whole = !walked.damaged && gone.is_none_or(|gone| gone < start);
            let agrees = match kept.get(&start) {
                Some(rolled) if whole => same(rolled, held),
                Some(rolled) => covers(rolled, held),
                // Older ones are swept away with the journal.
                None => start < oldest && oldest != i64::MAX,
            };
            if !agrees {
                let what = format!("rollup of {} h does not hold what its points say", width / HOUR);
                wrong.push((None, Some((start, end(start))), what));
            }
        }
        if gone.is_none() && !walked.damaged {
            for &start in kept.keys().filter(|start| !walked.buckets.contains_key(&(width, **start))) {
                wrong.push((
                    None,
                    Some((start, end(start))),
                    "rollup of points that are not held".to_owned(),
                ));
            }
        }
    }
    Ok((rows, wrong))
}

fn same(rolled: &Bucket, held: &Bucket) -> bool {
    // The last bits of a sum depend on the order.
    let close = |a: f64, b: f64, scale: f64| (a - b).abs() <= 1e-9 * scale.max(f64::MIN_POSITIVE);
    let values = match (rolled.values, held.values) {
        (Some(a), Some(b)) => {
            let scale = b.count as f64 * b.min.abs().max(b.max.abs());
            (a.count, a.min, a.max, a.last_at, a.last) == (b.count, b.min, b.max, b.last_at, b.last)
                && close(a.sum, b.sum, scale)
        }
        (None, None) => true,
        _ => false,
    };
    values && rolled.points == held.points && rolled.worst == held.worst
}

fn covers(rolled: &Bucket, held: &Bucket) -> bool {
    let values = match (rolled.values, held.values) {
        (Some(a), Some(b)) => a.count >= b.count && a.min <= b.min && a.max >= b.max,
        (None, Some(_)) => false,
        _ => true,
    };
    values && rolled.points >= held.points
}
