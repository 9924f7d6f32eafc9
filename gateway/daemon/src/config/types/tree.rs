//! Values of the layered tree by their paths.

use config::{Map, Value, ValueKind};

use super::super::sources::KeyPath;

/// A path from its parts.
pub(super) fn path(parts: &[&str]) -> KeyPath {
    parts.iter().map(|part| (*part).to_owned()).collect()
}

/// The path of a key below.
pub(super) fn join(table: &[String], key: &str) -> KeyPath {
    [table, &[key.to_owned()]].concat()
}

/// The value at a path.
pub(super) fn get<'v>(root: &'v Value, path: &[String]) -> Option<&'v Value> {
    path.iter().try_fold(root, |here, part| match (&here.kind, part.strip_prefix('#')) {
        (ValueKind::Table(table), _) => table.get(part),
        (ValueKind::Array(items), Some(index)) => items.get(index.parse::<usize>().ok()?),
        _ => None,
    })
}

fn table_mut<'v>(root: &'v mut Value, path: &[String]) -> Option<&'v mut Map<String, Value>> {
    let found = path.iter().try_fold(root, |here, part| match (&mut here.kind, part.strip_prefix('#')) {
        (ValueKind::Table(table), _) => table.get_mut(part),
        (ValueKind::Array(items), Some(index)) => items.get_mut(index.parse::<usize>().ok()?),
        _ => None,
    })?;
    match &mut found.kind {
        ValueKind::Table(table) => Some(table),
        _ => None,
    }
}

/// Keys of the table at a path, sorted; none where there is no table.
pub(super) fn keys(root: &Value, path: &[String]) -> Vec<String> {
    let Some(ValueKind::Table(table)) = get(root, path).map(|value| &value.kind) else { return Vec::new() };
    let mut keys: Vec<String> = table.keys().cloned().collect();
    keys.sort_unstable();
    keys
}

/// Sets a key of a table that is there.
pub(super) fn set(root: &mut Value, path: &[String], value: Value) {
    if let Some((key, table)) = path.split_last()
        && let Some(table) = table_mut(root, table)
    {
        table.insert(key.clone(), value);
    }
}

/// Takes a key out of its table.
pub(super) fn remove(root: &mut Value, path: &[String]) {
    if let Some((key, table)) = path.split_last()
        && let Some(table) = table_mut(root, table)
    {
        table.remove(key);
    }
}

/// Keys and list items in a value, itself included, and the bytes of its keys and texts.
pub(super) fn weigh(value: &Value) -> (usize, u64) {
    let add = |sum: (usize, u64), (items, bytes): (usize, u64)| (sum.0 + items, sum.1 + bytes);
    match &value.kind {
        ValueKind::Table(table) => {
            table.iter().map(|(key, value)| add(weigh(value), (0, key.len() as u64))).fold((1, 0), add)
        }
        ValueKind::Array(items) => items.iter().map(weigh).fold((1, 0), add),
        ValueKind::String(text) => (1, text.len() as u64),
        _ => (1, 0),
    }
}
