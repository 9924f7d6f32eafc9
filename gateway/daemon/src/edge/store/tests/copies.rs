//! Looking through, copying and going back: what is looked at stays as it is, and no number is given twice.

use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt;

use super::super::examine::{self, Report};
use super::super::{schema, snapshot};
use super::*;

fn look(path: &Path) -> Result<Report, StoreError> {
    examine::examine(path, &|_| Vec::new(), &|_, _, _| {})
}

#[track_caller]
fn assert_sound(path: &Path) -> Report {
    let report = look(path).unwrap();
    let said: Vec<String> = report.findings.iter().map(ToString::to_string).collect();
    assert!(said.is_empty(), "{said:#?}");
    report
}

/// Everything about a directory that a look could change.
fn print_of(directory: &Path) -> BTreeMap<PathBuf, (u64, i64, u64, u32)> {
    let entries = std::fs::read_dir(directory).unwrap().map(|entry| entry.unwrap().path());
    let one = |path: PathBuf| {
        let m = std::fs::metadata(&path).unwrap();
        let bytes = std::fs::read(&path).unwrap();
        (
            path,
            (
                m.ino(),
                m.mtime_nsec(),
                m.len(),
                bytes.iter().fold(0, |sum: u32, byte| sum.rotate_left(5) ^ u32::from(*byte)),
            ),
        )
    };
    entries.map(one).collect()
}

/// A store with packed and unpacked points, a journal, saved state, a forwarder half way, and an outbox.
fn filled(scratch: &Scratch) -> (Store, UnboundedReceiver<StoreEvent>) {
    let (store, _told) = open(scratch, packing());
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    store.submit(Commit {
        saved: vec![("alarm/lathe-1/ph-low".into(), ALARM.to_vec())],
        journal: vec![record(1), record(2)],
        outbox: vec![told_of(1)],
        ..samples(polls(0, 400))
    });
    store.flush().unwrap();
    let mut reader = store.reader().unwrap();
    runtime.block_on(drain(&store, &mut reader, "tsdb", 100, 500));
    for round in 1..20 {
        store.submit(samples(polls(400 * round, 400)));
        store.flush().unwrap();
    }
    std::thread::sleep(Duration::from_millis(100));
    store.close();
    drop(store);
    let (store, told) = open(scratch, settings());
    store.submit(samples(polls(8_000, 30)));
    store.flush().unwrap();
    (store, told)
}

const ALARM: &[u8] =
    br#"{"state":"UNACK","since_ns":1,"active":true,"kept":{"utc_ns":0},"occurrence":3,"sequence":2}"#;

fn record(second: i64) -> JournalRecord {
    super::record(at(second * 1_000), "=pH 8.5, \"below\" 8.6")
}

fn told_of(sequence: u32) -> OutboxEntry {
    OutboxEntry {
        receiver: Name::new("setter").unwrap(),
        key: "hall/lathe-1/ph-low#3".into(),
        sequence,
        action: sumpwarden_core::notify::Action::Raise,
        priority: sumpwarden_core::alarm::settings::Priority::High,
        at: at(0),
        body: "{}".into(),
    }
}

#[test]
fn a_look_finds_nothing_wrong_and_changes_nothing_whether_a_daemon_runs_was_killed_or_stopped() {
    let scratch = Scratch::new();
    let (store, _told) = filled(&scratch);
    let running = assert_sound(&scratch.file());
    assert_eq!(running.points, 3 * 8_030);
    // What a killed daemon leaves: file, log and index of the log, and nobody who has them.
    let killed = Scratch::new();
    std::fs::create_dir(&killed.0).unwrap();
    for name in ["store.sqlite", "store.sqlite-wal", "store.sqlite-shm", "lock"] {
        std::fs::copy(scratch.0.join(name), killed.0.join(name)).unwrap();
    }
    let before = print_of(&killed.0);
    assert_eq!(assert_sound(&killed.file()).points, 3 * 8_030);
    assert_eq!(print_of(&killed.0), before, "after a kill");
    // The same where somebody took file and log along only.
    std::fs::remove_file(killed.0.join("store.sqlite-shm")).unwrap();
    let before = print_of(&killed.0);
    assert_eq!(assert_sound(&killed.file()).points, 3 * 8_030);
    assert_eq!(print_of(&killed.0), before, "without an index");
    store.close();
    drop(store);
    let before = print_of(&scratch.0);
    assert_eq!(assert_sound(&scratch.file()).points, 3 * 8_030);
    assert_eq!(print_of(&scratch.0), before, "after a stop");
}

