//! Injects faults into the gateway's own program while it works, and looks for what it had promised to keep.
//!
//! `campaign [--short|--long] [--only NAME|NUMBER]… [--json FILE] [--prove]`. Each campaign prints a row: how often the fault
//! was injected, what happened, and how many numbers were answered by devices and broker, stored, forwarded, set aside
//! and lost. A number is lost if it had been seen durable in the file and is no longer there, if the broker had taken it and
//! it was never stored, or if it is stored and never comes to the database; the same holds for messages to people. The table of all faults that were
//! thought of, with what shows each, is `catalogue.toml`; what is not injected here names its test or says why not.
//!
//! `--prove` runs campaigns on builds that break a promise on purpose, and fails unless each is
//! accused of breaking that promise.

mod account;
mod broker;
mod catalogue;
mod database;
mod disk;
mod modbus;
mod others;
mod outcome;
mod plant;
mod power;
mod process;
mod prove;
mod relay;
mod soak;
mod time;
mod web;
mod witness;

use std::error::Error;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use clap::Parser;
use indicatif::{ProgressBar, ProgressStyle};
use sumpwarden_sim::rng::Rng;

use catalogue::Catalogue;
use outcome::{Outcome, table};
use plant::Build;

/// Injects faults into the running gateway and proves by numbered samples that nothing promised is lost.
#[derive(Parser, Debug)]
struct Arguments {
    /// A few faults of each kind, minutes (the default).
    #[arg(long, conflicts_with = "long")]
    short: bool,
    /// Hundreds of faults of each kind, hours.
    #[arg(long)]
    long: bool,
    /// Only the campaign of this name, or those that cover this number of the catalogue.
    #[arg(long, value_name = "NAME|NUMBER")]
    only: Vec<String>,
    /// So many faults of each kind instead.
    #[arg(long, value_name = "N")]
    times: Option<u64>,
    /// How long the soak of a long run lasts, minutes.
    #[arg(long, default_value_t = 60)]
    minutes: u64,
    /// Seed of all that is drawn by lot.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Write the results as JSON.
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Another build of the gateway than the one beside this program.
    #[arg(long, value_name = "FILE")]
    program: Option<PathBuf>,
    /// Run campaigns on builds that break a promise; fails unless each is accused of that.
    #[arg(long)]
    prove: bool,
    /// List the campaigns and what they cover.
    #[arg(long)]
    list: bool,
}

/// How a campaign is to be run.
pub(crate) struct Around {
    pub(crate) long: bool,
    pub(crate) seed: u64,
    pub(crate) minutes: u64,
    pub(crate) build: Build,
    /// Whether the build breaks a promise on purpose.
    pub(crate) proof: bool,
    times: Option<u64>,
    bar: ProgressBar,
}

impl Around {
    /// One of two sizes.
    pub(crate) fn size(&self, short: u64, long: u64) -> u64 {
        if self.long { long } else { short }
    }

    /// How many faults.
    pub(crate) fn times(&self, short: u64, long: u64) -> u64 {
        self.times.unwrap_or_else(|| self.size(short, long))
    }

    /// Shows how far it is.
    pub(crate) fn step(&self, done: u64, of: u64) {
        self.bar.set_length(of);
        self.bar.set_position(done);
    }
}

/// Draws by lot.
pub(crate) struct Dice(Rng);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(Rng::new(seed))
    }

    /// A whole number from `from` up to `until`, which it never is.
    pub(crate) fn between(&mut self, from: u64, until: u64) -> u64 {
        from + self.0.below((until - from).max(1))
    }
}

/// A campaign.
type Run = fn(&Around) -> Outcome;

/// What is said of a campaign that did not come to its end.
const BROKE_OFF: &str = "broke off";

