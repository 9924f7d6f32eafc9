//! What waits for the writer, and what it takes at once.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::mpsc::Sender;
use std::time::{Duration, Instant};

use sumpwarden_core::model::{Ack, Sample, SeriesIndex, Timestamp};
use sumpwarden_core::notify::Mark;
use sumpwarden_core::store::forward::ForwardTotals;
use sumpwarden_core::store::retention::DropReason;
use sumpwarden_core::store::{JournalRecord, Point, SeriesId, SeriesKey};
use tokio::sync::oneshot;

use super::forward::Step;
use super::outbox::{Book, Waiting};
use super::undated::{Believed, Doubted};
use super::{Commit, Counters, Dropped, WAITING_JOURNAL_MAX, WAITING_OUTBOX_MAX, WAITING_SAMPLES_MAX};

/// A quiet sample waits this long for company. With the commit itself it stays below a second.
pub(super) const COMMIT_EVERY: Duration = Duration::from_millis(800);
/// So many samples do not wait any longer.
const COMMIT_ROWS: usize = 1_000;

/// A sample on its way into the file.
#[derive(Clone, Copy, Debug)]
pub(super) struct Row {
    pub(super) series: SeriesId,
    pub(super) point: Point,
    /// Whether its stamp holds; else it is that of a clock that is not believed.
    pub(super) dated: bool,
}

/// What waits for the writer.
#[derive(Debug, Default)]
pub(super) struct Inbox {
    /// Series of each index in samples.
    pub(super) ids: Vec<SeriesId>,
    /// Series that somebody wants to count by, and where their places go.
    pub(super) naming: Vec<(Vec<SeriesKey>, oneshot::Sender<Vec<SeriesIndex>>)>,
    pub(super) flushes: Vec<Sender<()>>,
    pub(super) steps: Vec<(Step, oneshot::Sender<ForwardTotals>)>,
    pub(super) marks: Vec<(Vec<Mark>, oneshot::Sender<()>)>,
    pub(super) book: Book,
    pub(super) at_once: bool,
    pub(super) closing: bool,
    pub(super) closed: bool,
    pub(super) counters: Counters,
    pub(super) rows: Vec<Row>,
    journal: Vec<JournalRecord>,
    saved: BTreeMap<String, Vec<u8>>,
    acks: Vec<Owed>,
    /// What these went with was dropped, and nobody has been told yet.
    lost: Vec<Ack>,
    /// Samples and journal records that ever came in.
    rows_seen: u64,
    journal_seen: u64,
    dropped: Option<Dropped>,
    since: Option<Instant>,
    /// Whose stamps come in.
    doubted: Option<Doubted>,
    believed: Option<Believed>,
    /// The writer has still to be told that the clock is believed.
    pub(super) dates: bool,
}

/// An acknowledgement, and the samples and journal records it is for, numbered as they came in.
#[derive(Debug)]
pub(super) struct Owed {
    pub(super) ack: Ack,
    rows: Range<u64>,
    journal: Range<u64>,
}

/// What one transaction writes.
#[derive(Debug)]
pub(super) struct Window {
    pub(super) rows: Vec<Row>,
    pub(super) acks: Vec<Owed>,
    pub(super) lost: Vec<Ack>,
    pub(super) dropped: Option<Dropped>,
    pub(super) pressing: Pressing,
    pub(super) flushes: Vec<Sender<()>>,
    pub(super) closing: bool,
}

/// The part of a transaction that does not wait for room on the disk.
#[derive(Debug, Default)]
pub(super) struct Pressing {
    pub(super) journal: Vec<JournalRecord>,
    /// The clock whose stamps the journal carries, where it is not believed.
    pub(super) doubted: Option<Doubted>,
    /// Number of the journal record after the last one here.
    journal_end: u64,
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

    /// Takes in what came later. Bounded as the inbox is; gives the numbers of the journal records that were dropped.
    fn append(&mut self, later: Self) -> Range<u64> {
        self.journal.extend(later.journal);
        self.journal_end = later.journal_end;
        let cut = cut_journal(&mut self.journal, self.journal_end);
        self.saved.extend(later.saved);
        self.outbox.append(later.outbox);
        self.steps.extend(later.steps);
        self.marks.extend(later.marks);
        cut
    }
}

