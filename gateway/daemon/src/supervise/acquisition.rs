//! The acquisition thread: bus actors and the engine, nothing else.

use std::collections::BTreeMap;
use std::io;
use std::rc::Rc;
use std::sync::{Arc, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use sumpwarden_core::acquire::Plan;
use sumpwarden_core::acquire::settings::BusSettings;
use sumpwarden_core::acquire::standby::Event;
use sumpwarden_core::alarm::order::Said;
use sumpwarden_core::alarm::settings::FaultKey;
use sumpwarden_core::engine::calibration::{CalibrationFor, ProbeCalibrationView, Step};
use sumpwarden_core::engine::snapshot::{Snapshot, SumpView};
use sumpwarden_core::engine::{Engine, HandOver, Intake, Outbound};
use sumpwarden_core::model::{BrokerIndex, BusIndex, Name, Now, ProbeIndex, RawReading, Sample, SeriesIndex};
use sumpwarden_core::store::JournalRecord;
use sumpwarden_core::store::dating::Dating;
use tokio::sync::{broadcast, mpsc, oneshot, watch};
use tokio::task::LocalSet;

use crate::edge::clock::{Clock, PreciseTimer};
use crate::edge::modbus::{BUS_REPORTS_MAX, BusCounters, BusReport, run_bus};
use crate::edge::mqtt::BrokerReport;
use crate::edge::notify::ReceiverReport;
use crate::edge::store::{Believed, Commit, Store};
use crate::edge::web::PollStarts;
use crate::edge::web::commands::Command;

use super::LOOK_EVERY;
use super::answers::{Answers, Waiting};
use super::keeper::Keeper;
use super::parts::{PartHeld, Routes};
use super::wallclock;
use crate::config::tasks;
use crate::edge::pulse::Pulse;
use crate::faults;

/// Reports handled between two looks at everything else, so that a burst from one side delays nobody for long.
const REPORTS_AT_ONCE: usize = 8;

/// How long the engine waits for a store that has fallen behind, so that polls slow down instead of samples being lost.
/// A store that is stuck for longer is not waited for again until it has caught up: alarms must not wait for a disk.
const STORE_WAIT_MAX: Duration = Duration::from_secs(2);

/// A fault of the gateway or of a peer, as found off this thread, or its end.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct FaultNews {
    /// Of what.
    pub(super) key: FaultKey,
    /// How it shows; none once it is over.
    pub(super) shows: Option<String>,
}

/// What has happened between the boxes that share a bus.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct LeaseNews {
    /// Which, by its name: its place may be another when this arrives.
    pub(super) bus: Name,
    /// What.
    pub(super) event: Event,
}

/// Where the reports of a bus or a broker belong: its place, and those of its probes, in the configuration in force.
#[derive(Clone, Debug)]
pub(super) struct Route {
    place: u32,
    /// By the places that the part knows them by; none where they are the same.
    probes: Option<BTreeMap<ProbeIndex, ProbeIndex>>,
}

impl Route {
    pub(super) fn new(place: u32, probes: &BTreeMap<ProbeIndex, ProbeIndex>) -> Self {
        let moved = probes.iter().any(|(from, to)| from != to);
        Self { place, probes: moved.then(|| probes.clone()) }
    }

    fn lead(&self, readings: &mut [RawReading]) {
        let Some(probes) = &self.probes else { return };
        for reading in readings {
            reading.probe = probes.get(&reading.probe).copied().unwrap_or(reading.probe);
        }
    }
}

/// A bus to start.
pub(super) struct BusStart {
    pub(super) actor: u32,
    pub(super) settings: BusSettings,
    pub(super) plan: Plan,
    pub(super) counters: Arc<BusCounters>,
    /// With its own way to be stopped.
    pub(super) keeper: Keeper,
    pub(super) held: PartHeld,
}

