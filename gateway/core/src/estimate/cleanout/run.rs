//! One clean-out under way: which step it is at, and what was seen of each.
//!
//! ```text
//! drain ──emptied──> clean ──emptied──> rinse ──emptied──> recharge ──settled──> over
//!                      │  └──pH back──────┘ └──────strong and settled─────────────┘
//!                      └─────strong and settled, no cleaner ever seen─────────────┘
//! ```
//!
//! Where the level is not known, or the tank was never emptied, pH and conductivity carry it on and the step says so. A
//! filling that turns out to be another one of cleaner or of rinse counts towards that step.

use serde::{Deserialize, Serialize};

use super::basin::{Basin, Turn};
use super::charge::Charge;
use super::step::{Outcome, Shortfall, Step};
use super::{Figures, Seen, Vessel};

/// A filling that stays for so long is the recharge, whatever its strength, h (common practice, no source).
const STAYS_H: f64 = 6.0;

/// Pump hours at a weak strength that are a rinse, and not a recharge that is being mixed (common practice, no source).
const RINSE_LEAST_H: f64 = 5.0 / 60.0;

/// Part of the time asked for that counts as all of it: samples and hands are not that exact.
const NEARLY: f64 = 0.95;

/// What was seen of a step.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(super) struct Evidence {
    /// The step was come to and left.
    touched: bool,
    /// The tank was seen empty.
    emptied: bool,
    /// Pump hours seen.
    hours: f64,
    /// Hours that may have been such and were not seen.
    blind_h: f64,
    /// Least content, L.
    lowest_l: Option<f64>,
    /// Strength by conductivity, percent.
    percent: Option<f64>,
}

/// A clean-out under way.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(super) struct Run {
    pub(super) by_person: bool,
    pub(super) begun_h: f64,
    /// When something was last done.
    pub(super) progress_h: f64,
    pub(super) step: Step,
    /// pH from which on it is a cleaner.
    mark_ph: f64,
    evidence: [Evidence; 7],
    charge: Option<Charge>,
}

impl Run {
    /// Begins with the old coolant in the tank, or with it gone already.
    pub(super) fn new(at_h: f64, by_person: bool, mark_ph: f64, basin: &Basin) -> Self {
        let mut run = Self {
            by_person,
            begun_h: at_h,
            progress_h: at_h,
            step: Step::Drain,
            mark_ph,
            evidence: Default::default(),
            charge: Some(Charge::new(at_h)),
        };
        if basin.is_empty() {
            run.emptied(at_h, &mut Vec::new());
        }
        run
    }

    /// Takes what was seen; says which steps were left. True once the recharge has settled.
    pub(super) fn see(
        &mut self,
        (seen, step_h): (&Seen, f64),
        turn: Option<Turn>,
        (vessel, figures): (&Vessel, &Figures),
        left: &mut Vec<Step>,
    ) -> bool {
        match turn {
            Some(Turn::Emptied) => self.emptied(seen.at_h, left),
            Some(Turn::Filled) => self.charge = Some(Charge::new(seen.at_h)),
            None => {}
        }
        let strong = 0.5 * (figures.rinse_percent + vessel.target_percent);
        if let Some(charge) = &mut self.charge {
            charge.see(seen, step_h, self.mark_ph, vessel, strong);
            if turn.is_some() || (charge.is_raised() && self.step != Step::Drain) {
                self.progress_h = seen.at_h;
            }
        }
        self.go_on_without_emptying(seen.at_h, left);
        let settled = self.has_settled(seen.at_h, figures);
        if settled {
            self.recharge(seen.at_h, left);
        }
        settled
    }

    /// Nothing was seen for `hours`.
    pub(super) fn miss(&mut self, hours: f64) {
        if let Some(charge) = &mut self.charge {
            charge.miss(hours);
        }
    }

    /// A person says that it is one.
    pub(super) fn confirmed(self) -> Self {
        Self { by_person: true, ..self }
    }

    /// Whether a cleaner is in the tank, or was.
    pub(super) fn has_seen_cleaner(&self) -> bool {
        self.evidence[Step::Clean.slot()].touched || self.charge.as_ref().is_some_and(|charge| charge.cleaner)
    }

