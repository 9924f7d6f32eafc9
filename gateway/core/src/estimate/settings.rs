//! What estimation is told by the checked configuration.

use crate::model::{Name, ProbeIndex, Quantity};
use crate::signal::settings::{Accuracy, ProbeSettings};

/// One sump.
#[derive(Clone, PartialEq, Debug)]
pub struct SumpSettings {
    /// Name in the configuration.
    pub name: Name,
    /// What people call it; untrusted text.
    pub title: String,
    /// Its tank.
    pub tank: TankShape,
    /// Level of the fill mark, mm above the lowest point of the floor.
    pub fill_mark_mm: f64,
    /// Level under which the pump draws air, mm.
    pub pump_minimum_mm: Option<f64>,
    /// What runs back when the pumps stop, L.
    pub holdup_l: f64,
    /// Fluid in it.
    pub fluid: FluidSettings,
    /// Water it is topped up with.
    pub water: WaterSettings,
    /// Water it is filled with, where that is another one.
    pub fill_water: Option<WaterSettings>,
    /// Strength of every top-up where a mixing unit makes them, percent by volume.
    pub makeup_percent: Option<f64>,
    /// Part of a chip bed that is metal, percent by volume, where somebody knows.
    pub chip_solid_percent: Option<f64>,
    /// Concentration to be held, percent by volume.
    pub target_percent: f64,
    /// Which probe gives what; the first of a kind where there are several.
    pub probes: SumpProbes,
}

/// Probes of a sump by what they give.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct SumpProbes {
    /// Level above the floor; two where one stands on either side of the chip screen.
    pub level: [Option<ProbeIndex>; 2],
    /// Conductivity.
    pub conductivity: Option<ProbeIndex>,
    /// pH.
    pub ph: Option<ProbeIndex>,
    /// Temperature.
    pub temperature: Option<ProbeIndex>,
    /// Pump contact.
    pub pump: Option<ProbeIndex>,
    /// Total of the make-up meter.
    pub makeup_total: Option<ProbeIndex>,
}

/// How well the probes of a sump measure: standard uncertainties.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SumpAccuracy {
    /// Of a level at the fill mark, mm.
    pub level_mm: f64,
    /// Of the conductivity, uS/cm and as a part of it.
    pub conductivity: Accuracy,
}

impl Default for SumpAccuracy {
    /// Ordinary shop instruments: what the configuration takes where nobody says otherwise.
    fn default() -> Self {
        Self { level_mm: 2.0, conductivity: Accuracy { absolute: 5.0, relative: 0.02 } }
    }
}

impl SumpAccuracy {
    /// What is said of a sump's own probes, of two for the level the worse; ordinary ones stand in for those it lacks.
    pub fn of(sump: &SumpSettings, probes: &[ProbeSettings]) -> Self {
        let said = |probe: ProbeIndex| probes.get(probe.slot()).map(|probe| probe.accuracy);
        let levels = sump.probes.level.iter().flatten().filter_map(|probe| said(*probe));
        let ordinary = Self::default();
        Self {
            level_mm: levels
                .map(|level| level.at(sump.fill_mark_mm))
                .reduce(f64::max)
                .unwrap_or(ordinary.level_mm),
            conductivity: sump.probes.conductivity.and_then(said).unwrap_or(ordinary.conductivity),
        }
    }
}

/// Shape of a tank. Lengths in mm; heights count from the lowest point of the floor.
#[derive(Clone, PartialEq, Debug)]
pub enum TankShape {
    /// Boxes side by side or on top of each other: each has a plan area between two heights. A stepped tank is several.
    Boxes(Vec<BoxPart>),
    /// A box whose floor rises by `drop_mm` over its length.
    SlopedFloor {
        /// Along the slope.
        length_mm: f64,
        /// Across it.
        width_mm: f64,
        /// Rise of the floor over the length.
        drop_mm: f64,
        /// Height of the walls above the lowest point.
        height_mm: f64,
    },
    /// A lying cylinder with equal heads on both ends.
    LyingCylinder {
        /// Inner diameter.
        diameter_mm: f64,
        /// Straight length.
        length_mm: f64,
        /// Both ends.
        heads: Heads,
    },
    /// Strapping table: (height mm, litres), rising.
    Strapping(Vec<(f64, f64)>),
}

