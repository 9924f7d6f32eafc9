//! `labels`: stickers for the sumps, each with a code that a phone follows to the page.

use std::cell::Cell;
use std::path::PathBuf;

use clap::Args;
use sumpwarden_core::model::Name;

use super::console::plain;
use super::report::{new_file, why};
use super::{Exit, console, load};
use crate::edge::web::access::Access;
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
    let told = Cell::new(false);
    let code = |sump: &Name| {
        let found = Access::sticker_code(&settings.store.directory, sump);
        let complain = |error: &std::io::Error| {
            if !told.replace(true) {
                let cure = "start the daemon once, and run this as its user; without codes the stickers lead to a login";
                console::complain(&plain(&format!("no codes: {error}; {cure}")));
            }
        };
        found.inspect_err(complain).ok()
    };
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
