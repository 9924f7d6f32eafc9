//! The configuration, read anew while everything runs.
//!
//! The new one is read, checked, and everything that could fail is prepared before anything is stopped; what is found wrong
//! leaves the old one in force. Then parts whose settings are others stop, what they brought is handled under the old
//! configuration, the new engine takes over between two readings, and the new parts start. A bus, a broker, a forwarder or a
//! receiver whose settings are the same goes on untouched; so do the store and the page. One follows the other: whoever asks
//! while one runs is answered by the next, however many they are.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use sumpwarden_core::acquire::settings::{BrokerSettings, BusSettings};
use sumpwarden_core::acquire::{Plan, plan};
use sumpwarden_core::engine::succession::Successors;
use sumpwarden_core::engine::{self, Engine};
use sumpwarden_core::model::{SeriesIndex, Timestamp};
use sumpwarden_core::notify::ReceiverSettings;
use sumpwarden_core::store::settings::ForwardSettings;
use tokio::sync::{Mutex, mpsc, oneshot, watch};
use tokio::time::{Instant, sleep_until, timeout};

use super::acquisition::{BusStart, Route, TakeOver, Turn};
use super::parts::{BrokerPart, BusPart, Part, Shared, moved, own_places};
use super::systemd::Manager;
use super::{StartError, brokers, difference, plant, receivers, records};
use crate::config::{self, Report, Settings};
use crate::edge::clock::Clock;
use crate::edge::modbus::BusCounters;
use crate::edge::notify::Receiver;
use crate::edge::pulse::Progress;
use crate::edge::store::Store;
use crate::edge::uplink::Uplink;
use crate::edge::web::records::KnownSumps;
use crate::edge::web::reload::ReloadView;

/// Those who ask, at once. Full: whoever asks is told so by having no answer; one of those before brings it about.
const ASKED_MAX: usize = 64;
/// So long after one the next may begin: a storm of them is few.
const PAUSE: Duration = Duration::from_millis(250);
/// How long a part that is to stop may take: longer than any time-out of a device or an acknowledgement of a broker.
const STOP_WAIT_MAX: Duration = Duration::from_secs(15);
/// How long the store may take to give new series their numbers.
const NAMING_WAIT_MAX: Duration = Duration::from_secs(10);
/// Mistakes that the journal and the log name; all are counted.
const MISTAKES_NAMED: usize = 3;

/// What somebody who asks is told.
type Answer = Result<ReloadView, String>;

/// Where whoever wants the configuration read anew asks.
#[derive(Clone, Debug)]
pub(super) struct Reloads(mpsc::Sender<oneshot::Sender<Answer>>);

/// What is asked for.
pub(super) type Asked = Arc<Mutex<mpsc::Receiver<oneshot::Sender<Answer>>>>;

/// Both ends of it.
pub(super) fn asking() -> (Reloads, Asked) {
    let (ask, asked) = mpsc::channel(ASKED_MAX);
    (Reloads(ask), Arc::new(Mutex::new(asked)))
}

impl Reloads {
    /// Has it read anew, and waits for what that comes to.
    pub(super) async fn ask(&self) -> Answer {
        let (answer, answered) = oneshot::channel();
        let busy = || "too many ask for it at once, one of them brings it about; ask again".to_owned();
        self.0.try_send(answer).map_err(|_| busy())?;
        let gone =
            "it was broken off; the log says how, and what is in force is what GET /status says".to_owned();
        answered.await.unwrap_or(Err(gone))
    }
}

/// Why a new configuration is refused.
enum Refusal {
    /// It has mistakes.
    Mistakes(Report),
    /// It cannot be put in force.
    Not(String),
}

impl Refusal {
    /// For whoever asked: every mistake.
    fn whole(&self) -> String {
        let stays = "the old configuration stays in force";
        match self {
            Self::Mistakes(report) => {
                let count = report.mistakes.iter().filter(|of| of.weight == config::report::Weight::Mistake);
                format!("{stays}; the new one has {} to mend:\n{report}", count.count())
            }
            Self::Not(why) => format!("{stays}: {why}"),
        }
    }

    /// For the journal and the log: on one line.
    fn line(&self) -> String {
        let Self::Mistakes(report) = self else { return self.whole() };
        let of = report.mistakes.iter().filter(|of| of.weight == config::report::Weight::Mistake);
        let lines: Vec<String> = of.map(|mistake| report.line(mistake)).collect();
        let more = lines.len().saturating_sub(MISTAKES_NAMED);
        let more = if more > 0 { format!("; and {more} more") } else { String::new() };
        let named = lines.into_iter().take(MISTAKES_NAMED).collect::<Vec<_>>().join("; ");
        format!("the old configuration stays in force; the new one is wrong: {named}{more}")
    }
}

