//! Measures the gateway against a well-written peer and against bare sockets, all in one run:
//!
//! ```text
//! cargo run --release -p sumpwarden-tests --bin bench                everything, about half an hour
//! cargo run --release -p sumpwarden-tests --bin bench -- --short     a few seconds a row; the figures are rough
//! cargo run --release -p sumpwarden-tests --bin bench -- --only beat one group of rows
//! ```
//!
//! `bench sizing` measures what a sump costs instead, for `deploy/handbook/sizing.md` ([`sizing`], [`year`]).
//!
//! The load is a process of its own ([`devices`]), and so is each contender: the gateway ([`gateway`]: the released
//! binary; [`polling`]: its acquisition and conversion alone), the Python peer ([`peer`], `peer.py`) and bare sockets
//! ([`bound`]). Only the contender's own CPU time counts, and only what the devices answered and what reached the sink
//! is believed. What needs no contender is measured in a process of its own as well ([`alone`]). `RESULTS.md` says what
//! the rows mean.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "the table is what this program is for")]

mod alone;
mod apart;
mod beat;
mod bound;
mod contest;
mod curve;
mod devices;
mod estimator;
mod gateway;
mod month;
mod notify;
mod peer;
mod polling;
mod process;
mod quantiles;
mod replay;
mod restore;
mod rows;
mod scale;
mod serial;
mod service;
mod sink;
mod sizing;
mod starts;
mod store;
mod table;
mod wire;
mod year;

use std::error::Error;
use std::path::PathBuf;

use clap::Parser;
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

/// Measures the gateway against a well-written peer and against bare sockets.
///
/// Run as: cargo run --release -p sumpwarden-tests --bin bench
#[derive(Parser)]
struct Arguments {
    /// A few seconds a row; for CI, the figures are rough.
    #[arg(long)]
    short: bool,
    /// Writes the table to FILE as well, as JSON.
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Draws the curves to FILE, as SVG.
    #[arg(long, value_name = "FILE")]
    curves: Option<PathBuf>,
    /// Only some rows, comma between them.
    #[arg(long, value_name = "ROWS", value_delimiter = ',', value_enum)]
    only: Vec<rows::Part>,
    #[command(subcommand)]
    role: Option<alone::Role>,
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments = Arguments::parse();
    if let Some(role) = arguments.role {
        return role.play();
    }
    raise_descriptors()?;
    let report = rows::measure(arguments.short, &arguments.only)?;
    print!("{}", report.draw());
    if let Some(file) = arguments.json {
        std::fs::write(file, serde_json::to_vec_pretty(&report)?)?;
    }
    if let Some(file) = arguments.curves {
        std::fs::write(file, curve::draw(&report.curves))?;
    }
    Ok(())
}

/// Five thousand devices take ten thousand descriptors at their end.
fn raise_descriptors() -> Result<(), Box<dyn Error>> {
    let limit = getrlimit(Resource::Nofile);
    Ok(setrlimit(Resource::Nofile, Rlimit { current: limit.maximum, ..limit })?)
}
