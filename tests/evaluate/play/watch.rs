//! Sorts what the engine hands out and what the simulator knows into one [`Track`] a sump.

use sumpwarden_core::alarm::condition::Condition;
use sumpwarden_core::alarm::settings::{LimitSettings, Side, Subject, Terms};
use sumpwarden_core::engine::{Engine, Outbound, Settings};
use sumpwarden_core::estimate::settings::EstimateKind;
use sumpwarden_core::estimate::tank::Tank;
use sumpwarden_core::model::{ProbeIndex, Quantity, Reason, Sample, SumpIndex};
use sumpwarden_core::store::record::{Bound, JournalRecord, RecordKind, SeriesSource};
use sumpwarden_sim::Stamp;
use sumpwarden_sim::probe::Trouble;
use sumpwarden_sim::scenario::History;
use sumpwarden_sim::world::{Event, EventKind, Ledger, Truth};

use super::PlayError;
use crate::case::Case;
use crate::forecast::forecast_days;
use crate::judged::{Hour, Interval, Judged, true_values};
use crate::rivals::Rivals;
use crate::score::TopUp;
use crate::track::{Forecast, Frozen, Raised, Told, Track};

/// Pumps that stand still for three days are stagnation (common practice, no source).
const STAGNANT_MS: i64 = 72 * 3_600_000;

/// What a series of the engine means here.
#[derive(Clone, Copy, Debug)]
enum Meaning {
    Probe(ProbeIndex),
    Estimate(usize, usize, Bound),
    /// An estimate that is not judged.
    Other,
}

#[derive(Debug)]
pub(super) struct Watch {
    meanings: Vec<Meaning>,
    limits: Vec<LimitSettings>,
    quantities: Vec<Quantity>,
    /// How far an estimate's stamp may lie from the truth's, ms.
    grid_ms: i64,
    limit_mg_l: f64,
    /// The scenario's sump of each of the gateway's, and of each of the gateway's probes.
    sump_of: Vec<usize>,
    sump_of_probe: Vec<usize>,
    names: Vec<String>,
    sumps: Vec<Watched>,
}

#[derive(Debug)]
struct Watched {
    track: Track,
    rivals: Rivals,
    holdup_l: f64,
    /// Of each judged estimate what was told.
    told: [Estimated; Judged::COUNT],
    /// Evaporated and carried out up to the last hour, L.
    books: Option<(f64, f64)>,
    /// The last whole hour at which the pumps ran; none before the first.
    pumped: Option<Stamp>,
    /// Probes that freeze: place in the gateway's list, place in the track's.
    freezing: Vec<(ProbeIndex, usize)>,
}

/// What was told of one estimate: its value and both ends of its interval.
#[derive(Clone, Copy, Default, Debug)]
struct Estimated {
    /// The latest that was told, and when.
    latest: [Option<(Stamp, f64)>; 3],
    /// Sum of all that was told since the last hour, and how often.
    hour: [(f64, f64); 3],
}

impl Estimated {
    fn take(&mut self, at: Stamp, place: usize, value: Option<f64>) {
        self.latest[place] = value.map(|value| (at, value));
        if let Some(value) = value {
            let (sum, count) = &mut self.hour[place];
            *sum += value;
            *count += 1.0;
        }
    }

    /// The latest, unless it is older.
    fn latest(&self, since: Stamp) -> Option<Interval> {
        Interval::of(self.latest.map(|told| told.filter(|(at, _)| at.0 >= since.0).map(|(_, value)| value)))
    }

    /// The mean of all since the last hour, and begins the next.
    fn of_the_hour(&mut self) -> Option<Interval> {
        let hour = std::mem::take(&mut self.hour);
        Interval::of(hour.map(|(sum, count)| (count > 0.0).then(|| sum / count)))
    }
}

