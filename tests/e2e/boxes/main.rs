//! Three boxes, one broker, one database, and a serial server that two of the boxes share: the program itself in network
//! namespaces, whose cable is pulled and put back. Numbers of devices are followed by name into each store and into the
//! database. Needs root.

mod net;
mod relay;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Write};
use std::net::{IpAddr, SocketAddr, TcpStream};
use std::thread::sleep;
use std::time::{Duration, Instant};

use serde_json::Value;
use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_sim::device::{Bank, Server, ServerOptions, Unit};
use sumpwarden_tests::broker::{Entrance, Mosquitto};
use sumpwarden_tests::database::{VictoriaMetrics, http};
use sumpwarden_tests::gateway::{Daemon, Installation, Stored, plain_probe, program, sump};
use sumpwarden_tests::process::wait_for;
use tokio::runtime::Runtime;

use net::{HUB, Hall};
use relay::{Entry, Relay, What};

/// Devices behind the shared serial server, and those of the third box.
const SHARED: [u8; 2] = [1, 2];
const OWN: [u8; 1] = [11];
/// Term of the lease.
const TERM: Duration = Duration::from_secs(3);
/// How long anything may take on a busy machine.
const MOMENT: Duration = Duration::from_secs(60);
const PAGE: u16 = 8480;
const ASKED: u16 = 8481;

/// Numbers of devices by unit.
type Numbers = BTreeMap<u8, BTreeSet<u32>>;

/// What stands at the hub.
struct Hub {
    broker: Mosquitto,
    database: VictoriaMetrics,
    shared: (Bank, Relay),
    own: Bank,
    ports: Ports,
    _runtime: Runtime,
    servers: Vec<Server>,
}

#[derive(Clone, Copy)]
struct Ports {
    broker: u16,
    database: u16,
    shared: u16,
    own: u16,
}

impl Hub {
    fn start() -> Self {
        let runtime = Runtime::new().expect("a runtime");
        let (shared, own) = (counting(&SHARED), counting(&OWN));
        let options = ServerOptions::default();
        let serial = runtime.block_on(Server::rtu_over_tcp(shared.clone(), options)).expect("a port");
        let plain = runtime.block_on(Server::tcp(own.clone(), options)).expect("a port");
        let broker = Mosquitto::start(Entrance::Open);
        let database = VictoriaMetrics::start();
        let ports = Ports {
            broker: broker.port,
            database: database.port,
            shared: serial.address().port(),
            own: plain.address().port(),
        };
        let line = Relay::before(ports.shared);
        for port in [ports.broker, ports.database, ports.own] {
            Relay::before(port);
        }
        Self {
            broker,
            database,
            shared: (shared, line),
            own,
            ports,
            _runtime: runtime,
            servers: vec![serial, plain],
        }
    }
}

fn counting(units: &[u8]) -> Bank {
    let counter = Address::new(Table::HoldingRegister, 0);
    let unit = || Unit::new().with_holding_registers(2).with_counter_at(counter);
    units.iter().fold(Bank::new(), |bank, &id| bank.with_unit(id, unit()))
}

/// Tables of a box, beyond what every configuration has.
fn tables(number: u8, ports: Ports) -> String {
    let Ports { broker, database, shared, own } = ports;
    let mut text = format!(
        "[forward.hall]\nurl = \"http://{HUB}:{database}\"\norganisation = \"shop\"\nbucket = \"coolant\"\n\
         [broker.shop]\naddress = \"{HUB}:{broker}\"\n"
    );
    let units = if number == 3 {
        text += &format!(
            "[bus.line]\nlink = \"modbus-tcp\"\naddress = \"{HUB}:{own}\"\nreconnect_after_max = \"1 s\"\n"
        );
        &OWN[..]
    } else {
        let (peer, here) = (Hall::address(3 - number), Hall::address(number));
        text += &format!(
            "[bus.line]\nlink = \"modbus-rtu-over-tcp\"\naddress = \"{HUB}:{shared}\"\nbaud = 115200\n\
             reconnect_after_max = \"1 s\"\n[bus.line.standby]\nbroker = \"shop\"\nterm = \"{} s\"\n\
             peer = \"{peer}:{ASKED}\"\nlisten = \"{here}:{ASKED}\"\n",
            TERM.as_secs()
        );
        &SHARED[..]
    };
    let name = if number == 3 { "mill" } else { "lathe" };
    text += &sump(name);
    for unit in units {
        text += &format!(
            "\n[device.d{unit}]\nbus = \"line\"\nunit_id = {unit}\ntimeout = \"1 s\"\nworst_reply = \"1500 ms\"\nretries = 0\n"
        );
        let source =
            format!("device = \"d{unit}\"\nregister = \"holding:0\"\nnumber = \"u32\"\nevery = \"70 ms\"");
        text += &plain_probe(name, &format!("p{unit}"), &source);
    }
    text
}