#[test]
fn each_mistake_is_found_where_it_is() {
    let scratch = Scratch::new();
    filled(&scratch).0.close();
    for (change, part) in [
        ("UPDATE batch SET body = zeroblob(length(body))", "batch"),
        ("UPDATE batch SET count = count + 1", "batch"),
        ("UPDATE chunk SET body = zeroblob(length(body)) WHERE id = (SELECT min(id) FROM chunk)", "chunk"),
        ("UPDATE chunk SET series = series % 3 + 1 WHERE id = (SELECT min(id) FROM chunk)", "stamps"),
        ("UPDATE chunk SET first_seq = 9999 WHERE id = (SELECT min(id) FROM chunk)", "chunk"),
        ("UPDATE chunk SET count = count + 1 WHERE id = (SELECT min(id) FROM chunk)", "span"),
        ("UPDATE span SET points = points - 1", "span"),
        (
            "INSERT INTO undated(boot, zero, first_at, last_at, count, body)
             SELECT 'b', 0, first_at, last_at, count, zeroblob(20) FROM batch",
            "undated",
        ),
        ("DELETE FROM series WHERE id = 2", "batch"),
        ("UPDATE rollup SET max = max + 1 WHERE series = 1", "rollup"),
        ("DELETE FROM rollup WHERE series = 1 AND width > 3600000000000", "rollup"),
        ("UPDATE forward SET forwarded = forwarded + 1", "forward"),
        ("UPDATE forward SET pending = '999999.0-'", "forward"),
        ("UPDATE forward SET pending = 'nonsense'", "forward"),
        ("UPDATE outbox_total SET transitions = transitions + 1", "outbox"),
        ("UPDATE outbox SET action = 'shout'", "outbox"),
        ("UPDATE journal SET kind = 'else'", "journal"),
        (
            "DROP INDEX journal_at; CREATE INDEX journal_at ON journal(at); UPDATE journal SET at = 5",
            "journal",
        ),
    ] {
        let changed = Scratch::new();
        std::fs::create_dir(&changed.0).unwrap();
        std::fs::copy(scratch.file(), changed.file()).unwrap();
        let connection = rusqlite::Connection::open(changed.file()).unwrap();
        connection.execute_batch(change).unwrap();
        drop(connection);
        let report = look(&changed.file()).unwrap();
        let parts: Vec<&str> = report.findings.iter().map(|finding| finding.part).collect();
        assert!(parts.contains(&part), "{change}: {:#?}", report.findings);
    }
    let unreadable =
        examine::examine(&scratch.file(), &|saved| saved.keys().cloned().collect(), &|_, _, _| {});
    assert_eq!(unreadable.unwrap().findings[0].part, "saved");
}

#[test]
fn what_is_no_store_of_ours_is_refused_in_words() {
    let scratch = Scratch::new();
    std::fs::create_dir(&scratch.0).unwrap();
    assert!(matches!(look(&scratch.file()), Err(StoreError::Unusable { .. })));
    std::fs::write(scratch.file(), b"").unwrap();
    assert!(look(&scratch.file()).is_err());
    std::fs::write(scratch.file(), b"no database at all, but text of some length").unwrap();
    assert!(look(&scratch.file()).is_err());
    std::fs::remove_file(scratch.file()).unwrap();
    let foreign = rusqlite::Connection::open(scratch.file()).unwrap();
    foreign.execute_batch("CREATE TABLE recipes(name TEXT)").unwrap();
    drop(foreign);
    let said = look(&scratch.file()).unwrap_err().to_string();
    assert!(said.contains("another program"), "{said}");
}

