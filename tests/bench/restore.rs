//! Going back to a copy of a large store: a store is filled with packed points, copied while points go on coming in, and the copy
//! put in its place. What the copy holds and what came of it are the same points, by a digest of every one of them; else there is no
//! figure. The bound is the same file copied plainly and synced, without a look at what is in it.

use std::error::Error;
use std::fs::{self, File};
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rusqlite::Connection;
use sumpwarden::edge::store::extract::{Holding as _, Whole};
use sumpwarden::edge::store::{FILE, StoreError, snapshot};
use sumpwarden_core::engine::renumbered;
use sumpwarden_core::model::Timestamp;

use crate::alone::{Figures, emptied, named};
use crate::store::{Feed, LOOSE, keys, open};

/// Series that are fed: ten sumps of six probes.
const SERIES: u32 = 60;
/// Of the size that is asked for, the part that is fed; the rest are the same points under other names, which takes a tenth of the time.
const FED: u64 = 32;
/// Bytes that a packed point takes, with its share of everything else.
const POINT_BYTES: u64 = 3;
/// How long a copy is tried for.
const ORDER: Duration = Duration::from_secs(180);

/// Fills a store until it takes `mib`, copies it, goes back to the copy, compares.
pub(crate) fn measure(directory: &Path, mib: u64) -> Result<Figures, Box<dyn Error>> {
    emptied(directory)?;
    let (data, copy, plain) =
        (directory.join("data"), directory.join("copy.sqlite"), directory.join("plain"));
    let (mut feed, keys) = (Feed::new(), keys(SERIES));
    let store = open(&data, &keys, Duration::ZERO);
    for _ in 0..(mib << 20) / FED / POINT_BYTES / u64::from(SERIES * 60) {
        feed.minutes(&store, SERIES, 60);
    }
    feed.pack(&store);
    store.close();
    multiply(&data.join(FILE), mib << 20)?;
    // One that packs each second what it packed the second before would write more than the rest of it.
    let store = open(&data, &keys, LOOSE);

    let stop = AtomicBool::new(false);
    let (copied, snapshot_s) = std::thread::scope(|scope| {
        // As the shop goes on: points of a minute each second.
        scope.spawn(|| {
            while !stop.load(Ordering::Relaxed) {
                feed.minutes(&store, SERIES, 1);
                std::thread::sleep(Duration::from_secs(1));
            }
        });
        // A store that was just opened puts itself in order first, and a copy that would hold it up says so.
        let opened = Instant::now();
        let (copied, taken) = loop {
            let begun = Instant::now();
            let copied = snapshot::snapshot(&data.join(FILE), &copy, &|_, _, _| {});
            match copied {
                Err(StoreError::Unusable { .. }) if opened.elapsed() < ORDER => {
                    std::thread::sleep(Duration::from_secs(2));
                }
                _ => break (copied, begun.elapsed().as_secs_f64()),
            }
        };
        stop.store(true, Ordering::Relaxed);
        (copied, taken)
    });
    let copied = copied?;
    store.close();

    let begun = Instant::now();
    fs::copy(&copy, &plain)?;
    File::open(&plain)?.sync_all()?;
    let plain_s = begun.elapsed().as_secs_f64();

    let begun = Instant::now();
    let (restored, _) = snapshot::restore(&data, &copy, &renumbered, &|_, _, _| {})?;
    let restore_s = begun.elapsed().as_secs_f64();
    let (before, after) = (digest(&copy)?, digest(&data.join(FILE))?);
    if before != after || before.1 != copied.points || restored.points != copied.points {
        return Err(format!(
            "the copy held {before:?}, the store holds {after:?} of {} points",
            copied.points
        )
        .into());
    }
    // What was set aside is a whole store as well.
    emptied(directory)?;
    Ok(named([
        ("file_mib", copied.bytes as f64 / f64::from(1 << 20)),
        ("points", copied.points as f64),
        ("snapshot_s", snapshot_s),
        ("restore_s", restore_s),
        ("plain_s", plain_s),
    ]))
}

/// Gives the file every series once more under another name, until it has this many bytes.
fn multiply(file: &Path, bytes: u64) -> Result<(), Box<dyn Error>> {
    let connection = Connection::open(file)?;
    connection.pragma_update(None, "synchronous", "OFF")?;
    let mut times = 1;
    while fs::metadata(file)?.len() < bytes {
        let first = SERIES * times;
        connection.execute_batch(&format!(
            "BEGIN;
             INSERT INTO series SELECT id + {first}, replace(text, '/sump-', '/sump-{times}-'), quantity FROM series WHERE id <= {SERIES};
             INSERT INTO chunk(first_seq, series, first_at, last_at, count, body)
                 SELECT first_seq, series + {first}, first_at, last_at, count, body FROM chunk WHERE series <= {SERIES};
             INSERT INTO rollup SELECT series + {first}, width, start, points, worst, count, min, max, sum, last_at, last
                 FROM rollup WHERE series <= {SERIES};
             COMMIT;
             PRAGMA wal_checkpoint(TRUNCATE);"
        ))?;
        times += 1;
    }
    connection
        .execute(&format!("UPDATE span SET points = points * {times}, chunks = chunks * {times}"), [])?;
    Ok(())
}

/// Of all points in their order, bit by bit; and how many they are.
fn digest(file: &Path) -> Result<(u64, u64), Box<dyn Error>> {
    let mut whole = Whole::open(file)?;
    let (mut hasher, mut points) = (DefaultHasher::new(), 0);
    let (from, until) = (Timestamp::from_nanos(i64::MIN), Timestamp::from_nanos(i64::MAX));
    for series in whole.series()? {
        series.text.hash(&mut hasher);
        whole.points(series.id, from, until, &mut |point| {
            let bits = [point.raw, point.value].map(|number| number.map(f64::to_bits));
            (point.at.as_nanos(), bits, point.quality).hash(&mut hasher);
            points += 1;
        })?;
    }
    Ok((hasher.finish(), points))
}
