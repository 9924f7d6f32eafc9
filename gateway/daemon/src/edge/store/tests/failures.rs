//! Attempts that fail on the way: what was set aside, copied or told before is not lost or done again with the next one.

use super::super::schema::{self, Place};
use super::*;

/// Files of the directory whose name holds `part`.
fn named(scratch: &Scratch, part: &str) -> Vec<PathBuf> {
    let found = std::fs::read_dir(&scratch.0).unwrap().map(|entry| entry.unwrap().path());
    found.filter(|path| path.to_string_lossy().contains(part)).collect()
}

#[test]
fn what_was_set_aside_is_copied_from_and_told_although_the_next_file_came_late() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, settings());
    store.submit(Commit { saved: vec![("engine".into(), vec![7; 9])], ..samples(vec![sample(0, 0, 851.0)]) });
    store.flush().unwrap();
    store.close();
    drop(store);
    // No store, and no fresh one can be begun either.
    std::fs::rename(scratch.file(), scratch.0.join("moved")).unwrap();
    std::os::unix::fs::symlink(scratch.0.join("moved"), scratch.file()).unwrap();
    std::fs::create_dir(scratch.0.join("store.sqlite-journal")).unwrap();
    let mut place = Place::claim(&scratch.0).unwrap();
    for _ in 0..3 {
        assert!(place.open().is_err());
    }
    std::fs::remove_dir(scratch.0.join("store.sqlite-journal")).unwrap();
    let (connection, aside) = place.open().unwrap();
    assert_eq!(aside.len(), 1);
    let saved: Vec<u8> =
        connection.query_row("SELECT value FROM saved WHERE key = 'engine'", [], |row| row.get(0)).unwrap();
    assert_eq!(saved, [7; 9]);
    drop(connection);
    assert!(place.open().unwrap().1.is_empty(), "told once");
}

/// Where the frames of a log begin that end a commit, and where it ends.
fn commits_in(log: &[u8]) -> Vec<usize> {
    let word = |at: usize| u32::from_be_bytes(log[at..at + 4].try_into().unwrap());
    let frames = (32..log.len()).step_by(24 + 4_096).filter(|at| at + 24 + 4_096 <= log.len());
    frames.filter(|at| word(at + 8) == word(16) && word(at + 4) != 0).collect()
}

/// File and log as a kill leaves them.
fn killed() -> Scratch {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, settings());
    for round in 0..5 {
        store.submit(samples(polls(round * 50, 50)));
        store.flush().unwrap();
    }
    let left = Scratch::new();
    std::fs::create_dir(&left.0).unwrap();
    for name in ["store.sqlite", "store.sqlite-wal"] {
        std::fs::copy(scratch.0.join(name), left.0.join(name)).unwrap();
    }
    store.close();
    left
}

#[test]
fn a_commit_that_a_power_cut_left_half_written_is_no_damage_to_the_log() {
    let left = killed();
    let path = left.0.join("store.sqlite-wal");
    let log = std::fs::read(&path).unwrap();
    let commits = commits_in(&log);
    let hit = |commit: usize| {
        let mut log = log.clone();
        log[commit + 24..commit + 24 + 4_096].fill(0);
        std::fs::write(&path, log).unwrap();
        Salvage::log_damaged(&left.file())
    };
    let [.., before, last] = commits[..] else { panic!("{} commits", commits.len()) };
    assert!(!Salvage::log_damaged(&left.file()));
    assert!(hit(before), "it was durable before the next one was begun");
    assert!(!hit(last), "its sync never came back");
    let (store, mut told) = open(&left, settings());
    store.flush().unwrap();
    assert!(named(&left, "damaged").is_empty());
    assert!(!std::iter::from_fn(|| told.try_recv().ok()).any(|e| matches!(e, StoreEvent::SetAside(_))));
}

#[test]
fn a_damaged_log_is_copied_once_however_often_its_file_cannot_be_opened() {
    let left = killed();
    let path = left.0.join("store.sqlite-wal");
    let mut log = std::fs::read(&path).unwrap();
    let first = commits_in(&log)[0];
    log[first + 100] ^= 1;
    std::fs::write(&path, log).unwrap();
    let index = left.0.join("store.sqlite-shm");
    std::fs::create_dir(&index).unwrap();
    let mut place = Place::claim(&left.0).unwrap();
    for _ in 0..3 {
        assert!(place.open().is_err());
    }
    assert_eq!(named(&left, "damaged").len(), 1);
    std::fs::remove_dir(&index).unwrap();
    assert_eq!(place.open().unwrap().1.len(), 1);
    assert_eq!(named(&left, "damaged").len(), 1);
}

#[test]
fn only_what_tells_of_the_file_is_taken_for_damage() {
    let connection = rusqlite::Connection::open_in_memory().unwrap();
    connection.execute_batch("CREATE TABLE t(a)").unwrap();
    let fails = |text: &str| schema::is_damage(&connection.execute_batch(text).unwrap_err());
    for text in ["SELECT 1 FROM u", "SELECT b FROM t", "INSERT INTO t(b) VALUES(1)"] {
        assert!(fails(text), "{text}");
    }
    for text in ["BEGIN; BEGIN", "ROLLBACK; ROLLBACK", "SELECT 1 +", "SELECT strange(1)"] {
        assert!(!fails(text), "{text}");
    }
}
