//! Looking a store through without changing it: does every part hold what it says, and do the parts agree?
//!
//! A running daemon is not held up: each part is read in a transaction of its own, as short as it can be, and SQLite's own
//! check, the longest, is broken off should the log grow meanwhile. What is compared is read in the same transaction.

mod books;
mod points;

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

use rusqlite::Connection;
use sumpwarden_core::model::Timestamp;

use super::extract::Holding;
use super::quiet::Quiet;
use super::schema::{self, SCHEMA_VERSION, WAL_BYTES_MAX};
use super::{Progress, Salvage, StoreError};
use crate::edge::data_files::{DAMAGED, store_aside};

/// Mistakes of one part that are told one by one.
const FINDINGS_MAX: usize = 50;

/// What was looked at.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Part {
    /// Table, or what else it is.
    pub name: &'static str,
    /// How many rows there are.
    pub rows: u64,
    /// What was looked at, in words.
    pub looked: &'static str,
    /// How many mistakes there are.
    pub wrong: u64,
}

/// One mistake.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Finding {
    /// Where.
    pub part: &'static str,
    /// Which row, where it is one.
    pub row: Option<i64>,
    /// Which series, where it is one's.
    pub series: Option<String>,
    /// From when to when, where that is known.
    pub stretch: Option<(Timestamp, Timestamp)>,
    /// What is wrong.
    pub what: String,
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.part)?;
        if let Some(row) = self.row {
            write!(f, " {row}")?;
        }
        if let Some(series) = &self.series {
            write!(f, ", {series}")?;
        }
        if let Some((from, until)) = self.stretch {
            write!(f, ", {from} to {until}")?;
        }
        write!(f, ": {}", self.what)
    }
}

/// What a look found.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Report {
    /// Which file.
    pub file: PathBuf,
    /// Its length.
    pub bytes: u64,
    /// Version of its tables.
    pub schema: i32,
    /// Points held, those without a date left out.
    pub points: u64,
    /// What was looked at.
    pub parts: Vec<Part>,
    /// What is wrong, at most fifty of each part.
    pub findings: Vec<Finding>,
    /// What could not be looked at, and why.
    pub left_out: Vec<String>,
}

/// A file that was set aside, and how many points it still holds.
#[derive(Debug)]
pub struct Aside {
    /// Where it lies.
    pub path: PathBuf,
    /// Points that can be read; none where the file cannot be read at all.
    pub points: Result<u64, StoreError>,
}

/// Gives the keys of saved state that the engine cannot read.
pub type Unreadable<'a> = &'a dyn Fn(&BTreeMap<String, Vec<u8>>) -> Vec<String>;

/// Looks the file at `path` through.
pub fn examine(
    path: &Path,
    unreadable: Unreadable<'_>,
    progress: Progress<'_>,
) -> Result<Report, StoreError> {
    let quiet = Quiet::open(path)?;
    let schema = schema_of(&quiet, path)?;
    let bytes = std::fs::metadata(path).map_or(0, |m| m.len());
    let report = Report {
        file: path.to_owned(),
        bytes,
        schema,
        points: 0,
        parts: Vec::new(),
        findings: Vec::new(),
        left_out: Vec::new(),
    };
    let mut look = Look { quiet: &quiet, report, progress };
    look.own_check();
    look.guarded(Look::points);
    look.guarded(|look| look.books(unreadable));
    let report = look.report;
    if quiet.was_disturbed() {
        let why = "a daemon was started meanwhile; ask again".to_owned();
        return Err(StoreError::Unusable { path: path.to_owned(), why });
    }
    Ok(report)
}

/// Files in `directory` that were set aside as damaged.
pub fn set_aside(directory: &Path, progress: Progress<'_>) -> Vec<Aside> {
    let entries = std::fs::read_dir(directory).into_iter().flatten().flatten();
    let mut paths: Vec<PathBuf> = entries
        .filter_map(|entry| {
            let name = entry.file_name().into_string().ok()?;
            let number = name.strip_prefix(&format!("{}.{DAMAGED}-", schema::FILE))?;
            let number = number.strip_suffix("-wal").unwrap_or(number);
            Some(directory.join(store_aside(DAMAGED, number.parse().ok()?)))
        })
        .collect();
    paths.sort_unstable();
    paths.dedup();
    let look = |path: PathBuf| Aside {
        points: Salvage::look(&path, progress).and_then(|mut s| count(&mut s)),
        path,
    };
    paths.into_iter().map(look).collect()
}

