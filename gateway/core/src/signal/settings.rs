//! What conversion is told by the checked configuration.
//!
//! A conversion has two stages: the input stage turns the device's number into the physical signal (a loop current is
//! judged on the way), the sensor stage turns the signal into the quantity. Units are fixed: mA, Ohm, mV, uS, uS/cm,
//! Pa, mm, Cel, pH; the configuration folds every other unit into the input stage's line.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::ph_buffers::BufferFamily;
use crate::acquire::topics::Expected;
use crate::model::{Name, ProbeIndex, Quantity, SumpIndex, Timestamp, Unit};

/// One probe.
#[derive(Clone, PartialEq, Debug)]
pub struct ProbeSettings {
    /// Name in the configuration, unique within its sump.
    pub name: Name,
    /// Whose probe.
    pub sump: SumpIndex,
    /// What it measures.
    pub quantity: Quantity,
    /// Unit the device's number is in once the input stage has scaled it; messages that name a unit are turned into it.
    pub input_unit: Option<Unit>,
    /// Device's number to signal.
    pub input: InputStage,
    /// Signal to quantity.
    pub sensor: SensorStage,
    /// Range of the probe, in the quantity's unit; outside it the value is uncertain.
    pub range: Option<(f64, f64)>,
    /// Standard uncertainty of a good value.
    pub accuracy: Accuracy,
    /// How often a value is expected.
    pub period: Duration,
    /// How long the last good value stands in for a missing one.
    pub hold: Duration,
    /// After how long without a value the probe is stale. At least `hold`.
    pub stale_after: Duration,
    /// Frozen check.
    pub frozen: Option<FrozenCheck>,
    /// Spike check.
    pub spike: Option<SpikeCheck>,
    /// When its calibration runs out.
    pub calibration_due: Option<Timestamp>,
}

impl ProbeSettings {
    /// What messages for this probe are turned into.
    pub fn expected(&self) -> Expected {
        Expected { unit: self.input_unit.unwrap_or(self.quantity.unit()), stale_after: self.stale_after }
    }
}

/// Standard uncertainty: `absolute + relative · |value|`.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Accuracy {
    /// In the quantity's unit.
    pub absolute: f64,
    /// Fraction of the value.
    pub relative: f64,
}

impl Accuracy {
    /// Standard uncertainty at `value`.
    pub fn at(self, value: f64) -> f64 {
        self.absolute + self.relative * value.abs()
    }
}

/// `y = x · scale + offset`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Line {
    /// Factor.
    pub scale: f64,
    /// Addend.
    pub offset: f64,
}

impl Line {
    /// Changes nothing.
    pub const IDENTITY: Self = Self { scale: 1.0, offset: 0.0 };

    /// The line at `x`.
    pub fn at(self, x: f64) -> f64 {
        x * self.scale + self.offset
    }

    /// The line that first applies `self`, then `next`.
    pub fn then(self, next: Self) -> Self {
        Self { scale: self.scale * next.scale, offset: self.offset * next.scale + next.offset }
    }
}

/// Device's number to physical signal.
#[derive(Clone, PartialEq, Debug)]
pub enum InputStage {
    /// A scaled register or message.
    Scaled(Line),
    /// A 4–20 mA loop: counts to milliamperes, judged by NE 43, then milliamperes to the signal.
    Loop {
        /// Device's number to milliamperes.
        to_ma: Line,
        /// Bands.
        bands: LoopBands,
        /// Signal at 4 mA and more, as points (mA, signal) in rising order of mA; two points make a line. The first
        /// and last piece are extended into the valid band beyond 4 and 20 mA.
        points: Vec<(f64, f64)>,
    },
}

/// Limits of a loop current in mA, by default those of NAMUR NE 43.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LoopBands {
    /// At or below: failure.
    pub failure_low: f64,
    /// From here: valid.
    pub valid_low: f64,
    /// Up to here: valid.
    pub valid_high: f64,
    /// At or above: failure.
    pub failure_high: f64,
}

impl Default for LoopBands {
    fn default() -> Self {
        Self { failure_low: 3.6, valid_low: 3.8, valid_high: 20.5, failure_high: 21.0 }
    }
}

