//! The store by itself: samples made durable per second and what they cost, bytes per sample once packed, trends, opening.
//! The disk of the directory is what is measured.

use std::path::Path;
use std::time::{Duration, Instant};

use sumpwarden::edge::store::{Commit, Reader, Store};
use sumpwarden_core::engine::{Engine, Outbound};
use sumpwarden_core::model::{Name, Quality, Quantity, Sample, SeriesIndex, Timestamp};
use sumpwarden_core::store::settings::StoreSettings;
use sumpwarden_core::store::{SeriesKey, SeriesSource};

use crate::alone::{Figures, emptied, named, process_seconds};
use crate::quantiles::Quantiles;

/// 2025-02-19.
const START_MS: i64 = 1_740_000_000_000;
/// Series of the days: six probes.
const PROBES: u32 = 6;
/// Most samples that may wait for the writer.
const PENDING_MAX: u64 = 50_000;

/// 5000 series at 1 Hz, as fast as they become durable, packing alongside included.
pub(crate) fn durable(directory: &Path, seconds: i64) -> Figures {
    const SERIES: u32 = 5_000;
    emptied(directory).expect("a directory of the bench");
    let store = open(directory, &keys(SERIES), Duration::from_secs(3_600));
    let mut noise = Noise(1);
    let (started, spent) = (Instant::now(), process_seconds());
    for second in 0..seconds {
        for first in (0..SERIES).step_by(1_000) {
            let samples = (first..first + 1_000).map(|i| probe(i, second * 1_000, &mut noise)).collect();
            submit(&store, Commit { samples, ..Default::default() });
        }
    }
    store.flush().expect("open");
    let (took, spent) = (started.elapsed().as_secs_f64(), process_seconds() - spent);
    let counters = store.status().counters;
    assert_eq!((counters.stored, counters.dropped), (u64::from(SERIES) * seconds.unsigned_abs(), 0));
    let stored = counters.stored as f64;
    store.close();
    named([("per_second", stored / took), ("cpu_ns_each", 1e9 * spent / stored)])
}

/// Fills a store with six probes of one sump, once a minute for `days`, packs it and asks for trends.
pub(crate) fn days(directory: &Path, days: i64) -> Figures {
    emptied(directory).expect("a directory of the bench");
    let store = open(directory, &keys(PROBES), Duration::ZERO);
    let spent = process_seconds();
    let mut noise = Noise(2);
    for hour in 0..days * 24 {
        let minutes = hour * 60..(hour + 1) * 60;
        let samples = minutes
            .flat_map(|m| (0..PROBES).map(move |i| (i, m)))
            .map(|(i, m)| probe(i, m * 60_000, &mut noise));
        submit(&store, Commit { samples: samples.collect(), ..Default::default() });
    }
    pack(&store);
    let spent = process_seconds() - spent;
    let (bytes, points) = settled(&mut store.reader().expect("open"));
    let all = store.status().bytes as f64;
    store.close();

    let opened = Instant::now();
    let store = open(directory, &keys(PROBES), Duration::from_secs(600));
    let open_ms = opened.elapsed().as_secs_f64() * 1e3;
    let mut reader = store.reader().expect("open");
    let whole = trend(&mut reader, days, days);
    let day = trend(&mut reader, days, 1);
    drop(reader);
    store.close();
    named([
        ("bytes_each", bytes / points),
        ("file_bytes_each", all / points),
        ("cpu_ns_each", 1e9 * spent / points),
        ("open_ms", open_ms),
        ("trend_ms", whole.p50),
        ("trend_worst_ms", whole.max),
        ("trend_of_a_day_ms", day.p50),
    ])
}

/// Fills a store with a sample of every key in every `every_s` seconds of these minutes since 1970, all packed.
pub(crate) fn fill(directory: &Path, keys: &[SeriesKey], minutes: std::ops::Range<i64>, every_s: i64) {
    let store = open(directory, keys, Duration::ZERO);
    let mut noise = Noise(3);
    let series = u32::try_from(keys.len()).expect("some");
    for minute in minutes {
        let seconds = (0..60).step_by(usize::try_from(every_s).expect("positive"));
        let all = seconds.flat_map(|s| (0..series).map(move |i| (i, s)));
        let samples = all.map(|(i, s)| at(i, (minute * 60 + s) * 1_000, &mut noise)).collect();
        submit(&store, Commit { samples, ..Default::default() });
    }
    pack(&store);
    store.close();
}

/// Samples of many probes, a minute after the other, as long as somebody wants more.
pub(crate) struct Feed {
    minute: i64,
    noise: Noise,
}

impl Feed {
    /// From 2025 on.
    pub(crate) fn new() -> Self {
        Self { minute: 0, noise: Noise(4) }
    }

    /// Hands over a sample of each of so many series in each of the next `minutes`.
    pub(crate) fn minutes(&mut self, store: &Store, series: u32, minutes: i64) {
        let all = self.minute..self.minute + minutes;
        self.minute = all.end;
        let samples = all.flat_map(|minute| (0..series).map(move |i| (i, minute)));
        let samples = samples.map(|(i, minute)| probe(i, minute * 60_000, &mut self.noise)).collect();
        submit(store, Commit { samples, ..Default::default() });
    }

