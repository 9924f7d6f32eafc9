//! A heap of chips to the metal in it.
//!
//! Chips lie loosely: most of a bed is liquid. The share that is metal depends on their form more than on the metal, by
//! a factor of ten between fine chips and long turnings, so every answer is a range. A dip-stick gives the volume of the
//! bed; times this share it is the volume the level probe takes for liquid.

/// What chips look like.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
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
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
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
#[derive(Clone, Copy, PartialEq, Debug)]
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

impl Metal {
    /// Density of the solid metal in lb/ft3; same guide as the bulk densities.
    const fn solid_lb_ft3(self) -> f64 {
        match self {
            Self::Steel => 490.0,
            Self::CastIron => 482.0,
            Self::Brass => 558.0,
            Self::Aluminium => 169.0,
        }
    }
}

/// Share of a bed that is metal. `None` where the table has no such chips (turnings of cast iron).
pub fn solid_share(form: ChipForm, metal: Metal) -> Option<ShareRange> {
    let &(.., low, high) = BULK_LB_FT3.iter().find(|(f, m, ..)| *f == form && *m == metal)?;
    Some(ShareRange { low: low / metal.solid_lb_ft3(), high: high / metal.solid_lb_ft3() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_turnings_of_cast_iron_are_not_in_the_table() {
        for form in [ChipForm::Fine, ChipForm::Broken, ChipForm::TightTurnings, ChipForm::LooseTurnings] {
            for metal in [Metal::Steel, Metal::CastIron, Metal::Brass, Metal::Aluminium] {
                let turnings = matches!(form, ChipForm::TightTurnings | ChipForm::LooseTurnings);
                match solid_share(form, metal) {
                    Some(share) => {
                        assert!(0.0 < share.low && share.low < share.middle(), "{form:?} {metal:?}")
                    }
                    None => assert!(turnings && metal == Metal::CastIron, "{form:?} {metal:?}"),
                }
            }
        }
    }
}
