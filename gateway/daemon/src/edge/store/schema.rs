//! The file: where it lies, who may open it, what is in it, and what happens to one that cannot be read.

use std::fs::{DirBuilder, File, TryLockError};
use std::os::unix::fs::{DirBuilderExt, MetadataExt};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use rusqlite::types::Value;
use rusqlite::{Connection, ErrorCode, OpenFlags};

use super::quiet::uri;
use super::{Salvage, StoreError, beside, log_of, outbox, revive, undated};
use crate::edge::data_files::{self, DAMAGED, STORE, store_aside};
use crate::faults;

/// Marks the file as ours in its header ("Sump").
pub(super) const APPLICATION_ID: i32 = 0x5375_6d70;

/// Version of the tables below. A file of a greater one is refused and left as it is; one of a smaller one is given what it
/// lacks: version 1 the outbox and all before version 3 the tables of what waits for its date.
pub(super) const SCHEMA_VERSION: i32 = 3;

/// The store, in its directory.
pub const FILE: &str = STORE.name();

/// Who only asks whether a daemon has the store holds the lock for a moment: it is tried so often,
const LOCK_ATTEMPTS: u32 = 10;
/// with a rest in between.
const LOCK_REST: Duration = Duration::from_millis(50);

/// A WAL that a reader held open is cut back to this many bytes afterwards.
const WAL_BYTES_KEPT: i64 = 16 << 20;

/// A WAL longer than this is copied into the file at once, readers waited for; else SQLite does it in passing.
pub(super) const WAL_BYTES_MAX: u64 = 64 << 20;

/// How long a statement waits for a lock that a reader holds.
const BUSY_WAIT: Duration = Duration::from_secs(1);

/// SQLite's page cache of the writer, KiB.
const CACHE_KIB: i64 = 4_096;

/// A file up to this size is checked page by page when it is opened; a larger one where it is read.
const CHECKED_BYTES_MAX: u64 = 16 << 20;

/// Longest time spent on a damaged file at the start.
const SALVAGE_WITHIN: Duration = Duration::from_secs(1);

