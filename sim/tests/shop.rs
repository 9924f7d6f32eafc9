//! A whole shop behind its wires, and a publisher in front of a broker that is ten lines long.

#![allow(clippy::unwrap_used, reason = "tests")]

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::time::{Duration, Instant};

use sumpwarden_sim::device::PayloadFormat;
use sumpwarden_sim::scenario::{BrokerAccess, ConfigurationOptions, Endpoint, Endpoints, Place, Scenario};
use sumpwarden_sim::shop::{Shop, ShopOptions};

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap()
}

/// Input registers of a unit over Modbus TCP, by hand.
fn read_tcp(stream: &mut TcpStream, unit_id: u8, count: u8) -> Vec<u16> {
    stream.write_all(&[0, 1, 0, 0, 0, 6, unit_id, 4, 0, 0, 0, count]).unwrap();
    let mut reply = vec![0; 9 + 2 * usize::from(count)];
    stream.read_exact(&mut reply).unwrap();
    assert_eq!(reply[7], 4, "no exception");
    reply[9..].chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect()
}

#[test]
fn a_shop_in_accelerated_time_moves_behind_its_sockets() {
    let runtime = runtime();
    let scenario = Scenario::named("shop", 1).unwrap();
    let start = scenario.start;
    let options = ShopOptions { speed: 3600.0, tick: Duration::from_millis(50), ..ShopOptions::default() };
    let shop = runtime.block_on(Shop::start(scenario, options)).unwrap();
    let Endpoint::Socket(address) = shop.endpoints()["cell"] else { panic!("a socket") };
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(2))).unwrap();
    let first = read_tcp(&mut stream, 1, 7);
    assert_eq!(first[..2], [0, 1], "reply counter");
    let waited = Instant::now();
    let later = loop {
        let later = read_tcp(&mut stream, 1, 7);
        if later[2..] != first[2..] && shop.now() > start {
            break later;
        }
        assert!(waited.elapsed() < Duration::from_secs(5), "nothing moves");
        std::thread::sleep(Duration::from_millis(20));
    };
    // pH in hundredths, then conductivity as a float, low word first: what the truth says, within noise and lag.
    let truth = shop.truth(0);
    assert!((f64::from(later[2]) / 100.0 - truth.ph).abs() < 0.15, "{} is not {}", later[2], truth.ph);
    let conductivity = f32::from_bits(u32::from(later[4]) << 16 | u32::from(later[3]));
    assert!((f64::from(conductivity) / truth.conductivity_25_us_cm - 1.0).abs() < 0.05);
    assert_eq!(
        shop.bank("cell").unwrap().answered(1),
        [1..=shop.bank("cell").unwrap().counts(1).answered as u32]
    );
    let Endpoint::Port(path) = &shop.endpoints()["line"] else { panic!("a port") };
    assert!(path.exists());
    drop(shop);
    runtime.block_on(async { tokio::time::sleep(Duration::from_millis(20)).await });
    assert!(TcpStream::connect(address).is_err(), "closed");
}

#[test]
fn every_scenario_has_a_configuration_that_names_every_probe() {
    for (name, _) in Scenario::names() {
        let scenario = Scenario::named(name, 1).unwrap();
        let options = ConfigurationOptions { reply_counters: true, ..ConfigurationOptions::default() };
        let text = scenario.configuration(&Endpoints::new(), &options).toml;
        let parsed: toml::Table = text.parse().unwrap_or_else(|error| panic!("{name}: {error}\n{text}"));
        for plan in &scenario.probes {
            let probe = &parsed["sump"][scenario.sumps[plan.sump].name]["probe"][plan.setup.name];
            match &plan.place {
                Place::Register { index, .. } => {
                    assert!(probe["register"].as_str().unwrap().ends_with(&format!(":{index}")));
                    assert!(parsed["device"].get(probe["device"].as_str().unwrap()).is_some());
                }
                Place::Topic { topic, .. } => assert_eq!(probe["topic"].as_str(), Some(topic.as_str())),
            }
        }
    }
}

#[test]
fn no_two_probes_of_a_device_share_a_register() {
    for (name, _) in Scenario::names() {
        let scenario = Scenario::named(name, 1).unwrap();
        let mut taken = std::collections::BTreeSet::new();
        let mut plant = sumpwarden_sim::scenario::Plant::new(&scenario);
        for (plan, sample) in scenario.probes.iter().zip(plant.sample()) {
            let Place::Register { device, index } = plan.place else { continue };
            let (table, width) = match sample.unwrap().raw {
                sumpwarden_sim::probe::Raw::Words(words) => ("input", words.len() as u16),
                sumpwarden_sim::probe::Raw::Bit(_) => ("discrete", 1),
            };
            for at in index..index + width {
                assert!(taken.insert((device, table, at)), "{name}: {} {at}", plan.setup.name);
                assert!(table == "discrete" || at >= 2, "{name}: the reply counter is at 0 and 1");
            }
        }
    }
}

