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
mod brokers;
mod faults;
mod keeper;
mod page;
pub mod panics;
mod plant;
mod receivers;
mod records;
mod restart;
mod standby;
mod starts;
mod systemd;
mod watchdog;
mod weekly;

use std::net::SocketAddr;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use sumpwarden_core::acquire::topics::TopicMapError;
use sumpwarden_core::acquire::{Plan, PlanError, plan, settings::BusSettings};
use sumpwarden_core::alarm::condition::Fault;
use sumpwarden_core::alarm::settings::FaultKey;
use sumpwarden_core::engine::snapshot::Snapshot;
use sumpwarden_core::engine::{Engine, EngineError};
use sumpwarden_core::model::Name;
use sumpwarden_core::store::JournalRecord;
use sumpwarden_core::store::settings::ForwardSettings;
use tokio::sync::{Mutex, broadcast, mpsc, oneshot, watch};
use tokio::task::JoinSet;
use tokio::time::{Instant, timeout_at};

use crate::config::{Settings, tasks as kinds};
use crate::edge::clock::Clock;
use crate::edge::modbus::BusCounters;
use crate::edge::mqtt::{BROKER_REPORTS_MAX, BrokerStatus};
use crate::edge::notify::{RECEIVER_REPORTS_MAX, ReceiverError, ReceiverStatus};
use crate::edge::pulse::{Progress, Pulse};
use crate::edge::store::{Store, StoreError, StoreEvent};
use crate::edge::uplink::{Uplink, UplinkError, UplinkStatus};
use crate::edge::web::access::Access;
use crate::edge::web::certificate::CertificateError;
use crate::edge::web::commands::COMMANDS_MAX;
use crate::edge::web::{Parts, PollStarts, SnapshotRequests};

use acquisition::{Acquisition, FaultNews};
use answers::Answers;
use keeper::{Keeper, Ledger};
use starts::Record;
use systemd::Manager;
use watchdog::Watchdog;

/// Journal entries on their way to those who watch. Full: the slowest watcher misses the oldest, nobody waits for it.
const JOURNAL_WATCHED_MAX: usize = 256;
/// Snapshots asked for at once. Full: the page waits.
const SNAPSHOT_REQUESTS_MAX: usize = 4;
/// Acknowledgements on their way to one broker's task. Full: the dispatcher waits; a broker has no more messages out than
/// it has places, so that is only while its task is busy.
const ACKS_MAX: usize = 1024;
/// News of faults on their way to the engine. Full: whoever found one waits.
const FAULTS_MAX: usize = 64;
/// How often it is looked whether threads live, and how often their loops come round at least.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// After so long reduced without a crash the whole is tried again (common practice, no source).
const REDUCED_FOR: Duration = Duration::from_hours(1);
/// What a reduced start leaves away.
const REDUCED_WORDS: &str = "estimates and what follows from them, forwarding and the weekly report";
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
    /// A key of the page.
    #[error("the key {name} of the page: {why}")]
    PageKey {
        /// Which.
        name: &'static str,
        /// Why it cannot be used.
        why: std::io::Error,
    },
    /// The page's certificate.
    #[error(transparent)]
    Certificate(#[from] CertificateError),
    /// The page's address.
    #[error("cannot listen on {address} for the page: {why}; choose another `listen` under [web]")]
    Listen {
        /// Which address.
        address: SocketAddr,
        /// Why.
        why: std::io::Error,
    },
    /// Where other boxes ask.
    #[error(
        "cannot listen on {address} for the box that shares a bus: {why}; choose another `listen` under [bus.NAME.standby]"
    )]
    Peer {
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
    /// Who may do what there.
    pub access: Arc<Access>,
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
    polls: oneshot::Receiver<()>,
    reduced: bool,
    ledger: Ledger,
    manager: Arc<Manager>,
    watchdog: Watchdog,
}

