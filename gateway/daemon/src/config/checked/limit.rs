//! Limits on measured values and estimates.

use std::collections::BTreeMap;
use std::time::Duration;

use sumpwarden_core::alarm::settings::{Habits, LimitSettings, Priority, Side, Subject, Terms};
use sumpwarden_core::engine::outlook::HARDNESS_LIMIT_MG_L;
use sumpwarden_core::estimate::settings::EstimateKind;
use sumpwarden_core::model::{ProbeIndex, Quantity, SumpIndex};

use super::super::file::{Limit, Sump, Switch};
use super::super::nearest::did_you_mean;
use super::super::quantity::Lasting;
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
    limits.extend(wanted);
    limits
}

/// Only defaults can be switched, and they are on already.
fn note_switch(notes: &mut Notes<'_>, at: &At, written: &Switch<Limit>) {
    if DEFAULT_NAMES.contains(&at.last_key()) {
        if *written == Switch::Plain(true) {
            notes.warn(at, "this default is on already", "delete the line, or write false to turn it off");
        }
        return;
    }
    let near = did_you_mean(at.last_key(), DEFAULT_NAMES.iter().copied());
    let what = format!("there is no default limit \"{}\"", shortened(at.last_key()));
    notes.wrong(at, what, format!("{near}defaults are {}", DEFAULT_NAMES.join(", ")));
}

/// Whether a limit of the shop's own stands for a default one: on the same value, on the same side, as far ahead or now.
fn replaces(own: &LimitSettings, default: &LimitSettings) -> bool {
    let ahead = |limit: &LimitSettings| matches!(limit.terms, Terms::WithinDays(_));
    own.subject == default.subject && own.side == default.side && ahead(own) == ahead(default)
        || own.subject == default.subject && own.side != default.side && crossed(own, default)
}

fn crossed(a: &LimitSettings, b: &LimitSettings) -> bool {
    match a.side {
        Side::Low => a.setpoint >= b.setpoint,
        Side::High => a.setpoint <= b.setpoint,
    }
}

/// Names of the limits that hold where the shop sets none.
const DEFAULT_NAMES: [&str; 12] = [
    "chips-high",
    "concentration-high",
    "concentration-low",
    "hardness-ahead",
    "hardness-high",
    "hardness-low",
    "level-high",
    "level-low",
    "ph-high",
    "ph-low",
    "temperature-high",
    "temperature-low",
];

/// Limits that hold where the shop sets none. Those on estimates ask for four chances in five, so that a guess alarms nobody.
fn default_limits(
    sump: SumpIndex,
    table: &Sump,
    probes: &BTreeMap<&str, ProbeFacts>,
    checked: &Checked,
) -> Vec<LimitSettings> {
    const SURE: Terms = Terms::Probability(0.8);
    let settings = &checked.settings;
    let estimate = |name: &str, kind: EstimateKind, side, setpoint: f64, priority, terms, source| {
        let quantity = kind.quantity();
        let watched = Watched {
            subject: Subject::Estimate(kind),
            quantity,
            range: possible(quantity),
            whose: String::new(),
            known: false,
        };
        default_limit(name, sump, &watched, side, setpoint, priority, terms, source)
    };
    let target = settings.target_percent;
    let full_l = checked.tank.volume_l(settings.fill_mark_mm);
    let mut limits = vec![
        estimate(
            "concentration-low",
            EstimateKind::Concentration,
            Side::Low,
            0.7 * target,
            Priority::Medium,
            SURE,
            "seven tenths of the target: common practice, no source",
        ),
        estimate(
            "concentration-high",
            EstimateKind::Concentration,
            Side::High,
            1.5 * target,
            Priority::Low,
            SURE,
            "half as much again as the target: common practice, no source",
        ),
        estimate(
            "hardness-high",
            EstimateKind::Hardness,
            Side::High,
            HARDNESS_LIMIT_MG_L,
            Priority::Medium,
            SURE,
            "past 400 mg/L many emulsions split: common practice, no source",
        ),
        estimate(
            "hardness-ahead",
            EstimateKind::Hardness,
            Side::High,
            HARDNESS_LIMIT_MG_L,
            Priority::Low,
            Terms::WithinDays(14.0),
            "a fortnight to plan an exchange: common practice, no source",
        ),
        estimate(
            "hardness-low",
            EstimateKind::Hardness,
            Side::Low,
            70.0,
            Priority::Low,
            SURE,
            "under 70 mg/L it foams: trade article on a university optics centre's series",
        ),
        estimate(
            "chips-high",
            EstimateKind::ChipSolids,
            Side::High,
            0.15 * full_l,
            Priority::Low,
            SURE,
            "three twentieths of the tank: common practice, no source",
        ),
    ];
    limits.extend(default_probe_limits(sump, table, probes, checked));
    limits
}

