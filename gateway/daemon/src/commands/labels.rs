//! `labels`: stickers for the sumps, each with a code that a phone follows to the page.

use std::path::PathBuf;

use clap::Args;
use sumpwarden_core::model::Name;

use super::console::plain;
use super::report::{new_file, why};
use super::{Exit, console, load};
use crate::stickers::sheet;

/// For which shop, and where to.
#[derive(Args, Debug)]
pub struct Options {
    /// Configuration file (TOML); fragments beside it in `conf.d/` belong to it
    #[arg(long, short, value_name = "FILE")]
    config: PathBuf,
    /// The sheet to print
    #[arg(long, value_name = "FILE.html")]
    output: PathBuf,
}

/// Writes a sheet of stickers.
pub fn run(options: &Options) -> Exit {
    let settings = match load(&options.config) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    // Codes that let a phone write without the key: none are given out yet.
    let code = |_: &Name| None;
    let sheet = match sheet(&settings, code) {
        Ok(sheet) => sheet,
        Err(error) => {
            console::complain(&plain(&error.to_string()));
            return Exit::Configuration;
        }
    };
    match new_file(&options.output, &sheet) {
        Ok(()) => {
            console::say(&plain(&options.output.display().to_string()));
            Exit::Success
        }
        Err((path, error)) => {
            console::complain(&plain(&format!("{}: {}", path.display(), why(&error))));
            Exit::Outside
        }
    }
}
