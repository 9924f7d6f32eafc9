//! Opening a file to look at it and nothing else: neither it nor its directory is changed, whoever else has it open.
//!
//! SQLite itself makes files beside the one it reads where the last writer was killed or its log is new. So: while a daemon
//! has the file, its log and its index of the log are used as they are; where none does and there is no log, the file is
//! read as one that nobody changes; where a killed one left a log, the index is made anew in memory.

use std::fs::{File, TryLockError};
use std::ops::Deref;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};

use super::{StoreError, beside, log_of};
use crate::edge::data_files::{LOCK, STORE};

/// How long a look waits for a lock of the writer.
const BUSY_WAIT: Duration = Duration::from_secs(5);

/// A connection that only reads.
#[derive(Debug)]
pub(super) struct Quiet {
    connection: Connection,
    path: PathBuf,
    /// Nobody had it open: it must stay as it was.
    still: Option<[Option<(u64, SystemTime)>; 2]>,
    copy: Option<PathBuf>,
}

impl Deref for Quiet {
    type Target = Connection;

    fn deref(&self) -> &Connection {
        &self.connection
    }
}

impl Drop for Quiet {
    fn drop(&mut self) {
        if let Some(copy) = &self.copy {
            // What cannot be removed lies in the directory for temporary files.
            let _ = std::fs::remove_dir_all(copy);
        }
    }
}

impl Quiet {
    /// Opens the file at `path`.
    pub(super) fn open(path: &Path) -> Result<Self, StoreError> {
        let unusable = |why: String| StoreError::Unusable { path: path.to_owned(), why };
        let found = std::fs::symlink_metadata(path).map_err(|error| unusable(error.to_string()))?;
        if !found.is_file() {
            return Err(unusable("not a regular file".to_owned()));
        }
        let path = path.canonicalize().map_err(|error| unusable(error.to_string()))?;
        let log = std::fs::metadata(log_of(&path)).is_ok_and(|m| m.len() > 0);
        let running = is_running(&path);
        let (uri, copy) = if running {
            (uri(&path, ""), None)
        } else if !log {
            (uri(&path, "&immutable=1"), None)
        } else if beside(&path, "-shm").is_file() {
            (uri(&path, "&readonly_shm=1"), None)
        } else {
            let copy = copied(&path).map_err(|error| unusable(format!("cannot be copied: {error}")))?;
            (uri(&STORE.of(&copy), ""), Some(copy))
        };
        let still = (!running && copy.is_none()).then(|| state(&path));
        let flags =
            OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_URI;
        let connection = Connection::open_with_flags(uri, flags)?;
        connection.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
        connection.pragma_update(None, "query_only", true)?;
        connection.busy_timeout(BUSY_WAIT)?;
        connection.set_prepared_statement_cache_capacity(64);
        Ok(Self { connection, path, still, copy })
    }

    /// Whether somebody began to write what was taken for a file at rest: what was read of it then means nothing.
    pub(super) fn was_disturbed(&self) -> bool {
        self.still.is_some_and(|still| still != state(&self.path) || is_running(&self.path))
    }

    /// The file itself.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Where the log lies.
    pub(super) fn log_path(&self) -> PathBuf {
        log_of(&self.path)
    }

    /// Bytes of the log, which grows while somebody reads.
    pub(super) fn log_bytes(&self) -> u64 {
        std::fs::metadata(log_of(&self.path)).map_or(0, |m| m.len())
    }
}

/// Whether a daemon has the store at `path`. To ask is to hold the lock for a moment, which a daemon that starts waits for.
pub(super) fn is_running(path: &Path) -> bool {
    let directory = path.parent().unwrap_or(Path::new("."));
    path.file_name().is_some_and(|name| name == STORE.name())
        && File::open(LOCK.of(directory))
            .is_ok_and(|lock| matches!(lock.try_lock_shared(), Err(TryLockError::WouldBlock)))
}

fn state(path: &Path) -> [Option<(u64, SystemTime)>; 2] {
    [path.to_owned(), log_of(path)]
        .map(|path| std::fs::metadata(path).ok().and_then(|m| Some((m.len(), m.modified().ok()?))))
}

/// File and log in a directory of their own.
fn copied(path: &Path) -> std::io::Result<PathBuf> {
    let name = format!("sumpwarden-look-{}-{}", std::process::id(), number());
    let directory = std::env::temp_dir().join(name);
    std::fs::create_dir(&directory)?;
    std::fs::copy(path, STORE.of(&directory))?;
    std::fs::copy(log_of(path), log_of(&STORE.of(&directory)))?;
    Ok(directory)
}

/// Different for every copy of this process.
fn number() -> u64 {
    static NUMBER: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(0);
    NUMBER.fetch_add(1, std::sync::atomic::Ordering::Relaxed)
}

/// `path` in SQLite's own form, with parameters.
pub(super) fn uri(path: &Path, parameters: &str) -> String {
    let mut uri = "file:".to_owned();
    for byte in path.as_os_str().as_bytes() {
        if byte.is_ascii_alphanumeric() || b"/._-".contains(byte) {
            uri.push(char::from(*byte));
        } else {
            uri.push_str(&format!("%{byte:02X}"));
        }
    }
    uri + "?mode=ro" + parameters
}
