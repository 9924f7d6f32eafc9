//! Every field of the log stands in the handbook's table, with the part of the program that writes it, and nothing else does.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

const TABLE: &str = "../deploy/handbook/logs.md";
const SOURCES: &str = "../gateway/daemon/src";

fn here(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// Fields by the part that writes them, as the code has them.
fn in_code() -> BTreeSet<(String, String)> {
    let mut found = BTreeSet::new();
    let mut folders = vec![here(SOURCES)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).expect("a directory") {
            let path = entry.expect("readable").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|end| end == "rs") {
                let text = fs::read_to_string(&path).expect("text");
                let whole = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default();
                let target = target_of(&path);
                found.extend(fields(whole).into_iter().map(|field| (target.clone(), field)));
            }
        }
    }
    found
}

fn target_of(path: &Path) -> String {
    let inside = path.strip_prefix(here(SOURCES)).expect("one of ours").with_extension("");
    let parts: Vec<_> = inside.iter().map(|part| part.to_string_lossy().into_owned()).collect();
    parts.join("::").trim_end_matches("::mod").to_owned()
}

/// Names of the fields of every event in a source text.
fn fields(text: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for level in ["error", "warn", "info", "debug", "trace"] {
        for piece in text.split(&format!("tracing::{level}!(")).skip(1) {
            found.extend(arguments(piece).iter().map_while(|argument| field(argument)));
        }
    }
    found
}

/// What stands between the parentheses, up to the one that closes them, cut at its own commas.
fn arguments(text: &str) -> Vec<String> {
    let (mut all, mut one) = (Vec::new(), String::new());
    let (mut depth, mut quoted, mut escaped) = (0, false, false);
    for c in text.chars() {
        if quoted {
            quoted = c != '"' || escaped;
            escaped = c == '\\' && !escaped;
        } else {
            match c {
                '"' => quoted = true,
                '(' | '[' | '{' => depth += 1,
                ')' | ']' | '}' if depth == 0 => break,
                ')' | ']' | '}' => depth -= 1,
                ',' if depth == 0 => {
                    all.push(std::mem::take(&mut one));
                    continue;
                }
                _ => {}
            }
        }
        one.push(c);
    }
    all.push(one);
    all
}

/// The field that an argument names; none for the message, behind which only its values stand.
fn field(argument: &str) -> Option<String> {
    let argument = argument.trim().trim_start_matches(['%', '?']);
    let name: String =
        argument.chars().take_while(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || *c == '_').collect();
    let rest = argument[name.len()..].trim_start();
    (!name.is_empty() && (rest.is_empty() || rest.starts_with('=') && !rest.starts_with("==")))
        .then_some(name)
}

/// Fields by the parts that write them, as the table has them; `any` stands for every part.
fn in_table(text: &str) -> BTreeSet<(String, String)> {
    let mut found = BTreeSet::new();
    for row in text.lines().filter(|line| line.starts_with("| `") || line.starts_with("| any")) {
        let cells: Vec<&str> = row.split('|').map(str::trim).collect();
        assert_eq!(cells.len(), 6, "four columns: {row}");
        let field = cells[2].trim_matches('`').to_owned();
        found.extend(cells[1].split(", ").map(|target| (target.trim_matches('`').to_owned(), field.clone())));
    }
    found
}

#[test]
fn every_field_is_explained_and_none_that_is_not_there() {
    let (code, table) = (in_code(), in_table(&fs::read_to_string(here(TABLE)).expect("the handbook")));
    let any: BTreeSet<&String> =
        table.iter().filter(|(target, _)| target == "any").map(|(_, field)| field).collect();
    // The demo is no daemon.
    let written =
        code.iter().filter(|(target, field)| !any.contains(field) && !target.starts_with("commands::demo"));
    let missing: Vec<_> = written.filter(|row| !table.contains(*row)).collect();
    assert!(missing.is_empty(), "not in {TABLE}: {missing:?}");
    let stale: Vec<_> = table.iter().filter(|row| row.0 != "any" && !code.contains(*row)).collect();
    assert!(stale.is_empty(), "in {TABLE} and not in the code: {stale:?}");
    assert!(any.iter().all(|field| code.iter().any(|(_, written)| written == *field)), "{any:?}");
    assert!(code.len() > 50, "{} fields were found", code.len());
}

#[test]
fn fields_are_found_as_they_are_written() {
    let text = r#"tracing::warn!(bus = %settings.name, %error, ?wait, count, "late, {x}: {}", other = 3);
        tracing::error!("only words: {error}"); tracing::info!(late = name(a, b), "x")"#;
    let expected = ["bus", "count", "error", "late", "wait"];
    assert_eq!(fields(text), expected.map(str::to_owned).into());
}
