//! One request and what became of it.

use sumpwarden_core::acquire::{Exchange, Outcome, Reply};
use sumpwarden_core::model::Uptime;
use sumpwarden_protocol::modbus::{Address, ReadRequest, Table, rtu, tcp};
use tokio_modbus::client::Client;
use tokio_modbus::prelude::{DeviceIdObject, ReadCode};
use tokio_modbus::{Error, ProtocolError, Request, Response, Slave};

use super::port::{Port, Stream, Trace};
use crate::faults;

/// How often noise on a line is waited out before a request is sent into it after all.
const SETTLE_ROUNDS_MAX: usize = 10;

/// How frames are told apart.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Framing {
    /// MBAP header with a transaction id. A stream that has lost step is of no more use.
    Tcp,
    /// Silence and check sum. The line finds its step again after a silence.
    Rtu,
}

/// An open bus.
pub(super) struct Connection {
    port: Port,
    client: Box<dyn Client>,
    framing: Framing,
}

/// How an exchange ended.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Answer {
    Words(Vec<u16>),
    Bits(Vec<bool>),
    Exception(u8),
    NoReply,
    BadFrame,
    Unmatched,
    Lost { partial: bool },
    NotSent,
}

/// An answer, when its request went out, if it did, and whether the connection may be used again.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Ended {
    pub(super) answer: Answer,
    pub(super) sent: Option<Uptime>,
    pub(super) reusable: bool,
}

impl Answer {
    /// Whether the device answered, be it with an exception.
    pub(super) fn is_answer(&self) -> bool {
        matches!(self, Self::Words(_) | Self::Bits(_) | Self::Exception(_))
    }

    pub(super) fn outcome(&self) -> Outcome<'_> {
        match self {
            Self::Words(words) => Outcome::Reply(Reply::Words(words)),
            Self::Bits(bits) => Outcome::Reply(Reply::Bits(bits)),
            Self::Exception(code) => Outcome::Exception(*code),
            Self::NoReply => Outcome::NoReply,
            Self::BadFrame => Outcome::BadFrame,
            Self::Unmatched => Outcome::Unmatched,
            Self::Lost { partial } => Outcome::Lost { partial: *partial },
            Self::NotSent => Outcome::NotSent,
        }
    }
}

impl Connection {
    pub(super) fn new(stream: Stream) -> Self {
        let framing = match stream {
            Stream::Tcp(_) => Framing::Tcp,
            Stream::RtuOverTcp(_) | Stream::Serial(_) => Framing::Rtu,
        };
        let port = Port::new(stream);
        let client = attach(&port, framing);
        Self { port, client, framing }
    }

    /// Carries out one request until `time_up`. Never leaves bytes of it for the next one to find.
    pub(super) async fn exchange(&mut self, exchange: &Exchange, time_up: impl Future<Output = ()>) -> Ended {
        self.client.set_slave(Slave(exchange.unit_id));
        let called = tokio::select! {
            biased;
            called = self.client.call(request(exchange)) => Some(called),
            () = time_up => None,
        };
        let trace = self.port.end_exchange();
        let answer =
            match called {
                None => out_of_time(self.framing, exchange, trace),
                Some(Ok(Ok(response))) => check(exchange, response),
                Some(Ok(Err(exception))) => Answer::Exception(exception.into()),
                Some(Err(Error::Protocol(ProtocolError::HeaderMismatch {
                    result: Ok(response), ..
                }))) if faults::broken("any-reply@modbus") => check(exchange, response),
                Some(Err(Error::Protocol(error))) => {
                    tracing::debug!(%error, "a valid frame that answers something else");
                    Answer::Unmatched
                }
                Some(Err(Error::Transport(error))) => broken(&error, trace),
            };
        let reusable = self.resynchronise(&answer, trace);
        Ended { answer, sent: trace.sent, reusable }
    }

    /// Asks the device who it is (Modbus V1.1b3, 6.21, basic identification, which only reads) until `time_up`.
    pub(super) async fn identify(
        &mut self,
        unit_id: u8,
        time_up: impl Future<Output = ()>,
    ) -> (Vec<DeviceIdObject>, Ended) {
        self.client.set_slave(Slave(unit_id));
        let called = tokio::select! {
            biased;
            called = self.client.call(Request::ReadDeviceIdentification(ReadCode::Basic, 0)) => Some(called),
            () = time_up => None,
        };
        let trace = self.port.end_exchange();
        let mut objects = Vec::new();
        let answer = match called {
            None if trace.sent.is_some() => Answer::NoReply,
            None => Answer::Lost { partial: false },
            Some(Ok(Ok(Response::ReadDeviceIdentification(said)))) => {
                objects = said.device_id_objects;
                Answer::Words(Vec::new())
            }
            Some(Ok(Ok(_))) => Answer::BadFrame,
            Some(Ok(Err(exception))) => Answer::Exception(exception.into()),
            Some(Err(Error::Protocol(_))) => Answer::Unmatched,
            Some(Err(Error::Transport(error))) => broken(&error, trace),
        };
        let reusable = self.resynchronise(&answer, trace);
        (objects, Ended { answer, sent: trace.sent, reusable })
    }

