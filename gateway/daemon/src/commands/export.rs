//! `export`: what the store holds, as files for spreadsheets, for a time-series database, or for programs; also from a file
//! that was set aside, as far as it can be read. What could not be read is named at the end.

use std::collections::BTreeMap;
use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use serde_json::Value;
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::{JournalEntry, Origin, Point, StoredSeries};

use super::console::plain;
use super::store::{Progress, file_of};
use super::{Exit, console, load};
use crate::edge::spreadsheet::cell;
use crate::edge::store::extract::{Holding, OutboxLine, ParkedLine, Skipped, UndatedPoint, Whole};
use crate::edge::store::{Salvage, StoreError};
use sumpwarden_core::store::lines::{Catalogue, write_journal};

/// What to take out, from where, and how.
#[derive(Args, Debug)]
pub struct Options {
    /// Configuration file (TOML); fragments beside it in `conf.d/` belong to it
    #[arg(long, short, value_name = "FILE")]
    config: PathBuf,
    /// Directory for points, journal, outbox and parked; made if missing
    #[arg(long, value_name = "DIR")]
    output: PathBuf,
    /// From when on, RFC 3339: 2026-03-01T00:00:00Z
    #[arg(long, value_name = "TIME", value_parser = time)]
    from: Option<Timestamp>,
    /// Until when, this instant not included
    #[arg(long, value_name = "TIME", value_parser = time)]
    to: Option<Timestamp>,
    /// One sump only
    #[arg(long, value_name = "SUMP")]
    sump: Option<String>,
    /// For spreadsheets, for a time-series database, or one JSON object a line
    #[arg(long, value_enum, default_value_t = Format::Csv)]
    format: Format,
    /// A file that was set aside, instead of the store; as far as it can be read
    #[arg(long, value_name = "PATH")]
    file: Option<PathBuf>,
}

/// How it is written.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
enum Format {
    /// RFC 4180
    Csv,
    /// Line protocol; outbox and parked points as JSON
    Lines,
    /// One JSON object a line
    #[value(name = "jsonl", alias = "json")]
    Json,
}

fn time(text: &str) -> Result<Timestamp, String> {
    Timestamp::parse(text).map_err(|error| error.to_string())
}

/// Why an export ended.
#[derive(Debug, thiserror::Error)]
enum ExportError {
    #[error("{0}")]
    Store(#[from] StoreError),
    #[error("{path}: {source}", path = path.display())]
    Output { path: PathBuf, source: io::Error },
}

/// Takes out what is asked for.
pub fn run(options: &Options) -> Exit {
    let settings = match load(&options.config) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    let progress = Progress::default();
    let path = file_of(&settings.store.directory, options.file.as_deref());
    match export(options, &settings.site.origin(), &path, &progress) {
        Ok((counts, skipped)) => {
            progress.clear();
            console::say(&counts);
            skipped.iter().for_each(|one| console::complain(&plain(&format!("skipped: {one}"))));
            if skipped.is_empty() { Exit::Success } else { Exit::Negative }
        }
        Err(ExportError::Store(error)) => {
            if options.file.is_none() && error.is_damage() {
                let hint = "the store is damaged; stop the daemon and name its file with --file to take out what can be read";
                console::complain(hint);
            }
            progress.failed(&error)
        }
        Err(error) => {
            progress.clear();
            console::complain(&plain(&error.to_string()));
            Exit::Outside
        }
    }
}

fn open(path: &Path, named: bool, progress: &Progress) -> Result<Box<dyn Holding>, StoreError> {
    if named && !Whole::is_sound(path) {
        return Ok(Box::new(Salvage::look(path, &|what, at, of| progress.show(what, at, of))?));
    }
    Ok(Box::new(Whole::open(path)?))
}

fn export(
    options: &Options,
    origin: &Origin,
    path: &Path,
    progress: &Progress,
) -> Result<(String, Vec<Skipped>), ExportError> {
    let mut holding = open(path, options.file.is_some(), progress)?;
    let failed = |source| ExportError::Output { path: options.output.clone(), source };
    DirBuilder::new().recursive(true).mode(0o700).create(&options.output).map_err(failed)?;
    let wanted = Wanted::of(options);
    let points = points(holding.as_mut(), options, origin, &wanted, progress)?;
    let journal = journal(holding.as_mut(), options, origin, &wanted)?;
    let outbox = outbox(holding.as_mut(), options, &wanted)?;
    let parked = parked(holding.as_mut(), options, &wanted)?;
    let mut counts = format!(
        "{points} points, {journal} journal records, {outbox} messages not delivered, {parked} parked points"
    );
    let undated = undated(holding.as_mut(), options, &wanted)?;
    if undated > 0 {
        counts += &format!(", {undated} points without a date");
    }
    Ok((counts, holding.skipped()))
}

/// What is asked for.
struct Wanted<'a> {
    from: Timestamp,
    until: Timestamp,
    sump: Option<&'a str>,
}

