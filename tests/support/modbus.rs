//! Modbus devices by pymodbus, on TCP and on a pair of pseudo-terminals by socat.

use std::process::Command;

use crate::process::{Peer, TempDir, free_port, peer_script, python, tool};

/// A known value in the registers of every pymodbus device: address, width and kind as in the configuration, order,
/// value. Written there by Python's `struct` (`tests/e2e/peers/modbus_server.py`).
pub const VALUES: &[(u16, &str, &str, f64)] = &[
    (10, "u16", "ABCD", 4660.0),
    (11, "i16", "ABCD", -2.0),
    (12, "u16", "BADC", 4660.0),
    (20, "u32", "ABCD", 3_000_000_000.0),
    (22, "u32", "CDAB", 3_000_000_000.0),
    (24, "u32", "BADC", 3_000_000_000.0),
    (26, "u32", "DCBA", 3_000_000_000.0),
    (30, "i32", "ABCD", -100_000.0),
    (32, "i32", "CDAB", -100_000.0),
    (40, "f32", "ABCD", 21.5),
    (42, "f32", "CDAB", 21.5),
    (44, "f32", "BADC", 21.5),
    (46, "f32", "DCBA", 21.5),
    (50, "i64", "ABCD", -5_000_000_000.0),
    (54, "u64", "CDAB", 9_000_000_000_000.0),
    (60, "f64", "ABCD", 8.71),
    (64, "f64", "CDAB", 8.71),
    (68, "f64", "BADC", 8.71),
    (72, "f64", "DCBA", 8.71),
];

/// Coils and discrete inputs from 0 on.
pub const BITS: [bool; 8] = [true, false, true, true, false, false, true, false];

/// First address that is not there.
pub const REGISTERS: u16 = 200;

/// Devices behind one TCP port.
#[derive(Debug)]
pub struct ModbusTcp {
    /// Where they listen, on the loopback address.
    pub port: u16,
    peer: Peer,
}

impl ModbusTcp {
    /// Starts devices with these unit ids.
    pub fn start(units: &[u8]) -> Self {
        Self::start_on(free_port(), units)
    }

    /// Starts them on a port of one's own choice, such as that of devices that are gone.
    pub fn start_on(port: u16, units: &[u8]) -> Self {
        let mut peer = server(&["tcp".to_owned(), port.to_string()], units);
        peer.wait_for_port(port);
        Self { port, peer }
    }

    /// What was answered: (unit, counter) of every reply that held the counter.
    pub fn answered(&self) -> Vec<(u8, u32)> {
        answered(&self.peer)
    }

    /// The process, to stop it in its tracks.
    pub fn peer(&self) -> &Peer {
        &self.peer
    }
}

/// Devices on a serial line.
#[derive(Debug)]
pub struct ModbusRtu {
    /// The gateway's end of the line.
    pub port: String,
    peer: Peer,
    _line: Peer,
    _folder: TempDir,
}

impl ModbusRtu {
    /// Lays the line and starts devices with these unit ids. A pseudo-terminal has a speed in name only, and no parity.
    pub fn start(units: &[u8], baud: u32) -> Self {
        let folder = TempDir::new("line");
        let (near, far) = (folder.file("near"), folder.file("far"));
        let mut command = Command::new(tool("socat"));
        let mut line = Peer::start(
            "socat",
            command.arg(format!("pty,raw,echo=0,link={near}")).arg(format!("pty,raw,echo=0,link={far}")),
        );
        let ends = [folder.path().join("near"), folder.path().join("far")];
        line.wait_until("lays the line", || ends.iter().all(|end| end.exists()));
        let peer = server(&["rtu".to_owned(), far, baud.to_string(), "N".to_owned()], units);
        // Nothing tells when it has opened the port; the first request may time out and be asked again.
        Self { port: near, peer, _line: line, _folder: folder }
    }

    /// What was answered: (unit, counter) of every reply that held the counter.
    pub fn answered(&self) -> Vec<(u8, u32)> {
        answered(&self.peer)
    }
}

fn server(arguments: &[String], units: &[u8]) -> Peer {
    let mut command = Command::new(python());
    command.arg(peer_script("modbus_server.py")).args(arguments).args(units.iter().map(u8::to_string));
    Peer::start("pymodbus", &mut command)
}

fn answered(peer: &Peer) -> Vec<(u8, u32)> {
    let parse = |line: &String| {
        let (unit, counter) = line.strip_prefix("answered ")?.split_once(' ')?;
        Some((unit.parse().ok()?, counter.parse().ok()?))
    };
    peer.output().iter().filter_map(parse).collect()
}
