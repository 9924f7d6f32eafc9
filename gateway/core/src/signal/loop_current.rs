//! A 4–20 mA loop: is this current a measurement, and of what.
//!
//! NAMUR NE 43 lets a transmitter measure from 3.8 to 20.5 mA and say "I have failed" at 3.6 mA and below or 21 mA and
//! above. What lies between says neither: a transmitter of that recommendation does not stay there, but one saturated
//! and read by a coarse card does. There the value stays at the edge of the valid band and is uncertain, so that a tank
//! that overflows still reads full.

use crate::model::{DeviceStatus, Quality, Reason, Status};

use super::interpolate;
use super::settings::LoopBands;
use super::{Conversion, Graded};

/// A current this close to a limit is on it: counts to milliamperes leaves rounding errors of about 1e-15.
const LIMIT_ROUNDING_MA: f64 = 1e-9;

/// What a current says, NAMUR NE 43.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LoopState {
    /// At or below the lower failure limit.
    FailureLow,
    /// Neither valid nor a clear failure, low.
    BetweenLow,
    /// A measurement.
    Valid,
    /// Neither valid nor a clear failure, high.
    BetweenHigh,
    /// At or above the upper failure limit.
    FailureHigh,
}

/// What a current in mA says.
pub fn classify(bands: &LoopBands, ma: f64) -> LoopState {
    if ma >= bands.valid_low - LIMIT_ROUNDING_MA && ma <= bands.valid_high + LIMIT_ROUNDING_MA {
        LoopState::Valid
    } else if ma >= bands.failure_high - LIMIT_ROUNDING_MA {
        LoopState::FailureHigh
    } else if ma > bands.valid_high {
        LoopState::BetweenHigh
    } else if ma > bands.failure_low + LIMIT_ROUNDING_MA {
        LoopState::BetweenLow
    } else {
        LoopState::FailureLow
    }
}

/// Signal of a current in mA through `points` (mA, signal).
pub(super) fn convert(bands: &LoopBands, points: &[(f64, f64)], ma: f64) -> Conversion {
    let failed = |reason| Err(Quality::new(Status::BadSensorFailure, DeviceStatus::Failure, reason));
    let (ma, quality) = match classify(bands, ma) {
        LoopState::FailureLow => return failed(Reason::WireBreak),
        LoopState::FailureHigh => return failed(Reason::ShortCircuit),
        LoopState::Valid => (ma, Quality::GOOD),
        LoopState::BetweenLow => (bands.valid_low, BETWEEN),
        LoopState::BetweenHigh => (bands.valid_high, BETWEEN),
    };
    let value = interpolate::straight_extended(points, ma).ok_or(super::NOT_CONVERTIBLE)?;
    Ok(Graded { value, quality })
}

const BETWEEN: Quality = Quality::new(
    Status::UncertainEngineeringUnitsExceeded,
    DeviceStatus::OutOfSpecification,
    Reason::LoopBetween,
);