impl Watch {
    pub(super) fn new(
        case: &Case,
        settings: &Settings,
        probes: &[ProbeIndex],
        sumps: &[SumpIndex],
    ) -> Result<Self, PlayError> {
        let mut sump_of = vec![0; sumps.len()];
        sumps.iter().enumerate().for_each(|(ours, index)| sump_of[index.slot()] = ours);
        let watched = (sumps.iter().enumerate())
            .map(|(ours, index)| Watched::new(case, settings, probes, ours, index.slot()))
            .collect::<Result<Vec<_>, _>>()?;
        let names: Vec<String> = settings.sumps.iter().map(|sump| sump.name.to_string()).collect();
        let series = settings.series();
        let meanings = series.iter().enumerate().map(|(place, key)| match &key.source {
            SeriesSource::Probe(_) => Meaning::Probe(ProbeIndex(place as u32)),
            SeriesSource::Estimate { word, bound } => {
                let sump = names.iter().position(|name| name == key.sump.as_str());
                let judged = Judged::ALL.iter().position(|judged| judged.word() == *word);
                match (sump, judged) {
                    (Some(sump), Some(judged)) => Meaning::Estimate(sump_of[sump], judged, *bound),
                    _ => Meaning::Other,
                }
            }
        });
        Ok(Self {
            meanings: meanings.collect(),
            limits: settings.alarms.limits.clone(),
            quantities: settings.probes.iter().map(|probe| probe.quantity).collect(),
            grid_ms: i64::try_from(settings.estimate_every.as_millis())?,
            limit_mg_l: case.hardness_limit_mg_l(),
            sump_of_probe: settings.probes.iter().map(|probe| sump_of[probe.sump.slot()]).collect(),
            sump_of,
            names,
            sumps: watched,
        })
    }

    pub(super) fn note(&mut self, sump: usize, at: Stamp, kind: &'static str, value: f64) {
        self.sumps[sump].track.notes.push((at, kind, value));
        self.sumps[sump].rivals.note(kind, value);
    }

    /// All readings of an instant have come out converted.
    pub(super) fn step(&mut self, at: Stamp) {
        self.sumps.iter_mut().for_each(|sump| sump.rivals.step(at));
    }

    pub(super) fn outbound(&mut self, outbound: &Outbound, history: &History) {
        for sample in &outbound.samples {
            self.sample(sample);
        }
        for record in &outbound.journal {
            self.record(record, history);
        }
    }

    fn sample(&mut self, sample: &Sample) {
        let at = Stamp(sample.at.as_millis());
        match self.meanings[sample.series.slot()] {
            Meaning::Probe(probe) => {
                let sump = &mut self.sumps[self.sump_of_probe[probe.slot()]];
                sump.rivals.read(at, probe, sample.value);
                if sample.quality.reason == Reason::Frozen {
                    sump.told_frozen(probe, at);
                }
            }
            Meaning::Estimate(sump, judged, bound) => {
                let place = match bound {
                    Bound::Value => 0,
                    Bound::Low90 => 1,
                    Bound::High90 => 2,
                };
                self.sumps[sump].told[judged].take(at, place, sample.value);
            }
            Meaning::Other => {}
        }
    }

    fn record(&mut self, record: &JournalRecord, history: &History) {
        let of = |name: &String| record.sump.as_ref().is_some_and(|sump| sump.as_str() == name);
        let Some(place) = self.names.iter().position(of) else { return };
        let (at, ours) = (Stamp(record.at.as_millis()), self.sump_of[place]);
        match record.kind {
            RecordKind::Alarm if record.state == "UNACK" => {
                let limit = self.limits.iter().find(|l| l.sump.slot() == place && l.name == record.subject);
                let truth = history.plant().world().truth(ours);
                let worked_out = || self.sumps[ours].is_false(&record.subject, &truth);
                let false_by_truth = limit.map_or_else(worked_out, |limit| self.is_false(limit, &truth));
                let name = record.subject.clone();
                self.sumps[ours].track.alarms.push(Raised { at, name, false_by_truth });
            }
            RecordKind::Alarm | RecordKind::Instrument => {}
            RecordKind::Event => self.sumps[ours].event(at, record),
        }
    }

