//! What is measured inside one process of its own: each part is the bench run again with a hidden command, which prints
//! its figures as one line of JSON. So neither memory nor processor time of one part is counted with another's.

use std::collections::BTreeMap;
use std::error::Error;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use clap::Subcommand;
use rustix::time::{ClockId, clock_gettime};

use crate::{bound, devices, estimator, month, notify, polling, serial, store};

/// Figures by name.
pub(crate) type Figures = BTreeMap<String, f64>;

/// What the bench runs itself as.
#[derive(Subcommand)]
#[command(hide = true)]
pub(crate) enum Role {
    /// The load: devices on Modbus TCP.
    ServeDevices { count: usize },
    /// Bare sockets.
    Bound {
        #[arg(value_delimiter = ',')]
        ports: Vec<u16>,
    },
    /// Acquisition and conversion alone.
    Poll {
        period_us: u64,
        #[arg(value_delimiter = ',')]
        ports: Vec<u16>,
    },
    /// A serial line kept full.
    Serial { baud: u32, dead: u8, seconds: u64 },
    /// The estimator on one sump's quarter.
    Estimator { rounds: usize },
    /// Samples made durable as fast as it goes.
    Durable { directory: PathBuf, seconds: i64 },
    /// Days of six probes into a store, packed, and trends out of it.
    Days { directory: PathBuf, days: i64 },
    /// From a reading that crosses a limit to the receiver.
    Notify { directory: PathBuf, messages: u64 },
    /// Engine and store through simulated days.
    Month { directory: PathBuf, sumps: usize, days: u64 },
}

impl Role {
    /// Plays it: a load or a contender until it is told to end, the others until they have printed their figures.
    pub(crate) fn play(self) -> Result<(), Box<dyn Error>> {
        let figures = match self {
            Self::ServeDevices { count } => return devices::serve(count),
            Self::Bound { ports } => return bound::poll_for_ever(&ports),
            Self::Poll { ports, period_us } => {
                return polling::poll_for_ever(&ports, Duration::from_micros(period_us));
            }
            Self::Serial { baud, dead, seconds } => serial::measure(baud, dead, seconds)?,
            Self::Estimator { rounds } => estimator::measure(rounds),
            Self::Durable { directory, seconds } => store::durable(&directory, seconds),
            Self::Days { directory, days } => store::days(&directory, days),
            Self::Notify { directory, messages } => notify::measure(&directory, messages)?,
            Self::Month { directory, sumps, days } => month::measure(&directory, sumps, days)?,
        };
        let mut out = std::io::stdout().lock();
        serde_json::to_writer(&mut out, &figures)?;
        Ok(out.flush()?)
    }
}

/// Runs `bench` again as one of its roles and gives the figures.
pub(crate) fn figures(bench: &Path, arguments: &[&str]) -> Result<Figures, Box<dyn Error>> {
    let output =
        Command::new(bench).args(arguments).stdin(Stdio::null()).stderr(Stdio::inherit()).output()?;
    if !output.status.success() {
        return Err(format!("{}: {}", arguments.join(" "), output.status).into());
    }
    Ok(serde_json::from_slice(&output.stdout)?)
}

/// Figures from names and numbers.
pub(crate) fn named<const N: usize>(figures: [(&str, f64); N]) -> Figures {
    figures.into_iter().map(|(name, figure)| (name.to_owned(), figure)).collect()
}

/// Processor time of this process so far, all threads, s.
pub(crate) fn process_seconds() -> f64 {
    let time = clock_gettime(ClockId::ProcessCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 / 1e9
}

/// A directory that is empty now.
pub(crate) fn emptied(directory: &Path) -> std::io::Result<()> {
    if directory.exists() {
        fs::remove_dir_all(directory)?;
    }
    fs::create_dir_all(directory)
}
