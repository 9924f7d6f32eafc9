//! Writes a small store of the version that this program makes, and beside it in plain words what went in:
//!
//! ```sh
//! cargo run -p sumpwarden --example store_fixture -- gateway/daemon/src/edge/store/fixtures/version_3
//! ```
//!
//! makes `version_3.sqlite.gz` and `version_3.txt`. Before the tables of the store change, make the files of the version that
//! goes; `edge::store::tests::fixtures` holds every version to its list for ever.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use sumpwarden::edge::store::{Commit, Store};
use sumpwarden_core::model::{Name, Quality, Quantity, Sample, SeriesIndex, Timestamp};
use sumpwarden_core::store::forward::{Delivered, Parked};
use sumpwarden_core::store::settings::StoreSettings;
use sumpwarden_core::store::{JournalRecord, RecordKind, SeriesKey, SeriesSource};

const PROBES: [(&str, Quantity); 3] =
    [("ph", Quantity::Ph), ("level", Quantity::Level), ("temperature", Quantity::Temperature)];
const SAVED: [(&str, &[u8]); 2] = [
    (
        "alarm/lathe-1/ph-low",
        br#"{"state":"UNACK","since_ns":1772000000000000000,"active":true,"kept":{"utc_ns":0},"occurrence":3,"sequence":2}"#,
    ),
    ("acidity/lathe-1", b"{}"),
];

fn at(millis: i64) -> Timestamp {
    Timestamp::from_millis(1_772_000_000_000 + millis)
}

fn polls(from: i64, count: i64) -> Vec<Sample> {
    let sample = |i: i64, series: u32| {
        let raw = (800 + (i * 7_919 + i64::from(series) * 13) % 61) as f64;
        let some = i % 17 != 3;
        Sample {
            series: SeriesIndex(series),
            at: at(i * 10_000),
            raw: some.then_some(raw),
            value: some.then_some(raw * 0.01),
            quality: Quality::GOOD,
        }
    };
    (from..from + count).flat_map(|i| (0..3).map(move |series| sample(i, series))).collect()
}

fn journal() -> Vec<JournalRecord> {
    let record = |i: i64, state: &str, message: &str| JournalRecord {
        at: at(i * 1_000),
        kind: RecordKind::Alarm,
        sump: Name::new("lathe-1").ok(),
        subject: "ph-low".to_owned(),
        state: state.to_owned(),
        priority: Some("medium"),
        value: Some(8.25),
        message: message.to_owned(),
    };
    vec![record(1, "UNACK", "pH 8.25 below 8.5"), record(2, "ACKED", "acknowledged by Säm \"the lathe\"")]
}

fn main() {
    let prefix = PathBuf::from(std::env::args().nth(1).expect("where to write: PATH without an ending"));
    let directory = std::env::temp_dir().join(format!("sumpwarden-fixture-{}", std::process::id()));
    let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime");
    let mut told = String::new();
    runtime.block_on(write(&directory, &mut told));
    let bytes = std::fs::read(directory.join("store.sqlite")).expect("the store was closed");
    std::fs::remove_dir_all(&directory).expect("made above");
    let gz = std::fs::File::create(prefix.with_extension("sqlite.gz")).expect("writable");
    let mut gz = flate2::write::GzEncoder::new(gz, flate2::Compression::best());
    gz.write_all(&bytes).and_then(|()| gz.finish().map(drop)).expect("written");
    std::fs::write(prefix.with_extension("txt"), told).expect("written");
}

