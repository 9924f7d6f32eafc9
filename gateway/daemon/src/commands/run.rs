//! `run`: the daemon until it is told to stop.

use std::panic::AssertUnwindSafe;
use std::path::Path;

use tokio::signal::unix::{Signal, SignalKind, signal};

use super::{Exit, VERSION, block_on, console, load};
use crate::config::Settings;
use crate::supervise::{self, Running, panics};

/// Runs until SIGTERM or Ctrl-C; a second one ends it at once. At SIGHUP it reads its configuration anew.
pub fn run(config: &Path) -> Exit {
    match load(config) {
        Ok(settings) => guarded(settings, config),
        Err(exit) => exit,
    }
}

/// A panic of the thread that runs it all is an end like any other: told, written down, and the unit starts it anew.
fn guarded(settings: Settings, file: &Path) -> Exit {
    panics::watch();
    let ended = std::panic::catch_unwind(AssertUnwindSafe(|| block_on(daemon(settings, file))));
    match ended {
        Ok(ended) => ended.unwrap_or_else(|exit| exit),
        Err(_) => Exit::Panicked,
    }
}

async fn daemon(settings: Settings, file: &Path) -> Exit {
    let listening = Told::listen().and_then(|told| Ok((told, signal(SignalKind::hangup())?)));
    let (mut told, mut anew) = match listening {
        Ok(both) => both,
        Err(error) => {
            console::complain(&format!("cannot listen for signals: {error}"));
            return Exit::Outside;
        }
    };
    let mut running = match supervise::start_from(settings, Some(file.to_owned())).await {
        Ok(running) => running,
        Err(error) => {
            console::complain(&error.to_string());
            return Exit::Outside;
        }
    };
    tracing::info!(page = %running.web, version = VERSION, "running");
    let exit = tokio::select! {
        () = told.come() => Exit::Success,
        exit = until_ended(&mut running, &mut anew) => exit,
    };
    tokio::select! {
        () = running.stop() => {}
        () = told.come() => {
            tracing::warn!("told twice, stopping at once");
            panics::ended_cleanly();
        }
    }
    exit
}

/// Why it ends without having been told to.
async fn until_ended(running: &mut Running, anew: &mut Signal) -> Exit {
    running.ready().await;
    let reloading = async {
        while anew.recv().await.is_some() {
            running.reload();
        }
        // The runtime ends.
        std::future::pending::<()>().await;
    };
    tokio::select! {
        () = reloading => Exit::Success,
        () = running.lost() => {
            tracing::error!("a vital thread or task has ended by itself; stopping so that the daemon is started anew");
            if panics::has_crashed() { Exit::Panicked } else { Exit::Outside }
        }
        () = running.reduced_for_long() => {
            tracing::warn!("reduced for an hour without a crash; stopping so that all of it is started anew");
            Exit::Anew
        }
    }
}

/// The signals that ask for an end.
pub(super) struct Told {
    terminate: Signal,
    interrupt: Signal,
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
