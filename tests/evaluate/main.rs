//! Judges the gateway's estimator on simulated sumps whose truth is known:
//!
//! ```text
//! cargo run --release -p sumpwarden-tests --bin evaluate             every scenario, seeds 1 and 2
//! cargo run --release -p sumpwarden-tests --bin evaluate -- --gate   and fails where a figure is not reached
//! ```
//!
//! The simulator's histories ([`case`]) go through the real engine ([`play`]), what comes out is held against the truth
//! ([`score`], [`account`]) and beside what a shop could do without it ([`rivals`]). The first three days of each history
//! are not judged, nor are hours in which a sump is being dumped or cleaned.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "the tables are what this program is for")]

mod account;
mod case;
mod forecast;
mod gate;
mod judged;
mod play;
mod pool;
mod report;
mod rivals;
mod score;
mod svg;
mod traces;
mod track;

use std::error::Error;
use std::num::NonZero;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use clap::Parser;

use account::Account;
use case::{Case, Exact, Notes, worth_judging};
use play::{Played, Spent};
use report::{Group, Written};

/// Judges the gateway's estimator on simulated sumps whose truth is known.
///
/// Run as: cargo run --release -p sumpwarden-tests --bin evaluate
#[derive(Parser)]
struct Arguments {
    /// Only this scenario; may be given several times.
    #[arg(long, value_name = "NAME")]
    scenario: Vec<String>,
    /// What people write down (none, readings, mix-known, both) whatever their habits; may be given several times.
    #[arg(long, value_name = "NOTES", value_parser = parse_notes)]
    notes: Vec<Notes>,
    /// Seeds: N, N..M (both ends) or a list with commas.
    #[arg(long, value_name = "SEEDS", default_value = "1..2", value_parser = parse_seeds)]
    seed: Seeds,
    /// Only the first N days of each scenario.
    #[arg(long, value_name = "N")]
    days: Option<u64>,
    /// Seconds between two samples of a probe.
    #[arg(long, value_name = "SECONDS", default_value = "60")]
    every: NonZero<u32>,
    /// Threads; as many as there are processors where not given.
    #[arg(long, value_name = "N")]
    threads: Option<NonZero<usize>>,
    /// What people know exactly, to see how much of an error comes from what they do not; may be given several times.
    #[arg(long, value_name = "FIGURE")]
    exact: Vec<Exact>,
    /// Writes every figure to FILE.
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Writes hourly truth, estimate and rivals of every sump to CSV files in DIR, its events to others.
    #[arg(long, value_name = "DIR")]
    traces: Option<PathBuf>,
    /// Draws every sump of every scenario with the first seed into SVG files in DIR.
    #[arg(long, value_name = "DIR")]
    svg: Option<PathBuf>,
    /// Prints Markdown.
    #[arg(long)]
    markdown: bool,
    /// Prints the one table that the README shows
    #[arg(long, conflicts_with = "markdown")]
    summary: bool,
    /// Exits with 1 where a figure to reach is not reached.
    #[arg(long)]
    gate: bool,
}

#[derive(Clone, Debug)]
struct Seeds(Vec<u64>);

fn parse_seeds(text: &str) -> Result<Seeds, String> {
    let number = |text: &str| {
        text.trim().parse::<u64>().map_err(|_| format!("{text:?} is no seed; write 3, 1..5 or 1,4,9"))
    };
    let mut seeds = Vec::new();
    for part in text.split(',') {
        match part.split_once("..") {
            Some((first, last)) => seeds.extend(number(first)?..=number(last)?),
            None => seeds.push(number(part)?),
        }
    }
    if seeds.is_empty() { Err(format!("{text:?} holds no seed")) } else { Ok(Seeds(seeds)) }
}

fn parse_notes(text: &str) -> Result<Notes, String> {
    let known = Notes::ALL.map(Notes::word);
    Notes::ALL
        .into_iter()
        .find(|notes| notes.word() == text)
        .ok_or_else(|| format!("{text:?} is none of {}", known.join(", ")))
}

fn main() -> ExitCode {
    run(&Arguments::parse()).unwrap_or_else(|error| {
        eprintln!("evaluate: {error}");
        ExitCode::from(2)
    })
}

fn run(arguments: &Arguments) -> Result<ExitCode, Box<dyn Error>> {
    let began = Instant::now();
    let cases = cases(arguments)?;
    let played = pool::play_all(&cases, arguments.threads).map_err(|error| error.to_string())?;
    let accounts = accounts(&cases, &played);
    let groups = groups(&cases, &accounts);
    let draw = match (arguments.summary, arguments.markdown) {
        (true, _) => report::summary,
        (false, true) => report::markdown,
        (false, false) => report::text,
    };
    print!("{}", draw(&groups));
    let checks = checks(&cases, &accounts);
    println!("\n{}", checks.iter().map(gate::Check::line).collect::<Vec<_>>().join("\n"));
    let exact: Vec<String> = arguments.exact.iter().map(|figure| figure.word()).collect();
    if !exact.is_empty() {
        println!("\nwith people who know exactly: {}", exact.join(", "));
    }
    println!("\n{}", spent(&played, began.elapsed()));
    if let Some(file) = &arguments.json {
        let written: Vec<Written> = groups.iter().map(Written::from).collect();
        let all = serde_json::json!({ "groups": written, "reach": checks, "known_exactly": exact });
        std::fs::write(file, serde_json::to_vec_pretty(&all)?)?;
    }
    write_tracks(arguments, &cases, &played)?;
    let missed = checks.iter().any(|check| !check.reached);
    Ok(if arguments.gate && missed { ExitCode::FAILURE } else { ExitCode::SUCCESS })
}

