//! `replay`: a recorded history through the same engine as the live daemon.
//!
//! The same input gives the same bytes out, twice and on any machine: no clock is read, nothing depends on the order of
//! a hash, and numbers are written in their shortest exact form.
//!
//! Input: `time,source,value`, times RFC 3339 in rising order; source `probe/<sump>/<probe>` with the number as the
//! device delivers it (empty where it gave none), or `note/<sump>/<kind>`. A bad row is named by its line and counted;
//! the rest goes on. Output: `estimates.csv`, `alarms.csv`, `events.csv`.

mod rows;
mod written;

use std::collections::HashMap;
use std::io;
use std::mem;
use std::panic::resume_unwind;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::{self, ScopedJoinHandle};

use sumpwarden_core::engine::{Engine, EngineError, Input, Outbound, Settings};
use sumpwarden_core::estimate::note::Note;
use sumpwarden_core::model::{Fault, Now, ProbeIndex, Raw, RawReading, Timestamp};
use sumpwarden_protocol::number::Number;
use sumpwarden_protocol::words::Encoding;

use self::rows::{Row, Rows};
use self::written::Written;
use super::{Exit, console, load};

/// How many bad rows are named; the rest are only counted.
const NAMED_ROWS_MAX: usize = 20;

/// What a replay did.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Summary {
    /// Rows that went through the engine.
    pub rows: u64,
    /// Rows that were refused.
    pub refused: u64,
    /// The first of them, by line and reason.
    pub named: Vec<String>,
    /// Rows of estimates, alarms and events written.
    pub written: [u64; 3],
}

/// Why a replay could not be done.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// The settings give no engine.
    #[error(transparent)]
    Engine(#[from] EngineError),
    /// The input's first line is another one.
    #[error("{path}: the first line must be `time,source,value`, not `{found}`")]
    Header {
        /// Input file.
        path: PathBuf,
        /// What stands there.
        found: String,
    },
    /// A file cannot be read or written.
    #[error("{path}: {why}")]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        why: io::Error,
    },
}

/// The command: replays, says what came of it, and names bad rows on stderr.
pub fn run(config: &Path, input: &Path, output: &Path) -> Exit {
    let settings = match load(config) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    match replay(settings.engine, input, output) {
        Ok(summary) => {
            summary.named.iter().for_each(|row| console::complain(&console::plain(row)));
            if summary.refused > summary.named.len() as u64 {
                console::complain(&format!("… and {} more", summary.refused - summary.named.len() as u64));
            }
            let [estimates, alarms, events] = summary.written;
            console::say(&format!(
                "{} rows, {} refused; wrote {estimates} estimates, {alarms} alarm transitions, {events} events",
                summary.rows, summary.refused
            ));
            Exit::Success
        }
        Err(error) => {
            console::complain(&error.to_string());
            Exit::Outside
        }
    }
}

/// Replays `input` through `settings` into the directory `output`, which is made if it is missing.
///
/// Reading, reckoning and writing go on beside each other, each on a thread of its own and none far ahead of the next; what
/// each does depends on the order of what it is given alone.
pub fn replay(settings: Settings, input: &Path, output: &Path) -> Result<Summary, ReplayError> {
    let rows = Rows::open(input, &settings)?;
    let sentinels = sentinels(&settings);
    let engine = Engine::new(settings)?;
    std::fs::create_dir_all(output).map_err(file_error(output))?;
    let written = Written::create(output, engine.series().to_vec())?;
    thread::scope(|scope| {
        let (to_player, from_rows) = sync_channel(AHEAD);
        let (to_written, from_player) = sync_channel(AHEAD);
        let reading = scope.spawn(move || rows.read_all(&to_player));
        let writing = scope.spawn(move || written.write_all(&from_player));
        let played = Player::new(engine, sentinels, to_written).play(from_rows);
        let (read, written) = (ended(reading), ended(writing));
        // Where writing failed, what was played says no more than that.
        let written = written?;
        read?;
        let summary = played.expect("what is written takes all there is until it fails");
        Ok(Summary { written, ..summary })
    })
}

/// How many parcels a thread may be ahead of the next.
const AHEAD: usize = 4;

/// What a thread came to; its panic is this thread's.
fn ended<T>(thread: ScopedJoinHandle<'_, T>) -> T {
    thread.join().unwrap_or_else(|panic| resume_unwind(panic))
}

fn file_error(path: &Path) -> impl FnOnce(io::Error) -> ReplayError {
    let path = path.to_owned();
    move |why| ReplayError::File { path, why }
}

/// Samples and records gathered before they are handed on to be written.
const GATHERED: usize = 4096;

