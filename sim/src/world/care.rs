//! A dump or a clean-out, step by step, as it happens in the sump.
//!
//! The steps are common practice: drain with the chips, circulate an alkaline cleaner at 4 % for 2 h, pump out, rinse with
//! 2 % coolant for 30 min, pump out, recharge.

use std::time::Duration;

use super::EventKind;
use crate::stamp::Stamp;

/// Rate of the pump that empties a sump, and of the hose that fills it, L/min.
const DRAIN_L_MIN: f64 = 40.0;
const FILL_L_MIN: f64 = 30.0;
/// What no pump gets out, L.
const DREGS_L: f64 = 1.5;
/// Alkali of a 4 % cleaner, mmol/L: enough for pH 11 to 12.
const CLEANER_ALKALI_MMOL_L: f64 = 35.0;

/// One stage of a procedure.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Stage {
    /// Pump out down to the dregs; with or without shovelling out the chips.
    Drain {
        /// Chips go too.
        chips: bool,
    },
    /// Fill with this.
    Fill {
        /// Litres.
        litres: f64,
        /// Concentrate, percent.
        percent: f64,
        /// With cleaner in it.
        cleaner: bool,
    },
    /// Circulate for this long.
    Circulate(Duration),
}

/// A procedure under way.
#[derive(Clone, Debug)]
pub struct Procedure {
    stages: Vec<Stage>,
    /// What it is called when over.
    done: EventKind,
    filled_l: f64,
    circulated: Duration,
}

/// What one step of a procedure does.
#[derive(Clone, Debug, Default)]
pub struct Change {
    /// Pumped out, L.
    pub out_l: f64,
    /// Filled in, L.
    pub in_l: f64,
    /// Concentrate in that, percent.
    pub in_percent: f64,
    /// Alkali in that, mmol/L.
    pub alkali_mmol_l: f64,
    /// Chips leave now.
    pub chips_out: bool,
    /// The last stage ended.
    pub event: Option<EventKind>,
}

impl Procedure {
    /// Pump out from `at` on, leave the chips, refill.
    pub fn dump(at: Stamp, litres: f64, percent: f64) -> Self {
        let stages = vec![Stage::Drain { chips: false }, Stage::Fill { litres, percent, cleaner: false }];
        Self::of(stages, EventKind::Dump { started: at })
    }

    /// The whole clean-out from `at` on, with `clean` of circulation (2 h is common practice) and `rinse` (30 min).
    pub fn cleanout(at: Stamp, litres: f64, percent: f64, clean: Duration, rinse: Duration) -> Self {
        let stages = vec![
            Stage::Drain { chips: true },
            Stage::Fill { litres, percent: 0.0, cleaner: true },
            Stage::Circulate(clean),
            Stage::Drain { chips: false },
            Stage::Fill { litres, percent: 2.0, cleaner: false },
            Stage::Circulate(rinse),
            Stage::Drain { chips: false },
            Stage::Fill { litres, percent, cleaner: false },
        ];
        Self::of(stages, EventKind::CleanOut { started: at, clean, rinse })
    }

    fn of(mut stages: Vec<Stage>, done: EventKind) -> Self {
        stages.reverse();
        Self { stages, done, filled_l: 0.0, circulated: Duration::ZERO }
    }

    /// Whether the coolant pump runs now.
    pub(super) fn pump_runs(&self) -> bool {
        matches!(self.stages.last(), Some(Stage::Circulate(_)))
    }

    /// Whether every stage is over.
    pub(super) fn is_over(&self) -> bool {
        self.stages.is_empty()
    }

    /// One step with `liquid_l` in the sump.
    pub(super) fn step(&mut self, step: Duration, liquid_l: f64) -> Change {
        let minutes = step.as_secs_f64() / 60.0;
        let mut change = Change::default();
        let stage_over = match self.stages.last().copied() {
            None => false,
            Some(Stage::Drain { chips }) => {
                change.out_l = (DRAIN_L_MIN * minutes).min(liquid_l - DREGS_L).max(0.0);
                let over = liquid_l - change.out_l <= DREGS_L + 1e-9;
                change.chips_out = over && chips;
                over
            }
            Some(Stage::Fill { litres, percent, cleaner }) => {
                change.in_l = (FILL_L_MIN * minutes).min(litres - self.filled_l);
                change.in_percent = percent;
                change.alkali_mmol_l = if cleaner { CLEANER_ALKALI_MMOL_L } else { 0.0 };
                self.filled_l += change.in_l;
                self.filled_l >= litres - 1e-9
            }
            Some(Stage::Circulate(time)) => {
                self.circulated += step;
                self.circulated >= time
            }
        };
        if stage_over {
            self.stages.pop();
            self.filled_l = 0.0;
            self.circulated = Duration::ZERO;
            change.event = self.stages.is_empty().then_some(self.done);
        }
        change
    }
}
