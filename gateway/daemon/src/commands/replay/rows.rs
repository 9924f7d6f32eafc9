//! Rows of a recorded history, read and told apart.

use std::collections::HashMap;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::mpsc::SyncSender;

use sumpwarden_core::engine::Settings;
use sumpwarden_core::estimate::note::NoteKind;
use sumpwarden_core::model::{ProbeIndex, SumpIndex, Timestamp};

use super::{ReplayError, file_error};

/// What a row turned out to be.
#[derive(Debug)]
pub(super) enum Row {
    /// What a probe's device delivered; nothing where it gave no number.
    Reading { at: Timestamp, probe: ProbeIndex, value: Option<f64> },
    /// What somebody noted.
    Note { at: Timestamp, sump: SumpIndex, kind: NoteKind, value: f64 },
    /// A row that cannot be used: its line and why.
    Refused { line: u64, why: String },
}

/// Rows handed over at a time.
const HANDED_OVER: usize = 1024;

/// What a row's source stands for.
#[derive(Clone, Copy, Debug)]
enum Source {
    Probe(ProbeIndex),
    Note(SumpIndex, NoteKind),
}

/// A recorded history being read.
pub(super) struct Rows {
    file: csv::Reader<File>,
    path: PathBuf,
    sources: HashMap<String, Source>,
    latest: Option<Timestamp>,
    /// Time of the row read last, as it stood there and what it means: most rows share theirs with the row above.
    time: (String, Timestamp),
}

impl Rows {
    /// Opens a history of what `settings` name; its first line must be the header.
    pub(super) fn open(path: &Path, settings: &Settings) -> Result<Self, ReplayError> {
        let file = File::open(path).map_err(file_error(path))?;
        let mut file = csv::ReaderBuilder::new().has_headers(true).flexible(true).from_reader(file);
        let header = file.headers().map_err(|e| file_error(path)(e.into()))?;
        if header != ["time", "source", "value"].as_slice() {
            let found = header.iter().collect::<Vec<_>>().join(",");
            return Err(ReplayError::Header { path: path.to_owned(), found });
        }
        let time = (String::new(), Timestamp::default());
        Ok(Self { file, path: path.to_owned(), sources: sources(settings), latest: None, time })
    }

    /// Reads to the end, or until nobody takes rows any more.
    pub(super) fn read_all(mut self, to: &SyncSender<Vec<Row>>) -> Result<(), ReplayError> {
        let mut record = csv::StringRecord::new();
        let mut more = true;
        while more {
            let mut rows = Vec::with_capacity(HANDED_OVER);
            while more && rows.len() < HANDED_OVER {
                more = self.read_one(&mut record, &mut rows)?;
            }
            more &= to.send(rows).is_ok();
        }
        Ok(())
    }

    /// Whether there was one more.
    fn read_one(&mut self, record: &mut csv::StringRecord, rows: &mut Vec<Row>) -> Result<bool, ReplayError> {
        match self.file.read_record(record) {
            Ok(false) => return Ok(false),
            Ok(true) => rows.push(self.told_apart(record).unwrap_or_else(|why| {
                let line = record.position().map_or(0, csv::Position::line);
                Row::Refused { line, why }
            })),
            Err(error) if error.is_io_error() => return Err(file_error(&self.path)(error.into())),
            Err(error) => {
                let line = error.position().map_or(0, csv::Position::line);
                rows.push(Row::Refused { line, why: error.to_string() });
            }
        }
        Ok(true)
    }

    fn told_apart(&mut self, record: &csv::StringRecord) -> Result<Row, String> {
        let [time, source, value] =
            [record.get(0), record.get(1), record.get(2)].map(Option::unwrap_or_default);
        if record.len() != 3 {
            return Err(format!("{} columns instead of time,source,value", record.len()));
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
        let row = match source {
            Source::Probe(probe) => Row::Reading { at, probe, value: number },
            Source::Note(sump, kind) => Row::Note { at, sump, kind, value: within(kind, number)? },
        };
        self.latest = Some(at);
        Ok(row)
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
}

/// A note's number, if it is one that can be noted.
fn within(kind: NoteKind, number: Option<f64>) -> Result<f64, String> {
    let (low, high) = kind.range();
    match number {
        Some(number) if (low..=high).contains(&number) => Ok(number),
        Some(number) => Err(format!("{} {number} is not within {low} to {high}", kind.word())),
        None => Err(format!("a note of {} needs a number", kind.word())),
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
