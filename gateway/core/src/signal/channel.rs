//! One probe: the order of its conversions and checks, and what stands when nothing comes.

use std::time::Duration;

use crate::model::{
    DeviceStatus, Fault, Measured, Measurement, Now, ProbeIndex, Quality, Raw, RawReading, Reason, Severity,
    Status, Timestamp, Uptime,
};

use super::calibration::Calibrated;
use super::fault::{self, Verdict};
use super::frozen::Frozen;
use super::sensor::{LiquidTemperature, Sensor};
use super::settings::{InputStage, ProbeSettings, TemperatureSource};
use super::spike::{self, Spike};
use super::{Conversion, Graded, LastFault, LastKnown, LastValue, NOT_CONVERTIBLE, Stamp, loop_current};

/// One probe.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Channel {
    input: InputStage,
    sensor: Sensor,
    pub(super) temperature: Option<TemperatureSource>,
    range: Option<(f64, f64)>,
    calibration_due: Option<Timestamp>,
    /// Somebody has the probe in a buffer: its numbers are no values of the sump.
    being_calibrated: bool,
    frozen: Option<Frozen>,
    spike: Option<Spike>,
    /// How long a value stands in for one that is known to be missing.
    hold: Duration,
    /// How long a value counts while nothing is heard: never shorter than until the next one is late.
    lasts: Duration,
    stale_after: Duration,
    /// Stamp of the last number, usable or not.
    numbered: Option<Stamp>,
    pub(super) last: LastKnown,
    silence: Silence,
}

/// What is pending while nothing comes.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Silence {
    /// When the device last said anything; at first, since when it could have; `None` until somebody says what time
    /// it is.
    heard: Option<Uptime>,
    /// The last usable value may still stand in.
    holds: bool,
    /// Nobody has been told yet that the probe is stale.
    stale_pending: bool,
    /// Why nothing comes, if a fault said so.
    explained: Option<Quality>,
}

impl Channel {
    pub(super) fn new(probe: ProbeIndex, settings: &ProbeSettings) -> Self {
        let (sensor, temperature) = Sensor::new(&settings.sensor);
        // A value cannot be late before the next one is due; half a period more is for jitter.
        let due = settings.period.saturating_add(settings.period / 2);
        Self {
            input: settings.input.clone(),
            sensor,
            temperature,
            range: settings.range,
            calibration_due: settings.calibration_due,
            being_calibrated: false,
            frozen: settings.frozen.map(Frozen::new),
            spike: settings.spike.map(Spike::new),
            hold: settings.hold,
            lasts: settings.hold.max(due),
            stale_after: settings.stale_after.max(settings.hold).max(due),
            numbered: None,
            last: LastKnown::waiting(probe),
            silence: Silence { heard: None, holds: false, stale_pending: true, explained: None },
        }
    }

    /// Starts the clock of a probe that has not said anything yet.
    pub(super) fn begin(&mut self, now: Uptime) {
        self.silence.heard.get_or_insert(now);
    }

    /// From now on its numbers are those of a buffer, or of the sump again. What was known before says nothing of either.
    pub(super) fn set_being_calibrated(&mut self, being_calibrated: bool) {
        self.being_calibrated = being_calibrated;
        self.silence.holds = false;
        self.forget_standing();
        if let Some(spike) = &mut self.spike {
            spike.forget();
        }
    }

    /// Goes on with a new calibration, which holds until `due` where the one before was to run out.
    pub(super) fn calibrate(&mut self, new: &Calibrated, due: Option<Timestamp>) {
        self.sensor.calibrate(new);
        self.calibration_due =
            self.calibration_due.map(|configured| due.map_or(configured, |due| due.max(configured)));
    }

    /// Goes on from where another channel of the same quantity stands.
    pub(super) fn carry_over(&mut self, probe: ProbeIndex, earlier: &Self) {
        self.sensor.carry_over(&earlier.sensor);
        if self.frozen.is_some_and(|own| earlier.frozen.is_some_and(|other| own.is_like(&other))) {
            self.frozen = earlier.frozen;
        }
        if self.spike.is_some_and(|own| earlier.spike.is_some_and(|other| own.is_like(&other))) {
            self.spike = earlier.spike;
        }
        self.numbered = earlier.numbered;
        self.silence = earlier.silence;
        self.last = earlier.last;
        self.last.current.probe = probe;
    }

