//! F7: the order of the hops.
//!
//! A reading comes in, is converted, moves the state of its sump and may move alarms; what leaves is collected in an
//! [`Outbound`]. The live daemon, `replay` and the tests drive the same [`Engine`]: it knows no clock, no file, no
//! wire, and the same inputs give the same outputs, always.
//!
//! ```text
//! loop {                                 // the whole of a driver
//!     wait for an input, until engine.poll_timeout()
//!     engine.handle(now, input)
//!     hand what engine.drain() gives to the store
//! }
//! ```

mod annunciation;
pub mod calibration;
mod events;
mod fill;
pub mod intake;
pub mod notes;
pub mod outlook;
mod restart;
pub mod settings;
pub mod snapshot;
mod standing_by;
pub mod succession;
mod watch;

pub use annunciation::AlarmFor;
pub use intake::{HandOver, Intake};
pub use restart::renumbered;
pub use settings::Settings;

use std::collections::BTreeMap;
use std::time::Duration;

use calibration::Calibrations;
use fill::{Fill, Told};
use watch::ClockWatch;

use crate::alarm::settings::FaultKey;
use crate::alarm::{Alarms, Transition};
use crate::checks::TestPlan;
use crate::estimate::note::Note;
use crate::estimate::settings::{EstimateKind, SumpAccuracy};
use crate::estimate::sump::prospect::Drying;
use crate::estimate::sump::{Event, Sump, SumpError};
use crate::model::{
    BusIndex, Measurement, Name, Now, ProbeIndex, RawReading, Sample, SumpIndex, Timestamp, Uptime,
};
use crate::notify::OutboxEntry;
use crate::notify::router::Router;
use crate::signal::Signals;
use crate::store::record::{JournalRecord, SeriesKey};

/// How often limits that look days ahead are judged, at most: each takes as long as hundreds of readings.
const AHEAD_EVERY: Duration = Duration::from_secs(600);

/// In a shop of so many sumps the estimates of all are written out in one go, with whatever comes.
const SMALL_SHOP: usize = 4;

/// Of so many sumps of a larger one estimates are written out, or a snapshot is made, in one go: a poll that falls due meanwhile
/// waits no longer than that takes.
const SUMPS_AT_ONCE: usize = 1;

/// Estimates being written out, of one sump after the other.
#[derive(Clone, Copy, Debug)]
struct Round {
    /// The sump that is next.
    next: usize,
    /// Whether limits that look ahead are judged in it.
    ahead: bool,
}

/// What the engine is told.
#[derive(Clone, Copy, Debug)]
pub enum Input<'a> {
    /// Raw readings, in the order they arrived.
    Readings(&'a [RawReading]),
    /// A manual reading or action.
    Note(&'a Note),
    /// The gateway has found a fault of its lines, its peers or its own, or that one is over; with how it shows.
    Fault(&'a FaultKey, bool, &'a str),
    /// This receiver has refused the messages of these keys for good.
    Undelivered(&'a Name, &'a [String]),
    /// Another box polls this bus from now on, or no longer.
    StandingBy(BusIndex, bool),
    /// Only time has passed.
    Tick,
}

/// What leaves the engine, in the order it arose.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Outbound {
    /// Samples to store.
    pub samples: Vec<Sample>,
    /// Journal entries to store at once, with the samples behind them.
    pub journal: Vec<JournalRecord>,
    /// State to store with them, by key, for [`Engine::restore`] after a restart.
    pub saved: Vec<(String, Vec<u8>)>,
    /// What receivers are to be told, to store with them.
    pub outbox: Vec<OutboxEntry>,
}

impl Outbound {
    /// Whether nothing is in it.
    pub fn is_empty(&self) -> bool {
        self.samples.is_empty() && self.journal.is_empty() && self.saved.is_empty() && self.outbox.is_empty()
    }
}

/// Why settings give no engine.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
#[error("sump {sump}: {why}")]
pub struct EngineError {
    /// Which sump.
    pub sump: Name,
    /// What is wrong with it.
    pub why: SumpError,
}

