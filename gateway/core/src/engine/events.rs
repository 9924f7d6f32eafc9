//! What was found in a sump, as the journal tells it: one record a quantity, the value apart, the words beside it.

use crate::estimate::sump::{Event, What};
use crate::estimate::trend::Confidence;
use crate::model::Name;
use crate::store::record::JournalRecord;

/// The records of an event.
pub(super) fn records(sump: &Name, event: &Event) -> Vec<JournalRecord> {
    let record = |subject: &str, quantity: &str, value: f64, message: String| {
        JournalRecord::event(event.at, sump, (subject, quantity), Some(value), message)
    };
    let mixed = |subject: &str, did: &str, litres: f64, percent: f64, deviation: f64| {
        let within = Confidence::NINETY.z() * deviation;
        let strength = format!("{percent:.1} % (90 %: ± {within:.1})");
        vec![
            record(subject, "litres", litres, format!("{did} with {litres:.0} L")),
            record(subject, "percent", percent, format!("{did} at {strength}")),
        ]
    };
    match event.what {
        What::TopUp { litres, percent, deviation } => mixed("topup", "topped up", litres, percent, deviation),
        What::Fill { litres, percent, deviation } => mixed("fill", "filled", litres, percent, deviation),
        What::Dump { litres } => {
            vec![record("dump", "litres", litres, format!("pumped out, {litres:.0} L"))]
        }
        What::DrawOff { litres } => {
            let message = format!("{litres:.0} L less: coolant drawn off, or chips taken out");
            vec![record("drawoff", "litres", litres, message)]
        }
        What::ConductivityStep { percent } => {
            let message = format!(
                "conductivity {percent:+.0} % that concentrate and minerals do not explain: probe changed or wiped, or \
                 something got into the sump. Check with a refractometer."
            );
            vec![record("conductivity-step", "percent", percent, message)]
        }
        What::Leak { litres_h, deviation } => {
            let message = format!(
                "{:.0} L a day leave that neither evaporation nor chips explain (90 %: ± {:.0}). Look for a leak.",
                24.0 * litres_h,
                24.0 * Confidence::NINETY.z() * deviation
            );
            vec![record("leak", "litres_h", litres_h, message)]
        }
    }
}
