//! F3: raw reading to measurement with quality.
//!
//! Each probe has a channel. A number goes through the input stage (a line, or a loop current that may be a diagnosis),
//! the sensor stage (thermometer, electrode, cell, pressure, gap, counter, contact), then the checks: spike, range,
//! frozen, calibration date. A fault, or time passing without a reading, changes what stands: the last usable value is
//! held for its hold time, then there is none. A bad value holds no number; nothing that leaves here is NaN.
//!
//! It refuses to know of sumps, alarms and of what a value is good for.

pub mod calibration;
mod channel;
pub mod conductivity;
pub mod counter;
mod fault;
mod frozen;
pub mod interpolate;
pub mod level;
pub mod loop_current;
pub mod ph;
pub mod ph_buffers;
pub mod rtd;
mod sensor;
pub mod settings;
mod spike;

use std::time::Duration;

use crate::model::{
    DeviceStatus, Measured, Measurement, Now, ProbeIndex, Quality, RawReading, Reason, Status, Timestamp,
    Uptime,
};

use calibration::Calibrated;
use channel::Channel;
use sensor::LiquidTemperature;
use settings::{ProbeSettings, TemperatureSource};

/// The channels of all probes.
#[derive(Clone, PartialEq, Debug)]
pub struct Signals {
    channels: Vec<Channel>,
    /// No deadline lies before this; readings move deadlines on, which is only looked up when this one has come.
    wake: Option<Uptime>,
    started: bool,
}

/// Last value and last fault of a probe, neither erasing the other.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LastKnown {
    /// What was last said of it, value or fault.
    pub current: Measurement,
    /// Last usable value that came from a reading.
    pub value: Option<LastValue>,
    /// Last time there was none.
    pub fault: Option<LastFault>,
}

/// A usable value, good or uncertain, in the probe's unit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LastValue {
    /// In the unit of the probe's quantity.
    pub value: f64,
    /// How good it was.
    pub quality: Quality,
    /// Its stamp.
    pub at: Timestamp,
    /// When the gateway received it.
    pub received: Uptime,
}

/// A fault.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LastFault {
    /// Why.
    pub quality: Quality,
    /// When it was noticed.
    pub at: Timestamp,
    /// When the gateway noticed it.
    pub received: Uptime,
}

impl LastKnown {
    fn waiting(probe: ProbeIndex) -> Self {
        let measured = Measured::Bad(Quality::WAITING);
        let (at, received) = (Timestamp::default(), Uptime::default());
        Self { current: Measurement { probe, at, received, raw: None, measured }, value: None, fault: None }
    }
}

impl Signals {
    /// Channels for `probes`, whose place in the list is their [`ProbeIndex`].
    pub fn new(probes: &[ProbeSettings]) -> Self {
        let index = |slot: usize| {
            ProbeIndex(u32::try_from(slot).expect("fewer probes than 2^32: each has a register"))
        };
        let channels: Vec<_> = probes.iter().enumerate().map(|(i, p)| Channel::new(index(i), p)).collect();
        Self { channels, wake: None, started: false }
    }

    /// Turns a reading into a measurement. A silent fault gives the last usable value while it holds. A number that was
    /// received before the newest becomes a measurement that moves nothing here: see [`Signals::is_latest`].
    ///
    /// # Panics
    /// If the probe is not one of those handed to [`Signals::new`].
    pub fn convert(&mut self, now: Now, reading: &RawReading) -> Measurement {
        self.begin(now.uptime);
        let slot = reading.probe.slot();
        let liquid = self.liquid_temperature(self.channels[slot].temperature, reading.received);
        let channel = &mut self.channels[slot];
        let measurement = channel.convert(reading, liquid);
        if let Some(deadline) = channel.deadline() {
            self.wake = Some(self.wake.map_or(deadline, |wake| wake.min(deadline)));
        }
        measurement
    }

    /// Adds a measurement for each probe whose value has outlived its hold time or that has become stale since the last
    /// call, each once.
    pub fn tick(&mut self, now: Now, out: &mut Vec<Measurement>) {
        self.begin(now.uptime);
        if self.wake.is_none_or(|wake| wake > now.uptime) {
            return;
        }
        out.extend(self.channels.iter_mut().filter_map(|channel| channel.expire(now)));
        self.wake = self.channels.iter().filter_map(Channel::deadline).min();
    }

    /// Whether nothing younger is known of the probe: what is older is worth keeping and says nothing of now.
    ///
    /// # Panics
    /// If the probe is not one of those handed to [`Signals::new`].
    pub fn is_latest(&self, measurement: &Measurement) -> bool {
        measurement.received >= self.last(measurement.probe).current.received
    }

