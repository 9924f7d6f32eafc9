//! What is known of one sump, with honest limits.
//!
//! [`Sump`] takes measurements and notes as they come and gathers those of one instant, so that their order does not
//! matter; [`tracker`] turns instants into the belief about the sump; what is asked for is read off that belief with a
//! 90 % interval and a quality that says which sources it lacks.

pub mod advice;
mod median;
mod mixing;
mod plant;
pub mod prospect;
mod reading;
mod saved;
mod source;
mod steps;
mod tracker;

use std::time::Duration;

use crate::model::{DeviceStatus, HOUR_NS, Measurement, Now, Quality, Reason, Status, Timestamp, Uptime};

use super::belief::{Belief, at};
use super::fluid::JarTestError;
use super::note::{Note, NoteKind};
use super::settings::{EstimateKind, SumpAccuracy, SumpSettings};
use super::tank::{Tank, TankError};
use plant::Plant;
use tracker::{Instant, Told, Tracker};

pub use reading::{Estimate, Estimates, Look};
pub(crate) use source::{Source, Sources};
pub(crate) use tracker::content_of;

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

/// Something that happened in a sump, found in its readings.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Event {
    /// When it was over, UTC.
    pub at: Timestamp,
    /// What.
    pub what: What,
}

/// What can be found.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum What {
    /// Somebody topped up.
    TopUp {
        /// Litres.
        litres: f64,
        /// Strength, percent.
        percent: f64,
        /// Standard deviation of the strength.
        deviation: f64,
    },
    /// An emptied sump was filled.
    Fill {
        /// Litres.
        litres: f64,
        /// Strength, percent.
        percent: f64,
        /// Standard deviation of the strength.
        deviation: f64,
    },
    /// Most of the sump was pumped out.
    Dump {
        /// Litres.
        litres: f64,
    },
    /// Something was taken out: coolant or chips.
    DrawOff {
        /// Litres.
        litres: f64,
    },
    /// Conductivity changed by this part, percent, and neither concentrate nor minerals explain it.
    ConductivityStep {
        /// Percent of the conductivity.
        percent: f64,
    },
    /// Coolant leaves that nobody accounts for.
    Leak {
        /// L/h.
        litres_h: f64,
        /// Standard deviation, L/h.
        deviation: f64,
    },
}

/// The same on the tracker's clock.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Happened {
    at_h: f64,
    what: What,
}

/// One sump.
#[derive(Clone, Debug)]
pub struct Sump {
    settings: SumpSettings,
    plant: Plant,
    sources: Sources,
    /// Readings of the latest instant, not taken yet.
    pending: Pending,
    /// Hour and level, mm, of the latest reading of either level probe.
    levels: [Option<(f64, f64)>; 2],
    heard: Heard,
    tracker: Tracker,
    /// Since when coolant leaves unaccounted for, hours in the sump; none if it does not.
    losing_since_h: Option<f64>,
    /// The two clocks at the latest instant: what lies before is stamped by it.
    latest: Now,
    pace: f64,
    /// When what a restart goes on from was kept, until the first reading comes.
    kept_at: Option<Timestamp>,
}

#[derive(Clone, Debug, Default)]
struct Pending {
    at: Option<Now>,
    seen: Instant,
    told: Vec<(NoteKind, f64)>,
}

/// Hour and quality of the latest reading that was taken of each source the estimates rest on.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
struct Heard {
    level: [Option<(f64, Quality)>; 2],
    conductivity: Option<(f64, Quality)>,
}

/// A level so many standard uncertainties beyond the tank is one that the tank cannot have.
const BEYOND_SURE: f64 = 3.0;

const OUTSIDE_TANK: Quality = Quality::new(
    Status::UncertainEngineeringUnitsExceeded,
    DeviceStatus::OutOfSpecification,
    Reason::OutsideTank,
);

/// Readings of two level probes count as of one moment when they lie no further apart, hours of the clock.
const LEVELS_TOGETHER_H: f64 = 2.0 / 60.0;

