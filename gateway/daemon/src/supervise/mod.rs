//! F9: the whole daemon, wired: who runs where, and in which order it stops.
//!
//! ```text
//! thread "acquire" (one, a runtime of its own)        main runtime                     thread "store"
//!   bus actors ──reports──▶ engine loop ──commits───────────────────────────────────▶ writer
//!                            ▲  ▲  ▲ └─journal──▶ log, whoever watches                   │ events
//!                            │  │  └──snapshot requests, notes── page                        ▼
//!                            │  └──reports── brokers ◀──────────────acks──────────── dispatcher
//!                            │               forwarders ◀──────cursor─────────────── readers
//!                            └──commands, reports── page, receivers ◀──rows────────────┘
//! ```
//!
//! Only acquisition and the engine share their thread: nothing that talks to a broker, a database, a browser or a disk
//! runs on it, so none of them can delay a poll.

mod acquisition;
mod answers;
mod faults;
mod receivers;
mod records;
mod restart;
mod weekly;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::thread::JoinHandle;
use std::time::Duration;

use sumpwarden_core::acquire::topics::{TopicMap, TopicMapError};
use sumpwarden_core::acquire::{Plan, PlanError, plan, settings::BusSettings};
use sumpwarden_core::engine::snapshot::Snapshot;
use sumpwarden_core::engine::{Engine, EngineError};
use sumpwarden_core::model::{Ack, BrokerIndex, Name, ProbeIndex, Timestamp};
use sumpwarden_core::store::JournalRecord;
use tokio::net::TcpListener;
use tokio::sync::{broadcast, mpsc, oneshot, watch};
use tokio::task::JoinSet;
use tokio::time::{Instant, timeout_at};

use crate::config::Settings;
use crate::edge::clock::Clock;
use crate::edge::modbus::BusCounters;
use crate::edge::mqtt::{BROKER_REPORTS_MAX, BrokerReport, BrokerStatus, NoteEar, run_broker};
use crate::edge::notify::{RECEIVER_REPORTS_MAX, ReceiverError, ReceiverStatus};
use crate::edge::store::{Store, StoreError, StoreEvent};
use crate::edge::uplink::{Uplink, UplinkError, UplinkStatus};
use crate::edge::web::commands::COMMANDS_MAX;
use crate::edge::web::{self, PollStarts, SnapshotRequests, key};

use acquisition::Acquisition;
use answers::Answers;

/// Journal entries on their way to those who watch. Full: the slowest watcher misses the oldest, nobody waits for it.
const JOURNAL_WATCHED_MAX: usize = 256;
/// Snapshots asked for at once. Full: the page waits.
const SNAPSHOT_REQUESTS_MAX: usize = 4;
/// Acknowledgements on their way to one broker's task. Full: the dispatcher waits; a broker has no more messages out than
/// it has places, so that is only while its task is busy.
const ACKS_MAX: usize = 1024;
/// News of faults on their way to the engine. Full: whoever found one waits.
const FAULTS_MAX: usize = 64;
/// How long a clean stop may take; then whoever is late is named and left behind. What is stored survives that.
const SHUTDOWN_GRACE: Duration = Duration::from_secs(5);

