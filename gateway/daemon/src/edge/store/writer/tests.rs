//! The writer with its hands held: commits of which it hears otherwise than they went, and files that change under it.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};

use sumpwarden_core::alarm::settings::Priority;
use sumpwarden_core::model::{Ack, BrokerIndex, Name, Quality, Quantity, Sample, SeriesIndex, Timestamp};
use sumpwarden_core::notify::{Action, OutboxEntry};
use sumpwarden_core::store::{JournalRecord, RecordKind, SeriesSource};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

use super::super::Commit;
use super::*;

/// A directory that goes when the test is over.
struct Scratch(PathBuf);

impl Scratch {
    fn new() -> Self {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("sumpwarden-writer-{}-{number}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        Self(path)
    }

    fn writer(&self) -> (Writer, UnboundedReceiver<StoreEvent>) {
        let (events, told) = unbounded_channel();
        let place = Place::claim(&self.0).unwrap();
        let shared = Arc::new(Shared::of(&place));
        let settings = StoreSettings { free_min: 0, ..StoreSettings::default() };
        let series = SeriesKey {
            sump: name("lathe-1"),
            source: SeriesSource::Probe(name("ph")),
            quantity: Quantity::Ph,
        };
        (Writer::open(place, &[series], settings, events, shared).unwrap(), told)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

const AT: Timestamp = Timestamp::from_millis(1_772_000_000_000);

fn commit(number: u32) -> Commit {
    let sample = |millis: i64| Sample {
        series: SeriesIndex(0),
        at: Timestamp::from_millis(AT.as_millis() + i64::from(number) * 1_000 + millis),
        raw: Some(851.0),
        value: Some(8.51),
        quality: Quality::GOOD,
    };
    let record = JournalRecord {
        at: AT,
        kind: RecordKind::Alarm,
        sump: Some(name("lathe-1")),
        subject: "ph-low".into(),
        state: "UNACK".into(),
        priority: Some("medium"),
        value: Some(8.5),
        message: format!("number {number}"),
    };
    let entry = OutboxEntry {
        receiver: name("setter"),
        key: format!("lathe-1/ph-low/{number}"),
        sequence: 1,
        action: Action::Raise,
        priority: Priority::High,
        at: AT,
        body: "{}".into(),
    };
    Commit {
        samples: (0..5).map(sample).collect(),
        journal: vec![record],
        outbox: vec![entry],
        acks: vec![Ack { broker: BrokerIndex(0), token: number.into() }],
        ..Commit::default()
    }
}

fn count(writer: &Writer, query: &str) -> i64 {
    writer.connection.query_row(query, [], |row| row.get(0)).unwrap()
}

#[test]
fn a_commit_that_seemed_to_fail_and_is_in_the_file_is_there_once() {
    let scratch = Scratch::new();
    let (mut writer, mut told) = scratch.writer();
    for number in 0..2 {
        writer.failures = 0;
        locked(&writer.shared.inbox).accept(commit(2 * number), Instant::now());
        let mut window = locked(&writer.shared.inbox).take();
        writer.held.rows = std::mem::take(&mut window.rows);
        writer.prepare();
        let packed = (writer.held.batch.take(), writer.held.undated.take());
        let last_journal = writer.last_journal;
        assert!(writer.write(&packed, &window.pressing, None).is_ok());
        // The writer is told otherwise, and more comes while it looks for the file.
        writer.last_journal = last_journal;
        (writer.held.batch, writer.held.undated) = packed;
        locked(&writer.shared.inbox).accept(commit(2 * number + 1), Instant::now());
        locked(&writer.shared.inbox).press(&mut window);
        writer.failures = FAILURES_MAX;
        let error = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_IOERR_FSYNC);
        writer.face_with(rusqlite::Error::SqliteFailure(error, None), &mut window);
        assert!(writer.is_attached());
        writer.commit(window);
        let rest = locked(&writer.shared.inbox).take();
        writer.commit(rest);
    }
    assert_eq!(count(&writer, "SELECT sum(count) FROM batch"), 20);
    assert_eq!(count(&writer, "SELECT count(*) FROM journal"), 4);
    assert_eq!(count(&writer, "SELECT transitions FROM outbox_total"), 4);
    let inbox = locked(&writer.shared.inbox);
    assert_eq!(inbox.book.after(&name("setter"), 0, 10).len(), 4, "all are to be sent in this run");
    assert_eq!((inbox.counters.acquired, inbox.counters.stored), (20, 20));
    let mut tokens: Vec<u64> = std::iter::from_fn(|| told.try_recv().ok())
        .filter_map(|event| if let StoreEvent::Durable(acks) = event { Some(acks) } else { None })
        .flatten()
        .map(|ack| ack.token)
        .collect();
    tokens.sort_unstable();
    assert_eq!(tokens, [0, 1, 2, 3], "each once");
}

#[test]
fn damage_to_a_file_that_has_gone_is_not_laid_to_the_one_in_its_place() {
    let (scratch, other) = (Scratch::new(), Scratch::new());
    drop(other.writer());
    let (mut writer, mut told) = scratch.writer();
    let file = writer.place.file();
    std::fs::rename(&file, scratch.0.join("moved")).unwrap();
    std::fs::copy(other.0.join(schema::FILE), &file).unwrap();
    let error = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_CORRUPT);
    writer.face(rusqlite::Error::SqliteFailure(error, None));
    assert!(writer.is_attached() && writer.damaged.is_none());
    let events: Vec<_> = std::iter::from_fn(|| told.try_recv().ok()).collect();
    assert!(!events.iter().any(|event| matches!(event, StoreEvent::SetAside(_))), "{events:?}");
}
