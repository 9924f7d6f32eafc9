//! F5: limits and instrument faults to alarm states.
//!
//! [`delay`] makes a steady condition out of a flickering one, [`state`] is the ISA-18.2 state machine, [`Alarms`] keeps
//! both for every alarm of the shop and says which transitions a measurement, an estimate or the passing of time
//! causes. Delays run on the monotonic clock, so a clock step neither raises nor clears anything. A bad value never
//! raises a process alarm and never clears one: it only makes a delay that is running start over.

pub mod condition;
pub mod delay;
pub mod notice;
pub mod settings;
pub mod state;
pub mod wording;

use std::collections::BTreeSet;

use crate::estimate::settings::EstimateKind;
use crate::model::{Measurement, Now, Quality, Severity, SumpIndex, Timestamp, Uptime};

use delay::Delayed;
use settings::{InstrumentSettings, LimitSettings, Priority, Side, Subject};
use state::{Effect, State, Stimulus, transition};

/// One alarm by its place in [`Alarms`]: first the limits in the order of the settings, then the instrument alarms.
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
    /// Value seen last.
    pub value: Option<f64>,
    /// Quality of that value.
    pub quality: Quality,
    /// Who, for an acknowledgement.
    pub by: Option<String>,
}

/// One alarm as it stands.
#[derive(Clone, PartialEq, Debug)]
pub struct Standing {
    /// State.
    pub state: State,
    /// Since when, UTC; none if it never left normal.
    pub since: Option<Timestamp>,
    /// Value seen last.
    pub value: Option<f64>,
    /// Quality of that value.
    pub quality: Quality,
}

/// What an alarm is about.
#[derive(Clone, PartialEq, Debug)]
pub enum Definition {
    /// A limit on a measurement or an estimate.
    Limit(LimitSettings),
    /// A probe that gives nothing usable.
    Instrument(InstrumentSettings),
}

impl Definition {
    /// Priority.
    pub fn priority(&self) -> Priority {
        match self {
            Self::Limit(limit) => limit.priority,
            Self::Instrument(instrument) => instrument.priority,
        }
    }

    /// Whether the condition holds for `value`, given whether it held so far; `None` if this value cannot tell.
    fn judge(&self, held: bool, value: Option<f64>, severity: Severity) -> Option<bool> {
        match (self, value) {
            (Self::Instrument(_), _) => Some(severity == Severity::Bad),
            (Self::Limit(_), None) => None,
            (Self::Limit(limit), Some(value)) => {
                let back = if held { limit.deadband } else { 0.0 };
                Some(match limit.side {
                    Side::High => value >= limit.setpoint - back,
                    Side::Low => value <= limit.setpoint + back,
                })
            }
        }
    }
}

/// All alarms of the shop.
#[derive(Debug)]
pub struct Alarms {
    alarms: Vec<Alarm>,
    of_probe: Vec<Vec<AlarmIndex>>,
    of_estimate: Vec<Vec<(EstimateKind, AlarmIndex)>>,
    /// Sumps whose limits rest.
    resting: Vec<bool>,
    /// When a running delay ends, soonest first.
    due: BTreeSet<(Uptime, AlarmIndex)>,
}

#[derive(Debug)]
struct Alarm {
    definition: Definition,
    delayed: Delayed,
    standing: Standing,
}

impl Alarms {
    /// Alarms of `limits` and `instruments` for that many probes and sumps, all normal.
    pub fn new(
        limits: &[LimitSettings],
        instruments: &[InstrumentSettings],
        probe_count: usize,
        sump_count: usize,
    ) -> Self {
        let definitions = limits
            .iter()
            .cloned()
            .map(Definition::Limit)
            .chain(instruments.iter().cloned().map(Definition::Instrument));
        let mut all = Self {
            alarms: Vec::new(),
            of_probe: vec![Vec::new(); probe_count],
            of_estimate: vec![Vec::new(); sump_count],
            resting: vec![false; sump_count],
            due: BTreeSet::new(),
        };
        for definition in definitions {
            all.add(definition);
        }
        all
    }

    fn add(&mut self, definition: Definition) {
        let index =
            AlarmIndex(u32::try_from(self.alarms.len()).expect("fewer alarms than 2^32: each has a setting"));
        let (on_delay, off_delay) = match &definition {
            Definition::Limit(limit) => (limit.on_delay, limit.off_delay),
            Definition::Instrument(instrument) => (instrument.on_delay, instrument.off_delay),
        };
        match &definition {
            Definition::Limit(LimitSettings { subject: Subject::Probe(probe), .. })
            | Definition::Instrument(InstrumentSettings { probe, .. }) => {
                self.of_probe[probe.slot()].push(index)
            }
            Definition::Limit(LimitSettings { subject: Subject::Estimate(kind), sump, .. }) => {
                self.of_estimate[sump.slot()].push((*kind, index));
            }
        }
        self.alarms.push(Alarm {
            definition,
            delayed: Delayed::new(on_delay, off_delay),
            standing: Standing { state: State::Normal, since: None, value: None, quality: Quality::WAITING },
        });
    }

    /// Every alarm in index order.
    pub fn iter(&self) -> impl Iterator<Item = (AlarmIndex, &Definition, &Standing)> {
        self.alarms.iter().zip(0..).map(|(alarm, i)| (AlarmIndex(i), &alarm.definition, &alarm.standing))
    }