/// Starts everything `settings` ask for. Must be called within a runtime of several threads.
pub async fn start(settings: Settings) -> Result<Running, StartError> {
    let clock = Clock;
    let whole = Arc::new(settings.clone());
    let (events, happening) = mpsc::unbounded_channel();
    let directory = &settings.store.directory;
    let store = Store::open(directory, &settings.engine.series(), settings.store.limits, events)?;
    let (record, because) = Record::begin(directory, clock.now());
    panics::write_to(record);
    let mut engine = match &because {
        None => Engine::new(settings.engine)?,
        Some(_) => Engine::without_estimates(settings.engine)?,
    };
    restart::restore(clock.now(), &mut engine, &store)?;
    let door = page::Door::open(&settings.web, &store).await?;
    let (web, access) = (door.address, Arc::clone(&door.access));

    let (stop, stopping) = watch::channel(false);
    let (journal, _) = broadcast::channel(JOURNAL_WATCHED_MAX);
    let (snapshots, asked) = mpsc::channel(SNAPSHOT_REQUESTS_MAX);
    let (found, faults) = mpsc::channel(FAULTS_MAX);
    let ledger = Ledger::default();
    let keeper = Keeper { clock, ledger: ledger.clone(), news: found.clone(), stop: stopping.clone() };
    let mut tasks = Tasks::default();
    let pulse = Pulse::default();
    let mut watched =
        vec![Progress::of("engine", &pulse), Progress::of("store", store.pulse()), tasks.beat(&stopping)];
    tell_reduced(because.as_deref(), &ledger, &found);

    let (reports, arriving) = mpsc::channel(BROKER_REPORTS_MAX);
    let brokers::Brokers { statuses: brokers, ways, progress } =
        brokers::start(&engine, &store, &reports, &keeper, &mut tasks)?;
    drop(reports);
    watched.extend(progress);
    let wanted = if because.is_none() { settings.forwards } else { Vec::new() };
    let (forwards, seen) = start_forwarders(wanted, &store, &keeper, &mut tasks)?;
    let answers = Answers::beside(ways.len());
    watched.push(start_dispatcher(happening, ways, answers.clone(), &keeper, &mut tasks));
    let (of, stops) = (store.clone(), stopping.clone());
    let watching = move || faults::watch(of.clone(), seen.clone(), found.clone(), stops.clone());
    tasks.keep(keeper.clone(), (kinds::FAULT_WATCH, None), None, watching);
    if because.is_none() {
        let (of, zone, stops) = (store.clone(), settings.site.timezone.clone(), stopping.clone());
        let report = move || weekly::report(of.clone(), clock, zone.clone(), stops.clone());
        tasks.keep(keeper.clone(), (kinds::WEEKLY_REPORT, None), None, report);
    }
    let public_url = settings.web.public_url.as_deref();
    let links = receivers::links(&store, public_url)?;
    let (told, hearing) = mpsc::channel(RECEIVER_REPORTS_MAX);
    let told_of = &engine.settings().receivers;
    let (receivers, progress) =
        receivers::start(told_of, &store, &settings.site.name, links.clone(), told, &keeper, &mut tasks)?;
    watched.extend(progress);
    let named = told_of.iter().map(|receiver| receiver.name.clone()).zip(receivers.iter().cloned()).collect();
    let (commands, commanded) = mpsc::channel(COMMANDS_MAX);
    let starts = PollStarts::default();
    let writes = receivers::writes(
        (door.note_key.clone(), commands),
        links.as_ref(),
        public_url,
        store.clone(),
        named,
        ledger.clone(),
    );
    let of_plant = plant::Parts {
        engine: &engine,
        site: &settings.site.name,
        store: &store,
        snapshots: snapshots.clone(),
        journal: &journal,
        ledger: ledger.clone(),
    };
    watched.extend(plant::start(&settings.edge_nodes, of_plant, &keeper, &mut tasks));
    let site = settings.site.name.to_string();
    let buses = planned_buses(&engine)?;
    let by_name: Vec<(Name, Arc<BusCounters>)> =
        buses.iter().map(|(of, _, counters)| (of.name.clone(), Arc::clone(counters))).collect();
    let (leases, leased) = mpsc::channel(standby::LEASES_MAX);
    let own = &settings.site.box_name;
    let stands = standby::start(settings.shared, own, &by_name, leases, &keeper, &mut tasks).await?;
    let parts = Parts {
        site,
        timezone: settings.site.timezone.iana_name().unwrap_or("UTC").to_owned(),
        snapshots: snapshots.clone(),
        writes,
        records: records::of(&store, &engine, whole),
        starts: Arc::clone(&starts),
        buses: page::buses(&buses, stands),
        access: Arc::clone(&access),
        tls: door.tls.clone(),
        proxy: settings.web.proxy,
    };
    door.serve(parts, &keeper, &mut tasks);

    let counters: Vec<Arc<BusCounters>> = buses.iter().map(|(_, _, counters)| Arc::clone(counters)).collect();
    let of_buses =
        buses.iter().map(|(of, _, counters)| Progress::of(format!("bus {}", of.name), counters.pulse()));
    watched.extend(of_buses);
    if let Some(heartbeat) = &settings.heartbeat {
        receivers::start_heartbeat(heartbeat, watched.clone(), &store, &keeper, &mut tasks)?;
    }
    let (polling, polls) = oneshot::channel();
    let acquisition = Acquisition {
        buses,
        engine,
        store: store.clone(),
        brokers: arriving,
        snapshots: asked,
        faults,
        leases: leased,
        commands: commanded,
        answers,
        receivers: hearing,
        pulse,
        keeper,
        polling,
        journal: journal.clone(),
        starts,
        stop: stopping,
    };
    let acquisition = acquisition.spawn(clock).map_err(StartError::Thread)?;
    let manager = Arc::new(Manager::of_environment());
    let watchdog = Watchdog::start(watched, Arc::clone(&manager)).map_err(StartError::Thread)?;
    let Tasks { set, names } = tasks;
    Ok(Running {
        web,
        access,
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
        polls,
        reduced: because.is_some(),
        ledger,
        manager,
        watchdog,
    })
}

