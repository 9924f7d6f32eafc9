//! What is known of one sump from its probes alone, with honest limits.
//!
//! Litres come from the level and the tank's own curve, room from the fill mark and the hold-up, concentration from the
//! conductivity and the jar test. None of it takes off what no probe sees: chips under the surface and minerals that
//! have built up. So the volume and the concentration are marked as made from fewer sources than wanted, and the
//! lower end of the concentration's interval allows for minerals.

use std::time::Duration;

use crate::model::{DeviceStatus, Measured, Measurement, ProbeIndex, Quality, Reason, Status, Uptime};

use super::fluid::{JarTest, JarTestError};
use super::settings::{EstimateKind, SumpSettings};
use super::tank::{Tank, TankError};
use crate::signal::settings::{Accuracy, ProbeSettings};

/// Two-sided 90 % point of the normal distribution.
const Z90: f64 = 1.644_853_626_951_472_7;

/// How many times the make-up water's minerals may have been added to the jar test's own. Mass balance: hardness tends
/// to make-up hardness × (evaporation + drag-out) / drag-out; evaporation three times drag-out gives four times the
/// make-up, three of them on top (common practice for the ratio, no source).
const MINERALS_ON_TOP_MAX: f64 = 3.0;

/// How long coolant runs back after the pumps stop, at the most (common practice, no source).
const RUN_BACK: Duration = Duration::from_secs(20 * 60);

/// Share of what stands in a tank that may be chips before somebody clears them out (common practice, no source).
const CHIPS_SHARE_MAX: f64 = 0.1;

/// Conductivity of minerals where the water's own was not given: about 2 uS/cm per mg/L CaCO3 in unsoftened natural
/// water (field rule of a state university's watershed extension).
const US_CM_PER_MG_L: f64 = 2.0;

/// An estimate with its 90 % interval.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Estimate {
    /// Value in the unit of its kind.
    pub value: f64,
    /// Lower end of the 90 % interval.
    pub low90: f64,
    /// Upper end of the 90 % interval.
    pub high90: f64,
    /// How good and why.
    pub quality: Quality,
}

