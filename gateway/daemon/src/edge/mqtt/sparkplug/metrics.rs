//! The shop as metrics: which there are, what they are called, their units and how good they are.
//!
//! Every metric that there may ever be stands in the birth, so the list follows from the configuration: an alarm has its
//! metrics whether it stands or not. Names are those of the configuration and of `/state`. Of three qualities that the standard
//! knows, bad is what has no value, stale the last value that stands in for one, good what can be used; which of the finer
//! ones it is, and why, stands beside it. Names of people stay here.

use std::collections::BTreeMap;

use sumpwarden_core::alarm::settings::Priority;
use sumpwarden_core::alarm::state::State;
use sumpwarden_core::engine::snapshot::{
    AlarmView, EstimateView, ProbeView, QualityView, Snapshot, SumpView,
};
use sumpwarden_core::model::{Status, Timestamp, Unit};
use sumpwarden_protocol::sparkplug::session::{Device, Picture, Standing};
use sumpwarden_protocol::sparkplug::topic::Id;
use sumpwarden_protocol::sparkplug::{DataType, Property, Value};

/// Quality codes (Sparkplug 3.0, chapter 6, "Quality Codes").
const BAD: i32 = 0;
const GOOD: i32 = 192;
const STALE: i32 = 500;

/// A probe of which this is said is not heard of.
const SILENT: [Status; 3] =
    [Status::BadNoCommunication, Status::BadCommunicationError, Status::BadWaitingForInitialData];

/// A value of which this is said stands in for a newer one.
const STANDS_IN: [Status; 2] =
    [Status::UncertainNoCommunicationLastUsableValue, Status::UncertainLastUsableValue];

/// What does not change while the daemon runs.
#[derive(Clone, PartialEq, Debug)]
pub struct Facts {
    /// Of the program.
    pub version: &'static str,
    /// Site name in the configuration.
    pub site: String,
    /// When it was started.
    pub started: Timestamp,
    /// Names of the gateway's own alarms.
    pub node_alarms: Vec<String>,
    /// Names of the alarms of each sump, in the order of the settings.
    pub sump_alarms: Vec<Vec<String>>,
}

/// The shop as it was seen.
#[derive(Clone, PartialEq, Debug)]
pub struct Seen {
    /// When.
    pub at: Timestamp,
    /// It.
    pub snapshot: Snapshot,
    /// What is left away after crashes, in words.
    pub reduced: Vec<String>,
    /// The newest note of each sump, by its name.
    pub notes: BTreeMap<String, LastNote>,
}

/// What somebody wrote down last of a sump.
#[derive(Clone, PartialEq, Debug)]
pub struct LastNote {
    /// Of what time it is.
    pub at: Timestamp,
    /// Word of its kind.
    pub kind: String,
    /// In the unit of the kind; none where the kind has no number.
    pub value: Option<f64>,
    /// What it means, and in their words. Untrusted text.
    pub text: String,
}

/// The shop as metrics.
pub fn picture(facts: &Facts, seen: &Seen) -> Picture {
    let at = millis(seen.at);
    let devices = seen.snapshot.sumps.iter().zip(&facts.sump_alarms);
    let devices = devices.map(|(sump, alarms)| device(at, sump, alarms, seen.notes.get(&sump.name)));
    Picture { at, node: node(at, facts, seen), devices: devices.collect() }
}

fn node(at: u64, facts: &Facts, seen: &Seen) -> Vec<Standing> {
    let started = millis(facts.started);
    let mut all = vec![
        plain(started, "Properties/Software", text("Sumpwarden"), None),
        plain(started, "Properties/Version", text(facts.version), None),
        plain(started, "Properties/Site", text(&facts.site), None),
        plain(started, "Properties/Started", Value::Long(started), Some("since when the daemon runs")),
        plain(at, "Properties/Sumps", count(seen.snapshot.sumps.len()), Some("each of them is a device")),
        plain(
            at,
            "Properties/Reduced",
            text(&seen.reduced.join("; ")),
            Some("what is left away after crashes; empty while everything runs"),
        ),
    ];
    // The only one of these whose value is a time.
    all[3].kind = DataType::DateTime;
    all.extend(alarms(at, &facts.node_alarms, &seen.snapshot.alarms));
    all
}

