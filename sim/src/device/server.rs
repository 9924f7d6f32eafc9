//! Modbus TCP and RTU over TCP on a socket of 127.0.0.1.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::time::Duration;

use sumpwarden_protocol::modbus::{TCP_ADU_BYTES_MAX, rtu, tcp};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Mutex;
use tokio::task::{JoinHandle, JoinSet};
use tokio::time::{Instant, sleep_until, timeout};

use super::bank::Bank;
use super::fault::{Framing, Step, play};

/// Silence after which bytes that make no RTU frame are thrown away. A serial server forwards what it gathered, so this is
/// far longer than t3.5.
const RTU_GIVE_UP: Duration = Duration::from_millis(50);

/// How a server listens.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ServerOptions {
    /// Where; port 0 takes a free one.
    pub listen: SocketAddr,
    /// Most connections at a time; another is closed as soon as it is accepted.
    pub connections_max: usize,
}

impl Default for ServerOptions {
    fn default() -> Self {
        Self { listen: SocketAddr::from(([127, 0, 0, 1], 0)), connections_max: 16 }
    }
}

/// A server at work; dropping it closes the socket and every connection.
#[derive(Debug)]
pub struct Server {
    address: SocketAddr,
    doors: Arc<Doors>,
    task: JoinHandle<()>,
}

#[derive(Debug, Default)]
struct Doors {
    open: AtomicUsize,
    accepted: AtomicU64,
    turned_away: AtomicU64,
    malformed: AtomicU64,
}

/// A connection that counts as open for as long as this lives.
struct Visit(Arc<Doors>);

impl Drop for Visit {
    fn drop(&mut self) {
        self.0.open.fetch_sub(1, Ordering::Relaxed);
    }
}

impl Server {
    /// Modbus TCP. Must be called within a tokio runtime.
    pub async fn tcp(bank: Bank, options: ServerOptions) -> io::Result<Self> {
        Self::start(bank, options, Framing::Tcp).await
    }

    /// RTU frames over TCP, as a serial server hands them on. Must be called within a tokio runtime.
    pub async fn rtu_over_tcp(bank: Bank, options: ServerOptions) -> io::Result<Self> {
        Self::start(bank, options, Framing::Rtu).await
    }

