//! What an alarm needs to stand where it stood after a restart: `alarm/<sump>/<name>` → `STATE RFC3339`.

use super::Engine;
use crate::alarm::state::State;
use crate::alarm::{AlarmIndex, Transition};
use crate::model::{Name, Timestamp};

/// The entry a transition leaves in the store.
pub(super) fn saved((sump, name): (&Name, String), transition: &Transition) -> (String, Vec<u8>) {
    (format!("alarm/{sump}/{name}"), format!("{} {}", transition.to.word(), transition.at).into_bytes())
}

impl Engine {
    /// Puts every alarm back to where it stood, before the first input. `lookup` gives what the store kept under a key.
    /// An entry that cannot be read leaves its alarm normal: the next reading decides. Gives the keys of such entries.
    pub fn restore(&mut self, mut lookup: impl FnMut(&str) -> Option<Vec<u8>>) -> Vec<String> {
        let keys: Vec<(AlarmIndex, String)> = (self.alarms.iter())
            .map(|(alarm, _, _)| {
                let (sump, name) = self.alarm_key(alarm);
                (alarm, format!("alarm/{sump}/{name}"))
            })
            .collect();
        let mut unreadable = Vec::new();
        for (alarm, key) in keys {
            let Some(bytes) = lookup(&key) else { continue };
            match read(&bytes) {
                Some((state, since)) => self.alarms.restore(alarm, state, since),
                None => unreadable.push(key),
            }
        }
        unreadable
    }
}

fn read(bytes: &[u8]) -> Option<(State, Timestamp)> {
    let (state, since) = std::str::from_utf8(bytes).ok()?.split_once(' ')?;
    Some((State::from_word(state)?, Timestamp::parse(since).ok()?))
}
