//! The store as its users see it: over threads, reopenings, damage and disks that are full.

use std::path::PathBuf;
use std::sync::atomic::AtomicU32;
use std::time::Duration;

use sumpwarden_core::model::{BrokerIndex, Name, Quality, Quantity, SeriesIndex};
use sumpwarden_core::store::rollup::Bucket;
use sumpwarden_core::store::{Point, RecordKind, SeriesId, SeriesSource};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

use super::*;

mod copies;
mod damage;
mod failures;
mod fixtures;
mod undated;

/// A directory that goes when the test is over.
struct Scratch(PathBuf);

impl Scratch {
    fn new() -> Self {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("sumpwarden-store-{}-{number}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        Self(path)
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

fn key(probe: &str, quantity: Quantity) -> SeriesKey {
    let name = |text| Name::new(text).unwrap();
    SeriesKey { sump: name("lathe-1"), source: SeriesSource::Probe(name(probe)), quantity }
}

fn keys() -> Vec<SeriesKey> {
    vec![key("ph", Quantity::Ph), key("level", Quantity::Level), key("temperature", Quantity::Temperature)]
}

const ACK: Ack = Ack { broker: BrokerIndex(0), token: 7 };

/// Keeps everything; packs only when asked.
fn settings() -> StoreSettings {
    StoreSettings { free_min: 0, compact_after: Duration::from_secs(3_600), ..Default::default() }
}

fn packing() -> StoreSettings {
    StoreSettings { compact_after: Duration::ZERO, ..settings() }
}

fn open(scratch: &Scratch, settings: StoreSettings) -> (Store, UnboundedReceiver<StoreEvent>) {
    let (events, told) = unbounded_channel();
    (Store::open(&scratch.0, &keys(), settings, events).unwrap(), told)
}

fn at(millis: i64) -> Timestamp {
    Timestamp::from_millis(1_772_000_000_000 + millis)
}

fn sample(series: u32, millis: i64, raw: f64) -> Sample {
    Sample {
        series: SeriesIndex(series),
        at: at(millis),
        raw: Some(raw),
        value: Some(raw * 0.01),
        quality: Quality::GOOD,
    }
}

fn samples(samples: Vec<Sample>) -> Commit {
    Commit { samples, ..Default::default() }
}

fn all(reader: &mut Reader, series: SeriesId) -> Vec<Point> {
    reader.samples(series, at(-10_000_000_000), at(100_000_000_000)).map(Result::unwrap).collect()
}

fn wait_until(what: &str, mut done: impl FnMut() -> bool) {
    for _ in 0..1_000 {
        if done() {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("waited in vain until {what}");
}

fn wait_packed(store: &Store) {
    wait_until("everything is packed", || store.status().unpacked == 0);
}

fn record(at: Timestamp, message: &str) -> JournalRecord {
    JournalRecord {
        at,
        kind: RecordKind::Alarm,
        sump: Some(Name::new("lathe-1").unwrap()),
        subject: "ph-low".into(),
        state: "UNACK".into(),
        priority: Some("medium"),
        value: Some(8.5),
        message: message.into(),
    }
}

#[test]
fn what_was_acknowledged_is_there_after_reopening() {
    let scratch = Scratch::new();
    let (store, mut told) = open(&scratch, settings());
    let record = record(at(5), "pH 8.5 below 8.6");
    store.submit(Commit {
        samples: vec![sample(0, 0, 851.0), sample(1, 0, 310.0)],
        journal: vec![record.clone(), record],
        saved: vec![("engine".into(), vec![1, 2, 3])],
        acks: vec![ACK],
        at_once: true,
        ..Commit::default()
    });
    assert_eq!(told.blocking_recv(), Some(StoreEvent::Durable(vec![ACK])));
    let counters = store.status().counters;
    assert_eq!((counters.acquired, counters.stored, counters.pending), (2, 2, 0));
    store.close();
    drop(store);

    let (store, _told) = open(&scratch, settings());
    let mut reader = store.reader().unwrap();
    let ph = reader.find("probe/lathe-1/ph").unwrap().unwrap();
    assert_eq!(all(&mut reader, ph).len(), 1);
    assert_eq!(reader.latest(ph).unwrap().unwrap().raw, Some(851.0));
    assert_eq!(reader.saved("engine").unwrap(), Some(vec![1, 2, 3]));
    assert_eq!(reader.saved("other").unwrap(), None);
    let journal = reader.journal(at(0), at(10), 10).unwrap();
    assert_eq!(journal.len(), 2);
    assert_eq!(journal[0].at.since(journal[1].at), Duration::from_nanos(1), "no two records at one instant");
    assert_eq!((journal[1].subject.as_str(), journal[1].priority.as_deref()), ("ph-low", Some("medium")));
}

#[test]
fn quiet_samples_are_durable_within_a_second() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, settings());
    std::thread::sleep(Duration::from_millis(500));
    let submitted = Instant::now();
    store.submit(samples(vec![sample(0, 0, 1.0)]));
    wait_until("the sample is stored", || store.status().counters.stored == 1);
    assert!(submitted.elapsed() < Duration::from_secs(1), "{:?}", submitted.elapsed());
}

#[test]
fn a_second_instance_is_refused_and_a_later_one_not() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, settings());
    let again = Store::open(&scratch.0, &keys(), settings(), unbounded_channel().0);
    assert!(matches!(&again, Err(StoreError::InUse { .. })), "{again:?}");
    let text = again.unwrap_err().to_string();
    assert!(text.contains("in use by another instance"), "{text}");
    store.close();
    drop(store);
    open(&scratch, settings()).0.close();
}

#[test]
fn a_newer_file_is_refused_and_left_alone() {
    let scratch = Scratch::new();
    open(&scratch, settings()).0.close();
    let connection = rusqlite::Connection::open(scratch.file()).unwrap();
    connection.pragma_update(None, "user_version", 99).unwrap();
    drop(connection);
    let before = std::fs::read(scratch.file()).unwrap();
    let refused = Store::open(&scratch.0, &keys(), settings(), unbounded_channel().0);
    assert!(matches!(refused, Err(StoreError::Newer { version: 99, .. })), "{refused:?}");
    assert_eq!(std::fs::read(scratch.file()).unwrap(), before);
}

#[test]
fn series_keep_their_numbers_when_the_configuration_changes() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, settings());
    store.submit(samples(vec![sample(0, 0, 1.0)]));
    let turned: Vec<SeriesKey> = keys().into_iter().rev().chain([key("flow", Quantity::Flow)]).collect();
    store.close();
    drop(store);
    let open = |keys: &[_]| Store::open(&scratch.0, keys, settings(), unbounded_channel().0).unwrap();
    let store = open(&turned);
    store.submit(samples(vec![sample(2, 1_000, 2.0), sample(3, 1_000, 3.0)]));
    store.flush().unwrap();
    let mut reader = store.reader().unwrap();
    let ph = reader.find("probe/lathe-1/ph").unwrap().unwrap();
    let raws: Vec<_> = all(&mut reader, ph).iter().map(|p| p.raw).collect();
    assert_eq!(raws, [Some(1.0), Some(2.0)]);
    assert_eq!(reader.series().unwrap().len(), 4);
    drop(reader);
    store.close();
    drop(store);
    let store = open(&[key("ph", Quantity::Temperature)]);
    let mut reader = store.reader().unwrap();
    assert_eq!(
        reader.series().unwrap().len(),
        5,
        "a probe that now measures something else is another series"
    );
}