impl Inbox {
    /// Takes `commit` in; true if the writer should look now.
    pub(super) fn accept(&mut self, commit: Commit, now: Instant) -> bool {
        let samples = (commit.samples.len() + commit.own_time.len()) as u64;
        self.counters.acquired += samples;
        let (rows, journal) = (self.rows_seen, self.journal_seen);
        self.rows_seen += samples;
        self.journal_seen += commit.journal.len() as u64;
        let (rows, journal) = (rows..self.rows_seen, journal..self.journal_seen);
        self.acks.extend(commit.acks.iter().map(|ack| Owed {
            ack: *ack,
            rows: rows.clone(),
            journal: journal.clone(),
        }));
        let (ids, dated) = (&self.ids, self.doubted.is_none());
        let row = |s: &Sample, dated| {
            let point = Point { at: s.at, raw: s.raw, value: s.value, quality: s.quality };
            Row { series: ids[s.series.slot()], point, dated }
        };
        self.rows.extend(commit.samples.iter().map(|s| row(s, dated)));
        self.rows.extend(commit.own_time.iter().map(|s| row(s, true)));
        self.journal.extend(commit.journal);
        self.saved.extend(commit.saved);
        let told = !commit.outbox.is_empty();
        self.book.accept(commit.outbox, now);
        self.since.get_or_insert(now);
        if self.rows.len() > WAITING_SAMPLES_MAX || self.journal.len() > WAITING_JOURNAL_MAX {
            self.drop_oldest();
        }
        let presses = commit.at_once || told;
        let was_due = self.at_once;
        self.at_once |= presses || self.rows.len() >= COMMIT_ROWS;
        presses || self.at_once && !was_due
    }

    /// Makes room: an eighth of the samples goes, or the oldest journal records, and the acknowledgements of what goes,
    /// since nobody may think it durable. What was asked for as one goes as one, or the rest would be there twice once it
    /// comes again.
    fn drop_oldest(&mut self) {
        let journal = cut_journal(&mut self.journal, self.journal_seen);
        self.count_cut(&journal);
        let mut rows = 0..0;
        if self.rows.len() > WAITING_SAMPLES_MAX {
            let first = self.rows_seen - self.rows.len() as u64;
            let eighth = first + WAITING_SAMPLES_MAX as u64 / 8;
            let cut = self.acks.iter().find(|owed| owed.rows.start < eighth && eighth < owed.rows.end);
            rows = first..cut.map_or(eighth, |owed| owed.rows.end);
            let stamps = self.rows.drain(..(rows.end - first) as usize).map(|row| row.point.at);
            let gone = count(DropReason::NotWritable, stamps).expect("an eighth of the maximum is some");
            self.counters.dropped += gone.count;
            self.dropped = Some(join(self.dropped, gone));
        }
        self.lost.extend(forfeit(&mut self.acks, &rows, &journal));
    }

    fn count_cut(&mut self, journal: &Range<u64>) {
        self.counters.journal_dropped += journal.end - journal.start;
    }

    /// What comes from now on is stamped by a clock that is not believed.
    pub(super) fn doubt(&mut self, doubted: Doubted) {
        (self.doubted, self.believed) = (Some(doubted), None);
    }

    /// What comes from now on is stamped by a clock that is believed. What nobody has taken yet is put right here.
    pub(super) fn believe(&mut self, believed: Believed) {
        if let Some(doubted) = self.doubted.take() {
            for row in self.rows.iter_mut().filter(|row| !row.dated) {
                row.point.at = doubted.zero.moved(row.point.at, believed.zero);
                row.dated = true;
            }
            put_right(&mut self.journal, &doubted, &believed);
        }
        self.believed = Some(believed);
        self.dates = true;
    }

    /// The clock whose stamps come in, where it is not believed.
    pub(super) fn doubted(&self) -> Option<&Doubted> {
        self.doubted.as_ref()
    }

    /// The clock that is believed.
    pub(super) fn believed(&self) -> Option<&Believed> {
        self.believed.as_ref()
    }

