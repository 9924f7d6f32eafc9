//! The program as an edge node of Sparkplug B: mosquitto, a host application by paho and Python's protobuf that holds every message
//! to the specification, and pymodbus behind it all.

mod ends;
mod host;
mod order;

use std::time::Duration;

use sumpwarden_tests::gateway::{plain_probe, sump, tcp_bus};

/// How long anything may take on a busy machine.
const MOMENT: Duration = Duration::from_secs(60);

/// Two sumps, each behind a device and a bus of its own, and the broker as `[broker.plant]` with these keys in its edge node.
fn shop(broker: u16, lathe: u16, mill: u16, keys: &str) -> String {
    let mut tables = format!(
        "\n[broker.plant]\naddress = \"127.0.0.1:{broker}\"\nreconnect_after = \"200 ms\"\nreconnect_after_max = \"1 s\"\n\
         [broker.plant.sparkplug]\nnode = \"box-1\"\nevery = \"1 s\"\n{keys}"
    );
    for (name, port) in [("lathe-1", lathe), ("mill-1", mill)] {
        tables += &(sump(name) + &tcp_bus(name, port));
        tables +=
            &format!("\n[device.{name}]\nbus = \"{name}\"\nunit_id = 1\ntimeout = \"1 s\"\nretries = 0\n");
        let of = |register: u16, kind: &str| {
            format!(
                "device = \"{name}\"\nregister = \"holding:{register}\"\nnumber = \"{kind}\"\nevery = \"500 ms\"\n\
                 hold = \"1 s\"\nstale_after = \"4 s\"\n"
            )
        };
        tables += &plain_probe(name, "counter", &of(0, "u32"));
        tables += &plain_probe(name, "temperature", &of(40, "f32"));
        let more = [("level", 0.05), ("conductivity", 0.25)];
        for (quantity, scale) in more {
            tables += &format!(
                "\n[sump.{name}.probe.{quantity}]\nquantity = \"{quantity}\"\nfrozen = false\nspike = false\n\
                 scale = {scale}\n{}",
                of(10, "u16")
            );
        }
    }
    tables
}
