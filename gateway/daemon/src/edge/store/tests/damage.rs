//! A store that was hit: it starts, and every point outside the damage is found again with its value, in the store or in the
//! file that was set aside. No point comes back with another value, whatever was hit.
//!
//! In the normal run, places are sampled; `SUMPWARDEN_DAMAGE=2000` takes so many bits, `all` every bit of the last 64 KiB.

use std::collections::{BTreeMap, BTreeSet};

use super::super::extract::Holding;
use super::super::{Salvage, StoreEvent};
use super::*;

/// Longest time to start.
const START_MAX: Duration = Duration::from_secs(5);

/// Longest time until it is written again, on a busy machine.
const WRITTEN_WITHIN: Duration = Duration::from_secs(30);

/// A point as it must come back: series, stamp, bits of its numbers.
type Known = BTreeMap<(String, i64), (Option<u64>, Option<u64>)>;

fn known(point: &Point) -> (Option<u64>, Option<u64>) {
    (point.raw.map(f64::to_bits), point.value.map(f64::to_bits))
}

const KEYS: [&str; 3] = ["probe/lathe-1/ph", "probe/lathe-1/level", "probe/lathe-1/temperature"];

/// A store with many spans and some batches, and what is in it.
struct Sample {
    scratch: Scratch,
    held: Known,
}

fn sample_store() -> Sample {
    let scratch = Scratch::new();
    let (store, _told) = open(&scratch, packing());
    store.submit(Commit { saved: vec![("engine".into(), vec![7; 100])], ..samples(polls(0, 10)) });
    for round in 0..20 {
        store.submit(samples(polls(10 + round * 300, 300)));
        store.flush().unwrap();
        if round % 4 == 0 {
            wait_packed(&store);
        }
    }
    wait_packed(&store);
    store.close();
    drop(store);
    let (store, _told) = open(&scratch, settings());
    for round in 0..6 {
        store.submit(samples(polls(7_000 + round * 40, 40)));
        store.flush().unwrap();
    }
    let held = held_by(&store);
    store.close();
    Sample { scratch, held }
}

fn held_by(store: &Store) -> Known {
    let mut reader = store.reader().unwrap();
    let mut held = Known::new();
    for series in reader.series().unwrap() {
        let points = all(&mut reader, series.id);
        held.extend(points.iter().map(|point| ((series.text.clone(), point.at.as_nanos()), known(point))));
    }
    held
}

fn salvaged(path: &Path) -> Known {
    let mut held = Known::new();
    let Ok(mut salvage) = Salvage::look(path, &|_, _, _| {}) else { return held };
    let (from, until) = (Timestamp::from_nanos(i64::MIN), Timestamp::from_nanos(i64::MAX));
    for series in salvage.series().unwrap() {
        let mut see = |point: Point| {
            let before = held.insert((series.text.clone(), point.at.as_nanos()), known(&point));
            assert!(before.is_none(), "a stamp comes once");
        };
        Holding::points(&mut salvage, series.id, from, until, &mut see).unwrap();
    }
    held
}

/// Starts on `bytes` (and a log), and gives what is found in the store and beside it.
fn start(what: &str, sample: &Sample, hit: impl FnOnce(&Scratch)) -> (Known, Vec<PathBuf>) {
    let broken = Scratch::new();
    std::fs::create_dir(&broken.0).unwrap();
    std::fs::copy(sample.scratch.file(), broken.file()).unwrap();
    hit(&broken);
    let started = Instant::now();
    let (events, mut told) = unbounded_channel();
    let opened = Store::open(&broken.0, &keys(), settings(), events);
    assert!(started.elapsed() < START_MAX, "{what}: {:?}", started.elapsed());
    let mut found = match opened {
        Ok(store) => {
            store.submit(samples(polls(50_000, 1)));
            wait_written(what, &store);
            let found = held_when_read(what, &store);
            store.close();
            found
        }
        Err(StoreError::Newer { .. }) => salvaged(&broken.file()),
        Err(error) => panic!("{what}: {error}"),
    };
    let asides: BTreeSet<PathBuf> = std::iter::from_fn(|| told.try_recv().ok())
        .filter_map(|event| if let StoreEvent::SetAside(aside) = event { Some(aside.path) } else { None })
        .collect();
    for aside in &asides {
        for (key, value) in salvaged(aside) {
            let before = *found.entry(key.clone()).or_insert(value);
            assert_eq!(before, value, "{what}: {key:?} has two values");
        }
    }
    // What was submitted after the start may lie in either file: the damage may show only then.
    found.retain(|(_, at), _| *at < super::at(500_000_000).as_nanos());
    // Names that were hit are not known again; their points count as lost, not as changed.
    for (key, value) in found.iter().filter(|(key, _)| KEYS.contains(&key.0.as_str())) {
        assert_eq!(sample.held.get(key), Some(value), "{what}: {key:?} came back otherwise");
    }
    (found, asides.into_iter().collect())
}

