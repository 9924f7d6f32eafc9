//! A clean-out, followed by the probes and proved: readings to the step it is at and, at the end, to what was done of it.
//!
//! The steps are common practice, no source: drain and take out the chips; circulate an alkaline cleaner with all pumps on;
//! empty the places where old coolant hides; pump out; rinse with weak coolant; pump out; recharge. A person begins it, or
//! the probes do: a sump that falls to empty suggests one, and a cleaner's pH in what is filled in next begins it. A dump
//! and a refill are none.
//!
//! [`basin`] says when the tank was emptied and filled, [`charge`] what was seen of one filling, [`run`] makes steps of
//! them, [`sheet`] says what to do and how much of what, [`regrowth`] watches the fresh fill. What the probes could not see
//! counts as not witnessed, never as done. Time is hours of a clock of the caller's that never goes back; what any of it
//! does to alarms and journal is not known here.

mod basin;
mod charge;
mod regrowth;
mod run;
mod sheet;
mod step;
#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

use super::fluid::JarTest;
use super::guidance::Advice;
use basin::{Basin, Turn};
use regrowth::Watch;
pub use regrowth::{Found, Hour};
use run::Run;
pub use sheet::Sheet;
pub use step::{Outcome, Shortfall, Step};

/// Figures of the procedure.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Figures {
    /// Strength of the cleaner, percent by volume.
    pub cleaner_percent: f64,
    /// Pump hours it circulates.
    pub clean_h: f64,
    /// Strength of the rinse, percent by volume.
    pub rinse_percent: f64,
    /// Pump hours it circulates.
    pub rinse_h: f64,
    /// Hours the recharge must stand at its strength.
    pub settle_h: f64,
    /// pH that is a cleaner's whatever the fill was.
    pub cleaner_ph: f64,
    /// Rise over the fill's own baseline that is a cleaner's.
    pub cleaner_rise: f64,
    /// Hours without any progress after which it counts as given up.
    pub idle_h: f64,
}

impl Default for Figures {
    /// Common practice, no source.
    fn default() -> Self {
        Self {
            cleaner_percent: 4.0,
            clean_h: 2.0,
            rinse_percent: 2.0,
            rinse_h: 0.5,
            settle_h: 1.0,
            cleaner_ph: 10.0,
            cleaner_rise: 0.8,
            idle_h: 24.0,
        }
    }
}

/// pH no fresh mix has, so that a baseline taken of a sour fill does not make a cleaner of fresh coolant (common practice,
/// no source).
const NO_FRESH_MIX_PH: f64 = 9.6;

/// Steps between readings longer than this are gaps in which nothing was seen, h.
const GAP_H: f64 = 0.25;

/// The tank and what goes into it.
#[derive(Clone, PartialEq, Debug)]
pub struct Vessel {
    /// Litres at the fill mark with the pumps standing.
    pub full_l: f64,
    /// Concentration to be held, percent.
    pub target_percent: f64,
    /// Strength by conductivity.
    pub jar: JarTest,
}

/// Readings of one moment; `None` where a probe gives nothing usable.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Seen {
    /// The caller's hours.
    pub at_h: f64,
    /// Content of the tank, L.
    pub litres: Option<f64>,
    /// pH.
    pub ph: Option<f64>,
    /// Conductivity at 25 °C, uS/cm.
    pub us_cm: Option<f64>,
    /// Whether the pumps run.
    pub pump: Option<bool>,
    /// pH this fill had when it was fresh, where known.
    pub baseline_ph: Option<f64>,
}

/// How a clean-out ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ending {
    /// The recharge has settled.
    Complete,
    /// A person said so.
    Abandoned,
    /// Nothing happened for too long.
    GivenUp,
}

/// What was made of a clean-out.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Report {
    /// The caller's hours at which it began.
    pub begun_h: f64,
    /// And ended.
    pub ended_h: f64,
    /// A person began it.
    pub by_person: bool,
    /// How it ended.
    pub ending: Ending,
    /// What was made of each step, in the order of [`Step::ALL`].
    pub outcomes: [Outcome; 7],
}

impl Report {
    /// Steps with what was made of them.
    pub fn steps(&self) -> impl Iterator<Item = (Step, Outcome)> {
        Step::ALL.into_iter().zip(self.outcomes)
    }

    /// How many were cut short.
    pub fn short_count(&self) -> usize {
        self.outcomes.iter().filter(|outcome| outcome.is_short()).count()
    }
}

/// What happened.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Event {
    /// A clean-out began.
    Begun {
        /// A person said so; else a cleaner was seen.
        by_person: bool,
    },
    /// A step is behind it.
    StepDone {
        /// Which.
        step: Step,
        /// As seen so far.
        outcome: Outcome,
        /// Pump hours, or litres left, or percent: whatever the step is measured in, where it was seen.
        measure: Option<f64>,
    },
    /// It is over.
    Over(Report),
    /// pH falls after it.
    Regrowth(Found),
}

#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
enum Stage {
    #[default]
    Idle,
    /// The sump was emptied; what comes next tells.
    Suggested(Run),
    Running(Run),
}

