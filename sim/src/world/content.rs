//! What a sump holds, as amounts that only move: whatever leaves one place arrives in another, so books can be kept.

use std::ops::{AddAssign, SubAssign};

use super::ions::{CACO3_MG_PER_MMOL, Ions, Water};

/// Amounts in some liquid, well mixed.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Content {
    /// Liquid, L.
    pub liquid_l: f64,
    /// Active concentrate in it, L.
    pub concentrate_l: f64,
    /// Calcium and magnesium, g as CaCO3.
    pub hardness_g: f64,
    /// Sodium, mmol.
    pub sodium_mmol: f64,
    /// Bicarbonate, mmol.
    pub bicarbonate_mmol: f64,
    /// Sulphate, mmol.
    pub sulphate_mmol: f64,
    /// Chloride, mmol.
    pub chloride_mmol: f64,
    /// Acid from bacteria less alkali from cleaner, mmol.
    pub acid_mmol: f64,
    /// Buffering amine, mmol.
    pub amine_mmol: f64,
}

impl Content {
    /// `litres` of a mix: `percent` of concentrate by volume in `water`, with `amine_mmol_l_percent` of amine.
    pub fn mix(litres: f64, percent: f64, water: &Water, amine_mmol_l_percent: f64) -> Self {
        let concentrate_l = litres * percent / 100.0;
        let water_l = litres - concentrate_l;
        let ions = &water.ions;
        Self {
            liquid_l: litres,
            concentrate_l,
            hardness_g: ions.hardness * CACO3_MG_PER_MMOL / 1000.0 * water_l,
            sodium_mmol: ions.sodium * water_l,
            bicarbonate_mmol: ions.bicarbonate * water_l,
            sulphate_mmol: ions.sulphate * water_l,
            chloride_mmol: ions.chloride * water_l,
            acid_mmol: 0.0,
            amine_mmol: amine_mmol_l_percent * percent * litres,
        }
    }

    /// Only water, without anything in it: what evaporates.
    pub fn water(litres: f64) -> Self {
        Self { liquid_l: litres, ..Self::default() }
    }

    /// This much of every amount.
    pub fn scaled(&self, part: f64) -> Self {
        let mut out = *self;
        out.each(self, |_, x| x * part);
        out
    }

    /// `litres` of it as it is (all of it if there is less).
    pub fn portion(&self, litres: f64) -> Self {
        if self.liquid_l > 0.0 {
            self.scaled((litres / self.liquid_l).clamp(0.0, 1.0))
        } else {
            Self::default()
        }
    }

    /// Concentration of active concentrate, percent by volume.
    pub fn percent(&self) -> f64 {
        if self.liquid_l > 0.0 { 100.0 * self.concentrate_l / self.liquid_l } else { 0.0 }
    }

    /// Hardness, mg/L as CaCO3.
    pub fn hardness_mg_l(&self) -> f64 {
        if self.liquid_l > 0.0 { 1000.0 * self.hardness_g / self.liquid_l } else { 0.0 }
    }

    /// Ions of it, with `organic_mmol_l_percent` of salt in each percent of concentrate.
    pub fn ions(&self, magnesium_share: f64, organic_mmol_l_percent: f64) -> Ions {
        let per_l = if self.liquid_l > 0.0 { 1.0 / self.liquid_l } else { 0.0 };
        Ions {
            hardness: 1000.0 * self.hardness_g / CACO3_MG_PER_MMOL * per_l,
            magnesium_share,
            sodium: self.sodium_mmol * per_l,
            bicarbonate: self.bicarbonate_mmol * per_l,
            sulphate: self.sulphate_mmol * per_l,
            chloride: self.chloride_mmol * per_l,
            organic: organic_mmol_l_percent * self.percent() + self.acid_mmol.abs() * per_l,
        }
    }

    fn each(&mut self, other: &Self, f: impl Fn(f64, f64) -> f64) {
        for (mine, theirs) in [
            (&mut self.liquid_l, other.liquid_l),
            (&mut self.concentrate_l, other.concentrate_l),
            (&mut self.hardness_g, other.hardness_g),
            (&mut self.sodium_mmol, other.sodium_mmol),
            (&mut self.bicarbonate_mmol, other.bicarbonate_mmol),
            (&mut self.sulphate_mmol, other.sulphate_mmol),
            (&mut self.chloride_mmol, other.chloride_mmol),
            (&mut self.acid_mmol, other.acid_mmol),
            (&mut self.amine_mmol, other.amine_mmol),
        ] {
            *mine = f(*mine, theirs);
        }
    }
}

impl AddAssign for Content {
    fn add_assign(&mut self, other: Self) {
        self.each(&other, |a, b| a + b);
    }
}

impl SubAssign for Content {
    fn sub_assign(&mut self, other: Self) {
        self.each(&other, |a, b| a - b);
    }
}

/// The books of one sump since its start: what it began with plus what came, less what went, is what is there.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Ledger {
    /// At the start.
    pub started: Content,
    /// Topped up, filled, rinsed in.
    pub added: Content,
    /// Made in the sump: acid.
    pub made: Content,
    /// Evaporated: water only.
    pub evaporated: Content,
    /// Carried out on chips and parts and as mist, as it is.
    pub carried_out: Content,
    /// Lost through a leak, as it is.
    pub leaked: Content,
    /// Pumped out, as it is.
    pub pumped_out: Content,
    /// Used up in the sump: depleted concentrate, hardness gone to scum.
    pub used_up: Content,
}

impl Ledger {
    /// What must be there by the books.
    pub fn balance(&self) -> Content {
        let mut sum = self.started;
        sum += self.added;
        sum += self.made;
        for gone in [self.evaporated, self.carried_out, self.leaked, self.pumped_out, self.used_up] {
            sum -= gone;
        }
        sum
    }
}
