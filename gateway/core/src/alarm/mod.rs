//! F5: limits, worked-out conditions and faults to alarm states.
//!
//! [`delay`] makes a steady condition out of a flickering one, [`state`] is the ISA-18.2 state machine, [`Alarms`] keeps
//! both for every alarm of the shop and says which transitions a measurement, an estimate, a person or the passing of
//! time causes. Delays and shelves run on the monotonic clock, so a clock step neither raises, clears nor prolongs anything.
//! A bad value never raises a process alarm and never clears one: it only makes a delay that is running start over.
//!
//! First-out: an alarm that has a cause with an alarm of its own (a probe behind a dead device, a device behind a dead bus)
//! is suppressed by design for as long as the cause holds, from the moment it would have come up. What stood before the
//! cause goes on standing. Where a silence by design ends, conditions begin anew with their on-delay, so that the first
//! reading after it decides and not the last one before.

pub mod condition;
pub mod delay;
mod judge;
pub mod notice;
mod one;
pub mod order;
pub mod performance;
pub mod saved;
pub mod settings;
pub mod state;
pub mod wording;

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use crate::estimate::outlook::Crossing;
use crate::estimate::settings::{EstimateKind, SumpSettings};
use crate::estimate::sump::Estimate;
use crate::model::{Measurement, Now, ProbeIndex, Quality, Reason, SumpIndex, Timestamp, Uptime};
use crate::signal::settings::ProbeSettings;

use condition::Condition;
use notice::Change;
use one::Alarm;
use settings::{AlarmSettings, FaultKey, LimitSettings, Subject, Terms};
use state::{Effect, State, Stimulus};

pub use judge::Definition;
pub use one::{Seen, Standing};

/// One alarm by its place in [`Alarms`].
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct AlarmIndex(pub u32);

impl AlarmIndex {
    fn slot(self) -> usize {
        self.0 as usize
    }
}

/// A change of state, to be journalled and, where the effect says so, annunciated.
#[derive(Clone, PartialEq, Debug)]
pub struct Transition {
    /// Which alarm.
    pub alarm: AlarmIndex,
    /// State it leaves.
    pub from: State,
    /// State it comes to.
    pub to: State,
    /// What is owed.
    pub effect: Effect,
    /// When, UTC.
    pub at: Timestamp,
    /// What was seen last.
    pub seen: Seen,
    /// Who, for what people do.
    pub by: Option<String>,
    /// Why, as they said.
    pub why: Option<String>,
    /// Until when it is shelved, UTC.
    pub until: Option<Timestamp>,
    /// Which time the alarm came up, from 1; 0 if it never did.
    pub occurrence: u64,
    /// Which change of that occurrence.
    pub sequence: u32,
    /// What those who were told of the occurrence would hear; none for what was never annunciated.
    pub change: Option<Change>,
}

/// All alarms of the shop.
#[derive(Debug)]
pub struct Alarms {
    alarms: Vec<Alarm>,
    by_key: BTreeMap<String, AlarmIndex>,
    of_probe: Vec<Vec<AlarmIndex>>,
    of_estimate: Vec<Vec<(EstimateKind, AlarmIndex)>>,
    of_condition: BTreeMap<(SumpIndex, Condition), AlarmIndex>,
    of_fault: BTreeMap<FaultKey, AlarmIndex>,
    /// On each sump, whatever they watch.
    of_sump: Vec<Vec<AlarmIndex>>,
    /// On no sump: the gateway's own.
    of_gateway: Vec<AlarmIndex>,
    /// Faults that hold where all of some probes are silent, by probe.
    groups_of_probe: Vec<Vec<AlarmIndex>>,
    /// Whether nothing comes from a probe; not known before the first reading.
    silent: Vec<Option<bool>>,
    /// Sumps whose limits rest.
    resting: Vec<bool>,
    /// Probes that another box reads.
    elsewhere: Vec<bool>,
    /// Nothing is estimated: alarms on estimates are silent by design.
    withheld: bool,
    /// When an alarm wants to be looked at, soonest first.
    due: BTreeSet<(Uptime, AlarmIndex)>,
    /// What has changed in a way that a restart must know.
    changed: BTreeSet<AlarmIndex>,
}