/// One MQTT 3.1.1 packet: type and flags, body.
fn packet(stream: &mut TcpStream) -> Option<(u8, Vec<u8>)> {
    let mut byte = [0];
    stream.read_exact(&mut byte).ok()?;
    let kind = byte[0];
    let (mut length, mut shift) = (0_usize, 0);
    loop {
        stream.read_exact(&mut byte).ok()?;
        length |= usize::from(byte[0] & 0x7F) << shift;
        shift += 7;
        if byte[0] & 0x80 == 0 {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).ok()?;
    Some((kind, body))
}

/// Topic, payload and the retain flag of a PUBLISH at QoS 1, acknowledged.
fn publish(stream: &mut TcpStream) -> Option<(String, Vec<u8>, bool)> {
    loop {
        let (kind, body) = packet(stream)?;
        if kind & 0xF6 != 0x32 {
            continue;
        }
        let end = 2 + usize::from(u16::from_be_bytes([body[0], body[1]]));
        stream.write_all(&[0x40, 2, body[end], body[end + 1]]).unwrap();
        let topic = String::from_utf8(body[2..end].to_vec()).unwrap();
        return Some((topic, body[end + 2..].to_vec(), kind & 1 == 1));
    }
}

#[test]
fn a_shop_publishes_each_form_at_least_once_with_its_number() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let broker = BrokerAccess {
        host: "127.0.0.1".into(),
        port: listener.local_addr().unwrap().port(),
        user: Some(("sim".into(), "secret".into())),
    };
    let runtime = runtime();
    let options = ShopOptions {
        speed: 60.0,
        tick: Duration::from_millis(50),
        publish_every: Duration::from_millis(100),
        broker: Some(broker),
        ..ShopOptions::default()
    };
    let shop = runtime.block_on(Shop::start(Scenario::named("shop", 1).unwrap(), options)).unwrap();
    let (mut stream, _) = listener.accept().unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    let (kind, connect) = packet(&mut stream).unwrap();
    assert_eq!(
        (kind, &connect[2..6], connect[7] & 0xC0),
        (0x10, &b"MQTT"[..], 0xC0),
        "CONNECT with user and password"
    );
    stream.write_all(&[0x20, 2, 0, 0]).unwrap();
    let mut seen = std::collections::BTreeMap::new();
    for _ in 0..8 {
        let (topic, payload, retained) = publish(&mut stream).unwrap();
        seen.entry(topic).or_insert_with(Vec::new).push((payload, retained));
    }
    let last = |topic: &str| seen[topic].last().unwrap().clone();
    let level: f64 = String::from_utf8(last("hall/grinder-4/level").0).unwrap().parse().unwrap();
    assert!((level - shop.truth(3).level_mm).abs() < 40.0 && last("hall/grinder-4/level").1, "retained");
    let ph: serde_json::Value = serde_json::from_slice(&last("hall/grinder-4/ph").0).unwrap();
    assert!((ph["value"].as_f64().unwrap() - shop.truth(3).ph).abs() < 0.1);
    assert_eq!(ph["seq"], seen["hall/grinder-4/ph"].len());
    let pack: serde_json::Value = serde_json::from_slice(&last("hall/grinder-4/conductivity").0).unwrap();
    assert_eq!((&pack[0]["bn"], &pack[0]["n"]), (&"grinder-4:".into(), &"conductivity".into()));
    assert_eq!(last("hall/grinder-4/temperature").0[0], 0x82, "CBOR array of two");
    let waited = Instant::now();
    while shop.publisher().unwrap().counts().acknowledged < 8 {
        assert!(waited.elapsed() < Duration::from_secs(5));
        std::thread::sleep(Duration::from_millis(10));
    }
    let directory = std::env::temp_dir().join(format!("sim-shop-{}", std::process::id()));
    std::fs::create_dir_all(&directory).unwrap();
    let path = shop.write_configuration(&directory, &ConfigurationOptions::default()).unwrap();
    let written: toml::Table = std::fs::read_to_string(&path).unwrap().parse().unwrap();
    let password_file = written["broker"]["shop"]["password_file"].as_str().unwrap();
    assert_eq!(std::fs::read_to_string(directory.join(password_file)).unwrap(), "secret");
    assert!(!std::fs::read_to_string(&path).unwrap().contains("secret"));
    std::fs::remove_dir_all(&directory).unwrap();
    assert!(matches!(
        shop.scenario().probes.iter().find_map(|plan| match &plan.place {
            Place::Topic { format, .. } => Some(*format),
            Place::Register { .. } => None,
        }),
        Some(PayloadFormat::Json)
    ));
}