    /// Whether the truth lies on the right side of a limit by more than its deadband.
    fn is_false(&self, limit: &LimitSettings, truth: &Truth) -> Option<bool> {
        // What looks ahead says nothing of now; how well it foretells is judged by the forecasts.
        if matches!(limit.terms, Terms::WithinDays(_)) {
            return None;
        }
        let true_value = match limit.subject {
            Subject::Probe(probe) => true_of_probe(self.quantities[probe.slot()], truth),
            Subject::Estimate(kind) => true_of_estimate(kind, truth),
        }?;
        Some(match limit.side {
            Side::Low => true_value > limit.setpoint + limit.deadband,
            Side::High => true_value < limit.setpoint - limit.deadband,
        })
    }

    pub(super) fn truth(&mut self, sump: usize, truth: &Truth, ledger: &Ledger) {
        let grid_ms = self.grid_ms;
        self.sumps[sump].hour(truth, ledger, grid_ms);
    }

    /// One forecast a day, at midnight.
    pub(super) fn forecast(&mut self, sump: usize, at: Stamp, engine: &Engine, index: SumpIndex) {
        if at.hour() == 0.0 {
            let told = forecast_days(engine, index, self.limit_mg_l);
            let forecasts = &mut self.sumps[sump].track.forecasts;
            forecasts.extend(told.map(|(days, low90, high90)| Forecast { at, days, low90, high90 }));
        }
    }

    /// The tracks, with what the simulator knows of events.
    pub(super) fn finish(self, history: &History) -> Vec<Track> {
        let events = history.plant().events();
        let tracks = self.sumps.into_iter().zip(0..).map(|(sump, place)| {
            let mut track = sump.track;
            track.tell_events(events.iter().filter(|event| event.sump == place));
            track
        });
        tracks.collect()
    }
}

impl Watched {
    fn new(
        case: &Case,
        settings: &Settings,
        probes: &[ProbeIndex],
        ours: usize,
        theirs: usize,
    ) -> Result<Self, PlayError> {
        let scenario = &case.scenario;
        let mut freezing = Vec::new();
        let tank_l = Tank::new(&settings.sumps[theirs].tank)?.capacity_l();
        let mut track = Track::new(scenario.sumps[ours].name, tank_l, scenario.start);
        for (plan, &index) in scenario.probes.iter().zip(probes).filter(|(plan, _)| plan.sump == ours) {
            for &(from, until, trouble) in &plan.setup.troubles {
                if trouble == Trouble::Frozen && from < scenario.end() {
                    freezing.push((index, track.frozen.len()));
                    track.frozen.push(Frozen { from, until, probe: plan.setup.name, told: None });
                }
            }
        }
        Ok(Self {
            track,
            rivals: Rivals::new(settings, theirs)?,
            holdup_l: scenario.sumps[ours].holdup_l,
            told: [Estimated::default(); Judged::COUNT],
            books: None,
            pumped: None,
            freezing,
        })
    }

    fn told_frozen(&mut self, probe: ProbeIndex, at: Stamp) {
        for &(_, place) in self.freezing.iter().filter(|(freezing, _)| *freezing == probe) {
            let frozen = &mut self.track.frozen[place];
            if frozen.told.is_none() && (frozen.from..frozen.until).contains(&at) {
                frozen.told = Some(at);
            }
        }
    }

    /// A person's notes lie in the journal too, without words: they are no finding.
    fn event(&mut self, at: Stamp, record: &JournalRecord) {
        if record.message.is_empty() {
            return;
        }
        if record.subject != "topup" {
            let (subject, state) = (record.subject.clone(), record.state.clone());
            self.track.events.push(Told { at, subject, state, value: record.value });
            return;
        }
        let topups = &mut self.track.topups;
        if topups.last().is_none_or(|last| last.ended != at) {
            topups.push(TopUp { started: at, ended: at, litres: 0.0, percent: None });
        }
        let Some(topup) = topups.last_mut() else { return };
        match (record.state.as_str(), record.value) {
            ("litres", Some(litres)) => topup.litres = litres,
            ("percent", percent) => topup.percent = percent,
            _ => {}
        }
    }

