//! What a damaged file still holds: every record on every page that can be read, whatever became of the trees above.
//!
//! First all pages are looked through once, and each record is known by its columns; then points are read series by series.
//! Bodies of points carry a check sum, so a point comes back as it was or not at all. Which series a chunk belongs to stands
//! outside that check sum, but three times: in its row and in two indexes; the majority is right, and where there is none
//! the chunk is passed over. Pages on the list of free ones are not looked at: they hold what was dropped.

mod pages;
mod record;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use rusqlite::types::Value;
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::{JournalEntry, Point, SeriesId, StoredSeries, batch, chunk, intact};

use super::extract::{Holding, OutboxLine, ParkedLine, Skipped, Skips, UndatedPoint};
use super::{Progress, StoreError};
use pages::Pages;
use record::{PageKind, Record, cell, layout};

/// Where a record lies.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct Spot {
    page: u32,
    at: usize,
    stray: bool,
}

/// One chunk as its row and the indexes have it.
#[derive(Debug, Default)]
struct ChunkSeen {
    row: Option<(Spot, u32, i64, i64, u64)>,
    /// By the indexes.
    series: Vec<u32>,
    stretch: Option<(i64, i64)>,
    count: u64,
}

/// A damaged file, looked through.
#[derive(Debug)]
pub struct Salvage {
    pages: Pages,
    series: BTreeMap<u32, (String, String)>,
    chunks: BTreeMap<u32, Vec<(i64, i64, Spot)>>,
    unpacked: BTreeMap<u32, Vec<Point>>,
    chunk_points: u64,
    journal: BTreeMap<i64, JournalEntry>,
    outbox: BTreeMap<i64, OutboxLine>,
    parked: BTreeMap<i64, ParkedLine>,
    undated: BTreeMap<i64, Vec<Value>>,
    saved: BTreeMap<String, Vec<u8>>,
    skips: Skips,
}

/// What has been seen so far.
#[derive(Debug, Default)]
struct Sight {
    names: BTreeMap<u32, Vec<(String, String)>>,
    chunks: BTreeMap<i64, ChunkSeen>,
    /// Number, first and last stamp, points; decoded where the check sum is right.
    batches: BTreeSet<(i64, Spot)>,
    points: BTreeMap<u32, Vec<Point>>,
    journal: BTreeMap<i64, JournalEntry>,
    outbox: BTreeMap<i64, OutboxLine>,
    parked: BTreeMap<i64, ParkedLine>,
    undated: BTreeMap<i64, Vec<Value>>,
    saved: BTreeMap<String, Vec<u8>>,
    skips: Skips,
    /// Overflow pages of records that were read.
    used: BTreeSet<u32>,
    /// Pages whose cells do not add up.
    odd: BTreeSet<(u32, bool)>,
}

impl Salvage {
    /// Looks through `path` and the log beside it. The file is only read, and not by SQLite.
    pub fn look(path: &Path, progress: Progress<'_>) -> Result<Self, StoreError> {
        let failed = |source| StoreError::Directory { path: path.to_owned(), source };
        let pages = Pages::open(path).map_err(failed)?;
        let mut sight = Sight::default();
        let all = u64::from(pages.count) + pages.stray.len() as u64;
        for number in 1..=pages.count {
            if number % 1_024 == 0 {
                progress("pages", u64::from(number), all);
            }
            if !pages.is_free(number) {
                sight.look(&pages, number, false);
            }
        }
        for &number in pages.stray.keys() {
            sight.look(&pages, number, true);
        }
        let odd: Vec<_> = std::mem::take(&mut sight.odd).into_iter().collect();
        for (number, stray) in odd {
            if !sight.used.contains(&number) {
                sight.search(&pages, number, stray);
            }
        }
        Ok(sight.settle(pages))
    }

    /// Whether a commit that ended is out of SQLite's sight because the log is damaged before it.
    pub fn log_damaged(path: &Path) -> bool {
        Pages::open(path).is_ok_and(|pages| pages.log_damaged)
    }

    /// Points that can be read, each counted once for every record that holds it.
    pub fn points(&self) -> u64 {
        self.chunk_points + self.unpacked.values().map(|points| points.len() as u64).sum::<u64>()
    }

