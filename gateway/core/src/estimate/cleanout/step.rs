//! The steps of a clean-out, and what was made of each.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::estimate::guidance::Rule;

/// One step, in the order they are done.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Step {
    /// Pump the old coolant out, take the chips out.
    Drain,
    /// Circulate the cleaner.
    Clean,
    /// Empty the places where old coolant hides.
    Places,
    /// Pump the cleaner out.
    PumpOut,
    /// Circulate the rinse.
    Rinse,
    /// Pump the rinse out.
    PumpOutRinse,
    /// Fill with fresh coolant.
    Recharge,
}

impl Step {
    /// Every step, in order.
    pub const ALL: [Self; 7] = [
        Self::Drain,
        Self::Clean,
        Self::Places,
        Self::PumpOut,
        Self::Rinse,
        Self::PumpOutRinse,
        Self::Recharge,
    ];

    /// Stable word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Drain => "drain",
            Self::Clean => "clean",
            Self::Places => "places",
            Self::PumpOut => "pump-out",
            Self::Rinse => "rinse",
            Self::PumpOutRinse => "pump-out-rinse",
            Self::Recharge => "recharge",
        }
    }

    /// What it is called within a sentence.
    pub const fn noun(self) -> &'static str {
        match self {
            Self::Drain => "draining",
            Self::Clean => "cleaner",
            Self::Places => "hidden places",
            Self::PumpOut => "pumping the cleaner out",
            Self::Rinse => "rinse",
            Self::PumpOutRinse => "pumping the rinse out",
            Self::Recharge => "recharge",
        }
    }

    /// What to do, and what leaving it out risks.
    pub const fn rule(self) -> Rule {
        match self {
            Self::Drain => Rule::CleanoutDrain,
            Self::Clean => Rule::CleanoutClean,
            Self::Places => Rule::CleanoutPlaces,
            Self::PumpOut => Rule::CleanoutPumpOut,
            Self::Rinse => Rule::CleanoutRinse,
            Self::PumpOutRinse => Rule::CleanoutPumpOutRinse,
            Self::Recharge => Rule::CleanoutRecharge,
        }
    }

    pub(super) const fn slot(self) -> usize {
        self as usize
    }
}

/// What was made of a step.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Not come to yet.
    Open,
    /// The probes saw it done.
    Done,
    /// The probes saw less than that.
    CutShort(Shortfall),
    /// The probes could not see all of it.
    NotWitnessed,
    /// Fell away with the step before it.
    LeftOut,
}

impl Outcome {
    /// Stable word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Done => "done",
            Self::CutShort(_) => "cut-short",
            Self::NotWitnessed => "not-witnessed",
            Self::LeftOut => "left-out",
        }
    }

    /// Whether less was done than should have been.
    pub const fn is_short(self) -> bool {
        matches!(self, Self::CutShort(_))
    }
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Open => write!(f, "not begun"),
            Self::Done => write!(f, "done"),
            Self::CutShort(short) => write!(f, "cut short: {short}"),
            Self::NotWitnessed => write!(f, "not witnessed"),
            Self::LeftOut => write!(f, "left out"),
        }
    }
}

/// By how much a step was cut short.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shortfall {
    /// Pump hours.
    Hours {
        /// Asked for.
        wanted: f64,
        /// Seen.
        had: f64,
    },
    /// Litres that stayed in the tank.
    Left {
        /// How many.
        litres: f64,
    },
    /// Strength of the fresh fill, percent by volume.
    Strength {
        /// To be held.
        wanted: f64,
        /// By conductivity.
        had: f64,
    },
}

impl fmt::Display for Shortfall {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let minutes = |hours: f64| (60.0 * hours).round();
        match *self {
            Self::Hours { wanted, had } => {
                write!(f, "{} min with the pumps on instead of {} min", minutes(had), minutes(wanted))
            }
            Self::Left { litres } => write!(f, "{litres:.0} L stayed in the tank"),
            Self::Strength { wanted, had } => write!(f, "filled at {had:.1} % instead of {wanted:.1} %"),
        }
    }
}
