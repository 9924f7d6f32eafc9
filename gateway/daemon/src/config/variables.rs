//! Environment variables as the topmost layer: each sets one value, and one that matches no key is a mistake.
//!
//! `SUMPWARDEN__SUMP__LATHE_3__FILL_MARK` sets `sump.lathe-3.fill_mark`. A table that holds names people give cannot get a
//! new name this way: it would be a misspelt one.

use std::collections::BTreeMap;

use config::{Map, Value, ValueKind};

use super::nearest::did_you_mean;
use super::report::{Mistake, Place, Report, Weight};
use super::sources::{KeyPath, Layered, Spot, build, path_text};

/// Start of the name of every environment variable that overrides a key.
pub const VARIABLE_PREFIX: &str = "SUMPWARDEN__";

/// Lays the variables over the files: those that concern types before these are expanded, the others afterwards, so that
/// they can set what a sump or device inherits.
pub(super) fn add(
    mut layered: Layered,
    variables: &[(String, String)],
    of_types: bool,
    report: &mut Report,
) -> Layered {
    let mut overlay = Map::new();
    let mut by_path: BTreeMap<KeyPath, &str> = BTreeMap::new();
    for (name, text) in variables {
        let Some(rest) = name.strip_prefix(VARIABLE_PREFIX) else { continue };
        if concerns_types(rest) != of_types {
            continue;
        }
        let mut refuse = |what: String, cure: String| {
            let place = Place::Variable(name.clone());
            report.mistakes.push(Mistake { place, weight: Weight::Mistake, what, cure, other: None });
        };
        if text.contains(char::REPLACEMENT_CHARACTER) {
            refuse("is no Unicode text".to_owned(), "set it to plain text".to_owned());
            continue;
        }
        let path = match resolve(&layered.root, rest) {
            Ok(path) => path,
            Err((what, cure)) => {
                refuse(what, cure);
                continue;
            }
        };
        if let Some(first) = by_path.insert(path.clone(), name) {
            refuse(
                format!("sets `{}`, and so does {first}", path_text(&path)),
                "unset one of them".to_owned(),
            );
            continue;
        }
        if !insert(&mut overlay, &path, text) {
            refuse("does not fit together with another variable".to_owned(), "unset one of them".to_owned());
            continue;
        }
        let place = Place::Variable(name.clone());
        for n in 1..path.len() {
            layered
                .spots
                .entry(path[..n].to_vec())
                .or_insert(Spot { key: place.clone(), value: place.clone() });
        }
        layered.refused.remove(&path);
        layered.inherited.origins.remove(&path);
        layered.spots.insert(path, Spot { key: place.clone(), value: place });
    }
    if !overlay.is_empty()
        && let ValueKind::Table(files) = std::mem::take(&mut layered.root.kind)
    {
        layered.root = build(vec![files, overlay]);
    }
    layered
}

/// Whether a variable sets what others inherit, or from what something inherits.
fn concerns_types(rest: &str) -> bool {
    let rest = fold(rest);
    match rest.split("__").collect::<Vec<_>>()[..] {
        ["device_type" | "sump_type", ..] | ["device", _, "probe", ..] => true,
        ["sump", _, key] => key == "type" || key == "device",
        ["device", _, key] => key == "type",
        _ => false,
    }
}

/// Case does not matter, and `_` also stands for `-`.
fn fold(text: &str) -> String {
    text.to_lowercase().replace('-', "_")
}

/// Tables whose keys are names that people give.
const NAMED: &[&str] =
    &["forward", "bus", "device", "device_type", "broker", "water", "fluid", "sump", "sump_type"];

/// Whether the keys of the table at `path` are names that people give.
fn holds_names(path: &[String]) -> bool {
    match path {
        [table] => NAMED.contains(&table.as_str()),
        [sump, _, table] if table == "limit" => sump == "sump" || sump == "sump_type",
        [_, _, table] => table == "probe",
        _ => false,
    }
}

/// The keys that a variable's name stands for.
fn resolve(root: &Value, rest: &str) -> Result<KeyPath, (String, String)> {
    let mut path = KeyPath::new();
    let mut here = Some(root);
    for part in rest.split("__") {
        let part = fold(part);
        if part.is_empty() || part.chars().any(|c| !(c.is_ascii_alphanumeric() || c == '_')) {
            let cure = format!("names look like {VARIABLE_PREFIX}WEB__LISTEN");
            return Err(("matches no key".to_owned(), cure));
        }
        let table = match here.map(|v| &v.kind) {
            Some(ValueKind::Table(table)) => Some(table),
            Some(_) => {
                let what = format!("matches no key: `{}` is no table", path_text(&path));
                return Err((what, format!("`{}` itself can be set", path_text(&path))));
            }
            None => None,
        };
        let mut same: Vec<&String> =
            table.into_iter().flat_map(|t| t.keys()).filter(|k| fold(k) == part).collect();
        same.sort();
        let key = match same[..] {
            [key] => key.clone(),
            [] if holds_names(&path) => {
                let mut names: Vec<&str> =
                    table.into_iter().flat_map(|t| t.keys()).map(String::as_str).collect();
                names.sort_unstable();
                let what = format!("matches no key: no `{part}` in `{}`", path_text(&path));
                return Err((
                    what,
                    format!(
                        "{}names there: {}",
                        did_you_mean(&part, names.iter().copied()),
                        names.join(", ")
                    ),
                ));
            }
            [] => part,
            [one, two, ..] => {
                let what = format!("could mean `{one}` and `{two}` in `{}`", path_text(&path));
                return Err((what, "set it in the file".to_owned()));
            }
        };
        here = table.and_then(|t| t.get(&key));
        path.push(key);
    }
    if matches!(here.map(|v| &v.kind), Some(ValueKind::Table(_) | ValueKind::Array(_))) {
        let what = format!("sets `{}`, which is no single value", path_text(&path));
        return Err((what, "tables and lists are set in the file".to_owned()));
    }
    Ok(path)
}

/// Whether it could be put there: not where another variable set a single value.
fn insert(table: &mut Map<String, Value>, path: &[String], text: &str) -> bool {
    let [key, rest @ ..] = path else { return false };
    if rest.is_empty() {
        return table.insert(key.clone(), Value::new(None, ValueKind::String(text.to_owned()))).is_none();
    }
    let below = table.entry(key.clone()).or_insert_with(|| Value::new(None, ValueKind::Table(Map::new())));
    match &mut below.kind {
        ValueKind::Table(below) => insert(below, rest, text),
        _ => false,
    }
}
