//! One actor per Modbus bus: carries out what the schedule says and hands the readings on.
//!
//! The actor knows sockets, ports and time-outs; what to ask when, and what follows from an answer, is the pure
//! [`Schedule`]'s. It reads only: no request that writes to a device is ever built.
//!
//! ```text
//!        ┌── open failed: wait with back-off, polls that fall due are reported as not connected
//!        ▼                                                     │
//!   connecting ──────────────── open ─────────────────► polling ┘ cut, out of step, or nobody answers
//! ```
//!
//! - [`open`]: TCP connection or serial port, and why not
//! - [`port`]: the transport under the client, with what the client does not do itself
//! - [`gate`]: whether this box is the one to poll, where two could
//! - [`exchange`]: one request and what became of it
//! - [`once`]: the points of a probe read once, for people
//! - [`survey`]: a line or host asked what is there, for people

mod exchange;
mod gate;
mod once;
mod open;
mod port;
mod survey;
#[cfg(test)]
mod tests;

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use sumpwarden_core::acquire::settings::{BusLink, BusSettings};
use sumpwarden_core::acquire::{Backoff, DeviceCounters, Exchange, Next, Plan, Schedule};
use sumpwarden_core::model::{BusIndex, DeviceIndex, RawReading, Timestamp, Uptime};
use tokio::sync::{mpsc, watch};

pub use self::gate::Gate;
pub use self::once::{PointRead, ReadError, read_once};
pub use self::open::OpenError;
pub use self::survey::{Heard, Identity, Manners, Survey};

use self::exchange::Connection;
use super::clock::{Clock, PreciseTimer};
use super::pulse::{BEAT_EVERY, Pulse};
use crate::faults;

/// Reports of all buses on their way to the engine. Full: the bus waits, so a slow engine delays the next poll instead of
/// hoarding old replies.
pub const BUS_REPORTS_MAX: usize = 256;

/// How long a late reply on a line of our own is waited for at the end: a stop takes no longer for it.
const LET_GO_MAX: Duration = Duration::from_secs(1);

/// What a bus tells the engine.
#[derive(Clone, PartialEq, Debug)]
pub enum BusReport {
    /// What one poll brought: values, or the faults that stand in their place.
    Readings {
        /// Which bus.
        bus: BusIndex,
        /// Which device.
        device: DeviceIndex,
        /// When the poll should have started.
        due: Uptime,
        /// When it started.
        sent: Uptime,
        /// One for each point of the request, or for all points of a device that has gone silent.
        readings: Vec<RawReading>,
    },
    /// The bus was opened.
    Connected {
        /// Which bus.
        bus: BusIndex,
    },
    /// The bus cannot be opened; sent when that begins, not at every attempt.
    NotConnected {
        /// Which bus.
        bus: BusIndex,
        /// Why, and what helps.
        why: OpenError,
    },
    /// Another box polls the bus from now on, or no longer.
    StandingBy {
        /// Which bus.
        bus: BusIndex,
        /// Whether this one stands by.
        stands_by: bool,
    },
}

/// What a bus has done, readable from any thread.
#[derive(Debug, Default)]
pub struct BusCounters {
    devices: Mutex<Vec<(DeviceCounters, Option<Timestamp>)>>,
    connected: AtomicBool,
    connects: AtomicU64,
    open_failures: AtomicU64,
    pulse: Pulse,
    gate: Gate,
}

impl BusCounters {
    /// Whether this box may poll the bus.
    pub fn gate(&self) -> &Gate {
        &self.gate
    }

    /// Counters of the devices, by their place in `BusSettings::devices`; empty until the bus has started.
    pub fn devices(&self) -> Vec<DeviceCounters> {
        self.devices_with_replies().into_iter().map(|(counters, _)| counters).collect()
    }

