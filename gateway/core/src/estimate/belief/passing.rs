//! What time does to a sump: water leaves, coolant leaves, chips gather, probes drift.

use super::{Belief, LEAST, at};

/// A stretch of time.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Interval {
    /// Hours in which the pumps ran.
    pub running_h: f64,
    /// Hours in which they stood.
    pub idle_h: f64,
    /// Evaporation over the usual that this temperature would bring by itself.
    pub drying: f64,
    /// Minerals that go with a gram of hardness that turns to scum, in litres of the jar test's water.
    pub minerals_l_g: f64,
    /// Nobody knows in which of them: of the pumps nothing was ever heard.
    pub unheard: bool,
}

/// How far things wander in a day, one standard deviation (common practice and the behaviour of probes in coolant, no
/// source): logarithms, but for the mixes (percent) and the chips (L).
mod wander {
    pub(super) const EVAPORATION: f64 = 0.10;
    pub(super) const DRAGOUT: f64 = 0.08;
    pub(super) const CHIP_GROWTH: f64 = 0.03;
    pub(super) const GAIN: f64 = 0.002;
    pub(super) const FOULING: f64 = 0.000_1;
    pub(super) const TEMPERATURE: f64 = 0.000_05;
    pub(super) const DEPARTURE: f64 = 0.004;
    pub(super) const USUAL_MIX: f64 = 0.06;
    pub(super) const SCUM: f64 = 0.05;
    pub(super) const WATER: f64 = 0.003;
    pub(super) const HARDNESS: f64 = 0.002;
    pub(super) const MINERALS: f64 = 0.001;
    pub(super) const CONCENTRATE: f64 = 0.002;
    pub(super) const CHIPS: f64 = 0.1;
    pub(super) const LEAK: f64 = 0.001;
    /// Of the concentrate's part. A probe of pH that drifts is no acid: it must not be learned from for ever.
    pub(super) const ACID: f64 = 0.03;
    pub(super) const WARMTH: f64 = 0.01;
}

/// Few sumps leak, and none loses less than nothing: what is believed of a leak without being beyond doubt (in standard deviations)
/// fades in so many hours, or chance would make every sump leak a little.
const LEAK_BEYOND_DOUBT: f64 = 2.0;
const LEAK_FADES_H: f64 = 120.0;

/// How much evaporation and drag-out of one hour differ from their mean, as a part of it.
const HOUR_TO_HOUR: [f64; 2] = [0.25, 0.4];

/// How far the losses of a sump wander in an hour where nobody hears of the pumps, logarithmic, and how far in all (common practice,
/// no source: two shifts and a factor of four).
const ROVES: f64 = 0.4;
const ROVES_AT_MOST: f64 = 0.7;

/// How long the conductivity is off on the same side, hours, and by how much, logarithmic (what bacteria make, tramp oil,
/// temperature gradients, foam in the cell; common practice, no source). From one hour to the next it hardly moves, so
/// the step of a top-up stands out of it; a trend over days does not.
const WOBBLE_H: f64 = 60.0;
pub(super) const WOBBLE: f64 = 0.009;

/// Hardness, mg/L as CaCO3, at which a believed rate of scum holds, and up to which there is none. Scum is soap that meets
/// calcium: water of less than 70 to 180 mg/L foams because nothing binds its soap, over 360 it forms soap and deposits (DGUV on
/// make-up water, 10 to 20 °dH; a shop study, 70 mg/L). In between the part of it that goes is taken to grow evenly.
const SCUM_AT_MG_L: f64 = 300.0;
const SCUM_FROM_MG_L: f64 = 100.0;

/// Part of the hardness that turns to scum in so hard a sump, over that at [`SCUM_AT_MG_L`].
pub fn scum_over_usual(hardness_mg_l: f64) -> f64 {
    ((hardness_mg_l - SCUM_FROM_MG_L) / (SCUM_AT_MG_L - SCUM_FROM_MG_L)).max(0.0)
}

/// What turns to scum in an hour, as parts of the hardness there is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Scum {
    /// As hard as the sump is now.
    pub part: f64,
    /// How much more of it goes in a sump that is harder, for each part by which it is.
    pub more: f64,
}

/// However cold it is, some of the usual evaporates.
const DRYING_LEAST: f64 = 0.01;

/// At most this part of what is in it is used up in an hour.
const USED_MAX: f64 = 0.01;

/// At most this part of the liquid leaves in one interval: rates that say more are not believed, and how much is there is
/// anybody's guess then.
const LOSS_MAX: f64 = 0.35;

