//! `scan` against simulated devices on TCP and on a serial line, and against pymodbus: what it finds, what it proposes, and
//! what it leaves alone.

use std::collections::BTreeSet;
use std::fs;
use std::process::{Command, Output};
use std::time::Duration;

use serde_json::Value;
use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_sim::device::{Bank, Fault, Line, LineOptions, Server, ServerOptions, Times, Unit};
use sumpwarden_tests::gateway::{Installation, program, sump};
use sumpwarden_tests::modbus::{ModbusRtu, ModbusTcp};

const INPUT: Table = Table::InputRegister;
const HOLDING: Table = Table::HoldingRegister;
/// Device Identification (V1.1b3, 6.21): the one function beside reading registers that is asked for.
const IDENTIFY: u8 = 43;

fn scan(arguments: &[&str]) -> Output {
    Command::new(program()).arg("scan").args(arguments).output().expect("it can be started")
}

/// What was found, by `--json`; and the tables it proposes, accepted by `check` in a configuration.
fn found(arguments: &[&str]) -> Value {
    let output = scan(&[arguments, &["--json"]].concat());
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(said.contains("NOTE: a serial line has one master"), "{said}");
    let found: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    accepted(found["toml"].as_str().expect("text"), 0);
    found
}

/// `check` accepts these tables beside a sump, and so many proposed probes once they are taken out of their comments.
fn accepted(tables: &str, probes_least: usize) {
    let taken =
        tables.replace("# [sump.SUMP", "[sump.s").lines().map(uncommented).collect::<Vec<_>>().join("\n");
    let probes = taken.matches("[sump.s.probe.").count();
    assert!(probes >= probes_least, "{probes} probes proposed:\n{tables}");
    // Devices propose the same names; a sump takes one of each.
    let mut seen = BTreeSet::new();
    let mut kept = String::new();
    for block in taken.split("\n\n").flat_map(|part| part.split("\n#\n")) {
        let name = block.lines().find(|line| line.starts_with("[sump.s.probe."));
        if name.is_none_or(|name| seen.insert(name.to_owned())) {
            kept += &format!("{block}\n\n");
        }
    }
    for text in [tables, &kept] {
        let installation = Installation::new(&sump("s"));
        fs::create_dir(installation.path("conf.d")).expect("made");
        fs::write(installation.path("conf.d/found.toml"), text).expect("written");
        let checked = installation.command("check", &[]);
        let said = String::from_utf8_lossy(&checked.stdout);
        assert_eq!(checked.status.code(), Some(0), "{said}\n{text}");
    }
}

/// A line of a proposed probe without its comment sign.
fn uncommented(line: &str) -> &str {
    let keys = ["quantity", "device", "register", "number", "order", "scale", "unit"];
    match line.strip_prefix("# ") {
        Some(rest) if keys.iter().any(|key| rest.starts_with(&format!("{key} = "))) => rest,
        _ => line,
    }
}

fn device(found: &Value, unit: u8) -> &Value {
    let devices = found["devices"].as_array().expect("a list");
    devices
        .iter()
        .find(|device| device["unit_id"] == unit)
        .unwrap_or_else(|| panic!("no unit {unit}: {found:#}"))
}

fn units(found: &Value) -> Vec<u64> {
    let devices = found["devices"].as_array().expect("a list");
    devices.iter().filter_map(|device| device["unit_id"].as_u64()).collect()
}

/// Whether a way to read a register is proposed: quantity, register, number, order and value.
fn proposes(device: &Value, quantity: &str, register: &str, order: Option<&str>, value: f64) -> bool {
    device["candidates"].as_array().expect("a list").iter().any(|candidate| {
        candidate["quantity"] == quantity
            && candidate["register"] == register
            && candidate["order"].as_str() == order
            && (candidate["value"].as_f64().expect("a number") - value).abs() < 1e-3
    })
}

/// Unit 3 holds four values as whole numbers, unit 5 floats in two orders with holes between, unit 6 knows no table, unit 7
/// gives eight registers at once.
fn bank() -> Bank {
    let holes = (4..10).map(|index| Address::new(HOLDING, index));
    let bank = Bank::new()
        .with_unit(3, Unit::new().with_input_registers(4))
        .with_unit(5, Unit::new().with_holding_registers(12).with_holes(holes))
        .with_unit(6, Unit::new())
        .with_unit(7, Unit::new().with_input_registers(40).with_registers_max(8));
    bank.set_words(3, Address::new(INPUT, 0), &[871, 1290, 310, 215]);
    // 8.71 is 0x410B5C29 and 21.5 is 0x41AC0000 (IEEE 754); the second with its low word first.
    bank.set_words(5, Address::new(HOLDING, 0), &[0x410B, 0x5C29, 0x0000, 0x41AC]);
    bank.set_words(5, Address::new(HOLDING, 10), &[0x43A0, 0x0000]);
    bank
}