    /// The same with when each device last gave what was asked for.
    pub fn devices_with_replies(&self) -> Vec<(DeviceCounters, Option<Timestamp>)> {
        self.devices.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Whether the bus is open.
    pub fn connected(&self) -> bool {
        self.connected.load(Ordering::Relaxed)
    }

    /// How often it was opened.
    pub fn connects(&self) -> u64 {
        self.connects.load(Ordering::Relaxed)
    }

    /// How often it could not be opened.
    pub fn open_failures(&self) -> u64 {
        self.open_failures.load(Ordering::Relaxed)
    }

    /// Rises with every pass of the bus's loop.
    pub fn pulse(&self) -> &Pulse {
        &self.pulse
    }

    fn start(&self, schedule: &Schedule) {
        let begun = schedule.counters().map(|counters| (*counters, None)).collect();
        *self.devices.lock().unwrap_or_else(PoisonError::into_inner) = begun;
    }

    fn note(&self, device: DeviceIndex, schedule: &Schedule, at: Timestamp) {
        let mut devices = self.devices.lock().unwrap_or_else(PoisonError::into_inner);
        let (counters, replied) = &mut devices[device.slot()];
        let now = *schedule.counters_of(device);
        if now.replies_ok > counters.replies_ok {
            *replied = Some(at);
        }
        *counters = now;
    }
}

/// Why an actor stops doing what it does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Stop {
    /// Asked to, or nobody listens any more.
    Asked,
    /// The bus is gone.
    Cut,
    /// Another box may poll from now on.
    Fenced,
}

/// Polls one bus until `shutdown` turns true or the receiver of `reports` is gone. A request that is out is waited for,
/// at most as long as its time-out, so that the bus is clean for whoever comes next.
///
/// `plan` was made of `settings`. Runs inside a [`tokio::task::LocalSet`], where `timer` was started.
pub async fn run_bus(
    bus: BusIndex,
    settings: &BusSettings,
    plan: &Plan,
    timer: &PreciseTimer,
    reports: mpsc::Sender<BusReport>,
    counters: &BusCounters,
    shutdown: watch::Receiver<bool>,
) {
    let now = timer.clock().now().uptime;
    let schedule = Schedule::new(bus, settings, plan, now);
    counters.start(&schedule);
    let (first, longest) = settings.reconnect;
    let seed = now.as_nanos() ^ u64::from(bus.0).rotate_left(32);
    let mut actor = Actor {
        bus,
        settings,
        clock: timer.clock(),
        timer,
        reports,
        counters,
        shutdown,
        schedule,
        backoff: Backoff::new(first, longest, seed),
        readings: Vec::new(),
        told_standing_by: (!counters.gate.is_shared()).then_some(false),
    };
    let mut open_at = now;
    while actor.stand_by().await.is_ok() {
        let stop = match actor.connect(open_at).await {
            Ok(connection) => actor.poll(connection).await,
            Err(stop) => stop,
        };
        counters.connected.store(false, Ordering::Relaxed);
        actor.schedule.disconnected();
        match stop {
            Stop::Asked => break,
            Stop::Cut => open_at = actor.clock.uptime().plus(actor.backoff.next_wait()),
            Stop::Fenced => actor.let_go().await,
        }
    }
    actor.let_go().await;
}

/// Completes when the bus may no longer be polled, however often that is put off.
async fn fenced(gate: &Gate, timer: &PreciseTimer) {
    while gate.is_open(timer.clock().uptime()) {
        tokio::select! {
            () = timer.sleep_until(gate.until()) => {}
            () = gate.moved() => {}
        }
    }
}

struct Actor<'a> {
    bus: BusIndex,
    settings: &'a BusSettings,
    clock: Clock,
    timer: &'a PreciseTimer,
    reports: mpsc::Sender<BusReport>,
    counters: &'a BusCounters,
    shutdown: watch::Receiver<bool>,
    schedule: Schedule,
    backoff: Backoff,
    readings: Vec<RawReading>,
    /// What the engine was told last; nothing at first where another box may poll.
    told_standing_by: Option<bool>,
}