    pub(super) fn convert(&mut self, reading: &RawReading, liquid: LiquidTemperature) -> Measurement {
        let late = self.numbered.is_some_and(|newest| reading.received < newest.received);
        let (raw, measured) = match reading.raw {
            Raw::Number(number) if late && number.is_finite() => {
                return self.late(number, reading, liquid);
            }
            Raw::Number(number) if number.is_finite() => {
                (Some(number), self.take_number(number, reading, liquid))
            }
            Raw::Number(_) => (None, self.take_fault(Fault::NotFinite, reading)),
            Raw::Fault(fault) => (None, self.take_fault(fault, reading)),
        };
        let RawReading { probe, at, received, .. } = *reading;
        self.remember(Measurement { probe, at, received, raw, measured })
    }

    fn take_number(&mut self, number: f64, reading: &RawReading, liquid: LiquidTemperature) -> Measured {
        let stamp = Stamp { at: reading.at, received: reading.received };
        let gap = self.silence.heard.is_some_and(|heard| reading.received.since(heard) >= self.lasts);
        let elapsed = self.numbered.replace(stamp).map_or(Duration::ZERO, |earlier| stamp.since(earlier));
        self.silence.heard = Some(reading.received);
        self.silence.stale_pending = true;
        self.silence.explained = None;
        if gap {
            self.forget_standing();
        }
        if self.being_calibrated {
            return self.in_a_buffer(number);
        }
        match self.value_of(number, stamp, liquid) {
            Ok(graded) => {
                let Graded { value, quality } = self.judge(number, graded, stamp, elapsed);
                self.silence.holds |= quality.severity() != Severity::Bad;
                Measured::new(value, quality)
            }
            Err(quality) => {
                self.silence.holds = false;
                self.forget_standing();
                Measured::Bad(quality)
            }
        }
    }

    /// A number that says something of the electrode and nothing of the sump.
    fn in_a_buffer(&mut self, number: f64) -> Measured {
        self.silence.holds = false;
        self.forget_standing();
        Measured::Bad(self.signal(number).map_or_else(|broken| broken, |_| BEING_CALIBRATED))
    }

    /// A number from before the newest: a point of its own time, which moves no check and nothing that stands. A counter
    /// cannot tell it from a restart.
    fn late(&mut self, number: f64, reading: &RawReading, liquid: LiquidTemperature) -> Measurement {
        let RawReading { probe, at, received, .. } = *reading;
        let converted = if self.being_calibrated {
            Err(BEING_CALIBRATED)
        } else if self.sensor.counts() {
            Err(NOT_CONVERTIBLE)
        } else {
            self.value_of(number, Stamp { at, received }, liquid)
        };
        let measured = match converted {
            Ok(Graded { value, quality }) => Measured::new(value, quality.worst(self.range_quality(value))),
            Err(quality) => Measured::Bad(quality),
        };
        Measurement { probe, at, received, raw: Some(number), measured }
    }

    fn range_quality(&self, value: f64) -> Quality {
        let outside = self.range.is_some_and(|(low, high)| value < low || value > high);
        if outside { OUTSIDE_RANGE } else { Quality::GOOD }
    }

    /// Input stage alone: the electrode's voltage, the cell's conductance.
    pub(super) fn signal(&self, number: f64) -> Conversion {
        match &self.input {
            InputStage::Scaled(line) => Ok(Graded { value: line.at(number), quality: Quality::GOOD }),
            InputStage::Loop { to_ma, bands, points } => {
                loop_current::convert(bands, points, to_ma.at(number))
            }
        }
    }

    /// Input stage, then sensor stage.
    fn value_of(&mut self, number: f64, stamp: Stamp, liquid: LiquidTemperature) -> Conversion {
        let signal = self.signal(number)?;
        let Graded { value, quality } = self.sensor.convert(signal.value, liquid, stamp)?;
        if !value.is_finite() {
            return Err(NOT_CONVERTIBLE);
        }
        Ok(Graded { value, quality: signal.quality.worst(quality) })
    }

    /// The checks, in the order in which they may overrule each other.
    fn judge(&mut self, number: f64, graded: Graded, stamp: Stamp, elapsed: Duration) -> Graded {
        let Graded { value, mut quality } = graded;
        if let Some(spike) = &mut self.spike
            && !spike.accept(value, elapsed)
        {
            return Graded { value, quality: spike::LEFT_OUT };
        }
        quality = quality.worst(self.range_quality(value));
        if let Some(frozen) = &mut self.frozen {
            quality = quality.worst(frozen.judge(number, value, stamp.received));
        }
        if self.calibration_due.is_some_and(|due| stamp.at > due) {
            quality = quality.worst(CALIBRATION_OVERDUE);
        }
        Graded { value, quality }
    }

