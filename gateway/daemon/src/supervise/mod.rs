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
mod difference;
mod faults;
mod first;
mod keeper;
mod page;
pub mod panics;
mod parts;
mod plant;
mod receivers;
mod records;
mod reload;
mod restart;
mod standby;
mod standing;
mod starts;
mod systemd;
mod wallclock;
mod watchdog;
mod weekly;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use sumpwarden_core::acquire::PlanError;
use sumpwarden_core::acquire::topics::TopicMapError;
use sumpwarden_core::alarm::condition::Fault;
use sumpwarden_core::alarm::settings::FaultKey;
use sumpwarden_core::engine::snapshot::Snapshot;
use sumpwarden_core::engine::{Engine, EngineError};
use sumpwarden_core::model::Name;
use sumpwarden_core::store::JournalRecord;
use tokio::sync::{Mutex, broadcast, mpsc, oneshot, watch};
use tokio::task::{JoinError, JoinSet};
use tokio::time::{Instant, timeout_at};

use crate::commands::VERSION;
use crate::config::{Settings, tasks as kinds};
use crate::edge::clock::Clock;
use crate::edge::modbus::BusCounters;
use crate::edge::mqtt::{BROKER_REPORTS_MAX, BrokerStatus};
use crate::edge::notify::{RECEIVER_REPORTS_MAX, ReceiverError, ReceiverStatus};
use crate::edge::pulse::{Progress, Pulse};
use crate::edge::store::{Store, StoreError};
use crate::edge::uplink::{UplinkError, UplinkStatus};
use crate::edge::web::access::Access;
use crate::edge::web::certificate::CertificateError;
use crate::edge::web::commands::COMMANDS_MAX;
use crate::edge::web::records::KnownSumps;
use crate::edge::web::reload::Reload;
use crate::edge::web::status::Still;
use crate::edge::web::{Parts, PollStarts, SnapshotRequests};

use acquisition::{Acquisition, FaultNews};
use answers::Answers;
use brokers::Ways;
use keeper::{Keeper, Ledger};
use parts::{PartHeld, Roster, Shared, Watched};
use reload::{Reloader, Reloads};
use standing::Witnesses;
use starts::Record;
use systemd::Manager;
use wallclock::Judge;
use watchdog::{Quiet, Watchdog};

/// Journal entries on their way to those who watch. Full: the slowest watcher misses the oldest, nobody waits for it.
const JOURNAL_WATCHED_MAX: usize = 256;
/// Snapshots asked for at once. Full: the page waits.
const SNAPSHOT_REQUESTS_MAX: usize = 4;
/// New configurations on their way to the engine. Full: the next one waits; there is one at a time.
const TURNS_MAX: usize = 2;
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
        path: PathBuf,
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
    /// What each bus has done, in the order of the settings at the start.
    pub buses: Vec<Arc<BusCounters>>,
    /// How things stand with each broker, in the order of the settings at the start.
    pub brokers: Vec<watch::Receiver<BrokerStatus>>,
    /// How things stand with each forwarder, in the order of the settings at the start.
    pub forwards: Vec<watch::Receiver<UplinkStatus>>,
    /// How things stand with each receiver of messages, in the order of the settings at the start.
    pub receivers: Vec<watch::Receiver<ReceiverStatus>>,
    /// The store.
    pub store: Store,
    snapshots: SnapshotRequests,
    journal: broadcast::Sender<JournalRecord>,
    stop: watch::Sender<bool>,
    acquisition: JoinHandle<()>,
    tasks: Tasks,
    polls: oneshot::Receiver<()>,
    reduced: bool,
    ledger: Ledger,
    manager: Arc<Manager>,
    watchdog: Watchdog,
    reloads: Reloads,
}

/// Starts everything `settings` ask for. Must be called within a runtime of several threads.
pub async fn start(settings: Settings) -> Result<Running, StartError> {
    start_from(settings, None).await
}

