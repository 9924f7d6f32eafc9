//! Whether the pumps run: by their contact, or by what the level does where there is none.

use super::super::mixing::Branch;
use super::super::plant::Plant;
use super::super::steps::Step;
use super::memory::{Turn, WithStop};
use super::{FILL_H, GAP_H, RUN_BACK_H, Tracker};
use crate::estimate::belief::at;

/// Where no contact tells: content lower than it would be with idle pumps by more than this part of the hold-up means that
/// they run, by less than that part that they stand; in between they have just turned.
const TURNED: (f64, f64) = (0.65, 0.35);

/// How long after the pumps seem to have stopped a step may have to do with it, hours.
const JUST_TURNED_H: f64 = 0.5;

/// A hold-up that was believed wrong shows with the next start, after a long weekend at the latest, hours; and by as much as
/// with the stop before, within this part.
const NEXT_START_H: f64 = 96.0;
const ALIKE_PART: f64 = 0.2;

/// Pumps pause no longer than this, hours; and what is drawn off then is what came, within this part.
const PAUSE_H: f64 = 1.0;
const PAUSE_PART: f64 = 0.15;

/// How long after the pumps seem to have stopped waves and conductivity may tell that they have not, hours: as long as a top-up
/// takes to be stirred.
const DOUBTED_H: f64 = 75.0 / 60.0;

/// Over how long the level is compared before and after a top-up into running pumps, hours.
const LEVELS_H: f64 = 12.0 / 60.0;

/// How long the last of what runs back, or of what is poured, may ripple, hours; and over how long it is looked at whether the
/// level trembles.
const RIPPLES_H: f64 = 3.0 / 60.0;
const TREMBLES_H: f64 = 20.0 / 60.0;

/// Over how long it is compared with what it was before, hours, and how many readings that takes.
const COMPARED_H: f64 = 10.0 / 60.0;
const COMPARED_LEAST: usize = 3;

/// Over how long what was before is looked at, hours.
const BEFORE_H: f64 = 50.0 / 60.0;

/// A conductivity that has fallen by this part of what as much plain water would do, and by so much at the least, was
/// diluted. What runs back from the lines is the same coolant.
const DILUTED: f64 = 0.1;
const DILUTED_LEAST: f64 = 0.006;

impl Tracker {
    /// What the contact says. That it says nothing for a while (a reading that came late, a message that was lost) does not
    /// mean that the pumps have turned.
    pub(super) fn hear_pump(&mut self, said: Option<Option<bool>>) {
        match said {
            Some(Some(running)) => {
                if self.pump.running != Some(running) {
                    self.pump.turned_h = self.now_h;
                }
                self.pump.running = Some(running);
                self.pump.lost_h = None;
            }
            Some(None) => {
                self.pump.lost_h.get_or_insert(self.now_h);
            }
            None => {}
        }
        let gap_h = self.gap_h();
        if self.pump.running.is_some() && self.pump.lost_h.is_some_and(|at_h| self.now_h - at_h > gap_h) {
            self.pump.running = None;
            self.pump.turned_h = self.now_h;
        }
    }

    /// Whether the pumps run, once lines and machine are full or empty; `None` in between.
    pub(super) fn settled(&self, plant: &Plant) -> Option<bool> {
        let since = self.now_h - self.pump.turned_h;
        match self.pump.running {
            Some(true) => (since >= FILL_H).then_some(true),
            Some(false) => (since >= RUN_BACK_H).then_some(false),
            // Where no contact is wired the level is all there is; where it has fallen silent the level waits for it.
            None => (!plant.pump_known || since > GAP_H).then_some(false),
        }
    }

    /// What seems to be poured in just after every stop and drawn off just after every start (or the other way round) is a
    /// hold-up that is believed wrong: it was learned, say, on a day when somebody topped up while the lines were filling.
    /// True if the step is that; the hold-up is mended then.
    pub(super) fn is_the_holdup(&mut self, plant: &Plant, step: &Step) -> bool {
        let turned_ago_h = step.from_h - self.pump.turned_h;
        let with_turn = (0.0..RUN_BACK_H + FILL_H + 2.0 * self.spacing_h).contains(&turned_ago_h);
        if !with_turn || step.lowest.is_some() {
            return false;
        }
        if self.pump.running != Some(true) {
            self.with_stop = Some(WithStop { at_h: step.from_h, more_l: step.litres });
            self.changed = true;
            return false;
        }
        let more_l = -step.litres;
        let alike = |stop: &WithStop| {
            step.from_h - stop.at_h < NEXT_START_H
                && (stop.more_l - more_l).abs() < plant.step_l().max(ALIKE_PART * more_l.abs())
        };
        let Some(stop) = self.with_stop.take().filter(alike) else { return false };
        let by = 0.5 * (stop.more_l + more_l);
        // What came and went with the stop is taken back by the start: only the hold-up was wrong.
        for Branch { belief, .. } in &mut self.branches {
            let holdup = (belief.mean[at::HOLDUP] + by).max(0.0);
            belief.replace(at::HOLDUP, holdup, plant.step_l());
        }
        // What was read until now had the wrong hold-up put back.
        self.steps.forget();
        true
    }

