//! What a plan keeps over a restart, and whether what was kept can be believed.

use serde::{Deserialize, Serialize};

use super::{RECENT_MAX, State, TestPlan};
use crate::model::KeptAt;

/// Most checks and probes a kept plan may speak of.
const ENTRIES_MAX: usize = 1000;

/// The state with both clocks at that moment.
#[derive(Serialize, Deserialize)]
struct Kept {
    at_ns: i64,
    #[serde(flatten)]
    at: KeptAt,
    state: State,
}

impl Kept {
    /// Whether it is no more than is ever kept, and nothing in it was done after the moment it was kept.
    fn hangs_together(&self) -> bool {
        let state = &self.state;
        let maps = [&state.read_ns, &state.calibrated_ns, &state.since_ns];
        let done = state.last.values().map(|last| last.done_ns);
        let mut times = done.chain(maps.iter().flat_map(|map| map.values().copied()));
        state.last.len() <= ENTRIES_MAX
            && maps.iter().all(|map| map.len() <= ENTRIES_MAX)
            && state.recent.len() <= RECENT_MAX
            && times.all(|ns| ns <= self.at_ns)
    }
}

impl TestPlan {
    /// What is to be kept, where it has changed since the last call.
    pub fn save(&mut self) -> Option<Vec<u8>> {
        if !std::mem::take(&mut self.changed) {
            return None;
        }
        let now = self.present;
        let kept = Kept { at_ns: self.at(now), at: KeptAt::of(now), state: self.state.clone() };
        Some(serde_json::to_vec(&kept).expect("numbers and texts in maps with text keys are JSON"))
    }

    /// What is to be kept, whether or not it has changed.
    pub fn save_whole(&mut self) -> Option<Vec<u8>> {
        self.changed = true;
        self.save()
    }

    /// This plan as `other`, of another configuration, would have it; none where that is told something else of it than which
    /// place its probes have.
    pub fn continued_as(mut self, other: &Self) -> Option<Self> {
        let told = |plan: &Self| -> Vec<_> {
            plan.calibrations.iter().map(|of| (of.name.clone(), of.due)).collect()
        };
        if self.settings != other.settings || told(&self) != told(other) {
            return None;
        }
        self.calibrations.clone_from(&other.calibrations);
        Some(self)
    }

    /// Goes on from what was kept, before the first instant. False, and nothing changed, if that cannot be read.
    pub fn restore(&mut self, bytes: &[u8]) -> bool {
        let Ok(kept) = serde_json::from_slice::<Kept>(bytes) else { return false };
        if !kept.hangs_together() {
            return false;
        }
        self.resumed = Some((kept.at_ns, kept.at));
        self.state = kept.state;
        true
    }
}
