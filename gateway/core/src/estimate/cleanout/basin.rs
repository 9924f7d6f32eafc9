//! Content of the tank to "emptied" and "filled".
//!
//! Two thresholds far apart, so that neither waves nor run-back nor a glitch makes an event. Nothing here knows why.

use serde::{Deserialize, Serialize};

/// Part of a full sump the reading before must be under, too: pumping out passes there, a single wild reading does not.
const PASSING_SHARE: f64 = 0.45;

/// Part of a full sump from which on it counts as filled.
const FILLED_SHARE: f64 = 0.3;

/// What the content tells.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Turn {
    /// Nearly nothing is left.
    Emptied,
    /// There is enough in it to circulate.
    Filled,
}

/// Whether a tank was emptied or filled last.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(super) struct Basin {
    /// Nothing known before the first reading.
    empty: Option<bool>,
    /// Litres at the reading before.
    before_l: Option<f64>,
}

impl Basin {
    /// Part of a full sump under which it counts as emptied.
    pub(super) const EMPTY_SHARE: f64 = 0.15;

    /// Takes the next content of a sump of `full_l`.
    pub(super) fn see(&mut self, litres: f64, full_l: f64) -> Option<Turn> {
        let before = self.before_l.replace(litres).unwrap_or(litres);
        match self.empty {
            Some(false) if litres <= Self::EMPTY_SHARE * full_l && before <= PASSING_SHARE * full_l => {
                self.empty = Some(true);
                Some(Turn::Emptied)
            }
            Some(true) if litres >= FILLED_SHARE * full_l => {
                self.empty = Some(false);
                Some(Turn::Filled)
            }
            None => {
                self.empty = Some(litres <= Self::EMPTY_SHARE * full_l);
                None
            }
            Some(_) => None,
        }
    }

    /// Whether it stands empty now, as far as is known.
    pub(super) fn is_empty(&self) -> bool {
        self.empty == Some(true)
    }

    /// Whether the numbers in it are numbers.
    pub(super) fn is_sound(&self) -> bool {
        self.before_l.is_none_or(f64::is_finite)
    }
}
