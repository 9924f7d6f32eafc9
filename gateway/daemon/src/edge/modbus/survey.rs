//! A line or host asked by a person what is there: one request at a time, with a pause after each. It reads only.
//!
//! What is asked next, and what an answer means, is decided by whoever asks.

use std::time::Duration;

use sumpwarden_core::acquire::Exchange;
use sumpwarden_core::acquire::settings::BusLink;
use sumpwarden_core::model::{DeviceIndex, Uptime};
use sumpwarden_protocol::modbus::wire::reply_bytes;
use sumpwarden_protocol::modbus::{Address, ReadRequest, Table, rtu};

use super::exchange::{Answer, Connection, Ended};
use super::open::{OpenError, open};

/// Object ids of the basic identification (Modbus V1.1b3, 6.21).
const OBJECTS: [u8; 3] = [0, 1, 2];

/// How gently is asked.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Manners {
    /// How long a connection may take.
    pub connect: Duration,
    /// How long a reply may take once the request is out.
    pub reply: Duration,
    /// Pause after every exchange, the silent interval of a serial line at least.
    pub pause: Duration,
}

/// What came of one request.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Heard {
    /// Registers, as many as were asked for.
    Words(Vec<u16>),
    /// The device's "no".
    Exception(u8),
    /// Nothing came.
    Silence,
    /// Something came that is no answer: a damaged frame, or one that answers something else.
    Garbage,
    /// The other side closed the connection.
    Closed,
}

/// What a device says of itself; empty where it does not say.
#[derive(Clone, PartialEq, Eq, Default, Debug)]
pub struct Identity {
    /// Who made it.
    pub vendor: String,
    /// What it is.
    pub product: String,
    /// Its revision.
    pub revision: String,
}

/// An open line or host.
pub struct Survey {
    link: BusLink,
    manners: Manners,
    connection: Option<Connection>,
}

impl Survey {
    /// Opens `link`; a serial port exclusively, so that the daemon and this never share it.
    ///
    /// # Errors
    /// Why it cannot be opened.
    pub async fn open(link: BusLink, manners: Manners) -> Result<Self, OpenError> {
        let connection = Some(Connection::new(open(&link, manners.connect).await?));
        Ok(Self { link, manners, connection })
    }

    /// Reads `quantity` registers from `start` on, once.
    ///
    /// # Errors
    /// If the connection had been closed and cannot be opened again.
    pub async fn read(
        &mut self,
        unit_id: u8,
        table: Table,
        start: u16,
        quantity: u16,
    ) -> Result<Heard, OpenError> {
        let mut connection = self.take().await?;
        let patience = self.patience(table, start, quantity);
        let exchange = Exchange {
            device: DeviceIndex(0),
            unit_id,
            table,
            start,
            quantity,
            due: Uptime::default(),
            patience,
        };
        let ended = connection.exchange(&exchange, tokio::time::sleep(patience)).await;
        self.leave(connection, &ended).await;
        Ok(match ended.answer {
            Answer::Words(words) => Heard::Words(words),
            Answer::Exception(code) => Heard::Exception(code),
            Answer::NoReply => Heard::Silence,
            Answer::Bits(_) | Answer::BadFrame | Answer::Unmatched => Heard::Garbage,
            Answer::Lost { .. } | Answer::NotSent => Heard::Closed,
        })
    }

    /// Asks the device who it is; `None` where it does not say.
    ///
    /// # Errors
    /// If the connection had been closed and cannot be opened again.
    pub async fn identify(&mut self, unit_id: u8) -> Result<Option<Identity>, OpenError> {
        let mut connection = self.take().await?;
        // Three texts of a few dozen characters come back, as long as a hundred registers at most.
        let patience = self.patience(Table::HoldingRegister, 0, 100);
        let (objects, ended) = connection.identify(unit_id, tokio::time::sleep(patience)).await;
        self.leave(connection, &ended).await;
        let text = |id: u8| {
            let object = objects.iter().find(|object| object.id == id);
            object.map_or_else(String::new, |object| String::from_utf8_lossy(&object.value).trim().to_owned())
        };
        let [vendor, product, revision] = OBJECTS.map(text);
        let identity = Identity { vendor, product, revision };
        Ok((identity != Identity::default()).then_some(identity))
    }

    async fn take(&mut self) -> Result<Connection, OpenError> {
        let connection = match self.connection.take() {
            Some(connection) => connection,
            None => Connection::new(open(&self.link, self.manners.connect).await?),
        };
        let gap = self.gap();
        connection.settle(async || tokio::time::sleep(gap).await).await;
        Ok(connection)
    }

    async fn leave(&mut self, connection: Connection, ended: &Ended) {
        self.connection = ended.reusable.then_some(connection);
        tokio::time::sleep(self.gap()).await;
    }

    fn gap(&self) -> Duration {
        self.link.timing().map_or(Duration::ZERO, |line| line.t3_5()).max(self.manners.pause)
    }

    /// Time for the reply, and on a serial line for both frames on the wire.
    fn patience(&self, table: Table, start: u16, quantity: u16) -> Duration {
        let frames = match (self.link.timing(), ReadRequest::new(Address::new(table, start), quantity)) {
            (Some(line), Ok(request)) => line.characters(rtu::REQUEST_BYTES + reply_bytes(request)),
            (_, _) => Duration::ZERO,
        };
        self.manners.reply.saturating_add(frames)
    }
}
