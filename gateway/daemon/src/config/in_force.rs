//! Every setting in force, with its value and where it comes from: what was written, what types brought, what variables set, and
//! defaults as the checks worked them out.

use std::collections::BTreeMap;
use std::path::Path;

use config::{Value, ValueKind};

use super::report::{Place, Report};
use super::sources::{KeyPath, Layered, is_secret, path_text};
use super::{Recording, read_with};

/// One setting in force.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize)]
pub struct Setting {
    /// `sump.lathe-3.probe.ph.scale`.
    pub key: String,
    /// As it would be written; secrets are starred out.
    pub value: String,
    /// File, line and column, a variable, or `default`.
    pub source: String,
    /// The type it came by.
    pub by: Option<String>,
}

/// What the checks work out of a key that nobody needs to write.
#[derive(Clone, PartialEq, Eq, Default, Debug)]
pub(super) struct Fact {
    /// Its value where nothing is written, as it would be written.
    pub(super) default: Option<String>,
    /// From where to where it goes.
    pub(super) range: Option<(String, String)>,
}

/// Keys with what was worked out of them.
pub(super) type Facts = BTreeMap<KeyPath, Fact>;

/// Every setting that the files and variables put in force, in the order of keys.
pub fn in_force(path: &Path, variables: &[(String, String)]) -> Result<Vec<Setting>, Report> {
    let read = read_with(path, variables, Recording::On);
    if read.settings.is_none() || read.report.refuses() {
        return Err(read.report);
    }
    let mut all = BTreeMap::new();
    written(&read.layered, &read.report, read.layered.root(), &mut KeyPath::new(), &mut all);
    for (path, fact) in &read.facts {
        if let Some(value) = &fact.default {
            let (key, value) = (path_text(path), value.clone());
            let default = Setting { key, value, source: "default".to_owned(), by: None };
            all.entry(path.clone()).or_insert(default);
        }
    }
    Ok(all.into_values().collect())
}

/// Ranges of the keys that the checks looked at, by their paths with `*` for names.
#[cfg(test)]
pub(super) fn ranges(path: &Path) -> BTreeMap<KeyPath, (String, String)> {
    let read = read_with(path, &[], Recording::On);
    read.facts.into_iter().filter_map(|(path, fact)| Some((path, fact.range?))).collect()
}

/// Whether others take over what stands here; it is in force there.
fn is_pattern(path: &[String]) -> bool {
    let parts: Vec<&str> = path.iter().map(String::as_str).collect();
    matches!(parts[..], ["device_type" | "sump_type", ..] | ["device", _, "probe", ..])
}

fn written(
    layered: &Layered,
    report: &Report,
    value: &Value,
    path: &mut KeyPath,
    all: &mut BTreeMap<KeyPath, Setting>,
) {
    if is_pattern(path) {
        return;
    }
    if let ValueKind::Table(table) = &value.kind {
        for (key, value) in table {
            path.push(key.clone());
            written(layered, report, value, path, all);
            path.pop();
        }
        return;
    }
    let by = layered.inherited.origins.get(path).map(|origin| path_text(&origin[..2]));
    let place = layered.value_place(path);
    let source = match &place {
        Place::Variable(name) => format!("variable {name}"),
        _ => report.locate(&place),
    };
    let key = path.last().map_or("", String::as_str);
    let shown = if is_secret(key) { "\"***\"".to_owned() } else { address_only(path, as_written(value)) };
    all.insert(path.clone(), Setting { key: path_text(path), value: shown, source, by });
}

/// Addresses of receivers may hold a secret behind the host.
fn address_only(path: &[String], text: String) -> String {
    let towards_people = path.first().is_some_and(|table| table == "receiver" || table == "heartbeat");
    let host_end = text.find("://").and_then(|at| text[at + 3..].find('/').map(|end| at + 3 + end));
    match host_end {
        Some(end) if towards_people && path.last().is_some_and(|key| key == "url") => {
            format!("{}/***\"", &text[..end])
        }
        _ => text,
    }
}

/// A value as TOML writes it on one line.
fn as_written(value: &Value) -> String {
    match &value.kind {
        ValueKind::String(text) => {
            let escaped = text.chars().flat_map(|c| match c {
                '"' | '\\' => vec!['\\', c],
                c if c.is_control() => c.escape_unicode().collect(),
                c => vec![c],
            });
            format!("\"{}\"", escaped.collect::<String>())
        }
        ValueKind::Array(items) => {
            format!("[{}]", items.iter().map(as_written).collect::<Vec<_>>().join(", "))
        }
        ValueKind::Table(table) => {
            let mut keys: Vec<_> = table.iter().collect();
            keys.sort_by_key(|(key, _)| key.as_str());
            let keys: Vec<String> =
                keys.iter().map(|(key, value)| format!("{key} = {}", as_written(value))).collect();
            format!("{{ {} }}", keys.join(", "))
        }
        ValueKind::Boolean(on) => on.to_string(),
        ValueKind::I64(number) => number.to_string(),
        ValueKind::U64(number) => number.to_string(),
        ValueKind::Float(number) => number.to_string(),
        ValueKind::Nil | ValueKind::I128(_) | ValueKind::U128(_) => String::new(),
    }
}
