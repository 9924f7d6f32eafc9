//! What a broker's task has done and how it stands, for page, log and alarms.

use sumpwarden_core::acquire::{Fate, Refusal};
use sumpwarden_core::estimate::note::draft::NoteRefusal;
use sumpwarden_core::model::Timestamp;

/// How things stand with a broker.
#[derive(Clone, PartialEq, Debug)]
pub struct BrokerStatus {
    /// In one word.
    pub link: Link,
    /// In plain words, with what helps. Anything a stranger sent is escaped in it.
    pub words: String,
    /// Since when.
    pub since: Timestamp,
    /// Filters the broker would not let us subscribe to.
    pub refused_filters: Vec<String>,
    /// Filters the broker gives us at QoS 0 only: what is published to them while we are away is lost.
    pub weak_filters: Vec<String>,
    /// The last message that was refused: topic, escaped and cut, and why.
    pub last_refused: Option<String>,
    /// What came of the messages.
    pub counters: BrokerCounters,
}

impl Default for BrokerStatus {
    fn default() -> Self {
        Self {
            link: Link::NotConnected,
            words: "not started".to_owned(),
            since: Timestamp::default(),
            refused_filters: Vec::new(),
            weak_filters: Vec::new(),
            last_refused: None,
            counters: BrokerCounters::default(),
        }
    }
}

/// How things stand, in one word.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Link {
    /// Connected and subscribed.
    Connected,
    /// Not, or not yet.
    NotConnected,
    /// The broker says no: credentials, client id, access rights.
    Refused,
    /// Accepted and thrown out again and again: somebody else uses the client id.
    TakenOver,
    /// Ended on purpose.
    Stopped,
}

/// Counters of one broker since start. `received` counts messages; what became of them is counted by value, and a
/// message for several probes, or with several records, holds several.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct BrokerCounters {
    /// Messages that came.
    pub received: u64,
    /// Values taken over.
    pub accepted: u64,
    /// Values the probe had had already, and second copies of messages.
    pub duplicates: u64,
    /// Values the broker had kept, too old or without a time.
    pub retained_ignored: u64,
    /// Messages lost because the engine was slower than the broker; only those of QoS 0, the others come again.
    pub overflowed: u64,
    /// Messages left with the broker because the daemon is stopping or the connection was given up; they come again.
    pub left: u64,
    /// Messages the broker was told are done: what they held is durable, or there was nothing to keep.
    pub acknowledged: u64,
    /// Connections the broker accepted.
    pub connects: u64,
    /// Notes taken over.
    pub notes: u64,
    refused: [u64; Refusal::ALL.len()],
    notes_refused: [u64; NoteRefusal::ALL.len()],
}

impl BrokerCounters {
    /// Values refused for this reason.
    pub fn refused(&self, refusal: Refusal) -> u64 {
        self.refused[refusal as usize]
    }

    /// Notes refused for this reason.
    pub fn notes_refused(&self, refusal: NoteRefusal) -> u64 {
        self.notes_refused[refusal as usize]
    }

    /// Values and notes refused, for whatever reason.
    pub fn refused_in_all(&self) -> u64 {
        self.refused.iter().chain(&self.notes_refused).sum()
    }

    pub(super) fn refuse_note(&mut self, refusal: NoteRefusal) {
        self.notes_refused[refusal as usize] += 1;
    }

    pub(super) fn count(&mut self, fate: Fate) {
        match fate {
            Fate::Accepted => self.accepted += 1,
            Fate::Duplicate => self.duplicates += 1,
            Fate::RetainedIgnored => self.retained_ignored += 1,
            Fate::Refused(refusal) => self.refused[refusal as usize] += 1,
        }
    }
}
