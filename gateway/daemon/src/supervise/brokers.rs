//! One kept task a broker, and the dispatcher that brings acknowledgements back to them.

use std::sync::Arc;
use std::time::Duration;

use sumpwarden_core::acquire::topics::{TopicMap, TopicMapError};
use sumpwarden_core::engine::Engine;
use sumpwarden_core::model::{Ack, BrokerIndex, ProbeIndex};
use tokio::sync::{Mutex, mpsc, watch};
use tokio::time::timeout;

use super::answers::Answers;
use super::keeper::Keeper;
use super::restart::{self, Listened};
use super::{ACKS_MAX, StartError, Tasks};
use crate::config::tasks;
use crate::edge::mqtt::{BrokerReport, BrokerSeat, BrokerStatus, Losses, NoteEar, run_broker};
use crate::edge::pulse::{Progress, Pulse};
use crate::edge::store::{Store, StoreEvent};
use crate::faults;

/// How long an acknowledgement waits for a broker's task that does not take it.
const ACK_WAIT_MAX: Duration = Duration::from_millis(100);

/// What became of starting the brokers, each list in the order of the settings.
pub(super) struct Brokers {
    pub(super) statuses: Vec<watch::Receiver<BrokerStatus>>,
    pub(super) ways: Vec<WayBack>,
    pub(super) progress: Vec<Progress>,
}

/// How a broker hears what became of what it handed on.
#[derive(Clone)]
pub(super) struct WayBack {
    durable: mpsc::Sender<Ack>,
    lost: Losses,
}

/// Starts them all.
pub(super) fn start(
    engine: &Engine,
    store: &Store,
    reports: &mpsc::Sender<BrokerReport>,
    keeper: &Keeper,
    kept: &mut Tasks,
) -> Result<Brokers, StartError> {
    let mut brokers = Brokers { statuses: Vec::new(), ways: Vec::new(), progress: Vec::new() };
    let book = Arc::new(engine.settings().note_book());
    for (settings, index) in engine.settings().brokers.iter().zip(0..) {
        let (status, stands) = watch::channel(BrokerStatus::default());
        let (ack, acknowledged) = mpsc::channel(ACKS_MAX);
        let seat = BrokerSeat::new(acknowledged, status);
        let way = WayBack { durable: ack, lost: seat.losses() };
        let probes = &engine.settings().probes;
        let expected = |probe: ProbeIndex| probes[probe.slot()].expected();
        let unusable = |why| StartError::Topics { broker: settings.name.clone(), why };
        let blank = TopicMap::new(settings, expected).map_err(unusable)?;
        let listened = restart::listened(engine, settings);
        let mut first = Some(blank.clone());
        for (probe, times) in restart::heard_before(store, &listened)? {
            first.iter_mut().for_each(|topics| topics.recall(probe, &times));
        }
        let ear = settings.notes.as_ref().map(|notes| NoteEar::new(notes, Arc::clone(&book))).transpose();
        let ear = ear.map_err(|why| unusable(TopicMapError::Filter(why)))?;
        let (pulse, name) = (seat.pulse().clone(), settings.name.clone());
        brokers.progress.push(Progress::of(format!("broker {name}"), &pulse));
        let (settings, reports, keeper, store) =
            (settings.clone(), reports.clone(), keeper.clone(), store.clone());
        let (clock, stopping) = (keeper.clock, keeper.stop.clone());
        let make = move || {
            let (settings, reports, stopping) = (settings.clone(), reports.clone(), stopping.clone());
            let (seat, ear, first) = (seat.clone(), ear.clone(), first.take());
            let (blank, store, listened) = (blank.clone(), store.clone(), listened.clone());
            async move {
                let topics = match first {
                    Some(topics) => topics,
                    None => recalled(blank, &store, listened).await,
                };
                let broker = BrokerIndex(index);
                run_broker(broker, &settings, topics, ear, clock, reports, seat, stopping).await;
            }
        };
        kept.keep(keeper, (tasks::BROKER, Some(name.as_str())), Some(pulse), make);
        brokers.statuses.push(stands);
        brokers.ways.push(way);
    }
    Ok(brokers)
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
pub(super) async fn dispatch(happening: Happening, ways: Vec<WayBack>, answers: Answers, pulse: Pulse) {
    let mut happening = happening.lock().await;
    loop {
        faults::pass("dispatcher").await;
        // It comes round whether or not there is news.
        let Some(event) = pulse.during(happening.recv()).await else { return };
        match event {
            StoreEvent::Durable(durable) => {
                for ack in durable {
                    match ways.get(ack.broker.slot()) {
                        // A broker whose task has ended, or was left away, gets the message again after the restart.
                        Some(broker) => drop(timeout(ACK_WAIT_MAX, broker.durable.send(ack)).await),
                        None => answers.durable(ack),
                    }
                }
            }
            StoreEvent::Lost(lost) => {
                for ack in lost {
                    match ways.get(ack.broker.slot()) {
                        Some(broker) => broker.lost.tell(ack),
                        None => answers.lost(ack),
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
