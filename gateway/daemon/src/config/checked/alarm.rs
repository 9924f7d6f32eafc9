//! Alarms that are no limits: what is worked out about sumps, and faults of the gateway, its lines and its peers.

use std::time::Duration;

use sumpwarden_core::acquire::settings::BusSettings;
use sumpwarden_core::alarm::condition::{Condition, Fault};
use sumpwarden_core::alarm::settings::{ConditionSettings, FaultKey, FaultSettings, InstrumentSettings};
use sumpwarden_core::engine::Settings;
use sumpwarden_core::model::{ProbeIndex, SumpIndex};

use super::super::file::{AlarmTable, Named, Switch};
use super::super::nearest::did_you_mean;
use super::super::reader::shortened;
use super::super::tasks;
use super::limit::{DELAY_MAX, habits};
use super::notes::{At, Notes};
use super::probe::priority;

const MINUTE: Duration = Duration::from_secs(60);

/// Alarms on what is worked out about a sump.
pub(super) fn conditions(
    notes: &mut Notes<'_>,
    at: &At,
    tables: &Named<Switch<AlarmTable>>,
    sump: SumpIndex,
) -> Vec<ConditionSettings> {
    let at = at.key("alarm");
    note_unknown(notes, &at, tables, Condition::ALL.iter().map(|c| c.word()));
    let mut all = Vec::new();
    for &condition in Condition::ALL {
        let default = ConditionSettings::default_for(sump, condition);
        let here = at.key(condition.word());
        match tables.get(condition.word()) {
            None => {
                notes.default(&at, condition.word(), false, true);
                all.push(default);
            }
            Some(Switch::Plain(true)) => all.push(default),
            Some(Switch::Plain(false)) => {}
            Some(Switch::Table(table)) => {
                let (on_delay, off_delay) =
                    delays(notes, &here, table, (default.on_delay, default.off_delay));
                all.push(ConditionSettings {
                    on_delay,
                    off_delay,
                    priority: table.priority.map_or(default.priority, priority),
                    habits: habits(notes, &here, table.latching, table.realarm_after),
                    ..default
                });
            }
        }
    }
    all
}

fn delays(
    notes: &mut Notes<'_>,
    at: &At,
    table: &AlarmTable,
    (on, off): (Duration, Duration),
) -> (Duration, Duration) {
    let range = (Duration::ZERO, DELAY_MAX);
    (
        notes.time(at, "on_delay", table.on_delay, on, range),
        notes.time(at, "off_delay", table.off_delay, off, range),
    )
}

fn note_unknown(
    notes: &mut Notes<'_>,
    at: &At,
    tables: &Named<Switch<AlarmTable>>,
    words: impl Iterator<Item = &'static str>,
) {
    let words: Vec<&str> = words.collect();
    for key in tables.keys().filter(|key| !words.contains(&key.as_str())) {
        let near = did_you_mean(key, words.iter().copied());
        let elsewhere = match (Condition::from_word(key), Fault::from_word(key)) {
            (Some(_), _) => "it is worked out about a sump: write it under [sump.NAME.alarm]; ",
            (_, Some(_)) => "it is a fault of the gateway: write it under [alarm]; ",
            (None, None) => "",
        };
        let what = format!("there is no alarm \"{}\" here", shortened(key));
        notes.wrong(&at.key(key), what, format!("{elsewhere}{near}alarms here are {}", words.join(", ")));
    }
}

