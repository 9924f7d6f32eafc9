//! Journal records on their way into the file.

use std::time::Duration;

use rusqlite::{Connection, params};
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::JournalRecord;

/// Appends `record` under a stamp of its own, as forwarders need one; gives that stamp.
pub(super) fn append_journal(
    connection: &Connection,
    record: &JournalRecord,
    last: Timestamp,
) -> rusqlite::Result<Timestamp> {
    let one = Duration::from_nanos(1);
    // A burst of records at the same instant stands in a row.
    let mut at = if last >= record.at && last.since(record.at) < Duration::from_millis(1) {
        last.plus(one)
    } else {
        record.at
    };
    let mut insert = connection.prepare_cached(
        "INSERT OR IGNORE INTO journal(at, kind, sump, subject, state, priority, value, message)
         VALUES(?, ?, ?, ?, ?, ?, ?, ?)",
    )?;
    while 0
        == insert.execute(params![
            at.as_nanos(),
            record.kind.word(),
            record.sump.as_ref().map(|name| name.as_str()),
            record.subject,
            record.state,
            record.priority,
            record.value,
            record.message
        ])?
    {
        at = at.plus(one);
    }
    Ok(at)
}

/// How many of `journal`, from its first on, are in the file behind record number `last`.
pub(super) fn count_known(
    connection: &Connection,
    last: i64,
    journal: &[JournalRecord],
) -> rusqlite::Result<usize> {
    let mut select =
        connection.prepare("SELECT subject, state, message FROM journal WHERE id > ? ORDER BY id")?;
    let mut rows = select.query([last])?;
    let mut known = 0;
    while let (Some(row), Some(record)) = (rows.next()?, journal.get(known)) {
        let found: (String, String, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
        if found != (record.subject.clone(), record.state.clone(), record.message.clone()) {
            break;
        }
        known += 1;
    }
    Ok(known)
}
