//! `replay`: a recorded history through the same engine as the live daemon.
//!
//! The same input gives the same bytes out, twice and on any machine: no clock is read, nothing depends on the order of
//! a hash, and numbers are written in their shortest exact form.
//!
//! Input: `time,source,value`, times RFC 3339 in rising order; source `probe/<sump>/<probe>` with the number as the
//! device delivers it (empty where it gave none), or `note/<sump>/<kind>`. A bad row is named by its line and counted;
//! the rest goes on. Output: `estimates.csv`, `alarms.csv`, `events.csv`.

use std::collections::HashMap;
use std::fs::File;
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use super::{Exit, console, load};
use sumpwarden_core::engine::{Engine, EngineError, Input, Outbound, Settings};
use sumpwarden_core::estimate::note::{Note, NoteKind};
use sumpwarden_core::model::{Fault, Name, Now, ProbeIndex, Raw, RawReading, Sample, SumpIndex, Timestamp};
use sumpwarden_core::store::record::{JournalRecord, RecordKind, SeriesKey, SeriesSource};
use sumpwarden_protocol::number::Number;
use sumpwarden_protocol::words::Encoding;

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
pub fn replay(settings: Settings, input: &Path, output: &Path) -> Result<Summary, ReplayError> {
    let file = File::open(input).map_err(file_error(input))?;
    std::fs::create_dir_all(output).map_err(file_error(output))?;
    let mut player = Player::new(settings, output)?;
    player.play(file, input)?;
    player.finish()
}

fn file_error(path: &Path) -> impl FnOnce(io::Error) -> ReplayError {
    let path = path.to_owned();
    move |why| ReplayError::File { path, why }
}

/// What a row's source stands for.
#[derive(Clone, Copy, Debug)]
enum Source {
    Probe(ProbeIndex),
    Note(SumpIndex, NoteKind),
}

struct Player {
    engine: Engine,
    sources: HashMap<String, Source>,
    /// Encodings of the probes whose devices have a sign for "no value".
    sentinels: HashMap<ProbeIndex, Encoding>,
    batch: Vec<RawReading>,
    latest: Option<Timestamp>,
    /// Time of the row read last, as it stood there and what it means: most rows share theirs with the row above.
    time: (String, Timestamp),
    outbound: Outbound,
    written: Written,
    summary: Summary,
}

impl Player {
    fn new(settings: Settings, output: &Path) -> Result<Self, ReplayError> {
        let (sources, sentinels) = (sources(&settings), sentinels(&settings));
        let engine = Engine::new(settings)?;
        let written = Written::create(output, engine.series().to_vec())?;
        Ok(Self {
            engine,
            sources,
            sentinels,
            batch: Vec::new(),
            latest: None,
            time: (String::new(), Timestamp::default()),
            outbound: Outbound::default(),
            written,
            summary: Summary::default(),
        })
    }

    fn play(&mut self, file: impl Read, path: &Path) -> Result<(), ReplayError> {
        let mut rows = csv::ReaderBuilder::new().has_headers(true).flexible(true).from_reader(file);
        let header = rows.headers().map_err(|e| file_error(path)(e.into()))?;
        if header != ["time", "source", "value"].as_slice() {
            let found = header.iter().collect::<Vec<_>>().join(",");
            return Err(ReplayError::Header { path: path.to_owned(), found });
        }
        let mut row = csv::StringRecord::new();
        loop {
            match rows.read_record(&mut row) {
                Ok(false) => return self.hand_over_batch(),
                Ok(true) => {
                    let line = row.position().map_or(0, csv::Position::line);
                    match self.read(&row) {
                        Ok((at, source, value)) => self.take(at, source, value)?,
                        Err(why) => self.refuse(line, &why),
                    }
                }
                Err(error) if matches!(error.kind(), csv::ErrorKind::Io(_)) => {
                    return Err(file_error(path)(error.into()));
                }
                Err(error) => {
                    let line = error.position().map_or(0, csv::Position::line);
                    self.refuse(line, &error.to_string());
                }
            }
        }
    }

