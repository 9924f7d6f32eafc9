//! What people say: readings by hand, and what they poured.

use super::super::mixing::SAID_DEVIATION;
use super::super::plant::Plant;
use super::Tracker;
use crate::estimate::belief::at;

/// A manual reading this far off is doubted, in standard deviations.
const HAND_OFF: f64 = 2.5;

/// A note so long after a top-up of which nobody said anything is about that one, hours.
const WRITTEN_H: f64 = 1.0;

/// What a person says, as the belief takes it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(in crate::estimate::sump) enum Told {
    Concentration { percent: f64, deviation: f64 },
    Hardness { mg_l: f64, deviation: f64 },
    Chips { litres: f64, deviation: f64 },
    TopUpLitres(f64),
    TopUpPercent(f64),
}

/// What somebody said of a top-up, with its time.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct Said {
    pub(super) percent: Option<(f64, f64)>,
    pub(super) litres: Option<(f64, f64)>,
    /// End of the last top-up, if nobody said how much it was.
    pub(super) nothing_of_h: Option<f64>,
}

impl Tracker {
    /// A person's reading or action at the present instant.
    pub(in crate::estimate::sump) fn be_told(&mut self, plant: &Plant, told: Told) {
        match told {
            Told::TopUpLitres(litres) => {
                self.hear_of_litres(litres);
                return;
            }
            Told::TopUpPercent(percent) => {
                self.hear_of_mix(percent);
                return;
            }
            _ => {}
        }
        if self.branches.is_empty() {
            return;
        }
        if !self.steps.is_moving() {
            self.close_window(plant);
        }
        if let Told::Concentration { percent, deviation } = told {
            self.doubt_hand(percent, deviation);
        }
        for branch in &mut self.branches {
            let belief = &mut branch.belief;
            match told {
                Told::Concentration { percent, deviation } => {
                    belief.see_concentration(percent, deviation);
                }
                Told::Hardness { mg_l, deviation } => {
                    belief.see_hardness(mg_l, deviation);
                }
                Told::Chips { litres, deviation } => {
                    belief.see_number(at::CHIPS, litres, deviation);
                }
                Told::TopUpLitres(_) | Told::TopUpPercent(_) => {}
            }
        }
    }

    /// One reading that lies far off is a slip of the hand. A second one on the same side is not: then what was believed is
    /// wrong, and nobody knows since when.
    pub(super) fn doubt_hand(&mut self, percent: f64, deviation: f64) {
        let Some(belief) = self.heaviest() else { return };
        let innovation = belief.foresee_concentration(percent, deviation);
        let off = innovation.normalized();
        let side = if off.abs() > HAND_OFF { off.signum() } else { 0.0 };
        let again = side != 0.0 && side == self.hand_side;
        self.hand_side = side;
        if again {
            for branch in &mut self.branches {
                let belief = &mut branch.belief;
                let litres = innovation.residual / 100.0 * belief.mean[at::LIQUID];
                belief.widen(at::CONCENTRATE, litres * litres);
                belief.widen(at::GAIN, 0.02 * 0.02);
            }
        }
    }

    /// The litres of a top-up still to come. What is said of the one just over is no news: the level has shown it already,
    /// and better.
    fn hear_of_litres(&mut self, litres: f64) {
        let over = self.said.nothing_of_h.take().is_some_and(|at_h| self.now_h - at_h < WRITTEN_H);
        if !over || self.steps.is_moving() {
            self.said.litres = Some((self.now_h, litres));
        }
    }

    /// The strength of a top-up: of the one that waits to be stirred, or of one still to come.
    pub(super) fn hear_of_mix(&mut self, percent: f64) {
        if self.poured.is_some() {
            for branch in &mut self.branches {
                let off = (percent - branch.belief.mean[at::LAST_MIX]) / SAID_DEVIATION;
                let variance = branch.belief.variance(at::LAST_MIX) / (SAID_DEVIATION * SAID_DEVIATION) + 1.0;
                branch.weight *= 0.02 + libm::exp(-0.5 * off * off / variance) / variance.sqrt();
                branch.belief.see_number(at::LAST_MIX, percent, SAID_DEVIATION);
            }
            let total: f64 = self.branches.iter().map(|b| b.weight).sum();
            self.branches.iter_mut().for_each(|b| b.weight /= total);
        } else {
            self.said.percent = Some((self.now_h, percent));
        }
    }
}