#[test]
fn equal_stamps_are_moved_apart_and_late_ones_kept() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, settings());
    let one = Duration::from_nanos(1);
    store.submit(samples(vec![sample(0, 100, 1.0), sample(0, 100, 2.0), sample(1, 100, 3.0)]));
    store.flush().unwrap();
    store.submit(samples(vec![sample(0, 50, 4.0), sample(0, 100, 5.0), sample(0, 50, 6.0)]));
    store.flush().unwrap();
    store.close();
    drop(store);
    let (store, _told) = open(&scratch, settings());
    store.submit(samples(vec![sample(0, 100, 7.0), sample(0, 50, 8.0), sample(0, 200, 9.0)]));
    store.flush().unwrap();
    let mut reader = store.reader().unwrap();
    let points: Vec<_> = all(&mut reader, SeriesId(1)).iter().map(|p| (p.at, p.raw.unwrap())).collect();
    let (late, first) = (at(50), at(100));
    let expected = [
        (late, 4.0),
        (late.plus(one), 6.0),
        (late.plus(one * 2), 8.0),
        (first, 1.0),
        (first.plus(one), 2.0),
        (first.plus(one * 2), 5.0),
        (first.plus(one * 3), 7.0),
        (at(200), 9.0),
    ];
    assert_eq!(points, expected);
    store.submit(samples(vec![sample(0, 60, 10.0)]));
    store.flush().unwrap();
    assert_eq!(reader.latest(SeriesId(1)).unwrap().unwrap().raw, Some(9.0), "a late point is not the latest");
}

