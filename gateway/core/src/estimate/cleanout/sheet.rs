//! The sheet of a clean-out: what to do, how much of what for this tank, and what to mind.

use schemars::JsonSchema;
use serde::Serialize;

use super::{Figures, Vessel};
use crate::estimate::guidance::{Advice, Caution, Rule};

/// Amounts of a clean-out of one tank.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, JsonSchema)]
pub struct Sheet {
    /// Litres of a full sump with the pumps standing.
    pub full_l: f64,
    /// Strength of the cleaner, percent.
    pub cleaner_percent: f64,
    /// Cleaner concentrate, L.
    pub cleaner_concentrate_l: f64,
    /// How long it circulates, h.
    pub clean_h: f64,
    /// Strength of the rinse, percent.
    pub rinse_percent: f64,
    /// Coolant concentrate for the rinse, L.
    pub rinse_concentrate_l: f64,
    /// How long it circulates, h.
    pub rinse_h: f64,
    /// Strength of the fresh fill, percent.
    pub target_percent: f64,
    /// Coolant concentrate for the fresh fill, L.
    pub recharge_concentrate_l: f64,
    /// Waste: old coolant, cleaner and rinse, at the most, L.
    pub waste_l: f64,
}

/// What belongs to every clean-out.
const CAUTIONS: [Caution; 10] = [
    Caution::DataSheetFirst,
    Caution::LockOut,
    Caution::GlovesAndEyes,
    Caution::NeverMixCleaner,
    Caution::Ventilate,
    Caution::OilyWipes,
    Caution::LicensedWaste,
    Caution::BiocidesByThoseAllowed,
    Caution::OldCoolantStays,
    Caution::MeasureAfter,
];

pub(super) fn sheet(vessel: &Vessel, figures: &Figures) -> Advice<Sheet> {
    let share = |percent: f64| percent / 100.0 * vessel.full_l;
    let numbers = Sheet {
        full_l: vessel.full_l,
        cleaner_percent: figures.cleaner_percent,
        cleaner_concentrate_l: share(figures.cleaner_percent),
        clean_h: figures.clean_h,
        rinse_percent: figures.rinse_percent,
        rinse_concentrate_l: share(figures.rinse_percent),
        rinse_h: figures.rinse_h,
        target_percent: vessel.target_percent,
        recharge_concentrate_l: share(vessel.target_percent),
        waste_l: 3.0 * vessel.full_l,
    };
    let steps = super::Step::ALL.map(super::Step::rule);
    let rules = [&steps[..], &[Rule::ConcentrateIntoWater, Rule::CleanoutLimitsRest]].concat();
    Advice::new(numbers, &rules, &CAUTIONS)
}
