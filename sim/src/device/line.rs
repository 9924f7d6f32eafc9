//! Modbus RTU on a pseudo-terminal: the gateway opens the slave side as if it were a serial port.
//!
//! A thread of its own keeps the wire's time, because the runtime's timer is too coarse for half milliseconds.

use std::io;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use sumpwarden_protocol::modbus::RTU_ADU_BYTES_MAX;
use sumpwarden_protocol::modbus::rtu;
use sumpwarden_protocol::modbus::wire::SerialTiming;

use super::bank::Bank;
use super::fault::{Framing, Step, play};
use super::server::frame;

/// How often the thread looks whether it is to end.
const STOP_EVERY: Duration = Duration::from_millis(50);
/// Least silence after which bytes that make no frame are thrown away: a pseudo-terminal hands bytes over when its writer
/// is scheduled, not when a wire would.
const GIVE_UP_LEAST: Duration = Duration::from_millis(10);

/// What the wire behind the port is like.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct LineOptions {
    /// Keeps the wire's time at this many bits per second, 11 bits a character: the reply comes when its last character
    /// would. Without it, replies come at once.
    pub baud: Option<u32>,
    /// Time the devices take between the end of a request's silence and the first character of the reply.
    pub turnaround: Duration,
}

/// A serial line with devices on it; dropping it ends it.
#[derive(Debug)]
pub struct Line {
    path: PathBuf,
    stop: Arc<AtomicBool>,
    malformed: Arc<AtomicU64>,
    thread: Option<JoinHandle<()>>,
}

/// Both ends of a pseudo-terminal. The slave side is held open so that the master does not hang up when the gateway closes
/// its own.
struct Pair {
    master: OwnedFd,
    _slave: OwnedFd,
}

impl Line {
    /// Opens a pseudo-terminal and answers on it from `bank`.
    pub fn open(bank: Bank, options: LineOptions) -> io::Result<Self> {
        let timing = match options.baud {
            Some(baud) => Some(
                SerialTiming::new(baud, true, 1)
                    .map_err(|error| io::Error::new(io::ErrorKind::InvalidInput, error.to_string()))?,
            ),
            None => None,
        };
        let (pair, path) = open_pair()?;
        let (stop, malformed) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
        let mut wire = Wire {
            pair,
            bank,
            timing,
            turnaround: options.turnaround,
            buffer: Vec::with_capacity(RTU_ADU_BYTES_MAX),
            heard: Instant::now(),
            pending: Vec::new(),
            busy_until: None,
            malformed: Arc::clone(&malformed),
        };
        let thread = std::thread::Builder::new().name("sim-line".into()).spawn({
            let stop = Arc::clone(&stop);
            move || {
                while !stop.load(Ordering::Relaxed) {
                    if let Err(error) = wire.turn() {
                        tracing::warn!(%error, "simulated serial line ends");
                        return;
                    }
                }
            }
        })?;
        Ok(Self { path, stop, malformed, thread: Some(thread) })
    }

    /// What the gateway opens: the path of the slave side.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Bytes between two silences that made no frame.
    pub fn malformed(&self) -> u64 {
        self.malformed.load(Ordering::Relaxed)
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // A panic there has been printed already; nothing is left to undo.
            let _panicked = thread.join();
        }
    }
}

fn open_pair() -> io::Result<(Pair, PathBuf)> {
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
    grantpt(&master)?;
    unlockpt(&master)?;
    let name = ptsname(&master, Vec::new())?;
    let path = PathBuf::from(name.to_str().map_err(|_| io::Error::from(io::ErrorKind::InvalidData))?);
    let slave = rustix::fs::open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
    let mut modes = tcgetattr(&slave)?;
    modes.make_raw();
    tcsetattr(&slave, OptionalActions::Now, &modes)?;
    rustix::io::ioctl_fionbio(&master, true)?;
    Ok((Pair { master, _slave: slave }, path))
}

/// What the thread keeps.
struct Wire {
    pair: Pair,
    bank: Bank,
    timing: Option<SerialTiming>,
    turnaround: Duration,
    buffer: Vec<u8>,
    heard: Instant,
    pending: Vec<(Instant, Vec<u8>)>,
    /// Requests before this are not heard: the device is slow, or its reply is on the wire.
    busy_until: Option<Instant>,
    malformed: Arc<AtomicU64>,
}