impl From<StartError> for Refusal {
    fn from(error: StartError) -> Self {
        Self::Not(error.to_string())
    }
}

/// When the configuration in force was put there, and what became of the tries since.
#[derive(Clone, Debug, Default)]
pub(super) struct Standing {
    /// When it was put in force, RFC 3339.
    pub(super) since: String,
    /// How often it was read anew and put in force.
    pub(super) reloaded: u64,
    /// How often a new one was refused.
    pub(super) refused: u64,
    /// Why the last one was refused, unless one has been put in force since.
    pub(super) last_refused: Option<String>,
}

impl Standing {
    /// That of a start.
    pub(super) fn at(start: Timestamp) -> Self {
        Self { since: start.floor_to_millis().to_string(), ..Self::default() }
    }
}

/// Reads the configuration anew, and puts it in force.
pub(super) struct Reloader {
    /// Where it lies; none where it came from elsewhere.
    pub(super) file: Option<PathBuf>,
    pub(super) settings: watch::Sender<Arc<Settings>>,
    pub(super) standing: watch::Sender<Standing>,
    /// What a reduced start leaves away stays away.
    pub(super) reduced: bool,
    pub(super) roster: Shared,
    pub(super) known: KnownSumps,
    pub(super) turns: mpsc::Sender<Turn>,
    pub(super) brokers: brokers::Wires,
    pub(super) receivers: receivers::Wires,
    pub(super) plants: plant::Wires,
    pub(super) manager: Arc<Manager>,
    pub(super) ready_words: String,
}

/// Waits for those who ask, until everything stops.
pub(super) async fn run(reloader: Arc<Mutex<Reloader>>, asked: Asked, mut stop: watch::Receiver<bool>) {
    let (mut reloader, mut asked) = (reloader.lock().await, asked.lock().await);
    let answering = async {
        let mut not_before = Instant::now();
        while let Some(first) = asked.recv().await {
            sleep_until(not_before).await;
            // Whoever has asked until now is answered by this one.
            let mut waiting = vec![first];
            while let Ok(one) = asked.try_recv() {
                waiting.push(one);
            }
            let answer = reloader.reload().await;
            // Whoever asked may have gone.
            waiting.into_iter().for_each(|one| drop(one.send(answer.clone())));
            not_before = Instant::now() + PAUSE;
        }
    };
    tokio::select! {
        _ = stop.wait_for(|stop| *stop) => {}
        () = answering => {}
    }
}

/// Everything that could fail, done; of what goes on untouched there is nothing.
struct Prepared {
    engine: Engine,
    successors: Successors,
    stored: BTreeMap<String, Vec<u8>>,
    series: Vec<SeriesIndex>,
    buses: Vec<(BusSettings, Option<Plan>)>,
    brokers: Vec<(BrokerSettings, Option<brokers::Ready>)>,
    forwards: Vec<(ForwardSettings, Option<Uplink<Store>>)>,
    receivers: Vec<(ReceiverSettings, Option<Receiver<Store>>)>,
}

/// Parts that go on, by name.
#[derive(Default)]
struct Going {
    buses: BTreeMap<String, BusPart>,
    brokers: BTreeMap<String, BrokerPart>,
    forwards: BTreeMap<String, super::parts::ForwardPart>,
    receivers: BTreeMap<String, super::parts::ReceiverPart>,
}

impl Reloader {
    async fn reload(&mut self) -> Answer {
        self.manager.reloading();
        let done = self.try_reload().await;
        self.manager.ready(&self.ready_words);
        match done {
            Ok(view) => {
                tracing::info!(
                    paused_ms = view.paused_ms,
                    parts_ms = view.parts_ms,
                    "configuration read anew: {view}"
                );
                self.standing.send_modify(|standing| {
                    standing.since.clone_from(&view.at);
                    (standing.reloaded, standing.last_refused) = (standing.reloaded + 1, None);
                });
                Ok(view)
            }
            Err(refusal) => {
                let line = refusal.line();
                tracing::error!("a new configuration was refused: {line}");
                self.standing.send_modify(|standing| {
                    (standing.refused, standing.last_refused) = (standing.refused + 1, Some(line.clone()));
                });
                // The engine has ended: so will everything else.
                let _ = self.turns.send(Turn::Remark("refused", line)).await;
                Err(refusal.whole())
            }
        }
    }

