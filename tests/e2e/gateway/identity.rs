//! Every reply that a device gave is stored once, and what is stored arrives in the databases.

use std::collections::{BTreeMap, BTreeSet};
use std::thread::sleep;
use std::time::Duration;

use sumpwarden_tests::broker::{Entrance, Mosquitto, publisher};
use sumpwarden_tests::database::{InfluxDb, OtherPath, Point, VictoriaMetrics};
use sumpwarden_tests::gateway::{Installation, Stored, counting_devices, sump, tcp_bus};
use sumpwarden_tests::modbus::{ModbusRtu, ModbusTcp};

use super::{numbered_topics, serial_bus, wait_for};

const TCP: [(u8, u32); 3] = [(1, 50), (2, 80), (7, 130)];
const RTU: [(u8, u32); 2] = [(3, 150), (4, 220)];
const TOPICS: [&str; 2] = ["a", "b"];
const NUMBERS: u32 = 900;

#[test]
fn what_the_devices_answered_is_stored_once_and_arrives_in_both_databases() {
    let tcp = ModbusTcp::start(&TCP.map(|(unit, _)| unit));
    let rtu = ModbusRtu::start(&RTU.map(|(unit, _)| unit), 115_200);
    let broker = Mosquitto::start(Entrance::Open);
    let (victoria, influx) = (VictoriaMetrics::start(), InfluxDb::start());
    let other_path = OtherPath::before(&influx);
    let forwards: String = [("victoria", victoria.port), ("influx", other_path.port)]
        .map(|(name, port)| {
            format!("\n[forward.{name}]\nurl = \"http://127.0.0.1:{port}\"\norganisation = \"shop\"\nbucket = \"coolant\"\n")
        })
        .concat();
    let installation = Installation::new(
        &[
            sump("s"),
            tcp_bus("net", tcp.port),
            counting_devices("net", "s", &TCP),
            serial_bus("line", &rtu.port, 115_200),
            counting_devices("line", "s", &RTU),
            numbered_topics(broker.port, "s", &TOPICS),
            forwards,
        ]
        .concat(),
    );
    // The serial devices are there once one of them answers.
    wait_for("a reply on the serial line", || {
        installation.command("read", &["s/line-3"]).status.success().then_some(())
    });
    let before: BTreeSet<(u8, u32)> = tcp.answered().into_iter().chain(rtu.answered()).collect();

    let daemon = installation.run();
    let count = NUMBERS.to_string();
    let publishing = TOPICS.map(|topic| {
        publisher(broker.port, &["--topic", &format!("hall/{topic}"), "--count", &count, "--every-ms", "10"])
    });
    sleep(Duration::from_secs(6));
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    assert!(!log.iter().any(|line| line.contains("left behind")), "{log:?}");
    sleep(Duration::from_millis(200));
    let answered: BTreeSet<(u8, u32)> =
        tcp.answered().into_iter().chain(rtu.answered()).filter(|reply| !before.contains(reply)).collect();
    let halfway = installation.stored();
    compare_replies(&answered, &halfway);

    // The devices are gone now; the broker has kept the rest of the messages, the store what was not forwarded.
    drop((tcp, rtu));
    for publishing in publishing {
        publishing.finish(super::MOMENT);
    }
    let daemon = installation.run();
    let wanted = answered.len() + TOPICS.len() * NUMBERS as usize;
    wait_for("everything in VictoriaMetrics", || {
        let raw: BTreeSet<(String, i64)> = raw_points(victoria.points()).into_keys().collect();
        (raw.len() >= wanted).then_some(())
    });
    wait_for("everything in InfluxDB", || (raw_points(influx.points()).len() >= wanted).then_some(()));
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");

    let stored = installation.stored();
    compare_replies(&answered, &stored);
    for topic in TOPICS {
        let numbers = stored.raw(&format!("probe/s/{topic}"));
        assert_eq!(numbers.len(), NUMBERS as usize, "hall/{topic}: each number once");
        assert_eq!(numbers.into_iter().collect::<BTreeSet<_>>(), (0..NUMBERS).collect());
    }
    let held = held(&stored);
    let arrived = raw_points(victoria.points());
    let twice: usize = arrived.values().filter(|values| values.len() > 1).count();
    println!(
        "answered {}, stored {} + {} from messages, forwarded {} and {}, sent twice {twice}",
        answered.len(),
        held.len() - TOPICS.len() * NUMBERS as usize,
        TOPICS.len() * NUMBERS as usize,
        arrived.len(),
        raw_points(influx.points()).len(),
    );
    compare_databases(&held, &arrived);
    compare_databases(&held, &raw_points(influx.points()));
}

/// What was answered is what is stored, once and in order; a reply on its way at the stop may be missing, one a bus.
fn compare_replies(answered: &BTreeSet<(u8, u32)>, stored: &Stored) {
    for (bus, devices) in [("net", &TCP[..]), ("line", &RTU[..])] {
        let mut missing = Vec::new();
        for (unit, _) in devices {
            let numbers = stored.raw(&format!("probe/s/{bus}-{unit}"));
            assert!(numbers.is_sorted_by(|a, b| a < b), "unit {unit}: {numbers:?}");
            let numbers: BTreeSet<u32> = numbers.into_iter().collect();
            let theirs: BTreeSet<u32> =
                answered.iter().filter(|(of, _)| of == unit).map(|(_, n)| *n).collect();
            assert!(theirs.len() > 10, "unit {unit} was polled {} times", theirs.len());
            assert!(numbers.is_subset(&theirs), "unit {unit}: stored and never answered");
            missing.extend(theirs.difference(&numbers).map(|number| (*unit, *number)));
        }
        assert!(missing.len() <= 1, "{bus}: answered and not stored: {missing:?}");
    }
}

/// Raw numbers in the store by series, as databases name it, and time.
fn held(stored: &Stored) -> BTreeMap<(String, i64), f64> {
    let mut held = BTreeMap::new();
    for (series, points) in &stored.points {
        let Some(probe) = series.strip_prefix("probe/s/") else { continue };
        let name = format!("probe_raw{{box=box-1,probe={probe},quantity=temperature,site=hall-2,sump=s}}");
        let with_raw = points.iter().filter_map(|point| Some((point.at.as_nanos(), point.raw?)));
        for (at, raw) in with_raw {
            assert!(held.insert((name.clone(), at), raw).is_none(), "{name} twice at {at}");
        }
    }
    held
}

/// Raw numbers in a database, every copy of them.
fn raw_points(points: Vec<Point>) -> BTreeMap<(String, i64), Vec<f64>> {
    let mut found: BTreeMap<(String, i64), Vec<f64>> = BTreeMap::new();
    for point in points.into_iter().filter(|point| point.series.starts_with("probe_raw{")) {
        found.entry((point.series, point.time_ns)).or_default().push(point.value);
    }
    found
}

fn compare_databases(held: &BTreeMap<(String, i64), f64>, arrived: &BTreeMap<(String, i64), Vec<f64>>) {
    let missing: Vec<_> = held.keys().filter(|key| !arrived.contains_key(*key)).take(5).collect();
    let foreign: Vec<_> = arrived.keys().filter(|key| !held.contains_key(*key)).take(5).collect();
    assert!(missing.is_empty() && foreign.is_empty(), "missing {missing:?}, never stored {foreign:?}");
    for (key, values) in arrived {
        assert!(values.iter().all(|value| *value == held[key]), "{key:?}: {values:?}, stored {}", held[key]);
    }
}