/// A box with its disk.
struct Gateway {
    number: u8,
    installation: Installation,
}

impl Gateway {
    fn new(number: u8, ports: Ports) -> Self {
        let installation = Installation::with_page(0, &tables(number, ports));
        let file = installation.configuration();
        let text = std::fs::read_to_string(&file).expect("just written");
        let text = text.replace("box = \"box-1\"", &format!("box = \"box-{number}\""));
        let page = format!("{}:{PAGE}", Hall::address(number));
        let text = text.replace("listen = \"127.0.0.1:0\"", &format!("listen = \"{page}\""));
        std::fs::write(&file, text).expect("a temporary file");
        Self { number, installation }
    }

    fn run(&self, hall: &Hall) -> Daemon {
        let mut command = hall.command(self.number);
        command.arg(program());
        self.installation.run_as(&mut command)
    }

    /// Numbers stored, by unit, each once.
    fn numbers(&self, units: &[u8]) -> (Numbers, Stored) {
        let stored = self.installation.stored();
        let name = if self.number == 3 { "mill" } else { "lathe" };
        let of = |unit: &u8| {
            let numbers = stored.raw(&format!("probe/{name}/p{unit}"));
            let set: BTreeSet<u32> = numbers.iter().copied().collect();
            assert_eq!(set.len(), numbers.len(), "box {} stored a number of {unit} twice", self.number);
            (*unit, set)
        };
        (units.iter().map(of).collect(), stored)
    }
}

/// What a box says at this path; none where it cannot be reached.
fn get(number: u8, port: u16, path: &str) -> Option<Value> {
    let address = SocketAddr::new(Hall::address(number), port);
    let mut socket = TcpStream::connect_timeout(&address, Duration::from_secs(1)).ok()?;
    socket.set_read_timeout(Some(Duration::from_secs(5))).ok()?;
    write!(socket, "GET {path} HTTP/1.0\r\nHost: {address}\r\n\r\n").ok()?;
    let mut answer = String::new();
    socket.read_to_string(&mut answer).ok()?;
    serde_json::from_str(answer.split_once("\r\n\r\n")?.1).ok()
}

fn polls(number: u8) -> bool {
    let standby = get(number, ASKED, "/standby");
    standby.is_some_and(|standby| standby["buses"][0]["polls"] == true)
}

/// Waits until something is asked at the serial server by a box after `since`; when.
fn asks(line: &Relay, number: u8, since: Instant) -> Instant {
    let from = Hall::address(number);
    wait_for(&format!("a request of box {number}"), MOMENT, || {
        let log = line.log();
        let found = log.iter().find(|e| e.from == from && e.what == What::Request && e.at > since);
        found.map(|entry| entry.at)
    })
}

/// Who asked, one entry a stretch: the box, its first and its last sign.
fn stretches(log: &[Entry]) -> Vec<(IpAddr, Instant, Instant)> {
    let mut stretches: Vec<(IpAddr, Instant, Instant)> = Vec::new();
    for entry in log.iter().filter(|entry| matches!(entry.what, What::Request | What::Reply)) {
        match stretches.last_mut() {
            Some((from, _, last)) if *from == entry.from => *last = entry.at,
            _ => stretches.push((entry.from, entry.at, entry.at)),
        }
    }
    stretches
}