impl Sump {
    /// A sump of which nothing has been read yet, by probes of this accuracy.
    /// `pace` is how many hours pass in the sump in one hour of the clock: 1 but for demonstrations.
    pub fn new(settings: &SumpSettings, accuracy: &SumpAccuracy, pace: f64) -> Result<Self, SumpError> {
        let plant = Plant::new(settings, accuracy)?;
        Ok(Self {
            tracker: Tracker::new(&plant),
            plant,
            sources: Sources::new(&settings.probes),
            pending: Pending::default(),
            levels: [None; 2],
            heard: Heard::default(),
            losing_since_h: None,
            latest: Now::default(),
            pace,
            kept_at: None,
            settings: settings.clone(),
        })
    }

    /// The same sump under settings that say the same of it; only places of its probes and its title may be others.
    pub fn rewired(self, settings: &SumpSettings) -> Self {
        Self { sources: Sources::new(&settings.probes), settings: settings.clone(), ..self }
    }

    /// Its settings.
    pub fn settings(&self) -> &SumpSettings {
        &self.settings
    }

    /// Its tank.
    pub fn tank(&self) -> &Tank {
        &self.plant.tank
    }

    /// A new measurement of one of its probes.
    pub fn observe(&mut self, now: Now, measurement: &Measurement) {
        let Some((source, value)) = self.sources.read(measurement) else { return };
        self.begin_instant(Now { uptime: measurement.received, ..now });
        if value.is_some() {
            self.hear(source, measurement);
        }
        let seen = &mut self.pending.seen;
        match source {
            Source::Level(which) => seen.level_mm[which] = value,
            Source::Conductivity => seen.us_cm = value,
            Source::Temperature => seen.celsius = value,
            Source::Ph => seen.ph = value,
            Source::Pump => seen.pump = Some(value.map(|running| running != 0.0)),
            Source::Meter => seen.meter_l = value,
        }
    }

    /// Keeps how good the sources are that the estimates rest on.
    fn hear(&mut self, source: Source, measurement: &Measurement) {
        // Readings of one instant share its hour.
        let at_h = match self.pending.at {
            Some(at) if at.uptime == measurement.received => self.pending.seen.at_h,
            _ => self.hours(measurement.received),
        };
        let quality = measurement.measured.quality();
        match source {
            Source::Level(which) => {
                // Within its own uncertainty an empty or brimful tank is none beyond its ends.
                let by_mm = measurement.measured.usable().map_or(0.0, |mm| self.plant.tank.beyond_mm(mm));
                let held = by_mm <= BEYOND_SURE * self.plant.level_mm;
                let quality = if held { quality } else { quality.worst(OUTSIDE_TANK) };
                self.heard.level[which] = Some((at_h, quality));
            }
            Source::Conductivity => self.heard.conductivity = Some((at_h, quality)),
            Source::Temperature | Source::Ph | Source::Pump | Source::Meter => {}
        }
    }

    /// What a person measured or did.
    pub fn note(&mut self, now: Now, note: &Note) {
        self.begin_instant(now);
        self.pending.told.push((note.kind, note.value));
    }

    /// A clean-out is over: the chips went with it.
    pub fn cleaned_out(&mut self) {
        self.tracker.clear_chips();
    }

    /// Time has come to `now`: what was gathered before is taken.
    pub fn advance(&mut self, now: Now) {
        if self.pending.at.is_some_and(|at| at.uptime < now.uptime) {
            self.take_pending();
        }
    }

    /// Moves what was found since the last call into `into`.
    pub fn drain_events(&mut self, into: &mut Vec<Event>) {
        let latest = self.latest;
        let found = std::mem::take(&mut self.tracker.happened);
        into.extend(found.into_iter().map(|happened| {
            let ago_h = (self.hours(latest.uptime) - happened.at_h).max(0.0) / self.pace;
            // Rounded, since hours in binary fall a shade short of whole seconds.
            let ago = Duration::from_millis((ago_h * 3.6e6).round() as u64);
            Event { at: latest.utc.minus(ago).floor_to_millis(), what: happened.what }
        }));
    }

