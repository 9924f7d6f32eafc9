//! What is worked out about sumps and clock, as conditions of alarms.
//!
//! What goes on (a leak, a fall of the pH, standing still) is looked at with the estimates; what happened once (a top-up mixed
//! wrong, a conductivity that nothing explains) is told when it happens and stands until something answers it.

use std::time::Duration;

use super::outlook::bound;
use super::{Engine, Input};
use crate::alarm::condition::{Condition, Fault};
use crate::alarm::settings::{FaultKey, Subject};
use crate::alarm::{AlarmIndex, Definition, Finding};
use crate::estimate::note::{Note, NoteKind};
use crate::estimate::outlook::Crossing;
use crate::estimate::settings::EstimateKind;
use crate::estimate::sump::prospect::Prospect;
use crate::estimate::sump::{Estimates, Look, What};
use crate::estimate::trend::Confidence;
use crate::model::{Now, ProbeIndex, SumpIndex};

/// Hours without circulation that are stagnation: longer than a weekend of two days off (common practice, no source).
const STAGNANT_H: f64 = 72.0;

/// A top-up outside these parts of the strength that holds the target was mixed wrong (common practice, no source).
const MIX_PARTS: (f64, f64) = (0.5, 2.0);

/// A difference of the two clocks that changes by more than this is a step of the clock: slewing does not do that.
const STEP: Duration = Duration::from_secs(2);

/// How long a step is told.
const STEP_TOLD: Duration = Duration::from_secs(600);

/// The two clocks beside each other.
#[derive(Clone, Debug, Default)]
pub(super) struct ClockWatch {
    before: Option<Now>,
    stepped: Option<Now>,
    /// Why nobody believes it.
    doubted: Option<String>,
    /// Whether its fault holds, as was told last; none before anything was.
    told: Option<bool>,
}

impl Engine {
    /// The wall clock is not believed, and why, or is from now on.
    pub fn doubt_clock(&mut self, now: Now, why: Option<String>) {
        if self.clock.doubted != why {
            self.clock.doubted = why;
            self.clock.told = None;
        }
        self.handle(now, Input::Tick);
    }

    /// A clock that was set, or is not.
    pub(super) fn watch_clock(&mut self, now: Now) {
        let watch = &mut self.clock;
        let by_s = watch.before.replace(now).map_or(0.0, |before| step_s(before, now));
        let stepped = by_s.abs() > STEP.as_secs_f64();
        if stepped {
            watch.stepped = Some(now);
        }
        let recently = watch.stepped.is_some_and(|at| now.uptime.since(at.uptime) < STEP_TOLD);
        let holds = recently || watch.doubted.is_some();
        if !stepped && watch.told == Some(holds) {
            return;
        }
        watch.told = Some(holds);
        let detail = match (stepped, &watch.doubted) {
            (_, Some(why)) => format!("it is not set: {why}. Readings are kept and dated once it is"),
            (true, None) if by_s.abs() < 600.0 => format!("it was set by {by_s:+.0} s"),
            (true, None) if by_s.abs() < 172_800.0 => format!("it was set by {:+.1} h", by_s / 3_600.0),
            (true, None) => format!("it was set by {:+.0} d", by_s / 86_400.0),
            (false, None) => String::new(),
        };
        let key = FaultKey { fault: Fault::Clock, of: String::new() };
        self.alarms.observe_fault(now, &key, holds, &detail, &mut self.transitions);
    }

    /// What goes on in a sump.
    pub(super) fn watch_sump(&mut self, now: Now, sump: SumpIndex, look: &Look) {
        self.watch_acidity(now, sump);
        let running = self.sumps[sump.slot()].watch_losses(look.leak_l_d());
        self.tell(
            now,
            sump,
            Condition::UnexplainedLoss,
            running.map(|leak| leak.is_some()),
            running.flatten(),
        );
        let watched = &self.sumps[sump.slot()];
        let over = watched.would_overflow(watched.room_in(look));
        self.tell(now, sump, Condition::WouldOverflow, over.map(|over| over.is_some()), over.flatten());
        self.watch_due(now, sump);
    }

    fn watch_acidity(&mut self, now: Now, sump: SumpIndex) {
        let signs = self.fills[sump.slot()].signs();
        self.tell(
            now,
            sump,
            Condition::PhDrop,
            signs.drop.map(|(_, action, _)| action),
            signs.drop.map(|d| d.0),
        );
        self.tell(
            now,
            sump,
            Condition::PhReplace,
            signs.drop.map(|(.., replace)| replace),
            signs.drop.map(|d| d.0),
        );
        self.tell(now, sump, Condition::LikelyBiological, Some(signs.likely.is_some()), signs.likely);
        self.tell(now, sump, Condition::Regrowth, Some(signs.regrowth.is_some()), signs.regrowth);
        let stagnant = signs.still_h.map(|hours| hours >= STAGNANT_H);
        self.tell(now, sump, Condition::Stagnation, stagnant, signs.still_h);
    }