/// Whether sumps are estimated.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Estimating {
    /// They are.
    Yes,
    /// They are not, and alarms on estimates have still to be withheld.
    NotYetWithheld,
    /// They are not.
    No,
}

/// The pure middle of the gateway.
#[derive(Debug)]
pub struct Engine {
    settings: Settings,
    series: Vec<SeriesKey>,
    signals: Signals,
    sumps: Vec<Sump>,
    /// Probes of each sump, in their order.
    probes_of: Vec<Vec<ProbeIndex>>,
    /// How fast each sump dried lately, for its outlook; begins anew with a restart.
    drying: Vec<Drying>,
    /// pH and clean-out of each.
    fills: Vec<Fill>,
    /// What is due on each.
    plans: Vec<TestPlan>,
    alarms: Alarms,
    calibrations: Calibrations,
    clock: ClockWatch,
    /// Buses that another box polls, and since when.
    elsewhere: BTreeMap<BusIndex, Timestamp>,
    /// Who hears of alarms.
    router: Router,
    /// Whether anything is estimated.
    estimating: Estimating,
    /// Next time the estimates are written out; none before the first reading.
    next_estimates: Option<Uptime>,
    /// The round under way; none between two.
    round: Option<Round>,
    /// When limits that look ahead are judged next; at once where they never were.
    next_ahead: Option<Uptime>,
    out: Outbound,
    /// Emptied at every use; kept for their capacity.
    overdue: Vec<Measurement>,
    transitions: Vec<Transition>,
    events: Vec<Event>,
    told: Vec<Told>,
}

impl Engine {
    /// An engine that has seen nothing yet.
    pub fn new(settings: Settings) -> Result<Self, EngineError> {
        let sumps = settings
            .sumps
            .iter()
            .map(|sump| {
                let accuracy = SumpAccuracy::of(sump, &settings.probes);
                Sump::new(sump, &accuracy, settings.pace.0)
                    .map_err(|why| EngineError { sump: sump.name.clone(), why })
            })
            .collect::<Result<_, _>>()?;
        let fills = settings
            .sumps
            .iter()
            .map(|sump| {
                Fill::new(sump, settings.pace.0).map_err(|why| EngineError { sump: sump.name.clone(), why })
            })
            .collect::<Result<_, _>>()?;
        let alarms = Alarms::new(&settings.alarms, &settings.probes, &settings.sumps);
        Ok(Self {
            series: settings.series(),
            signals: Signals::new(&settings.probes),
            drying: vec![Drying::default(); settings.sumps.len()],
            plans: notes::plans(&settings),
            sumps,
            probes_of: settings.probes_by_sump(),
            fills,
            alarms,
            calibrations: Calibrations::new(&settings.probes),
            clock: ClockWatch::default(),
            elsewhere: BTreeMap::new(),
            router: Router::new(settings.receivers.clone(), settings.message_origin()),
            estimating: Estimating::Yes,
            next_estimates: None,
            round: None,
            next_ahead: None,
            out: Outbound::default(),
            overdue: Vec::new(),
            transitions: Vec::new(),
            events: Vec::new(),
            told: Vec::new(),
            settings,
        })
    }

    /// An engine that estimates nothing: it converts, stores, judges limits on probes, faults and the test plan, and takes
    /// notes. Alarms on estimates are withheld, what was believed of the sumps stays in the store as it was.
    pub fn without_estimates(settings: Settings) -> Result<Self, EngineError> {
        Ok(Self { estimating: Estimating::NotYetWithheld, ..Self::new(settings)? })
    }

    /// Whether it estimates.
    pub fn estimates(&self) -> bool {
        self.estimating == Estimating::Yes
    }

    /// Its settings.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Its series; `SeriesIndex` counts in them.
    pub fn series(&self) -> &[SeriesKey] {
        &self.series
    }

