//! What a shop knows of its own sumps: the truth through a tape measure, a conductivity meter, an analysis and a guess.
//!
//! A sump's setup turns into the figures that people would write into a configuration. The errors are the scenario's and
//! come from its seed; a sump keeps the same ones however often it is asked for.

use super::Scenario;
use crate::rng::Rng;
use crate::world::{SumpSetup, Tank};

/// How exact people are: each figure is off by up to this part of itself, every error as likely as any other.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Knowledge {
    /// Lengths of a tank.
    pub dimensions: f64,
    /// A single reading of the jar test.
    pub jar: f64,
    /// All readings of the shop's conductivity meter together.
    pub meter: f64,
    /// Hardness in the water analysis.
    pub analysis: f64,
    /// Refractometer factor: the sheet's against this batch's.
    pub factor: f64,
    /// Hold-up of the machine.
    pub holdup: f64,
}

impl Knowledge {
    /// They know the truth.
    pub const EXACT: Self =
        Self { dimensions: 0.0, jar: 0.0, meter: 0.0, analysis: 0.0, factor: 0.0, holdup: 0.0 };
    /// They have measured with care, and guessed where nobody can measure.
    pub const MEASURED: Self =
        Self { dimensions: 0.01, jar: 0.01, meter: 0.015, analysis: 0.04, factor: 0.02, holdup: 0.25 };
}

/// A sump as its people would describe it.
#[derive(Clone, Debug)]
pub(super) struct KnownSump {
    pub(super) tank: Tank,
    pub(super) holdup_l: f64,
    pub(super) refractometer_factor: f64,
    pub(super) water_hardness_mg_l: f64,
    pub(super) water_us_cm: f64,
    /// Percent and uS/cm.
    pub(super) jar_test: [(f64, f64); 5],
    /// Water it is filled with, where that is another one: hardness in mg/L, conductivity in uS/cm.
    pub(super) fill_water: Option<(f64, f64)>,
    /// Part of a chip bed that is metal, percent, where a look at the chips tells: fine ones and long turnings.
    pub(super) chip_solid_percent: Option<f64>,
}

impl Scenario {
    /// What the shop's people know of a sump.
    pub(super) fn known_sump(&self, sump: &SumpSetup) -> KnownSump {
        let known = &self.known;
        let mut rng = Rng::of(self.seed, &format!("known/{}", sump.name));
        let mut off = |part: f64| 1.0 + part * rng.between(-1.0, 1.0);
        // Whole numbers where errors are larger than these anyway: nobody writes 27.31 L for a guess.
        let whole = |x: f64, part: f64| if part > 0.0 { x.round() } else { x };
        let meter = off(known.meter);
        KnownSump {
            tank: measured(&sump.tank, &mut |length| {
                whole(1000.0 * length * off(known.dimensions), known.dimensions) / 1000.0
            }),
            holdup_l: whole(sump.holdup_l * off(known.holdup), known.holdup),
            refractometer_factor: (1000.0 * sump.fluid.refractometer_factor * off(known.factor)).round()
                / 1000.0,
            water_hardness_mg_l: (sump.water.hardness_mg_l() * off(known.analysis)).round(),
            water_us_cm: (sump.water.conductivity_us_cm() * meter * off(known.jar)).round(),
            jar_test: sump
                .fluid
                .jar_test(&sump.water)
                .map(|(percent, us_cm)| (percent, (us_cm * meter * off(known.jar)).round())),
            fill_water: sump.fill_water.filter(|water| *water != sump.water).map(|water| {
                let hardness_mg_l = (water.hardness_mg_l() * off(known.analysis)).round();
                (hardness_mg_l, (water.conductivity_us_cm() * meter * off(known.jar)).round())
            }),
            chip_solid_percent: seen_chips(100.0 * (1.0 - sump.machine.chip_porosity)),
        }
    }
}

/// What a person says of a heap of chips that is metal by `percent`: nothing of broken chips, which are the common ones,
/// round figures of others. Broken chips lie at 11 to 15 % (bulk densities of a conveyor maker's guide, 2002).
fn seen_chips(percent: f64) -> Option<f64> {
    match percent {
        ..8.0 => Some((percent / 2.0).round() * 2.0),
        20.0.. => Some((percent / 5.0).round() * 5.0),
        _ => None,
    }
}

/// Each length of a tank, in metres, as measured.
fn measured(tank: &Tank, read: &mut impl FnMut(f64) -> f64) -> Tank {
    match tank {
        Tank::Box { length_m, width_m, drop_m, height_m } => Tank::Box {
            length_m: read(*length_m),
            width_m: read(*width_m),
            drop_m: read(*drop_m),
            height_m: read(*height_m),
        },
        Tank::Stepped(steps) => {
            Tank::Stepped(steps.iter().map(|&(area, top)| (read(area), read(top))).collect())
        }
        Tank::Cylinder { diameter_m, length_m } => {
            Tank::Cylinder { diameter_m: read(*diameter_m), length_m: read(*length_m) }
        }
    }
}