/// The same for what probes measure.
fn default_probe_limits(
    sump: SumpIndex,
    table: &Sump,
    probes: &BTreeMap<&str, ProbeFacts>,
    checked: &Checked,
) -> Vec<LimitSettings> {
    let settings = &checked.settings;
    let top_mm = checked.tank.height_mm();
    let over_mark_mm = 0.5 * (settings.fill_mark_mm + top_mm);
    let low_mm = settings.pump_minimum_mm.filter(|_| table.pump_minimum.is_some());
    let wanted = [
        (
            "ph-low",
            Quantity::Ph,
            Side::Low,
            Some(8.5),
            Priority::Medium,
            "under 8.5 properties get worse quickly: chemical-safety database of the German accident insurers",
        ),
        (
            "ph-high",
            Quantity::Ph,
            Side::High,
            Some(9.8),
            Priority::Low,
            "too high irritates skin (same database); the figure is common practice, no source",
        ),
        (
            "temperature-high",
            Quantity::Temperature,
            Side::High,
            Some(40.0),
            Priority::Low,
            "20 to 40 °C suits most bacteria and fungi: DGUV (water circuits)",
        ),
        (
            "temperature-low",
            Quantity::Temperature,
            Side::Low,
            Some(3.0),
            Priority::Medium,
            "frost splits emulsions and lines: common practice, no source",
        ),
        (
            "level-low",
            Quantity::Level,
            Side::Low,
            low_mm.map(|mm| mm + 0.1 * (settings.fill_mark_mm - mm)),
            Priority::High,
            "a tenth of the way from the pump's minimum to the fill mark: common practice, no source",
        ),
        (
            "level-high",
            Quantity::Level,
            Side::High,
            Some(over_mark_mm).filter(|mm| *mm < top_mm),
            Priority::Medium,
            "half way from the fill mark to the brim: common practice, no source",
        ),
    ];
    let mut limits = Vec::new();
    for (name, quantity, side, setpoint, priority, source) in wanted {
        // Of two level probes the first by name counts; a chip screen keeps the other one lower or higher by design.
        let facts =
            probes.values().filter(|facts| facts.quantity == quantity).min_by_key(|facts| facts.index);
        let (Some(facts), Some(setpoint)) = (facts, setpoint) else { continue };
        let range = facts.range.unwrap_or(possible(quantity));
        if !(range.0 < setpoint && setpoint < range.1) {
            continue;
        }
        let watched = Watched {
            subject: Subject::Probe(facts.index),
            quantity,
            range,
            whose: String::new(),
            known: facts.range.is_some(),
        };
        limits.push(default_limit(name, sump, &watched, side, setpoint, priority, Terms::Value, source));
    }
    limits
}

#[expect(clippy::too_many_arguments, reason = "one row of a table")]
fn default_limit(
    name: &str,
    sump: SumpIndex,
    watched: &Watched,
    side: Side,
    setpoint: f64,
    priority: Priority,
    terms: Terms,
    source: &'static str,
) -> LimitSettings {
    let delay = default_delay(watched.quantity);
    LimitSettings {
        name: name.to_owned(),
        sump,
        subject: watched.subject,
        side,
        setpoint,
        deadband: default_deadband(watched, setpoint).min(0.2 * setpoint.abs()),
        on_delay: delay,
        off_delay: delay,
        priority,
        terms,
        habits: Habits::default(),
        source: Some(source),
    }
}

fn default_delay(quantity: Quantity) -> Duration {
    Duration::from_secs(if quantity == Quantity::Flow { 15 } else { 60 })
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
        terms: terms(notes, at, written, &watched),
        habits: habits(notes, at, written.latching, written.realarm_after),
        source: None,
    })
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
    let default = default_delay(quantity);
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
