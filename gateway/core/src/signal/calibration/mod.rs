//! A calibration: one probe on its way through buffers or a standard, and what comes of it.
//!
//! A [`Session`] sees the electrode's own signal (mV; µS or µS/cm of a cell) with the liquid's temperature, says when it is
//! steady ([`steady`]), which liquid it stands in ([`standard`]), takes points, and gives a new calibration with a judgement
//! ([`judge`]). It ends when somebody finishes or abandons it, or by itself when nobody did anything for [`IDLE_MAX`].
//!
//! ```text
//!         begin            take (1 to 3 for pH, 1 for a cell)
//! nothing ─────▶ running ──┐
//!    ▲              ▲ └────┘      finish ─▶ nothing, new calibration
//!    └──────────────┴─ abandon, or idle ──▶ nothing, the old one stays
//! ```
//!
//! It refuses to know of sumps, alarms, and of who may calibrate.

pub mod judge;
mod kept;
mod refusal;
pub mod standard;
pub mod steady;
#[cfg(test)]
mod tests;

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::conductivity::{self, REFERENCE_C};
use super::ph::{self, BUFFER_DISTANCE_PH_MIN, BufferReading, nernst_slope_mv};
use super::ph_buffers::BufferFamily;
use super::settings::{Compensation, PhCalibration, ProbeSettings, SensorStage, TemperatureSource};
use crate::model::{Line, Now, Quality, Status, Timestamp, Unit, Uptime};

pub use judge::{Judgement, Verdict};
pub use kept::Kept;
pub use refusal::Refusal;
pub use standard::{Choice, Standard};
use steady::{Criteria, Window};
pub use steady::{Figures, Unsteady};

/// A session in which nobody does anything for so long is abandoned: the probe is forgotten in a beaker, and its sump is
/// not watched meanwhile (common practice, no source).
pub const IDLE_MAX: Duration = Duration::from_secs(30 * 60);

/// Most points of a pH calibration; a cell has one.
pub const POINTS_MAX: usize = 3;

/// Liquids of one calibration may be this much warmer than one another, K: the electrode follows the temperature only
/// slowly (common practice, no source).
pub const POINTS_APART_MAX_K: f64 = 5.0;

/// What a calibration sets.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Calibrated {
    /// A pH electrode.
    Ph(PhCalibration),
    /// A conductivity cell, or the factor on a device that delivers conductivity.
    Cell {
        /// Cell constant, 1/cm.
        constant_per_cm: f64,
    },
}

impl Calibrated {
    /// What the configuration sets for a probe; none for one that cannot be calibrated here.
    pub fn configured(stage: &SensorStage) -> Option<Self> {
        match stage {
            SensorStage::PhElectrode { calibration, .. } => Some(Self::Ph(*calibration)),
            SensorStage::Conductivity { cell_constant_per_cm, .. } => {
                Some(Self::Cell { constant_per_cm: *cell_constant_per_cm })
            }
            _ => None,
        }
    }

    /// All of it in one line, exactly: two that differ in anything have different lines.
    pub fn fingerprint(&self) -> String {
        match self {
            Self::Ph(c) => format!(
                "pH slope {} {} knee {} zero {} isopotential {} at {}",
                c.slope_percent,
                c.slope_alkaline_percent,
                c.knee_ph,
                c.zero_ph,
                c.isopotential_ph,
                c.temperature_c
            ),
            Self::Cell { constant_per_cm } => format!("cell {constant_per_cm}"),
        }
    }
}

/// What a session is told of its probe.
#[derive(Clone, PartialEq, Debug)]
pub struct Setup {
    /// Calibration in force.
    pub before: Calibrated,
    /// Whose buffers, where the shop says so.
    pub family: Option<BufferFamily>,
    /// The signal stands at 25 °C already, whatever the liquid's temperature is.
    pub at_reference: bool,
    /// No thermometer tells the liquid's temperature; the configuration names one.
    pub celsius_is_fixed: bool,
    /// The signal is a conductivity, µS/cm, rather than a conductance, µS.
    pub is_conductivity: bool,
    /// How often it is read.
    pub period: Duration,
}