/// Every campaign by its name in the catalogue.
const CAMPAIGNS: [(&str, Run); 24] = [
    ("kill", process::kill),
    ("power", power::cut),
    ("step", disk::step),
    ("stop", process::stop),
    ("freeze", process::freeze),
    ("two", process::two),
    ("unheard", process::unheard),
    ("starved", process::starved),
    ("memory", process::memory),
    ("database", database::moods),
    ("outage", database::outage),
    ("broker-restart", broker::restart),
    ("broker-frozen", broker::frozen),
    ("broker-hostile", broker::hostile),
    ("device-replies", modbus::replies),
    ("device-restart", modbus::restart),
    ("device-dead", modbus::dead),
    ("device-half-open", modbus::half_open),
    ("sync", disk::sync),
    ("write", disk::write),
    ("disk-full", disk::full),
    ("disk-read-only", disk::read_only),
    ("clock", time::step),
    ("visitors", web::visitors),
];

fn main() -> ExitCode {
    match work(&Arguments::parse()) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => {
            say_error(error.as_ref());
            ExitCode::from(2)
        }
    }
}

#[expect(clippy::print_stderr, reason = "a program's errors")]
fn say_error(error: &dyn Error) {
    eprintln!("campaign: {error}");
}

#[expect(clippy::print_stdout, reason = "the table is what it is run for")]
fn say(text: &str) {
    println!("{text}");
}

fn work(arguments: &Arguments) -> Result<bool, Box<dyn Error>> {
    let catalogue = Catalogue::read()?;
    let mut chosen: Vec<(&str, Run)> = CAMPAIGNS.into_iter().chain([("soak", soak::soak as Run)]).collect();
    catalogue.check_campaigns(&chosen.iter().map(|(name, _)| *name).collect::<Vec<_>>())?;
    if !arguments.only.is_empty() {
        let wanted = |name: &str| {
            arguments.only.iter().any(|only| {
                only == name || only.parse().is_ok_and(|number| catalogue.rows_of(name).contains(&number))
            })
        };
        chosen.retain(|(name, _)| wanted(name));
        if chosen.is_empty() {
            return Err(catalogue.explain(&arguments.only).into());
        }
    }
    if arguments.list {
        say(&catalogue.text());
        return Ok(true);
    }
    if arguments.prove {
        return prove::prove(arguments);
    }
    let build = Build { program: arguments.program.clone(), variables: Vec::new() };
    let mut outcomes = Vec::new();
    for (name, run) in chosen {
        let outcome = one(arguments, name, run, &catalogue, &build);
        say(&table(std::slice::from_ref(&outcome)));
        outcomes.push(outcome);
    }
    say(&table(&outcomes));
    if let Some(file) = &arguments.json {
        std::fs::write(file, serde_json::to_string_pretty(&outcomes)?)?;
    }
    Ok(outcomes.iter().all(Outcome::good))
}

/// Runs one campaign to its end; a panic within it is a thing that is wrong.
fn one(arguments: &Arguments, name: &str, run: Run, catalogue: &Catalogue, build: &Build) -> Outcome {
    let style = ProgressStyle::with_template("{prefix:16} {bar:30} {pos}/{len} {elapsed_precise}");
    let bar = ProgressBar::new(1).with_style(style.expect("a sound template")).with_prefix(name.to_owned());
    bar.enable_steady_tick(Duration::from_millis(500));
    let around = Around {
        long: arguments.long,
        seed: arguments.seed,
        minutes: arguments.minutes,
        build: build.clone(),
        proof: arguments.prove,
        times: arguments.times,
        bar,
    };
    let mut outcome = catch_unwind(AssertUnwindSafe(|| run(&around))).unwrap_or_else(|panic| {
        let text = panic.downcast_ref::<String>().cloned();
        let text = text.or_else(|| panic.downcast_ref::<&str>().map(|text| (*text).to_owned()));
        let mut outcome = Outcome::new(0);
        outcome.expect(false, format!("{BROKE_OFF}: {}", text.unwrap_or_default()));
        outcome
    });
    around.bar.finish_and_clear();
    outcome.expect(outcome.injected > 0, "no fault was injected");
    outcome.name = name.to_owned();
    outcome.rows = catalogue.rows_of(name);
    outcome
}
