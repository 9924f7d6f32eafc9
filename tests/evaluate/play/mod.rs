//! A case through the real engine: rows of the simulator's history in, a [`Track`] of every sump out.
//!
//! The engine is driven as `replay` drives it: rows of one instant go in together, time passes in between. What it says
//! is read from what it hands out, never from its inside.

mod watch;

use std::error::Error;
use std::time::{Duration, Instant};

use sumpwarden::config::load;
use sumpwarden_core::engine::{Engine, Input, Outbound};
use sumpwarden_core::estimate::note::{Note, NoteKind};
use sumpwarden_core::model::{Fault, Now, ProbeIndex, Raw, RawReading, SumpIndex, Timestamp};
use sumpwarden_protocol::number::Number;
use sumpwarden_protocol::words::Encoding;
use sumpwarden_sim::Stamp;
use sumpwarden_sim::scenario::{ConfigurationOptions, Endpoints, History, Row};
use sumpwarden_sim::world::Truth;

use crate::case::Case;
use crate::track::Track;
use watch::Watch;

/// A case that was played.
#[derive(Debug)]
pub(crate) struct Played {
    pub(crate) tracks: Vec<Track>,
    pub(crate) time: Spent,
}

/// Processor time of the thread, so that a busy machine does not count.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Spent {
    pub(crate) engine: Duration,
    pub(crate) simulator: Duration,
    pub(crate) sump_hours: u64,
}

/// A configuration or its engine that does not come to be is a mistake in the scenario, and said so.
pub(crate) type PlayError = Box<dyn Error + Send + Sync>;

/// Plays a case; `day` is called at the end of each simulated day.
pub(crate) fn play(case: &Case, day: impl Fn()) -> Result<Played, PlayError> {
    let mut player = Player::new(case)?;
    let (began, began_cpu) = (Instant::now(), cpu_time());
    let mut history = case.scenario.history(case.history);
    let mut days = 0;
    loop {
        let before = Instant::now();
        let row = history.next();
        player.time.simulator += before.elapsed();
        let Some(row) = row else { break };
        player.take(&history, row)?;
        let passed = history.plant().world().now().since(case.scenario.start).as_secs() / 86_400;
        while days < passed {
            days += 1;
            day();
        }
    }
    player.hand_over(&history);
    let share =
        (cpu_time().saturating_sub(began_cpu)).as_secs_f64() / began.elapsed().as_secs_f64().max(1e-9);
    player.time.engine = player.time.engine.mul_f64(share);
    player.time.simulator = player.time.simulator.mul_f64(share);
    Ok(player.finish(&history))
}

/// Processor time this thread has used. It is asked for once a case, since asking takes a system call; the parts of a
/// case are measured by the clock and share it out.
fn cpu_time() -> Duration {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    Duration::new(u64::try_from(time.tv_sec).unwrap_or(0), u32::try_from(time.tv_nsec).unwrap_or(0))
}

struct Player {
    engine: Engine,
    /// The gateway's places of the scenario's probes and sumps.
    probes: Vec<ProbeIndex>,
    sumps: Vec<SumpIndex>,
    /// Encodings of the probes whose devices have a sign for "no value".
    sentinels: Vec<Option<Encoding>>,
    batch: Vec<RawReading>,
    latest: Option<Timestamp>,
    outbound: Outbound,
    watch: Watch,
    time: Spent,
    start: Stamp,
    /// Somebody determines the hardness on the first day.
    start_known: bool,
}

/// When what is known of the start is noted: by then the estimator believes something.
const NOTED_AFTER: Duration = Duration::from_secs(3 * 3600);

impl Player {
    fn new(case: &Case) -> Result<Self, PlayError> {
        let scratch = tempfile::tempdir()?;
        let options = ConfigurationOptions { every: case.history.every, ..ConfigurationOptions::default() };
        let file = case.scenario.configuration(&Endpoints::new(), &options).write(scratch.path())?;
        let settings = load(&file).map_err(|report| report.draw(false))?.settings.engine;
        let sump_named = |name: &str| settings.sumps.iter().position(|sump| sump.name.as_str() == name);
        let missing = |what: String| format!("{}: the configuration has no {what}", case.scenario.name);
        let sumps = (case.scenario.sumps.iter())
            .map(|sump| {
                let place = sump_named(sump.name).ok_or_else(|| missing(sump.name.to_owned()))?;
                Ok(SumpIndex(u32::try_from(place).map_err(|e| e.to_string())?))
            })
            .collect::<Result<Vec<_>, String>>()?;
        let probes = (case.scenario.probes.iter().enumerate())
            .map(|(place, plan)| {
                let (sump, name) = (sumps[plan.sump], plan.setup.name);
                (settings.probes.iter().zip(0..))
                    .find(|(probe, _)| probe.sump == sump && probe.name.as_str() == name)
                    .map(|(_, index)| ProbeIndex(index))
                    .ok_or_else(|| missing(case.scenario.source(place)))
            })
            .collect::<Result<Vec<_>, String>>()?;
        let mut sentinels = vec![None; settings.probes.len()];
        for point in settings.buses.iter().flat_map(|bus| &bus.devices).flat_map(|device| &device.points) {
            if !point.encoding.no_value.is_empty() {
                sentinels[point.probe.slot()] = Some(point.encoding.clone());
            }
        }
        let watch = Watch::new(case, &settings, &probes, &sumps)?;
        let engine = Engine::new(settings)?;
        let (batch, outbound, time) = (Vec::new(), Outbound::default(), Spent::default());
        let (start, start_known) = (case.scenario.start, case.start_known);
        Ok(Self {
            engine,
            probes,
            sumps,
            sentinels,
            batch,
            latest: None,
            outbound,
            watch,
            time,
            start,
            start_known,
        })
    }

