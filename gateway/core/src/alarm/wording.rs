//! What an alarm says. All texts of alarms stand here, so that another language is another file like this one.

use std::fmt::Write as _;
use std::time::Duration;

use crate::estimate::guidance::Caution;
use crate::estimate::outlook::Crossing;
use crate::estimate::settings::EstimateKind;
use crate::model::{Quantity, Timestamp, Unit, hardness_mg_l};

use super::condition::{Condition, Fault};
use super::notice::{Change, Facts, Notice};
use super::settings::{Priority, Side};
use super::state::State;

/// Who reads: in which units and time zone.
#[derive(Clone, PartialEq, Debug)]
pub struct Reader {
    /// Units.
    pub units: Units,
    /// Time zone.
    pub zone: jiff::tz::TimeZone,
}

/// Units people read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Units {
    /// Litres, millimetres, °C, mg/L as CaCO3.
    #[default]
    Metric,
    /// US gallons, inches, °F, grains per gallon.
    Us,
}

/// A notice in words, part by part.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize)]
pub struct Message {
    /// Which sump and what, in one line: "Lathe 1: pH 8.42, low limit 8.60".
    pub headline: String,
    /// How sure that is, for what is an estimate.
    pub sure: Option<String>,
    /// What to do now; empty where there is nothing to do any more.
    pub action: String,
    /// By when, where something is to be done.
    pub by_when: Option<String>,
    /// What to mind.
    pub cautions: Vec<&'static str>,
}

/// `notice` in words for `reader`.
pub fn message(notice: &Notice, reader: &Reader) -> Message {
    let stands = notice.change == Change::Raised;
    let what = facts_text(&notice.facts, reader.units);
    let ending = match notice.change {
        Change::Raised => String::new(),
        Change::Acknowledged => ": acknowledged".to_owned(),
        Change::Returned | Change::Ended => format!(": {}", returned(&notice.facts)),
        Change::Withheld => ": withheld".to_owned(),
    };
    let by = notice.by.as_ref().map(|by| format!(" by {by}")).unwrap_or_default();
    let why = notice.why.as_ref().map(|why| format!(" ({why})")).unwrap_or_default();
    Message {
        headline: format!("{}: {what}{ending}{by}{why}", notice.title),
        sure: sureness(&notice.facts, reader.units),
        action: if stands { action_of(&notice.facts).to_owned() } else { String::new() },
        by_when: stands.then(|| by_when(notice, reader)),
        cautions: if stands { cautions_of(&notice.facts) } else { Vec::new() },
    }
}

/// What it is about and how it stands, in one line without the sump.
fn facts_text(facts: &Facts, units: Units) -> String {
    match facts {
        Facts::Limit { quantity, estimate, side, setpoint, value, ahead_days, .. } => {
            let quantity = Quantity::from_word(quantity);
            let noun = match (estimate, quantity) {
                (Some(word), _) => EstimateKind::from_word(word).map_or("estimate", noun_of_estimate),
                (None, Some(quantity)) => noun(quantity),
                (None, None) => "value",
            };
            let show = |value: f64| match quantity {
                Some(quantity) => in_units(quantity, value, units),
                None => format!("{value}"),
            };
            let now = value.map_or("not known now".to_owned(), show);
            let side = match side {
                Side::Low => "low",
                Side::High => "high",
            };
            let limit = show(*setpoint);
            match ahead_days {
                None => format!("{noun} {now}, {side} limit {limit}"),
                Some((days, low90, high90)) => {
                    let crossing = Crossing { days: *days, low90: *low90, high90: *high90, never_share: 0.0 };
                    format!("{noun} {now}, {side} limit {limit} {}", when_text(&crossing))
                }
            }
        }
        Facts::Probe { probe, reason } if reason.is_empty() => format!("probe {probe}"),
        Facts::Probe { probe, reason } => format!("probe {probe}: {reason}"),
        Facts::Condition { condition, value, detail } => {
            let known = Condition::from_word(condition);
            let text = known.map_or(condition.as_str(), |condition| condition_text(condition));
            let number = known.zip(*value).map(|(c, v)| condition_number(c, v, units)).unwrap_or_default();
            let detail = if detail.is_empty() { String::new() } else { format!(": {detail}") };
            format!("{text}{number}{detail}")
        }
        Facts::Fault { fault, of, detail } => {
            let text = Fault::from_word(fault).map_or(fault.as_str(), |fault| fault_text(fault));
            let of = if of.is_empty() { String::new() } else { format!(" {of}") };
            let detail = if detail.is_empty() { String::new() } else { format!(": {detail}") };
            format!("{text}{of}{detail}")
        }
    }
}