async fn write(directory: &Path, told: &mut String) {
    let key = |(probe, quantity): (&str, Quantity)| SeriesKey {
        sump: Name::new("lathe-1").expect("a name"),
        source: SeriesSource::Probe(Name::new(probe).expect("a name")),
        quantity,
    };
    let open = |compact_after| {
        let settings = StoreSettings { free_min: 0, compact_after, ..StoreSettings::default() };
        let events = tokio::sync::mpsc::unbounded_channel().0;
        Store::open(directory, &PROBES.map(key), settings, events).expect("it opens")
    };
    let store = open(Duration::ZERO);
    let begun = store.forward_begin("tsdb").await.expect("open");
    let saved = SAVED.iter().map(|(key, value)| ((*key).to_owned(), value.to_vec())).collect();
    store.submit(Commit { journal: journal(), saved, samples: polls(0, 100), ..Commit::default() });
    store.flush().expect("open");
    let parked =
        vec![Parked { at: at(0), line: "probe,x=1 value=1".to_owned(), reason: "no such bucket".to_owned() }];
    let from = begun.pending.live().from;
    let read = store.reader().expect("open").read_after(from, None, 1_000).expect("readable");
    let done = Delivered { from, to: read.next, forwarded: 299, parked, damaged: 0, layout: read.layout };
    store.forward_delivered("tsdb", done).await.expect("open");
    store.submit(Commit { samples: polls(100, 300), ..Commit::default() });
    store.flush().expect("open");
    while store.status().unpacked > 0 {
        std::thread::sleep(Duration::from_millis(20));
    }
    store.close();
    drop(store);
    let store = open(Duration::from_secs(86_400));
    store.submit(Commit { samples: polls(400, 20), ..Commit::default() });
    outbox::write(&store, told).await;
    undated::write(&store, told);
    store.flush().expect("open");
    store.close();

    for sample in polls(0, 420) {
        let series = PROBES[sample.series.0 as usize].0;
        let number = |number: Option<f64>| number.map_or("-".to_owned(), |n| format!("{n}"));
        let (raw, value) = (number(sample.raw), number(sample.value));
        writeln!(told, "point probe/lathe-1/{series} {} {raw} {value}", sample.at.as_nanos()).expect("text");
    }
    for record in journal() {
        writeln!(told, "journal {} {} {}", record.at.as_nanos(), record.state, record.message).expect("text");
    }
    for (key, value) in SAVED {
        writeln!(told, "saved {key} {}", String::from_utf8_lossy(value)).expect("text");
    }
    writeln!(told, "forward tsdb 299 1 0").expect("text");
}

/// Since version 2.
mod outbox {
    use sumpwarden_core::alarm::settings::Priority;
    use sumpwarden_core::notify::{Action, Mark, OutboxEntry, RowState};

    use super::*;

    pub(super) async fn write(store: &Store, told: &mut String) {
        let entry = |sequence| OutboxEntry {
            receiver: Name::new("setter").expect("a name"),
            key: "hall/lathe-1/ph-low#3".to_owned(),
            sequence,
            action: Action::Raise,
            priority: Priority::High,
            at: at(1_000 * i64::from(sequence)),
            body: "{}".to_owned(),
        };
        store.submit(Commit { outbox: (1..=3).map(entry).collect(), ..Commit::default() });
        store.flush().expect("open");
        let mark = |id, state| Mark::Rows {
            ids: vec![id],
            state,
            reason: Some("410 gone".to_owned()),
            at: at(9_000),
        };
        let marks = vec![mark(1, RowState::Delivered), mark(2, RowState::Failed)];
        store.outbox_mark(marks).await.expect("open");
        for (sequence, state) in [(1, "delivered"), (2, "failed"), (3, "pending")] {
            writeln!(told, "outbox setter hall/lathe-1/ph-low#3 {sequence} {state}").expect("text");
        }
    }
}

/// Since version 3.
mod undated {
    use sumpwarden::edge::store::Doubted;
    use sumpwarden_core::model::{Now, Uptime, Zero};

    use super::*;

    pub(super) fn write(store: &Store, told: &mut String) {
        let since = at(5_000_000);
        let zero = Zero::of(Now { uptime: Uptime::from_nanos(9_000_000_000), utc: since });
        store.doubt(Doubted { boot: "4b3c-of-the-fixture".into(), zero, since });
        let record = JournalRecord { at: at(5_001_000), ..journal().remove(0) };
        store.submit(Commit { samples: polls(501, 20), journal: vec![record], ..Commit::default() });
        store.flush().expect("open");
        writeln!(told, "undated 4b3c-of-the-fixture {} 60", zero.as_nanos()).expect("text");
        writeln!(told, "journal {} UNACK pH 8.25 below 8.5", at(5_001_000).as_nanos()).expect("text");
    }
}
