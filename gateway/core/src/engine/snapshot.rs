//! The shop as it stands, read only, in words and numbers that leave the process. Field names carry their unit.

use serde::Serialize;

use super::{Engine, split};
use crate::alarm::Definition;
use crate::alarm::state::State;
use crate::estimate::settings::EstimateKind;
use crate::model::{ProbeIndex, Quality, SumpIndex};

/// The shop.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Snapshot {
    /// Every sump, in the order of the settings.
    pub sumps: Vec<SumpView>,
}

/// One sump.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct SumpView {
    /// Name in the configuration.
    pub name: String,
    /// What people call it; untrusted text.
    pub title: String,
    /// Fluid's name.
    pub fluid: String,
    /// Concentration to be held.
    pub target_percent: f64,
    /// Litres at the fill mark.
    pub fill_mark_l: f64,
    /// What its probes say.
    pub probes: Vec<ProbeView>,
    /// What follows from it.
    pub estimates: Vec<EstimateView>,
    /// Alarms that are not normal.
    pub alarms: Vec<AlarmView>,
}

/// One probe.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct ProbeView {
    /// Name within the sump.
    pub name: String,
    /// What it measures.
    pub quantity: &'static str,
    /// UCUM code of its values.
    pub unit: &'static str,
    /// Latest usable value.
    pub value: Option<f64>,
    /// Device's own number.
    pub raw: Option<f64>,
    /// When, RFC 3339.
    pub at: Option<String>,
    /// How good.
    #[serde(flatten)]
    pub quality: QualityView,
}

/// One estimate.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct EstimateView {
    /// Stable word, unit last.
    pub quantity: &'static str,
    /// UCUM code.
    pub unit: &'static str,
    /// Value, if there is one.
    pub value: Option<f64>,
    /// Lower end of the 90 % interval.
    pub low90: Option<f64>,
    /// Upper end of the 90 % interval.
    pub high90: Option<f64>,
    /// How good.
    #[serde(flatten)]
    pub quality: QualityView,
}

/// One alarm that is not normal.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct AlarmView {
    /// Name within the sump.
    pub name: String,
    /// Short name of the state.
    pub state: &'static str,
    /// Priority word.
    pub priority: &'static str,
    /// Since when, RFC 3339.
    pub since: Option<String>,
    /// In words.
    pub message: String,
}

/// How good, in words.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct QualityView {
    /// OPC UA status of the value.
    pub status: &'static str,
    /// NE 107 status of the device.
    pub device: &'static str,
    /// Why, for a person.
    pub reason: &'static str,
}

impl From<Quality> for QualityView {
    fn from(quality: Quality) -> Self {
        Self { status: quality.status.text(), device: quality.device.text(), reason: quality.reason.text() }
    }
}

impl Engine {
    /// The shop as it stands.
    pub fn snapshot(&self) -> Snapshot {
        Snapshot { sumps: (0..).take(self.sumps.len()).map(|i| self.sump_view(SumpIndex(i))).collect() }
    }

    fn sump_view(&self, index: SumpIndex) -> SumpView {
        let sump = &self.sumps[index.slot()];
        let settings = sump.settings();
        SumpView {
            name: settings.name.to_string(),
            title: settings.title.clone(),
            fluid: settings.fluid.name.to_string(),
            target_percent: settings.target_percent,
            fill_mark_l: sump.tank().volume_l(settings.fill_mark_mm),
            probes: self.probe_views(index),
            estimates: EstimateKind::ALL.iter().map(|&kind| self.estimate_view(index, kind)).collect(),
            alarms: self.alarm_views(index),
        }
    }

    fn probe_views(&self, sump: SumpIndex) -> Vec<ProbeView> {
        (self.settings.probes.iter().zip(0..))
            .filter(|(probe, _)| probe.sump == sump)
            .map(|(probe, i)| {
                let last = &self.signals.last(ProbeIndex(i)).current;
                let read = last.measured.quality() != Quality::WAITING;
                ProbeView {
                    name: probe.name.to_string(),
                    quantity: probe.quantity.word(),
                    unit: probe.quantity.unit().ucum(),
                    value: last.measured.usable(),
                    raw: last.raw,
                    at: read.then(|| last.at.to_string()),
                    quality: last.measured.quality().into(),
                }
            })
            .collect()
    }

    fn estimate_view(&self, sump: SumpIndex, kind: EstimateKind) -> EstimateView {
        let estimate = self.sumps[sump.slot()].estimate(kind);
        let interval = estimate.ok();
        let (value, quality) = split(estimate);
        EstimateView {
            quantity: kind.word(),
            unit: kind.quantity().unit().ucum(),
            value,
            low90: interval.map(|e| e.low90),
            high90: interval.map(|e| e.high90),
            quality: quality.into(),
        }
    }

    fn alarm_views(&self, sump: SumpIndex) -> Vec<AlarmView> {
        (self.alarms.iter())
            .filter(|(_, definition, standing)| {
                let of = match definition {
                    Definition::Limit(limit) => limit.sump,
                    Definition::Instrument(instrument) => self.settings.probes[instrument.probe.slot()].sump,
                };
                of == sump && standing.state != State::Normal
            })
            .map(|(index, definition, standing)| AlarmView {
                name: self.alarm_key(index).1,
                state: standing.state.word(),
                priority: definition.priority().word(),
                since: standing.since.map(|since| since.to_string()),
                message: self.message_of(definition, standing.state, standing.value, standing.quality),
            })
            .collect()
    }
}