impl BusStart {
    /// Starts it on this thread.
    fn run(self, timer: &PreciseTimer, reports: mpsc::Sender<BusReport>) {
        let Self { actor, settings, plan, counters, keeper, held } = self;
        let (timer, stop) = (timer.clone(), keeper.stop.clone());
        let key = FaultKey::task(tasks::BUS, Some(settings.name.as_str()));
        let pulse = counters.pulse().clone();
        let bus = Rc::new((settings, plan));
        let make = move || {
            let (bus, timer, reports) = (Rc::clone(&bus), timer.clone(), reports.clone());
            let (counters, stop) = (Arc::clone(&counters), stop.clone());
            async move {
                let (settings, plan) = &*bus;
                run_bus(BusIndex(actor), settings, plan, &timer, reports, &counters, stop).await;
            }
        };
        let kept = keeper.keep(key, Some(pulse), make, tokio::task::spawn_local);
        tokio::task::spawn_local(async move {
            kept.await;
            drop(held);
        });
    }
}

/// A new configuration for the engine, and what starts with it.
pub(super) struct TakeOver {
    pub(super) engine: Engine,
    /// What the store keeps, for what the engine before did not have.
    pub(super) stored: BTreeMap<String, Vec<u8>>,
    /// Where the store counts the engine's series.
    pub(super) series: Vec<SeriesIndex>,
    pub(super) routes: Routes,
    pub(super) buses: Vec<BusStart>,
    /// What the journal says of it.
    pub(super) remark: String,
    /// Told how long no report was handled.
    pub(super) done: oneshot::Sender<Duration>,
}

/// What the engine is told of its configuration, and of the clock.
pub(super) enum Turn {
    /// Another one takes over.
    TakeOver(Box<TakeOver>),
    /// Something became of one, for the journal: in a word and in words.
    Remark(&'static str, String),
    /// The clock is not believed, and why.
    Doubt(String),
    /// The clock can be believed.
    Believe,
}

/// Of the journal's entries about the configuration.
const CONFIGURATION: &str = "configuration";

/// Of the journal's entries about the clock.
const CLOCK: &str = "clock";

/// What the thread needs.
pub(super) struct Acquisition {
    pub(super) buses: Vec<BusStart>,
    pub(super) routes: Routes,
    pub(super) turns: mpsc::Receiver<Turn>,
    pub(super) engine: Engine,
    pub(super) store: Store,
    pub(super) brokers: mpsc::Receiver<BrokerReport>,
    pub(super) snapshots: mpsc::Receiver<oneshot::Sender<Snapshot>>,
    pub(super) faults: mpsc::Receiver<FaultNews>,
    pub(super) leases: mpsc::Receiver<LeaseNews>,
    pub(super) commands: mpsc::Receiver<Command>,
    pub(super) answers: Answers,
    pub(super) receivers: mpsc::Receiver<ReceiverReport>,
    /// Rises with every turn of the engine's loop.
    pub(super) pulse: Pulse,
    /// Told once buses and engine run.
    pub(super) polling: oneshot::Sender<()>,
    pub(super) journal: broadcast::Sender<JournalRecord>,
    /// Of a clock that is not believed.
    pub(super) dating: Option<Dating>,
    pub(super) starts: PollStarts,
    pub(super) stop: watch::Receiver<bool>,
}

impl Acquisition {
    /// Starts the thread. It ends once it was told to stop, every bus has let go, and what they brought is submitted.
    pub(super) fn spawn(self, clock: Clock) -> io::Result<JoinHandle<()>> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        std::thread::Builder::new().name("acquire".into()).spawn(move || {
            LocalSet::new().block_on(&runtime, async move {
                match PreciseTimer::start(clock) {
                    Ok(timer) => self.run(timer).await,
                    // Nothing can be polled without it: better a restart than a silent box.
                    Err(error) => tracing::error!(%error, "no timer to be had, cannot poll"),
                }
            });
        })
    }

