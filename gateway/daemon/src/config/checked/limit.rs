//! Limits on measured values and estimates.

mod defaults;

use std::collections::BTreeMap;
use std::time::Duration;

use sumpwarden_core::alarm::condition::Condition;
use sumpwarden_core::alarm::settings::{Habits, LimitSettings, Priority, Side, Subject, Terms};
use sumpwarden_core::estimate::settings::EstimateKind;
use sumpwarden_core::model::{ProbeIndex, Quantity, SumpIndex};

use super::super::file::{Limit, Sump, Switch};
use super::super::nearest::did_you_mean;
use super::super::quantity::Lasting;
use super::super::reader::shortened;
use super::notes::{At, Notes, number};
use super::probe::{possible, priority, width};
use super::sump::Checked;
use defaults::{default_limits, note_switch, replaces};

/// What a limit needs to know of a probe.
pub(super) struct ProbeFacts {
    pub(super) index: ProbeIndex,
    pub(super) quantity: Quantity,
    pub(super) range: Option<(f64, f64)>,
    pub(super) period: Duration,
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
    /// How often it is seen.
    period: Duration,
}

pub(super) const DELAY_MAX: Duration = Duration::from_secs(7 * 86_400);

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
        if Condition::from_word(key).is_some() {
            let what = format!("\"{key}\" is the name of an alarm on what is worked out");
            notes.wrong(&here, what, "give the limit another name");
        }
        let Switch::Table(written) = written else {
            note_switch(notes, &here, written);
            continue;
        };
        let Some(limit) = limit(notes, &here, key, written, sump, table, probes, checked) else { continue };
        note_crossed(notes, &at, &limit, &limits);
        limits.push(limit);
    }
    let defaults = checked.map(|checked| default_limits(sump, table, probes, checked)).unwrap_or_default();
    // A default that a limit of the shop's own crosses would always hold: the shop knows better.
    let wanted = defaults.into_iter().filter(|default| {
        !table.limit.contains_key(&default.name) && !limits.iter().any(|limit| replaces(limit, default))
    });
    let wanted: Vec<_> = wanted.collect();
    for default in &wanted {
        notes.default(&at, &default.name, false, true);
    }
    limits.extend(wanted);
    limits
}

/// Starting values by signal type: flow 15 s, level and temperature 60 s (ISA-18.2 / EEMUA 191, from memory); the rest moves
/// no faster than those. Three readings at least, so that one that is off alarms nobody.
fn default_delay(watched: &Watched) -> Duration {
    let by_signal = Duration::from_secs(if watched.quantity == Quantity::Flow { 15 } else { 60 });
    by_signal.max(3 * watched.period)
}

/// Estimates follow hourly medians: three of these are half an hour.
const ESTIMATED_EVERY: Duration = Duration::from_secs(600);

/// Whether two limits on different sides leave no normal value.
fn crossed(a: &LimitSettings, b: &LimitSettings) -> bool {
    match a.side {
        Side::Low => a.setpoint >= b.setpoint,
        Side::High => a.setpoint <= b.setpoint,
    }
}

/// A low limit at or above a high one of the same value leaves no normal value.
fn note_crossed(notes: &mut Notes<'_>, at: &At, limit: &LimitSettings, others: &[LimitSettings]) {
    let crossed = others
        .iter()
        .find(|other| other.subject == limit.subject && other.side != limit.side && crossed(limit, other));
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
    let (on_delay, off_delay) = delays(notes, at, written, &watched);
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
    note_below_pump(notes, &setpoint_at, side, setpoint, &watched, checked);
    let deadband = match &written.deadband {
        Some(measure) => width(notes, &at.key("deadband"), measure, watched.quantity)?,
        None => {
            let deadband = default_deadband(&watched, setpoint);
            notes.default(at, "deadband", false, number(deadband));
            deadband
        }
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
    notes.default(at, "priority", written.priority.is_some(), "\"medium\"");
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
        terms: terms(notes, at, written, &watched),
        habits: habits(notes, at, written.latching, written.realarm_after),
        source: None,
    })
}

/// A warning of a low level that comes when the pump draws air already.
fn note_below_pump(
    notes: &mut Notes<'_>,
    at: &At,
    side: Side,
    setpoint: f64,
    watched: &Watched,
    checked: Option<&Checked>,
) {
    let minimum = checked.and_then(|checked| checked.settings.pump_minimum_mm);
    if let (Quantity::Level, Side::Low, Some(minimum)) = (watched.quantity, side, minimum)
        && setpoint < minimum
    {
        let what = format!(
            "at {} mm the alarm comes when the pump, which needs {} mm, draws air already",
            number(setpoint),
            number(minimum)
        );
        let sump = At(at.0[..2].to_vec());
        let other = (&sump.key("pump_minimum"), "the pump's minimum");
        notes.warn_clash(at, what, "put the limit above the pump's minimum", other);
    }
}

/// What a limit asks for beyond the value.
fn terms(notes: &mut Notes<'_>, at: &At, written: &Limit, watched: &Watched) -> Terms {
    let estimate = match watched.subject {
        Subject::Probe(_) => None,
        Subject::Estimate(kind) => Some(kind),
    };
    let ahead = matches!(estimate, Some(EstimateKind::Concentration | EstimateKind::Hardness));
    match (written.probability_percent, written.within_days) {
        (None, None) => Terms::Value,
        (Some(_), Some(_)) => {
            let what = "a limit asks for a probability now or looks ahead, not both";
            let other = (&at.key("probability_percent"), "also here");
            notes.clash(&at.key("within_days"), what, "make it two limits", other);
            Terms::Value
        }
        (Some(percent), None) => {
            let here = at.key("probability_percent");
            if estimate.is_none() {
                let what = "a measured value has no probability";
                notes.wrong(&here, what, "delete the line, or watch an estimate");
            }
            let share = notes.within(&here, percent, (50.0, 99.9), "%").unwrap_or(80.0) / 100.0;
            Terms::Probability(share)
        }
        (None, Some(days)) => {
            let here = at.key("within_days");
            if !ahead {
                let what = format!("nothing is foretold of {}", watched.whose);
                notes.wrong(&here, what, "delete the line, or watch concentration or hardness");
            }
            Terms::WithinDays(notes.within(&here, days, (0.5, 365.0), "days").unwrap_or(14.0))
        }
    }
}

/// What an alarm does once it stands.
pub(super) fn habits(
    notes: &mut Notes<'_>,
    at: &At,
    latching: Option<bool>,
    realarm_after: Option<Lasting>,
) -> Habits {
    let range = (Duration::from_secs(60), Duration::from_secs(30 * 86_400));
    let realarm_after =
        realarm_after.map(|after| notes.time(at, "realarm_after", Some(after), after.0, range));
    notes.default(at, "latching", latching.is_some(), false);
    Habits { latching: latching.unwrap_or(false), realarm_after }
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
        return Some(Watched { subject, quantity, range, whose, known, period: probe.period });
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
            period: ESTIMATED_EVERY,
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

fn delays(notes: &mut Notes<'_>, at: &At, written: &Limit, watched: &Watched) -> (Duration, Duration) {
    let default = default_delay(watched);
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
