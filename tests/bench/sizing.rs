//! What a sump costs a box: the released program with few sumps and with many, the difference shared out; a store filled by the
//! simulator and packed ([`crate::year`]); the signs of a shared bus, counted.
//!
//! Every sump has ten probes on a Modbus TCP device of its own, read once a second: more than a shop asks for, so that there is
//! something to measure. What a slower beat costs follows by proportion.

use std::error::Error;
use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::Duration;

use clap::Args;
use sumpwarden_core::acquire::standby::{Alone, Order, Standby, StandbySettings};
use sumpwarden_core::model::Uptime;

use crate::devices::Devices;
use crate::gateway::{self, Job};
use crate::process::Process;
use crate::sink::Sink;
use crate::wire::REGISTERS;
use crate::year;

/// Sumps of the two runs.
const SUMPS: (usize, usize) = (10, 210);
/// From a start until everything goes its way.
const WARM_UP: Duration = Duration::from_secs(20);
/// A load of the machine above which its figures are rough.
const CALM: f64 = 0.3;

/// What is asked for.
#[derive(Args)]
pub(crate) struct Options {
    /// Writes the page to FILE rather than to the standard output.
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// A released program that is there already; without it one is built.
    #[arg(long, value_name = "PROGRAM")]
    binary: Option<PathBuf>,
    /// Seconds of each measurement.
    #[arg(long, value_name = "SECONDS", default_value_t = 60)]
    seconds: u64,
}

/// What one run has cost.
#[derive(Clone, Copy, Debug)]
struct Cost {
    /// Part of a core.
    core: f64,
    memory: f64,
    /// Lines and bytes to the database, a second.
    lines: f64,
    bytes: f64,
}

pub(crate) fn run(options: &Options) -> Result<(), Box<dyn Error>> {
    let repository = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let binary = match &options.binary {
        Some(binary) => binary.clone(),
        None => gateway::build(&repository)?,
    };
    let load = load_before()?;
    let window = Duration::from_secs(options.seconds);
    let few = cost(&binary, SUMPS.0, window)?;
    let many = cost(&binary, SUMPS.1, window)?;
    let years = [year::measure(Duration::from_secs(60), 30)?, year::measure(Duration::from_secs(10), 5)?];
    let page = page(load, (few, many), &years, signs_a_second(), options)?;
    match &options.output {
        Some(file) => fs::write(file, page)?,
        None => print!("{page}"),
    }
    Ok(())
}

/// Processes that wanted a core in the minute before.
fn load_before() -> Result<f64, Box<dyn Error>> {
    let text = fs::read_to_string("/proc/loadavg")?;
    Ok(text.split(' ').next().ok_or("no load in /proc/loadavg")?.parse()?)
}

fn cost(binary: &Path, sumps: usize, window: Duration) -> Result<Cost, Box<dyn Error>> {
    let (devices, sink) = (Devices::start(sumps)?, Sink::start());
    let folder = std::env::temp_dir().join(format!("sumpwarden-sizing-{}", std::process::id()));
    let ports = devices.ports.clone();
    let mut ready = gateway::prepare(binary, &folder, &Job::all(&ports, "1 s", &sink.url))?;
    let process = Process::start(&mut ready.command)?;
    sleep(WARM_UP);
    let before = (process.cpu()?, sink.lines(), sink.bytes());
    sleep(window);
    let after = (process.cpu()?, sink.lines(), sink.bytes());
    let memory = process.memory()?.now;
    process.stop()?;
    fs::remove_dir_all(&folder)?;
    let seconds = window.as_secs_f64();
    let a_second = |from: u64, to: u64| (to - from) as f64 / seconds;
    Ok(Cost {
        core: after.0.saturating_sub(before.0).as_secs_f64() / seconds,
        memory: memory as f64,
        lines: a_second(before.1, after.1),
        bytes: a_second(before.2, after.2),
    })
}