/// Why the daemon does not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The data directory.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The settings.
    #[error(transparent)]
    Engine(#[from] EngineError),
    /// The plan of a bus.
    #[error("bus {bus}: {}", .mistakes.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))]
    Plan {
        /// Which.
        bus: Name,
        /// What is wrong with it.
        mistakes: Vec<PlanError>,
    },
    /// The topics of a broker.
    #[error("broker {broker}: {why}")]
    Topics {
        /// Which.
        broker: Name,
        /// Why.
        why: TopicMapError,
    },
    /// A forwarder.
    #[error("forwarder {name}: {why}")]
    Uplink {
        /// Which.
        name: Name,
        /// Why.
        why: UplinkError,
    },
    /// The key for notes.
    #[error("the key for notes {path}: {why}", path = path.display())]
    NoteKey {
        /// Where it lies.
        path: std::path::PathBuf,
        /// Why it cannot be used.
        why: std::io::Error,
    },
    /// A receiver of messages.
    #[error("receiver {name}: {why}")]
    Receiver {
        /// Which.
        name: Name,
        /// Why.
        why: ReceiverError,
    },
    /// The watcher outside.
    #[error("heartbeat: {0}")]
    Heartbeat(ReceiverError),
    /// The key that links are signed by.
    #[error("the key of the links in messages: {0}")]
    LinkKey(std::io::Error),
    /// The page's address.
    #[error("cannot listen on {address} for the page: {why}; choose another `listen` under [web]")]
    Listen {
        /// Which address.
        address: SocketAddr,
        /// Why.
        why: std::io::Error,
    },
    /// The acquisition thread.
    #[error("cannot start the acquisition thread: {0}")]
    Thread(std::io::Error),
}

/// A running daemon.
#[derive(Debug)]
pub struct Running {
    /// Where the page is served.
    pub web: SocketAddr,
    /// What each bus has done, in the order of the settings.
    pub buses: Vec<Arc<BusCounters>>,
    /// How things stand with each broker, in the order of the settings.
    pub brokers: Vec<watch::Receiver<BrokerStatus>>,
    /// How things stand with each forwarder, in the order of the settings.
    pub forwards: Vec<watch::Receiver<UplinkStatus>>,
    /// How things stand with each receiver of messages, in the order of the settings.
    pub receivers: Vec<watch::Receiver<ReceiverStatus>>,
    /// The store.
    pub store: Store,
    snapshots: SnapshotRequests,
    journal: broadcast::Sender<JournalRecord>,
    stop: watch::Sender<bool>,
    acquisition: JoinHandle<()>,
    tasks: JoinSet<String>,
    names: Vec<String>,
}

