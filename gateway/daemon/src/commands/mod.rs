//! F9: what the commands do; `main` only reads arguments.

pub mod alarm;
pub mod calibrate;
pub mod check;
pub mod console;
#[cfg(feature = "demo")]
pub mod demo;
mod explain;
pub mod export;
pub mod init;
pub mod labels;
pub mod mix;
pub mod note;
pub mod people;
pub mod read;
pub mod reload;
pub mod replay;
pub mod report;
pub mod run;
mod running;
pub mod scan;
pub mod status;
pub mod store;
pub mod support;
pub mod wipe;

use std::path::Path;
use std::process::ExitCode;

use crate::config::{self, Settings};
use crate::edge::precedence;
use crate::faults;
use crate::supervise::panics::Fatal;

/// How a command ended. The numbers are those of `sysexits.h`, so that scripts and units can tell them apart.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Exit {
    /// Done.
    Success,
    /// The probe gave no usable value, a mistake was found in what was to be checked, or what was asked for cannot be.
    Negative,
    /// Arguments name something that is not there.
    Usage,
    /// Something outside failed: a file, a port, a disk.
    Outside,
    /// There is no daemon that answers.
    NotRunning,
    /// The configuration has mistakes.
    Configuration,
    /// The daemon has crashed.
    Panicked,
    /// The daemon wants to be started anew, all of it.
    Anew,
}

/// The version, and what is compiled in that is never to be used in earnest.
pub const VERSION: &str = if faults::COMPILED_IN {
    concat!(env!("CARGO_PKG_VERSION"), " with injected faults, for tests only")
} else {
    env!("CARGO_PKG_VERSION")
};

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(match exit {
            Exit::Success => 0,
            Exit::Negative => 1,
            Exit::Usage => 64,
            Exit::NotRunning => 69,
            Exit::Outside => 74,
            Exit::Panicked => Fatal::Panicked.code(),
            Exit::Anew => 75,
            Exit::Configuration => 78,
        })
    }
}

/// The checked configuration at `path`. Mistakes go to stderr, all at once; warnings too, but do not stop anything.
fn load(path: &Path) -> Result<Settings, Exit> {
    let colour = console::stderr_is_terminal();
    match config::load(path) {
        Ok(loaded) => {
            if !loaded.warnings.mistakes.is_empty() {
                console::complain(&loaded.warnings.draw(colour));
            }
            Ok(loaded.settings)
        }
        Err(report) => {
            console::complain(&report.draw(colour));
            Err(Exit::Configuration)
        }
    }
}

/// Runs `future` on a runtime of several threads, with timers and I/O; they step behind the thread that polls.
fn block_on<T>(future: impl Future<Output = T>) -> Result<T, Exit> {
    let mut threads = tokio::runtime::Builder::new_multi_thread();
    match threads.enable_all().on_thread_start(precedence::step_back).build() {
        Ok(runtime) => {
            let done = runtime.block_on(future);
            runtime.shutdown_background();
            Ok(done)
        }
        Err(error) => {
            console::complain(&format!("cannot start: {error}"));
            Err(Exit::Outside)
        }
    }
}