    /// Waits until nothing more comes in, so that the tail of a doubled or noisy reply is not taken for the next one.
    /// On Modbus TCP the transaction id does that. Says whether it had to wait.
    pub(super) async fn settle(&self, pause: impl AsyncFn()) -> bool {
        if self.framing == Framing::Tcp {
            return false;
        }
        for round in 0..SETTLE_ROUNDS_MAX {
            match self.port.discard_input() {
                Ok(0) | Err(_) => return round > 0,
                Ok(_) => pause().await,
            }
        }
        true
    }

    /// Whether the connection may be used again. A serial line gets a fresh decoder after anything but a proper reply:
    /// one that has failed reports the end of the stream at the next call.
    fn resynchronise(&mut self, answer: &Answer, trace: Trace) -> bool {
        match (answer, self.framing) {
            (Answer::Words(_) | Answer::Bits(_) | Answer::Exception(_), _) => true,
            (Answer::Lost { .. } | Answer::NotSent, _) => false,
            (Answer::NoReply, Framing::Tcp) => trace.received == 0,
            (Answer::BadFrame | Answer::Unmatched, Framing::Tcp) => false,
            (Answer::NoReply | Answer::BadFrame | Answer::Unmatched, Framing::Rtu) => {
                self.client = attach(&self.port, self.framing);
                true
            }
        }
    }
}

fn attach(port: &Port, framing: Framing) -> Box<dyn Client> {
    let slave = Slave(0);
    match framing {
        Framing::Tcp => tokio_modbus::client::tcp::attach_slave(port.clone(), slave).into(),
        Framing::Rtu => tokio_modbus::client::rtu::attach_slave(port.clone(), slave).into(),
    }
}

fn request(exchange: &Exchange) -> Request<'static> {
    let (start, quantity) = (exchange.start, exchange.quantity);
    match exchange.table {
        Table::Coil => Request::ReadCoils(start, quantity),
        Table::DiscreteInput => Request::ReadDiscreteInputs(start, quantity),
        Table::HoldingRegister => Request::ReadHoldingRegisters(start, quantity),
        Table::InputRegister => Request::ReadInputRegisters(start, quantity),
    }
}

/// Takes a reply only if it holds exactly what was asked for: the client itself checks that in debug builds only.
fn check(exchange: &Exchange, response: Response) -> Answer {
    let quantity = usize::from(exchange.quantity);
    match response {
        Response::ReadHoldingRegisters(words) | Response::ReadInputRegisters(words)
            if words.len() == quantity =>
        {
            Answer::Words(words)
        }
        // Bits come in whole bytes.
        Response::ReadCoils(mut bits) | Response::ReadDiscreteInputs(mut bits)
            if bits.len() == quantity.next_multiple_of(8) =>
        {
            bits.truncate(quantity);
            Answer::Bits(bits)
        }
        _ => Answer::BadFrame,
    }
}

/// Time is up. As many bytes as a whole reply has, and no frame among them, are a damaged reply; fewer are none.
fn out_of_time(framing: Framing, exchange: &Exchange, trace: Trace) -> Answer {
    let extra = match framing {
        Framing::Tcp => tcp::HEADER_BYTES,
        Framing::Rtu => rtu::FRAME_EXTRA_BYTES,
    };
    let whole = ReadRequest::new(Address::new(exchange.table, exchange.start), exchange.quantity)
        .map_or(usize::MAX, |request| request.reply_bytes() + extra);
    match trace {
        Trace { sent: None, .. } => Answer::Lost { partial: false },
        Trace { received, .. } if received >= whole => Answer::BadFrame,
        Trace { .. } => Answer::NoReply,
    }
}

/// The client reports an I/O error. Its text may be about something else; the port knows better.
fn broken(error: &std::io::Error, trace: Trace) -> Answer {
    match trace {
        Trace { sent: None, .. } => Answer::NotSent,
        Trace { closed: true, received, .. } => Answer::Lost { partial: received > 0 },
        Trace { .. } => {
            tracing::debug!(%error, "damaged reply");
            Answer::BadFrame
        }
    }
}
