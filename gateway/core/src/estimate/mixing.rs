//! Litres and percent to what has to be poured, drained or left alone.
//!
//! Plain arithmetic of mixes: volumes add, concentrate counts as 100 %, hardness and concentrate go out with what is
//! drained. Every answer is an [`Advice`]: the numbers asked with, the numbers found, the rules they rest on and the
//! cautions that belong to them. Where the target cannot be reached in the room there is, the answer names the best that
//! can, and how much would have to be drained. What the litres in a sump are, and how well known, is not known here.

mod exchange;
#[cfg(test)]
mod tests;

use schemars::JsonSchema;
use serde::Serialize;

use super::guidance::{Advice, Caution, Rule};
pub use exchange::{
    Change, Exchange, ExchangeOutcome, ExchangeRequest, FOAMS_UNDER_MG_L, Prices, TopUpWater, WaterBlend,
    exchange, top_up_water,
};
pub(super) use exchange::{blend_advice, blend_to};

/// Strongest premix to top up with, percent (company instruction built on BG rule 143).
pub const STRONGEST_PREMIX_PERCENT: f64 = 30.0;

/// Weakest premix that is still no plain water, percent (common practice, no source).
pub const WEAKEST_PREMIX_PERCENT: f64 = 1.0;

/// Litres that make no difference: what rounding leaves over.
const NOTHING_L: f64 = 1e-9;

macro_rules! inputs {
    ($($(#[$doc:meta])* $variant:ident $text:literal, $unit:literal, $low:literal ..= $high:literal;)+) => {
        /// A number that is asked with.
        #[derive(Clone, Copy, PartialEq, Eq, Debug)]
        pub enum Input { $($(#[$doc])* $variant,)+ }

        impl Input {
            /// What it is called.
            pub const fn text(self) -> &'static str {
                match self { $(Self::$variant => $text,)+ }
            }

            /// Its unit.
            pub const fn unit(self) -> &'static str {
                match self { $(Self::$variant => $unit,)+ }
            }

            /// Least and greatest value that can be meant.
            pub const fn range(self) -> (f64, f64) {
                match self { $(Self::$variant => ($low, $high),)+ }
            }
        }
    };
}

inputs! {
    /// Liquid in the sump.
    Volume "the volume in the sump", "L", 0.0 ..= 1e6;
    /// Liquid it is filled up to.
    FillTo "the volume to fill up to", "L", 0.1 ..= 1e6;
    /// Volume of the tank to its brim.
    Brim "the volume of the tank to its brim", "L", 0.1 ..= 1e6;
    /// What runs back when the pumps stop.
    HoldUp "the hold-up", "L", 0.0 ..= 1e6;
    /// Concentration in the sump.
    Now "the concentration in the sump", "%", 0.0 ..= 100.0;
    /// Concentration wanted; a fluid that is stronger than the strongest premix cannot be topped up.
    Target "the target concentration", "%", 0.1 ..= 30.0;
    /// Concentration of a premix.
    Premix "the premix", "%", 0.0 ..= 100.0;
    /// Refractometer reading.
    Brix "the refractometer reading", "Brix", 0.0 ..= 95.0;
    /// Refractometer factor.
    Factor "the refractometer factor", "%/Brix", 0.2 ..= 10.0;
    /// Hardness in the sump.
    Hardness "the hardness in the sump", "mg/L", 0.0 ..= 20000.0;
    /// Hardness not to be passed.
    Limit "the limit", "mg/L", 1.0 ..= 20000.0;
    /// Hardness of the water at hand.
    Water "the hardness of the water", "mg/L", 0.0 ..= 10000.0;
    /// Hardness of the low-mineral water.
    SoftWater "the hardness of the low-mineral water", "mg/L", 0.0 ..= 10000.0;
    /// Price of getting rid of a litre.
    WastePrice "the price of waste", "per L", 0.0 ..= 1e6;
    /// Price of a litre of concentrate.
    ConcentratePrice "the price of concentrate", "per L", 0.0 ..= 1e6;
}

/// Why there is no answer.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum MixError {
    /// A number that cannot be meant.
    #[error("{} is {value} {}; it lies from {} to {} {}",
        input.text(), input.unit(), input.range().0, input.range().1, input.unit())]
    OutOfRange {
        /// Which.
        input: Input,
        /// What it was.
        value: f64,
    },
    /// Concentrate was asked for where there is enough.
    #[error("{now} % is not weaker than the target of {target} %; concentrate only makes it stronger")]
    NotTooWeak {
        /// Concentration in the sump.
        now: f64,
        /// Target.
        target: f64,
    },
    /// Water was asked for where there is enough.
    #[error("{now} % is not stronger than the target of {target} %; water only makes it weaker")]
    NotTooStrong {
        /// Concentration in the sump.
        now: f64,
        /// Target.
        target: f64,
    },
    /// The low-mineral water is the harder one.
    #[error(
        "the low-mineral water has {soft} mg/L and the other {hard} mg/L; the low-mineral one is the softer one"
    )]
    WatersSwapped {
        /// Water at hand.
        hard: f64,
        /// Low-mineral water.
        soft: f64,
    },
    /// No premix within the rules leads there.
    #[error(
        "no premix from 1 to 30 % leads from {now} % to {target} %; drain some and refill, with a volume to fill up to"
    )]
    NoPremix {
        /// Concentration in the sump.
        now: f64,
        /// Target.
        target: f64,
    },
    /// Nothing in the sump to be corrected.
    #[error("the sump is empty; fill it with a mix at the target concentration")]
    Empty,
    /// Less room to the brim than to the fill mark.
    #[error("the brim at {brim} L lies below the fill mark at {fill} L; the mark lies at or below the brim")]
    BrimUnderMark {
        /// Volume to the brim.
        brim: f64,
        /// Volume to the mark.
        fill: f64,
    },
}

