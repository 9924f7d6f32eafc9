//! The gateway itself: the real binary with a configuration made for the load.

use std::error::Error;
use std::fmt::{self, Write};
use std::fs;
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::Command;

/// What each of the ten registers of a device is taken for: quantity and scale. With what the devices answer, every
/// value lies in an ordinary range.
const PROBES: [(&str, f64); 10] = [
    ("temperature", 0.01),
    ("flow_total", 1.0),
    ("temperature", 0.01),
    ("ph", 0.003),
    ("level", 0.05),
    ("conductivity", 0.2),
    ("temperature", 0.005),
    ("conductivity", 0.2),
    ("ph", 0.001),
    ("temperature", 0.005),
];

/// Builds the binary as it is released, with the same cargo that runs the bench.
pub(crate) fn build(repository: &Path) -> Result<PathBuf, Box<dyn Error>> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let status = Command::new(cargo)
        .args(["build", "--release", "--locked", "--quiet", "-p", "sumpwarden"])
        .current_dir(repository)
        .status()?;
    if !status.success() {
        return Err(format!("cargo build: {status}").into());
    }
    // The bench runs from where the binary is built to.
    let own = std::env::current_exe()?;
    Ok(own.parent().ok_or("no folder")?.join("sumpwarden"))
}

/// Writes a configuration for the devices behind `ports`, one sump each, and gives the command that runs it and where its
/// page will be. Everything it keeps lies under `folder`, which is emptied first.
pub(crate) fn command(
    binary: &Path,
    folder: &Path,
    ports: &[u16],
    sink: &str,
    every: &str,
) -> Result<(Command, SocketAddr), Box<dyn Error>> {
    if folder.exists() {
        fs::remove_dir_all(folder)?;
    }
    fs::create_dir_all(folder)?;
    let file = folder.join("bench.toml");
    // Taken and let go again: free a moment ago is as free as it gets.
    let page = TcpListener::bind(("127.0.0.1", 0))?.local_addr()?;
    fs::write(&file, configuration(ports, page, sink, every)?)?;
    let mut command = Command::new(binary);
    command.arg("run").arg("--config").arg(file).env("RUST_LOG", "warn");
    Ok((command, page))
}

fn configuration(ports: &[u16], page: SocketAddr, sink: &str, every: &str) -> Result<String, fmt::Error> {
    let mut text = format!(
        r#"
[site]
name = "bench"
[web]
listen = "{page}"
[forward.sink]
url = "{sink}"
organisation = "bench"
bucket = "bench"
[water.mains]
hardness = "240 mg/L"
[fluid.semi-synthetic]
refractometer_factor = 1.4
conductivity_curve = [[0, 560], [3, 1010], [5, 1290], [8, 1690], [12, 2190]]
"#
    );
    for (i, port) in ports.iter().enumerate() {
        write!(
            text,
            r#"
[bus.d{i}]
link = "modbus-tcp"
address = "127.0.0.1:{port}"
[device.d{i}]
bus = "d{i}"
[sump.d{i}]
fluid = "semi-synthetic"
water = "mains"
target_percent = 7.5
fill_mark = "310 mm"
tank = {{ shape = "box", length = "1200 mm", width = "700 mm", height = "400 mm" }}
[sump.d{i}.limit.ph-low]
of = "p3"
low = 8.6
"#
        )?;
        for (register, (quantity, scale)) in PROBES.iter().enumerate() {
            write!(
                text,
                r#"
[sump.d{i}.probe.p{register}]
quantity = "{quantity}"
device = "d{i}"
register = "input:{register}"
scale = {scale:?}
every = "{every}"
"#
            )?;
        }
    }
    Ok(text)
}