#[test]
fn boxes_share_a_broker_a_database_and_a_serial_server() {
    let hall = Hall::build(3);
    let mut hub = Hub::start();
    let boxes: Vec<Gateway> = (1..=3).map(|number| Gateway::new(number, hub.ports)).collect();
    let line = &hub.shared.1;

    // The first begins after two terms of silence, the second stands by.
    let begun = Instant::now();
    let first = boxes[0].run(&hall);
    let third = boxes[2].run(&hall);
    let began = asks(line, 1, begun);
    assert!(began - begun > TERM * 2 - TERM / 10, "it began after {:?}", began - begun);
    let second = boxes[1].run(&hall);
    sleep(TERM * 3);
    assert!(polls(1) && !polls(2));
    let stands = get(2, PAGE, "/state").expect("it can be reached");
    assert!(stands["sumps"][0]["standing_by_since"].is_string(), "{stands:#}");
    let instruments = |state: &Value| state["sumps"][0]["alarms"].as_array().map_or(0, Vec::len);
    assert_eq!(instruments(&stands), 0, "{stands:#}");

    // The first is cut off: it stops by itself, then the second begins.
    let cut = Instant::now();
    hall.pull(1);
    let taken = asks(line, 2, cut);
    assert!(taken - cut > TERM, "taken over {:?} after the cut", taken - cut);
    assert!(taken - cut < TERM * 4, "taken over {:?} after the cut", taken - cut);
    sleep(TERM * 2);

    // It comes back and stands by: nobody has asked it to take the bus back.
    hall.put_back(1);
    wait_for("the first box", MOMENT, || get(1, ASKED, "/standby"));
    sleep(TERM * 3);
    assert!(!polls(1) && polls(2));

    // Told to stop, the second lets go, and the first goes on at once.
    let told = Instant::now();
    let (status, _) = second.terminate();
    assert!(status.success(), "{status}");
    let back = asks(line, 1, told);
    assert!(back - told < TERM, "{:?} after an orderly stop", back - told);

    // The broker alone is away: the other box grants term after term.
    let second = boxes[1].run(&hall);
    sleep(TERM * 3);
    assert!(polls(1) && !polls(2));
    hub.broker.freeze();
    let frozen = Instant::now();
    sleep(TERM * 4);
    assert!(polls(1) && !polls(2), "while the broker is away");
    let log = line.log();
    let late = log.iter().filter(|e| e.what == What::Request && e.at > frozen + TERM * 2);
    assert!(late.clone().count() > 10 && late.clone().all(|e| e.from == Hall::address(1)));
    hub.broker.thaw();
    sleep(TERM * 2);
    assert!(polls(1) && !polls(2));

    check_view(hub.ports.database);
    // The one that stands by first: told to stop, the other one would hand over to it.
    for daemon in [second, first, third] {
        let (status, log) = daemon.terminate();
        assert!(status.success(), "{status}: {log:#?}");
    }
    check_line(&line.log());
    let held = [&SHARED[..], &SHARED[..], &OWN[..]];
    let held: Vec<(Numbers, Stored)> = boxes.iter().zip(held).map(|(of, units)| of.numbers(units)).collect();

    // Devices gone, the boxes send what they owe the database.
    hub.servers.clear();
    let daemons: Vec<Daemon> = boxes.iter().map(|of| of.run(&hall)).collect();
    wait_for("what is owed to the database", MOMENT, || {
        let there = forwarded(&hub.database);
        let came = |(number, (numbers, _)): (u8, &(Numbers, Stored))| {
            let of = |(unit, numbers): (&u8, &BTreeSet<u32>)| {
                there.get(&key(number, *unit)).is_some_and(|there| there.is_superset(numbers))
            };
            numbers.iter().all(of)
        };
        (1..).zip(&held).all(came).then_some(())
    });
    daemons.into_iter().for_each(|daemon| drop(daemon.terminate()));
    check_numbers(&held, &hub);
}

/// The handbook's view over all boxes: every probe of the site once, whichever box reads it.
fn check_view(port: u16) {
    let handbook = include_str!("../../../deploy/handbook/growing.md");
    let query = handbook.split("```promql\n").nth(1).and_then(|rest| rest.split("\n```").next());
    let query = query.expect("the handbook has a query");
    let escaped: String = query.bytes().map(|byte| format!("%{byte:02X}")).collect();
    let answer = http(port, "GET", &format!("/api/v1/query?query={escaped}"), "");
    assert_eq!(answer.status, 200, "{}", answer.body);
    let answer: Value = serde_json::from_str(&answer.body).expect("JSON");
    let found = answer["data"]["result"].as_array().expect("a list");
    let of: BTreeSet<(&str, &str)> = (found.iter())
        .filter_map(|one| Some((one["metric"]["sump"].as_str()?, one["metric"]["probe"].as_str()?)))
        .collect();
    assert_eq!(of, BTreeSet::from([("lathe", "p1"), ("lathe", "p2"), ("mill", "p11")]), "{answer:#}");
    assert_eq!(found.len(), of.len(), "a probe twice: {answer:#}");
}