fn check_bank(found: &Value, bank: &Bank) {
    let whole = device(found, 3);
    assert_eq!(whole["ranges"]["input"], serde_json::json!([[0, 3]]), "{whole:#}");
    assert_eq!(whole["ranges"]["holding"], serde_json::json!([]));
    for (quantity, register, value) in [
        ("ph", "input:0", 8.71),
        ("conductivity", "input:1", 1290.0),
        ("level", "input:2", 310.0),
        ("temperature", "input:3", 21.5),
    ] {
        assert!(proposes(whole, quantity, register, None, value), "{quantity}: {whole:#}");
    }
    let floats = device(found, 5);
    assert_eq!(floats["ranges"]["holding"], serde_json::json!([[0, 3], [10, 11]]), "{floats:#}");
    assert!(proposes(floats, "ph", "holding:0", Some("ABCD"), 8.71), "{floats:#}");
    assert!(proposes(floats, "temperature", "holding:2", Some("CDAB"), 21.5), "{floats:#}");
    assert!(proposes(floats, "level", "holding:10", Some("ABCD"), 320.0), "{floats:#}");
    let bare = device(found, 6);
    assert_eq!((&bare["ranges"]["input"], &bare["registers_max"]), (&serde_json::json!([]), &Value::Null));
    assert_eq!(device(found, 7)["registers_max"], 8, "{found:#}");
    assert_eq!(device(found, 7)["ranges"]["input"], serde_json::json!([[0, 39]]));
    accepted(found["toml"].as_str().expect("text"), 7);
    // Functions that these devices refuse are counted: none but the one that asks who they are, which they do not know.
    let refused: Vec<u8> = bank.refused_functions().into_keys().collect();
    assert!(refused.iter().all(|code| [3, 4, IDENTIFY].contains(code)), "{refused:?}");
    assert!(refused.contains(&IDENTIFY), "they were asked who they are: {refused:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_host_with_several_units_is_told_apart_and_proposed() {
    let bank = bank().with_stranger(11);
    let server = Server::tcp(bank.clone(), ServerOptions::default()).await.expect("it listens");
    let hosts = server.address().to_string();
    let found =
        tokio::task::spawn_blocking(move || found(&["--hosts", &hosts, "--units", "0-9", "--pause", "1 ms"]));
    let found = found.await.expect("scanned");
    assert_eq!(units(&found), [3, 5, 6, 7]);
    check_bank(&found, &bank);
    assert_eq!(server.accepted(), 1, "one connection, so one request at a time");
    let at = &device(&found, 3)["at"];
    assert_eq!((&at["link"], &at["address"]), (&"modbus-tcp".into(), &server.address().to_string().into()));
}

#[test]
fn a_serial_line_is_searched_at_each_setting_with_a_dead_unit_and_two_of_one_id() {
    let bank = bank().with_unit(9, Unit::new().with_input_registers(4));
    // Two devices with one id talk at once: what arrives fits no check sum.
    bank.script(9, Fault::FlippedBit(30), Times::Always);
    let line = Line::open(bank.clone(), LineOptions::default()).expect("a pseudo-terminal");
    let port = line.path().to_str().expect("text").to_owned();
    let arguments = ["--port", &port, "--units", "2-9", "--baud", "19200,9600", "--parity", "all"];
    let found =
        found(&[&arguments[..], &["--timeout", "60 ms", "--pause", "2 ms", "--bus", "bay-b"]].concat());
    assert_eq!(units(&found), [3, 5, 6, 7]);
    check_bank(&found, &bank);
    let at = &device(&found, 3)["at"];
    assert_eq!((&at["baud"], &at["parity"], &at["port"]), (&19200.into(), &"even".into(), &port.into()));
    let notes = found["notes"].to_string();
    assert!(notes.contains("unit 9: damaged or late replies: two devices with one id"), "{notes}");
    assert!(!notes.contains("unit 8") && !notes.contains("unit 2"), "silence is no damage: {notes}");
    assert_eq!(device(&found, 3)["name"], "bay-b-unit-3");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_device_that_closes_is_borne_and_one_that_is_not_there_is_told() {
    let bank = Bank::new().with_unit(1, Unit::new().with_input_registers(4));
    bank.set_words(1, Address::new(INPUT, 0), &[871, 1290, 310, 215]);
    // It closes instead of every third answer.
    bank.script(1, Fault::Close, Times::After(2));
    let server = Server::tcp(bank.clone(), ServerOptions::default()).await.expect("it listens");
    let (live, dead) = (server.address(), sumpwarden_tests::process::free_port());
    let hosts = format!("{live},127.0.0.1:{dead}");
    let found = tokio::task::spawn_blocking(move || {
        found(&["--hosts", &hosts, "--pause", "1 ms", "--timeout", "200 ms"])
    });
    let found = found.await.expect("scanned");
    assert_eq!(device(&found, 1)["ranges"]["input"], serde_json::json!([[0, 3]]), "{found:#}");
    assert!(found["notes"].to_string().contains("refuses the connection"), "{found:#}");
    assert_eq!(found["devices"].as_array().map(Vec::len), Some(1));
}

#[test]
fn devices_of_another_making_are_found_and_named() {
    let tcp = ModbusTcp::start(&[1, 4]);
    let host = format!("127.0.0.1:{}", tcp.port);
    let on_tcp = found(&["--hosts", &host, "--units", "1-5", "--registers", "0-99", "--pause", "1 ms"]);
    assert_eq!(units(&on_tcp), [1, 4]);
    // This server says by exception 4 that nobody has the unit id.
    assert!(on_tcp["notes"].to_string().contains("unit 2, 3, 5: answers with failures only"), "{on_tcp:#}");
    for unit in [1, 4] {
        let one = device(&on_tcp, unit);
        assert_eq!(one["ranges"]["holding"], serde_json::json!([[0, 99]]), "{one:#}");
        assert_eq!(one["identity"]["vendor"], "Example Sensors", "{one:#}");
        for (register, order) in [(40, "ABCD"), (42, "CDAB"), (44, "BADC"), (46, "DCBA")] {
            // Both tables show the same, so one of them is proposed.
            let register = format!("input:{register}");
            assert!(proposes(one, "temperature", &register, Some(order), 21.5), "{order}: {one:#}");
        }
    }
    let rtu = ModbusRtu::start(&[2], 19_200);
    // Nothing tells when it has opened its end.
    std::thread::sleep(Duration::from_secs(1));
    let arguments = ["--port", &rtu.port, "--units", "1-3", "--parity", "none", "--timeout", "500 ms"];
    let on_line = found(&arguments);
    assert_eq!(units(&on_line), [2]);
    assert_eq!(device(&on_line, 2)["identity"]["product"], "EX-4", "{on_line:#}");
}

#[test]
fn what_cannot_be_is_said_with_what_would_be_right() {
    for (arguments, code, says) in [
        (&["--hosts", "192.0.2.0/16"][..], 64, "larger network than a /24"),
        (&["--hosts", "127.0.0.1", "--units", "300"], 64, "write numbers from 0 to 255"),
        (&["--port", "/dev/nothing-there"], 74, "is the adapter plugged in?"),
        (&["--port", "/dev/null", "--baud", "12345"], 64, "write one or more of 1200"),
        (&["--port", "/dev/null", "--parity", "mark"], 64, "write even, none, odd or all"),
        (&["--port", "/dev/null", "--registers", "0-5000"], 64, "more than 1024 registers"),
    ] {
        let output = scan(arguments);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {said}");
        assert!(said.contains(says), "{arguments:?}: {said}");
    }
    // Nobody there is an answer too: nothing failed, and nothing was found.
    let line = Line::open(Bank::new(), LineOptions::default()).expect("a pseudo-terminal");
    let port = line.path().to_str().expect("text").to_owned();
    let output = scan(&["--port", &port, "--units", "1-2", "--timeout", "20 ms"]);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("nobody answered: check power"), "{said}");
}

#[test]
fn a_port_that_another_program_has_is_left_alone() {
    let bank = bank();
    let line = Line::open(bank.clone(), LineOptions::default()).expect("a pseudo-terminal");
    let port = line.path().to_str().expect("text").to_owned();
    let mut first = Command::new(program());
    // A long wait for units that are not there holds the port open.
    first.args(["scan", "--port", &port, "--units", "100-140", "--timeout", "500 ms"]);
    let mut first = sumpwarden_tests::process::Peer::start("scan", &mut first);
    first.wait_until("has begun", || bank.counts(100).requests == 0 && said_hello(&port));
    let output = scan(&["--port", &port, "--units", "3", "--timeout", "50 ms"]);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(74), "{said}");
    assert!(said.contains("is in use by another program"), "{said}");
    assert_eq!(bank.counts(3).requests, 0, "nothing was sent into it");
}

/// Whether somebody has locked the port.
fn said_hello(port: &str) -> bool {
    let file = fs::File::open(port).expect("it is there");
    rustix::fs::flock(&file, rustix::fs::FlockOperation::NonBlockingLockExclusive).is_err()
}
