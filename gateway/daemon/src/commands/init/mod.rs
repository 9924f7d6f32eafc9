//! `init`: a guided start. Questions in the trade's words, each answer checked at once by the configuration's own checks,
//! and a commented configuration that `check` accepts.
//!
//! [`script`] is the questions, [`words`] turns spellings into those of the configuration, [`draft`] answers into a file,
//! [`check`] asks the configuration, [`dialog`] talks, [`answers`] are kept and read again.

mod answers;
mod check;
mod dialog;
mod draft;
mod scanned;
mod script;
#[cfg(test)]
mod tests;
mod words;

use std::collections::BTreeMap;
use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};

use self::answers::Answers;
use self::dialog::{Dialog, Stopped};
use self::scanned::Scanned;
use super::console::plain;
use super::{Exit, console};
use crate::config::{Loaded, load_with};
use crate::edge::small_file;

/// What to write, and from what.
#[derive(clap::Args, Debug)]
pub struct Options {
    /// Configuration to write, as in shop.toml
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,
    /// Answers, by the names of their questions; what is missing is asked at a terminal, or takes its default
    #[arg(long, value_name = "FILE.toml")]
    answers: Option<PathBuf>,
    /// Devices that `scan --json` found
    #[arg(long, value_name = "FILE.json")]
    scan: Option<PathBuf>,
    /// Write over a configuration that is there
    #[arg(long)]
    force: bool,
}

/// Asks and writes.
pub fn run(options: &Options) -> Exit {
    match start(options) {
        Ok(()) => Exit::Success,
        Err((exit, why)) => {
            console::complain(&why);
            exit
        }
    }
}

fn start(options: &Options) -> Result<(), (Exit, String)> {
    let output = &std::path::absolute(&options.output)
        .map_err(|error| (Exit::Usage, format!("{}: {error}", shown(&options.output))))?;
    if output.exists() && !options.force {
        let why = format!(
            "{} is there already\n  name another file, or add --force to write over it",
            shown(output)
        );
        return Err((Exit::Usage, why));
    }
    let scanned = match &options.scan {
        Some(path) => Scanned::open(path).map_err(|why| (Exit::Usage, plain(&why)))?,
        None => Scanned::default(),
    };
    let kept = output.with_added_extension("answers");
    let terminal = io::stdin().is_terminal();
    let mut given = BTreeMap::new();
    if terminal && kept.exists() {
        given = answers_of(&kept)?;
    }
    if let Some(path) = &options.answers {
        given.extend(answers_of(path)?);
    }
    if terminal {
        welcome(&kept, given.len());
    }
    let mut dialog = Dialog {
        input: io::stdin().lock(),
        output: io::stdout(),
        terminal,
        lines: terminal || options.answers.is_none(),
        given,
        before: BTreeMap::new(),
        scanned: &scanned,
        keep: terminal.then_some(kept.as_path()),
    };
    let answers = dialog.run().map_err(|stopped| match stopped {
        Stopped::Left => {
            (Exit::Negative, format!("\nstopped; the same command goes on where you left ({})", shown(&kept)))
        }
        Stopped::Wrong(why) => (Exit::Configuration, why),
        Stopped::Outside(why) => (Exit::Outside, why),
    })?;
    let loaded = write(output, &answers, &scanned)?;
    if terminal {
        // What was kept has done its service; one that stays behind is offered again, which does no harm.
        let _ = std::fs::remove_file(&kept);
    }
    farewell(output, &loaded);
    Ok(())
}

fn shown(path: &Path) -> String {
    plain(&path.display().to_string())
}

fn answers_of(path: &Path) -> Result<BTreeMap<String, String>, (Exit, String)> {
    let text = std::fs::read_to_string(path).map_err(|e| (Exit::Usage, format!("{}: {e}", shown(path))))?;
    answers::read(&text).map_err(|why| (Exit::Configuration, format!("{}: {}", shown(path), plain(&why))))
}

fn welcome(kept: &Path, given: usize) {
    console::say(
        "Enter takes what stands in brackets, ? explains, back goes back, Ctrl-C stops and loses nothing.\n\
         Any unit will do: 310 mm or 12.2 in, 35 L or 9 gal, 13.4 °dH or 14 gpg. This is no safety system: the fluid's\n\
         safety data sheet, local codes and licensed practice come first.",
    );
    if given > 0 {
        console::say(&format!("{given} answers are there already; delete {} to begin anew.", shown(kept)));
    }
    console::say("");
}

/// Writes configuration and secrets; the configuration gets its name only once it is accepted where it will lie.
fn write(output: &Path, answers: &Answers, scanned: &Scanned) -> Result<Loaded, (Exit, String)> {
    let outside = |error: io::Error| (Exit::Outside, format!("{}: {error}", shown(output)));
    let draft = draft::draft(answers, scanned);
    let directory = output.parent().unwrap_or(Path::new("/"));
    let made = check::put_secrets(directory, &draft).map_err(outside)?;
    let trial = output.with_added_extension("draft");
    small_file::put(&trial, draft.text.as_bytes()).map_err(outside)?;
    // Fragments beside it count, so a clash with one shows here and nowhere else.
    let loaded = load_with(&trial, &[]);
    let loaded = match loaded {
        Ok(loaded) => loaded,
        Err(report) => {
            let _ = std::fs::remove_file(&trial);
            return Err((Exit::Configuration, report.draw(console::stderr_is_terminal())));
        }
    };
    std::fs::rename(&trial, output).map_err(outside)?;
    console::say(&format!("\nwritten: {}", shown(output)));
    for (name, _, what) in &draft.secrets {
        let file = directory.join(name);
        let state = if made.contains(name) { "made with a stand-in" } else { "was there, left as it is" };
        console::say(&format!("secret:  {} ({state}): put {what} into it", shown(&file)));
    }
    Ok(loaded)
}

fn farewell(output: &Path, loaded: &Loaded) {
    let engine = &loaded.settings.engine;
    for (index, sump) in engine.sumps.iter().enumerate() {
        let probes = engine.probes.iter().filter(|probe| probe.sump.slot() == index).count();
        let (fill, brim) = check::litres(loaded, sump.name.as_str()).unwrap_or_default();
        console::say(&format!(
            "  {:<20} {fill:>6.0} L at the fill mark, {brim:>6.0} L to the brim, {probes} probes",
            sump.name.as_str()
        ));
    }
    let file = shown(output);
    let first = engine.sumps.first().map_or("SUMP", |sump| sump.name.as_str());
    console::say(&format!(
        "next:    sumpwarden check -c {file}\n         sumpwarden read -c {file} {first}\n         \
         sumpwarden run -c {file}"
    ));
}

/// The machine's own time zone, or UTC.
fn time_zone() -> String {
    let named = std::fs::read_link("/etc/localtime").ok().and_then(|target| {
        let target = target.to_str()?.to_owned();
        target.split_once("zoneinfo/").map(|(_, name)| name.to_owned())
    });
    let named = named.filter(|name| jiff::tz::TimeZone::get(name).is_ok());
    named.filter(|name| !name.starts_with("Etc/")).unwrap_or_else(|| "UTC".to_owned())
}

/// The first serial port by its stable path.
fn first_port() -> String {
    let mut ports: Vec<String> = std::fs::read_dir("/dev/serial/by-id")
        .into_iter()
        .flatten()
        .filter_map(|entry| entry.ok()?.path().to_str().map(str::to_owned))
        .collect();
    ports.sort();
    ports.into_iter().next().unwrap_or_else(|| "/dev/ttyS0".to_owned())
}
