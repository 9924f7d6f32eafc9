//! What is true in every sump of a shop, stepped through simulated time.
//!
//! The world takes shifts, air, people and chance, and keeps amounts: liquid, concentrate, minerals, acid, chips. It refuses
//! to know what a probe shows ([`crate::probe`]) and how anybody estimates. It moves in steps of [`QUANTUM`] aligned to its
//! start, so the truth does not depend on how finely it is asked for; the same seed gives the same truth on any machine.

use std::time::Duration;

pub mod acidity;
pub mod air;
pub mod care;
pub mod content;
pub mod ions;
pub mod screen;
pub mod setup;
mod sump;
pub mod tank;
pub mod work;

pub use air::{Hall, Weather};
pub use care::Procedure;
pub use content::{Content, Ledger};
pub use ions::Water;
pub use screen::Screen;
pub use setup::{Biology, Fluid, Hose, Machine, Mixing, People, Start, SumpSetup};
pub use sump::{Sump, TRAMP_EMULSIFIED};
pub use tank::Tank;
pub use work::{Calendar, Rest};

use crate::stamp::Stamp;

/// The world's own step.
pub const QUANTUM: Duration = Duration::from_secs(10);

/// What is true in one sump at one moment.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Truth {
    /// When.
    pub at: Stamp,
    /// Liquid with what is out in the machine, L.
    pub liquid_l: f64,
    /// Active concentrate, percent by volume.
    pub percent: f64,
    /// Hardness, mg/L as CaCO3.
    pub hardness_mg_l: f64,
    /// Chips, litres of solid metal.
    pub chip_solids_l: f64,
    /// Out in the machine now, L.
    pub holdup_l: f64,
    /// Mean level above the lowest point of the floor, mm.
    pub level_mm: f64,
    /// Conductivity at 25 °C, uS/cm.
    pub conductivity_25_us_cm: f64,
    /// Conductivity at the liquid's temperature, uS/cm.
    pub conductivity_us_cm: f64,
    /// pH.
    pub ph: f64,
    /// Temperature of the liquid, °C.
    pub temperature_c: f64,
    /// Coolant pump runs.
    pub pump: bool,
    /// Total of the make-up line, L.
    pub meter_l: f64,
    /// Evaporation now, L/h.
    pub evaporation_l_h: f64,
    /// Drag-out and mist now, L/h.
    pub dragout_l_h: f64,
    /// Leak now, L/h.
    pub leak_l_h: f64,
    /// log10 of bacteria per mL.
    pub log_cfu_ml: f64,
    /// Tramp oil, L.
    pub tramp_oil_l: f64,
    /// Waves, mm standard deviation.
    pub waves_mm: f64,
    /// Foam, 0 to 1.
    pub foam: f64,
    /// Level before a chip screen and behind it, where the pump draws, mm; the same where there is no screen.
    pub level_dirty_mm: f64,
    /// See `level_dirty_mm`.
    pub level_clean_mm: f64,
    /// Conductivity at 25 °C of what is around the conductivity probe, uS/cm.
    pub met_25_us_cm: f64,
    /// The same at the liquid's temperature.
    pub met_us_cm: f64,
    /// Layer of tramp oil on top, mm.
    pub oil_layer_mm: f64,
    /// Slime, 0 to 1.
    pub slime: f64,
    /// Depth of the chip bed, spread evenly where chips lie: what a stick that is pushed to the floor tells, mm.
    pub chip_depth_mm: f64,
}

/// Something that happened in a sump.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Event {
    /// When it was over; for a probe that is out of order, when that began.
    pub at: Stamp,
    /// Which sump, by place.
    pub sump: usize,
    /// What.
    pub kind: EventKind,
}

/// What can happen.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum EventKind {
    /// Somebody topped up.
    TopUp {
        /// When it began.
        started: Stamp,
        /// Litres poured.
        litres: f64,
        /// Concentrate in it, percent.
        percent: f64,
    },
    /// Emptied and refilled, the chips left where they are.
    Dump {
        /// When it began.
        started: Stamp,
    },
    /// Cleaned and recharged.
    CleanOut {
        /// When it began.
        started: Stamp,
        /// Circulation of the cleaner.
        clean: Duration,
        /// Circulation of the rinse.
        rinse: Duration,
    },
    /// A leak opened.
    LeakBegun {
        /// L/h.
        litres_h: f64,
    },
    /// It was closed.
    LeakEnded,
    /// The chip screen was brushed off.
    ScreenBrushed,
    /// Chips were shovelled out, the coolant stayed.
    ChipsEmptied {
        /// Litres of solid metal that left.
        solids_l: f64,
    },
    /// A probe gives the same number until `to`.
    ProbeFrozen {
        /// Its place in the scenario's probes.
        probe: usize,
        /// When it heals; beyond the end of the scenario if it does not.
        to: Stamp,
    },
    /// A probe gives wrong numbers or none until `to`, in some other way than frozen.
    ProbeTroubled {
        /// Its place in the scenario's probes.
        probe: usize,
        /// When it heals.
        to: Stamp,
    },
    /// A probe was replaced by another of its kind.
    ProbeSwapped {
        /// Its place in the scenario's probes.
        probe: usize,
    },
    /// Somebody wiped a probe.
    ProbeWiped {
        /// Its place in the scenario's probes.
        probe: usize,
    },
}