impl Setup {
    /// Of a probe whose calibration `before` is in force; none where it cannot be calibrated here.
    pub fn of(settings: &ProbeSettings, before: Calibrated) -> Option<Self> {
        let (family, at_reference, temperature) = match &settings.sensor {
            SensorStage::PhElectrode { buffers, temperature, .. } => (*buffers, false, temperature),
            SensorStage::Conductivity { compensation, temperature, .. } => {
                (None, *compensation == Compensation::None, temperature)
            }
            _ => return None,
        };
        let celsius_is_fixed = matches!(temperature, TemperatureSource::Fixed(_));
        let is_conductivity = settings.input_unit == Some(Unit::MicrosiemensPerCm);
        Some(Self {
            before,
            family,
            at_reference,
            celsius_is_fixed,
            is_conductivity,
            period: settings.period,
        })
    }

    /// What makes its signal steady.
    pub fn criteria(&self) -> Criteria {
        match self.before {
            Calibrated::Ph(_) => steady::ELECTRODE,
            Calibrated::Cell { .. } => steady::CELL,
        }
    }

    /// Over how long a signal must be steady.
    pub fn window(&self) -> Duration {
        steady::window(self.period)
    }
}

/// One look at the signal.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Seen {
    /// When it was received.
    pub received: Uptime,
    /// mV, µS or µS/cm.
    pub signal: f64,
    /// Temperature of the liquid, °C, as the probe's compensation knows it.
    pub celsius: f64,
    /// That is a stand-in: the thermometer gives nothing.
    pub stands_in: bool,
}

/// A point that was taken.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Point {
    /// The liquid.
    pub standard: Standard,
    /// mV, µS or µS/cm.
    pub signal: f64,
    /// Temperature of the liquid, °C.
    pub celsius: f64,
    /// Whether the signal was steady, rather than taken all the same.
    pub steady: bool,
    /// When.
    pub at: Timestamp,
    /// Who took it.
    pub by: Line,
}

/// What a session would come to.
#[derive(Clone, PartialEq, Debug)]
pub struct Outcome {
    /// The new calibration.
    pub calibrated: Calibrated,
    /// What is to be thought of it.
    pub judgement: Judgement,
}

/// What somebody says on taking a point.
#[derive(Clone, PartialEq, Debug)]
pub struct Take {
    /// Who.
    pub by: Line,
    /// Which liquid; none where it is to be recognised.
    pub standard: Option<Choice>,
    /// Its temperature by a thermometer in the beaker, °C; none where the probe's own goes.
    pub celsius: Option<f64>,
    /// To be taken although it is not steady.
    pub even_if_unsteady: bool,
}

/// A calibration that goes on.
#[derive(Clone, PartialEq, Debug)]
pub struct Session {
    setup: Setup,
    choice: Option<Choice>,
    celsius: Option<f64>,
    by: Line,
    begun: Timestamp,
    expires: Uptime,
    window: Window,
    trouble: Option<Quality>,
    points: Vec<Point>,
}

impl Session {
    /// Begins: `choice` says which liquids, where the shop's configuration does not or one is not to be recognised.
    pub fn begin(
        setup: Setup,
        now: Now,
        by: Line,
        choice: Option<Choice>,
        celsius: Option<f64>,
    ) -> Result<Self, Refusal> {
        let is_ph = matches!(setup.before, Calibrated::Ph(_));
        if let Some(choice) = choice {
            refuse_misfit(&setup, choice)?;
        }
        refuse_temperature(&setup, celsius)?;
        if is_ph && choice.is_none() && setup.family.is_none() {
            return Err(Refusal::NoFamily);
        }
        let window = Window::new(setup.window());
        let (begun, expires) = (now.utc, now.uptime.plus(IDLE_MAX));
        Ok(Self { setup, choice, celsius, by, begun, expires, window, trouble: None, points: Vec::new() })
    }

    /// The signal as it came in.
    pub fn observe(&mut self, seen: Seen) {
        self.trouble = None;
        let celsius = self.celsius_of(seen);
        self.window.take(Seen { celsius, ..seen });
    }

