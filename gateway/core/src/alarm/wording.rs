//! What an alarm says. All texts of alarms stand here, so that another language is another file like this one.

use std::fmt::Write as _;

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

/// The quantity a limit on an estimate speaks of.
pub fn noun_of_estimate(kind: EstimateKind) -> &'static str {
    match kind {
        EstimateKind::Concentration => "concentration",
        EstimateKind::Liquid => "liquid",
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
    }
}

fn decimals(quantity: Quantity) -> usize {
    match quantity {
        Quantity::Ph | Quantity::Concentration => 2,
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
        | (Quantity::Flow | Quantity::FlowTotal | Quantity::PumpRunning, Side::Low | Side::High) => {
            "Check at the machine."
        }
    }
}
