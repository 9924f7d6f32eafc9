//! Arguments, configuration, signals, exit code.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use sumpwarden::commands::store::Which;
use sumpwarden::commands::{self, console};
use tracing_subscriber::EnvFilter;

/// Keeps coolant sumps fit to cut with: polls their probes, works out what no probe measures, says what to do.
///
/// It is no safety system: safety data sheets, local codes and licensed practice come first.
#[derive(Parser, Debug)]
#[command(version = commands::VERSION, arg_required_else_help = true)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand, Debug)]
enum Command {
    /// Run the daemon until SIGTERM or Ctrl-C
    Run(Configured),
    /// Show every mistake of the configuration at once, or what would be polled how often; explain a key; look the store through
    Check(Box<commands::check::Options>),
    /// Read one probe once: raw words, value, quality and reason
    Read {
        #[command(flatten)]
        configured: Configured,
        /// Which: `SUMP/PROBE`, or `SUMP` for all probes of a sump
        what: String,
        /// Machine-readable
        #[arg(long)]
        json: bool,
    },
    /// Run a recorded history through the same engine as the daemon
    Replay {
        #[command(flatten)]
        configured: Configured,
        /// CSV file: `time,source,value`
        #[arg(long, value_name = "SAMPLES.csv")]
        input: PathBuf,
        /// Directory for estimates.csv, alarms.csv and events.csv; made if missing
        #[arg(long, value_name = "DIR")]
        output: PathBuf,
    },
    /// Take out what the store holds, also of a file that was set aside
    Export(Box<commands::export::Options>),
    /// Write the printed log book of a month: HTML to read, print and file
    Report(Box<commands::report::Options>),
    /// Write a sheet of stickers with a code for each sump, to print
    Labels(commands::labels::Options),
    /// Copy the store to one file, also while the daemon runs
    Snapshot {
        /// Configuration file (TOML); fragments beside it in `conf.d/` belong to it
        #[arg(long, short, value_name = "FILE", required_unless_present = "store_at")]
        config: Option<PathBuf>,
        /// Copy the store there, a data directory or a file, without a configuration
        #[arg(long, value_name = "PATH", conflicts_with = "config")]
        store_at: Option<PathBuf>,
        /// The copy; must not be there yet
        #[arg(long, value_name = "FILE")]
        output: PathBuf,
    },
    /// Go back to a copy of the store; the daemon must not run, the store in place is set aside
    Restore {
        #[command(flatten)]
        configured: Configured,
        /// The copy that `snapshot` made
        #[arg(long, value_name = "FILE")]
        from: PathBuf,
    },
    /// Write down what somebody measured, saw or did, through the running daemon
    Note(Box<commands::note::Options>),
    /// Who may log in on the page, through the running daemon
    People(commands::people::Options),
    /// List the alarms that stand, or do something about one, through the running daemon
    Alarm(Box<commands::alarm::Options>),
    /// Whether the box is well, on one screen: exit code 0 well, 1 something to look at, 69 not running
    Status(commands::status::Options),
    /// Gather what somebody elsewhere needs to see what is wrong: one archive, every secret masked
    Support(commands::support::Options),
    /// Remove all data and keys of a box that leaves the shop; the daemon must not run
    Wipe(commands::wipe::Options),
    /// Have the running daemon read its configuration anew, without losing a sample
    Reload(commands::reload::Options),
    /// Calibrate a pH or conductivity probe, step by step, through the running daemon
    Calibrate(Box<commands::calibrate::Options>),
    /// Ask in the trade's words for shop, waters, tanks and probes, and write a configuration that `check` accepts
    Init(Box<commands::init::Options>),
    /// Look what is on a serial line or at hosts of yours, and propose tables of the configuration; reads only
    Scan(Box<commands::scan::Options>),
    /// Reckon what to pour, drain or leave alone, from a configuration or from numbers alone
    Mix(Box<commands::mix::Options>),
    /// Simulated sumps on real Modbus and MQTT, with everything embedded
    #[cfg(feature = "demo")]
    Demo(commands::demo::Options),
}

#[derive(clap::Args, Debug)]
struct Configured {
    /// Configuration file (TOML); fragments beside it in `conf.d/` belong to it
    #[arg(long, short, value_name = "FILE")]
    config: PathBuf,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let quiet = !matches!(arguments.command, Command::Run(_));
    log_to_stderr(if quiet { "warn" } else { "info" });
    let exit = match arguments.command {
        Command::Run(configured) => commands::run::run(&configured.config),
        Command::Check(options) => commands::check::run(&options),
        Command::Read { configured, what, json } => commands::read::run(&configured.config, &what, json),
        Command::Replay { configured, input, output } => {
            commands::replay::run(&configured.config, &input, &output)
        }
        Command::Export(options) => commands::export::run(&options),
        Command::Report(options) => commands::report::run(&options),
        Command::Labels(options) => commands::labels::run(&options),
        Command::Snapshot { config, store_at, output } => {
            commands::store::copy(which(config.as_deref(), store_at.as_deref()), &output)
        }
        Command::Restore { configured, from } => commands::store::restore(&configured.config, &from),
        Command::Note(options) => commands::note::run(&options),
        Command::People(options) => commands::people::run(&options),
        Command::Alarm(options) => commands::alarm::run(&options),
        Command::Status(options) => commands::status::run(&options),
        Command::Support(options) => commands::support::run(&options),
        Command::Wipe(options) => commands::wipe::run(&options),
        Command::Reload(options) => commands::reload::run(&options),
        Command::Calibrate(options) => commands::calibrate::run(&options),
        Command::Init(options) => commands::init::run(&options),
        Command::Scan(options) => commands::scan::run(&options),
        Command::Mix(options) => commands::mix::run(&options),
        #[cfg(feature = "demo")]
        Command::Demo(options) => commands::demo::run(&options),
    };
    exit.into()
}

/// The store that is meant.
fn which<'a>(config: Option<&'a Path>, store_at: Option<&'a Path>) -> Which<'a> {
    match (config, store_at) {
        (_, Some(path)) => Which::At(path),
        (Some(config), None) => Which::Configured(config),
        (None, None) => unreachable!("one of them is required"),
    }
}

/// Logs to stderr, at `level` or as `RUST_LOG` says. A closed stderr is no reason to stop.
fn log_to_stderr(level: &str) {
    // The embedded broker calls every lost connection an error.
    let filter =
        EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(format!("{level},rumqttd=off")));
    let builder = tracing_subscriber::fmt().with_env_filter(filter).log_internal_errors(false);
    if console::stderr_is_terminal() {
        builder.with_writer(std::io::stderr).init();
    } else {
        // A journal or a file gets one JSON object a line: nothing a probe or a person wrote can break out of it.
        builder.json().with_writer(std::io::stderr).init();
    }
}
