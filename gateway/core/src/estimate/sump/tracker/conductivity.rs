//! What the conductivity says: once the sump is stirred, and unless it surprises.

use super::super::median::Middle;
use super::super::mixing::{self, Branch, Poured, Way};
use super::super::plant::Plant;
use super::super::{What, both};
use super::{Acidity, Tracker};
use crate::estimate::belief::{SeenConductivity, at};
use crate::estimate::gaussian::Innovation;

/// How long the pumps must have run until a top-up has reached the conductivity probe: at least, and in any case; and how
/// long it takes where they stand (or nobody knows), hours. A pump turns a sump over in 3 to 15 minutes, and three times
/// that leave a twentieth unmixed (common practice, no source).
const STIRRED_H: [f64; 2] = [40.0 / 60.0, 90.0 / 60.0];
const STIRRED_BY_ITSELF_H: f64 = 10.0;

/// Conductivities ten minutes apart that differ by less than this part stand still.
const STILL: f64 = 0.002;

/// Noise of a conductivity window beside its scatter, logarithmic, idle and running.
const CONDUCTIVITY: [f64; 2] = [0.0025, 0.0015];

/// Noise of a single conductivity, logarithmic (common practice, no source).
const ONE: f64 = 0.004;

/// Conductivities that are this surprising, so many times in a row, have a cause that is none of ours.
const SURPRISING: f64 = 4.5;
const SURPRISES: u32 = 3;

/// After a top-up a conductivity counts less from this on: by how much it was diluted it tells how strong the sump is, so a
/// little that is off there moves much.
const BELIEVABLE: f64 = 2.0;

/// Below this part of what is expected the conductivity probe hangs in air.
const DRY: f64 = 0.25;

/// How long after the sump was emptied a surprise means that it holds something else, hours.
const RENEWED_H: f64 = 72.0;

/// A fresh fill conducts as one of the strength to be held does, within this, logarithmic.
const NOT_A_FILL: f64 = 0.4;

/// Conductivities in a row that nobody foresaw, all on the same side.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct Surprise {
    pub(super) count: u32,
    pub(super) side: f64,
}

impl Tracker {
    pub(super) fn take_conductivity(&mut self, us_cm: f64) {
        if self.steps.is_moving() || us_cm <= 0.0 {
            return;
        }
        // Of one window at a time it thickens by a per cent or so: a line is as good as the logarithm, and far cheaper.
        self.conductivity.push(self.now_h, us_cm * (1.0 - (self.thickened - self.thickened_since)));
        if let Some(celsius) = self.warmth.latest_c {
            self.warmth.sum += celsius;
            self.warmth.count += 1.0;
        }
    }

    pub(super) fn forget_conductivity(&mut self) {
        self.conductivity.clear();
        self.thickened_since = self.thickened;
    }

    pub(super) fn seen_conductivity(&self, middle: &Middle) -> SeenConductivity {
        let running = self.pump.running.unwrap_or(true);
        let noise = CONDUCTIVITY[usize::from(running)];
        let warmer_k = if self.warmth.count > 0.0 {
            self.warmth.sum / self.warmth.count - 25.0
        } else {
            self.warmth.latest_c.map_or(0.0, |celsius| celsius - 25.0)
        };
        SeenConductivity {
            log_us_cm: libm::log(middle.value) + self.thickened - self.thickened_since,
            warmer_k,
            soured: self.acidity.soured(),
            deviation: both(noise, middle.deviation_of(ONE * middle.value) / middle.value),
        }
    }

    /// Takes the conductivity, if the sump is stirred.
    pub(super) fn try_conductivity(&mut self, plant: &Plant) {
        let middle = match self.poured {
            None => self.conductivity.middle(),
            Some(poured) => self.stirred(plant, &poured),
        };
        let Some(middle) = middle else { return };
        let seen = self.seen_conductivity(&middle);
        self.seen.conductivity_h = self.now_h;
        let noise = seen.deviation * seen.deviation;
        let more_soured = self.acidity.more_soured(seen.soured);
        for branch in &mut self.branches {
            branch.belief.doubt_acid(seen.soured, more_soured);
        }
        let lines: Vec<_> =
            self.branches.iter().map(|b| b.belief.conductivity_line(&plant.coolant, &seen)).collect();
        let foresee = |b: &Branch, line: &_| b.belief.foresee(line, seen.log_us_cm, noise);
        let foreseen: Vec<Innovation> =
            self.branches.iter().zip(&lines).map(|(b, l)| foresee(b, l)).collect();
        let Some(best) = foreseen.iter().min_by(|a, b| a.normalized().abs().total_cmp(&b.normalized().abs()))
        else {
            return;
        };
        let nearly_empty = self.heaviest().is_some_and(|belief| belief.mean[at::LIQUID] < plant.least_l);
        if libm::exp(best.residual) < DRY || nearly_empty {
            // In air it says nothing of the sump.
            self.forget_conductivity();
            return;
        }
        mixing::weigh(&mut self.branches, &foreseen, plant.pump_known);
        if self.be_surprised(plant, best) {
            return;
        }
        if self.poured.is_none() {
            self.doubt_gain(best);
        }
        for (branch, line) in self.branches.iter_mut().zip(&lines) {
            let foreseen = branch.belief.foresee(line, seen.log_us_cm, noise);
            let believable = if self.poured.is_some() { BELIEVABLE } else { SURPRISING };
            let far = (foreseen.normalized().abs() / believable).max(1.0);
            // Further off than is believable it counts as if it lay at the edge of that.
            let inflated = noise + (far * far - 1.0) * foreseen.variance;
            branch.belief.observe_line(line, seen.log_us_cm, inflated);
            branch.belief.keep_possible();
        }
        if let Some(poured) = self.poured {
            self.settle(&poured);
        }
    }