/// A file that is set aside while somebody reads in it is read anew: the reader finds the one in its place.
fn held_when_read(what: &str, store: &Store) -> Known {
    let begun = Instant::now();
    loop {
        let mut reader = store.reader().unwrap();
        let generation = store.shared.generation();
        let series = reader.series().unwrap();
        let read = series.iter().map(|series| {
            let points: Result<Vec<Point>, _> =
                reader.samples(series.id, at(-10_000_000_000), at(100_000_000_000)).collect();
            Ok((series.text.clone(), points?))
        });
        match read.collect::<Result<Vec<_>, StoreError>>() {
            Ok(all) => {
                let of = |(text, points): (String, Vec<Point>)| {
                    points.into_iter().map(move |point| ((text.clone(), point.at.as_nanos()), known(&point)))
                };
                return all.into_iter().flat_map(of).collect();
            }
            Err(error) => {
                let waited = begun.elapsed() < WRITTEN_WITHIN;
                assert!(error.is_damage() && waited, "{what}: {error}, generation {generation}");
                std::thread::sleep(Duration::from_millis(20));
            }
        }
    }
}

/// A store that was hit is written again before long.
fn wait_written(what: &str, store: &Store) {
    let begun = Instant::now();
    while store.status().counters.pending > 0 {
        assert!(begun.elapsed() < WRITTEN_WITHIN, "{what}: {:?}", store.status());
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// Most points that one record of the sample holds, of all series: what a hit may cost.
fn lost(sample: &Sample, found: &Known) -> usize {
    sample.held.keys().filter(|key| !found.contains_key(*key)).count()
}

fn random(state: &mut u64) -> u64 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    *state
}

/// Rows whose bytes lie at `range` of the file cost their points; so do those a broken chain of pages leads to.
fn points_at(sample: &Sample, range: std::ops::Range<usize>) -> usize {
    let connection = rusqlite::Connection::open(sample.scratch.file()).unwrap();
    let largest: usize = connection
        .query_row(
            "SELECT max(c) FROM (SELECT max(count) AS c FROM batch UNION ALL SELECT max(count) FROM chunk)",
            [],
            |row| row.get(0),
        )
        .unwrap();
    let bytes = std::fs::read(sample.scratch.file()).unwrap();
    // As many records as can begin or go through the pages that were hit.
    let pages = range.end.min(bytes.len()).div_ceil(4_096) - range.start / 4_096;
    let smallest: usize = connection
        .query_row("SELECT min(l) FROM (SELECT min(length(body)) AS l FROM batch UNION ALL SELECT min(length(body)) FROM chunk)", [], |row| row.get(0))
        .unwrap();
    let records = if range.len() <= 1 { 1 } else { pages * (4_096 / smallest.clamp(1, 4_096) + 1) };
    records * largest
}

#[test]
fn a_flipped_bit_costs_one_record_at_most() {
    let sample = sample_store();
    let bytes = std::fs::metadata(sample.scratch.file()).unwrap().len() as usize;
    let first = bytes.saturating_sub(64 << 10) * 8;
    let asked = std::env::var("SUMPWARDEN_DAMAGE").unwrap_or_else(|_| "40".to_owned());
    let mut state = 88_172_645_463_325_252;
    let bits: Vec<usize> = if asked == "all" {
        (first..bytes * 8).collect()
    } else {
        // Half of them anywhere, half at the end.
        let any = |round: u64, state: &mut u64| {
            let first = if round.is_multiple_of(2) { first } else { 0 };
            first + (random(state) % (bytes * 8 - first) as u64) as usize
        };
        let rounds: u64 = asked.parse().expect("a number of bits, or `all`");
        (0..rounds).map(|round| any(round, &mut state)).collect()
    };
    let most = points_at(&sample, 0..1);
    for bit in bits {
        let what = format!("bit {bit}");
        let (found, _) = start(&what, &sample, |broken| {
            let mut bytes = std::fs::read(broken.file()).unwrap();
            bytes[bit / 8] ^= 1 << (bit % 8);
            std::fs::write(broken.file(), bytes).unwrap();
        });
        let lost = lost(&sample, &found);
        assert!(lost <= most, "{what}: {lost} points lost, a record holds {most}");
    }
}

#[test]
fn a_block_of_zeros_costs_what_was_in_it() {
    let sample = sample_store();
    let bytes = std::fs::metadata(sample.scratch.file()).unwrap().len() as usize;
    let mut state = 362_436_069;
    for _ in 0..16 {
        let from = (random(&mut state) % (bytes as u64 / 4_096)) as usize * 4_096;
        let what = format!("zeros from {from}");
        let (found, _) = start(&what, &sample, |broken| {
            let mut bytes = std::fs::read(broken.file()).unwrap();
            bytes[from..from + 4_096].fill(0);
            std::fs::write(broken.file(), bytes).unwrap();
        });
        let (lost, most) = (lost(&sample, &found), points_at(&sample, from..from + 4_096));
        assert!(
            lost <= most,
            "{what}: {lost} of {} points lost, at most {most} were in it",
            sample.held.len()
        );
    }
}

#[test]
fn a_file_cut_short_gives_back_what_is_left_of_it() {
    let sample = sample_store();
    let bytes = std::fs::metadata(sample.scratch.file()).unwrap().len();
    let mut state = 521_288_629;
    for _ in 0..12 {
        let length = random(&mut state) % bytes;
        let what = format!("cut to {length}");
        let (found, _) = start(&what, &sample, |broken| {
            let file = std::fs::OpenOptions::new().write(true).open(broken.file()).unwrap();
            file.set_len(length).unwrap();
        });
        let (lost, most) = (
            lost(&sample, &found),
            points_at(&sample, length as usize..bytes as usize).min(sample.held.len()),
        );
        assert!(lost <= most, "{what}: {lost} points lost, at most {most} were cut off");
    }
}

#[test]
fn whatever_lies_in_its_place_is_set_aside_and_a_store_begun() {
    let sample = sample_store();
    let kept = |found: &Known| found.len() == sample.held.len();
    let (found, asides) = start("gone", &sample, |broken| std::fs::remove_file(broken.file()).unwrap());
    assert!(found.is_empty() && asides.is_empty());
    let (_, asides) = start("a directory", &sample, |broken| {
        std::fs::rename(broken.file(), broken.0.join("moved")).unwrap();
        std::fs::create_dir(broken.file()).unwrap();
    });
    assert_eq!(asides.len(), 1);
    let (_, asides) = start("a link", &sample, |broken| {
        std::fs::rename(broken.file(), broken.0.join("moved")).unwrap();
        std::os::unix::fs::symlink(broken.0.join("moved"), broken.file()).unwrap();
    });
    assert_eq!(asides.len(), 1);
    start("empty", &sample, |broken| std::fs::write(broken.file(), b"").unwrap());
    let (_, asides) = start("foreign", &sample, |broken| {
        std::fs::remove_file(broken.file()).unwrap();
        rusqlite::Connection::open(broken.file()).unwrap().execute_batch("CREATE TABLE t(a)").unwrap();
    });
    assert_eq!(asides.len(), 1);
    let mut state = 7;
    let noise: Vec<u8> = (0..50_000).map(|_| random(&mut state) as u8).collect();
    let (found, asides) = start("noise", &sample, |broken| std::fs::write(broken.file(), noise).unwrap());
    assert!(found.is_empty() && asides.len() == 1);
    let (found, asides) = start("nothing", &sample, |_| {});
    assert!(kept(&found) && asides.is_empty());
}

/// File and log as a kill leaves them, with points in the log only.
fn killed(scratch: &Scratch) -> (Known, Scratch) {
    let (store, _told) = open(scratch, settings());
    for round in 0..12 {
        store.submit(samples(polls(round * 50, 50)));
        store.flush().unwrap();
    }
    let held = held_by(&store);
    let left = Scratch::new();
    std::fs::create_dir(&left.0).unwrap();
    for name in ["store.sqlite", "store.sqlite-wal"] {
        std::fs::copy(scratch.0.join(name), left.0.join(name)).unwrap();
    }
    store.close();
    (held, left)
}

#[test]
fn a_damaged_log_loses_the_commits_that_were_hit_only() {
    let scratch = Scratch::new();
    let (held, left) = killed(&scratch);
    let sample = Sample { scratch: left, held };
    let log = std::fs::read(sample.scratch.0.join("store.sqlite-wal")).unwrap();
    let mut state = 2_463_534_242;
    for round in 0..24 {
        let place = if round < 4 { 4 + round * 8 } else { (random(&mut state) % log.len() as u64) as usize };
        let what = format!("log at {place}");
        let (found, asides) = start(&what, &sample, |broken| {
            let mut log = log.clone();
            log[place] ^= 0x10;
            std::fs::write(broken.0.join("store.sqlite-wal"), log).unwrap();
        });
        let lost = lost(&sample, &found);
        assert!(lost <= 150 * 2, "{what}: {lost} points lost, set aside: {asides:?}");
    }
    let (found, asides) = start("a log without its file", &sample, |broken| {
        std::fs::write(broken.0.join("store.sqlite-wal"), &log).unwrap();
        std::fs::remove_file(broken.file()).unwrap();
    });
    assert_eq!((lost(&sample, &found), asides.len()), (0, 1));
}

fn is_brought_back(store: &Store) -> bool {
    let told = store
        .reader()
        .and_then(|mut reader| reader.journal(at(-10_000_000_000), Timestamp::from_nanos(i64::MAX), 50));
    told.is_ok_and(|told| told.iter().any(|entry| entry.state == "brought back"))
}

#[test]
fn points_of_a_file_that_was_set_aside_come_back_by_themselves_and_once() {
    let sample = sample_store();
    let bytes = std::fs::metadata(sample.scratch.file()).unwrap().len() as usize;
    let mut came_back = 0;
    for page in [0, 1, 2, 5, 9, bytes / 8_192, bytes / 4_096 - 2] {
        let what = format!("page {page}");
        let broken = Scratch::new();
        std::fs::create_dir(&broken.0).unwrap();
        std::fs::copy(sample.scratch.file(), broken.file()).unwrap();
        let mut hit = std::fs::read(broken.file()).unwrap();
        // Bytes all over the page, but for the name of the format: without it nobody sets anything aside.
        (page * 4_096 + 100..(page + 1) * 4_096).step_by(97).for_each(|at| hit[at] ^= 0x5a);
        std::fs::write(broken.file(), hit).unwrap();
        let most = points_at(&sample, page * 4_096..page * 4_096 + 4_096);
        // Broken off at once, and begun again.
        let (store, mut told) = open(&broken, settings());
        store.submit(samples(polls(50_000, 1)));
        store.flush().unwrap();
        store.close();
        drop(store);
        let aside = std::iter::from_fn(|| told.try_recv().ok()).any(|e| matches!(e, StoreEvent::SetAside(_)));
        let (store, _told) = open(&broken, settings());
        if aside {
            wait_until("the points are back", || is_brought_back(&store));
            came_back += 1;
        }
        let mut found = held_when_read(&what, &store);
        found.retain(|(_, at), _| *at < super::at(500_000_000).as_nanos());
        for (key, value) in &found {
            assert_eq!(sample.held.get(key), Some(value), "{what}: {key:?} came back otherwise, or twice");
        }
        let lost = lost(&sample, &found);
        println!("{what}: set aside {aside}, {lost} of {} points lost, at most {most}", sample.held.len());
        assert!(lost <= most, "{what}: {lost} points lost, at most {most} were in it");
        if !aside {
            continue;
        }
        let points = |store: &Store| {
            let mut reader = store.reader().unwrap();
            let series = reader.series().unwrap();
            series.iter().map(|series| all(&mut reader, series.id).len()).sum::<usize>()
        };
        let before = points(&store);
        store.close();
        let (store, _told) = open(&broken, packing());
        wait_packed(&store);
        assert_eq!(points(&store), before, "{what}: nothing comes a second time");
        let report = examine::examine(&broken.file(), &|_| Vec::new(), &|_, _, _| {}).unwrap();
        assert!(report.findings.is_empty(), "{what}: {:?}", report.findings);
    }
    assert!(came_back >= 3, "{came_back} files were set aside");
}