impl Belief {
    /// What turns to scum in an hour.
    pub fn scum_an_hour(&self) -> Scum {
        let hardness_mg_l = 1000.0 * self.mean[at::HARDNESS] / self.mean[at::LIQUID];
        let over_usual = scum_over_usual(hardness_mg_l);
        let part = (self.rate(at::SCUM) * over_usual).min(USED_MAX);
        // Nothing under the least, evenly more over it.
        let more =
            if over_usual > 0.0 { part * hardness_mg_l / (hardness_mg_l - SCUM_FROM_MG_L) } else { 0.0 };
        Scum { part, more: more.min(USED_MAX) }
    }

    /// Lets time pass.
    pub fn pass(&mut self, interval: &Interval) {
        let hours = interval.running_h + interval.idle_h;
        if hours <= 0.0 {
            return;
        }
        let liquid = self.mean[at::LIQUID];
        let warmth = libm::log(interval.drying.max(DRYING_LEAST));
        let dries = self.dries(interval.drying);
        let running = self.rate(at::EVAPORATION_RUNNING) * dries * interval.running_h;
        let idle = self.rate(at::EVAPORATION_IDLE) * dries * interval.idle_h;
        let dragged = self.rate(at::DRAGOUT) * interval.running_h;
        let leaked = self.mean[at::LEAK].max(0.0) * hours;
        let grown = self.chip_growth() * interval.running_h;
        let scale = (LOSS_MAX * liquid / (running + idle + dragged + leaked).max(1e-9)).min(1.0);
        let [running, idle, dragged, leaked] = [running, idle, dragged, leaked].map(|litres| litres * scale);

        let kept = 1.0 - (dragged + leaked) / liquid;
        let depleted = libm::exp(self.mean[at::DEPLETION]).min(USED_MAX) * hours;
        let Scum { part, more } = self.scum_an_hour();
        let (scum, harder) = (part * hours, more * hours);
        let (used_l, scum_g) = (self.mean[at::CONCENTRATE] * depleted, self.mean[at::HARDNESS] * scum);
        let thicker_g = self.mean[at::HARDNESS] * harder;
        let of_a_gram = interval.minerals_l_g;
        // What is used up of each; by which rate; of what more uses up more, and how much; and how much more in less liquid. A harder
        // sump loses a greater part of it, and what turns to scum conducts no longer.
        let amounts = [
            (at::CONCENTRATE, used_l, at::DEPLETION, (at::CONCENTRATE, depleted), 0.0),
            (at::HARDNESS, scum_g, at::SCUM, (at::HARDNESS, scum + harder), thicker_g),
            (
                at::MINERALS,
                of_a_gram * scum_g,
                at::SCUM,
                (at::HARDNESS, of_a_gram * (scum + harder)),
                of_a_gram * thicker_g,
            ),
        ];
        let mut rows = [[(at::LIQUID, 0.0); 6]; 3];
        for (row, (i, used, by, (of, more), thicker)) in rows.iter_mut().zip(amounts) {
            let share = self.mean[i] / liquid;
            *row = [
                (i, kept),
                (of, -more),
                (at::LIQUID, (share * (dragged + leaked) + thicker) / liquid),
                (at::DRAGOUT, -share * dragged),
                (at::LEAK, -share * hours * scale),
                (by, -used),
            ];
        }
        let fades = libm::exp(-hours / WOBBLE_H);
        let doubted = self.mean[at::LEAK] < LEAK_BEYOND_DOUBT * self.deviation(at::LEAK);
        let leaks_on = if doubted { libm::exp(-hours / LEAK_FADES_H) } else { 1.0 };
        let shares: [f64; 3] = std::array::from_fn(|k| self.mean[amounts[k].0] / liquid);
        self.transform(&[
            (
                at::LIQUID,
                &[
                    (at::LIQUID, 1.0),
                    (at::EVAPORATION_RUNNING, -running),
                    (at::EVAPORATION_IDLE, -idle),
                    (at::WARMTH, -(running + idle) * warmth),
                    (at::DRAGOUT, -dragged),
                    (at::LEAK, -hours * scale),
                ],
            ),
            (at::CONCENTRATE, &rows[0]),
            (at::HARDNESS, &rows[1]),
            (at::MINERALS, &rows[2]),
            (at::CHIPS, &[(at::CHIPS, 1.0), (at::CHIP_GROWTH, grown)]),
            (at::WOBBLE, &[(at::WOBBLE, fades)]),
            (at::LEAK, &[(at::LEAK, leaks_on)]),
            (at::GAIN, &[(at::GAIN, 1.0), (at::FOULING, hours / 24.0)]),
        ]);
        self.mean[at::LIQUID] = liquid - running - idle - dragged - leaked;
        for (i, used, ..) in amounts {
            self.mean[i] = (self.mean[i] * kept - used).max(LEAST);
        }
        self.mean[at::CHIPS] += grown;
        self.mean[at::WOBBLE] *= fades;
        self.mean[at::LEAK] *= leaks_on;
        self.mean[at::GAIN] += self.mean[at::FOULING] * hours / 24.0;

        if scale < 1.0 {
            self.unsettle(LOSS_MAX * liquid);
        }
        self.wander(interval, fades);
        if interval.unheard {
            self.rove(hours);
        }
        // What one hour evaporates and carries off differs from the mean: the first takes water, the second coolant.
        let blocks = hours.max(1.0).sqrt();
        let off = HOUR_TO_HOUR[0] * (running + idle) / blocks;
        self.shake(&[(at::LIQUID, off)]);
        let off = HOUR_TO_HOUR[1] * dragged / blocks;
        self.shake(&[
            (at::LIQUID, off),
            (at::CONCENTRATE, off * shares[0]),
            (at::HARDNESS, off * shares[1]),
            (at::MINERALS, off * shares[2]),
        ]);
    }