    fn read(&mut self, row: &csv::StringRecord) -> Result<(Timestamp, Source, Option<f64>), String> {
        let [time, source, value] = [row.get(0), row.get(1), row.get(2)].map(Option::unwrap_or_default);
        if row.len() != 3 {
            return Err(format!("{} columns instead of time,source,value", row.len()));
        }
        if self.time.0 != time {
            self.time = (time.to_owned(), Timestamp::parse(time).map_err(|e| e.to_string())?);
        }
        let at = self.time.1;
        if let Some(latest) = self.latest.filter(|latest| at < *latest) {
            return Err(format!("{at} lies before the row above it ({latest}); rows must be in time order"));
        }
        let source = *self.sources.get(source).ok_or_else(|| self.unknown(source))?;
        let number = match value.trim() {
            "" => None,
            text => Some(text.parse::<f64>().map_err(|_| format!("{text:?} is no number"))?),
        };
        if let Source::Note(_, kind) = source {
            let (low, high) = kind.range();
            match number {
                Some(number) if (low..=high).contains(&number) => {}
                Some(number) => {
                    return Err(format!("{} {number} is not within {low} to {high}", kind.word()));
                }
                None => return Err(format!("a note of {} needs a number", kind.word())),
            }
        }
        Ok((at, source, number))
    }

    fn unknown(&self, source: &str) -> String {
        let known = |prefix: &str| {
            let mut names: Vec<&str> =
                self.sources.keys().filter(|name| name.starts_with(prefix)).map(String::as_str).collect();
            names.sort_unstable();
            names.truncate(6);
            names.join(", ")
        };
        let prefix = if source.starts_with("note/") { "note/" } else { "probe/" };
        format!("source {source:?} is not in the configuration; there are {} …", known(prefix))
    }