fn device(at: u64, sump: &SumpView, names: &[String], note: Option<&LastNote>) -> Device {
    let mut metrics = vec![
        plain(at, "Properties/Title", text(&sump.title), Some("what people call it")),
        plain(at, "Properties/Fluid", text(&sump.fluid), None),
        measured(at, "Properties/Target concentration", sump.target_percent, Unit::Percent),
        measured(at, "Properties/Volume at fill mark", sump.fill_mark_l, Unit::Litre),
    ];
    metrics.extend(sump.probes.iter().map(|of| probe(at, of)));
    metrics.extend(sump.estimates.iter().flat_map(|of| estimate(at, of)));
    metrics.extend(advice(at, sump));
    metrics.extend(last_note(at, note));
    metrics.extend(alarms(at, names, &sump.alarms));
    let id = Id::new(&sump.name).expect("letters, digits, - and _ make a level of a topic");
    Device { id, is_there: is_there(sump), metrics }
}

/// Whether any of its probes is heard of. A sump without probes lives by what people write down.
fn is_there(sump: &SumpView) -> bool {
    let silent = |probe: &ProbeView| SILENT.iter().any(|status| status.text() == probe.quality.status);
    sump.probes.is_empty() || !sump.probes.iter().all(silent)
}

fn probe(at: u64, of: &ProbeView) -> Standing {
    let read = of.at.as_deref().and_then(|at| Timestamp::parse(at).ok()).map(millis);
    let properties = qualified(of.unit, &of.quality);
    double(read.unwrap_or(at), format!("Probes/{}", of.name), of.value, properties, None)
}

/// The value and the ends of its interval.
fn estimate(at: u64, of: &EstimateView) -> [Standing; 3] {
    let properties = || qualified(of.unit, &of.quality);
    let bounds = [
        ("Value", of.value, None),
        ("Low90", of.low90, Some("lower end of the 90 % interval")),
        ("High90", of.high90, Some("upper end of the 90 % interval")),
    ];
    bounds.map(|(bound, value, description)| {
        double(at, format!("Estimates/{}/{bound}", of.quantity), value, properties(), description)
    })
}

fn advice(at: u64, sump: &SumpView) -> [Standing; 2] {
    let first = sump.advice.first();
    let words = first.map_or_else(String::new, |first| match &first.unsure {
        Some(unsure) => format!("{} ({unsure})", first.text),
        None => first.text.clone(),
    });
    [
        plain(
            at,
            "Advice/Now",
            text(&words),
            Some("what to do now, most urgent; empty where that is nothing"),
        ),
        plain(at, "Advice/Count", count(sump.advice.len()), None),
    ]
}

fn last_note(at: u64, note: Option<&LastNote>) -> [Standing; 3] {
    let at = note.map_or(at, |note| millis(note.at));
    let kind = note.map(|note| text(&note.kind));
    let words = note.map(|note| text(&note.text));
    let with = |name: &str, kind, value, description| Standing { kind, value, ..null(at, name, description) };
    [
        with("Last note/Kind", DataType::String, kind, None),
        double(at, "Last note/Value".to_owned(), note.and_then(|note| note.value), Vec::new(), None),
        with(
            "Last note/Text",
            DataType::String,
            words,
            Some("what somebody wrote down last, and what it means"),
        ),
    ]
}

