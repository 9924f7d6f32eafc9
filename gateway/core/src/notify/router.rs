//! Who hears of a change, and whom to ask next while nobody acknowledges.
//!
//! Of each alarm that is not over, the router keeps its latest occurrence and, receiver by receiver, how often it was told
//! and when it is due again:
//!
//! ```text
//!            raised                      due, nobody has acknowledged
//!  waiting ─────────▶ told (step 0) ──────────────────────────────────▶ told again, at growing intervals
//!     │                                due, or a lower step failed
//!     └──(step 1, 2 …)───────────────────────────────────────────────▶ told
//!  acknowledged, returned, withheld: nobody is due any more; those who were told hear of it, where they want to
//! ```
//!
//! What is due counts on the monotonic clock. [`Router::save`] keeps it through a restart.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::settings::ReceiverSettings;
use super::{Action, KEY_CHARS_MAX, OutboxEntry};
use crate::alarm::notice::{Change, Notice};
use crate::alarm::settings::Priority;
use crate::model::{KeptAt, Name, Now, Timestamp, Uptime};

/// Longest interval between two times that a receiver is told of the same alarm.
const REPEAT_AFTER_MAX: Duration = Duration::from_hours(4);

/// Key under which the store keeps what [`Router::save`] gives.
pub const SAVED_KEY: &str = "notify/router";

/// Version of the saved form.
const SAVED_VERSION: u8 = 1;

/// Turns alarm changes into rows of the outbox.
#[derive(Debug)]
pub struct Router {
    receivers: Vec<ReceiverSettings>,
    site: String,
    /// By the name of the alarm: what is not over.
    open: BTreeMap<String, Open>,
    unsaved: bool,
}

/// The latest occurrence of an alarm.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
struct Open {
    occurrence: u64,
    key: String,
    /// Number of the change seen last.
    seen: u32,
    /// Number of what was told last.
    told: u32,
    priority: Priority,
    /// It stands, and nobody has seen it.
    asks: bool,
    /// Notice that raised it, as JSON.
    body: String,
    each: BTreeMap<String, Told>,
}

/// One receiver and one occurrence.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
struct Told {
    /// How often it was asked to act.
    times: u32,
    /// It was asked to act and has not heard that this is over.
    open: bool,
    /// When it is to be asked, or asked again.
    #[serde(with = "due_ns")]
    due: Option<Uptime>,
}

/// Saved state that cannot be read. Every alarm then counts as told to nobody.
#[derive(Debug, thiserror::Error)]
#[error("what was saved of notification cannot be read: {0}")]
pub struct RestoreError(String);

impl Router {
    /// A router that has heard of no alarm yet. `site` becomes part of every key.
    pub fn new(receivers: Vec<ReceiverSettings>, site: String) -> Self {
        Self { receivers, site, open: BTreeMap::new(), unsaved: false }
    }

    /// An alarm has changed: what is to be told, to whom. The same change a second time gives nothing.
    pub fn changed(&mut self, now: Now, notice: &Notice) -> Vec<OutboxEntry> {
        let mut out = Vec::new();
        let known = self.open.get(&notice.alarm).map(|open| (open.occurrence, open.seen));
        match known {
            Some((occurrence, seen)) if notice.occurrence == occurrence && notice.sequence <= seen => {
                return out;
            }
            Some((occurrence, _)) if notice.occurrence < occurrence => return out,
            // The end of the one before has been missed, and this one cannot stand for both.
            Some((occurrence, _)) if notice.occurrence > occurrence => {
                self.close(now, &notice.alarm, Action::End, None, &mut out);
                self.open.remove(&notice.alarm);
            }
            _ => {}
        }
        self.unsaved = true;
        match notice.change {
            Change::Raised => self.raise(now, notice, &mut out),
            Change::Acknowledged => {
                self.close(now, &notice.alarm, Action::Acknowledge, Some(notice), &mut out)
            }
            Change::Withheld => self.close(now, &notice.alarm, Action::Withhold, Some(notice), &mut out),
            Change::Returned => self.close(now, &notice.alarm, Action::End, Some(notice), &mut out),
            Change::Ended => {
                self.close(now, &notice.alarm, Action::End, Some(notice), &mut out);
                self.open.remove(&notice.alarm);
            }
        }
        out
    }

