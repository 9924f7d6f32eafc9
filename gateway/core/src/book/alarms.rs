//! When alarms came, who saw them, when they went.

use std::collections::BTreeMap;

use super::{Material, Span};
use crate::alarm::settings::Priority;
use crate::alarm::state::State;
use crate::alarm::wording::by_whom;
use crate::model::Timestamp;
use crate::store::JournalEntry;

/// Once that an alarm stood.
#[derive(Clone, PartialEq, Debug)]
pub struct Occurrence {
    /// Name within its sump or the gateway.
    pub alarm: String,
    /// Word of its priority.
    pub priority: String,
    /// When it came.
    pub came: Timestamp,
    /// What it said; untrusted text.
    pub text: String,
    /// When somebody saw it, and who where that is known. Untrusted text.
    pub seen: Option<(Timestamp, Option<String>)>,
    /// When what it tells of was over.
    pub went: Option<Timestamp>,
    /// When and how it was silenced, where it was; untrusted text.
    pub silenced: Option<(Timestamp, String)>,
    /// How often it was told again while it stood.
    pub again: u32,
}

impl Occurrence {
    /// Whether it still stands, as far as is known.
    pub const fn stands(&self) -> bool {
        self.went.is_none() && self.silenced.is_none()
    }

    fn begun(entry: &JournalEntry) -> Self {
        Self {
            alarm: entry.subject.clone(),
            priority: entry.priority.clone().unwrap_or_default(),
            came: entry.at,
            text: entry.message.clone(),
            seen: None,
            went: None,
            silenced: None,
            again: 0,
        }
    }

    /// Takes the next change of the same alarm; gives back false where that begins another occurrence.
    fn take(&mut self, entry: &JournalEntry, state: State) -> bool {
        let by = || by_whom(&entry.message).map(str::to_owned);
        match state {
            State::Unacknowledged if self.stands() => self.again += 1,
            State::Unacknowledged => return false,
            State::Acknowledged => {
                self.seen.get_or_insert_with(|| (entry.at, by()));
            }
            State::ReturnedUnacknowledged => {
                self.went.get_or_insert(entry.at);
            }
            State::Normal | State::Latched => {
                // What is over already comes to rest when somebody has seen it.
                let was_over = self.went.is_some();
                if was_over && self.silenced.is_none() {
                    self.seen.get_or_insert_with(|| (entry.at, by()));
                }
                self.went.get_or_insert(entry.at);
            }
            State::Shelved | State::SuppressedByDesign | State::OutOfService => {
                if self.went.is_none() {
                    self.silenced.get_or_insert_with(|| (entry.at, entry.message.clone()));
                }
            }
        }
        true
    }
}

/// Those of a sump, or of the gateway itself, that stood in these days, in the order they came. The state at the end of the
/// last day counts: what became of an alarm later is the next book's.
pub(super) fn occurrences(material: &Material<'_>, span: Span, sump: Option<&str>) -> Vec<Occurrence> {
    let (from, until) = material.calendar.bounds(span);
    let mut all: Vec<Occurrence> = Vec::new();
    let mut latest: BTreeMap<&str, usize> = BTreeMap::new();
    let entries = material.journal.iter().filter(|entry| entry.at < until && entry.sump.as_deref() == sump);
    for entry in entries {
        let Some(state) = State::from_word(&entry.state) else { continue };
        if entry.priority.as_deref().and_then(Priority::from_word).is_none() {
            continue;
        }
        let open = latest.get(entry.subject.as_str()).copied();
        let taken = open.is_some_and(|at| all[at].take(entry, state));
        if !taken && state == State::Unacknowledged {
            latest.insert(&entry.subject, all.len());
            all.push(Occurrence::begun(entry));
        }
    }
    all.retain(|one| {
        let ended = one.went.or(one.silenced.as_ref().map(|silenced| silenced.0));
        ended.is_none_or(|ended| ended >= from)
    });
    all
}
