//! What an alarm is on, and whether its condition holds for what was seen.

use std::time::Duration;

use crate::estimate::settings::{EstimateKind, SumpSettings};
use crate::model::{DeviceStatus, Reason, Severity, SumpIndex};
use crate::signal::settings::ProbeSettings;

use super::condition::Condition;
use super::notice::Facts;
use super::one::Seen;
use super::settings::{
    AlarmSettings, ConditionSettings, FaultKey, FaultSettings, Habits, InstrumentSettings, LimitSettings,
    Priority, Side, Subject, Terms,
};

/// What an alarm is about.
#[derive(Clone, PartialEq, Debug)]
pub enum Definition {
    /// A limit on a measurement or an estimate.
    Limit(LimitSettings),
    /// A probe that gives nothing usable.
    Instrument(InstrumentSettings),
    /// Something worked out about a sump.
    Condition(ConditionSettings),
    /// A fault of the gateway, its lines or its peers.
    Fault(FaultSettings),
}

/// A forecast ends the alarm only when it lies this much further off, so that it does not come and go with every estimate
/// (common practice, no source).
const DAYS_BACK: f64 = 1.25;

/// A forecast counts once the far end of its 90 % interval lies within this many times its days (common practice, no source).
const DAYS_KNOWN: f64 = 4.0;

/// A probability ends the alarm only when it has come down by this much.
const PROBABILITY_BACK: f64 = 0.1;

impl Definition {
    pub(super) fn all(settings: &AlarmSettings) -> impl Iterator<Item = Self> {
        let AlarmSettings { limits, instruments, conditions, faults } = settings;
        (limits.iter().cloned().map(Self::Limit))
            .chain(instruments.iter().cloned().map(Self::Instrument))
            .chain(conditions.iter().cloned().map(Self::Condition))
            .chain(faults.iter().cloned().map(Self::Fault))
    }

    /// Priority.
    pub fn priority(&self) -> Priority {
        match self {
            Self::Limit(limit) => limit.priority,
            Self::Instrument(instrument) => instrument.priority,
            Self::Condition(condition) => condition.priority,
            Self::Fault(fault) => fault.priority,
        }
    }

    /// The sump it is on where that does not need its probe.
    pub(super) fn sump(&self) -> Option<SumpIndex> {
        match self {
            Self::Limit(limit) => Some(limit.sump),
            Self::Condition(condition) => Some(condition.sump),
            Self::Instrument(_) | Self::Fault(_) => None,
        }
    }

    /// The sump it is on; none for the gateway's own.
    pub fn sump_among(&self, probes: &[ProbeSettings]) -> Option<SumpIndex> {
        match self {
            Self::Instrument(instrument) => Some(probes[instrument.probe.slot()].sump),
            Self::Limit(_) | Self::Condition(_) | Self::Fault(_) => self.sump(),
        }
    }

    /// Name within its sump, or within the gateway: `ph-low`, `instrument/ph`, `bus/hall`.
    pub fn name(&self, probes: &[ProbeSettings]) -> String {
        match self {
            Self::Limit(limit) => limit.name.clone(),
            Self::Instrument(instrument) => format!("instrument/{}", probes[instrument.probe.slot()].name),
            Self::Condition(condition) => condition.condition.word().to_owned(),
            Self::Fault(fault) => fault.key.name(),
        }
    }

    pub(super) fn key(&self, probes: &[ProbeSettings], sumps: &[SumpSettings]) -> String {
        let whose = self.sump_among(probes).map_or("gateway", |sump| sumps[sump.slot()].name.as_str());
        format!("{whose}/{}", self.name(probes))
    }

    pub(super) fn delays(&self) -> (Duration, Duration) {
        match self {
            Self::Limit(limit) => (limit.on_delay, limit.off_delay),
            Self::Instrument(instrument) => (instrument.on_delay, instrument.off_delay),
            Self::Condition(condition) => (condition.on_delay, condition.off_delay),
            Self::Fault(fault) => (fault.on_delay, fault.off_delay),
        }
    }

    pub(super) fn habits(&self) -> Habits {
        match self {
            Self::Limit(limit) => limit.habits,
            Self::Condition(condition) => condition.habits,
            Self::Instrument(_) | Self::Fault(_) => Habits::default(),
        }
    }

    /// Faults that explain it.
    pub(super) fn behind(&self) -> &[FaultKey] {
        match self {
            Self::Instrument(instrument) => &instrument.behind,
            Self::Fault(fault) => &fault.behind,
            Self::Limit(_) | Self::Condition(_) => &[],
        }
    }