    /// Time has passed: whoever is due is told.
    pub fn tick(&mut self, now: Now) -> Vec<OutboxEntry> {
        let mut out = Vec::new();
        for open in self.open.values_mut().filter(|open| open.asks) {
            let due = |told: &Told| told.due.is_some_and(|due| due <= now.uptime);
            let names: Vec<String> =
                open.each.iter().filter(|(_, told)| due(told)).map(|(name, _)| name.clone()).collect();
            self.unsaved |= !names.is_empty();
            open.ask(now, &self.receivers, &names, Action::Escalate, now.utc, &mut out);
        }
        out
    }

    /// When somebody is due next.
    pub fn poll_timeout(&self) -> Option<Uptime> {
        let asking = self.open.values().filter(|open| open.asks);
        asking.flat_map(|open| open.each.values()).filter_map(|told| told.due).min()
    }

    /// A message about `key` was refused for good by `receiver`: whoever comes after it and has not been told is told now.
    pub fn failed(&mut self, receiver: &Name, key: &str, now: Now) -> Vec<OutboxEntry> {
        let mut out = Vec::new();
        let step_of = |name: &str| {
            self.receivers.iter().find(|one| one.name.as_str() == name).map_or(0, |one| one.step)
        };
        let own = step_of(receiver.as_str());
        let Some(open) = self.open.values_mut().find(|open| open.key == key && open.asks) else { return out };
        let untold = open.each.iter().filter(|(name, told)| told.times == 0 && *name != receiver.as_str());
        let later: Vec<(u8, String)> =
            untold.map(|(name, _)| (step_of(name), name.clone())).filter(|(step, _)| *step > own).collect();
        let next = later.iter().map(|(step, _)| *step).min();
        let names: Vec<String> =
            later.into_iter().filter(|(step, _)| Some(*step) == next).map(|(_, name)| name).collect();
        self.unsaved |= !names.is_empty();
        open.ask(now, &self.receivers, &names, Action::Escalate, now.utc, &mut out);
        out
    }

    /// After a restart: what `stands` says does not stand any more in that occurrence is over, for those who were told of it.
    pub fn keep_only(&mut self, now: Now, stands: impl Fn(&str, u64) -> bool) -> Vec<OutboxEntry> {
        let over = self.open.iter().filter(|(alarm, open)| !stands(alarm, open.occurrence));
        let over: Vec<String> = over.map(|(alarm, _)| alarm.clone()).collect();
        let mut out = Vec::new();
        for alarm in over {
            self.close(now, &alarm, Action::End, None, &mut out);
            self.open.remove(&alarm);
            self.unsaved = true;
        }
        out
    }

    fn raise(&mut self, now: Now, notice: &Notice, out: &mut Vec<OutboxEntry>) {
        let wanting: Vec<&ReceiverSettings> = self.receivers.iter().filter(|one| one.wants(notice)).collect();
        if wanting.is_empty() {
            self.open.remove(&notice.alarm);
            return;
        }
        let key = key_of(&self.site, &notice.alarm, notice.occurrence);
        let open = self.open.entry(notice.alarm.clone()).or_insert_with(|| Open {
            occurrence: notice.occurrence,
            key,
            seen: 0,
            told: 0,
            priority: notice.priority,
            asks: true,
            body: String::new(),
            each: BTreeMap::new(),
        });
        open.seen = notice.sequence;
        open.told = open.told.max(notice.sequence.saturating_sub(1));
        open.priority = notice.priority;
        open.asks = true;
        open.body = body_of(notice);
        open.each.retain(|name, _| wanting.iter().any(|one| one.name.as_str() == name));
        let mut at_once = Vec::new();
        for receiver in wanting {
            let told = open.each.entry(receiver.name.to_string()).or_default();
            // Whoever was asked before hears that it is back, whatever its step.
            if receiver.step == 0 || told.times > 0 {
                at_once.push(receiver.name.to_string());
            } else {
                let after = receiver.escalation.of(notice.priority);
                let due = after.map(|after| now.uptime.plus(after * u32::from(receiver.step)));
                told.due = earlier(told.due, due);
            }
        }
        open.ask(now, &self.receivers, &at_once, Action::Raise, notice.at(), out);
    }

