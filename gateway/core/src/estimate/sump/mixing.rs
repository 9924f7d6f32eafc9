//! What may have been poured in, and which of it the conductivity afterwards bears out.
//!
//! A top-up of unknown strength is believed in several ways at once: as people usually mix it, as plain water, as something
//! odd, as neat concentrate. Each way is carried on by itself until the conductivity has seen the mixed sump; then they
//! are weighed by how well each foresaw it and become one belief again, with the spread that is left between them.

use super::super::belief::{Belief, Mix, at};
use super::super::gaussian::Innovation;
use super::plant::Plant;
use super::steps::Step;

/// One way it may have been.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Branch {
    pub(super) weight: f64,
    pub(super) way: Way,
    pub(super) belief: Belief,
}

/// What was poured.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Way {
    /// As usual, or as somebody said.
    Usual,
    /// Plain water.
    Plain,
    /// Anything else.
    Odd,
}

/// Chances learned from top-ups so far.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Habits {
    /// Top-ups as usual, and of plain water, counted with a head start.
    usual: f64,
    plain: f64,
    /// Variance of the strength around the usual.
    variance: f64,
}

/// Head start of the counts, and the spread of people's mixes, percent (common practice, no source).
impl Default for Habits {
    fn default() -> Self {
        Self { usual: 5.0, plain: 1.0, variance: 0.8 * 0.8 }
    }
}

/// Chances of something odd and of neat concentrate.
const ODD: f64 = 0.05;
const NEAT: f64 = 0.01;
/// What a person writes down about a top-up's strength is right within this, percent, and this likely.
pub(super) const SAID_DEVIATION: f64 = 0.3;
const SAID_TRUE: f64 = 0.93;
/// How much of an old sample of strengths a new one replaces.
const VARIANCE_GAIN: f64 = 0.08;

/// How often the conductivity right after a top-up is off for a reason of its own, and by how much then, logarithmic: not stirred
/// yet, foam, a cold can, something else in the sump (common practice, no source). Without it a way that foresees hardly
/// anything, neat concentrate, would explain whatever plain water does not.
const OFF: f64 = 0.01;
const OFF_BY: f64 = 0.06;

/// A top-up whose strength is not settled yet.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Poured {
    pub(super) step: Step,
    /// Hours the pumps have run since.
    pub(super) stirred_h: f64,
    /// Nobody said how strong it was.
    pub(super) unknown: bool,
    /// It filled an empty sump.
    pub(super) is_fill: bool,
}

impl Habits {
    /// Learns from a top-up that was settled: chance that it was as usual, that it was plain, and how far its strength lay
    /// from the usual (squared, with its own uncertainty).
    fn learn(&mut self, usual: f64, plain: f64, apart: f64) {
        self.usual += usual;
        self.plain += plain;
        let total = self.usual + self.plain;
        if total > 60.0 {
            self.usual *= 60.0 / total;
            self.plain *= 60.0 / total;
        }
        self.variance += VARIANCE_GAIN * usual * (apart.min(9.0) - self.variance);
        self.variance = self.variance.clamp(0.2 * 0.2, 2.0 * 2.0);
    }

    pub(super) fn numbers(&self) -> [f64; 3] {
        [self.usual, self.plain, self.variance]
    }

    pub(super) fn of_numbers([usual, plain, variance]: [f64; 3]) -> Self {
        Self { usual, plain, variance }
    }
}

/// Ways of a top-up with their chances.
fn ways(plant: &Plant, habits: &Habits, said: Option<f64>, is_fill: bool) -> Vec<(f64, Way, Mix)> {
    let target = plant.expected.target_percent;
    let around = |percent, deviation| Mix::Around { percent, deviation };
    let plain = around(0.0, 0.05);
    let odd = around(target, 0.6 * target);
    if let Some(percent) = said {
        return vec![
            (SAID_TRUE, Way::Usual, around(percent, SAID_DEVIATION)),
            (1.0 - SAID_TRUE, Way::Odd, around(percent, 0.4 * target)),
        ];
    }
    if is_fill {
        return vec![
            (0.70, Way::Odd, around(target, 0.2 * target)),
            (0.15, Way::Odd, around(2.0, 0.8)),
            (0.15, Way::Plain, plain),
        ];
    }
    if let Some((percent, deviation)) = plant.known_mix {
        return vec![
            (0.95, Way::Usual, around(percent, deviation)),
            (0.03, Way::Plain, plain),
            (0.02, Way::Odd, odd),
        ];
    }
    let rest = 1.0 - ODD - NEAT;
    let share = habits.plain / (habits.usual + habits.plain);
    vec![
        (rest * (1.0 - share), Way::Usual, Mix::Usual { spread: habits.variance.sqrt() }),
        (rest * share, Way::Plain, plain),
        (ODD, Way::Odd, odd),
        (NEAT, Way::Odd, around(60.0, 25.0)),
    ]
}

