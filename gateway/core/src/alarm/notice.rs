//! What somebody may have to hear of an alarm, as data. It is put into words by [`super::wording`] only where the reader's
//! units, time zone and language are known; until then it lies in the store, so its shape is stable.

use serde::{Deserialize, Serialize};

use super::settings::{Priority, Side};
use crate::model::Timestamp;

/// One change of one alarm.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Notice {
    /// Which alarm: `lathe-1/ph-low`, `lathe-1/instrument/ph`, `gateway/bus/hall`.
    pub alarm: String,
    /// Which time it came up, from 1. With the site and the alarm it is the key that receivers know the occurrence by.
    pub occurrence: u64,
    /// Which change of that occurrence, from 1 (the raising).
    pub sequence: u32,
    /// What changed.
    pub change: Change,
    /// When, nanoseconds since 1970.
    pub at_ns: i64,
    /// Consequence and time to respond.
    pub priority: Priority,
    /// Sump by its name in the configuration; none for the gateway itself.
    pub sump: Option<String>,
    /// What people call the sump, or the gateway's site. Untrusted text.
    pub title: String,
    /// Who did it, for what people do. Untrusted text.
    pub by: Option<String>,
    /// Why, as that person said. Untrusted text.
    pub why: Option<String>,
    /// What it is about.
    pub facts: Facts,
}

impl Notice {
    /// When.
    pub const fn at(&self) -> Timestamp {
        Timestamp::from_nanos(self.at_ns)
    }
}

/// What changed.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// It came up, or came up again before anybody saw it: somebody must hear.
    Raised,
    /// Somebody has seen it.
    Acknowledged,
    /// The condition has ended; nobody has said that they saw it.
    Returned,
    /// Over and done with: back to normal and seen, or reset.
    Ended,
    /// Shelved, suppressed by design or taken out of service while it stood: nobody need act on it now.
    Withheld,
}

/// What an alarm is about.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "about", rename_all = "kebab-case")]
pub enum Facts {
    /// A limit on a measured value or an estimate.
    Limit {
        /// Word of the quantity.
        quantity: String,
        /// Word of the estimate; none for a measured value.
        estimate: Option<String>,
        /// Which side.
        side: Side,
        /// The limit, in the quantity's own unit.
        setpoint: f64,
        /// What was seen, if it is known now.
        value: Option<f64>,
        /// 90 % interval of an estimate.
        interval: Option<(f64, f64)>,
        /// How probable it is that the limit is passed, where the limit asks for a probability.
        probability: Option<f64>,
        /// Days until the limit is reached, by the means and the ends of the 90 % interval, where it looks ahead.
        #[serde(default, deserialize_with = "days_or_never")]
        ahead_days: Option<(f64, f64, f64)>,
    },
    /// A probe that gives nothing usable.
    Probe {
        /// Its name.
        probe: String,
        /// Why, in words.
        reason: String,
    },
    /// Something worked out or due, by the stable word of its condition.
    Condition {
        /// Word of the condition.
        condition: String,
        /// The number behind it.
        value: Option<f64>,
        /// What else there is to say. Untrusted text.
        detail: String,
    },
    /// A fault of the gateway, its lines or its peers.
    Fault {
        /// Word of the fault.
        fault: String,
        /// Name of what it is about.
        of: String,
        /// As the gateway saw it. Untrusted text.
        detail: String,
    },
}

/// JSON has no infinity: what is never reached is written as null.
fn days_or_never<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<(f64, f64, f64)>, D::Error> {
    let read = Option::<[Option<f64>; 3]>::deserialize(from)?;
    Ok(read.map(|days| days.map(|days| days.unwrap_or(f64::INFINITY)).into()))
}
