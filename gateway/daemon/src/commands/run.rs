//! `run`: the daemon until it is told to stop.

use std::path::Path;

use tokio::signal::unix::{SignalKind, signal};

use super::{Exit, block_on, console, load};
use crate::config::Settings;
use crate::supervise;

/// Runs until SIGTERM or Ctrl-C; a second one ends it at once.
pub fn run(config: &Path) -> Exit {
    match load(config) {
        Ok(settings) => block_on(daemon(settings)).unwrap_or_else(|exit| exit),
        Err(exit) => exit,
    }
}

async fn daemon(settings: Settings) -> Exit {
    let mut told = match Told::listen() {
        Ok(told) => told,
        Err(error) => {
            console::complain(&format!("cannot listen for signals: {error}"));
            return Exit::Outside;
        }
    };
    let running = match supervise::start(settings).await {
        Ok(running) => running,
        Err(error) => {
            console::complain(&error.to_string());
            return Exit::Outside;
        }
    };
    tracing::info!(page = %running.web, version = env!("CARGO_PKG_VERSION"), "running");
    let lost = tokio::select! {
        () = told.come() => false,
        () = running.acquisition_lost() => true,
    };
    if lost {
        tracing::error!(
            "acquisition has ended by itself; stopping so that the supervisor starts the daemon anew"
        );
    }
    tokio::select! {
        () = running.stop() => {}
        () = told.come() => tracing::warn!("told twice, stopping at once"),
    }
    if lost { Exit::Outside } else { Exit::Success }
}

/// The signals that ask for an end.
pub(super) struct Told {
    terminate: tokio::signal::unix::Signal,
    interrupt: tokio::signal::unix::Signal,
}

impl Told {
    /// Listens from now on.
    pub(super) fn listen() -> std::io::Result<Self> {
        let (terminate, interrupt) = (signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?);
        Ok(Self { terminate, interrupt })
    }

    /// Completes at the next of them.
    pub(super) async fn come(&mut self) {
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
        }
    }
}