/// What `count` polls of three probes bring, with noise, faults and a late one now and then.
fn polls(from: i64, count: i64) -> Vec<Sample> {
    let faulty = Quality::new(
        sumpwarden_core::model::Status::BadNoCommunication,
        sumpwarden_core::model::DeviceStatus::Failure,
        sumpwarden_core::model::Reason::NoReply,
    );
    (from..from + count)
        .flat_map(|i| (0..3).map(move |series| (series, i)))
        .map(|(series, i)| {
            let mut s = sample(series, i * 10_000, (800 + (i * 7919 + i64::from(series)) % 61) as f64);
            if i % 97 == 3 {
                (s.raw, s.value, s.quality) = (None, None, faulty);
            }
            if i % 211 == 5 {
                s.at = s.at.minus(Duration::from_secs(7_000));
            }
            s
        })
        .collect()
}

/// Reads everything a forwarder owes, a few points at a time; delivers as it goes.
async fn drain(
    store: &Store,
    reader: &mut Reader,
    name: &str,
    max: usize,
    stop_after: usize,
) -> Vec<(SeriesId, Point)> {
    let mut totals = store.forward_begin(name).await.unwrap();
    let mut seen = Vec::new();
    while seen.len() < stop_after {
        let stretch = totals.pending.backlog().unwrap_or(totals.pending.live());
        let read = reader.read_after(stretch.from, stretch.until, max).unwrap();
        if read.points.is_empty() && read.next == stretch.from {
            break;
        }
        let forwarded = read.points.len() as u64;
        let (from, to, damaged) = (stretch.from, read.next, read.damaged);
        let done = Delivered { from, to, forwarded, parked: vec![], damaged, layout: read.layout };
        let before = totals.forwarded;
        totals = store.forward_delivered(name, done).await.unwrap();
        // A step that was overtaken by packing counts for nothing; its points come again.
        if totals.forwarded == before + forwarded {
            seen.extend(read.points);
        }
    }
    seen
}

fn assert_identity(reader: &mut Reader, name: &str) {
    let totals = reader.forward(name).unwrap().unwrap();
    let (stored, pending) = reader.owed(name).unwrap().unwrap();
    assert_eq!(stored, totals.forwarded + pending + totals.parked + totals.expired, "{totals:?} {pending}");
}

#[tokio::test]
async fn packing_loses_and_repeats_nothing_wherever_a_forwarder_stands() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, packing());
    let mut reader = store.reader().unwrap();
    let mut seen = drain(&store, &mut reader, "tsdb", 100, 1).await;
    for round in 0..40 {
        store.submit(samples(polls(round * 50, 50)));
        store.flush().unwrap();
        if round % 3 == 0 {
            // Stops in the middle of a commit, where packing must go round it.
            seen.extend(drain(&store, &mut reader, "tsdb", 37, 300).await);
            assert_identity(&mut reader, "tsdb");
        }
        if round % 5 == 0 {
            store.forward_split("tsdb").await.unwrap();
        }
        if round % 7 == 0 {
            std::thread::sleep(Duration::from_millis(30));
        }
    }
    seen.extend(drain(&store, &mut reader, "tsdb", 37, usize::MAX).await);
    assert_identity(&mut reader, "tsdb");
    assert_eq!(seen.len(), 40 * 150);
    let totals = reader.forward("tsdb").unwrap().unwrap();
    assert_eq!((totals.forwarded, totals.expired), (6_000, 0));
    let mut stamps: Vec<_> = seen.iter().map(|(id, p)| (*id, p.at)).collect();
    stamps.sort_unstable();
    stamps.dedup();
    assert_eq!(stamps.len(), seen.len(), "a point was delivered twice");

    store.close();
    drop(store);
    let (store, _told) = open(&scratch, packing());
    wait_packed(&store);
    let mut reader = store.reader().unwrap();
    for series in 1..=3 {
        let mut expected: Vec<Point> =
            seen.iter().filter(|(id, _)| id.0 == series).map(|(_, p)| *p).collect();
        expected.sort_by_key(|p| p.at);
        assert_eq!(all(&mut reader, SeriesId(series)), expected);
    }
    assert_eq!(reader.packed_size().unwrap().1, 6_000);
    let again = drain(&store, &mut reader, "second", 1_000, usize::MAX).await;
    assert_eq!(again.len(), 6_000, "a new forwarder owes everything that is held");
    assert_identity(&mut reader, "second");
}