/// Says what is left away and why, or that nothing is: an alarm may stand since before.
fn tell_reduced(because: Option<&str>, ledger: &Ledger, found: &mpsc::Sender<FaultNews>) {
    let words = |cause| {
        format!(
            "{REDUCED_WORDS} are left away after three crashes within ten minutes, the last one by: {cause}"
        )
    };
    let shows = because.map(words);
    shows.iter().for_each(|words| ledger.leave_away(words.clone()));
    let news = FaultNews { key: FaultKey::own(Fault::Reduced), shows };
    found.try_send(news).expect("the channel is new and has room");
}

type Forwarders = (Vec<watch::Receiver<UplinkStatus>>, Vec<faults::Watched>);

fn start_forwarders(
    wanted: Vec<ForwardSettings>,
    store: &Store,
    keeper: &Keeper,
    tasks: &mut Tasks,
) -> Result<Forwarders, StartError> {
    let (mut statuses, mut watched) = (Vec::new(), Vec::new());
    for forward in wanted {
        let name = forward.name.clone();
        let failed = |why| StartError::Uplink { name: name.clone(), why };
        let uplink = Uplink::new(forward.clone(), store).map_err(failed)?;
        statuses.push(uplink.status());
        watched.push(faults::Watched { name: name.to_string(), status: uplink.status() });
        let (seat, store, stopping) = (uplink.seat(), store.clone(), keeper.stop.clone());
        let mut first = Some(uplink);
        let make = move || {
            let made = first.take().map_or_else(|| Uplink::new(forward.clone(), &store), Ok);
            let (seat, stopping) = (seat.clone(), stopping.clone());
            async move {
                match made {
                    Ok(uplink) => uplink.seated(seat).run(stopping).await,
                    Err(error) => tracing::error!(%error, "a forwarder cannot be started again"),
                }
            }
        };
        tasks.keep(keeper.clone(), (kinds::FORWARDER, Some(name.as_str())), None, make);
    }
    Ok((statuses, watched))
}

