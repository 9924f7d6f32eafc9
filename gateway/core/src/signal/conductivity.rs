//! Conductance to conductivity at 25 °C, and the potassium chloride standards a cell is calibrated in.
//!
//! A compensation holds for the liquids and temperatures it was made for. ISO 7888's table is for natural waters from 0
//! to 35.9 °C; outside its temperatures there is no value rather than a guess.

use super::interpolate::{self, EvenTable};
use super::settings::Compensation;

/// Reference temperature of everything the gateway keeps, °C.
pub const REFERENCE_C: f64 = 25.0;

/// Highest temperature of ISO 7888's table, °C; the lowest is 0.
pub const NATURAL_WATER_MAX_C: f64 = 35.9;

/// f25 of ISO 7888 divided by this is f20.
pub const F25_PER_F20: f64 = 1.116;

/// f25 of ISO 7888 (EN 27888), whole degrees. The row at 36 °C closes the last degree, whose tenths the standard gives:
/// it continues the table's own differences. The cubic between them is within 0.001, one digit, of the tenths.
const NATURAL_WATER_F25: EvenTable = EvenTable::new(
    0.0,
    1.0,
    &[
        1.918, 1.857, 1.800, 1.745, 1.693, 1.643, 1.596, 1.551, 1.508, 1.467, 1.428, 1.390, 1.354, 1.320,
        1.287, 1.256, 1.225, 1.196, 1.168, 1.141, 1.116, 1.091, 1.067, 1.044, 1.021, 1.000, 0.979, 0.959,
        0.940, 0.921, 0.903, 0.886, 0.869, 0.853, 0.837, 0.822, 0.807,
    ],
);

/// Factor from a temperature in °C to 25 °C for natural waters, ISO 7888; `None` outside 0 to 35.9 °C.
pub fn natural_water_f25(temperature_c: f64) -> Option<f64> {
    (0.0..=NATURAL_WATER_MAX_C)
        .contains(&temperature_c)
        .then(|| NATURAL_WATER_F25.cubic(temperature_c))
        .flatten()
}

/// Factor from a temperature in °C to 25 °C for a linear coefficient per kelvin; `None` where the line reaches zero.
pub fn linear_f25(alpha_per_k: f64, temperature_c: f64) -> Option<f64> {
    let rise = 1.0 + alpha_per_k * (temperature_c - REFERENCE_C);
    (rise > 0.0).then(|| 1.0 / rise)
}

/// Linear coefficient at reference 20 °C from the one at reference 25 °C, both per kelvin.
pub fn alpha_20_per_k(alpha_25_per_k: f64) -> f64 {
    alpha_25_per_k / (1.0 - 5.0 * alpha_25_per_k)
}

/// Conductivity at 20 °C from the one at 25 °C with the linear coefficient at reference 25 °C, per kelvin.
pub fn reference_25_to_20(conductivity_25: f64, alpha_25_per_k: f64) -> f64 {
    conductivity_25 * (1.0 - 5.0 * alpha_25_per_k)
}

/// Conductivity in µS/cm of a conductance in µS through a cell of this constant in 1/cm.
pub fn conductivity_us_cm(conductance_us: f64, cell_constant_per_cm: f64) -> f64 {
    conductance_us * cell_constant_per_cm
}

impl Compensation {
    /// Factor from a temperature in °C to 25 °C; `None` where the compensation is not defined.
    pub fn f25(&self, temperature_c: f64) -> Option<f64> {
        match self {
            Self::None => Some(1.0),
            Self::Linear { alpha_per_k } => linear_f25(*alpha_per_k, temperature_c),
            Self::NaturalWater => natural_water_f25(temperature_c),
            Self::Table(rows) => interpolate::straight(rows, temperature_c).filter(|f| *f > 0.0),
        }
    }
}

/// A potassium chloride solution for calibrating a cell: mol of KCl per kg of water.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum KclStandard {
    /// 0.01 mol/kg: 1408.23 µS/cm at 25 °C. A bottle of 0.01 mol/L says 1413: another definition, not a fault.
    Molal001,
    /// 0.1 mol/kg: 12 824.6 µS/cm at 25 °C.
    Molal01,
    /// 1 mol/kg: 108 620 µS/cm at 25 °C.
    Molal1,
}

impl KclStandard {
    /// Every standard, weakest first.
    pub const ALL: &'static [Self] = &[Self::Molal001, Self::Molal01, Self::Molal1];

    /// Conductivity of the salt alone in µS/cm at a temperature in °C, without that of the water; `None` outside 0 to
    /// 50 °C.
    pub fn salt_us_cm(self, temperature_c: f64) -> Option<f64> {
        let table = match self {
            Self::Molal001 => &KCL_001,
            Self::Molal01 => &KCL_01,
            Self::Molal1 => &KCL_1,
        };
        table.cubic(temperature_c)
    }

    /// What a cell in the open beaker sees: the salt and water that has taken up carbon dioxide from the air.
    pub fn solution_us_cm(self, temperature_c: f64) -> Option<f64> {
        Some(self.salt_us_cm(temperature_c)? + WATER_IN_AIR.cubic(temperature_c)?)
    }
}