/// Starts everything `settings` ask for. Must be called within a runtime of several threads.
pub async fn start(settings: Settings) -> Result<Running, StartError> {
    let clock = Clock;
    let mut engine = Engine::new(settings.engine)?;
    let (events, happening) = mpsc::unbounded_channel();
    let store = Store::open(&settings.store.directory, engine.series(), settings.store.limits, events)?;
    restart::restore(clock.now(), &mut engine, &store)?;
    let heard = restart::heard(&engine, &store)?;
    let directory = &settings.store.directory;
    let unusable = |why| StartError::NoteKey { path: key::key_file(directory, key::NOTE_KEY), why };
    let note_key = settings
        .web
        .note_key
        .map_or_else(|| receivers::own_key(&store, key::NOTE_KEY).map_err(unusable), Ok)?;
    let address = settings.web.listen;
    let listen = |why| StartError::Listen { address, why };
    let listener = TcpListener::bind(address).await.map_err(listen)?;
    let web = listener.local_addr().map_err(listen)?;

    let (stop, stopping) = watch::channel(false);
    let (journal, _) = broadcast::channel(JOURNAL_WATCHED_MAX);
    let (snapshots, asked) = mpsc::channel(SNAPSHOT_REQUESTS_MAX);
    let mut tasks = Tasks::default();

    let (reports, arriving) = mpsc::channel(BROKER_REPORTS_MAX);
    let (brokers, acks) = start_brokers(&engine, &heard, clock, &reports, &stopping, &mut tasks)?;
    drop(reports);
    let (mut forwards, mut watched) = (Vec::new(), Vec::new());
    for forward in settings.forwards {
        let name = forward.name.clone();
        let failed = |why| StartError::Uplink { name: name.clone(), why };
        let uplink = Uplink::new(forward, &store).map_err(failed)?;
        forwards.push(uplink.status());
        watched.push(faults::Watched { name: name.to_string(), status: uplink.status() });
        tasks.spawn(format!("forwarder {name}"), uplink.run(stopping.clone()));
    }
    let answers = Answers::beside(acks.len());
    tasks.spawn("dispatcher".to_owned(), dispatch(happening, acks, answers.clone()));
    let (found, faults) = mpsc::channel(FAULTS_MAX);
    tasks.spawn("fault watch".to_owned(), faults::watch(store.clone(), watched, found, stopping.clone()));
    let zone = settings.site.timezone.clone();
    tasks.spawn("weekly report".to_owned(), weekly::report(store.clone(), clock, zone, stopping.clone()));
    let public_url = settings.web.public_url.as_deref();
    let links = receivers::links(&store, public_url)?;
    let (told, hearing) = mpsc::channel(RECEIVER_REPORTS_MAX);
    let told_of = &engine.settings().receivers;
    let (receivers, going) =
        receivers::start(told_of, &store, &settings.site.name, links.clone(), told, &stopping, &mut tasks)
            .await?;
    let turns = Arc::<AtomicU64>::default();
    if let Some(heartbeat) = &settings.heartbeat {
        receivers::start_heartbeat(heartbeat, Arc::clone(&turns), &store, going, &stopping, &mut tasks)?;
    }
    let named = told_of.iter().map(|receiver| receiver.name.clone()).zip(receivers.iter().cloned()).collect();
    let (commands, commanded) = mpsc::channel(COMMANDS_MAX);
    let starts = PollStarts::default();
    let sumps = engine.settings().sumps.iter().map(|sump| sump.name.clone()).collect();
    let page = web::serve(
        listener,
        settings.site.name.to_string(),
        snapshots.clone(),
        receivers::writes((note_key, commands), links.as_ref(), public_url, store.clone(), named),
        records::of(&store, sumps),
        Arc::clone(&starts),
        stopped(&stopping),
    );
    tasks.spawn("page".to_owned(), async {
        if let Err(error) = page.await {
            tracing::error!(%error, "the page has stopped");
        }
    });

    let buses = planned_buses(&engine)?;
    let counters = buses.iter().map(|(_, _, counters)| Arc::clone(counters)).collect();
    let acquisition = Acquisition {
        buses,
        engine,
        store: store.clone(),
        brokers: arriving,
        snapshots: asked,
        faults,
        commands: commanded,
        answers,
        receivers: hearing,
        turns,
        journal: journal.clone(),
        starts,
        stop: stopping,
    };
    let acquisition = acquisition.spawn(clock).map_err(StartError::Thread)?;
    let Tasks { set, names } = tasks;
    Ok(Running {
        web,
        buses: counters,
        brokers,
        forwards,
        receivers,
        store,
        snapshots,
        journal,
        stop,
        acquisition,
        tasks: set,
        names,
    })
}

impl Running {
    /// The shop as it stands; none if the engine has stopped.
    pub async fn snapshot(&self) -> Option<Snapshot> {
        let (answer, answered) = oneshot::channel();
        self.snapshots.send(answer).await.ok()?;
        answered.await.ok()
    }

    /// Journal entries from now on.
    pub fn journal(&self) -> broadcast::Receiver<JournalRecord> {
        self.journal.subscribe()
    }

    /// Completes if the acquisition thread ends without having been told to: there is no point in going on then.
    pub async fn acquisition_lost(&self) {
        self.snapshots.closed().await;
    }

    /// Stops in order: polling, engine, store, then whoever reads from it. Who is late is named in the log.
    pub async fn stop(self) {
        let Self { store, stop, acquisition, mut tasks, mut names, .. } = self;
        let deadline = Instant::now() + SHUTDOWN_GRACE;
        stop.send_replace(true);
        let joined = tokio::task::spawn_blocking(move || acquisition.join());
        match timeout_at(deadline, joined).await {
            Ok(Ok(Ok(()))) => {}
            Ok(_) => tracing::error!("the acquisition thread has panicked"),
            Err(_) => tracing::warn!(late = "acquisition", "left behind"),
        }
        let closing = tokio::task::spawn_blocking(move || store.close());
        if timeout_at(deadline, closing).await.is_err() {
            tracing::warn!(late = "store", "left behind");
        }
        while let Ok(Some(ended)) = timeout_at(deadline, tasks.join_next()).await {
            match ended {
                Ok(name) => names.retain(|n| *n != name),
                Err(error) => tracing::error!(%error, "a task has panicked"),
            }
        }
        for late in names {
            tracing::warn!(late, "left behind");
        }
    }
}