/// What is kept over a restart; its size is bounded.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct SavedCleanout {
    at_h: Option<f64>,
    basin: Basin,
    stage: Stage,
    watch: Option<Watch>,
    last: Option<Report>,
}

/// What was saved is not what this code saves.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[error("the saved state of a clean-out holds numbers that cannot be; start without it")]
pub struct SavedError;

/// Where a clean-out stands.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Standing {
    /// None.
    None,
    /// The sump was emptied: it may become one.
    Suggested,
    /// Under way.
    Running {
        /// At this step.
        step: Step,
        /// Pump hours of it so far, where it is counted in them, and asked for.
        hours: Option<(f64, f64)>,
        /// Begun at, in the caller's hours.
        begun_h: f64,
    },
}

/// Clean-outs of one sump.
#[derive(Clone, PartialEq, Debug)]
pub struct Cleanout {
    vessel: Vessel,
    figures: Figures,
    state: SavedCleanout,
    events: Vec<Event>,
    /// Something new was filled in since this was asked last.
    refilled: bool,
}

impl Cleanout {
    /// A sump of which nothing has been seen yet.
    pub fn new(vessel: Vessel, figures: Figures) -> Self {
        let state = SavedCleanout::default();
        Self { vessel, figures, state, events: Vec::new(), refilled: false }
    }

    /// Goes on where a run of the program before left off.
    pub fn continued(&self, saved: SavedCleanout) -> Result<Self, SavedError> {
        let stage_sound = match &saved.stage {
            Stage::Idle => true,
            Stage::Suggested(run) | Stage::Running(run) => run.is_sound(),
        };
        let numbers = [saved.at_h, saved.last.map(|last| last.begun_h), saved.last.map(|last| last.ended_h)];
        let sound = stage_sound
            && saved.basin.is_sound()
            && saved.watch.as_ref().is_none_or(Watch::is_sound)
            && numbers.into_iter().flatten().all(f64::is_finite);
        let fresh = Self::new(self.vessel.clone(), self.figures);
        if sound { Ok(Self { state: saved, ..fresh }) } else { Err(SavedError) }
    }

    /// What to keep over a restart.
    pub fn saved(&self) -> &SavedCleanout {
        &self.state
    }

    /// A person begins a clean-out, or gives it up.
    pub fn note(&mut self, at_h: f64, begins: bool, baseline_ph: Option<f64>) {
        let stage = std::mem::take(&mut self.state.stage);
        self.state.stage = match (stage, begins) {
            (Stage::Running(run), true) => Stage::Running(run),
            (Stage::Running(run), false) => {
                self.end(at_h, &run, Ending::Abandoned);
                Stage::Idle
            }
            (Stage::Idle | Stage::Suggested(_), false) => Stage::Idle,
            (Stage::Idle, true) => {
                self.begin(Run::new(at_h, true, self.mark_ph(baseline_ph), &self.state.basin))
            }
            (Stage::Suggested(run), true) => self.begin(run.confirmed()),
        };
    }

    /// It is one: what is behind it already is told with it.
    fn begin(&mut self, run: Run) -> Stage {
        self.events.push(Event::Begun { by_person: run.by_person });
        if run.step > Step::Drain {
            self.tell(&run, Step::Drain);
        }
        Stage::Running(run)
    }

    /// Takes the readings of a moment. Time may stand still, but not go back.
    pub fn observe(&mut self, seen: &Seen) {
        let passed_h = self.state.at_h.map_or(0.0, |before| (seen.at_h - before).max(0.0));
        self.state.at_h = Some(seen.at_h);
        let turn = seen.litres.and_then(|litres| self.state.basin.see(litres, self.vessel.full_l));
        let stage = std::mem::take(&mut self.state.stage);
        self.state.stage = match stage {
            Stage::Idle if turn == Some(Turn::Emptied) => {
                let mark = self.mark_ph(seen.baseline_ph);
                Stage::Suggested(Run::new(seen.at_h, false, mark, &self.state.basin))
            }
            Stage::Idle => Stage::Idle,
            Stage::Suggested(run) => self.suggested(run, seen, passed_h, turn),
            Stage::Running(run) => self.running(run, seen, passed_h, turn),
        };
        if self.watches_until_h().is_some_and(|until_h| seen.at_h >= until_h) {
            self.state.watch = None;
        }
    }

    fn suggested(&mut self, mut run: Run, seen: &Seen, passed_h: f64, turn: Option<Turn>) -> Stage {
        let (settled, _) = self.see(&mut run, seen, passed_h, turn);
        let dumped = settled || run.is_plain_since(seen.at_h, self.figures.settle_h);
        if run.has_seen_cleaner() {
            self.begin(run)
        } else if dumped {
            self.refilled = true;
            Stage::Idle
        } else if seen.at_h - run.begun_h >= self.figures.idle_h {
            Stage::Idle
        } else {
            Stage::Suggested(run)
        }
    }

