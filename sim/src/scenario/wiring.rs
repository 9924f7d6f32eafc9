//! The pieces shops are put together from: sumps, wires, devices on them, the usual sets of probes. All of it invented.

use std::time::Duration;

use super::{BusPlan, DevicePlan, Habits, Judged, Knowledge, Link, Place, ProbePlan, Scenario};
use crate::device::PayloadFormat;
use crate::probe::{Delivery, Measures, ProbeSetup, Trouble};
use crate::stamp::Stamp;
use crate::world::{Action, Biology, Fluid, Hall, Machine, Mixing, People, Start, SumpSetup, Tank, Water};

pub(super) const HOUR: Duration = Duration::from_secs(3600);

pub(super) fn days(count: u64) -> Duration {
    24 * HOUR * count as u32
}

/// A sump on a lathe: 380 L to the brim of a sloped floor.
pub(super) fn lathe(name: &'static str, title: &'static str) -> SumpSetup {
    SumpSetup {
        name,
        title,
        tank: Tank::Box { length_m: 1.2, width_m: 0.8, drop_m: 0.03, height_m: 0.41 },
        fill_mark_mm: 320.0,
        pump_minimum_mm: 110.0,
        holdup_l: 28.0,
        fluid: Fluid::SEMI_SYNTHETIC,
        water: Water::tap(220.0),
        target_percent: 7.0,
        start: Start {
            fullness: 0.97,
            percent: 7.0,
            hardness_mg_l: 230.0,
            chip_solids_l: 2.0,
            log_cfu_ml: 3.0,
            acid_mmol_l: 0.0,
            slime: 0.0,
        },
        machine: Machine::LATHE,
        people: People::CAREFUL,
        biology: Biology::KEPT,
        fill_water: None,
        mixing: Mixing::AT_ONCE,
        screen: None,
        rests: Vec::new(),
    }
}

/// A sump under a milling machine: stepped, flatter, aluminium.
pub(super) fn mill(name: &'static str, title: &'static str) -> SumpSetup {
    SumpSetup {
        tank: Tank::Stepped(vec![(0.45, 0.12), (1.05, 0.36)]),
        fill_mark_mm: 290.0,
        pump_minimum_mm: 100.0,
        holdup_l: 22.0,
        fluid: Fluid::EMULSION,
        target_percent: 6.0,
        start: Start { percent: 6.0, ..lathe(name, title).start },
        machine: Machine {
            chips_kg_h: 4.0,
            metal_kg_m3: 2700.0,
            chips_kept_share: 0.01,
            chip_porosity: 0.87,
            dragout_share: 0.07,
            ..Machine::LATHE
        },
        people: People { mix_percent: 3.5, ..People::CAREFUL },
        ..lathe(name, title)
    }
}

/// A sump in a lying tank beside a saw.
pub(super) fn saw(name: &'static str, title: &'static str) -> SumpSetup {
    SumpSetup {
        tank: Tank::Cylinder { diameter_m: 0.7, length_m: 1.1 },
        fill_mark_mm: 520.0,
        pump_minimum_mm: 130.0,
        holdup_l: 12.0,
        ..lathe(name, title)
    }
}

/// One shop with one wire of each kind in use by [`Wired`].
pub(super) struct Wired {
    pub(super) scenario: Scenario,
    /// Next free register and contact of each device.
    free: Vec<(u16, u16)>,
}

impl Wired {
    pub(super) fn new(seed: u64, length: Duration, sumps: Vec<SumpSetup>) -> Self {
        let scenario = Scenario {
            name: "",
            about: "",
            seed,
            start: Stamp::MONDAY,
            length,
            hall: Hall::MILD,
            sumps,
            script: Vec::new(),
            buses: Vec::new(),
            devices: Vec::new(),
            probes: Vec::new(),
            habits: Habits::NONE,
            judged: Judged::UNTOLD,
            known: Knowledge::EXACT,
        };
        Self { scenario, free: Vec::new() }
    }

    pub(super) fn bus(mut self, name: &'static str, link: Link) -> Self {
        self.scenario.buses.push(BusPlan { name, link });
        self
    }

    /// A device on the last wire.
    pub(super) fn device(mut self, name: &'static str, unit_id: u8) -> Self {
        let bus = self.scenario.buses.len() - 1;
        self.scenario.devices.push(DevicePlan { name, bus, unit_id });
        self.free.push((2, 0));
        self
    }