    /// Nobody need be asked any more. Whoever was asked hears why, where it wants to.
    fn close(
        &mut self,
        now: Now,
        alarm: &str,
        action: Action,
        notice: Option<&Notice>,
        out: &mut Vec<OutboxEntry>,
    ) {
        let Some(open) = self.open.get_mut(alarm) else { return };
        open.asks = false;
        let number = (open.told + 1).max(notice.map_or(0, |notice| notice.sequence));
        if let Some(notice) = notice {
            open.seen = notice.sequence;
        }
        let body = notice.map_or_else(|| ended(&open.body, now.utc), body_of);
        // What has only returned may come up again before anybody has seen it: then whoever is due next is not asked later
        // for it.
        let returned = notice.is_some_and(|notice| notice.change == Change::Returned);
        for (name, told) in &mut open.each {
            if !returned {
                told.due = None;
                told.times = 0;
            }
            let receiver = self.receivers.iter().find(|one| one.name.as_str() == name);
            let Some(receiver) = receiver.filter(|_| told.open) else { continue };
            let wants = match action {
                Action::Acknowledge => receiver.acknowledgements,
                Action::End | Action::Withhold | Action::Raise | Action::Escalate => receiver.returns,
            };
            told.open = action != Action::End;
            if wants {
                open.told = number;
                out.push(OutboxEntry {
                    receiver: receiver.name.clone(),
                    key: open.key.clone(),
                    sequence: number,
                    action,
                    priority: open.priority,
                    at: notice.map_or(now.utc, Notice::at),
                    body: body.clone(),
                });
            }
        }
    }

    /// What is to be kept through a restart, if it has changed since this was asked last: key and body.
    pub fn save(&mut self, now: Now) -> Option<(String, Vec<u8>)> {
        if !std::mem::take(&mut self.unsaved) {
            return None;
        }
        let saved = Saved { version: SAVED_VERSION, at: KeptAt::of(now), open: self.open.clone() };
        let body = serde_json::to_vec(&saved).expect("texts and numbers have a JSON form");
        Some((SAVED_KEY.to_owned(), body))
    }

    /// What is to be kept through a restart, whether or not it has changed.
    pub fn save_whole(&mut self, now: Now) -> (String, Vec<u8>) {
        self.unsaved = true;
        self.save(now).expect("what is unsaved is saved")
    }

    /// Takes over what [`Router::save`] gave before a restart. Time that has passed meanwhile counts: by the monotonic
    /// clock if that went on, by the other if the machine itself was restarted. Receivers that are no longer configured
    /// are forgotten.
    pub fn restore(&mut self, now: Now, saved: &[u8]) -> Result<(), RestoreError> {
        let saved: Saved = serde_json::from_slice(saved).map_err(|error| RestoreError(error.to_string()))?;
        if saved.version != SAVED_VERSION {
            return Err(RestoreError(format!("version {} is not known here", saved.version)));
        }
        let since = saved.at.uptime().unwrap_or_default();
        let passed = saved.at.passed(now);
        let later = |due: Uptime| now.uptime.plus(due.since(since).saturating_sub(passed));
        for (alarm, mut open) in saved.open {
            open.each.retain(|name, _| self.receivers.iter().any(|receiver| receiver.name.as_str() == name));
            open.each.values_mut().for_each(|told| told.due = told.due.map(later));
            self.open.insert(alarm, open);
        }
        Ok(())
    }
}