/// One box of a tank.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct BoxPart {
    /// Inner length.
    pub length_mm: f64,
    /// Inner width.
    pub width_mm: f64,
    /// Height of its floor above the tank's lowest point.
    pub floor_mm: f64,
    /// Height of its top above the tank's lowest point.
    pub top_mm: f64,
}

/// Ends of a lying cylinder.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Heads {
    /// Flat.
    Flat,
    /// Torispherical: dish radius and knuckle radius as fractions of the diameter.
    Torispherical {
        /// Dish radius over diameter, 1.0 for the common head.
        dish: f64,
        /// Knuckle radius over diameter, 0.1 for the common head.
        knuckle: f64,
    },
    /// Half ellipsoid of this depth; diameter / 4 is the 2:1 head.
    Ellipsoidal {
        /// Depth of one head, mm.
        depth_mm: f64,
    },
    /// Cone of this depth.
    Conical {
        /// Depth of one head, mm.
        depth_mm: f64,
    },
    /// Piece of a ball of this depth, at most half the diameter.
    Spherical {
        /// Depth of one head, mm.
        depth_mm: f64,
    },
}

/// A coolant concentrate as its sheet and a jar test describe it.
#[derive(Clone, PartialEq, Debug)]
pub struct FluidSettings {
    /// Name in the configuration.
    pub name: Name,
    /// Percent = Brix × factor.
    pub refractometer_factor: f64,
    /// Jar test: (percent, uS/cm at 25 °C) in the shop's own water, rising in both.
    pub conductivity_curve: Vec<(f64, f64)>,
}

/// A water to top up with.
#[derive(Clone, PartialEq, Debug)]
pub struct WaterSettings {
    /// Name in the configuration.
    pub name: Name,
    /// Total hardness, mg/L as CaCO3.
    pub hardness_mg_l: f64,
    /// Conductivity at 25 °C, where known.
    pub conductivity_us_cm: Option<f64>,
}

/// What is estimated of a sump.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub enum EstimateKind {
    /// Concentration of concentrate, percent by volume.
    Concentration,
    /// Total hardness, mg/L as CaCO3.
    Hardness,
    /// Liquid in tank, lines and machine, L.
    Liquid,
    /// Chip solids under the surface, L.
    ChipSolids,
    /// Liquid out of the tank while the pumps run, L.
    Holdup,
    /// Water that evaporates now, L/h.
    Evaporation,
    /// Coolant that leaves on chips and parts and as mist now, L/h.
    DragOut,
    /// Litres that still fit under the fill mark.
    Room,
}

impl EstimateKind {
    /// Every kind, in the order it is stored and written out.
    pub const ALL: &'static [Self] = &[
        Self::Concentration,
        Self::Hardness,
        Self::Liquid,
        Self::ChipSolids,
        Self::Holdup,
        Self::Evaporation,
        Self::DragOut,
        Self::Room,
    ];

    /// Its place in [`Self::ALL`].
    pub const fn place(self) -> usize {
        self as usize
    }

    /// Stable word in store, forwarder and files, unit last.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Concentration => "concentration_percent",
            Self::Hardness => "hardness_mg_l",
            Self::Liquid => "liquid_l",
            Self::ChipSolids => "chip_solids_l",
            Self::Holdup => "holdup_l",
            Self::Evaporation => "evaporation_l_h",
            Self::DragOut => "dragout_l_h",
            Self::Room => "room_l",
        }
    }

    /// The estimate of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|kind| kind.word() == word)
    }

    /// What it is, which gives its unit.
    pub const fn quantity(self) -> Quantity {
        match self {
            Self::Concentration => Quantity::Concentration,
            Self::Hardness => Quantity::Hardness,
            Self::Liquid | Self::ChipSolids | Self::Holdup | Self::Room => Quantity::Volume,
            Self::Evaporation | Self::DragOut => Quantity::Loss,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_stands_in_its_place() {
        for (place, kind) in EstimateKind::ALL.iter().enumerate() {
            assert_eq!(kind.place(), place, "{kind:?}");
        }
    }
}
