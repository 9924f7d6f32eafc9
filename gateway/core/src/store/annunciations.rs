//! The journal's transitions to the times alarms came up, as [`Performance`](crate::alarm::performance::Performance) counts
//! them.

use std::collections::BTreeMap;

use super::JournalEntry;
use crate::alarm::performance::Activation;
use crate::alarm::settings::Priority;
use crate::alarm::state::State;

/// Each time an alarm came up, from journal records in order of time. What is no transition of an alarm is passed over.
pub fn activations<'a>(journal: impl IntoIterator<Item = &'a JournalEntry>) -> Vec<Activation> {
    let mut all: Vec<Activation> = Vec::new();
    // Where those that have not ended stand in `all`: one that is told anew is two.
    let mut open: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for entry in journal {
        let Some(state) = State::from_word(&entry.state) else { continue };
        let Some(priority) = entry.priority.as_deref().and_then(Priority::from_word) else { continue };
        let alarm = format!("{}/{}", entry.sump.as_deref().unwrap_or("gateway"), entry.subject);
        let standing = open.entry(alarm.clone()).or_default();
        match state {
            State::Unacknowledged => {
                standing.push(all.len());
                all.push(Activation { alarm, at: entry.at, ended: None, acknowledged: false, priority });
            }
            State::Acknowledged => standing.iter().for_each(|at| all[*at].acknowledged = true),
            State::Normal
            | State::ReturnedUnacknowledged
            | State::Latched
            | State::Shelved
            | State::SuppressedByDesign
            | State::OutOfService => standing.drain(..).for_each(|at| all[at].ended = Some(entry.at)),
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Timestamp;

    fn entry(second: i64, sump: Option<&str>, subject: &str, state: &str) -> JournalEntry {
        JournalEntry {
            id: second,
            at: Timestamp::from_millis(1_000 * second),
            kind: "alarm".to_owned(),
            sump: sump.map(str::to_owned),
            subject: subject.to_owned(),
            state: state.to_owned(),
            priority: Some("high".to_owned()),
            value: None,
            message: String::new(),
        }
    }

    #[test]
    fn each_time_it_comes_up_counts_with_its_own_end() {
        let journal = [
            entry(0, None, "bus/hall", "connected"),
            entry(1, Some("lathe-1"), "ph-low", "UNACK"),
            entry(2, None, "bus/hall", "UNACK"),
            entry(3, Some("lathe-1"), "ph-low", "RTNUN"),
            entry(4, Some("lathe-1"), "ph-low", "UNACK"),
            entry(5, Some("lathe-1"), "ph-low", "ACKED"),
            entry(6, Some("mill-2"), "ph-low", "NORM"),
            entry(7, Some("lathe-1"), "ph-low", "NORM"),
            entry(8, Some("saw-3"), "check-overdue", "UNACK"),
            entry(9, Some("saw-3"), "check-overdue", "ACKED"),
            entry(10, Some("saw-3"), "check-overdue", "UNACK"),
            entry(11, Some("saw-3"), "check-overdue", "RTNUN"),
        ];
        let found = activations(&journal);
        let seconds = |at: Timestamp| at.as_millis() / 1_000;
        let told: Vec<_> = (found.iter())
            .map(|a| (a.alarm.as_str(), seconds(a.at), a.ended.map(seconds), a.acknowledged))
            .collect();
        let expected = [
            ("lathe-1/ph-low", 1, Some(3), false),
            ("gateway/bus/hall", 2, None, false),
            ("lathe-1/ph-low", 4, Some(7), true),
            ("saw-3/check-overdue", 8, Some(11), true),
            ("saw-3/check-overdue", 10, Some(11), false),
        ];
        assert_eq!(told, expected);
    }
}