/// The number if it can be meant.
pub(super) fn checked(input: Input, value: f64) -> Result<f64, MixError> {
    let (low, high) = input.range();
    // NaN lies in no range.
    if (low..=high).contains(&value) { Ok(value) } else { Err(MixError::OutOfRange { input, value }) }
}

/// An amount of mixed coolant.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, JsonSchema)]
pub struct Mix {
    /// How much, L.
    pub litres: f64,
    /// Concentrate in it, percent by volume.
    pub percent: f64,
}

impl Mix {
    /// Litres × percent: a hundred times the concentrate.
    fn load(self) -> f64 {
        self.litres * self.percent
    }

    /// With so much of another concentration poured in.
    fn and(self, litres: f64, percent: f64) -> Self {
        let sum = self.litres + litres;
        let load = self.load() + litres * percent;
        Self { litres: sum, percent: if sum > 0.0 { load / sum } else { 0.0 } }
    }

    fn checked(self) -> Result<Self, MixError> {
        Ok(Self { litres: checked(Input::Volume, self.litres)?, percent: checked(Input::Now, self.percent)? })
    }
}

/// A premix to be poured in, and what it is made of.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, JsonSchema)]
pub struct Pour {
    /// How much, L.
    pub litres: f64,
    /// Its strength, percent by volume.
    pub premix_percent: f64,
    /// Concentrate in it, L.
    pub concentrate_l: f64,
    /// Water in it, L.
    pub water_l: f64,
}

impl Pour {
    /// So much of such a strength.
    pub fn of(litres: f64, premix_percent: f64) -> Self {
        let concentrate_l = litres * premix_percent / 100.0;
        Self { litres, premix_percent, concentrate_l, water_l: litres - concentrate_l }
    }
}

/// Percent of a refractometer reading: Brix times the product's factor.
pub fn percent_of_brix(brix: f64, factor: f64) -> Result<Advice<f64>, MixError> {
    let percent = checked(Input::Brix, brix)? * checked(Input::Factor, factor)?;
    Ok(Advice::new(percent, &[Rule::BrixTimesFactor], &[]))
}

/// How a top-up ends.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TopUpOutcome {
    /// Volume and concentration are there already.
    AsItIs,
    /// Both are reached together.
    Reached,
    /// Even the weakest premix leaves it too strong.
    StaysTooStrong,
    /// Even the strongest premix leaves it too weak.
    StaysTooWeak,
    /// There is more in it than it is to be filled up to.
    TooFull,
}

/// Draining first, so that the refill reaches the target.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, JsonSchema)]
pub struct Drain {
    /// Waste, L.
    pub waste_l: f64,
    /// What is filled in afterwards.
    pub refill: Pour,
}