impl Alarms {
    /// Alarms of `settings` on those probes and sumps, all normal.
    pub fn new(settings: &AlarmSettings, probes: &[ProbeSettings], sumps: &[SumpSettings]) -> Self {
        let mut all = Self {
            alarms: Vec::new(),
            by_key: BTreeMap::new(),
            of_probe: vec![Vec::new(); probes.len()],
            of_estimate: vec![Vec::new(); sumps.len()],
            of_condition: BTreeMap::new(),
            of_fault: BTreeMap::new(),
            of_sump: vec![Vec::new(); sumps.len()],
            of_gateway: Vec::new(),
            groups_of_probe: vec![Vec::new(); probes.len()],
            silent: vec![None; probes.len()],
            resting: vec![false; sumps.len()],
            elsewhere: vec![false; probes.len()],
            withheld: false,
            due: BTreeSet::new(),
            changed: BTreeSet::new(),
        };
        for definition in Definition::all(settings) {
            let key = definition.key(probes, sumps);
            let sump = definition.sump_among(probes);
            all.add(definition, key, sump);
        }
        // There are tens of thousands in a large shop, and never one more.
        all.alarms.shrink_to_fit();
        all.tie_causes();
        all
    }

    fn add(&mut self, definition: Definition, key: String, sump: Option<SumpIndex>) {
        let index =
            AlarmIndex(u32::try_from(self.alarms.len()).expect("fewer alarms than 2^32: each has a setting"));
        match &definition {
            Definition::Limit(limit) => match limit.subject {
                Subject::Probe(probe) => self.of_probe[probe.slot()].push(index),
                Subject::Estimate(kind) => self.of_estimate[limit.sump.slot()].push((kind, index)),
            },
            Definition::Instrument(instrument) => self.of_probe[instrument.probe.slot()].push(index),
            Definition::Condition(condition) => {
                self.of_condition.insert((condition.sump, condition.condition), index);
            }
            Definition::Fault(fault) => {
                self.of_fault.insert(fault.key.clone(), index);
                for probe in &fault.silent {
                    self.groups_of_probe[probe.slot()].push(index);
                }
            }
        }
        sump.map_or(&mut self.of_gateway, |sump| &mut self.of_sump[sump.slot()]).push(index);
        self.by_key.insert(key.clone(), index);
        self.alarms.push(Alarm::new(definition, key));
    }

    /// Each alarm learns which others explain it, and each of those whom it explains.
    fn tie_causes(&mut self) {
        for at in 0..self.alarms.len() {
            let causes: Vec<AlarmIndex> = self.alarms[at]
                .definition
                .behind()
                .iter()
                .filter_map(|key| self.of_fault.get(key).copied())
                .collect();
            let index = AlarmIndex(u32::try_from(at).expect("indices were given by add()"));
            for cause in &causes {
                self.alarms[cause.slot()].explains.push(index);
            }
            self.alarms[at].causes = causes;
        }
    }

    /// Every alarm in index order.
    pub fn iter(&self) -> impl Iterator<Item = (AlarmIndex, &Definition, &Standing)> {
        self.alarms.iter().zip(0..).map(|(alarm, i)| (AlarmIndex(i), &alarm.definition, &alarm.standing))
    }

    /// Alarms on a sump, or the gateway's own, in index order.
    pub fn of(&self, sump: Option<SumpIndex>) -> impl Iterator<Item = (AlarmIndex, &Definition, &Standing)> {
        let indices = sump.map_or(&self.of_gateway, |sump| &self.of_sump[sump.slot()]);
        indices.iter().map(|&index| {
            let (definition, standing) = self.get(index);
            (index, definition, standing)
        })
    }