/// The same, with the file that they were read from and are read from again when somebody asks for it.
pub async fn start_from(settings: Settings, file: Option<PathBuf>) -> Result<Running, StartError> {
    let clock = Clock;
    let whole = watch::Sender::new(Arc::new(settings.clone()));
    let (events, happening) = mpsc::unbounded_channel();
    let directory = &settings.store.directory;
    let store = Store::open(directory, &settings.engine.series(), settings.store.limits, events)?;
    let judge = Judge::begin(&store, settings.site.clock_set_file.clone());
    let (record, because) = Record::begin(directory, clock.now());
    panics::write_to(record);
    let reduced = because.is_some();
    let mut engine = match reduced {
        false => Engine::new(settings.engine)?,
        true => Engine::without_estimates(settings.engine)?,
    };
    restart::restore(clock.now(), &mut engine, &store)?;
    let door = page::Door::open(&settings.web, &store).await?;
    let (web, access) = (door.address, Arc::clone(&door.access));

    let (stop, stopping) = watch::channel(false);
    let (journal, _) = broadcast::channel(JOURNAL_WATCHED_MAX);
    let (snapshots, asked) = mpsc::channel(SNAPSHOT_REQUESTS_MAX);
    let (found, faults) = mpsc::channel(FAULTS_MAX);
    let (turns, turning) = mpsc::channel(TURNS_MAX);
    let ledger = Ledger::default();
    let keeper = Keeper { clock, ledger: ledger.clone(), news: found.clone(), stop: stopping.clone() };
    let (tasks, watched, roster) = (Tasks::default(), Watched::default(), Shared::default());
    let pulse = Pulse::default();
    watched.add(Progress::of("engine", &pulse));
    watched.add(Progress::of("store", store.pulse()));
    watched.add(tasks.beat(&stopping));
    tell_reduced(because.as_deref(), &ledger, &found);

    let (reports, arriving) = mpsc::channel(BROKER_REPORTS_MAX);
    let listening = brokers::Wires {
        store: store.clone(),
        reports,
        ways: Ways::default(),
        keeper: keeper.clone(),
        tasks: tasks.clone(),
        watched: watched.clone(),
    };
    first::start_brokers(&engine, &roster, &listening)?;
    if !reduced {
        first::start_forwarders(&settings.forwards, &roster, &listening)?;
    }
    let answers = Answers::default();
    watched.add(first::start_dispatcher(happening, listening.ways.clone(), answers.clone(), &keeper, &tasks));
    let (of, all, stops) = (store.clone(), roster.clone(), stopping.clone());
    let told = whole.subscribe();
    let watching = move || faults::watch(of.clone(), all.clone(), told.clone(), found.clone(), stops.clone());
    tasks.keep(keeper.clone(), (kinds::FAULT_WATCH, None), None, watching);
    if !reduced {
        let (of, zone, stops) = (store.clone(), settings.site.timezone.clone(), stopping.clone());
        let report = move || weekly::report(of.clone(), clock, zone.clone(), stops.clone());
        tasks.keep(keeper.clone(), (kinds::WEEKLY_REPORT, None), None, report);
    }
    let (of, told, stops) = (store.clone(), turns.clone(), stopping.clone());
    let dating = judge.dating();
    let look = move || wallclock::watch(judge.clone(), of.clone(), told.clone(), stops.clone());
    tasks.keep(keeper.clone(), (kinds::CLOCK, None), None, look);
    let public_url = settings.web.public_url.as_deref();
    let links = receivers::links(&store, public_url)?;
    let (told, hearing) = mpsc::channel(RECEIVER_REPORTS_MAX);
    let telling = receivers::Wires {
        store: store.clone(),
        around: receivers::surroundings(&settings.site.name, links.clone(), told),
        keeper: keeper.clone(),
        tasks: tasks.clone(),
        watched: watched.clone(),
    };
    first::start_receivers(&engine, &roster, &telling)?;
    let (commands, commanded) = mpsc::channel(COMMANDS_MAX);
    let (starts, (reloads, reloading)) = (PollStarts::default(), reload::asking());
    let standing = watch::Sender::new(reload::Standing::at(clock.utc()));
    let witnesses = Witnesses {
        version: VERSION,
        started_at: clock.utc(),
        file: file.as_ref().map(|file| file.display().to_string()),
        configuration: standing.subscribe(),
        roster: roster.clone(),
        store: store.clone(),
        ledger: ledger.clone(),
    };
    let (quiet, ask) = (Quiet::default(), reloads.clone());
    let seen = quiet.clone();
    let still: Still = Arc::new(move || quiet.names());
    let reload: Reload = Arc::new(move || {
        let ask = ask.clone();
        Box::pin(async move { ask.ask().await })
    });
    let writes = receivers::writes(
        (door.note_key.clone(), commands),
        links.as_ref(),
        public_url,
        store.clone(),
        roster.clone(),
        ledger.clone(),
        (reload, witnesses.standing(), still, witnesses.not_ready()),
    );
    let buses = first::start_buses(&engine, &roster, &listening)?;
    let by_name: Vec<(Name, Arc<BusCounters>)> = roster
        .lock()
        .buses
        .iter()
        .map(|bus| (bus.settings.name.clone(), Arc::clone(&bus.counters)))
        .collect();
    let (leases, leased) = mpsc::channel(standby::LEASES_MAX);
    let own = &settings.site.box_name;
    let stands = standby::start(settings.shared, own, &by_name, leases, &keeper, &tasks).await?;
    roster.lock().stands = stands;
    let known = KnownSumps::default();
    records::show(&known, &engine);
    let plants = plant::Wires {
        site: settings.site.name.clone(),
        store: store.clone(),
        snapshots: snapshots.clone(),
        journal: journal.clone(),
        ledger: ledger.clone(),
        keeper: keeper.clone(),
        tasks: tasks.clone(),
        watched: watched.clone(),
    };
    roster.lock().nodes = plants.ready(&settings.edge_nodes, &engine).start();
    let parts = Parts {
        site: settings.site.name.to_string(),
        timezone: settings.site.timezone.iana_name().unwrap_or("UTC").to_owned(),
        snapshots: snapshots.clone(),
        writes,
        records: records::of(&store, known.clone(), whole.subscribe()),
        starts: Arc::clone(&starts),
        buses: page::buses(roster.clone()),
        access: Arc::clone(&access),
        tls: door.tls.clone(),
        proxy: settings.web.proxy,
    };
    door.serve(parts, &keeper, &tasks);
    if let Some(heartbeat) = &settings.heartbeat {
        let beat = receivers::start_heartbeat(heartbeat, &telling)?;
        roster.lock().heartbeat = Some(beat);
    }
    let (polling, polls) = oneshot::channel();
    let acquisition = Acquisition {
        buses,
        routes: roster.lock().routes(),
        turns: turning,
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
        polling,
        journal: journal.clone(),
        dating,
        starts,
        stop: stopping.clone(),
    };
    let acquisition = acquisition.spawn(clock).map_err(StartError::Thread)?;
    let manager = Arc::new(Manager::of_environment());
    let watchdog = Watchdog::start(watched, Arc::clone(&manager), seen).map_err(StartError::Thread)?;
    let (buses, brokers, forwards, receivers) = at_the_start(&roster.lock());
    let running = Running {
        web,
        access,
        buses,
        brokers,
        forwards,
        receivers,
        store,
        snapshots,
        journal,
        stop,
        acquisition,
        tasks: tasks.clone(),
        polls,
        reduced,
        ledger,
        manager: Arc::clone(&manager),
        watchdog,
        reloads,
    };
    let reloader = Reloader {
        file,
        settings: whole,
        standing,
        reduced,
        roster,
        known,
        turns,
        brokers: listening,
        receivers: telling,
        plants,
        manager,
        ready_words: running.ready_words(),
    };
    let reloader = Arc::new(Mutex::new(reloader));
    let make = move || reload::run(Arc::clone(&reloader), Arc::clone(&reloading), stopping.clone());
    tasks.keep(keeper, (kinds::RELOAD, None), None, make);
    Ok(running)
}