impl Wire {
    fn turn(&mut self) -> io::Result<()> {
        let now = Instant::now();
        let next = self.pending.iter().map(|(due, _)| due.saturating_duration_since(now)).min();
        let silence = (!self.buffer.is_empty()).then(|| self.give_up().saturating_sub(now - self.heard));
        let wait = [Some(STOP_EVERY), next, silence].into_iter().flatten().min().unwrap_or(STOP_EVERY);
        let readable = {
            let mut ends = [PollFd::new(&self.pair.master, PollFlags::IN)];
            let time = Timespec { tv_sec: 0, tv_nsec: i64::from(wait.subsec_nanos()) };
            match poll(&mut ends, Some(&time)) {
                Ok(count) => count > 0,
                Err(rustix::io::Errno::INTR) => false,
                Err(error) => return Err(error.into()),
            }
        };
        if readable {
            self.hear()?;
        }
        self.send_due()?;
        if !self.buffer.is_empty() && self.heard.elapsed() >= self.give_up() {
            self.malformed.fetch_add(1, Ordering::Relaxed);
            self.buffer.clear();
        }
        Ok(())
    }

    fn give_up(&self) -> Duration {
        self.timing.map_or(GIVE_UP_LEAST, |timing| timing.t3_5().max(GIVE_UP_LEAST))
    }

    fn hear(&mut self) -> io::Result<()> {
        let mut bytes = [0; RTU_ADU_BYTES_MAX];
        let count = match rustix::io::read(&self.pair.master, &mut bytes) {
            Ok(count) => count,
            Err(rustix::io::Errno::AGAIN | rustix::io::Errno::INTR) => return Ok(()),
            Err(error) => return Err(error.into()),
        };
        self.heard = Instant::now();
        if self.busy_until.is_some_and(|until| self.heard < until) {
            return Ok(());
        }
        self.buffer.extend_from_slice(&bytes[..count]);
        if let Ok(request) = rtu::decode(&self.buffer) {
            let (unit_id, pdu) = (request.unit_id, request.pdu.to_vec());
            self.buffer.clear();
            self.answer(unit_id, &pdu);
        } else if self.buffer.len() > RTU_ADU_BYTES_MAX {
            self.malformed.fetch_add(1, Ordering::Relaxed);
            self.buffer.clear();
        }
        Ok(())
    }

    fn answer(&mut self, unit_id: u8, request: &[u8]) {
        let Some(answer) = self.bank.answer(unit_id, request) else { return };
        let play = play(frame(Framing::Rtu, 0, unit_id, &answer.pdu), Framing::Rtu, answer.fault.as_ref());
        // The request's own characters take their time on the wire too; the pseudo-terminal gave them at once.
        let start = self.heard
            + self.timing.map_or(Duration::ZERO, |timing| {
                timing.characters(request.len() + rtu::FRAME_EXTRA_BYTES) + timing.t3_5()
            })
            + self.turnaround;
        let mut characters = 0;
        for (after, step) in play.steps {
            // A line cannot be closed or reset: such a reply does not come.
            if let Step::Send(bytes) = step {
                characters += bytes.len();
                let wire = self.timing.map_or(Duration::ZERO, |timing| timing.characters(characters));
                let due = start + after + wire;
                if !play.aside {
                    self.busy_until = self.busy_until.max(Some(due));
                }
                self.pending.push((due, bytes));
            }
        }
        if matches!(answer.fault, None | Some(super::Fault::Exception(_))) {
            self.bank.book(unit_id, &answer);
        }
    }

    fn send_due(&mut self) -> io::Result<()> {
        let now = Instant::now();
        self.pending.sort_by_key(|(due, _)| *due);
        while self.pending.first().is_some_and(|(due, _)| *due <= now) {
            let (_, bytes) = self.pending.remove(0);
            match rustix::io::write(&self.pair.master, &bytes) {
                // Nobody reads: the line loses characters, as a line does.
                Ok(_) | Err(rustix::io::Errno::AGAIN | rustix::io::Errno::INTR) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Ok(())
    }
}