    /// Whether it rests on what is estimated, rather than on what is measured, noted or found wrong.
    pub(super) fn is_on_estimates(&self) -> bool {
        match self {
            Self::Limit(limit) => matches!(limit.subject, Subject::Estimate(_)),
            Self::Condition(of) => {
                !matches!(of.condition, Condition::CheckOverdue | Condition::CalibrationOverdue)
            }
            Self::Instrument(_) | Self::Fault(_) => false,
        }
    }

    /// Whether the condition holds for what was seen, given whether it held so far; `None` if this cannot tell.
    pub(super) fn judge(&self, held: bool, seen: &Seen) -> Option<bool> {
        match self {
            // Somebody works on it: that is no fault of the probe, and does not end one.
            Self::Instrument(_) if seen.quality.device == DeviceStatus::FunctionCheck => None,
            // Another box asks it.
            Self::Instrument(_) if seen.quality.reason == Reason::StandingBy => None,
            Self::Instrument(_) => Some(seen.quality.severity() == Severity::Bad),
            Self::Limit(limit) => judge_limit(limit, held, seen),
            // Told, not seen.
            Self::Condition(_) | Self::Fault(_) => None,
        }
    }

    /// What there is to say about it.
    pub fn facts(&self, probes: &[ProbeSettings], seen: &Seen) -> Facts {
        match self {
            Self::Limit(limit) => {
                let (quantity, estimate) = match limit.subject {
                    Subject::Probe(probe) => (probes[probe.slot()].quantity, None),
                    Subject::Estimate(kind) => (kind.quantity(), Some(EstimateKind::word(kind).to_owned())),
                };
                Facts::Limit {
                    quantity: quantity.word().to_owned(),
                    estimate,
                    side: limit.side,
                    setpoint: limit.setpoint,
                    value: seen.value,
                    interval: seen.interval,
                    probability: match limit.terms {
                        Terms::Probability(_) => probability_past(limit, limit.setpoint, seen),
                        Terms::Value | Terms::WithinDays(_) => None,
                    },
                    ahead_days: seen.ahead_days,
                }
            }
            Self::Instrument(instrument) => Facts::Probe {
                probe: probes[instrument.probe.slot()].name.to_string(),
                reason: seen.quality.reason.text().to_owned(),
            },
            Self::Condition(condition) => Facts::Condition {
                condition: condition.condition.word().to_owned(),
                value: seen.value,
                detail: seen.detail.clone(),
            },
            Self::Fault(fault) => Facts::Fault {
                fault: fault.key.fault.word().to_owned(),
                of: fault.key.of.clone(),
                detail: seen.detail.clone(),
            },
        }
    }
}

fn judge_limit(limit: &LimitSettings, held: bool, seen: &Seen) -> Option<bool> {
    let back = if held { limit.deadband } else { 0.0 };
    let setpoint = match limit.side {
        Side::High => limit.setpoint - back,
        Side::Low => limit.setpoint + back,
    };
    match limit.terms {
        Terms::Value => {
            let value = seen.value?;
            Some(match limit.side {
                Side::High => value >= setpoint,
                Side::Low => value <= setpoint,
            })
        }
        Terms::Probability(asked) => {
            let asked = if held { (asked - PROBABILITY_BACK).max(0.5 * asked) } else { asked };
            Some(probability_past(limit, setpoint, seen)? >= asked)
        }
        Terms::WithinDays(days) => {
            let (by_means, _, high90) = seen.ahead_days?;
            // Where nobody knows whether it comes at all, nothing is foretold.
            let known = held || high90 <= days * DAYS_KNOWN;
            Some(known && by_means <= if held { days * DAYS_BACK } else { days })
        }
    }
}

/// How probable it is that an estimate lies at or past `setpoint`: its 90 % interval taken as that of a normal
/// distribution, each side with its own width.
fn probability_past(limit: &LimitSettings, setpoint: f64, seen: &Seen) -> Option<f64> {
    /// Half a 90 % interval in standard deviations.
    const Z90: f64 = 1.644_853_626_951_472_7;
    let (value, (low, high)) = (seen.value?, seen.interval?);
    let reach = if setpoint >= value { high - value } else { value - low };
    let over = if reach > 0.0 {
        let z = (setpoint - value) / (reach / Z90);
        0.5 * libm::erfc(z / std::f64::consts::SQRT_2)
    } else if value >= setpoint {
        1.0
    } else {
        0.0
    };
    Some(match limit.side {
        Side::High => over,
        Side::Low => 1.0 - over,
    })
}
