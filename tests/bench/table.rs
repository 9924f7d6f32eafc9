//! The table, for people and for machines.

use std::fmt::Write;
use std::fs;
use std::process::Command;

use serde::Serialize;

use crate::scale::Curve;

/// One row.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Row {
    /// What is measured, its unit last.
    pub(crate) what: String,
    pub(crate) ours: Option<f64>,
    pub(crate) peer: Option<f64>,
    pub(crate) bound: Option<f64>,
    /// What is to be reached, and whether it is; none where a row only stands beside another.
    pub(crate) reach: Option<Reach>,
}

/// A figure to reach.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Reach {
    pub(crate) text: String,
    /// The figure that is held against it, where it is not the row's own.
    pub(crate) found: String,
    pub(crate) reached: bool,
}

/// Everything of one run.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Report {
    pub(crate) heading: Vec<String>,
    pub(crate) rows: Vec<Row>,
    pub(crate) curves: Vec<Curve>,
}

impl Row {
    pub(crate) fn new(what: &str) -> Self {
        Self { what: what.to_owned(), ours: None, peer: None, bound: None, reach: None }
    }

    pub(crate) fn ours(mut self, ours: Option<f64>) -> Self {
        self.ours = ours;
        self
    }

    pub(crate) fn peer(mut self, peer: Option<f64>) -> Self {
        self.peer = peer;
        self
    }

    pub(crate) fn bound(mut self, bound: Option<f64>) -> Self {
        self.bound = bound;
        self
    }

    /// Holds ours over the peer's against `least`.
    pub(crate) fn times_the_peer(mut self, least: f64) -> Self {
        if let (Some(ours), Some(peer)) = (self.ours, self.peer) {
            let found = format!("{:.2} ×", ours / peer);
            self.reach =
                Some(Reach { text: format!("≥ {least} × peer"), found, reached: ours >= least * peer });
        }
        self
    }

    /// Holds ours over the bound's against `least` percent.
    pub(crate) fn percent_of_the_bound(mut self, least: f64) -> Self {
        if let (Some(ours), Some(bound)) = (self.ours, self.bound) {
            let percent = 100.0 * ours / bound;
            let found = format!("{percent:.0} %");
            self.reach =
                Some(Reach { text: format!("≥ {least} % of bound"), found, reached: percent >= least });
        }
        self
    }

    /// Holds ours against `least`.
    pub(crate) fn at_least(mut self, least: f64) -> Self {
        if let Some(ours) = self.ours {
            let text = format!("≥ {}", figure(Some(least)));
            self.reach = Some(Reach { text, found: figure(Some(ours)), reached: ours >= least });
        }
        self
    }

    /// Holds ours against `most`.
    pub(crate) fn at_most(mut self, most: f64) -> Self {
        if let Some(ours) = self.ours {
            self.reach =
                Some(Reach { text: format!("≤ {most}"), found: figure(Some(ours)), reached: ours <= most });
        }
        self
    }
}

impl Report {
    /// As text of fixed width.
    pub(crate) fn draw(&self) -> String {
        let mut out = String::new();
        for line in &self.heading {
            let _ = writeln!(out, "{line}");
        }
        let width = self.rows.iter().map(|row| row.what.chars().count()).max().unwrap_or(0);
        let _ = writeln!(
            out,
            "\n{:width$} {:>10} {:>10} {:>10}   {:16} {:>9}",
            "", "ours", "peer", "bound", "reach", "found"
        );
        for row in &self.rows {
            let _ = write!(
                out,
                "{:width$} {:>10} {:>10} {:>10}",
                row.what,
                figure(row.ours),
                figure(row.peer),
                figure(row.bound)
            );
            if let Some(reach) = &row.reach {
                let verdict = if reach.reached { "reached" } else { "MISSED" };
                let _ = write!(out, "   {:16} {:>9} {verdict}", reach.text, reach.found);
            }
            out.push('\n');
        }
        for curve in &self.curves {
            let points: Vec<String> =
                curve.points.iter().map(|&(x, y)| format!("{x} → {}", figure(Some(y)))).collect();
            let _ = writeln!(out, "\n{} against {}\n  {}", curve.title, curve.of, points.join(", "));
        }
        out
    }
}

/// Three significant digits; thousands apart.
fn figure(value: Option<f64>) -> String {
    let Some(value) = value else { return "–".to_owned() };
    if value.abs() < 100.0 {
        let decimals = if value.abs() < 1.0 { 3 } else { 2 };
        return format!("{value:.decimals$}");
    }
    let digits = format!("{value:.0}");
    let mut out = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(' ');
        }
        out.push(digit);
    }
    out
}

/// Machine and versions.
pub(crate) fn heading() -> Vec<String> {
    let read = |path: &str| fs::read_to_string(path).unwrap_or_default();
    let cpu = read("/proc/cpuinfo");
    let models: Vec<&str> =
        cpu.lines().filter_map(|l| l.strip_prefix("model name")?.split_once(": ")).map(|(_, m)| m).collect();
    let memory = read("/proc/meminfo");
    let kib: u64 =
        memory.split_ascii_whitespace().nth(1).and_then(|number| number.parse().ok()).unwrap_or_default();
    let load = read("/proc/loadavg");
    let mut heading = vec![
        format!(
            "{} × {}, {} MiB, Linux {}",
            models.len(),
            models.first().unwrap_or(&"unknown processor"),
            kib / 1024,
            read("/proc/sys/kernel/osrelease").trim()
        ),
        format!(
            "sumpwarden {} ({}), {}",
            env!("CARGO_PKG_VERSION"),
            said_by("git", &["describe", "--always", "--dirty"]),
            said_by("rustc", &["--version"])
        ),
        format!("{}; load average at the start {}", date(), load.trim()),
    ];
    if cfg!(debug_assertions) {
        heading.push("NOT OPTIMIZED: this shows that the bench runs; its figures say nothing".to_owned());
    }
    heading
}

fn date() -> String {
    said_by("date", &["-u", "+%Y-%m-%d %H:%M UTC"])
}

/// First line of what a command says; it only decorates, so its absence is no failure.
fn said_by(command: &str, arguments: &[&str]) -> String {
    let said = Command::new(command).args(arguments).output().map(|o| o.stdout).unwrap_or_default();
    String::from_utf8_lossy(&said).lines().next().unwrap_or("unknown").to_owned()
}