    /// Limits on a sump, in the order of the settings.
    pub fn limits_on(&self, sump: SumpIndex) -> impl Iterator<Item = &LimitSettings> {
        self.of(Some(sump)).filter_map(|(_, definition, _)| match definition {
            Definition::Limit(limit) => Some(limit),
            Definition::Instrument(_) | Definition::Condition(_) | Definition::Fault(_) => None,
        })
    }

    /// One alarm.
    pub fn get(&self, alarm: AlarmIndex) -> (&Definition, &Standing) {
        let alarm = &self.alarms[alarm.slot()];
        (&alarm.definition, &alarm.standing)
    }

    /// Name of an alarm in the shop: `lathe-1/ph-low`, `lathe-1/instrument/ph`, `gateway/bus/hall`.
    pub fn key(&self, alarm: AlarmIndex) -> &str {
        &self.alarms[alarm.slot()].key
    }

    /// The alarm of such a name.
    pub fn find(&self, key: &str) -> Option<AlarmIndex> {
        self.by_key.get(key).copied()
    }

    /// Lets limits and conditions of a sump rest, by design, or count again. What stands is suppressed; what would come up
    /// while they rest is suppressed from then on; instrument alarms go on.
    pub fn rest(&mut self, now: Now, sump: SumpIndex, rests: bool, out: &mut Vec<Transition>) {
        if std::mem::replace(&mut self.resting[sump.slot()], rests) == rests {
            return;
        }
        for index in self.indices() {
            if self.alarms[index.slot()].definition.sump() != Some(sump) {
                continue;
            }
            if rests {
                if self.alarms[index.slot()].standing.state.stands() {
                    self.stimulate(now, index, Stimulus::Suppress, None, out);
                }
            } else {
                self.unsuppress(now, index, None, out);
            }
        }
    }

    /// Another box reads these probes from now on, or no longer: their instrument alarms are silent by design meanwhile.
    pub fn read_elsewhere(
        &mut self,
        now: Now,
        probes: &[ProbeIndex],
        elsewhere: bool,
        out: &mut Vec<Transition>,
    ) {
        probes.iter().for_each(|probe| self.elsewhere[probe.slot()] = elsewhere);
        for index in self.indices() {
            let alarm = &self.alarms[index.slot()];
            let Definition::Instrument(instrument) = &alarm.definition else { continue };
            if !probes.contains(&instrument.probe) {
                continue;
            }
            if !elsewhere {
                self.unsuppress(now, index, None, out);
            } else if alarm.standing.state.stands() {
                self.stimulate(now, index, Stimulus::Suppress, None, out);
            }
        }
    }

    /// Nothing is estimated from now on: what stands of alarms on estimates is suppressed, not ended, until an engine that
    /// estimates goes on from it.
    pub fn withhold(&mut self, now: Now, out: &mut Vec<Transition>) {
        self.withheld = true;
        for index in self.indices() {
            let alarm = &self.alarms[index.slot()];
            if alarm.definition.is_on_estimates() && alarm.standing.state.stands() {
                self.stimulate(now, index, Stimulus::Suppress, None, out);
            }
        }
    }

    /// A probe's new measurement.
    pub fn observe(&mut self, now: Now, measurement: &Measurement, out: &mut Vec<Transition>) {
        let (probe, quality) = (measurement.probe, measurement.measured.quality());
        let seen = Seen { value: measurement.measured.usable(), quality, ..Seen::default() };
        self.note_silence(now, probe, quality, out);
        for at in 0..self.of_probe[probe.slot()].len() {
            let index = self.of_probe[probe.slot()][at];
            self.evaluate(now, index, &seen, out);
        }
    }

    /// A sump's new estimate: its value, or none and why.
    pub fn observe_estimate(
        &mut self,
        now: Now,
        sump: SumpIndex,
        kind: EstimateKind,
        estimate: Result<Estimate, Quality>,
        out: &mut Vec<Transition>,
    ) {
        let seen = Seen::of_estimate(estimate);
        for at in 0..self.of_estimate[sump.slot()].len() {
            let (watched, index) = self.of_estimate[sump.slot()][at];
            if watched == kind && !self.looks_ahead(index) {
                self.evaluate(now, index, &seen, out);
            }
        }
    }

