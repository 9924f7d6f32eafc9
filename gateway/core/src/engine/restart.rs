//! What is needed to stand where one stood after a restart: `alarm/<sump>/<name>` → how it stands, `estimate/<sump>` →
//! what is believed of the sump, `acidity/<sump>` and `cleanout/<sump>` → what is known of its fill, `checks/<sump>`
//! → what was checked when, `calibration/<sump>/<probe>` → the calibration in force and the one that goes on, `notify/router` → who has heard of what, `alarms/occurrences-from` → the lowest number of a new
//! occurrence, where the store was restored from a copy.

use std::collections::BTreeMap;

use super::Engine;
use crate::alarm::state::State;
use crate::alarm::{AlarmIndex, saved};
use crate::model::{Name, Now, ProbeIndex};
use crate::notify::router;
use crate::store::record::SeriesKey;

/// Where the lowest number of a new occurrence is kept, as decimal digits.
const OCCURRENCES_KEY: &str = "alarms/occurrences-from";

/// Occurrences of one alarm that may have been told of since a copy was made: one a second, day and night, for eleven days.
const OCCURRENCES_SKIPPED: u64 = 1_000_000;

/// What is to be saved anew, so that an engine that goes on from `entries`, a copy of what was saved some time ago, gives no
/// occurrence and no change a number under which something else has been told since: receivers would take the new for
/// the old. Entries that cannot be read stay as they are.
pub fn renumbered(entries: &[(String, Vec<u8>)]) -> Vec<(String, Vec<u8>)> {
    let mut anew = Vec::new();
    let mut first = 0;
    for (key, bytes) in entries {
        let changed = if key.starts_with(&alarm_key("")) {
            first = first.max(saved::occurrence(bytes).unwrap_or(0));
            saved::renumbered(bytes)
        } else if key == router::SAVED_KEY {
            router::renumbered(bytes, saved::CHANGES_SKIPPED)
        } else {
            first = first.max(if key == OCCURRENCES_KEY { number(bytes).unwrap_or(0) } else { 0 });
            None
        };
        anew.extend(changed.map(|bytes| (key.clone(), bytes)));
    }
    let first = first.saturating_add(OCCURRENCES_SKIPPED);
    anew.push((OCCURRENCES_KEY.to_owned(), first.to_string().into_bytes()));
    anew
}

fn number(bytes: &[u8]) -> Option<u64> {
    std::str::from_utf8(bytes).ok()?.parse().ok()
}

/// Where the state of an alarm is kept, by its name in the shop.
pub(super) fn alarm_key(alarm: &str) -> String {
    format!("alarm/{alarm}")
}

/// Where the belief about a sump is kept.
pub(super) fn estimate_key(sump: &Name) -> String {
    format!("estimate/{sump}")
}

/// Where the pH of a sump's fill is kept.
pub(super) fn acidity_key(sump: &Name) -> String {
    format!("acidity/{sump}")
}

/// Where a sump's clean-out is kept.
pub(super) fn cleanout_key(sump: &Name) -> String {
    format!("cleanout/{sump}")
}

/// Where a sump's test plan is kept.
pub(super) fn checks_key(sump: &Name) -> String {
    format!("checks/{sump}")
}

/// Where the calibration of a probe is kept, and the session that goes on.
pub(super) fn calibration_key(sump: &Name, probe: &Name) -> String {
    format!("calibration/{sump}/{probe}")
}

impl Engine {
    /// Puts every alarm and every belief back to where it stood, before the first input. `lookup` gives what the store kept under a key.
    /// An engine without estimates leaves beliefs where they are. An entry that cannot be read leaves its alarm normal and its sump unknown: the next readings decide. Gives the keys of such entries.
    pub fn restore(&mut self, now: Now, mut lookup: impl FnMut(&str) -> Option<Vec<u8>>) -> Vec<String> {
        let keys: Vec<(AlarmIndex, String)> =
            (self.alarms.iter()).map(|(alarm, _, _)| (alarm, alarm_key(self.alarms.key(alarm)))).collect();
        let mut unreadable = Vec::new();
        let estimating = self.estimating == super::Estimating::Yes;
        for sump in self.sumps.iter_mut().filter(|_| estimating) {
            let key = estimate_key(&sump.settings().name);
            if lookup(&key).is_some_and(|bytes| !sump.restore(&bytes)) {
                unreadable.push(key);
            }
        }
        for (sump, fill) in self.settings.sumps.iter().zip(&mut self.fills).filter(|_| estimating) {
            let (acidity, cleanout) = (acidity_key(&sump.name), cleanout_key(&sump.name));
            if lookup(&acidity).is_some_and(|bytes| !fill.restore_acidity(&bytes)) {
                unreadable.push(acidity);
            }
            if lookup(&cleanout).is_some_and(|bytes| !fill.restore_cleanout(&bytes)) {
                unreadable.push(cleanout);
            }
        }
        for (sump, plan) in self.settings.sumps.iter().zip(&mut self.plans) {
            let key = checks_key(&sump.name);
            if lookup(&key).is_some_and(|bytes| !plan.restore(&bytes)) {
                unreadable.push(key);
            }
        }
        unreadable.extend(self.restore_calibrations(now, &mut lookup));
        if let Some(bytes) = lookup(OCCURRENCES_KEY) {
            match number(&bytes) {
                Some(first) => self.alarms.number_from(first),
                None => unreadable.push(OCCURRENCES_KEY.to_owned()),
            }
        }
        for (alarm, key) in keys {
            let Some(bytes) = lookup(&key) else { continue };
            if !self.alarms.restore(now, alarm, &bytes) {
                unreadable.push(key);
            }
        }
        if lookup(router::SAVED_KEY).is_some_and(|bytes| self.router.restore(now, &bytes).is_err()) {
            unreadable.push(router::SAVED_KEY.to_owned());
        }
        let alarms = &self.alarms;
        let stands = |alarm: &str, occurrence: u64| {
            alarms
                .find(alarm)
                .map(|index| alarms.get(index).1)
                .is_some_and(|standing| standing.occurrence == occurrence && standing.state != State::Normal)
        };
        self.out.outbox.extend(self.router.keep_only(now, stands));
        unreadable
    }

    /// Series of every probe that comes by message. After a kill the broker does not know which of them were stored last
    /// and sends them again: the topic map is to be reminded of their times.
    pub fn by_message(&self) -> BTreeMap<ProbeIndex, &SeriesKey> {
        let topics = self.settings.brokers.iter().flat_map(|broker| &broker.topics);
        let key = |probe| &self.series[self.settings.series_of_probe(probe).slot()];
        topics.map(|topic| (topic.probe, key(topic.probe))).collect()
    }
}