    /// When to call [`Signals::tick`] next at the latest; it may then find nothing to do. Before the first call of any
    /// kind: at once, so that probes that never answer are noticed.
    pub fn poll_timeout(&self) -> Option<Uptime> {
        if self.started || self.channels.is_empty() { self.wake } else { Some(Uptime::default()) }
    }

    /// Last value and last fault of a probe.
    ///
    /// # Panics
    /// If the probe is not one of those handed to [`Signals::new`].
    pub fn last(&self, probe: ProbeIndex) -> &LastKnown {
        &self.channels[probe.slot()].last
    }

    /// Lets a probe go on from where `earlier` left its namesake, when a new configuration takes over: last value and
    /// fault, what is pending, and a counter's total. A check or a counter that is told otherwise now starts anew. The
    /// two must measure the same quantity.
    ///
    /// # Panics
    /// If either probe is not one of its signals'.
    pub fn carry_over(&mut self, probe: ProbeIndex, earlier: &Self, namesake: ProbeIndex) {
        self.channels[probe.slot()].carry_over(probe, &earlier.channels[namesake.slot()]);
        self.started = false;
    }

    /// Whether somebody has the probe in a buffer. Meanwhile its numbers are kept and make no value of the sump.
    ///
    /// # Panics
    /// If the probe is not one of those handed to [`Signals::new`].
    pub fn set_being_calibrated(&mut self, probe: ProbeIndex, being_calibrated: bool) {
        self.channels[probe.slot()].set_being_calibrated(being_calibrated);
    }

    /// A new calibration takes effect. It holds until `due`, where the configuration says that calibrations run out.
    ///
    /// # Panics
    /// If the probe is not one of those handed to [`Signals::new`].
    pub fn calibrate(&mut self, probe: ProbeIndex, new: &Calibrated, due: Option<Timestamp>) {
        self.channels[probe.slot()].calibrate(new, due);
    }

    /// What the electrode or the cell itself gives for the device's number: mV, µS or µS/cm; or why that is nothing.
    ///
    /// # Panics
    /// If the probe is not one of those handed to [`Signals::new`].
    pub fn signal(&self, probe: ProbeIndex, number: f64) -> Result<f64, Quality> {
        self.channels[probe.slot()].signal(number).map(|graded| graded.value)
    }

    /// Temperature, °C, that the probe's compensation goes by, and whether it is a stand-in for one that is missing.
    ///
    /// # Panics
    /// If the probe is not one of those handed to [`Signals::new`].
    pub fn liquid(&self, probe: ProbeIndex, now: Uptime) -> (f64, bool) {
        let liquid = self.liquid_temperature(self.channels[probe.slot()].temperature, now);
        (liquid.celsius, liquid.is_fallback)
    }

    /// Starts the clocks of probes that have not said anything, at the first call and after [`Signals::carry_over`].
    fn begin(&mut self, now: Uptime) {
        if self.started {
            return;
        }
        self.started = true;
        for channel in &mut self.channels {
            channel.begin(now);
        }
        self.wake = self.channels.iter().filter_map(Channel::deadline).min();
    }

    /// Temperature for a compensation. A usable value of the probe counts, held ones too: a missed poll of the
    /// thermometer changes nothing in the liquid.
    fn liquid_temperature(&self, source: Option<TemperatureSource>, now: Uptime) -> LiquidTemperature {
        match source {
            None => LiquidTemperature { celsius: conductivity::REFERENCE_C, is_fallback: false },
            Some(TemperatureSource::Fixed(celsius)) => LiquidTemperature { celsius, is_fallback: false },
            Some(TemperatureSource::Probe { probe, fallback_c }) => {
                let measured = self.channels.get(probe.slot()).and_then(|channel| channel.usable(now));
                LiquidTemperature { celsius: measured.unwrap_or(fallback_c), is_fallback: measured.is_none() }
            }
        }
    }
}

/// A number on its way, with what is to be said of it so far.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Graded {
    value: f64,
    quality: Quality,
}

/// A conversion gives a number with its quality, or a bad quality and no number.
type Conversion = Result<Graded, Quality>;

/// The conversion is not defined there.
const NOT_CONVERTIBLE: Quality =
    Quality::new(Status::BadOutOfRange, DeviceStatus::OutOfSpecification, Reason::NotConvertible);

/// When a reading was taken, on both clocks.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Stamp {
    at: Timestamp,
    received: Uptime,
}

impl Stamp {
    /// Time passed since an earlier reading: the longer of what the two clocks say. Messages that arrive in one lot
    /// differ only in their own stamps; after a correction of UTC backwards only the gateway's uptime tells.
    fn since(self, earlier: Self) -> Duration {
        self.at.since(earlier.at).max(self.received.since(earlier.received))
    }
}

#[cfg(test)]
mod tests;
