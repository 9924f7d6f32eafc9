//! A recorded quarter of one sump through `replay`: the simulator's readings and notes once a minute, six probes.

use std::error::Error;
use std::fs::{self, File};
use std::io::BufWriter;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use sumpwarden_sim::scenario::{
    ConfigurationOptions, Endpoints, HistoryOptions, Row, Scenario, write_history,
};

use crate::alone::{Figures, emptied, named};
use crate::process::Process;

/// A quarter with nothing out of the ordinary.
const SCENARIO: &str = "quarter-quiet-lathe";
/// Probes of a sump that are played.
const PROBES: usize = 6;

/// Wall and processor time of the fastest of `rounds`.
pub(crate) fn measure(binary: &Path, folder: &Path, rounds: usize) -> Result<Figures, Box<dyn Error>> {
    emptied(folder)?;
    let scenario = Scenario::named(SCENARIO, 1)?;
    let options = ConfigurationOptions { every: Duration::from_secs(60), ..ConfigurationOptions::default() };
    let config = scenario.configuration(&Endpoints::new(), &options).write(folder)?;
    let probes: Vec<usize> =
        (0..scenario.probes.len()).filter(|&p| scenario.probes[p].sump == 0).take(PROBES).collect();
    let of_the_sump = |row: &Row| match row {
        Row::Sample { probe, .. } => probes.contains(probe),
        Row::Note { sump, .. } => *sump == 0,
        Row::Truth { .. } => false,
    };
    let input = folder.join("samples.csv");
    let history = scenario.history(HistoryOptions::default()).filter(of_the_sump);
    write_history(&scenario, history, &mut BufWriter::new(File::create(&input)?))?;
    let (mut wall, mut cpu) = (f64::INFINITY, f64::INFINITY);
    for _ in 0..rounds {
        let mut command = Command::new(binary);
        command.arg("replay").arg("--config").arg(&config).arg("--input").arg(&input);
        command.arg("--output").arg(folder.join("out"));
        let began = Instant::now();
        let spent = Process::start(&mut command)?.run_to_its_end()?;
        wall = wall.min(began.elapsed().as_secs_f64());
        cpu = cpu.min(spent.as_secs_f64());
    }
    let rows = fs::read(&input)?.iter().filter(|&&byte| byte == b'\n').count() - 1;
    fs::remove_dir_all(folder)?;
    Ok(named([("wall_s", wall), ("cpu_s", cpu), ("rows", rows as f64)]))
}