/// How sure an estimate is: its interval, and the probability where the limit asks for one.
fn sureness(facts: &Facts, units: Units) -> Option<String> {
    let Facts::Limit { quantity, interval, probability, .. } = facts else { return None };
    let quantity = Quantity::from_word(quantity)?;
    let between = interval.map(|(low, high)| {
        format!(
            "an estimate, between {} and {} nine times in ten",
            in_units(quantity, low, units),
            in_units(quantity, high, units)
        )
    });
    let passed = probability.map(|p| format!("past the limit with {:.0} %", 100.0 * p));
    match (between, passed) {
        (Some(between), Some(passed)) => Some(format!("{between}; {passed}")),
        (between, passed) => between.or(passed),
    }
}

/// Time to respond by priority, as the reader's clock shows it.
fn by_when(notice: &Notice, reader: &Reader) -> String {
    let (span, words) = match notice.priority {
        Priority::High => return "now".to_owned(),
        Priority::Medium => (Duration::from_hours(24), "within the day"),
        Priority::Low => (Duration::from_hours(7 * 24), "within a week"),
    };
    let until = time_text(notice.at().plus(span), &reader.zone);
    format!("{words}, by {until}")
}

/// A moment on the reader's clock: `Tue 3 Mar 08:05`.
pub fn time_text(at: Timestamp, zone: &jiff::tz::TimeZone) -> String {
    jiff::Timestamp::from_nanosecond(i128::from(at.as_nanos()))
        .map(|at| at.to_zoned_datetime(zone.clone()).strftime("%a %-d %b %H:%M").to_string())
        .unwrap_or_default()
}

/// What to do first.
fn action_of(facts: &Facts) -> &'static str {
    match facts {
        Facts::Limit { quantity, estimate, side, .. } => {
            let chips = estimate.as_deref() == Some(EstimateKind::ChipSolids.word());
            match Quantity::from_word(quantity) {
                Some(_) if chips => "Plan to take the chips out; mind the room they take when topping up.",
                Some(quantity) => action(quantity, *side),
                None => "Check at the machine.",
            }
        }
        Facts::Probe { .. } => "Look at the probe and its wiring; until then check by hand.",
        Facts::Condition { condition, .. } => {
            Condition::from_word(condition).map_or("Check at the machine.", condition_action)
        }
        Facts::Fault { fault, .. } => Fault::from_word(fault).map_or("Look at the gateway.", fault_action),
    }
}

/// What to mind while doing it.
fn cautions_of(facts: &Facts) -> Vec<&'static str> {
    let cautions: &[Caution] = match facts {
        Facts::Limit { quantity, .. } => match Quantity::from_word(quantity) {
            Some(Quantity::Concentration | Quantity::Hardness | Quantity::Conductivity) => {
                &[Caution::GlovesAndEyes, Caution::DataSheetFirst]
            }
            Some(Quantity::Ph) => &[Caution::GlovesAndEyes, Caution::CheckByHand],
            Some(Quantity::Level | Quantity::Volume) => &[Caution::LeaveRoom],
            _ => &[],
        },
        Facts::Probe { .. } => &[Caution::LockOut],
        Facts::Condition { condition, .. } => match Condition::from_word(condition) {
            Some(Condition::PhDrop | Condition::LikelyBiological | Condition::Regrowth) => {
                &[Caution::CheckByHand, Caution::NotABacteriaCount, Caution::BiocidesByThoseAllowed]
            }
            Some(Condition::PhReplace) => &[Caution::GlovesAndEyes, Caution::LicensedWaste, Caution::LockOut],
            Some(Condition::WouldOverflow) => &[Caution::LicensedWaste],
            Some(Condition::UnexplainedLoss) => &[Caution::LockOut, Caution::LicensedWaste],
            Some(Condition::MixWrong) => &[Caution::GlovesAndEyes, Caution::DataSheetFirst],
            Some(
                Condition::Stagnation
                | Condition::ConductivityUnexplained
                | Condition::CheckOverdue
                | Condition::CalibrationOverdue,
            )
            | None => &[],
        },
        Facts::Fault { .. } => &[],
    };
    cautions.iter().map(|caution| caution.text()).collect()
}

