//! What is asked to the advice of the core.

use std::fmt;

use serde::Serialize;
use sumpwarden_core::estimate::guidance::{Advice, Caution, Rule};
use sumpwarden_core::estimate::mixing::{
    Correction, Exchange, ExchangeOutcome, ExchangeRequest, Mix, RunBack, RunBackOutcome, TopUp,
    TopUpOutcome, TopUpWater, WithPremix, add_concentrate, add_water, exchange, run_back, top_up,
    top_up_water, with_premix,
};
use sumpwarden_core::estimate::outlook::{HoldingPremix, PlateauWater, holding_premix, plateau_water};

use super::asked::{Asked, Wrong};

/// Everything that could be said to what was asked.
#[derive(Clone, PartialEq, Debug, Default, Serialize)]
pub(super) struct Answer {
    /// Refractometer reading and factor the concentration comes from.
    pub(super) brix: Option<(f64, f64)>,
    /// Volume and concentration together.
    pub(super) top_up: Option<Advice<TopUp>>,
    /// The concentration alone.
    pub(super) correction: Option<Advice<Correction>>,
    /// The premix at hand.
    pub(super) premix: Option<Advice<WithPremix>>,
    /// Draining and refilling against hardness, with the water at hand.
    pub(super) exchange: Option<Advice<Exchange>>,
    /// The same with the low-mineral water.
    pub(super) exchange_soft: Option<Advice<Exchange>>,
    /// Refill after the smaller of both exchanges that brings the concentration to target as well.
    pub(super) refill: Option<Advice<TopUp>>,
    /// Low-mineral share in filling up.
    pub(super) water: Option<Advice<TopUpWater>>,
    /// Low-mineral share in the days to come.
    pub(super) plateau: Option<Advice<PlateauWater>>,
    /// Daily premix that holds the target.
    pub(super) holding: Option<Advice<HoldingPremix>>,
    /// What the tank does when the pumps stop.
    pub(super) run_back: Option<Advice<RunBack>>,
}

impl Answer {
    /// Works out what can be; every input out of its range is named.
    pub(super) fn to(asked: &Asked) -> Result<Self, Vec<Wrong>> {
        let mut wrong = Vec::new();
        let mut answer = Self { brix: asked.brix, ..Self::default() };
        answer.mix(asked, &mut wrong);
        answer.hardness(asked, &mut wrong);
        answer.outlook(asked, &mut wrong);
        answer.tank(asked, &mut wrong);
        wrong.dedup();
        if wrong.is_empty() { Ok(answer) } else { Err(wrong) }
    }

    fn mix(&mut self, asked: &Asked, wrong: &mut Vec<Wrong>) {
        let Some((litres, target)) = asked.volume_l.zip(asked.target_percent) else { return };
        if !asked.about_mix() {
            return;
        }
        let now = Mix { litres, percent: asked.now_percent.unwrap_or(0.0) };
        if let Some(premix) = asked.premix_percent {
            self.premix = kept(with_premix(now, asked.fill_to_l, premix, target), wrong);
        }
        match asked.fill_to_l {
            Some(fill_to) => {
                let target = Mix { litres: fill_to, percent: target };
                self.top_up = kept(top_up(now, target), wrong);
            }
            None if now.percent < target => self.correction = kept(add_concentrate(now, target), wrong),
            None if now.percent > target => self.correction = kept(add_water(now, target), wrong),
            None => self.top_up = kept(top_up(now, Mix { percent: target, ..now }), wrong),
        }
    }

    fn hardness(&mut self, asked: &Asked, wrong: &mut Vec<Wrong>) {
        let (Some(now_l), Some(now_mg_l), Some(limit_mg_l), Some(water_mg_l)) =
            (asked.volume_l, asked.hardness_mg_l, asked.limit_mg_l, asked.water_mg_l)
        else {
            return;
        };
        let fill_to_l = asked.fill_to_l.unwrap_or(now_l);
        let refill_percent = asked.target_percent.unwrap_or(0.0);
        // What the concentrate costs is only known where it is known how strong the refill is.
        let mut prices = asked.prices;
        prices.concentrate_per_l = prices.concentrate_per_l.filter(|_| asked.target_percent.is_some());
        let request =
            ExchangeRequest { now_l, fill_to_l, now_mg_l, limit_mg_l, water_mg_l, refill_percent, prices };
        self.exchange = kept(exchange(&request), wrong);
        if let Some(soft) = asked.soft_mg_l {
            self.exchange_soft = kept(exchange(&ExchangeRequest { water_mg_l: soft, ..request }), wrong);
            let waters = (water_mg_l, soft);
            self.water = kept(top_up_water(now_l, fill_to_l, now_mg_l, limit_mg_l, waters), wrong);
        }
        let waste = self.best_exchange().and_then(|e| e.numbers.partial).map(|change| change.waste_l);
        let (Some(waste), Some(percent), Some(target)) = (waste, asked.now_percent, asked.target_percent)
        else {
            return;
        };
        let left = Mix { litres: now_l - waste, percent };
        self.refill = kept(top_up(left, Mix { litres: fill_to_l, percent: target }), wrong);
    }

