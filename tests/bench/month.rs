//! Engine and store through simulated days, no wire and no clock: what a sump costs in processor time, memory and disk, and
//! whether memory grows.
//!
//! Every sump has a level, a conductivity, a temperature, a pH and a pump contact, read once a minute; its tank, fluid and
//! habits are those of [`crate::estimator`], and the limits are the daemon's own. Two hours of samples lie loose in the store
//! before they are packed, as in a shop.

use std::error::Error;
use std::fmt::Write;
use std::fs;
use std::path::Path;

use sumpwarden::config::load;
use sumpwarden::edge::store::FILE;
use sumpwarden_core::engine::{Engine, Input};
use sumpwarden_core::model::{Measurement, Now, ProbeIndex, Raw, RawReading};

use crate::alone::{Figures, emptied, named, process_seconds};
use crate::process::memory_of;
use crate::{estimator, store};

/// Probes of a sump, in the order of their indices in [`sumpwarden_tests::shop`].
const PROBES: [(&str, &str); 5] = [
    ("level", "level"),
    ("conductivity", "conductivity"),
    ("temperature", "temperature"),
    ("ph", "ph"),
    ("pump", "pump_running"),
];
const MIB: f64 = 1024.0 * 1024.0;

/// Plays `days` of `sumps`. Memory is looked at after every day; growth counts from the end of the first quarter of them.
pub(crate) fn measure(directory: &Path, sumps: usize, days: u64) -> Result<Figures, Box<dyn Error>> {
    emptied(directory)?;
    let mut engine = engine(directory, sumps)?;
    let store = store::open(&directory.join("data"), engine.series(), store::LOOSE);
    // Made beforehand; what they take is taken off again.
    let before = memory()?.0;
    let readings = estimator::readings(days);
    let readings_take = memory()?.0 - before;
    let spent = process_seconds();
    let mut after_days = Vec::new();
    for day in readings.chunk_by(|a, b| day(a) == day(b)) {
        for minute in day.chunk_by(|a, b| a.0 == b.0) {
            hear(&mut engine, sumps, minute)?;
            store::hand_over(&mut engine, &store);
        }
        after_days.push(memory()?.0 - readings_take);
    }
    store.flush()?;
    let spent = process_seconds() - spent;
    let settled = after_days[after_days.len() / 4];
    let last = after_days.last().copied().unwrap_or(settled);
    let sump_days = sumps as f64 * after_days.len() as f64;
    let mut figures = named([
        ("settled_mib", settled / MIB),
        ("last_mib", last / MIB),
        ("peak_mib", (memory()?.1 - readings_take) / MIB),
        ("growth_mib", (last - settled) / MIB),
        ("cpu_us_per_sump_hour", 1e6 * spent / (24.0 * sump_days)),
        ("samples_per_second", store.status().counters.stored as f64 / spent),
    ]);
    store.close();
    let bytes = fs::metadata(directory.join("data").join(FILE))?.len();
    figures.insert("bytes_per_sump_day".to_owned(), bytes as f64 / sump_days);
    fs::remove_dir_all(directory)?;
    Ok(figures)
}

fn day(reading: &(Now, Measurement)) -> i64 {
    reading.0.utc.as_millis() / 86_400_000
}

/// An engine of so many sumps, by a configuration written into `directory`.
pub(crate) fn engine(directory: &Path, sumps: usize) -> Result<Engine, Box<dyn Error>> {
    let file = directory.join("shop.toml");
    fs::write(&file, shop(sumps)?)?;
    let settings = load(&file).map_err(|report| report.to_string())?.settings.engine;
    Ok(Engine::new(settings)?)
}

/// What every sump says in one minute.
pub(crate) fn hear(
    engine: &mut Engine,
    sumps: usize,
    minute: &[(Now, Measurement)],
) -> Result<(), Box<dyn Error>> {
    let Some((now, _)) = minute.first() else { return Ok(()) };
    for sump in 0..sumps {
        let first = u32::try_from(sump * PROBES.len())?;
        let readings: Vec<RawReading> = minute
            .iter()
            .filter_map(|(now, measured)| {
                let probe = ProbeIndex(first + measured.probe.0);
                let raw = Raw::Number(measured.raw?);
                Some(RawReading { probe, at: now.utc, received: now.uptime, raw })
            })
            .collect();
        engine.handle(*now, Input::Readings(&readings));
    }
    // Of many sumps each tick writes out a few.
    while engine.poll_timeout().is_some_and(|due| due <= now.uptime) {
        engine.handle(*now, Input::Tick);
    }
    Ok(())
}

/// Configuration of so many sumps, eight heads on a line.
fn shop(sumps: usize) -> Result<String, std::fmt::Error> {
    let mut text = String::from(
        r#"
[site]
name = "bench"
[water.mains]
hardness = "240 mg/L"
conductivity = "560 uS/cm"
[fluid.semi]
refractometer_factor = 1.4
conductivity_curve = [[0, 560], [3, 1010], [5, 1290], [8, 1690], [12, 2190]]
"#,
    );
    for sump in 0..sumps {
        write!(
            text,
            r#"
[bus.b{sump}]
link = "modbus-tcp"
address = "192.0.2.1:{}"
[device.d{sump}]
bus = "b{sump}"
[sump.s{sump}]
fluid = "semi"
water = "mains"
target_percent = 7
fill_mark = "310 mm"
pump_minimum = "100 mm"
holdup = "25 L"
tank = {{ shape = "box", length = "1200 mm", width = "700 mm", height = "400 mm" }}
"#,
            1000 + sump
        )?;
        for (register, (name, quantity)) in PROBES.iter().enumerate() {
            let table = if *name == "pump" { "discrete" } else { "input" };
            write!(
                text,
                "[sump.s{sump}.probe.{name}]\nquantity = \"{quantity}\"\ndevice = \"d{sump}\"\nregister = \"{table}:{}\"\nevery = \"1 min\"\n",
                2 * register
            )?;
            if *name != "pump" {
                text.push_str("number = \"f32\"\n");
            }
        }
    }
    Ok(text)
}

/// Memory of this process, bytes: resident now, and at its peak.
fn memory() -> Result<(f64, f64), Box<dyn Error>> {
    let memory = memory_of(std::process::id())?;
    Ok((memory.now as f64, memory.peak as f64))
}