/// Why the settings of a sump cannot be used.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum SumpError {
    /// Its tank.
    #[error(transparent)]
    Tank(#[from] TankError),
    /// Its fluid.
    #[error(transparent)]
    JarTest(#[from] JarTestError),
}

/// One sump as its probes show it.
#[derive(Clone, Debug)]
pub struct Sump {
    settings: SumpSettings,
    tank: Tank,
    jar_test: JarTest,
    level: Input,
    conductivity: Input,
    pump: Input,
    /// When the pumps were last seen to start or stop.
    pump_turned: Option<Uptime>,
}

/// Latest of one probe, if the sump has it.
#[derive(Clone, Copy, Debug)]
struct Input {
    probe: Option<ProbeIndex>,
    accuracy: Accuracy,
    measured: Measured,
    received: Uptime,
}

impl Input {
    fn new(probe: Option<ProbeIndex>, probes: &[ProbeSettings]) -> Self {
        let accuracy = probe.map_or(Accuracy::default(), |p| probes[p.slot()].accuracy);
        Self { probe, accuracy, measured: Measured::Bad(Quality::WAITING), received: Uptime::default() }
    }

    /// Takes the measurement if it is of this probe.
    fn take(&mut self, measurement: &Measurement) -> bool {
        let ours = self.probe == Some(measurement.probe);
        if ours {
            self.measured = measurement.measured;
            self.received = measurement.received;
        }
        ours
    }

    /// Value, standard uncertainty and quality, or why there is none.
    fn known(&self) -> Result<(f64, f64, Quality), Quality> {
        if self.probe.is_none() {
            return Err(Quality::new(Status::BadNoData, DeviceStatus::Normal, Reason::FewerSources));
        }
        let quality = self.measured.quality();
        self.measured.usable().map(|value| (value, self.accuracy.at(value), quality)).ok_or(quality)
    }
}

impl Sump {
    /// A sump of which nothing has been read yet.
    pub fn new(settings: &SumpSettings, probes: &[ProbeSettings]) -> Result<Self, SumpError> {
        Ok(Self {
            tank: Tank::new(&settings.tank)?,
            jar_test: JarTest::new(&settings.fluid.conductivity_curve)?,
            level: Input::new(settings.probes.level, probes),
            conductivity: Input::new(settings.probes.conductivity, probes),
            pump: Input::new(settings.probes.pump, probes),
            pump_turned: None,
            settings: settings.clone(),
        })
    }

    /// Its settings.
    pub fn settings(&self) -> &SumpSettings {
        &self.settings
    }

    /// Its tank.
    pub fn tank(&self) -> &Tank {
        &self.tank
    }

    /// A new measurement. Whether an estimate may have changed by it.
    pub fn observe(&mut self, measurement: &Measurement) -> bool {
        let before = self.pump.measured.usable();
        let pump = self.pump.take(measurement);
        if self.pump.measured.usable() != before {
            self.pump_turned = Some(measurement.received);
        }
        self.level.take(measurement) | self.conductivity.take(measurement) | pump
    }

    /// One estimate, or why there is none.
    pub fn estimate(&self, kind: EstimateKind) -> Result<Estimate, Quality> {
        match kind {
            EstimateKind::Concentration => self.concentration(),
            EstimateKind::Liquid => self.liquid(),
            EstimateKind::Room => self.room(),
        }
    }

    /// What stands in the tank and what the running pumps hold up in lines and machine. Chips under the surface are not
    /// seen, so the lower end of the interval allows for them.
    fn liquid(&self) -> Result<Estimate, Quality> {
        let (mm, sigma_mm, quality) = self.level.known()?;
        let in_tank = |mm: f64| self.tank.volume_l(mm);
        let (out_low, out_high) = match self.pumps_run() {
            Some(true) => (self.settings.holdup_l, self.settings.holdup_l),
            Some(false) => (0.0, 0.0),
            None => (0.0, self.settings.holdup_l),
        };
        Ok(Estimate {
            value: in_tank(mm) + (out_low + out_high) / 2.0,
            low90: in_tank(mm - Z90 * sigma_mm) * (1.0 - CHIPS_SHARE_MAX) + out_low,
            high90: in_tank(mm + Z90 * sigma_mm) + out_high,
            quality: quality.worst(self.outside_tank(mm)).worst(sub_normal(Reason::FewerSources)),
        })
    }

    /// Whether the pumps run and have done so for long enough that lines and machine are full, or stand and everything
    /// has run back; `None` where nobody can tell.
    fn pumps_run(&self) -> Option<bool> {
        let settled = self.pump_turned.is_some_and(|turned| self.level.received.since(turned) >= RUN_BACK);
        self.pump.measured.usable().filter(|_| settled).map(|running| running != 0.0)
    }

    /// Chips need no taking off here: what they fill is no room. The hold-up runs back when the pumps stop, so it is
    /// allowed for unless the pumps are known to stand.
    fn room(&self) -> Result<Estimate, Quality> {
        let (mm, sigma_mm, quality) = self.level.known()?;
        let held_up = if self.pumps_run() == Some(false) { 0.0 } else { self.settings.holdup_l };
        let room =
            |mm: f64| self.tank.volume_l(self.settings.fill_mark_mm) - self.tank.volume_l(mm) - held_up;
        Ok(Estimate {
            value: room(mm),
            low90: room(mm + Z90 * sigma_mm),
            high90: room(mm - Z90 * sigma_mm),
            quality: quality.worst(self.outside_tank(mm)),
        })
    }

    fn concentration(&self) -> Result<Estimate, Quality> {
        let (us_cm, sigma, quality) = self.conductivity.known()?;
        let here = self.jar_test.percent_at(us_cm);
        let water = &self.settings.water;
        let of_water = water.conductivity_us_cm.unwrap_or(US_CM_PER_MG_L * water.hardness_mg_l);
        let percent_at = |us_cm: f64| self.jar_test.percent_at(us_cm).percent;
        let curve = if here.beyond { sub_normal(Reason::OutsideCurve) } else { Quality::GOOD };
        Ok(Estimate {
            value: here.percent,
            low90: percent_at(us_cm - Z90 * sigma - MINERALS_ON_TOP_MAX * of_water),
            high90: percent_at(us_cm + Z90 * sigma),
            quality: quality.worst(curve).worst(sub_normal(Reason::Uncorrected)),
        })
    }

    fn outside_tank(&self, mm: f64) -> Quality {
        if self.tank.holds_level(mm) {
            return Quality::GOOD;
        }
        Quality::new(
            Status::UncertainEngineeringUnitsExceeded,
            DeviceStatus::OutOfSpecification,
            Reason::OutsideTank,
        )
    }
}

/// Usable, but from fewer sources than wanted.
const fn sub_normal(reason: Reason) -> Quality {
    Quality::new(Status::UncertainSubNormal, DeviceStatus::Normal, reason)
}
