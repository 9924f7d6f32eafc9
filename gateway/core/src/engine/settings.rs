//! What all floors are told, and the list of series that follows from it.

use std::time::Duration;

use crate::acquire::settings::{BrokerSettings, BusSettings};
use crate::alarm::settings::AlarmSettings;
use crate::checks::settings::PlanSettings;
use crate::estimate::settings::{EstimateKind, SumpSettings};
use crate::model::{ProbeIndex, SeriesIndex, SumpIndex};
use crate::notify::ReceiverSettings;
use crate::signal::settings::ProbeSettings;
use crate::store::record::{Bound, SeriesKey, SeriesSource};

/// Everything the gateway is told, checked. Indices in it are places in these lists.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Settings {
    /// Buses with their devices.
    pub buses: Vec<BusSettings>,
    /// Brokers with their topics.
    pub brokers: Vec<BrokerSettings>,
    /// Probes of all sumps.
    pub probes: Vec<ProbeSettings>,
    /// Sumps.
    pub sumps: Vec<SumpSettings>,
    /// Test plan of each sump, in their order; nothing is asked for of sumps past its end.
    pub plans: Vec<PlanSettings>,
    /// Every alarm.
    pub alarms: AlarmSettings,
    /// Who is told of alarms.
    pub receivers: Vec<ReceiverSettings>,
    /// Where the gateway stands: part of the key receivers know an alarm by.
    pub site: String,
    /// Which of the boxes there it is: part of that key as well, since each box counts by itself.
    pub box_name: String,
    /// How often estimates are stored and written out.
    pub estimate_every: Duration,
    /// How many hours pass in the sumps in one hour of the clock: 1 but for demonstrations.
    pub pace: Pace,
}

/// Hours in a sump in one hour of the clock.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Pace(pub f64);

impl Default for Pace {
    fn default() -> Self {
        Self(1.0)
    }
}

/// Ends of an estimate's interval beside its value, in the order they are stored.
const BOUNDS: [Bound; 3] = [Bound::Value, Bound::Low90, Bound::High90];

impl Settings {
    /// What the keys of messages begin with. A point is in no name, so that it parts what it stands between.
    pub(super) fn message_origin(&self) -> String {
        if self.box_name.is_empty() { self.site.clone() } else { format!("{}.{}", self.site, self.box_name) }
    }

    /// Every series these settings give rise to: one a probe, in order, then for each sump each estimate with the ends
    /// of its interval.
    pub fn series(&self) -> Vec<SeriesKey> {
        let probes = self.probes.iter().map(|probe| SeriesKey {
            sump: self.sumps[probe.sump.slot()].name.clone(),
            source: SeriesSource::Probe(probe.name.clone()),
            quantity: probe.quantity,
        });
        let estimates = self.sumps.iter().flat_map(|sump| {
            EstimateKind::ALL.iter().flat_map(move |kind| {
                BOUNDS.iter().map(move |&bound| SeriesKey {
                    sump: sump.name.clone(),
                    source: SeriesSource::Estimate { word: kind.word(), bound },
                    quantity: kind.quantity(),
                })
            })
        });
        probes.chain(estimates).collect()
    }

    /// Probes of a sump, in their order.
    pub fn probes_of(&self, sump: SumpIndex) -> impl Iterator<Item = (ProbeIndex, &ProbeSettings)> {
        let all = self.probes.iter().zip(0..).map(|(probe, index)| (ProbeIndex(index), probe));
        all.filter(move |(_, probe)| probe.sump == sump)
    }

    /// Probes of every sump, in their order.
    pub(super) fn probes_by_sump(&self) -> Vec<Vec<ProbeIndex>> {
        let mut by_sump = vec![Vec::new(); self.sumps.len()];
        for (probe, index) in self.probes.iter().zip(0..) {
            by_sump[probe.sump.slot()].push(ProbeIndex(index));
        }
        by_sump
    }

    /// Series of a probe.
    pub fn series_of_probe(&self, probe: ProbeIndex) -> SeriesIndex {
        SeriesIndex(probe.0)
    }

    /// Series of an estimate's value, lower and upper end.
    pub fn series_of_estimate(&self, sump: SumpIndex, kind: EstimateKind) -> [SeriesIndex; 3] {
        let kinds = EstimateKind::ALL.len();
        let first = self.probes.len() + (sump.slot() * kinds + kind.place()) * BOUNDS.len();
        let first = u32::try_from(first).expect("fewer series than 2^32: each has a setting");
        [0, 1, 2].map(|i| SeriesIndex(first + i))
    }
}
