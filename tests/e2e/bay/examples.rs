//! Every example of `deploy/examples` as somebody would start from it: `check` takes it, and the daemon runs on it, its
//! lines, hosts and brokers replaced by simulated ones, until every probe of every sump has a good value.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use serde_json::{Value, json};
use sumpwarden::config::{Settings, load_with};
use sumpwarden_core::acquire::settings::{
    BrokerSettings, BusLink, BusSettings, PayloadFormat, Point, TopicPoint,
};
use sumpwarden_core::engine::snapshot::QualityView;
use sumpwarden_core::model::{Now, ProbeIndex, Quantity, Raw, RawReading, Timestamp, Uptime};
use sumpwarden_core::signal::Signals;
use sumpwarden_protocol::modbus::Table;
use sumpwarden_sim::device::{
    Bank, Line, LineOptions, Publisher, PublisherOptions, Server, ServerOptions, Unit,
};
use sumpwarden_tests::broker::{Entrance, Mosquitto};
use sumpwarden_tests::gateway::{Installation, program};

/// How long until every probe has been read once, on a busy machine.
const MOMENT: Duration = Duration::from_secs(60);

fn directory() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/examples")
}

/// Names of the examples.
fn examples() -> Vec<String> {
    let entries = fs::read_dir(directory()).expect("it is there");
    let names = entries.map(|entry| entry.expect("readable").file_name().to_string_lossy().into_owned());
    let mut names: Vec<String> = names.filter(|name| name.ends_with(".toml")).collect();
    names.sort();
    names
}

/// An example in a directory of its own, with stand-ins for the secrets it names.
fn installed(name: &str) -> Installation {
    let text = fs::read_to_string(directory().join(name)).expect("readable");
    let installation = Installation::new("");
    let in_force =
        text.lines().map(|line| line.split(" #").next().unwrap_or("")).filter(|l| !l.starts_with('#'));
    for line in in_force {
        for (before, rest) in
            line.match_indices("_file = \"").map(|(at, found)| line.split_at(at + found.len()))
        {
            let file = rest.split('"').next().expect("it is in quotes");
            let secret = if before.contains("url_file") { "https://hook.example/x" } else { "a secret" };
            let path = installation.path(file);
            fs::write(&path, secret).expect("written");
            fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).expect("set");
        }
    }
    fs::write(installation.configuration(), text).expect("written");
    installation
}

fn settings(installation: &Installation) -> Settings {
    let loaded = load_with(&installation.configuration(), &[]);
    loaded.unwrap_or_else(|report| panic!("{}", report.draw(false))).settings
}

#[test]
fn the_program_takes_every_example_without_a_mistake_or_a_warning() {
    let names = examples();
    assert!(names.len() >= 6, "{names:?}");
    for name in names {
        let installation = installed(&name);
        let checked = installation.command("check", &[]);
        let said = String::from_utf8_lossy(&checked.stdout);
        assert_eq!(checked.status.code(), Some(0), "{name}: {said}");
        let report = load_with(&installation.configuration(), &[]).expect("accepted").warnings;
        assert!(report.mistakes.is_empty(), "{name}: {report}");
    }
}

#[test]
fn nothing_in_them_is_real() {
    for name in examples() {
        let text = fs::read_to_string(directory().join(&name)).expect("readable");
        for word in text.split(|c: char| c.is_whitespace() || matches!(c, '"' | ',' | '[' | ']' | '(')) {
            if let Some((_, host)) = word.split_once('@') {
                assert!(host.trim_end_matches('.').ends_with("example"), "{name}: {word}");
            }
            let digits = word.split(['.', ':', '-', '/']).take(4).all(|part| part.parse::<u8>().is_ok());
            if digits && word.matches('.').count() == 3 {
                let invented = word.starts_with("192.0.2.") || word.starts_with("127.0.0.1");
                assert!(invented || word.starts_with("0.0.0.0"), "{name}: {word}");
            }
        }
    }
}

/// What a sump would show that is well, by quantity, in its unit.
fn well(settings: &Settings, probe: ProbeIndex, value: f64) -> bool {
    let of = &settings.engine.probes[probe.slot()];
    let sump = &settings.engine.sumps[of.sump.slot()];
    match of.quantity {
        Quantity::Ph => (8.8..9.3).contains(&value),
        Quantity::Temperature => (18.0..26.0).contains(&value),
        Quantity::Conductivity => (900.0..1900.0).contains(&value),
        Quantity::Level => (0.7..1.0).contains(&(value / sump.fill_mark_mm)),
        _ => true,
    }
}

