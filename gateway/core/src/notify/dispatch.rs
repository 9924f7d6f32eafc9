//! One receiver's rows: which go into the next message, and when.
//!
//! Rows wait a moment for company, keep to the receiver's rate, lie still in its quiet hours, and wait longer and longer
//! after failures. Whatever is chosen, nothing of an alarm overtakes an earlier row of it.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use super::reach::{Reach, Reached};
use super::settings::ReceiverSettings;
use super::{Mark, OutboxRow, RowState};
use crate::acquire::backoff::Backoff;
use crate::alarm::settings::Priority;
use crate::model::{Now, Timestamp, Uptime};

/// Rows of one message: bounds its size. What is more goes into the next.
const ROWS_MAX: usize = 200;
/// First and longest wait after a failure.
pub(super) const RETRY: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(300));
/// An old row is tried for so long before it expires: a clock that was set forward must not empty the outbox.
pub(super) const EXPIRE_GRACE: Duration = Duration::from_mins(10);

/// What to do now.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Decision {
    /// Send these rows, by number, as one message.
    Send(Vec<i64>),
    /// These rows are too old to matter.
    Expire(Vec<i64>),
    /// Nothing before this instant, unless rows arrive; none for nothing at all.
    Wait(Option<Uptime>),
}

/// What an attempt to send a message came to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Outcome {
    /// The other side has it.
    Taken,
    /// It will never be taken.
    Refused(String),
    /// It is too much at once.
    TooLarge,
    /// Try again, not before this has passed.
    Later(String, Option<Duration>),
}

impl Outcome {
    /// What to record of its rows before [`Dispatch::settle`]; none where nothing has become of them.
    pub fn mark(&self, ids: &[i64], at: Timestamp) -> Option<Mark> {
        let (state, reason) = match self {
            Self::Taken => (RowState::Delivered, None),
            Self::TooLarge if ids.len() > 1 => return None,
            Self::TooLarge => (RowState::Failed, Some(TOO_LARGE)),
            Self::Refused(why) => (RowState::Failed, Some(why.as_str())),
            Self::Later(why, _) => (RowState::Pending, Some(why.as_str())),
        };
        Some(Mark::Rows { ids: ids.to_vec(), state, reason: reason.map(str::to_owned), at })
    }

    /// Why a person has to act; none where nothing was refused for good.
    pub fn refusal(&self, rows: usize) -> Option<&str> {
        match self {
            Self::Refused(why) => Some(why),
            Self::TooLarge if rows == 1 => Some(TOO_LARGE),
            Self::TooLarge | Self::Taken | Self::Later(..) => None,
        }
    }
}

/// Why a row that is too large alone is never taken.
const TOO_LARGE: &str = "too large by itself";

/// Rows of one receiver that are still to be sent, and how sending has gone.
#[derive(Clone, Debug)]
pub struct Dispatch {
    settings: ReceiverSettings,
    rows: BTreeMap<i64, Waiting>,
    sent_at: Option<Uptime>,
    backoff: Backoff,
    not_before: Uptime,
    rows_max: usize,
    reach: Reach,
}

#[derive(Clone, Debug)]
struct Waiting {
    row: OutboxRow,
    since: Uptime,
}

impl Dispatch {
    /// Nothing to send yet. The same `seed` gives the same waits.
    pub fn new(settings: ReceiverSettings, seed: u64) -> Self {
        Self {
            settings,
            rows: BTreeMap::new(),
            sent_at: None,
            backoff: Backoff::new(RETRY.0, RETRY.1, seed),
            not_before: Uptime::default(),
            rows_max: ROWS_MAX,
            reach: Reach::default(),
        }
    }

    /// The receiver's settings.
    pub fn settings(&self) -> &ReceiverSettings {
        &self.settings
    }

    /// Rows that have been read from the outbox; one that is here already stays as it is.
    pub fn take(&mut self, now: Uptime, rows: Vec<OutboxRow>) {
        for row in rows {
            self.rows.entry(row.id).or_insert(Waiting { row, since: now });
        }
    }

    /// The outbox has begun anew: what was read from it counts no longer.
    pub fn forget(&mut self) {
        self.rows.clear();
    }

    /// Rows by number, in their order.
    pub fn rows(&self, ids: &[i64]) -> Vec<&OutboxRow> {
        ids.iter().filter_map(|id| self.rows.get(id)).map(|waiting| &waiting.row).collect()
    }

    /// What to do now.
    pub fn next(&self, now: Now) -> Decision {
        let expired: Vec<i64> = self.expired(now).collect();
        if !expired.is_empty() {
            return Decision::Expire(expired);
        }
        let quiet = self.settings.quiet.as_ref().and_then(|quiet| {
            quiet.until(now.utc, &self.settings.reader.zone).map(|until| (quiet.through, until))
        });
        let ready = self.ready(quiet.map(|(through, _)| through));
        let Some(due) = self.due(&ready) else {
            let end = |(_, until): (Priority, Timestamp)| now.uptime.plus(until.since(now.utc));
            return Decision::Wait(quiet.filter(|_| !self.rows.is_empty()).map(end));
        };
        if due > now.uptime {
            return Decision::Wait(Some(due));
        }
        let mut ids: Vec<i64> = ready.iter().map(|waiting| waiting.row.id).take(self.rows_max).collect();
        ids.sort_unstable();
        Decision::Send(ids)
    }

