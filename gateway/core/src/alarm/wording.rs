//! What an alarm says. All texts of alarms stand here, so that another language is another file like this one.

use std::fmt::Write as _;

use crate::estimate::outlook::Crossing;
use crate::estimate::settings::EstimateKind;
use crate::model::{Quality, Quantity};

use super::settings::{LimitSettings, Side};
use super::state::State;

/// What a limit says of a value of `quantity`, called `noun`: the value, the limit, and what to do while it is still cheap.
pub fn limit_message(
    limit: &LimitSettings,
    noun: &str,
    quantity: Quantity,
    state: State,
    value: Option<f64>,
) -> String {
    let mut text = String::new();
    let unit = unit_text(quantity);
    let decimals = decimals(quantity);
    text.push_str(noun);
    match value {
        Some(value) => write!(text, " {value:.decimals$}{unit}"),
        None => write!(text, " not known now"),
    }
    .expect("writing to a String cannot fail");
    let side = match limit.side {
        Side::Low => "low",
        Side::High => "high",
    };
    write!(text, ", {side} limit {:.decimals$}{unit}", limit.setpoint)
        .expect("writing to a String cannot fail");
    match state {
        State::Unacknowledged => {
            text.push_str(". ");
            text.push_str(action(quantity, limit.side));
        }
        State::Acknowledged => text.push_str(": acknowledged"),
        State::ReturnedUnacknowledged | State::Normal => text.push_str(": back to normal"),
    }
    text
}

/// What an instrument alarm says of a probe.
pub fn instrument_message(probe: &str, quality: Quality, state: State) -> String {
    match state {
        State::Unacknowledged => format!("probe {probe}: {}", quality.reason.text()),
        State::Acknowledged => format!("probe {probe}: acknowledged"),
        State::ReturnedUnacknowledged | State::Normal => format!("probe {probe}: gives values again"),
    }
}

/// When a limit on an estimate is reached: "hardness 400 mg/L in 12 to 19 days".
pub fn ahead_message(kind: EstimateKind, limit: f64, crossing: &Crossing) -> String {
    let quantity = kind.quantity();
    let unit = unit_text(quantity);
    // A limit is written as it was set, without digits that say nothing.
    let what = format!("{} {}{unit}", noun_of_estimate(kind), (100.0 * limit).round() / 100.0);
    let when = match (days_text(crossing.low90), days_text(crossing.high90)) {
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
    };
    format!("{what} {when}")
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

fn unit_text(quantity: Quantity) -> &'static str {
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

fn decimals(quantity: Quantity) -> usize {
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
}