    /// Gives `window`, which could not be written, what presses by now.
    pub(super) fn press(&mut self, window: &mut Window) {
        if let Some(believed) = &self.believed
            && let Some(doubted) = window.pressing.doubted.take()
        {
            put_right(&mut window.pressing.journal, &doubted, believed);
        }
        self.book.take_back(std::mem::take(&mut window.pressing.outbox));
        let cut = window.pressing.append(self.take_pressing());
        self.count_cut(&cut);
        if window.pressing.marks.len() > WAITING_OUTBOX_MAX {
            let oldest = window.pressing.outbox.oldest();
            forget_marks(&mut window.pressing.marks, |id| {
                self.book.is_durable(id) || oldest.is_some_and(|oldest| id >= oldest)
            });
        }
        window.lost.append(&mut self.lost);
        window.lost.extend(forfeit(&mut window.acks, &(0..0), &cut));
        window.lost.extend(forfeit(&mut self.acks, &(0..0), &cut));
    }

    /// Places of these series in what samples count by; those that have none get one.
    pub(super) fn places(&mut self, wanted: Vec<SeriesId>) -> Vec<SeriesIndex> {
        let mut known: BTreeMap<SeriesId, u32> = self.ids.iter().copied().zip(0..).collect();
        let place = |id: SeriesId| {
            let place = *known.entry(id).or_insert_with(|| {
                self.ids.push(id);
                u32::try_from(self.ids.len() - 1).expect("fewer series than 2^32: each has a setting")
            });
            SeriesIndex(place)
        };
        wanted.into_iter().map(place).collect()
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
            rows: std::mem::take(&mut self.rows),
            acks: std::mem::take(&mut self.acks),
            lost: std::mem::take(&mut self.lost),
            flushes: std::mem::take(&mut self.flushes),
            pressing: self.take_pressing(),
            dropped: self.dropped.take(),
            closing: self.closing,
        }
    }

    /// What does not wait for room on the disk.
    fn take_pressing(&mut self) -> Pressing {
        // Who waits for all of it is served by the next window.
        self.at_once = !self.flushes.is_empty();
        Pressing {
            journal: std::mem::take(&mut self.journal),
            doubted: self.doubted.clone(),
            journal_end: self.journal_seen,
            saved: std::mem::take(&mut self.saved),
            outbox: self.book.take(),
            steps: std::mem::take(&mut self.steps),
            marks: std::mem::take(&mut self.marks),
        }
    }
}

/// Gives records of a doubted clock the time of the believed one.
fn put_right(journal: &mut [JournalRecord], doubted: &Doubted, believed: &Believed) {
    for record in journal.iter_mut().filter(|record| record.at >= doubted.since) {
        record.at = doubted.zero.moved(record.at, believed.zero);
    }
}

/// Leaves out what marks nothing any more: rows that were dropped, and attempts, which are not kept as long as nothing can
/// be written. So there are no more marks than rows that can have one.
fn forget_marks(marks: &mut Vec<(Vec<Mark>, oneshot::Sender<()>)>, is_there: impl Fn(i64) -> bool) {
    let idle = marks.extract_if(.., |(marks, _)| {
        marks.retain(|mark| match mark {
            Mark::Rows { ids, .. } => ids.iter().any(|id| is_there(*id)),
            Mark::Configured { .. } => true,
        });
        marks.is_empty()
    });
    for (_, reply) in idle {
        // Whoever marked seldom waits for it: rows that wait in memory are shown by now.
        let _ = reply.send(());
    }
}

/// Takes those out of `acks` that are for any of these samples or journal records.
fn forfeit(acks: &mut Vec<Owed>, rows: &Range<u64>, journal: &Range<u64>) -> Vec<Ack> {
    let meet = |a: &Range<u64>, b: &Range<u64>| a.start.max(b.start) < a.end.min(b.end);
    acks.extract_if(.., |owed| meet(&owed.rows, rows) || meet(&owed.journal, journal))
        .map(|owed| owed.ack)
        .collect()
}

/// Drops the oldest records where there are too many; gives their numbers. `end` is the one after the last.
fn cut_journal(journal: &mut Vec<JournalRecord>, end: u64) -> Range<u64> {
    let first = end - journal.len() as u64;
    let excess = journal.len().saturating_sub(WAITING_JOURNAL_MAX);
    if excess > 0 {
        tracing::error!(records = excess, "records of the journal were dropped: the store cannot be written");
        journal.drain(..excess);
    }
    first..first + excess as u64
}

