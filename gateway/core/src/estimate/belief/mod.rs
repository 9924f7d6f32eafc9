//! What is believed of one sump: amounts, rates and the instruments' own errors, with all that ties them together.
//!
//! ```text
//! liquid V, concentrate Mc, hardness Mh, mineral content Ms   amounts in the whole circuit
//! chips X                                                     solids under the surface
//! hold-up R                                                   out in the machine while the pumps run
//! rates                                                       evaporation running and idle (and how it follows warmth), drag-out,
//!                                                             chip growth, leak, scum
//! the conductivity probe                                      gain that drifts, wobble that comes and goes, temperature error
//! the minerals                                                how much more they conduct than the model says; the water analysis
//! the people                                                  the strength they usually mix, and that of the last top-up
//! ```
//!
//! Whatever is wrong for long (fouling, a water analysis that is off, a model that bends elsewhere) is a number of its own
//! here. A filter that took it for white noise would grow sure of a wrong answer.
//!
//! [`start`] says what is believed before anything was seen, [`passing`] what time does, [`change`] what people do, and
//! [`seeing`] what an observation says. Time, detection and windows are the caller's.

mod change;
mod passing;
mod seeing;
mod start;

pub use change::{Mix, TopUpWater};
pub use passing::{Interval, Scum, scum_over_usual};
pub use seeing::SeenConductivity;
pub use start::{Expected, WARMTH};

use super::gaussian::Gaussian;

/// Places of the numbers in the state.
pub mod at {
    /// Liquid in tank, lines and machine, L.
    pub const LIQUID: usize = 0;
    /// Concentrate in it, L.
    pub const CONCENTRATE: usize = 1;
    /// Hardness in it, g as CaCO3.
    pub const HARDNESS: usize = 2;
    /// Minerals in it, in litres of the jar test's water.
    pub const MINERALS: usize = 3;
    /// Chip solids under the surface, L.
    pub const CHIPS: usize = 4;
    /// Liquid out of the tank while the pumps run, L.
    pub const HOLDUP: usize = 5;
    /// Logarithm of the evaporation while running, L/h.
    pub const EVAPORATION_RUNNING: usize = 6;
    /// Logarithm of the evaporation while idle, L/h.
    pub const EVAPORATION_IDLE: usize = 7;
    /// Logarithm of the drag-out while running, L/h.
    pub const DRAGOUT: usize = 8;
    /// Logarithm of the chip growth while running, L/h.
    pub const CHIP_GROWTH: usize = 9;
    /// Logarithm of the conductivity probe's gain.
    pub const GAIN: usize = 10;
    /// What the conductivity is off by for some hours, logarithmic.
    pub const WOBBLE: usize = 11;
    /// Error of the temperature compensation, per kelvin from 25 °C, logarithmic.
    pub const TEMPERATURE: usize = 12;
    /// How much more minerals conduct than the model says, logarithmic.
    pub const DEPARTURE: usize = 13;
    /// Strength people usually mix, percent.
    pub const USUAL_MIX: usize = 14;
    /// Strength of the last top-up, percent.
    pub const LAST_MIX: usize = 15;
    /// Coolant that leaves all the time, whether the pumps run or not, L/h.
    pub const LEAK: usize = 16;
    /// Logarithm of the part of the hardness that turns to scum, per hour, in a sump of 300 mg/L.
    pub const SCUM: usize = 17;
    /// Logarithm of the make-up water's hardness over its analysis.
    pub const WATER: usize = 18;
    /// How much steeper the conductivity follows dilution and thickening than the model says, as a part of it.
    pub const BEND: usize = 19;
    /// How much more the concentrate conducts, as a part of it, once the pH has fallen by one from where it was fresh: acid turns
    /// its free amine into ions.
    pub const ACID: usize = 20;
    /// Logarithm of the part of the concentrate that is used up, per hour.
    pub const DEPLETION: usize = 21;
    /// What a person's readings of the concentration are off by, as a part of it.
    pub const READER: usize = 22;
    /// How the gain of the conductivity probe changes in a day, logarithmic: it fouls.
    pub const FOULING: usize = 23;
    /// How strongly evaporation follows the liquid's warmth: the power to which what is expected of it is taken.
    pub const WARMTH: usize = 24;
    /// How many there are.
    pub const COUNT: usize = 25;
}

/// A belief over the state of one sump.
pub type Belief = Gaussian<{ at::COUNT }>;

/// An amount that cannot be less than nothing.
const LEAST: f64 = 1e-6;

impl Belief {
    /// Moves the means of amounts that cannot be negative back to zero, and with each what depends on it. Their spread
    /// stays: that the mean had to be moved says nothing about how well it is known.
    pub fn keep_possible(&mut self) {
        for i in [at::CHIPS, at::HOLDUP, at::LEAK, at::LAST_MIX, at::USUAL_MIX] {
            if self.mean[i] < 0.0 && self.cov[i][i] > 0.0 {
                let by = -self.mean[i] / self.cov[i][i];
                for j in 0..at::COUNT {
                    self.mean[j] += self.cov[i][j] * by;
                }
            }
        }
        for i in [at::LIQUID, at::CONCENTRATE, at::HARDNESS, at::MINERALS] {
            self.mean[i] = self.mean[i].max(if i == at::LIQUID { 0.5 } else { LEAST });
        }
    }

    /// Mean of a rate whose logarithm is believed in, L/h.
    pub fn rate(&self, i: usize) -> f64 {
        libm::exp(self.mean[i] + 0.5 * self.variance(i).min(1.0))
    }

    /// Concentration, percent: mean and standard deviation.
    pub fn concentration(&self) -> (f64, f64) {
        self.ratio(at::CONCENTRATE, 100.0)
    }

    /// Hardness, mg/L as CaCO3: mean and standard deviation.
    pub fn hardness(&self) -> (f64, f64) {
        self.ratio(at::HARDNESS, 1000.0)
    }

    fn ratio(&self, of: usize, scale: f64) -> (f64, f64) {
        let (amount, liquid) = (self.mean[of], self.mean[at::LIQUID]);
        let value = scale * amount / liquid;
        let (per_amount, per_liquid) = (scale / liquid, -value / liquid);
        let variance = per_amount * per_amount * self.variance(of)
            + 2.0 * per_amount * per_liquid * self.cov[of][at::LIQUID]
            + per_liquid * per_liquid * self.variance(at::LIQUID);
        (value, variance.max(0.0).sqrt())
    }
}
