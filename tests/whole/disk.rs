//! The store by its contract: a transaction becomes durable at once, later, or not; what was not is lost by a crash; and
//! what waits in memory is bounded, the oldest going first, with its acknowledgements.

use std::collections::{BTreeMap, BTreeSet};

use sumpwarden_core::engine::HandOver;
use sumpwarden_core::model::{Ack, Sample, Timestamp, Uptime};
use sumpwarden_core::notify::{Mark, OutboxCounts, OutboxEntry, OutboxRow, RowState};
use sumpwarden_core::store::cursor::{Pending, Stretch};
use sumpwarden_core::store::forward::{Delivered, ForwardTotals, Parked, Read};
use sumpwarden_core::store::stamp::Stamps;
use sumpwarden_core::store::{JournalEntry, JournalRecord, Point, SeriesId};

use super::Mutation;
use super::clock::ms;
use super::process::PEOPLE;

/// Samples that may wait: small, so that an outage fills it.
pub(crate) const WAITING_MAX: usize = 3_000;

/// What a forwarder wants recorded.
#[derive(Clone, Debug)]
pub(crate) enum Step {
    Begin,
    Split,
    Delivered(Delivered),
    Journal(i64, Vec<Parked>),
}

/// What one transaction writes.
#[derive(Clone, Debug, Default)]
pub(crate) struct Window {
    pub(crate) samples: Vec<Sample>,
    pub(crate) journal: Vec<JournalRecord>,
    pub(crate) saved: BTreeMap<String, Vec<u8>>,
    pub(crate) outbox: Vec<OutboxEntry>,
    pub(crate) acks: Vec<Ack>,
    pub(crate) step: Option<Step>,
    /// Marks, and which receiver waits for them.
    pub(crate) marks: Vec<(usize, Mark)>,
    /// The last hand-over in it.
    pub(crate) last: u64,
}

/// What waits for the writer.
#[derive(Debug, Default)]
pub(crate) struct Inbox {
    window: Window,
    since: Option<Uptime>,
    at_once: bool,
    pub(crate) acquired: u64,
    pub(crate) stored: u64,
    pub(crate) dropped: u64,
    /// What these went with was dropped.
    pub(crate) lost: Vec<Ack>,
}

impl Inbox {
    pub(crate) fn submit(&mut self, now: Uptime, over: HandOver, number: u64) {
        self.acquired += over.out.samples.len() as u64;
        let window = &mut self.window;
        window.last = number;
        window.samples.extend(over.out.samples);
        window.journal.extend(over.out.journal);
        window.saved.extend(over.out.saved);
        self.at_once |= over.at_once || !over.out.outbox.is_empty();
        window.outbox.extend(over.out.outbox);
        window.acks.extend(over.acks);
        if window.samples.len() > WAITING_MAX {
            // All of it, so that whatever a message that is lost brought is gone as well.
            self.lost.extend(window.acks.extract_if(.., |ack| ack.broker != PEOPLE));
            self.dropped += window.samples.drain(..).count() as u64;
        }
        self.since.get_or_insert(now);
    }

    pub(crate) fn step(&mut self, now: Uptime, step: Step) {
        self.window.step = Some(step);
        self.urge(now);
    }

    pub(crate) fn mark(&mut self, now: Uptime, receiver: usize, mark: Mark) {
        self.window.marks.push((receiver, mark));
        self.urge(now);
    }

    fn urge(&mut self, now: Uptime) {
        self.since.get_or_insert(now);
        self.at_once = true;
    }

    /// When what waits is to be written; none where nothing waits.
    pub(crate) fn due(&self) -> Option<Uptime> {
        self.since.map(|since| if self.at_once { since } else { since.plus(ms(800)) })
    }

    pub(crate) fn take(&mut self) -> Window {
        self.since = None;
        self.at_once = false;
        std::mem::take(&mut self.window)
    }

    pub(crate) fn waiting(&self) -> usize {
        self.window.samples.len()
    }
}

/// A row with what has become of it.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    pub(crate) row: OutboxRow,
    pub(crate) state: RowState,
}

/// What is durable.
#[derive(Debug)]
pub(crate) struct Disk {
    /// Points of each commit; commit `n` is at place `n - 1`.
    pub(crate) commits: Vec<Vec<(SeriesId, Point)>>,
    pub(crate) journal: Vec<JournalEntry>,
    pub(crate) saved: BTreeMap<String, Vec<u8>>,
    pub(crate) rows: Vec<Row>,
    pub(crate) counts: BTreeMap<String, OutboxCounts>,
    pub(crate) forward: Option<ForwardTotals>,
    pub(crate) parked: Vec<Parked>,
    pub(crate) stamps: BTreeMap<SeriesId, BTreeSet<Timestamp>>,
    /// Every number of a probe that is kept, by series and bits, with how often.
    pub(crate) numbers: BTreeMap<(u32, u64), u32>,
    pub(crate) points: u64,
    last_journal: i64,
}

impl Disk {
    pub(crate) fn new() -> Self {
        Self {
            commits: Vec::new(),
            journal: Vec::new(),
            saved: BTreeMap::new(),
            rows: Vec::new(),
            counts: BTreeMap::new(),
            forward: None,
            parked: Vec::new(),
            stamps: BTreeMap::new(),
            numbers: BTreeMap::new(),
            points: 0,
            last_journal: i64::MIN,
        }
    }

    /// Stamps as a process that opens the store knows them.
    pub(crate) fn open(&self) -> Stamps {
        let mut stamps = Stamps::default();
        for (series, taken) in &self.stamps {
            taken.last().iter().for_each(|at| stamps.note(*series, **at));
        }
        stamps
    }

