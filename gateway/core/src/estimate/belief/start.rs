//! What is believed of a sump before anything is known of it.
//!
//! Everything here is wide on purpose: it is what a person would expect who has seen many shops, and the first days of
//! data take its place. Figures without a source are common practice.

use super::super::coolant::Coolant;
use super::{Belief, SeenConductivity, at, passing};

/// What to expect of a sump from its configuration.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Expected {
    /// Volume at the fill mark, L.
    pub full_l: f64,
    /// Hold-up by the configuration, L.
    pub holdup_l: f64,
    /// Concentration to be held, percent.
    pub target_percent: f64,
    /// Strength of top-ups, percent, and its standard deviation.
    pub mix: (f64, f64),
    /// Hardness of the water it was filled with, mg/L.
    pub fill_hardness_mg_l: f64,
    /// Minerals of that water, in litres of the jar test's water a litre.
    pub fill_waters: f64,
    /// Standard uncertainty of the content by its level, L.
    pub level_l: f64,
    /// Standard uncertainty of the conductivity probe, as a part of the conductivity.
    pub gain: f64,
    /// How much steeper or flatter the conductivity may follow dilution than the jar test says, standard uncertainty as a part
    /// of it.
    pub bend: f64,
}

/// Minerals in a fill of unknown age, in litres of its own water a litre: median and logarithmic deviation. Fresh fills hold
/// just under one, old ones up to four (mass balance with evaporation three times the drag-out). The middle is a young
/// fill, since a gateway is most often put to work with one.
const MINERALS: (f64, f64) = (1.02, 0.2);

/// How wide a concentration may lie around the one to be held, as a part of it.
const AROUND_TARGET: f64 = 0.35;

/// Losses an hour as a part of the liquid: a stand-alone sump loses 3 to 10 % a day, of it 0.5 to 3 % carried off
/// (fluid-management guides, from memory), most of it while it runs. Median and logarithmic deviation.
const EVAPORATION_RUNNING: (f64, f64) = (0.0022, 0.8);
const EVAPORATION_IDLE: (f64, f64) = (0.0005, 0.9);
const DRAGOUT: (f64, f64) = (0.0007, 0.8);
const CHIP_GROWTH: (f64, f64) = (0.000_03, 1.0);

/// How strongly evaporation follows the liquid's warmth, as a power of what air that stays as it is would make of it: mean and
/// standard deviation. Warm days have warm air too, which takes up less than that; a surface under oil or in a draught follows it little.
pub const WARMTH: (f64, f64) = (1.0, 0.5);

/// How much more the concentrate conducts, as a part of it, once acid has lowered the pH by one: a buffer of amine takes 0.48 of its
/// strength in acid for that, each mmol/L of which conducts 50 to 60 uS/cm as ions of that size do; 15 to 30 mmol/L of amine
/// beside concentrate that brings 0.8 to 1.5 mS/cm.
const ACID: (f64, f64) = (0.55, 0.35);

/// Part of the concentrate that is used up on chips and in the air, an hour.
const DEPLETION: (f64, f64) = (0.003 / 24.0, 0.6);

/// Part of the hardness that turns to scum, an hour.
const SCUM: (f64, f64) = (0.001 / 24.0, 1.0);

impl Belief {
    /// A sump whose tank holds `content_l` by its level (the fill mark's volume where nobody knows), and whose conductivity
    /// is this, if anybody knows.
    pub fn start(
        expected: &Expected,
        content: Option<(f64, f64)>,
        conductivity: Option<(&Coolant, SeenConductivity)>,
    ) -> Self {
        Self::fresh(expected, content, conductivity, None)
    }