    /// Saved state, by key.
    pub fn saved(&self) -> &BTreeMap<String, Vec<u8>> {
        &self.saved
    }

    fn chunk(&self, spot: Spot) -> Option<Vec<Point>> {
        let record = read_at(&self.pages, spot, &mut BTreeSet::new())?;
        match record.values.last() {
            Some(Value::Blob(body)) => chunk::decode(body).ok(),
            _ => None,
        }
    }
}

fn read_at(pages: &Pages, spot: Spot, used: &mut BTreeSet<u32>) -> Option<Record> {
    let read = |number| if spot.stray { pages.read_stray(number) } else { pages.read(number) };
    let page = read(spot.page)?;
    cell(&page, spot.at, PageKind::Table, &read, used).map(|(record, _)| record)
}

impl Sight {
    /// The records that a page says it has.
    fn look(&mut self, pages: &Pages, number: u32, stray: bool) {
        let read = |number| if stray { pages.read_stray(number) } else { pages.read(number) };
        let Some(page) = read(number) else { return };
        let Some(layout) = layout(&page, number) else {
            // Pages above leaves of tables hold no record; what is neither is looked at more closely.
            if page[0] != 0x05 {
                self.odd.insert((number, stray));
            }
            return;
        };
        let mut bytes = 0;
        let mut strange = false;
        for &at in &layout.cells {
            match cell(&page, at, layout.kind, &read, &mut self.used) {
                Some((record, length)) => {
                    bytes += length;
                    strange |= !self.take(record, layout.kind, Spot { page: number, at, stray });
                }
                None => strange = true,
            }
        }
        if strange || !layout.adds_up(bytes, &page) {
            self.odd.insert((number, stray));
        }
    }

    /// Looks for records at every place of a page that has lost its order.
    fn search(&mut self, pages: &Pages, number: u32, stray: bool) {
        let read = |number| if stray { pages.read_stray(number) } else { pages.read(number) };
        let Some(page) = read(number) else { return };
        if page.iter().all(|byte| *byte == 0) {
            self.skips.note("page", 1, None, None);
            return;
        }
        for at in 0..page.len() {
            let Some((record, _)) = cell(&page, at, PageKind::Table, &read, &mut self.used) else { continue };
            let sure = match record.values.as_slice() {
                [Value::Null, .., Value::Blob(body)] => intact(body),
                [Value::Null, Value::Text(key), Value::Text(_)] => is_key(key),
                [Value::Null, Value::Integer(_), Value::Text(kind), .., Value::Text(_)] => {
                    ["alarm", "instrument", "event"].contains(&kind.as_str())
                }
                _ => false,
            };
            if sure {
                self.take(record, PageKind::Table, Spot { page: number, at, stray });
            }
        }
    }

    /// Keeps a record; false if its body is damaged or it is of no known table.
    fn take(&mut self, record: Record, kind: PageKind, spot: Spot) -> bool {
        let row = record.row;
        if kind == PageKind::Table {
            self.take_row(row, record.values, spot)
        } else {
            self.take_key(record.values)
        }
    }

    fn take_row(&mut self, row: i64, values: Vec<Value>, spot: Spot) -> bool {
        use Value::{Blob, Integer, Null, Text};
        match values.as_slice() {
            [Null, Integer(first), Integer(last), Integer(count), Blob(body)] => {
                return self.take_batch(row, (*first, *last), *count, body, spot);
            }
            [
                Null,
                Integer(_),
                Integer(series),
                Integer(first),
                Integer(last),
                Integer(count),
                Blob(body),
            ] => {
                if !intact(body) {
                    return false;
                }
                let seen = self.chunks.entry(row).or_default();
                if let Ok(series) = u32::try_from(*series)
                    && (seen.row.is_none() || !spot.stray)
                {
                    seen.row = Some((spot, series, *first, *last, count.unsigned_abs()));
                }
            }
            [Null, Text(text), Text(quantity)] => self.name(row, text, quantity),
            [Null, Text(_), Integer(_), Integer(_), Integer(_), Integer(_), _, Blob(body)] => {
                if !intact(body) {
                    return false;
                }
                self.undated.insert(row, values);
            }
            _ => return self.take_words(row, &values),
        }
        true
    }