/// What was read before its commits were packed is not taken for what stands there afterwards.
#[tokio::test]
async fn packing_between_a_read_and_its_delivery_loses_nothing() {
    for max in [20, 30, 40, 45] {
        let scratch = Scratch::new();
        let (store, _told) = open(&scratch, settings());
        let totals = store.forward_begin("tsdb").await.unwrap();
        for round in 0..4 {
            store.submit(samples(polls(round * 10, 10)));
            store.flush().unwrap();
        }
        let from = totals.pending.live().from;
        let read = store.reader().unwrap().read_after(from, None, max).unwrap();
        assert_eq!(read.points.len(), max);
        store.close();
        drop(store);

        let (store, _told) = open(&scratch, packing());
        wait_packed(&store);
        let done = Delivered {
            from,
            to: read.next,
            forwarded: max as u64,
            parked: vec![],
            damaged: 0,
            layout: read.layout,
        };
        let totals = store.forward_delivered("tsdb", done).await.unwrap();
        let mut reader = store.reader().unwrap();
        let mut seen = if totals.forwarded == max as u64 { read.points } else { Vec::new() };
        seen.extend(drain(&store, &mut reader, "tsdb", 7, usize::MAX).await);
        assert_identity(&mut reader, "tsdb");
        let mut stamps: Vec<_> = seen.iter().map(|(id, point)| (*id, point.at)).collect();
        stamps.sort_unstable();
        stamps.dedup();
        assert_eq!((stamps.len(), seen.len()), (120, 120), "{max} read");
    }
}

#[test]
fn small_chunks_are_joined_into_large_ones() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, packing());
    for round in 0..40 {
        store.submit(samples(polls(round * 50, 50)));
        store.flush().unwrap();
        wait_packed(&store);
    }
    let chunks = || -> u64 {
        let connection = schema::open_reader(&scratch.file()).unwrap();
        connection.query_row("SELECT count(*) FROM chunk", [], |row| row.get(0)).unwrap()
    };
    wait_until("chunks are joined", || chunks() <= 3 * (2 + 8));
    let mut reader = store.reader().unwrap();
    assert_eq!(all(&mut reader, SeriesId(2)).len(), 2_000);
}

#[test]
fn a_trend_says_what_the_points_say() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, packing());
    for round in 0..20 {
        store.submit(samples(polls(round * 1_000, 1_000)));
        store.flush().unwrap();
    }
    wait_packed(&store);
    store.submit(samples(polls(20_000, 300)));
    store.flush().unwrap();
    let mut reader = store.reader().unwrap();
    let points = all(&mut reader, SeriesId(1));
    assert_eq!(points.len(), 20_300);
    // Widths below an hour, of hours, and of a day.
    for (from, until, points_max) in
        [(0, 9_000_000, 50), (1_234_567, 99_999_999, 1_000), (0, 203_000_000, 7), (0, 203_000_000, 1)]
    {
        let trend = reader.trend(SeriesId(1), at(from), at(until), points_max).unwrap();
        assert!(!trend.is_empty() && trend.len() <= points_max as usize, "{}", trend.len());
        let width = trend
            .windows(2)
            .map(|w| w[1].start.since(w[0].start))
            .min()
            .unwrap_or(Duration::from_secs(86_400 * 10));
        for found in &trend {
            let within = |p: &&Point| p.at >= found.start && p.at < found.start.plus(width);
            let whole = width >= Duration::from_secs(3_600);
            let asked = |p: &&Point| whole || (p.at >= at(from) && p.at < at(until));
            let brute =
                points.iter().filter(within).filter(asked).map(Bucket::of).reduce(Bucket::merge).unwrap();
            let close = |a: f64, b: f64| (a - b).abs() <= 1e-9 * a.abs();
            let (a, b) = (found.bucket.values.unwrap(), brute.values.unwrap());
            assert_eq!((found.bucket.points, found.bucket.worst), (brute.points, brute.worst));
            assert_eq!(
                (a.count, a.min, a.max, a.last_at, a.last),
                (b.count, b.min, b.max, b.last_at, b.last)
            );
            assert!(close(a.sum, b.sum), "{} {}", a.sum, b.sum);
        }
    }
    assert!(reader.trend(SeriesId(1), at(5), at(5), 10).unwrap().is_empty());
}