/// The device's own number with which a probe says something that is well, found by asking the conversion itself.
fn raw_for(settings: &Settings, probe: ProbeIndex, temperatures: &[(ProbeIndex, f64)]) -> f64 {
    if settings.engine.probes[probe.slot()].quantity == Quantity::PumpRunning {
        return 1.0;
    }
    let (at, uptime) = (Timestamp::from_nanos(1_790_000_000_000_000_000), Uptime::default());
    let now = Now { uptime, utc: at };
    let mut raw = 0.05;
    while raw < 65_000.0 {
        // Registers hold whole numbers as often as not.
        for raw in [raw, f64::round(raw)] {
            let mut signals = Signals::new(&settings.engine.probes);
            let mut convert = |probe, raw| {
                let reading = RawReading { probe, at, received: uptime, raw: Raw::Number(raw) };
                signals.convert(now, &reading).measured
            };
            for (thermometer, raw) in temperatures {
                convert(*thermometer, *raw);
            }
            let measured = convert(probe, raw);
            let good = QualityView::from(measured.quality()).status == "Good";
            if good && measured.usable().is_some_and(|value| well(settings, probe, value)) {
                return raw;
            }
        }
        raw *= 1.02;
    }
    let of = &settings.engine.probes[probe.slot()];
    panic!("no number makes a good value of {}/{}", settings.engine.sumps[of.sump.slot()].name, of.name);
}

/// Numbers for all probes, thermometers first.
fn raws(settings: &Settings) -> BTreeMap<ProbeIndex, f64> {
    let all: Vec<ProbeIndex> =
        (0..settings.engine.probes.len()).map(|slot| ProbeIndex(slot as u32)).collect();
    let thermometer = |p: &ProbeIndex| settings.engine.probes[p.slot()].quantity == Quantity::Temperature;
    let (thermometers, others): (Vec<_>, Vec<_>) = all.into_iter().partition(thermometer);
    let temperatures: Vec<(ProbeIndex, f64)> =
        thermometers.into_iter().map(|probe| (probe, raw_for(settings, probe, &[]))).collect();
    let others = others.into_iter().map(|probe| (probe, raw_for(settings, probe, &temperatures)));
    others.collect::<Vec<_>>().into_iter().chain(temperatures.clone()).collect()
}

/// Devices of one bus with these numbers in the registers that are read.
fn bank(bus: &BusSettings, raws: &BTreeMap<ProbeIndex, f64>) -> Bank {
    let mut bank = Bank::new();
    for device in &bus.devices {
        let unit = Unit::new().with_input_registers(1000).with_holding_registers(1000);
        bank = bank.with_unit(device.unit_id, unit.with_coils(1000).with_discrete_inputs(1000));
    }
    for device in &bus.devices {
        for Point { probe, address, encoding, .. } in &device.points {
            let raw = raws[probe];
            match address.table {
                Table::Coil | Table::DiscreteInput => bank.set_bit(device.unit_id, *address, raw != 0.0),
                Table::HoldingRegister | Table::InputRegister => {
                    let words =
                        encoding.encode(raw).or_else(|_| encoding.encode(raw.round())).expect("it fits");
                    bank.set_words(device.unit_id, *address, words.as_slice());
                }
            }
        }
    }
    bank
}

