//! What a sump leaves on the disk in a year: a simulated sump through the engine into a store, some days of it, packed; the
//! growth of its last days laid out to a year.

use std::error::Error;
use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

use sumpwarden::config::load;
use sumpwarden::edge::store::Store;
use sumpwarden_core::engine::{Engine, Input};
use sumpwarden_core::model::{Now, ProbeIndex, Raw, RawReading, Timestamp};
use sumpwarden_sim::scenario::{ConfigurationOptions, Endpoints, HistoryOptions, Row, Scenario};

use crate::store;

/// Whose history it is.
pub(crate) const SCENARIO: &str = "quarter-quiet-lathe";
const YEAR: Duration = Duration::from_secs(365 * 86_400);
/// How long packing may take.
const PACKED_MAX: Duration = Duration::from_secs(300);

/// A year of one sump.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Year {
    pub(crate) probes: usize,
    pub(crate) every: Duration,
    pub(crate) estimates_every: Duration,
    pub(crate) points: f64,
    pub(crate) bytes: f64,
}

/// Lets `days` go by, a reading of each probe `every`.
pub(crate) fn measure(every: Duration, days: u64) -> Result<Year, Box<dyn Error>> {
    let folder = std::env::temp_dir().join(format!("sumpwarden-year-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    let found = fill(&folder, every, days);
    std::fs::remove_dir_all(&folder)?;
    found
}

fn fill(folder: &Path, every: Duration, days: u64) -> Result<Year, Box<dyn Error>> {
    let mut scenario = Scenario::named(SCENARIO, 1)?;
    scenario.length = Duration::from_secs(86_400 * days);
    let options = ConfigurationOptions { every, ..ConfigurationOptions::default() };
    let file = scenario.configuration(&Endpoints::new(), &options).write(folder)?;
    let settings = load(&file).map_err(|report| report.draw(false))?.settings.engine;
    let places = (0..scenario.probes.len())
        .map(|place| {
            let name = scenario.probes[place].setup.name;
            let found = settings.probes.iter().position(|probe| probe.name.as_str() == name);
            Ok(ProbeIndex(u32::try_from(found.ok_or_else(|| format!("no probe {name}"))?)?))
        })
        .collect::<Result<Vec<_>, Box<dyn Error>>>()?;
    let (probes, estimates_every) = (settings.probes.len(), settings.estimate_every);
    let store = store::open(&folder.join("store"), &settings.series(), Duration::ZERO);
    let mut engine = Engine::new(settings)?;
    let begun = Timestamp::from_millis(scenario.start.0);
    let half = begun.plus(scenario.length / 2);
    let (mut middle, mut batch, mut latest) = (None, Vec::new(), begun);
    for row in scenario.history(HistoryOptions { every, ..HistoryOptions::default() }) {
        let Row::Sample { at, probe, raw, .. } = row else { continue };
        let at = Timestamp::from_millis(at.0);
        if at > latest {
            hand_over(&mut engine, &store, latest, &mut batch);
            latest = at;
            if middle.is_none() && at >= half {
                middle = Some(packed(&store)?);
            }
        }
        if raw.is_finite() {
            let received = Now::simulated(at).uptime;
            batch.push(RawReading { probe: places[probe], at, received, raw: Raw::Number(raw) });
        }
    }
    let (middle_points, middle_bytes) = middle.ok_or("the history ends before its middle")?;
    let (points, bytes) = packed(&store)?;
    store.close();
    let times = YEAR.as_secs_f64() / latest.since(half).as_secs_f64();
    let (points, bytes) = ((points - middle_points) * times, (bytes - middle_bytes) * times);
    Ok(Year { probes, every, estimates_every, points, bytes })
}

/// What is of one instant goes in together, as from a bus.
fn hand_over(engine: &mut Engine, store: &Store, at: Timestamp, batch: &mut Vec<RawReading>) {
    engine.handle(Now::simulated(at), Input::Readings(batch));
    batch.clear();
    store::hand_over(engine, store);
}

/// Points stored and bytes on the disk, once everything is packed and the size stands still.
fn packed(store: &Store) -> Result<(f64, f64), Box<dyn Error>> {
    store.flush()?;
    let deadline = Instant::now() + PACKED_MAX;
    let mut before = 0;
    loop {
        sleep(Duration::from_millis(1_500));
        let status = store.status();
        if status.unpacked == 0 && status.bytes == before {
            return Ok((status.counters.stored as f64, status.bytes as f64));
        }
        if Instant::now() > deadline {
            return Err(format!("{} points are not packed after {PACKED_MAX:?}", status.unpacked).into());
        }
        before = status.bytes;
    }
}