#[test]
fn a_damaged_file_is_set_aside_and_kept() {
    type Damage = fn(&Path);
    let damages: [(&str, Damage); 4] = [
        ("overwritten", |file| std::fs::write(file, vec![0x55; 20_000]).unwrap()),
        ("cut short", |file| {
            let bytes = std::fs::read(file).unwrap();
            std::fs::write(file, &bytes[..bytes.len() / 2]).unwrap();
        }),
        ("a directory", |file| {
            std::fs::remove_file(file).unwrap();
            std::fs::create_dir(file).unwrap();
        }),
        ("of another program", |file| {
            std::fs::remove_file(file).unwrap();
            rusqlite::Connection::open(file).unwrap().execute_batch("CREATE TABLE other(x)").unwrap();
        }),
    ];
    for (what, damage) in damages {
        let scratch = Scratch::new();
        let (store, _told) = open(&scratch, packing());
        store.submit(samples(polls(0, 2_000)));
        store.flush().unwrap();
        store.close();
        drop(store);
        damage(&scratch.file());
        let started = Instant::now();
        let (store, mut told) = open(&scratch, settings());
        assert!(started.elapsed() < Duration::from_secs(5));
        let Some(StoreEvent::SetAside(aside)) = told.blocking_recv() else { panic!("{what}: nothing told") };
        assert!(aside.path.exists(), "{what}");
        store.submit(samples(polls(0, 10)));
        store.flush().unwrap();
        let mut reader = store.reader().unwrap();
        assert_eq!(all(&mut reader, SeriesId(1)).len(), 10, "{what}");
    }
}

#[test]
fn a_store_deleted_under_it_is_begun_anew() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, settings());
    let mut reader = store.reader().unwrap();
    store.submit(samples(polls(0, 10)));
    store.flush().unwrap();
    std::fs::remove_dir_all(&scratch.0).unwrap();
    wait_until("the file is there again", || scratch.file().exists());
    store.submit(samples(polls(10, 5)));
    store.flush().unwrap();
    assert_eq!(all(&mut reader, SeriesId(1)).len(), 5, "a reader follows to the new file");
}