impl<'a> Wanted<'a> {
    fn of(options: &'a Options) -> Self {
        Self {
            from: options.from.unwrap_or(Timestamp::from_nanos(i64::MIN)),
            until: options.to.unwrap_or(Timestamp::from_nanos(i64::MAX)),
            sump: options.sump.as_deref(),
        }
    }

    fn at(&self, at: Timestamp) -> bool {
        at >= self.from && at < self.until
    }

    fn sump(&self, sump: Option<&str>) -> bool {
        self.sump.is_none_or(|wanted| sump == Some(wanted))
    }
}

fn points(
    holding: &mut dyn Holding,
    options: &Options,
    origin: &Origin,
    wanted: &Wanted<'_>,
    progress: &Progress,
) -> Result<u64, ExportError> {
    let columns = ["time", "series", "quantity", "raw", "value", "status", "reason"];
    let mut out = Output::create(options, "points", options.format, &columns)?;
    let all = holding.series()?;
    let catalogue = Catalogue::new(origin, &all);
    let of = all.len() as u64;
    for (place, series) in (0..).zip(all.iter().filter(|s| wanted.sump(s.text.split('/').nth(1)))) {
        progress.show("series", place, of);
        let mut written = Ok(());
        holding.points(series.id, wanted.from, wanted.until, &mut |point| {
            if written.is_ok() {
                written = write_point(&mut out, options.format, &catalogue, series, &point);
            }
        })?;
        written.map_err(|source| out.failed(source))?;
    }
    out.finish()
}

fn write_point(
    out: &mut Output,
    format: Format,
    catalogue: &Catalogue,
    series: &StoredSeries,
    point: &Point,
) -> io::Result<()> {
    if format == Format::Lines {
        let mut line = String::new();
        return match catalogue.write(series.id, point, &mut line) {
            Ok(true) => out.text(&line),
            // Ends of intervals without a number, and series that no line is made of.
            Ok(false) => Ok(()),
            Err(error) => Err(io::Error::other(error)),
        };
    }
    out.row(&[
        point.at.to_string().into(),
        series.text.as_str().into(),
        series.quantity.as_str().into(),
        point.raw.into(),
        point.value.into(),
        format!("{:?}", point.quality.status).into(),
        point.quality.reason.text().into(),
    ])
}

fn journal(
    holding: &mut dyn Holding,
    options: &Options,
    origin: &Origin,
    wanted: &Wanted<'_>,
) -> Result<u64, ExportError> {
    let columns = ["time", "id", "kind", "sump", "subject", "state", "priority", "value", "message"];
    let mut out = Output::create(options, "journal", options.format, &columns)?;
    let mut written = Ok(());
    holding.journal(&mut |entry| {
        if written.is_ok() && wanted.at(entry.at) && wanted.sump(entry.sump.as_deref()) {
            written = write_record(&mut out, options.format, origin, &entry);
        }
    })?;
    written.map_err(|source| out.failed(source))?;
    out.finish()
}

