//! Every kind of number in every order, from the registers of pymodbus to the state that the page shows.

use sumpwarden_tests::gateway::{Installation, plain_probe, sump, tcp_bus};
use sumpwarden_tests::modbus::{BITS, ModbusTcp, REGISTERS, VALUES};

use super::wait_for;

fn numbered(address: u16, kind: &str, order: &str) -> String {
    format!(
        "device = \"head\"\nregister = \"holding:{address}\"\nnumber = \"{kind}\"\norder = \"{order}\"\nevery = \"500 ms\"\n"
    )
}

#[test]
fn every_kind_and_order_reads_as_the_value_that_was_written() {
    let device = ModbusTcp::start(&[1]);
    let mut tables = sump("s") + &tcp_bus("net", device.port);
    tables += "\n[device.head]\nbus = \"net\"\nunit_id = 1\ntimeout = \"4 s\"\nregisters_max = 20\n";
    for (address, kind, order, _) in VALUES {
        for table in ["holding", "input"] {
            let source = numbered(*address, kind, order).replace("holding", table);
            tables += &plain_probe("s", &format!("{table}-{address}"), &source);
        }
    }
    for (address, _) in BITS.iter().enumerate() {
        for table in ["coil", "discrete"] {
            tables += &format!(
                "\n[sump.s.probe.{table}-{address}]\nquantity = \"pump_running\"\ndevice = \"head\"\n\
                 register = \"{table}:{address}\"\nevery = \"500 ms\"\n"
            );
        }
    }
    // The last registers that are there and the first that is not, in one merged request.
    for address in [REGISTERS - 2, REGISTERS - 1, REGISTERS] {
        tables += &plain_probe("s", &format!("edge-{address}"), &numbered(address, "u16", "ABCD"));
    }
    for (address, pattern) in [(90_u16, 0x8000_u32), (91, 0xFFFF)] {
        let source = format!("{}no_value = [{pattern}]", numbered(address, "u16", "ABCD"));
        tables += &plain_probe("s", &format!("empty-{address}"), &source);
    }
    let installation = Installation::new(&tables);
    let daemon = installation.run();

    let probe = |name: &str| {
        wait_for(&format!("a reading of {name}"), || {
            let probe = daemon.probe("s", name);
            (probe["reason"] != "not read yet").then_some(probe)
        })
    };
    for (address, kind, order, value) in VALUES {
        for table in ["holding", "input"] {
            let read = probe(&format!("{table}-{address}"));
            // An f64 comes through as it is; an f32 or an integer is exact in an f64.
            assert_eq!(read["value"].as_f64(), Some(*value), "{kind} {order}: {read}");
            assert_eq!(read["status"], "Good", "{kind} {order}: {read}");
        }
    }
    for (address, bit) in BITS.iter().enumerate() {
        for table in ["coil", "discrete"] {
            let read = probe(&format!("{table}-{address}"));
            assert_eq!(read["value"].as_f64(), Some(f64::from(u8::from(*bit))), "{read}");
        }
    }
    for address in [REGISTERS - 2, REGISTERS - 1] {
        let name = format!("edge-{address}");
        let read = wait_for(&format!("{name} without its neighbour"), || {
            let read = probe(&name);
            (read["status"] == "Good").then_some(read)
        });
        assert_eq!(read["value"].as_f64(), Some(0.0), "{read}");
    }
    let beyond = probe(&format!("edge-{REGISTERS}"));
    assert!(beyond["value"].is_null(), "{beyond}");
    assert_eq!(beyond["status"], "BadConfigurationError");
    assert_eq!(beyond["reason"], "device refuses this address or function: check the register map");
    for address in [90, 91] {
        let empty = probe(&format!("empty-{address}"));
        assert!(empty["value"].is_null(), "{empty}");
        assert_eq!(
            (&empty["status"], &empty["reason"]),
            (&"BadNoData".into(), &"device says it has no value".into())
        );
    }
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
}
