//! Opening a bus: a TCP connection or a serial port, and what to do when that fails.

use std::io;
use std::time::Duration;

use sumpwarden_core::acquire::settings::{BusLink, Parity, SerialLine};
use tokio::net::TcpStream;
use tokio_serial::SerialStream;

use super::port::Stream;

/// Why a bus cannot be opened, and what helps.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum OpenError {
    /// Someone is there and does not want to talk.
    #[error(
        "{address} refuses the connection: is its Modbus server switched on, and is the port number right?"
    )]
    Refused {
        /// `host:port`.
        address: String,
    },
    /// Nobody is there.
    #[error("{address} does not answer within {} ms: check power, cable, address and firewall", .after.as_millis())]
    TimedOut {
        /// `host:port`.
        address: String,
        /// How long was waited.
        after: Duration,
    },
    /// Anything else on TCP: no route, no such name, ….
    #[error("cannot connect to {address}: {why}")]
    Unreachable {
        /// `host:port`.
        address: String,
        /// The system's words.
        why: String,
    },
    /// No such port.
    #[error(
        "serial port {port} is not there: is the adapter plugged in? `ls /dev/serial/by-id` lists what is"
    )]
    Missing {
        /// Path.
        port: String,
    },
    /// Another program has it.
    #[error(
        "serial port {port} is in use by another program: `fuser {port}` names it; only one may have the bus"
    )]
    Busy {
        /// Path.
        port: String,
    },
    /// Not ours to open.
    #[error(
        "no permission to open serial port {port}: add the gateway's user to the group that `ls -l {port}` shows, \
         usually dialout"
    )]
    Permission {
        /// Path.
        port: String,
    },
    /// Anything else on a serial port.
    #[error("cannot open serial port {port}: {why}")]
    Port {
        /// Path.
        port: String,
        /// The system's words.
        why: String,
    },
}

/// Opens `link`, waiting at most `patience`.
pub(super) async fn open(link: &BusLink, patience: Duration) -> Result<Stream, OpenError> {
    match link {
        BusLink::Tcp { address } => connect(address, patience).await.map(Stream::Tcp),
        BusLink::RtuOverTcp { address, .. } => connect(address, patience).await.map(Stream::RtuOverTcp),
        BusLink::Rtu { port, line } => open_port(port, *line).await.map(Stream::Serial),
    }
}

async fn connect(address: &str, patience: Duration) -> Result<TcpStream, OpenError> {
    let stream = match tokio::time::timeout(patience, TcpStream::connect(address)).await {
        Err(_) => return Err(OpenError::TimedOut { address: address.to_owned(), after: patience }),
        Ok(Err(error)) if error.kind() == io::ErrorKind::ConnectionRefused => {
            return Err(OpenError::Refused { address: address.to_owned() });
        }
        Ok(Err(error)) => return Err(unreachable(address, &error)),
        Ok(Ok(stream)) => stream,
    };
    // A request is one small segment: held back to be joined with the next, it would be 40 ms late.
    stream.set_nodelay(true).map_err(|error| unreachable(address, &error))?;
    Ok(stream)
}

pub(super) fn unreachable(address: &str, error: &io::Error) -> OpenError {
    OpenError::Unreachable { address: address.to_owned(), why: error.to_string() }
}

/// Opening may wait for the driver, so it gets a thread of its own.
async fn open_port(port: &str, line: SerialLine) -> Result<SerialStream, OpenError> {
    let builder = tokio_serial::new(port, line.baud)
        .parity(match line.parity {
            Parity::Even => tokio_serial::Parity::Even,
            Parity::Odd => tokio_serial::Parity::Odd,
            Parity::None => tokio_serial::Parity::None,
        })
        .stop_bits(if line.stop_bits == 2 {
            tokio_serial::StopBits::Two
        } else {
            tokio_serial::StopBits::One
        })
        .data_bits(tokio_serial::DataBits::Eight)
        .flow_control(tokio_serial::FlowControl::None)
        .exclusive(true);
    let opened = tokio::task::spawn_blocking(move || SerialStream::open(&builder)).await;
    match opened {
        Ok(Ok(stream)) => Ok(stream),
        Ok(Err(error)) => Err(port_error(port, &error)),
        Err(error) => Err(OpenError::Port { port: port.to_owned(), why: error.to_string() }),
    }
}

fn port_error(port: &str, error: &tokio_serial::Error) -> OpenError {
    let port = port.to_owned();
    match error.kind {
        tokio_serial::ErrorKind::NoDevice => OpenError::Busy { port },
        tokio_serial::ErrorKind::Io(io::ErrorKind::NotFound) => OpenError::Missing { port },
        tokio_serial::ErrorKind::Io(io::ErrorKind::PermissionDenied) => OpenError::Permission { port },
        tokio_serial::ErrorKind::Io(_)
        | tokio_serial::ErrorKind::InvalidInput
        | tokio_serial::ErrorKind::Unknown => OpenError::Port { port, why: error.description.clone() },
    }
}