    /// Gives each sample its stamp.
    pub(crate) fn prepare(
        &self,
        stamps: &mut Stamps,
        samples: &[Sample],
        mutation: Mutation,
    ) -> Vec<(SeriesId, Point)> {
        let mut rows: Vec<(SeriesId, Point)> = Vec::with_capacity(samples.len());
        for sample in samples {
            let series = SeriesId(sample.series.0);
            let look_up = |from, until| {
                let held = self.stamps.get(&series).into_iter().flat_map(|taken| taken.range(from..until));
                let before =
                    rows.iter().filter(|(id, point)| *id == series && (from..until).contains(&point.at));
                held.copied().chain(before.map(|(_, point)| point.at)).collect()
            };
            let at = match mutation {
                Mutation::SameStamps => sample.at,
                _ => stamps.assign(series, sample.at, look_up),
            };
            rows.push((series, Point { at, raw: sample.raw, value: sample.value, quality: sample.quality }));
        }
        rows
    }

    /// One transaction becomes durable. Complains where what is written contradicts itself.
    pub(crate) fn write(
        &mut self,
        window: &Window,
        points: &[(SeriesId, Point)],
        mutation: Mutation,
    ) -> Result<(), String> {
        let head = self.commits.len() as u64 + 1;
        for (series, point) in points {
            if !self.stamps.entry(*series).or_default().insert(point.at) {
                return Err(format!("series {} has two points at {}", series.0, point.at));
            }
            if let Some(raw) = point.raw {
                *self.numbers.entry((series.0, raw.to_bits())).or_default() += 1;
            }
        }
        self.points += points.len() as u64;
        if !points.is_empty() {
            self.commits.push(points.to_vec());
        }
        for record in &window.journal {
            self.append_journal(record);
        }
        self.saved.extend(window.saved.clone());
        for entry in &window.outbox {
            self.append_row(entry, mutation);
        }
        for (_, mark) in &window.marks {
            self.mark(mark);
        }
        if let Some(step) = &window.step {
            self.step(step, head)?;
        }
        Ok(())
    }

    fn append_journal(&mut self, record: &JournalRecord) {
        let at = record.at.as_nanos().max(self.last_journal.saturating_add(1));
        self.last_journal = at;
        self.journal.push(JournalEntry {
            id: self.journal.len() as i64 + 1,
            at: Timestamp::from_nanos(at),
            kind: record.kind.word().to_owned(),
            sump: record.sump.as_ref().map(ToString::to_string),
            subject: record.subject.clone(),
            state: record.state.clone(),
            priority: record.priority.map(str::to_owned),
            value: record.value,
            message: record.message.clone(),
        });
    }

    fn append_row(&mut self, entry: &OutboxEntry, mutation: Mutation) {
        let mut entry = entry.clone();
        if mutation == Mutation::RandomKey {
            entry.key += &format!("-{}", self.rows.len());
        }
        let same = |row: &Row| {
            let other = &row.row.entry;
            (&other.receiver, &other.key, other.sequence, other.action)
                == (&entry.receiver, &entry.key, entry.sequence, entry.action)
        };
        if self.rows.iter().rev().take(500).any(same) {
            return;
        }
        let counts = self.counts.entry(entry.receiver.to_string()).or_default();
        counts.transitions += 1;
        counts.pending += 1;
        let id = self.rows.len() as i64 + 1;
        self.rows.push(Row { row: OutboxRow { id, entry, attempts: 0 }, state: RowState::Pending });
    }

    fn mark(&mut self, mark: &Mark) {
        let Mark::Rows { ids, state, .. } = mark else { return };
        for id in ids {
            let row = &mut self.rows[*id as usize - 1];
            if row.state == RowState::Pending && *state != RowState::Pending {
                let counts = self.counts.entry(row.row.entry.receiver.to_string()).or_default();
                counts.pending -= 1;
                *counts.of(*state) += 1;
                row.state = *state;
            }
        }
    }

    fn step(&mut self, step: &Step, head: u64) -> Result<(), String> {
        let totals = self.forward.get_or_insert_with(|| ForwardTotals {
            pending: Pending::since(1),
            journal_from: 1,
            forwarded: 0,
            parked: 0,
            expired: 0,
        });
        match step {
            Step::Begin => {}
            Step::Split => totals.pending.split(head),
            Step::Delivered(done) => {
                if !totals.pending.advance(done.from, done.to) {
                    return Err(format!("no stretch begins at {:?}: {}", done.from, totals.pending));
                }
                totals.forwarded += done.forwarded;
                totals.parked += done.parked.len() as u64;
                self.parked.extend(done.parked.iter().cloned());
            }
            Step::Journal(to, parked) => {
                totals.journal_from = totals.journal_from.max(*to);
                self.parked.extend(parked.iter().cloned());
            }
        }
        Ok(())
    }

    /// Points of a stretch, at most `max`.
    pub(crate) fn read(&self, stretch: Stretch, max: usize) -> Read {
        Read::of_commits(&self.commits, stretch, max)
    }

    /// Points that the forwarder still owes, counted from what is held.
    pub(crate) fn owed(&self) -> u64 {
        let Some(totals) = &self.forward else { return self.points };
        let held = |stretch: Stretch| -> u64 {
            let first = stretch.from.seq.max(1) as usize - 1;
            let until = stretch.until.map_or(self.commits.len(), |until| until as usize - 1);
            let commits = self.commits.get(first..until.min(self.commits.len())).unwrap_or_default();
            let all: u64 = commits.iter().map(|commit| commit.len() as u64).sum();
            all.saturating_sub(u64::from(stretch.from.position))
        };
        totals.pending.stretches().map(held).sum()
    }
}