impl Actor<'_> {
    /// Until this box may poll; at once where no other could.
    async fn stand_by(&mut self) -> Result<(), Stop> {
        let gate = &self.counters.gate;
        while !gate.is_open(self.clock.uptime()) {
            self.tell_standing_by(true).await?;
            self.counters.pulse.beat();
            let look = self.clock.uptime().plus(BEAT_EVERY);
            tokio::select! {
                biased;
                _ = self.shutdown.wait_for(|stop| *stop) => return Err(Stop::Asked),
                () = gate.moved() => {}
                () = self.timer.sleep_until(look) => {}
            }
        }
        gate.use_it(true);
        if self.told_standing_by != Some(false) {
            self.schedule.resume(self.clock.uptime());
            self.backoff.reset();
        }
        self.tell_standing_by(false).await
    }

    async fn tell_standing_by(&mut self, stands_by: bool) -> Result<(), Stop> {
        if self.told_standing_by.replace(stands_by) == Some(stands_by) {
            return Ok(());
        }
        self.report(BusReport::StandingBy { bus: self.bus, stands_by }).await
    }

    /// The connection is closed; a late reply to the last request is waited for, so that nobody takes it for their own: another
    /// box, or on a serial line whoever comes after this with a new configuration.
    async fn let_go(&mut self) {
        let gate = &self.counters.gate;
        let quiet = self.schedule.quiet_until();
        if gate.is_shared() {
            self.timer.sleep_until(quiet).await;
        } else if self.settings.link.timing().is_some() {
            self.timer.sleep_until(quiet.min(self.clock.uptime().plus(LET_GO_MAX))).await;
        }
        gate.use_it(false);
    }

    /// Opens the bus, first at `open_at`, then with growing waits until it works.
    async fn connect(&mut self, mut open_at: Uptime) -> Result<Connection, Stop> {
        let mut complaint: Option<OpenError> = None;
        loop {
            let why = match self.try_open(open_at).await? {
                Ok(connection) => {
                    tracing::info!(bus = %self.settings.name, "bus open");
                    self.counters.connects.fetch_add(1, Ordering::Relaxed);
                    self.counters.connected.store(true, Ordering::Relaxed);
                    self.report(BusReport::Connected { bus: self.bus }).await?;
                    return Ok(connection);
                }
                Err(why) => why,
            };
            self.counters.open_failures.fetch_add(1, Ordering::Relaxed);
            open_at = self.clock.uptime().plus(self.backoff.next_wait());
            // Once per reason, or an absent adapter would fill the log.
            if complaint.as_ref() != Some(&why) {
                tracing::warn!(bus = %self.settings.name, "{why}");
                self.report(BusReport::NotConnected { bus: self.bus, why: why.clone() }).await?;
                complaint = Some(why);
            }
        }
    }

    /// One attempt at `open_at`. Meanwhile polls that fall due are reported.
    async fn try_open(&mut self, open_at: Uptime) -> Result<Result<Connection, OpenError>, Stop> {
        let (settings, timer, mut shutdown) = (self.settings, self.timer, self.shutdown.clone());

        let shared = self.counters.gate.is_shared();
        let attempt = async move {
            timer.sleep_until(open_at).await;
            let opened = open::open(&settings.link, settings.connect_timeout).await?;
            if shared {
                opened.forget_unsent_on_close(&settings.link)?;
            }
            Ok(Connection::new(opened))
        };
        tokio::select! {
            biased;
            _ = shutdown.wait_for(|stop| *stop) => Err(Stop::Asked),
            opened = attempt => Ok(opened),
            () = fenced(&self.counters.gate, timer) => Err(Stop::Fenced),
            stop = self.report_missed() => Err(stop),
        }
    }

    /// Reports polls that fall due while there is no bus. Ends only when nobody listens; may be dropped at any await.
    async fn report_missed(&mut self) -> Stop {
        loop {
            self.counters.pulse.beat();
            let Ok(place) = self.reports.reserve().await else { return Stop::Asked };
            let now = self.clock.now();
            match self.schedule.next(now, &mut self.readings) {
                Next::NotConnected(device) => {
                    self.counters.note(device, &self.schedule, self.clock.utc());
                    let readings = std::mem::take(&mut self.readings);
                    let (bus, due, sent) = (self.bus, now.uptime, now.uptime);
                    place.send(BusReport::Readings { bus, device, due, sent, readings });
                }
                Next::Wait(until) => {
                    drop(place);
                    self.timer.sleep_until(until.min(now.uptime.plus(BEAT_EVERY))).await;
                }
                Next::Exchange(_) => unreachable!("the schedule was told that the bus is gone"),
            }
        }
    }

    /// Polls until the bus is gone.
    async fn poll(&mut self, mut connection: Connection) -> Stop {
        self.schedule.connected();
        loop {
            if *self.shutdown.borrow() {
                return Stop::Asked;
            }
            self.counters.pulse.beat();
            faults::pass("bus").await;
            let now = self.clock.now();
            let gate_until = self.counters.gate.until();
            if now.uptime >= gate_until {
                tracing::info!(bus = %self.settings.name, "let go: another box may poll");
                return Stop::Fenced;
            }
            let stop = match self.schedule.next(now, &mut self.readings) {
                Next::Exchange(exchange) => self.exchange(&mut connection, &exchange, now.uptime).await,
                // However far the next poll is, the loop comes round: who watches it sees that it lives.
                Next::Wait(until) => self.wait(until.min(now.uptime.plus(BEAT_EVERY)).min(gate_until)).await,
                Next::NotConnected(_) => unreachable!("the schedule was told that the bus is there"),
            };
            if let Err(stop) = stop {
                return stop;
            }
        }
    }

    async fn wait(&mut self, until: Uptime) -> Result<(), Stop> {
        tokio::select! {
            biased;
            _ = self.shutdown.wait_for(|stop| *stop) => Err(Stop::Asked),
            () = self.counters.gate.moved() => Ok(()),
            () = self.timer.sleep_until(until) => Ok(()),
        }
    }

    async fn exchange(
        &mut self,
        connection: &mut Connection,
        exchange: &Exchange,
        sent: Uptime,
    ) -> Result<(), Stop> {
        let (timer, pause) = (self.timer, self.schedule.gap(exchange.device));
        let waited =
            connection.settle(async || timer.sleep_until(timer.clock().uptime().plus(pause)).await).await;
        let sent = if waited { self.clock.uptime() } else { sent };
        // The runtime's own timer would do, but wakes the runtime each time it is set.
        let time_up = timer.sleep_until(sent.plus(exchange.patience));
        let exchanging = connection.exchange(exchange, time_up);
        let ended = if exchange.patience < BEAT_EVERY {
            exchanging.await
        } else {
            self.counters.pulse.during(exchanging).await
        };
        let sent = ended.sent.unwrap_or(sent);
        let now = self.clock.now();
        self.schedule.sent(sent);
        self.schedule.finished(ended.answer.outcome(), now, &mut self.readings);
        self.counters.note(exchange.device, &self.schedule, self.clock.utc());
        if ended.answer.is_answer() {
            self.backoff.reset();
        }
        if !self.readings.is_empty() {
            let readings = std::mem::take(&mut self.readings);
            let (bus, device, due) = (self.bus, exchange.device, exchange.due);
            self.report(BusReport::Readings { bus, device, due, sent, readings }).await?;
        }
        let given_up = self.schedule.looks_dead() && !matches!(self.settings.link, BusLink::Rtu { .. });
        if !ended.reusable || given_up {
            tracing::info!(bus = %self.settings.name, answer = ?ended.answer, "connection given up");
            return Err(Stop::Cut);
        }
        Ok(())
    }

    async fn report(&self, report: BusReport) -> Result<(), Stop> {
        self.reports.send(report).await.map_err(|_| Stop::Asked)
    }
}