    /// One alarm.
    pub fn get(&self, alarm: AlarmIndex) -> (&Definition, &Standing) {
        let alarm = &self.alarms[alarm.slot()];
        (&alarm.definition, &alarm.standing)
    }

    /// Puts an alarm back to where it stood before a restart, without annunciating it anew. Its condition counts as
    /// holding if the state says so, until measurements say otherwise for the whole off-delay.
    pub fn restore(&mut self, alarm: AlarmIndex, state: State, since: Timestamp) {
        let alarm = &mut self.alarms[alarm.slot()];
        alarm.delayed.set(state.condition_holds());
        alarm.standing.state = state;
        alarm.standing.since = Some(since);
    }

    /// Lets the limits of a sump rest, by design, or judge again. While they rest every value says nothing to them, and no
    /// delay goes on; instrument alarms go on.
    pub fn rest(&mut self, now: Now, sump: SumpIndex, rests: bool, out: &mut Vec<Transition>) {
        if std::mem::replace(&mut self.resting[sump.slot()], rests) == rests || !rests {
            return;
        }
        for at in 0..self.alarms.len() {
            let Definition::Limit(limit) = &self.alarms[at].definition else { continue };
            if limit.sump == sump {
                let quality = self.alarms[at].standing.quality;
                let index = AlarmIndex(u32::try_from(at).expect("indices were given by add()"));
                self.evaluate(now, index, None, quality, out);
            }
        }
    }

    /// A probe's new measurement.
    pub fn observe(&mut self, now: Now, measurement: &Measurement, out: &mut Vec<Transition>) {
        let (value, quality) = (measurement.measured.usable(), measurement.measured.quality());
        for at in 0..self.of_probe[measurement.probe.slot()].len() {
            let index = self.of_probe[measurement.probe.slot()][at];
            self.evaluate(now, index, value, quality, out);
        }
    }

    /// A sump's new estimate: its value, or none and why.
    pub fn observe_estimate(
        &mut self,
        now: Now,
        sump: SumpIndex,
        kind: EstimateKind,
        value: Option<f64>,
        quality: Quality,
        out: &mut Vec<Transition>,
    ) {
        for at in 0..self.of_estimate[sump.slot()].len() {
            let (watched, index) = self.of_estimate[sump.slot()][at];
            if watched == kind {
                self.evaluate(now, index, value, quality, out);
            }
        }
    }

    /// Whether any limit watches this estimate.
    pub fn watches(&self, sump: SumpIndex, kind: EstimateKind) -> bool {
        self.of_estimate[sump.slot()].iter().any(|(watched, _)| *watched == kind)
    }

    /// A person has seen it.
    pub fn acknowledge(&mut self, now: Now, alarm: AlarmIndex, by: &str, out: &mut Vec<Transition>) {
        self.stimulate(now, alarm, Stimulus::Acknowledge, Some(by.to_owned()), out);
    }

    /// Delays that have run out by now.
    pub fn tick(&mut self, now: Now, out: &mut Vec<Transition>) {
        while let Some(&(due, index)) = self.due.first() {
            if due > now.uptime {
                return;
            }
            self.due.pop_first();
            let delayed = &mut self.alarms[index.slot()].delayed;
            if delayed.expire(now.uptime) {
                let stimulus = stimulus_of(delayed.active());
                self.stimulate(now, index, stimulus, None, out);
            }
        }
    }

    /// When [`Self::tick`] has something to do.
    pub fn poll_timeout(&self) -> Option<Uptime> {
        self.due.first().map(|(due, _)| *due)
    }

    fn evaluate(
        &mut self,
        now: Now,
        index: AlarmIndex,
        value: Option<f64>,
        quality: Quality,
        out: &mut Vec<Transition>,
    ) {
        let alarm = &mut self.alarms[index.slot()];
        let rests = matches!(&alarm.definition, Definition::Limit(limit) if self.resting[limit.sump.slot()]);
        let value = value.filter(|_| !rests);
        let judged = alarm.definition.judge(alarm.delayed.active(), value, quality.severity());
        if value.is_some() || matches!(alarm.definition, Definition::Instrument(_)) {
            alarm.standing.value = value;
            alarm.standing.quality = quality;
        }
        let before = alarm.delayed.due();
        let changed = match judged {
            Some(holds) => alarm.delayed.update(now.uptime, holds),
            None => alarm.delayed.suspend(),
        };
        let (after, active) = (alarm.delayed.due(), alarm.delayed.active());
        if before != after {
            self.due.extend(after.map(|due| (due, index)));
            if let Some(due) = before {
                self.due.remove(&(due, index));
            }
        }
        if changed {
            self.stimulate(now, index, stimulus_of(active), None, out);
        }
    }

    fn stimulate(
        &mut self,
        now: Now,
        index: AlarmIndex,
        stimulus: Stimulus,
        by: Option<String>,
        out: &mut Vec<Transition>,
    ) {
        let standing = &mut self.alarms[index.slot()].standing;
        let from = standing.state;
        let (to, effect) = transition(from, stimulus);
        if effect == Effect::None {
            return;
        }
        standing.state = to;
        standing.since = Some(now.utc);
        let (value, quality) = (standing.value, standing.quality);
        out.push(Transition { alarm: index, from, to, effect, at: now.utc, value, quality, by });
    }
}

fn stimulus_of(active: bool) -> Stimulus {
    if active { Stimulus::ConditionTrue } else { Stimulus::ConditionFalse }
}

#[cfg(test)]
mod tests;
