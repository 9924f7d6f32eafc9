//! Voltage of a glass electrode to pH and back, and its calibration in buffers.
//!
//! The electrode's line turns about its isopotential point with the Nernst slope of the measured temperature. After a
//! three-point calibration it has a knee at the middle buffer, with a slope of its own on the alkaline side. Only the
//! electrode is compensated: that the liquid's own pH moves with temperature is not known here.

use super::ph_buffers;
use super::settings::PhCalibration;

/// Molar gas constant, J/(mol·K), CODATA 2018 (exact).
const GAS_CONSTANT: f64 = 8.314_462_618_153_24;
/// Faraday constant, C/mol, CODATA 2018 (exact).
const FARADAY: f64 = 96_485.332_123_310_01;
/// 0 °C in kelvin.
const ICE_POINT_K: f64 = 273.15;

/// Slope between these is fit for use, percent of the Nernst slope (common practice, no source).
pub const SLOPE_PERCENT: std::ops::RangeInclusive<f64> = 90.0..=105.0;
/// Zero point this far from the isopotential point is fit for use, pH: about ± 60 mV (common practice, no source).
pub const ZERO_DEVIATION_PH_MAX: f64 = 1.0;
/// Two buffers must lie further apart than this, pH (DIN 19268).
pub const BUFFER_DISTANCE_PH_MIN: f64 = 2.0;
/// Beyond these no electrode measures, pH: the voltage is a broken cable's, not a liquid's (common practice, no source).
pub const MEASURABLE_PH: std::ops::RangeInclusive<f64> = -2.0..=16.0;

/// Nernst slope `R·T·ln 10 / F` in mV per pH at a temperature in °C.
pub fn nernst_slope_mv(temperature_c: f64) -> f64 {
    1000.0 * GAS_CONSTANT * (temperature_c + ICE_POINT_K) * std::f64::consts::LN_10 / FARADAY
}

impl PhCalibration {
    /// An electrode as the book has it: 100 %, zero and isopotential point at pH 7, calibrated at 25 °C.
    pub const IDEAL: Self = Self {
        slope_percent: 100.0,
        slope_alkaline_percent: 100.0,
        knee_ph: 7.0,
        zero_ph: 7.0,
        isopotential_ph: 7.0,
        temperature_c: 25.0,
    };

    /// pH at `mv` and a temperature in °C. Not finite if the calibration is nonsense.
    pub fn ph(&self, mv: f64, temperature_c: f64) -> f64 {
        let bent =
            self.bent(self.isopotential_ph) - (mv - self.isopotential_mv()) / nernst_slope_mv(temperature_c);
        let percent = if bent <= 0.0 { self.slope_percent } else { self.slope_alkaline_percent };
        self.knee_ph + bent / (percent / 100.0)
    }

    /// Voltage in mV at a pH and a temperature in °C.
    pub fn mv(&self, ph: f64, temperature_c: f64) -> f64 {
        let bent = self.bent(ph) - self.bent(self.isopotential_ph);
        self.isopotential_mv() - nernst_slope_mv(temperature_c) * bent
    }

    /// Whether both slopes and the zero point are fit for use ([`SLOPE_PERCENT`], [`ZERO_DEVIATION_PH_MAX`]).
    pub fn is_within_limits(&self) -> bool {
        SLOPE_PERCENT.contains(&self.slope_percent)
            && SLOPE_PERCENT.contains(&self.slope_alkaline_percent)
            && (self.zero_ph - self.isopotential_ph).abs() <= ZERO_DEVIATION_PH_MAX
    }

    /// Voltage at the isopotential point, the same at every temperature.
    fn isopotential_mv(&self) -> f64 {
        let bent = self.bent(self.isopotential_ph) - self.bent(self.zero_ph);
        -nernst_slope_mv(self.temperature_c) * bent
    }

    /// Distance from the knee in units of the Nernst slope: the one line with its bend straightened out.
    fn bent(&self, ph: f64) -> f64 {
        let from_knee = ph - self.knee_ph;
        let percent = if from_knee <= 0.0 { self.slope_percent } else { self.slope_alkaline_percent };
        from_knee * percent / 100.0
    }
}

/// What an electrode showed in a buffer.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct BufferReading {
    /// pH of the buffer at its temperature, see [`ph_buffers::Buffer::ph_at`].
    pub ph: f64,
    /// Voltage of the electrode, mV.
    pub mv: f64,
}