/// All alarms there may be, and how they stand.
fn alarms(at: u64, names: &[String], not_normal: &[AlarmView]) -> Vec<Standing> {
    let state_of = |name: &str| not_normal.iter().find(|alarm| alarm.name == name);
    let standing = |alarm: &&AlarmView| State::from_word(alarm.state).is_some_and(State::stands);
    let highest =
        not_normal.iter().filter(standing).filter_map(|alarm| Priority::from_word(alarm.priority)).max();
    let mut all = vec![
        plain(
            at,
            "Alarms/Standing",
            count(not_normal.iter().filter(standing).count()),
            Some("alarms that somebody is to see"),
        ),
        plain(at, "Alarms/Highest priority", text(highest.map_or("none", Priority::word)), None),
    ];
    for name in names {
        let state = state_of(name).map_or(State::Normal.word(), |alarm| alarm.state);
        let active = [State::Unacknowledged, State::Acknowledged].map(State::word).contains(&state);
        all.push(plain(at, &format!("Alarms/{name}/Active"), Value::Boolean(active), None));
        all.push(plain(at, &format!("Alarms/{name}/State"), text(state), None));
    }
    all
}

fn millis(at: Timestamp) -> u64 {
    u64::try_from(at.as_millis()).unwrap_or_default()
}

fn text(text: &str) -> Value {
    Value::Text(text.to_owned())
}

fn count(count: usize) -> Value {
    Value::int32(i32::try_from(count).unwrap_or(i32::MAX))
}

fn null(at: u64, name: &str, description: Option<&'static str>) -> Standing {
    let (name, kind) = (name.to_owned(), DataType::Unknown);
    Standing { name, at, kind, value: None, properties: Vec::new(), description }
}

/// A value of which nothing more is to be said.
fn plain(at: u64, name: &str, value: Value, description: Option<&'static str>) -> Standing {
    let kind = match value {
        Value::Int(_) => DataType::Int32,
        Value::Long(_) => DataType::Int64,
        Value::Float(_) => DataType::Float,
        Value::Double(_) => DataType::Double,
        Value::Boolean(_) => DataType::Boolean,
        Value::Text(_) => DataType::String,
    };
    Standing { kind, value: Some(value), ..null(at, name, description) }
}

fn double(
    at: u64,
    name: String,
    value: Option<f64>,
    properties: Vec<(String, Property)>,
    description: Option<&'static str>,
) -> Standing {
    let value = value.filter(|value| value.is_finite()).map(Value::Double);
    Standing { name, at, kind: DataType::Double, value, properties, description }
}

/// A number of the configuration.
fn measured(at: u64, name: &str, value: f64, unit: Unit) -> Standing {
    let properties = vec![("engUnit".to_owned(), Property::text(unit.ucum()))];
    double(at, name.to_owned(), Some(value), properties, None)
}

/// Unit and quality, the same with every message, so that a host that keeps the newest set misses nothing.
fn qualified(unit: &str, quality: &QualityView) -> Vec<(String, Property)> {
    let properties = [
        ("engUnit", Property::text(unit)),
        ("Quality", Property::int32(code(quality.status))),
        ("Status", Property::text(quality.status)),
        ("Device", Property::text(quality.device)),
        ("Reason", Property::text(quality.reason)),
    ];
    properties.map(|(key, property)| (key.to_owned(), property)).into()
}

/// The standard's code for an OPC UA status.
fn code(status: &str) -> i32 {
    match status {
        _ if STANDS_IN.iter().any(|one| one.text() == status) => STALE,
        _ if status.starts_with("Bad") => BAD,
        _ => GOOD,
    }
}

#[cfg(test)]
mod tests {
    use sumpwarden_core::model::Severity;

    use super::*;

    #[test]
    fn what_can_be_used_is_good_what_stands_in_is_stale_and_the_rest_is_bad() {
        for status in Status::ALL {
            let expected = match status.severity() {
                Severity::Good => GOOD,
                Severity::Uncertain if STANDS_IN.contains(status) => STALE,
                Severity::Uncertain => GOOD,
                Severity::Bad => BAD,
            };
            assert_eq!(code(status.text()), expected, "{status:?}");
        }
    }
}
