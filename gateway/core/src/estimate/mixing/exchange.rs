//! Hardness of waters and sumps to shares of low-mineral water and to the least that has to be drained.

use serde::Serialize;

use super::super::guidance::{Advice, Caution, Rule};
use super::{Input, MixError, NOTHING_L, checked};

/// Hardness under which water makes many fluids foam, mg/L as CaCO3 (trade article on a university optics centre's
/// series on water quality, 1994-95).
pub const FOAMS_UNDER_MG_L: f64 = 70.0;

/// Two waters mixed so that the hardness stays at a limit.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct WaterBlend {
    /// Water at hand, mg/L as CaCO3.
    pub water_mg_l: f64,
    /// Low-mineral water, mg/L as CaCO3.
    pub soft_mg_l: f64,
    /// Hardness the blend may have at most, mg/L; under 0 says that no water could do.
    pub wanted_mg_l: f64,
    /// Least share of low-mineral water, 0 to 1; 1 where even that is not enough.
    pub soft_share: f64,
    /// Hardness of the blend, mg/L.
    pub blend_mg_l: f64,
    /// Whether the blend stays at or under what is wanted.
    pub enough: bool,
}

/// The blend whose hardness is at most `wanted_mg_l`, a number worked out from others and so without a range.
pub(in super::super) fn blend_to(
    water_mg_l: f64,
    soft_mg_l: f64,
    wanted_mg_l: f64,
) -> Result<WaterBlend, MixError> {
    let water = checked(Input::Water, water_mg_l)?;
    let soft = checked(Input::SoftWater, soft_mg_l)?;
    if soft > water {
        return Err(MixError::WatersSwapped { hard: water, soft });
    }
    let soft_share = if water <= wanted_mg_l {
        0.0
    } else if soft >= wanted_mg_l {
        1.0
    } else {
        (water - wanted_mg_l) / (water - soft)
    };
    let blend_mg_l = water + soft_share * (soft - water);
    let enough = water <= wanted_mg_l || soft <= wanted_mg_l;
    Ok(WaterBlend { water_mg_l: water, soft_mg_l: soft, wanted_mg_l, soft_share, blend_mg_l, enough })
}

/// Numbers that rest on a blend, with what belongs to the blend.
pub(in super::super) fn blend_advice<N>(numbers: N, blend: WaterBlend, first: Rule) -> Advice<N> {
    let mut rules = vec![first, Rule::LowMineralTopUp];
    let mut cautions = vec![Caution::DataSheetFirst];
    if blend.blend_mg_l < FOAMS_UNDER_MG_L {
        rules.push(Rule::SoftWaterFoams);
        cautions.push(Caution::MayFoam);
    }
    Advice { numbers, rules, cautions }
}

/// Which water brings a sump under a hardness limit by filling it up.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct TopUpWater {
    /// In the sump now, L.
    pub now_l: f64,
    /// Filled up to, L.
    pub fill_to_l: f64,
    /// Hardness now, mg/L as CaCO3.
    pub now_mg_l: f64,
    /// Limit, mg/L as CaCO3.
    pub limit_mg_l: f64,
    /// The waters.
    pub blend: WaterBlend,
    /// Hardness afterwards, mg/L as CaCO3.
    pub after_mg_l: f64,
}

/// The least share of low-mineral water in filling up from `now_l` to `fill_to_l` that leaves the sump at or under the
/// limit. The top-up counts as all water, which errs to the safe side.
pub fn top_up_water(
    now_l: f64,
    fill_to_l: f64,
    now_mg_l: f64,
    limit_mg_l: f64,
    waters: (f64, f64),
) -> Result<Advice<TopUpWater>, MixError> {
    let now_l = checked(Input::Volume, now_l)?;
    let fill_to_l = checked(Input::FillTo, fill_to_l)?;
    let now_mg_l = checked(Input::Hardness, now_mg_l)?;
    let limit_mg_l = checked(Input::Limit, limit_mg_l)?;
    let room = (fill_to_l - now_l).max(0.0);
    // Without room no water does anything: what counts then is whether the sump is under the limit.
    let wanted = match room > NOTHING_L {
        true => (fill_to_l * limit_mg_l - now_l * now_mg_l) / room,
        false if now_mg_l <= limit_mg_l => Input::Water.range().1,
        false => -1.0,
    };
    let blend = blend_to(waters.0, waters.1, wanted)?;
    let after_mg_l = match room > NOTHING_L {
        true => (now_l * now_mg_l + room * blend.blend_mg_l) / (now_l + room),
        false => now_mg_l,
    };
    let numbers = TopUpWater { now_l, fill_to_l, now_mg_l, limit_mg_l, blend, after_mg_l };
    Ok(blend_advice(numbers, blend, Rule::MassBalance))
}

/// What things cost; what is not given is left out of the sum.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Prices {
    /// Getting rid of a litre of waste coolant.
    pub waste_per_l: Option<f64>,
    /// A litre of concentrate.
    pub concentrate_per_l: Option<f64>,
}

