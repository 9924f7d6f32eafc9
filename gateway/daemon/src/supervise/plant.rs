//! What plant systems see: one kept task an edge node, and how it looks at the shop.

use std::collections::BTreeMap;
use std::sync::Arc;

use sumpwarden_core::engine::Engine;
use sumpwarden_core::engine::notes::said;
use sumpwarden_core::model::{Name, SumpIndex, Timestamp, Uptime};
use sumpwarden_core::store::{JournalEntry, JournalRecord};
use tokio::sync::broadcast::error::TryRecvError;
use tokio::sync::{Mutex, broadcast, oneshot, watch};

use super::Tasks;
use super::keeper::{Keeper, Ledger};
use super::parts::{Part, Watched};
use crate::config::tasks;
use crate::edge::clock::Clock;
use crate::edge::mqtt::sparkplug::metrics::{Facts, LastNote, Seen};
use crate::edge::mqtt::sparkplug::{Look, SparkplugSettings, Surroundings, run_edge_node};
use crate::edge::pulse::{Progress, Pulse};
use crate::edge::store::Store;
use crate::edge::web::SnapshotRequests;

/// Journal records of a sump among which its newest note is looked for.
const RECORDS_MAX: u32 = 1_000;

/// What the journal calls a note.
const NOTE: &str = "note";

/// What an edge node hangs on.
pub(super) struct Wires {
    pub(super) site: Name,
    pub(super) store: Store,
    pub(super) snapshots: SnapshotRequests,
    pub(super) journal: broadcast::Sender<JournalRecord>,
    pub(super) ledger: Ledger,
    pub(super) keeper: Keeper,
    pub(super) tasks: Tasks,
    pub(super) watched: Watched,
}

/// Edge nodes that know the shop of one configuration.
pub(super) struct Ready<'w> {
    wires: &'w Wires,
    edge_nodes: Vec<SparkplugSettings>,
    facts: Arc<Facts>,
    sumps: Vec<Name>,
}

impl Wires {
    /// Edge nodes that tell of `engine`'s shop, once they are started.
    pub(super) fn ready(&self, edge_nodes: &[SparkplugSettings], engine: &Engine) -> Ready<'_> {
        let sumps = engine.settings().sumps.iter().map(|sump| sump.name.clone()).collect();
        let facts = Arc::new(facts(&self.site, engine));
        Ready { wires: self, edge_nodes: edge_nodes.to_vec(), facts, sumps }
    }
}

impl Ready<'_> {
    /// Starts them all; gives each with the name of its loop.
    pub(super) fn start(self) -> Vec<(String, Part)> {
        let Self { wires, edge_nodes, facts, sumps } = self;
        if edge_nodes.is_empty() {
            return Vec::new();
        }
        let look = looks(wires, sumps);
        let mut started = Vec::new();
        for settings in edge_nodes {
            let (name, pulse) = (settings.broker.name.clone(), Pulse::default());
            let of = format!("sparkplug {name}");
            wires.watched.add(Progress::of(of.clone(), &pulse));
            let around = Surroundings {
                facts: Arc::clone(&facts),
                look: Arc::clone(&look),
                directory: wires.store.directory().to_owned(),
                clock: wires.keeper.clock,
                pulse: pulse.clone(),
            };
            let (part, keeper, held) = wires.keeper.apart();
            let (stopping, began) = (keeper.stop.clone(), Clock.doubted().map(|_| Clock.uptime()));
            let make = move || {
                let (settings, around, stopping) = (settings.clone(), around.clone(), stopping.clone());
                async move {
                    if let Some(around) = once_dated(around, began, stopping.clone()).await {
                        run_edge_node(&settings, around, stopping).await;
                    }
                }
            };
            wires.tasks.keep_part(keeper, (tasks::SPARKPLUG, Some(name.as_str())), Some(pulse), make, held);
            started.push((of, part));
        }
        started
    }
}

/// Waits until the clock is believed, since everything that a plant system is told carries a time; none if it is to stop
/// before. `began` is the moment of the start where the clock was not believed then.
async fn once_dated(
    mut around: Surroundings,
    began: Option<Uptime>,
    mut stopping: watch::Receiver<bool>,
) -> Option<Surroundings> {
    tokio::select! {
        biased;
        _ = stopping.wait_for(|stop| *stop) => return None,
        () = around.pulse.during(around.clock.believed()) => {}
    }
    if let Some(began) = began {
        let now = around.clock.now();
        let started = now.utc.minus(now.uptime.since(began));
        around.facts = Arc::new(Facts { started, ..(*around.facts).clone() });
    }
    Some(around)
}

fn facts(site: &Name, engine: &Engine) -> Facts {
    let sumps = (0..).take(engine.settings().sumps.len());
    Facts {
        version: env!("CARGO_PKG_VERSION"),
        site: site.to_string(),
        started: Clock.utc(),
        node_alarms: engine.alarm_names(None),
        sump_alarms: sumps.map(|sump| engine.alarm_names(Some(SumpIndex(sump)))).collect(),
    }
}