    /// Whatever the readings of an earlier instant said is taken before those of a new one are gathered.
    fn begin_instant(&mut self, now: Now) {
        match self.pending.at {
            Some(at) if at.uptime >= now.uptime => {}
            _ => {
                self.take_pending();
                self.pending.at = Some(now);
                self.pending.seen.at_h = self.hours(now.uptime);
            }
        }
    }

    /// Not a part of what each reading does: it is called once an instant, and much larger.
    #[inline(never)]
    fn take_pending(&mut self) {
        let Some(at) = self.pending.at.take() else { return };
        self.latest = at;
        if let Some(kept) = self.kept_at.take() {
            self.tracker.wake(self.hours(at.uptime) - self.pace * Self::hours_since_kept(kept, at.utc));
        }
        let mut seen = std::mem::take(&mut self.pending.seen);
        self.pair_levels(&mut seen);
        self.tracker.take(&self.plant, &seen);
        let mut told = std::mem::take(&mut self.pending.told);
        // In an order of their own, whichever order they came in.
        told.sort_by(|a, b| (a.0 as u32).cmp(&(b.0 as u32)).then(a.1.total_cmp(&b.1)));
        for (kind, value) in told.drain(..) {
            if let Some(told) = self.told(kind, value) {
                self.tracker.be_told(&self.plant, told);
            }
        }
        self.pending.told = told;
    }

    /// Two level probes seldom answer in the same instant: the one that did not just now counts with its last reading, so
    /// that the content does not jump from one side of the chip screen to the other.
    fn pair_levels(&mut self, seen: &mut Instant) {
        for (latest, mm) in self.levels.iter_mut().zip(seen.level_mm) {
            *latest = mm.map(|mm| (seen.at_h, mm)).or(*latest);
        }
        if seen.level_mm.iter().any(Option::is_some) {
            let together = |(at_h, _): &(f64, f64)| seen.at_h - at_h <= LEVELS_TOGETHER_H * self.pace;
            seen.level_mm = self.levels.map(|latest| latest.filter(together).map(|(_, mm)| mm));
        }
    }

    /// What a note means for the belief, with how well such readings are known. Standard uncertainties are common practice
    /// where no other source stands beside them.
    fn told(&self, kind: NoteKind, value: f64) -> Option<Told> {
        let factor = self.plant.refractometer_factor;
        Some(match kind {
            NoteKind::ConcentrationPercent => {
                Told::Concentration { percent: value, deviation: both(0.3, 0.04 * value) }
            }
            // A scale of 0.2 read by eye, a zero that drifts, tramp oil that blurs the line; and the product's factor.
            NoteKind::Brix => {
                let percent = value * factor;
                Told::Concentration { percent, deviation: both(0.17 * factor, 0.035 * percent) }
            }
            // Strips come in steps, titrations in drops.
            NoteKind::HardnessMgL => Told::Hardness { mg_l: value, deviation: both(15.0, 0.09 * value) },
            NoteKind::ChipDepth => {
                let bed = self.plant.tank.volume_l(value);
                let litres = self.plant.chip_share * bed;
                let known = if self.settings.chip_solid_percent.is_some() { 0.25 } else { 0.6 };
                Told::Chips { litres, deviation: both(known * litres, 0.01 * self.plant.expected.full_l) }
            }
            NoteKind::TopUpLitres => Told::TopUpLitres(value),
            NoteKind::TopUpPercent => Told::TopUpPercent(value),
            _ => return None,
        })
    }

    /// Hours in the sump.
    fn hours(&self, uptime: Uptime) -> f64 {
        uptime.as_nanos() as f64 / HOUR_NS * self.pace
    }

    /// What is believed as of `now`. To look takes longer than most that is read off it.
    pub fn look(&self, now: Now) -> Look {
        Look { now, belief: self.tracker.looked_at(&self.plant, self.hours(now.uptime)) }
    }

    /// What is believed as of the latest reading.
    pub fn latest_look(&self) -> Look {
        self.look(self.pending.at.unwrap_or(self.latest))
    }
}

fn both(a: f64, b: f64) -> f64 {
    (a * a + b * b).sqrt()
}
