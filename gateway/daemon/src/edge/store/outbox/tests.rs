//! The outbox in the file: once in effect, marked once, counted at every look, through kills, upgrades and damage.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use sumpwarden_core::store::settings::StoreSettings;
use tokio::sync::mpsc::unbounded_channel;

use super::*;
use crate::edge::store::{Commit, WAITING_OUTBOX_MAX};

/// A directory that goes when the test is over.
struct Scratch(PathBuf);

impl Scratch {
    fn new() -> Self {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("sumpwarden-outbox-{}-{number}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        Self(path)
    }

    fn open(&self) -> Store {
        let settings = StoreSettings { free_min: 0, ..StoreSettings::default() };
        Store::open(&self.0, &[], settings, unbounded_channel().0).expect("it can be opened")
    }

    fn file(&self) -> PathBuf {
        self.0.join("store.sqlite")
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn name(text: &str) -> Name {
    Name::new(text).expect("a name")
}

const AT: Timestamp = Timestamp::from_millis(1_772_000_000_000);

fn entry(receiver: &str, key: u32, sequence: u32) -> OutboxEntry {
    OutboxEntry {
        receiver: name(receiver),
        key: format!("hall-2/lathe-1/ph#{key}"),
        sequence,
        action: if sequence == 1 { Action::Raise } else { Action::End },
        priority: Priority::High,
        at: AT,
        body: "{}".to_owned(),
    }
}

fn submit(store: &Store, outbox: Vec<OutboxEntry>) {
    store.submit(Commit { outbox, ..Commit::default() });
    store.flush().expect("open");
}

fn counts(store: &Store, receiver: &str) -> OutboxCounts {
    let all = store.reader().expect("readable").outbox_counts().expect("readable");
    assert!(all.values().all(OutboxCounts::add_up), "{all:?}");
    let counts = all.get(receiver).copied().unwrap_or_default();
    assert_eq!(store.outbox_stand(&name(receiver)).0, counts, "the book says what the file says");
    counts
}

fn pending(store: &Store, receiver: &str, after: i64) -> Vec<i64> {
    let rows = store.outbox_after(&name(receiver), after, 10_000);
    rows.iter().map(|row| row.id).collect()
}

fn rows(ids: &[i64], state: RowState) -> Vec<Mark> {
    vec![Mark::Rows { ids: ids.to_vec(), state, reason: Some("because".to_owned()), at: AT }]
}

#[tokio::test]
async fn rows_are_written_once_read_in_order_and_end_once() {
    let scratch = Scratch::new();
    let store = scratch.open();
    let mut news = store.outbox_news();
    submit(&store, vec![entry("setter", 1, 1), entry("lead", 1, 1), entry("setter", 1, 2)]);
    assert!(news.has_changed().expect("open"));
    news.mark_unchanged();
    submit(&store, vec![entry("setter", 1, 1), entry("setter", 2, 1)]);
    // The one that came again has used up a number.
    assert_eq!(pending(&store, "setter", 0), [1, 3, 5], "and is there once");
    assert_eq!(pending(&store, "setter", 1), [3, 5]);
    assert_eq!(counts(&store, "setter").transitions, 3);

    store.outbox_mark(rows(&[1], RowState::Delivered)).await.expect("open");
    store.outbox_mark(rows(&[1, 3], RowState::Failed)).await.expect("open");
    store.outbox_mark(rows(&[5], RowState::Pending)).await.expect("open");
    let counted =
        OutboxCounts { transitions: 3, pending: 1, delivered: 1, failed: 1, ..OutboxCounts::default() };
    assert_eq!(counts(&store, "setter"), counted);
    store.close();

    let store = scratch.open();
    assert_eq!(counts(&store, "setter"), counted, "the same after a restart");
    let row = store.outbox_after(&name("setter"), 0, 9).remove(0);
    assert_eq!((row.id, row.attempts, row.entry), (5, 1, entry("setter", 2, 1)));
    assert_eq!(store.outbox_stand(&name("setter")), (counted, Some(AT)));
    let only = vec![Mark::Configured { receivers: vec![name("lead")], at: AT }];
    store.outbox_mark(only).await.expect("open");
    let gone = counts(&store, "setter");
    assert_eq!((gone.suppressed, gone.pending, counts(&store, "lead").pending), (1, 0, 1));
}

#[tokio::test]
async fn a_receiver_that_is_never_reached_does_not_fill_the_disk() {
    let scratch = Scratch::new();
    let store = scratch.open();
    submit(&store, (0..PENDING_MAX + 7).map(|key| entry("setter", key, 1)).collect());
    let counted = counts(&store, "setter");
    assert_eq!((counted.pending, counted.expired), (u64::from(PENDING_MAX), 7));
    assert_eq!(pending(&store, "setter", 0)[0], 8, "the oldest have gone");
}

/// So many rows that wait.
fn waiting(count: u32) -> Waiting {
    let mut book = Book::default();
    book.accept((0..count).map(|key| entry("setter", key, 1)).collect(), Instant::now());
    book.take()
}

/// While another program holds the file, messages go out from memory after a while, in order behind the durable ones, and
/// what became of them is written with them.
#[tokio::test]
async fn what_cannot_be_written_is_sent_from_memory_and_written_as_delivered() {
    let scratch = Scratch::new();
    let store = scratch.open();
    submit(&store, vec![entry("setter", 1, 1)]);
    let other = Connection::open(scratch.file()).expect("there");
    other.execute_batch("BEGIN IMMEDIATE").expect("held");
    let mut news = store.outbox_news();
    news.mark_unchanged();
    let began = Instant::now();
    store.submit(Commit { outbox: vec![entry("setter", 1, 2)], ..Commit::default() });
    assert_eq!(pending(&store, "setter", 0), [1], "not before it is durable");
    news.changed().await.expect("open");
    assert!(began.elapsed() >= book::RELEASED_AFTER / 2 && began.elapsed() < 3 * book::RELEASED_AFTER);
    assert_eq!(pending(&store, "setter", 0), [1, 2], "the durable one first");
    store.outbox_mark(rows(&[1], RowState::Delivered)).await.expect("not waited for");
    store.outbox_mark(rows(&[2], RowState::Delivered)).await.expect("not waited for");
    store.submit(Commit { outbox: vec![entry("setter", 2, 1)], ..Commit::default() });
    assert_eq!(pending(&store, "setter", 2), [3], "at once, now that it is known");
    assert_eq!(store.outbox_stand(&name("setter")).0.delivered, 2);
    other.execute_batch("COMMIT").expect("let go");
    store.flush().expect("open");
    let counted = OutboxCounts { transitions: 3, pending: 1, delivered: 2, ..OutboxCounts::default() };
    assert_eq!(counts(&store, "setter"), counted);
    store.close();
    let store = scratch.open();
    assert_eq!((pending(&store, "setter", 0), counts(&store, "setter")), (vec![3], counted));
}

#[test]
fn what_was_done_long_ago_goes_and_stays_counted() {
    let connection = Connection::open_in_memory().expect("memory");
    connection.execute_batch(super::super::schema::OUTBOX_TABLES).expect("tables");
    append(&connection, &waiting(3)).expect("written");
    let later = AT.plus(DONE_KEPT);
    apply(&connection, &rows(&[1], RowState::Delivered)).expect("marked");
    apply(&connection, &[Mark::Rows { ids: vec![2], state: RowState::Delivered, reason: None, at: later }])
        .expect("marked");
    sweep(&connection, Some(later)).expect("swept");
    let left: Vec<i64> = connection
        .prepare("SELECT id FROM outbox ORDER BY id")
        .and_then(|mut rows| rows.query_map([], |row| row.get(0))?.collect())
        .expect("readable");
    assert_eq!(left, [2, 3], "one was done with thirty days ago, one is still to be sent");
    let total: (u64, u64) = connection
        .query_row("SELECT transitions, delivered FROM outbox_total", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .expect("counted");
    assert_eq!(total, (3, 2));
}

#[test]
fn rows_that_never_became_durable_are_counted_as_expired() {
    let connection = Connection::open_in_memory().expect("memory");
    connection.execute_batch(super::super::schema::OUTBOX_TABLES).expect("tables");
    let many = u32::try_from(WAITING_OUTBOX_MAX).expect("small") + 5;
    append(&connection, &waiting(many)).expect("written");
    let counted: (u64, u64) = connection
        .query_row("SELECT transitions, expired FROM outbox_total", [], |row| Ok((row.get(0)?, row.get(1)?)))
        .expect("counted");
    assert_eq!(counted, (u64::from(many), u64::from(many) - u64::from(PENDING_MAX)));
}

/// The tables as version 1 wrote them, word for word.
const TABLES_1: &str = include_str!("tables_1.sql");

/// A file of version 1 with a note in it.
fn version_1(path: &Path) {
    std::fs::create_dir_all(path.parent().expect("in a directory")).expect("made");
    let connection = Connection::open(path).expect("made");
    connection
        .execute_batch(&format!(
            "PRAGMA auto_vacuum=INCREMENTAL; PRAGMA journal_mode=WAL; BEGIN; {TABLES_1}
             INSERT INTO saved(key, value) VALUES('engine', x'07');
             PRAGMA application_id=1400204656; PRAGMA user_version=1; COMMIT;"
        ))
        .expect("written");
}

#[tokio::test]
async fn a_file_of_the_version_before_is_given_an_outbox_and_keeps_everything() {
    let scratch = Scratch::new();
    version_1(&scratch.file());
    let store = scratch.open();
    submit(&store, vec![entry("setter", 1, 1)]);
    assert_eq!(pending(&store, "setter", 0), [1]);
    assert_eq!(store.reader().expect("readable").saved("engine").expect("readable"), Some(vec![7]));
    store.close();
    assert_eq!(pending(&scratch.open(), "setter", 0), [1], "and opens again");
    assert_eq!(std::fs::read_dir(&scratch.0).expect("there").filter(aside).count(), 0);
}

fn aside(entry: &std::io::Result<std::fs::DirEntry>) -> bool {
    entry.as_ref().is_ok_and(|entry| entry.file_name().to_string_lossy().contains("damaged"))
}

/// An upgrade that was cut short has changed nothing; one of a foreign file is not even begun.
#[test]
fn an_upgrade_happens_whole_or_not_at_all() {
    let scratch = Scratch::new();
    version_1(&scratch.file());
    let connection = Connection::open(scratch.file()).expect("there");
    // A table of that name stands in the way of the last step.
    connection.execute_batch("CREATE TABLE outbox_total(x)").expect("made");
    drop(connection);
    let store = scratch.open();
    store.close();
    let kept = std::fs::read_dir(&scratch.0).expect("there").filter(aside).count();
    assert!(kept >= 1, "set aside, not half upgraded");
    let old = Connection::open(scratch.0.join("store.sqlite.damaged-1")).expect("there");
    let (version, tables): (i32, i64) = old
        .query_row(
            "SELECT (SELECT user_version FROM pragma_user_version), \
             (SELECT count(*) FROM sqlite_schema WHERE name = 'outbox')",
            [],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .expect("readable");
    assert_eq!((version, tables), (1, 0));

    let scratch = Scratch::new();
    version_1(&scratch.file());
    let connection = Connection::open(scratch.file()).expect("there");
    connection.pragma_update(None, "application_id", 7).expect("set");
    drop(connection);
    scratch.open().close();
    let foreign = Connection::open(scratch.0.join("store.sqlite.damaged-1")).expect("set aside");
    let version: i32 = foreign.query_row("PRAGMA user_version", [], |row| row.get(0)).expect("readable");
    assert_eq!(version, 1, "another program's file is left as it is");
}

#[tokio::test]
async fn a_damaged_file_gives_its_outbox_to_the_next_one() {
    let scratch = Scratch::new();
    let store = scratch.open();
    submit(&store, (1..=3).map(|key| entry("setter", key, 1)).collect());
    store.outbox_mark(rows(&[1], RowState::Delivered)).await.expect("open");
    store.close();
    let connection = Connection::open(scratch.file()).expect("there");
    // Its schema is damaged where the outbox is not, and one row and the count of another have gone with it.
    connection
        .execute_batch(
            "DROP TABLE chunk; DELETE FROM outbox WHERE id = 2; UPDATE outbox_total SET delivered = 0",
        )
        .expect("damaged");
    drop(connection);
    let store = scratch.open();
    assert_eq!(pending(&store, "setter", 0), [3]);
    let counted = counts(&store, "setter");
    assert_eq!((counted.transitions, counted.pending, counted.expired), (3, 1, 2), "what is lost is counted");
    submit(&store, vec![entry("setter", 4, 1)]);
    assert_eq!(pending(&store, "setter", 3), [4], "numbers go on");
}

#[test]
fn rows_that_wait_are_bounded_however_often_writing_fails() {
    let mut book = Book::default();
    let mut taken = Waiting::default();
    for round in 0..3 {
        let keys = (0..WAITING_OUTBOX_MAX as u32).map(|key| round * WAITING_OUTBOX_MAX as u32 + key);
        book.accept(keys.map(|key| entry("setter", key, 1)).collect(), Instant::now());
        book.take_back(std::mem::take(&mut taken));
        taken = book.take();
        assert_eq!(taken.entries.len(), WAITING_OUTBOX_MAX);
        assert_eq!(taken.dropped.values().sum::<u64>(), u64::from(round) * WAITING_OUTBOX_MAX as u64);
    }
    let (counts, _) = book.stand(&name("setter"));
    let most = WAITING_OUTBOX_MAX as u64;
    assert_eq!((counts.pending, counts.expired), (most, 2 * most));
}