/// The same state, saved by a [`Router`], with numbers of changes `by` further on; for a copy of the
/// store that is older than what has been told. None if it cannot be read.
pub fn renumbered(saved: &[u8], by: u32) -> Option<Vec<u8>> {
    let mut saved: Saved = serde_json::from_slice(saved).ok()?;
    for open in saved.open.values_mut() {
        open.seen = open.seen.saturating_add(by);
        open.told = open.told.saturating_add(by);
    }
    Some(serde_json::to_vec(&saved).expect("texts and numbers have a JSON form"))
}

fn earlier(a: Option<Uptime>, b: Option<Uptime>) -> Option<Uptime> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    }
}

impl Open {
    /// Asks `names` to act, and says when each is due again.
    fn ask(
        &mut self,
        now: Now,
        receivers: &[ReceiverSettings],
        names: &[String],
        action: Action,
        at: Timestamp,
        out: &mut Vec<OutboxEntry>,
    ) {
        if names.is_empty() {
            return;
        }
        self.told += 1;
        for receiver in receivers.iter().filter(|one| names.iter().any(|name| one.name.as_str() == name)) {
            let Some(told) = self.each.get_mut(receiver.name.as_str()) else { continue };
            told.times = told.times.saturating_add(1);
            told.open = true;
            let after = receiver.escalation.of(self.priority);
            let parked = told.due.filter(|due| action == Action::Raise && *due > now.uptime);
            let due = after.map(|after| {
                let doubled = after.saturating_mul(1 << (told.times - 1).min(16));
                now.uptime.plus(doubled.min(REPEAT_AFTER_MAX).max(after))
            });
            told.due = earlier(parked, due);
            out.push(OutboxEntry {
                receiver: receiver.name.clone(),
                key: self.key.clone(),
                sequence: self.told,
                action,
                priority: self.priority,
                at,
                body: self.body.clone(),
            });
        }
    }
}

/// `hall-2/lathe-1/ph-low#7`, at most [`KEY_CHARS_MAX`] characters: a longer one is cut and ends in its check sum.
fn key_of(site: &str, alarm: &str, occurrence: u64) -> String {
    let whole = format!("{site}/{alarm}#{occurrence}");
    if whole.chars().count() <= KEY_CHARS_MAX {
        return whole;
    }
    let end = format!("~{:08x}#{occurrence}", crc32fast::hash(alarm.as_bytes()));
    let kept: String = whole.chars().take(KEY_CHARS_MAX - end.len()).collect();
    kept + &end
}

fn body_of(notice: &Notice) -> String {
    serde_json::to_string(notice).expect("texts and numbers have a JSON form")
}

/// The notice of a body, as of an alarm that has ended at `at`.
fn ended(body: &str, at: Timestamp) -> String {
    match serde_json::from_str::<Notice>(body) {
        Ok(notice) => body_of(&Notice { change: Change::Ended, at_ns: at.as_nanos(), ..notice }),
        Err(_) => body.to_owned(),
    }
}

/// What is kept through a restart.
#[derive(Serialize, Deserialize)]
struct Saved {
    version: u8,
    #[serde(flatten)]
    at: KeptAt,
    open: BTreeMap<String, Open>,
}

/// A due time as nanoseconds of the monotonic clock of the run that saved it.
mod due_ns {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use crate::model::Uptime;

    pub(super) fn serialize<S: Serializer>(due: &Option<Uptime>, serializer: S) -> Result<S::Ok, S::Error> {
        due.map(Uptime::as_nanos).serialize(serializer)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(source: D) -> Result<Option<Uptime>, D::Error> {
        Ok(Option::<u64>::deserialize(source)?.map(Uptime::from_nanos))
    }
}