    /// Waits until everything is durable and packed.
    pub(crate) fn pack(&self, store: &Store) {
        pack(store);
    }
}

/// What has come out of the engine, into the store.
pub(crate) fn hand_over(engine: &mut Engine, store: &Store) {
    let mut out = Outbound::default();
    engine.drain(&mut out);
    let Outbound { samples, journal, saved, outbox } = out;
    submit(store, Commit { samples, journal, saved, outbox, ..Default::default() });
}

/// How long points lie loose before they are packed, as in a shop.
pub(crate) const LOOSE: Duration = Duration::from_hours(2);

/// Opens a store of these series that leaves no disk free.
pub(crate) fn open(directory: &Path, keys: &[SeriesKey], compact_after: Duration) -> Store {
    let settings = StoreSettings { compact_after, free_min: 0, ..Default::default() };
    let (events, _) = tokio::sync::mpsc::unbounded_channel();
    Store::open(directory, keys, settings, events).expect("a directory of the bench")
}

/// Hands over without letting too much wait.
fn submit(store: &Store, commit: Commit) {
    store.submit(commit);
    while store.status().counters.pending > PENDING_MAX {
        std::thread::sleep(Duration::from_micros(200));
    }
}

/// Waits until everything is durable and packed.
fn pack(store: &Store) {
    store.flush().expect("open");
    while store.status().unpacked > 0 {
        std::thread::sleep(Duration::from_millis(10));
    }
}

pub(crate) fn keys(count: u32) -> Vec<SeriesKey> {
    let name = |text: String| Name::new(&text).expect("letters, digits and dashes");
    let key = |i: u32| SeriesKey {
        sump: name(format!("sump-{}", i / PROBES)),
        source: SeriesSource::Probe(name(format!("probe-{}", i % PROBES))),
        quantity: Quantity::Ph,
    };
    (0..count).map(key).collect()
}

/// Bytes and samples of the chunks, once nothing is joined any more.
fn settled(reader: &mut Reader) -> (f64, f64) {
    let mut before = None;
    loop {
        std::thread::sleep(Duration::from_millis(1_500));
        let size = reader.packed_size().expect("open");
        if before == Some(size) {
            return (size.0 as f64, size.1 as f64);
        }
        before = Some(size);
    }
}

/// How long a trend of 1 000 points over the last `span` days of `days` takes, ms.
fn trend(reader: &mut Reader, days: i64, span: i64) -> Quantiles {
    let ids: Vec<_> = reader.series().expect("open").into_iter().map(|s| s.id).collect();
    let day = |day: i64| Timestamp::from_millis(START_MS + day * 86_400_000);
    let times = (0..30).map(|round| {
        let asked = Instant::now();
        let trend = reader.trend(ids[round % ids.len()], day(days - span), day(days), 1_000).expect("open");
        assert!(trend.len() > 100, "{} points", trend.len());
        asked.elapsed().as_secs_f64() * 1e3
    });
    Quantiles::of(times.collect()).expect("thirty")
}

/// A probe as the shop has it: whole counts with a daily wave, a slow drift and a count or two of noise. Series 1 and 4
/// are compensated for temperature, so that no line leads from counts to value.
fn probe(series: u32, millis: i64, noise: &mut Noise) -> Sample {
    at(series, START_MS + millis, noise)
}

/// The same at a time since 1970, ms.
fn at(series: u32, millis: i64, noise: &mut Noise) -> Sample {
    const DAY_MS: f64 = 86_400_000.0;
    let t = (millis - START_MS) as f64 / DAY_MS;
    let wave = (t * std::f64::consts::TAU).sin();
    let (level, swing, drift, step, offset) = match series % 6 {
        0 => (870.0, 4.0, -0.6, 0.01, 0.0),
        1 => (2_950.0, 40.0, 3.0, 1.0, 0.0),
        2 => (14_200.0, 30.0, -9.0, 500.0 / 27_648.0, 0.0),
        3 => (245.0, 22.0, 0.0, 0.1, 0.0),
        4 => (2_100.0, 25.0, 2.0, 1.0, 0.0),
        _ => (650.0, 0.0, 0.0, 0.1, -40.0),
    };
    let raw = (level + swing * wave + drift * t + noise.gauss() * 1.2).round();
    // As the temperature probe beside it says it, in tenths.
    let celsius = (245.0 + 22.0 * wave + noise.gauss() * 0.6).round() * 0.1;
    let value = if step == 1.0 { raw / (1.0 + 0.02 * (celsius - 25.0)) } else { raw * step + offset };
    let jitter = (noise.next() % 3) as i64;
    Sample {
        series: SeriesIndex(series),
        at: Timestamp::from_millis(millis + jitter),
        raw: Some(raw),
        value: Some(value),
        quality: Quality::GOOD,
    }
}

/// SplitMix64, so that every run sees the same samples.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Sum of four evenly spread numbers: bell-shaped enough, standard deviation 1.
    fn gauss(&mut self) -> f64 {
        let even = |n: u64| (n >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
        (0..4).map(|_| even(self.next())).sum::<f64>() * 3.0_f64.sqrt()
    }
}