    /// Whether the tank was filled with something else than cleaner more than `hours` ago.
    pub(super) fn is_plain_since(&self, now_h: f64, hours: f64) -> bool {
        self.charge.as_ref().is_some_and(|charge| charge.plain && now_h - charge.from_h >= hours)
    }

    fn emptied(&mut self, at_h: f64, left: &mut Vec<Step>) {
        let charge = self.charge.take();
        self.progress_h = at_h;
        match (self.step, charge) {
            (Step::Drain, _) => {
                self.leave(Step::Drain, left).emptied = true;
                self.step = Step::Clean;
            }
            (Step::Clean, Some(charge)) if charge.cleaner || (charge.is_blind() && self.by_person) => {
                self.leave_clean(&charge, left);
                self.leave(Step::PumpOut, left).emptied = true;
                self.step = Step::Rinse;
            }
            (Step::Rinse, Some(charge)) if !charge.cleaner => {
                self.credit_rinse(&charge);
                self.leave(Step::Rinse, left);
                self.leave(Step::PumpOutRinse, left).emptied = true;
                self.step = Step::Recharge;
            }
            // One more filling of what was there before.
            (Step::Rinse | Step::Recharge, Some(charge)) if charge.cleaner => self.credit_clean(&charge),
            (Step::Recharge, Some(charge)) => self.credit_rinse(&charge),
            _ => {}
        }
    }

    /// pH tells of a step where the level did not.
    fn go_on_without_emptying(&mut self, at_h: f64, left: &mut Vec<Step>) {
        let Some(charge) = &self.charge else { return };
        let lowest_l = charge.lowest_l(at_h);
        if self.step == Step::Drain && charge.cleaner {
            self.leave(Step::Drain, left).lowest_l = lowest_l;
            (self.step, self.progress_h) = (Step::Clean, at_h);
        } else if self.step == Step::Clean && charge.came_back() {
            let charge = charge.clone();
            self.leave_clean(&charge, left);
            self.leave(Step::PumpOut, left).lowest_l = lowest_l;
            (self.step, self.progress_h) = (Step::Rinse, at_h);
            self.charge = Some(charge.tail(at_h));
        }
    }

    fn has_settled(&self, now_h: f64, figures: &Figures) -> bool {
        let Some(charge) = &self.charge else { return false };
        let known_plain = self.step >= Step::Rinse || charge.plain;
        if self.step == Step::Drain || charge.cleaner || charge.is_raised() || !known_plain {
            return false;
        }
        let strong_h = charge.strong_since_h.map_or(0.0, |since| now_h - since.max(charge.from_h));
        strong_h >= figures.settle_h || now_h - charge.from_h >= STAYS_H
    }

    fn recharge(&mut self, now_h: f64, left: &mut Vec<Step>) {
        let Some(charge) = self.charge.clone() else { return };
        if self.step == Step::Rinse && charge.weak_h + charge.weak_unpumped_h >= RINSE_LEAST_H {
            // A rinse that was made strong in place, or pumped out unseen.
            let evidence = &mut self.evidence[Step::Rinse.slot()];
            evidence.hours += charge.weak_h;
            evidence.blind_h += charge.weak_unpumped_h;
            self.leave(Step::Rinse, left);
            self.leave(Step::PumpOutRinse, left).lowest_l = charge.lowest_l(now_h);
        }
        self.leave(Step::Recharge, left).percent = charge.percent;
        self.step = Step::Recharge;
    }

    fn leave_clean(&mut self, charge: &Charge, left: &mut Vec<Step>) {
        self.credit_clean(charge);
        self.leave(Step::Clean, left);
        self.leave(Step::Places, left);
    }

    fn credit_clean(&mut self, charge: &Charge) {
        let evidence = &mut self.evidence[Step::Clean.slot()];
        evidence.hours += charge.raised_h;
        evidence.blind_h += charge.raised_unpumped_h + charge.blind_h;
    }

    fn credit_rinse(&mut self, charge: &Charge) {
        let evidence = &mut self.evidence[Step::Rinse.slot()];
        evidence.hours += charge.plain_h;
        evidence.blind_h += charge.plain_unpumped_h + charge.blind_h;
    }

