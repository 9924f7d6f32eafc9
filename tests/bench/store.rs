//! Figures of the store on the machine at hand: samples made durable per second and what they cost, bytes per sample
//! once packed, a year's trend, opening with that year inside.
//!
//! `cargo bench -p sumpwarden --bench store [-- DIRECTORY]`; the directory's disk is what is measured.
#![expect(clippy::print_stdout, reason = "a benchmark prints its figures")]

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use sumpwarden::edge::store::{Commit, Store};
use sumpwarden_core::model::{Name, Quality, Quantity, Sample, SeriesIndex, Timestamp};
use sumpwarden_core::store::settings::StoreSettings;
use sumpwarden_core::store::{SeriesKey, SeriesSource};

const START_MS: i64 = 1_740_000_000_000;

fn main() {
    // Cargo hands over --bench.
    let asked = std::env::args().skip(1).find(|a| !a.starts_with('-')).map(PathBuf::from);
    let root = asked.unwrap_or_else(std::env::temp_dir).join(format!("store-bench-{}", std::process::id()));
    durable(&root.join("durable"));
    year(&root.join("year"));
    std::fs::remove_dir_all(&root).expect("the bench made it");
}

fn keys(count: u32) -> Vec<SeriesKey> {
    let name = |text: String| Name::new(&text).expect("letters, digits and dashes");
    let key = |i: u32| SeriesKey {
        sump: name(format!("sump-{}", i / 6)),
        source: SeriesSource::Probe(name(format!("probe-{}", i % 6))),
        quantity: Quantity::Ph,
    };
    (0..count).map(key).collect()
}

fn open(directory: &Path, series: u32, compact_after: Duration) -> Store {
    let settings = StoreSettings { compact_after, free_min: 0, ..Default::default() };
    let (events, _) = tokio::sync::mpsc::unbounded_channel();
    Store::open(directory, &keys(series), settings, events).expect("a fresh directory")
}

/// 5000 series at 1 Hz, as fast as they become durable.
fn durable(directory: &Path) {
    const SERIES: u32 = 5_000;
    const SECONDS: i64 = 400;
    let store = open(directory, SERIES, Duration::from_secs(3_600));
    let mut noise = Noise(1);
    let (started, cpu) = (Instant::now(), cpu_time());
    for second in 0..SECONDS {
        for first in (0..SERIES).step_by(1_000) {
            let samples = (first..first + 1_000).map(|i| probe(i, second * 1_000, &mut noise)).collect();
            store.submit(Commit { samples, ..Default::default() });
        }
        while store.status().counters.pending > 50_000 {
            std::thread::sleep(Duration::from_micros(200));
        }
    }
    store.flush().expect("open");
    let (took, spent) = (started.elapsed(), cpu_time() - cpu);
    let counters = store.status().counters;
    assert_eq!((counters.stored, counters.dropped), (SERIES as u64 * SECONDS as u64, 0));
    let rate = counters.stored as f64 / took.as_secs_f64();
    let each = spent.as_nanos() as f64 / counters.stored as f64;
    println!(
        "durable in         {rate:>10.0} samples/s, {each:.0} ns of processor each, packing alongside included"
    );
    store.close();
}

/// Six probes of one sump, once a minute for a year.
fn year(directory: &Path) {
    const MINUTES: i64 = 365 * 1_440;
    let store = open(directory, 6, Duration::ZERO);
    let mut noise = Noise(2);
    let (started, cpu) = (Instant::now(), cpu_time());
    for hour in 0..MINUTES / 60 {
        let minutes = hour * 60..(hour + 1) * 60;
        let samples =
            minutes.flat_map(|m| (0..6).map(move |i| (i, m))).map(|(i, m)| probe(i, m * 60_000, &mut noise));
        store.submit(Commit { samples: samples.collect(), ..Default::default() });
        while store.status().counters.pending > 50_000 {
            std::thread::sleep(Duration::from_micros(200));
        }
    }
    store.flush().expect("open");
    while store.status().unpacked > 0 {
        std::thread::sleep(Duration::from_millis(10));
    }
    let (took, spent) = (started.elapsed(), cpu_time() - cpu);
    let total = store.status().counters.stored as f64;
    println!(
        "a year in and packed in {:.1} s, {:.0} ns of processor a sample",
        took.as_secs_f64(),
        spent.as_nanos() as f64 / total
    );
    // Joining goes on behind it.
    let mut reader = store.reader().expect("open");
    let mut before = 0;
    loop {
        std::thread::sleep(Duration::from_millis(1_500));
        let size = reader.packed_size().expect("open").0;
        if size == before {
            break;
        }
        before = size;
    }
    let (bytes, points) = reader.packed_size().expect("open");
    let file = std::fs::metadata(directory.join("store.sqlite")).expect("open").len();
    println!("chunks             {:>10.2} bytes/sample ({points} samples)", bytes as f64 / points as f64);
    println!("file, all included {:>10.2} bytes/sample", store.status().bytes as f64 / points as f64);
    println!("file on the disk   {:>10.2} MB", file as f64 / 1e6);
    store.close();
    drop(reader);

    let opened = Instant::now();
    let store = open(directory, 6, Duration::from_secs(600));
    println!("open with a year   {:>10.1} ms", opened.elapsed().as_secs_f64() * 1e3);
    let mut reader = store.reader().expect("open");
    let ids: Vec<_> = reader.series().expect("open").into_iter().map(|s| s.id).collect();
    let at = |minute: i64| Timestamp::from_millis(START_MS + minute * 60_000);
    for (what, minutes) in [("year", MINUTES), ("month", 30 * 1_440), ("day", 1_440)] {
        let mut times = Vec::new();
        let mut found = 0;
        for round in 0..30 {
            let asked = Instant::now();
            let trend =
                reader.trend(ids[round % 6], at(MINUTES - minutes), at(MINUTES), 1_000).expect("open");
            times.push(asked.elapsed());
            found = trend.len();
        }
        times.sort_unstable();
        let (middle, worst) = (times[15].as_secs_f64() * 1e3, times[29].as_secs_f64() * 1e3);
        println!("trend of a {what:<8}{middle:>10.2} ms (worst {worst:.2} ms), {found} points");
    }
    store.close();
}

/// A probe as the shop has it: whole counts with a daily wave, a slow drift and a count or two of noise. Series 1 and 4
/// are compensated for temperature, so that no line leads from counts to value.
fn probe(series: u32, millis: i64, noise: &mut Noise) -> Sample {
    const DAY_MS: f64 = 86_400_000.0;
    let t = millis as f64 / DAY_MS;
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
        at: Timestamp::from_millis(START_MS + millis + jitter),
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

/// Processor time of this process so far.
fn cpu_time() -> Duration {
    let stat = std::fs::read_to_string("/proc/self/stat").expect("Linux");
    // After the name in brackets; user and system time are the 14th and 15th of all, in hundredths of a second.
    let fields: Vec<i64> =
        stat.rsplit(") ").next().expect("a name").split(' ').filter_map(|f| f.parse().ok()).collect();
    Duration::from_millis((fields[10] + fields[11]).unsigned_abs() * 10)
}