fn condition_text(condition: Condition) -> &'static str {
    match condition {
        Condition::PhDrop => "pH under the fill's own baseline",
        Condition::PhReplace => "pH far under the fill's own baseline",
        Condition::LikelyBiological => "pH falls, warm and standing still: likely biological activity",
        Condition::Stagnation => "standing still",
        Condition::UnexplainedLoss => "coolant leaves that nothing explains",
        Condition::ConductivityUnexplained => {
            "conductivity changed, neither concentrate nor minerals explain it"
        }
        Condition::MixWrong => "last top-up mixed wrong",
        Condition::WouldOverflow => "would run over if the pumps stopped",
        Condition::Regrowth => "pH falls soon after the clean-out: likely regrowth",
        Condition::CheckOverdue => "check overdue",
        Condition::CalibrationOverdue => "calibration overdue",
    }
}

fn condition_number(condition: Condition, value: f64, units: Units) -> String {
    let litres = |value| in_units(Quantity::Volume, value, units);
    match condition {
        Condition::PhDrop | Condition::PhReplace => format!(" by {value:.2}"),
        Condition::LikelyBiological | Condition::Regrowth => format!(", down {value:.2}"),
        Condition::Stagnation => format!(" for {value:.0} h"),
        Condition::UnexplainedLoss => format!(", {} a day", litres(value)),
        Condition::ConductivityUnexplained => format!(" ({value:+.0} %)"),
        Condition::MixWrong => format!(" ({value:.1} %)"),
        Condition::WouldOverflow => format!(", {} too much", litres(value)),
        Condition::CheckOverdue | Condition::CalibrationOverdue => format!(" by {value:.0} d"),
    }
}

/// First thing to do; common practice, no source.
fn condition_action(condition: Condition) -> &'static str {
    match condition {
        Condition::PhDrop => "Check pH and concentration by hand, skim floating oil, take a dip slide.",
        Condition::PhReplace => {
            "Check by hand; if it holds, plan to replace the fluid and clean the system out."
        }
        Condition::LikelyBiological | Condition::Regrowth => {
            "Confirm with a dip slide; circulate and aerate."
        }
        Condition::Stagnation => "Let the pumps run for a while each day, or aerate.",
        Condition::UnexplainedLoss => "Look for a leak: under the machine, at hoses and way covers.",
        Condition::ConductivityUnexplained => {
            "Check with a refractometer; ask whether the probe was wiped or something was poured in."
        }
        Condition::MixWrong => "Check the mixing unit, and the concentration with a refractometer.",
        Condition::WouldOverflow => "Draw some off before the pumps stop; stop topping up.",
        Condition::CheckOverdue => "Do the check and write it down.",
        Condition::CalibrationOverdue => "Calibrate the probe.",
    }
}

fn fault_text(fault: Fault) -> &'static str {
    match fault {
        Fault::Bus => "nothing comes over bus",
        Fault::Device => "nothing comes from device",
        Fault::Broker => "no connection to broker",
        Fault::Standby => "the boxes that share bus",
        Fault::Store => "the store cannot be written",
        Fault::StoreSpace => "the store nears its limit",
        Fault::Forwarder => "nothing gets through to database",
        Fault::Receiver => "messages do not reach",
        Fault::Clock => "the gateway's clock",
        Fault::Task => "a task of the gateway crashed:",
        Fault::Reduced => "the gateway runs reduced",
    }
}

/// First thing to do; common practice, no source.
fn fault_action(fault: Fault) -> &'static str {
    match fault {
        Fault::Bus => "Look at the cable, the adapter and the power of the devices; check by hand meanwhile.",
        Fault::Device => "Look at its power and its wiring; check by hand meanwhile.",
        Fault::Broker => "Look at the network and the broker; check by hand meanwhile.",
        Fault::Standby => "Look at the other box, the broker and the network between them.",
        Fault::Store => "Make room on the disk or replace it; do not switch the gateway off.",
        Fault::StoreSpace => "Make room on the disk, or let it keep less.",
        Fault::Forwarder => "Look at the network and the database; samples wait here meanwhile.",
        Fault::Receiver => "Look at the address and the network; messages wait here meanwhile.",
        Fault::Clock => "See that the gateway reaches a time server.",
        Fault::Task => "Send the gateway's log to whoever maintains it; the task is started again by itself.",
        Fault::Reduced => {
            "Send the gateway's log to whoever maintains it; after an update stop and start the gateway."
        }
    }
}