    /// The conductivity after a top-up, once the sump is stirred and it stands still.
    pub(super) fn stirred(&self, plant: &Plant, poured: &Poured) -> Option<Middle> {
        let since_h = self.now_h - poured.step.to_h;
        let by_itself = since_h >= STIRRED_BY_ITSELF_H || (!plant.pump_known && since_h >= STIRRED_H[1]);
        if poured.stirred_h < STIRRED_H[0] && !by_itself {
            return None;
        }
        let ten = 10.0 / 60.0;
        let recent =
            |hours: f64, least| self.conductivity.middle_of(self.now_h - hours, f64::INFINITY, least);
        // Where readings are seldom, those of the last hour have to do.
        let late = recent(ten, 2).or_else(|| recent(1.0, 1))?;
        if poured.stirred_h >= STIRRED_H[1] || by_itself {
            return Some(late);
        }
        let early = self.conductivity.middle_of(self.now_h - 2.0 * ten, self.now_h - ten, 2)?;
        ((late.value / early.value - 1.0).abs() < STILL).then_some(late)
    }

    /// Counts surprises, and after some in a row on the same side looks for a cause outside: the probe was changed or
    /// wiped, or something got into the sump. Which of the two only a person can say.
    /// True if what is believed started anew by it.
    pub(super) fn be_surprised(&mut self, plant: &Plant, innovation: &Innovation) -> bool {
        let off = innovation.normalized();
        if off.abs() < SURPRISING {
            self.surprise = Surprise::default();
            return false;
        }
        let side = off.signum();
        self.surprise.count = if side == self.surprise.side { self.surprise.count + 1 } else { 1 };
        self.surprise.side = side;
        if self.surprise.count < SURPRISES {
            return false;
        }
        self.surprise = Surprise::default();
        if self.now_h - self.renewed_h < RENEWED_H && self.renew(plant) {
            return true;
        }
        let step = innovation.residual;
        for branch in &mut self.branches {
            branch.belief.widen(at::GAIN, 0.8 * step * step);
            let concentrate = 0.5 * step * branch.belief.mean[at::CONCENTRATE];
            branch.belief.widen(at::CONCENTRATE, concentrate * concentrate);
        }
        self.tell(What::ConductivityStep { percent: 100.0 * (libm::exp(step) - 1.0) }, self.now_h);
        false
    }

    /// After the sump was emptied, what is in it now may not be what was followed: it starts anew, as a fresh fill.
    pub(super) fn renew(&mut self, plant: &Plant) -> bool {
        let Some(belief) = self.belief() else { return false };
        let Some(middle) = self.conductivity.middle() else { return false };
        let seen = self.seen_conductivity(&middle);
        let content = (belief.content(0.0), 0.0);
        let fresh =
            libm::log(plant.coolant.us_cm(plant.expected.target_percent, plant.expected.fill_waters, 0.0));
        let off = seen.log_us_cm - belief.mean[at::GAIN] - fresh;
        let belief = if off.abs() < NOT_A_FILL {
            belief.refilled(&plant.expected, content, Some((&plant.coolant, seen)))
        } else {
            // No fill conducts like this: cleaner that was not rinsed out, or a probe that was changed. It says nothing of
            // the concentrate until somebody has measured that.
            let mut belief = belief.refilled(&plant.expected, content, None);
            belief.mean[at::GAIN] += off;
            belief.widen(at::GAIN, off * off);
            belief
        };
        self.branches = vec![Branch { weight: 1.0, way: Way::Usual, belief }];
        self.acidity = Acidity::default();
        self.renewed_h = f64::NEG_INFINITY;
        true
    }

    /// A conductivity that stays off the same way has a cause of its own: what it is off by is not taken for concentrate.
    pub(super) fn doubt_gain(&mut self, innovation: &Innovation) {
        self.conductivity_bias.take(innovation);
        if self.conductivity_bias.is_off() {
            let off = 0.7 * innovation.residual;
            self.branches.iter_mut().for_each(|b| b.belief.widen(at::GAIN, off * off));
        }
    }

    pub(super) fn settle(&mut self, poured: &Poured) {
        let (percent, deviation) = mixing::settle(&mut self.branches, &mut self.habits, poured);
        self.poured = None;
        self.forget_conductivity();
        let litres = poured.step.litres;
        let what = if poured.is_fill {
            What::Fill { litres, percent, deviation }
        } else {
            What::TopUp { litres, percent, deviation }
        };
        self.tell(what, poured.step.to_h);
    }
}