    /// Whether the truth refutes a condition that was worked out; none where it cannot tell.
    fn is_false(&self, condition: &str, truth: &Truth) -> Option<bool> {
        match Condition::from_word(condition)? {
            // Seen by the hour: they may have stopped up to one later.
            Condition::Stagnation => Some(truth.at.0 - self.pumped?.0 < STAGNANT_MS),
            Condition::UnexplainedLoss => Some(truth.leak_l_h <= 0.0),
            _ => None,
        }
    }

    fn hour(&mut self, truth: &Truth, ledger: &Ledger, grid_ms: i64) {
        if truth.pump {
            self.pumped = Some(truth.at);
        }
        let books = (ledger.evaporated.liquid_l, ledger.carried_out.liquid_l);
        let (evaporated, carried) = self.books.replace(books).unwrap_or((0.0, 0.0));
        let since = Stamp(truth.at.0 - grid_ms);
        let estimate: [Option<Interval>; Judged::COUNT] = std::array::from_fn(|judged| {
            let told = &mut self.told[judged];
            // A rate is judged by what went in the hour, so by all that was told of it in the hour: the pumps may have stopped
            // for a break or run again just before it was over.
            let of_the_hour = told.of_the_hour();
            if Judged::ALL[judged].by_day() { of_the_hour } else { told.latest(since) }
        });
        let value = |judged: Judged| estimate[judged as usize].map(|interval| interval.value);
        let first =
            value(Judged::Concentration).zip(value(Judged::Hardness)).map(|(percent, mg_l)| [percent, mg_l]);
        self.track.hours.push(Hour {
            at: truth.at,
            truth: true_values(truth, self.holdup_l, books.0 - evaporated, books.1 - carried),
            estimate,
            rivals: self.rivals.hour(ledger, first),
            left_out: false,
        });
    }
}

impl Track {
    fn tell_events<'a>(&mut self, events: impl Iterator<Item = &'a Event>) {
        for event in events {
            match event.kind {
                EventKind::TopUp { started, litres, percent } => {
                    let percent = Some(percent);
                    self.pours.push(TopUp { started, ended: event.at, litres, percent });
                }
                EventKind::Dump { started } | EventKind::CleanOut { started, .. } => {
                    self.exchanges.push((started, event.at));
                }
                EventKind::LeakBegun { .. } => self.leaks.push((event.at, None)),
                EventKind::LeakEnded => {
                    if let Some((_, mended)) = self.leaks.last_mut() {
                        *mended = Some(event.at);
                    }
                }
                // Known beforehand from the probe's own troubles.
                EventKind::ProbeFrozen { .. } => {}
                other => self.happened.push((event.at, format!("{other:?}").replace(',', ";"))),
            }
        }
        let exchanges = &self.exchanges;
        for hour in &mut self.hours {
            hour.left_out = exchanges.iter().any(|(from, until)| (*from..=*until).contains(&hour.at));
        }
    }
}

fn true_of_probe(quantity: Quantity, truth: &Truth) -> Option<f64> {
    match quantity.word() {
        "ph" => Some(truth.ph),
        "conductivity" => Some(truth.conductivity_25_us_cm),
        "level" => Some(truth.level_mm),
        "temperature" => Some(truth.temperature_c),
        _ => None,
    }
}

fn true_of_estimate(kind: EstimateKind, truth: &Truth) -> Option<f64> {
    match kind.word() {
        "concentration_percent" => Some(truth.percent),
        "hardness_mg_l" => Some(truth.hardness_mg_l),
        "liquid_l" => Some(truth.liquid_l),
        "chip_solids_l" => Some(truth.chip_solids_l),
        _ => None,
    }
}