/// Asks the engine as the page does, and knows the newest notes.
fn looks(wires: &Wires, sumps: Vec<Name>) -> Look {
    let (snapshots, ledger) = (wires.snapshots.clone(), wires.ledger.clone());
    let notes = Arc::new(Mutex::new(Notes {
        arriving: wires.journal.subscribe(),
        store: wires.store.clone(),
        sumps,
        newest: None,
    }));
    Arc::new(move || {
        let (snapshots, ledger, notes) = (snapshots.clone(), ledger.clone(), Arc::clone(&notes));
        Box::pin(async move {
            let (answer, answered) = oneshot::channel();
            snapshots.send(answer).await.ok()?;
            let snapshot = answered.await.ok()?;
            let notes = notes.lock().await.newest().await;
            Some(Seen { at: Clock.utc().floor_to_millis(), snapshot, reduced: ledger.view().reduced, notes })
        })
    })
}

/// The newest note of each sump: from the store once, then as they come.
struct Notes {
    arriving: broadcast::Receiver<JournalRecord>,
    store: Store,
    sumps: Vec<Name>,
    newest: Option<BTreeMap<String, LastNote>>,
}

impl Notes {
    async fn newest(&mut self) -> BTreeMap<String, LastNote> {
        if self.newest.is_none() {
            self.newest = self.stored().await;
        }
        loop {
            match self.arriving.try_recv() {
                Ok(record) => self.take(&record),
                // Whatever was missed stands in the store.
                Err(TryRecvError::Lagged(_)) => self.newest = self.stored().await,
                Err(TryRecvError::Empty | TryRecvError::Closed) => break,
            }
        }
        self.newest.clone().unwrap_or_default()
    }

    fn take(&mut self, record: &JournalRecord) {
        let Some((sump, newest)) = record.sump.as_ref().zip(self.newest.as_mut()) else { return };
        // Somebody may write down what was before.
        let is_newer = newest.get(sump.as_str()).is_none_or(|last| record.at >= last.at);
        if record.subject == NOTE && is_newer {
            let note = last_note(record.at, &record.state, record.value, &record.message);
            newest.insert(sump.to_string(), note);
        }
    }

    /// None while the store cannot be read: it is asked again with the next look.
    async fn stored(&self) -> Option<BTreeMap<String, LastNote>> {
        let sumps = self.sumps.clone();
        let read = self.store.read(move |reader| {
            let (from, until) = (Timestamp::from_nanos(0), Timestamp::from_nanos(i64::MAX));
            let mut found = BTreeMap::new();
            for sump in sumps {
                let records = reader.journal_of(Some(&sump), from, until, RECORDS_MAX)?;
                let note = records.into_iter().find(|entry| entry.subject == NOTE);
                found.extend(note.map(|JournalEntry { at, state, value, message, .. }| {
                    (sump.to_string(), last_note(at, &state, value, &message))
                }));
            }
            Ok(found)
        });
        read.await.inspect_err(|error| tracing::warn!(%error, "the newest notes are not known")).ok()
    }
}

