//! Every row that is still to be sent, in memory as well as in the file.
//!
//! Receivers read from here and never from the disk, so that a disk that hangs or fails keeps no message back. A row is
//! numbered when it is handed over and shown once it is durable. Where the store cannot be written for
//! [`RELEASED_AFTER`] the book is released: rows that wait in memory are shown as well, behind the durable ones, so that
//! an alarm's rows keep their order; what becomes of them is written with them later. A crash in between sends them again
//! under the same key.

use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::{Duration, Instant};

use sumpwarden_core::model::{Name, Timestamp};
use sumpwarden_core::notify::{Mark, OutboxCounts, OutboxEntry, OutboxRow, RowState};

use super::super::WAITING_OUTBOX_MAX;

/// So long rows wait for a store that cannot be written, or a disk that does not answer. Longer than a slow sync, shorter
/// than the patience of anybody who waits for an alarm.
pub(in super::super) const RELEASED_AFTER: Duration = Duration::from_secs(4);

/// A row and its number.
pub(in super::super) type Numbered = (i64, Arc<OutboxEntry>);

/// What has become of a receiver's rows, and when one was taken last.
pub(in super::super) type Stand = (OutboxCounts, Option<Timestamp>);

/// What a file holds: the number of its newest row, those that are still to be sent, and what has become of the others.
#[derive(Debug, Default)]
pub(in super::super) struct Loaded {
    pub(super) newest: i64,
    pub(super) rows: Vec<OutboxRow>,
    pub(super) stands: BTreeMap<Name, Stand>,
}

/// Rows for the next transaction.
#[derive(Debug, Default)]
pub(in super::super) struct Waiting {
    pub(super) entries: VecDeque<Numbered>,
    /// Rows that never became durable, by receiver.
    pub(super) dropped: BTreeMap<Name, u64>,
}

/// What came of rows when they were written.
#[derive(Debug, Default)]
pub(in super::super) struct Written {
    /// Rows that were there already.
    pub(super) known: Vec<i64>,
    /// Receivers with too many: their rows up to this one have expired.
    pub(super) expired: Vec<(Name, i64)>,
}

#[derive(Debug)]
struct Pending {
    entry: Arc<OutboxEntry>,
    attempts: u32,
}

/// The rows.
#[derive(Debug)]
pub(in super::super) struct Book {
    pending: BTreeMap<i64, Pending>,
    stands: BTreeMap<Name, Stand>,
    waiting: Waiting,
    next_id: i64,
    /// Rows up to this one are durable.
    durable_to: i64,
    /// When the oldest row was handed over that is not durable.
    waits_since: Option<Instant>,
    released: bool,
}

impl Default for Book {
    fn default() -> Self {
        Self {
            pending: BTreeMap::new(),
            stands: BTreeMap::new(),
            waiting: Waiting::default(),
            next_id: 1,
            durable_to: 0,
            waits_since: None,
            released: false,
        }
    }
}

impl Waiting {
    pub(in super::super) fn is_empty(&self) -> bool {
        self.entries.is_empty() && self.dropped.is_empty()
    }

    /// Takes in what was handed over later.
    pub(in super::super) fn append(&mut self, mut later: Self) {
        self.entries.append(&mut later.entries);
        for (receiver, dropped) in later.dropped {
            *self.dropped.entry(receiver).or_default() += dropped;
        }
    }

    /// Number of the oldest row.
    pub(in super::super) fn oldest(&self) -> Option<i64> {
        self.entries.front().map(|(id, _)| *id)
    }

    fn newest(&self) -> Option<i64> {
        self.entries.back().map(|(id, _)| *id)
    }
}

impl Book {
    /// Rows that are handed over from now on are numbered after `id`, unless they are already.
    pub(in super::super) fn number_after(&mut self, id: i64) {
        self.next_id = self.next_id.max(id.saturating_add(1));
    }

    /// Rows that a file holds, which are durable.
    pub(in super::super) fn load(&mut self, found: Loaded) {
        self.number_after(found.newest);
        for row in found.rows {
            self.number_after(row.id);
            let pending = Pending { entry: Arc::new(row.entry), attempts: row.attempts };
            self.pending.entry(row.id).or_insert(pending);
        }
        for (receiver, stand) in found.stands {
            if let Entry::Vacant(place) = self.stands.entry(receiver) {
                place.insert(stand);
            }
        }
        if self.waiting.is_empty() {
            self.durable_to = self.durable_to.max(self.next_id - 1);
        }
    }

    /// Takes rows in; true if they are shown at once.
    pub(in super::super) fn accept(&mut self, entries: Vec<OutboxEntry>, now: Instant) -> bool {
        if entries.is_empty() {
            return false;
        }
        self.waits_since.get_or_insert(now);
        for entry in entries {
            let id = self.next_id;
            self.next_id += 1;
            let entry = Arc::new(entry);
            let (counts, _) = self.stands.entry(entry.receiver.clone()).or_default();
            counts.transitions += 1;
            counts.pending += 1;
            self.pending.insert(id, Pending { entry: Arc::clone(&entry), attempts: 0 });
            self.waiting.entries.push_back((id, entry));
        }
        self.cut();
        self.released
    }