    /// Where no contact tells whether the pumps run, the content does: it lies lower by the hold-up while they do.
    pub(super) fn guess_pumps(&mut self, plant: &Plant, content_l: f64) {
        let Some(belief) = self.heaviest() else { return };
        let holdup = belief.mean[at::HOLDUP];
        if holdup < 2.0 * plant.step_l() {
            // It tells nothing: they run as much as elsewhere.
            self.pump.running = None;
            return;
        }
        let idle = belief.content(0.0) - (self.put_back - self.believed_put_back);
        let out = (idle - content_l) / holdup;
        let running = match self.pump.running {
            _ if out > TURNED.0 => true,
            _ if out < TURNED.1 => false,
            before => before.unwrap_or(false),
        };
        if self.pump.running != Some(running) {
            let stopped = !running && self.pump.running == Some(true);
            self.turn = if stopped { self.turn_now() } else { None };
            self.pump.running = Some(running);
            self.pump.turned_h = self.now_h;
        }
    }

    /// Over how long something is compared with what it was before, hours: longer where readings are seldom.
    fn compared_h(&self) -> f64 {
        COMPARED_H.max((COMPARED_LEAST as f64 + 0.5) * self.spacing_h)
    }

    /// The pumps seem to have stopped; none where there is nothing to compare with.
    fn turn_now(&self) -> Option<Turn> {
        let to_h = self.now_h - self.compared_h();
        let before = self.lately.middle_of(to_h - BEFORE_H, to_h, COMPARED_LEAST)?;
        let standing_l = self.steps.standing()?;
        Some(Turn { at_h: self.now_h, turned_h: self.pump.turned_h, standing_l, before: before.value })
    }

    /// Whether the pumps run on though they seemed to have stopped: the level trembles as it does while they run or, where that
    /// tells nothing, the conductivity says so.
    fn runs_on(&self, turn: &Turn) -> bool {
        let since_h = (turn.at_h + RIPPLES_H).max(self.now_h - TREMBLES_H);
        if self.waves.are_known(TREMBLES_H / self.spacing_h.max(1e-3)) {
            self.waves.tell(since_h) == Some(true)
        } else {
            self.is_diluted(turn)
        }
    }

    /// Whether the conductivity has fallen since the pumps seemed to have stopped, as it does where something was poured into
    /// a running sump: what runs back is the same coolant, and what is poured into a standing one is not stirred for hours.
    fn is_diluted(&self, turn: &Turn) -> bool {
        self.heaviest().is_some_and(|b| self.has_fallen(turn.before, self.now_h, b.mean[at::HOLDUP]))
    }

    /// Whether the conductivity lies so much below what it was as it may if so many litres were poured in.
    fn has_fallen(&self, before: f64, now_h: f64, litres: f64) -> bool {
        let now = self.lately.middle_of(now_h - self.compared_h(), now_h + 1e-9, COMPARED_LEAST);
        let Some((now, belief)) = now.zip(self.heaviest()) else { return false };
        before - now.value > DILUTED_LEAST.max(DILUTED * litres / belief.mean[at::LIQUID].max(1.0))
    }

    /// Where no contact tells: pumps that pause for less than all takes to run back look like a top-up, and when they start
    /// again like something drawn off. Nobody draws off just after pouring in: what goes with this step was never poured.
    /// False if the step is no such start.
    pub(super) fn starts_after_a_pause(&mut self, plant: &Plant, step: &Step) -> bool {
        let Some((poured, before)) = self.poured.zip(self.unpoured.take()) else { return false };
        let Some(belief) = self.heaviest() else { return false };
        let (litres, gone) = (poured.step.litres, -step.litres);
        let out_at_most = belief.mean[at::HOLDUP] + 3.0 * belief.deviation(at::HOLDUP) + plant.step_l();
        let may_start = (plant.step_l()..out_at_most).contains(&gone)
            && step.lowest.is_none()
            && step.from_h - poured.step.to_h < PAUSE_H;
        let rest = litres - gone;
        let nothing = rest.abs() < plant.step_l().max(PAUSE_PART * litres);
        let earlier = self.lately.middle_of(poured.step.from_h - 1.0, poured.step.from_h, COMPARED_LEAST);
        let stirred = earlier.is_some_and(|earlier| self.has_fallen(earlier.value, step.from_h, litres));
        if poured.is_fill || !may_start || rest < 0.0 && !nothing || nothing && stirred {
            return false;
        }
        self.poured = None;
        self.branches = before.branches;
        let past = self.flows.interval(self.believed_h - before.at_h, 0.0);
        self.branches.iter_mut().for_each(|branch| branch.belief.pass(&past));
        if !nothing {
            self.top_up(plant, Step { litres: rest, ..poured.step });
        }
        true
    }