    async fn run(self, timer: PreciseTimer) {
        let (reports, arriving) = mpsc::channel(BUS_REPORTS_MAX);
        self.buses.into_iter().for_each(|bus| bus.run(&timer, reports.clone()));
        let later = reports.downgrade();
        // A shop without a bus and a broker has people who write notes: only the stop ends it.
        let mut stop = self.stop.clone();
        tokio::task::spawn_local(async move {
            let _ = stop.wait_for(|stop| *stop).await;
            drop(reports);
        });
        // Whoever waited for it may have gone.
        let _ = self.polling.send(());
        let engine_loop = EngineLoop {
            intake: Intake::new(self.engine),
            routes: self.routes,
            series: None,
            later,
            store: self.store,
            journal: self.journal,
            starts: self.starts,
            answers: self.answers,
            pulse: self.pulse,
            store_is_stuck: false,
            telling: None,
            dating: self.dating,
        };
        let inlets = Inlets {
            turns: self.turns,
            reports: arriving,
            messages: self.brokers,
            snapshots: self.snapshots,
            commands: self.commands,
            faults: self.faults,
            leases: self.leases,
            receivers: self.receivers,
        };
        engine_loop.run(timer, inlets).await;
    }
}

/// Where everything comes in.
struct Inlets {
    turns: mpsc::Receiver<Turn>,
    reports: mpsc::Receiver<BusReport>,
    messages: mpsc::Receiver<BrokerReport>,
    snapshots: mpsc::Receiver<oneshot::Sender<Snapshot>>,
    commands: mpsc::Receiver<Command>,
    faults: mpsc::Receiver<FaultNews>,
    leases: mpsc::Receiver<LeaseNews>,
    receivers: mpsc::Receiver<ReceiverReport>,
}

/// A snapshot that is made one sump after the other: polls that fall due meanwhile do not wait for all of it.
struct Telling {
    sumps: Vec<SumpView>,
    answer: oneshot::Sender<Snapshot>,
}

struct EngineLoop {
    intake: Intake,
    routes: Routes,
    /// Where the store counts the engine's series; none where it counts as the engine does.
    series: Option<Vec<SeriesIndex>>,
    /// For buses that are started later.
    later: mpsc::WeakSender<BusReport>,
    store: Store,
    journal: broadcast::Sender<JournalRecord>,
    starts: PollStarts,
    answers: Answers,
    pulse: Pulse,
    /// The store was waited for in vain and has not caught up since.
    store_is_stuck: bool,
    /// A snapshot under way.
    telling: Option<Telling>,
    /// Tells stamps apart while the clock is not believed, and for a while after.
    dating: Option<Dating>,
}

