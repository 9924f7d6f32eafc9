//! A screen across the sump that keeps chips on one side and clogs.
//!
//! While coolant flows through it the level stands higher before it than behind it, the more the more it is clogged; at
//! rest both sides are level. It refuses to know what lies in the sump.

/// A chip screen.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Screen {
    /// Part of the plan area before it, where the chips gather; 0 < share < 1.
    pub dirty_share: f64,
    /// Difference of level at full flow when clean, mm.
    pub clean_drop_mm: f64,
    /// How fast it clogs at load 1, per hour: the flow's free area is 1 / (1 + clogging).
    pub clogs_per_h: f64,
}

/// Time constant with which the two sides follow, hours.
const SETTLES_H: f64 = 0.04;
/// Clogging at which somebody cannot but notice: the pump begins to draw air.
const CLOGGED_MAX: f64 = 3.0;

/// How a screen stands.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct Clogging {
    clogged: f64,
    drop_mm: f64,
}

impl Clogging {
    /// Somebody brushes it off.
    pub(super) fn clean(&mut self) {
        self.clogged = 0.0;
    }

    /// Time goes by with or without flow.
    pub(super) fn step(&mut self, screen: &Screen, flows: bool, load: f64, hours: f64) {
        let aim = if flows {
            self.clogged = (self.clogged + screen.clogs_per_h * load * hours).min(CLOGGED_MAX);
            // The same flow through less area: the head lost grows with the square of the speed.
            screen.clean_drop_mm * (1.0 + self.clogged) * (1.0 + self.clogged)
        } else {
            0.0
        };
        self.drop_mm += (aim - self.drop_mm) * (1.0 - libm::exp(-hours / SETTLES_H));
        self.drop_mm = if self.drop_mm < 1e-9 { 0.0 } else { self.drop_mm };
    }

    /// Level before and behind it where it would be `level_mm` without.
    pub(super) fn levels_mm(&self, screen: &Screen, level_mm: f64) -> (f64, f64) {
        // Behind the screen at least a quarter is left: less, and the pump draws air and the flow ends.
        let drop = self.drop_mm.min(0.75 * level_mm / screen.dirty_share);
        (level_mm + (1.0 - screen.dirty_share) * drop, level_mm - screen.dirty_share * drop)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clogged_screen_parts_the_levels_while_coolant_flows_and_no_litre_is_lost() {
        let screen = Screen { dirty_share: 0.6, clean_drop_mm: 4.0, clogs_per_h: 0.01 };
        let mut state = Clogging::default();
        state.step(&screen, true, 1.0, 1.0);
        let (before, behind) = state.levels_mm(&screen, 200.0);
        assert!((before - behind - 4.0).abs() < 0.2);
        state.step(&screen, true, 1.0, 100.0);
        let (before, behind) = state.levels_mm(&screen, 200.0);
        // Clogged by 1.01: 4·2.01².
        assert!((before - behind - 16.16).abs() < 0.2, "{before} {behind}");
        assert!((0.6 * before + 0.4 * behind - 200.0).abs() < 1e-9);
        state.step(&screen, false, 0.0, 2.0);
        assert!((state.levels_mm(&screen, 200.0).0 - 200.0).abs() < 1e-6);
        state.clean();
        state.step(&screen, true, 1.0, 0.5);
        let (before, behind) = state.levels_mm(&screen, 200.0);
        assert!(before - behind < 4.2);
    }
}
