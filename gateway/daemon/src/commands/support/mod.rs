//! `support`: what somebody elsewhere needs to see what is wrong, in one archive, with every secret masked.
//!
//! Each part is a text, and goes through [`Mask`] whatever it is: secrets by their own texts (from the files, variables and keys
//! that hold them), and of every address on the web only where it leads to, neither who nor which path.

mod archive;
mod mask;

use std::fs::{self, OpenOptions};
use std::io;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};
use sumpwarden_core::model::Timestamp;

use super::check::{self, Form};
use super::store::file_of;
use super::{Exit, VERSION, console, running, status};
use crate::config::{self, Settings};
use crate::edge::clock::Clock;
use crate::edge::store::extract::{Holding, Whole};
use crate::edge::store::{Beside, Shelf, StoreError};
use archive::Archive;
use mask::Mask;

/// What the command is told.
#[derive(clap::Args, Debug)]
pub struct Options {
    /// Configuration file of the daemon
    #[arg(long, short, value_name = "FILE")]
    config: PathBuf,
    /// The archive, a gzipped tar; must not be there yet
    #[arg(long, value_name = "FILE.tar.gz")]
    output: PathBuf,
    /// The daemon's log, where it goes to a file; otherwise the journal of its unit is asked
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
    /// Samples of the last so many hours as well; otherwise none
    #[arg(long, value_name = "HOURS", value_parser = clap::value_parser!(u32).range(1..=744))]
    samples: Option<u32>,
}

/// The unit whose log is asked for.
const UNIT: &str = "sumpwarden.service";
/// Lines of the log, the last ones, and bytes that are looked at for them.
const LOG_LINES: usize = 5_000;
const LOG_BYTES: u64 = 4 << 20;
/// Days of the journal.
const JOURNAL_DAYS: u64 = 7;

/// One part of the archive: its name, what it is, and its text.
struct Piece {
    name: String,
    about: &'static str,
    text: String,
}

impl Piece {
    fn new(name: impl Into<String>, about: &'static str, text: String) -> Self {
        Self { name: name.into(), about, text }
    }
}

/// Gathers it and writes it.
pub fn run(options: &Options) -> Exit {
    let mask = Mask::of(&options.config, &config::process_variables());
    let mut pieces = of_configuration(options);
    match config::load(&options.config) {
        Ok(loaded) => {
            let mask = mask.with_keys_of(&loaded.settings.store.directory);
            pieces.extend(of_daemon(&loaded.settings));
            pieces.extend(of_store(&loaded.settings, options.samples));
            pieces.extend(log(options.log.as_deref()));
            finish(options, &mask, pieces)
        }
        Err(_) => {
            console::complain(
                "the configuration has mistakes: neither the daemon nor the store can be asked",
            );
            pieces.extend(log(options.log.as_deref()));
            finish(options, &mask, pieces)
        }
    }
}

fn finish(options: &Options, mask: &Mask, mut pieces: Vec<Piece>) -> Exit {
    let list: Vec<String> =
        pieces.iter().map(|piece| format!("{:<28} {}", piece.name, piece.about)).collect();
    let at = Clock.utc().floor_to_millis();
    let text = format!(
        "Sumpwarden {VERSION}, {at}. Secrets are masked (***), of web addresses only host and port are left.\n\
         Look it through before you hand it on.\n\n{}\n",
        list.join("\n")
    );
    pieces.insert(0, Piece::new("README.txt", "", text));
    match write(&options.output, mask, &pieces, at) {
        Ok(()) => {
            list.iter().for_each(|line| console::say(&console::plain(line)));
            console::say(&format!(
                "written to {}; look it through before you hand it on",
                options.output.display()
            ));
            Exit::Success
        }
        Err(error) => {
            let cure = "name a file that is not there yet, in a directory you can write";
            console::complain(&format!("{}: {error}; {cure}", options.output.display()));
            Exit::Outside
        }
    }
}

fn write(path: &Path, mask: &Mask, pieces: &[Piece], at: Timestamp) -> io::Result<()> {
    let file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)?;
    let mut archive = Archive::begin(file, at);
    for piece in pieces {
        archive.add(&format!("sumpwarden-support/{}", piece.name), mask.apply(&piece.text).as_bytes())?;
    }
    archive.finish()?.sync_all()
}

/// What was written down: files with their secrets starred out, variables by name, and what comes of them.
fn of_configuration(options: &Options) -> Vec<Piece> {
    let variables = config::process_variables();
    let report = match config::load(&options.config) {
        Ok(loaded) => loaded.warnings,
        Err(report) => report,
    };
    let mut pieces: Vec<Piece> = (report.files.iter().zip(0..))
        .map(|(file, number)| {
            let name = file.path.file_name().unwrap_or_default().to_string_lossy();
            let name: String = name
                .chars()
                .map(|c| if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '_' })
                .collect();
            Piece::new(
                format!("configuration/{number}-{name}"),
                "the configuration as it is written",
                file.text.to_string(),
            )
        })
        .collect();
    let names: String = variables.iter().map(|(name, _)| format!("{name}=***\n")).collect();
    pieces.push(Piece::new(
        "configuration/variables.txt",
        "variables of this shell that belong to it, by name",
        names,
    ));
    let checked = check::check(&options.config, &variables, Form::Plain);
    pieces.push(Piece::new("check.txt", "mistakes and warnings, or the plan of the polls", checked.text));
    pieces
}

