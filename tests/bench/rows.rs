//! What is measured, in which order.

mod inside;
mod load;

use std::error::Error;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::ValueEnum;

use crate::contest::Pace;
use crate::sink::Sink;
use crate::table::{Report, heading};
use crate::{gateway, peer, scale};

/// Groups of rows.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum Part {
    /// Full speed, stored and written out.
    Written,
    /// Full speed, polled and converted.
    Polled,
    /// Once a second: CPU, memory, jitter.
    Beat,
    /// Serial lines against their wire.
    Serial,
    /// Estimator and replay.
    History,
    /// Store.
    Store,
    /// A large store copied, and back.
    Restore,
    /// A day without the database.
    Backlog,
    /// From a reading to a receiver.
    Messages,
    /// Starts, and the size of the program.
    Start,
    /// Memory over a simulated month.
    Month,
    /// What grows with what.
    Scale,
    /// A clean build; only where it is named.
    Build,
}

/// How long everything takes.
struct Plan {
    pace: Pace,
    beat_warm_up: Duration,
    beat_window: Duration,
}

impl Plan {
    fn new(short: bool) -> Self {
        let s = Duration::from_secs;
        if short {
            let pace = Pace { warm_up: s(1), window: s(2), rounds: 1 };
            return Self { pace, beat_warm_up: s(4), beat_window: s(5) };
        }
        let pace = Pace { warm_up: s(2), window: s(8), rounds: 5 };
        Self { pace, beat_warm_up: s(15), beat_window: s(60) }
    }
}

/// What every row needs.
pub(crate) struct Stage {
    repository: PathBuf,
    python: PathBuf,
    /// This program.
    pub(crate) bench: PathBuf,
    /// The gateway's.
    pub(crate) binary: PathBuf,
    /// Emptied by whoever uses it.
    pub(crate) folder: PathBuf,
    /// The database.
    pub(crate) sink: Sink,
    plan: Plan,
    short: bool,
}

/// Measures the parts asked for; all but the build where none is named.
pub(crate) fn measure(short: bool, only: &[Part]) -> Result<Report, Box<dyn Error>> {
    let repository = Path::new(env!("CARGO_MANIFEST_DIR")).parent().ok_or("no repository")?.to_owned();
    eprintln!("building the gateway, installing the peer");
    let stage = Stage {
        python: peer::install(&repository)?,
        binary: gateway::build(&repository)?,
        bench: std::env::current_exe()?,
        folder: std::env::temp_dir().join(format!("sumpwarden-bench-{}", std::process::id())),
        sink: Sink::start(),
        plan: Plan::new(short),
        short,
        repository,
    };
    let mut report = Report { heading: heading(), rows: Vec::new(), curves: Vec::new() };
    let all: Vec<Part> = Part::value_variants().iter().copied().filter(|&part| part != Part::Build).collect();
    let wanted = if only.is_empty() { &all } else { only };
    let done = wanted.iter().try_for_each(|&part| stage.part(part, &mut report));
    if stage.folder.exists() {
        std::fs::remove_dir_all(&stage.folder)?;
    }
    done.map(|()| report)
}

impl Stage {
    fn part(&self, part: Part, report: &mut Report) -> Result<(), Box<dyn Error>> {
        match part {
            Part::Written => self.written(report),
            Part::Polled => self.polled(report),
            Part::Beat => self.beat(report),
            Part::Serial => self.serial(report),
            Part::History => self.history(report),
            Part::Store => self.store(report),
            Part::Restore => self.restore(report),
            Part::Backlog => self.backlog(report),
            Part::Messages => self.messages(report),
            Part::Start => self.start(report),
            Part::Month => self.month(report),
            Part::Build => self.build(report),
            Part::Scale => {
                report.curves = scale::measure(self, self.short)?;
                Ok(())
            }
        }
    }
}
