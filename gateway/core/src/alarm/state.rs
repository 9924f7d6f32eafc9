//! The alarm state machine of ISA-18.2 / IEC 62682, whole.
//!
//! ```text
//!              condition true                acknowledge
//!   Normal ───────────────────▶ Unacknowledged ─────────▶ Acknowledged ──┐ condition false,
//!     ▲  ▲                        │        ▲  ▲               │    │     │ latching
//!     │  │        condition false │        │  └── re-alarm ───┘    │     ▼
//!     │  │                        ▼        │ condition true        │   Latched ── condition true ─▶ Unacknowledged
//!     │  └───────────── ReturnedUnacknowledged                     │     │
//!     │    acknowledge (latching: to Latched)                      │     │ reset
//!     └──────────────────────────────── condition false ◀──────────┘     ▼
//!                                                                      Normal
//!   any of these ── shelve ─▶ Shelved ── unshelve, or its time is up ──┐
//!                ── suppress ─▶ SuppressedByDesign ── no longer ───────┼─▶ Normal if the condition does not hold,
//!                ── remove from service ─▶ OutOfService ── back ───────┘   else Unacknowledged
//! ```
//!
//! An alarm that returned to normal before anybody saw it must still be seen, hence [`State::ReturnedUnacknowledged`]. The
//! three ways of silencing stay apart: a person shelves, always for a time; logic suppresses by design; maintenance takes
//! out of service. The condition underneath goes on being judged in each of them. Where a person shelves what logic
//! suppresses, the person's wish is the state and the logic's is remembered ([`Context::suppressed`]).

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
    /// No longer wrong and seen, but somebody must reset it.
    Latched,
    /// Silenced by a person for a time.
    Shelved,
    /// Silenced by logic: its cause has an alarm of its own, or the work under way explains it.
    SuppressedByDesign,
    /// Silenced for maintenance.
    OutOfService,
}

impl State {
    /// Every state.
    pub const ALL: &'static [Self] = &[
        Self::Normal,
        Self::Unacknowledged,
        Self::Acknowledged,
        Self::ReturnedUnacknowledged,
        Self::Latched,
        Self::Shelved,
        Self::SuppressedByDesign,
        Self::OutOfService,
    ];

    /// The standard's short name, as stored and written out; `LATCH` is ours.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Normal => "NORM",
            Self::Unacknowledged => "UNACK",
            Self::Acknowledged => "ACKED",
            Self::ReturnedUnacknowledged => "RTNUN",
            Self::Latched => "LATCH",
            Self::Shelved => "SHLVD",
            Self::SuppressedByDesign => "DSUPR",
            Self::OutOfService => "OOSRV",
        }
    }

    /// The state of a short name.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|state| state.word() == word)
    }

    /// Whether somebody is to see it: the alarm stands, or stood and nobody has said that they saw it, or waits for a reset.
    pub const fn stands(self) -> bool {
        match self {
            Self::Unacknowledged | Self::Acknowledged | Self::ReturnedUnacknowledged | Self::Latched => true,
            Self::Normal | Self::Shelved | Self::SuppressedByDesign | Self::OutOfService => false,
        }
    }

    /// Whether somebody or something has silenced it.
    pub const fn is_silenced(self) -> bool {
        match self {
            Self::Shelved | Self::SuppressedByDesign | Self::OutOfService => true,
            Self::Normal
            | Self::Unacknowledged
            | Self::Acknowledged
            | Self::ReturnedUnacknowledged
            | Self::Latched => false,
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
    /// It has stood acknowledged for so long that somebody must hear again.
    ReAlarm,
    /// A person resets a latched alarm.
    Reset,
    /// A person silences it for a time; where that is so already, for another time.
    Shelve,
    /// A person ends that, or its time is up.
    Unshelve,
    /// Logic silences it.
    Suppress,
    /// Logic ends that.
    Unsuppress,
    /// Maintenance takes it out of service.
    Remove,
    /// Maintenance puts it back.
    Return,
}

impl Stimulus {
    /// Every stimulus.
    pub const ALL: &'static [Self] = &[
        Self::ConditionTrue,
        Self::ConditionFalse,
        Self::Acknowledge,
        Self::ReAlarm,
        Self::Reset,
        Self::Shelve,
        Self::Unshelve,
        Self::Suppress,
        Self::Unsuppress,
        Self::Remove,
        Self::Return,
    ];
}