/// What carries a bus meanwhile; dropping it ends it.
enum Wire {
    Host(#[expect(dead_code, reason = "held")] Server),
    Serial(#[expect(dead_code, reason = "held")] Line),
}

/// A message for each topic of a broker: the numbers of all probes that are read from it.
fn messages(broker: &BrokerSettings, raws: &BTreeMap<ProbeIndex, f64>) -> BTreeMap<String, Value> {
    let mut messages: BTreeMap<String, Value> = BTreeMap::new();
    for TopicPoint { probe, filter, payload, .. } in &broker.topics {
        let number = json!(raws[probe]);
        let message = messages.entry(filter.clone()).or_insert_with(|| json!({}));
        match payload {
            PayloadFormat::Plain => *message = number,
            PayloadFormat::Json { value, time, .. } => {
                put(message, value, number);
                if let Some(time) = time {
                    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
                    put(message, time, json!(now.expect("after 1970").as_millis() as u64));
                }
            }
            other => panic!("no example uses {other:?}"),
        }
    }
    messages
}

fn put(message: &mut Value, pointer: &str, value: Value) {
    let mut here = message;
    for part in pointer.split('/').skip(1) {
        here = &mut here[part];
    }
    *here = value;
}

fn variable(parts: &[&str]) -> String {
    format!("SUMPWARDEN__{}", parts.join("__").replace('-', "_").to_uppercase())
}

/// Runs an example on simulated wires until all is well, and looks whether the shop's state has every sump.
async fn runs(name: &str) {
    let installation = installed(name);
    let settings = settings(&installation);
    let raws = raws(&settings);
    let mut variables = vec![
        ("SUMPWARDEN__WEB__LISTEN".to_owned(), "127.0.0.1:0".to_owned()),
        ("SUMPWARDEN__STORE__FREE_BYTES_MIN".to_owned(), "1 MiB".to_owned()),
    ];
    let mut wires = Vec::new();
    for bus in &settings.engine.buses {
        let bank = bank(bus, &raws);
        let (key, place, wire) = match bus.link {
            BusLink::Tcp { .. } | BusLink::RtuOverTcp { .. } => {
                let server = Server::tcp(bank, ServerOptions::default()).await.expect("it listens");
                ("address", server.address().to_string(), Wire::Host(server))
            }
            BusLink::Rtu { .. } => {
                let line = Line::open(bank, LineOptions::default()).expect("a pseudo-terminal");
                ("port", line.path().display().to_string(), Wire::Serial(line))
            }
        };
        variables.push((variable(&["bus", bus.name.as_str(), key]), place));
        wires.push(wire);
    }
    let mut brokers = Vec::new();
    for broker in &settings.engine.brokers {
        let mosquitto = Mosquitto::start(Entrance::Open);
        let client_id = format!("publisher-{}", broker.name);
        let (host, port) = ("127.0.0.1".to_owned(), mosquitto.port);
        let publisher = Publisher::start(PublisherOptions { host, port, client_id, user: None });
        variables.push((variable(&["broker", broker.name.as_str(), "address"]), format!("127.0.0.1:{port}")));
        brokers.push((mosquitto, publisher, broker.clone()));
    }
    // A first reading within a second instead of a minute.
    for probe in &settings.engine.probes {
        let sump = settings.engine.sumps[probe.sump.slot()].name.as_str();
        variables.push((variable(&["sump", sump, "probe", probe.name.as_str(), "every"]), "2 s".to_owned()));
    }
    let mut command = Command::new(program());
    command.envs(variables);
    let daemon = tokio::task::spawn_blocking(move || {
        let daemon = installation.run_as(&mut command);
        (daemon, installation)
    });
    let (daemon, installation) = daemon.await.expect("it runs");
    let deadline = tokio::time::Instant::now() + MOMENT;
    let mut state;
    loop {
        for (_, publisher, broker) in &brokers {
            for (topic, message) in messages(broker, &raws) {
                publisher.publish(&topic, message.to_string().into_bytes(), false).await.expect("taken");
            }
        }
        state = daemon.state();
        let waiting = not_good(&state);
        if waiting.is_empty() {
            break;
        }
        assert!(tokio::time::Instant::now() < deadline, "{name}: no good value of {waiting:#?}");
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    let shown: Vec<&str> = sumps(&state).iter().filter_map(|sump| sump["name"].as_str()).collect();
    let mut wanted: Vec<&str> = settings.engine.sumps.iter().map(|sump| sump.name.as_str()).collect();
    let mut sorted = shown.clone();
    sorted.sort_unstable();
    wanted.sort_unstable();
    assert_eq!(sorted, wanted, "{name}");
    let (status, log) = tokio::task::spawn_blocking(move || daemon.terminate()).await.expect("it ends");
    assert!(status.success(), "{name}: {}", log.join("\n"));
    drop((installation, wires));
}

fn sumps(state: &Value) -> &[Value] {
    state["sumps"].as_array().expect("a list")
}

/// Probes without a good value, with why.
fn not_good(state: &Value) -> Vec<String> {
    let probes = sumps(state).iter().flat_map(|sump| {
        let list = sump["probes"].as_array().expect("a list");
        list.iter().map(move |probe| (sump, probe))
    });
    probes
        .filter(|(_, probe)| probe["value"].is_null() || probe["status"] != "Good")
        .map(|(sump, probe)| format!("{}/{}: {}", sump["name"], probe["name"], probe["reason"]))
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_example_runs_until_all_probes_are_good() {
    for name in examples() {
        runs(&name).await;
    }
}