type AtTheStart = (
    Vec<Arc<BusCounters>>,
    Vec<watch::Receiver<BrokerStatus>>,
    Vec<watch::Receiver<UplinkStatus>>,
    Vec<watch::Receiver<ReceiverStatus>>,
);

fn at_the_start(roster: &Roster) -> AtTheStart {
    (
        roster.buses.iter().map(|bus| Arc::clone(&bus.counters)).collect(),
        roster.brokers.iter().map(|broker| broker.status.clone()).collect(),
        roster.forwards.iter().map(|forward| forward.status.clone()).collect(),
        roster.receivers.iter().map(|receiver| receiver.status.clone()).collect(),
    )
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
        self.manager.ready(&self.ready_words());
    }

    fn ready_words(&self) -> String {
        let reduced = self.ledger.view().reduced;
        match reduced.is_empty() {
            true => {
                format!("polling {} buses, listening to {} brokers", self.buses.len(), self.brokers.len())
            }
            false => format!("reduced: {}", reduced.join("; ")),
        }
    }

    /// Reads the configuration anew; what becomes of it stands in the log and the journal.
    pub fn reload(&self) {
        let reloads = self.reloads.clone();
        tokio::spawn(async move {
            // Refusals are told where they are found.
            let _ = reloads.ask().await;
        });
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
        let Self { store, stop, acquisition, tasks, manager, watchdog, .. } = self;
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
        for late in tasks.ended(deadline).await {
            tracing::warn!(late, "left behind");
        }
        watchdog.end();
        panics::ended_cleanly();
    }
}