#[test]
fn what_is_too_much_goes_oldest_first_and_is_counted() {
    let scratch = Scratch::new();
    let month = Duration::from_secs(20_000);
    let (store, mut told) =
        open(&scratch, StoreSettings { keep_raw: month, bytes_max: 130_000, ..packing() });
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    runtime.block_on(store.forward_begin("tsdb")).unwrap();
    // Notes of people, from shortly before and after five years ago.
    let years_ago = |years: f64| at(14_999 * 10_000 - (years * 366.0 * 86_400_000.0) as i64);
    let note = |years: f64, message: &str| JournalRecord {
        at: years_ago(years),
        kind: RecordKind::Event,
        sump: None,
        subject: "note".to_owned(),
        state: "brix".to_owned(),
        priority: None,
        value: Some(3.7),
        message: message.to_owned(),
    };
    let journal = vec![note(5.1, "noted by Kim"), note(4.9, "noted by Noor: <from> the nozzle")];
    store.submit(Commit { journal, ..Commit::default() });
    for round in 0..30 {
        store.submit(samples(polls(round * 500, 500)));
        store.flush().unwrap();
        wait_packed(&store);
    }
    let mut reader = store.reader().unwrap();
    wait_until("something is dropped", || !reader.dropped().unwrap().is_empty());
    wait_until("it is small enough", || store.status().bytes > 0 && store.status().fullness <= 1.0);
    let dropped: u64 = reader.dropped().unwrap().iter().map(|d| d.count).sum();
    let held: u64 = (1..=3).map(|id| all(&mut reader, SeriesId(id)).len() as u64).sum();
    assert_eq!(dropped + held, 45_000);
    assert_identity(&mut reader, "tsdb");
    assert_eq!(reader.forward("tsdb").unwrap().unwrap().expired, dropped);
    let newest = reader.latest(SeriesId(1)).unwrap().unwrap();
    assert_eq!(newest.at, at(14_999 * 10_000), "the newest stay");
    let told: u64 = std::iter::from_fn(|| told.try_recv().ok())
        .map(|event| if let StoreEvent::Dropped(d) = event { d.count } else { 0 })
        .sum();
    assert_eq!(told, dropped);
    let trend = reader.trend(SeriesId(1), at(-10_000_000), at(150_000_000), 1_000).unwrap();
    let counted: u64 = trend.iter().map(|t| t.bucket.points).sum();
    assert_eq!(counted, 15_000, "rollups remember what has been dropped");

    drop(reader);
    store.close();
    let (store, _told) = open(&scratch, StoreSettings { keep_raw: month, bytes_max: 130_000, ..packing() });
    let mut reader = store.reader().unwrap();
    wait_until("what is older than five years is gone", || reader.journal_after(0, 10).unwrap().len() == 1);
    assert_eq!(reader.journal_after(0, 10).unwrap()[0].message, "noted by Noor: <from> the nozzle");
}

#[test]
fn while_it_cannot_be_written_memory_is_bounded_and_every_sample_counted() {
    let scratch = Scratch::new();
    let (store, mut told) = open(&scratch, settings());
    store.submit(samples(polls(0, 10)));
    store.flush().unwrap();
    let other = rusqlite::Connection::open(scratch.file()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let mut submitted = 30;
    // The writer may hold one full inbox in its hands while another fills up: only beyond both must something go.
    while submitted < 30 + WAITING_SAMPLES_MAX as u64 * 5 / 2 {
        let mut commit = samples(polls(submitted as i64, 1_000));
        submitted += commit.samples.len() as u64;
        commit.acks = vec![ACK];
        store.submit(commit);
    }
    wait_until("it says so", || store.status().trouble.is_some());
    let counters = store.status().counters;
    assert!(counters.pending <= 2 * WAITING_SAMPLES_MAX as u64 + 5_000, "{counters:?}");
    assert!(counters.dropped > 0 && counters.stored == 30, "{counters:?}");
    assert_eq!(counters.acquired, counters.stored + counters.dropped + counters.pending);
    other.execute_batch("COMMIT").unwrap();
    store.flush().unwrap();
    let after = store.status();
    assert_eq!(after.trouble, None);
    assert_eq!((after.counters.pending, after.counters.dropped), (0, counters.dropped));
    let mut reader = store.reader().unwrap();
    let held: u64 = (1..=3).map(|id| all(&mut reader, SeriesId(id)).len() as u64).sum();
    assert_eq!((held, after.counters.acquired), (after.counters.stored, submitted));
    let dropped = reader.dropped().unwrap();
    assert_eq!((dropped[0].reason, dropped[0].count), (DropReason::NotWritable, counters.dropped));
    let events: Vec<_> = std::iter::from_fn(|| told.try_recv().ok()).collect();
    assert!(
        events.iter().any(|e| matches!(e, StoreEvent::Trouble(_))) && events.contains(&StoreEvent::Recovered)
    );
    assert!(events.iter().any(|e| matches!(e, StoreEvent::Dropped(d) if d.count == counters.dropped)));
    let acks: usize =
        events.iter().map(|e| if let StoreEvent::Durable(acks) = e { acks.len() } else { 0 }).sum();
    let lost: usize =
        events.iter().map(|e| if let StoreEvent::Lost(acks) = e { acks.len() } else { 0 }).sum();
    assert!(acks as u64 * 3_000 <= after.counters.stored, "nothing that was dropped is acknowledged");
    assert_eq!((acks + lost) as u64, (submitted - 30) / 3_000, "each is answered, one way or the other");
    assert!(lost as u64 * 3_000 == counters.dropped && acks > 0, "and what is lost is lost whole");
}

#[test]
fn a_damaged_body_costs_itself_and_is_counted() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, settings());
    for round in 0..4 {
        store.submit(samples(polls(round * 100, 100)));
        store.flush().unwrap();
    }
    store.close();
    drop(store);
    let connection = rusqlite::Connection::open(scratch.file()).unwrap();
    connection.execute("UPDATE batch SET body = zeroblob(length(body)) WHERE seq = 2", []).unwrap();
    drop(connection);
    let (store, mut told) = open(&scratch, packing());
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    runtime.block_on(store.forward_begin("tsdb")).unwrap();
    wait_packed(&store);
    let mut reader = store.reader().unwrap();
    let held: usize = (1..=3).map(|id| all(&mut reader, SeriesId(id)).len()).sum();
    assert_eq!(held, 900);
    let lost = reader.dropped().unwrap();
    assert_eq!((lost[0].reason, lost[0].count), (DropReason::Damaged, 300));
    assert!(matches!(told.blocking_recv(), Some(StoreEvent::Dropped(d)) if d.count == 300));
    assert_identity(&mut reader, "tsdb");
}

