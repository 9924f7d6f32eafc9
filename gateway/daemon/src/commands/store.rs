//! `check --store`: whether the store holds what it says. `snapshot` and `restore`: a copy of it, and back.
//!
//! None of them needs the daemon to stand still but `restore`; the check and the copy change nothing of what they look at.

use std::cell::Cell;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use sumpwarden_core::alarm::saved;
use sumpwarden_core::engine::{self, Engine, renumbered};
use sumpwarden_core::notify::router;

use super::console::plain;
use super::{Exit, console, load};
use crate::edge::clock::Clock;
use crate::edge::data_files::DEEDS_KEY;
use crate::edge::store::examine::{Aside, Finding, Report, examine, set_aside};
use crate::edge::store::{FILE, StoreError, snapshot};
use crate::edge::web::access::{Broken, verify_deeds};
use crate::edge::web::key;

/// How often progress is shown.
const SHOWN_EVERY: Duration = Duration::from_millis(250);

/// Which store is to be looked through.
#[derive(Clone, Copy, Debug)]
pub enum Which<'a> {
    /// That of a configuration; what the engine saved is read as that engine would.
    Configured(&'a Path),
    /// One that lies there: a data directory, or a file.
    At(&'a Path),
}

/// Looks a store through and writes what was found to stdout.
pub fn check(which: Which<'_>, json: bool) -> Exit {
    let (file, engine) = match which {
        Which::At(path) if path.is_dir() => (path.join(FILE), None),
        Which::At(path) => (path.to_owned(), None),
        Which::Configured(config) => match load(config) {
            Ok(settings) => (settings.store.directory.join(FILE), Some(settings.engine)),
            Err(exit) => return exit,
        },
    };
    let progress = Progress::default();
    let report = match examine(&file, &|saved| unreadable(saved, engine.as_ref()), &|what, at, of| {
        progress.show(what, at, of)
    }) {
        Ok(report) => report,
        Err(error) => return progress.failed(&error),
    };
    let beside = file.file_name().filter(|name| *name == FILE).and_then(|_| file.parent());
    let asides = beside
        .map_or_else(Vec::new, |directory| set_aside(directory, &|what, at, of| progress.show(what, at, of)));
    progress.clear();
    let deeds = beside.and_then(deeds);
    if json {
        let mut found = as_json(&report, &asides);
        found["deeds"] = deeds.as_ref().map_or(Value::Null, deeds_as_json);
        console::say(&format!("{found:#}"));
    } else {
        let deeds = deeds.as_ref().map(deeds_as_text);
        as_text(&report, &asides).iter().chain(&deeds).for_each(|line| console::say(line));
    }
    let whole = report.findings.is_empty() && deeds.is_none_or(|deeds| deeds.is_ok());
    if whole { Exit::Success } else { Exit::Negative }
}

/// Entries of the record of deeds that hold together, or where they do not; none where no daemon has kept one.
fn deeds(directory: &Path) -> Option<Result<u64, Broken>> {
    let key = key::read(directory, DEEDS_KEY).ok()?;
    Some(verify_deeds(directory, &key))
}

fn deeds_as_text(deeds: &Result<u64, Broken>) -> String {
    match deeds {
        Ok(entries) => format!("record of deeds: {entries} entries, each sealed and none missing"),
        Err(Broken { path, line, what }) => {
            format!("wrong: {} line {line}: {what}", plain(&path.display().to_string()))
        }
    }
}

fn deeds_as_json(deeds: &Result<u64, Broken>) -> Value {
    match deeds {
        Ok(entries) => json!({"entries": entries, "wrong": null}),
        Err(Broken { path, line, what }) => json!({"wrong": {"file": path, "line": line, "what": what}}),
    }
}

/// Keys that the engine could not go on from. Without a configuration, only what needs none is read.
fn unreadable(saved: &BTreeMap<String, Vec<u8>>, settings: Option<&engine::Settings>) -> Vec<String> {
    let lookup = |key: &str| saved.get(key).cloned();
    match settings.cloned().map(Engine::new) {
        Some(Ok(mut engine)) => engine.restore(Clock.now(), lookup),
        Some(Err(error)) => vec![error.to_string()],
        None => {
            let bad = |(key, bytes): &(&String, &Vec<u8>)| {
                key.starts_with("alarm/") && saved::occurrence(bytes).is_none()
                    || *key == router::SAVED_KEY && router::renumbered(bytes, 0).is_none()
            };
            saved.iter().filter(bad).map(|(key, _)| key.clone()).collect()
        }
    }
}

fn as_text(report: &Report, asides: &[Aside]) -> Vec<String> {
    let mut lines = vec![format!(
        "store {}: schema {}, {} points, {:.1} MiB",
        plain(&report.file.display().to_string()),
        report.schema,
        report.points,
        report.bytes as f64 / f64::from(1 << 20)
    )];
    for part in &report.parts {
        let verdict = if part.wrong == 0 { "ok".to_owned() } else { format!("{} WRONG", part.wrong) };
        lines.push(format!("  {:<8} {:>12}  {:<9} {}", part.name, part.rows, verdict, part.looked));
    }
    lines.extend(report.left_out.iter().map(|what| format!("left out: {what}")));
    lines.extend(report.findings.iter().map(|finding| format!("wrong: {}", plain(&finding.to_string()))));
    for aside in asides {
        let path = plain(&aside.path.display().to_string());
        lines.push(match &aside.points {
            Ok(points) => format!(
                "set aside: {path}: {points} points can be read; sumpwarden export --file takes them out"
            ),
            Err(error) => format!("set aside: {path}: {error}"),
        });
    }
    lines
}

fn as_json(report: &Report, asides: &[Aside]) -> Value {
    let finding = |finding: &Finding| {
        json!({
            "part": finding.part,
            "row": finding.row,
            "series": finding.series,
            "from": finding.stretch.map(|stretch| stretch.0.to_string()),
            "to": finding.stretch.map(|stretch| stretch.1.to_string()),
            "what": finding.what,
        })
    };
    let parts: Vec<Value> = (report.parts.iter())
        .map(|part| json!({"part": part.name, "rows": part.rows, "wrong": part.wrong, "looked": part.looked}))
        .collect();
    let asides: Vec<Value> = (asides.iter())
        .map(|aside| json!({"file": aside.path, "points": aside.points.as_ref().ok()}))
        .collect();
    json!({
        "file": report.file,
        "schema": report.schema,
        "bytes": report.bytes,
        "points": report.points,
        "parts": parts,
        "wrong": report.findings.iter().map(finding).collect::<Vec<_>>(),
        "left_out": report.left_out,
        "set_aside": asides,
    })
}

/// Copies a store to `output`, whether a daemon runs or not.
pub fn copy(which: Which<'_>, output: &Path) -> Exit {
    let store = match which {
        Which::At(path) if path.is_dir() => path.join(FILE),
        Which::At(path) => path.to_owned(),
        Which::Configured(config) => match load(config) {
            Ok(settings) => settings.store.directory.join(FILE),
            Err(exit) => return exit,
        },
    };
    let progress = Progress::default();
    match snapshot::snapshot(&store, output, &|what, at, of| progress.show(what, at, of)) {
        Ok(copied) => {
            progress.clear();
            console::say(&format!(
                "{}: {} points, {} bytes; keys that programs hold are not in it",
                plain(&output.display().to_string()),
                copied.points,
                copied.bytes
            ));
            Exit::Success
        }
        Err(error) => progress.failed(&error),
    }
}

/// Puts the copy `from` in the place of the store of the configuration; no daemon may run.
pub fn restore(config: &Path, from: &Path) -> Exit {
    let settings = match load(config) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    let progress = Progress::default();
    let directory = &settings.store.directory;
    match snapshot::restore(directory, from, &renumbered, &|what, at, of| progress.show(what, at, of)) {
        Ok((copied, aside)) => {
            progress.clear();
            console::say(&format!(
                "{}: {} points",
                plain(&directory.join(FILE).display().to_string()),
                copied.points
            ));
            if let Some(aside) = aside {
                let path = plain(&aside.path.display().to_string());
                console::say(&format!("what was there before lies in {path}"));
            }
            Exit::Success
        }
        Err(error) => progress.failed(&error),
    }
}

/// How far long work has come, on one line of a terminal; nothing where nobody looks.
#[derive(Debug, Default)]
pub(super) struct Progress {
    shown: Cell<Option<Instant>>,
}

impl Progress {
    pub(super) fn show(&self, what: &str, at: u64, of: u64) {
        if !console::stderr_is_terminal()
            || self.shown.get().is_some_and(|shown| shown.elapsed() < SHOWN_EVERY)
        {
            return;
        }
        self.shown.set(Some(Instant::now()));
        console::replace_line(&if of > 0 { format!("{what}: {at} of {of}") } else { what.to_owned() });
    }

    pub(super) fn clear(&self) {
        if self.shown.take().is_some() {
            console::replace_line("");
        }
    }

    /// Says what failed.
    pub(super) fn failed(&self, error: &StoreError) -> Exit {
        self.clear();
        console::complain(&plain(&error.to_string()));
        Exit::Outside
    }
}

/// Where a file of the store may lie that is named by hand.
pub(super) fn file_of(directory: &Path, named: Option<&Path>) -> PathBuf {
    named.map_or_else(|| directory.join(FILE), Path::to_owned)
}