    fn leave(&mut self, step: Step, left: &mut Vec<Step>) -> &mut Evidence {
        left.push(step);
        let evidence = &mut self.evidence[step.slot()];
        evidence.touched = true;
        evidence
    }

    /// Pump hours of the step under way, with those of the filling in the tank.
    pub(super) fn hours_so_far(&self) -> f64 {
        let done = self.evidence[self.step.slot()].hours;
        let charge = self.charge.as_ref();
        done + match self.step {
            Step::Clean => charge.map_or(0.0, |charge| charge.raised_h),
            Step::Rinse => charge.map_or(0.0, |charge| charge.plain_h),
            _ => 0.0,
        }
    }

    /// What a step is measured in, as far as it was seen: pump hours, litres left, percent.
    pub(super) fn measure(&self, step: Step) -> Option<f64> {
        let evidence = &self.evidence[step.slot()];
        match step {
            Step::Clean | Step::Rinse => Some(evidence.hours),
            Step::Drain | Step::PumpOut | Step::PumpOutRinse => evidence.lowest_l,
            Step::Recharge => evidence.percent,
            Step::Places => None,
        }
    }

    /// What was made of each step, `over` once nothing more will come.
    pub(super) fn outcomes(&self, over: bool, (vessel, figures): (&Vessel, &Figures)) -> [Outcome; 7] {
        Step::ALL.map(|step| {
            let evidence = &self.evidence[step.slot()];
            if !evidence.touched {
                return self.untouched(step, over, figures);
            }
            match step {
                Step::Drain | Step::PumpOut | Step::PumpOutRinse => pumped_out(evidence, vessel),
                Step::Clean => circulated(evidence, figures.clean_h),
                Step::Rinse => circulated(evidence, figures.rinse_h),
                Step::Places => Outcome::NotWitnessed,
                Step::Recharge => recharged(evidence, vessel.target_percent),
            }
        })
    }

    fn untouched(&self, step: Step, over: bool, figures: &Figures) -> Outcome {
        if !over {
            return Outcome::Open;
        }
        let none = |wanted| Outcome::CutShort(Shortfall::Hours { wanted, had: 0.0 });
        match step {
            Step::Clean => none(figures.clean_h),
            Step::Rinse => none(figures.rinse_h),
            Step::PumpOut | Step::PumpOutRinse | Step::Places => Outcome::LeftOut,
            Step::Drain | Step::Recharge => Outcome::Open,
        }
    }

    pub(super) fn is_sound(&self) -> bool {
        let numbers = [self.begun_h, self.progress_h, self.mark_ph];
        let hours = self.evidence.iter().flat_map(|e| [e.hours, e.blind_h]);
        let known = self.evidence.iter().flat_map(|e| [e.lowest_l, e.percent]).flatten();
        numbers.into_iter().chain(known).all(f64::is_finite)
            && hours.into_iter().all(|h| h.is_finite() && h >= 0.0)
            && self.charge.as_ref().is_none_or(Charge::is_sound)
    }
}

fn pumped_out(evidence: &Evidence, vessel: &Vessel) -> Outcome {
    match evidence.lowest_l {
        _ if evidence.emptied => Outcome::Done,
        Some(litres) if litres > Basin::EMPTY_SHARE * vessel.full_l => {
            Outcome::CutShort(Shortfall::Left { litres })
        }
        Some(_) => Outcome::Done,
        None => Outcome::NotWitnessed,
    }
}

fn circulated(evidence: &Evidence, wanted: f64) -> Outcome {
    let had = evidence.hours;
    if had >= NEARLY * wanted {
        Outcome::Done
    } else if had + evidence.blind_h >= NEARLY * wanted {
        Outcome::NotWitnessed
    } else {
        Outcome::CutShort(Shortfall::Hours { wanted, had })
    }
}

/// Conductivity tells the strength of a fresh fill to about a fifth (common practice, no source).
fn recharged(evidence: &Evidence, wanted: f64) -> Outcome {
    match evidence.percent {
        None => Outcome::NotWitnessed,
        Some(had) if (had - wanted).abs() <= (0.2 * wanted).max(1.0) => Outcome::Done,
        Some(had) => Outcome::CutShort(Shortfall::Strength { wanted, had }),
    }
}