/// Nobody writes any more what is worked out.
#[derive(Debug)]
struct Unwritten;

/// Rows on their way through the engine.
struct Player {
    engine: Engine,
    /// Encodings of the probes whose devices have a sign for "no value".
    sentinels: HashMap<ProbeIndex, Encoding>,
    batch: Vec<RawReading>,
    latest: Option<Timestamp>,
    outbound: Outbound,
    to_written: SyncSender<Outbound>,
    summary: Summary,
}

impl Player {
    fn new(
        engine: Engine,
        sentinels: HashMap<ProbeIndex, Encoding>,
        to_written: SyncSender<Outbound>,
    ) -> Self {
        Self {
            engine,
            sentinels,
            batch: Vec::new(),
            latest: None,
            outbound: Outbound::default(),
            to_written,
            summary: Summary::default(),
        }
    }

    fn play(mut self, from_rows: Receiver<Vec<Row>>) -> Result<Summary, Unwritten> {
        for row in from_rows.into_iter().flatten() {
            match row {
                Row::Reading { at, probe, value } => {
                    self.come_to(at)?;
                    let raw = self.raw(probe, value);
                    self.batch.push(RawReading { probe, at, received: Now::simulated(at).uptime, raw });
                }
                Row::Note { at, sump, kind, value } => {
                    self.come_to(at)?;
                    self.hand_over_batch()?;
                    self.engine.handle(Now::simulated(at), Input::Note(&Note::of(sump, at, kind, value)));
                    self.gather()?;
                }
                Row::Refused { line, why } => self.refuse(line, &why),
            }
        }
        self.hand_over_batch()?;
        self.hand_on()?;
        Ok(self.summary)
    }

    fn raw(&self, probe: ProbeIndex, value: Option<f64>) -> Raw {
        match value {
            Some(number) if self.means_no_value(probe, number) => Raw::Fault(Fault::NoValue),
            Some(number) if number.is_finite() => Raw::Number(number),
            Some(_) => Raw::Fault(Fault::NotFinite),
            None => Raw::Fault(Fault::NoReply),
        }
    }

    /// Whether the device's registers would hold one of its signs for "no value".
    fn means_no_value(&self, probe: ProbeIndex, number: f64) -> bool {
        self.sentinels.get(&probe).is_some_and(|encoding| {
            encoding
                .encode(number)
                .is_ok_and(|words| encoding.decode(words.as_slice()) == Ok(Number::NoValue))
        })
    }

    /// Rows of one instant go in together, as the registers of one reply do.
    fn hand_over_batch(&mut self) -> Result<(), Unwritten> {
        let Some(first) = self.batch.first() else { return Ok(()) };
        self.engine.handle(Now::simulated(first.at), Input::Readings(&self.batch));
        self.batch.clear();
        self.gather()
    }

    /// Counts a row, and lets pass what falls due before it.
    fn come_to(&mut self, at: Timestamp) -> Result<(), Unwritten> {
        if self.latest.is_some_and(|latest| latest < at) {
            self.hand_over_batch()?;
            let until = Now::simulated(at).uptime;
            while let Some(due) = self.engine.poll_timeout().filter(|due| *due < until) {
                let utc = Timestamp::from_nanos(i64::try_from(due.as_nanos()).unwrap_or(i64::MAX));
                self.engine.handle(Now { uptime: due, utc }, Input::Tick);
                self.gather()?;
            }
        }
        self.latest = Some(at);
        self.summary.rows += 1;
        Ok(())
    }

    fn gather(&mut self) -> Result<(), Unwritten> {
        self.engine.drain(&mut self.outbound);
        // Neither kept for a restart nor told to anybody.
        self.outbound.saved.clear();
        self.outbound.outbox.clear();
        if self.outbound.samples.len() + self.outbound.journal.len() < GATHERED {
            Ok(())
        } else {
            self.hand_on()
        }
    }

    fn hand_on(&mut self) -> Result<(), Unwritten> {
        self.to_written.send(mem::take(&mut self.outbound)).map_err(|_| Unwritten)
    }

    fn refuse(&mut self, line: u64, why: &str) {
        self.summary.refused += 1;
        if self.summary.named.len() < NAMED_ROWS_MAX {
            self.summary.named.push(format!("line {line}: {why}"));
        }
    }
}

fn sentinels(settings: &Settings) -> HashMap<ProbeIndex, Encoding> {
    let points = settings.buses.iter().flat_map(|bus| &bus.devices).flat_map(|device| &device.points);
    let with_sentinel = points.filter(|point| !point.encoding.no_value.is_empty());
    with_sentinel.map(|point| (point.probe, point.encoding.clone())).collect()
}