/// What the running daemon says of itself.
fn of_daemon(settings: &Settings) -> Vec<Piece> {
    let mut pieces = Vec::new();
    if let Ok(view) = running::look_up(settings, "/status") {
        let screen = status::screen(&view).join("\n") + "\n";
        pieces.push(Piece::new("status.txt", "how the gateway is, on one screen", screen));
        pieces.push(Piece::new("status.json", "the same for programs", format!("{view:#}\n")));
    } else {
        pieces.push(Piece::new(
            "status.txt",
            "how the gateway is",
            "the daemon does not answer\n".to_owned(),
        ));
    }
    if let Ok(state) = running::look_up(settings, "/state") {
        let alarms =
            json!({"alarms": alarms(&state), "receivers": state["receivers"], "reduced": state["reduced"]});
        pieces.push(Piece::new("alarms.json", "alarms that are not normal", format!("{alarms:#}\n")));
    }
    if let Ok(text) = running::look_up_text(settings, "/metrics") {
        pieces.push(Piece::new("metrics.txt", "numbers for whoever collects them (OpenMetrics)", text));
    }
    pieces
}

fn alarms(state: &Value) -> Vec<&Value> {
    let sumps = state["sumps"].as_array().into_iter().flatten();
    std::iter::once(state).chain(sumps).flat_map(|of| of["alarms"].as_array().into_iter().flatten()).collect()
}

/// What lies in the data directory, and the journal of the last days; samples where they are asked for.
fn of_store(settings: &Settings, samples: Option<u32>) -> Vec<Piece> {
    let directory = &settings.store.directory;
    let mut pieces =
        vec![Piece::new("store/files.txt", "files of the data directory, by size", files(directory))];
    let (path, now) = (file_of(directory, None), Clock.utc());
    let from = now.minus(Duration::from_hours(24 * JOURNAL_DAYS));
    pieces.push(match journal(&path, from, now) {
        Ok(text) => Piece::new("store/journal.jsonl", "the journal of the last seven days", text),
        Err(error) => Piece::new("store/journal.txt", "why the journal cannot be read", format!("{error}\n")),
    });
    if let Some(hours) = samples {
        let from = now.minus(Duration::from_hours(u64::from(hours)));
        pieces.push(match points(&path, from, now) {
            Ok(text) => Piece::new("store/samples.csv", "samples of the hours asked for", text),
            Err(error) => Piece::new("store/samples.txt", "why samples cannot be read", format!("{error}\n")),
        });
    }
    pieces
}

fn files(directory: &Path) -> String {
    let entries = match fs::read_dir(directory) {
        Ok(entries) => entries,
        Err(error) => return format!("{}: {error}\n", directory.display()),
    };
    let mut lines: Vec<String> = entries
        .filter_map(|entry| {
            let (entry, meta) =
                entry.ok().and_then(|entry| Some((entry.file_name(), entry.metadata().ok()?)))?;
            Some(format!("{:>14} {}\n", meta.len(), entry.to_string_lossy()))
        })
        .collect();
    lines.sort();
    lines.concat()
}

fn journal(path: &Path, from: Timestamp, until: Timestamp) -> Result<String, StoreError> {
    let mut beside = Beside::open(path)?;
    let mut text = String::new();
    beside.records(from, until, &mut |entry| {
        let line = json!({
            "at": entry.at.to_string(), "kind": entry.kind, "sump": entry.sump, "subject": entry.subject,
            "state": entry.state, "priority": entry.priority, "value": entry.value, "message": entry.message,
        });
        text.push_str(&format!("{line}\n"));
    })?;
    beside.close()?;
    Ok(text)
}

fn points(path: &Path, from: Timestamp, until: Timestamp) -> Result<String, StoreError> {
    let mut whole = Whole::open(path)?;
    let mut text = "time,series,raw,value,quality\n".to_owned();
    let number = |number: Option<f64>| number.map_or(String::new(), |number| number.to_string());
    for series in whole.series()? {
        whole.points(series.id, from, until, &mut |point| {
            let (raw, value) = (number(point.raw), number(point.value));
            let reason = point.quality.reason.text();
            text.push_str(&format!("{},{},{raw},{value},{reason}\n", point.at, series.text));
        })?;
    }
    Ok(text)
}

/// The last lines of the log; nothing where there is none to be had.
fn log(file: Option<&Path>) -> Option<Piece> {
    let text = match file {
        Some(path) => tail(path).unwrap_or_else(|error| format!("{}: {error}\n", path.display())),
        None => of_unit()?,
    };
    Some(Piece::new("log.txt", "the last lines of the daemon's log", text))
}

fn tail(path: &Path) -> io::Result<String> {
    use std::io::{Read, Seek, SeekFrom};
    let mut file = fs::File::open(path)?;
    let from = file.metadata()?.len().saturating_sub(LOG_BYTES);
    file.seek(SeekFrom::Start(from))?;
    let mut bytes = Vec::new();
    file.take(LOG_BYTES).read_to_end(&mut bytes)?;
    let text = String::from_utf8_lossy(&bytes);
    // A line that is cut in half could hide a secret from the mask.
    let lines: Vec<&str> = text.lines().skip(usize::from(from > 0)).collect();
    let last = lines.len().saturating_sub(LOG_LINES);
    Ok(lines[last..].iter().map(|line| format!("{line}\n")).collect())
}

fn of_unit() -> Option<String> {
    let lines = LOG_LINES.to_string();
    let asked = Command::new("journalctl")
        .args(["--unit", UNIT, "--lines", &lines, "--no-pager", "--output", "short-iso"])
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .output()
        .ok()?;
    let text = String::from_utf8_lossy(&asked.stdout).into_owned();
    (asked.status.success() && !text.trim().is_empty()).then_some(text)
}
