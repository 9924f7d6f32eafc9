//! Whether the pumps run: by their contact, or by what the level does where there is none.

use super::super::plant::Plant;
use super::super::steps::Step;
use super::{FILL_H, GAP_H, RUN_BACK_H, Tracker};
use crate::estimate::belief::at;

/// Where no contact tells: content lower than it would be with idle pumps by more than this part of the hold-up means that
/// they run, by less than that part that they stand; in between they have just turned.
const TURNED: (f64, f64) = (0.65, 0.35);

/// How long after the pumps seem to have stopped a step may have to do with it, hours.
const JUST_TURNED_H: f64 = 0.5;

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

    /// Where no contact tells whether the pumps run, the content does: it lies lower by the hold-up while they do.
    pub(super) fn guess_pumps(&mut self, plant: &Plant, content_l: f64) {
        let Some(belief) = self.heaviest() else { return };
        let holdup = belief.mean[at::HOLDUP];
        if holdup < 2.0 * plant.step_l() {
            self.pump.running = Some(false);
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
            self.pump.running = Some(running);
            self.pump.turned_h = self.now_h;
        }
    }

    /// Where no contact tells: a top-up into a running sump looks like pumps that stopped, and less than the hold-up came
    /// back. Nobody draws off at that moment, so it is read as the top-up it is.
    pub(super) fn read_again(&mut self, plant: &Plant, step: Step) -> Step {
        let Some(holdup) = self.heaviest().map(|belief| belief.mean[at::HOLDUP]) else { return step };
        let stopped = self.pump.running == Some(false) && self.pump.turned_h > step.from_h - JUST_TURNED_H;
        let poured = holdup + step.litres;
        if step.litres > 0.0 || step.lowest.is_some() || !stopped || poured < plant.step_l() {
            return step;
        }
        self.pump.running = Some(true);
        self.steps.shift(holdup, true);
        Step { litres: poured, from_h: self.pump.turned_h, to_h: self.pump.turned_h, ..step }
    }
}