    /// The same, where tank, machine, probe and people are known from an `earlier` fill.
    fn fresh(
        expected: &Expected,
        content: Option<(f64, f64)>,
        conductivity: Option<(&Coolant, SeenConductivity)>,
        earlier: Option<&Self>,
    ) -> Self {
        let (content_l, running) = content.unwrap_or((expected.full_l, 0.0));
        let chips = (0.015 * expected.full_l, 0.02 * expected.full_l);
        let holdup = (expected.holdup_l, 0.25 * expected.holdup_l + 0.01 * expected.full_l);
        let liquid = (content_l + running * holdup.0 - chips.0).max(1.0);
        let minerals = MINERALS.0 * expected.fill_waters;
        let percent = expected.target_percent;
        let hardness_g_l = MINERALS.0 * expected.fill_hardness_mg_l / 1000.0;

        let mut mean = [0.0; at::COUNT];
        let mut deviation = [0.0; at::COUNT];
        let mut set = |i: usize, value: (f64, f64)| (mean[i], deviation[i]) = value;
        set(at::LIQUID, (liquid, 0.0));
        set(at::CONCENTRATE, (liquid * percent / 100.0, AROUND_TARGET * liquid * percent / 100.0));
        set(at::HARDNESS, (liquid * hardness_g_l, liquid * hardness_g_l * 0.06));
        set(at::MINERALS, (liquid * minerals, 0.0));
        set(at::CHIPS, chips);
        set(at::HOLDUP, holdup);
        for (i, (part, spread)) in [
            (at::EVAPORATION_RUNNING, EVAPORATION_RUNNING),
            (at::EVAPORATION_IDLE, EVAPORATION_IDLE),
            (at::DRAGOUT, DRAGOUT),
            (at::CHIP_GROWTH, CHIP_GROWTH),
        ] {
            set(i, (libm::log(part * expected.full_l), spread));
        }
        set(at::GAIN, (0.0, expected.gain));
        set(at::WOBBLE, (0.0, passing::WOBBLE));
        set(at::TEMPERATURE, (0.0, 0.001));
        set(at::DEPARTURE, (0.0, 0.12));
        set(at::USUAL_MIX, expected.mix);
        set(at::LAST_MIX, expected.mix);
        set(at::LEAK, (0.0, 0.000_01 * expected.full_l));
        set(at::SCUM, (libm::log(SCUM.0), SCUM.1));
        set(at::WATER, (0.0, 0.04));
        set(at::BEND, (0.0, expected.bend));
        set(at::ACID, ACID);
        set(at::DEPLETION, (libm::log(DEPLETION.0), DEPLETION.1));
        set(at::FOULING, (-0.0002, 0.0006));
        set(at::READER, (0.0, 0.03));
        set(at::WARMTH, WARMTH);

        let mut belief = Self::independent(mean, deviation);
        // More liquid is more of everything in it.
        let unsure = if content.is_some() {
            (0.05 * expected.full_l).max(expected.level_l)
        } else {
            0.2 * expected.full_l
        };
        belief.shake(&[
            (at::LIQUID, unsure),
            (at::CONCENTRATE, unsure * percent / 100.0),
            (at::HARDNESS, unsure * hardness_g_l),
            (at::MINERALS, unsure * minerals),
        ]);
        let older = MINERALS.1 * minerals * liquid;
        belief.shake(&[(at::MINERALS, older), (at::HARDNESS, older * hardness_g_l / minerals)]);
        for i in (at::HOLDUP..at::COUNT).filter(|i| *i != at::WOBBLE) {
            if let Some(earlier) = earlier {
                belief.replace(i, earlier.mean[i], earlier.deviation(i));
            }
        }
        if let Some((coolant, seen)) = conductivity {
            belief.find_by_conductivity(coolant, &seen);
        }
        belief
    }

    /// A fresh fill in the same sump: what was in it is forgotten, what is known of tank, machine, probe and people stays.
    pub fn refilled(
        &self,
        expected: &Expected,
        content: (f64, f64),
        conductivity: Option<(&Coolant, SeenConductivity)>,
    ) -> Self {
        let mut earlier = self.clone();
        earlier.doubt_gain(expected.gain);
        Self::fresh(expected, Some(content), conductivity, Some(&earlier))
    }
}
