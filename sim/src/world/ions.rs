//! What conducts: mineral ions of the water, ion pairs that do not, the concentrate's own salts, and the oil in the way.
//!
//! Each ion carries its limiting equivalent conductivity, reduced by its activity coefficient (Davies) to a power that
//! depends on its charge; divalent pairs (sulphate, bicarbonate) form by mass action and drop out. Fitted to series that
//! PHREEQC computed (see the tests).

/// Milligrams of CaCO3 per millimole.
pub const CACO3_MG_PER_MMOL: f64 = 100.0869;

/// Equivalent conductivities at infinite dilution and 25 °C, S·cm² per equivalent (handbook values).
mod lambda {
    pub(super) const CALCIUM: f64 = 59.47;
    pub(super) const MAGNESIUM: f64 = 53.0;
    pub(super) const SODIUM: f64 = 50.08;
    pub(super) const BICARBONATE: f64 = 44.5;
    pub(super) const SULPHATE: f64 = 80.0;
    pub(super) const CHLORIDE: f64 = 76.31;
    /// Amine and carboxylate together; common size for such ions, no source.
    pub(super) const ORGANIC_PAIR: f64 = 72.0;
}

/// Formation constants of ion pairs, L/mol. Sulphate's are fitted, a little below the tabulated 10^2.3.
mod pairing {
    pub(super) const CALCIUM_SULPHATE: f64 = 140.0;
    pub(super) const MAGNESIUM_SULPHATE: f64 = 200.0;
    pub(super) const BICARBONATE: f64 = 12.6;
}

/// Change of the pairs in a round, mmol/L, under which the rest is less than 0.001 uS/cm.
const PAIRING_SETTLED: f64 = 4e-6;

/// Exponent of the activity coefficient for a single charge; divided by the root of the charge for others.
const DAMPING: f64 = 0.6;

/// Dissolved ions, mmol/L.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Ions {
    /// Calcium and magnesium.
    pub hardness: f64,
    /// Part of it that is magnesium, 0 to 1.
    pub magnesium_share: f64,
    /// Sodium and potassium.
    pub sodium: f64,
    /// Bicarbonate.
    pub bicarbonate: f64,
    /// Sulphate.
    pub sulphate: f64,
    /// Chloride and nitrate.
    pub chloride: f64,
    /// Organic salts of the concentrate and of its decay, one positive and one negative charge.
    pub organic: f64,
}

/// Water before concentrate goes in: from the main, softened, from a membrane.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Water {
    /// What is dissolved in it.
    pub ions: Ions,
}

impl Water {
    /// An invented but typical bicarbonate water: 0.5 mmol/L NaCl, Ca:Mg 4:1, hardness balanced by 70 % bicarbonate, 18 %
    /// sulphate, 12 % chloride by equivalents.
    pub fn tap(hardness_mg_l: f64) -> Self {
        let hardness = hardness_mg_l / CACO3_MG_PER_MMOL;
        Self {
            ions: Ions {
                hardness,
                magnesium_share: 0.2,
                sodium: 0.5,
                bicarbonate: 1.4 * hardness,
                sulphate: 0.18 * hardness,
                chloride: 0.5 + 0.24 * hardness,
                organic: 0.0,
            },
        }
    }

    /// A tap water behind an ion exchanger: each hardness ion replaced by two of sodium, a hundredth slips through.
    pub fn softened(hardness_mg_l: f64) -> Self {
        let mut ions = Self::tap(hardness_mg_l).ions;
        ions.sodium += 2.0 * 0.99 * ions.hardness;
        ions.hardness *= 0.01;
        Self { ions }
    }

    /// Water behind a membrane: a fiftieth of a tap water's salts.
    pub fn demineralised() -> Self {
        let tap = Self::tap(200.0).ions;
        let part = 0.02;
        Self {
            ions: Ions {
                hardness: part * tap.hardness,
                sodium: part * tap.sodium,
                bicarbonate: part * tap.bicarbonate,
                sulphate: part * tap.sulphate,
                chloride: part * tap.chloride,
                ..tap
            },
        }
    }

