//! What people wrote down, from the journal's records of it.

use crate::checks::settings::PlanSettings;
use crate::checks::verdict::{Verdict, judge};
use crate::engine::Settings;
use crate::engine::notes::said;
use crate::estimate::note::NoteKind;
use crate::model::{SumpIndex, Timestamp};
use crate::store::JournalEntry;

/// A reading by hand, an observation or an action.
#[derive(Clone, PartialEq, Debug)]
pub struct Reading {
    /// When it was taken or done.
    pub at: Timestamp,
    /// What.
    pub kind: NoteKind,
    /// Its number, in the unit of the kind.
    pub value: Option<f64>,
    /// Who; none where nobody is named. Untrusted text.
    pub by: Option<String>,
    /// What it came to, as it was worked out then; empty where nobody is named. Untrusted text.
    pub meaning: String,
    /// In their words; untrusted text.
    pub text: Option<String>,
    /// What the plan in force makes of it.
    pub verdict: Option<Verdict>,
}

impl Reading {
    /// Value and unit, or the word of its grade; none where it has no number.
    pub fn written(&self) -> Option<String> {
        self.value.map(|value| self.kind.written(value)).filter(|text| !text.is_empty())
    }
}

/// The reading behind a record; none if it is about something else.
pub(super) fn reading(entry: &JournalEntry, settings: &Settings, sump: SumpIndex) -> Option<Reading> {
    let kind = kind_of(entry)?;
    let said = said(&entry.message);
    let no_plan = PlanSettings::default();
    let plan = settings.plans.get(sump.slot()).unwrap_or(&no_plan);
    Some(Reading {
        at: entry.at,
        kind,
        value: entry.value,
        by: said.by.map(str::to_owned),
        meaning: said.meaning.to_owned(),
        text: said.text.map(str::to_owned),
        verdict: entry.value.and_then(|value| judge(plan, kind, value)),
    })
}

/// Which kind of note a record is of.
pub(super) fn kind_of(entry: &JournalEntry) -> Option<NoteKind> {
    (entry.kind == "event" && entry.subject == "note").then(|| NoteKind::from_word(&entry.state)).flatten()
}
