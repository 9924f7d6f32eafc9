//! Physical signal to the probe's quantity: picks the conversion and says what its compensation lacked.

use crate::model::{DeviceStatus, Quality, Reason, Status};

use super::calibration::Calibrated;
use super::counter::{Counter, CounterRule};
use super::settings::{Compensation, Density, PhCalibration, SensorStage, TemperatureSource};
use super::{Conversion, Graded, NOT_CONVERTIBLE, Stamp, conductivity, level, ph, rtd};

/// The sensor stage of one probe, with the memory that a counter needs.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Sensor {
    Direct,
    Rtd { r0_ohm: f64, lead_ohm: f64 },
    PhElectrode { calibration: PhCalibration, fit: bool },
    Conductivity { cell_constant_per_cm: f64, compensation: Compensation },
    Hydrostatic { density: Density, mounting_mm: f64 },
    Gap { sensor_height_mm: f64 },
    Counter { counter: Counter, counted: Option<Stamp> },
    Contact { inverted: bool },
}

/// Temperature of the liquid for a compensation.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct LiquidTemperature {
    pub(super) celsius: f64,
    /// It is a stand-in: the probe that should give it has none.
    pub(super) is_fallback: bool,
}

impl Sensor {
    /// From the settings, with the source of the temperature that the stage needs.
    pub(super) fn new(stage: &SensorStage) -> (Self, Option<TemperatureSource>) {
        match stage {
            SensorStage::Direct => (Self::Direct, None),
            &SensorStage::Rtd { r0_ohm, lead_ohm } => (Self::Rtd { r0_ohm, lead_ohm }, None),
            &SensorStage::PhElectrode { calibration, temperature, .. } => {
                (Self::PhElectrode { calibration, fit: calibration.is_within_limits() }, Some(temperature))
            }
            SensorStage::Conductivity { cell_constant_per_cm, compensation, temperature } => {
                let needs = *compensation != Compensation::None;
                let cell_constant_per_cm = *cell_constant_per_cm;
                let compensation = compensation.clone();
                (Self::Conductivity { cell_constant_per_cm, compensation }, needs.then_some(*temperature))
            }
            &SensorStage::Hydrostatic { density, mounting_mm } => {
                let temperature = match density {
                    Density::Fixed(_) => None,
                    Density::Water { temperature, .. } => Some(temperature),
                };
                (Self::Hydrostatic { density, mounting_mm }, temperature)
            }
            &SensorStage::Gap { sensor_height_mm } => (Self::Gap { sensor_height_mm }, None),
            &SensorStage::Counter { litres_per_count, modulus, litres_per_second_max } => {
                let rule = CounterRule { litres_per_count, modulus, litres_per_second_max };
                (Self::Counter { counter: Counter::new(rule), counted: None }, None)
            }
            &SensorStage::Contact { inverted } => (Self::Contact { inverted }, None),
        }
    }

    /// Keeps the total of a counter with the same rule.
    pub(super) fn carry_over(&mut self, earlier: &Self) {
        if let (Self::Counter { counter, .. }, Self::Counter { counter: other, .. }) = (&*self, earlier)
            && counter.is_like(other)
        {
            *self = earlier.clone();
        }
    }

    /// Goes on with a new calibration; one of another kind of sensor changes nothing.
    pub(super) fn calibrate(&mut self, new: &Calibrated) {
        match (self, new) {
            (Self::PhElectrode { calibration, fit }, Calibrated::Ph(new)) => {
                (*calibration, *fit) = (*new, new.is_within_limits());
            }
            (Self::Conductivity { cell_constant_per_cm, .. }, Calibrated::Cell { constant_per_cm }) => {
                *cell_constant_per_cm = *constant_per_cm;
            }
            _ => {}
        }
    }

    /// Whether what a signal means hangs on the one before it.
    pub(super) fn counts(&self) -> bool {
        matches!(self, Self::Counter { .. })
    }