const TABLES: &str = "
CREATE TABLE meta(name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE series(id INTEGER PRIMARY KEY, text TEXT NOT NULL, quantity TEXT NOT NULL, UNIQUE(text, quantity));
CREATE TABLE batch(
    seq INTEGER PRIMARY KEY, first_at INTEGER NOT NULL, last_at INTEGER NOT NULL, count INTEGER NOT NULL,
    body BLOB NOT NULL);
CREATE TABLE span(
    first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL, first_at INTEGER NOT NULL, last_at INTEGER NOT NULL,
    points INTEGER NOT NULL, chunks INTEGER NOT NULL, level INTEGER NOT NULL);
CREATE TABLE chunk(
    id INTEGER PRIMARY KEY, first_seq INTEGER NOT NULL, series INTEGER NOT NULL, first_at INTEGER NOT NULL,
    last_at INTEGER NOT NULL, count INTEGER NOT NULL, body BLOB NOT NULL);
CREATE INDEX chunk_of_series ON chunk(series, last_at, first_at);
CREATE INDEX chunk_of_span ON chunk(first_seq, series, id, count);
CREATE TABLE rollup(
    series INTEGER NOT NULL, width INTEGER NOT NULL, start INTEGER NOT NULL, points INTEGER NOT NULL,
    worst INTEGER NOT NULL, count INTEGER NOT NULL, min REAL, max REAL, sum REAL, last_at INTEGER, last REAL,
    PRIMARY KEY(series, width, start)) WITHOUT ROWID;
CREATE TABLE journal(
    id INTEGER PRIMARY KEY AUTOINCREMENT, at INTEGER NOT NULL, kind TEXT NOT NULL, sump TEXT, subject TEXT NOT NULL,
    state TEXT NOT NULL, priority TEXT, value REAL, message TEXT NOT NULL);
CREATE UNIQUE INDEX journal_at ON journal(at);
CREATE TABLE saved(key TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE forward(
    name TEXT PRIMARY KEY, pending TEXT NOT NULL, journal_from INTEGER NOT NULL, forwarded INTEGER NOT NULL,
    parked INTEGER NOT NULL, expired INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE parked(
    id INTEGER PRIMARY KEY, forwarder TEXT NOT NULL, at INTEGER NOT NULL, line TEXT NOT NULL, reason TEXT NOT NULL);
CREATE TABLE dropped(
    reason TEXT PRIMARY KEY, count INTEGER NOT NULL, first_at INTEGER NOT NULL, last_at INTEGER NOT NULL) WITHOUT ROWID;
";

/// What version 2 adds: rows of the outbox, and of each receiver what has ever become of its rows. Rows still pending are
/// counted where they stand.
pub(super) const OUTBOX_TABLES: &str = "
CREATE TABLE outbox(
    id INTEGER PRIMARY KEY AUTOINCREMENT, receiver TEXT NOT NULL, key TEXT NOT NULL, sequence INTEGER NOT NULL,
    action TEXT NOT NULL, priority TEXT NOT NULL, at INTEGER NOT NULL, body TEXT NOT NULL,
    state TEXT NOT NULL DEFAULT 'pending', attempts INTEGER NOT NULL DEFAULT 0, done_at INTEGER, reason TEXT);
CREATE UNIQUE INDEX outbox_once ON outbox(receiver, key, sequence, action);
CREATE INDEX outbox_pending ON outbox(receiver, id) WHERE state = 'pending';
CREATE INDEX outbox_done ON outbox(done_at) WHERE done_at IS NOT NULL;
CREATE TABLE outbox_total(
    receiver TEXT PRIMARY KEY, transitions INTEGER NOT NULL, delivered INTEGER NOT NULL DEFAULT 0,
    failed INTEGER NOT NULL DEFAULT 0, expired INTEGER NOT NULL DEFAULT 0, suppressed INTEGER NOT NULL DEFAULT 0
    ) WITHOUT ROWID;
";

/// Where the store lies, locked for this process until it is dropped.
#[derive(Debug)]
pub(super) struct Place {
    directory: PathBuf,
    lock: File,
    /// Set aside, and no file could be opened since: what is to be copied out of them, and told, once one can.
    aside: Vec<Left>,
    /// The log that a copy was set aside of.
    log_kept: Option<LogState>,
}

/// A file that was set aside, and the tables that are to be copied out of it.
#[derive(Debug)]
struct Left {
    told: SetAside,
    tables: &'static [Salvaged],
}

/// A log as it lies there: its number, its length and when it was written last.
type LogState = (u64, u64, Option<SystemTime>);

/// A file that was not usable, and where it is now.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SetAside {
    /// Its new name.
    pub path: PathBuf,
    /// What was wrong with it.
    pub reason: String,
}

fn lock_file(directory: &Path) -> std::io::Result<File> {
    let path = data_files::LOCK.of(directory);
    File::create(&path).or_else(|_| File::open(&path))
}

/// The lock of a directory; the directory itself where no file can be made in it.
fn lock(directory: &Path) -> Result<File, StoreError> {
    let opened = lock_file(directory).or_else(|_| File::open(directory));
    let failed = |source| StoreError::Directory { path: directory.to_owned(), source };
    let lock = opened.map_err(failed)?;
    for attempt in 1.. {
        match lock.try_lock() {
            Ok(()) => break,
            Err(TryLockError::WouldBlock) if attempt < LOCK_ATTEMPTS => std::thread::sleep(LOCK_REST),
            Err(TryLockError::WouldBlock) => return Err(StoreError::InUse { path: directory.to_owned() }),
            Err(TryLockError::Error(source)) => return Err(failed(source)),
        }
    }
    Ok(lock)
}

impl Place {
    /// Creates the directory (mode 0700) if need be and takes the lock. A directory that is there but cannot be written is
    /// taken as it is.
    pub(super) fn claim(directory: &Path) -> Result<Self, StoreError> {
        let made = DirBuilder::new().recursive(true).mode(0o700).create(directory);
        if let Err(source) = made
            && !directory.is_dir()
        {
            return Err(StoreError::Directory { path: directory.to_owned(), source });
        }
        let lock = lock(directory)?;
        Ok(Self { directory: directory.to_owned(), lock, aside: Vec::new(), log_kept: None })
    }

    /// The same where the directory, or the lock in it, may have been deleted or could not be written so far.
    pub(super) fn claim_again(&mut self) -> Result<(), StoreError> {
        let same = |a: &std::fs::Metadata, b: &std::fs::Metadata| (a.dev(), a.ino()) == (b.dev(), b.ino());
        let there = lock_file(&self.directory).or_else(|_| File::open(&self.directory));
        let there = there.and_then(|file| file.metadata());
        if let (Ok(there), Ok(ours)) = (there, self.lock.metadata())
            && same(&there, &ours)
        {
            return Ok(());
        }
        self.lock = Self::claim(&self.directory)?.lock;
        Ok(())
    }

    pub(super) fn directory(&self) -> &Path {
        &self.directory
    }

    pub(super) fn file(&self) -> PathBuf {
        STORE.of(&self.directory)
    }

    /// Opens the file for writing; one that cannot be read is set aside and a fresh one begun. Gives what was set aside since
    /// a file was opened last.
    pub(super) fn open(&mut self) -> Result<(Connection, Vec<SetAside>), StoreError> {
        self.keep_orphaned_log()?;
        let connection = match self.open_file() {
            Err(StoreError::Sql(error)) if is_damage(&error) => {
                self.leave(error.to_string(), &SALVAGED)?;
                self.open_file()?
            }
            other => other?,
        };
        let left = std::mem::take(&mut self.aside);
        for Left { told, tables } in &left {
            if let Err(error) = revive::note(&connection, &told.path) {
                tracing::warn!(%error, "its points stay where they are");
            }
            salvage(&told.path, &connection, tables);
        }
        Ok((connection, left.into_iter().map(|left| left.told).collect()))
    }

    /// Sets the file aside, which turned out damaged in use, before the next one is opened. What the gateway writes anew
    /// when it changes is copied out of it then.
    pub(super) fn leave_damaged(&mut self, reason: String) -> Result<(), StoreError> {
        self.leave(reason, &KEPT_SALVAGED)
    }

    fn leave(&mut self, reason: String, tables: &'static [Salvaged]) -> Result<(), StoreError> {
        let told = self.set_aside_as(DAMAGED, reason)?;
        self.aside.push(Left { told, tables });
        Ok(())
    }

    /// A log whose file is gone or empty is thrown away by SQLite, and what lies behind damage in a log is passed over.
    /// Both hold points that were durable, so a copy is set aside first, once.
    fn keep_orphaned_log(&mut self) -> Result<(), StoreError> {
        let log = log_of(&self.file());
        let Ok(found) = std::fs::symlink_metadata(&log) else { return Ok(()) };
        let state = (found.ino(), found.len(), found.modified().ok());
        if found.len() == 0 || self.log_kept == Some(state) {
            return Ok(());
        }
        let reason = match std::fs::symlink_metadata(self.file()) {
            Err(_) => "the file is gone, its log is not",
            Ok(file) if file.is_file() && file.len() == 0 => "the file is empty, its log is not",
            Ok(_) if Salvage::log_damaged(&self.file()) => "the log is damaged",
            Ok(_) => return Ok(()),
        };
        let path = self.name_aside(DAMAGED);
        let copied = std::fs::copy(&log, log_of(&path)).and_then(|_| File::open(log_of(&path))?.sync_all());
        if let Err(source) = copied {
            // A part of it is of no use and takes up room.
            let _ = std::fs::remove_file(log_of(&path));
            return Err(StoreError::Directory { path: self.directory.clone(), source });
        }
        self.log_kept = Some(state);
        self.aside.push(Left { told: SetAside { path, reason: reason.to_owned() }, tables: &[] });
        Ok(())
    }

    /// Makes durable what is in the log; false if it may not be.
    pub(super) fn sync_log(&self) -> bool {
        match File::open(log_of(&self.file())) {
            Ok(log) => log.sync_all().is_ok(),
            Err(error) => error.kind() == std::io::ErrorKind::NotFound,
        }
    }

    fn open_file(&self) -> Result<Connection, StoreError> {
        let path = self.file();
        let found = std::fs::symlink_metadata(&path);
        if found.as_ref().is_ok_and(|m| !m.file_type().is_file()) {
            return Err(not_a_database("not a regular file"));
        }
        let connection = Connection::open_with_flags(
            &path,
            OpenFlags::SQLITE_OPEN_READ_WRITE
                | OpenFlags::SQLITE_OPEN_CREATE
                | OpenFlags::SQLITE_OPEN_NO_MUTEX,
        )?;
        let version: i32 = connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
        if version > SCHEMA_VERSION {
            return Err(StoreError::Newer { path, version, known: SCHEMA_VERSION });
        }
        let tables: i64 = connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
        if tables == 0 {
            connection.pragma_update(None, "auto_vacuum", "INCREMENTAL")?;
        }
        connection.pragma_update(None, "journal_mode", "WAL")?;
        let synchronous = if faults::broken("skip-sync@store") { "OFF" } else { "FULL" };
        connection.pragma_update(None, "synchronous", synchronous)?;
        connection.pragma_update(None, "journal_size_limit", WAL_BYTES_KEPT)?;
        connection.pragma_update(None, "cache_size", -CACHE_KIB)?;
        connection.set_prepared_statement_cache_capacity(64);
        connection.busy_timeout(BUSY_WAIT)?;
        if tables == 0 {
            connection.execute_batch(&format!(
                "BEGIN IMMEDIATE; {TABLES} {OUTBOX_TABLES} {} PRAGMA application_id={APPLICATION_ID};
                 PRAGMA user_version={SCHEMA_VERSION}; COMMIT;",
                undated::TABLES
            ))?;
        } else {
            check_ours(&connection)?;
            upgrade(&connection).map_err(other_tables)?;
            check(&connection, found.map_or(0, |m| m.len()))?;
        }
        Ok(connection)
    }

    /// Renames the file and what belongs to it, to a name with this word in it. Nothing is deleted.
    pub(super) fn set_aside_as(&self, word: &str, reason: String) -> Result<SetAside, StoreError> {
        let path = self.name_aside(word);
        self.rename_all(&self.file(), &path)?;
        Ok(SetAside { path, reason })
    }

    /// Gives what was set aside its name back.
    pub(super) fn put_back(&self, aside: &SetAside) -> Result<(), StoreError> {
        self.rename_all(&aside.path, &self.file())
    }

    /// Renames a file and what belongs to it: all of it or, where that cannot be done, nothing.
    fn rename_all(&self, from: &Path, to: &Path) -> Result<(), StoreError> {
        let mut done = Vec::new();
        for end in ["", "-wal", "-shm"] {
            let (from, to) = (beside(from, end), beside(to, end));
            if std::fs::symlink_metadata(&from).is_err() {
                continue;
            }
            if let Err(source) = std::fs::rename(&from, &to) {
                for (from, to) in &done {
                    // What cannot be renamed back either lies under the new name, as if all had been.
                    let _ = std::fs::rename(to, from);
                }
                return Err(StoreError::Directory { path: self.directory.clone(), source });
            }
            done.push((from, to));
        }
        Ok(())
    }

    /// A name that no file has yet, nor any that belongs to it.
    fn name_aside(&self, word: &str) -> PathBuf {
        let taken = |path: PathBuf| std::fs::symlink_metadata(path).is_ok();
        let name = |n: u32| self.file().with_file_name(store_aside(word, n));
        let free = |n: &u32| !["", "-wal", "-shm"].iter().any(|end| taken(beside(&name(*n), end)));
        name((1..).find(free).expect("a directory does not hold 2^32 files"))
    }

    /// Whether anything of a store is there: the file, or a log without one.
    pub(super) fn holds_something(&self) -> bool {
        ["", "-wal"].iter().any(|end| std::fs::symlink_metadata(beside(&self.file(), end)).is_ok())
    }

    /// Length of the write-ahead log.
    pub(super) fn wal_bytes(&self) -> u64 {
        std::fs::metadata(log_of(&self.file())).map_or(0, |m| m.len())
    }

    /// Device and inode of the file; none if it is gone.
    pub(super) fn identity(&self) -> Option<(u64, u64)> {
        std::fs::symlink_metadata(self.file()).ok().map(|m| (m.dev(), m.ino()))
    }
}

/// Brings the tables of an older version to this one, in one transaction.
pub(super) fn upgrade(connection: &Connection) -> rusqlite::Result<()> {
    let version: i32 = connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    if version >= SCHEMA_VERSION {
        return Ok(());
    }
    let transaction = connection.unchecked_transaction()?;
    for (since, tables) in [(2, OUTBOX_TABLES), (3, undated::TABLES)] {
        if version < since {
            transaction.execute_batch(tables)?;
        }
    }
    transaction.pragma_update(None, "user_version", SCHEMA_VERSION)?;
    transaction.commit()
}

/// A table, its columns, and the order its rows are copied in.
type Salvaged = (&'static str, &'static str, &'static str);

/// What the gateway itself needs to go on, most needed first: series with their numbers, saved state, the outbox, the
/// journal from its newest record back, points that wait for their date. Other points come back later ([`revive`]).
const SALVAGED: [Salvaged; 7] = [
    ("series", "id, text, quantity", "id"),
    KEPT_SALVAGED[0],
    KEPT_SALVAGED[1],
    KEPT_SALVAGED[2],
    KEPT_SALVAGED[3],
    KEPT_SALVAGED[4],
    KEPT_SALVAGED[5],
];

/// The same for a gateway that runs: what it does not write anew by itself, or only when it changes.
const KEPT_SALVAGED: [Salvaged; 6] = [
    ("saved", "key, value", "key"),
    (
        "outbox",
        "id, receiver, key, sequence, action, priority, at, body, state, attempts, done_at, reason",
        "state <> 'pending', id",
    ),
    ("outbox_total", "receiver, transitions, delivered, failed, expired, suppressed", "receiver"),
    ("undated_journal", "id, boot, zero, not_after", "id"),
    ("journal", "id, at, kind, sump, subject, state, priority, value, message", "id DESC"),
    ("undated", "id, boot, zero, first_at, last_at, count, not_after, body", "id"),
];

/// Copies `tables` out of a file that was set aside, as far as they can be read within [`SALVAGE_WITHIN`].
fn salvage(damaged: &Path, fresh: &Connection, tables: &[Salvaged]) {
    if tables.is_empty() {
        return;
    }
    let Ok(old) = Connection::open_with_flags(damaged, OpenFlags::SQLITE_OPEN_READ_ONLY) else { return };
    let until = Instant::now() + SALVAGE_WITHIN;
    for (table, columns, order) in tables {
        match copy(&old, fresh, table, columns, order, until) {
            Ok(rows) => tracing::info!(table, rows, "salvaged from the damaged store"),
            Err(error) => tracing::warn!(table, %error, "not all of it could be salvaged"),
        }
    }
    if let Err(error) = outbox::settle(fresh) {
        tracing::warn!(%error, "counts of the outbox could not be put right");
    }
}

/// Copies rows until one cannot be read or time is up; gives their number. One whose text is none any more is left out.
fn copy(
    old: &Connection,
    fresh: &Connection,
    table: &str,
    columns: &str,
    order: &str,
    until: Instant,
) -> rusqlite::Result<u64> {
    let mut select = old.prepare(&format!("SELECT {columns} FROM {table} ORDER BY {order}"))?;
    let width = select.column_count();
    let places = vec!["?"; width].join(", ");
    let transaction = fresh.unchecked_transaction()?;
    let mut copied = 0;
    let outcome = (|| {
        let mut insert =
            transaction.prepare(&format!("INSERT OR IGNORE INTO {table}({columns}) VALUES({places})"))?;
        let mut rows = select.query([])?;
        while Instant::now() < until
            && let Some(row) = rows.next()?
        {
            let values: rusqlite::Result<Vec<Value>> = (0..width).map(|column| row.get(column)).collect();
            let values = match values {
                Err(rusqlite::Error::Utf8Error(..)) => continue,
                values => values?,
            };
            for (value, place) in values.into_iter().zip(1..) {
                insert.raw_bind_parameter(place, value)?;
            }
            copied += insert.raw_execute()?;
        }
        Ok(())
    })();
    transaction.commit()?;
    outcome.map(|()| copied as u64)
}

/// Opens the file for reading only.
pub(super) fn open_reader(path: &Path) -> rusqlite::Result<Connection> {
    let connection = Connection::open_with_flags(
        path,
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )?;
    prepare_reader(connection)
}

/// The same where nothing can be written beside the file, not even a lock. A log left over by a kill is not seen.
pub(super) fn open_frozen(path: &Path) -> rusqlite::Result<Connection> {
    let flags =
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_URI;
    prepare_reader(Connection::open_with_flags(uri(path, "&immutable=1"), flags)?)
}

fn prepare_reader(connection: Connection) -> rusqlite::Result<Connection> {
    connection.pragma_update(None, "query_only", true)?;
    // A file that cannot be read says so here and not later.
    connection.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(()))?;
    connection.pragma_update(None, "cache_size", -1_024)?;
    connection.busy_timeout(BUSY_WAIT * 2)?;
    connection.set_prepared_statement_cache_capacity(32);
    Ok(connection)
}

pub(super) fn check_ours(connection: &Connection) -> Result<(), StoreError> {
    let application: i32 = connection.query_row("PRAGMA application_id", [], |row| row.get(0))?;
    if application == APPLICATION_ID {
        Ok(())
    } else {
        Err(not_a_database("an SQLite file of another program"))
    }
}

/// Looks where damage shows first; a small file is looked through whole.
fn check(connection: &Connection, bytes: u64) -> Result<(), StoreError> {
    for query in [
        "SELECT count(*) FROM meta",
        "SELECT count(*) FROM series",
        "SELECT count(*) FROM saved",
        "SELECT count(*) FROM forward",
        "SELECT count(*) FROM dropped",
        "SELECT max(seq) FROM batch",
        "SELECT max(first_seq) FROM span",
        "SELECT max(id) FROM chunk",
        "SELECT max(id) FROM journal",
        "SELECT max(id) FROM parked",
        "SELECT max(id) FROM outbox",
        "SELECT count(*) FROM outbox_total",
        "SELECT max(id) FROM undated",
        "SELECT max(id) FROM undated_journal",
        "SELECT max(start) FROM (SELECT start FROM rollup LIMIT 1)",
    ] {
        connection.query_row(query, [], |_| Ok(())).map_err(other_tables)?;
    }
    if bytes <= CHECKED_BYTES_MAX {
        let verdict: String = connection.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
        if verdict != "ok" {
            return Err(corrupt(&verdict));
        }
    }
    Ok(())
}

/// A table that is missing, has other columns, or is there where it should not be is damage to the file.
fn other_tables(error: rusqlite::Error) -> StoreError {
    match &error {
        rusqlite::Error::SqliteFailure(code, Some(text)) if tells_of_tables(code.code, text) => corrupt(text),
        rusqlite::Error::SqlInputError { error: code, msg, .. } if tells_of_tables(code.code, msg) => {
            corrupt(msg)
        }
        _ => StoreError::Sql(error),
    }
}

/// Whether `error` says that the file itself is at fault, rather than the disk or the moment. What is written here breaks no
/// rule of the tables and names no column that is not there, so a rule that is broken, a number out of its range or a table
/// that is missing says so as well.
pub(super) fn is_damage(error: &rusqlite::Error) -> bool {
    match error {
        rusqlite::Error::SqliteFailure(e, text) => {
            is_damage_code(e.code) || tells_of_tables(e.code, text.as_deref().unwrap_or_default())
        }
        rusqlite::Error::SqlInputError { error: e, msg, .. } => {
            is_damage_code(e.code) || tells_of_tables(e.code, msg)
        }
        rusqlite::Error::InvalidColumnType(..)
        | rusqlite::Error::Utf8Error(..)
        | rusqlite::Error::FromSqlConversionFailure(..)
        | rusqlite::Error::IntegralValueOutOfRange(..) => true,
        _ => false,
    }
}

fn is_damage_code(code: ErrorCode) -> bool {
    matches!(
        code,
        ErrorCode::DatabaseCorrupt
            | ErrorCode::NotADatabase
            | ErrorCode::ConstraintViolation
            | ErrorCode::TypeMismatch
            | ErrorCode::TooBig
    )
}

/// Whether an error without a code of its own says that the tables are not ours. What else has none, such as a transaction
/// in a transaction, is no fault of the file.
fn tells_of_tables(code: ErrorCode, text: &str) -> bool {
    const TELLS: [&str; 5] = [
        "no such table",
        "no such column",
        "has no column",
        "already exists",
        "ON CONFLICT clause does not match",
    ];
    code == ErrorCode::Unknown && TELLS.iter().any(|tells| text.contains(tells))
}

fn not_a_database(text: &str) -> StoreError {
    failure(rusqlite::ffi::SQLITE_NOTADB, text)
}

pub(super) fn corrupt(text: &str) -> StoreError {
    failure(rusqlite::ffi::SQLITE_CORRUPT, text)
}

fn failure(code: i32, text: &str) -> StoreError {
    StoreError::Sql(rusqlite::Error::SqliteFailure(rusqlite::ffi::Error::new(code), Some(text.to_owned())))
}