    /// When the setpoint of a limit that looks ahead is reached, beside the estimate it is on.
    pub fn observe_ahead(
        &mut self,
        now: Now,
        alarm: AlarmIndex,
        estimate: Result<Estimate, Quality>,
        crossing: Option<&Crossing>,
        out: &mut Vec<Transition>,
    ) {
        let ahead_days = crossing.map(|crossing| (crossing.days, crossing.low90, crossing.high90));
        let seen = Seen { ahead_days, ..Seen::of_estimate(estimate) };
        self.evaluate(now, alarm, &seen, out);
    }

    /// Limits of a sump that look ahead.
    pub fn ahead(&self, sump: SumpIndex) -> Vec<AlarmIndex> {
        let of = self.of_estimate[sump.slot()].iter().map(|(_, index)| *index);
        of.filter(|index| self.looks_ahead(*index)).collect()
    }

    fn looks_ahead(&self, index: AlarmIndex) -> bool {
        matches!(
            &self.alarms[index.slot()].definition,
            Definition::Limit(limit) if matches!(limit.terms, Terms::WithinDays(_))
        )
    }

    /// What was worked out about a sump.
    pub fn observe_condition(
        &mut self,
        now: Now,
        (sump, condition): (SumpIndex, Condition),
        finding: &Finding<'_>,
        out: &mut Vec<Transition>,
    ) {
        let Some(&index) = self.of_condition.get(&(sump, condition)) else { return };
        let mut news = false;
        if finding.holds == Some(true) {
            let seen = &mut self.alarms[index.slot()].standing.seen;
            news = finding.is_news_beside(&seen.detail);
            let detail = finding.detail();
            if seen.detail != detail {
                self.changed.insert(index);
            }
            *seen = Seen { value: finding.value, quality: Quality::GOOD, detail, ..Seen::default() };
        }
        self.judged(now, index, finding.holds, out);
        if news {
            // Whoever has seen the one has not seen the other.
            self.stimulate(now, index, Stimulus::ReAlarm, None, out);
            self.reschedule(index);
        }
    }

    /// The gateway has found a fault, or that it is over.
    pub fn observe_fault(
        &mut self,
        now: Now,
        key: &FaultKey,
        holds: bool,
        detail: &str,
        out: &mut Vec<Transition>,
    ) {
        let Some(&index) = self.of_fault.get(key) else { return };
        let alarm = &mut self.alarms[index.slot()];
        alarm.told = holds;
        if holds {
            alarm.standing.seen =
                Seen { quality: Quality::GOOD, detail: detail.to_owned(), ..Seen::default() };
        }
        self.judge_group(now, index, out);
    }

    /// Whether something is silent counts for the faults that explain it.
    fn note_silence(&mut self, now: Now, probe: ProbeIndex, quality: Quality, out: &mut Vec<Transition>) {
        let silent = Some(is_silence(quality.reason));
        if std::mem::replace(&mut self.silent[probe.slot()], silent) == silent {
            return;
        }
        for at in 0..self.groups_of_probe[probe.slot()].len() {
            let index = self.groups_of_probe[probe.slot()][at];
            self.judge_group(now, index, out);
        }
    }

    fn judge_group(&mut self, now: Now, index: AlarmIndex, out: &mut Vec<Transition>) {
        let alarm = &self.alarms[index.slot()];
        let Definition::Fault(fault) = &alarm.definition else { return };
        let mut heard = fault.silent.iter().map(|probe| self.silent[probe.slot()]);
        let of_probes = if heard.clone().all(|silent| silent == Some(true)) {
            Some(!fault.silent.is_empty())
        } else if heard.any(|silent| silent == Some(false)) {
            Some(false)
        } else {
            // What has not been asked yet may be silent as well.
            None
        };
        let (told, begins) = (alarm.told, !alarm.delayed.holds());
        let holds = if told { Some(true) } else { of_probes };
        if !told && begins && holds == Some(true) {
            // How the last one showed says nothing of this one.
            self.alarms[index.slot()].standing.seen.detail.clear();
        }
        self.judged(now, index, holds, out);
    }