    /// Quantity of a signal.
    pub(super) fn convert(&mut self, signal: f64, liquid: LiquidTemperature, stamp: Stamp) -> Conversion {
        let compensated = |value| Ok(Graded { value, quality: liquid.quality() });
        match self {
            Self::Direct => good(signal),
            Self::Rtd { r0_ohm, lead_ohm } => {
                rtd::temperature_c(*r0_ohm, signal - *lead_ohm).ok_or(SENSOR_OPEN).and_then(good)
            }
            Self::PhElectrode { calibration, fit } => {
                let value = calibration.ph(signal, liquid.celsius);
                if !ph::MEASURABLE_PH.contains(&value) {
                    return Err(NOT_CONVERTIBLE);
                }
                let own = if *fit { Quality::GOOD } else { OUT_OF_CALIBRATION };
                Ok(Graded { value, quality: own.worst(liquid.quality()) })
            }
            Self::Conductivity { cell_constant_per_cm, compensation } => {
                let factor = compensation.f25(liquid.celsius).ok_or(COMPENSATION_UNDEFINED)?;
                compensated(conductivity::conductivity_us_cm(signal, *cell_constant_per_cm) * factor)
            }
            Self::Hydrostatic { density: Density::Fixed(density), mounting_mm } => {
                good(level::column_mm(signal, *density) + *mounting_mm)
            }
            Self::Hydrostatic { density: Density::Water { factor, .. }, mounting_mm } => {
                // Outside 0 to 100 °C the nearest end stands in, flagged: it is off by less than 5 %, and a level that
                // warns of an overflow is worth more than none.
                let water = level::water_density_kg_m3(liquid.celsius);
                let nearest = || level::water_density_kg_m3(liquid.celsius.clamp(0.0, 100.0));
                let density = water.or_else(nearest).ok_or(COMPENSATION_UNDEFINED)? * *factor;
                let own = if water.is_some() { Quality::GOOD } else { COMPENSATION_DOUBTFUL };
                let value = level::column_mm(signal, density) + *mounting_mm;
                Ok(Graded { value, quality: own.worst(liquid.quality()) })
            }
            Self::Gap { sensor_height_mm } if signal >= 0.0 => good(*sensor_height_mm - signal),
            Self::Gap { .. } => Err(NOT_CONVERTIBLE),
            Self::Counter { counter, counted } => {
                let elapsed = counted.map_or(std::time::Duration::ZERO, |earlier| stamp.since(earlier));
                let (conversion, taken) = counter.advance(signal, elapsed);
                if taken {
                    *counted = Some(stamp);
                }
                conversion
            }
            Self::Contact { inverted } => {
                let closed = signal.abs() >= CONTACT_CLOSED_MIN;
                good(if closed != *inverted { 1.0 } else { 0.0 })
            }
        }
    }
}

/// A contact's number from here on means closed: devices send 0 and 1, some 0 and 255.
const CONTACT_CLOSED_MIN: f64 = 0.5;

impl LiquidTemperature {
    fn quality(self) -> Quality {
        if self.is_fallback { TEMPERATURE_MISSING } else { Quality::GOOD }
    }
}

fn good(value: f64) -> Conversion {
    Ok(Graded { value, quality: Quality::GOOD })
}

const SENSOR_OPEN: Quality =
    Quality::new(Status::BadSensorFailure, DeviceStatus::Failure, Reason::SensorOpen);
const OUT_OF_CALIBRATION: Quality = Quality::new(
    Status::UncertainSensorCalibration,
    DeviceStatus::OutOfSpecification,
    Reason::OutOfCalibration,
);
const TEMPERATURE_MISSING: Quality =
    Quality::new(Status::UncertainSubNormal, DeviceStatus::OutOfSpecification, Reason::TemperatureMissing);
const COMPENSATION_UNDEFINED: Quality =
    Quality::new(Status::BadOutOfRange, DeviceStatus::OutOfSpecification, Reason::CompensationRange);
const COMPENSATION_DOUBTFUL: Quality =
    Quality::new(Status::UncertainSubNormal, DeviceStatus::OutOfSpecification, Reason::CompensationRange);
