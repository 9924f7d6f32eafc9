//! What is known of a sump and does not change: tank, coolant, waters, what people do there.

use super::super::belief::{Expected, TopUpWater};
use super::super::chips::{ChipForm, Metal, solid_share};
use super::super::coolant::{Coolant, US_CM_PER_MG_L};
use super::super::fluid::JarTest;
use super::super::settings::{SumpAccuracy, SumpSettings, WaterSettings};
use super::super::tank::Tank;
use super::SumpError;

/// Top-ups are run weaker than the fill, to allow for evaporation: one supplier's sheet says at 60 % of it. Mean and
/// standard deviation as parts of the concentration to be held.
const USUAL_MIX: (f64, f64) = (0.6, 0.25);

/// How well a mixing unit keeps its strength, percent by volume (common practice, no source).
const KNOWN_MIX_DEVIATION: f64 = 0.2;

/// The unchanging part of a sump.
#[derive(Clone, Debug)]
pub(super) struct Plant {
    pub(super) tank: Tank,
    pub(super) coolant: Coolant,
    pub(super) expected: Expected,
    pub(super) water: TopUpWater,
    /// Strength of top-ups that come from a mixing unit, percent and standard deviation.
    pub(super) known_mix: Option<(f64, f64)>,
    pub(super) refractometer_factor: f64,
    /// Level under which the pump draws air and probes may hang in it, as content, L.
    pub(super) least_l: f64,
    /// Whether there is a level probe.
    pub(super) level_known: bool,
    /// Whether anything tells when the pumps run.
    pub(super) pump_known: bool,
    /// Part of a chip bed that is metal.
    pub(super) chip_share: f64,
    /// Standard uncertainty of a level, mm.
    pub(super) level_mm: f64,
    /// Least and greatest concentration of the jar test, percent.
    pub(super) jar_percent: [f64; 2],
}

/// Part of a level's uncertainty that differs from hour to hour, idle and running; the rest lies the same way for long (common
/// practice, no source).
const LEVEL_NOISE: [f64; 2] = [0.3, 0.5];

/// In a working sump no level is known better than this, mm, and no conductivity better than this part of it, whatever the
/// sheet of the probe says (common practice, no source).
const LEVEL_LEAST_MM: f64 = 0.5;
const CONDUCTIVITY_LEAST: f64 = 0.005;

/// Part of a chip bed that is metal where nobody said which chips: short broken ones of steel, 0.11 to 0.15. Long turnings lie
/// looser, fine ones denser.
fn usual_chip_share() -> f64 {
    solid_share(ChipForm::Broken, Metal::Steel).expect("the table has broken chips of steel").middle()
}

impl Plant {
    /// Steps of the content that count, L: at least 2, and this part of the full tank.
    pub(super) fn step_l(&self) -> f64 {
        (0.008 * self.expected.full_l).max(2.0)
    }

    /// Noise of a level window beside its scatter, mm.
    pub(super) fn level_noise_mm(&self, running: bool) -> f64 {
        LEVEL_NOISE[usize::from(running)] * self.level_mm
    }

    pub(super) fn new(settings: &SumpSettings, accuracy: &SumpAccuracy) -> Result<Self, SumpError> {
        let tank = Tank::new(&settings.tank)?;
        let jar = JarTest::new(&settings.fluid.conductivity_curve)?;
        let coolant = Coolant::new(&jar, us_cm(&settings.water), jar_hardness(settings, &jar));
        let full_l = tank.volume_l(settings.fill_mark_mm);
        let target = settings.target_percent;
        let known_mix = settings.makeup_percent.map(|percent| (percent, KNOWN_MIX_DEVIATION));
        let mix = known_mix.unwrap_or((USUAL_MIX.0 * target, USUAL_MIX.1 * target));
        let waters = coolant.waters_in(us_cm(&settings.water));
        let level_mm = accuracy.level_mm.max(LEVEL_LEAST_MM);
        // What is off by a fixed amount is off by this part where the coolant is kept.
        let fixed = accuracy.conductivity.absolute / coolant.us_cm(target, waters, 0.0);
        let gain = accuracy.conductivity.relative.max(fixed).max(CONDUCTIVITY_LEAST);
        Ok(Self {
            expected: Expected {
                full_l,
                holdup_l: settings.holdup_l,
                target_percent: target,
                mix,
                fill_waters: settings.fill_water.as_ref().map_or(1.0, |fill| coolant.waters_in(us_cm(fill))),
                fill_hardness_mg_l: fill_hardness(settings, &coolant, waters),
                level_l: level_mm * tank.area_at(settings.fill_mark_mm),
                gain,
                bend: coolant.bend_deviation(),
            },
            water: TopUpWater { hardness_mg_l: settings.water.hardness_mg_l, waters },
            known_mix,
            refractometer_factor: settings.fluid.refractometer_factor,
            least_l: settings.pump_minimum_mm.map_or(0.15 * full_l, |mm| 0.5 * tank.volume_l(mm)),
            level_known: settings.probes.level[0].is_some(),
            pump_known: settings.probes.pump.is_some(),
            chip_share: settings.chip_solid_percent.map_or_else(usual_chip_share, |percent| percent / 100.0),
            level_mm,
            jar_percent: [jar.points().first(), jar.points().last()]
                .map(|end| end.expect("a jar test has points").0),
            tank,
            coolant,
        })
    }
}

/// A water's minerals, or what it conducts, over those of the jar test's: nearer than this it is the same water.
const SAME_WATER: std::ops::Range<f64> = 0.8..1.25;

/// Conductivity of a water; where it was not measured, by its hardness.
fn us_cm(water: &WaterSettings) -> f64 {
    water.conductivity_us_cm.unwrap_or(US_CM_PER_MG_L * water.hardness_mg_l).max(1.0)
}

/// Hardness of the water the jar test was made in, if that is the top-up water and both were measured.
fn jar_hardness(settings: &SumpSettings, jar: &JarTest) -> Option<f64> {
    let water_us_cm = settings.water.conductivity_us_cm?;
    let (percent, jar_us_cm) = jar.points()[0];
    let same = percent > 0.0 || SAME_WATER.contains(&(water_us_cm / jar_us_cm.max(1.0)));
    same.then_some(settings.water.hardness_mg_l)
}

/// Hardness of the water in the sump as it was filled. Where only a top-up water is known and the jar test was made in
/// another one (a fifth apart in minerals), by that one's conductivity.
fn fill_hardness(settings: &SumpSettings, coolant: &Coolant, waters: f64) -> f64 {
    if let Some(fill) = &settings.fill_water {
        return fill.hardness_mg_l;
    }
    if SAME_WATER.contains(&waters) {
        settings.water.hardness_mg_l
    } else {
        coolant.water_us_cm() / US_CM_PER_MG_L
    }
}
