//! What is judged, in which unit an error is told, and one hour of it: truth beside estimate.

use sumpwarden_sim::Stamp;
use sumpwarden_sim::world::Truth;

/// A quantity whose estimate is held against the truth.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum Judged {
    Concentration,
    Hardness,
    Chips,
    Liquid,
    Holdup,
    Evaporation,
    Dragout,
}

impl Judged {
    pub(crate) const ALL: [Self; 7] = [
        Self::Concentration,
        Self::Hardness,
        Self::Chips,
        Self::Liquid,
        Self::Holdup,
        Self::Evaporation,
        Self::Dragout,
    ];

    pub(crate) const COUNT: usize = Self::ALL.len();

    /// Word of the gateway's estimate, unit last.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Concentration => "concentration_percent",
            Self::Hardness => "hardness_mg_l",
            Self::Chips => "chip_solids_l",
            Self::Liquid => "liquid_l",
            Self::Holdup => "holdup_l",
            Self::Evaporation => "evaporation_l_h",
            Self::Dragout => "dragout_l_h",
        }
    }

    /// What it is called in a table.
    pub(crate) fn noun(self) -> &'static str {
        match self {
            Self::Concentration => "concentration",
            Self::Hardness => "hardness",
            Self::Chips => "chips",
            Self::Liquid => "liquid",
            Self::Holdup => "hold-up",
            Self::Evaporation => "evaporation",
            Self::Dragout => "drag-out",
        }
    }

    /// Unit of its errors.
    pub(crate) fn error_unit(self) -> &'static str {
        match self {
            Self::Concentration => "points",
            Self::Hardness | Self::Liquid => "% of the true value",
            Self::Chips => "% of the tank",
            Self::Holdup => "L",
            Self::Evaporation | Self::Dragout => "L/h, daily means",
        }
    }

    /// A rate: single hours mean little, so errors are judged by whole days, and what was told in an hour by its mean.
    pub(crate) fn by_day(self) -> bool {
        matches!(self, Self::Evaporation | Self::Dragout)
    }

    /// What a difference in its own unit is worth in the unit of its errors.
    pub(crate) fn scale(self, truth: f64, tank_l: f64) -> f64 {
        match self {
            Self::Hardness | Self::Liquid => 100.0 / truth.max(1e-9),
            Self::Chips => 100.0 / tank_l,
            Self::Concentration | Self::Holdup | Self::Evaporation | Self::Dragout => 1.0,
        }
    }
}

/// An estimate with its 90 % interval.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Interval {
    pub(crate) value: f64,
    pub(crate) low90: f64,
    pub(crate) high90: f64,
}

impl Interval {
    /// Of the value and both ends, if all are there.
    pub(crate) fn of(told: [Option<f64>; 3]) -> Option<Self> {
        let [Some(value), Some(low90), Some(high90)] = told else { return None };
        Some(Self { value, low90, high90 })
    }
}

/// One hour of one sump.
#[derive(Clone, Debug)]
pub(crate) struct Hour {
    pub(crate) at: Stamp,
    /// None where the truth says nothing to compare with: the hold-up of standing pumps.
    pub(crate) truth: [Option<f64>; Judged::COUNT],
    pub(crate) estimate: [Option<Interval>; Judged::COUNT],
    /// Of each rival: concentration, hardness, chips.
    pub(crate) rivals: [[Option<f64>; 3]; RIVALS.len()],
    /// A dump or a clean-out is going on.
    pub(crate) left_out: bool,
}

/// Names of the rivals in [`Hour::rivals`]; the last one is an account that no shop could keep.
pub(crate) const RIVALS: [&str; 4] = ["bare line", "held reading", "plain filter", "every litre told"];

/// True values of an hour. Rates are means over the hour, from the simulator's books.
pub(crate) fn true_values(
    truth: &Truth,
    holdup_l: f64,
    evaporation_l_h: f64,
    dragout_l_h: f64,
) -> [Option<f64>; Judged::COUNT] {
    // The estimate tells what runs back when the pumps stop; that is out there once they have run for a while.
    let settled = truth.pump && truth.holdup_l > 0.98 * holdup_l;
    [
        Some(truth.percent),
        Some(truth.hardness_mg_l),
        Some(truth.chip_solids_l),
        Some(truth.liquid_l),
        settled.then_some(truth.holdup_l),
        Some(evaporation_l_h),
        Some(dragout_l_h),
    ]
}