    /// Checks of the test plan and calibrations that nobody has done in time.
    pub(super) fn watch_due(&mut self, now: Now, sump: SumpIndex) {
        let plan = &self.plans[sump.slot()];
        let checks: Vec<(&str, u32)> = plan.overdue(now).map(|(check, days)| (check.word(), days)).collect();
        let probe = |probe: ProbeIndex| self.settings.probes[probe.slot()].name.as_str();
        let calibrations: Vec<(&str, u32)> =
            plan.calibrations_overdue(now).map(|(index, days)| (probe(index), days)).collect();
        for (condition, overdue) in
            [(Condition::CheckOverdue, checks), (Condition::CalibrationOverdue, calibrations)]
        {
            let names: Vec<&str> = overdue.iter().map(|(name, _)| *name).collect();
            let finding = Finding {
                holds: Some(!names.is_empty()),
                value: overdue.iter().map(|(_, days)| *days).max().map(f64::from),
                things: &names,
                ..Finding::default()
            };
            self.alarms.observe_condition(now, (sump, condition), &finding, &mut self.transitions);
        }
    }

    /// Limits that look ahead.
    pub(super) fn watch_ahead(&mut self, now: Now, sump: SumpIndex, look: &Look, estimates: &Estimates) {
        let prospect = self.sumps[sump.slot()].prospect_in(look, &self.drying[sump.slot()]);
        for index in self.alarms.ahead(sump) {
            let Some((kind, crossing)) = self.crossing(index, prospect.as_ref()) else { continue };
            let estimate = estimates[kind.place()];
            self.alarms.observe_ahead(now, index, estimate, crossing.as_ref(), &mut self.transitions);
        }
    }

    fn crossing(
        &self,
        index: AlarmIndex,
        prospect: Option<&Prospect>,
    ) -> Option<(EstimateKind, Option<Crossing>)> {
        let Definition::Limit(limit) = self.alarms.get(index).0 else { return None };
        let Subject::Estimate(kind) = limit.subject else { return None };
        let crossing = prospect.map(|prospect| match kind {
            EstimateKind::Hardness => prospect.days_to_hardness(limit.setpoint),
            _ => prospect.days_to_concentration(limit.setpoint, bound(limit.side)),
        });
        Some((kind, crossing))
    }

    /// What was just found in a sump.
    pub(super) fn watch_events(&mut self, now: Now, sump: SumpIndex) {
        for at in 0..self.events.len() {
            match self.events[at].what {
                What::TopUp { percent, deviation, .. } => self.watch_mix(now, sump, percent, deviation),
                What::Fill { .. } => {
                    self.tell(now, sump, Condition::MixWrong, Some(false), None);
                    self.tell(now, sump, Condition::ConductivityUnexplained, Some(false), None);
                }
                What::ConductivityStep { percent } => {
                    let (holds, value) = (Some(true), Some(percent));
                    let finding = Finding { holds, value, happened: true, ..Finding::default() };
                    let condition = (sump, Condition::ConductivityUnexplained);
                    self.alarms.observe_condition(now, condition, &finding, &mut self.transitions);
                }
                What::Dump { .. } | What::DrawOff { .. } | What::Leak { .. } => {}
            }
        }
    }

    /// A top-up surely much weaker or stronger than what holds the target.
    fn watch_mix(&mut self, now: Now, sump: SumpIndex, percent: f64, deviation: f64) {
        let settings = &self.settings.sumps[sump.slot()];
        let holding = || self.sumps[sump.slot()].holding_percent(&self.prospect(sump)?);
        let Some(asked) = settings.makeup_percent.or_else(holding) else { return };
        let within = Confidence::NINETY.z() * deviation;
        let (weak, strong) = (MIX_PARTS.0 * asked, MIX_PARTS.1 * asked);
        let wrong = percent + within < weak || percent - within > strong;
        let right = percent - within >= weak && percent + within <= strong;
        if wrong || right {
            let detail = format!("{asked:.1} % holds the target");
            let finding = Finding {
                holds: Some(wrong),
                value: Some(percent),
                detail: &detail,
                happened: wrong,
                ..Finding::default()
            };
            let condition = (sump, Condition::MixWrong);
            self.alarms.observe_condition(now, condition, &finding, &mut self.transitions);
        }
    }

    /// A reading by hand answers what the probes could not explain.
    pub(super) fn watch_note(&mut self, now: Now, note: &Note) {
        if matches!(note.kind, NoteKind::ConcentrationPercent | NoteKind::Brix) {
            self.tell(now, note.sump, Condition::ConductivityUnexplained, Some(false), None);
        }
    }

    fn tell(
        &mut self,
        now: Now,
        sump: SumpIndex,
        condition: Condition,
        holds: Option<bool>,
        value: Option<f64>,
    ) {
        let finding = Finding { holds, value, ..Finding::default() };
        self.alarms.observe_condition(now, (sump, condition), &finding, &mut self.transitions);
    }
}

/// By how many seconds UTC has gone further than the monotonic clock.
fn step_s(before: Now, now: Now) -> f64 {
    let utc = i128::from(now.utc.as_nanos()) - i128::from(before.utc.as_nanos());
    let uptime = i128::from(now.uptime.as_nanos()) - i128::from(before.uptime.as_nanos());
    (utc - uptime) as f64 / 1e9
}
