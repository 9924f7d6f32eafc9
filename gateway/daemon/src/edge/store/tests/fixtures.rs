//! Files that earlier versions wrote open, hold what the list beside them says, and go on being written.
//!
//! `examples/store_fixture.rs` says how the files were made: each by the program of its version.

use std::io::Read as _;

use super::super::{examine, schema};
use super::*;

const FIXTURES: [(i32, &[u8], &str); 3] = [
    (1, include_bytes!("../fixtures/version_1.sqlite.gz"), include_str!("../fixtures/version_1.txt")),
    (2, include_bytes!("../fixtures/version_2.sqlite.gz"), include_str!("../fixtures/version_2.txt")),
    (3, include_bytes!("../fixtures/version_3.sqlite.gz"), include_str!("../fixtures/version_3.txt")),
];

fn unpack(packed: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::new();
    flate2::read::GzDecoder::new(packed).read_to_end(&mut bytes).unwrap();
    bytes
}

fn placed(bytes: &[u8]) -> Scratch {
    let scratch = Scratch::new();
    std::fs::create_dir(&scratch.0).unwrap();
    std::fs::write(scratch.file(), bytes).unwrap();
    scratch
}

/// The store in the words of the list.
fn told(store: &Store, version: i32) -> Vec<String> {
    let mut reader = store.reader().unwrap();
    let mut lines = Vec::new();
    for series in reader.series().unwrap() {
        let number = |number: Option<f64>| number.map_or("-".to_owned(), |n| n.to_string());
        let line = |point: &Point| {
            let (raw, value) = (number(point.raw), number(point.value));
            format!("point {} {} {raw} {value}", series.text, point.at.as_nanos())
        };
        lines.extend(all(&mut reader, series.id).iter().map(line));
    }
    for entry in reader.journal(at(-10_000_000_000), at(100_000_000_000), 1_000).unwrap() {
        lines.push(format!("journal {} {} {}", entry.at.as_nanos(), entry.state, entry.message));
    }
    for key in ["alarm/lathe-1/ph-low", "acidity/lathe-1"] {
        lines.extend(
            reader
                .saved(key)
                .unwrap()
                .map(|value| format!("saved {key} {}", String::from_utf8_lossy(&value))),
        );
    }
    let totals = reader.forward("tsdb").unwrap().unwrap();
    lines.push(format!("forward tsdb {} {} {}", totals.forwarded, totals.parked, totals.expired));
    if version >= 2 {
        let connection = reader.fresh().unwrap();
        let mut statement = connection.prepare("SELECT receiver, key, sequence, state FROM outbox").unwrap();
        let text = |row: &rusqlite::Row<'_>| {
            let (receiver, key): (String, String) = (row.get(0)?, row.get(1)?);
            Ok(format!("outbox {receiver} {key} {} {}", row.get::<_, i64>(2)?, row.get::<_, String>(3)?))
        };
        lines.extend(statement.query_map([], text).unwrap().map(Result::unwrap));
    }
    if version >= 3 {
        let connection = reader.fresh().unwrap();
        let mut statement =
            connection.prepare("SELECT boot, zero, sum(count) FROM undated GROUP BY boot, zero").unwrap();
        let text = |row: &rusqlite::Row<'_>| {
            let (boot, zero, count): (String, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
            Ok(format!("undated {boot} {zero} {count}"))
        };
        lines.extend(statement.query_map([], text).unwrap().map(Result::unwrap));
    }
    lines.sort_unstable();
    lines
}

#[test]
fn every_version_opens_holds_its_list_and_goes_on() {
    assert_eq!(FIXTURES.last().unwrap().0, schema::SCHEMA_VERSION, "make the files of the newest version");
    for (version, packed, list) in FIXTURES {
        let bytes = unpack(packed);
        assert!(packed.len() < 100_000);
        let scratch = placed(&bytes);
        let connection = rusqlite::Connection::open(scratch.file()).unwrap();
        let found: i32 = connection.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
        drop(connection);
        assert_eq!(found, version);
        let mut expected: Vec<&str> = list.lines().collect();
        expected.sort_unstable();
        let (store, mut events) = open(&scratch, packing());
        assert_eq!(told(&store, version), expected, "version {version}");
        store.submit(samples(polls(1_000_000, 10)));
        store.flush().unwrap();
        wait_packed(&store);
        assert_identity(&mut store.reader().unwrap(), "tsdb");
        store.close();
        drop(store);
        assert!(!std::iter::from_fn(|| events.try_recv().ok()).any(|e| matches!(e, StoreEvent::SetAside(_))));
        let report = examine::examine(&scratch.file(), &|_| Vec::new(), &|_, _, _| {}).unwrap();
        assert_eq!((report.schema, report.findings.as_slice()), (schema::SCHEMA_VERSION, &[][..]));
        assert_eq!(report.points, 3 * 420 + 30, "version {version}");
    }
}