/// Something a script makes happen at a moment.
#[derive(Clone, PartialEq, Debug)]
pub enum Action {
    /// A leak opens (0 closes it), L/h.
    Leak(f64),
    /// Somebody pours.
    Pour {
        /// Litres.
        litres: f64,
        /// Concentrate in it, percent.
        percent: f64,
    },
    /// Emptied and refilled to `litres` at `percent`.
    Dump {
        /// Litres.
        litres: f64,
        /// Concentrate, percent.
        percent: f64,
    },
    /// Cleaned and recharged.
    CleanOut {
        /// Litres.
        litres: f64,
        /// Concentrate, percent.
        percent: f64,
        /// Circulation of the cleaner.
        clean: Duration,
        /// Circulation of the rinse.
        rinse: Duration,
    },
    /// Chips are shovelled out.
    EmptyChips {
        /// Part of them that stays, 0 to 1.
        left: f64,
    },
    /// The chip screen is brushed off.
    BrushScreen,
}

/// A shop's sumps and its air.
#[derive(Clone, Debug)]
pub struct World {
    hall: Hall,
    weather: Weather,
    sumps: Vec<Sump>,
    /// What is still to happen, soonest last.
    script: Vec<(Stamp, usize, Action)>,
    events: Vec<Event>,
    /// The last step ended here; `now` is less than a step later.
    stepped_to: Stamp,
    now: Stamp,
}

impl World {
    /// Sumps at `start`. The script's actions name sumps by place; an action for a sump that is not there is never carried
    /// out.
    pub fn new(
        hall: Hall,
        setups: Vec<SumpSetup>,
        mut script: Vec<(Stamp, usize, Action)>,
        start: Stamp,
        seed: u64,
    ) -> Self {
        // Stable, then reversed: actions of the same moment happen in the order written.
        script.sort_by_key(|(at, ..)| *at);
        script.reverse();
        let mut weather = Weather::new(start, seed);
        let change = weather.at(start, &hall);
        let sumps = setups
            .into_iter()
            .map(|setup| {
                let air = hall.air(start, setup.machine.calendar.is_working(start), change);
                Sump::new(setup, start, air, seed)
            })
            .collect();
        Self { hall, weather, sumps, script, events: Vec::new(), stepped_to: start, now: start }
    }

    /// Simulated time.
    pub fn now(&self) -> Stamp {
        self.now
    }

    /// The sumps.
    pub fn sumps(&self) -> &[Sump] {
        &self.sumps
    }

    /// What happened since the start, oldest first.
    pub fn events(&self) -> &[Event] {
        &self.events
    }

    /// What is true in a sump. Its time is that of the world's last step.
    ///
    /// # Panics
    /// If there is no such sump.
    pub fn truth(&self, sump: usize) -> Truth {
        self.sumps[sump].truth(self.stepped_to)
    }

    /// Makes something happen now.
    ///
    /// # Panics
    /// If there is no such sump.
    pub fn act(&mut self, sump: usize, action: &Action) {
        let (at, place) = (self.now, sump);
        let sump = &mut self.sumps[place];
        let happened = match *action {
            Action::Leak(litres_h) => {
                sump.leak(litres_h);
                Some(if litres_h > 0.0 { EventKind::LeakBegun { litres_h } } else { EventKind::LeakEnded })
            }
            Action::Pour { litres, percent } => {
                sump.pour(at, litres, percent);
                None
            }
            Action::Dump { litres, percent } => {
                sump.begin(Procedure::dump(at, litres, percent));
                None
            }
            Action::CleanOut { litres, percent, clean, rinse } => {
                sump.begin(Procedure::cleanout(at, litres, percent, clean, rinse));
                None
            }
            Action::BrushScreen => {
                sump.brush_screen();
                Some(EventKind::ScreenBrushed)
            }
            Action::EmptyChips { left } => Some(EventKind::ChipsEmptied { solids_l: sump.empty_chips(left) }),
        };
        self.events.extend(happened.map(|kind| Event { at, sump: place, kind }));
    }

    /// Moves time on by `dt`.
    pub fn step(&mut self, dt: Duration) {
        let until = self.now + dt;
        while self.stepped_to + QUANTUM <= until {
            self.now = self.stepped_to;
            while let Some((_, sump, action)) = self.script.pop_if(|(at, ..)| *at <= self.stepped_to) {
                if sump < self.sumps.len() {
                    self.act(sump, &action);
                }
            }
            self.stepped_to = self.stepped_to + QUANTUM;
            let (at, hall, weather) = (self.stepped_to, &self.hall, &mut self.weather);
            for (index, sump) in self.sumps.iter_mut().enumerate() {
                let before = self.events.len();
                sump.step(at, |working| hall.air(at, working, weather.at(at, hall)), &mut self.events);
                self.events[before..].iter_mut().for_each(|event| event.sump = index);
            }
        }
        self.now = until;
    }
}
