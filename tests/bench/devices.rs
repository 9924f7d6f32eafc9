//! The load: a process of its own with many Modbus TCP devices on one thread, each behind a port of its own.
//!
//! Every device has ten input registers. Registers 0 and 1 count its replies (high word first); the others drift with
//! that count, so nothing downstream sees a constant. The process counts what it answered, so that no poller is
//! believed about its own speed, and while it watches it keeps when each request came.
//!
//! It is steered by lines on its standard input, each answered by one line of JSON: `count`, `watch` (forget and begin
//! to keep arrivals), `arrivals`. It ends when its input does.

use std::error::Error;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};
use sumpwarden_protocol::modbus::{ReadRequest, Table, pdu, tcp};

use crate::quantiles::Quantiles;
use crate::wire::{REGISTERS, Ready, UNIT_ID, prepare};

const STEERING: u64 = u64::MAX;
/// Numbers from here on are connections, below are listeners.
const CONNECTIONS_FROM: u64 = 1 << 32;

/// The process, seen from the bench.
pub(crate) struct Devices {
    child: Child,
    to: ChildStdin,
    from: BufReader<ChildStdout>,
    pub(crate) ports: Vec<u16>,
}

impl Devices {
    /// Starts `count` devices.
    pub(crate) fn start(count: usize) -> Result<Self, Box<dyn Error>> {
        let mut child = Command::new(std::env::current_exe()?)
            .args(["serve-devices", &count.to_string()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()?;
        let to = child.stdin.take().expect("piped");
        let mut from = BufReader::new(child.stdout.take().expect("piped"));
        let mut line = String::new();
        from.read_line(&mut line)?;
        let ports = serde_json::from_str(&line)?;
        Ok(Self { child, to, from, ports })
    }

    /// The ports, comma between them.
    pub(crate) fn port_list(&self) -> String {
        self.ports.iter().map(u16::to_string).collect::<Vec<_>>().join(",")
    }

    /// Replies given so far.
    pub(crate) fn replies(&mut self) -> Result<u64, Box<dyn Error>> {
        self.ask("count")
    }

    /// Begins to keep when requests come.
    pub(crate) fn watch(&mut self) -> Result<(), Box<dyn Error>> {
        self.ask("watch")
    }

    /// Ends watching. How far requests came behind a perfect beat of `period`, the beat of each device laid through
    /// its own earliest arrival.
    pub(crate) fn beat(&mut self, period: Duration) -> Result<Option<Quantiles>, Box<dyn Error>> {
        let arrivals: Vec<Vec<u64>> = self.ask("arrivals")?;
        let period = period.as_nanos() as i64;
        let mut late = Vec::new();
        for device in &arrivals {
            let Some(&first) = device.first() else { continue };
            let phase = |at: u64| {
                let since = (at - first) as i64;
                since - (since + period / 2).div_euclid(period) * period
            };
            let earliest = device.iter().map(|&at| phase(at)).min().unwrap_or(0);
            late.extend(device.iter().map(|&at| (phase(at) - earliest) as f64 / 1e6));
        }
        Ok(Quantiles::of(late))
    }

    fn ask<T: for<'a> Deserialize<'a>>(&mut self, question: &str) -> Result<T, Box<dyn Error>> {
        // One write: the other side takes what a read gives it for a line.
        self.to.write_all(format!("{question}\n").as_bytes())?;
        let mut line = String::new();
        self.from.read_line(&mut line)?;
        Ok(serde_json::from_str(&line)?)
    }
}

impl Drop for Devices {
    fn drop(&mut self) {
        // It may be gone already; then there is nothing to stop.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Runs the process itself.
pub(crate) fn serve(count: usize) -> Result<(), Box<dyn Error>> {
    let mut ready = Ready::new()?;
    let mut listeners = Vec::with_capacity(count);
    for device in 0..count {
        let listener = TcpListener::bind(("127.0.0.1", 0))?;
        listener.set_nonblocking(true)?;
        ready.add(&listener, device as u64)?;
        listeners.push(listener);
    }
    let ports =
        listeners.iter().map(|l| Ok(l.local_addr()?.port())).collect::<Result<Vec<u16>, io::Error>>()?;
    let mut input = io::stdin();
    ready.add(&input, STEERING)?;
    let mut server = Server { counts: vec![0; count], arrivals: None, started: Instant::now() };
    answer(&ports)?;

    let mut connections: Vec<Option<(TcpStream, usize)>> = Vec::new();
    loop {
        let numbers: Vec<u64> = ready.wait()?.collect();
        for number in numbers {
            if number == STEERING {
                let mut line = [0; 64];
                let length = input.read(&mut line)?;
                if length == 0 {
                    return Ok(());
                }
                server.obey(&line[..length])?;
            } else if number < CONNECTIONS_FROM {
                let device = number as usize;
                let (stream, _) = listeners[device].accept()?;
                prepare(&stream)?;
                ready.add(&stream, CONNECTIONS_FROM + connections.len() as u64)?;
                connections.push(Some((stream, device)));
            } else {
                let slot = &mut connections[(number - CONNECTIONS_FROM) as usize];
                if let Some((stream, device)) = slot
                    && !server.reply(stream, *device)
                {
                    *slot = None;
                }
            }
        }
    }
}

struct Server {
    counts: Vec<u32>,
    arrivals: Option<Vec<Vec<u64>>>,
    started: Instant,
}

impl Server {
    fn obey(&mut self, line: &[u8]) -> io::Result<()> {
        match line.trim_ascii() {
            b"count" => answer(&self.counts.iter().map(|&c| u64::from(c)).sum::<u64>()),
            b"watch" => {
                self.arrivals = Some(vec![Vec::new(); self.counts.len()]);
                answer(&())
            }
            b"arrivals" => answer(&self.arrivals.take().unwrap_or_default()),
            other => Err(io::Error::other(format!("not understood: {}", other.escape_ascii()))),
        }
    }

    /// Answers the one request that is waiting; false once the connection is of no more use.
    fn reply(&mut self, stream: &mut TcpStream, device: usize) -> bool {
        let mut bytes = [0; 512];
        let Ok(length) = stream.read(&mut bytes) else { return false };
        if let Some(arrivals) = &mut self.arrivals {
            arrivals[device].push(self.started.elapsed().as_nanos() as u64);
        }
        let Ok(Some((frame, _))) = tcp::decode(&bytes[..length]) else { return false };
        let mut out = Vec::with_capacity(64);
        let encoded = self.answer_to(frame.pdu, device);
        if frame.unit_id != UNIT_ID || tcp::encode(frame.transaction_id, UNIT_ID, &encoded, &mut out).is_err()
        {
            return false;
        }
        stream.write_all(&out).is_ok()
    }

    fn answer_to(&mut self, request: &[u8], device: usize) -> Vec<u8> {
        let mut out = Vec::with_capacity(32);
        let count = &mut self.counts[device];
        match ReadRequest::decode(request) {
            Ok(request)
                if request.first().table == Table::InputRegister
                    && request.first().index == 0
                    && request.count() <= REGISTERS =>
            {
                *count = count.wrapping_add(1);
                let mut registers = [(*count >> 16) as u16, *count as u16, 0, 0, 0, 0, 0, 0, 0, 0];
                for (i, register) in (2..).zip(&mut registers[2..]) {
                    *register = 1000 * i + (*count * u32::from(i) % 97) as u16;
                }
                let asked = &registers[..usize::from(request.count())];
                pdu::encode_registers(Table::InputRegister, asked, &mut out).expect("at most ten registers");
            }
            // Anything else is not this bench's load: refused, so that it shows.
            _ => out.extend([Table::InputRegister.function_code() | 0x80, 2]),
        }
        out
    }
}

fn answer(value: &impl Serialize) -> io::Result<()> {
    let mut out = io::stdout().lock();
    serde_json::to_writer(&mut out, value)?;
    out.write_all(b"\n")?;
    out.flush()
}
