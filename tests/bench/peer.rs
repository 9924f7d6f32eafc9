//! The Python peer: where it is installed and how it is started.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The interpreter with the peer's packages, installed on first use.
pub(crate) fn install(repository: &Path) -> Result<PathBuf, Box<dyn Error>> {
    let requirements = repository.join("tests/bench/requirements.txt");
    let venv = repository.join("target/bench-peer");
    let python = venv.join("bin/python");
    let installed = venv.join("installed");
    let wanted = fs::read_to_string(&requirements)?;
    if fs::read_to_string(&installed).is_ok_and(|have| have == wanted) {
        return Ok(python);
    }
    // Debian's own interpreter where there is one: it has ensurepip with the package python3-venv.
    let system = if Path::new("/usr/bin/python3").exists() { "/usr/bin/python3" } else { "python3" };
    run(Command::new(system).args(["-m", "venv", "--clear"]).arg(&venv))?;
    run(Command::new(&python)
        .args(["-m", "pip", "install", "--quiet", "--no-input", "-r"])
        .arg(&requirements))?;
    fs::write(installed, wanted)?;
    Ok(python)
}

fn run(command: &mut Command) -> Result<(), Box<dyn Error>> {
    let status = command.status().map_err(|e| format!("{}: {e}", command.get_program().display()))?;
    if status.success() { Ok(()) } else { Err(format!("{command:?}: {status}").into()) }
}

/// The peer at the devices behind `ports`; with a sink it writes, with a period (s) it keeps a beat.
pub(crate) fn command(
    repository: &Path,
    python: &Path,
    ports: &str,
    sink: Option<&str>,
    period: Option<f64>,
) -> Command {
    let mut command = Command::new(python);
    command.arg(repository.join("tests/bench/peer.py")).args(["--ports", ports]);
    if let Some(url) = sink {
        command.args(["--sink", url]);
    }
    if let Some(period) = period {
        command.args(["--period", &period.to_string()]);
    }
    command
}