fn write_record(out: &mut Output, format: Format, origin: &Origin, entry: &JournalEntry) -> io::Result<()> {
    if format == Format::Lines {
        let mut line = String::new();
        write_journal(origin, entry, &mut line).map_err(io::Error::other)?;
        return out.text(&line);
    }
    out.row(&[
        entry.at.to_string().into(),
        entry.id.into(),
        entry.kind.as_str().into(),
        entry.sump.as_deref().into(),
        entry.subject.as_str().into(),
        entry.state.as_str().into(),
        entry.priority.as_deref().into(),
        entry.value.into(),
        entry.message.as_str().into(),
    ])
}

fn outbox(holding: &mut dyn Holding, options: &Options, wanted: &Wanted<'_>) -> Result<u64, ExportError> {
    let columns =
        ["time", "receiver", "key", "sequence", "action", "priority", "state", "done_at", "reason", "body"];
    let mut out = Output::create(options, "outbox", options.format.of_words(), &columns)?;
    let mut written = Ok(());
    holding.outbox(&mut |line: OutboxLine| {
        // A key is site and box, sump, alarm and occurrence.
        let about = line.key.split('/').nth(1);
        if written.is_ok() && line.state != "delivered" && wanted.at(line.at) && wanted.sump(about) {
            written = out.row(&[
                line.at.to_string().into(),
                line.receiver.into(),
                line.key.into(),
                line.sequence.into(),
                line.action.into(),
                line.priority.into(),
                line.state.into(),
                line.done_at.map(|at| at.to_string()).into(),
                line.reason.into(),
                line.body.into(),
            ]);
        }
    })?;
    written.map_err(|source| out.failed(source))?;
    out.finish()
}

fn parked(holding: &mut dyn Holding, options: &Options, wanted: &Wanted<'_>) -> Result<u64, ExportError> {
    let mut out = Output::create(
        options,
        "parked",
        options.format.of_words(),
        &["time", "forwarder", "reason", "line"],
    )?;
    let mut written = Ok(());
    holding.parked(&mut |line: ParkedLine| {
        let about = sumpwarden_protocol::line::parse::parse(&line.line).ok().and_then(|points| {
            let tags = points.into_iter().next()?.tags;
            tags.into_iter().find(|(key, _)| key == "sump").map(|(_, sump)| sump)
        });
        if written.is_ok() && wanted.at(line.at) && wanted.sump(about.as_deref()) {
            let row =
                [line.at.to_string().into(), line.forwarder.into(), line.reason.into(), line.line.into()];
            written = out.row(&row);
        }
    })?;
    written.map_err(|source| out.failed(source))?;
    out.finish()
}

/// Points without a date, where there are any; a stretch of time that is asked for picks none of them.
fn undated(holding: &mut dyn Holding, options: &Options, wanted: &Wanted<'_>) -> Result<u64, ExportError> {
    let names: BTreeMap<_, _> =
        holding.series()?.into_iter().map(|one| (one.id, (one.text, one.quantity))).collect();
    let columns = [
        "not_before",
        "not_after",
        "boot",
        "uptime_s",
        "series",
        "quantity",
        "raw",
        "value",
        "status",
        "reason",
    ];
    let mut out: Option<Result<Output, ExportError>> = None;
    let mut written = Ok(());
    holding.undated(&mut |one: UndatedPoint| {
        let unknown = (format!("series/{}", one.series.0), String::new());
        let (text, quantity) = names.get(&one.series).cloned().unwrap_or(unknown);
        if written.is_err() || !wanted.sump(text.split('/').nth(1)) {
            return;
        }
        let out = out
            .get_or_insert_with(|| Output::create(options, "undated", options.format.of_words(), &columns));
        let Ok(out) = out else { return };
        let point = one.point;
        written = out.row(&[
            one.not_before.to_string().into(),
            one.not_after.map(|at| at.to_string()).into(),
            one.boot.into(),
            (one.uptime_ns as f64 / 1e9).into(),
            text.into(),
            quantity.into(),
            point.raw.into(),
            point.value.into(),
            format!("{:?}", point.quality.status).into(),
            point.quality.reason.text().into(),
        ]);
    })?;
    let Some(out) = out.transpose()? else { return Ok(0) };
    written.map_err(|source| out.failed(source))?;
    out.finish()
}

