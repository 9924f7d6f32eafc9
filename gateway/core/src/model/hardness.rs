//! Units that people state the hardness of water in.

/// mg/L as CaCO3 in one unit, from IUPAC abridged atomic masses (Ca 40.078, C 12.011, O 15.999), the German degree as
/// 10 mg/L CaO, the French as 10 mg/L CaCO3, the grain as 64.79891 mg, a US gallon of 3.785411784 L and an imperial
/// gallon of 4.54609 L.
const HARDNESS_UNITS: &[(&str, f64)] = &[
    ("mg/L", 1.0),
    ("mg/l", 1.0),
    ("ppm", 1.0),
    ("mmol/L", 100.086),
    ("mmol/l", 100.086),
    ("°dH", 100.086 / 56.077 * 10.0),
    ("dH", 100.086 / 56.077 * 10.0),
    ("°fH", 10.0),
    ("fH", 10.0),
    ("°e", 64.79891 / 4.54609),
    ("°Clark", 64.79891 / 4.54609),
    ("gpg", 64.79891 / 3.785411784),
];

/// A hardness in mg/L as CaCO3; `None` if `unit` is no unit of it.
pub fn hardness_mg_l(value: f64, unit: &str) -> Option<f64> {
    HARDNESS_UNITS.iter().find(|(name, _)| *name == unit).map(|(_, factor)| value * factor)
}
