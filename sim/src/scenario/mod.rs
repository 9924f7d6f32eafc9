//! Invented shops, by name and seed: their sumps, what happens in them, and how their probes are wired.
//!
//! A scenario is plain data. [`History`] runs it without sockets, [`crate::shop::Shop`] behind real ones; both drive the
//! same [`Plant`]. [`Scenario::configuration`] writes what a gateway must be told to read it.

use std::time::Duration;

mod catalogue;
mod configuration;
mod habits;
mod history;
mod known;
mod plant;
mod quarter;
mod wiring;

pub(crate) use configuration::unit;
pub use configuration::{BrokerAccess, Configuration, ConfigurationOptions, Endpoint, Endpoints};
pub use habits::Habits;
pub use history::{History, HistoryOptions, Row, write_history, write_truths};
pub use known::Knowledge;
pub use plant::Plant;

use crate::device::PayloadFormat;
use crate::probe::ProbeSetup;
use crate::stamp::Stamp;
use crate::world::{Action, Hall, SumpSetup};

/// A shop and what happens in it.
#[derive(Clone, PartialEq, Debug)]
pub struct Scenario {
    /// Its name.
    pub name: &'static str,
    /// What it shows, in a line.
    pub about: &'static str,
    /// Everything drawn by chance comes from it.
    pub seed: u64,
    /// Where its time begins.
    pub start: Stamp,
    /// How long it is worth watching.
    pub length: Duration,
    /// The hall.
    pub hall: Hall,
    /// The sumps.
    pub sumps: Vec<SumpSetup>,
    /// What happens at a moment, to which sump.
    pub script: Vec<(Stamp, usize, Action)>,
    /// The wires.
    pub buses: Vec<BusPlan>,
    /// Devices on them.
    pub devices: Vec<DevicePlan>,
    /// Probes, those of a sump together.
    pub probes: Vec<ProbePlan>,
    /// What its people write down.
    pub habits: Habits,
    /// How well its people know their sumps when they write a configuration.
    pub known: Knowledge,
    /// What a judge of an estimator must know about it.
    pub judged: Judged,
}

/// By what an estimator may be judged in a scenario. No part of what a gateway may see.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Judged {
    /// Nothing is wrong with any sump: no process alarm and no unexplained loss is justified.
    pub quiet: bool,
    /// People write down nearly every top-up, and its strength was what they say within small errors.
    pub mix_known: bool,
    /// Somebody reads refractometer and hardness at least every other week.
    pub manual: bool,
    /// Everything poured in goes through a meter.
    pub metered: bool,
    /// Hardness the shop wants to stay under, mg/L as CaCO3, where it has such a limit.
    pub hardness_limit_mg_l: Option<f64>,
}

impl Judged {
    /// Something goes on, nobody says anything.
    pub const UNTOLD: Self =
        Self { quiet: false, mix_known: false, manual: false, metered: false, hardness_limit_mg_l: None };
}

/// A Modbus wire.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct BusPlan {
    /// Name in the configuration.
    pub name: &'static str,
    /// What kind.
    pub link: Link,
}

/// Kind of a Modbus wire.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Link {
    /// Modbus TCP.
    Tcp,
    /// Modbus RTU on a serial line of this many bits per second.
    Rtu {
        /// Bits per second.
        baud: u32,
    },
    /// RTU frames over TCP; the line behind has this many bits per second.
    RtuOverTcp {
        /// Bits per second.
        baud: u32,
    },
}

/// A device on a Modbus wire. Its input registers 0 and 1 count its replies; probes lie behind them, contacts are discrete
/// inputs.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DevicePlan {
    /// Name in the configuration.
    pub name: &'static str,
    /// Place of its wire in [`Scenario::buses`].
    pub bus: usize,
    /// Unit id.
    pub unit_id: u8,
}

/// A probe and where it is read.
#[derive(Clone, PartialEq, Debug)]
pub struct ProbePlan {
    /// Place of its sump in [`Scenario::sumps`].
    pub sump: usize,
    /// The probe.
    pub setup: ProbeSetup,
    /// Where it is read.
    pub place: Place,
}

/// Where a probe is read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Place {
    /// A register of an input table or a discrete input.
    Register {
        /// Place of the device in [`Scenario::devices`].
        device: usize,
        /// 0-based address: input register, or discrete input for a contact.
        index: u16,
    },
    /// Messages on a topic. The message carries the value in the measured unit.
    Topic {
        /// Topic.
        topic: String,
        /// Form of the payload.
        format: PayloadFormat,
        /// The broker keeps the last message.
        retained: bool,
    },
}

/// There is no such scenario.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("no scenario is called {asked:?}; there are {}", names.join(", "))]
pub struct UnknownScenario {
    /// The name asked for.
    pub asked: String,
    /// The names there are.
    pub names: Vec<&'static str>,
}

impl Scenario {
    /// The scenario of this name with this seed.
    pub fn named(name: &str, seed: u64) -> Result<Self, UnknownScenario> {
        catalogue::all()
            .find(|(known, ..)| *known == name)
            .map(|(name, about, build)| {
                let mut scenario = build(seed);
                (scenario.name, scenario.about) = (name, about);
                scenario
            })
            .ok_or_else(|| UnknownScenario {
                asked: name.into(),
                names: Self::names().map(|(name, _)| name).collect(),
            })
    }

    /// Every scenario: name and what it shows.
    pub fn names() -> impl Iterator<Item = (&'static str, &'static str)> {
        catalogue::all().map(|(name, about, _)| (*name, *about))
    }

    /// The last moment of it.
    pub fn end(&self) -> Stamp {
        self.start + self.length
    }

    /// How a probe is named in a replay file: `probe/<sump>/<probe>`.
    pub fn source(&self, probe: usize) -> String {
        let plan = &self.probes[probe];
        format!("probe/{}/{}", self.sumps[plan.sump].name, plan.setup.name)
    }
}
