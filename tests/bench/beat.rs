//! One contender at a beat of one second: CPU, memory, and how late its polls start.

use std::error::Error;
use std::process::Command;
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::contest::await_polls;
use crate::devices::Devices;
use crate::process::Process;
use crate::quantiles::Quantiles;
use crate::sink::Sink;
use crate::starts::{self, Told};
use crate::wire::REGISTERS;

/// Every device is asked that often.
pub(crate) const PERIOD: Duration = Duration::from_secs(1);

/// What was seen of one contender.
#[derive(Debug)]
pub(crate) struct Beat {
    /// Percent of one core.
    pub(crate) cpu_percent: f64,
    pub(crate) rss_peak: u64,
    /// At the end.
    pub(crate) rss_steady: u64,
    /// Polls that came over polls that should have.
    pub(crate) kept: f64,
    /// Lines written over registers read.
    pub(crate) written: f64,
    /// When requests came behind a perfect beat, by the devices' clock, ms.
    pub(crate) on_the_wire: Option<Quantiles>,
    /// When polls started behind their planned instant, by the contender's own clock, ms.
    pub(crate) starts: Option<Quantiles>,
}

/// Runs `command` against `devices` for `window` once it has warmed up.
pub(crate) fn run(
    command: &mut Command,
    told: Told,
    devices: &mut Devices,
    sink: &Sink,
    warm_up: Duration,
    window: Duration,
) -> Result<Beat, Box<dyn Error>> {
    let process = Process::start(command)?;
    await_polls(devices, &process)?;
    sleep(warm_up);
    devices.watch()?;
    let began = Instant::now();
    let before = (devices.replies()?, sink.lines(), process.cpu()?);
    let started_before = told.now()?;
    sleep(window);
    let after = (devices.replies()?, sink.lines(), process.cpu()?);
    let wall = began.elapsed().as_secs_f64();
    let on_the_wire = devices.beat(PERIOD)?;
    let started_after = told.now()?;
    let memory = process.memory()?;
    let output = process.stop()?;
    let replies = (after.0 - before.0) as f64;
    Ok(Beat {
        cpu_percent: 100.0 * (after.2 - before.2).as_secs_f64() / wall,
        rss_peak: memory.peak,
        rss_steady: memory.now,
        kept: replies / (wall / PERIOD.as_secs_f64() * devices.ports.len() as f64),
        written: (after.1 - before.1) as f64 / (replies * f64::from(REGISTERS)),
        on_the_wire,
        starts: match told {
            Told::Metrics(_) => starts::between(&started_before, &started_after),
            Told::AtTheEnd => starts::farewell(&output.stdout)?,
        },
    })
}
