//! What alarming is told by the checked configuration.

use std::time::Duration;

use serde::{Deserialize, Serialize};

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
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
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
}
