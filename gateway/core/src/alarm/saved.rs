//! What a restart must know of an alarm: its state with the time it came to it, who and why, its occurrence, and how far
//! its delays and its shelf have come. They go on by the monotonic clock,
//! and by UTC where the machine itself was restarted.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::model::{KeptAt, Now, ProbeIndex, SumpIndex, Timestamp};

use super::state::State;
use super::{AlarmIndex, Alarms, Seen, Transition};

#[derive(Serialize, Deserialize)]
struct Saved {
    state: String,
    /// Since when it has been so; none if it never left normal.
    since_ns: Option<i64>,
    active: bool,
    /// When it was kept.
    kept: KeptAt,
    /// How long a delay had been running then.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    delay_ns: Option<u64>,
    /// How long the shelf had still to go.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    shelf_ns: Option<u64>,
    /// How long until it is annunciated anew.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    realarm_ns: Option<u64>,
    occurrence: u64,
    sequence: u32,
    /// Value and detail of what was seen last.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    value: Option<f64>,
    #[serde(skip_serializing_if = "String::is_empty", default)]
    detail: String,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    by: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    why: Option<String>,
}

fn nanos(time: Duration) -> u64 {
    u64::try_from(time.as_nanos()).unwrap_or(u64::MAX)
}

impl Alarms {
    /// What has changed since the last call, by the alarm's name in the shop.
    pub fn save(&mut self, now: Now, mut keep: impl FnMut(&str, Vec<u8>)) {
        while let Some(index) = self.changed.pop_first() {
            let alarm = &self.alarms[index.slot()];
            let standing = &alarm.standing;
            let saved = Saved {
                state: standing.state.word().to_owned(),
                since_ns: standing.since.map(Timestamp::as_nanos),
                active: alarm.delayed.active(),
                kept: KeptAt::of(now),
                delay_ns: alarm.delayed.running(now.uptime).map(nanos),
                shelf_ns: alarm.shelf.map(|until| nanos(until.since(now.uptime))),
                realarm_ns: alarm.realarm_at.map(|at| nanos(at.since(now.uptime))),
                occurrence: standing.occurrence,
                sequence: standing.sequence,
                value: standing.seen.value.filter(|_| standing.state.stands()),
                detail: standing.seen.detail.clone(),
                by: standing.by.clone(),
                why: standing.why.clone(),
            };
            let bytes = serde_json::to_vec(&saved).expect("plain fields always serialise");
            keep(&alarm.key, bytes);
        }
    }

    /// Every alarm, whether or not it has changed.
    pub fn save_all(&mut self, now: Now, keep: impl FnMut(&str, Vec<u8>)) {
        self.changed = self.indices().collect();
        self.save(now, keep);
    }

    /// An alarm that is to be no more goes back to normal; its occurrences stay counted.
    pub fn end(&mut self, now: Now, index: AlarmIndex) {
        let alarm = &mut self.alarms[index.slot()];
        alarm.delayed.set(now.uptime, false, None);
        (alarm.shelf, alarm.realarm_at, alarm.told) = (None, None, false);
        let standing = &mut alarm.standing;
        (standing.state, standing.since) = (State::Normal, Some(now.utc));
        (standing.by, standing.why, standing.shelved_until) = (None, None, None);
        self.reschedule(index);
        self.changed.insert(index);
    }

    /// Goes on from `before`, where sumps and probes had the places that lead to the ones here; alarms of the same name [`Alarms::restore`] has put here already: what a restart would not
    /// know. An alarm whose delays are others now goes on from the restart's knowledge.
    pub fn carry_over(
        &mut self,
        now: Now,
        before: &Self,
        (sumps, probes): (&BTreeMap<SumpIndex, SumpIndex>, &BTreeMap<ProbeIndex, ProbeIndex>),
        out: &mut Vec<Transition>,
    ) {
        self.withheld = before.withheld;
        for (from, to) in sumps {
            self.resting[to.slot()] = before.resting[from.slot()];
        }
        for (from, to) in probes {
            self.silent[to.slot()] = before.silent[from.slot()];
        }
        for index in self.indices() {
            let alarm = &mut self.alarms[index.slot()];
            let Some(earlier) = before.find(&alarm.key).map(|index| &before.alarms[index.slot()]) else {
                continue;
            };
            if alarm.definition.delays() == earlier.definition.delays() {
                alarm.delayed = earlier.delayed.clone();
            }
            alarm.standing = earlier.standing.clone();
            (alarm.shelf, alarm.realarm_at) = (earlier.shelf, earlier.realarm_at);
            alarm.told = earlier.told;
            self.reschedule(index);
        }
        // A fault that only the gateway can tell is told once: it goes on by the delays it has now.
        let told: Vec<_> = self.indices().filter(|index| self.alarms[index.slot()].told).collect();
        told.into_iter().for_each(|index| self.judge_group(now, index, out));
    }