    /// Time has passed: delays that have run out, shelves whose time is up, what stood acknowledged for too long.
    pub fn tick(&mut self, now: Now, out: &mut Vec<Transition>) {
        while let Some(&(due, index)) = self.due.first() {
            if due > now.uptime {
                return;
            }
            self.due.pop_first();
            let alarm = &mut self.alarms[index.slot()];
            alarm.wake = None;
            if alarm.delayed.due().is_some_and(|due| due <= now.uptime) && alarm.delayed.expire(now.uptime) {
                self.settle(now, index, out);
            }
            let alarm = &self.alarms[index.slot()];
            if alarm.shelf.is_some_and(|until| until <= now.uptime) {
                self.stimulate(now, index, Stimulus::Unshelve, None, out);
            }
            let alarm = &self.alarms[index.slot()];
            if alarm.realarm_at.is_some_and(|at| at <= now.uptime) {
                self.stimulate(now, index, Stimulus::ReAlarm, None, out);
            }
            self.reschedule(index);
        }
    }

    /// When [`Self::tick`] has something to do.
    pub fn poll_timeout(&self) -> Option<Uptime> {
        self.due.first().map(|(due, _)| *due)
    }

    fn indices(&self) -> impl Iterator<Item = AlarmIndex> + use<> {
        (0..).take(self.alarms.len()).map(AlarmIndex)
    }

    fn evaluate(&mut self, now: Now, index: AlarmIndex, seen: &Seen, out: &mut Vec<Transition>) {
        let alarm = &mut self.alarms[index.slot()];
        let judged = alarm.definition.judge(alarm.delayed.active(), seen);
        if judged.is_some() {
            alarm.standing.seen.clone_from(seen);
        }
        self.judged(now, index, judged, out);
    }

    /// Whether its condition was seen to hold just now.
    fn judged(&mut self, now: Now, index: AlarmIndex, judged: Option<bool>, out: &mut Vec<Transition>) {
        let delayed = &mut self.alarms[index.slot()].delayed;
        let (held_since, stood) = (delayed.holds_since(), delayed.stand());
        let changed = match judged {
            Some(holds) => delayed.update(now.uptime, holds),
            None => delayed.suspend(),
        };
        // Also of one that is silenced, though nobody hears of it: its silence ends one day.
        if delayed.stand() != stood {
            self.changed.insert(index);
        }
        let over = held_since.filter(|_| judged == Some(false));
        if changed {
            self.settle(now, index, out);
        }
        self.reschedule(index);
        if self.alarms[index.slot()].standing.state == State::SuppressedByDesign {
            // A restart may have missed the end of what suppressed it.
            self.unsuppress(now, index, None, out);
        }
        if over.is_some() {
            for at in 0..self.alarms[index.slot()].explains.len() {
                let explained = self.alarms[index.slot()].explains[at];
                self.unsuppress(now, explained, over, out);
            }
        }
    }

    /// Its condition has come to hold for long enough, or has ended for long enough.
    fn settle(&mut self, now: Now, index: AlarmIndex, out: &mut Vec<Transition>) {
        self.changed.insert(index);
        let active = self.alarms[index.slot()].delayed.active();
        let stimulus = match active {
            true if self.is_suppressed(index) => Stimulus::Suppress,
            true => Stimulus::ConditionTrue,
            false => Stimulus::ConditionFalse,
        };
        self.stimulate(now, index, stimulus, None, out);
    }

