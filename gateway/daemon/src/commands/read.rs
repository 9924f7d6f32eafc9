//! `read`: the probes of a sump once, from the wire to the value, for someone who stands at the machine.
//!
//! All Modbus probes of the sump are read, because one may need another's temperature, and of the probes that come by
//! message those asked for are listened to, at most [`LISTEN_MAX`]; the ones asked for are shown.

use std::path::Path;
use std::time::Duration;

use serde::Serialize;
use sumpwarden_core::acquire::settings::{BrokerSettings, Point, TopicPoint};
use sumpwarden_core::acquire::{TopicMap, decode};
use sumpwarden_core::engine::Settings;
use sumpwarden_core::engine::snapshot::QualityView;
use sumpwarden_core::model::{DeviceIndex, Fault, Measurement, ProbeIndex, Quantity, Raw, RawReading};
use sumpwarden_core::signal::Signals;

use super::{Exit, block_on, console, load};
use crate::config::quantity::lasting_text;
use crate::edge::clock::Clock;
use crate::edge::modbus::read_once;
use crate::edge::mqtt::listen_once;

/// Longest wait for a message; somebody stands there and waits.
const LISTEN_MAX: Duration = Duration::from_secs(30);

/// What came of one probe.
#[derive(Clone, Debug, Serialize)]
struct Shown {
    probe: String,
    from: String,
    /// Registers as they came, or nothing.
    words: Vec<u16>,
    raw: Option<f64>,
    value: Option<f64>,
    unit: &'static str,
    #[serde(flatten)]
    quality: QualityView,
}

/// One probe as it came in.
struct Arrived {
    probe: ProbeIndex,
    from: String,
    words: Vec<u16>,
    raw: Raw,
}

/// Reads what `what` names, `SUMP` or `SUMP/PROBE`.
pub fn run(config: &Path, what: &str, json: bool) -> Exit {
    let settings = match load(config) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    let wanted = match wanted(&settings.engine, what) {
        Ok(wanted) => wanted,
        Err(why) => {
            console::complain(&why);
            return Exit::Usage;
        }
    };
    let sump = settings.engine.probes[wanted[0].slot()].sump;
    let together: Vec<ProbeIndex> = (0..settings.engine.probes.len())
        .map(|slot| ProbeIndex(slot as u32))
        .filter(|probe| settings.engine.probes[probe.slot()].sump == sump)
        .collect();
    let arrived = match block_on(arrive(&settings.engine, &together, &wanted)) {
        Ok(Ok(arrived)) => arrived,
        Ok(Err(why)) => {
            console::complain(&why);
            return Exit::Outside;
        }
        Err(exit) => return exit,
    };
    let shown = show(&settings.engine, arrived, &wanted);
    if json {
        console::say(&serde_json::to_string_pretty(&shown).expect("plain data is JSON"));
    } else {
        shown.iter().for_each(|probe| console::say(&text(probe)));
    }
    if shown.iter().all(|probe| probe.value.is_some()) { Exit::Success } else { Exit::Negative }
}

/// The probes named, at least one.
fn wanted(settings: &Settings, what: &str) -> Result<Vec<ProbeIndex>, String> {
    let (sump, probe) = what.split_once('/').map_or((what, None), |(sump, probe)| (sump, Some(probe)));
    let named = |slot: usize| {
        let of = &settings.probes[slot];
        format!("{}/{}", settings.sumps[of.sump.slot()].name, of.name)
    };
    let found: Vec<ProbeIndex> = (0..settings.probes.len())
        .filter(|&slot| {
            let of = &settings.probes[slot];
            settings.sumps[of.sump.slot()].name.as_str() == sump
                && probe.is_none_or(|p| of.name.as_str() == p)
        })
        .map(|slot| ProbeIndex(slot as u32))
        .collect();
    if found.is_empty() {
        let known: Vec<String> = (0..settings.probes.len()).map(named).collect();
        return Err(format!("there is no probe {what:?}; there are {}", known.join(", ")));
    }
    Ok(found)
}

async fn arrive(
    settings: &Settings,
    together: &[ProbeIndex],
    wanted: &[ProbeIndex],
) -> Result<Vec<Arrived>, String> {
    let mut arrived = from_buses(settings, together).await?;
    for broker in &settings.brokers {
        let mut asked = broker.clone();
        asked.topics.retain(|topic| wanted.contains(&topic.probe));
        if !asked.topics.is_empty() {
            let heard = from_broker(settings, &asked).await;
            arrived.extend(heard.map_err(|why| format!("broker {}: {why}", broker.name))?);
        }
    }
    Ok(arrived)
}