    /// No occurrence gets a number below `first` from now on.
    pub fn number_from(&mut self, first: u64) {
        self.alarms.iter_mut().for_each(|alarm| alarm.occurrences_from = first);
    }

    /// Puts an alarm back to where it stood before a restart, without annunciating it anew. Its condition counts as it did,
    /// until it is seen to be otherwise for the whole delay. False, and nothing changed, if `bytes` cannot be read.
    pub fn restore(&mut self, now: Now, index: AlarmIndex, bytes: &[u8]) -> bool {
        let Some((saved, state)) = read(bytes) else { return false };
        let alarm = &mut self.alarms[index.slot()];
        let passed = saved.kept.passed(now);
        let later = |left_ns: u64| now.uptime.plus(Duration::from_nanos(left_ns).saturating_sub(passed));
        let running = saved.delay_ns.map(|running| Duration::from_nanos(running).saturating_add(passed));
        alarm.delayed.set(now.uptime, saved.active, running);
        // A shelf always ends.
        alarm.shelf = (state == State::Shelved).then(|| saved.shelf_ns.map_or(now.uptime, later));
        alarm.realarm_at = saved.realarm_ns.map(later).filter(|_| state == State::Acknowledged);
        let standing = &mut alarm.standing;
        standing.state = state;
        standing.since = saved.since_ns.map(Timestamp::from_nanos);
        standing.occurrence = saved.occurrence;
        standing.sequence = saved.sequence;
        standing.seen = Seen { value: saved.value, detail: saved.detail, ..Seen::default() };
        standing.by = saved.by;
        standing.why = saved.why;
        standing.shelved_until = alarm.shelf.map(|until| now.utc.plus(until.since(now.uptime)));
        self.reschedule(index);
        true
    }
}

/// Changes of an occurrence that may have been told of since a copy was made; see [`renumbered`].
pub const CHANGES_SKIPPED: u32 = 1_000_000;

/// The occurrence that `bytes`, what [`Alarms::save`] gave, says the alarm has come to; none if they cannot be read.
pub fn occurrence(bytes: &[u8]) -> Option<u64> {
    read(bytes).map(|(saved, _)| saved.occurrence)
}

/// The same state with the number of its next change so far ahead that no change told since carries it: for a copy that is
/// older than what has been told. None if `bytes` cannot be read.
pub fn renumbered(bytes: &[u8]) -> Option<Vec<u8>> {
    let (mut saved, _) = read(bytes)?;
    saved.sequence = saved.sequence.saturating_add(CHANGES_SKIPPED);
    Some(serde_json::to_vec(&saved).expect("plain fields always serialise"))
}

fn read(bytes: &[u8]) -> Option<(Saved, State)> {
    if let Ok(saved) = serde_json::from_slice::<Saved>(bytes) {
        let state = State::from_word(&saved.state)?;
        return Some((saved, state));
    }
    // As kept before there were shelves: `UNACK 2026-03-01T08:00:00Z`.
    let (word, since) = std::str::from_utf8(bytes).ok()?.split_once(' ')?;
    let state = State::from_word(word)?;
    let saved = Saved {
        state: word.to_owned(),
        since_ns: Some(Timestamp::parse(since).ok()?.as_nanos()),
        active: matches!(state, State::Unacknowledged | State::Acknowledged),
        kept: KeptAt::default(),
        delay_ns: None,
        shelf_ns: None,
        realarm_ns: None,
        value: None,
        detail: String::new(),
        occurrence: u64::from(state.stands()),
        sequence: u32::from(state.stands()),
        by: None,
        why: None,
    };
    Some((saved, state))
}