impl EngineLoop {
    /// Waits, hands over, carries out; until every bus and every broker has let go of its sender.
    async fn run(mut self, timer: PreciseTimer, inlets: Inlets) {
        let Inlets {
            mut turns,
            mut reports,
            mut messages,
            mut snapshots,
            mut commands,
            mut faults,
            mut leases,
            mut receivers,
        } = inlets;
        let mut arrived = Vec::with_capacity(REPORTS_AT_ONCE);
        let (mut buses_live, mut brokers_live, mut page_live) = (true, true, true);
        let (mut commands_live, mut faults_live, mut receivers_live) = (true, true, true);
        let (mut turns_live, mut leases_live) = (true, true);
        while buses_live || brokers_live {
            self.pulse.beat();
            // It comes round each second even where nothing is due: who watches it sees that it lives.
            let look = timer.clock().uptime().plus(LOOK_EVERY);
            let due = self.intake.poll_timeout().map_or(look, |due| due.min(look));
            tokio::select! {
                count = reports.recv_many(&mut arrived, REPORTS_AT_ONCE), if buses_live => {
                    buses_live = count > 0;
                    let now = timer.clock().now();
                    arrived.drain(..).for_each(|report| self.report(now, report));
                }
                message = messages.recv(), if brokers_live => match message {
                    Some(message) => self.message(timer.clock().now(), message),
                    None => brokers_live = false,
                },
                // One after the other: whoever asks later is not told what was before that.
                answer = snapshots.recv(), if page_live && self.telling.is_none() => match answer {
                    Some(answer) => self.telling = Some(Telling { sumps: Vec::new(), answer }),
                    None => page_live = false,
                },
                () = std::future::ready(()), if self.telling.is_some() => {
                    self.tell_more();
                    tokio::task::yield_now().await;
                }
                news = faults.recv(), if faults_live => match news {
                    Some(FaultNews { key, shows }) => {
                        self.intake.fault(timer.clock().now(), &key, shows.as_deref());
                    }
                    None => faults_live = false,
                },
                news = leases.recv(), if leases_live => match news {
                    Some(LeaseNews { bus, event }) => self.lease(timer.clock().now(), &bus, &event),
                    None => leases_live = false,
                },
                command = commands.recv(), if commands_live => match command {
                    Some(command) => self.command(timer.clock().now(), command),
                    None => commands_live = false,
                },
                report = receivers.recv(), if receivers_live => match report {
                    Some(ReceiverReport { receiver, what }) => {
                        self.intake.receiver(timer.clock().now(), &receiver, &what);
                    }
                    None => receivers_live = false,
                },
                turn = turns.recv(), if turns_live => match turn {
                    Some(Turn::TakeOver(with)) => {
                        // What parts that are no more have sent is of the configuration they ran under.
                        self.take_all(&timer, &mut reports, &mut messages);
                        self.take_over(&timer, *with);
                    }
                    Some(Turn::Doubt(why)) => self.intake.doubt_clock(timer.clock().now(), Some(why)),
                    Some(Turn::Believe) => {
                        self.take_all(&timer, &mut reports, &mut messages);
                        self.believe(timer.clock());
                    }
                    Some(Turn::Remark(state, words)) => {
                        self.intake.remark(timer.clock().now(), (CONFIGURATION, state), words);
                    }
                    None => turns_live = false,
                },
                () = timer.sleep_until(due) => {
                    self.intake.tick(timer.clock().now());
                    // Where more is due at once the buses have their turn first: their polls are due to the millisecond.
                    tokio::task::yield_now().await;
                }
            }
            faults::point("engine");
            self.hand_over();
            self.keep_pace().await;
        }
        self.tell_starts();
    }

    /// Goes on with the snapshot under way, and answers once it is whole.
    fn tell_more(&mut self) {
        // Whoever asked may have gone meanwhile.
        let Some(Telling { sumps, answer }) =
            self.telling.take().filter(|telling| !telling.answer.is_closed())
        else {
            return;
        };
        match self.intake.engine().snapshot_part(sumps) {
            Ok(whole) => drop(answer.send(whole)),
            Err(sumps) => self.telling = Some(Telling { sumps, answer }),
        }
    }

    /// Takes in whatever has come.
    fn take_all(
        &mut self,
        timer: &PreciseTimer,
        reports: &mut mpsc::Receiver<BusReport>,
        messages: &mut mpsc::Receiver<BrokerReport>,
    ) {
        while let Ok(report) = reports.try_recv() {
            self.report(timer.clock().now(), report);
        }
        while let Ok(message) = messages.try_recv() {
            self.message(timer.clock().now(), message);
        }
    }

    /// The clock was set. Everything that came before is stored under the gateway's own time and put right there; from now on
    /// stamps are those of the wall clock.
    fn believe(&mut self, clock: Clock) {
        self.hand_over();
        let Some(dating) = &mut self.dating else { return };
        let before = clock.now();
        let right = clock.believe();
        self.store.believe(Believed { boot: wallclock::boot(), zero: right });
        dating.set(before.uptime, right);
        let is = right.at(before.uptime).floor_to_millis();
        let words = format!("the clock is set, to {is}; what came since the start gets its true time");
        let now = clock.now();
        self.intake.doubt_clock(now, None);
        self.intake.remark(now, (CLOCK, "set"), words);
    }

