//! Limits on measured values and estimates.

use std::collections::BTreeMap;
use std::time::Duration;

use sumpwarden_core::alarm::settings::{LimitSettings, Priority, Side, Subject};
use sumpwarden_core::estimate::settings::EstimateKind;
use sumpwarden_core::model::{ProbeIndex, Quantity, SumpIndex};

use super::super::file::{Limit, Sump};
use super::super::nearest::did_you_mean;
use super::super::reader::shortened;
use super::notes::{At, Notes, number};
use super::probe::{possible, priority, width};
use super::sump::Checked;

/// What a limit needs to know of a probe.
pub(super) struct ProbeFacts {
    pub(super) index: ProbeIndex,
    pub(super) quantity: Quantity,
    pub(super) range: Option<(f64, f64)>,
}

/// What a limit watches, and between which values it can lie.
struct Watched {
    subject: Subject,
    quantity: Quantity,
    range: (f64, f64),
    /// Whose range that is.
    whose: String,
    /// The range is known well enough to take shares of it.
    known: bool,
}

const DELAY_MAX: Duration = Duration::from_secs(7 * 86_400);

pub(super) fn limits(
    notes: &mut Notes<'_>,
    at: &At,
    table: &Sump,
    sump: SumpIndex,
    probes: &BTreeMap<&str, ProbeFacts>,
    checked: Option<&Checked>,
) -> Vec<LimitSettings> {
    let at = at.key("limit");
    let mut limits: Vec<LimitSettings> = Vec::new();
    for (key, written) in &table.limit {
        let here = at.key(key);
        let Some(limit) = limit(notes, &here, key, written, sump, table, probes, checked) else { continue };
        note_crossed(notes, &at, &limit, &limits);
        limits.push(limit);
    }
    limits
}

/// A low limit at or above a high one of the same value leaves no normal value.
fn note_crossed(notes: &mut Notes<'_>, at: &At, limit: &LimitSettings, others: &[LimitSettings]) {
    let crossed = others.iter().find(|other| {
        let apart = match (limit.side, other.side) {
            (Side::Low, Side::High) => limit.setpoint < other.setpoint,
            (Side::High, Side::Low) => limit.setpoint > other.setpoint,
            (Side::Low, Side::Low) | (Side::High, Side::High) => true,
        };
        other.subject == limit.subject && !apart
    });
    if let Some(other) = crossed {
        let what = format!(
            "the low limit lies at or above the high limit \"{}\": one of them always holds",
            other.name
        );
        notes.clash(
            &at.key(&limit.name),
            what,
            "put the low one below the high one",
            (&at.key(&other.name), "the other one"),
        );
    }
}

#[expect(clippy::too_many_arguments, reason = "one table against the sump it stands in")]
fn limit(
    notes: &mut Notes<'_>,
    at: &At,
    key: &str,
    written: &Limit,
    sump: SumpIndex,
    table: &Sump,
    probes: &BTreeMap<&str, ProbeFacts>,
    checked: Option<&Checked>,
) -> Option<LimitSettings> {
    let of = notes.require(at, "of", written.of.as_deref(), "\"ph\", a probe of the sump or an estimate");
    let watched = of.and_then(|of| watched(notes, &at.key("of"), of, table, probes, checked));
    let (side, side_key, measure) = match (&written.low, &written.high) {
        (Some(low), None) => (Side::Low, "low", low),
        (None, Some(high)) => (Side::High, "high", high),
        (Some(_), Some(_)) => {
            let other = (&at.key("low"), "also here");
            notes.clash(
                &at.key("high"),
                "one limit has one side",
                "make it two tables: one with low, one with high",
                other,
            );
            return None;
        }
        (None, None) => {
            if !notes.doubtful(&at.key("high")) {
                notes.require(at, "low", None::<()>, "8.6, or a high")?;
            }
            return None;
        }
    };
    let watched = watched?;
    let (on_delay, off_delay) = delays(notes, at, written, watched.quantity);
    let setpoint_at = at.key(side_key);
    let setpoint = notes.in_unit(&setpoint_at, measure, watched.quantity.unit(), true)?;
    let unit = watched.quantity.unit().ucum();
    let (least, most) = watched.range;
    if setpoint <= least && side == Side::Low
        || setpoint >= most && side == Side::High
        || !(least..=most).contains(&setpoint)
    {
        let what =
            format!("the limit at {} {unit} lies outside what {} can show", number(setpoint), watched.whose);
        let cure = format!("put it between {} and {} {unit}", number(least), number(most));
        notes.wrong(&setpoint_at, what, cure);
        return None;
    }
    let deadband = match &written.deadband {
        Some(measure) => width(notes, &at.key("deadband"), measure, watched.quantity)?,
        None => default_deadband(&watched, setpoint),
    };
    let back = match side {
        Side::Low => setpoint + deadband,
        Side::High => setpoint - deadband,
    };
    if written.deadband.is_some() && !(least..=most).contains(&back) {
        let what = format!("with this deadband the alarm would end only at {} {unit}", number(back));
        let cure =
            format!("choose a deadband that ends it between {} and {} {unit}", number(least), number(most));
        notes.clash(&at.key("deadband"), what, cure, (&setpoint_at, "the limit"));
    }
    if deadband == 0.0 {
        let cure = "write how far the value must come back, as in deadband = 0.1";
        notes.warn(&at.key("deadband"), "without a deadband the alarm chatters on noise", cure);
    }
    let priority = written.priority.map_or(Priority::Medium, priority);
    let name = key.to_owned();
    Some(LimitSettings {
        name,
        sump,
        subject: watched.subject,
        side,
        setpoint,
        deadband,
        on_delay,
        off_delay,
        priority,
    })
}