    fn take_fault(&mut self, fault: Fault, reading: &RawReading) -> Measured {
        match fault::judge(fault) {
            Verdict::Silent(silence) => {
                self.silence.explained = Some(silence);
                match self.standing(reading.received, self.hold) {
                    Some(value) => Measured::Uncertain(value, fault::held(silence)),
                    None => {
                        self.silence.holds = false;
                        Measured::Bad(silence)
                    }
                }
            }
            Verdict::Refused(quality) | Verdict::Elsewhere(quality) => {
                self.silence = Silence {
                    heard: Some(reading.received),
                    holds: false,
                    stale_pending: fault != Fault::StandingBy,
                    explained: None,
                };
                self.forget_standing();
                Measured::Bad(quality)
            }
        }
    }

    /// The last usable value while it counts.
    pub(super) fn usable(&self, now: Uptime) -> Option<f64> {
        self.standing(now, self.lasts)
    }

    fn standing(&self, now: Uptime, limit: Duration) -> Option<f64> {
        let value = self.last.value.filter(|_| self.silence.holds)?;
        (now.since(value.received) < limit).then_some(value.value)
    }

    /// When the next thing happens if nothing comes.
    pub(super) fn deadline(&self) -> Option<Uptime> {
        let hold = self.last.value.filter(|_| self.silence.holds).map(|v| v.received.plus(self.lasts));
        let stale =
            self.silence.heard.filter(|_| self.silence.stale_pending).map(|h| h.plus(self.stale_after));
        hold.into_iter().chain(stale).min()
    }

    /// What time has done to the value: one measurement if that changed it.
    pub(super) fn expire(&mut self, now: Now) -> Option<Measurement> {
        let mut becomes = None;
        let was_usable = self.last.current.measured.usable().is_some();
        if self.silence.holds && self.usable(now.uptime).is_none() {
            self.silence.holds = false;
            becomes = was_usable.then(|| self.silence.explained.unwrap_or(fault::UNEXPLAINED));
        }
        let silent_for = self.silence.heard.map_or(Duration::ZERO, |heard| now.uptime.since(heard));
        if self.silence.stale_pending && silent_for >= self.stale_after {
            self.silence.stale_pending = false;
            // A fault that said why nothing comes tells more than "stale" does.
            becomes = becomes.filter(|_| self.silence.explained.is_some());
            if self.silence.explained.is_none() {
                becomes = Some(fault::STALE);
            }
        }
        let measured = Measured::Bad(becomes?);
        self.forget_standing();
        let probe = self.last.current.probe;
        Some(self.remember(Measurement { probe, at: now.utc, received: now.uptime, raw: None, measured }))
    }

    fn forget_standing(&mut self) {
        if let Some(frozen) = &mut self.frozen {
            frozen.forget();
        }
    }

    /// Keeps the last value and the last fault side by side: neither erases the other.
    fn remember(&mut self, measurement: Measurement) -> Measurement {
        let Measurement { at, received, raw, measured, .. } = measurement;
        self.last.current = measurement;
        let quality = measured.quality();
        match (measured, raw) {
            (Measured::Good(value, _) | Measured::Uncertain(value, _), Some(_)) => {
                self.last.value = Some(LastValue { value, quality, at, received });
            }
            // Without the device's own number it is a value that stands in, or none: either way a fault.
            (Measured::Good(..) | Measured::Uncertain(..), None) | (Measured::Bad(_), _) => {
                self.last.fault = Some(LastFault { quality, at, received });
            }
        }
        measurement
    }
}

const OUTSIDE_RANGE: Quality = Quality::new(
    Status::UncertainEngineeringUnitsExceeded,
    DeviceStatus::OutOfSpecification,
    Reason::OutsideRange,
);
/// NE 107 calls it a function check: temporarily invalid because someone works on it.
pub(super) const BEING_CALIBRATED: Quality =
    Quality::new(Status::BadOutOfService, DeviceStatus::FunctionCheck, Reason::BeingCalibrated);
/// An overdue calibration: the device only asks for maintenance, but its value can no longer be vouched for.
const CALIBRATION_OVERDUE: Quality = Quality::new(
    Status::UncertainSensorNotAccurate,
    DeviceStatus::MaintenanceRequired,
    Reason::CalibrationOverdue,
);