    /// Where no contact tells: the top-up that looked like pumps that stop, once waves or conductivity have told.
    pub(super) fn doubt_turn(&mut self, plant: &Plant) -> Option<Step> {
        let turn = self.turn?;
        let since_h = self.now_h - turn.at_h;
        if since_h > DOUBTED_H {
            self.turn = None;
            return None;
        }
        if self.steps.is_moving() || since_h < RUN_BACK_H + self.compared_h() || !self.runs_on(&turn) {
            return None;
        }
        let holdup = self.heaviest()?.mean[at::HOLDUP];
        let litres = self.poured_since(plant, &turn, holdup)?;
        self.run_on(&turn, holdup);
        (litres > 0.0).then_some(Step { from_h: turn.at_h, to_h: turn.at_h, litres, lowest: None })
    }

    /// What stands now more than before the pumps seemed to have stopped, if they run: they may have paused meanwhile.
    fn poured_since(&self, plant: &Plant, turn: &Turn, holdup: f64) -> Option<f64> {
        if let Some(litres) = self.risen_since(plant, turn.at_h) {
            return Some(litres);
        }
        let now_l = self.steps.standing_since(turn.at_h.max(self.now_h - self.compared_h()))?;
        Some(now_l + holdup - turn.standing_l)
    }

    /// How much more (or, below zero, less) the tank holds than before a moment, if the pumps run: they may have paused before it
    /// and since, so that what the level does not fall below is compared. None where readings are too seldom for that.
    fn risen_since(&self, plant: &Plant, at_h: f64) -> Option<f64> {
        let before = self.waves.low(at_h - LEVELS_H - RIPPLES_H, at_h - RIPPLES_H)?;
        let now = self.waves.low((at_h + RIPPLES_H).max(self.now_h - LEVELS_H), f64::INFINITY)?;
        let belief = self.heaviest()?;
        let by_belief = now - (belief.content(1.0) + self.believed_put_back);
        let by_level = now - before;
        // Where they stood before, what was there then is not comparable; what is believed has to do.
        Some(if (by_level - by_belief).abs() < 2.0 * plant.step_l() { by_level } else { by_belief })
    }

    /// Where no contact tells: a step while the pumps run, if it is more than pauses of theirs one after the other.
    fn more_than_pauses(&self, plant: &Plant, step: Step) -> Option<Step> {
        if self.pump.running != Some(true) || step.lowest.is_some() {
            return Some(step);
        }
        let Some(litres) = self.risen_since(plant, step.from_h) else { return Some(step) };
        let part = litres / step.litres;
        (part > 0.5 && litres.abs() > plant.step_l()).then_some(Step { litres, ..step })
    }

    /// The pumps had not stopped.
    fn run_on(&mut self, turn: &Turn, holdup: f64) {
        self.turn = None;
        self.pump.running = Some(true);
        self.pump.turned_h = turn.turned_h;
        self.steps.run_on(turn.at_h, holdup);
    }

    /// Where no contact tells: what a step has been that came just after the pumps seemed to have stopped; none if it is only
    /// that less than the hold-up has come back.
    pub(super) fn read_again(&mut self, plant: &Plant, step: Step) -> Option<Step> {
        let stopped = self.pump.running == Some(false) && self.pump.turned_h > step.from_h - JUST_TURNED_H;
        let holdup = self.heaviest().map(|belief| belief.mean[at::HOLDUP]);
        let Some(holdup) = holdup.filter(|_| stopped && step.lowest.is_none()) else {
            return self.more_than_pauses(plant, step);
        };
        let poured = holdup + step.litres;
        let Some(turn) = self.turn else { return Some(self.guess_again(plant, step, holdup)) };
        if poured >= plant.step_l() && self.runs_on(&turn) {
            let litres = self.poured_since(plant, &turn, holdup).filter(|l| *l > 0.0).unwrap_or(poured);
            self.run_on(&turn, holdup);
            return Some(Step { litres, from_h: turn.at_h, to_h: turn.at_h, ..step });
        }
        if step.litres > 0.0 {
            self.turn = None;
            return self.more_than_run_back(plant, step);
        }
        (poured < plant.step_l()).then_some(step)
    }

    /// Where no contact tells: what was poured into pumps that have just stopped, if there is more now than was believed. That
    /// there is more than stood before may only mean that what was before were pauses.
    fn more_than_run_back(&self, plant: &Plant, step: Step) -> Option<Step> {
        let now = self.waves.standing(self.now_h - COMPARED_H);
        let Some((now, belief)) = now.zip(self.heaviest()) else { return Some(step) };
        let litres = now - (belief.content(0.0) + self.believed_put_back);
        (litres > plant.step_l().max(0.5 * step.litres)).then_some(step)
    }

    /// Without a conductivity: nobody draws off just when the pumps stop, so less than the hold-up is read as the top-up it
    /// must have been.
    fn guess_again(&mut self, plant: &Plant, step: Step, holdup: f64) -> Step {
        let poured = holdup + step.litres;
        if step.litres > 0.0 || poured < plant.step_l() {
            return step;
        }
        self.pump.running = Some(true);
        self.steps.run_on(f64::NEG_INFINITY, holdup);
        Step { litres: poured, from_h: self.pump.turned_h, to_h: self.pump.turned_h, ..step }
    }
}
