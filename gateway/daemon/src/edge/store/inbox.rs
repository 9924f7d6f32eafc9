//! What waits for the writer, and what it takes at once.

use std::collections::BTreeMap;
use std::sync::mpsc::Sender;
use std::time::{Duration, Instant};

use sumpwarden_core::model::{Ack, Timestamp};
use sumpwarden_core::notify::Mark;
use sumpwarden_core::store::forward::ForwardTotals;
use sumpwarden_core::store::retention::DropReason;
use sumpwarden_core::store::{JournalRecord, Point, SeriesId, SeriesKey};
use tokio::sync::oneshot;

use super::forward::Step;
use super::outbox::{Book, Waiting};
use super::{Commit, Counters, Dropped, StoreError, WAITING_JOURNAL_MAX, WAITING_SAMPLES_MAX};

/// A quiet sample waits this long for company. With the commit itself it stays below a second.
pub(super) const COMMIT_EVERY: Duration = Duration::from_millis(800);
/// So many samples do not wait any longer.
const COMMIT_ROWS: usize = 1_000;

/// Series to find or make numbers for, and who asked.
pub(super) type Plan = (Vec<SeriesKey>, Sender<Result<Vec<SeriesId>, StoreError>>);

/// What waits for the writer.
#[derive(Debug, Default)]
pub(super) struct Inbox {
    /// Series of each index in the samples submitted now.
    pub(super) ids: Vec<SeriesId>,
    pub(super) plans: Vec<Plan>,
    pub(super) flushes: Vec<Sender<()>>,
    pub(super) steps: Vec<(Step, oneshot::Sender<ForwardTotals>)>,
    pub(super) marks: Vec<(Vec<Mark>, oneshot::Sender<()>)>,
    pub(super) book: Book,
    pub(super) at_once: bool,
    pub(super) closing: bool,
    pub(super) closed: bool,
    pub(super) counters: Counters,
    pub(super) rows: Vec<(SeriesId, Point)>,
    journal: Vec<JournalRecord>,
    saved: BTreeMap<String, Vec<u8>>,
    acks: Vec<Ack>,
    dropped: Option<Dropped>,
    since: Option<Instant>,
}

/// What one transaction writes.
#[derive(Debug)]
pub(super) struct Window {
    pub(super) rows: Vec<(SeriesId, Point)>,
    pub(super) acks: Vec<Ack>,
    pub(super) dropped: Option<Dropped>,
    pub(super) pressing: Pressing,
    pub(super) flushes: Vec<Sender<()>>,
    pub(super) plans: Vec<Plan>,
    pub(super) closing: bool,
}

/// The part of a transaction that does not wait for room on the disk.
#[derive(Debug, Default)]
pub(super) struct Pressing {
    pub(super) journal: Vec<JournalRecord>,
    pub(super) saved: BTreeMap<String, Vec<u8>>,
    pub(super) outbox: Waiting,
    pub(super) steps: Vec<(Step, oneshot::Sender<ForwardTotals>)>,
    pub(super) marks: Vec<(Vec<Mark>, oneshot::Sender<()>)>,
}

impl Pressing {
    pub(super) fn is_empty(&self) -> bool {
        self.journal.is_empty()
            && self.saved.is_empty()
            && self.outbox.is_empty()
            && self.steps.is_empty()
            && self.marks.is_empty()
    }

    /// Takes in what came later. Bounded as the inbox is.
    pub(super) fn append(&mut self, later: Self) {
        self.journal.extend(later.journal);
        cut_journal(&mut self.journal);
        self.saved.extend(later.saved);
        self.outbox.append(later.outbox);
        self.steps.extend(later.steps);
        self.marks.extend(later.marks);
    }
}

impl Inbox {
    /// Takes `commit` in; true if the writer should look now.
    pub(super) fn accept(&mut self, commit: Commit, now: Instant) -> bool {
        self.counters.acquired += commit.samples.len() as u64;
        let ids = &self.ids;
        self.rows.extend(commit.samples.iter().map(|s| {
            let id = ids[s.series.slot()];
            (id, Point { at: s.at, raw: s.raw, value: s.value, quality: s.quality })
        }));
        self.journal.extend(commit.journal);
        self.saved.extend(commit.saved);
        let told = !commit.outbox.is_empty();
        self.book.accept(commit.outbox, now);
        self.acks.extend(commit.acks);
        self.since.get_or_insert(now);
        if self.rows.len() > WAITING_SAMPLES_MAX || self.journal.len() > WAITING_JOURNAL_MAX {
            self.drop_oldest();
        }
        let was_due = self.at_once;
        self.at_once |= commit.at_once || told || self.rows.len() >= COMMIT_ROWS;
        self.at_once && !was_due
    }

    /// Makes room: an eighth of the samples goes, and the acks, since nobody may think them durable.
    fn drop_oldest(&mut self) {
        self.acks.clear();
        cut_journal(&mut self.journal);
        if self.rows.len() > WAITING_SAMPLES_MAX {
            let stamps = self.rows.drain(..WAITING_SAMPLES_MAX / 8).map(|(_, point)| point.at);
            let gone = count(DropReason::NotWritable, stamps).expect("an eighth of the maximum is some");
            self.counters.dropped += gone.count;
            self.dropped = Some(join(self.dropped, gone));
        }
    }

    /// Samples that nobody has taken yet.
    pub(super) fn waiting(&self) -> usize {
        self.rows.len()
    }

    /// Whether something waits that does not wait for room on the disk.
    pub(super) fn presses(&self) -> bool {
        !self.journal.is_empty() || self.book.waits() || !self.steps.is_empty() || !self.marks.is_empty()
    }

    pub(super) fn due_in(&self, now: Instant) -> Option<Duration> {
        if self.at_once || self.closing {
            return Some(Duration::ZERO);
        }
        self.since.map(|since| COMMIT_EVERY.saturating_sub(now.saturating_duration_since(since)))
    }

    pub(super) fn take(&mut self) -> Window {
        self.since = None;
        Window {
            pressing: self.take_pressing(),
            rows: std::mem::take(&mut self.rows),
            acks: std::mem::take(&mut self.acks),
            flushes: std::mem::take(&mut self.flushes),
            plans: std::mem::take(&mut self.plans),
            dropped: self.dropped.take(),
            closing: self.closing,
        }
    }

    /// What does not wait for room on the disk.
    pub(super) fn take_pressing(&mut self) -> Pressing {
        self.at_once = false;
        Pressing {
            journal: std::mem::take(&mut self.journal),
            saved: std::mem::take(&mut self.saved),
            outbox: self.book.take(),
            steps: std::mem::take(&mut self.steps),
            marks: std::mem::take(&mut self.marks),
        }
    }
}

fn cut_journal(journal: &mut Vec<JournalRecord>) {
    let excess = journal.len().saturating_sub(WAITING_JOURNAL_MAX);
    if excess > 0 {
        tracing::error!(records = excess, "records of the journal were dropped: the store cannot be written");
        journal.drain(..excess);
    }
}

/// One who is told about `stamps` having gone.
pub(super) fn count(reason: DropReason, stamps: impl Iterator<Item = Timestamp>) -> Option<Dropped> {
    stamps.map(|at| Dropped { reason, count: 1, first_at: at, last_at: at }).reduce(|a, b| join(Some(a), b))
}

fn join(before: Option<Dropped>, more: Dropped) -> Dropped {
    match before {
        None => more,
        Some(before) => Dropped {
            reason: before.reason,
            count: before.count + more.count,
            first_at: before.first_at.min(more.first_at),
            last_at: before.last_at.max(more.last_at),
        },
    }
}
