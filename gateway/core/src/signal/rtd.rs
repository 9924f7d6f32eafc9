//! Resistance of a platinum thermometer to temperature and back: Callendar–Van Dusen, both branches.
//!
//! Coefficients and classes are those of IEC 60751. It knows nothing of wiring beyond the resistance it is handed.

/// Lowest temperature the relation is defined for, °C.
pub const TEMPERATURE_MIN_C: f64 = -200.0;
/// Highest temperature the relation is defined for, °C.
pub const TEMPERATURE_MAX_C: f64 = 850.0;

// IEC 60751:2008, relation of resistance and temperature.
const A: f64 = 3.9083e-3;
const B: f64 = -5.775e-7;
const C: f64 = -4.183e-12;

/// Newton's steps below 0 °C: started from the upper branch it settles to under 1e-9 K in four from −200 °C on.
const NEWTON_STEPS: usize = 6;

/// Resistance over `R0` at a temperature in °C.
pub fn ratio_at(temperature_c: f64) -> f64 {
    let t = temperature_c;
    let upper = 1.0 + t * (A + t * B);
    if t >= 0.0 { upper } else { upper + C * (t - 100.0) * t * t * t }
}

/// Resistance in ohm of an element of `r0_ohm` at 0 °C, at a temperature in °C.
pub fn resistance_ohm(r0_ohm: f64, temperature_c: f64) -> f64 {
    r0_ohm * ratio_at(temperature_c)
}

/// Change of resistance per kelvin over `R0`.
pub fn ratio_slope_at(temperature_c: f64) -> f64 {
    let t = temperature_c;
    let upper = A + 2.0 * B * t;
    if t >= 0.0 { upper } else { upper + C * t * t * (4.0 * t - 300.0) }
}

/// Temperature in °C of an element of `r0_ohm` that shows `resistance_ohm`; `None` outside −200 to 850 °C, where the
/// element is open or shorted rather than cold or hot.
pub fn temperature_c(r0_ohm: f64, resistance_ohm: f64) -> Option<f64> {
    let ratio = resistance_ohm / r0_ohm;
    let spans = ratio_at(TEMPERATURE_MIN_C)..=ratio_at(TEMPERATURE_MAX_C);
    if !spans.contains(&ratio) {
        return None;
    }
    let upper = (-A + (A * A - 4.0 * B * (1.0 - ratio)).sqrt()) / (2.0 * B);
    if ratio >= 1.0 {
        return Some(upper.max(0.0));
    }
    let mut t = upper;
    for _ in 0..NEWTON_STEPS {
        t -= (ratio_at(t) - ratio) / ratio_slope_at(t);
    }
    Some(t)
}

/// Tolerance class of a platinum thermometer, IEC 60751.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ToleranceClass {
    /// 0.1 K + 0.0017·|t|.
    Aa,
    /// 0.15 K + 0.002·|t|.
    A,
    /// 0.3 K + 0.005·|t|.
    B,
    /// 0.6 K + 0.01·|t|. From memory.
    C,
}

impl ToleranceClass {
    /// Permitted deviation to either side, in kelvin, at a temperature in °C.
    pub fn tolerance_k(self, temperature_c: f64) -> f64 {
        let (fixed, per_kelvin) = match self {
            Self::Aa => (0.1, 0.0017),
            Self::A => (0.15, 0.002),
            Self::B => (0.3, 0.005),
            Self::C => (0.6, 0.01),
        };
        fixed + per_kelvin * temperature_c.abs()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_two_branches_meet_at_the_ice_point() {
        assert_eq!(temperature_c(100.0, 100.0), Some(0.0));
        let below = temperature_c(100.0, 100.0 - 1e-7).expect("within the span");
        assert!(below < 0.0 && below > -1e-6, "{below}");
    }

    #[test]
    fn outside_the_span_there_is_no_temperature() {
        for ohm in [0.0, 18.52, 390.49, 1e9, -5.0, f64::NAN, f64::INFINITY] {
            assert_eq!(temperature_c(100.0, ohm), None, "{ohm}");
        }
        assert_eq!(temperature_c(0.0, 100.0), None, "an element of no resistance");
    }
}