    /// Whether logic asks for its silence.
    fn is_suppressed(&self, index: AlarmIndex) -> bool {
        let alarm = &self.alarms[index.slot()];
        // Instrument alarms and faults have no sump of their own: they go on.
        let rests = alarm.definition.sump().is_some_and(|sump| self.resting[sump.slot()]);
        let withheld = self.withheld && alarm.definition.is_on_estimates();
        let elsewhere = match &alarm.definition {
            Definition::Instrument(instrument) => self.elsewhere[instrument.probe.slot()],
            Definition::Limit(_) | Definition::Condition(_) | Definition::Fault(_) => false,
        };
        rests
            || withheld
            || elsewhere
            || alarm.causes.iter().any(|cause| self.alarms[cause.slot()].delayed.holds())
    }

    /// What asked for its silence, since `since`, is over; unless something else does, its condition begins anew, but for a
    /// delay that had been running before.
    fn unsuppress(&mut self, now: Now, index: AlarmIndex, since: Option<Uptime>, out: &mut Vec<Transition>) {
        if self.is_suppressed(index) {
            return;
        }
        let alarm = &mut self.alarms[index.slot()];
        let before = since.zip(alarm.delayed.since()).is_some_and(|(since, began)| began < since);
        match alarm.standing.state {
            State::SuppressedByDesign => alarm.delayed.start_over(now.uptime),
            State::Normal if !before => alarm.delayed.start_over(now.uptime),
            _ => {}
        }
        self.stimulate(now, index, Stimulus::Unsuppress, None, out);
        self.reschedule(index);
    }

    fn stimulate(
        &mut self,
        now: Now,
        index: AlarmIndex,
        stimulus: Stimulus,
        said: Option<&order::Said<'_>>,
        out: &mut Vec<Transition>,
    ) {
        let suppressed = self.is_suppressed(index);
        let made = self.alarms[index.slot()].stimulate(now, index, stimulus, suppressed, said);
        if let Some(transition) = made {
            self.changed.insert(index);
            out.push(transition);
        }
    }

    /// Keeps [`Self::due`] what [`Alarm::due`] says.
    fn reschedule(&mut self, index: AlarmIndex) {
        let alarm = &mut self.alarms[index.slot()];
        let due = alarm.due();
        let before = std::mem::replace(&mut alarm.wake, due);
        if before == due {
            return;
        }
        if let Some(before) = before {
            self.due.remove(&(before, index));
        }
        self.due.extend(due.map(|due| (due, index)));
        self.changed.insert(index);
    }
}

/// What was worked out about a sump, for one of its conditions.
#[derive(Clone, Copy, Debug, Default)]
pub struct Finding<'a> {
    /// Whether the condition holds; none where that cannot be told now.
    pub holds: Option<bool>,
    /// The number behind it.
    pub value: Option<f64>,
    /// Names of what it holds for, where it may be several things: one that was not among them is news to whoever has seen
    /// the others.
    pub things: &'a [&'a str],
    /// What else there is to say, where it is one thing.
    pub detail: &'a str,
    /// It has happened again: news to whoever has seen the last time.
    pub happened: bool,
}

/// Between the names of things in a text.
const BETWEEN: &str = ", ";

impl Finding<'_> {
    fn detail(&self) -> String {
        if self.things.is_empty() { self.detail.to_owned() } else { self.things.join(BETWEEN) }
    }

    fn is_news_beside(&self, before: &str) -> bool {
        self.happened || self.things.iter().any(|one| before.split(BETWEEN).all(|other| other != *one))
    }
}

/// Whether a reason says that nothing came at all, rather than something wrong.
const fn is_silence(reason: Reason) -> bool {
    matches!(
        reason,
        Reason::NoReply | Reason::NotConnected | Reason::BadFrame | Reason::BehindGateway | Reason::Stale
    )
}

/// Longest time an alarm may be shelved: what lasts longer is taken out of service (common practice, no source).
pub const SHELVED_MAX: Duration = Duration::from_hours(7 * 24);

#[cfg(test)]
mod tests;