    /// There is no signal, and why. A lost reply says nothing of what was seen before; a fault of the probe does.
    pub fn miss(&mut self, why: Quality) {
        self.trouble = Some(why);
        let is_lost_reply = matches!(
            why.status,
            Status::BadNoCommunication
                | Status::BadCommunicationError
                | Status::UncertainNoCommunicationLastUsableValue
        );
        if !is_lost_reply {
            self.window.forget();
        }
    }

    /// Takes a point in the liquid the probe stands in. A point in the same liquid takes the place of the earlier one.
    pub fn take(&mut self, now: Now, take: Take) -> Result<&Point, Refusal> {
        if let Some(choice) = take.standard {
            refuse_misfit(&self.setup, choice)?;
        }
        refuse_temperature(&self.setup, take.celsius)?;
        if let Some(given) = take.celsius {
            self.celsius = Some(given);
            self.window.set_celsius(given);
        }
        let latest = self.live()?;
        let unsteady = self.unsteady();
        if let Some(why) = unsteady.filter(|_| !take.even_if_unsteady) {
            return Err(Refusal::NotSteady(why));
        }
        let steady = unsteady.is_none();
        let (signal, celsius) = match self.window.figures().filter(|_| steady) {
            Some(figures) => (figures.mean, figures.celsius),
            None => (latest.signal, latest.celsius),
        };
        let choice = take.standard.or(self.choice);
        let standard = self.recognise(choice, signal, celsius)?;
        let point = Point { standard, signal, celsius, steady, at: now.utc, by: take.by };
        let slot = self.place(&point)?;
        if slot == self.points.len() {
            self.points.push(point);
        } else {
            self.points[slot] = point;
        }
        self.touch(now);
        Ok(&self.points[slot])
    }

    /// What it would come to with the points so far.
    pub fn outcome(&self) -> Result<Outcome, Refusal> {
        if self.points.is_empty() {
            return Err(Refusal::NoPoint);
        }
        match &self.setup.before {
            Calibrated::Ph(before) => {
                let celsius = mean(self.points.iter().map(|point| point.celsius));
                let readings: Vec<BufferReading> =
                    self.points.iter().map(|point| at_one_temperature(point, celsius)).collect();
                let after = ph::calibrate(&readings, celsius, before).map_err(Refusal::Electrode)?;
                let judgement = judge::electrode(&after, before, &self.points);
                Ok(Outcome { calibrated: Calibrated::Ph(after), judgement })
            }
            Calibrated::Cell { constant_per_cm: before } => {
                let point = &self.points[0];
                let after = conductivity::cell_constant_per_cm(point.signal, point.standard.value)
                    .map_err(Refusal::Cell)?;
                let judgement = judge::cell(after, *before, point);
                Ok(Outcome { calibrated: Calibrated::Cell { constant_per_cm: after }, judgement })
            }
        }
    }

    /// The liquid it stands in, as far as that can be told from what was seen last.
    pub fn stands_in(&self) -> Result<Standard, Refusal> {
        let latest = self.live()?;
        self.recognise(self.choice, latest.signal, latest.celsius)
    }

    /// The signal as it is now.
    fn live(&self) -> Result<Seen, Refusal> {
        self.window.latest().filter(|_| self.trouble.is_none()).ok_or(Refusal::NoSignal(self.trouble))
    }

    /// Why the signal is not steady; none if it is.
    pub fn unsteady(&self) -> Option<Unsteady> {
        if let Some(why) = self.trouble {
            return Some(Unsteady::NoSignal(why));
        }
        let is_guess = !self.setup.at_reference && self.celsius.is_none();
        if is_guess && self.window.latest().is_some_and(|latest| latest.stands_in) {
            return Some(Unsteady::NoTemperature);
        }
        self.setup.criteria().judge(&self.window)
    }

    /// The signal seen last, unless there is none now.
    pub fn latest(&self) -> Option<Seen> {
        self.live().ok()
    }

    /// The signal over its window.
    pub fn figures(&self) -> Option<Figures> {
        self.window.figures()
    }

    /// Points so far, in the order they were taken.
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// What it was told of its probe.
    pub fn setup(&self) -> &Setup {
        &self.setup
    }