async fn from_buses(settings: &Settings, probes: &[ProbeIndex]) -> Result<Vec<Arrived>, String> {
    let mut arrived = Vec::new();
    for bus in &settings.buses {
        let points: Vec<(DeviceIndex, usize)> = (bus.devices.iter().zip(0..))
            .flat_map(|(device, index)| {
                let of = device.points.iter().enumerate().filter(|(_, point)| probes.contains(&point.probe));
                of.map(move |(place, _)| (DeviceIndex(index), place)).collect::<Vec<_>>()
            })
            .collect();
        if points.is_empty() {
            continue;
        }
        let read = read_once(bus, &points).await.map_err(|e| format!("bus {}: {e}", bus.name))?;
        for one in read {
            let device = &bus.devices[one.device.slot()];
            let point = &device.points[one.point];
            arrived.push(Arrived {
                probe: point.probe,
                from: source(point, device.name.as_str()),
                raw: one
                    .words
                    .as_ref()
                    .map_or_else(|&fault| Raw::Fault(fault), |w| decode(&point.encoding, w)),
                words: one.words.unwrap_or_default(),
            });
        }
    }
    Ok(arrived)
}

/// What comes to the topics of `broker`, every one of its probes: something, or nothing within two periods.
async fn from_broker(settings: &Settings, broker: &BrokerSettings) -> Result<Vec<Arrived>, String> {
    let slowest = broker.topics.iter().map(|topic| settings.probes[topic.probe.slot()].period).max();
    let most = slowest.map_or(LISTEN_MAX, |period| (period * 2).min(LISTEN_MAX));
    let expected = |probe: ProbeIndex| settings.probes[probe.slot()].expected();
    let topics = TopicMap::new(broker, expected).map_err(|why| why.to_string())?;
    let heard = listen_once(broker, topics, Clock, most).await.map_err(|why| why.to_string())?;
    let one = |topic: &TopicPoint| {
        let reading = heard.readings.iter().find(|reading| reading.probe == topic.probe);
        let what = if heard.refused_filters.contains(&topic.filter) {
            ": the broker refuses the subscription, check access rights".to_owned()
        } else if reading.is_none() {
            format!(": no message within {}", lasting_text(most))
        } else {
            String::new()
        };
        Arrived {
            probe: topic.probe,
            from: format!("{} {}{what}", broker.name, topic.filter),
            words: Vec::new(),
            raw: reading.map_or(Raw::Fault(Fault::NoReply), |reading| reading.raw),
        }
    };
    Ok(broker.topics.iter().map(one).collect())
}

fn source(point: &Point, device: &str) -> String {
    format!("{device} {} as {}", point.address, point.encoding.kind)
}

/// Converts in an order in which temperatures come before what needs them.
fn show(settings: &Settings, mut arrived: Vec<Arrived>, wanted: &[ProbeIndex]) -> Vec<Shown> {
    let now = Clock.now();
    let mut signals = Signals::new(&settings.probes);
    arrived.sort_by_key(|one| settings.probes[one.probe.slot()].quantity != Quantity::Temperature);
    let mut shown: Vec<(ProbeIndex, Shown)> = Vec::new();
    for one in arrived {
        let at = now.utc.floor_to_millis();
        let reading = RawReading { probe: one.probe, at, received: now.uptime, raw: one.raw };
        let measurement = signals.convert(now, &reading);
        if wanted.contains(&one.probe) {
            shown.push((one.probe, shown_of(settings, one, &measurement)));
        }
    }
    shown.sort_by_key(|(probe, _)| *probe);
    shown.into_iter().map(|(_, shown)| shown).collect()
}

fn shown_of(settings: &Settings, one: Arrived, measurement: &Measurement) -> Shown {
    let probe = &settings.probes[one.probe.slot()];
    Shown {
        probe: format!("{}/{}", settings.sumps[probe.sump.slot()].name, probe.name),
        from: one.from,
        words: one.words,
        raw: measurement.raw,
        value: measurement.measured.usable(),
        unit: probe.quantity.unit().ucum(),
        quality: measurement.measured.quality().into(),
    }
}

fn text(probe: &Shown) -> String {
    let words: Vec<String> = probe.words.iter().map(|word| format!("0x{word:04X}")).collect();
    let words = if words.is_empty() { "none".to_owned() } else { words.join(" ") };
    let number = |value: Option<f64>| value.map_or_else(|| "none".to_owned(), |value| value.to_string());
    let QualityView { status, device, reason } = &probe.quality;
    let why = if reason.is_empty() { String::new() } else { format!(": {reason}") };
    format!(
        "{}\n  from     {}\n  words    {words}\n  raw      {}\n  value    {} {}\n  quality  {status}, device {device}{why}",
        probe.probe,
        console::plain(&probe.from),
        number(probe.raw),
        number(probe.value),
        probe.unit,
    )
}