    async fn start(bank: Bank, options: ServerOptions, framing: Framing) -> io::Result<Self> {
        let listener = TcpListener::bind(options.listen).await?;
        let address = listener.local_addr()?;
        let doors = Arc::new(Doors::default());
        let task = tokio::spawn(accept(listener, bank, framing, options.connections_max, Arc::clone(&doors)));
        Ok(Self { address, doors, task })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Connections open now.
    pub fn open(&self) -> usize {
        self.doors.open.load(Ordering::Relaxed)
    }

    /// Connections taken since the start, those turned away not counted.
    pub fn accepted(&self) -> u64 {
        self.doors.accepted.load(Ordering::Relaxed)
    }

    /// Connections turned away over the limit.
    pub fn turned_away(&self) -> u64 {
        self.doors.turned_away.load(Ordering::Relaxed)
    }

    /// Streams that were no Modbus: closed on TCP, thrown away after a pause on RTU.
    pub fn malformed(&self) -> u64 {
        self.doors.malformed.load(Ordering::Relaxed)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn accept(
    listener: TcpListener,
    bank: Bank,
    framing: Framing,
    connections_max: usize,
    doors: Arc<Doors>,
) {
    let mut visits = JoinSet::new();
    loop {
        let Ok((stream, _)) = listener.accept().await else {
            // Out of descriptors, or the peer is gone already: the next one may do.
            tokio::time::sleep(Duration::from_millis(10)).await;
            continue;
        };
        while visits.try_join_next().is_some() {}
        if doors.open.load(Ordering::Relaxed) >= connections_max {
            doors.turned_away.fetch_add(1, Ordering::Relaxed);
            continue;
        }
        doors.open.fetch_add(1, Ordering::Relaxed);
        doors.accepted.fetch_add(1, Ordering::Relaxed);
        let (bank, visit) = (bank.clone(), Visit(Arc::clone(&doors)));
        visits.spawn(async move {
            // Replies are small and waited for.
            if stream.set_nodelay(true).is_ok() {
                serve(stream, &bank, framing, &visit).await;
            }
        });
    }
}

/// A request taken from a stream.
struct Request {
    transaction_id: u16,
    unit_id: u8,
    pdu: Vec<u8>,
}

async fn serve(stream: TcpStream, bank: &Bank, framing: Framing, visit: &Visit) {
    let (mut reader, writer) = stream.into_split();
    let writer = Arc::new(Mutex::new(writer));
    let mut late = JoinSet::new();
    let mut buffer = Vec::with_capacity(TCP_ADU_BYTES_MAX);
    loop {
        while let Some(request) = match take(&mut buffer, framing) {
            Ok(request) => request,
            Err(()) => {
                visit.0.malformed.fetch_add(1, Ordering::Relaxed);
                return;
            }
        } {
            if reply(request, bank, framing, &writer, &mut late).await.is_break() {
                return;
            }
        }
        if fill(&mut reader, &mut buffer, framing, visit).await.is_err() {
            return;
        }
    }
}

/// Reads more; an error where the stream is over.
async fn fill(
    reader: &mut OwnedReadHalf,
    buffer: &mut Vec<u8>,
    framing: Framing,
    visit: &Visit,
) -> io::Result<()> {
    let read = reader.read_buf(buffer);
    let count = if framing == Framing::Rtu {
        match timeout(RTU_GIVE_UP, read).await {
            Ok(count) => count?,
            Err(_) => {
                if !buffer.is_empty() {
                    visit.0.malformed.fetch_add(1, Ordering::Relaxed);
                    buffer.clear();
                }
                return Ok(());
            }
        }
    } else {
        read.await?
    };
    if count == 0 { Err(io::ErrorKind::UnexpectedEof.into()) } else { Ok(()) }
}

/// Takes the first request off the buffer; an error where the stream is lost.
fn take(buffer: &mut Vec<u8>, framing: Framing) -> Result<Option<Request>, ()> {
    match framing {
        Framing::Tcp => {
            let Some((frame, taken)) = tcp::decode(buffer).map_err(|_| ())? else { return Ok(None) };
            let request = Request {
                transaction_id: frame.transaction_id,
                unit_id: frame.unit_id,
                pdu: frame.pdu.to_vec(),
            };
            buffer.drain(..taken);
            Ok(Some(request))
        }
        Framing::Rtu => {
            let Ok(frame) = rtu::decode(buffer) else { return Ok(None) };
            let request = Request { transaction_id: 0, unit_id: frame.unit_id, pdu: frame.pdu.to_vec() };
            buffer.clear();
            Ok(Some(request))
        }
    }
}

/// The frame around a reply.
pub(super) fn frame(framing: Framing, transaction_id: u16, unit_id: u8, pdu: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(TCP_ADU_BYTES_MAX);
    match framing {
        Framing::Tcp => {
            tcp::encode(transaction_id, unit_id, pdu, &mut out).expect("a bank's replies fit a PDU")
        }
        Framing::Rtu => rtu::encode(unit_id, pdu, &mut out).expect("a bank's replies fit a PDU"),
    }
    out
}

async fn reply(
    request: Request,
    bank: &Bank,
    framing: Framing,
    writer: &Arc<Mutex<OwnedWriteHalf>>,
    late: &mut JoinSet<()>,
) -> std::ops::ControlFlow<()> {
    let Some(answer) = bank.answer(request.unit_id, &request.pdu) else {
        return std::ops::ControlFlow::Continue(());
    };
    let frame = frame(framing, request.transaction_id, request.unit_id, &answer.pdu);
    let play = play(frame, framing, answer.fault.as_ref());
    let start = Instant::now();
    if play.aside {
        let writer = Arc::clone(writer);
        late.spawn(async move {
            // A connection that is gone by then gets no late reply.
            let _gone = carry_out(play.steps, start, &writer).await;
        });
        return std::ops::ControlFlow::Continue(());
    }
    let flow = carry_out(play.steps, start, writer).await;
    if flow.is_continue() && matches!(answer.fault, None | Some(super::Fault::Exception(_))) {
        bank.book(request.unit_id, &answer);
    }
    flow
}

async fn carry_out(
    steps: Vec<(Duration, Step)>,
    start: Instant,
    writer: &Mutex<OwnedWriteHalf>,
) -> std::ops::ControlFlow<()> {
    use std::ops::ControlFlow::{Break, Continue};
    for (after, step) in steps {
        if !after.is_zero() {
            sleep_until(start + after).await;
        }
        let mut writer = writer.lock().await;
        match step {
            Step::Send(bytes) => {
                if writer.write_all(&bytes).await.is_err() {
                    return Break(());
                }
            }
            Step::Close => return Break(()),
            Step::Reset => {
                // A closed socket that lingers for no time sends RST instead of FIN.
                let _unsupported = writer.as_ref().set_zero_linger();
                return Break(());
            }
        }
    }
    Continue(())
}
