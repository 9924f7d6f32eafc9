mod actor;
mod campaign;
mod peer;
mod rtu;
mod tcp;

use std::time::Duration;

use sumpwarden_core::acquire::Exchange;
use sumpwarden_core::acquire::settings::{BusLink, BusSettings, DeviceSettings, Parity, Point, SerialLine};
use sumpwarden_core::model::{DeviceIndex, Name, ProbeIndex, Uptime};
use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_protocol::words::{Encoding, NumberKind};

use super::exchange::{Connection, Ended};

/// For replies that come: long enough for a busy machine.
const PATIENT: Duration = Duration::from_secs(3);

fn ms(millis: u64) -> Duration {
    Duration::from_millis(millis)
}

impl Connection {
    /// On the runtime's own timer.
    async fn exchange_for(&mut self, exchange: &Exchange) -> Ended {
        let ended = self.exchange(exchange, tokio::time::sleep(exchange.patience)).await;
        // When it went out is no matter here.
        Ended { sent: None, ..ended }
    }
}

/// Asks unit 7 for `quantity` of `table` from address 0 on.
fn ask(table: Table, quantity: u16, patience: Duration) -> Exchange {
    let (device, due) = (DeviceIndex(0), Uptime::default());
    Exchange { device, unit_id: 7, table, start: 0, quantity, due, patience }
}

const LINE: SerialLine = SerialLine { baud: 115_200, parity: Parity::None, stop_bits: 1 };

/// A bus with one device, unit 7, that is asked for the 32-bit counter in its input registers 0 and 1.
fn counter_bus(link: BusLink, period: Duration) -> BusSettings {
    let address = Address::new(Table::InputRegister, 0);
    let point = Point { probe: ProbeIndex(0), address, encoding: Encoding::of(NumberKind::U32), period };
    BusSettings {
        name: Name::new("bench").unwrap(),
        link,
        connect_timeout: ms(500),
        reconnect: (ms(20), ms(200)),
        devices: vec![DeviceSettings {
            name: Name::new("head").unwrap(),
            unit_id: 7,
            timeout: PATIENT,
            retries: 0,
            turnaround: Duration::ZERO,
            silent_interval: None,
            worst_reply: PATIENT,
            registers_max: 125,
            gap_max: 4,
            points: vec![point],
        }],
    }
}