    async fn try_reload(&mut self) -> Result<ReloadView, Refusal> {
        let none = || Refusal::Not("this daemon was not started from a file".to_owned());
        let file = self.file.clone().ok_or_else(none)?;
        let broken = |error| Refusal::Not(format!("it could not be read: {error}"));
        let loaded = tokio::task::spawn_blocking(move || config::load(&file)).await.map_err(broken)?;
        let loaded = loaded.map_err(Refusal::Mistakes)?;
        let before = Arc::clone(&self.settings.borrow());
        let (mut after, only_by_restart) = difference::in_force(&before, loaded.settings);
        if difference::moves(&only_by_restart) {
            let keys = only_by_restart.join(", ");
            return Err(Refusal::Not(format!(
                "{keys}: others outside go by it, so it changes only by a restart; restart it, or take that \
                 back and the rest can be put in force"
            )));
        }
        let warnings = loaded.warnings.mistakes.iter().map(|warning| loaded.warnings.line(warning)).collect();
        let mut view = ReloadView { only_by_restart, warnings, ..difference::between(&before, &after) };
        if self.reduced {
            after.forwards.clear();
        }
        view.at = Clock.utc().floor_to_millis().to_string();
        if view.is_change() {
            self.put_in_force(&before, after, &mut view).await?;
        } else {
            // The engine has ended: so will everything else.
            let _ = self.turns.send(Turn::Remark("reloaded", view.to_string())).await;
        }
        Ok(view)
    }

    async fn put_in_force(
        &mut self,
        before: &Settings,
        after: Settings,
        view: &mut ReloadView,
    ) -> Result<(), Refusal> {
        let prepared = self.prepare(before, &after).await?;
        let began = Instant::now();
        let going = self.stop_others(&prepared).await;
        let after = Arc::new(after);
        records::show(&self.known, &prepared.engine);
        receivers::only(&after.engine.receivers, &self.receivers.store);
        let took = self.start_others(&after, prepared, going, view.to_string()).await;
        view.paused_ms = took.as_secs_f64() * 1e3;
        view.parts_ms = began.elapsed().as_secs_f64() * 1e3;
        self.settings.send_replace(after);
        Ok(())
    }

    async fn prepare(&self, before: &Settings, after: &Settings) -> Result<Prepared, Refusal> {
        let (store, settings) = (&self.brokers.store, after.engine.clone());
        let made = if self.reduced { Engine::without_estimates(settings) } else { Engine::new(settings) };
        let engine = made.map_err(StartError::from)?;
        let unread = |error| Refusal::Not(format!("the store cannot be read now: {error}; try again"));
        let stored = store.read(|reader| reader.all_saved()).await.map_err(unread)?;
        let unnamed = "the store cannot take new series now; try again";
        let series = timeout(NAMING_WAIT_MAX, store.know(after.engine.series())).await;
        let series = series.ok().and_then(Result::ok).ok_or_else(|| Refusal::Not(unnamed.to_owned()))?;
        let successors = Successors::of(&before.engine, &after.engine);
        let (same, on) = (Same { before, after, successors: &successors }, self.roster.names());
        let planned = |bus: &BusSettings| match plan(bus) {
            Ok(plan) => Ok(plan),
            Err(mistakes) => Err(StartError::Plan { bus: bus.name.clone(), mistakes }),
        };
        let buses = each(
            &after.engine.buses,
            |bus| on.contains(&("bus", bus.name.clone())) && same.bus(bus),
            planned,
        )?;
        let brokers = each(
            &after.engine.brokers,
            |broker| on.contains(&("broker", broker.name.clone())) && same.broker(broker),
            |broker| brokers::prepare(&engine, broker),
        )?;
        let forwards = each(
            &after.forwards,
            |one| on.contains(&("forwarder", one.name.clone())) && before.forwards.contains(one),
            |forward| {
                let failed = |why| StartError::Uplink { name: forward.name.clone(), why };
                Uplink::new(forward.clone(), store).map_err(failed)
            },
        )?;
        let receivers = each(
            &after.engine.receivers,
            |one| on.contains(&("receiver", one.name.clone())) && before.engine.receivers.contains(one),
            |receiver| receivers::prepare(receiver, &self.receivers),
        )?;
        Ok(Prepared { engine, successors, stored, series, buses, brokers, forwards, receivers })
    }