    /// Takes back rows that were taken and could not be written, before those that came since.
    pub(in super::super) fn take_back(&mut self, mut taken: Waiting) {
        taken.append(std::mem::take(&mut self.waiting));
        self.waiting = taken;
        self.cut();
    }

    fn cut(&mut self) {
        while self.waiting.entries.len() > WAITING_OUTBOX_MAX {
            self.drop_oldest();
        }
    }

    fn drop_oldest(&mut self) {
        let Some((id, entry)) = self.waiting.entries.pop_front() else { return };
        *self.waiting.dropped.entry(entry.receiver.clone()).or_default() += 1;
        if self.end(id, RowState::Expired) {
            tracing::error!(receiver = %entry.receiver, key = entry.key, "a message was dropped: the store cannot be written");
        }
    }

    /// What is to be written next.
    pub(in super::super) fn take(&mut self) -> Waiting {
        std::mem::take(&mut self.waiting)
    }

    /// What was taken is durable; true if there is something new to see.
    pub(in super::super) fn settle(&mut self, taken: &Waiting, written: Written) -> bool {
        for id in written.known {
            if let Some(pending) = self.pending.remove(&id)
                && let Some((counts, _)) = self.stands.get_mut(&pending.entry.receiver)
            {
                counts.transitions -= 1;
                counts.pending -= 1;
            }
        }
        for (receiver, to) in written.expired {
            let old: Vec<i64> = (self.pending.range(..=to))
                .filter(|(_, pending)| pending.entry.receiver == receiver)
                .map(|(id, _)| *id)
                .collect();
            for id in old {
                self.end(id, RowState::Expired);
            }
        }
        self.durable_to = self.durable_to.max(taken.newest().unwrap_or(0));
        self.waits_since = (!self.waiting.is_empty()).then(Instant::now);
        let was_released = std::mem::take(&mut self.released);
        !taken.entries.is_empty() && !was_released
    }

    /// Shows what waits in memory; true if it did not before.
    pub(in super::super) fn release(&mut self) -> bool {
        !std::mem::replace(&mut self.released, true)
    }

    /// Whether rows in memory have waited for too long.
    pub(in super::super) fn is_late(&self, now: Instant) -> bool {
        let waited = |since| now.saturating_duration_since(since) >= RELEASED_AFTER;
        !self.released && self.waits_since.is_some_and(waited)
    }

    /// Whether rows wait that the writer has not taken.
    pub(in super::super) fn waits(&self) -> bool {
        !self.waiting.is_empty()
    }

    /// Whether row `id` was ever in the file.
    pub(in super::super) fn is_durable(&self, id: i64) -> bool {
        id <= self.durable_to
    }

    pub(in super::super) fn is_released(&self) -> bool {
        self.released
    }

    /// Rows of a receiver that are to be sent, after row `id`, in their order.
    pub(in super::super) fn after(&self, receiver: &Name, id: i64, limit: u32) -> Vec<OutboxRow> {
        let to = if self.released { i64::MAX } else { self.durable_to };
        let rows = self.pending.range(id.saturating_add(1)..).take_while(|(id, _)| **id <= to);
        rows.filter(|(_, pending)| pending.entry.receiver == *receiver)
            .take(limit as usize)
            .map(|(id, pending)| OutboxRow {
                id: *id,
                entry: (*pending.entry).clone(),
                attempts: pending.attempts,
            })
            .collect()
    }

    /// Durable rows that are still to be sent, of every receiver: what a fresh file must hold.
    pub(in super::super) fn durable(&self) -> impl Iterator<Item = Numbered> {
        let rows = self.pending.range(..=self.durable_to);
        rows.map(|(id, pending)| (*id, Arc::clone(&pending.entry)))
    }

    /// Records what has become of rows.
    pub(in super::super) fn mark(&mut self, marks: &[Mark]) {
        for mark in marks {
            match mark {
                Mark::Rows { ids, state: RowState::Pending, .. } => {
                    for id in ids {
                        self.pending.entry(*id).and_modify(|pending| pending.attempts += 1);
                    }
                }
                Mark::Rows { ids, state, at, .. } => ids.iter().for_each(|id| {
                    let receiver = self.pending.get(id).map(|pending| pending.entry.receiver.clone());
                    self.end(*id, *state);
                    if let Some((_, taken_at)) = receiver.and_then(|receiver| self.stands.get_mut(&receiver))
                        && *state == RowState::Delivered
                    {
                        *taken_at = (*taken_at).max(Some(*at));
                    }
                }),
                Mark::Configured { receivers, .. } => {
                    let others = self.pending.iter();
                    let others = others.filter(|(_, pending)| !receivers.contains(&pending.entry.receiver));
                    let others: Vec<i64> = others.map(|(id, _)| *id).collect();
                    for id in others {
                        self.end(id, RowState::Suppressed);
                    }
                }
            }
        }
    }

    /// A row is done with; false if it was before.
    fn end(&mut self, id: i64, state: RowState) -> bool {
        let Some(pending) = self.pending.remove(&id) else { return false };
        if let Some((counts, _)) = self.stands.get_mut(&pending.entry.receiver) {
            counts.pending -= 1;
            *counts.of(state) += 1;
        }
        true
    }

    /// What has become of the rows of one receiver.
    pub(in super::super) fn stand(&self, receiver: &Name) -> Stand {
        self.stands.get(receiver).copied().unwrap_or_default()
    }
}
