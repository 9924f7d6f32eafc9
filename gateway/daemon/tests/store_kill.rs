//! Kills a process that writes, again and again, and looks for what it had acknowledged.
//!
//! The child numbers its samples and prints a number only when the store has said that everything up to it is durable.
//! After each kill -9 the parent opens the same directory: every acknowledged number must be there, none twice, and the
//! state saved in the same commits must name exactly the last one. `store_kill [KILLS]`, 20 by default.

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use sumpwarden::edge::store::{Commit, Store, StoreEvent};
use sumpwarden_core::model::{Ack, BrokerIndex, Name, Quality, Quantity, Sample, SeriesIndex, Timestamp};
use sumpwarden_core::store::settings::StoreSettings;
use sumpwarden_core::store::{SeriesKey, SeriesSource};
use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};

const KILLS: u64 = 20;
const SERIES: u64 = 7;

fn main() {
    let args: Vec<String> = std::env::args().collect();
    match args.get(1).map(String::as_str) {
        Some("child") => write_for_ever(Path::new(&args[2]), args[3].parse().expect("a number")),
        // A filter or a flag of the test runner.
        other => kill_again_and_again(other.and_then(|n| n.parse().ok()).unwrap_or(KILLS)),
    }
}

fn open(directory: &Path) -> (Store, UnboundedReceiver<StoreEvent>) {
    let name = |text: String| Name::new(&text).expect("letters and digits");
    let key = |i: u64| SeriesKey {
        sump: name("lathe".into()),
        source: SeriesSource::Probe(name(format!("probe-{i}"))),
        quantity: Quantity::Level,
    };
    let keys: Vec<SeriesKey> = (0..SERIES).map(key).collect();
    // Packs and joins as much as it can, so that kills hit that too.
    let settings = StoreSettings { compact_after: Duration::ZERO, free_min: 0, ..Default::default() };
    let (events, told) = unbounded_channel();
    (Store::open(directory, &keys, settings, events).expect("the directory is ours"), told)
}

fn write_for_ever(directory: &Path, first: u64) {
    let (store, mut told) = open(directory);
    std::thread::spawn(move || {
        while let Some(event) = told.blocking_recv() {
            if let StoreEvent::Durable(acks) = event {
                let mut out = std::io::stdout().lock();
                for ack in acks {
                    writeln!(out, "{}", ack.token).expect("the parent reads");
                }
            }
        }
    });
    let mut number = first;
    loop {
        let count = 1 + number % 97;
        let samples = (number..number + count).map(sample).collect();
        number += count;
        let last = number - 1;
        store.submit(Commit {
            samples,
            saved: vec![("last".into(), last.to_le_bytes().into())],
            acks: vec![Ack { broker: BrokerIndex(0), token: last }],
            at_once: number.is_multiple_of(3),
            ..Default::default()
        });
        std::thread::sleep(Duration::from_micros(number % 1_500));
    }
}

fn sample(number: u64) -> Sample {
    Sample {
        series: SeriesIndex((number % SERIES) as u32),
        at: Timestamp::from_millis(1_772_000_000_000 + (number / SERIES) as i64),
        raw: Some(number as f64),
        value: Some(number as f64 * 0.1),
        quality: Quality::GOOD,
    }
}

fn kill_again_and_again(kills: u64) {
    let directory = std::env::temp_dir().join(format!("sumpwarden-kill-{}", std::process::id()));
    let mut next = 0;
    let mut acknowledged_total = 0;
    for round in 0..kills {
        let acknowledged = one_round(&directory, next, Duration::from_millis(60 + round * 37 % 400));
        let held = numbers(&directory);
        let found = held.iter().next_back().copied();
        assert_eq!(held.len() as u64, found.map_or(0, |last| last + 1), "a hole after kill {round}");
        assert!(
            acknowledged <= found,
            "after kill {round}: {acknowledged:?} was acknowledged, {found:?} is the last"
        );
        next = held.len() as u64;
        acknowledged_total = acknowledged.map_or(acknowledged_total, |last| last + 1);
    }
    std::fs::remove_dir_all(&directory).expect("the test made it");
    assert!(acknowledged_total > 1_000, "too little was written to prove anything: {acknowledged_total}");
    eprintln_summary(kills, acknowledged_total, next);
}

#[expect(clippy::print_stderr, reason = "a test without a harness says what it did")]
fn eprintln_summary(kills: u64, acknowledged: u64, held: u64) {
    eprintln!("{kills} kills, {acknowledged} samples acknowledged, {held} found, none missing");
}

/// Lets a child write and kills it; gives the last number it had acknowledged.
fn one_round(directory: &Path, first: u64, life: Duration) -> Option<u64> {
    let program: PathBuf = std::env::current_exe().expect("a path");
    let mut child = Command::new(program)
        .args(["child".as_ref(), directory.as_os_str()])
        .arg(first.to_string())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the test can start itself");
    let out = BufReader::new(child.stdout.take().expect("piped"));
    let reading =
        std::thread::spawn(move || out.lines().map_while(Result::ok).filter_map(|l| l.parse().ok()).max());
    std::thread::sleep(life);
    child.kill().expect("it runs for ever");
    child.wait().expect("ours");
    reading.join().expect("reads to the end")
}

/// Every number held.
fn numbers(directory: &Path) -> BTreeSet<u64> {
    let (store, mut told) = open(directory);
    let mut reader = store.reader().expect("open");
    let mut held = BTreeSet::new();
    for series in reader.series().expect("open") {
        let (from, until) = (Timestamp::from_nanos(0), Timestamp::from_nanos(i64::MAX));
        for point in reader.samples(series.id, from, until) {
            let number = point.expect("readable").raw.expect("every sample has one") as u64;
            assert!(held.insert(number), "{number} is there twice");
        }
    }
    let saved =
        reader.saved("last").expect("open").map(|bytes| u64::from_le_bytes(bytes.try_into().expect("eight")));
    assert_eq!(saved, held.iter().next_back().copied(), "state and samples of one commit belong together");
    store.close();
    while let Ok(event) = told.try_recv() {
        assert!(matches!(event, StoreEvent::Durable(_)), "{event:?}");
    }
    held
}