    /// Everything that came before belongs to the engine before; what comes from now on, to the new one.
    fn take_over(&mut self, timer: &PreciseTimer, with: TakeOver) {
        let began = timer.clock().now();
        self.hand_over();
        let TakeOver { engine, stored, series, routes, buses, remark, done } = with;
        for key in self.intake.take_over(began, engine, &stored) {
            tracing::warn!(key, "saved state cannot be read; this begins anew");
        }
        self.series = Some(series);
        if let Some(telling) = &mut self.telling {
            // Those told so far are another shop's.
            telling.sumps.clear();
        }
        if !faults::broken("old-places@reload") {
            self.routes = routes;
        }
        self.intake.remark(began, (CONFIGURATION, "reloaded"), remark);
        // There is none only once everything stops.
        if let Some(reports) = self.later.upgrade() {
            buses.into_iter().for_each(|bus| bus.run(timer, reports.clone()));
        }
        // Whoever asked may have gone.
        let _ = done.send(timer.clock().uptime().since(began.uptime));
    }

    fn report(&mut self, now: Now, report: BusReport) {
        match report {
            BusReport::Readings { bus, due, sent, mut readings, .. } => {
                self.starts.lock().unwrap_or_else(PoisonError::into_inner).note(sent.since(due));
                let Some(route) = self.routes.buses.get(&bus.0) else { return };
                route.lead(&mut readings);
                self.date(now, &mut readings);
                self.intake.readings(now, &readings);
            }
            BusReport::StandingBy { bus, stands_by } => {
                let Some(route) = self.routes.buses.get(&bus.0) else { return };
                self.intake.standing_by(now, BusIndex(route.place), stands_by);
            }
            BusReport::Connected { bus } => self.bus(now, bus, None),
            BusReport::NotConnected { bus, why } => self.bus(now, bus, Some(&why.to_string())),
        }
    }

    /// Tells apart whose time readings carry, where that has to be told.
    fn date(&mut self, now: Now, readings: &mut [RawReading]) {
        let settings = self.intake.engine().settings();
        self.dating.take_if(|dating| dating.is_over(now.uptime));
        if let Some(dating) = &mut self.dating {
            dating.readings(readings, |probe| settings.series_of_probe(probe));
        }
    }

    fn bus(&mut self, now: Now, actor: BusIndex, broken: Option<&str>) {
        let Some(route) = self.routes.buses.get(&actor.0) else { return };
        self.intake.bus(now, BusIndex(route.place), broken);
    }

    fn lease(&mut self, now: Now, bus: &Name, event: &Event) {
        let buses = (0..).map(BusIndex).zip(&self.intake.engine().settings().buses);
        let place = buses.into_iter().find(|(_, of)| of.name == *bus).map(|(place, _)| place);
        // A bus that two boxes share changes only by a restart: it is there.
        if let Some(place) = place {
            self.intake.lease(now, place, event);
        }
    }

    fn message(&mut self, now: Now, message: BrokerReport) {
        match message {
            BrokerReport::Batch { broker, mut batch } => {
                let Some(route) = self.routes.brokers.get(&broker.0) else { return };
                route.lead(&mut batch.readings);
                self.date(now, &mut batch.readings);
                self.intake.batch(now, &batch);
            }
            // A broker that notes come from is started anew wherever sumps or probes are others.
            BrokerReport::Note { note, same_within, ack, .. } => {
                self.intake.note(now, &note, same_within, ack);
            }
            BrokerReport::Connected { broker } => self.broker(now, broker, None),
            BrokerReport::NotConnected { broker, why } => self.broker(now, broker, Some(&why)),
        }
    }

    fn broker(&mut self, now: Now, actor: BrokerIndex, broken: Option<&str>) {
        let Some(route) = self.routes.brokers.get(&actor.0) else { return };
        self.intake.broker(now, BrokerIndex(route.place), broken);
    }

