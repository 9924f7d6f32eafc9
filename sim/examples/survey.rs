//! What goes on in the scenarios, a line each: how long one takes to run, and how far its first sump goes.
//!
//! `cargo run --release -p sumpwarden-sim --example survey -- [seed] [part of a name]`

#![allow(clippy::print_stdout, reason = "what it is for")]

use std::time::{Duration, Instant};

use sumpwarden_sim::scenario::{Row, Scenario};
use sumpwarden_sim::world::{EventKind, Truth};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let seed = arguments.next().map_or(Ok(1), |text| text.parse())?;
    let part = arguments.next().unwrap_or_default();
    for (name, _) in Scenario::names().filter(|(name, _)| name.contains(&part)) {
        println!("{}", survey(&Scenario::named(name, seed)?));
    }
    Ok(())
}

fn survey(scenario: &Scenario) -> String {
    let begun = Instant::now();
    let mut history = scenario.history_as_told(Duration::from_secs(60), Duration::from_secs(3600));
    let (mut samples, mut notes, mut truths) = (0_u64, 0_u64, Vec::new());
    for row in history.by_ref() {
        match row {
            Row::Sample { .. } => samples += 1,
            Row::Note { .. } => notes += 1,
            Row::Truth { sump: 0, truth } => truths.push(truth),
            Row::Truth { .. } => {}
        }
    }
    let took = begun.elapsed().as_secs_f64();
    let events = history.plant().events();
    let topups = events.iter().filter(|event| matches!(event.kind, EventKind::TopUp { .. })).count();
    format!(
        "{:<22} {took:5.2} s {samples:>7} samples {notes:>4} notes {topups:>3} top-ups {:>2} other; {} {} {} {} {} {} {} {} {}",
        scenario.name,
        events.len() - topups,
        range("%", &truths, |t| t.percent),
        range("mg/L", &truths, |t| t.hardness_mg_l),
        range("L", &truths, |t| t.liquid_l),
        range("L chips", &truths, |t| t.chip_solids_l),
        range("mm", &truths, |t| t.level_mm),
        range("pH", &truths, |t| t.ph),
        range("log cfu", &truths, |t| t.log_cfu_ml),
        range("°C", &truths, |t| t.temperature_c),
        range("mm oil", &truths, |t| t.oil_layer_mm),
    )
}

/// Lowest, last and highest of a quantity.
fn range(unit: &str, truths: &[Truth], of: impl Fn(&Truth) -> f64) -> String {
    let (low, high) = truths
        .iter()
        .map(&of)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)));
    let last = truths.last().map_or(f64::NAN, of);
    format!("[{low:.1} {last:.1} {high:.1}] {unit}")
}
