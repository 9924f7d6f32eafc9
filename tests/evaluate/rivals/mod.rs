//! What a shop could do without the gateway's estimator, on the same readings, so that its gain is seen.
//!
//! - the bare line: the fluid's jar test read backwards at the hour's median conductivity
//! - the held reading: the last refractometer and strip readings stay what they were until the next
//! - the plain filter ([`plain`]): a textbook extended Kalman filter without drifting states
//!
//! Beside them an account that nobody can keep: [`books`] of every litre.

mod books;
mod plain;

use sumpwarden_core::engine::Settings;
use sumpwarden_core::estimate::fluid::{JarTest, JarTestError};
use sumpwarden_core::estimate::tank::{Tank, TankError};
use sumpwarden_core::model::{ProbeIndex, Quantity};
use sumpwarden_sim::Stamp;
use sumpwarden_sim::world::Ledger;

use crate::judged::RIVALS;
use crate::score::quantile;
use books::Books;
use plain::PlainFilter;

/// The rivals of one sump.
#[derive(Debug)]
pub(crate) struct Rivals {
    /// Probes of level, conductivity and pump; the first of each.
    probes: [Option<ProbeIndex>; 3],
    jar_test: JarTest,
    refractometer_factor: f64,
    /// Conductivities since the last hour.
    hour: Vec<f64>,
    /// Last readings: percent, mg/L.
    held: [Option<f64>; 2],
    plain: PlainFilter,
    books: Books,
}

/// Why a sump's settings give no rivals.
#[derive(Debug, thiserror::Error)]
pub(crate) enum RivalError {
    #[error(transparent)]
    Tank(#[from] TankError),
    #[error(transparent)]
    JarTest(#[from] JarTestError),
}

impl Rivals {
    pub(crate) fn new(settings: &Settings, sump: usize) -> Result<Self, RivalError> {
        let own = &settings.sumps[sump];
        let first = |quantity: Quantity| {
            let is = |place: &usize| {
                let probe = &settings.probes[*place];
                probe.sump.slot() == sump && probe.quantity == quantity
            };
            (0..settings.probes.len()).find(is).map(|place| ProbeIndex(place as u32))
        };
        let probes = [Quantity::Level, Quantity::Conductivity, Quantity::PumpRunning].map(first);
        let sigma = |probe: Option<ProbeIndex>, value: f64| {
            probe.map_or(0.0, |probe| settings.probes[probe.slot()].accuracy.at(value))
        };
        let tank = Tank::new(&own.tank)?;
        Ok(Self {
            probes,
            jar_test: JarTest::new(&own.fluid.conductivity_curve)?,
            refractometer_factor: own.fluid.refractometer_factor,
            hour: Vec::new(),
            held: [None; 2],
            books: Books::new(own, tank.capacity_l()),
            plain: PlainFilter::new(
                own,
                tank,
                sigma(probes[0], own.fill_mark_mm),
                sigma(probes[1], own.fluid.conductivity_curve[1].1),
            ),
        })
    }

    /// A converted reading of one of the sump's probes.
    pub(crate) fn read(&mut self, at: Stamp, probe: ProbeIndex, value: Option<f64>) {
        match self.probes.iter().position(|own| *own == Some(probe)) {
            Some(0) => self.plain.level(value),
            Some(1) => {
                self.hour.extend(value);
                self.plain.conductivity(value);
            }
            Some(2) => self.plain.pump(at, value),
            _ => {}
        }
    }

    /// All readings of this moment have come.
    pub(crate) fn step(&mut self, at: Stamp) {
        self.plain.step(at);
    }

    /// A person's reading, by the word of its kind.
    pub(crate) fn note(&mut self, kind: &str, value: f64) {
        let (place, value) = match kind {
            "brix" => (0, value * self.refractometer_factor),
            "hardness_mg_l" => (1, value),
            _ => return,
        };
        self.held[place] = Some(value);
        match place {
            0 => self.plain.reading_percent(value),
            _ => self.plain.reading_hardness(value),
        }
    }

    /// Concentration, hardness and chips by each rival; the hour ends. `first`: concentration and hardness as the gateway
    /// estimates them now.
    pub(crate) fn hour(
        &mut self,
        ledger: &Ledger,
        first: Option<[f64; 2]>,
    ) -> [[Option<f64>; 3]; RIVALS.len()] {
        let median = quantile(&self.hour, 0.5);
        self.hour.clear();
        let line = median.map(|us_cm| self.jar_test.percent_at(us_cm).percent);
        let books = self.books.hour(ledger, first);
        [
            [line, None, None],
            [self.held[0], self.held[1], None],
            self.plain.state(),
            [books.map(|known| known[0]), books.map(|known| known[1]), None],
        ]
    }
}