    /// Rows of tables that people read.
    fn take_words(&mut self, row: i64, values: &[Value]) -> bool {
        if let Some(entry) = journal_of(row, values) {
            self.journal.insert(row, entry);
        } else if let Some(line) = OutboxLine::of(row, values) {
            self.outbox.insert(row, line);
        } else if let Some(line) = ParkedLine::of(values) {
            self.parked.insert(row, line);
        } else {
            // Spans, and the description of the tables.
            return values.iter().all(|value| !matches!(value, Value::Blob(_)));
        }
        true
    }

    fn take_batch(
        &mut self,
        seq: i64,
        (first, last): (i64, i64),
        count: i64,
        body: &[u8],
        spot: Spot,
    ) -> bool {
        if !self.batches.insert((seq, spot)) {
            return true;
        }
        match batch::decode(body) {
            Ok(points) => {
                points.for_each(|(series, point)| self.points.entry(series.0).or_default().push(point));
                true
            }
            Err(_) => {
                let stretch = (Timestamp::from_nanos(first), Timestamp::from_nanos(last));
                self.skips.note_batch(seq, count.unsigned_abs(), stretch);
                false
            }
        }
    }

    fn take_key(&mut self, values: Vec<Value>) -> bool {
        use Value::{Blob, Integer, Text};
        match values.as_slice() {
            [Integer(_), Integer(series), Integer(id), Integer(count), Integer(row)] if id == row => {
                let seen = self.chunks.entry(*id).or_default();
                seen.series.extend(u32::try_from(*series).ok());
                seen.count = count.unsigned_abs();
            }
            [Integer(series), Integer(last), Integer(first), Integer(id)] => {
                let seen = self.chunks.entry(*id).or_default();
                seen.series.extend(u32::try_from(*series).ok());
                seen.stretch = Some((*first, *last));
            }
            [Text(text), Text(quantity), Integer(row)] => self.name(*row, text, quantity),
            [Text(key), Blob(value)] => drop(self.saved.insert(key.clone(), value.clone())),
            _ => {}
        }
        true
    }

    fn name(&mut self, row: i64, text: &str, quantity: &str) {
        if let Ok(id) = u32::try_from(row)
            && is_key(text)
        {
            self.names.entry(id).or_default().push((text.to_owned(), quantity.to_owned()));
        }
    }

    /// Weighs what was seen.
    fn settle(mut self, pages: Pages) -> Salvage {
        let mut series = BTreeMap::new();
        for (id, names) in std::mem::take(&mut self.names) {
            // The row and the index say the same; where they do not, nobody knows which of them was hit.
            if names.iter().any(|name| *name != names[0]) {
                let said: Vec<&str> = names.iter().map(|name| name.0.as_str()).collect();
                self.skips.note("series", 1, Some(said.join(" or ")), None);
            }
            series.insert(id, names[0].clone());
        }
        let mut chunks: BTreeMap<u32, Vec<(i64, i64, Spot)>> = BTreeMap::new();
        let mut chunk_points = 0;
        for seen in std::mem::take(&mut self.chunks).into_values() {
            match (seen.owner(), seen.row) {
                (Some(owner), Some((spot, _, first, last, count))) => {
                    chunk_points += count;
                    let (first, last) = seen.stretch.unwrap_or((first, last));
                    chunks.entry(owner).or_default().push((first, last, spot));
                }
                (owner, row) => {
                    let stretch = seen.stretch.or(row.map(|(_, _, first, last, _)| (first, last)));
                    let stretch = stretch.map(|(a, b)| (Timestamp::from_nanos(a), Timestamp::from_nanos(b)));
                    let name = owner.and_then(|id| series.get(&id)).map(|name| name.0.clone());
                    let count = row.map_or(seen.count, |row| row.4);
                    self.skips.note("chunk", count, name, stretch);
                }
            }
        }
        // Whose points have no name are named by their number.
        for id in chunks.keys().chain(self.points.keys()) {
            series.entry(*id).or_insert_with(|| (format!("series/{id}"), String::new()));
        }
        Salvage {
            pages,
            series,
            chunks,
            chunk_points,
            unpacked: self.points,
            journal: self.journal,
            outbox: self.outbox,
            parked: self.parked,
            undated: self.undated,
            saved: self.saved,
            skips: self.skips,
        }
    }
}