    /// Who began it.
    pub fn by(&self) -> &Line {
        &self.by
    }

    /// When it began.
    pub fn begun(&self) -> Timestamp {
        self.begun
    }

    /// Which liquids it goes by, as somebody said or as the configuration says.
    pub fn choice(&self) -> Option<Choice> {
        self.choice.or(self.setup.family.map(Choice::Family))
    }

    /// Temperature that somebody gave, °C.
    pub fn given_celsius(&self) -> Option<f64> {
        self.celsius
    }

    /// When it is abandoned if nobody does anything.
    pub fn expires(&self) -> Uptime {
        self.expires
    }

    fn touch(&mut self, now: Now) {
        self.expires = now.uptime.plus(IDLE_MAX);
    }

    fn celsius_of(&self, seen: Seen) -> f64 {
        if self.setup.at_reference { REFERENCE_C } else { self.celsius.unwrap_or(seen.celsius) }
    }

    /// Which liquid gives this signal.
    fn recognise(&self, choice: Option<Choice>, signal: f64, celsius: f64) -> Result<Standard, Refusal> {
        let family = match (self.choice, self.setup.family) {
            (Some(Choice::Family(chosen)), _) => Some(chosen),
            (_, configured) => configured,
        };
        match &self.setup.before {
            Calibrated::Ph(before) => {
                // The points so far know a worn electrode better than its last calibration does.
                let known = match self.outcome() {
                    Ok(Outcome { calibrated: Calibrated::Ph(known), .. }) => known,
                    _ => *before,
                };
                standard::buffer(choice, family, &known, signal, celsius)
            }
            Calibrated::Cell { constant_per_cm } => {
                standard::solution(choice, *constant_per_cm, signal, celsius)
            }
        }
    }

    /// Where a point goes among the others, or why it cannot be one of them.
    fn place(&self, point: &Point) -> Result<usize, Refusal> {
        if matches!(self.setup.before, Calibrated::Cell { .. }) {
            return Ok(0);
        }
        let same = |other: &&Point| other.standard.name == point.standard.name;
        let slot = self.points.iter().position(|other| same(&other)).unwrap_or(self.points.len());
        if slot == POINTS_MAX {
            return Err(Refusal::TooManyPoints);
        }
        for other in self.points.iter().filter(|other| !same(other)) {
            let apart = (other.standard.value - point.standard.value).abs();
            if apart <= BUFFER_DISTANCE_PH_MIN {
                return Err(Refusal::BuffersTooClose(other.standard.clone(), point.standard.clone()));
            }
            if (other.celsius - point.celsius).abs() > POINTS_APART_MAX_K {
                return Err(Refusal::TemperaturesApart(other.celsius, point.celsius));
            }
        }
        Ok(slot)
    }
}

/// An electrode's voltage as it would be at another temperature: its line turns about the isopotential point, which lies
/// near 0 mV.
fn at_one_temperature(point: &Point, celsius: f64) -> BufferReading {
    let turned = nernst_slope_mv(celsius) / nernst_slope_mv(point.celsius);
    BufferReading { ph: point.standard.value, mv: point.signal * turned }
}

fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let count = values.len() as f64;
    values.sum::<f64>() / count
}

fn refuse_misfit(setup: &Setup, choice: Choice) -> Result<(), Refusal> {
    let is_ph = matches!(setup.before, Calibrated::Ph(_));
    if choice.is_of_ph() == is_ph { Ok(()) } else { Err(Refusal::Standard(choice.to_string(), is_ph)) }
}

fn refuse_temperature(setup: &Setup, celsius: Option<f64>) -> Result<(), Refusal> {
    use super::ph_buffers::{TEMPERATURE_MAX_C, TEMPERATURE_MIN_C};
    match celsius {
        Some(_) if setup.at_reference => Err(Refusal::AtReference),
        Some(celsius) if !(TEMPERATURE_MIN_C..=TEMPERATURE_MAX_C).contains(&celsius) => {
            Err(Refusal::Temperature(celsius))
        }
        _ => Ok(()),
    }
}