/// Conductivity at a temperature in °C of a bottled KCl standard whose label gives its value at 25 °C (84, 1413, 12 880,
/// 111 800 µS/cm …), by the relation of the nearest molal standard; `None` outside 0 to 50 °C or for a label that is no
/// KCl standard's.
pub fn labelled_kcl_us_cm(label_us_cm: f64, temperature_c: f64) -> Option<f64> {
    if !LABEL_US_CM.contains(&label_us_cm) {
        return None;
    }
    let nearest = match label_us_cm {
        label if label < 5_000.0 => KclStandard::Molal001,
        label if label < 40_000.0 => KclStandard::Molal01,
        _ => KclStandard::Molal1,
    };
    Some(label_us_cm * nearest.salt_us_cm(temperature_c)? / nearest.salt_us_cm(REFERENCE_C)?)
}

/// Labels of KCl standards sold, µS/cm at 25 °C (common practice, no source).
const LABEL_US_CM: std::ops::RangeInclusive<f64> = 50.0..=120_000.0;

/// Why a calibration gave no cell constant.
#[derive(Clone, Copy, PartialEq, Debug, thiserror::Error)]
pub enum CellCalibrationError {
    /// The cell reads nothing.
    #[error(
        "the cell reads {0} µS in the standard; it must read more than 0: is it under the liquid and connected?"
    )]
    NoConductance(f64),
    /// Nothing a cell can be.
    #[error(
        "cell constant {0:.4} 1/cm is no conductivity cell's; it should be 0.01 to 20 1/cm: wrong standard or unit?"
    )]
    Implausible(f64),
}

/// Cell constants made, 1/cm (common practice, no source).
const CELL_CONSTANT_PER_CM: std::ops::RangeInclusive<f64> = 0.01..=20.0;

/// Cell constant in 1/cm of a cell that reads `conductance_us` in a standard of `standard_us_cm` at its temperature.
pub fn cell_constant_per_cm(conductance_us: f64, standard_us_cm: f64) -> Result<f64, CellCalibrationError> {
    if conductance_us.is_nan() || conductance_us <= 0.0 {
        return Err(CellCalibrationError::NoConductance(conductance_us));
    }
    let constant = standard_us_cm / conductance_us;
    if CELL_CONSTANT_PER_CM.contains(&constant) {
        Ok(constant)
    } else {
        Err(CellCalibrationError::Implausible(constant))
    }
}

// NIST primary standards (J. Res. NIST 96 (1991) 191; Pure Appl. Chem. 73 (2001) 1783), µS/cm, water taken off.
const KCL_001: EvenTable = EvenTable::new(
    0.0,
    5.0,
    &[772.92, 890.96, 1013.95, 1141.45, 1273.03, 1408.23, 1546.63, 1687.79, 1831.27, 1976.62, 2123.43],
);
const KCL_01: EvenTable = EvenTable::new(
    0.0,
    5.0,
    &[7116.85, 8183.70, 9291.72, 10437.1, 11615.9, 12824.6, 14059.2, 15316.0, 16591.0, 17880.6, 19180.9],
);
const KCL_1: EvenTable = EvenTable::new(
    0.0,
    5.0,
    &[
        63488.0, 72030.0, 80844.0, 89900.0, 99170.0, 108620.0, 118240.0, 127970.0, 137810.0, 147720.0,
        157670.0,
    ],
);
const WATER_IN_AIR: EvenTable =
    EvenTable::new(0.0, 5.0, &[0.58, 0.68, 0.79, 0.89, 0.99, 1.10, 1.20, 1.30, 1.40, 1.51, 1.61]);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_factor_is_never_extrapolated() {
        for t in [-0.001, 35.901, 60.0, f64::NAN] {
            assert_eq!(natural_water_f25(t), None, "{t}");
        }
        assert!(natural_water_f25(35.9).is_some());
        let product = Compensation::Table(vec![(15.0, 1.2), (25.0, 1.0), (35.0, 0.85)]);
        assert_eq!(product.f25(20.0), Some(1.1));
        assert_eq!((product.f25(14.9), product.f25(35.1)), (None, None));
        assert_eq!(linear_f25(0.02, -25.0), None, "the line reaches zero there");
        assert_eq!(linear_f25(0.02, f64::NAN), None);
    }

    #[test]
    fn a_cell_is_calibrated_or_refused_with_reason() {
        let standard = KclStandard::Molal001.solution_us_cm(25.0).expect("table");
        assert!((cell_constant_per_cm(standard / 0.475, standard).expect("a cell") - 0.475).abs() < 1e-12);
        assert!(matches!(cell_constant_per_cm(0.0, standard), Err(CellCalibrationError::NoConductance(_))));
        assert!(matches!(
            cell_constant_per_cm(f64::NAN, standard),
            Err(CellCalibrationError::NoConductance(_))
        ));
        assert!(matches!(cell_constant_per_cm(1e6, standard), Err(CellCalibrationError::Implausible(_))));
        assert!(matches!(cell_constant_per_cm(10.0, f64::NAN), Err(CellCalibrationError::Implausible(_))));
    }

    #[test]
    fn a_bottle_says_something_else_and_is_right() {
        assert_eq!(labelled_kcl_us_cm(1413.0, 25.0), Some(1413.0));
        let at_20 = labelled_kcl_us_cm(1413.0, 20.0).expect("table");
        assert!((at_20 - 1277.3).abs() < 0.1, "{at_20}");
        assert_eq!(labelled_kcl_us_cm(1413.0, 60.0), None);
        assert_eq!(labelled_kcl_us_cm(0.0, 25.0), None);
    }
}
