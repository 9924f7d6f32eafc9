//! What people do to a sump: top up, draw off.

use super::{Belief, at};

/// How far the conductivity probe's own gain may have gone since it was last wiped, and how much of what the conductivity is off
/// by is the fill's (acid, tramp oil, rests of cleaner), of an old one and of a fresh one; logarithmic (common practice, no
/// source).
const PROBES_OWN: f64 = 0.03;
const OLD_FILLS: f64 = 0.08;
const FRESH_FILLS: f64 = 0.02;

/// How far what acid makes conduct may go another way than is read from the pH while that falls by one, as a part of the
/// concentrate's conductivity: buffers of pKa 7.8 and 9.7 differ by 0.1 to 0.2 from one of 9 (Henderson and Hasselbalch).
const ANOTHER_BUFFER: f64 = 0.2;

/// Less acid than this counts as this much.
const LEAST_SOURED: f64 = 0.05;

/// What is left of the chips in a sump that was cleaned out, as a part of what was there, and how well that is known; the
/// latter in litres as well.
const CHIPS_LEFT: (f64, f64) = (0.1, 0.15);
const CHIPS_LEFT_L: f64 = 0.5;

/// How strong a top-up may have been.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Mix {
    /// As people here usually mix it, with this spread, percent.
    Usual {
        /// Standard deviation around the usual strength.
        spread: f64,
    },
    /// About this.
    Around {
        /// Percent.
        percent: f64,
        /// Standard deviation.
        deviation: f64,
    },
}

/// The water of a top-up.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct TopUpWater {
    /// Hardness by its analysis, mg/L as CaCO3.
    pub hardness_mg_l: f64,
    /// Its minerals, in litres of the jar test's water a litre.
    pub waters: f64,
}

impl Belief {
    /// Somebody poured in `litres`, known within `deviation`.
    pub fn top_up(&mut self, litres: f64, deviation: f64, mix: Mix, water: &TopUpWater) {
        match mix {
            Mix::Usual { spread } => {
                self.transform(&[(at::LAST_MIX, &[(at::USUAL_MIX, 1.0)])]);
                self.mean[at::LAST_MIX] = self.mean[at::USUAL_MIX];
                self.widen(at::LAST_MIX, spread * spread);
            }
            Mix::Around { percent, deviation } => self.replace(at::LAST_MIX, percent, deviation),
        }
        let strength = self.mean[at::LAST_MIX] / 100.0;
        let hardness_g_l = water.hardness_mg_l / 1000.0 * libm::exp(self.mean[at::WATER]);
        let hardness_l = (1.0 - strength) * hardness_g_l;
        let minerals_l = (1.0 - strength) * water.waters;
        self.transform(&[
            (at::CONCENTRATE, &[(at::CONCENTRATE, 1.0), (at::LAST_MIX, litres / 100.0)]),
            (
                at::HARDNESS,
                &[
                    (at::HARDNESS, 1.0),
                    (at::LAST_MIX, -litres * hardness_g_l / 100.0),
                    (at::WATER, litres * hardness_l),
                ],
            ),
            (at::MINERALS, &[(at::MINERALS, 1.0), (at::LAST_MIX, -litres * water.waters / 100.0)]),
        ]);
        self.mean[at::LIQUID] += litres;
        self.mean[at::CONCENTRATE] += litres * strength;
        self.mean[at::HARDNESS] += litres * hardness_l;
        self.mean[at::MINERALS] += litres * minerals_l;
        self.shake(&[
            (at::LIQUID, deviation),
            (at::CONCENTRATE, deviation * strength),
            (at::HARDNESS, deviation * hardness_l),
            (at::MINERALS, deviation * minerals_l),
        ]);
    }

    /// A fresh fill is in: what the conductivity was off by has gone with the old one, as far as it was the fill's and not the
    /// probe's. `probe` is the probe's standard uncertainty when new, logarithmic.
    pub fn doubt_gain(&mut self, probe: f64) {
        let own = probe * probe + PROBES_OWN * PROBES_OWN;
        let fills = OLD_FILLS * OLD_FILLS;
        let kept = own / (own + fills);
        let variance = kept * kept * self.variance(at::GAIN) + kept * fills + FRESH_FILLS * FRESH_FILLS;
        self.replace(at::GAIN, kept * self.mean[at::GAIN], variance.sqrt());
    }

