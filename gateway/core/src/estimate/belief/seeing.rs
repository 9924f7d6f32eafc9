//! What an observation says about a sump.

use super::super::coolant::{Brew, Coolant};
use super::super::gaussian::{Innovation, Line};
use super::{Belief, at};

/// A conductivity as the probe shows it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SeenConductivity {
    /// Logarithm of the conductivity at 25 °C, uS/cm.
    pub log_us_cm: f64,
    /// Temperature over 25 °C at which it was measured, K.
    pub warmer_k: f64,
    /// Acid made since the fill was fresh (or first seen), over what lowers the pH by one from there.
    pub soured: f64,
    /// Standard deviation of this reading alone, logarithmic.
    pub deviation: f64,
}

/// Step of the acid's part over which the slope is taken.
const ACID_STEP: f64 = 0.05;

/// How often a line is drawn again.
const ROUNDS: usize = 4;

impl Belief {
    /// Content of the tank by its level, L; `running` is the part of the hold-up that is out.
    pub fn see_content(&mut self, content_l: f64, running: f64, deviation_l: f64) -> Innovation {
        let expected = self.content(running);
        let slopes = [(at::LIQUID, 1.0), (at::CHIPS, 1.0), (at::HOLDUP, -running)];
        let innovation = self.observe(expected, content_l, &slopes, deviation_l * deviation_l);
        self.keep_possible();
        innovation
    }

    /// What the tank should hold by its level, L.
    pub fn content(&self, running: f64) -> f64 {
        self.mean[at::LIQUID] + self.mean[at::CHIPS] - running * self.mean[at::HOLDUP]
    }

    /// Takes a conductivity.
    pub fn see_conductivity(&mut self, coolant: &Coolant, seen: &SeenConductivity) -> Innovation {
        let line = self.conductivity_line(coolant, seen);
        let innovation = self.observe_line(&line, seen.log_us_cm, seen.deviation * seen.deviation);
        self.keep_possible();
        innovation
    }

    /// Takes a conductivity that tells far more than was known before. A line over all that was possible is a poor one where it
    /// led to, and the next conductivity would move the sump along with the error: so it is drawn again from there, for the
    /// belief as it was (iterated posterior linearization; García-Fernández, Svensson, Morelande, Särkkä 2015, from memory).
    pub fn find_by_conductivity(&mut self, coolant: &Coolant, seen: &SeenConductivity) {
        let before = self.clone();
        for _ in 0..ROUNDS {
            let line = self.conductivity_line(coolant, seen).about(self, &before);
            *self = before.clone();
            self.observe_line(&line, seen.log_us_cm, seen.deviation * seen.deviation);
            self.keep_possible();
        }
    }

    /// Logarithm of the conductivity as a line over everything it depends on.
    pub fn conductivity_line(&self, coolant: &Coolant, seen: &SeenConductivity) -> Line<9> {
        let over = [at::LIQUID, at::CONCENTRATE, at::MINERALS, at::DEPARTURE];
        let conducts = |[liquid, concentrate, minerals, departure]: [f64; 4], acid: f64| {
            let liquid = liquid.max(1.0);
            let brew = Brew { percent: 100.0 * concentrate / liquid, waters: minerals / liquid, departure };
            libm::log(coolant.soured_us_cm(&brew, acid * seen.soured))
        };
        let acid = self.mean[at::ACID];
        let line = self.linearize(over, |numbers| conducts(numbers, acid));
        let by_acid = if seen.soured > 0.0 {
            let here = over.map(|i| self.mean[i]);
            (conducts(here, acid + ACID_STEP) - conducts(here, acid)) / ACID_STEP
        } else {
            0.0
        };
        // How steep the curve is multiplies all of it.
        let steeper = 1.0 + self.mean[at::BEND];
        let off_middle = line.value - coolant.middle();
        let [a, b, c, d] = line.slopes.map(|(i, slope)| (i, steeper * slope));
        Line {
            value: line.value
                + self.mean[at::BEND] * off_middle
                + self.mean[at::GAIN]
                + self.mean[at::WOBBLE]
                + seen.warmer_k * self.mean[at::TEMPERATURE],
            slopes: [
                a,
                b,
                c,
                d,
                (at::BEND, off_middle),
                (at::GAIN, 1.0),
                (at::WOBBLE, 1.0),
                (at::TEMPERATURE, seen.warmer_k),
                (at::ACID, steeper * by_acid),
            ],
            spread: steeper * steeper * line.spread,
        }
    }

    /// Takes a concentration that somebody determined, percent.
    pub fn see_concentration(&mut self, percent: f64, deviation: f64) -> Innovation {
        let line = self.concentration_line();
        self.see_by_hand(&line, percent, deviation)
    }

    /// How surprising a concentration that somebody determined would be.
    pub fn foresee_concentration(&self, percent: f64, deviation: f64) -> Innovation {
        self.foresee(&self.concentration_line(), percent, deviation * deviation)
    }

    fn concentration_line(&self) -> Line<3> {
        self.linearize([at::CONCENTRATE, at::LIQUID, at::READER], |[amount, liquid, off]| {
            100.0 * amount / liquid.max(1.0) * (1.0 + off)
        })
    }

    /// Takes a hardness that somebody determined, mg/L.
    pub fn see_hardness(&mut self, mg_l: f64, deviation: f64) -> Innovation {
        let line =
            self.linearize([at::HARDNESS, at::LIQUID], |[amount, liquid]| 1000.0 * amount / liquid.max(1.0));
        self.see_by_hand(&line, mg_l, deviation)
    }

    /// Takes a number of the state itself.
    pub fn see_number(&mut self, i: usize, value: f64, deviation: f64) -> Innovation {
        let innovation = self.observe(self.mean[i], value, &[(i, 1.0)], deviation * deviation);
        self.keep_possible();
        innovation
    }

    fn see_by_hand<const M: usize>(&mut self, line: &Line<M>, value: f64, deviation: f64) -> Innovation {
        // A reading far off is a slip of the hand more often than the truth: its weight falls with its distance.
        let expected = self.foresee(line, value, deviation * deviation).normalized().abs();
        let slip = (expected / SLIP).max(1.0);
        let innovation = self.observe_line(line, value, deviation * deviation * slip * slip);
        self.keep_possible();
        innovation
    }
}

/// Standard deviations beyond which a manual reading loses weight.
const SLIP: f64 = 2.5;
