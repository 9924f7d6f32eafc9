//! A copy of the store while it is written, and going back to one.
//!
//! The copy is made by SQLite's own backup from one read transaction, a mebibyte at a time with rests, so that polls and
//! commits go on; it is looked through before it gets its name. Going back never deletes: the file in place is set aside.
//!
//! A copy is older than what has been told since. So that no number is given twice, going back leaves out a stretch of
//! numbers: of commits, of journal records, of rows of the outbox, and of the occurrences and changes of alarms, which
//! receivers know messages by. What a forwarder delivered after the copy was made is no longer held and not owed; what
//! was pending in the copy is sent again and is the same points.

use std::fs::{File, OpenOptions};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, params};

use super::quiet::Quiet;
use super::schema::{self, Place, WAL_BYTES_MAX};
use super::{Progress, SetAside, StoreError, beside, examine};
use crate::edge::data_files::{REPLACED, UNFINISHED};

/// Pages copied at once.
const STEP_PAGES: i32 = 256;
/// Rest between steps while the log is short.
const REST: Duration = Duration::from_millis(5);
/// A log longer than this takes away the rests.
const LOG_EASY: u64 = 16 << 20;
/// A log this long ends the copy: beyond, the writer would be held up.
const LOG_MAX: u64 = WAL_BYTES_MAX * 3 / 4;
/// Numbers left out when going back. A daemon gives about one a second: enough for thirty years.
const NUMBERS_SKIPPED: i64 = 1 << 30;

/// Gives, of what was saved, that which is to be saved otherwise because its numbers may have been given since.
pub type Renumber<'a> = &'a dyn Fn(&[(String, Vec<u8>)]) -> Vec<(String, Vec<u8>)>;

/// What a copy holds, once it has its name.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Copied {
    /// Bytes.
    pub bytes: u64,
    /// Points.
    pub points: u64,
}

/// Copies the store at `store` to `output`, which must not be there yet.
pub fn snapshot(store: &Path, output: &Path, progress: Progress<'_>) -> Result<Copied, StoreError> {
    let failed = |source| StoreError::Directory { path: output.to_owned(), source };
    if std::fs::symlink_metadata(output).is_ok() {
        return Err(StoreError::Unusable {
            path: output.to_owned(),
            why: "is there already; name a file that is not".to_owned(),
        });
    }
    let unfinished = Unfinished::beside(output).map_err(failed)?;
    copy(store, &unfinished.0, REST, progress)?;
    let copied = verified(&unfinished.0, &unfinished.0, progress)?;
    File::open(&unfinished.0).and_then(|file| file.sync_all()).map_err(failed)?;
    std::fs::rename(&unfinished.0, output).map_err(failed)?;
    sync_directory(output).map_err(failed)?;
    Ok(copied)
}

/// A file that is removed unless it gets its name.
struct Unfinished(PathBuf);

impl Unfinished {
    fn beside(output: &Path) -> std::io::Result<Self> {
        let path = beside(output, &format!(".{UNFINISHED}-{}", std::process::id()));
        OpenOptions::new().write(true).create_new(true).mode(0o600).open(&path)?;
        Ok(Self(path))
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        for end in ["", "-wal", "-shm", "-journal"] {
            // It is not there once it has been renamed.
            let _ = std::fs::remove_file(beside(&self.0, end));
        }
    }
}

/// Copies with rests of this length, for a daemon that may be writing.
fn copy(store: &Path, to: &Path, rest: Duration, progress: Progress<'_>) -> Result<(), StoreError> {
    let from = Quiet::open(store)?;
    // Held to the end, so that all pages are those of one moment.
    let moment = from.unchecked_transaction()?;
    schema::check_ours(&moment)?;
    let mut target = Connection::open(to)?;
    {
        let backup = Backup::new(&moment, &mut target)?;
        while backup.step(STEP_PAGES)? == StepResult::More {
            let at = backup.progress();
            progress("copied MiB", mib(at.pagecount - at.remaining), mib(at.pagecount));
            match from.log_bytes() {
                0..LOG_EASY => std::thread::sleep(rest),
                LOG_EASY..LOG_MAX => {}
                _ => {
                    let why = "the daemon writes faster than this disk is read; try again at a quieter time";
                    return Err(StoreError::Unusable { path: store.to_owned(), why: why.to_owned() });
                }
            }
        }
    }
    drop(moment);
    if from.was_disturbed() {
        let why = "a daemon was started meanwhile; try again".to_owned();
        return Err(StoreError::Unusable { path: store.to_owned(), why });
    }
    // One file, without a log beside it.
    target.pragma_update(None, "journal_mode", "DELETE")?;
    Ok(())
}

