//! A pH electrode on a real wire that a test moves about.

use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_sim::device::{Bank, Server, ServerOptions, Unit};
use tokio::runtime::Runtime;

use crate::gateway::{Installation, sump, tcp_bus};

/// An electrode, worn and off zero, with a thermometer beside it; moved about by the test.
#[derive(Debug)]
pub struct Electrode {
    bank: Bank,
    _server: Server,
    _runtime: Runtime,
    port: u16,
}

impl Electrode {
    /// Behind a Modbus server of its own.
    ///
    /// # Panics
    /// If there is no port for it.
    #[expect(clippy::new_without_default, reason = "it starts a server")]
    pub fn new() -> Self {
        let runtime = Runtime::new().expect("a runtime");
        let bank = Bank::new().with_unit(1, Unit::new().with_holding_registers(4));
        let server = runtime.block_on(Server::tcp(bank.clone(), ServerOptions::default())).expect("a port");
        let port = server.address().port();
        Self { bank, _server: server, _runtime: runtime, port }
    }

    /// 95 % of the Nernst slope, which is 59.16 mV at 25 °C and grows with the kelvins; 12 mV at pH 7.
    pub fn stands_in(&self, ph: f64, celsius: f64) {
        let nernst_mv = 59.159_35 * (celsius + 273.15) / 298.15;
        let mv = 12.0 - 0.95 * nernst_mv * (ph - 7.0);
        for (index, number) in [(0, mv), (2, celsius)] {
            let bits = (number as f32).to_bits();
            let words = [(bits >> 16) as u16, bits as u16];
            self.bank.set_words(1, Address::new(Table::HoldingRegister, index), &words);
        }
    }
}

/// A shop whose only pH probe it is, with the page on this port.
pub fn shop(electrode: &Electrode, port: u16) -> Installation {
    let tables = r#"
[device.head]
bus = "net"
unit_id = 1
timeout = "4 s"
worst_reply = "5 s"
[sump.s.probe.temperature]
quantity = "temperature"
device = "head"
register = "holding:2"
number = "f32"
every = "200 ms"
frozen = false
[sump.s.probe.ph]
quantity = "ph"
device = "head"
register = "holding:0"
number = "f32"
every = "200 ms"
frozen = false
accuracy = 0.05
electrode = { buffers = "technical" }
[sump.s.limit.ph-low]
of = "ph"
low = 8.5
on_delay = "1 s"
"#;
    Installation::with_page(port, &(sump("s") + &tcp_bus("net", electrode.port) + tables))
}
