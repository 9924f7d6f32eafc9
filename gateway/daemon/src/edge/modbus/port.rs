//! The transport under the Modbus client, with what the client does not do itself.
//!
//! - Input is thrown away before every request, so that a late or doubled reply is never taken for the answer to the
//!   next one. The client clears its own buffer before a request, but not what waits in the kernel.
//! - It remembers how an exchange ended, because the client's errors do not say: whether the request went out, how many
//!   bytes came back, whether the peer closed.
//! - It bounds what one exchange may read, so that a peer that floods costs one frame's worth of work and its connection.
//! - It does not drain the serial port's output on flush: that call blocks the whole thread until the last bit is out.
//!
//! A [`Port`] is a handle; the client owns another one. A client whose decoder has failed is replaced on the same port.

use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio_serial::SerialStream;

use sumpwarden_core::acquire::settings::BusLink;
use sumpwarden_core::model::Uptime;

use super::super::clock::Clock;
use super::open::{OpenError, unreachable};

/// Most bytes one exchange may read: the longest frame (Modbus V1.1b3, 4.1: 260 on TCP, 256 on a serial line) and as
/// much noise before it.
const EXCHANGE_BYTES_MAX: usize = 520;
/// Most bytes thrown away at once; a peer that has more waiting floods.
const DISCARD_BYTES_MAX: usize = 4096;

/// What carries the bytes.
#[derive(Debug)]
pub(super) enum Stream {
    /// Modbus TCP: a frame that answers something else is known by its transaction.
    Tcp(TcpStream),
    /// RTU frames through a serial server.
    RtuOverTcp(TcpStream),
    /// A serial port.
    Serial(SerialStream),
}

impl Stream {
    /// What was not sent when it is closed is thrown away. Otherwise the system goes on to send it for minutes after a cable
    /// was pulled: a request would reach the line when another box polls it.
    pub(super) fn forget_unsent_on_close(&self, link: &BusLink) -> Result<(), OpenError> {
        match (self, link) {
            (
                Self::Tcp(stream) | Self::RtuOverTcp(stream),
                BusLink::Tcp { address } | BusLink::RtuOverTcp { address, .. },
            ) => stream.set_zero_linger().map_err(|error| unreachable(address, &error)),
            _ => Ok(()),
        }
    }
}

/// Where in an exchange the port is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Turn {
    /// Nothing asked.
    Idle,
    /// The request is going out.
    Writing,
    /// The request is out, since then.
    Reading(Uptime),
}

#[derive(Debug)]
struct Inner {
    stream: Stream,
    turn: Turn,
    received: usize,
    closed: bool,
}

/// What an exchange left behind.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Trace {
    /// When the whole request had been handed to the system; none if it never was.
    pub(super) sent: Option<Uptime>,
    /// Bytes that came since.
    pub(super) received: usize,
    /// The peer closed, or the system reported an error.
    pub(super) closed: bool,
}

/// Handle on the transport of one bus.
#[derive(Clone, Debug)]
pub(super) struct Port(Arc<Mutex<Inner>>);

impl Port {
    pub(super) fn new(stream: Stream) -> Self {
        Self(Arc::new(Mutex::new(Inner { stream, turn: Turn::Idle, received: 0, closed: false })))
    }

    /// What the exchange so far left behind; the port is idle afterwards.
    pub(super) fn end_exchange(&self) -> Trace {
        let mut inner = self.lock();
        let sent = if let Turn::Reading(since) = inner.turn { Some(since) } else { None };
        let trace = Trace { sent, received: inner.received, closed: inner.closed };
        inner.turn = Turn::Idle;
        inner.received = 0;
        trace
    }

    /// Throws away what has come in; says how many bytes.
    pub(super) fn discard_input(&self) -> io::Result<usize> {
        self.lock().discard_input()
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Inner {
    fn discard_input(&mut self) -> io::Result<usize> {
        let mut scratch = [0; 512];
        let mut discarded = 0;
        loop {
            match self.stream.read_waiting(&mut scratch) {
                Ok(0) => return Err(self.close(io::ErrorKind::ConnectionAborted.into())),
                Ok(count) => discarded += count,
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(discarded),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(self.close(error)),
            }
            if discarded > DISCARD_BYTES_MAX {
                return Err(self.close(flood()));
            }
        }
    }

    fn close(&mut self, error: io::Error) -> io::Error {
        self.closed = true;
        error
    }
}

fn flood() -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, "peer sends far more than was asked for")
}

impl Stream {
    /// Reads what is there without waiting. Modbus TCP trusts the runtime's word that nothing came, which costs no system
    /// call: a late reply that slips through is known by its transaction. RTU has no such mark, so the system is asked.
    fn read_waiting(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::Tcp(stream) => stream.try_read(buffer),
            Self::RtuOverTcp(stream) => Ok(rustix::io::read(&*stream, buffer)?),
            Self::Serial(port) => port.try_read(buffer),
        }
    }
}

impl AsyncRead for Port {
    fn poll_read(
        self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let mut inner = self.lock();
        let Some(left) = EXCHANGE_BYTES_MAX.checked_sub(inner.received).filter(|left| *left > 0) else {
            return Poll::Ready(Err(inner.close(flood())));
        };
        let room = left.min(buffer.remaining());
        let mut bounded = ReadBuf::new(buffer.initialize_unfilled_to(room));
        let polled = match &mut inner.stream {
            Stream::Tcp(stream) | Stream::RtuOverTcp(stream) => Pin::new(stream).poll_read(cx, &mut bounded),
            Stream::Serial(port) => Pin::new(port).poll_read(cx, &mut bounded),
        };
        let count = bounded.filled().len();
        match polled {
            Poll::Pending => Poll::Pending,
            Poll::Ready(Err(error)) => Poll::Ready(Err(inner.close(error))),
            Poll::Ready(Ok(())) => {
                inner.received += count;
                inner.closed |= count == 0;
                buffer.advance(count);
                Poll::Ready(Ok(()))
            }
        }
    }
}

impl AsyncWrite for Port {
    fn poll_write(self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let mut inner = self.lock();
        if inner.turn != Turn::Writing {
            inner.discard_input()?;
            inner.received = 0;
        }
        let polled = match &mut inner.stream {
            Stream::Tcp(stream) | Stream::RtuOverTcp(stream) => Pin::new(stream).poll_write(cx, bytes),
            Stream::Serial(port) => Pin::new(port).poll_write(cx, bytes),
        };
        // A write that has to wait goes out later: what has come by then is thrown away as well.
        if polled.is_ready() {
            inner.turn = Turn::Writing;
        }
        polled.map_err(|error| inner.close(error))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        self.lock().turn = Turn::Reading(Clock.uptime());
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        match &mut self.lock().stream {
            Stream::Tcp(stream) | Stream::RtuOverTcp(stream) => Pin::new(stream).poll_shutdown(cx),
            Stream::Serial(_) => Poll::Ready(Ok(())),
        }
    }
}
