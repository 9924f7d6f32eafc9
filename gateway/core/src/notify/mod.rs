//! F6: who hears of what, and when. Alarm changes come in, rows of the outbox and decisions about them go out.
//!
//! ```text
//! alarm change ──▶ router ──rows──▶ outbox (in the store, same transaction) ──pending──▶ dispatch ──▶ one message
//!                    ▲ failed for good                                                      │ outcome
//!                    └──────────────────────────────────────────────────────────────────────┘
//! ```
//!
//! [`router`] says which receiver hears of a change, and whom to ask next while nobody acknowledges. [`dispatch`] says, for
//! one receiver, which rows go into the next message and when: rate, grouping, quiet hours, waits after failures. [`words`]
//! turns rows into a message. None of them knows a socket, a template or a clock.

pub mod dispatch;
pub mod quiet;
pub mod reach;
pub mod router;
pub mod settings;
pub mod words;

pub use reach::Reached;
pub use router::Router;
pub use settings::ReceiverSettings;

use serde::{Deserialize, Serialize};

use crate::alarm::settings::Priority;
use crate::model::{Name, Timestamp};

/// Longest de-duplication key, in characters: what common paging interfaces take.
pub const KEY_CHARS_MAX: usize = 255;

/// Something one receiver is to be told of. It is made durable in the transaction of the change that it tells of.
#[derive(Clone, PartialEq, Debug)]
pub struct OutboxEntry {
    /// Who is told.
    pub receiver: Name,
    /// What it is about: site, alarm and occurrence. The same in every message about that occurrence, for ever.
    pub key: String,
    /// Counts what there was to tell of the occurrence, rising; receivers of the same change get the same number.
    pub sequence: u32,
    /// What the receiver is to make of it.
    pub action: Action,
    /// Consequence and time to respond.
    pub priority: Priority,
    /// When it became due, UTC.
    pub at: Timestamp,
    /// The notice behind it, as JSON ([`crate::alarm::notice::Notice`]).
    pub body: String,
}

/// What a receiver is to make of a row.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// It came up.
    Raise,
    /// Nobody has acknowledged it in time, or somebody could not be told: now you.
    Escalate,
    /// Somebody has seen it.
    Acknowledge,
    /// It is over.
    End,
    /// It still stands, but nobody need act: shelved, suppressed by design or out of service.
    Withhold,
}

impl Action {
    /// Every one.
    pub const ALL: [Self; 5] = [Self::Raise, Self::Escalate, Self::Acknowledge, Self::End, Self::Withhold];

    /// Stable word, as stored and sent.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Raise => "raise",
            Self::Escalate => "escalate",
            Self::Acknowledge => "acknowledge",
            Self::End => "end",
            Self::Withhold => "withhold",
        }
    }

    /// The one of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|action| action.word() == word)
    }

    /// Whether somebody is asked to act.
    pub const fn asks(self) -> bool {
        matches!(self, Self::Raise | Self::Escalate)
    }
}

/// A row of the outbox that is still to be sent.
#[derive(Clone, PartialEq, Debug)]
pub struct OutboxRow {
    /// Its number; rows are numbered in the order they became durable.
    pub id: i64,
    /// What it says.
    pub entry: OutboxEntry,
    /// How often it was tried.
    pub attempts: u32,
}

/// What has become of a row.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub enum RowState {
    /// To be sent.
    Pending,
    /// The other side has taken it.
    Delivered,
    /// The other side will never take it.
    Failed,
    /// Too old to matter before it could be sent.
    Expired,
    /// Nobody is there to take it any more: its receiver is no longer configured.
    Suppressed,
}

impl RowState {
    /// Every one.
    pub const ALL: [Self; 5] =
        [Self::Pending, Self::Delivered, Self::Failed, Self::Expired, Self::Suppressed];

    /// Stable word, as stored.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pending => "pending",
            Self::Delivered => "delivered",
            Self::Failed => "failed",
            Self::Expired => "expired",
            Self::Suppressed => "suppressed",
        }
    }

    /// The one of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.word() == word)
    }
}

/// What has become of rows. A row that is done with already stays as it is.
#[derive(Clone, PartialEq, Debug)]
pub enum Mark {
    /// These rows were tried.
    Rows {
        /// Their numbers.
        ids: Vec<i64>,
        /// What they have come to; [`RowState::Pending`] for an attempt that failed for now.
        state: RowState,
        /// Why, where there is something to say. Untrusted text, cut to a bounded length.
        reason: Option<String>,
        /// When.
        at: Timestamp,
    },
    /// Only these receivers are configured; what waits for others is suppressed.
    Configured {
        /// Their names.
        receivers: Vec<Name>,
        /// When.
        at: Timestamp,
    },
}

/// Tells that rows have become durable.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct OutboxNews {
    /// Goes up when another file takes the place of the old one: rows read from that one count no longer.
    pub generation: u64,
    /// Commits with rows in this run.
    pub commits: u64,
}

/// Rows of one receiver by what has become of them. At every look
/// `transitions = delivered + pending + suppressed + failed + expired`.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct OutboxCounts {
    /// Rows ever written.
    pub transitions: u64,
    /// Still to be sent.
    pub pending: u64,
    /// Taken by the other side.
    pub delivered: u64,
    /// Never to be taken.
    pub failed: u64,
    /// Too old before they could be sent.
    pub expired: u64,
    /// Of receivers that are no longer configured.
    pub suppressed: u64,
}

impl OutboxCounts {
    /// The count of a state.
    pub const fn of(&mut self, state: RowState) -> &mut u64 {
        match state {
            RowState::Pending => &mut self.pending,
            RowState::Delivered => &mut self.delivered,
            RowState::Failed => &mut self.failed,
            RowState::Expired => &mut self.expired,
            RowState::Suppressed => &mut self.suppressed,
        }
    }

    /// Whether every transition is in exactly one count.
    pub const fn add_up(&self) -> bool {
        self.transitions == self.pending + self.delivered + self.failed + self.expired + self.suppressed
    }
}

#[cfg(test)]
mod tests;