    /// The pH has fallen on to where `soured` of acid was made, `more` than ever before (both over what lowers it by one). How
    /// much that truly is depends on what buffers this coolant, which nobody knows.
    pub fn doubt_acid(&mut self, soured: f64, more: f64) {
        if more > 0.0 {
            let off = ANOTHER_BUFFER / soured.max(LEAST_SOURED);
            self.widen(at::ACID, off * off * more);
        }
    }

    /// The chips were taken out; what the tank holds is the same by its level, so there is more liquid than was believed.
    pub fn clear_chips(&mut self) {
        let before = self.mean[at::CHIPS];
        let left = CHIPS_LEFT.0 * before;
        let more = 1.0 + (before - left) / self.mean[at::LIQUID].max(1.0);
        for i in [at::LIQUID, at::CONCENTRATE, at::HARDNESS, at::MINERALS] {
            self.mean[i] *= more;
        }
        self.replace(at::CHIPS, left, CHIPS_LEFT.1 * before + CHIPS_LEFT_L);
    }

    /// So many litres more or less of the same may be there: nobody saw them come or go.
    pub fn unsettle(&mut self, litres: f64) {
        let share = |i: usize| litres * self.mean[i] / self.mean[at::LIQUID];
        let amounts = [at::CONCENTRATE, at::HARDNESS, at::MINERALS].map(|i| (i, share(i)));
        self.shake(&[(at::LIQUID, litres), amounts[0], amounts[1], amounts[2]]);
    }

    /// Coolant was taken out as it is: `litres`, known within `deviation`.
    pub fn draw_off(&mut self, litres: f64, deviation: f64) {
        let liquid = self.mean[at::LIQUID];
        let litres = litres.clamp(0.0, 0.995 * liquid);
        let amounts = [at::CONCENTRATE, at::HARDNESS, at::MINERALS];
        let shares = amounts.map(|i| self.mean[i] / liquid);
        let kept = 1.0 - litres / liquid;
        let rows: [[(usize, f64); 2]; 3] =
            std::array::from_fn(|k| [(amounts[k], kept), (at::LIQUID, shares[k] * litres / liquid)]);
        self.transform(&[(amounts[0], &rows[0]), (amounts[1], &rows[1]), (amounts[2], &rows[2])]);
        self.mean[at::LIQUID] -= litres;
        for i in amounts {
            self.mean[i] *= kept;
        }
        self.shake(&[
            (at::LIQUID, deviation),
            (amounts[0], deviation * shares[0]),
            (amounts[1], deviation * shares[1]),
            (amounts[2], deviation * shares[2]),
        ]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn belief() -> Belief {
        let mut mean = [0.0; at::COUNT];
        mean[at::LIQUID] = 240.0;
        mean[at::CONCENTRATE] = 14.4;
        mean[at::HARDNESS] = 60.0;
        mean[at::MINERALS] = 250.0;
        mean[at::CHIPS] = 10.0;
        mean[at::GAIN] = 0.2;
        let mut deviation = [0.0; at::COUNT];
        deviation[at::GAIN] = 0.01;
        Belief::independent(mean, deviation)
    }

    #[test]
    fn chips_that_were_taken_out_leave_content_strength_and_hardness_as_they_are() {
        let (before, mut after) = (belief(), belief());
        after.clear_chips();
        assert!((after.mean[at::CHIPS] - 1.0).abs() < 1e-9, "{}", after.mean[at::CHIPS]);
        assert!((after.content(0.0) - before.content(0.0)).abs() < 1e-9);
        assert!((after.concentration().0 - before.concentration().0).abs() < 1e-9);
        assert!((after.hardness().0 - before.hardness().0).abs() < 1e-9);
        assert!(after.deviation(at::CHIPS) > 1.0, "how much is left nobody has seen");
    }

    #[test]
    fn what_acid_conducts_is_doubted_only_while_the_ph_falls_on_and_most_at_first() {
        let doubt = |soured: f64, more: f64| {
            let mut after = belief();
            after.doubt_acid(soured, more);
            after.variance(at::ACID)
        };
        assert!(doubt(0.5, 0.0) == 0.0);
        assert!(doubt(0.1, 0.1) > doubt(1.0, 0.1) && doubt(1.0, 0.1) > 0.0);
    }

    #[test]
    fn a_fresh_fill_forgets_most_of_the_gain_and_is_less_sure_of_the_rest() {
        let mut after = belief();
        after.doubt_gain(0.02);
        assert!((0.0..0.05).contains(&after.mean[at::GAIN]), "{}", after.mean[at::GAIN]);
        assert!((0.03..0.06).contains(&after.deviation(at::GAIN)), "{}", after.deviation(at::GAIN));
    }
}
