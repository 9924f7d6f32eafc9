//! What somebody would know who was told every litre that came and went, to the drop, and of the water only what its
//! analysis says: no rival, since no shop knows that much. What is wrong with it is the analysis, hardness that went to scum,
//! and how old the first fill was; so it tells these apart from what an estimate makes of level and conductivity. It is no
//! bound: it never learns that it began wrongly, and an estimate may.

use sumpwarden_core::estimate::settings::SumpSettings;
use sumpwarden_sim::world::Ledger;
use sumpwarden_sim::world::content::Content;

/// More than this part of the tank within an hour is a fill.
const FILL: f64 = 0.4;

/// The books of one sump.
#[derive(Clone, Debug)]
pub(crate) struct Books {
    /// Hardness by the analysis: of what is topped up with, and of what it is filled with.
    water_mg_l: f64,
    fill_mg_l: f64,
    tank_l: f64,
    /// Up to the last hour.
    before: Ledger,
    /// Concentrate and hardness that must be there; none until somebody has said with what it began.
    there: Option<There>,
}

#[derive(Clone, Copy, Debug)]
struct There {
    concentrate_l: f64,
    hardness_mg: f64,
}

impl Books {
    pub(super) fn new(settings: &SumpSettings, tank_l: f64) -> Self {
        Self {
            water_mg_l: settings.water.hardness_mg_l,
            fill_mg_l: settings.fill_water.as_ref().map_or(settings.water.hardness_mg_l, |w| w.hardness_mg_l),
            tank_l,
            before: Ledger::default(),
            there: None,
        }
    }

    /// Concentration, percent, and hardness, mg/L, after another hour. They begin with `first`, the gateway's own first
    /// estimates of both.
    pub(super) fn hour(&mut self, ledger: &Ledger, first: Option<[f64; 2]>) -> Option<[f64; 2]> {
        let before = std::mem::replace(&mut self.before, *ledger);
        let liquid_l = ledger.balance().liquid_l.max(1e-9);
        let there = match (self.there, first) {
            (Some(there), _) => self.follow(there, ledger, &before),
            (None, Some([percent, mg_l])) => {
                There { concentrate_l: percent / 100.0 * liquid_l, hardness_mg: mg_l * liquid_l }
            }
            (None, None) => return None,
        };
        self.there = Some(there);
        Some([100.0 * there.concentrate_l / liquid_l, there.hardness_mg / liquid_l])
    }

    fn follow(&self, there: There, ledger: &Ledger, before: &Ledger) -> There {
        let more = |of: fn(&Ledger) -> Content| {
            let mut more = of(ledger);
            more -= of(before);
            more
        };
        let added = more(|l| l.added);
        let gone = [more(|l| l.carried_out), more(|l| l.leaked), more(|l| l.pumped_out)];
        let gone_l: f64 = gone.iter().map(|content| content.liquid_l).sum();
        let mg_l = if added.liquid_l > FILL * self.tank_l { self.fill_mg_l } else { self.water_mg_l };
        // What goes takes its share of all that was there, and of what was added meanwhile.
        let whole_l = (before.balance().liquid_l + added.liquid_l).max(1e-9);
        let left = 1.0 - (gone_l / whole_l).clamp(0.0, 1.0);
        There {
            concentrate_l: (there.concentrate_l + added.concentrate_l) * left,
            hardness_mg: (there.hardness_mg + mg_l * (added.liquid_l - added.concentrate_l)) * left,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn content(liquid_l: f64, concentrate_l: f64) -> Content {
        Content { liquid_l, concentrate_l, ..Content::default() }
    }

    fn books() -> Books {
        Books { water_mg_l: 200.0, fill_mg_l: 100.0, tank_l: 100.0, before: Ledger::default(), there: None }
    }

    #[test]
    fn what_evaporates_takes_nothing_along_and_what_is_carried_out_its_share() {
        let mut books = books();
        let mut ledger = Ledger { started: content(80.0, 4.0), ..Ledger::default() };
        assert_eq!(books.hour(&ledger, None), None);
        let [percent, mg_l] = books.hour(&ledger, Some([5.0, 200.0])).expect("it has begun");
        assert!((percent - 5.0).abs() < 1e-9 && (mg_l - 200.0).abs() < 1e-9);
        ledger.evaporated = content(8.0, 0.0);
        let [percent, mg_l] = books.hour(&ledger, None).expect("it goes on");
        assert!((percent - 5.0 / 0.9).abs() < 1e-9 && (mg_l - 200.0 / 0.9).abs() < 1e-9);
        ledger.carried_out = content(36.0, 2.0);
        let [percent, mg_l] = books.hour(&ledger, None).expect("it goes on");
        assert!((percent - 5.0 / 0.9).abs() < 1e-9 && (mg_l - 200.0 / 0.9).abs() < 1e-9);
        // 36 L hold 2 L and 8000 mg; 36 L of plain water come.
        ledger.added = content(36.0, 0.0);
        let [percent, mg_l] = books.hour(&ledger, None).expect("it goes on");
        assert!((percent - 100.0 * 2.0 / 72.0).abs() < 1e-9, "{percent} %");
        assert!((mg_l - (8000.0 + 7200.0) / 72.0).abs() < 1e-9, "{mg_l} mg/L");
    }
}
