//! `wipe`: everything the daemon keeps goes from a box that leaves the shop: sold, scrapped, sent in for repair.
//!
//! It shows what goes and what it cannot take away, and does nothing without a word for it. What the daemon does not write is
//! not its to remove; a link is never followed. Nothing is written over first: on flash media and on most file systems of today
//! that reaches other blocks than those the text lies in, and would only look like an erasure.

use std::fs::{self, File};
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use super::console::{complain, plain, say};
use super::{Exit, console};
use crate::config::{self, Places};
use crate::edge::data_files::{self, LOCK};
use crate::edge::store::{Claim, StoreError, ask_whether_free};

/// What the command is told.
#[derive(clap::Args, Debug)]
pub struct Options {
    /// Configuration file (TOML); fragments beside it in `conf.d/` belong to it. Secrets it names may be gone already
    #[arg(long, short, value_name = "FILE", required_unless_present = "store_at")]
    config: Option<PathBuf>,
    /// Clear this data directory, without a configuration
    #[arg(long, value_name = "DIR", conflicts_with = "config")]
    store_at: Option<PathBuf>,
    /// Remove what is listed; without it, it is only listed
    #[arg(long)]
    yes: bool,
}

/// A file that goes.
#[derive(Debug)]
struct Goes {
    name: String,
    bytes: u64,
    about: String,
    secret: bool,
}

/// Something that stays.
#[derive(Debug)]
struct Stays {
    name: String,
    what: String,
}

/// What lies in the directory.
#[derive(Debug, Default)]
struct Found {
    /// Secrets first: who breaks it off has at least those gone; the lock last.
    goes: Vec<Goes>,
    stays: Vec<Stays>,
}

/// Lists, and removes where it is told to.
pub fn run(options: &Options) -> Exit {
    let places = match (&options.config, &options.store_at) {
        (Some(config), _) => match config::places(config, &config::process_variables()) {
            Ok(places) => places,
            Err(report) => {
                complain(&report.draw(console::stderr_is_terminal()));
                return Exit::Configuration;
            }
        },
        (None, Some(directory)) => Places { data: directory.clone(), files: Vec::new(), named: Vec::new() },
        (None, None) => unreachable!("one of them is required"),
    };
    match wipe(&places, options) {
        Ok(exit) => exit,
        Err(error) => {
            complain(&plain(&error.to_string()));
            Exit::Outside
        }
    }
}

fn wipe(places: &Places, options: &Options) -> Result<Exit, StoreError> {
    let directory = &places.data;
    let failed = |source| StoreError::Directory { path: directory.clone(), source };
    ask_whether_free(directory)?;
    let mut found = match look(directory) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Found::default(),
        other => other.map_err(failed)?,
    };
    let _held = match options.yes && !found.goes.is_empty() {
        true => {
            let held = Claim::take(directory)?;
            // A daemon may have come and gone since, and the lock is there now.
            found = look(directory).map_err(failed)?;
            Some(held)
        }
        false => None,
    };
    show(places, &found);
    let here = plain(&directory.display().to_string());
    if found.goes.is_empty() {
        say(&format!("\nthere is nothing of the gateway in {here}"));
        return Ok(ended(directory, &found.stays));
    }
    if !options.yes {
        say("\nnothing was removed; --yes removes it");
        return Ok(Exit::Negative);
    }
    Ok(remove(directory, &found))
}

/// What lies in `directory`, in the order in which it goes.
fn look(directory: &Path) -> io::Result<Found> {
    let mut found = Found::default();
    for entry in fs::read_dir(directory)? {
        let entry = entry?;
        let name = entry.file_name();
        let meta = fs::symlink_metadata(entry.path())?;
        let known = name.to_str().and_then(data_files::known);
        match known.filter(|_| meta.is_file()) {
            Some(known) => {
                let other = if meta.nlink() > 1 { "; has another name as well, which stays" } else { "" };
                found.goes.push(Goes {
                    name: name.to_string_lossy().into_owned(),
                    bytes: meta.len(),
                    about: known.about + other,
                    secret: known.secret,
                });
            }
            None => found
                .stays
                .push(Stays { name: plain(&name.to_string_lossy()), what: kind(&entry.path(), &meta) }),
        }
    }
    found.goes.sort_by_key(|file| (file.name == LOCK.name(), !file.secret, file.name.clone()));
    found.stays.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(found)
}

fn kind(path: &Path, meta: &fs::Metadata) -> String {
    if meta.is_symlink() {
        let to = fs::read_link(path).map_or_else(|_| "?".to_owned(), |to| to.display().to_string());
        return format!("a link to {}; what it leads to may be the gateway's", plain(&to));
    }
    let what = match meta.is_dir() {
        true => "a directory",
        false if meta.is_file() => "a file",
        false => "no regular file",
    };
    what.to_owned()
}

fn show(places: &Places, found: &Found) {
    say(&format!("data directory {}", plain(&places.data.display().to_string())));
    for file in &found.goes {
        say(&format!("  goes   {:>15}  {:<28} {}", file.bytes, file.name, file.about));
    }
    for other in &found.stays {
        say(&format!("  stays  {:>15}  {:<28} not the gateway's: {}", "", other.name, other.what));
    }
    let bytes: u64 = found.goes.iter().map(|file| file.bytes).sum();
    say(&format!("  {} files, {:.1} MiB", found.goes.len(), bytes as f64 / f64::from(1 << 20)));
    say("\nnot taken away by this, and yours to see to:");
    let path = |path: &PathBuf| plain(&path.display().to_string());
    places.files.iter().for_each(|file| say(&format!("  {}: the configuration", path(file))));
    for file in &places.named {
        let what =
            if file.starts_with("$CREDENTIALS_DIRECTORY") { ", as the unit hands it over" } else { "" };
        say(&format!("  {}: named by the configuration{what}", path(file)));
    }
    for line in [
        "passwords and tokens in them hold until they are changed where they are used",
        "copies, backups, exports, log books, support bundles; the system's journal",
        "what broker, database and receivers were sent",
        "what lay on the medium: a deleted file is no erased one, flash media above all keep old blocks; \
         sanitise or destroy the medium by the shop's rule",
    ] {
        say(&format!("  {line}"));
    }
}

/// Removes what goes; what cannot be removed does not keep the rest.
fn remove(directory: &Path, found: &Found) -> Exit {
    let mut removed = 0;
    for file in &found.goes {
        // Takes away a name: if a link stands there by now, the link.
        match fs::remove_file(directory.join(&file.name)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                complain(&format!("{} is still there: {error}", file.name));
            }
            _ => removed += 1,
        }
    }
    let durable = File::open(directory).and_then(|directory| directory.sync_all());
    if let Err(error) = &durable {
        complain(&format!("the disk may not know of it yet: {error}"));
    }
    say(&format!("\nremoved {removed} files"));
    let exit = ended(directory, &found.stays);
    if removed < found.goes.len() || durable.is_err() { Exit::Outside } else { exit }
}

fn ended(directory: &Path, stays: &[Stays]) -> Exit {
    let here = plain(&directory.display().to_string());
    if stays.is_empty() {
        return Exit::Success;
    }
    complain(&format!("{here} is not empty: look at what stays, and remove it by hand"));
    Exit::Negative
}
