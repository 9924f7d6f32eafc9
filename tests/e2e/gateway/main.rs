//! The whole gateway against foreign peers: pymodbus on TCP and on a serial line, mosquitto and paho, two databases.

mod bad_input;
mod calibration;
mod commands;
mod crash;
mod identity;
mod notes;
mod numbers;
mod rotate;
mod store;
mod wipe;

use std::time::Duration;

use sumpwarden_tests::process;

/// How long anything may take on a busy machine.
const MOMENT: Duration = Duration::from_secs(40);

/// Looks until `found` gives something.
#[track_caller]
fn wait_for<T>(what: &str, found: impl FnMut() -> Option<T>) -> T {
    process::wait_for(what, MOMENT, found)
}

/// Tables of a broker on this loopback port and of a probe for each topic, which carry the publisher's JSON.
fn numbered_topics(port: u16, sump: &str, topics: &[&str]) -> String {
    let probe = |topic: &&str| {
        let source = format!(
            "broker = \"shop\"\ntopic = \"hall/{topic}\"\njson = {{ value = \"/v\", time = \"/t\" }}\nevery = \"1 s\""
        );
        sumpwarden_tests::gateway::plain_probe(sump, topic, &source)
    };
    let broker = format!("\n[broker.shop]\naddress = \"127.0.0.1:{port}\"\nreconnect_after = \"200 ms\"\n");
    broker + &topics.iter().map(probe).collect::<String>()
}

/// A bus on a pseudo-terminal.
fn serial_bus(name: &str, port: &str, baud: u32) -> String {
    format!("\n[bus.{name}]\nlink = \"modbus-rtu\"\nport = \"{port}\"\nbaud = {baud}\nparity = \"none\"\n")
}