#[test]
fn a_copy_made_while_the_store_is_written_is_one_moment_of_it() {
    let scratch = Scratch::new();
    let (store, _told) = filled(&scratch);
    let busy = std::sync::atomic::AtomicBool::new(true);
    let copy = scratch.0.join("copy.sqlite");
    let copied = std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut next = 9_000;
            while busy.load(Ordering::Relaxed) {
                store.submit(samples(polls(next, 20)));
                store.flush().unwrap();
                next += 20;
            }
        });
        let copied = snapshot::snapshot(&scratch.file(), &copy, &|_, _, _| {});
        busy.store(false, Ordering::Relaxed);
        copied.unwrap()
    });
    assert!(copied.points >= 3 * 8_030, "{copied:?}");
    assert_eq!(assert_sound(&copy).points, copied.points);
    assert_eq!(std::fs::metadata(&copy).unwrap().mode() & 0o777, 0o600);
    assert!(store.status().trouble.is_none());
    store.close();
    let left: Vec<_> = std::fs::read_dir(&scratch.0).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(!left.iter().any(|name| name.to_string_lossy().contains("unfinished")), "{left:?}");
    assert!(snapshot::snapshot(&scratch.file(), &copy, &|_, _, _| {}).is_err(), "nothing is written over");
}

#[tokio::test]
async fn going_back_gives_no_number_twice_and_a_forwarder_misses_nothing() {
    let scratch = Scratch::new();
    let (store, _told) = tokio::task::spawn_blocking({
        let path = scratch.0.clone();
        move || {
            let borrowed = std::mem::ManuallyDrop::new(Scratch(path));
            filled(&borrowed)
        }
    })
    .await
    .unwrap();
    let copy = scratch.0.join("copy.sqlite");
    snapshot::snapshot(&scratch.file(), &copy, &|_, _, _| {}).unwrap();
    let newest = store.status().newest_seq;
    // Life goes on: more points are stored and delivered, more is journalled and told.
    store.submit(Commit {
        journal: vec![record(50)],
        outbox: vec![told_of(2)],
        ..samples(polls(20_000, 10))
    });
    store.flush().unwrap();
    let mut reader = store.reader().unwrap();
    drain(&store, &mut reader, "tsdb", 1_000, usize::MAX).await;
    let ids = |store: &Store, reader: &mut Reader| {
        let journal = reader.journal_after(0, 100).unwrap().last().unwrap().id;
        (journal, store.outbox_after(&Name::new("setter").unwrap(), 0, 100).last().unwrap().id)
    };
    let before = ids(&store, &mut reader);
    let later = store.status().newest_seq;
    let refused = snapshot::restore(&scratch.0, &copy, &sumpwarden_core::engine::renumbered, &|_, _, _| {});
    assert!(matches!(refused, Err(StoreError::InUse { .. })), "{refused:?}");
    drop(reader);
    store.close();
    drop(store);

    let (restored, aside) =
        snapshot::restore(&scratch.0, &copy, &sumpwarden_core::engine::renumbered, &|_, _, _| {}).unwrap();
    assert_eq!(restored.points, 3 * 8_030);
    let aside = aside.expect("there was a store");
    assert!(assert_sound(&aside.path).points > restored.points, "what was there is kept");
    assert_sound(&scratch.file());

    let (store, _told) = open(&scratch, settings());
    store.submit(Commit {
        journal: vec![record(60)],
        outbox: vec![told_of(9)],
        ..samples(polls(30_000, 10))
    });
    store.flush().unwrap();
    assert!(store.status().newest_seq > later && later > newest);
    let mut reader = store.reader().unwrap();
    let after = ids(&store, &mut reader);
    assert!(after.0 > before.0 && after.1 > before.1, "{before:?} {after:?}");
    let owed = drain(&store, &mut reader, "tsdb", 1_000, usize::MAX).await;
    let all: usize = (1..=3).map(|id| all(&mut reader, SeriesId(id)).len()).sum();
    assert!(owed.len() >= 30, "what is new is delivered");
    assert_identity(&mut reader, "tsdb");
    let totals = reader.forward("tsdb").unwrap().unwrap();
    assert_eq!(totals.forwarded as usize, all, "everything held was delivered in the end");
    let alarm: serde_json::Value =
        serde_json::from_slice(&reader.saved("alarm/lathe-1/ph-low").unwrap().unwrap()).unwrap();
    assert_eq!(
        (&alarm["occurrence"], &alarm["state"]),
        (&3.into(), &"UNACK".into()),
        "it is still the same one"
    );
    assert!(alarm["sequence"].as_u64().unwrap() > 1_000_000);
    assert!(reader.saved("alarms/occurrences-from").unwrap().is_some());
    drop(reader);
    store.close();
    drop(store);
    assert_sound(&scratch.file());
}

