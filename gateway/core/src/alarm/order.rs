//! What people do about an alarm, checked.

use std::time::Duration;

use crate::model::Now;

use super::state::{State, Stimulus};
use super::{AlarmIndex, Alarms, SHELVED_MAX, Transition};

/// What somebody wants done with an alarm.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Order {
    /// They have seen it. With an occurrence: only if it is still that one.
    Acknowledge {
        /// Which time it came up, as the message they answer said.
        occurrence: Option<u64>,
    },
    /// It is to be silent for a time.
    Shelve {
        /// For how long.
        time: Duration,
    },
    /// No longer.
    Unshelve,
    /// It is out of service, for maintenance.
    Remove,
    /// It is back in service.
    Return,
    /// A latched alarm may go.
    Reset,
}

/// Who says it, and why.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Said<'a> {
    /// Who. Untrusted text.
    pub by: &'a str,
    /// Why. Untrusted text.
    pub why: Option<&'a str>,
    /// For how long, where it is shelved.
    pub(super) shelve_for: Option<Duration>,
}

impl<'a> Said<'a> {
    /// `by` says it, for the reason `why`.
    pub const fn new(by: &'a str, why: Option<&'a str>) -> Self {
        Self { by, why, shelve_for: None }
    }
}

/// Why an order was not carried out.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum OrderError {
    /// Nobody said who it is.
    #[error("say who you are")]
    Nobody,
    /// No reason where one must stand in the journal.
    #[error("say why: the journal has to tell the next shift")]
    NoReason,
    /// No end, or too late a one.
    #[error("an alarm is shelved for 1 min to {} days; what must be silent for longer is taken out of service", SHELVED_MAX.as_secs() / 86_400)]
    ShelfTime,
    /// The message speaks of an earlier time.
    #[error(
        "this message is about an earlier time; the alarm has come up again since: look at it as it is now"
    )]
    EarlierOccurrence,
    /// The state does not ask for it.
    #[error("the alarm is {} now: nothing to do", .0.word())]
    NothingToDo(State),
}

const SHELVED_MIN: Duration = Duration::from_secs(60);

impl Alarms {
    /// Does with an alarm what `said.by` wants done.
    pub fn order(
        &mut self,
        now: Now,
        alarm: AlarmIndex,
        order: Order,
        said: Said<'_>,
        out: &mut Vec<Transition>,
    ) -> Result<(), OrderError> {
        if said.by.trim().is_empty() {
            return Err(OrderError::Nobody);
        }
        let asks_why = matches!(order, Order::Shelve { .. } | Order::Remove);
        if asks_why && said.why.is_none_or(|why| why.trim().is_empty()) {
            return Err(OrderError::NoReason);
        }
        let mut said = said;
        let stimulus = match order {
            Order::Acknowledge { occurrence } => {
                let now_at = self.get(alarm).1.occurrence;
                if occurrence.is_some_and(|occurrence| occurrence != now_at) {
                    return Err(OrderError::EarlierOccurrence);
                }
                Stimulus::Acknowledge
            }
            Order::Shelve { time } => {
                if !(SHELVED_MIN..=SHELVED_MAX).contains(&time) {
                    return Err(OrderError::ShelfTime);
                }
                said.shelve_for = Some(time);
                Stimulus::Shelve
            }
            Order::Unshelve => Stimulus::Unshelve,
            Order::Remove => Stimulus::Remove,
            Order::Return => Stimulus::Return,
            Order::Reset => Stimulus::Reset,
        };
        let before = out.len();
        self.stimulate(now, alarm, stimulus, Some(&said), out);
        self.reschedule(alarm);
        if out.len() == before { Err(OrderError::NothingToDo(self.get(alarm).1.state)) } else { Ok(()) }
    }
}