/// What it says, without who wrote it: names of people are not for whoever listens at a broker.
fn last_note(at: Timestamp, kind: &str, value: Option<f64>, message: &str) -> LastNote {
    let words = said(message);
    let text = match words.text {
        Some(text) => format!("{}: {text}", words.meaning),
        None => words.meaning.to_owned(),
    };
    LastNote { at, kind: kind.to_owned(), value, text }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;
    use std::path::Path;

    use sumpwarden_core::engine::Input;
    use sumpwarden_core::model::{Now, ProbeIndex, Raw, RawReading};
    use sumpwarden_protocol::sparkplug::session::{Device, Standing};
    use sumpwarden_protocol::sparkplug::{Property, Value};

    use super::*;
    use crate::edge::mqtt::sparkplug::metrics::picture;

    /// The shop of the example.
    fn shop() -> (Engine, Facts) {
        let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/examples/small-shop.toml");
        let settings = crate::config::load_with(&example, &[]).expect("a sound example").settings;
        let engine = Engine::new(settings.engine).expect("sound settings");
        let sumps = (0..).take(engine.settings().sumps.len());
        let facts = Facts {
            version: "1",
            site: "hall-2".to_owned(),
            started: at(0),
            node_alarms: engine.alarm_names(None),
            sump_alarms: sumps.map(|sump| engine.alarm_names(Some(SumpIndex(sump)))).collect(),
        };
        (engine, facts)
    }

    fn at(seconds: i64) -> Timestamp {
        Timestamp::from_millis(1_790_000_000_000 + 1_000 * seconds)
    }

    fn seen(engine: &Engine, notes: BTreeMap<String, LastNote>) -> Seen {
        Seen { at: at(60), snapshot: engine.snapshot(), reduced: Vec::new(), notes }
    }

    fn metric<'a>(device: &'a Device, name: &str) -> &'a Standing {
        device.metrics.iter().find(|metric| metric.name == name).unwrap_or_else(|| panic!("no {name}"))
    }

    fn property<'a>(metric: &'a Standing, key: &str) -> &'a Property {
        &metric.properties.iter().find(|(of, _)| of == key).expect(key).1
    }

    #[test]
    fn every_metric_there_may_ever_be_is_there_from_the_beginning() {
        let (mut engine, facts) = shop();
        let names = |engine: &Engine| -> Vec<BTreeSet<String>> {
            let picture = picture(&facts, &seen(engine, BTreeMap::new()));
            let all = picture.devices.iter().map(|device| &device.metrics).chain([&picture.node]);
            let named = |metrics: &Vec<Standing>| {
                let names: BTreeSet<String> = metrics.iter().map(|metric| metric.name.clone()).collect();
                assert_eq!(names.len(), metrics.len(), "each once");
                names
            };
            all.map(named).collect()
        };
        let before = names(&engine);
        for (sump, view) in engine.snapshot().sumps.iter().enumerate() {
            let here = &before[sump];
            assert!(view.probes.iter().all(|probe| here.contains(&format!("Probes/{}", probe.name))));
            let estimates = view.estimates.iter().map(|of| format!("Estimates/{}/High90", of.quantity));
            assert!(estimates.into_iter().all(|name| here.contains(&name)), "{here:?}");
            assert!(!facts.sump_alarms[sump].is_empty());
            assert!(facts.sump_alarms[sump].iter().all(|of| here.contains(&format!("Alarms/{of}/Active"))));
        }
        // Hours of silence: alarms come up, and no metric with them.
        let now = |hours: u64| Now {
            uptime: Uptime::from_nanos(hours * 3_600_000_000_000),
            utc: at(3600 * hours as i64),
        };
        (0..10).for_each(|hours| engine.handle(now(hours), Input::Tick));
        let snapshot = engine.snapshot();
        assert!(snapshot.sumps.iter().any(|sump| !sump.alarms.is_empty()), "something has come up");
        assert_eq!(names(&engine), before);
        let shown = picture(&facts, &seen(&engine, BTreeMap::new()));
        for (device, sump) in shown.devices.iter().zip(&snapshot.sumps) {
            for alarm in &sump.alarms {
                let state = &metric(device, &format!("Alarms/{}/State", alarm.name)).value;
                assert_eq!(*state, Some(Value::Text(alarm.state.to_owned())), "{}", alarm.name);
            }
        }
    }

    #[test]
    fn a_sump_is_there_once_a_probe_of_it_is_heard_and_says_what_the_state_says() {
        let (mut engine, facts) = shop();
        let silent = picture(&facts, &seen(&engine, BTreeMap::new()));
        assert!(silent.devices.iter().all(|device| !device.is_there), "nothing has been read yet");
        let probes = &engine.settings().probes;
        let probe = probes.iter().position(|p| p.name.as_str() == "temperature" && p.sump == SumpIndex(0));
        let probe = ProbeIndex(probe.expect("lathe-3 has one") as u32);
        let now = Now::simulated(at(10));
        let reading = RawReading { probe, at: at(9), received: now.uptime, raw: Raw::Number(21.5) };
        engine.handle(now, Input::Readings(&[reading]));
        let shown = picture(&facts, &seen(&engine, BTreeMap::new()));
        let there: Vec<bool> = shown.devices.iter().map(|device| device.is_there).collect();
        assert_eq!(there, [true, false]);
        let found = metric(&shown.devices[0], "Probes/temperature");
        assert_eq!(found.value, Some(Value::Double(21.5)));
        assert_eq!(found.at, at(9).as_millis() as u64);
        assert_eq!(property(found, "engUnit"), &Property::text("Cel"));
        assert_eq!(property(found, "Quality"), &Property::int32(192));
        let unread = metric(&shown.devices[0], "Probes/ph");
        assert_eq!((&unread.value, property(unread, "Quality")), (&None, &Property::int32(0)));
        assert_ne!(property(unread, "Reason"), &Property::text(""), "it says why");
    }

    #[test]
    fn a_note_says_what_it_means_and_nobody_s_name() {
        let (engine, facts) = shop();
        let message = "concentration 5.18 % (Brix 3.7 × 1.4), target 7.5 %, noted by Kim: from the nozzle";
        let note = last_note(at(5), "brix", Some(3.7), message);
        let lathe = engine.settings().sumps[1].name.to_string();
        let shown = picture(&facts, &seen(&engine, [(lathe, note)].into()));
        let of = |name| metric(&shown.devices[1], name);
        assert_eq!(of("Last note/Kind").value, Some(Value::Text("brix".to_owned())));
        assert_eq!(
            (&of("Last note/Value").value, of("Last note/Value").at),
            (&Some(Value::Double(3.7)), at(5).as_millis() as u64)
        );
        let text = "concentration 5.18 % (Brix 3.7 × 1.4), target 7.5 %: from the nozzle";
        assert_eq!(of("Last note/Text").value, Some(Value::Text(text.to_owned())));
        assert_eq!(
            metric(&shown.devices[0], "Last note/Kind").value,
            None,
            "nobody wrote anything of that one"
        );
    }
}
