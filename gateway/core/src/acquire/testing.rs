//! Buses for the tests of this floor.

use std::time::Duration;

use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_protocol::words::{Encoding, NumberKind};

use super::settings::{BusLink, BusSettings, DeviceSettings, Parity, Point, SerialLine};
use crate::model::{Name, ProbeIndex};

pub(super) fn ms(millis: u64) -> Duration {
    Duration::from_millis(millis)
}

pub(super) fn point(probe: u32, table: Table, index: u16, kind: NumberKind, period: Duration) -> Point {
    Point {
        probe: ProbeIndex(probe),
        address: Address::new(table, index),
        encoding: Encoding::of(kind),
        period,
    }
}

/// Points of one word in the input table, numbered by address.
pub(super) fn inputs(addresses: impl IntoIterator<Item = u16>, period: Duration) -> Vec<Point> {
    let word = |index: u16| point(index.into(), Table::InputRegister, index, NumberKind::U16, period);
    addresses.into_iter().map(word).collect()
}

pub(super) fn device(unit_id: u8, points: Vec<Point>) -> DeviceSettings {
    DeviceSettings {
        name: Name::new(&format!("device-{unit_id}")).unwrap(),
        unit_id,
        timeout: ms(200),
        retries: 1,
        turnaround: Duration::ZERO,
        silent_interval: None,
        worst_reply: ms(300),
        registers_max: 125,
        gap_max: 4,
        points,
    }
}

pub(super) fn line(baud: u32) -> BusLink {
    let line = SerialLine { baud, parity: Parity::Even, stop_bits: 1 };
    BusLink::Rtu { port: "/dev/ttyS9".to_owned(), line }
}

pub(super) fn tcp() -> BusLink {
    BusLink::Tcp { address: "192.0.2.1:502".to_owned() }
}

pub(super) fn bus(link: BusLink, devices: Vec<DeviceSettings>) -> BusSettings {
    BusSettings {
        name: Name::new("hall").unwrap(),
        link,
        connect_timeout: ms(1000),
        reconnect: (ms(100), ms(30_000)),
        devices,
    }
}
