//! F9: configuration files to checked settings, with all mistakes at once.
//!
//! Files and environment variables (`sources`, `variables`) → layered tree → the tree with every type expanded (`types`) → file shapes
//! (`reader`, [`file`]) → checked settings (`checked`). Every mistake carries file, line, column, the offending text and what would be right ([`report`]).
//! Nothing here opens a device, a store or a socket; the only other files read are those that hold secrets.

mod checked;
pub mod file;
mod in_force;
mod nearest;
mod places;
pub mod quantity;
mod reader;
pub mod report;
mod schema;
mod sources;
pub mod tasks;
mod types;
mod variables;

use std::path::{Path, PathBuf};

pub(crate) use nearest::did_you_mean;

pub(crate) use checked::BAUDS;
pub use checked::{PageTls, Peer, Settings, SharedBus, SiteSettings, StoreConfig, WebSettings};
pub use in_force::{Setting, in_force};
pub use places::{Places, places};
pub use report::Report;
pub use schema::{Explained, NoSuchKey, explain, schema};
pub(crate) use sources::is_secret;
pub use sources::{ALL_BYTES_MAX, FILE_BYTES_MAX, FRAGMENTS_DIRECTORY, FRAGMENTS_MAX, ITEMS_MAX};
pub use variables::VARIABLE_PREFIX;

/// Where the data lies if nothing is written, beside the configuration.
const DATA_DIRECTORY: &str = "data";

/// A configuration that may be put in force.
#[derive(Clone, PartialEq, Debug)]
pub struct Loaded {
    /// What it says.
    pub settings: Settings,
    /// What somebody should look at; holds no mistake.
    pub warnings: Report,
    /// Files it was read from, the main one first.
    pub files: Vec<PathBuf>,
}

/// Loads the file at `path`, the fragments in `conf.d` beside it and the variables of this process.
pub fn load(path: &Path) -> Result<Loaded, Report> {
    load_with(path, &process_variables())
}

/// Loads the file at `path`, the fragments beside it and these variables, of which only those whose names start with
/// [`VARIABLE_PREFIX`] count.
pub fn load_with(path: &Path, variables: &[(String, String)]) -> Result<Loaded, Report> {
    let Read { settings, report, .. } = read_with(path, variables, Recording::Off);
    match settings {
        Some(settings) if !report.refuses() => {
            let files = report.files.iter().map(|file| file.path.clone()).collect();
            Ok(Loaded { settings, warnings: report, files })
        }
        _ => Err(report),
    }
}

/// Whether defaults and ranges are recorded.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Recording {
    Off,
    On,
}

/// All that comes of reading a configuration.
struct Read {
    layered: sources::Layered,
    settings: Option<Settings>,
    facts: in_force::Facts,
    report: Report,
}

fn read_with(path: &Path, variables: &[(String, String)], recording: Recording) -> Read {
    let mut report = Report::default();
    let (layered, mut wrong) = layered(path, variables, &mut report);
    let (shop, more) = reader::read(&layered);
    wrong.extend(more);
    let base = path.parent().unwrap_or(Path::new("")).to_owned();
    let record = recording == Recording::On;
    let (settings, facts) = checked::check(shop, wrong, &layered, base, record, &mut report);
    report.mistakes.sort();
    report.mistakes.dedup();
    Read { layered, settings, facts, report }
}

/// Files and variables as one tree, types expanded; and what is wrong with the types.
fn layered(
    path: &Path,
    variables: &[(String, String)],
    report: &mut Report,
) -> (sources::Layered, Vec<reader::Wrong>) {
    let layered = sources::gather(path, report);
    let mut layered = variables::add(layered, variables, true, report);
    let wrong = types::expand(&mut layered, report);
    (variables::add(layered, variables, false, report), wrong)
}

/// Variables of this process with the prefix; one that is no Unicode keeps its name, and its text is marked as such.
pub fn process_variables() -> Vec<(String, String)> {
    let mut variables: Vec<(String, String)> = std::env::vars_os()
        .map(|(name, text)| (name.to_string_lossy().into_owned(), text.to_string_lossy().into_owned()))
        .filter(|(name, _)| name.starts_with(VARIABLE_PREFIX))
        .collect();
    variables.sort();
    variables
}

#[cfg(test)]
pub(crate) mod tests;