/// `value` of `quantity` in the reader's units.
fn in_units(quantity: Quantity, value: f64, units: Units) -> String {
    let gallons = |litres: f64| Unit::Litre.convert(litres, Unit::GallonUs).expect("both are volumes");
    let mg_l_per_gpg = || hardness_mg_l(1.0, "gpg").expect("a unit of hardness");
    let us = units == Units::Us;
    let shown = |unit: Unit, decimals: usize, text: &str| {
        let value = quantity.unit().convert(value, unit).unwrap_or(value);
        format!("{value:.decimals$} {text}")
    };
    match quantity {
        Quantity::Level if us => shown(Unit::Inch, 1, "in"),
        Quantity::Temperature if us => shown(Unit::Fahrenheit, 0, "°F"),
        Quantity::Volume | Quantity::FlowTotal if us => shown(Unit::GallonUs, 0, "gal"),
        Quantity::Flow if us => format!("{:.1} gal/min", gallons(value)),
        Quantity::Loss if us => format!("{:.2} gal/h", gallons(value)),
        Quantity::Hardness if us => format!("{:.1} gpg", value / mg_l_per_gpg()),
        Quantity::Ph
        | Quantity::Conductivity
        | Quantity::Level
        | Quantity::Temperature
        | Quantity::Flow
        | Quantity::FlowTotal
        | Quantity::PumpRunning
        | Quantity::Volume
        | Quantity::Concentration
        | Quantity::Hardness
        | Quantity::Loss => {
            let decimals = decimals(quantity);
            format!("{value:.decimals$}{}", unit_text(quantity))
        }
    }
}

/// How an alarm stands, beside what it is about.
#[derive(Clone, Copy, Debug)]
pub struct Stand<'a> {
    /// Its state.
    pub state: State,
    /// Who brought it there, where a person did.
    pub by: Option<&'a str>,
    /// Why, as they said.
    pub why: Option<&'a str>,
    /// Until when it is shelved.
    pub until: Option<Timestamp>,
}

/// One line for the journal and the page, in the units the gateway works in: what, how it stands, and what to do while it is
/// still cheap.
pub fn line(facts: &Facts, stand: &Stand<'_>) -> String {
    let mut text = facts_text(facts, Units::Metric);
    match stand.state {
        State::Unacknowledged => {
            text.push_str(if text.ends_with(['.', '?', '!']) { " " } else { ". " });
            text.push_str(action_of(facts));
        }
        State::Acknowledged => text.push_str(": acknowledged"),
        State::ReturnedUnacknowledged | State::Normal => {
            text.push_str(": ");
            text.push_str(returned(facts));
        }
        State::Latched => text.push_str(": back to normal, to be reset"),
        State::Shelved => {
            text.push_str(": shelved");
            if let Some(until) = stand.until {
                write!(text, " until {}", until.floor_to_millis()).expect("writing to a String cannot fail");
            }
        }
        State::SuppressedByDesign => text.push_str(": suppressed, its cause has an alarm or work of its own"),
        State::OutOfService => text.push_str(": out of service"),
    }
    if let Some(by) = stand.by {
        write!(text, " by {by}").expect("writing to a String cannot fail");
    }
    if let Some(why) = stand.why {
        write!(text, " ({why})").expect("writing to a String cannot fail");
    }
    text
}

/// Who brought an alarm where a [`line`] says it stands; none where nobody is named. With what they said of it.
pub fn by_whom(line: &str) -> Option<&str> {
    let shelved = || Some(line.split_once(": shelved until ")?.1.split_once(' ')?.1);
    let ways = [": acknowledged ", ": back to normal ", ": gives values again ", ": out of service "];
    let way = ways.iter().find_map(|way| line.split_once(way).map(|(_, rest)| rest));
    way.or_else(shelved)?.strip_prefix("by ")
}

fn returned(facts: &Facts) -> &'static str {
    match facts {
        Facts::Probe { .. } => "gives values again",
        Facts::Limit { .. } | Facts::Condition { .. } | Facts::Fault { .. } => "back to normal",
    }
}

