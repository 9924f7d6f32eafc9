//! What is kept beside the points: forwarders, outbox, journal, saved state.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, OptionalExtension};
use sumpwarden_core::alarm::settings::Priority;
use sumpwarden_core::notify::{Action, RowState};
use sumpwarden_core::store::cursor::Stretch;
use sumpwarden_core::store::forward::ForwardTotals;

use super::super::forward;
use super::{Look, Unreadable};

impl Look<'_> {
    pub(super) fn books(&mut self, unreadable: Unreadable<'_>) -> rusqlite::Result<()> {
        self.forwarders()?;
        if self.report.schema >= 2 {
            self.outbox()?;
        }
        self.journal()?;
        self.saved(unreadable)
    }

    fn forwarders(&mut self) -> rusqlite::Result<()> {
        self.begin("forward", "cursors, and stored = forwarded + pending + parked + expired");
        let transaction = self.quiet.unchecked_transaction()?;
        let names: Vec<String> = transaction
            .prepare("SELECT name FROM forward")?
            .query_map([], |row| row.get(0))?
            .collect::<Result<_, _>>()?;
        for name in names {
            self.part().rows += 1;
            match forward::load_one(&transaction, &name) {
                Ok(Some(totals)) => {
                    for what in mistakes_of(&transaction, &totals)? {
                        self.wrong(None, None, None, format!("{name}: {what}"));
                    }
                }
                Ok(None) => {}
                Err(error) => self.wrong(None, None, None, format!("{name}: {error}")),
            }
        }
        Ok(())
    }

    fn outbox(&mut self) -> rusqlite::Result<()> {
        self.begin("outbox", "words, and what became of rows adds up by receiver");
        let transaction = self.quiet.unchecked_transaction()?;
        let mut statement =
            transaction.prepare("SELECT id, receiver, state, action, priority, body FROM outbox")?;
        let mut rows = statement.query([])?;
        let mut waiting: BTreeMap<String, i64> = BTreeMap::new();
        while let Some(row) = rows.next()? {
            self.part().rows += 1;
            let text = |column| row.get::<_, String>(column);
            let (state, action, priority) = (text(2)?, text(3)?, text(4)?);
            *waiting.entry(text(1)?).or_default() += i64::from(state == RowState::Pending.word());
            let known = RowState::ALL.iter().any(|one| one.word() == state)
                && Action::from_word(&action).is_some()
                && Priority::from_word(&priority).is_some();
            if !known || serde_json::from_str::<serde_json::Value>(&text(5)?).is_err() {
                self.wrong(Some(row.get(0)?), None, None, "a word or a text that is not known");
            }
        }
        let mut statement = transaction.prepare(
            "SELECT receiver, transitions, delivered + failed + expired + suppressed FROM outbox_total",
        )?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let (receiver, all, done): (String, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
            let pending = waiting.remove(&receiver).unwrap_or(0);
            if all != done + pending {
                let what = format!("{receiver}: {all} rows came, {done} are done with and {pending} wait");
                self.wrong(None, None, None, what);
            }
        }
        for receiver in waiting.into_keys() {
            self.wrong(None, None, None, format!("{receiver}: rows without totals"));
        }
        Ok(())
    }

    fn journal(&mut self) -> rusqlite::Result<()> {
        self.begin("journal", "no two records at one instant, words");
        let quiet = self.quiet;
        let mut statement = quiet.prepare("SELECT id, at, kind FROM journal ORDER BY id")?;
        let mut rows = statement.query([])?;
        let mut stamps = BTreeSet::new();
        while let Some(row) = rows.next()? {
            let (id, at, kind): (i64, i64, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
            self.part().rows += 1;
            if !stamps.insert(at) {
                self.wrong(Some(id), None, Some((at, at)), "at the same instant as another one");
            }
            if !["alarm", "instrument", "event"].contains(&kind.as_str()) {
                self.wrong(Some(id), None, Some((at, at)), "of no known sort");
            }
        }
        Ok(())
    }

    fn saved(&mut self, unreadable: Unreadable<'_>) -> rusqlite::Result<()> {
        self.begin("saved", "readable by the engine");
        let quiet = self.quiet;
        let saved: BTreeMap<String, Vec<u8>> = quiet
            .prepare("SELECT key, value FROM saved")?
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
            .collect::<Result<_, _>>()?;
        self.part().rows = saved.len() as u64;
        for key in unreadable(&saved) {
            self.wrong(None, None, None, format!("{key} cannot be read"));
        }
        Ok(())
    }
}

/// What is wrong with where a forwarder stands.
fn mistakes_of(connection: &Connection, totals: &ForwardTotals) -> rusqlite::Result<Vec<String>> {
    let mut mistakes = Vec::new();
    let number = |query: &str| connection.query_row(query, [], |row| row.get::<_, u64>(0));
    let (stored, pending) =
        (forward::stored_ever(connection)?, forward::count_owed(connection, &totals.pending)?);
    let told = totals.forwarded + pending + totals.parked + totals.expired;
    if stored != told {
        mistakes.push(format!(
            "{stored} points stored, but {} forwarded, {pending} pending, {} parked and {} expired are {told}",
            totals.forwarded, totals.parked, totals.expired
        ));
    }
    let newest = number(
        "SELECT max(coalesce((SELECT max(seq) FROM batch), 0), coalesce((SELECT max(last_seq) FROM span), 0),
                    coalesce((SELECT value FROM meta WHERE name = 'dropped_seq'), 0))",
    )?;
    for stretch in totals.pending.stretches() {
        if stretch.from.seq > newest + 1 || stretch.until.is_some_and(|until| until > newest + 1) {
            mistakes
                .push(format!("its cursor stands at commit {}, the newest is {newest}", stretch.from.seq));
        }
        if u64::from(stretch.from.position) > points_at(connection, stretch)? {
            mistakes.push(format!("its cursor stands behind the points of commit {}", stretch.from.seq));
        }
    }
    let records = number("SELECT coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'journal'), 0)")?;
    if totals.journal_from > records as i64 + 1 {
        mistakes
            .push(format!("it stands at journal record {}, the newest is {records}", totals.journal_from));
    }
    Ok(mistakes)
}

/// Points of the commit, or of the span, that a stretch begins in.
fn points_at(connection: &Connection, stretch: Stretch) -> rusqlite::Result<u64> {
    let count = |query: &str| {
        connection.query_row(query, [stretch.from.seq], |row| row.get::<_, Option<u64>>(0)).optional()
    };
    let batch = count("SELECT count FROM batch WHERE seq = ?")?.flatten();
    let span = count("SELECT sum(count) FROM chunk WHERE first_seq = ?")?.flatten();
    Ok(batch.or(span).unwrap_or(0))
}