    /// One step. What is due by `now` happens after the input, so that a reading which arrives as a delay ends counts. Of many
    /// sumps' estimates each [`Input::Tick`] writes out those of one; [`Self::poll_timeout`] stays at now until all are.
    pub fn handle(&mut self, now: Now, input: Input<'_>) {
        self.watch_clock(now);
        if self.estimating == Estimating::NotYetWithheld {
            self.estimating = Estimating::No;
            self.alarms.withhold(now, &mut self.transitions);
        }
        match input {
            Input::Readings(readings) => {
                if self.next_estimates.is_none() {
                    self.next_estimates = Some(self.estimates_due_after(now.uptime));
                    self.begin_plans(now);
                }
                for reading in readings {
                    let measurement = self.signals.convert(now, reading);
                    self.take(now, &measurement);
                }
            }
            Input::Note(note) => self.take_note(now, note),
            Input::Fault(key, holds, detail) => {
                self.alarms.observe_fault(now, key, holds, detail, &mut self.transitions);
            }
            Input::Undelivered(receiver, keys) => {
                for key in keys {
                    self.out.outbox.extend(self.router.failed(receiver, key, now));
                }
            }
            Input::StandingBy(bus, stands_by) => self.stand_by(now, bus, stands_by),
            Input::Tick => {}
        }
        self.pass_time(now, matches!(input, Input::Tick));
        self.journal_transitions(now);
        self.remind(now);
    }