/// Why buffer readings make no calibration.
#[derive(Clone, Copy, PartialEq, Debug, thiserror::Error)]
pub enum PhCalibrationError {
    /// None, or more than three.
    #[error("{0} buffer readings; one, two or three are needed")]
    Count(usize),
    /// NaN or infinite.
    #[error("buffer reading {0} is not a number")]
    NotFinite(usize),
    /// Too close together.
    #[error(
        "buffers pH {low:.2} and pH {high:.2} are too close; take buffers more than {min} pH apart, \
         such as 6.86 and 9.18",
        min = BUFFER_DISTANCE_PH_MIN
    )]
    TooClose {
        /// The lower.
        low: f64,
        /// The higher.
        high: f64,
    },
    /// The voltage does not fall from the lower to the higher buffer.
    #[error(
        "the voltage must fall by about 58 mV per pH, but changed by {change_mv:+.1} mV from pH {low:.2} to pH \
         {high:.2}: buffers exchanged, or electrode or cable broken"
    )]
    NotFalling {
        /// The lower.
        low: f64,
        /// The higher.
        high: f64,
        /// Voltage in the higher less that in the lower.
        change_mv: f64,
    },
    /// No electrode is so steep or so flat.
    #[error("slope {percent:.0} % of the Nernst slope is no glass electrode's; 90 to 105 % is fit for use")]
    Slope {
        /// Percent of the Nernst slope.
        percent: f64,
    },
    /// Temperature at which no buffer is used.
    #[error("calibration at {0} °C; buffers are used at {min} to {max} °C", min = ph_buffers::TEMPERATURE_MIN_C, max = ph_buffers::TEMPERATURE_MAX_C)]
    Temperature(f64),
}

/// Slopes beyond these are a mistake rather than an old electrode, percent (common practice, no source).
const SLOPE_BELIEVABLE_PERCENT: std::ops::RangeInclusive<f64> = 50.0..=120.0;

/// Calibration from one, two or three buffer readings at one temperature in °C. One reading shifts the zero point and
/// keeps the slopes of `before`; two set zero point and one slope; three set a slope on either side of the middle one.
/// The isopotential point is a property of the electrode and is kept from `before`.
pub fn calibrate(
    readings: &[BufferReading],
    temperature_c: f64,
    before: &PhCalibration,
) -> Result<PhCalibration, PhCalibrationError> {
    if !(ph_buffers::TEMPERATURE_MIN_C..=ph_buffers::TEMPERATURE_MAX_C).contains(&temperature_c) {
        return Err(PhCalibrationError::Temperature(temperature_c));
    }
    if let Some(at) = readings.iter().position(|r| !(r.ph.is_finite() && r.mv.is_finite())) {
        return Err(PhCalibrationError::NotFinite(at + 1));
    }
    let mut sorted = readings.to_vec();
    sorted.sort_by(|a, b| a.ph.total_cmp(&b.ph));
    match sorted[..] {
        [only] => Ok(shifted(only, temperature_c, before)),
        [low, high] => {
            let percent = slope_percent(low, high, temperature_c)?;
            Ok(through(low, (percent, percent), temperature_c, before))
        }
        [low, middle, high] => {
            let acid = slope_percent(low, middle, temperature_c)?;
            let alkaline = slope_percent(middle, high, temperature_c)?;
            Ok(through(middle, (acid, alkaline), temperature_c, before))
        }
        _ => Err(PhCalibrationError::Count(readings.len())),
    }
}

/// Efficiency: slope between two readings in percent of the Nernst slope.
pub fn slope_percent(
    low: BufferReading,
    high: BufferReading,
    temperature_c: f64,
) -> Result<f64, PhCalibrationError> {
    let (apart, change_mv) = (high.ph - low.ph, high.mv - low.mv);
    if apart <= BUFFER_DISTANCE_PH_MIN {
        return Err(PhCalibrationError::TooClose { low: low.ph, high: high.ph });
    }
    if change_mv >= 0.0 {
        return Err(PhCalibrationError::NotFalling { low: low.ph, high: high.ph, change_mv });
    }
    let percent = -change_mv / apart / nernst_slope_mv(temperature_c) * 100.0;
    if SLOPE_BELIEVABLE_PERCENT.contains(&percent) {
        Ok(percent)
    } else {
        Err(PhCalibrationError::Slope { percent })
    }
}

/// The line with its knee at `knee`, moved so that it gives 0 mV where it crosses zero.
fn through(
    knee: BufferReading,
    (acid, alkaline): (f64, f64),
    temperature_c: f64,
    before: &PhCalibration,
) -> PhCalibration {
    // Going up in pH the voltage falls: a positive voltage at the knee puts the zero on the alkaline side.
    let percent = if knee.mv > 0.0 { alkaline } else { acid };
    PhCalibration {
        slope_percent: acid,
        slope_alkaline_percent: alkaline,
        knee_ph: knee.ph,
        zero_ph: knee.ph + knee.mv / (nernst_slope_mv(temperature_c) * percent / 100.0),
        isopotential_ph: before.isopotential_ph,
        temperature_c,
    }
}