/// What is told of points with these stamps that have gone; nothing of none.
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

#[cfg(test)]
mod tests {
    use sumpwarden_core::alarm::settings::Priority;
    use sumpwarden_core::model::{BrokerIndex, Name};
    use sumpwarden_core::notify::{Action, OutboxEntry, RowState};
    use sumpwarden_core::store::RecordKind;

    use super::*;

    fn records(count: usize, token: u64) -> Commit {
        let record = JournalRecord {
            at: Timestamp::from_nanos(0),
            kind: RecordKind::Event,
            sump: None,
            subject: String::new(),
            state: String::new(),
            priority: None,
            value: None,
            message: String::new(),
        };
        let acks = vec![Ack { broker: BrokerIndex(0), token }];
        Commit { journal: vec![record; count], acks, ..Commit::default() }
    }

    fn tokens(acks: &[Ack]) -> Vec<u64> {
        acks.iter().map(|ack| ack.token).collect()
    }

    #[test]
    fn who_waits_for_everything_is_not_forgotten_when_a_part_is_taken() {
        let mut inbox = Inbox::default();
        let (reply, _answer) = std::sync::mpsc::channel();
        inbox.flushes.push(reply);
        inbox.at_once = true;
        let mut window = Window { flushes: Vec::new(), ..inbox.take() };
        assert_eq!(inbox.due_in(Instant::now()), None);
        let (reply, _answer) = std::sync::mpsc::channel();
        inbox.flushes.push(reply);
        inbox.at_once = true;
        inbox.press(&mut window);
        assert_eq!(inbox.due_in(Instant::now()), Some(Duration::ZERO));
    }

    #[test]
    fn marks_of_rows_that_were_dropped_do_not_pile_up() {
        let mut inbox = Inbox::default();
        let mut window = inbox.take();
        let at = Timestamp::from_nanos(0);
        let most = WAITING_OUTBOX_MAX as i64;
        for round in 0..4 {
            for id in round * most + 1..=(round + 1) * most {
                let entry = OutboxEntry {
                    receiver: Name::new("setter").unwrap(),
                    key: id.to_string(),
                    sequence: 1,
                    action: Action::Raise,
                    priority: Priority::High,
                    at,
                    body: String::new(),
                };
                inbox.book.accept(vec![entry], Instant::now());
                let mark = Mark::Rows { ids: vec![id], state: RowState::Delivered, reason: None, at };
                let marks = vec![mark];
                inbox.book.mark(&marks);
                inbox.marks.push((marks, oneshot::channel().0));
                inbox.marks.push((Vec::new(), oneshot::channel().0));
            }
            inbox.press(&mut window);
            assert_eq!(window.pressing.marks.len(), WAITING_OUTBOX_MAX, "round {round}");
        }
    }

    #[test]
    fn records_that_are_dropped_are_counted_and_only_what_came_with_them_is_lost() {
        let mut inbox = Inbox::default();
        let now = Instant::now();
        inbox.accept(records(3, 1), now);
        inbox.accept(records(WAITING_JOURNAL_MAX - 5, 2), now);
        let mut window = inbox.take();
        inbox.accept(records(1, 3), now);
        inbox.press(&mut window);
        assert!(window.lost.is_empty());
        inbox.accept(records(2, 4), now);
        inbox.press(&mut window);
        assert_eq!((tokens(&window.lost), window.acks.len()), (vec![1], 1));
        assert_eq!((inbox.counters.journal_dropped, window.pressing.journal.len()), (1, WAITING_JOURNAL_MAX));
        inbox.accept(records(WAITING_JOURNAL_MAX, 5), now);
        inbox.accept(records(1, 6), now);
        inbox.press(&mut window);
        assert_eq!(
            tokens(&window.lost),
            [1, 5, 2, 3, 4],
            "the last of them as well: all of one commit or none"
        );
        assert_eq!(inbox.counters.journal_dropped, 1 + 1 + WAITING_JOURNAL_MAX as u64);
    }
}