    /// When the engine wants to be handled again with [`Input::Tick`], if nothing else comes before.
    pub fn poll_timeout(&self) -> Option<Uptime> {
        [
            self.signals.poll_timeout(),
            self.alarms.poll_timeout(),
            self.router.poll_timeout(),
            self.calibrations.poll_timeout(),
            self.next_estimates,
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// Moves everything that has arisen since the last call into `into`, which keeps its capacity.
    pub fn drain(&mut self, into: &mut Outbound) {
        into.samples.append(&mut self.out.samples);
        into.journal.append(&mut self.out.journal);
        into.saved.append(&mut self.out.saved);
        into.outbox.append(&mut self.out.outbox);
    }

    fn pass_time(&mut self, now: Now, ticks: bool) {
        let mut overdue = std::mem::take(&mut self.overdue);
        self.signals.tick(now, &mut overdue);
        for measurement in overdue.drain(..) {
            self.take(now, &measurement);
        }
        self.overdue = overdue;
        self.expire_calibrations(now);
        self.alarms.tick(now, &mut self.transitions);
        if (ticks || self.is_small()) && self.next_estimates.is_some_and(|due| due <= now.uptime) {
            self.write_estimates(now);
            if self.round.is_none() {
                self.next_estimates = Some(self.estimates_due_after(now.uptime));
            }
        }
    }

    fn estimates_due_after(&self, now: Uptime) -> Uptime {
        next_on_grid(now, self.settings.estimate_every)
    }

    /// Every measurement goes the same way: stored, and, if it is the latest, watched and into the state of its sump.
    fn take(&mut self, now: Now, measurement: &Measurement) {
        self.out.samples.push(Sample {
            series: self.settings.series_of_probe(measurement.probe),
            at: measurement.at,
            raw: measurement.raw,
            value: measurement.measured.usable(),
            quality: measurement.measured.quality(),
        });
        if !self.signals.is_latest(measurement) {
            return;
        }
        self.watch_calibration(measurement);
        let sump = self.settings.probes[measurement.probe.slot()].sump;
        self.rest_limits(now, sump);
        self.alarms.observe(now, measurement, &mut self.transitions);
        if !self.estimates() {
            return;
        }
        self.sumps[sump.slot()].observe(now, measurement);
        self.fills[sump.slot()].observe(now, measurement);
        self.rest_limits(now, sump);
        self.journal_events(now, sump);
    }

    /// The limits of a sump rest while it is cleaned out.
    fn rest_limits(&mut self, now: Now, sump: SumpIndex) {
        let rests = self.fills[sump.slot()].suppresses() || self.is_elsewhere(sump).is_some();
        self.alarms.rest(now, sump, rests, &mut self.transitions);
    }

    /// Estimates move slowly: they are written out, and limits on them judged, on a grid of their own. This is the next part of
    /// a round.
    fn write_estimates(&mut self, now: Now) {
        if !self.estimates() {
            for sump in (0..).take(self.sumps.len()).map(SumpIndex) {
                self.tick_plan(now, sump, false);
                self.watch_due(now, sump);
            }
            return;
        }
        let round = self.round.take().unwrap_or_else(|| self.begin_round(now));
        let at_once = if self.is_small() { SMALL_SHOP } else { SUMPS_AT_ONCE };
        let end = (round.next + at_once).min(self.sumps.len());
        for index in (0..).map(SumpIndex).take(end).skip(round.next) {
            // Whoever polls it estimates it.
            if self.is_elsewhere(index).is_none() {
                self.write_estimates_of(now, index, round.ahead);
            }
        }
        self.round = (end < self.sumps.len()).then_some(Round { next: end, ..round });
    }

    fn is_small(&self) -> bool {
        self.sumps.len() <= SMALL_SHOP
    }

    fn begin_round(&mut self, now: Now) -> Round {
        let ahead = self.next_ahead.is_none_or(|due| due <= now.uptime);
        if ahead {
            self.next_ahead = Some(next_on_grid(now.uptime, AHEAD_EVERY));
        }
        Round { next: 0, ahead }
    }

    fn write_estimates_of(&mut self, now: Now, index: SumpIndex, ahead: bool) {
        let sump = &mut self.sumps[index.slot()];
        sump.advance(now);
        sump.watch_drying(now, &mut self.drying[index.slot()]);
        self.fills[index.slot()].tick(now);
        self.rest_limits(now, index);
        let sump = &self.sumps[index.slot()];
        let look = sump.look(now);
        let estimates = sump.estimates_in(&look);
        let believed = estimates[EstimateKind::Concentration.place()].is_ok();
        self.tick_plan(now, index, believed);
        for (&kind, &estimate) in EstimateKind::ALL.iter().zip(&estimates) {
            self.alarms.observe_estimate(now, index, kind, estimate, &mut self.transitions);
            let (values, quality) = match estimate {
                Ok(e) => ([e.value, e.low90, e.high90].map(Some), e.quality),
                Err(quality) => ([None; 3], quality),
            };
            let series = self.settings.series_of_estimate(index, kind);
            self.out.samples.extend(series.into_iter().zip(values).map(|(series, value)| Sample {
                series,
                at: now.utc,
                raw: None,
                value,
                quality,
            }));
        }
        self.journal_events(now, index);
        self.watch_sump(now, index, &look);
        if ahead {
            self.watch_ahead(now, index, &look, &estimates);
        }
    }

    /// What was found in a sump goes into the journal.
    fn journal_events(&mut self, now: Now, sump: SumpIndex) {
        self.sumps[sump.slot()].drain_events(&mut self.events);
        let name = &self.settings.sumps[sump.slot()].name;
        let kept = self.sumps[sump.slot()].save();
        self.out.saved.extend(kept.map(|bytes| (restart::estimate_key(name), bytes)));
        let fill = &mut self.fills[sump.slot()];
        self.events.iter().for_each(|event| fill.found(&event.what));
        self.watch_events(now, sump);
        let name = &self.settings.sumps[sump.slot()].name;
        let fill = &mut self.fills[sump.slot()];
        self.out.journal.extend(self.events.drain(..).flat_map(|event| events::records(name, &event)));
        if fill.take_cleaned() {
            self.sumps[sump.slot()].cleaned_out();
        }
        fill.drain(&mut self.told);
        if !self.told.is_empty() {
            let causes = fill.causes();
            let records = self.told.drain(..).map(|told| fill::words::record(name, now.utc, &told, &causes));
            self.out.journal.extend(records);
        }
        let [acidity, cleanout] = fill.save(now);
        self.out.saved.extend(acidity.map(|bytes| (restart::acidity_key(name), bytes)));
        self.out.saved.extend(cleanout.map(|bytes| (restart::cleanout_key(name), bytes)));
    }
}

/// The next of the instants that lie whole steps of `every` from the zero of `now`.
fn next_on_grid(now: Uptime, every: Duration) -> Uptime {
    let every = u64::try_from(every.as_nanos()).unwrap_or(u64::MAX).max(1);
    Uptime::from_nanos((now.as_nanos() / every).saturating_add(1).saturating_mul(every))
}

#[cfg(test)]
mod tests;
