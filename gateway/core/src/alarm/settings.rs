//! What alarming is told by the checked configuration.

use std::time::Duration;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::condition::{Condition, Fault};
use crate::estimate::settings::EstimateKind;
use crate::model::{ProbeIndex, SumpIndex};

/// One limit on one value.
#[derive(Clone, PartialEq, Debug)]
pub struct LimitSettings {
    /// Name within its sump: `ph-low`, `concentration-high`.
    pub name: String,
    /// Whose.
    pub sump: SumpIndex,
    /// On what.
    pub subject: Subject,
    /// Which side.
    pub side: Side,
    /// Limit in the unit of the subject's quantity. At or beyond it the condition holds.
    pub setpoint: f64,
    /// How far the value must come back before the condition ends.
    pub deadband: f64,
    /// How long the condition must hold.
    pub on_delay: Duration,
    /// How long it must have ended.
    pub off_delay: Duration,
    /// Consequence and time to respond.
    pub priority: Priority,
    /// What more it asks for.
    pub terms: Terms,
    /// What it does once it stands.
    pub habits: Habits,
    /// Where the figure comes from, where the shop has not set it.
    pub source: Option<&'static str>,
}

/// What a limit on an estimate asks for before its condition holds.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub enum Terms {
    /// The value at or past the setpoint.
    #[default]
    Value,
    /// So probable that it is, 0 to 1.
    Probability(f64),
    /// The setpoint reached within so many days, as things go.
    WithinDays(f64),
}

/// What an alarm does once it stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Habits {
    /// Somebody must reset it after it has returned.
    pub latching: bool,
    /// It is annunciated anew when it has stood acknowledged for this long.
    pub realarm_after: Option<Duration>,
}

/// What a limit watches.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Subject {
    /// A measured value.
    Probe(ProbeIndex),
    /// An estimate of the sump the limit belongs to.
    Estimate(EstimateKind),
}

/// Side of a limit.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Too low at or under the setpoint.
    Low,
    /// Too high at or over the setpoint.
    High,
}

/// Priority, by consequence and time to respond (ISA-18.2 clause on rationalization).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Within a week.
    Low,
    /// Within the day.
    Medium,
    /// Now.
    High,
}

impl Priority {
    /// Every priority.
    pub const ALL: &'static [Self] = &[Self::Low, Self::Medium, Self::High];

    /// The priority of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|priority| priority.word() == word)
    }

    /// Stable word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
        }
    }
}

/// An instrument alarm on a probe: bad quality for longer than this.
#[derive(Clone, PartialEq, Debug)]
pub struct InstrumentSettings {
    /// Which probe.
    pub probe: ProbeIndex,
    /// How long the value must have been bad.
    pub on_delay: Duration,
    /// How long it must have been usable again.
    pub off_delay: Duration,
    /// Priority.
    pub priority: Priority,
    /// Faults that explain it, nearest first: its device, its bus or broker.
    pub behind: Vec<FaultKey>,
}

/// A fault by what it is about.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct FaultKey {
    /// What is wrong.
    pub fault: Fault,
    /// With which bus, device, broker, database, receiver or task; empty for the gateway itself, its store and its clock.
    pub of: String,
}

impl FaultKey {
    /// That the gateway, or its one store or clock, has this fault.
    pub const fn own(fault: Fault) -> Self {
        Self { fault, of: String::new() }
    }

    /// That a task of the gateway has crashed, by its kind and, where there are several of a kind, its name.
    pub fn task(kind: &str, name: Option<&str>) -> Self {
        let of = name.map_or_else(|| kind.to_owned(), |name| format!("{kind}/{name}"));
        Self { fault: Fault::Task, of }
    }

    /// Name of its alarm: `bus/hall`, `store`.
    pub fn name(&self) -> String {
        if self.of.is_empty() {
            self.fault.word().to_owned()
        } else {
            format!("{}/{}", self.fault.word(), self.of)
        }
    }
}

/// An alarm on a fault of the gateway, its lines or its peers.
#[derive(Clone, PartialEq, Debug)]
pub struct FaultSettings {
    /// Of what.
    pub key: FaultKey,
    /// How long it must have lasted.
    pub on_delay: Duration,
    /// How long it must be over.
    pub off_delay: Duration,
    /// Priority.
    pub priority: Priority,
    /// Probes that are all silent where it holds; empty where only the gateway can say so.
    pub silent: Vec<ProbeIndex>,
    /// Faults that explain it.
    pub behind: Vec<FaultKey>,
}

/// An alarm on something worked out about a sump.
#[derive(Clone, PartialEq, Debug)]
pub struct ConditionSettings {
    /// Whose.
    pub sump: SumpIndex,
    /// What.
    pub condition: Condition,
    /// How long it must hold.
    pub on_delay: Duration,
    /// How long it must have ended.
    pub off_delay: Duration,
    /// Priority.
    pub priority: Priority,
    /// What it does once it stands.
    pub habits: Habits,
}

impl ConditionSettings {
    /// The default alarm on `condition` of `sump`. What is worked out moves slowly and has been smoothed already: it needs no
    /// delay, but for the run-over, which a wave could fake (five minutes: common practice, no source).
    pub fn default_for(sump: SumpIndex, condition: Condition) -> Self {
        let delay = if condition == Condition::WouldOverflow { 5 * MINUTE } else { Duration::ZERO };
        Self {
            sump,
            condition,
            on_delay: delay,
            off_delay: delay,
            priority: condition.priority(),
            habits: Habits::default(),
        }
    }
}

/// Every alarm of the shop.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct AlarmSettings {
    /// Limits of all sumps.
    pub limits: Vec<LimitSettings>,
    /// Instrument alarms, one a probe.
    pub instruments: Vec<InstrumentSettings>,
    /// What is worked out.
    pub conditions: Vec<ConditionSettings>,
    /// Faults of the gateway, its lines and its peers.
    pub faults: Vec<FaultSettings>,
}

const MINUTE: Duration = Duration::from_secs(60);