/// When a limit on an estimate is reached: "hardness 400 mg/L in 12 to 19 days".
pub fn ahead_message(kind: EstimateKind, limit: f64, crossing: &Crossing) -> String {
    let quantity = kind.quantity();
    let unit = unit_text(quantity);
    // A limit is written as it was set, without digits that say nothing.
    let what = format!("{} {}{unit}", noun_of_estimate(kind), (100.0 * limit).round() / 100.0);
    format!("{what} {}", when_text(crossing))
}

fn when_text(crossing: &Crossing) -> String {
    match (days_text(crossing.low90), days_text(crossing.high90)) {
        _ if crossing.high90 <= 0.0 => "passed already".to_owned(),
        _ if crossing.days <= 0.0 => "most likely passed already".to_owned(),
        (None, _) => "never, as things go".to_owned(),
        (Some(_), None) if crossing.low90 < 0.5 && crossing.days.is_infinite() => {
            "never, as things go, unless it is passed already".to_owned()
        }
        (Some(low), None) if crossing.days.is_infinite() => {
            format!("never, as things go, or in {low} days at the earliest")
        }
        (Some(_), None) if crossing.low90 < 0.5 => "any day, if ever".to_owned(),
        (Some(low), None) => format!("in {low} days or later, if ever"),
        (Some(_), Some(high)) if crossing.low90 < 0.5 => format!("within {high} days"),
        (Some(low), Some(high)) if low == high => format!("in about {low} days"),
        (Some(low), Some(high)) => format!("in {low} to {high} days"),
    }
}

/// Whole days; two digits are more than anybody knows past a hundred. None for never, and for what is further off than a
/// sump lasts.
fn days_text(days: f64) -> Option<String> {
    const LAST_DAYS: f64 = 3650.0;
    let step = if days < 100.0 { 1.0 } else { 10.0 };
    (days < LAST_DAYS).then(|| format!("{:.0}", (days / step).round() * step))
}

/// The quantity a limit on an estimate speaks of.
pub fn noun_of_estimate(kind: EstimateKind) -> &'static str {
    match kind {
        EstimateKind::Concentration => "concentration",
        EstimateKind::Hardness => "hardness",
        EstimateKind::Liquid => "liquid",
        EstimateKind::ChipSolids => "chips under the surface",
        EstimateKind::Holdup => "hold-up",
        EstimateKind::Evaporation => "evaporation",
        EstimateKind::DragOut => "drag-out",
        EstimateKind::Room => "room to the fill mark",
    }
}

/// The quantity a limit on a probe speaks of.
pub fn noun(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Ph => "pH",
        Quantity::Conductivity => "conductivity",
        Quantity::Level => "level",
        Quantity::Temperature => "temperature",
        Quantity::Flow => "make-up flow",
        Quantity::FlowTotal => "make-up total",
        Quantity::PumpRunning => "pump",
        Quantity::Volume => "volume",
        Quantity::Concentration => "concentration",
        Quantity::Hardness => "hardness",
        Quantity::Loss => "loss",
    }
}

/// What stands behind a number of `quantity`, with a space before it; nothing where it has no unit.
pub fn unit_text(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Ph | Quantity::PumpRunning => "",
        Quantity::Conductivity => " µS/cm",
        Quantity::Level => " mm",
        Quantity::Temperature => " °C",
        Quantity::Flow => " L/min",
        Quantity::FlowTotal | Quantity::Volume => " L",
        Quantity::Concentration => " %",
        Quantity::Hardness => " mg/L",
        Quantity::Loss => " L/h",
    }
}

/// Decimals that say something of `quantity`.
pub fn decimals(quantity: Quantity) -> usize {
    match quantity {
        Quantity::Ph | Quantity::Concentration | Quantity::Loss => 2,
        Quantity::Temperature | Quantity::Flow => 1,
        Quantity::Conductivity
        | Quantity::Level
        | Quantity::FlowTotal
        | Quantity::PumpRunning
        | Quantity::Volume
        | Quantity::Hardness => 0,
    }
}