    /// Stops every part that does not go on, and waits until it has; gives those that do.
    async fn stop_others(&self, prepared: &Prepared) -> Going {
        let (going, stopping, actors) = self.part_with(prepared);
        stopping.iter().for_each(|(_, part)| part.stop());
        let ending = stopping.into_iter().map(async |(name, part)| {
            let ended = part.ended(STOP_WAIT_MAX).await;
            if !ended {
                tracing::warn!(late = name, "left behind");
            }
            self.brokers.watched.remove(&name);
        });
        futures_util::future::join_all(ending).await;
        actors.into_iter().for_each(|actor| self.brokers.ways.remove(actor));
        going
    }

    /// Takes every part off the roster: those that go on, those that are to stop with the names of their loops, and what the
    /// brokers among them are known by.
    fn part_with(&self, prepared: &Prepared) -> (Going, Vec<(String, Part)>, Vec<u32>) {
        let (mut going, mut stopping, mut actors) = (Going::default(), Vec::new(), Vec::new());
        let mut roster = self.roster.lock();
        for bus in roster.buses.drain(..) {
            let name = bus.settings.name.to_string();
            if goes_on(&prepared.buses, |of| of.name == bus.settings.name) {
                going.buses.insert(name, bus);
            } else {
                stopping.push((super::first::loop_of_bus(&bus.settings.name), bus.part));
            }
        }
        for broker in roster.brokers.drain(..) {
            let name = broker.settings.name.to_string();
            if goes_on(&prepared.brokers, |of| of.name == broker.settings.name) {
                going.brokers.insert(name, broker);
            } else {
                actors.push(broker.actor);
                stopping.push((brokers::loop_of(&broker.settings.name), broker.part));
            }
        }
        for forward in roster.forwards.drain(..) {
            let name = forward.settings.name.to_string();
            if goes_on(&prepared.forwards, |of| of.name == forward.settings.name) {
                going.forwards.insert(name, forward);
            } else {
                stopping.push((format!("forwarder {name}"), forward.part));
            }
        }
        for receiver in roster.receivers.drain(..) {
            let name = receiver.settings.name.to_string();
            if goes_on(&prepared.receivers, |of| of.name == receiver.settings.name) {
                going.receivers.insert(name, receiver);
            } else {
                stopping.push((receivers::loop_of(&receiver.settings.name), receiver.part));
            }
        }
        // They count sumps and alarms as the configuration before did.
        stopping.append(&mut roster.nodes);
        // It looks at loops that may be others now.
        stopping.extend(roster.heartbeat.take().map(|beat| ("heartbeat".to_owned(), beat)));
        (going, stopping, actors)
    }

    /// Puts everything back on the roster in the new order, has the engine take over, and starts what is new. Gives how long no
    /// reading was handled.
    async fn start_others(
        &self,
        after: &Settings,
        prepared: Prepared,
        mut going: Going,
        remark: String,
    ) -> Duration {
        let Prepared { engine, successors, stored, series, buses, brokers, forwards, receivers } = prepared;
        let (starting, heard) = (self.take_buses(buses, &mut going, &successors), oneshot::channel());
        let mut routes = self.roster.lock().routes();
        let mut listening = Vec::new();
        for ((settings, ready), place) in brokers.into_iter().zip(0..) {
            let listened = match (ready, going.brokers.remove(settings.name.as_str())) {
                (None, Some(mut part)) => {
                    part.settings = settings;
                    moved(&mut part.places, &successors);
                    routes.brokers.insert(part.actor, Route::new(place, &part.places));
                    Ok(part)
                }
                (ready, _) => {
                    let actor = self.roster.lock().actor();
                    routes.brokers.insert(actor, Route::new(place, &BTreeMap::new()));
                    Err((ready, actor))
                }
            };
            listening.push(listened);
        }
        let nodes = self.plants.ready(&after.edge_nodes, &engine);
        let with = TakeOver { engine, stored, series, routes, buses: starting, remark, done: heard.0 };
        // The engine has ended: so will everything else.
        let _ = self.turns.send(Turn::TakeOver(Box::new(with))).await;
        let took = heard.1.await.unwrap_or_default();
        let listening = listening.into_iter().filter_map(|one| match one {
            Ok(part) => Some(part),
            Err((ready, actor)) => Some(ready?.start(None, actor, &self.brokers)),
        });
        let forwards = forwards.into_iter().filter_map(|(settings, uplink)| match uplink {
            None => going.forwards.remove(settings.name.as_str()),
            Some(uplink) => Some(super::first::start_forwarder(uplink, &settings, &self.brokers)),
        });
        let receivers = receivers.into_iter().filter_map(|(settings, receiver)| match receiver {
            None => going.receivers.remove(settings.name.as_str()),
            Some(receiver) => Some(receivers::start(receiver, &settings, &self.receivers)),
        });
        let (listening, forwards): (Vec<_>, Vec<_>) = (listening.collect(), forwards.collect());
        let receivers: Vec<_> = receivers.collect();
        let beat = after.heartbeat.as_ref().map(|of| receivers::start_heartbeat(of, &self.receivers));
        let beat = beat.and_then(|beat| {
            beat.inspect_err(|error| tracing::error!(%error, "no sign of life can be sent")).ok()
        });
        let nodes = nodes.start();
        let mut roster = self.roster.lock();
        (roster.brokers, roster.forwards, roster.receivers) = (listening, forwards, receivers);
        (roster.nodes, roster.heartbeat) = (nodes, beat);
        took
    }