#[test]
fn any_flipped_bit_and_any_cut_is_survived() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, packing());
    store.submit(Commit { saved: vec![("engine".into(), vec![7; 100])], ..samples(polls(0, 3_000)) });
    store.flush().unwrap();
    wait_packed(&store);
    store.close();
    drop(store);
    let whole = std::fs::read(scratch.file()).unwrap();
    let mut random = 88_172_645_463_325_252_u64;
    let mut saved_again = 0;
    for round in 0..40 {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        let place = (random % whole.len() as u64) as usize;
        let mut bytes = whole.clone();
        if round % 2 == 0 {
            bytes[place] ^= 1 << (random >> 60 & 7)
        } else {
            bytes.truncate(place)
        }
        let broken = Scratch::new();
        std::fs::create_dir(&broken.0).unwrap();
        std::fs::write(broken.file(), bytes).unwrap();
        let started = Instant::now();
        let opened = Store::open(&broken.0, &keys(), settings(), unbounded_channel().0);
        assert!(started.elapsed() < Duration::from_secs(5), "round {round} at {place}");
        match opened {
            Ok(store) => {
                store.submit(samples(polls(5_000, 10)));
                store.flush().unwrap();
                let mut reader = store.reader().unwrap();
                let ph = reader.find("probe/lathe-1/ph").unwrap();
                let found = ph.map_or(0, |ph| all(&mut reader, ph).len());
                assert!((10..=3_010).contains(&found), "round {round} at {place}: {found}");
                saved_again += u32::from(reader.saved("engine").unwrap() == Some(vec![7; 100]));
                store.close();
            }
            Err(refused) => {
                assert!(matches!(refused, StoreError::Newer { .. }), "round {round} at {place}: {refused}")
            }
        }
    }
    assert!(saved_again >= 20, "saved state is found again unless it was hit: {saved_again} of 40");
}

#[test]
fn a_writer_without_a_file_is_seen_to_live_and_to_write_nothing() {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, settings());
    std::fs::remove_dir_all(&scratch.0).unwrap();
    std::fs::write(&scratch.0, "where the directory was").unwrap();
    wait_until("it is told", || store.status().trouble.is_some());
    store.submit(samples(vec![sample(0, 0, 850.0)]));
    let goes_on = || {
        let before = store.pulse().passes().unwrap();
        wait_until("it goes on", || store.pulse().passes().unwrap() >= before + 3);
        (store.written().passes(), store.status().counters.stored)
    };
    let stuck = goes_on();
    assert_eq!(goes_on(), stuck);
    std::fs::remove_file(&scratch.0).unwrap();
    wait_until("it is written", || store.status().counters.stored == 1 && store.written().passes() > stuck.0);
}
