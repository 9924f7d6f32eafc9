//! What a plan keeps over a restart, and whether what was kept can be believed.

use serde::{Deserialize, Serialize};

use super::{RECENT_MAX, State, TestPlan};
use crate::model::Timestamp;

/// Most checks and probes a kept plan may speak of.
const ENTRIES_MAX: usize = 1000;

/// The state with both clocks at that moment.
#[derive(Serialize, Deserialize)]
struct Kept {
    at_ns: i64,
    utc_ns: i64,
    state: State,
}

impl TestPlan {
    /// What is to be kept, where it has changed since the last call.
    pub fn save(&mut self) -> Option<Vec<u8>> {
        if !std::mem::take(&mut self.changed) {
            return None;
        }
        let now = self.present;
        let kept = Kept { at_ns: self.at(now), utc_ns: now.utc.as_nanos(), state: self.state.clone() };
        Some(serde_json::to_vec(&kept).expect("numbers and texts in maps with text keys are JSON"))
    }

    /// Goes on from what was kept, before the first instant. False, and nothing changed, if that cannot be read.
    pub fn restore(&mut self, bytes: &[u8]) -> bool {
        let Ok(kept) = serde_json::from_slice::<Kept>(bytes) else { return false };
        let state = &kept.state;
        let many = state.last.len().max(state.read_ns.len()).max(state.calibrated_ns.len());
        if many > ENTRIES_MAX || state.recent.len() > RECENT_MAX {
            return false;
        }
        // Nothing was done after the moment it was kept.
        let done = state.last.values().map(|last| last.done_ns);
        let times = done.chain(state.read_ns.values().chain(state.calibrated_ns.values()).copied());
        if times.chain([state.since_ns]).any(|ns| ns > kept.at_ns) {
            return false;
        }
        self.resumed = Some((kept.at_ns, Timestamp::from_nanos(kept.utc_ns)));
        self.state = kept.state;
        true
    }
}