/// A top-up that brings volume and concentration to target together.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, JsonSchema)]
pub struct TopUp {
    /// In the sump now.
    pub now: Mix,
    /// Wanted.
    pub target: Mix,
    /// Room for it, L; under 0 where there is too much in it.
    pub room_l: f64,
    /// Strength that would do it, percent; below 0 or over 100 says that nothing poured in could. `None` without room.
    pub needed_percent: Option<f64>,
    /// How it ends.
    pub outcome: TopUpOutcome,
    /// What to pour in, the best there is; `None` where nothing helps.
    pub pour: Option<Pour>,
    /// What is in the sump afterwards.
    pub reached: Mix,
    /// Where the target is not reached: the least to drain so that it is.
    pub drain: Option<Drain>,
}

/// The top-up that brings `now` to the litres and the concentration of `target`.
pub fn top_up(now: Mix, target: Mix) -> Result<Advice<TopUp>, MixError> {
    let now = now.checked()?;
    let target = Mix {
        litres: checked(Input::FillTo, target.litres)?,
        percent: checked(Input::Target, target.percent)?,
    };
    let room = target.litres - now.litres;
    let lack = target.load() - now.load();
    let weakest = WEAKEST_PREMIX_PERCENT.min(target.percent);
    // A hundred times the litres of concentrate that rounding may leave over.
    let slack = 100.0 * NOTHING_L;
    let (outcome, strength) = if room < -NOTHING_L {
        (TopUpOutcome::TooFull, 0.0)
    } else if room <= NOTHING_L && lack.abs() <= slack {
        (TopUpOutcome::AsItIs, 0.0)
    } else if lack < weakest * room - slack {
        (TopUpOutcome::StaysTooStrong, weakest)
    } else if lack > STRONGEST_PREMIX_PERCENT * room + slack {
        (TopUpOutcome::StaysTooWeak, STRONGEST_PREMIX_PERCENT)
    } else {
        (TopUpOutcome::Reached, lack / room)
    };
    let pour = (room > NOTHING_L).then(|| Pour::of(room, strength));
    let drain = match outcome {
        TopUpOutcome::AsItIs | TopUpOutcome::Reached => None,
        TopUpOutcome::StaysTooStrong | TopUpOutcome::StaysTooWeak | TopUpOutcome::TooFull => {
            Some(drain_for(now, target, weakest))
        }
    };
    let needed_percent = (room > NOTHING_L).then(|| lack / room);
    let reached = pour.map_or(now, |pour| now.and(pour.litres, pour.premix_percent));
    let numbers = TopUp { now, target, room_l: room, needed_percent, outcome, pour, reached, drain };
    let (rules, cautions) = top_up_words(outcome, now, target);
    Ok(Advice::new(numbers, rules, cautions))
}

/// The least to drain so that a refill to the target's litres reaches its concentration. Least waste means the premix
/// that is farthest on the other side.
fn drain_for(now: Mix, target: Mix, weakest: f64) -> Drain {
    let strength = match now.percent {
        percent if percent > target.percent => weakest,
        percent if percent < target.percent => STRONGEST_PREMIX_PERCENT,
        _ => target.percent,
    };
    // As strong as wanted: nothing has to be exchanged, only what is too much goes. Also where the target is the
    // weakest or strongest premix itself and so nothing of the old may stay.
    let away = now.percent - strength;
    let refill_l = if away == 0.0 { 0.0 } else { target.litres * (now.percent - target.percent) / away };
    let waste_l = (now.litres - (target.litres - refill_l)).max(0.0);
    Drain { waste_l, refill: Pour::of(target.litres - (now.litres - waste_l), strength) }
}

/// Cautions of whatever is poured in.
const POUR: &[Caution] =
    &[Caution::DataSheetFirst, Caution::GlovesAndEyes, Caution::LeaveRoom, Caution::MeasureAfter];