#[test]
fn what_is_put_in_place_is_looked_through_as_it_is() {
    let scratch = Scratch::new();
    filled(&scratch).0.close();
    let copy = scratch.0.join("copy.sqlite");
    snapshot::snapshot(&scratch.file(), &copy, &|_, _, _| {}).unwrap();
    let before = std::fs::read(scratch.file()).unwrap();
    let body: Vec<u8> = rusqlite::Connection::open(&copy)
        .unwrap()
        .query_row("SELECT substr(body, 1, 64) FROM chunk ORDER BY id LIMIT 1", [], |row| row.get(0))
        .unwrap();
    // The disk turns a bit of it, after the copy has been looked through.
    let hit = |_: &[(String, Vec<u8>)]| {
        let mut files = std::fs::read_dir(&scratch.0).unwrap().map(|entry| entry.unwrap().path());
        let is_new = |path: &PathBuf| {
            let path = path.to_string_lossy();
            path.contains("unfinished") && !path.ends_with("journal")
        };
        let path = files.find(is_new).unwrap();
        let mut bytes = std::fs::read(&path).unwrap();
        // Pages that are free may hold the same bytes.
        for at in
            (0..bytes.len() - body.len()).filter(|at| bytes[*at..].starts_with(&body)).collect::<Vec<_>>()
        {
            bytes[at + 20] ^= 1;
        }
        std::fs::write(&path, bytes).unwrap();
        Vec::new()
    };
    let refused = snapshot::restore(&scratch.0, &copy, &hit, &|_, _, _| {});
    let refused = refused.unwrap_err().to_string();
    assert!(refused.contains("mistakes"), "{refused}");
    assert_eq!(std::fs::read(scratch.file()).unwrap(), before);
}

#[test]
fn what_is_set_aside_is_renamed_whole_or_not_at_all_and_can_be_put_back() {
    let scratch = Scratch::new();
    let place = schema::Place::claim(&scratch.0).unwrap();
    let ends = ["", "-wal", "-shm"];
    let all_there = |file: &Path| ends.iter().all(|end| std::fs::read(beside(file, end)).is_ok());
    ends.iter().for_each(|end| std::fs::write(beside(&scratch.file(), end), end).unwrap());
    let aside = place.set_aside_as("replaced", String::new()).unwrap();
    assert!(all_there(&aside.path) && !scratch.file().exists());
    // Something is in the way of the last one.
    let way = beside(&scratch.file(), "-shm");
    std::fs::create_dir_all(way.join("in it")).unwrap();
    assert!(place.put_back(&aside).is_err());
    assert!(all_there(&aside.path) && !scratch.file().exists());
    std::fs::remove_dir_all(&way).unwrap();
    place.put_back(&aside).unwrap();
    assert!(all_there(&scratch.file()) && !aside.path.exists());
}

#[test]
fn a_look_at_the_lock_does_not_keep_a_store_from_opening() {
    let scratch = Scratch::new();
    std::fs::create_dir(&scratch.0).unwrap();
    let lock = std::fs::File::create(scratch.0.join("lock")).unwrap();
    lock.lock_shared().unwrap();
    let looked = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_millis(20));
        drop(lock);
    });
    assert!(schema::Place::claim(&scratch.0).is_ok());
    looked.join().unwrap();
}

#[test]
fn a_damaged_copy_is_refused_and_the_store_stays() {
    let scratch = Scratch::new();
    filled(&scratch).0.close();
    let copy = scratch.0.join("copy.sqlite");
    snapshot::snapshot(&scratch.file(), &copy, &|_, _, _| {}).unwrap();
    let connection = rusqlite::Connection::open(&copy).unwrap();
    connection
        .execute("UPDATE chunk SET body = zeroblob(10) WHERE id = (SELECT min(id) FROM chunk)", [])
        .unwrap();
    drop(connection);
    let before = std::fs::read(scratch.file()).unwrap();
    let refused = snapshot::restore(&scratch.0, &copy, &|_| Vec::new(), &|_, _, _| {}).unwrap_err();
    assert!(refused.to_string().contains("mistakes"), "{refused}");
    assert_eq!(std::fs::read(scratch.file()).unwrap(), before);
}