fn mib(pages: i32) -> u64 {
    u64::from(pages.unsigned_abs()) >> 8
}

/// Looks through the copy at `path` that came from `named`; one that holds a mistake is refused.
fn verified(path: &Path, named: &Path, progress: Progress<'_>) -> Result<Copied, StoreError> {
    let report = examine::examine(path, &|_| Vec::new(), progress)?;
    if let Some(first) = report.findings.first() {
        let why = format!(
            "{} mistakes, the first: {first}; sumpwarden check --store says more",
            report.findings.len()
        );
        return Err(StoreError::Unusable { path: named.to_owned(), why });
    }
    Ok(Copied { bytes: report.bytes, points: report.points })
}

/// Puts the copy `from` in the place of the store in `directory`, which no daemon may have. Gives what it holds, and where
/// the file that was there is now.
pub fn restore(
    directory: &Path,
    from: &Path,
    renumbered: Renumber<'_>,
    progress: Progress<'_>,
) -> Result<(Copied, Option<SetAside>), StoreError> {
    let place = Place::claim(directory)?;
    let failed = |source| StoreError::Directory { path: directory.to_owned(), source };
    let ready = Unfinished::beside(&place.file()).map_err(failed)?;
    // Nobody writes to a copy.
    copy(from, &ready.0, Duration::ZERO, progress)?;
    renumber(&ready.0, renumbered)?;
    // What is put in place is what is looked through, and once: of 1 GiB it takes longer than all else.
    let mut copied = verified(&ready.0, from, progress)?;
    copied.bytes = File::open(&ready.0)
        .and_then(|file| file.sync_all().and_then(|()| file.metadata()))
        .map_err(failed)?
        .len();
    let aside = place
        .holds_something()
        .then(|| place.set_aside_as(REPLACED, "replaced by a copy".to_owned()))
        .transpose()?;
    match put_in_place(&place, &ready.0) {
        Ok(()) => Ok((copied, aside)),
        Err(source) => {
            // The store that was there is better than none.
            aside.map_or(Ok(()), |aside| place.put_back(&aside))?;
            Err(failed(source))
        }
    }
}

/// Gives `ready` the name of the store. Where that cannot be made durable it is taken away again.
fn put_in_place(place: &Place, ready: &Path) -> std::io::Result<()> {
    let file = place.file();
    // The old file must have its other name for good before there is a new one.
    sync_directory(&file)?;
    std::fs::rename(ready, &file)?;
    sync_directory(&file).or_else(|error| {
        std::fs::rename(&file, ready)?;
        Err(error)
    })
}

/// Leaves out the numbers that may have been given since the copy was made.
fn renumber(file: &Path, renumbered: Renumber<'_>) -> Result<(), StoreError> {
    let mut connection = Connection::open(file)?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    schema::upgrade(&connection)?;
    let transaction = connection.transaction()?;
    transaction.execute(
        "INSERT OR REPLACE INTO meta(name, value) SELECT 'dropped_seq', ?1 +
         max(coalesce((SELECT max(seq) FROM batch), 0), coalesce((SELECT max(last_seq) FROM span), 0),
             coalesce((SELECT value FROM meta WHERE name = 'dropped_seq'), 0))",
        [NUMBERS_SKIPPED],
    )?;
    for table in ["journal", "outbox"] {
        transaction.execute("INSERT INTO sqlite_sequence(name, seq) SELECT ?1, 0 WHERE NOT EXISTS (SELECT 1 FROM sqlite_sequence WHERE name = ?1)", [table])?;
        transaction.execute(
            "UPDATE sqlite_sequence SET seq = seq + ?2 WHERE name = ?1",
            params![table, NUMBERS_SKIPPED],
        )?;
    }
    let saved: Vec<(String, Vec<u8>)> = transaction
        .prepare("SELECT key, value FROM saved ORDER BY key")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<Result<_, _>>()?;
    for (key, value) in renumbered(&saved) {
        transaction.execute("INSERT OR REPLACE INTO saved(key, value) VALUES(?, ?)", params![key, value])?;
    }
    transaction.commit()?;
    Ok(())
}

fn sync_directory(file: &Path) -> std::io::Result<()> {
    let parent = file.parent().filter(|parent| !parent.as_os_str().is_empty());
    File::open(parent.unwrap_or(Path::new(".")))?.sync_all()
}