fn top_up_words(outcome: TopUpOutcome, now: Mix, target: Mix) -> (&'static [Rule], &'static [Caution]) {
    use Caution::{DataSheetFirst, GlovesAndEyes, LeaveRoom, LicensedWaste, MeasureAfter};
    const DRAIN: &[Caution] = &[DataSheetFirst, GlovesAndEyes, LicensedWaste, LeaveRoom, MeasureAfter];
    match outcome {
        TopUpOutcome::AsItIs => (&[Rule::MassBalance], &[]),
        TopUpOutcome::Reached if now.litres <= NOTHING_L => {
            (&[Rule::MassBalance, Rule::ConcentrateIntoWater, Rule::FillWaterHardness], POUR)
        }
        TopUpOutcome::Reached if now.percent > target.percent => (
            &[
                Rule::MassBalance,
                Rule::ConcentrateIntoWater,
                Rule::TooStrongWeakPremix,
                Rule::WeakestPremix,
                Rule::LowMineralTopUp,
            ],
            POUR,
        ),
        TopUpOutcome::Reached => (
            &[
                Rule::MassBalance,
                Rule::ConcentrateIntoWater,
                Rule::TooWeakStrongPremix,
                Rule::LowMineralTopUp,
            ],
            POUR,
        ),
        TopUpOutcome::StaysTooStrong => (
            &[
                Rule::TooStrongWeakPremix,
                Rule::WeakestPremix,
                Rule::MassBalance,
                Rule::ConcentrateIntoWater,
                Rule::LowMineralTopUp,
            ],
            DRAIN,
        ),
        TopUpOutcome::StaysTooWeak => (
            &[
                Rule::TooWeakStrongPremix,
                Rule::MassBalance,
                Rule::ConcentrateIntoWater,
                Rule::LowMineralTopUp,
            ],
            DRAIN,
        ),
        TopUpOutcome::TooFull => (&[Rule::MassBalance, Rule::RunBack], DRAIN),
    }
}

/// What a premix that is at hand does.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct WithPremix {
    /// In the sump now.
    pub now: Mix,
    /// Its strength, percent.
    pub premix_percent: f64,
    /// Filling the room with it, where there is a mark to fill up to.
    pub filled: Option<Filled>,
    /// Target it is held against, percent.
    pub target_percent: f64,
    /// Litres of it that bring the concentration to target; `None` where no amount does.
    pub to_target_l: Option<f64>,
}

/// A room filled with a premix.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Filled {
    /// What fills it.
    pub pour: Pour,
    /// What is in the sump then.
    pub reached: Mix,
}

impl WithPremix {
    /// Whether the litres that lead to the target fit; `None` where nobody says what does, or no amount leads there.
    pub fn fits(&self) -> Option<bool> {
        Some(self.to_target_l? <= self.filled?.pour.litres + NOTHING_L)
    }
}

/// What filling up to `fill_to_l`, if that is known, with a premix of `premix_percent` does, and how much of it would reach
/// the target. An empty sump is at the premix's strength with the first drop.
pub fn with_premix(
    now: Mix,
    fill_to_l: Option<f64>,
    premix_percent: f64,
    target_percent: f64,
) -> Result<Advice<WithPremix>, MixError> {
    let now = now.checked()?;
    let premix = checked(Input::Premix, premix_percent)?;
    let target = checked(Input::Target, target_percent)?;
    let filled = match fill_to_l {
        None => None,
        Some(fill_to_l) => {
            let room = (checked(Input::FillTo, fill_to_l)? - now.litres).max(0.0);
            Some(Filled { pour: Pour::of(room, premix), reached: now.and(room, premix) })
        }
    };
    let to_target_l = if now.litres <= NOTHING_L {
        (premix == target).then(|| filled.map_or(0.0, |filled| filled.pour.litres))
    } else if now.percent == target {
        Some(0.0)
    } else {
        let litres = now.litres * (target - now.percent) / (premix - target);
        Some(litres).filter(|l| l.is_finite() && *l >= 0.0)
    };
    let numbers = WithPremix { now, premix_percent: premix, filled, target_percent: target, to_target_l };
    let mut rules = vec![Rule::MassBalance, Rule::ConcentrateIntoWater];
    if premix > STRONGEST_PREMIX_PERCENT {
        rules.insert(0, Rule::TooWeakStrongPremix);
    }
    if premix < WEAKEST_PREMIX_PERCENT {
        rules.insert(0, Rule::TooStrongWeakPremix);
    }
    Ok(Advice::new(numbers, &rules, POUR))
}

/// A concentration corrected by adding only, with no mark to fill up to.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Correction {
    /// In the sump now.
    pub now: Mix,
    /// Wanted, percent.
    pub target_percent: f64,
    /// Neat concentrate or plain water that would do it, L: for reckoning, not for pouring.
    pub neat_l: f64,
    /// The premix that does it by the rules.
    pub pour: Pour,
    /// What is in the sump after the premix.
    pub reached: Mix,
}

