//! One alarm: its condition, its state, its clocks.

use crate::estimate::sump::Estimate;
use crate::model::{Now, Quality, Timestamp, Uptime};

use super::delay::Delayed;
use super::judge::Definition;
use super::notice::Change;
use super::order::Said;
use super::state::{Context, Effect, State, Stimulus, transition};
use super::{AlarmIndex, Transition};

/// What was seen last of what an alarm is on.
#[derive(Clone, PartialEq, Debug)]
pub struct Seen {
    /// The value, if there is one.
    pub value: Option<f64>,
    /// 90 % interval of an estimate.
    pub interval: Option<(f64, f64)>,
    /// Days until a limit that looks ahead is reached, by the means and the ends of the 90 % interval.
    pub ahead_days: Option<(f64, f64, f64)>,
    /// How good.
    pub quality: Quality,
    /// What else there is to say. Untrusted text.
    pub detail: String,
}

impl Default for Seen {
    fn default() -> Self {
        Self {
            value: None,
            interval: None,
            ahead_days: None,
            quality: Quality::WAITING,
            detail: String::new(),
        }
    }
}

impl Seen {
    pub(super) fn of_estimate(estimate: Result<Estimate, Quality>) -> Self {
        match estimate {
            Ok(estimate) => Self {
                value: Some(estimate.value),
                interval: Some((estimate.low90, estimate.high90)),
                quality: estimate.quality,
                ..Self::default()
            },
            Err(quality) => Self { quality, ..Self::default() },
        }
    }
}

/// One alarm as it stands.
#[derive(Clone, PartialEq, Debug)]
pub struct Standing {
    /// State.
    pub state: State,
    /// Since when, UTC; none if it never left normal.
    pub since: Option<Timestamp>,
    /// What was seen last.
    pub seen: Seen,
    /// Which time it came up last, from 1; 0 if it never did.
    pub occurrence: u64,
    /// Changes of that occurrence so far.
    pub sequence: u32,
    /// Who brought it to this state, where a person did.
    pub by: Option<String>,
    /// Why, as they said.
    pub why: Option<String>,
    /// Until when it is shelved, UTC.
    pub shelved_until: Option<Timestamp>,
}

#[derive(Debug)]
pub(super) struct Alarm {
    pub(super) definition: Definition,
    /// Name in the shop.
    pub(super) key: String,
    pub(super) delayed: Delayed,
    pub(super) standing: Standing,
    /// When its shelf ends.
    pub(super) shelf: Option<Uptime>,
    /// When it is annunciated anew.
    pub(super) realarm_at: Option<Uptime>,
    /// A fault: the gateway says that it holds.
    pub(super) told: bool,
    /// Faults that explain it.
    pub(super) causes: Vec<AlarmIndex>,
    /// A fault: alarms it explains.
    pub(super) explains: Vec<AlarmIndex>,
    /// When it is to be looked at, as [`super::Alarms`] knows.
    pub(super) wake: Option<Uptime>,
    /// Lowest number of a new occurrence: those below may have been told of before the store was restored.
    pub(super) occurrences_from: u64,
}

impl Alarm {
    pub(super) fn new(definition: Definition, key: String) -> Self {
        let (on_delay, off_delay) = definition.delays();
        Self {
            delayed: Delayed::new(on_delay, off_delay),
            definition,
            key,
            standing: Standing {
                state: State::Normal,
                since: None,
                seen: Seen::default(),
                occurrence: 0,
                sequence: 0,
                by: None,
                why: None,
                shelved_until: None,
            },
            shelf: None,
            realarm_at: None,
            told: false,
            causes: Vec::new(),
            explains: Vec::new(),
            wake: None,
            occurrences_from: 0,
        }
    }

    /// When it wants to be looked at.
    pub(super) fn due(&self) -> Option<Uptime> {
        [self.delayed.due(), self.shelf, self.realarm_at].into_iter().flatten().min()
    }

    /// The transition that `stimulus` makes, if it makes one. `suppressed`: logic asks for silence now.
    pub(super) fn stimulate(
        &mut self,
        now: Now,
        index: AlarmIndex,
        stimulus: Stimulus,
        suppressed: bool,
        said: Option<&Said<'_>>,
    ) -> Option<Transition> {
        let habits = self.definition.habits();
        let context = Context { active: self.delayed.active(), latching: habits.latching, suppressed };
        let from = self.standing.state;
        let (to, effect) = transition(from, stimulus, context);
        if effect == Effect::None {
            return None;
        }
        self.enter(now, to, said);
        self.realarm_at =
            habits.realarm_after.filter(|_| to == State::Acknowledged).map(|after| now.uptime.plus(after));
        let change = self.count(from, to, effect);
        let standing = &self.standing;
        Some(Transition {
            alarm: index,
            from,
            to,
            effect,
            at: now.utc,
            seen: standing.seen.clone(),
            by: standing.by.clone(),
            why: standing.why.clone(),
            until: standing.shelved_until,
            occurrence: standing.occurrence,
            sequence: standing.sequence,
            change,
        })
    }

    fn enter(&mut self, now: Now, to: State, said: Option<&Said<'_>>) {
        let standing = &mut self.standing;
        standing.state = to;
        standing.since = Some(now.utc);
        standing.by = said.map(|said| said.by.to_owned());
        standing.why = said.and_then(|said| said.why).map(str::to_owned);
        let shelved = said.and_then(|said| said.shelve_for).filter(|_| to == State::Shelved);
        self.shelf = shelved.map(|time| now.uptime.plus(time));
        standing.shelved_until = shelved.map(|time| now.utc.plus(time));
    }

    /// Counts the occurrence and its changes; gives what those who were told of it would hear.
    fn count(&mut self, from: State, to: State, effect: Effect) -> Option<Change> {
        let change = change_of(from, to, effect)?;
        // What came up again before anybody saw it, or stood too long, is still the same occurrence.
        let anew = !matches!(from, State::ReturnedUnacknowledged | State::Acknowledged);
        if change == Change::Raised && anew {
            self.standing.occurrence = (self.standing.occurrence + 1).max(self.occurrences_from);
            self.standing.sequence = 0;
        }
        self.standing.sequence += 1;
        Some(change)
    }
}

const fn change_of(from: State, to: State, effect: Effect) -> Option<Change> {
    match (effect, to) {
        (Effect::Annunciate, _) => Some(Change::Raised),
        // What was withheld is over by now.
        (_, State::Normal) if from.is_silenced() => Some(Change::Ended),
        // Nobody was told of what was silenced.
        _ if !from.stands() => None,
        (_, State::Acknowledged) => Some(Change::Acknowledged),
        (_, State::ReturnedUnacknowledged) => Some(Change::Returned),
        (_, State::Latched) => match from {
            State::ReturnedUnacknowledged => Some(Change::Acknowledged),
            _ => Some(Change::Returned),
        },
        (_, State::Normal) => Some(Change::Ended),
        (_, State::Shelved | State::SuppressedByDesign | State::OutOfService) => Some(Change::Withheld),
        (_, State::Unacknowledged) => None,
    }
}