fn start_dispatcher(
    happening: mpsc::UnboundedReceiver<StoreEvent>,
    ways: Vec<brokers::WayBack>,
    answers: Answers,
    keeper: &Keeper,
    tasks: &mut Tasks,
) -> Progress {
    let pulse = Pulse::default();
    let progress = Progress::of("dispatcher", &pulse);
    let (happening, kept): (brokers::Happening, _) = (Arc::new(Mutex::new(happening)), pulse.clone());
    let make =
        move || brokers::dispatch(Arc::clone(&happening), ways.clone(), answers.clone(), pulse.clone());
    tasks.keep(keeper.clone(), (kinds::DISPATCHER, None), Some(kept), make);
    progress
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

    /// Waits until polling runs, and tells the service manager.
    pub async fn ready(&mut self) {
        if (&mut self.polls).await.is_err() {
            // Acquisition has ended, which is told otherwise.
            return;
        }
        let reduced = self.ledger.view().reduced;
        let status = match reduced.is_empty() {
            true => {
                format!("polling {} buses, listening to {} brokers", self.buses.len(), self.brokers.len())
            }
            false => format!("reduced: {}", reduced.join("; ")),
        };
        self.manager.ready(&status);
    }

    /// Completes if acquisition, the store's writer, the watchdog or a task that is vital ends without having been told to:
    /// there is no point in going on then.
    pub async fn lost(&self) {
        let mut look = tokio::time::interval(LOOK_EVERY);
        loop {
            tokio::select! {
                () = self.snapshots.closed() => return,
                _ = look.tick() => if self.has_lost() { return },
            }
        }
    }

    fn has_lost(&self) -> bool {
        self.store.has_ended() || self.watchdog.has_ended() || self.ledger.has_lost()
    }

    /// Completes once it has run reduced for so long without a crash that the whole may be tried again.
    pub async fn reduced_for_long(&self) {
        if self.reduced {
            tokio::time::sleep(REDUCED_FOR).await;
        } else {
            std::future::pending().await
        }
    }

    /// Stops in order: polling, engine, store, then whoever reads from it. Who is late is named in the log.
    pub async fn stop(self) {
        let Self { store, stop, acquisition, mut tasks, mut names, manager, watchdog, .. } = self;
        let deadline = Instant::now() + SHUTDOWN_GRACE;
        manager.stopping();
        watchdog.stand_down();
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
        watchdog.end();
        panics::ended_cleanly();
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

    /// Starts a task by its kind and name, and keeps it running.
    fn keep<F: Future<Output = ()> + Send + 'static>(
        &mut self,
        keeper: Keeper,
        (kind, name): (&str, Option<&str>),
        pulse: Option<Pulse>,
        make: impl FnMut() -> F + Send + 'static,
    ) {
        let key = FaultKey::task(kind, name);
        self.spawn(key.of.clone(), keeper.keep(key, pulse, make, tokio::spawn));
    }

    /// Starts what shows that the main runtime itself goes on.
    fn beat(&mut self, stopping: &watch::Receiver<bool>) -> Progress {
        let pulse = Pulse::default();
        let progress = Progress::of("main runtime", &pulse);
        let mut stopping = stopping.clone();
        self.spawn("pulse".to_owned(), async move {
            while tokio::time::timeout(LOOK_EVERY, stopping.wait_for(|stop| *stop)).await.is_err() {
                pulse.beat();
                crate::faults::pass("runtime").await;
            }
        });
        progress
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

fn stopped(stopping: &watch::Receiver<bool>) -> impl Future<Output = ()> + Send + use<> {
    let mut stopping = stopping.clone();
    async move {
        let _ = stopping.wait_for(|stop| *stop).await;
    }
}
