//! `report`: the printed log book, from the store of a daemon that runs or stands still.

use std::fs::{DirBuilder, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use clap::Args;
use jiff::civil::Date;
use sumpwarden_core::book::{Calendar, Span};
use sumpwarden_core::model::{Name, Timestamp};

use super::console::plain;
use super::store::{Progress, file_of};
use super::{Exit, console, load};
use crate::config::Settings;
use crate::edge::clock::Clock;
use crate::edge::store::Beside;
use crate::report::{Asked, ReportError, Written, month, written};

/// Of which days, and where to.
#[derive(Args, Debug)]
pub struct Options {
    /// Configuration file (TOML); fragments beside it in `conf.d/` belong to it
    #[arg(long, short, value_name = "FILE")]
    config: PathBuf,
    /// One sump only
    #[arg(long, value_name = "SUMP", value_parser = name)]
    sump: Option<Name>,
    /// A month: 2026-11 [default: this month]
    #[arg(long, value_name = "MONTH", value_parser = month, conflicts_with_all = ["from", "until"])]
    month: Option<Span>,
    /// From this day on: 2026-11-03
    #[arg(long, value_name = "DAY", value_parser = day, requires = "until")]
    from: Option<Date>,
    /// Until this day, itself too
    #[arg(long, value_name = "DAY", value_parser = day, requires = "from")]
    until: Option<Date>,
    /// One HTML file with everything; or a directory (there already, or with a slash at its end) for a page for the shop and
    /// one for each sump and month
    #[arg(long, value_name = "FILE|DIR")]
    output: PathBuf,
}

fn name(text: &str) -> Result<Name, String> {
    Name::new(text).map_err(|error| error.to_string())
}

fn day(text: &str) -> Result<Date, String> {
    text.parse().map_err(|_| "a day is written 2026-11-03".to_owned())
}

/// Writes the book and says what it could not read.
pub fn run(options: &Options) -> Exit {
    let settings = match load(&options.config) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    let now = Clock.utc();
    let Some(span) = span(options, &settings, now) else {
        console::complain("--from lies after --until");
        return Exit::Usage;
    };
    let progress = Progress::default();
    let asked = Asked { sump: options.sump.clone(), span };
    let book = match read(&settings, &asked, now, &progress) {
        Ok(book) => book,
        Err(ReportError::Store(error)) => {
            if error.is_damage() {
                console::complain(
                    "the store is damaged; sumpwarden export --file takes out what can be read of it",
                );
            }
            return progress.failed(&error);
        }
        Err(error) => {
            progress.clear();
            console::complain(&plain(&error.to_string()));
            return Exit::Usage;
        }
    };
    progress.clear();
    match put(&options.output, book) {
        Ok((files, unread)) => {
            files.iter().for_each(|file| console::say(&plain(&file.display().to_string())));
            unread.iter().for_each(|line| console::complain(&plain(&format!("could not be read: {line}"))));
            if unread.is_empty() { Exit::Success } else { Exit::Negative }
        }
        Err((path, error)) => {
            console::complain(&plain(&format!("{}: {}", path.display(), why(&error))));
            Exit::Outside
        }
    }
}

fn span(options: &Options, settings: &Settings, now: Timestamp) -> Option<Span> {
    match (options.month, options.from, options.until) {
        (Some(month), ..) => Some(month),
        (None, Some(from), Some(until)) => Span::new(from, until),
        _ => Some(Span::month_of(Calendar::new(settings.site.timezone.clone()).day(now))),
    }
}

fn read(
    settings: &Settings,
    asked: &Asked,
    now: Timestamp,
    progress: &Progress,
) -> Result<Written, ReportError> {
    let mut shelf = Beside::open(&file_of(&settings.store.directory, None))?;
    let book = written(&mut shelf, settings, asked, now, &|what, at, of| progress.show(what, at, of))?;
    shelf.close()?;
    Ok(book)
}

/// The files that were made, and what could not be read.
fn put(output: &Path, book: Written) -> Result<(Vec<PathBuf>, Vec<String>), (PathBuf, io::Error)> {
    let into_directory = output.is_dir() || output.as_os_str().as_encoded_bytes().ends_with(b"/");
    if !into_directory {
        let report = book.whole();
        new_file(output, &report.html)?;
        return Ok((vec![output.to_owned()], report.unread));
    }
    let made = DirBuilder::new().recursive(true).mode(0o700).create(output);
    made.map_err(|error| (output.to_owned(), error))?;
    let (pages, unread) = book.pages();
    let mut files = Vec::with_capacity(pages.len());
    for (name, html) in pages {
        let path = output.join(format!("{name}.html"));
        new_file(&path, &html)?;
        files.push(path);
    }
    Ok((files, unread))
}

/// Writes a new file for its owner only: names of people are in it. What is there already is not written over.
pub(super) fn new_file(path: &Path, text: &str) -> Result<(), (PathBuf, io::Error)> {
    let file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path);
    file.and_then(|mut file| file.write_all(text.as_bytes()).and_then(|()| file.sync_all()))
        .map_err(|error| (path.to_owned(), error))
}

pub(super) fn why(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::AlreadyExists => "is there already; name another file, or remove it first".to_owned(),
        _ => error.to_string(),
    }
}