    /// A probe of a sump on the last device.
    pub(super) fn probe(mut self, sump: usize, setup: ProbeSetup) -> Self {
        let device = self.scenario.devices.len() - 1;
        let (register, contact) = &mut self.free[device];
        let (slot, width) = match setup.delivery {
            Delivery::Contact => (contact, 1),
            Delivery::Float | Delivery::Conductance { .. } | Delivery::Pulses { .. } => (register, 2),
            _ => (register, 1),
        };
        let place = Place::Register { device, index: *slot };
        *slot += width;
        self.scenario.probes.push(ProbePlan { sump, setup, place });
        self
    }

    pub(super) fn topic(
        mut self,
        sump: usize,
        setup: ProbeSetup,
        format: PayloadFormat,
        retained: bool,
    ) -> Self {
        let topic = format!("hall/{}/{}", self.scenario.sumps[sump].name, setup.name);
        self.scenario.probes.push(ProbePlan { sump, setup, place: Place::Topic { topic, format, retained } });
        self
    }

    /// The usual six probes on the last device: everything scaled to integers by the head of the probe.
    pub(super) fn head(self, sump: usize) -> Self {
        let depth = self.scenario.sumps[sump].tank.height_mm();
        self.probe(sump, ProbeSetup::new("ph", Measures::Ph, Delivery::Scaled { scale: 0.01 }))
            .probe(sump, conductivity().drifting(0.0003))
            .probe(
                sump,
                ProbeSetup::new("level", Measures::Level, Delivery::Loop { signal: (0.0, depth.max(400.0)) }),
            )
            .probe(
                sump,
                ProbeSetup::new("temperature", Measures::Temperature, Delivery::Scaled { scale: 0.1 }),
            )
            .probe(sump, pump())
            .probe(sump, meter())
    }

    /// Bare sensors on the last device: millivolts, conductance, ohms, a distance.
    pub(super) fn bare(self, sump: usize) -> Self {
        let height = self.scenario.sumps[sump].tank.height_mm() + 150.0;
        let electrode = Delivery::Electrode { slope_percent: 97.0, zero_ph: 7.0 };
        let cell = Delivery::Conductance { constant_per_cm: 0.97 };
        self.probe(sump, ProbeSetup::new("temperature", Measures::Temperature, Delivery::Pt100))
            .probe(sump, ProbeSetup::new("ph", Measures::Ph, electrode))
            .probe(sump, ProbeSetup::new("conductivity", Measures::Conductivity, cell).drifting(0.0003))
            .probe(
                sump,
                ProbeSetup::new("level", Measures::Level, Delivery::Gap { sensor_height_mm: height }),
            )
            .probe(sump, pump())
    }

    /// A sender of its own for each of four values.
    pub(super) fn wireless(self, sump: usize) -> Self {
        let value = |name, measures| ProbeSetup::new(name, measures, Delivery::Float);
        self.topic(sump, value("ph", Measures::Ph), PayloadFormat::Json, false)
            .topic(sump, value("conductivity", Measures::Conductivity), PayloadFormat::SenmlJson, false)
            .topic(sump, value("level", Measures::Level), PayloadFormat::Number, true)
            .topic(sump, value("temperature", Measures::Temperature), PayloadFormat::SenmlCbor, false)
    }

    /// Something that goes wrong with a probe of a sump between two days.
    pub(super) fn trouble(
        mut self,
        sump: usize,
        probe: &str,
        from_day: f64,
        to_day: f64,
        trouble: Trouble,
    ) -> Self {
        let start = self.scenario.start;
        for plan in &mut self.scenario.probes {
            if plan.sump == sump && plan.setup.name == probe {
                plan.setup.troubles.push((start.plus_days(from_day), start.plus_days(to_day), trouble));
            }
        }
        self
    }

    /// Without a probe that the set has.
    pub(super) fn without(mut self, sump: usize, probe: &str) -> Self {
        self.scenario.probes.retain(|plan| plan.sump != sump || plan.setup.name != probe);
        self
    }

    /// A moment, in days from the start.
    pub(super) fn day(&self, count: f64) -> Stamp {
        self.scenario.start.plus_days(count)
    }

    pub(super) fn happens(mut self, day: f64, sump: usize, action: Action) -> Self {
        self.scenario.script.push((self.scenario.start.plus_days(day), sump, action));
        self
    }

    pub(super) fn done(self) -> Scenario {
        self.scenario
    }
}

fn conductivity() -> ProbeSetup {
    ProbeSetup::new("conductivity", Measures::Conductivity, Delivery::Float)
}

fn pump() -> ProbeSetup {
    ProbeSetup::new("pump", Measures::Pump, Delivery::Contact)
}

fn meter() -> ProbeSetup {
    ProbeSetup::new("makeup", Measures::Meter, Delivery::Pulses { litres: 0.1, from: 4_294_960_000 })
}
