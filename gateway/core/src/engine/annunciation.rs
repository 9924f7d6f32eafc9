//! Transitions of alarms to what the journal says of them, what a restart must know, and what people do about them.

use super::{Engine, restart};
use crate::alarm::notice::Notice;
use crate::alarm::order::{Order, OrderError, Said};
use crate::alarm::wording::{self, Stand};
use crate::alarm::{AlarmIndex, Definition, Transition};
use crate::model::Now;
use crate::store::record::{JournalRecord, RecordKind};

/// Why nothing was done about an alarm.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum AlarmFor {
    /// There is none of that name.
    #[error("there is no alarm \"{0}\"")]
    Unknown(String),
    /// It does not ask for that.
    #[error(transparent)]
    Order(#[from] OrderError),
}

impl Engine {
    /// Does with the alarm of that name (`lathe-1/ph-low`, `gateway/bus/hall`) what somebody wants done.
    pub fn order(&mut self, now: Now, alarm: &str, order: Order, said: Said<'_>) -> Result<(), AlarmFor> {
        let index = self.alarms.find(alarm).ok_or_else(|| AlarmFor::Unknown(alarm.to_owned()))?;
        let done = self.alarms.order(now, index, order, said, &mut self.transitions);
        self.journal_transitions(now);
        self.remind(now);
        Ok(done?)
    }

    /// Whoever is due to hear of what nobody has acknowledged; and what of that a restart must know.
    pub(super) fn remind(&mut self, now: Now) {
        self.out.outbox.extend(self.router.tick(now));
        self.out.saved.extend(self.router.save(now));
    }

    pub(super) fn journal_transitions(&mut self, now: Now) {
        let mut transitions = std::mem::take(&mut self.transitions);
        for transition in &transitions {
            let record = self.record_of(transition);
            self.out.journal.push(record);
            if let Some(notice) = self.notice_of(transition) {
                self.out.outbox.extend(self.router.changed(now, &notice));
            }
        }
        transitions.clear();
        self.transitions = transitions;
        let saved = &mut self.out.saved;
        self.alarms.save(now, |alarm, bytes| saved.push((restart::alarm_key(alarm), bytes)));
    }

    fn record_of(&self, transition: &Transition) -> JournalRecord {
        let (definition, _) = self.alarms.get(transition.alarm);
        let stand = Stand {
            state: transition.to,
            by: transition.by.as_deref(),
            why: transition.why.as_deref(),
            until: transition.until,
        };
        let facts = definition.facts(&self.settings.probes, &transition.seen);
        JournalRecord {
            at: transition.at,
            kind: kind_of(definition),
            sump: definition
                .sump_among(&self.settings.probes)
                .map(|sump| self.settings.sumps[sump.slot()].name.clone()),
            subject: definition.name(&self.settings.probes),
            state: transition.to.word().to_owned(),
            priority: Some(definition.priority().word()),
            value: transition.seen.value,
            message: wording::line(&facts, &stand),
        }
    }

    /// What those who hear of the alarm have to hear; nothing of what nobody was told.
    fn notice_of(&self, transition: &Transition) -> Option<Notice> {
        let change = transition.change?;
        let (definition, _) = self.alarms.get(transition.alarm);
        let sump = definition.sump_among(&self.settings.probes).map(|sump| &self.settings.sumps[sump.slot()]);
        Some(Notice {
            alarm: self.alarms.key(transition.alarm).to_owned(),
            occurrence: transition.occurrence,
            sequence: transition.sequence,
            change,
            at_ns: transition.at.as_nanos(),
            priority: definition.priority(),
            sump: sump.map(|sump| sump.name.to_string()),
            title: sump.map_or("Gateway", |sump| sump.title.as_str()).to_owned(),
            by: transition.by.clone(),
            why: transition.why.clone(),
            facts: definition.facts(&self.settings.probes, &transition.seen),
        })
    }

    /// How an alarm stands, in words.
    pub(super) fn alarm_text(&self, index: AlarmIndex) -> String {
        let (definition, standing) = self.alarms.get(index);
        let stand = Stand {
            state: standing.state,
            by: standing.by.as_deref(),
            why: standing.why.as_deref(),
            until: standing.shelved_until,
        };
        wording::line(&definition.facts(&self.settings.probes, &standing.seen), &stand)
    }
}

/// Sort of an alarm's entries in the journal.
pub(super) const fn kind_of(definition: &Definition) -> RecordKind {
    match definition {
        Definition::Limit(_) | Definition::Condition(_) => RecordKind::Alarm,
        Definition::Instrument(_) | Definition::Fault(_) => RecordKind::Instrument,
    }
}