/// Alarms on faults: one a bus, a device with several probes, a broker, a database, a way for messages, a task, and the
/// gateway's own.
/// What lies behind a bus or a device learns so.
pub(super) fn faults(
    notes: &mut Notes<'_>,
    tables: &Named<Switch<AlarmTable>>,
    settings: &mut Settings,
    (forwarders, receivers, edge_nodes, shared): (&[String], &[String], &[String], &[String]),
) {
    let at = At::root().key("alarm");
    note_unknown(notes, &at, tables, Fault::ALL.iter().map(|f| f.word()));
    let mut faults = Vec::new();
    for bus in &settings.buses {
        faults.extend(bus_faults(bus, &mut settings.alarms.instruments));
    }
    for broker in &settings.brokers {
        let key = FaultKey { fault: Fault::Broker, of: broker.name.to_string() };
        let of = |probe: &ProbeIndex| broker.topics.iter().any(|topic| topic.probe == *probe);
        tell_behind(&mut settings.alarms.instruments, of, &key);
        faults.push(fault(key, Vec::new(), Vec::new()));
    }
    let own = [Fault::Store, Fault::StoreSpace, Fault::Clock, Fault::Reduced];
    faults.extend(own.map(|own| fault(FaultKey::own(own), Vec::new(), Vec::new())));
    for (word, names) in
        [(Fault::Forwarder, forwarders), (Fault::Receiver, receivers), (Fault::Standby, shared)]
    {
        let of = names.iter().map(|name| FaultKey { fault: word, of: name.clone() });
        faults.extend(of.map(|key| fault(key, Vec::new(), Vec::new())));
    }
    let of_bus = settings.buses.iter().map(|bus| FaultKey::task(tasks::BUS, Some(bus.name.as_str())));
    let of_broker =
        settings.brokers.iter().map(|broker| FaultKey::task(tasks::BROKER, Some(broker.name.as_str())));
    let of_peer = [
        (tasks::FORWARDER, forwarders),
        (tasks::RECEIVER, receivers),
        (tasks::SPARKPLUG, edge_nodes),
        (tasks::STANDBY, shared),
    ]
    .into_iter();
    let of_peer = of_peer.flat_map(|(kind, names)| names.iter().map(move |n| FaultKey::task(kind, Some(n))));
    let single = tasks::SINGLE.iter().map(|kind| FaultKey::task(kind, None));
    let all = of_bus.chain(of_broker).chain(of_peer).chain(single);
    faults.extend(all.map(|key| fault(key, Vec::new(), Vec::new())));
    for mut fault in faults {
        match tables.get(fault.key.fault.word()) {
            None | Some(Switch::Plain(true)) => {}
            Some(Switch::Plain(false)) => continue,
            Some(Switch::Table(table)) => {
                let here = at.key(fault.key.fault.word());
                (fault.on_delay, fault.off_delay) =
                    delays(notes, &here, table, (fault.on_delay, fault.off_delay));
                fault.priority = table.priority.map_or(fault.priority, priority);
                note_habits(notes, &here, table);
            }
        }
        settings.alarms.faults.push(fault);
    }
}

/// A fault is over when it is over: it neither latches nor comes up anew by itself.
fn note_habits(notes: &mut Notes<'_>, at: &At, table: &AlarmTable) {
    for (key, written) in
        [("latching", table.latching.is_some()), ("realarm_after", table.realarm_after.is_some())]
    {
        if written {
            let what = format!("`{key}` is for what is worked out about a sump, not for faults");
            notes.wrong(&at.key(key), what, "delete the line");
        }
    }
}

/// The bus, and each device on it that has several probes: with one the probe's own alarm says as much.
fn bus_faults(bus: &BusSettings, instruments: &mut [InstrumentSettings]) -> Vec<FaultSettings> {
    let key = FaultKey { fault: Fault::Bus, of: bus.name.to_string() };
    let probes = |at: usize| bus.devices[at].points.iter().map(|point| point.probe).collect::<Vec<_>>();
    let devices: Vec<(String, Vec<ProbeIndex>)> =
        (0..bus.devices.len()).map(|at| (bus.devices[at].name.to_string(), probes(at))).collect();
    let mut faults = Vec::new();
    for (name, probes) in devices.iter().filter(|(_, probes)| probes.len() > 1) {
        let device = FaultKey { fault: Fault::Device, of: name.clone() };
        tell_behind(instruments, |probe| probes.contains(probe), &device);
        faults.push(fault(device, probes.clone(), vec![key.clone()]));
    }
    let all: Vec<ProbeIndex> = devices.iter().flat_map(|(_, probes)| probes.iter().copied()).collect();
    tell_behind(instruments, |probe| all.contains(probe), &key);
    // A bus with one device that is silent is that device, as far as anybody can tell.
    let silent = if devices.len() > 1 { all } else { Vec::new() };
    faults.push(fault(key, silent, Vec::new()));
    faults
}

fn tell_behind(instruments: &mut [InstrumentSettings], of: impl Fn(&ProbeIndex) -> bool, key: &FaultKey) {
    for instrument in instruments.iter_mut().filter(|instrument| of(&instrument.probe)) {
        instrument.behind.push(key.clone());
    }
}

/// A fault's alarm with its default delays. A replugged adapter or a restarted switch is back within minutes; a database may
/// be away for an hour without anything being lost: common practice, no source.
fn fault(key: FaultKey, silent: Vec<ProbeIndex>, behind: Vec<FaultKey>) -> FaultSettings {
    let (on_delay, off_delay) = match key.fault {
        Fault::Bus | Fault::Broker | Fault::Standby => (MINUTE, MINUTE),
        Fault::Device => (5 * MINUTE, MINUTE),
        Fault::Forwarder => (60 * MINUTE, MINUTE),
        Fault::Store | Fault::StoreSpace | Fault::Receiver | Fault::Clock => (Duration::ZERO, MINUTE),
        // Whoever keeps the task says when it has run well for long enough.
        Fault::Task | Fault::Reduced => (Duration::ZERO, Duration::ZERO),
    };
    FaultSettings { priority: key.fault.priority(), key, on_delay, off_delay, silent, behind }
}
