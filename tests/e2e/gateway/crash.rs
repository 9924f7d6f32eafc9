//! Ends of every kind: killed under load, started twice on one store, told to stop.

use std::collections::BTreeSet;
use std::net::TcpListener;
use std::thread::sleep;
use std::time::Duration;

use rustix::process::Signal;
use sumpwarden_core::store::RecordKind;
use sumpwarden_tests::broker::{Entrance, Mosquitto, publisher};
use sumpwarden_tests::database::VictoriaMetrics;
use sumpwarden_tests::gateway::{Installation, counting_devices, plain_probe, sump, tcp_bus};
use sumpwarden_tests::modbus::ModbusTcp;

use super::{MOMENT, numbered_topics, wait_for};

const NUMBERS: u32 = 1500;
const KILLS: usize = 3;

#[test]
fn killed_under_load_it_loses_nothing_that_was_stored() {
    let devices = ModbusTcp::start(&[1, 2]);
    let (broker, victoria) = (Mosquitto::start(Entrance::Open), VictoriaMetrics::start());
    let mut tables =
        sump("s") + &tcp_bus("net", devices.port) + &counting_devices("net", "s", &[(1, 50), (2, 70)]);
    tables += &numbered_topics(broker.port, "s", &["a"]);
    // 21.5 degrees for ever, and a limit that this breaks at once.
    tables += &plain_probe(
        "s",
        "warm",
        "device = \"net-1\"\nregister = \"holding:40\"\nnumber = \"f32\"\nevery = \"500 ms\"",
    );
    tables +=
        "\n[sump.s.limit.too-warm]\nof = \"warm\"\nhigh = 20\non_delay = \"0 s\"\npriority = \"high\"\n";
    tables += &format!(
        "\n[forward.victoria]\nurl = \"http://127.0.0.1:{}\"\norganisation = \"shop\"\nbucket = \"coolant\"\n",
        victoria.port
    );
    let installation = Installation::new(&tables);
    let count = NUMBERS.to_string();
    let mut publishing = None;
    let mut announced = 0;
    for _ in 0..KILLS {
        let daemon = installation.run();
        publishing.get_or_insert_with(|| {
            publisher(broker.port, &["--topic", "hall/a", "--count", &count, "--every-ms", "8"])
        });
        sleep(Duration::from_secs(3));
        let log = daemon.kill();
        announced += log.iter().filter(|line| line.contains("too-warm") && line.contains("UNACK")).count();
    }
    // What the database has was stored before it was sent.
    let forwarded: BTreeSet<(String, i64, u32)> = numbers_in(&victoria);
    assert!(forwarded.len() > 50, "{} were forwarded before a kill", forwarded.len());
    publishing.expect("three starts").finish(MOMENT);
    let daemon = installation.run();
    let last = f64::from(NUMBERS - 1);
    wait_for("the last message", || (daemon.probe("s", "a")["raw"].as_f64() == Some(last)).then_some(()));
    sleep(Duration::from_secs(2));
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    assert!(!log.iter().any(|line| line.contains("left behind")), "{log:?}");
    announced += log.iter().filter(|line| line.contains("too-warm") && line.contains("UNACK")).count();
    sleep(Duration::from_millis(200));

    let stored = installation.stored();
    let mut held = BTreeSet::new();
    for (series, points) in &stored.points {
        let Some(probe) = series.strip_prefix("probe/s/") else { continue };
        let name = format!("probe_raw{{box=box-1,probe={probe},quantity=temperature,site=hall-2,sump=s}}");
        held.extend(points.iter().filter_map(|p| Some((name.clone(), p.at.as_nanos(), p.raw? as u32))));
    }
    let lost: Vec<_> = forwarded.difference(&held).take(5).collect();
    assert!(lost.is_empty(), "stored once and lost: {lost:?}");
    let numbers = stored.raw("probe/s/a");
    assert_eq!(numbers.len(), NUMBERS as usize, "each message once");
    assert_eq!(numbers.into_iter().collect::<BTreeSet<_>>(), (0..NUMBERS).collect());
    let answered: BTreeSet<(u8, u32)> = devices.answered().into_iter().collect();
    for unit in [1, 2] {
        let numbers = stored.raw(&format!("probe/s/net-{unit}"));
        assert!(numbers.is_sorted_by(|a, b| a < b), "unit {unit}: {numbers:?}");
        assert!(numbers.iter().all(|number| answered.contains(&(unit, *number))), "unit {unit}");
        let count = answered.iter().filter(|(of, _)| *of == unit).count();
        println!("unit {unit}: answered {count}, stored {}", numbers.len());
        // The writer commits within a second; the rest died with the process.
        assert!(numbers.len() + KILLS * 30 >= count, "unit {unit}: {} of {count}", numbers.len());
    }
    let raised: Vec<_> =
        stored.journal.iter().filter(|entry| entry.subject == "too-warm" && entry.state == "UNACK").collect();
    assert_eq!((raised.len(), announced), (1, 1), "{raised:?}");
    assert_eq!(raised[0].kind, RecordKind::Alarm.word());
}

fn numbers_in(victoria: &VictoriaMetrics) -> BTreeSet<(String, i64, u32)> {
    let points = victoria.points().into_iter().filter(|point| point.series.starts_with("probe_raw{"));
    points.map(|point| (point.series, point.time_ns, point.value as u32)).collect()
}

#[test]
fn a_second_instance_on_the_same_store_is_refused() {
    let devices = ModbusTcp::start(&[1]);
    let tables = sump("s") + &tcp_bus("net", devices.port) + &counting_devices("net", "s", &[(1, 100)]);
    let installation = Installation::new(&tables);
    let daemon = installation.run();
    let second = installation.command("run", &[]);
    let said = String::from_utf8_lossy(&second.stderr);
    assert_eq!(second.status.code(), Some(74), "{said}");
    assert!(said.contains("in use by another instance") && said.contains("data"), "{said}");
    wait_for("a reading after that", || daemon.probe("s", "net-1")["value"].as_f64());
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
}

#[test]
fn it_stops_in_time_though_everybody_else_hangs() {
    let (devices, broker) = (ModbusTcp::start(&[1]), Mosquitto::start(Entrance::Open));
    // Takes connections and never says a word.
    let database = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let port = database.local_addr().expect("bound").port();
    let mut tables = sump("s") + &tcp_bus("net", devices.port) + &counting_devices("net", "s", &[(1, 50)]);
    tables += &numbered_topics(broker.port, "s", &["a"]);
    tables += &format!(
        "\n[forward.silent]\nurl = \"http://127.0.0.1:{port}\"\norganisation = \"shop\"\nbucket = \"coolant\"\n"
    );
    let installation = Installation::new(&tables);
    let daemon = installation.run();
    let publishing = publisher(broker.port, &["--topic", "hall/a", "--count", "200"]);
    wait_for("a message", || daemon.probe("s", "a")["raw"].as_f64());
    publishing.finish(MOMENT);
    let polled = wait_for("a reading", || daemon.probe("s", "net-1")["raw"].as_f64());
    sleep(Duration::from_secs(2));
    broker.freeze();
    devices.peer().signal(Signal::STOP);
    sleep(Duration::from_millis(500));
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    broker.thaw();
    drop(database);
    let stored = installation.stored();
    assert!(stored.raw("probe/s/net-1").len() > 10 && stored.raw("probe/s/net-1").contains(&(polled as u32)));
    assert_eq!(stored.raw("probe/s/a"), (0..200).collect::<Vec<_>>());
}