impl ChunkSeen {
    /// Whose it is, by most of those who say so.
    fn owner(&self) -> Option<u32> {
        let said: Vec<u32> = self.series.iter().copied().chain(self.row.map(|row| row.1)).collect();
        let votes = |one: u32| said.iter().filter(|other| **other == one).count();
        said.iter().copied().find(|one| 2 * votes(*one) > said.len())
    }
}

fn is_key(text: &str) -> bool {
    text.starts_with("probe/") || text.starts_with("estimate/")
}

fn journal_of(row: i64, values: &[Value]) -> Option<JournalEntry> {
    use Value::{Integer, Null, Text};
    let [Null, Integer(at), Text(kind), sump, Text(subject), Text(state), priority, value, Text(message)] =
        values
    else {
        return None;
    };
    let text = |value: &Value| if let Text(text) = value { Some(text.clone()) } else { None };
    let value = match value {
        Value::Real(value) => Some(*value),
        Integer(value) => Some(*value as f64),
        _ => None,
    };
    Some(JournalEntry {
        id: row,
        at: Timestamp::from_nanos(*at),
        kind: kind.clone(),
        sump: text(sump),
        subject: subject.clone(),
        state: state.clone(),
        priority: text(priority),
        value,
        message: message.clone(),
    })
}

impl Holding for Salvage {
    fn series(&mut self) -> Result<Vec<StoredSeries>, StoreError> {
        let one = |(id, (text, quantity)): (&u32, &(String, String))| StoredSeries {
            id: SeriesId(*id),
            text: text.clone(),
            quantity: quantity.clone(),
        };
        Ok(self.series.iter().map(one).collect())
    }

    fn points(
        &mut self,
        series: SeriesId,
        from: Timestamp,
        until: Timestamp,
        see: &mut dyn FnMut(Point),
    ) -> Result<(), StoreError> {
        let mut chunks = self.chunks.get(&series.0).cloned().unwrap_or_default();
        chunks.sort_unstable();
        let inside = |point: &Point| point.at >= from && point.at < until;
        let mut ready: BTreeMap<Timestamp, Point> = BTreeMap::new();
        let unpacked = self.unpacked.get(&series.0).into_iter().flatten().filter(|point| inside(point));
        ready.extend(unpacked.map(|point| (point.at, *point)));
        let name = self.series.get(&series.0).map(|name| name.0.clone());
        for (first, last, spot) in chunks {
            if last < from.as_nanos() || first >= until.as_nanos() {
                continue;
            }
            // Everything before this chunk has been seen.
            let rest = ready.split_off(&Timestamp::from_nanos(first));
            std::mem::replace(&mut ready, rest).into_values().for_each(&mut *see);
            match self.chunk(spot) {
                Some(points) => {
                    ready.extend(
                        points.into_iter().filter(|point| inside(point)).map(|point| (point.at, point)),
                    );
                }
                None => {
                    let stretch = (Timestamp::from_nanos(first), Timestamp::from_nanos(last));
                    self.skips.note("chunk", 0, name.clone(), Some(stretch));
                }
            }
        }
        ready.into_values().for_each(see);
        Ok(())
    }

    fn journal(&mut self, see: &mut dyn FnMut(JournalEntry)) -> Result<(), StoreError> {
        self.journal.values().cloned().for_each(see);
        Ok(())
    }

    fn outbox(&mut self, see: &mut dyn FnMut(OutboxLine)) -> Result<(), StoreError> {
        self.outbox.values().cloned().for_each(see);
        Ok(())
    }

    fn parked(&mut self, see: &mut dyn FnMut(ParkedLine)) -> Result<(), StoreError> {
        self.parked.values().cloned().for_each(see);
        Ok(())
    }

    fn undated(&mut self, see: &mut dyn FnMut(UndatedPoint)) -> Result<(), StoreError> {
        let points = self.undated.values().filter_map(|row| UndatedPoint::of(row));
        points.flatten().for_each(see);
        Ok(())
    }

    fn skipped(&self) -> Vec<Skipped> {
        self.skips.list()
    }
}