/// Traces of everything, pictures of the first seed.
fn write_tracks(arguments: &Arguments, cases: &[Case], played: &[Played]) -> std::io::Result<()> {
    for directory in arguments.traces.iter().chain(&arguments.svg) {
        std::fs::create_dir_all(directory)?;
    }
    for (case, track) in cases.iter().zip(played).flat_map(|(c, p)| p.tracks.iter().map(move |t| (c, t))) {
        if let Some(directory) = &arguments.traces {
            traces::write(case, track, directory)?;
        }
        let first = arguments.seed.0.first() == Some(&case.scenario.seed);
        if let Some(directory) = arguments.svg.as_ref().filter(|_| first) {
            let name = format!("{}-{}-{}.svg", case.scenario.name, case.notes.word(), track.sump);
            std::fs::write(directory.join(name), svg::draw(case, track))?;
        }
    }
    Ok(())
}

fn cases(arguments: &Arguments) -> Result<Vec<Case>, Box<dyn Error>> {
    let names: Vec<&str> = match arguments.scenario.as_slice() {
        [] => worth_judging().collect(),
        named => named.iter().map(String::as_str).collect(),
    };
    let notes: Vec<Option<Notes>> = match arguments.notes.as_slice() {
        [] => vec![None],
        forced => forced.iter().copied().map(Some).collect(),
    };
    let every = Duration::from_secs(arguments.every.get().into());
    let mut cases = Vec::new();
    for name in names {
        for &notes in &notes {
            for &seed in &arguments.seed.0 {
                let case = Case::new(name, seed, notes, every, arguments.days)?;
                cases.push(case.knowing(&arguments.exact));
            }
        }
    }
    Ok(cases)
}

/// Scenario by scenario, each kind of notes apart; then all scenarios together, each kind of notes; then everything.
fn groups(cases: &[Case], accounts: &[Account]) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    let mut names: Vec<(&'static str, Notes)> = Vec::new();
    for case in cases {
        let name = (case.scenario.name, case.notes);
        if !names.contains(&name) {
            names.push(name);
        }
    }
    for (scenario, notes) in names {
        let of = |case: &Case| case.scenario.name == scenario && case.notes == notes;
        groups.push(Group {
            scenario: Some(scenario),
            notes: Some(notes),
            account: sum(cases, accounts, of),
        });
    }
    if groups.len() == 1 {
        return groups;
    }
    let several = groups.iter().any(|group| group.scenario != groups[0].scenario);
    for notes in Notes::ALL.into_iter().filter(|_| several) {
        if cases.iter().any(|case| case.notes == notes) {
            let account = sum(cases, accounts, |case| case.notes == notes);
            groups.push(Group { scenario: None, notes: Some(notes), account });
        }
    }
    groups.push(Group { scenario: None, notes: None, account: sum(cases, accounts, |_| true) });
    groups
}

/// What each case comes to, over its sumps.
fn accounts(cases: &[Case], played: &[Played]) -> Vec<Account> {
    let of = |(case, played): (&Case, &Played)| {
        let mut all = Account::default();
        for track in &played.tracks {
            all.merge(&Account::of(track, case.is_quiet(), case.hardness_limit_mg_l()));
        }
        all
    };
    cases.iter().zip(played).map(of).collect()
}

fn sum(cases: &[Case], accounts: &[Account], which: impl Fn(&Case) -> bool) -> Account {
    let mut all = Account::default();
    let chosen = cases.iter().zip(accounts).filter(|(case, _)| which(case));
    chosen.for_each(|(_, account)| all.merge(account));
    all
}

fn checks(cases: &[Case], accounts: &[Account]) -> Vec<gate::Check> {
    gate::checks(&gate::Accounts {
        all: sum(cases, accounts, |_| true),
        without_readings: sum(cases, accounts, |case| !case.notes.has_readings()),
        read_weekly: sum(cases, accounts, Case::is_read_weekly),
        mix_known: sum(cases, accounts, |case| case.notes.has_mix()),
        quiet: sum(cases, accounts, Case::is_quiet),
    })
}

fn spent(played: &[Played], wall: Duration) -> String {
    let mut all = Spent::default();
    for played in played {
        all.engine += played.time.engine;
        all.simulator += played.time.simulator;
        all.sump_hours += played.time.sump_hours;
    }
    let engine_s = all.engine.as_secs_f64().max(1e-9);
    format!(
        "{} sump-hours; engine {engine_s:.1} s ({:.0} sump-hours a second), simulator {:.1} s, all threads added up; {:.1} s \
         by the clock",
        all.sump_hours,
        all.sump_hours as f64 / engine_s,
        all.simulator.as_secs_f64(),
        wall.as_secs_f64()
    )
}