/// What a change costs, in the currency of the prices.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Change {
    /// Drained and to be got rid of, L.
    pub waste_l: f64,
    /// Filled in, L.
    pub refill_l: f64,
    /// Concentrate in the refill, L.
    pub concentrate_l: f64,
    /// Of the limited quantity afterwards, in its unit.
    pub after: f64,
    /// Getting rid of the waste, where its price is known.
    pub waste_cost: Option<f64>,
    /// The concentrate, where its price is known.
    pub concentrate_cost: Option<f64>,
}

/// How an exchange ends.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ExchangeOutcome {
    /// Filling up is enough: nothing needs to go.
    FillingUpIsEnough,
    /// Draining and filling up reaches the limit.
    Exchange,
    /// The refill itself is over the limit: no exchange and no dump gets under it.
    RefillOverLimit,
}

/// The smallest partial exchange that brings a quantity to its limit, beside a full dump.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Exchange {
    /// In the sump now, L.
    pub now_l: f64,
    /// Filled up to, L.
    pub fill_to_l: f64,
    /// Of the quantity in the sump, mg/L of hardness or percent of concentrate.
    pub now: f64,
    /// Limit, same unit.
    pub limit: f64,
    /// Of the quantity in what is filled in, same unit.
    pub refill: f64,
    /// How it ends.
    pub outcome: ExchangeOutcome,
    /// The smallest exchange; `None` where none gets under the limit.
    pub partial: Option<Change>,
    /// Everything out and filled anew.
    pub full_dump: Change,
}

/// What is to be exchanged.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ExchangeRequest {
    /// In the sump now, L.
    pub now_l: f64,
    /// Filled up to, L; room is used before anything is drained.
    pub fill_to_l: f64,
    /// Hardness in the sump, mg/L as CaCO3.
    pub now_mg_l: f64,
    /// Hardness to get to, mg/L as CaCO3.
    pub limit_mg_l: f64,
    /// Hardness of the water of the refill, mg/L as CaCO3.
    pub water_mg_l: f64,
    /// Concentrate in the refill, percent, for the cost; volume and hardness do not depend on it.
    pub refill_percent: f64,
    /// What things cost.
    pub prices: Prices,
}

/// The smallest drain-and-refill that brings the hardness to the limit.
pub fn exchange(request: &ExchangeRequest) -> Result<Advice<Exchange>, MixError> {
    use Caution::{DataSheetFirst, GlovesAndEyes, LicensedWaste, OldCoolantStays};
    let now_l = checked(Input::Volume, request.now_l)?;
    let fill_to_l = checked(Input::FillTo, request.fill_to_l)?;
    let now = checked(Input::Hardness, request.now_mg_l)?;
    let limit = checked(Input::Limit, request.limit_mg_l)?;
    let refill = checked(Input::Water, request.water_mg_l)?;
    checked(Input::Premix, request.refill_percent)?;
    request.prices.waste_per_l.map(|p| checked(Input::WastePrice, p)).transpose()?;
    request.prices.concentrate_per_l.map(|p| checked(Input::ConcentratePrice, p)).transpose()?;
    // Room is used before anything is drained; where there is more in it than it is to hold, that goes first.
    let least = (now_l - fill_to_l).max(0.0);
    let (outcome, waste_l) = if change(request, least).after <= limit {
        (ExchangeOutcome::FillingUpIsEnough, Some(least))
    } else if refill >= limit {
        (ExchangeOutcome::RefillOverLimit, None)
    } else {
        // What may stay of the old: the sump is over the limit here, or filling up would have been enough.
        let kept = fill_to_l * (limit - refill) / (now - refill);
        (ExchangeOutcome::Exchange, Some(now_l - kept))
    };
    let change = |waste_l: f64| change(request, waste_l);
    let (partial, full_dump) = (waste_l.map(change), change(now_l));
    let numbers = Exchange { now_l, fill_to_l, now, limit, refill, outcome, partial, full_dump };
    let mut rules = vec![Rule::PartialExchange, Rule::LowMineralTopUp, Rule::FillWaterHardness];
    let mut cautions = vec![DataSheetFirst, GlovesAndEyes, LicensedWaste, OldCoolantStays];
    if refill < FOAMS_UNDER_MG_L {
        rules.push(Rule::SoftWaterFoams);
        cautions.push(Caution::MayFoam);
    }
    Ok(Advice { numbers, rules, cautions })
}

/// Draining `waste_l` and filling up.
fn change(request: &ExchangeRequest, waste_l: f64) -> Change {
    let kept = request.now_l - waste_l;
    let refill_l = request.fill_to_l - kept;
    let concentrate_l = refill_l * request.refill_percent / 100.0;
    Change {
        waste_l,
        refill_l,
        concentrate_l,
        after: (kept * request.now_mg_l + refill_l * request.water_mg_l) / request.fill_to_l,
        waste_cost: request.prices.waste_per_l.map(|price| price * waste_l),
        concentrate_cost: request.prices.concentrate_per_l.map(|price| price * concentrate_l),
    }
}