#[test]
fn a_newer_version_is_refused_and_its_directory_left_as_it_is() {
    let scratch = placed(&unpack(FIXTURES[FIXTURES.len() - 1].1));
    let connection = rusqlite::Connection::open(scratch.file()).unwrap();
    connection.pragma_update(None, "user_version", schema::SCHEMA_VERSION + 1).unwrap();
    drop(connection);
    std::fs::write(scratch.0.join("lock"), b"").unwrap();
    let all = || -> std::collections::BTreeMap<_, _> {
        let entries = std::fs::read_dir(&scratch.0).unwrap().map(|entry| entry.unwrap().path());
        entries.map(|path| (path.clone(), std::fs::read(path).unwrap())).collect()
    };
    let before = all();
    let refused = Store::open(&scratch.0, &keys(), settings(), unbounded_channel().0);
    assert!(matches!(refused, Err(StoreError::Newer { .. })), "{refused:?}");
    assert_eq!(all(), before);
    let looked = examine::examine(&scratch.file(), &|_| Vec::new(), &|_, _, _| {});
    assert!(matches!(looked, Err(StoreError::Newer { .. })), "{looked:?}");
    assert_eq!(all(), before);
}

/// What a kill leaves of a migration: each write to the disk is one place to stop at, and the writes since the last sync may
/// have reached the disk or not.
#[test]
fn a_migration_that_is_cut_off_anywhere_leaves_the_old_file_or_the_new_one() {
    for (version, packed, list) in
        FIXTURES.into_iter().filter(|(version, ..)| *version < schema::SCHEMA_VERSION)
    {
        let scratch = placed(&unpack(packed));
        let place = schema::Place::claim(&scratch.0).unwrap();
        let connection = rusqlite::Connection::open(scratch.file()).unwrap();
        connection.pragma_update(None, "journal_mode", "WAL").unwrap();
        connection.pragma_update(None, "wal_autocheckpoint", 0).unwrap();
        schema::upgrade(&connection).unwrap();
        // The log has the whole migration; the process dies with so much of it on the disk.
        let log = log_of(&scratch.file());
        let (file, whole) = (std::fs::read(scratch.file()).unwrap(), std::fs::read(&log).unwrap());
        drop((connection, place));
        let mut expected: Vec<&str> = list.lines().collect();
        expected.sort_unstable();
        let mut versions = std::collections::BTreeSet::new();
        let frame = 24 + 4_096;
        let ends = (0..=whole.len().saturating_sub(32) / frame).map(|frames| 32 + frames * frame);
        let cuts = ends.flat_map(|end| [end, end + 1, end + 24, end + 2_000]).chain([0, 1, 31]);
        for cut in cuts.filter(|cut| *cut <= whole.len()) {
            let scratch = placed(&file);
            std::fs::write(log_of(&scratch.file()), &whole[..cut]).unwrap();
            let connection = rusqlite::Connection::open(scratch.file()).unwrap();
            let found: i32 = connection.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
            assert!(found == version || found == schema::SCHEMA_VERSION, "cut at {cut}: version {found}");
            versions.insert(found);
            drop(connection);
            let (store, mut events) = open(&scratch, settings());
            assert_eq!(told(&store, version), expected, "version {version}, cut at {cut}");
            store.close();
            drop(store);
            let aside = |event| matches!(event, StoreEvent::SetAside(_));
            assert!(!std::iter::from_fn(|| events.try_recv().ok()).any(aside), "cut at {cut}");
        }
        assert_eq!(versions.len(), 2, "both were seen: {versions:?}");
    }
}
