//! What people write down: readings with the errors of their tools and eyes, top-ups as they remember them.
//!
//! Habits and truth turn into notes. It knows nothing of probes, and what a note is worth is the reader's affair. Errors of
//! refractometers, strips, dip slides and of memory are common practice, no source.

use std::time::Duration;

use super::Row;
use crate::rng::Rng;
use crate::stamp::Stamp;
use crate::world::{Event, EventKind, Sump, TRAMP_EMULSIFIED, Truth};

/// How the people of a shop tell things.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Habits {
    /// How often somebody reads a refractometer and the hardness and writes both down, while people are there.
    pub manual_every: Option<Duration>,
    /// Hardness is titrated (within 5 %) instead of read from a strip.
    pub titrated: bool,
    /// Finest step of the refractometer, Brix.
    pub brix_step: f64,
    /// How much too high this person always reads it, Brix.
    pub brix_bias: f64,
    /// How often somebody holds a pH strip into it.
    pub ph_strip_every: Option<Duration>,
    /// How often a dip slide is taken; it is read and written down two days later.
    pub dip_slide_every: Option<Duration>,
    /// How often somebody pushes a stick through the chips to the floor.
    pub dip_stick_every: Option<Duration>,
    /// Somebody writes down every top-up: its strength within this standard deviation, percent.
    pub topups_known: Option<f64>,
    /// Standard deviation of the litres written down, part of them.
    pub litres_spread: f64,
    /// Part of the top-ups that nobody writes down after all.
    pub topups_missing: f64,
    /// A third of them is written down later than it happened, by up to this.
    pub topups_late: Duration,
}

impl Habits {
    /// Nobody writes anything down.
    pub const NONE: Self = Self {
        manual_every: None,
        titrated: false,
        brix_step: 0.1,
        brix_bias: 0.0,
        ph_strip_every: None,
        dip_slide_every: None,
        dip_stick_every: None,
        topups_known: None,
        litres_spread: 0.05,
        topups_missing: 0.0,
        topups_late: Duration::ZERO,
    };
}

/// Standard deviations: a refractometer reading, Brix; titration and strip, parts of the value; pH strip; dip slide, log10.
const BRIX_SPREAD: f64 = 0.12;
const TITRATION_SPREAD: f64 = 0.05;
const STRIP_SPREAD: f64 = 0.08;
const PH_STRIP_SPREAD: f64 = 0.12;
const DIP_SLIDE_SPREAD: f64 = 0.3;
/// Steps of a hardness strip, mg/L as CaCO3: 0, 3, 6, 10, 15, 20, 25 and 30 °dH.
const STRIP_STEPS_MG_L: [f64; 8] = [0.0, 53.0, 107.0, 178.0, 267.0, 356.0, 445.0, 534.0];
/// Brix that a percent of emulsified tramp oil adds to a reading.
const BRIX_PER_OIL_PERCENT: f64 = 0.5;
/// Readings are taken this long after the start of a period: in the morning of its third day, each tool in its own hour.
const MANUAL_AFTER: Duration = Duration::from_secs(2 * 86_400 + 10 * 3600);
const PH_STRIP_AFTER: Duration = Duration::from_secs(86_400 + 9 * 3600);
const DIP_SLIDE_AFTER: Duration = Duration::from_secs(8 * 3600);
const DIP_STICK_AFTER: Duration = Duration::from_secs(3 * 86_400 + 14 * 3600);
/// How long a dip slide is kept warm before it is read.
const INCUBATION: Duration = Duration::from_secs(48 * 3600);

/// Somebody with a notebook.
#[derive(Debug)]
pub(super) struct Notebook {
    habits: Habits,
    start: Stamp,
    rng: Rng,
    /// What will be written down, soonest first.
    pending: Vec<(Stamp, usize, &'static str, f64)>,
}

impl Notebook {
    pub(super) fn new(habits: Habits, start: Stamp, seed: u64) -> Self {
        Self { habits, start, rng: Rng::of(seed, "notes"), pending: Vec::new() }
    }

    /// Whether anything is to be read between two moments.
    pub(super) fn is_due(&self, before: Stamp, at: Stamp) -> bool {
        self.due(before, at).contains(&true)
    }

    /// Refractometer and hardness, pH strip, dip slide, dip stick.
    fn due(&self, before: Stamp, at: Stamp) -> [bool; 4] {
        let habits = &self.habits;
        [
            (habits.manual_every, MANUAL_AFTER),
            (habits.ph_strip_every, PH_STRIP_AFTER),
            (habits.dip_slide_every, DIP_SLIDE_AFTER),
            (habits.dip_stick_every, DIP_STICK_AFTER),
        ]
        .map(|(every, after)| every.is_some_and(|every| is_due(self.start + after, before, at, every)))
    }

    /// Reads what is due of a sump between two moments.
    pub(super) fn look(&mut self, before: Stamp, at: Stamp, place: usize, sump: &Sump, truth: &Truth) {
        if !sump.is_attended(at) {
            return;
        }
        let [manual, ph_strip, dip_slide, dip_stick] = self.due(before, at);
        if manual {
            let brix = self.brix(truth, sump.setup().fluid.refractometer_factor);
            let hardness = self.hardness(truth.hardness_mg_l);
            self.write(at, place, "brix", brix);
            self.write(at, place, "hardness_mg_l", hardness);
        }
        if ph_strip {
            let ph = step(truth.ph + PH_STRIP_SPREAD * self.rng.normal(), 0.2);
            self.write(at, place, "ph", ph);
        }
        if dip_slide {
            let decade = (truth.log_cfu_ml + DIP_SLIDE_SPREAD * self.rng.normal()).round().max(2.0);
            let count = libm::pow(10.0, decade).round();
            self.write(at + INCUBATION, place, "dip_slide_cfu_ml", count);
        }
        if dip_stick {
            let depth = step(truth.chip_depth_mm * (1.0 + 0.05 * self.rng.normal()), 5.0);
            self.write(at, place, "chip_depth_mm", depth);
        }
    }