    /// An answer is given once what it says is durable. Whoever asked may have gone.
    fn command(&mut self, now: Now, command: Command) {
        match command {
            Command::Note { draft, answer } => {
                let mut answer = Some(answer);
                let wait = |view| {
                    let answer = answer.take().expect("a note is waited for once");
                    self.answers.wait(Waiting::Noted(Box::new(view), answer))
                };
                let refused = self.intake.draft(now, &draft, wait).err();
                if let Some((refused, answer)) = refused.zip(answer) {
                    drop(answer.send(Err(refused)));
                }
            }
            Command::Order { alarm, order, by, why, answer } => {
                let mut answer = Some(answer);
                let wait = || {
                    let answer = answer.take().expect("an order is waited for once");
                    self.answers.wait(Waiting::Done(answer))
                };
                let said = Said::new(&by, why.as_deref());
                let refused = self.intake.order(now, &alarm, order, said, wait).err();
                if let Some((refused, answer)) = refused.zip(answer) {
                    drop(answer.send(Err(refused.to_string())));
                }
            }
            Command::Calibration { sump, probe, step, answer } => {
                self.calibration(now, (&sump, &probe), step.as_deref(), answer);
            }
        }
    }

    fn calibration(
        &mut self,
        now: Now,
        (sump, probe): (&str, &str),
        step: Option<&Step>,
        answer: oneshot::Sender<Result<Box<ProbeCalibrationView>, CalibrationFor>>,
    ) {
        let Some(step) = step else {
            let view = self.intake.engine().calibration_view(now, sump, probe);
            drop(answer.send(view.map(Box::new)));
            return;
        };
        let mut answer = Some(answer);
        let wait = |view| {
            let answer = answer.take().expect("a step is waited for once");
            self.answers.wait(Waiting::Calibrated(Box::new(view), answer))
        };
        let refused = self.intake.calibrate(now, (sump, probe), step, wait).err();
        if let Some((refused, answer)) = refused.zip(answer) {
            drop(answer.send(Err(refused)));
        }
    }

    fn tell_starts(&self) {
        let starts = self.starts.lock().unwrap_or_else(PoisonError::into_inner);
        let late_ms = |quantile| starts.quantile(quantile).map(|late| 1e3 * late.as_secs_f64());
        tracing::info!(
            polls = starts.count(),
            p99_ms = late_ms(0.99),
            p999_ms = late_ms(0.999),
            "polling has ended; so late after their planned instant polls started"
        );
    }

    /// Lets the store catch up.
    async fn keep_pace(&mut self) {
        let wait = if self.store_is_stuck { Duration::ZERO } else { STORE_WAIT_MAX };
        let caught_up = tokio::time::timeout(wait, self.store.room()).await.is_ok();
        if !caught_up && !self.store_is_stuck {
            tracing::warn!("the store does not keep up; going on without waiting for it");
        }
        self.store_is_stuck = !caught_up;
    }

    /// Everything that has arisen goes to the store in one commit; a state change is written at once.
    fn hand_over(&mut self) {
        let Some(HandOver { out, acks, at_once }) = self.intake.hand_over() else { return };
        for record in &out.journal {
            let sump = record.sump.as_ref().map_or("", |sump| sump.as_str());
            tracing::info!(sump, of = record.subject, state = record.state, "{}", record.message);
            // Nobody may be watching.
            let _ = self.journal.send(record.clone());
        }
        let Outbound { mut samples, mut journal, saved, outbox } = out;
        let mut own_time = Vec::new();
        if let Some(dating) = &self.dating {
            dating.records(&mut journal);
            own_time = dating.samples(&mut samples);
        }
        if let Some(series) = &self.series {
            let placed = |sample: &mut Sample| sample.series = series[sample.series.slot()];
            samples.iter_mut().chain(&mut own_time).for_each(placed);
        }
        self.store.submit(Commit { samples, own_time, journal, saved, outbox, acks, at_once });
    }
}
