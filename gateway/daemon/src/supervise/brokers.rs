//! One kept task a broker, and the dispatcher that brings acknowledgements back to them.

use std::collections::BTreeMap;
use std::sync::{Arc, MutexGuard, PoisonError};

use sumpwarden_core::acquire::settings::BrokerSettings;
use sumpwarden_core::acquire::topics::{TopicMap, TopicMapError};
use sumpwarden_core::engine::Engine;
use sumpwarden_core::model::{Ack, BrokerIndex, Name, ProbeIndex};
use tokio::sync::{Mutex, mpsc, watch};

use super::answers::Answers;
use super::keeper::Keeper;
use super::parts::{BrokerPart, Watched, own_places};
use super::restart::{self, Listened};
use super::{StartError, Tasks};
use crate::config::tasks;
use crate::edge::mqtt::{BrokerReport, BrokerSeat, BrokerStatus, Losses, NoteEar, run_broker};
use crate::edge::pulse::{Progress, Pulse};
use crate::edge::store::{Store, StoreError, StoreEvent};
use crate::faults;

/// How a broker hears what became of what it handed on.
#[derive(Clone)]
pub(super) struct WayBack {
    /// Acknowledgements on their way to the broker's task. No bound of its own: there are no more than messages handed on, and
    /// those have their places. One that was left out would hold up all that came after its message.
    durable: mpsc::UnboundedSender<Ack>,
    lost: Losses,
}

/// Ways back by what brokers' acknowledgements are known by.
#[derive(Clone, Default)]
pub(super) struct Ways(Arc<std::sync::Mutex<BTreeMap<u32, WayBack>>>);

impl Ways {
    fn get(&self, ack: Ack) -> Option<WayBack> {
        self.lock().get(&ack.broker.0).cloned()
    }