    /// Remembers a top-up, or not.
    pub(super) fn hear(&mut self, event: &Event) {
        let (Some(spread), EventKind::TopUp { litres, percent, .. }) = (self.habits.topups_known, event.kind)
        else {
            return;
        };
        let forgotten = self.rng.chance(self.habits.topups_missing);
        let late = if self.rng.chance(1.0 / 3.0) { self.rng.uniform() } else { 0.0 };
        let litres = tenths((litres * (1.0 + self.habits.litres_spread * self.rng.normal())).max(0.1));
        let percent = tenths((percent + spread * self.rng.normal()).clamp(0.0, 100.0));
        if forgotten {
            return;
        }
        let at = event.at + self.habits.topups_late.mul_f64(late);
        self.write(at, event.sump, "topup_l", litres);
        self.write(at, event.sump, "topup_percent", percent);
    }

    /// What is written down by now; its time is that of the writing.
    pub(super) fn written(&mut self, now: Stamp) -> impl Iterator<Item = Row> {
        let until = self.pending.partition_point(|(at, ..)| *at <= now);
        self.pending.drain(..until).map(move |(_, sump, kind, value)| Row::Note {
            at: now,
            sump,
            kind,
            value,
        })
    }

    fn write(&mut self, at: Stamp, sump: usize, kind: &'static str, value: f64) {
        let place = self.pending.partition_point(|(other, ..)| *other <= at);
        self.pending.insert(place, (at, sump, kind, value));
    }

    /// The boundary in a refractometer stands higher, and is harder to see, the more foreign oil is in the sample.
    fn brix(&mut self, truth: &Truth, factor: f64) -> f64 {
        let oil_percent = 100.0 * TRAMP_EMULSIFIED * truth.tramp_oil_l / truth.liquid_l.max(1.0);
        let blur = BRIX_SPREAD * (1.0 + oil_percent);
        let shown = truth.percent / factor
            + BRIX_PER_OIL_PERCENT * oil_percent
            + self.habits.brix_bias
            + blur * self.rng.normal();
        step(shown.max(0.0), self.habits.brix_step)
    }

    fn hardness(&mut self, mg_l: f64) -> f64 {
        if self.habits.titrated {
            return (mg_l * (1.0 + TITRATION_SPREAD * self.rng.normal())).round().max(0.0);
        }
        let seen = mg_l * (1.0 + STRIP_SPREAD * self.rng.normal());
        // Beyond the last colour a person dilutes the sample by half.
        let dilution = if seen > 500.0 { 2.0 } else { 1.0 };
        dilution * nearest_strip(seen / dilution)
    }
}

/// Nearest step of a strip, or the middle of two.
fn nearest_strip(mg_l: f64) -> f64 {
    let middles = STRIP_STEPS_MG_L.windows(2).map(|pair| 0.5 * (pair[0] + pair[1]));
    let nearer = |best: f64, next: f64| if (next - mg_l).abs() < (best - mg_l).abs() { next } else { best };
    STRIP_STEPS_MG_L.into_iter().chain(middles).fold(STRIP_STEPS_MG_L[0], nearer)
}

/// Whether a multiple of `every` after `origin` lies after `before` and not after `at`.
pub(super) fn is_due(origin: Stamp, before: Stamp, at: Stamp, every: Duration) -> bool {
    let every = every.as_millis() as i64;
    (at.0 - origin.0).div_euclid(every) > (before.0 - origin.0).div_euclid(every) && at >= origin
}

fn step(x: f64, of: f64) -> f64 {
    // Dividing by the whole number of steps in a thousand leaves no binary dust behind tenths and fifths.
    let per_thousand = (1000.0 / of).round();
    (x / of).round() * 1000.0 / per_thousand
}

fn tenths(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_strip_shows_a_step_or_the_middle_of_two() {
        for (mg_l, shown) in [(0.0, 0.0), (20.0, 26.5), (180.0, 178.0), (230.0, 222.5), (900.0, 534.0)] {
            assert_eq!(nearest_strip(mg_l), shown, "{mg_l} mg/L");
        }
    }

    #[test]
    fn readings_come_in_the_steps_of_the_tool() {
        assert_eq!((step(4.9499, 0.1), step(4.93, 0.2), step(87.4, 5.0)), (4.9, 5.0, 85.0));
    }

    #[test]
    fn notes_come_out_in_the_order_of_their_writing() {
        let habits = Habits {
            topups_known: Some(0.0),
            litres_spread: 0.0,
            topups_late: Duration::from_secs(7200),
            ..Habits::NONE
        };
        let mut book = Notebook::new(habits, Stamp::MONDAY, 1);
        for minute in 0..60 {
            let at = Stamp::MONDAY + Duration::from_secs(60 * minute);
            let kind = EventKind::TopUp { started: at, litres: 20.0, percent: 4.0 };
            book.hear(&Event { at, sump: 0, kind });
        }
        let early = book.written(Stamp::MONDAY + Duration::from_secs(3600)).count();
        let rest = book.written(Stamp::MONDAY + Duration::from_secs(3 * 3600)).count();
        assert_eq!(early + rest, 120);
        assert!((2..40).contains(&rest), "some are late: {rest}");
    }
}