/// Never two masters at once: each stretch of one box is over when the next begins, and what a box asked was answered, or cut
/// off, before another asked.
fn check_line(log: &[Entry]) {
    let who = stretches(log);
    let boxes: Vec<IpAddr> = who.iter().map(|stretch| stretch.0).collect();
    let (one, two) = (Hall::address(1), Hall::address(2));
    assert_eq!(boxes, [one, two, one], "who polled, in this order");
    // The cut: the first one had stopped most of a term before.
    let silent = who[1].1 - who[0].2;
    assert!(silent > TERM / 2, "the second asked {silent:?} after the last sign of the first");
}

/// Box and probe as the database names them.
fn key(number: u8, unit: u8) -> (String, String) {
    (format!("box-{number}"), format!("p{unit}"))
}

/// Numbers in the database, by box and probe.
fn forwarded(database: &VictoriaMetrics) -> BTreeMap<(String, String), BTreeSet<u32>> {
    let mut found: BTreeMap<_, BTreeSet<u32>> = BTreeMap::new();
    for point in database.points().iter().filter(|point| point.series.starts_with("probe_raw{")) {
        let tag = |key: &str| {
            let found = point.series.split(['{', ',', '}']).find_map(|tag| tag.strip_prefix(key));
            found.unwrap_or_else(|| panic!("{key} in {}", point.series)).to_owned()
        };
        found.entry((tag("box="), tag("probe="))).or_default().insert(point.value as u32);
    }
    found
}

fn check_numbers(held: &[(Numbers, Stored)], hub: &Hub) {
    let mut there = forwarded(&hub.database);
    for (number, (numbers, _)) in (1..).zip(held) {
        for (unit, stored) in numbers {
            assert!(stored.len() > 20, "box {number} stored {} numbers of {unit}", stored.len());
            let there = there.remove(&key(number, *unit)).unwrap_or_default();
            let differ: Vec<&u32> = there.symmetric_difference(stored).collect();
            assert!(differ.is_empty(), "box {number}, unit {unit}: store and database differ in {differ:?}");
        }
    }
    assert!(there.is_empty(), "series of nobody: {:?}", there.keys());
    let [(first, first_store), (second, second_store), (third, _)] = held else { panic!("three boxes") };
    for unit in SHARED {
        let (a, b) = (&first[&unit], &second[&unit]);
        let twice: Vec<&u32> = a.intersection(b).collect();
        assert!(twice.is_empty(), "both boxes have numbers of unit {unit}: {twice:?}");
        check_answered(unit, &hub.shared.0, &a.union(b).copied().collect(), 1);
    }
    check_answered(OWN[0], &hub.own, &third[&OWN[0]], 0);
    let states = |stored: &Stored| -> Vec<String> {
        stored.journal.iter().filter(|e| e.subject == "standby/line").map(|e| e.state.clone()).collect()
    };
    let (of_first, of_second) = (states(first_store), states(second_store));
    for state in ["taken over", "cut off", "handed over to this box"] {
        assert!(of_first.iter().any(|of| of == state), "{state} in {of_first:?}");
    }
    assert!(of_second.iter().any(|of| of == "taken over"), "{of_second:?}");
}

/// All that was answered is stored, but for what was on the wire when the cable was pulled.
fn check_answered(unit: u8, bank: &Bank, stored: &BTreeSet<u32>, under_way_max: usize) {
    let answered: BTreeSet<u32> =
        bank.answered(unit).into_iter().flat_map(|range| range.collect::<Vec<_>>()).collect();
    assert!(stored.is_subset(&answered), "unit {unit}: stored and never answered");
    let missing: Vec<u32> = answered.difference(stored).copied().collect();
    assert!(missing.len() <= under_way_max, "unit {unit}: answered and not stored: {missing:?}");
}