fn watched(
    notes: &mut Notes<'_>,
    at: &At,
    of: &str,
    table: &Sump,
    probes: &BTreeMap<&str, ProbeFacts>,
    checked: Option<&Checked>,
) -> Option<Watched> {
    if let Some(probe) = probes.get(of) {
        let mut range = probe.range.unwrap_or(possible(probe.quantity));
        let mut whose = format!("the probe \"{of}\"");
        if let (Quantity::Level, Some(checked)) = (probe.quantity, checked)
            && checked.tank.height_mm() <= range.1
        {
            range.1 = checked.tank.height_mm();
            "the tank".clone_into(&mut whose);
        }
        let (subject, quantity, known) = (Subject::Probe(probe.index), probe.quantity, probe.range.is_some());
        return Some(Watched { subject, quantity, range, whose, known });
    }
    if table.probe.contains_key(of) {
        // The probe has a mistake of its own.
        return None;
    }
    // An estimate by its stable word, the unit at its end left away or not.
    let short = |kind: &EstimateKind| {
        kind.word().strip_prefix(of).is_some_and(|rest| rest.is_empty() || rest.starts_with('_'))
    };
    if let Some(kind) = EstimateKind::ALL.iter().copied().find(short) {
        let quantity = kind.quantity();
        let whose = format!("the estimate {}", kind.word());
        return Some(Watched {
            subject: Subject::Estimate(kind),
            quantity,
            range: possible(quantity),
            whose,
            known: false,
        });
    }
    let words =
        table.probe.keys().map(String::as_str).chain(EstimateKind::ALL.iter().map(|kind| kind.word()));
    let words: Vec<&str> = words.collect();
    let cure = format!("{}there is: {}", did_you_mean(of, words.iter().copied()), words.join(", "));
    if !notes.doubtful(at) {
        notes.wrong(at, format!("the sump has no probe and no estimate \"{}\"", shortened(of)), cure);
    }
    None
}

/// On-delay and off-delay. Starting values by signal type: flow 15 s, level and temperature 60 s (ISA-18.2 / EEMUA 191,
/// from memory); the rest moves no faster than those.
fn delays(notes: &mut Notes<'_>, at: &At, written: &Limit, quantity: Quantity) -> (Duration, Duration) {
    let default = Duration::from_secs(if quantity == Quantity::Flow { 15 } else { 60 });
    let range = (Duration::ZERO, DELAY_MAX);
    (
        notes.time(at, "on_delay", written.on_delay, default, range),
        notes.time(at, "off_delay", written.off_delay, default, range),
    )
}

/// Deadband where none is written. Starting values by signal type, in percent of the operating range: flow and level 5,
/// temperature 1 (ISA-18.2 / EEMUA 191, from memory). pH and concentration: about the repeatability of a shop
/// instrument; conductivity, volume and hardness 5 % of the limit: common practice, no source.
fn default_deadband(watched: &Watched, setpoint: f64) -> f64 {
    let span = watched.range.1 - watched.range.0;
    let share =
        |percent: f64| if watched.known { span * percent / 100.0 } else { setpoint.abs() * percent / 100.0 };
    match watched.quantity {
        Quantity::Flow | Quantity::Level => share(5.0),
        Quantity::Temperature => share(1.0).max(1.0),
        Quantity::Ph => 0.1,
        Quantity::Concentration => 0.3,
        Quantity::Conductivity | Quantity::Volume | Quantity::Hardness | Quantity::Loss => {
            setpoint.abs() * 0.05
        }
        Quantity::FlowTotal => 1.0,
        Quantity::PumpRunning => 0.5,
    }
}