impl Format {
    /// How rows are written that no line protocol is made of.
    fn of_words(self) -> Self {
        if self == Self::Lines { Self::Json } else { self }
    }

    fn ending(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Lines => "line",
            Self::Json => "jsonl",
        }
    }
}

/// One file.
struct Output {
    path: PathBuf,
    form: Form,
    columns: Vec<&'static str>,
    rows: u64,
}

enum Form {
    Csv(Box<csv::Writer<File>>),
    Text(BufWriter<File>),
}

impl Output {
    /// A new file: what is there already is not written over.
    fn create(
        options: &Options,
        name: &str,
        format: Format,
        columns: &[&'static str],
    ) -> Result<Self, ExportError> {
        let path = options.output.join(format!("{name}.{}", format.ending()));
        let failed = |source| ExportError::Output { path: path.clone(), source };
        let file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&path).map_err(failed)?;
        let form = if format == Format::Csv {
            let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(file);
            writer.write_record(columns).map_err(|error| failed(error.into()))?;
            Form::Csv(Box::new(writer))
        } else {
            Form::Text(BufWriter::new(file))
        };
        Ok(Self { path, form, columns: columns.to_vec(), rows: 0 })
    }

    fn failed(&self, source: io::Error) -> ExportError {
        ExportError::Output { path: self.path.clone(), source }
    }

    fn text(&mut self, line: &str) -> io::Result<()> {
        self.rows += 1;
        match &mut self.form {
            Form::Text(out) => out.write_all(line.as_bytes()),
            Form::Csv(_) => unreachable!("lines are written to text"),
        }
    }

    fn row(&mut self, cells: &[Value]) -> io::Result<()> {
        self.rows += 1;
        match &mut self.form {
            Form::Csv(writer) => Ok(writer.write_record(cells.iter().map(cell))?),
            Form::Text(out) => {
                let object: Value = self
                    .columns
                    .iter()
                    .zip(cells)
                    .map(|(name, cell)| ((*name).to_owned(), cell.clone()))
                    .collect::<serde_json::Map<_, _>>()
                    .into();
                writeln!(out, "{object}")
            }
        }
    }

    /// Everything is on the disk; how many rows.
    fn finish(self) -> Result<u64, ExportError> {
        let Self { path, form, rows, .. } = self;
        let synced = match form {
            Form::Csv(writer) => writer.into_inner().map_err(|error| error.into_error()),
            Form::Text(out) => out.into_inner().map_err(io::IntoInnerError::into_error),
        };
        match synced.and_then(|file| file.sync_all()) {
            Ok(()) => Ok(rows),
            Err(source) => Err(ExportError::Output { path, source }),
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn no_cell_is_a_formula_and_numbers_stay_numbers() {
        for text in ["=1+1", "+1", "-1", "@sum", "\t=1", "\r=1"] {
            assert_eq!(cell(&json!(text)), format!("'{text}"));
        }
        assert_eq!(cell(&json!("1=1")), "1=1");
        assert_eq!(cell(&json!(-1.5)), "-1.5");
        assert_eq!(cell(&Value::Null), "");
    }

    #[test]
    fn what_was_skipped_is_named() {
        let at = |second: i64| Timestamp::from_millis(1_000 * second);
        let skipped = Skipped {
            table: "chunk",
            series: Some("probe/a/ph".to_owned()),
            rows: 1,
            points: 7,
            stretch: Some((at(0), at(60))),
        };
        let text = "chunk, probe/a/ph: 1 row, 7 points, 1970-01-01T00:00:00Z to 1970-01-01T00:01:00Z";
        assert_eq!(skipped.to_string(), text);
    }
}