/// What many top-ups come to that nobody saw, but for odd ones: parts of them, and how strong each is. The usual one comes last,
/// so that it is the one that is remembered.
pub(super) fn ways_unseen(plant: &Plant, habits: &Habits) -> impl Iterator<Item = (f64, Mix)> {
    let common = |&(_, way, _): &(f64, Way, Mix)| way != Way::Odd;
    ways(plant, habits, None, false).into_iter().rev().filter(common).map(|(part, _, mix)| (part, mix))
}

/// Forks the one belief there is into the ways of a top-up.
pub(super) fn fork(
    branches: &mut Vec<Branch>,
    plant: &Plant,
    habits: &Habits,
    litres: (f64, f64),
    said: Option<f64>,
    is_fill: bool,
) {
    let Some(trunk) = branches.pop() else { return };
    branches.clear();
    for (weight, way, mix) in ways(plant, habits, said, is_fill) {
        let mut belief = trunk.belief.clone();
        belief.top_up(litres.0, litres.1, mix, &plant.water);
        belief.keep_possible();
        branches.push(Branch { weight, way, belief });
    }
}

/// Weighs the ways by how each foresaw a conductivity that is about to be taken. Where `sure` the litres are what was poured:
/// then it is the conductivity that is off if no way fits, and not those.
pub(super) fn weigh(branches: &mut [Branch], foreseen: &[Innovation], sure: bool) {
    if branches.len() < 2 {
        return;
    }
    let likely = |innovation: &Innovation| {
        if sure { off_or_not(innovation) } else { innovation.log_likelihood() }
    };
    let logs: Vec<f64> = branches
        .iter()
        .zip(foreseen)
        // A reading that no way foresaw must not let the least wrong of them win by default.
        .map(|(b, innovation)| libm::log(b.weight) + likely(innovation).max(-20.0))
        .collect();
    let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = logs.iter().map(|log| libm::exp(log - most)).sum();
    for (branch, log) in branches.iter_mut().zip(&logs) {
        branch.weight = libm::exp(log - most) / total;
    }
}

/// How likely a conductivity after a top-up is, seeing that it may be off for a reason of its own; logarithmic.
fn off_or_not(foreseen: &Innovation) -> f64 {
    let off = Innovation { variance: foreseen.variance + OFF_BY * OFF_BY, ..*foreseen };
    let right = libm::log(1.0 - OFF) + foreseen.log_likelihood();
    let wrong = libm::log(OFF) + off.log_likelihood();
    let most = right.max(wrong);
    most + libm::log(libm::exp(right - most) + libm::exp(wrong - most))
}

/// Makes the ways one belief again and learns from them. Gives the strength: mean and standard deviation, percent.
pub(super) fn settle(branches: &mut Vec<Branch>, habits: &mut Habits, poured: &Poured) -> (f64, f64) {
    let chance = |way: Way| branches.iter().filter(|b| b.way == way).map(|b| b.weight).sum::<f64>();
    let (usual, plain) = (chance(Way::Usual), chance(Way::Plain));
    if poured.unknown && !poured.is_fill {
        let apart = branches.iter().find(|b| b.way == Way::Usual).map_or(0.0, |b| {
            let off = b.belief.mean[at::LAST_MIX] - b.belief.mean[at::USUAL_MIX];
            off * off
        });
        habits.learn(usual, plain, apart);
    }
    merge(branches);
    branches.first().map_or((0.0, 0.0), |one| {
        (one.belief.mean[at::LAST_MIX].max(0.0), one.belief.deviation(at::LAST_MIX))
    })
}

/// One belief with the mean and spread of all ways.
pub(super) fn merge(branches: &mut Vec<Branch>) {
    if branches.len() < 2 {
        return;
    }
    let parts: Vec<(f64, &Belief)> = branches.iter().map(|b| (b.weight, &b.belief)).collect();
    let belief = Belief::merge(&parts);
    branches.clear();
    branches.push(Branch { weight: 1.0, way: Way::Usual, belief });
}
