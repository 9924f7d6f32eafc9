//! Looks into a store from outside, over a connection that only reads.
//!
//! Another process sees a commit once the daemon has synced the log and moved its index on. What has been seen here is
//! therefore what the store had called durable, told by nobody but the file.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};
use sumpwarden_core::store::{Point, batch, chunk};

/// What is said of what had been seen durable and is gone.
pub(crate) const WAS_DURABLE: &str = "was durable";

/// Numbers by probe, and rows of the outbox as key, number and action.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(crate) struct Seen {
    pub(crate) numbers: BTreeMap<String, BTreeSet<u32>>,
    pub(crate) outbox: BTreeSet<(String, u64, String)>,
}

impl Seen {
    fn note(&mut self, series: Option<&String>, point: &Point) {
        let probe = series.and_then(|text| counted(text));
        if let (Some(probe), Some(raw)) = (probe, point.raw) {
            self.numbers.entry(probe.to_owned()).or_default().insert(raw as u32);
        }
    }

    pub(crate) fn len(&self) -> u64 {
        self.numbers.values().map(|numbers| numbers.len() as u64).sum()
    }

    pub(crate) fn extend(&mut self, more: &Self) {
        for (probe, numbers) in &more.numbers {
            self.numbers.entry(probe.clone()).or_default().extend(numbers);
        }
        self.outbox.extend(more.outbox.iter().cloned());
    }

    /// What is in this and not in `other`: numbers with their story, and rows.
    pub(crate) fn missing_in(&self, other: &Self, story: impl Fn(&str, u32) -> String) -> Vec<String> {
        let none = BTreeSet::new();
        let mut missing = Vec::new();
        for (probe, numbers) in &self.numbers {
            let others = other.numbers.get(probe).unwrap_or(&none);
            let gone = numbers.difference(others);
            missing.extend(gone.map(|number| format!("{probe} {number} {}", story(probe, *number))));
        }
        let rows = self.outbox.difference(&other.outbox);
        missing.extend(rows.map(|row| format!("row {row:?} {WAS_DURABLE}")));
        missing
    }
}

/// The last commit and the last row of the outbox that were looked at.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(crate) struct Mark {
    seq: u64,
    row: i64,
}

/// Where to look.
#[derive(Clone, Debug)]
pub(crate) struct Witness {
    file: PathBuf,
}

impl Witness {
    pub(crate) fn of(data: &Path) -> Self {
        Self { file: data.join("store.sqlite") }
    }

    fn open(&self) -> rusqlite::Result<Connection> {
        let connection = Connection::open_with_flags(&self.file, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        connection.busy_timeout(Duration::from_secs(2))?;
        Ok(connection)
    }

    /// All that was committed after `from` or is packed, and how far that goes. Nothing where there is no file.
    pub(crate) fn look(&self, from: Mark) -> rusqlite::Result<(Seen, Mark)> {
        let (mut seen, mut mark) = (Seen::default(), from);
        let mut connection = match self.open() {
            Ok(connection) => connection,
            Err(_) if !self.file.exists() => return Ok((seen, mark)),
            Err(error) => return Err(error),
        };
        let transaction = connection.transaction()?;
        let mut names = BTreeMap::new();
        let mut statement = transaction.prepare("SELECT id, text FROM series")?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            names.insert(row.get::<_, u32>(0)?, row.get::<_, String>(1)?);
        }
        let mut statement = transaction.prepare("SELECT seq, body FROM batch WHERE seq > ? ORDER BY seq")?;
        let mut rows = statement.query([from.seq])?;
        while let Some(row) = rows.next()? {
            mark.seq = row.get(0)?;
            let body: Vec<u8> = row.get(1)?;
            for (id, point) in batch::decode(&body).into_iter().flatten() {
                seen.note(names.get(&id.0), &point);
            }
        }
        // What was packed soon after its commit may never have been seen loose. These are few; others are left where they are.
        for (id, name) in names.iter().filter(|(_, name)| counted(name).is_some()) {
            let mut statement = transaction.prepare_cached("SELECT body FROM chunk WHERE series = ?")?;
            let mut rows = statement.query([id])?;
            while let Some(row) = rows.next()? {
                let body: Vec<u8> = row.get(0)?;
                chunk::decode(&body).iter().flatten().for_each(|point| seen.note(Some(name), point));
            }
        }
        let mut statement =
            transaction.prepare("SELECT id, key, sequence, action FROM outbox WHERE id > ? ORDER BY id")?;
        let mut rows = statement.query([from.row])?;
        while let Some(row) = rows.next()? {
            mark.row = row.get(0)?;
            seen.outbox.insert((row.get(1)?, row.get(2)?, row.get(3)?));
        }
        Ok((seen, mark))
    }

    /// Rows of the outbox that still wait.
    pub(crate) fn pending(&self) -> rusqlite::Result<u64> {
        self.open()?.query_row("SELECT count(*) FROM outbox WHERE state = 'pending'", [], |row| row.get(0))
    }

    /// What the file says of its own soundness: `ok`.
    pub(crate) fn soundness(&self) -> rusqlite::Result<String> {
        self.open()?.query_row("PRAGMA integrity_check", [], |row| row.get(0))
    }
}

/// Name of a probe whose numbers are identities: those of counting devices and of numbered messages.
pub(crate) fn counted(series: &str) -> Option<&str> {
    series.strip_prefix("probe/s/").filter(|probe| probe.starts_with("net-") || probe.starts_with("hall-"))
}
