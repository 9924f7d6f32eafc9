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

use crate::{apart, bound, devices, estimator, month, notify, polling, restore, serial, sizing, store};

/// Figures by name.
pub(crate) type Figures = BTreeMap<String, f64>;

/// What else the bench measures, and what it runs itself as.
#[derive(Subcommand)]
pub(crate) enum Role {
    /// What a sump costs: processor, memory, disk, network.
    Sizing(sizing::Options),
    /// The load: devices on Modbus TCP.
    #[command(hide = true)]
    ServeDevices { count: usize },
    /// Bare sockets.
    #[command(hide = true)]
    Bound {
        #[arg(value_delimiter = ',')]
        ports: Vec<u16>,
    },
    /// Acquisition and conversion alone.
    #[command(hide = true)]
    Poll {
        period_us: u64,
        #[arg(value_delimiter = ',')]
        ports: Vec<u16>,
    },
    /// A serial line kept full.
    #[command(hide = true)]
    Serial { baud: u32, dead: u8, settle: u64, seconds: u64 },
    /// The estimator on one sump's quarter.
    #[command(hide = true)]
    Estimator { rounds: usize },
    /// Samples made durable as fast as it goes.
    #[command(hide = true)]
    Durable { directory: PathBuf, seconds: i64 },
    /// Days of six probes into a store, packed, and trends out of it.
    #[command(hide = true)]
    Days { directory: PathBuf, days: i64 },
    /// Back to a copy of a store of so many MiB.
    #[command(hide = true)]
    Restore { directory: PathBuf, mib: u64 },
    /// From a reading that crosses a limit to the receiver.
    #[command(hide = true)]
    Notify { directory: PathBuf, messages: u64 },
    /// Engine and store through simulated days.
    #[command(hide = true)]
    Month { directory: PathBuf, sumps: usize, days: u64 },
    /// The same engines fed in two orders.
    #[command(hide = true)]
    Apart { directory: PathBuf, sumps: usize, days: u64 },
}

impl Role {
    /// Plays it: a load or a contender until it is told to end, the others until they have printed their figures.
    pub(crate) fn play(self) -> Result<(), Box<dyn Error>> {
        let figures = match self {
            Self::Sizing(options) => return sizing::run(&options),
            Self::ServeDevices { count } => return devices::serve(count),
            Self::Bound { ports } => return bound::poll_for_ever(&ports),
            Self::Poll { ports, period_us } => {
                return polling::poll_for_ever(&ports, Duration::from_micros(period_us));
            }
            Self::Serial { baud, dead, settle, seconds } => {
                let [settle, seconds] = [settle, seconds].map(Duration::from_secs);
                serial::measure(baud, dead, settle, seconds)?
            }
            Self::Estimator { rounds } => estimator::measure(rounds),
            Self::Durable { directory, seconds } => store::durable(&directory, seconds),
            Self::Days { directory, days } => store::days(&directory, days),
            Self::Restore { directory, mib } => restore::measure(&directory, mib)?,
            Self::Notify { directory, messages } => notify::measure(&directory, messages)?,
            Self::Month { directory, sumps, days } => month::measure(&directory, sumps, days)?,
            Self::Apart { directory, sumps, days } => apart::measure(&directory, sumps, days)?,
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