    fn expired(&self, now: Now) -> impl Iterator<Item = i64> {
        let old = move |waiting: &&Waiting| {
            now.utc.since(waiting.row.entry.at) > self.settings.expire_after
                && now.uptime.since(waiting.since) >= EXPIRE_GRACE
        };
        self.rows.values().filter(old).map(|waiting| waiting.row.id)
    }

    /// Rows that may go: alarm by alarm, the most urgent first, each alarm's in order. In quiet hours an alarm goes whole
    /// or not at all.
    fn ready(&self, through: Option<Priority>) -> Vec<&Waiting> {
        let mut urgency: BTreeMap<&str, Priority> = BTreeMap::new();
        for waiting in self.rows.values() {
            let most = urgency.entry(&waiting.row.entry.key).or_insert(Priority::Low);
            *most = (*most).max(waiting.row.entry.priority);
        }
        let goes = |key: &str| through.is_none_or(|through| urgency[key] >= through);
        let mut first: BTreeMap<&str, i64> = BTreeMap::new();
        let mut ready: Vec<&Waiting> =
            self.rows.values().filter(|waiting| goes(&waiting.row.entry.key)).collect();
        for waiting in &ready {
            first.entry(&waiting.row.entry.key).or_insert(waiting.row.id);
        }
        ready.sort_by_key(|waiting| {
            let key = waiting.row.entry.key.as_str();
            (std::cmp::Reverse(urgency[key]), first[key], waiting.row.id)
        });
        ready
    }

    /// When the next message may go; none without rows.
    fn due(&self, ready: &[&Waiting]) -> Option<Uptime> {
        let oldest = ready.iter().map(|waiting| waiting.since).min()?;
        let urgent = ready.iter().any(|waiting| waiting.row.entry.priority == Priority::High);
        let grouped = if urgent { oldest } else { oldest.plus(self.settings.gather_for) };
        let paced = self.sent_at.map_or(Uptime::default(), |at| at.plus(self.settings.rate));
        Some(grouped.max(paced).max(self.not_before))
    }

    /// A message with these rows came to this, and that is recorded. Gives what there is to report of the receiver.
    pub fn settle(&mut self, now: Uptime, ids: &[i64], outcome: Outcome) -> Option<Reached> {
        let refusal = outcome.refusal(ids.len()).map(str::to_owned);
        if let Some(why) = refusal {
            let keys = self.keys(ids);
            // It answers, so the next message need not wait for longer.
            self.answered(now, ids);
            return Some(self.reach.refused(keys, why));
        }
        match outcome {
            Outcome::Taken => {
                self.answered(now, ids);
                self.reach.reached()
            }
            Outcome::Later(why, asked) => {
                self.later(now, asked);
                self.reach.not_reached(now, why)
            }
            Outcome::TooLarge | Outcome::Refused(_) => {
                self.too_large(ids);
                None
            }
        }
    }

    /// A message without rows came to this. Gives what there is to report of the receiver.
    pub fn tested(&mut self, now: Uptime, outcome: Outcome) -> Option<Reached> {
        match outcome {
            Outcome::Taken => self.reach.reached(),
            Outcome::Refused(why) | Outcome::Later(why, _) => self.reach.not_reached(now, why),
            Outcome::TooLarge => self.reach.not_reached(now, TOO_LARGE.to_owned()),
        }
    }

    /// Until when a failure keeps it from sending.
    pub fn not_before(&self) -> Uptime {
        self.not_before
    }

    /// The other side has taken these rows, or refused them for good.
    fn answered(&mut self, now: Uptime, ids: &[i64]) {
        self.remove(ids);
        self.sent_at = Some(now);
        // What was too large once may have been one row alone.
        self.rows_max = self.rows_max.saturating_mul(2).min(ROWS_MAX);
        self.backoff.reset();
        self.not_before = Uptime::default();
    }

    /// These rows are done with in another way: refused for good, or expired.
    pub fn remove(&mut self, ids: &[i64]) {
        ids.iter().for_each(|id| drop(self.rows.remove(id)));
    }

    /// The message was too large: the next one has half of these rows.
    fn too_large(&mut self, ids: &[i64]) {
        self.rows_max = (ids.len() / 2).max(1);
    }

    /// It failed for now. The next attempt waits as [`Backoff`] says, and at least as long as the other side asked for, but
    /// never longer than the longest wait of [`RETRY`].
    fn later(&mut self, now: Uptime, asked: Option<Duration>) {
        let drawn = self.backoff.next_wait();
        let wait = asked.map_or(drawn, |asked| asked.saturating_add(drawn).min(RETRY.1));
        self.not_before = now.plus(wait);
    }

    /// Keys of these rows, each once, in order.
    fn keys(&self, ids: &[i64]) -> Vec<String> {
        let mut seen = BTreeSet::new();
        let keys = self.rows(ids).into_iter().map(|row| row.entry.key.clone());
        keys.filter(|key| seen.insert(key.clone())).collect()
    }
}
