//! Many devices in one process that answer as fast as they can, for measurements: no faults, no locks, little work.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use sumpwarden_protocol::modbus::tcp;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;

/// Modbus TCP devices of as many input registers as were asked for: registers 0 and 1 hold the device's reply counter, the
/// others a fixed pattern. They run on a thread of their own; dropping this ends it.
#[derive(Debug)]
pub struct Plain {
    addresses: Vec<SocketAddr>,
    answered: Arc<AtomicU64>,
    stop: Option<tokio::sync::oneshot::Sender<()>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Plain {
    /// `devices` servers with `registers` (2 to 125) input registers each.
    pub fn start(devices: usize, registers: u16) -> io::Result<Self> {
        if !(2..=125).contains(&registers) {
            let text = format!("{registers} registers asked for; 2 to 125 fit one reply");
            return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
        }
        let answered = Arc::new(AtomicU64::new(0));
        let (stop, stopped) = tokio::sync::oneshot::channel();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build()?;
        let listeners: Vec<TcpListener> = runtime.block_on(async {
            let mut listeners = Vec::with_capacity(devices);
            for _ in 0..devices {
                listeners.push(TcpListener::bind(SocketAddr::from(([127, 0, 0, 1], 0))).await?);
            }
            io::Result::Ok(listeners)
        })?;
        let addresses = listeners.iter().map(TcpListener::local_addr).collect::<io::Result<_>>()?;
        let thread = std::thread::Builder::new().name("sim-plain".into()).spawn({
            let answered = Arc::clone(&answered);
            move || runtime.block_on(run(listeners, registers, answered, stopped))
        })?;
        Ok(Self { addresses, answered, stop: Some(stop), thread: Some(thread) })
    }

    /// Where each device listens.
    pub fn addresses(&self) -> &[SocketAddr] {
        &self.addresses
    }

    /// Replies sent by all of them.
    pub fn answered(&self) -> u64 {
        self.answered.load(Ordering::Relaxed)
    }
}

impl Drop for Plain {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            let _panicked = thread.join();
        }
    }
}

async fn run(
    listeners: Vec<TcpListener>,
    registers: u16,
    answered: Arc<AtomicU64>,
    stopped: tokio::sync::oneshot::Receiver<()>,
) {
    let mut doors = JoinSet::new();
    for listener in listeners {
        let answered = Arc::clone(&answered);
        doors.spawn(async move {
            let mut counter = 0;
            // One client at a time, like the small devices out there.
            while let Ok((stream, _)) = listener.accept().await {
                // A client that goes away makes room for the next.
                let _gone = serve(stream, registers, &mut counter, &answered).await;
            }
        });
    }
    // Either a message or the sender's end: both mean stop.
    let _dropped = stopped.await;
}

async fn serve(
    mut stream: TcpStream,
    registers: u16,
    counter: &mut u32,
    answered: &AtomicU64,
) -> io::Result<()> {
    stream.set_nodelay(true)?;
    let image: Vec<u8> = (0..registers).flat_map(|i| (1000 + 17 * i).to_be_bytes()).collect();
    let mut input = Vec::with_capacity(1024);
    let mut output = Vec::with_capacity(1024);
    while stream.read_buf(&mut input).await? > 0 {
        let mut taken = 0;
        while let Some((frame, bytes)) =
            tcp::decode(&input[taken..]).map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))?
        {
            write_reply(&frame, registers, &image, counter, &mut output);
            answered.fetch_add(1, Ordering::Relaxed);
            taken += bytes;
        }
        input.drain(..taken);
        stream.write_all(&output).await?;
        output.clear();
    }
    Ok(())
}

/// Appends the reply: the registers asked for, or exception 1 or 2.
fn write_reply(
    frame: &tcp::Frame<'_>,
    registers: u16,
    image: &[u8],
    counter: &mut u32,
    output: &mut Vec<u8>,
) {
    let exception = |code: u8, output: &mut Vec<u8>| {
        output.extend(frame.transaction_id.to_be_bytes());
        output.extend([0, 0, 0, 3, frame.unit_id, frame.pdu[0] | 0x80, code]);
    };
    let &[function @ 3..=4, first_high, first_low, count_high, count_low] = frame.pdu else {
        return exception(1, output);
    };
    let first = u16::from_be_bytes([first_high, first_low]);
    let count = u16::from_be_bytes([count_high, count_low]);
    if count == 0 || first.checked_add(count).is_none_or(|end| end > registers) {
        return exception(2, output);
    }
    let data = 2 * usize::from(count);
    output.extend(frame.transaction_id.to_be_bytes());
    output.extend([0, 0]);
    output.extend((data as u16 + 3).to_be_bytes());
    output.extend([frame.unit_id, function, data as u8]);
    let start = output.len();
    let from = 2 * usize::from(first);
    output.extend_from_slice(&image[from..from + data]);
    if first == 0 && count >= 2 {
        *counter = counter.wrapping_add(1);
        output[start..start + 4].copy_from_slice(&counter.to_be_bytes());
    }
}