/// First thing to do; common practice, no source. Dosing follows the fluid's data sheet and the shop's own rules.
fn action(quantity: Quantity, side: Side) -> &'static str {
    match (quantity, side) {
        (Quantity::Ph, Side::Low) => "Check by hand, look for floating oil and smell, take a dip slide.",
        (Quantity::Ph, Side::High) => "Check by hand and check the concentration; high pH irritates skin.",
        (Quantity::Concentration, Side::Low) => {
            "Check with a refractometer, then top up with a stronger mix."
        }
        (Quantity::Concentration, Side::High) => "Check with a refractometer, then top up with a weak mix.",
        (Quantity::Level | Quantity::Volume, Side::Low) => "Top up before the pump draws air.",
        (Quantity::Level | Quantity::Volume, Side::High) => {
            "Stop topping up; stopped pumps let more run back."
        }
        (Quantity::Temperature, Side::High) => "Look at cooling and pumps; warm coolant spoils faster.",
        (Quantity::Hardness | Quantity::Conductivity, Side::High) => {
            "Test hardness; top up with low-mineral water."
        }
        (Quantity::Conductivity, Side::Low) => "Check the concentration with a refractometer.",
        (Quantity::Temperature | Quantity::Hardness, Side::Low)
        | (
            Quantity::Flow | Quantity::FlowTotal | Quantity::PumpRunning | Quantity::Loss,
            Side::Low | Side::High,
        ) => "Check at the machine.",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lies_ahead_reads_as_a_person_would_say_it() {
        let never = f64::INFINITY;
        for (low90, days, high90, expected) in [
            (11.6, 14.0, 19.3, "in 12 to 19 days"),
            (112.0, 140.0, 196.0, "in 110 to 200 days"),
            (13.8, 14.0, 14.2, "in about 14 days"),
            (0.2, 1.0, 4.0, "within 4 days"),
            (20.0, 40.0, never, "in 20 days or later, if ever"),
            (20.0, 40.0, 9e9, "in 20 days or later, if ever"),
            (20.0, never, never, "never, as things go, or in 20 days at the earliest"),
            (0.0, never, never, "never, as things go, unless it is passed already"),
            (0.0, 40.0, never, "any day, if ever"),
            (never, never, never, "never, as things go"),
            (0.0, 0.0, 3.0, "most likely passed already"),
            (0.0, 0.0, 0.0, "passed already"),
        ] {
            let crossing = Crossing { days, low90, high90, never_share: 0.0 };
            let text = ahead_message(EstimateKind::Hardness, 400.0, &crossing);
            assert_eq!(text, format!("hardness 400 mg/L {expected}"));
        }
        let crossing = Crossing { days: 3.0, low90: 2.0, high90: 5.0, never_share: 0.0 };
        let text = ahead_message(EstimateKind::Concentration, 5.5, &crossing);
        assert_eq!(text, "concentration 5.5 % in 2 to 5 days");
    }

    fn notice(change: Change, priority: Priority, facts: Facts) -> Notice {
        Notice {
            alarm: "lathe-1/x".to_owned(),
            occurrence: 1,
            sequence: 1,
            change,
            at_ns: Timestamp::parse("2026-03-28T20:00:00Z").expect("RFC 3339").as_nanos(),
            priority,
            sump: Some("lathe-1".to_owned()),
            title: "Lathe 1".to_owned(),
            by: None,
            why: None,
            facts,
        }
    }

    fn hardness() -> Facts {
        Facts::Limit {
            quantity: "hardness".to_owned(),
            estimate: Some("hardness_mg_l".to_owned()),
            side: Side::High,
            setpoint: 400.0,
            value: Some(431.4),
            interval: Some((402.0, 460.0)),
            probability: Some(0.957),
            ahead_days: None,
        }
    }

    fn reader(units: Units, zone: &str) -> Reader {
        Reader { units, zone: jiff::tz::TimeZone::get(zone).expect("in the database") }
    }

    #[test]
    fn a_message_says_what_how_sure_what_to_do_by_when_and_what_to_mind() {
        let vienna = reader(Units::Metric, "Europe/Vienna");
        let said = message(&notice(Change::Raised, Priority::Medium, hardness()), &vienna);
        assert_eq!(said.headline, "Lathe 1: hardness 431 mg/L, high limit 400 mg/L");
        let sure = "an estimate, between 402 mg/L and 460 mg/L nine times in ten; past the limit with 96 %";
        assert_eq!(said.sure.as_deref(), Some(sure));
        assert_eq!(said.action, "Test hardness; top up with low-mineral water.");
        // The clocks go forward that night: a day later it is an hour later on the wall.
        assert_eq!(said.by_when.as_deref(), Some("within the day, by Sun 29 Mar 22:00"));
        assert!(said.cautions.iter().any(|caution| caution.contains("safety data sheet")), "{said:?}");
    }

    #[test]
    fn us_units_are_those_of_the_trade() {
        // 1 grain per US gallon is 17.118 mg/L, 1 US gallon 3.7854 L, 1 inch 25.4 mm (definitions).
        let chicago = reader(Units::Us, "America/Chicago");
        let said = message(&notice(Change::Raised, Priority::High, hardness()), &chicago);
        assert_eq!(said.headline, "Lathe 1: hardness 25.2 gpg, high limit 23.4 gpg");
        assert_eq!(said.by_when.as_deref(), Some("now"));
        for (quantity, value, expected) in [
            (Quantity::Level, 254.0, "10.0 in"),
            (Quantity::Temperature, 40.0, "104 °F"),
            (Quantity::Volume, 378.5, "100 gal"),
            (Quantity::Flow, 37.854, "10.0 gal/min"),
            (Quantity::Ph, 8.4, "8.40"),
        ] {
            assert_eq!(in_units(quantity, value, Units::Us), expected);
        }
    }

    #[test]
    fn what_is_over_asks_for_nothing() {
        let utc = reader(Units::Metric, "UTC");
        for change in [Change::Acknowledged, Change::Returned, Change::Ended, Change::Withheld] {
            let said = message(&notice(change, Priority::High, hardness()), &utc);
            assert_eq!((said.action.as_str(), said.by_when, said.cautions.len()), ("", None, 0));
        }
        let seen =
            Notice { by: Some("kim".to_owned()), ..notice(Change::Acknowledged, Priority::Low, hardness()) };
        let said = message(&seen, &utc).headline;
        assert_eq!(said, "Lathe 1: hardness 431 mg/L, high limit 400 mg/L: acknowledged by kim");
    }

    #[test]
    fn who_brought_an_alarm_there_is_read_back() {
        let (probe, reason) = ("ph".to_owned(), "no reply".to_owned());
        for (facts, &state) in [hardness(), Facts::Probe { probe, reason }]
            .iter()
            .flat_map(|facts| State::ALL.iter().map(move |state| (facts, state)))
        {
            let until = Some(Timestamp::default());
            let by = |by| line(facts, &Stand { state, by, why: Some("by hand"), until });
            let told = !matches!(state, State::Unacknowledged | State::SuppressedByDesign | State::Latched);
            let expected = told.then_some("Kim by the door (by hand)");
            assert_eq!(by_whom(&by(Some("Kim by the door"))), expected, "{state:?}");
            assert_eq!(by_whom(&by(None)), None, "{state:?}");
        }
    }

    #[test]
    fn every_condition_and_fault_has_words_an_action_and_a_source() {
        for &condition in Condition::ALL {
            let facts = Facts::Condition {
                condition: condition.word().to_owned(),
                value: Some(1.25),
                detail: String::new(),
            };
            let text = facts_text(&facts, Units::Metric);
            assert!(text.contains(|c: char| c.is_ascii_digit()), "the number behind it: {text}");
            assert!(!action_of(&facts).is_empty() && !condition.source().is_empty());
            assert_eq!(Condition::from_word(condition.word()), Some(condition));
        }
        for &fault in Fault::ALL {
            let facts = Facts::Fault {
                fault: fault.word().to_owned(),
                of: "hall".to_owned(),
                detail: "timed out".to_owned(),
            };
            assert!(facts_text(&facts, Units::Metric).ends_with("hall: timed out"));
            assert!(!action_of(&facts).is_empty() && !fault.source().is_empty());
            assert_eq!(Fault::from_word(fault.word()), Some(fault));
        }
    }

    #[test]
    fn a_notice_comes_back_from_the_store_as_it_went_in() {
        let mut there = notice(Change::Raised, Priority::High, hardness());
        let text = serde_json::to_string(&there).expect("plain");
        assert!(text.contains(r#""about":"limit""#) && text.contains(r#""change":"raised""#), "{text}");
        assert_eq!(serde_json::from_str::<Notice>(&text).expect("as written"), there);
        let Facts::Limit { ahead_days, .. } = &mut there.facts else { panic!("a limit") };
        *ahead_days = Some((f64::INFINITY, 20.0, f64::INFINITY));
        let text = serde_json::to_string(&there).expect("plain");
        assert_eq!(serde_json::from_str::<Notice>(&text).expect("never comes back as never"), there);
    }
}