/// Messages and bytes that the two boxes of a shared bus send the broker in a second, in simulated time: the holder's signs and
/// those of the one that stands by, with the topic and what MQTT puts before them.
fn signs_a_second() -> (f64, f64) {
    const SECONDS: u64 = 1_000;
    const TOPIC: &str = "sumpwarden/hall-2/standby/line-1";
    /// Fixed header of two or three bytes, length of the topic, packet id (MQTT 3.1.1, 3.3).
    const HEAD: usize = 7;
    let settings = StandbySettings {
        term: Duration::from_secs(10),
        preferred: false,
        alone: Alone::Stop,
        has_peer: false,
    };
    let at = |ms: u64| Uptime::from_nanos(ms * 1_000_000);
    let mut boxes = [1, 2].map(|n| Standby::new(settings.clone(), &format!("box-{n}"), 1 << 30, at(0)));
    boxes.iter_mut().for_each(|lease| lease.linked(at(0)));
    let (mut messages, mut bytes) = (0, 0);
    for tick in 0..SECONDS * 2 {
        let now = at(tick * 500);
        for place in 0..2 {
            boxes[place].tick(now);
            for order in boxes[place].orders() {
                let Order::Publish { sign, .. } = order else { continue };
                messages += 1;
                bytes += HEAD + TOPIC.len() + serde_json::to_vec(&sign).map_or(0, |text| text.len());
                boxes.iter_mut().for_each(|lease| lease.heard(now, &sign, false));
            }
        }
    }
    (messages as f64 / SECONDS as f64, bytes as f64 / SECONDS as f64)
}

fn page(
    load: f64,
    (few, many): (Cost, Cost),
    years: &[year::Year],
    (messages, sign_bytes): (f64, f64),
    options: &Options,
) -> Result<String, Box<dyn Error>> {
    let more = (SUMPS.1 - SUMPS.0) as f64;
    let each = |of: fn(&Cost) -> f64| (of(&many) - of(&few)) / more;
    let (core, memory) = (each(|cost| cost.core), each(|cost| cost.memory));
    let (lines, bytes) = (each(|cost| cost.lines), each(|cost| cost.bytes));
    // Estimates keep their own beat.
    let slow_lines = lines - 0.9 * f64::from(REGISTERS);
    let fixed_memory = few.memory - memory * SUMPS.0 as f64;
    let calm = match load < CALM {
        true => "The machine was calm.".to_owned(),
        false => format!(
            "The machine was not calm (load {load:.1} before the run): figures of the processor are rough, and too high rather \
             than too low; the others do not depend on it."
        ),
    };
    let cores = std::thread::available_parallelism()?.get();
    let mut out = String::new();
    writeln!(
        out,
        "# How large a box must be\n\nMade by `cargo run --release -p sumpwarden-tests --bin bench -- sizing --output \
         deploy/handbook/sizing.md`; measured on {cores} cores, {} s a run, {} and {} sumps, the difference shared out. {calm}\n",
        options.seconds, SUMPS.0, SUMPS.1
    )?;
    writeln!(
        out,
        "| what a sump costs | {REGISTERS} probes once a second | once in 10 s, by proportion |\n| --- | ---: | ---: |"
    )?;
    writeln!(out, "| part of a core | {:.3} % | {:.4} % |", 100.0 * core, 10.0 * core)?;
    writeln!(out, "| sumps that fill half a core, by that alone | {:.0} | {:.0} |", 0.5 / core, 5.0 / core)?;
    writeln!(out, "| memory | {:.0} KiB | the same |", memory / 1024.0)?;
    writeln!(out, "| points to the database, a second | {lines:.2} | {slow_lines:.2} |")?;
    writeln!(
        out,
        "| bytes to the database, a second (gzip) | {bytes:.0} | {:.0} |",
        bytes * slow_lines / lines
    )?;
    writeln!(
        out,
        "\nThe program itself takes {:.0} MiB beside its sumps. A box's messages to a broker are acknowledgements of what it \
         hears there, and the signs of a bus that two boxes share: {messages:.2} messages and {sign_bytes:.0} bytes a second for both boxes, at a \
         term of 10 s.\n",
        fixed_memory / 1_048_576.0
    )?;
    writeln!(
        out,
        "| what a sump leaves on the disk | points a year | bytes a point | a year |\n| --- | ---: | ---: | ---: |"
    )?;
    for year in years {
        writeln!(
            out,
            "| {} probes every {} s, estimates every {} s | {:.2} million | {:.2} | {:.0} MiB |",
            year.probes,
            year.every.as_secs(),
            year.estimates_every.as_secs(),
            year.points / 1e6,
            year.bytes / year.points,
            year.bytes / 1_048_576.0
        )?;
    }
    writeln!(
        out,
        "\nBy the simulator's `{}` in a store that has packed everything, journal and indexes included, from the growth over its \
         last days. Raw points are kept for 400 days, the rest for five years; `[store] keep_bytes_max` (8 GiB) bounds all of it.",
        year::SCENARIO
    )?;
    Ok(out)
}