    /// Buses in their new order on the roster, and those of them that are to be started.
    fn take_buses(
        &self,
        buses: Vec<(BusSettings, Option<Plan>)>,
        going: &mut Going,
        successors: &Successors,
    ) -> Vec<BusStart> {
        let mut starting = Vec::new();
        let mut roster = self.roster.lock();
        for (settings, plan) in buses {
            if let Some(mut part) = going.buses.remove(settings.name.as_str()) {
                part.settings = settings;
                moved(&mut part.places, successors);
                roster.buses.push(part);
            } else if let Some(plan) = plan {
                let (part, start) = new_bus(settings, plan, roster.actor(), &self.brokers);
                roster.buses.push(part);
                starting.push(start);
            }
        }
        starting
    }
}

/// A bus that is to be started on the acquisition thread.
pub(super) fn new_bus(
    settings: BusSettings,
    plan: Plan,
    actor: u32,
    wires: &brokers::Wires,
) -> (BusPart, BusStart) {
    let counters = Arc::new(BusCounters::default());
    wires.watched.add(Progress::of(super::first::loop_of_bus(&settings.name), counters.pulse()));
    let (part, keeper, held) = wires.keeper.apart();
    let probes = settings.devices.iter().flat_map(|device| &device.points).map(|point| point.probe);
    let places = own_places(probes);
    let start = BusStart {
        actor,
        settings: settings.clone(),
        plan: plan.clone(),
        counters: Arc::clone(&counters),
        keeper,
        held,
    };
    (BusPart { settings, plan, counters, actor, places, part }, start)
}

/// What is the same in both configurations.
struct Same<'s> {
    before: &'s Settings,
    after: &'s Settings,
    successors: &'s Successors,
}

impl Same<'_> {
    fn bus(&self, bus: &BusSettings) -> bool {
        let before = self.before.engine.buses.iter().find(|of| of.name == bus.name);
        before.and_then(|of| self.successors.bus(of)).is_some_and(|of| of == *bus)
    }

    /// Also what its values are expected to be, and, where notes come from it, what they may be about.
    fn broker(&self, broker: &BrokerSettings) -> bool {
        let (before, after) = (&self.before.engine, &self.after.engine);
        let Some(of) = before.brokers.iter().find(|of| of.name == broker.name) else { return false };
        let expected = |of: &BrokerSettings, settings: &engine::Settings| -> Vec<_> {
            of.topics.iter().map(|topic| settings.probes[topic.probe.slot()].expected()).collect()
        };
        self.successors.broker(of).is_some_and(|moved| moved == *broker)
            && expected(of, before) == expected(broker, after)
            && (broker.notes.is_none() || before.note_book() == after.note_book())
    }
}

/// Each with what it takes to start it; with nothing where it goes on.
fn each<T: Clone, P>(
    all: &[T],
    goes_on: impl Fn(&T) -> bool,
    prepare: impl Fn(&T) -> Result<P, StartError>,
) -> Result<Vec<(T, Option<P>)>, Refusal> {
    let one = |one: &T| {
        let prepared = if goes_on(one) { None } else { Some(prepare(one)?) };
        Ok((one.clone(), prepared))
    };
    all.iter().map(one).collect()
}

/// Whether one of `all` goes on.
fn goes_on<T, P>(all: &[(T, Option<P>)], is: impl Fn(&T) -> bool) -> bool {
    all.iter().any(|(of, prepared)| prepared.is_none() && is(of))
}
