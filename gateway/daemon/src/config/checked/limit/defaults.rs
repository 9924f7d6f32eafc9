//! Limits that hold where the shop sets none, each with its source; `NAME = false` turns one off.

use std::collections::BTreeMap;

use sumpwarden_core::alarm::settings::{Habits, LimitSettings, Priority, Side, Subject, Terms};
use sumpwarden_core::engine::outlook::HARDNESS_LIMIT_MG_L;
use sumpwarden_core::estimate::settings::EstimateKind;
use sumpwarden_core::model::{Quantity, SumpIndex};

use super::super::super::file::{Limit, Sump, Switch};
use super::super::super::nearest::did_you_mean;
use super::super::super::reader::shortened;
use super::super::notes::{At, Notes};
use super::super::probe::possible;
use super::super::sump::Checked;
use super::{ESTIMATED_EVERY, ProbeFacts, Watched, crossed, default_deadband, default_delay};

/// Only defaults can be switched, and they are on already.
pub(super) fn note_switch(notes: &mut Notes<'_>, at: &At, written: &Switch<Limit>) {
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
pub(super) fn replaces(own: &LimitSettings, default: &LimitSettings) -> bool {
    let ahead = |limit: &LimitSettings| matches!(limit.terms, Terms::WithinDays(_));
    own.subject == default.subject && own.side == default.side && ahead(own) == ahead(default)
        || own.subject == default.subject && own.side != default.side && crossed(own, default)
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
pub(super) fn default_limits(
    sump: SumpIndex,
    table: &Sump,
    probes: &BTreeMap<&str, ProbeFacts>,
    checked: &Checked,
) -> Vec<LimitSettings> {
    const SURE: Terms = Terms::Probability(0.8);
    let settings = &checked.settings;
    // Without conductivity hardness and concentration are guesses that nothing corrects.
    let is_read = probes.values().any(|facts| facts.quantity == Quantity::Conductivity);
    let estimate = |name: &str, kind: EstimateKind, side, setpoint: f64, priority, terms, source| {
        let quantity = kind.quantity();
        let watched = Watched {
            subject: Subject::Estimate(kind),
            quantity,
            range: possible(quantity),
            whose: String::new(),
            known: false,
            period: ESTIMATED_EVERY,
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
    limits.retain(|limit| is_read || limit.subject == Subject::Estimate(EstimateKind::ChipSolids));
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
            "too high irritates skin: chemical-safety database of the German accident insurers; the figure is common practice, no source",
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
            period: facts.period,
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
    let setpoint = three_digits(setpoint);
    let delay = default_delay(watched);
    LimitSettings {
        name: name.to_owned(),
        sump,
        subject: watched.subject,
        side,
        setpoint,
        deadband: three_digits(default_deadband(watched, setpoint).min(0.2 * setpoint.abs())),
        on_delay: delay,
        off_delay: delay,
        priority,
        terms,
        habits: Habits::default(),
        source: Some(source),
    }
}

/// A default is no more exact than that, and people read it.
fn three_digits(value: f64) -> f64 {
    if value == 0.0 {
        return 0.0;
    }
    let places = 2 - value.abs().log10().floor() as i32;
    let (scale, back) = (10_f64.powi(places.max(0)), 10_f64.powi((-places).max(0)));
    (value * scale / back).round() * back / scale
}
