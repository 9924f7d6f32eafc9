//! A heap of chips to the metal in it, and what the chips carry off.
//!
//! Chips lie loosely: most of a bed is liquid. The share that is metal depends on their form more than on the metal, by
//! a factor of ten between fine chips and long turnings, so every answer is a range. A dip-stick gives the volume of the
//! bed; times this share it is the volume the level probe takes for liquid.

use serde::{Deserialize, Serialize};

/// What chips look like.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChipForm {
    /// Fine chips, as from milling cast iron or sawing.
    Fine,
    /// Short broken chips.
    Broken,
    /// Tight, heavy turnings.
    TightTurnings,
    /// Loose, light turnings.
    LooseTurnings,
}

/// What is cut.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Metal {
    /// Steel.
    Steel,
    /// Cast iron.
    CastIron,
    /// Brass.
    Brass,
    /// Aluminium.
    Aluminium,
}

/// A share between two ends, both over 0 and under 1.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct ShareRange {
    /// Least.
    pub low: f64,
    /// Greatest.
    pub high: f64,
}

impl ShareRange {
    /// The middle by ratio: as far from either end by factor, which suits a range of a factor of ten.
    pub fn middle(self) -> f64 {
        (self.low * self.high).sqrt()
    }

    /// What is no metal, lowest first.
    pub fn porosity(self) -> Self {
        Self { low: 1.0 - self.high, high: 1.0 - self.low }
    }
}

/// Bulk densities in lb/ft3: form, metal, low, high. Guide to chip types of a chip-conveyor manufacturer (2002). It gives
/// no turnings of cast iron, which breaks short.
const BULK_LB_FT3: &[(ChipForm, Metal, f64, f64)] = &[
    (ChipForm::Fine, Metal::Steel, 85.0, 160.0),
    (ChipForm::Fine, Metal::CastIron, 125.0, 180.0),
    (ChipForm::Fine, Metal::Brass, 150.0, 200.0),
    (ChipForm::Fine, Metal::Aluminium, 50.0, 60.0),
    (ChipForm::Broken, Metal::Steel, 55.0, 75.0),
    (ChipForm::Broken, Metal::CastIron, 70.0, 120.0),
    (ChipForm::Broken, Metal::Brass, 65.0, 100.0),
    (ChipForm::Broken, Metal::Aluminium, 20.0, 25.0),
    (ChipForm::LooseTurnings, Metal::Steel, 10.0, 25.0),
    (ChipForm::LooseTurnings, Metal::Brass, 15.0, 30.0),
    (ChipForm::LooseTurnings, Metal::Aluminium, 5.0, 10.0),
    (ChipForm::TightTurnings, Metal::Steel, 30.0, 45.0),
    (ChipForm::TightTurnings, Metal::Brass, 35.0, 60.0),
    (ChipForm::TightTurnings, Metal::Aluminium, 10.0, 15.0),
];

/// kg/m3 in one lb/ft3 (international pound and foot).
const KG_M3_PER_LB_FT3: f64 = 16.018_463_373_960_14;

impl Metal {
    /// Every metal of the table.
    pub const ALL: [Self; 4] = [Self::Steel, Self::CastIron, Self::Brass, Self::Aluminium];

    /// Density of the solid metal in lb/ft3; same guide as the bulk densities.
    const fn solid_lb_ft3(self) -> f64 {
        match self {
            Self::Steel => 490.0,
            Self::CastIron => 482.0,
            Self::Brass => 558.0,
            Self::Aluminium => 169.0,
        }
    }

    /// Density of the solid metal, kg/m3.
    pub fn solid_kg_m3(self) -> f64 {
        self.solid_lb_ft3() * KG_M3_PER_LB_FT3
    }
}

impl ChipForm {
    /// Every form of the table.
    pub const ALL: [Self; 4] = [Self::Fine, Self::Broken, Self::TightTurnings, Self::LooseTurnings];
}

/// Share of a bed that is metal, the widest range that fits what is known: a form or a metal left open stands for all of
/// them. `None` where the table has no such chips (turnings of cast iron).
pub fn solid_share(form: Option<ChipForm>, metal: Option<Metal>) -> Option<ShareRange> {
    let fits = BULK_LB_FT3
        .iter()
        .filter(|(f, m, ..)| form.is_none_or(|form| form == *f) && metal.is_none_or(|metal| metal == *m));
    fits.map(|(_, metal, low, high)| ShareRange {
        low: low / metal.solid_lb_ft3(),
        high: high / metal.solid_lb_ft3(),
    })
    .reduce(|a, b| ShareRange { low: a.low.min(b.low), high: a.high.max(b.high) })
}

/// Metal in a bed of `bed_l` litres with a solid share of `share`, litres at both ends: what the level probe takes for
/// liquid. Assumes fully wetted chips without trapped air.
pub fn displaced_l(bed_l: f64, share: ShareRange) -> (f64, f64) {
    (bed_l * share.low, bed_l * share.high)
}

/// Volume of metal that a removal rate in mm3/min gives in so many hours, L.
pub fn removed_l(removal_mm3_min: f64, hours: f64) -> f64 {
    removal_mm3_min * hours * 60.0 / 1e6
}

/// Coolant that goes with wet swarf, L: `fluid_mass_percent` of the wet mass. A study of a metal plant found 2.29 % in
/// swarf as it came and 0.8 % after separation (Salihoglu et al., Journal of Metallic Material Research, 2019).
pub fn carried_off_l(wet_swarf_kg: f64, fluid_mass_percent: f64, fluid_kg_m3: f64) -> f64 {
    wet_swarf_kg * fluid_mass_percent / 100.0 / fluid_kg_m3 * 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_known_widens_the_range() {
        let all = solid_share(None, None).unwrap();
        for form in ChipForm::ALL {
            let of_form = solid_share(Some(form), None).unwrap();
            for metal in Metal::ALL {
                let Some(one) = solid_share(Some(form), Some(metal)) else {
                    assert_eq!(metal, Metal::CastIron);
                    continue;
                };
                assert!(0.0 < all.low && all.low <= of_form.low && of_form.low <= one.low);
                assert!(one.high <= of_form.high && of_form.high <= all.high && all.high < 1.0);
                assert!(one.low < one.middle() && one.middle() < one.high);
            }
        }
        assert_eq!(solid_share(Some(ChipForm::LooseTurnings), Some(Metal::CastIron)), None);
    }

    #[test]
    fn a_bed_displaces_a_small_part_of_itself() {
        let share = solid_share(Some(ChipForm::LooseTurnings), Some(Metal::Aluminium)).unwrap();
        let (low, high) = displaced_l(100.0, share);
        assert!((2.9..3.0).contains(&low) && (5.9..6.0).contains(&high), "{low} {high}");
        assert_eq!(share.porosity().high, 1.0 - share.low);
    }
}