    fn take(&mut self, at: Timestamp, source: Source, value: Option<f64>) -> Result<(), ReplayError> {
        if self.latest.is_some_and(|latest| latest < at) {
            self.hand_over_batch()?;
            self.pass_time_until(at)?;
        }
        self.latest = Some(at);
        self.summary.rows += 1;
        match source {
            Source::Probe(probe) => {
                let raw = match value {
                    Some(number) if self.means_no_value(probe, number) => Raw::Fault(Fault::NoValue),
                    Some(number) if number.is_finite() => Raw::Number(number),
                    Some(_) => Raw::Fault(Fault::NotFinite),
                    None => Raw::Fault(Fault::NoReply),
                };
                self.batch.push(RawReading { probe, at, received: Now::simulated(at).uptime, raw });
                Ok(())
            }
            Source::Note(sump, kind) => {
                self.hand_over_batch()?;
                let value = value.expect("read() lets no note through without a number");
                self.engine.handle(Now::simulated(at), Input::Note(&Note::of(sump, at, kind, value)));
                self.write_out()
            }
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
    fn hand_over_batch(&mut self) -> Result<(), ReplayError> {
        let Some(first) = self.batch.first() else { return Ok(()) };
        self.engine.handle(Now::simulated(first.at), Input::Readings(&self.batch));
        self.batch.clear();
        self.write_out()
    }

    fn pass_time_until(&mut self, at: Timestamp) -> Result<(), ReplayError> {
        let until = Now::simulated(at).uptime;
        while let Some(due) = self.engine.poll_timeout().filter(|due| *due < until) {
            let utc = Timestamp::from_nanos(i64::try_from(due.as_nanos()).unwrap_or(i64::MAX));
            self.engine.handle(Now { uptime: due, utc }, Input::Tick);
            self.write_out()?;
        }
        Ok(())
    }

    fn write_out(&mut self) -> Result<(), ReplayError> {
        self.engine.drain(&mut self.outbound);
        self.written.write(&self.outbound)?;
        self.outbound.samples.clear();
        self.outbound.journal.clear();
        self.outbound.saved.clear();
        Ok(())
    }

    fn refuse(&mut self, line: u64, why: &str) {
        self.summary.refused += 1;
        if self.summary.named.len() < NAMED_ROWS_MAX {
            self.summary.named.push(format!("line {line}: {why}"));
        }
    }

    fn finish(mut self) -> Result<Summary, ReplayError> {
        self.summary.written = self.written.finish()?;
        Ok(self.summary)
    }
}

fn sources(settings: &Settings) -> HashMap<String, Source> {
    let probes = settings.probes.iter().zip(0..).map(|(probe, i)| {
        let sump = &settings.sumps[probe.sump.slot()].name;
        (format!("probe/{sump}/{}", probe.name), Source::Probe(ProbeIndex(i)))
    });
    let notes = settings.sumps.iter().zip(0..).flat_map(|(sump, i)| {
        (NoteKind::ALL.iter().filter(|kind| kind.is_number())).map(move |&kind| {
            (format!("note/{}/{}", sump.name, kind.word()), Source::Note(SumpIndex(i), kind))
        })
    });
    probes.chain(notes).collect()
}

fn sentinels(settings: &Settings) -> HashMap<ProbeIndex, Encoding> {
    let points = settings.buses.iter().flat_map(|bus| &bus.devices).flat_map(|device| &device.points);
    let with_sentinel = points.filter(|point| !point.encoding.no_value.is_empty());
    with_sentinel.map(|point| (point.probe, point.encoding.clone())).collect()
}

/// The three files.
struct Written {
    series: Vec<SeriesKey>,
    estimates: Estimates,
    alarms: Table,
    events: Table,
}

impl Written {
    fn create(output: &Path, series: Vec<SeriesKey>) -> Result<Self, ReplayError> {
        Ok(Self {
            series,
            estimates: Estimates::create(output)?,
            alarms: Table::create(output, "alarms.csv", "time,sump,alarm,state,priority,value,message")?,
            events: Table::create(output, "events.csv", "time,sump,event,quantity,value")?,
        })
    }

    fn write(&mut self, outbound: &Outbound) -> Result<(), ReplayError> {
        // An estimate is stored as three samples in a row: its value and the two ends of its interval.
        let mut samples = outbound.samples.iter();
        while let Some(first) = samples.next() {
            let SeriesKey { sump, source, .. } = &self.series[first.series.slot()];
            let SeriesSource::Estimate { word, .. } = source else { continue };
            let ends = [samples.next(), samples.next()].map(|end| end.and_then(|sample| sample.value));
            self.estimates.row(first, sump, word, ends)?;
        }
        for record in &outbound.journal {
            self.write_record(record)?;
        }
        Ok(())
    }

    fn write_record(&mut self, record: &JournalRecord) -> Result<(), ReplayError> {
        let time = record.at.to_string();
        let sump = record.sump.as_ref().map_or("", |sump| sump.as_str());
        let value = cell(record.value);
        match record.kind {
            RecordKind::Alarm | RecordKind::Instrument => {
                let priority = record.priority.unwrap_or("");
                self.alarms.row(&[
                    &time,
                    sump,
                    &record.subject,
                    &record.state,
                    priority,
                    &value,
                    &record.message,
                ])
            }
            RecordKind::Event => self.events.row(&[&time, sump, &record.subject, &record.state, &value]),
        }
    }

    fn finish(self) -> Result<[u64; 3], ReplayError> {
        Ok([self.estimates.finish()?, self.alarms.finish()?, self.events.finish()?])
    }
}

/// Estimates being written: by far the most rows, of cells that never need quotes.
struct Estimates {
    path: PathBuf,
    rows: BufWriter<File>,
    written: u64,
    /// Time of the latest row, and as text: all estimates of one instant share it.
    time: (Timestamp, String),
    /// Emptied at every use.
    line: String,
    digits: zmij::Buffer,
}

/// Bytes gathered before a write: a row has about a hundred.
const GATHERED_BYTES: usize = 1 << 16;

impl Estimates {
    fn create(directory: &Path) -> Result<Self, ReplayError> {
        let path = directory.join("estimates.csv");
        let file = File::create(&path).map_err(file_error(&path))?;
        let mut rows = BufWriter::with_capacity(GATHERED_BYTES, file);
        writeln!(rows, "time,sump,quantity,value,low90,high90,quality").map_err(file_error(&path))?;
        let time = (Timestamp::default(), Timestamp::default().to_string());
        Ok(Self { path, rows, written: 0, time, line: String::new(), digits: zmij::Buffer::new() })
    }

    /// A value with the ends of its interval.
    fn row(
        &mut self,
        value: &Sample,
        sump: &Name,
        word: &str,
        [low, high]: [Option<f64>; 2],
    ) -> Result<(), ReplayError> {
        if self.time.0 != value.at {
            self.time = (value.at, value.at.to_string());
        }
        self.line.clear();
        for text in [&self.time.1, sump.as_str(), word] {
            self.line.push_str(text);
            self.line.push(',');
        }
        for number in [value.value, low, high] {
            if let Some(number) = number {
                push_number(&mut self.line, number, &mut self.digits);
            }
            self.line.push(',');
        }
        self.line.push_str(value.quality.status.text());
        self.line.push('\n');
        self.written += 1;
        self.rows.write_all(self.line.as_bytes()).map_err(file_error(&self.path))
    }

    fn finish(mut self) -> Result<u64, ReplayError> {
        self.rows.flush().map_err(file_error(&self.path))?;
        Ok(self.written)
    }
}

/// The same text as [`cell`]'s, much faster for most numbers of everyday size.
///
/// Where the number lies in the middle between two texts as short, either may be written. Below 10^6 such a number ends in
/// five after 17 digits exactly, so its last 21 bits and more are zero: those are left to the standard library.
fn push_number(line: &mut String, number: f64, digits: &mut zmij::Buffer) {
    let between_two_texts = number.to_bits().trailing_zeros() >= 16;
    if (1e-3..1e6).contains(&number.abs()) && !between_two_texts {
        line.push_str(digits.format_finite(number));
    } else {
        line.push_str(&number.to_string());
    }
}

/// Shortest text that reads back to the same number; empty where there is none.
fn cell(value: Option<f64>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

/// One CSV file being written.
struct Table {
    path: PathBuf,
    rows: csv::Writer<BufWriter<File>>,
    written: u64,
}

impl Table {
    fn create(directory: &Path, name: &str, header: &str) -> Result<Self, ReplayError> {
        let path = directory.join(name);
        let mut file = BufWriter::new(File::create(&path).map_err(file_error(&path))?);
        writeln!(file, "{header}").map_err(file_error(&path))?;
        Ok(Self { path, rows: csv::Writer::from_writer(file), written: 0 })
    }

    fn row(&mut self, cells: &[&str]) -> Result<(), ReplayError> {
        self.written += 1;
        self.rows.write_record(cells).map_err(|e| file_error(&self.path)(e.into()))
    }

    fn finish(mut self) -> Result<u64, ReplayError> {
        self.rows.flush().map_err(file_error(&self.path))?;
        Ok(self.written)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #![proptest_config(ProptestConfig { cases: 20_000, failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn numbers_are_written_alike_both_ways(
            everyday in -1e6..1e6_f64, any in any::<f64>(), places in 0..6_u32, bits in 0..40_u64,
        ) {
            let (tens, twos) = (f64::from(10_u32.pow(places)), (1_u64 << bits) as f64);
            let short = (everyday * tens).round() / tens;
            // Of few bits behind the point: among them are those in the middle between two texts.
            let middle = (everyday * twos).round() / twos;
            for number in [everyday, any, short, middle, everyday.round(), everyday * 1e-4, everyday * 1e9] {
                let mut line = String::new();
                push_number(&mut line, number, &mut zmij::Buffer::new());
                prop_assert_eq!(&line, &cell(Some(number)));
            }
        }
    }
}