/// `before` with its line moved through one reading.
fn shifted(reading: BufferReading, temperature_c: f64, before: &PhCalibration) -> PhCalibration {
    let moved_mv = reading.mv - before.mv(reading.ph, temperature_c);
    let knee_mv = before.mv(before.knee_ph, temperature_c) + moved_mv;
    let knee = BufferReading { ph: before.knee_ph, mv: knee_mv };
    through(knee, (before.slope_percent, before.slope_alkaline_percent), temperature_c, before)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(ph: f64, mv: f64) -> BufferReading {
        BufferReading { ph, mv }
    }

    #[test]
    fn the_voltage_at_the_isopotential_point_does_not_move() {
        let electrode = PhCalibration { zero_ph: 6.8, slope_percent: 96.0, ..PhCalibration::IDEAL };
        let at_25 = electrode.mv(7.0, 25.0);
        assert!((electrode.mv(7.0, 60.0) - at_25).abs() < 1e-12);
        assert!(
            (electrode.mv(6.8, 25.0)).abs() < 1e-12,
            "0 mV at the zero point, at the calibration's temperature"
        );
    }

    #[test]
    fn three_points_give_a_slope_on_either_side() {
        let k = nernst_slope_mv(25.0);
        let readings =
            [reading(9.18, -2.315 * 0.92 * k), reading(4.005, 2.86 * 0.98 * k), reading(6.865, 0.0)];
        let electrode = calibrate(&readings, 25.0, &PhCalibration::IDEAL).expect("plain buffers");
        assert!((electrode.slope_percent - 98.0).abs() < 1e-9);
        assert!((electrode.slope_alkaline_percent - 92.0).abs() < 1e-9);
        assert!((electrode.zero_ph - 6.865).abs() < 1e-12);
        for r in readings {
            assert!((electrode.ph(r.mv, 25.0) - r.ph).abs() < 1e-12, "{r:?} reads itself");
        }
    }

    #[test]
    fn one_point_moves_the_line_and_keeps_its_slopes() {
        let before =
            PhCalibration { slope_percent: 97.0, slope_alkaline_percent: 95.0, ..PhCalibration::IDEAL };
        let after = calibrate(&[reading(9.18, -115.0)], 25.0, &before).expect("one buffer");
        assert_eq!((after.slope_percent, after.slope_alkaline_percent), (97.0, 95.0));
        assert!((after.ph(-115.0, 25.0) - 9.18).abs() < 1e-12);
        assert!((after.mv(after.zero_ph, 25.0)).abs() < 1e-12);
    }

    #[test]
    fn mistakes_are_told_apart() {
        let ideal = &PhCalibration::IDEAL;
        let calibrated =
            |readings: &[BufferReading]| calibrate(readings, 25.0, ideal).expect_err("a mistake");
        assert_eq!(calibrated(&[]), PhCalibrationError::Count(0));
        assert!(matches!(
            calibrated(&[reading(6.86, 0.0), reading(8.5, -90.0)]),
            PhCalibrationError::TooClose { .. }
        ));
        assert!(matches!(
            calibrated(&[reading(6.86, -130.0), reading(9.18, 3.0)]),
            PhCalibrationError::NotFalling { .. }
        ));
        assert!(matches!(
            calibrated(&[reading(6.86, 3.0), reading(9.18, -3.0)]),
            PhCalibrationError::Slope { .. }
        ));
        assert_eq!(calibrated(&[reading(6.86, f64::NAN)]), PhCalibrationError::NotFinite(1));
        assert_eq!(
            calibrate(&[reading(6.86, 0.0)], 80.0, ideal),
            Err(PhCalibrationError::Temperature(80.0)),
            "no buffer table goes there"
        );
    }

    #[test]
    fn an_old_electrode_is_reported() {
        assert!(PhCalibration::IDEAL.is_within_limits());
        for slope in [89.9, 105.1] {
            assert!(!PhCalibration { slope_percent: slope, ..PhCalibration::IDEAL }.is_within_limits());
            assert!(
                !PhCalibration { slope_alkaline_percent: slope, ..PhCalibration::IDEAL }.is_within_limits()
            );
        }
        assert!(!PhCalibration { zero_ph: 8.1, ..PhCalibration::IDEAL }.is_within_limits());
    }
}