    /// Where nobody knows whether the pumps run: in a shift several times as much is lost as at night, and what evaporates and what is
    /// carried off rise and fall together.
    fn rove(&mut self, hours: f64) {
        let room = ROVES_AT_MOST * ROVES_AT_MOST - self.variance(at::EVAPORATION_RUNNING);
        let by = (ROVES * ROVES * hours).min(room).max(0.0).sqrt();
        self.shake(&[(at::EVAPORATION_RUNNING, by), (at::EVAPORATION_IDLE, by), (at::DRAGOUT, by)]);
    }

    /// Evaporation over the usual, where the liquid's temperature alone would make it this much.
    pub fn dries(&self, drying: f64) -> f64 {
        libm::exp(self.mean[at::WARMTH] * libm::log(drying.max(DRYING_LEAST)))
    }

    /// Growth of the chips while the pumps run, L/h: the median. Few sumps fill fast and most hardly at all, so the mean would bring
    /// chips to all of them.
    pub fn chip_growth(&self) -> f64 {
        libm::exp(self.mean[at::CHIP_GROWTH])
    }

    fn wander(&mut self, interval: &Interval, fades: f64) {
        let days = (interval.running_h + interval.idle_h) / 24.0;
        let part = |of: f64, share: f64| share * share * of * of * days;
        for (i, share) in [
            (at::CONCENTRATE, wander::CONCENTRATE),
            (at::HARDNESS, wander::HARDNESS),
            (at::MINERALS, wander::MINERALS),
        ] {
            self.widen(i, part(self.mean[i], share));
        }
        for (i, by) in [
            (at::EVAPORATION_RUNNING, wander::EVAPORATION),
            (at::EVAPORATION_IDLE, wander::EVAPORATION),
            (at::DRAGOUT, wander::DRAGOUT),
            (at::CHIP_GROWTH, wander::CHIP_GROWTH),
            (at::GAIN, wander::GAIN),
            (at::FOULING, wander::FOULING),
            (at::TEMPERATURE, wander::TEMPERATURE),
            (at::DEPARTURE, wander::DEPARTURE),
            (at::USUAL_MIX, wander::USUAL_MIX),
            (at::SCUM, wander::SCUM),
            (at::DEPLETION, wander::SCUM),
            (at::WATER, wander::WATER),
            (at::CHIPS, wander::CHIPS),
            (at::LEAK, wander::LEAK),
            (at::ACID, wander::ACID),
            (at::WARMTH, wander::WARMTH),
        ] {
            self.widen(i, part(1.0, by));
        }
        self.widen(at::WOBBLE, WOBBLE * WOBBLE * (1.0 - fades * fades));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_leak_that_is_not_beyond_doubt_fades_and_another_one_stays() {
        let after_ten_days = |litres_h: f64| {
            let mut deviation = [0.0; at::COUNT];
            deviation[at::LEAK] = 0.02;
            let mut mean = [0.0; at::COUNT];
            (mean[at::LIQUID], mean[at::LEAK]) = (300.0, litres_h);
            let mut belief = Belief::independent(mean, deviation);
            for _ in 0..240 {
                belief.pass(&Interval { idle_h: 1.0, drying: 1.0, ..Interval::default() });
            }
            belief.mean[at::LEAK]
        };
        assert!(after_ten_days(0.03) < 0.005);
        assert!(after_ten_days(0.3) > 0.29);
    }
}