/// Concentrate that brings a sump that is too weak to target; by the rules as the strongest premix.
pub fn add_concentrate(now: Mix, target_percent: f64) -> Result<Advice<Correction>, MixError> {
    let (now, target) = correctable(now, target_percent)?;
    if now.percent >= target {
        return Err(MixError::NotTooWeak { now: now.percent, target });
    }
    // Where the target is the strongest premix itself only neat concentrate would lead there.
    if target >= STRONGEST_PREMIX_PERCENT {
        return Err(MixError::NoPremix { now: now.percent, target });
    }
    let litres = |strength: f64| now.litres * (target - now.percent) / (strength - target);
    let strength = STRONGEST_PREMIX_PERCENT;
    let rules = [Rule::TooWeakStrongPremix, Rule::MassBalance, Rule::ConcentrateIntoWater];
    Ok(correction(now, target, litres(100.0), Pour::of(litres(strength), strength), &rules))
}

/// Water that brings a sump that is too strong to target; by the rules as the weakest premix.
pub fn add_water(now: Mix, target_percent: f64) -> Result<Advice<Correction>, MixError> {
    let (now, target) = correctable(now, target_percent)?;
    if now.percent <= target {
        return Err(MixError::NotTooStrong { now: now.percent, target });
    }
    // Where the target is as weak as the weakest premix only plain water would lead there.
    if target <= WEAKEST_PREMIX_PERCENT {
        return Err(MixError::NoPremix { now: now.percent, target });
    }
    let litres = |strength: f64| now.litres * (now.percent - target) / (target - strength);
    let strength = WEAKEST_PREMIX_PERCENT;
    let rules = [
        Rule::TooStrongWeakPremix,
        Rule::WeakestPremix,
        Rule::MassBalance,
        Rule::ConcentrateIntoWater,
        Rule::LowMineralTopUp,
    ];
    Ok(correction(now, target, litres(0.0), Pour::of(litres(strength), strength), &rules))
}

fn correctable(now: Mix, target_percent: f64) -> Result<(Mix, f64), MixError> {
    let (now, target) = (now.checked()?, checked(Input::Target, target_percent)?);
    if now.litres <= NOTHING_L { Err(MixError::Empty) } else { Ok((now, target)) }
}

fn correction(now: Mix, target_percent: f64, neat_l: f64, pour: Pour, rules: &[Rule]) -> Advice<Correction> {
    let reached = now.and(pour.litres, pour.premix_percent);
    let numbers = Correction { now, target_percent, neat_l, pour, reached };
    Advice::new(numbers, rules, POUR)
}

/// What happens to the tank when the pumps stop.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunBackOutcome {
    /// Stays at or under the fill mark.
    Fits,
    /// Rises over the fill mark and stays in the tank.
    OverMark,
    /// Runs over the brim.
    RunsOver,
}

/// Room while the pumps run, and what is left of it once they stop.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct RunBack {
    /// In the tank while the pumps run, L.
    pub in_tank_l: f64,
    /// Runs back when they stop, L.
    pub holdup_l: f64,
    /// In the tank then, or it would be, L.
    pub after_l: f64,
    /// Litres that may still be poured in, L; under 0 where it is too much already.
    pub room_l: f64,
    /// Litres over the brim, L.
    pub spills_l: f64,
    /// How it ends.
    pub outcome: RunBackOutcome,
}

/// What a tank filled to `in_tank_l` with running pumps does when they stop.
pub fn run_back(
    in_tank_l: f64,
    holdup_l: f64,
    fill_l: f64,
    brim_l: f64,
) -> Result<Advice<RunBack>, MixError> {
    let in_tank_l = checked(Input::Volume, in_tank_l)?;
    let holdup_l = checked(Input::HoldUp, holdup_l)?;
    let (fill_l, brim_l) = (checked(Input::FillTo, fill_l)?, checked(Input::Brim, brim_l)?);
    if brim_l < fill_l {
        return Err(MixError::BrimUnderMark { brim: brim_l, fill: fill_l });
    }
    let after_l = in_tank_l + holdup_l;
    let spills_l = (after_l - brim_l).max(0.0);
    let outcome = match (spills_l > NOTHING_L, after_l > fill_l + NOTHING_L) {
        (true, _) => RunBackOutcome::RunsOver,
        (false, true) => RunBackOutcome::OverMark,
        (false, false) => RunBackOutcome::Fits,
    };
    let numbers = RunBack { in_tank_l, holdup_l, after_l, room_l: fill_l - after_l, spills_l, outcome };
    Ok(Advice::new(numbers, &[Rule::RunBack], &[Caution::LeaveRoom]))
}
