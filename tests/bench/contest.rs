//! One contender at full speed: registers read and lines written per second of its own CPU time.

use std::error::Error;
use std::process::Command;
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::devices::Devices;
use crate::process::Process;
use crate::sink::Sink;
use crate::wire::REGISTERS;

/// How long and how often.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pace {
    pub(crate) warm_up: Duration,
    pub(crate) window: Duration,
    pub(crate) rounds: usize,
}

/// Longest wait for a contender's first polls.
const START_MAX: Duration = Duration::from_secs(30);

/// One round of one contender.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Speed {
    /// Registers read, by the devices' own count.
    pub(crate) registers: f64,
    /// Lines that reached the sink.
    pub(crate) lines: f64,
    pub(crate) cpu: Duration,
    pub(crate) wall: Duration,
}

impl Speed {
    pub(crate) fn registers_per_cpu_second(&self) -> f64 {
        self.registers / self.cpu.as_secs_f64()
    }

    /// Registers that were read and have been written out: what is still on its way does not count.
    pub(crate) fn written_per_cpu_second(&self) -> f64 {
        self.lines.min(self.registers) / self.cpu.as_secs_f64()
    }

    pub(crate) fn registers_per_second(&self) -> f64 {
        self.registers / self.wall.as_secs_f64()
    }
}

/// Runs `command` against `devices` for one round.
pub(crate) fn run(
    command: &mut Command,
    devices: &mut Devices,
    sink: Option<&Sink>,
    pace: Pace,
) -> Result<Speed, Box<dyn Error>> {
    let lines = || sink.map_or(0, Sink::lines);
    let process = Process::start(command)?;
    await_polls(devices, &process)?;
    sleep(pace.warm_up);
    let began = Instant::now();
    let before = (devices.replies()?, lines(), process.cpu()?);
    sleep(pace.window);
    let after = (devices.replies()?, lines(), process.cpu()?);
    let wall = began.elapsed();
    process.stop()?;
    Ok(Speed {
        registers: (after.0 - before.0) as f64 * f64::from(REGISTERS),
        lines: (after.1 - before.1) as f64,
        cpu: after.2 - before.2,
        wall,
    })
}

/// Waits until every device has been polled about once.
pub(crate) fn await_polls(devices: &mut Devices, process: &Process) -> Result<(), Box<dyn Error>> {
    let before = devices.replies()?;
    let began = Instant::now();
    while devices.replies()? < before + devices.ports.len() as u64 {
        process.cpu()?;
        if began.elapsed() > START_MAX {
            return Err("no polls; does the contender run?".into());
        }
        sleep(Duration::from_millis(50));
    }
    Ok(())
}
