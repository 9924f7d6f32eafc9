//! The gateway in situations: started with a year in its store, and caught up with after a day without its database.

use std::error::Error;
use std::ops::Range;
use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

use sumpwarden::config::load;
use sumpwarden_core::engine::Engine;
use sumpwarden_core::store::{SeriesKey, SeriesSource};

use crate::alone::{Figures, named};
use crate::contest::await_polls;
use crate::devices::Devices;
use crate::gateway::{self, Job, Ready};
use crate::process::Process;
use crate::quantiles::{Quantiles, median};
use crate::sink::Sink;
use crate::store;

/// Devices of the shop: four sumps of ten probes.
const DEVICES: usize = 4;
/// How long a start or a catching up may take before it counts as stuck.
const WAIT_MAX: Duration = Duration::from_secs(120);

/// From the start of the process to its first poll, with `days` of samples in the store, ms; and until it is asked to end.
pub(crate) fn start(
    binary: &Path,
    folder: &Path,
    sink: &Sink,
    days: i64,
    rounds: usize,
) -> Result<Figures, Box<dyn Error>> {
    let mut devices = Devices::start(DEVICES)?;
    let ports = devices.ports.clone();
    let mut ready = gateway::prepare(binary, folder, &Job::all(&ports, "1 s", &sink.url))?;
    let end = now_minute();
    store::fill(&ready.data, &keys(&ready)?, end - days * 1_440..end, 60);
    let mut first = Vec::new();
    for _ in 0..rounds {
        let before = devices.replies()?;
        let began = Instant::now();
        let process = Process::start(&mut ready.command)?;
        while devices.replies()? == before {
            if began.elapsed() > WAIT_MAX {
                return Err("no poll".into());
            }
            sleep(Duration::from_millis(1));
        }
        first.push(began.elapsed().as_secs_f64() * 1e3);
        sleep(Duration::from_secs(1));
        process.stop()?;
    }
    let worst = first.iter().copied().fold(0.0, f64::max);
    Ok(named([("first_poll_ms", median(first).ok_or("no round")?), ("worst_ms", worst)]))
}

/// A day of forty probes, once in ten seconds, that waits to be forwarded while the gateway goes on polling: how fast it goes
/// out, and how old new points are when they arrive meanwhile.
pub(crate) fn backlog(
    binary: &Path,
    folder: &Path,
    sink: &Sink,
    minutes: i64,
) -> Result<Figures, Box<dyn Error>> {
    const EVERY_S: i64 = 10;
    let mut devices = Devices::start(DEVICES)?;
    let ports = devices.ports.clone();
    let mut ready = gateway::prepare(binary, folder, &Job::all(&ports, "1 s", &sink.url))?;
    sink.close(true);
    // The forwarder's cursor stands at the end of what is there when it first starts: it has to have been on before.
    let process = Process::start(&mut ready.command)?;
    await_polls(&mut devices, &process)?;
    sleep(Duration::from_secs(3));
    process.stop()?;
    let keys = keys(&ready)?;
    let end = now_minute();
    let span: Range<i64> = end - minutes..end;
    store::fill(&ready.data, &keys, span, EVERY_S);
    let points = keys.len() as f64 * (minutes * 60 / EVERY_S) as f64;

    let process = Process::start(&mut ready.command)?;
    await_polls(&mut devices, &process)?;
    sink.watch();
    let (began, before) = (Instant::now(), sink.lines());
    sink.close(false);
    while ((sink.lines() - before) as f64) < points {
        if began.elapsed() > WAIT_MAX {
            return Err(format!("{} of {points} lines came", sink.lines() - before).into());
        }
        sleep(Duration::from_millis(2));
    }
    let took = began.elapsed().as_secs_f64();
    let ages = Quantiles::of(sink.ages()).ok_or("no live point came")?;
    process.stop()?;
    Ok(named([
        ("times_faster", minutes as f64 * 60.0 / took),
        ("per_second", points / took),
        ("live_age_p99_s", ages.p99),
        ("live_age_max_s", ages.max),
    ]))
}

/// The series the gateway will store, in its own order.
fn keys(ready: &Ready) -> Result<Vec<SeriesKey>, Box<dyn Error>> {
    let settings = load(&ready.file).map_err(|report| report.to_string())?.settings.engine;
    let series = Engine::new(settings)?.series().to_vec();
    Ok(series.into_iter().filter(|key| matches!(key.source, SeriesSource::Probe(_))).collect())
}

fn now_minute() -> i64 {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_secs() / 60).unwrap_or(0)
}