    /// Total hardness, mg/L as CaCO3.
    pub fn hardness_mg_l(&self) -> f64 {
        self.ions.hardness * CACO3_MG_PER_MMOL
    }

    /// Conductivity at 25 °C, uS/cm.
    pub fn conductivity_us_cm(&self) -> f64 {
        self.ions.conductivity_us_cm()
    }
}

impl Ions {
    /// Conductivity at 25 °C of the watery phase, uS/cm.
    pub fn conductivity_us_cm(&self) -> f64 {
        let association = pairing::CALCIUM_SULPHATE
            + (pairing::MAGNESIUM_SULPHATE - pairing::CALCIUM_SULPHATE) * self.magnesium_share;
        let divalent_lambda = lambda::CALCIUM + (lambda::MAGNESIUM - lambda::CALCIUM) * self.magnesium_share;
        let (mut sulphate_pair, mut bicarbonate_pair) = (0.0_f64, 0.0_f64);
        // Halving the change each round keeps the mass action from swinging; at most 16 rounds settle it to 1e-4.
        for _ in 0..16 {
            let free = self.free(sulphate_pair, bicarbonate_pair);
            let (single, double) = free.activity(self);
            let new_sulphate = association * double * double * free.divalent * free.sulphate * 1e-3;
            let new_bicarbonate = pairing::BICARBONATE * double * free.divalent * free.bicarbonate * 1e-3;
            let before = (sulphate_pair, bicarbonate_pair);
            sulphate_pair = 0.5 * (sulphate_pair + new_sulphate.min(self.sulphate).min(self.hardness));
            bicarbonate_pair =
                0.5 * (bicarbonate_pair + new_bicarbonate.min(self.bicarbonate).min(self.hardness));
            debug_assert!(single > 0.0);
            if (sulphate_pair - before.0).abs() + (bicarbonate_pair - before.1).abs() < PAIRING_SETTLED {
                break;
            }
        }
        let free = self.free(sulphate_pair, bicarbonate_pair);
        let (single, double) = free.activity(self);
        let slow_single = libm::pow(single, DAMPING);
        let slow_double = libm::pow(double, DAMPING / std::f64::consts::SQRT_2);
        let singles = free.bicarbonate * lambda::BICARBONATE
            + self.sodium * lambda::SODIUM
            + self.chloride * lambda::CHLORIDE
            + self.organic * lambda::ORGANIC_PAIR
            + bicarbonate_pair * divalent_lambda * 0.5;
        let doubles = 2.0 * (free.divalent * divalent_lambda + free.sulphate * lambda::SULPHATE);
        singles * slow_single + doubles * slow_double
    }

    fn free(&self, sulphate_pair: f64, bicarbonate_pair: f64) -> Free {
        Free {
            divalent: (self.hardness - sulphate_pair - bicarbonate_pair).max(0.0),
            sulphate: (self.sulphate - sulphate_pair).max(0.0),
            bicarbonate: (self.bicarbonate - bicarbonate_pair).max(0.0),
            bicarbonate_pair,
        }
    }
}

/// Ions not bound in pairs, mmol/L.
struct Free {
    divalent: f64,
    sulphate: f64,
    bicarbonate: f64,
    bicarbonate_pair: f64,
}

impl Free {
    /// Activity coefficients of single and double charges (Davies, A = 0.509 at 25 °C).
    fn activity(&self, all: &Ions) -> (f64, f64) {
        let singles =
            self.bicarbonate + self.bicarbonate_pair + all.sodium + all.chloride + 2.0 * all.organic;
        let strength = 0.5e-3 * (4.0 * (self.divalent + self.sulphate) + singles);
        let root = strength.sqrt();
        let exponent = -0.509 * (root / (1.0 + root) - 0.3 * strength);
        let single = libm::exp(std::f64::consts::LN_10 * exponent);
        let square = single * single;
        (single, square * square)
    }
}

/// How much of the watery phase's conductivity is left with `oil` (0 to 1) of the volume in droplets that do not conduct:
/// Bruggeman's (1 − φ)^1.5.
pub fn obstruction(oil: f64) -> f64 {
    let open = (1.0 - oil).max(0.0);
    open * open.sqrt()
}

