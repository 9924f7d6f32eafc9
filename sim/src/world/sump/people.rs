//! When somebody tops up, with what, and how it gets into the sump.
//!
//! A glance at the gauge turns into pours one after the other. People err here: plain water, a wrong mix, neat concentrate
//! first and water after it, a bucket that passes the meter by.

use std::collections::VecDeque;
use std::time::Duration;

use super::Sump;
use crate::rng::Rng;
use crate::stamp::Stamp;
use crate::world::content::Content;
use crate::world::setup::{Hose, People};
use crate::world::{Event, EventKind, QUANTUM};

/// Strength from which it comes out of a canister and not out of the line, percent.
const FROM_CANISTER_PERCENT: f64 = 50.0;

/// Somebody stands there with the hose, or soon will.
#[derive(Clone, Debug)]
pub(super) struct Pour {
    /// Not before.
    from: Stamp,
    started: Option<Stamp>,
    left_l: f64,
    total_l: f64,
    percent: f64,
    metered: bool,
}

impl Pour {
    pub(super) fn new(from: Stamp, litres: f64, percent: f64, metered: bool) -> Self {
        let metered = metered && percent < FROM_CANISTER_PERCENT;
        Self { from, started: None, left_l: litres, total_l: litres, percent, metered }
    }
}

impl Sump {
    /// What the hose gives in one step that ends at `at`.
    pub(super) fn be_poured(&mut self, at: Stamp, step: Duration, events: &mut Vec<Event>) {
        let Some(pour) = self.pours.front_mut() else { return };
        if at < pour.from {
            return;
        }
        let started = *pour.started.get_or_insert(at - step);
        let litres = (self.setup.people.hose_l_min * step.as_secs_f64() / 60.0).min(pour.left_l);
        pour.left_l -= litres;
        let (percent, metered, total, is_over) =
            (pour.percent, pour.metered, pour.total_l, pour.left_l <= 1e-9);
        let added = Content::mix(litres, percent, &self.setup.water, self.setup.fluid.amine_mmol_l_percent);
        self.content += added;
        self.ledger.added += added;
        self.meter_l += if metered { litres } else { 0.0 };
        if is_over {
            self.pours.pop_front();
            events.push(Event { at, sump: 0, kind: EventKind::TopUp { started, litres: total, percent } });
        }
    }

    /// A glance at the sight glass, a few times an hour while people are there.
    pub(super) fn consider_topping_up(&mut self, at: Stamp) {
        let people = self.setup.people;
        let busy = self.armed || !self.pours.is_empty() || self.procedure.is_some();
        if busy || !self.is_attended(at) || !self.rng.chance(0.05) {
            return;
        }
        let full = self.setup.tank.volume_l(self.setup.fill_mark_mm);
        // With the pump off the sump looks fuller by what came back; people know.
        let (looks, mark) = match people.hose {
            Hose::Running | Hose::AtSwitch => (self.pump, full),
            Hose::Standing => (!self.pump, full + self.setup.holdup_l),
            Hose::Anyhow => (true, if self.pump { full } else { full + self.setup.holdup_l }),
        };
        if !looks || mark - self.setup.tank.volume_l(self.slow_level_mm) < people.low_part * full {
            return;
        }
        if people.hose == Hose::AtSwitch {
            self.armed = true;
        } else {
            self.fetch_the_hose(at, mark);
        }
    }

    /// Pours up to about a mark, given in litres as the gauge shows them.
    pub(super) fn fetch_the_hose(&mut self, at: Stamp, mark_l: f64) {
        self.armed = false;
        let people = self.setup.people;
        let missing = (mark_l - self.setup.tank.volume_l(self.slow_level_mm)).max(1.0);
        let litres = missing * self.rng.between(0.75, 1.0);
        let short = self.setup.target_percent - self.content.percent();
        let percent = strength(&people, short, &mut self.rng);
        let metered = !likely(people.bucket_chance, &mut self.rng);
        self.pours = if likely(people.neat_chance, &mut self.rng) {
            let neat = litres * percent / 100.0;
            let later = at + Duration::from_secs(120 + self.rng.below(900));
            [Pour::new(at, neat, 100.0, false), Pour::new(later, litres - neat, 0.0, metered)].into()
        } else {
            portions(at, litres, percent, metered, people.portions, &mut self.rng)
        };
        self.pours.retain(|pour| pour.total_l > 0.0);
        if self.rng.chance(people.skim_chance * 0.5) {
            self.tramp_oil_l *= 0.3;
        }
    }

    /// Somebody who waited for the pump to start or stop begins now.
    pub(super) fn notice_switch(&mut self, at: Stamp) {
        if self.armed {
            let mark = self.setup.tank.volume_l(self.setup.fill_mark_mm);
            // What the last glance showed was with the pump as it was.
            let holdup = if self.pump { self.setup.holdup_l } else { 0.0 };
            self.fetch_the_hose(at - QUANTUM, mark + holdup);
        }
    }
}

/// Standard deviation of the refractometer reading before a top-up, percent of concentrate.
const GLANCE_SPREAD: f64 = 0.25;

/// How strong this one is, percent, where the sump is `short` of its target.
fn strength(people: &People, short: f64, rng: &mut Rng) -> f64 {
    let usual = |rng: &mut Rng| {
        let spread = people.mix_spread * rng.normal();
        let correction = if people.corrects > 0.0 {
            people.corrects * (short + GLANCE_SPREAD * rng.normal())
        } else {
            0.0
        };
        (people.mix_percent + correction + spread).max(0.2)
    };
    if rng.chance(people.plain_chance) {
        0.0
    } else if likely(people.wrong_chance, rng) {
        people.wrong_percent
    } else {
        usual(rng)
    }
}

/// Several smaller pours over the day.
fn portions(
    at: Stamp,
    litres: f64,
    percent: f64,
    metered: bool,
    count: u32,
    rng: &mut Rng,
) -> VecDeque<Pour> {
    let mut from = at;
    (0..count.max(1))
        .map(|_| {
            let pour = Pour::new(from, litres / f64::from(count.max(1)), percent, metered);
            from = from + Duration::from_secs(if count > 1 { 900 + rng.below(6000) } else { 0 });
            pour
        })
        .collect()
}

/// Chance without a draw where it is none, so that shops without the habit keep their history.
fn likely(chance: f64, rng: &mut Rng) -> bool {
    chance > 0.0 && rng.chance(chance)
}