    fn running(&mut self, mut run: Run, seen: &Seen, passed_h: f64, turn: Option<Turn>) -> Stage {
        let (settled, left) = self.see(&mut run, seen, passed_h, turn);
        left.into_iter().for_each(|step| self.tell(&run, step));
        if settled {
            self.end(seen.at_h, &run, Ending::Complete);
            Stage::Idle
        } else if seen.at_h - run.progress_h >= self.figures.idle_h {
            self.end(seen.at_h, &run, Ending::GivenUp);
            Stage::Idle
        } else {
            Stage::Running(run)
        }
    }

    /// Whether the recharge has settled, and the steps that were left.
    fn see(&self, run: &mut Run, seen: &Seen, passed_h: f64, turn: Option<Turn>) -> (bool, Vec<Step>) {
        let step_h = if passed_h > GAP_H {
            run.miss(passed_h);
            0.0
        } else {
            passed_h
        };
        let mut left = Vec::new();
        let settled = run.see((seen, step_h), turn, (&self.vessel, &self.figures), &mut left);
        (settled, left)
    }

    fn tell(&mut self, run: &Run, step: Step) {
        let outcome = run.outcomes(false, (&self.vessel, &self.figures))[step.slot()];
        self.events.push(Event::StepDone { step, outcome, measure: run.measure(step) });
    }

    fn end(&mut self, at_h: f64, run: &Run, ending: Ending) {
        let over = ending == Ending::Complete;
        let report = Report {
            begun_h: run.begun_h,
            ended_h: at_h,
            by_person: run.by_person,
            ending,
            outcomes: run.outcomes(over, (&self.vessel, &self.figures)),
        };
        self.refilled |= report.outcomes[Step::Drain.slot()] != Outcome::Open;
        self.state.last = Some(report);
        self.state.watch = over.then(Watch::default);
        self.events.push(Event::Over(report));
    }

    fn mark_ph(&self, baseline_ph: Option<f64>) -> f64 {
        let least = NO_FRESH_MIX_PH.min(self.figures.cleaner_ph);
        baseline_ph.map_or(self.figures.cleaner_ph, |ph| {
            (ph + self.figures.cleaner_rise).clamp(least, self.figures.cleaner_ph)
        })
    }

    /// Takes an hour of the fill, for the watch after a clean-out.
    pub fn hour(&mut self, hour: &Hour) {
        if self.suppresses() {
            return;
        }
        let Some((watch, last)) = self.state.watch.as_mut().zip(self.state.last.as_ref()) else { return };
        let found = watch.take(hour, last.ended_h);
        self.events.extend(found.map(Event::Regrowth));
    }

    /// Moves what happened since the last call into `into`.
    pub fn drain_events(&mut self, into: &mut Vec<Event>) {
        into.append(&mut self.events);
    }

    /// Whether the sump was filled anew since the last call, with a clean-out or by a dump and a refill.
    pub fn take_refilled(&mut self) -> bool {
        std::mem::take(&mut self.refilled)
    }

    /// Whether limits on this sump would be noise: a clean-out runs, or its recharge has not settled yet.
    pub fn suppresses(&self) -> bool {
        matches!(self.state.stage, Stage::Running(_))
    }

    /// Where it stands.
    pub fn standing(&self) -> Standing {
        match &self.state.stage {
            Stage::Idle => Standing::None,
            Stage::Suggested(_) => Standing::Suggested,
            Stage::Running(run) => Standing::Running {
                step: run.step,
                hours: match run.step {
                    Step::Clean => Some((run.hours_so_far(), self.figures.clean_h)),
                    Step::Rinse => Some((run.hours_so_far(), self.figures.rinse_h)),
                    _ => None,
                },
                begun_h: run.begun_h,
            },
        }
    }

    /// What was made so far of each step of the one under way, else of the last one.
    pub fn outcomes(&self) -> Option<[Outcome; 7]> {
        match &self.state.stage {
            Stage::Running(run) => Some(run.outcomes(false, (&self.vessel, &self.figures))),
            Stage::Idle | Stage::Suggested(_) => self.last().map(|last| last.outcomes),
        }
    }

    /// The last one that ended.
    pub fn last(&self) -> Option<&Report> {
        self.state.last.as_ref()
    }

    /// Until when regrowth is looked for harder, in the caller's hours.
    pub fn watches_until_h(&self) -> Option<f64> {
        self.watched().map(|(_, last)| regrowth::until_h(last))
    }

    /// Regrowth found since the last one, with the steps that were cut short.
    pub fn regrowth(&self) -> Option<(Found, Vec<(Step, Outcome)>)> {
        let (watch, last) = self.watched()?;
        Some((watch.found?, last.steps().filter(|(_, outcome)| outcome.is_short()).collect()))
    }

    /// The watch, and the clean-out after which it watches.
    fn watched(&self) -> Option<(&Watch, &Report)> {
        self.state.watch.as_ref().zip(self.state.last.as_ref())
    }

    /// What to do and how much of what for this tank.
    pub fn sheet(&self) -> Advice<Sheet> {
        sheet::sheet(&self.vessel, &self.figures)
    }
}