/// Tasks of the main runtime with their names; clones are the same.
#[derive(Clone, Debug, Default)]
struct Tasks(Arc<std::sync::Mutex<Named>>);

#[derive(Debug, Default)]
struct Named {
    set: JoinSet<String>,
    names: Vec<String>,
}

impl Named {
    fn note(&mut self, ended: Result<String, JoinError>) {
        match ended {
            Ok(name) => drop(self.names.iter().position(|n| *n == name).map(|at| self.names.remove(at))),
            Err(error) => tracing::error!(%error, "a task has panicked"),
        }
    }
}

impl Tasks {
    fn lock(&self) -> std::sync::MutexGuard<'_, Named> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn spawn(&self, name: String, task: impl Future<Output = ()> + Send + 'static) {
        let mut tasks = self.lock();
        while let Some(ended) = tasks.set.try_join_next() {
            tasks.note(ended);
        }
        tasks.names.push(name.clone());
        tasks.set.spawn(async move {
            task.await;
            name
        });
    }

    /// Starts a task by its kind and name, and keeps it running.
    fn keep<F: Future<Output = ()> + Send + 'static>(
        &self,
        keeper: Keeper,
        (kind, name): (&str, Option<&str>),
        pulse: Option<Pulse>,
        make: impl FnMut() -> F + Send + 'static,
    ) {
        let key = FaultKey::task(kind, name);
        self.spawn(key.of.clone(), keeper.keep(key, pulse, make, tokio::spawn));
    }

    /// The same for a part, which holds what shows that it runs.
    fn keep_part<F: Future<Output = ()> + Send + 'static>(
        &self,
        keeper: Keeper,
        (kind, name): (&str, Option<&str>),
        pulse: Option<Pulse>,
        make: impl FnMut() -> F + Send + 'static,
        held: PartHeld,
    ) {
        let key = FaultKey::task(kind, name);
        self.spawn(key.of.clone(), async move {
            keeper.keep(key, pulse, make, tokio::spawn).await;
            drop(held);
        });
    }

    /// Waits until `deadline` for all of them to end; gives the names of those that have not.
    async fn ended(&self, deadline: Instant) -> Vec<String> {
        // What the last ones start while they end is not waited for.
        let mut all = std::mem::take(&mut *self.lock());
        while let Ok(Some(ended)) = timeout_at(deadline, all.set.join_next()).await {
            all.note(ended);
        }
        all.names
    }

    /// Starts what shows that the main runtime itself goes on.
    fn beat(&self, stopping: &watch::Receiver<bool>) -> Progress {
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

fn stopped(stopping: &watch::Receiver<bool>) -> impl Future<Output = ()> + Send + use<> {
    let mut stopping = stopping.clone();
    async move {
        let _ = stopping.wait_for(|stop| *stop).await;
    }
}