/// What else decides.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Context {
    /// The condition holds, its delays behind it.
    pub active: bool,
    /// A person must reset it after it has returned.
    pub latching: bool,
    /// Logic asks for silence now, whatever the state is.
    pub suppressed: bool,
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
pub const fn transition(state: State, stimulus: Stimulus, context: Context) -> (State, Effect) {
    use State::{
        Acknowledged, Latched, Normal, OutOfService, ReturnedUnacknowledged, Shelved, SuppressedByDesign,
        Unacknowledged,
    };
    match (state, stimulus) {
        (Normal | ReturnedUnacknowledged | Latched, Stimulus::ConditionTrue) => {
            (Unacknowledged, Effect::Annunciate)
        }
        (Unacknowledged, Stimulus::ConditionFalse) => (ReturnedUnacknowledged, Effect::Journal),
        (Acknowledged, Stimulus::ConditionFalse) | (ReturnedUnacknowledged, Stimulus::Acknowledge) => {
            (if context.latching { Latched } else { Normal }, Effect::Journal)
        }
        (Unacknowledged, Stimulus::Acknowledge) => (Acknowledged, Effect::Journal),
        (Acknowledged, Stimulus::ReAlarm) => (Unacknowledged, Effect::Annunciate),
        (Latched, Stimulus::Reset) => (Normal, Effect::Journal),

        // Shelving what is shelved gives it another end, which the journal has to say.
        (
            Normal | Unacknowledged | Acknowledged | ReturnedUnacknowledged | Latched | Shelved
            | SuppressedByDesign,
            Stimulus::Shelve,
        ) => (Shelved, Effect::Journal),
        (
            Normal | Unacknowledged | Acknowledged | ReturnedUnacknowledged | Latched,
            Stimulus::Suppress,
        ) => (SuppressedByDesign, Effect::Journal),
        (
            Normal | Unacknowledged | Acknowledged | ReturnedUnacknowledged | Latched | Shelved
            | SuppressedByDesign,
            Stimulus::Remove,
        ) => (OutOfService, Effect::Journal),
        (Shelved, Stimulus::Unshelve) | (OutOfService, Stimulus::Return) => {
            if context.suppressed { (SuppressedByDesign, Effect::Journal) } else { resumed(context) }
        }
        (SuppressedByDesign, Stimulus::Unsuppress) => resumed(context),

        // ISA-18.2: acknowledging what is normal or already acknowledged changes nothing.
        (
            Normal | Acknowledged | Latched | Shelved | SuppressedByDesign | OutOfService,
            Stimulus::Acknowledge,
        )
        // Already so.
        | (Unacknowledged | Acknowledged, Stimulus::ConditionTrue)
        | (Normal | ReturnedUnacknowledged | Latched, Stimulus::ConditionFalse)
        // Silenced: the condition is judged, and counts once the silence ends.
        | (
            Shelved | SuppressedByDesign | OutOfService,
            Stimulus::ConditionTrue | Stimulus::ConditionFalse | Stimulus::Suppress,
        )
        // Only what stands acknowledged comes up again by itself.
        | (
            Normal | Unacknowledged | ReturnedUnacknowledged | Latched | Shelved | SuppressedByDesign
            | OutOfService,
            Stimulus::ReAlarm,
        )
        | (
            Normal | Unacknowledged | Acknowledged | ReturnedUnacknowledged | Shelved | SuppressedByDesign
            | OutOfService,
            Stimulus::Reset,
        )
        | (
            Normal | Unacknowledged | Acknowledged | ReturnedUnacknowledged | Latched | SuppressedByDesign
            | OutOfService,
            Stimulus::Unshelve,
        )
        | (
            Normal | Unacknowledged | Acknowledged | ReturnedUnacknowledged | Latched | Shelved | OutOfService,
            Stimulus::Unsuppress,
        )
        | (
            Normal | Unacknowledged | Acknowledged | ReturnedUnacknowledged | Latched | Shelved
            | SuppressedByDesign,
            Stimulus::Return,
        )
        // Maintenance comes before a shelf.
        | (OutOfService, Stimulus::Shelve | Stimulus::Remove) => (state, Effect::None),
    }
}

/// Where an alarm stands once no silence is left.
const fn resumed(context: Context) -> (State, Effect) {
    if context.active {
        (State::Unacknowledged, Effect::Annunciate)
    } else {
        (State::Normal, Effect::Journal)
    }
}
