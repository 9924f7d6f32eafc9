//! Plays stories of the whole system by their seeds: `whole -- --seeds 1..5000`, or `--seed 17 --trace` for one in detail.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use clap::Parser;
use sumpwarden_tests::whole::{Mutation, Outcome, play};

/// Stories of the whole system, drawn from seeds.
#[derive(Parser, Debug)]
struct Arguments {
    /// First seed and the one behind the last: 1..5000.
    #[arg(long, default_value = "1..1000", value_parser = range)]
    seeds: (u64, u64),
    /// Only this one.
    #[arg(long)]
    seed: Option<u64>,
    /// Tell what happens, line by line.
    #[arg(long)]
    trace: bool,
    /// Threads; all cores by default.
    #[arg(long)]
    threads: Option<usize>,
}

fn range(text: &str) -> Result<(u64, u64), String> {
    let wrong = || format!("{text:?} is no range of seeds such as 1..5000");
    let (first, end) = text.split_once("..").ok_or_else(wrong)?;
    let (first, end) = (first.parse().map_err(|_| wrong())?, end.parse().map_err(|_| wrong())?);
    if first < end { Ok((first, end)) } else { Err(wrong()) }
}

/// All stories together.
#[derive(Default)]
struct Sum {
    seeds: u64,
    hours: f64,
    samples: u64,
    alarms: u64,
    messages: u64,
    delivered: u64,
    faults: BTreeMap<String, u64>,
    failed: Vec<(u64, Vec<String>)>,
}

impl Sum {
    fn add(&mut self, seed: u64, told: Outcome) {
        self.seeds += 1;
        self.hours += told.hours;
        self.samples += told.samples;
        self.alarms += told.alarms;
        self.messages += told.messages;
        self.delivered += told.delivered;
        for (fault, times) in told.faults {
            *self.faults.entry(fault).or_default() += times;
        }
        if !told.violations.is_empty() {
            self.failed.push((seed, told.violations));
        }
    }
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let (first, end) = arguments.seed.map_or(arguments.seeds, |seed| (seed, seed + 1));
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let sum = Mutex::new(Sum::default());
    let next = AtomicU64::new(first);
    let bar = indicatif::ProgressBar::new(end - first);
    let started = Instant::now();
    std::thread::scope(|scope| {
        for _ in 0..arguments.threads.unwrap_or(cores) {
            scope.spawn(|| {
                while let Some(seed) = Some(next.fetch_add(1, Ordering::Relaxed)).filter(|seed| *seed < end) {
                    let mut told = play(seed, Mutation::None, arguments.trace);
                    let trace = std::mem::take(&mut told.trace);
                    let mut sum = sum.lock().expect("no thread panics with it");
                    bar.suspend(|| {
                        let mut out = std::io::stdout().lock();
                        let lines = trace.iter().chain(&told.violations);
                        // Nobody may be reading.
                        lines.for_each(|line| drop(writeln!(out, "seed {seed}: {line}")));
                    });
                    sum.add(seed, told);
                    bar.inc(1);
                }
            });
        }
    });
    bar.finish_and_clear();
    let mut sum = sum.into_inner().expect("no thread panicked with it");
    sum.failed.sort();
    let failed = sum.failed.len();
    match table(&mut std::io::stdout().lock(), &sum, started.elapsed().as_secs_f64()) {
        Ok(()) if failed == 0 => ExitCode::SUCCESS,
        _ => ExitCode::FAILURE,
    }
}

fn table(out: &mut impl std::io::Write, sum: &Sum, seconds: f64) -> std::io::Result<()> {
    for (seed, violations) in &sum.failed {
        writeln!(out, "seed {seed} failed, {} complaints", violations.len())?;
    }
    writeln!(out, "seeds            {:>12}   in {seconds:.0} s", sum.seeds)?;
    writeln!(out, "simulated hours  {:>12.0}", sum.hours)?;
    writeln!(out, "samples          {:>12}", sum.samples)?;
    writeln!(out, "points delivered {:>12}", sum.delivered)?;
    writeln!(out, "alarm changes    {:>12}", sum.alarms)?;
    writeln!(out, "messages         {:>12}", sum.messages)?;
    writeln!(out, "faults           {:>12}", sum.faults.values().sum::<u64>())?;
    for (fault, times) in &sum.faults {
        writeln!(out, "  {fault:<24} {times:>8}")?;
    }
    writeln!(out, "violations       {:>12}", sum.failed.len())?;
    out.flush()
}
