//! The gateway itself: the real binary with a configuration made for the load.

use std::error::Error;
use std::fmt::{self, Write};
use std::fs;
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::alone::emptied;

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

/// Sumps written into one fragment: well below the size a file may have.
const SUMPS_A_FILE: usize = 100;

const SUMP: &str = r#"
[sump.d{sump}]
fluid = "semi-synthetic"
water = "mains"
target_percent = 7.5
fill_mark = "310 mm"
tank = { shape = "box", length = "1200 mm", width = "700 mm", height = "400 mm" }
"#;

/// Builds the binary as it is released, with the same cargo that runs the bench. A bench that is not optimized itself takes
/// the program as tests do, which is there already.
pub(crate) fn build(repository: &Path) -> Result<PathBuf, Box<dyn Error>> {
    if cfg!(debug_assertions) {
        return Ok(sumpwarden_tests::gateway::program().to_owned());
    }
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

/// What the gateway is to do with the devices.
#[derive(Clone, Debug)]
pub(crate) struct Job<'a> {
    /// Where the devices are, one port each.
    pub(crate) ports: &'a [u16],
    /// How often each is polled, with its unit.
    pub(crate) every: &'a str,
    /// Where points are forwarded to.
    pub(crate) sink: &'a str,
    /// Probes on each device, at most ten.
    pub(crate) probes: usize,
    /// Devices that make up one sump.
    pub(crate) devices_a_sump: usize,
    /// Limits of each sump that are crossed all the time.
    pub(crate) crossed: usize,
}

impl<'a> Job<'a> {
    /// Every register of every device, a sump for each device, one limit that is quiet.
    pub(crate) fn all(ports: &'a [u16], every: &'a str, sink: &'a str) -> Self {
        Self { ports, every, sink, probes: PROBES.len(), devices_a_sump: 1, crossed: 0 }
    }
}

/// A gateway that is ready to be started.
#[derive(Debug)]
pub(crate) struct Ready {
    /// What starts it.
    pub(crate) command: Command,
    /// Where its page will be.
    pub(crate) page: SocketAddr,
    /// Where its store will be.
    pub(crate) data: PathBuf,
    /// Its configuration.
    pub(crate) file: PathBuf,
}

/// Writes the configuration for a job. Everything the gateway keeps lies under `folder`, which is emptied first.
pub(crate) fn prepare(binary: &Path, folder: &Path, job: &Job<'_>) -> Result<Ready, Box<dyn Error>> {
    emptied(folder)?;
    fs::create_dir(folder.join("conf.d"))?;
    let file = folder.join("bench.toml");
    // Taken and let go again: free a moment ago is as free as it gets.
    let page = TcpListener::bind(("127.0.0.1", 0))?.local_addr()?;
    fs::write(&file, head(page, job.sink))?;
    for (i, sumps) in job.ports.chunks(job.devices_a_sump * SUMPS_A_FILE).enumerate() {
        let first = i * job.devices_a_sump * SUMPS_A_FILE;
        fs::write(folder.join("conf.d").join(format!("{i:03}.toml")), fragment(first, sumps, job)?)?;
    }
    let mut command = Command::new(binary);
    command.arg("run").arg("--config").arg(&file).env("RUST_LOG", "warn");
    Ok(Ready { command, page, data: folder.join("data"), file })
}

fn head(page: SocketAddr, sink: &str) -> String {
    format!(
        r#"
[site]
name = "bench"
[store]
directory = "data"
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
    )
}

/// Devices and sumps of `ports`, the first of which is device number `first`.
fn fragment(first: usize, ports: &[u16], job: &Job<'_>) -> Result<String, fmt::Error> {
    let mut text = String::new();
    for (place, port) in ports.iter().enumerate() {
        let (device, sump) = (first + place, (first + place) / job.devices_a_sump);
        write!(
            text,
            "[bus.d{device}]\nlink = \"modbus-tcp\"\naddress = \"127.0.0.1:{port}\"\n[device.d{device}]\nbus = \"d{device}\"\n"
        )?;
        let nth = device % job.devices_a_sump;
        if nth == 0 {
            write!(text, "{}", SUMP.replace("{sump}", &sump.to_string()))?;
            for limit in 0..job.crossed {
                write!(
                    text,
                    "[sump.d{sump}.limit.over-{limit}]\nof = \"p0\"\nhigh = {}\ndeadband = 0.1\non_delay = \"0 s\"\n",
                    1.0 + 0.1 * limit as f64
                )?;
            }
        }
        for (register, (quantity, scale)) in PROBES.iter().enumerate().take(job.probes) {
            let (probe, every) = (nth * job.probes + register, job.every);
            write!(
                text,
                r#"
[sump.d{sump}.probe.p{probe}]
quantity = "{quantity}"
device = "d{device}"
register = "input:{register}"
scale = {scale:?}
every = "{every}"
"#
            )?;
        }
    }
    Ok(text)
}