    fn outlook(&mut self, asked: &Asked, wrong: &mut Vec<Wrong>) {
        let Some(losses) = asked.losses else { return };
        if let Some(target) = asked.target_percent {
            self.holding = kept(holding_premix(losses, target), wrong);
        }
        if let (Some(limit), Some(water), Some(soft)) = (asked.limit_mg_l, asked.water_mg_l, asked.soft_mg_l)
        {
            self.plateau = kept(plateau_water(losses, limit, (water, soft)), wrong);
        }
    }

    fn tank(&mut self, asked: &Asked, wrong: &mut Vec<Wrong>) {
        let Some((marks, fill_to)) = asked.marks.zip(asked.fill_to_l) else { return };
        let holdup_l = marks.holdup_l.min(fill_to);
        self.run_back = kept(run_back(fill_to - holdup_l, holdup_l, marks.fill_l, marks.brim_l), wrong);
    }

    /// The exchange that makes the least waste.
    pub(super) fn best_exchange(&self) -> Option<&Advice<Exchange>> {
        let waste = |advice: &&Advice<Exchange>| advice.numbers.partial.map_or(f64::INFINITY, |c| c.waste_l);
        [&self.exchange, &self.exchange_soft]
            .into_iter()
            .flatten()
            .min_by(|a, b| waste(a).total_cmp(&waste(b)))
    }

    /// Whether what was asked for is reached by pouring alone, without draining and without running over.
    pub(super) fn reached(&self) -> bool {
        let mixed = self
            .top_up
            .as_ref()
            .is_none_or(|a| matches!(a.numbers.outcome, TopUpOutcome::Reached | TopUpOutcome::AsItIs));
        let soft = self.best_exchange().is_none_or(|a| {
            a.numbers.outcome == ExchangeOutcome::FillingUpIsEnough
                && a.numbers.partial.is_none_or(|change| change.waste_l <= 0.0)
        });
        let stays = self.run_back.as_ref().is_none_or(|a| a.numbers.outcome != RunBackOutcome::RunsOver);
        mixed && soft && stays && self.plateau.as_ref().is_none_or(|a| a.numbers.blend.enough)
    }

    /// All rules and all cautions, each once, in the order of what is said.
    pub(super) fn grounds(&self) -> (Vec<Rule>, Vec<Caution>) {
        let (mut rules, mut cautions) = (Vec::<Rule>::new(), Vec::<Caution>::new());
        let mut add = |of: Option<(&[Rule], &[Caution])>| {
            let (more_rules, more_cautions) = of.unwrap_or_default();
            for rule in more_rules {
                if !rules.contains(rule) {
                    rules.push(*rule);
                }
            }
            for caution in more_cautions {
                if !cautions.contains(caution) {
                    cautions.push(*caution);
                }
            }
        };
        add(self.brix.map(|_| (&[Rule::BrixTimesFactor][..], &[][..])));
        add(grounds(&self.top_up));
        add(grounds(&self.correction));
        add(grounds(&self.premix));
        add(grounds(&self.exchange));
        add(grounds(&self.exchange_soft));
        add(grounds(&self.refill));
        add(grounds(&self.water));
        add(grounds(&self.plateau));
        add(grounds(&self.holding));
        add(grounds(&self.run_back));
        (rules, cautions)
    }
}

fn grounds<N>(advice: &Option<Advice<N>>) -> Option<(&[Rule], &[Caution])> {
    advice.as_ref().map(|advice| (&advice.rules[..], &advice.cautions[..]))
}

const CURE: &str = "check the number and its unit";

/// The advice; an error is noted.
fn kept<N, E: fmt::Display>(advice: Result<Advice<N>, E>, wrong: &mut Vec<Wrong>) -> Option<Advice<N>> {
    advice.map_err(|error| wrong.push(Wrong::new(error.to_string(), CURE))).ok()
}
