//! Scripted devices on real sockets and pseudo terminals. They share no code with what they test: frames are put
//! together by hand after Modbus Application Protocol V1.1b3 and Serial Line V1.02.

use std::fs::File;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

/// One request as the device saw it.
#[derive(Clone, Debug)]
pub(super) struct Asked {
    /// Counts from 1 over all connections.
    pub(super) number: u32,
    /// Counts from 1.
    pub(super) connection: u32,
    pub(super) transaction: u16,
    pub(super) unit: u8,
    pub(super) function: u8,
    pub(super) quantity: u16,
}

/// What the device does then, step by step.
pub(super) enum Act {
    Send(Vec<u8>),
    Pause(Duration),
    /// Ends the connection in an orderly way.
    Close,
    /// Ends it with a reset.
    Reset,
}

impl Asked {
    fn parse(number: u32, connection: u32, transaction: u16, bytes: &[u8]) -> Self {
        let quantity = u16::from_be_bytes([bytes[4], bytes[5]]);
        Self { number, connection, transaction, unit: bytes[0], function: bytes[1], quantity }
    }

    /// The function code and byte count of the right reply, and its words: the request's number in the first two, then
    /// 2, 3, ….
    pub(super) fn pdu(&self) -> Vec<u8> {
        if self.function <= 2 {
            let bytes = self.quantity.div_ceil(8) as u8;
            let mut pdu = vec![self.function, bytes];
            pdu.extend((0..bytes).map(|_| 0b0101_0101));
            return pdu;
        }
        let mut pdu = vec![self.function, (self.quantity * 2) as u8];
        let words = [(self.number >> 16) as u16, self.number as u16].into_iter().chain(2..);
        words.take(self.quantity.into()).for_each(|w| pdu.extend(w.to_be_bytes()));
        pdu
    }

    /// Frame on TCP around any PDU.
    pub(super) fn tcp(&self, pdu: &[u8]) -> Vec<u8> {
        mbap(self.transaction, 0, (pdu.len() + 1) as u16, self.unit, pdu)
    }

    /// Frame on a serial line around any PDU.
    pub(super) fn rtu(&self, pdu: &[u8]) -> Vec<u8> {
        rtu(self.unit, pdu)
    }
}

pub(super) fn mbap(transaction: u16, protocol: u16, length: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut frame = Vec::new();
    [transaction, protocol, length].iter().for_each(|w| frame.extend(w.to_be_bytes()));
    frame.push(unit);
    frame.extend(pdu);
    frame
}

pub(super) fn rtu(unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut frame = vec![unit];
    frame.extend(pdu);
    // CRC-16 bit by bit, Serial Line V1.02, 6.2.2.
    let mut crc = 0xFFFF_u16;
    for byte in &frame {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { (crc >> 1) ^ 0xA001 } else { crc >> 1 };
        }
    }
    frame.extend(crc.to_le_bytes());
    frame
}

/// Serves connections one after the other on a free port until the test ends.
pub(super) fn tcp_device(script: impl FnMut(&Asked) -> Vec<Act> + Send + 'static) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    tcp_device_on(listener, script);
    address
}

pub(super) fn tcp_device_on(
    listener: TcpListener,
    mut script: impl FnMut(&Asked) -> Vec<Act> + Send + 'static,
) {
    std::thread::spawn(move || {
        let mut number = 0;
        for (connection, stream) in (1..).zip(listener.incoming()) {
            let Ok(stream) = stream else { return };
            serve_tcp(stream, connection, &mut number, &mut script);
        }
    });
}

fn serve_tcp(
    mut stream: TcpStream,
    connection: u32,
    number: &mut u32,
    script: &mut impl FnMut(&Asked) -> Vec<Act>,
) {
    stream.set_nodelay(true).unwrap();
    loop {
        let mut request = [0; 12];
        // Peeking keeps the last byte unread, so that closing now resets the connection.
        let Ok(()) = stream.read_exact(&mut request[..11]) else { return };
        let mut last = [0];
        let Ok(1) = stream.peek(&mut last) else { return };
        request[11] = last[0];
        *number += 1;
        let asked =
            Asked::parse(*number, connection, u16::from_be_bytes([request[0], request[1]]), &request[6..]);
        let acts = script(&asked);
        if !matches!(acts.last(), Some(Act::Reset)) {
            stream.read_exact(&mut last).unwrap();
        }
        if !carry_out(&mut stream, acts) {
            return;
        }
    }
}

/// False when the connection ends.
fn carry_out(stream: &mut impl Write, acts: Vec<Act>) -> bool {
    for act in acts {
        match act {
            Act::Send(bytes) => {
                if stream.write_all(&bytes).is_err() {
                    return false;
                }
            }
            Act::Pause(pause) => std::thread::sleep(pause),
            Act::Close | Act::Reset => return false,
        }
    }
    true
}

/// A device on a pseudo terminal.
pub(super) struct Line {
    /// Where the gateway opens it.
    pub(super) path: PathBuf,
    /// Pause between the end of the last reply and the arrival of each request.
    pub(super) gaps: Arc<Mutex<Vec<Duration>>>,
    /// Keeps the terminal alive between two openings.
    _held: File,
}

pub(super) fn serial_device(mut script: impl FnMut(&Asked) -> Vec<Act> + Send + 'static) -> Line {
    let (master, path) = terminal();
    let held = File::options().read(true).write(true).open(&path).unwrap();
    let gaps = Arc::new(Mutex::new(Vec::new()));
    let seen = Arc::clone(&gaps);
    std::thread::spawn(move || {
        let mut line = File::from(master);
        let mut ended: Option<Instant> = None;
        for number in 1.. {
            let mut request = [0; 8];
            let Ok(()) = line.read_exact(&mut request) else { return };
            if let Some(ended) = ended {
                seen.lock().unwrap().push(ended.elapsed());
            }
            let asked = Asked::parse(number, 1, 0, &request);
            if !carry_out(&mut line, script(&asked)) {
                return;
            }
            ended = Some(Instant::now());
        }
    });
    Line { path, gaps, _held: held }
}

fn terminal() -> (OwnedFd, PathBuf) {
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&master).unwrap();
    unlockpt(&master).unwrap();
    let path = PathBuf::from(ptsname(&master, Vec::new()).unwrap().into_string().unwrap());
    (master, path)
}