    /// Nothing of this one comes back any more.
    pub(super) fn remove(&self, actor: u32) {
        self.lock().remove(&actor);
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<u32, WayBack>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What every broker's task is joined to.
pub(super) struct Wires {
    pub(super) store: Store,
    pub(super) reports: mpsc::Sender<BrokerReport>,
    pub(super) ways: Ways,
    pub(super) keeper: Keeper,
    pub(super) tasks: Tasks,
    pub(super) watched: Watched,
}

/// A broker whose settings have been found to be usable.
pub(super) struct Ready {
    settings: BrokerSettings,
    blank: TopicMap,
    listened: Listened,
    ear: Option<NoteEar>,
}

/// The name of its loop among those that must go on.
pub(super) fn loop_of(broker: &Name) -> String {
    format!("broker {broker}")
}

/// What listening to `settings` takes, for `engine`.
pub(super) fn prepare(engine: &Engine, settings: &BrokerSettings) -> Result<Ready, StartError> {
    let probes = &engine.settings().probes;
    let expected = |probe: ProbeIndex| probes[probe.slot()].expected();
    let unusable = |why| StartError::Topics { broker: settings.name.clone(), why };
    let blank = TopicMap::new(settings, expected).map_err(unusable)?;
    let book = || Arc::new(engine.settings().note_book());
    let ear = settings.notes.as_ref().map(|notes| NoteEar::new(notes, book())).transpose();
    let ear = ear.map_err(|why| unusable(TopicMapError::Filter(why)))?;
    Ok(Ready { listened: restart::listened(engine, settings), settings: settings.clone(), blank, ear })
}

impl Ready {
    /// What it had heard before, from the store.
    pub(super) fn heard(&self, store: &Store) -> Result<TopicMap, StoreError> {
        let mut topics = self.blank.clone();
        for (probe, times) in restart::heard_before(store, &self.listened)? {
            topics.recall(probe, &times);
        }
        Ok(topics)
    }

    /// Starts it; without `first`, what it had heard is looked up as its task begins. Its reports are known by `actor`.
    pub(super) fn start(self, first: Option<TopicMap>, actor: u32, wires: &Wires) -> BrokerPart {
        let Self { settings, blank, listened, ear } = self;
        let (status, stands) = watch::channel(BrokerStatus::default());
        let (ack, acknowledged) = mpsc::unbounded_channel();
        let seat = BrokerSeat::new(acknowledged, status);
        wires.ways.lock().insert(actor, WayBack { durable: ack, lost: seat.losses() });
        let (pulse, name) = (seat.pulse().clone(), settings.name.clone());
        wires.watched.add(Progress::of(loop_of(&name), &pulse));
        let (part, keeper, held) = wires.keeper.apart();
        let (clock, stopping) = (keeper.clock, keeper.stop.clone());
        let (reports, store, told) = (wires.reports.clone(), wires.store.clone(), settings.clone());
        let mut first = first;
        let make = move || {
            let (settings, reports, stopping) = (told.clone(), reports.clone(), stopping.clone());
            let (seat, ear, first) = (seat.clone(), ear.clone(), first.take());
            let (blank, store, listened) = (blank.clone(), store.clone(), listened.clone());
            async move {
                let topics = match first {
                    Some(topics) => topics,
                    None => recalled(blank, &store, listened).await,
                };
                let broker = BrokerIndex(actor);
                run_broker(broker, &settings, topics, ear, clock, reports, seat, stopping).await;
            }
        };
        wires.tasks.keep_part(keeper, (tasks::BROKER, Some(name.as_str())), Some(pulse), make, held);
        let places = own_places(settings.topics.iter().map(|topic| topic.probe));
        BrokerPart { settings, status: stands, actor, places, part }
    }
}

/// What a task that crashed had heard, as far as it was stored; what was not comes again.
async fn recalled(mut topics: TopicMap, store: &Store, listened: Listened) -> TopicMap {
    match store.read(move |reader| restart::heard(reader, &listened)).await {
        Ok(heard) => heard.iter().for_each(|(probe, times)| topics.recall(*probe, times)),
        Err(error) => tracing::warn!(%error, "what came last by message is not known; it may come twice"),
    }
    topics
}

/// What the store says; it outlasts a dispatcher that crashed.
pub(super) type Happening = Arc<Mutex<mpsc::UnboundedReceiver<StoreEvent>>>;

/// Passes on what the store says: acknowledgements to their brokers and to whoever waits for an answer, everything else to
/// the log.
pub(super) async fn dispatch(happening: Happening, ways: Ways, answers: Answers, pulse: Pulse) {
    let mut happening = happening.lock().await;
    loop {
        faults::pass("dispatcher").await;
        // It comes round whether or not there is news.
        let Some(event) = pulse.during(happening.recv()).await else { return };
        match event {
            StoreEvent::Durable(durable) => {
                for ack in durable {
                    if Answers::awaits(ack) {
                        answers.durable(ack);
                    } else if let Some(broker) = ways.get(ack) {
                        // A broker whose task has ended, or was left away, sends the message again after the restart.
                        let _ = broker.durable.send(ack);
                    }
                }
            }
            StoreEvent::Lost(lost) => {
                for ack in lost {
                    if Answers::awaits(ack) {
                        answers.lost(ack);
                    } else if let Some(broker) = ways.get(ack) {
                        broker.lost.tell(ack);
                    }
                }
            }
            StoreEvent::Dropped(dropped) => tracing::error!(
                count = dropped.count,
                reason = ?dropped.reason,
                from = %dropped.first_at,
                to = %dropped.last_at,
                "samples are no longer held"
            ),
            StoreEvent::SetAside(set_aside) => {
                tracing::error!(?set_aside, "the store was damaged and set aside")
            }
            StoreEvent::Trouble(why) => {
                tracing::error!(why, "the store cannot be written; samples wait in memory")
            }
            StoreEvent::Recovered => tracing::info!("the store can be written again"),
        }
    }
}
