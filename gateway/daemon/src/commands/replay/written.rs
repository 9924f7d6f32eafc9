//! The three files a replay writes.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::Receiver;

use sumpwarden_core::engine::Outbound;
use sumpwarden_core::model::{Name, Sample, Timestamp};
use sumpwarden_core::store::record::{JournalRecord, RecordKind, SeriesKey, SeriesSource};

use super::{ReplayError, file_error};

/// The three files.
pub(super) struct Written {
    series: Vec<SeriesKey>,
    estimates: Estimates,
    alarms: Table,
    events: Table,
}

impl Written {
    /// Begins them in the directory `output`; `series` are the engine's.
    pub(super) fn create(output: &Path, series: Vec<SeriesKey>) -> Result<Self, ReplayError> {
        Ok(Self {
            series,
            estimates: Estimates::create(output)?,
            alarms: Table::create(output, "alarms.csv", "time,sump,alarm,state,priority,value,message")?,
            events: Table::create(output, "events.csv", "time,sump,event,quantity,value")?,
        })
    }

    /// Writes what comes until nothing more does; gives rows of estimates, alarms and events.
    pub(super) fn write_all(mut self, outbounds: &Receiver<Outbound>) -> Result<[u64; 3], ReplayError> {
        for outbound in outbounds {
            self.write(&outbound)?;
        }
        Ok([self.estimates.finish()?, self.alarms.finish()?, self.events.finish()?])
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
