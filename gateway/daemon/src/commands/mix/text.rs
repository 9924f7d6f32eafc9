//! An answer in words: first what to do, then the numbers, the rules with their sources, and what to mind.
//!
//! All sentences of the command stand here; those of rules and cautions are the core's.

use serde_json::{Value, json};
use sumpwarden_core::estimate::guidance::NO_SAFETY_SYSTEM;
use sumpwarden_core::estimate::mixing::{
    Change, Correction, Drain, Exchange, ExchangeOutcome, Mix, Pour, RunBack, RunBackOutcome, TopUp,
    TopUpOutcome, TopUpWater, WithPremix,
};
use sumpwarden_core::estimate::outlook::{HoldingPremix, Plateau, PlateauWater};
use sumpwarden_core::model::Unit;

use super::answer::Answer;

/// Longest line for people.
const WIDTH: usize = 100;

/// Column in which the values of the numbers start.
const VALUES_AT: usize = 26;

/// Under this much a litre or a percent more is nothing.
const NOTHING: f64 = 0.005;

/// What is said, for people.
pub(super) fn as_text(answer: &Answer, unit: Unit) -> String {
    let say = Say { unit };
    let mut out = String::new();
    for line in say.answer(answer) {
        wrapped(&mut out, "", &line);
    }
    let steps = say.steps(answer);
    if !steps.is_empty() {
        out.push('\n');
    }
    for (step, number) in steps.iter().zip(1..) {
        wrapped(&mut out, &format!("  {number}. "), step);
    }
    out.push_str("\nNumbers\n");
    for (label, value) in say.numbers(answer) {
        out.push_str(&format!("  {label:<width$}{value}\n", width = VALUES_AT - 2));
    }
    let (rules, cautions) = answer.grounds();
    if !rules.is_empty() {
        out.push_str("\nRules\n");
    }
    for rule in rules {
        wrapped(&mut out, "  - ", &format!("{} [{}]", rule.text(), rule.source()));
    }
    if !cautions.is_empty() {
        out.push_str("\nMind\n");
    }
    for caution in cautions {
        wrapped(&mut out, "  - ", &format!("{} [{}]", caution.text(), caution.source()));
    }
    out.push('\n');
    wrapped(&mut out, "", NO_SAFETY_SYSTEM);
    out
}

/// What is said, for machines: the numbers in L and mg/L whatever the sentences are written in.
pub(super) fn as_json(answer: &Answer, unit: Unit) -> Value {
    let say = Say { unit };
    let mut advice = serde_json::to_value(answer).expect("plain data is JSON");
    if let Some(parts) = advice.as_object_mut() {
        parts.retain(|_, part| !part.is_null());
    }
    json!({
        "answer": say.answer(answer),
        "steps": say.steps(answer),
        "reached": answer.reached(),
        "advice": advice,
        "notice": NO_SAFETY_SYSTEM,
    })
}

