//! The alarm state machine of ISA-18.2 / IEC 62682, its four basic states.
//!
//! ```text
//!              condition true                acknowledge
//!   Normal ───────────────────▶ Unacknowledged ─────────▶ Acknowledged
//!     ▲  ▲                        │        ▲                  │
//!     │  │        condition false │        │ condition true   │ condition false
//!     │  │                        ▼        │                  │
//!     │  └───────────── ReturnedUnacknowledged                │
//!     │    acknowledge                                        │
//!     └───────────────────────────────────────────────────────┘
//! ```
//!
//! An alarm that returned to normal before anybody saw it must still be seen, hence the fourth state.

/// State of one alarm.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub enum State {
    /// Nothing wrong, nothing to see.
    Normal,
    /// Wrong, and nobody has said that they saw it.
    Unacknowledged,
    /// Wrong, and somebody saw it.
    Acknowledged,
    /// No longer wrong, but nobody has seen that it was.
    ReturnedUnacknowledged,
}

impl State {
    /// Every state.
    pub const ALL: &'static [Self] =
        &[Self::Normal, Self::Unacknowledged, Self::Acknowledged, Self::ReturnedUnacknowledged];

    /// The standard's short name, as stored and written out.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Normal => "NORM",
            Self::Unacknowledged => "UNACK",
            Self::Acknowledged => "ACKED",
            Self::ReturnedUnacknowledged => "RTNUN",
        }
    }

    /// The state of a short name.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|state| state.word() == word)
    }

    /// Whether the condition behind it holds.
    pub const fn condition_holds(self) -> bool {
        match self {
            Self::Unacknowledged | Self::Acknowledged => true,
            Self::Normal | Self::ReturnedUnacknowledged => false,
        }
    }
}

/// What happens to an alarm.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Stimulus {
    /// The condition has held for its on-delay.
    ConditionTrue,
    /// The condition has ended for its off-delay.
    ConditionFalse,
    /// A person has seen it.
    Acknowledge,
}

/// What a transition owes the world.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Effect {
    /// Nothing: the state stays.
    None,
    /// A line in the journal.
    Journal,
    /// A line in the journal, and somebody must hear of it.
    Annunciate,
}

/// The next state and what is owed for it. Every pair is written out.
pub const fn transition(state: State, stimulus: Stimulus) -> (State, Effect) {
    use State::{Acknowledged, Normal, ReturnedUnacknowledged, Unacknowledged};
    use Stimulus::{Acknowledge, ConditionFalse, ConditionTrue};
    match (state, stimulus) {
        (Normal | ReturnedUnacknowledged, ConditionTrue) => (Unacknowledged, Effect::Annunciate),
        (Unacknowledged, ConditionTrue) => (Unacknowledged, Effect::None),
        (Acknowledged, ConditionTrue) => (Acknowledged, Effect::None),
        (Unacknowledged, ConditionFalse) => (ReturnedUnacknowledged, Effect::Journal),
        (Acknowledged, ConditionFalse) => (Normal, Effect::Journal),
        (Normal, ConditionFalse) => (Normal, Effect::None),
        (ReturnedUnacknowledged, ConditionFalse) => (ReturnedUnacknowledged, Effect::None),
        (Unacknowledged, Acknowledge) => (Acknowledged, Effect::Journal),
        (ReturnedUnacknowledged, Acknowledge) => (Normal, Effect::Journal),
        // ISA-18.2: acknowledging what is normal or already acknowledged changes nothing.
        (Normal, Acknowledge) => (Normal, Effect::None),
        (Acknowledged, Acknowledge) => (Acknowledged, Effect::None),
    }
}