/// Physical signal to quantity.
#[derive(Clone, PartialEq, Debug)]
pub enum SensorStage {
    /// The signal is the quantity.
    Direct,
    /// Ohm to Celsius, IEC 60751.
    Rtd {
        /// Resistance at 0 °C: 100 or 1000.
        r0_ohm: f64,
        /// Resistance of the leads, taken off.
        lead_ohm: f64,
    },
    /// Millivolt to pH.
    PhElectrode {
        /// Calibration in force.
        calibration: PhCalibration,
        /// Temperature of the liquid.
        temperature: TemperatureSource,
        /// Whose buffers it is calibrated in, where the shop says so.
        buffers: Option<BufferFamily>,
    },
    /// Conductance in uS (cell constant in 1/cm) or, with cell constant 1, conductivity in uS/cm, to 25 °C.
    Conductivity {
        /// Cell constant, 1/cm.
        cell_constant_per_cm: f64,
        /// To 25 °C.
        compensation: Compensation,
        /// Temperature of the liquid.
        temperature: TemperatureSource,
    },
    /// Gauge pressure in Pa to level.
    Hydrostatic {
        /// Density of the liquid.
        density: Density,
        /// Height of the membrane above the tank floor.
        mounting_mm: f64,
    },
    /// Distance from a sensor above the liquid down to it, in mm, to level.
    Gap {
        /// Height of the sensor's face above the tank floor.
        sensor_height_mm: f64,
    },
    /// Pulses or a meter's total to litres since start, safe against roll-over and reset.
    Counter {
        /// Litres per count.
        litres_per_count: f64,
        /// Where the counter starts over: 65536, 4294967296, 10000000 …
        modulus: Option<f64>,
        /// Most litres per second that can be real; a greater step is a reset.
        litres_per_second_max: f64,
    },
    /// A contact to 0 or 1.
    Contact {
        /// Closed means not running.
        inverted: bool,
    },
}

/// Calibration of a pH electrode.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct PhCalibration {
    /// Slope in percent of the Nernst slope, below `knee_ph`; above it `slope_alkaline_percent` holds.
    pub slope_percent: f64,
    /// Slope above the middle buffer of a three-point calibration; equal to `slope_percent` otherwise.
    pub slope_alkaline_percent: f64,
    /// pH of the middle buffer of a three-point calibration, where the two slopes meet.
    pub knee_ph: f64,
    /// pH at 0 mV, at the temperature of the calibration.
    pub zero_ph: f64,
    /// pH at which the voltage does not depend on temperature, usually 7.
    pub isopotential_ph: f64,
    /// Temperature of the calibration, °C.
    pub temperature_c: f64,
}

/// Where the temperature for a compensation comes from.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum TemperatureSource {
    /// A probe, with the fixed value that stands in when the probe has none.
    Probe {
        /// Which.
        probe: ProbeIndex,
        /// Stand-in, °C.
        fallback_c: f64,
    },
    /// A fixed temperature, °C.
    Fixed(f64),
}

/// Conductivity to 25 °C.
#[derive(Clone, PartialEq, Debug)]
pub enum Compensation {
    /// The device has done it, or nobody wants it.
    None,
    /// `k25 = k / (1 + alpha · (t − 25))`; alpha per kelvin.
    Linear {
        /// Per kelvin.
        alpha_per_k: f64,
    },
    /// Natural waters, ISO 7888: 0 to 35.9 °C.
    NaturalWater,
    /// The product's own factors: (°C, factor to 25 °C), rising.
    Table(Vec<(f64, f64)>),
}

/// Density of the liquid over a hydrostatic probe.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Density {
    /// kg/m³.
    Fixed(f64),
    /// Water's at the liquid's temperature, times a factor for the emulsion.
    Water {
        /// Emulsion density over water density.
        factor: f64,
        /// Temperature of the liquid.
        temperature: TemperatureSource,
    },
}

/// A value that moves less than `least_change` over `window` is frozen.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct FrozenCheck {
    /// How long.
    pub window: Duration,
    /// In the quantity's unit; the span from least to greatest must exceed it.
    pub least_change: f64,
}

/// A value that moves faster than this is a spike until `confirm` readings in a row agree with it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SpikeCheck {
    /// Step that is always allowed, in the quantity's unit.
    pub step: f64,
    /// Fastest real change, per second.
    pub rate_per_s: f64,
    /// Readings in a row that make it real.
    pub confirm: u8,
}