/// Tasks of the main runtime with their names.
#[derive(Default)]
struct Tasks {
    set: JoinSet<String>,
    names: Vec<String>,
}

impl Tasks {
    fn spawn(&mut self, name: String, task: impl Future<Output = ()> + Send + 'static) {
        self.names.push(name.clone());
        self.set.spawn(async move {
            task.await;
            name
        });
    }
}

type Planned = Vec<(BusSettings, Plan, Arc<BusCounters>)>;

fn planned_buses(engine: &Engine) -> Result<Planned, StartError> {
    (engine.settings().buses.iter())
        .map(|bus| match plan(bus) {
            Ok(plan) => Ok((bus.clone(), plan, Arc::new(BusCounters::default()))),
            Err(mistakes) => Err(StartError::Plan { bus: bus.name.clone(), mistakes }),
        })
        .collect()
}

type Brokers = (Vec<watch::Receiver<BrokerStatus>>, Vec<mpsc::Sender<Ack>>);

fn start_brokers(
    engine: &Engine,
    heard: &BTreeMap<ProbeIndex, Vec<Timestamp>>,
    clock: Clock,
    reports: &mpsc::Sender<BrokerReport>,
    stopping: &watch::Receiver<bool>,
    tasks: &mut Tasks,
) -> Result<Brokers, StartError> {
    let (mut statuses, mut acks) = (Vec::new(), Vec::new());
    let book = Arc::new(engine.settings().note_book());
    for (settings, index) in engine.settings().brokers.iter().zip(0..) {
        let (status, stands) = watch::channel(BrokerStatus::default());
        let (ack, acknowledged) = mpsc::channel(ACKS_MAX);
        let probes = &engine.settings().probes;
        let expected = |probe: ProbeIndex| probes[probe.slot()].expected();
        let mut topics = TopicMap::new(settings, expected)
            .map_err(|why| StartError::Topics { broker: settings.name.clone(), why })?;
        heard.iter().for_each(|(probe, times)| topics.recall(*probe, times));
        let ear = settings.notes.as_ref().map(|notes| NoteEar::new(notes, Arc::clone(&book))).transpose();
        let ear = ear.map_err(|why| StartError::Topics {
            broker: settings.name.clone(),
            why: TopicMapError::Filter(why),
        })?;
        let (settings, reports, stopping) = (settings.clone(), reports.clone(), stopping.clone());
        let name = format!("broker {}", settings.name);
        tasks.spawn(name, async move {
            run_broker(
                BrokerIndex(index),
                &settings,
                topics,
                ear,
                clock,
                reports,
                acknowledged,
                status,
                stopping,
            )
            .await;
        });
        statuses.push(stands);
        acks.push(ack);
    }
    Ok((statuses, acks))
}

/// Passes on what the store says: acknowledgements to their brokers and to whoever waits for an answer, everything else to the log.
async fn dispatch(
    mut happening: mpsc::UnboundedReceiver<StoreEvent>,
    acks: Vec<mpsc::Sender<Ack>>,
    answers: Answers,
) {
    while let Some(event) = happening.recv().await {
        match event {
            StoreEvent::Durable(durable) => {
                for ack in durable {
                    match acks.get(ack.broker.slot()) {
                        // A broker whose task has ended gets the message again after the restart.
                        Some(broker) => drop(broker.send(ack).await),
                        None => answers.durable(ack),
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

fn stopped(stopping: &watch::Receiver<bool>) -> impl Future<Output = ()> + Send + 'static {
    let mut stopping = stopping.clone();
    async move {
        let _ = stopping.wait_for(|stop| *stop).await;
    }
}
