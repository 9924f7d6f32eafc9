//! What a restart must know of an alarm: its state with the time it came to it, who and why, its occurrence, and how far
//! its delays and its shelf have come. Clocks are kept as UTC and go on as time passed, never further than the whole of it.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::model::{Now, Timestamp, Uptime};

use super::state::State;
use super::{AlarmIndex, Alarms};

#[derive(Serialize, Deserialize)]
struct Saved {
    state: String,
    since_ns: i64,
    active: bool,
    /// Since when a delay has been running, UTC.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    delay_ns: Option<i64>,
    /// When the shelf ends, UTC, and how long it was from when this was kept.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    shelf: Option<Left>,
    /// When it is annunciated anew.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    realarm: Option<Left>,
    occurrence: u64,
    sequence: u32,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    by: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    why: Option<String>,
}

/// Time that was left when it was kept.
#[derive(Clone, Copy, Serialize, Deserialize)]
struct Left {
    kept_ns: i64,
    left_ns: u64,
}

impl Left {
    fn of(now: Now, until: Uptime) -> Self {
        let left = until.since(now.uptime).as_nanos();
        Self { kept_ns: now.utc.as_nanos(), left_ns: u64::try_from(left).unwrap_or(u64::MAX) }
    }

    /// What is left of it at `now`. A clock that was set back in between makes it no longer than it was.
    fn until(self, now: Now) -> Uptime {
        let passed = now.utc.since(Timestamp::from_nanos(self.kept_ns));
        now.uptime.plus(Duration::from_nanos(self.left_ns).saturating_sub(passed))
    }
}

impl Alarms {
    /// What has changed since the last call, by the alarm's name in the shop.
    pub fn save(&mut self, now: Now, mut keep: impl FnMut(&str, Vec<u8>)) {
        while let Some(index) = self.changed.pop_first() {
            let alarm = &self.alarms[index.slot()];
            let standing = &alarm.standing;
            let running = alarm.delayed.running(now.uptime);
            let saved = Saved {
                state: standing.state.word().to_owned(),
                since_ns: standing.since.unwrap_or(now.utc).as_nanos(),
                active: alarm.delayed.active(),
                delay_ns: running.map(|running| now.utc.minus(running).as_nanos()),
                shelf: alarm.shelf.map(|until| Left::of(now, until)),
                realarm: alarm.realarm_at.map(|until| Left::of(now, until)),
                occurrence: standing.occurrence,
                sequence: standing.sequence,
                by: standing.by.clone(),
                why: standing.why.clone(),
            };
            let bytes = serde_json::to_vec(&saved).expect("plain fields always serialise");
            keep(&alarm.key, bytes);
        }
    }

    /// Puts an alarm back to where it stood before a restart, without annunciating it anew. Its condition counts as it did,
    /// until it is seen to be otherwise for the whole delay. False, and nothing changed, if `bytes` cannot be read.
    pub fn restore(&mut self, now: Now, index: AlarmIndex, bytes: &[u8]) -> bool {
        let Some((saved, state)) = read(bytes) else { return false };
        let alarm = &mut self.alarms[index.slot()];
        let running = saved.delay_ns.map(|since| now.utc.since(Timestamp::from_nanos(since)));
        alarm.delayed.set(now.uptime, saved.active, running);
        let shelf = saved.shelf.map(|left| left.until(now)).filter(|_| state == State::Shelved);
        alarm.shelf = shelf;
        alarm.realarm_at = saved.realarm.map(|left| left.until(now)).filter(|_| state == State::Acknowledged);
        // A shelf always ends.
        if state == State::Shelved && shelf.is_none() {
            alarm.shelf = Some(now.uptime);
        }
        let standing = &mut alarm.standing;
        standing.state = state;
        standing.since = Some(Timestamp::from_nanos(saved.since_ns));
        standing.occurrence = saved.occurrence;
        standing.sequence = saved.sequence;
        standing.by = saved.by;
        standing.why = saved.why;
        standing.shelved_until = alarm.shelf.map(|until| now.utc.plus(until.since(now.uptime)));
        self.reschedule(index);
        true
    }
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
        since_ns: Timestamp::parse(since).ok()?.as_nanos(),
        active: matches!(state, State::Unacknowledged | State::Acknowledged),
        delay_ns: None,
        shelf: None,
        realarm: None,
        occurrence: u64::from(state.stands()),
        sequence: u32::from(state.stands()),
        by: None,
        why: None,
    };
    Some((saved, state))
}