/// Conductivity at `t_c` over that at 25 °C, for a coolant: about 2 %/K, bent a little as waters are.
pub fn temperature_factor(t_c: f64) -> f64 {
    let warmer = t_c - 25.0;
    1.0 + 0.0204 * warmer + 5.0e-5 * warmer * warmer
}

#[cfg(test)]
mod tests {
    use super::*;

    fn within(got: f64, want: f64, part: f64, what: &str) {
        assert!((got / want - 1.0).abs() < part, "{what}: {got:.1} uS/cm, PHREEQC {want}");
    }

    #[test]
    fn hard_tap_water_conducts_as_phreeqc_says() {
        // phreeqpython 1.6.2, phreeqc.dat, 25 °C: 0.5 mmol/L NaCl, Ca:Mg 4:1, 70 % HCO3, 18 % SO4, 12 % Cl; mg/L, uS/cm.
        for (hardness, us_cm) in [
            (0.0, 62.09),
            (50.0, 165.64),
            (100.0, 263.4),
            (200.0, 448.15),
            (400.0, 792.72),
            (600.0, 1113.72),
            (800.0, 1418.72),
            (1000.0, 1711.36),
        ] {
            within(Water::tap(hardness).conductivity_us_cm(), us_cm, 0.02, &format!("{hardness} mg/L"));
        }
    }

    #[test]
    fn permanent_hardness_conducts_as_phreeqc_says() {
        // The same program: 0.5 mmol/L NaCl, Ca:Mg 7:3, half sulphate, half chloride by equivalents.
        for (hardness, us_cm) in [
            (100.0, 298.83),
            (200.0, 511.87),
            (400.0, 903.58),
            (600.0, 1268.13),
            (800.0, 1615.05),
            (1000.0, 1949.01),
        ] {
            let mmol = hardness / CACO3_MG_PER_MMOL;
            let ions = Ions {
                hardness: mmol,
                magnesium_share: 0.3,
                sodium: 0.5,
                sulphate: 0.5 * mmol,
                chloride: 0.5 + mmol,
                ..Ions::default()
            };
            within(ions.conductivity_us_cm(), us_cm, 0.04, &format!("{hardness} mg/L"));
        }
    }

    #[test]
    fn single_salts_conduct_as_phreeqc_says() {
        let calcium = |mmol: f64| Ions { hardness: mmol, ..Ions::default() };
        let magnesium = |mmol: f64| Ions { hardness: mmol, magnesium_share: 1.0, ..Ions::default() };
        // The same program, mmol/L and uS/cm.
        for (what, ions, us_cm) in [
            ("NaCl 1", Ions { sodium: 1.0, chloride: 1.0, ..Ions::default() }, 123.19),
            ("NaCl 10", Ions { sodium: 10.0, chloride: 10.0, ..Ions::default() }, 1175.64),
            ("NaHCO3 5", Ions { sodium: 5.0, bicarbonate: 5.0, ..Ions::default() }, 448.76),
            ("CaCl2 1", Ions { chloride: 2.0, ..calcium(1.0) }, 256.09),
            ("CaCl2 10", Ions { chloride: 20.0, ..calcium(10.0) }, 2312.46),
            ("MgCl2 5", Ions { chloride: 10.0, ..magnesium(5.0) }, 1147.92),
            ("MgSO4 1", Ions { sulphate: 1.0, ..magnesium(1.0) }, 216.79),
            ("MgSO4 10", Ions { sulphate: 10.0, ..magnesium(10.0) }, 1453.3),
            ("CaSO4 1", Ions { sulphate: 1.0, ..calcium(1.0) }, 233.23),
            ("CaSO4 10", Ions { sulphate: 10.0, ..calcium(10.0) }, 1632.79),
            ("Ca(HCO3)2 5", Ions { bicarbonate: 10.0, ..calcium(5.0) }, 859.64),
        ] {
            within(ions.conductivity_us_cm(), us_cm, 0.05, what);
        }
    }
}