/// Appends `text` broken at spaces, the first line after `lead`, the others under its text.
fn wrapped(out: &mut String, lead: &str, text: &str) {
    out.push_str(lead);
    let indent = lead.chars().count();
    let mut column = indent;
    for word in text.split(' ') {
        let length = word.chars().count();
        if column > indent && column + 1 + length > WIDTH {
            out.push('\n');
            out.push_str(&" ".repeat(indent));
            column = indent;
        } else if column > indent {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
    }
    out.push('\n');
}

fn percent(value: f64) -> String {
    format!("{value:.2} %")
}

fn hardness(mg_l: f64) -> String {
    format!("{mg_l:.0} mg/L")
}

fn share(value: f64) -> String {
    // Rounded up: a share that is meant to keep something under a limit is no smaller than needed.
    // Nothing is added to make the zero of a rounded nothing a plain one.
    format!("{:.0} %", (value * 100.0 - 1e-9).ceil() + 0.0)
}

/// Writes volumes in one unit.
struct Say {
    unit: Unit,
}

impl Say {
    /// Litres as they are poured: two decimals where it is little.
    fn volume(&self, litres: f64) -> String {
        let value = Unit::Litre.convert(litres, self.unit).unwrap_or(litres);
        let name = if self.unit == Unit::GallonUs { "gal" } else { "L" };
        match value.abs() {
            much if much >= 100.0 => format!("{value:.0} {name}"),
            some if some >= 10.0 => format!("{value:.1} {name}"),
            _ => format!("{value:.2} {name}"),
        }
    }

    fn mix(&self, mix: Mix) -> String {
        format!("{} at {}", self.volume(mix.litres), percent(mix.percent))
    }

    fn premix(&self, pour: Pour) -> String {
        format!(
            "{} of a premix of {} ({} of concentrate into {} of water)",
            self.volume(pour.litres),
            percent(pour.premix_percent),
            self.volume(pour.concentrate_l),
            self.volume(pour.water_l)
        )
    }

    /// What to do, a sentence or two for each question.
    fn answer(&self, answer: &Answer) -> Vec<String> {
        let mut lines = Vec::new();
        // What must not be done comes before anything that could be.
        let tank = answer.run_back.as_ref().map(|a| &a.numbers);
        let (stop, over) = tank.map_or((None, None), |tank| match tank.outcome {
            RunBackOutcome::RunsOver => (self.run_back(tank), None),
            RunBackOutcome::OverMark | RunBackOutcome::Fits => (None, self.run_back(tank)),
        });
        lines.extend(stop);
        // Where something has to go first, what to pour without that comes after it and says so.
        let refill = drained_refill(answer);
        lines.extend(refill.map(|(exchange, waste, refill)| self.refill(exchange, waste, refill)));
        let alone = if refill.is_some() { "Without regard to hardness: " } else { "" };
        lines.extend(answer.top_up.as_ref().map(|a| format!("{alone}{}", self.top_up(&a.numbers))));
        lines.extend(answer.correction.as_ref().map(|a| self.correction(&a.numbers)));
        lines.extend(answer.premix.as_ref().map(|a| self.with_premix(&a.numbers)));
        lines.extend(answer.exchange.as_ref().map(|a| self.exchange("the water at hand", &a.numbers)));
        lines.extend(
            answer.exchange_soft.as_ref().map(|a| self.exchange("the low-mineral water", &a.numbers)),
        );
        lines.extend(answer.water.as_ref().and_then(|a| self.water(&a.numbers)));
        lines.extend(answer.plateau.as_ref().map(|a| plateau_line(&a.numbers)));
        lines.extend(answer.holding.as_ref().map(|a| holding_line(&a.numbers)));
        lines.extend(over);
        lines
    }

    fn top_up(&self, plan: &TopUp) -> String {
        let target = percent(plan.target.percent);
        let best = plan.pour.map(|pour| {
            format!(" Filling up with {} brings it to {}.", self.premix(pour), percent(plan.reached.percent))
        });
        let best = best.unwrap_or_default();
        let drain = plan.drain.map(|drain| self.drain(drain)).unwrap_or_default();
        match plan.outcome {
            TopUpOutcome::AsItIs => format!("Nothing to pour: {} is what is wanted.", self.mix(plan.now)),
            TopUpOutcome::Reached => {
                plan.pour.map_or_else(String::new, |pour| format!("Pour in {}.", self.premix(pour)))
            }
            TopUpOutcome::StaysTooStrong => {
                format!(
                    "Too strong for the room there is: {target} cannot be reached by pouring alone.{best} For {target}, {drain}"
                )
            }
            TopUpOutcome::StaysTooWeak => {
                format!(
                    "Too weak for the room there is: {target} cannot be reached by pouring alone.{best} For {target}, {drain}"
                )
            }
            TopUpOutcome::TooFull => {
                format!(
                    "{} too much in it. For {}, {drain}",
                    self.volume(-plan.room_l),
                    self.mix(plan.target)
                )
            }
        }
    }

    fn drain(&self, drain: Drain) -> String {
        let waste = self.volume(drain.waste_l);
        match drain.refill.litres > NOTHING {
            true => format!("drain {waste} first and refill with {}.", self.premix(drain.refill)),
            false => format!("drain {waste}."),
        }
    }

    fn correction(&self, correction: &Correction) -> String {
        format!(
            "Pour in {}: {} becomes {}.",
            self.premix(correction.pour),
            self.mix(correction.now),
            self.mix(correction.reached)
        )
    }

    fn with_premix(&self, premix: &WithPremix) -> String {
        let strength = percent(premix.premix_percent);
        let target = percent(premix.target_percent);
        let filled = match premix.filled.filter(|filled| filled.pour.litres > NOTHING) {
            Some(filled) => format!(
                "Filling up with {} of the premix of {strength} gives {}; ",
                self.volume(filled.pour.litres),
                percent(filled.reached.percent)
            ),
            None => format!("Of the premix of {strength}, "),
        };
        let to_target = match (premix.to_target_l, premix.fits()) {
            (None, _) => format!("no amount of it leads to {target}."),
            (Some(litres), None | Some(true)) => format!("{} of it lead to {target}.", self.volume(litres)),
            (Some(litres), Some(false)) => {
                format!("{} of it would lead to {target}, more than fits.", self.volume(litres))
            }
        };
        filled + &to_target
    }

    fn exchange(&self, water: &str, exchange: &Exchange) -> String {
        let (limit, refill) = (hardness(exchange.limit), hardness(exchange.refill));
        let with = format!("with {water} ({refill})");
        let Some(change) = exchange.partial else {
            return format!("No exchange {with} gets under {limit}: it is over that itself.");
        };
        let dump = self.change(&exchange.full_dump);
        match exchange.outcome {
            ExchangeOutcome::FillingUpIsEnough if change.waste_l <= NOTHING => {
                format!(
                    "Hardness, limit {limit}: nothing has to be drained; filled up {with} it is {}.",
                    hardness(change.after)
                )
            }
            ExchangeOutcome::FillingUpIsEnough => {
                format!(
                    "Hardness, limit {limit}: drain the {} that are too much; it is {} then.",
                    self.volume(change.waste_l),
                    hardness(change.after)
                )
            }
            ExchangeOutcome::Exchange | ExchangeOutcome::RefillOverLimit => {
                format!(
                    "Hardness, limit {limit}: drain {} and refill with {} {with}. That is {}; a full dump is {dump}.",
                    self.volume(change.waste_l),
                    self.volume(change.refill_l),
                    self.change(&change)
                )
            }
        }
    }

    /// Waste and what it costs, as far as prices are known.
    fn change(&self, change: &Change) -> String {
        let waste = format!("{} of waste", self.volume(change.waste_l));
        match (change.waste_cost, change.concentrate_cost) {
            (None, None) => waste,
            (Some(cost), None) => format!("{waste} at {cost:.2}"),
            (None, Some(cost)) => format!("{waste} and {cost:.2} for concentrate"),
            (Some(one), Some(other)) => {
                format!("{waste} at {one:.2} and {other:.2} for concentrate, {:.2} in all", one + other)
            }
        }
    }

    fn refill(&self, exchange: &Exchange, waste_l: f64, refill: &TopUp) -> String {
        let pour = refill.pour.map_or_else(String::new, |pour| self.premix(pour));
        let reached = percent(refill.reached.percent);
        format!(
            "For hardness and concentration together, drain {} and refill with {pour}, its water of at most {}: {reached} \
             and {} then.",
            self.volume(waste_l),
            hardness(exchange.refill),
            hardness(exchange.limit)
        )
    }

    fn water(&self, water: &TopUpWater) -> Option<String> {
        let fills = water.fill_to_l - water.now_l > NOTHING;
        let (after, limit) = (hardness(water.after_mg_l), hardness(water.limit_mg_l));
        match (fills, water.blend.enough) {
            (true, true) if water.blend.soft_share > 0.0 => Some(format!(
                "Without draining: {} of low-mineral water in what is filled up keeps it at {limit}.",
                share(water.blend.soft_share)
            )),
            (true, false) => {
                Some(format!("Filling up alone, even with low-mineral water only, leaves it at {after}."))
            }
            (true, true) | (false, _) => None,
        }
    }

    fn run_back(&self, tank: &RunBack) -> Option<String> {
        let filled = self.volume(tank.after_l);
        match tank.outcome {
            RunBackOutcome::Fits => None,
            RunBackOutcome::OverMark => Some(format!(
                "{filled} stand {} over the fill mark when the pumps stop.",
                self.volume(-tank.room_l)
            )),
            RunBackOutcome::RunsOver => Some(format!(
                "STOP: the tank does not hold {filled}. It runs over by {} when the pumps stop.",
                self.volume(tank.spills_l)
            )),
        }
    }

    /// Draining and pouring in order, the way that reaches what is wanted; none where the tank would run over.
    fn steps(&self, answer: &Answer) -> Vec<String> {
        if answer.run_back.as_ref().is_some_and(|a| a.numbers.outcome == RunBackOutcome::RunsOver) {
            return Vec::new();
        }
        let (waste_l, pour) = drain_and_pour(answer);
        let mut steps = Vec::new();
        if waste_l > NOTHING {
            steps.push(format!("Drain {} into a waste container.", self.volume(waste_l)));
        }
        let Some(pour) = pour.filter(|pour| pour.litres > NOTHING) else { return steps };
        steps.push(format!(
            "Put {} of water into a clean container, softened or demineralised where there is some.",
            self.volume(pour.water_l)
        ));
        if pour.concentrate_l > 0.0 {
            steps.push(format!(
                "Stir {} of concentrate into it. Never pour water into concentrate.",
                self.volume(pour.concentrate_l)
            ));
        }
        steps.push("Add it to the sump with the pumps running, circulate, and measure again.".to_owned());
        steps
    }

    /// What was asked with and what came of it, as label and value.
    fn numbers(&self, answer: &Answer) -> Vec<(&'static str, String)> {
        let mut rows: Vec<(&'static str, String)> = Vec::new();
        if let Some((brix, factor)) = answer.brix {
            rows.push(("refractometer", format!("{brix} Brix × {factor} = {}", percent(brix * factor))));
        }
        if let Some(plan) = answer.top_up.as_ref().map(|a| &a.numbers) {
            rows.push(("in the sump", self.mix(plan.now)));
            rows.push(("wanted", self.mix(plan.target)));
            rows.push(("room", self.volume(plan.room_l)));
            rows.extend(plan.needed_percent.map(|needed| {
                let possible = (0.0..=100.0).contains(&needed);
                let none = || "none could".to_owned();
                ("premix it would take", if possible { percent(needed) } else { none() })
            }));
            rows.extend(plan.pour.map(|pour| ("poured in", self.pour(pour))));
            rows.push(("afterwards", self.mix(plan.reached)));
            if let Some(drain) = plan.drain {
                rows.push(("or drained", self.volume(drain.waste_l)));
                rows.push(("  and refilled", self.pour(drain.refill)));
            }
        }
        if let Some(correction) = answer.correction.as_ref().map(|a| &a.numbers) {
            rows.push(("in the sump", self.mix(correction.now)));
            rows.push(("wanted", percent(correction.target_percent)));
            rows.push(("poured in", self.pour(correction.pour)));
            rows.push(("afterwards", self.mix(correction.reached)));
            rows.push(("neat, not to be poured", self.volume(correction.neat_l)));
        }
        if let Some(filled) = answer.premix.as_ref().and_then(|a| a.numbers.filled) {
            rows.push(("the premix, filled up", self.pour(filled.pour)));
            rows.push(("  afterwards", self.mix(filled.reached)));
        }
        self.hardness_numbers(answer, &mut rows);
        let refill = drained_refill(answer).and_then(|(_, _, refill)| refill.pour);
        rows.extend(refill.map(|pour| ("refill after draining", self.pour(pour))));
        if let Some(tank) = answer.run_back.as_ref().map(|a| &a.numbers) {
            rows.push((
                "when the pumps stop",
                format!("{}, of it run back {}", self.volume(tank.after_l), self.volume(tank.holdup_l)),
            ));
        }
        rows
    }

    fn hardness_numbers(&self, answer: &Answer, rows: &mut Vec<(&'static str, String)>) {
        let mut exchange = |label, exchange: &Exchange| {
            rows.push((
                label,
                format!(
                    "{} to {}, limit {}",
                    hardness(exchange.now),
                    hardness(exchange.partial.map_or(exchange.full_dump.after, |c| c.after)),
                    hardness(exchange.limit)
                ),
            ));
            rows.extend(exchange.partial.map(|c| {
                ("  drained, refilled", format!("{}, {}", self.volume(c.waste_l), self.volume(c.refill_l)))
            }));
            let dump = exchange.full_dump;
            rows.push((
                "  full dump, filled",
                format!("{}, {}", self.volume(dump.waste_l), self.volume(dump.refill_l)),
            ));
        };
        if let Some(advice) = &answer.exchange {
            exchange("hardness, water at hand", &advice.numbers);
        }
        if let Some(advice) = &answer.exchange_soft {
            exchange("hardness, low-mineral", &advice.numbers);
        }
        let blends = [
            answer.water.as_ref().map(|a| ("water to fill up with", a.numbers.blend)),
            answer.plateau.as_ref().map(|a| ("water day by day", a.numbers.blend)),
        ];
        for (label, blend) in blends.into_iter().flatten() {
            rows.push((
                label,
                format!("{} low-mineral, {} in all", share(blend.soft_share), hardness(blend.blend_mg_l)),
            ));
        }
        let losses = answer
            .plateau
            .as_ref()
            .map(|a| a.numbers.losses)
            .or(answer.holding.as_ref().map(|a| a.numbers.losses));
        rows.extend(losses.map(|losses| {
            (
                "lost a day",
                format!(
                    "{} evaporated, {} carried off",
                    self.volume(losses.evaporation_l_d),
                    self.volume(losses.dragout_l_d)
                ),
            )
        }));
    }

    fn pour(&self, pour: Pour) -> String {
        format!(
            "{} at {} = {} concentrate + {} water",
            self.volume(pour.litres),
            percent(pour.premix_percent),
            self.volume(pour.concentrate_l),
            self.volume(pour.water_l)
        )
    }
}

/// The exchange against hardness that makes the least waste, that waste in L and the refill that suits it, where anything
/// has to be drained.
fn drained_refill(answer: &Answer) -> Option<(&Exchange, f64, &TopUp)> {
    let exchange = &answer.best_exchange()?.numbers;
    let waste_l = exchange.partial?.waste_l;
    let refill = answer.refill.as_ref().filter(|a| waste_l > NOTHING && a.numbers.pour.is_some())?;
    Some((exchange, waste_l, &refill.numbers))
}

/// What to drain first, L, and what to pour in then, so that what is wanted is reached.
fn drain_and_pour(answer: &Answer) -> (f64, Option<Pour>) {
    if let Some((_, waste_l, refill)) = drained_refill(answer) {
        return (waste_l, refill.pour);
    }
    match answer.top_up.as_ref().map(|a| &a.numbers) {
        Some(TopUp { drain: Some(drain), .. }) => (drain.waste_l, Some(drain.refill)),
        Some(plan) => (0.0, plan.pour),
        None => (0.0, answer.correction.as_ref().map(|a| a.numbers.pour)),
    }
}

fn plateau_line(water: &PlateauWater) -> String {
    let tends = match water.plateau_untreated {
        Plateau::At(mg_l) => format!("tends to {}", hardness(mg_l)),
        Plateau::Rises => "rises without end".to_owned(),
    };
    let limit = hardness(water.limit_mg_l);
    let with = match (water.blend.soft_share > 0.0, water.blend.enough) {
        (false, _) => format!("which stays at or under {limit}"),
        (true, true) => {
            format!(
                "{} of low-mineral water in every top-up keeps it at {limit}",
                share(water.blend.soft_share)
            )
        }
        (true, false) => format!("even low-mineral water alone does not keep it at {limit}"),
    };
    format!("Day by day, hardness {tends} with the water at hand; {with}.")
}

fn holding_line(premix: &HoldingPremix) -> String {
    let (strength, target) = (percent(premix.premix_percent), percent(premix.target_percent));
    match premix.holds {
        true => format!("Day by day, a premix of {strength} holds {target}."),
        false => format!(
            "Day by day, less than the weakest premix of {strength} would hold {target}: with it the concentration rises."
        ),
    }
}