/// Points that can be read, each once.
fn count(salvage: &mut Salvage) -> Result<u64, StoreError> {
    let mut points = 0;
    let (from, until) = (Timestamp::from_nanos(i64::MIN), Timestamp::from_nanos(i64::MAX));
    for series in salvage.series()? {
        Holding::points(salvage, series.id, from, until, &mut |_| points += 1)?;
    }
    Ok(points)
}

fn schema_of(connection: &Connection, path: &Path) -> Result<i32, StoreError> {
    let version: i32 = connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    schema::check_ours(connection)?;
    if version > SCHEMA_VERSION {
        return Err(StoreError::Newer { path: path.to_owned(), version, known: SCHEMA_VERSION });
    }
    Ok(version)
}

/// A look under way.
struct Look<'a> {
    quiet: &'a Quiet,
    report: Report,
    progress: Progress<'a>,
}

impl Look<'_> {
    fn begin(&mut self, name: &'static str, looked: &'static str) {
        self.report.parts.push(Part { name, rows: 0, looked, wrong: 0 });
    }

    fn part(&mut self) -> &mut Part {
        self.report.parts.last_mut().expect("a part was begun")
    }

    /// Notes a mistake of the part that was begun last.
    fn wrong(
        &mut self,
        row: Option<i64>,
        series: Option<String>,
        stretch: Option<(i64, i64)>,
        what: impl Into<String>,
    ) {
        let part = self.part();
        part.wrong += 1;
        let (name, wrong) = (part.name, part.wrong);
        if wrong <= FINDINGS_MAX as u64 {
            let stretch = stretch.map(|(a, b)| (Timestamp::from_nanos(a), Timestamp::from_nanos(b)));
            self.report.findings.push(Finding { part: name, row, series, stretch, what: what.into() });
        }
    }

    /// A part that SQLite cannot read to its end is a mistake of that part, and the rest goes on.
    fn guarded(&mut self, look: impl FnOnce(&mut Self) -> rusqlite::Result<()>) {
        if let Err(error) = look(self) {
            if self.report.parts.is_empty() {
                self.begin("file", "can be read");
            }
            self.wrong(None, None, None, format!("cannot be read any further: {error}"));
        }
    }

    /// SQLite's own check of pages, trees and indexes, broken off should the log grow too long meanwhile.
    fn own_check(&mut self) {
        self.begin("file", "pages, trees and indexes, by SQLite");
        (self.progress)("SQLite's own check", 0, 0);
        let stop = self.quiet.get_interrupt_handle();
        let (done, over) = std::sync::mpsc::channel::<()>();
        let quiet = self.quiet;
        let found: rusqlite::Result<Vec<String>> = std::thread::scope(|scope| {
            scope.spawn({
                let log_path = quiet.log_path();
                move || {
                    let every = std::time::Duration::from_millis(200);
                    while over.recv_timeout(every) == Err(std::sync::mpsc::RecvTimeoutError::Timeout) {
                        if std::fs::metadata(&log_path).is_ok_and(|m| m.len() > WAL_BYTES_MAX * 3 / 4) {
                            stop.interrupt();
                        }
                    }
                }
            });
            let verdict = quiet.prepare("PRAGMA integrity_check(50)").and_then(|mut check| {
                check.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<Vec<String>>>()
            });
            drop(done);
            verdict
        });
        match found {
            Ok(lines) => {
                self.part().rows = self.report_pages();
                for line in
                    lines.into_iter().flat_map(|text| text.lines().map(str::to_owned).collect::<Vec<_>>())
                {
                    if line != "ok" {
                        self.wrong(None, None, None, line);
                    }
                }
            }
            Err(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::OperationInterrupted) => {
                self.report.left_out.push(
                    "SQLite's own check was broken off so as not to hold up the daemon; stop it for a whole one".into(),
                );
            }
            Err(error) => self.wrong(None, None, None, error.to_string()),
        }
    }

    fn report_pages(&self) -> u64 {
        self.quiet.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap_or(0)
    }
}
