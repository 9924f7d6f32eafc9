//! Measures the gateway against a well-written peer and against bare sockets, all in one run:
//!
//! ```text
//! cargo run --release -p sumpwarden-tests --bin bench             about seven minutes
//! cargo run --release -p sumpwarden-tests --bin bench -- --short  about one; for CI, the figures are rough
//! ```
//!
//! The load is a process of its own ([`devices`]), and so is each contender: the gateway ([`gateway`]: the released
//! binary; [`polling`]: its acquisition and conversion alone), the Python peer ([`peer`], `peer.py`) and bare sockets
//! ([`bound`]). Only the contender's own CPU time counts, and only what the devices answered and what reached the sink
//! is believed. `RESULTS.md` says what the rows mean.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "the table is what this program is for")]

mod beat;
mod bound;
mod contest;
mod devices;
mod gateway;
mod peer;
mod polling;
mod process;
mod quantiles;
mod rows;
mod sink;
mod starts;
mod table;
mod wire;

use std::error::Error;
use std::path::PathBuf;
use std::time::Duration;

use clap::{Parser, Subcommand};

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
    /// Only some rows, comma between them.
    #[arg(long, value_name = "ROWS", value_delimiter = ',', value_enum)]
    only: Vec<rows::Part>,
    #[command(subcommand)]
    role: Option<Role>,
}

/// What the bench runs itself as.
#[derive(Subcommand)]
#[command(hide = true)]
enum Role {
    /// The load.
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
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments = Arguments::parse();
    match arguments.role {
        Some(Role::ServeDevices { count }) => devices::serve(count),
        Some(Role::Bound { ports }) => bound::poll_for_ever(&ports),
        Some(Role::Poll { ports, period_us }) => {
            polling::poll_for_ever(&ports, Duration::from_micros(period_us))
        }
        None => {
            let report = rows::measure(arguments.short, &arguments.only)?;
            print!("{}", report.draw());
            if let Some(file) = arguments.json {
                std::fs::write(file, serde_json::to_vec_pretty(&report)?)?;
            }
            Ok(())
        }
    }
}