    fn take(&mut self, history: &History, row: Row) -> Result<(), PlayError> {
        match row {
            Row::Sample { at: stamp, probe, raw, .. } => {
                let at = self.reach(history, stamp);
                let probe = self.probes[probe];
                let raw = match raw {
                    number if self.means_no_value(probe, number) => Raw::Fault(Fault::NoValue),
                    number if number.is_finite() => Raw::Number(number),
                    _ => Raw::Fault(Fault::NotFinite),
                };
                self.batch.push(RawReading { probe, at, received: Now::simulated(at).uptime, raw });
            }
            Row::Note { at: stamp, sump, kind, value } => {
                let at = self.reach(history, stamp);
                self.hand_over(history);
                let word = NoteKind::from_word(kind).ok_or_else(|| format!("no note is called {kind:?}"))?;
                let note = Note::of(self.sumps[sump], at, word, value);
                self.handle(Now::simulated(at), &Input::Note(&note));
                self.watch.note(sump, stamp, kind, value);
                self.look(history);
            }
            Row::Truth { sump, truth } => {
                self.reach(history, truth.at);
                self.hand_over(history);
                self.tell_truth(history, sump, &truth);
                if self.start_known && truth.at.since(self.start) == NOTED_AFTER {
                    let at = Timestamp::from_millis(truth.at.0);
                    let hardness = Note::of(self.sumps[sump], at, NoteKind::HardnessMgL, truth.hardness_mg_l);
                    self.handle(Now::simulated(at), &Input::Note(&hardness));
                    self.look(history);
                }
            }
        }
        Ok(())
    }

    fn tell_truth(&mut self, history: &History, sump: usize, truth: &Truth) {
        let ledger = *history.plant().world().sumps()[sump].ledger();
        self.watch.truth(sump, truth, &ledger);
        self.watch.forecast(sump, truth.at, &self.engine, self.sumps[sump]);
        self.time.sump_hours += 1;
    }

    /// Time comes to `stamp`: what is of an earlier instant goes in first.
    fn reach(&mut self, history: &History, stamp: Stamp) -> Timestamp {
        let at = Timestamp::from_millis(stamp.0);
        if self.latest.is_some_and(|latest| latest < at) {
            self.hand_over(history);
            self.pass_time_until(history, at);
        }
        self.latest = Some(at);
        at
    }

    /// Rows of one instant go in together.
    fn hand_over(&mut self, history: &History) {
        let Some(first) = self.batch.first() else { return };
        let at = first.at;
        let batch = std::mem::take(&mut self.batch);
        self.handle(Now::simulated(at), &Input::Readings(&batch));
        self.batch = batch;
        self.batch.clear();
        self.look(history);
        self.watch.step(Stamp(at.as_millis()));
    }

    fn pass_time_until(&mut self, history: &History, at: Timestamp) {
        let until = Now::simulated(at).uptime;
        while let Some(due) = self.engine.poll_timeout().filter(|due| *due < until) {
            let utc = Timestamp::from_nanos(i64::try_from(due.as_nanos()).unwrap_or(i64::MAX));
            self.handle(Now { uptime: due, utc }, &Input::Tick);
            self.look(history);
        }
    }

    fn handle(&mut self, now: Now, input: &Input<'_>) {
        let before = Instant::now();
        self.engine.handle(now, *input);
        self.engine.drain(&mut self.outbound);
        self.time.engine += before.elapsed();
    }

    fn look(&mut self, history: &History) {
        self.watch.outbound(&self.outbound, history);
        self.outbound.samples.clear();
        self.outbound.journal.clear();
        self.outbound.saved.clear();
        self.outbound.outbox.clear();
    }

    /// Whether the device's registers would hold one of its signs for "no value".
    fn means_no_value(&self, probe: ProbeIndex, number: f64) -> bool {
        self.sentinels[probe.slot()].as_ref().is_some_and(|encoding| {
            encoding
                .encode(number)
                .is_ok_and(|words| encoding.decode(words.as_slice()) == Ok(Number::NoValue))
        })
    }

    fn finish(self, history: &History) -> Played {
        Played { tracks: self.watch.finish(history), time: self.time }
    }
}
