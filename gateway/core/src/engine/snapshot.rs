//! The shop as it stands, read only, in words and numbers that leave the process. Field names carry their unit.

use std::cmp::Reverse;

use schemars::JsonSchema;
use serde::Serialize;

pub use super::fill::view::{CleanoutView, FillView, StepView, TrendView};
use super::outlook::Outlook;
use super::{Engine, SUMPS_AT_ONCE};
use crate::alarm::settings::{Side, Subject};
use crate::alarm::state::State;
use crate::alarm::wording;
use crate::alarm::{AlarmIndex, Definition, Standing};
use crate::checks::view::PlanView;
use crate::estimate::outlook::Plateau;
use crate::estimate::settings::EstimateKind;
use crate::estimate::sump::Estimate;
use crate::estimate::sump::advice::Suggestion;
use crate::model::{Quality, SumpIndex};

/// The shop.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct Snapshot {
    /// Every sump, in the order of the settings.
    pub sumps: Vec<SumpView>,
    /// Alarms of the gateway itself that are not normal.
    pub alarms: Vec<AlarmView>,
}

/// One sump.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
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
    /// Since when another box polls its bus, RFC 3339, so that nothing of it is known here; none while this box does.
    pub standing_by_since: Option<String>,
    /// What its probes say.
    pub probes: Vec<ProbeView>,
    /// What follows from it.
    pub estimates: Vec<EstimateView>,
    /// What to do now, most urgent first.
    pub advice: Vec<Suggestion>,
    /// What lies ahead; none before anything is believed.
    pub outlook: Option<OutlookView>,
    /// pH of its fill, and its clean-out.
    pub fill: FillView,
    /// What is due on it.
    pub plan: PlanView,
    /// Limits on its probes and estimates.
    pub limits: Vec<LimitView>,
    /// Alarms that are not normal.
    pub alarms: Vec<AlarmView>,
}

/// What lies ahead of a sump by the losses of the last week.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct OutlookView {
    /// Water that evaporates, L/d.
    pub evaporation_l_d: f64,
    /// Coolant that leaves as it is, L/d.
    pub dragout_l_d: f64,
    /// Strength of top-ups, percent.
    pub makeup_percent: f64,
    /// Hardness the sump tends to, mg/L as CaCO3; none where it rises without end.
    pub plateau_mg_l: Option<f64>,
    /// Concentration the sump tends to, percent; none where it rises without end.
    pub plateau_percent: Option<f64>,
    /// When limits are reached.
    pub limits: Vec<AheadView>,
}

/// When a limit is reached. Days are none where it never is.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct AheadView {
    /// Name of the limit; none for the hardness limit that holds where none is configured.
    pub name: Option<String>,
    /// Stable word of the estimate, unit last.
    pub quantity: &'static str,
    /// The limit, in that unit.
    pub limit: f64,
    /// By the means of all that is believed.
    pub days: Option<f64>,
    /// Lower end of the 90 % interval.
    pub low90_days: Option<f64>,
    /// Upper end of the 90 % interval.
    pub high90_days: Option<f64>,
    /// Share of what the losses may be with which it never happens.
    pub never_share: f64,
    /// In words.
    pub text: String,
}

/// One limit.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct LimitView {
    /// Name within the sump.
    pub name: String,
    /// On what: name of the probe, or stable word of the estimate.
    pub of: String,
    /// Which side is too far.
    pub side: Side,
    /// Where it lies, in the unit of what it is on.
    pub at: f64,
    /// Priority word.
    pub priority: &'static str,
}

/// One probe.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
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
    /// Whether it is calibrated here; any other one is at its device, if at all.
    pub calibrated_here: bool,
    /// How good.
    #[serde(flatten)]
    pub quality: QualityView,
}

/// One estimate.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
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
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct AlarmView {
    /// Name in the shop: `lathe-1/ph-low`.
    pub id: String,
    /// Name within the sump.
    pub name: String,
    /// Short name of the state.
    pub state: &'static str,
    /// Priority word.
    pub priority: &'static str,
    /// Which time it came up, from 1.
    pub occurrence: u64,
    /// Since when, RFC 3339.
    pub since: Option<String>,
    /// Until when it is shelved, RFC 3339.
    pub shelved_until: Option<String>,
    /// In words.
    pub message: String,
}

/// How good, in words.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, JsonSchema)]
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
        let mut sumps = Vec::new();
        loop {
            match self.snapshot_part(sumps) {
                Ok(whole) => return whole,
                Err(begun) => sumps = begun,
            }
        }
    }

    /// Adds the next sump to those that a snapshot has already, for drivers that have something to do in between; each sump
    /// is then told as it stands when its turn comes.
    ///
    /// # Errors
    /// Those it has now, while some are missing.
    pub fn snapshot_part(&self, mut sumps: Vec<SumpView>) -> Result<Snapshot, Vec<SumpView>> {
        let all = self.sumps.len();
        sumps.reserve_exact(all.saturating_sub(sumps.len()));
        let next = (0..).map(SumpIndex).take(all).skip(sumps.len()).take(SUMPS_AT_ONCE);
        sumps.extend(next.map(|index| self.sump_view(index)));
        if sumps.len() < all {
            return Err(sumps);
        }
        Ok(Snapshot { sumps, alarms: self.alarm_views(None) })
    }

    /// Names of all alarms of a sump, or of the gateway itself, whether they stand or not.
    pub fn alarm_names(&self, sump: Option<SumpIndex>) -> Vec<String> {
        self.alarms.of(sump).map(|(_, definition, _)| definition.name(&self.settings.probes)).collect()
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
            standing_by_since: self.is_elsewhere(index).map(|since| since.to_string()),
            probes: self.probe_views(index),
            estimates: (EstimateKind::ALL.iter().zip(sump.latest()))
                .map(|(&kind, estimate)| estimate_view(kind, estimate))
                .collect(),
            advice: self.advice(index),
            outlook: self.outlook(index).as_ref().map(outlook_view),
            fill: self.fills[index.slot()].view(),
            plan: self.plans[index.slot()].view(),
            limits: self.limit_views(index),
            alarms: self.alarm_views(Some(index)),
        }
    }

    fn limit_views(&self, sump: SumpIndex) -> Vec<LimitView> {
        (self.alarms.limits_on(sump))
            .map(|limit| LimitView {
                name: limit.name.clone(),
                of: match limit.subject {
                    Subject::Probe(probe) => self.settings.probes[probe.slot()].name.to_string(),
                    Subject::Estimate(kind) => kind.word().to_owned(),
                },
                side: limit.side,
                at: limit.setpoint,
                priority: limit.priority.word(),
            })
            .collect()
    }

    fn probe_views(&self, sump: SumpIndex) -> Vec<ProbeView> {
        (self.probes_of[sump.slot()].iter())
            .map(|&index| {
                let probe = &self.settings.probes[index.slot()];
                let last = &self.signals.last(index).current;
                let read = last.measured.quality() != Quality::WAITING;
                ProbeView {
                    name: probe.name.to_string(),
                    quantity: probe.quantity.word(),
                    unit: probe.quantity.unit().ucum(),
                    value: last.measured.usable(),
                    raw: last.raw,
                    at: read.then(|| last.at.to_string()),
                    calibrated_here: self.calibrations.has(index),
                    quality: last.measured.quality().into(),
                }
            })
            .collect()
    }

    /// Alarms of a sump, or of the gateway, that are not normal: the most pressing first.
    fn alarm_views(&self, sump: Option<SumpIndex>) -> Vec<AlarmView> {
        let mut found: Vec<(AlarmIndex, &Definition, &Standing)> =
            self.alarms.of(sump).filter(|(_, _, standing)| standing.state != State::Normal).collect();
        found.sort_by_key(|(_, definition, standing)| {
            (standing.state.is_silenced(), Reverse(definition.priority()), standing.since)
        });
        let view = |(index, definition, standing): (AlarmIndex, &Definition, &Standing)| AlarmView {
            id: self.alarms.key(index).to_owned(),
            name: definition.name(&self.settings.probes),
            state: standing.state.word(),
            priority: definition.priority().word(),
            occurrence: standing.occurrence,
            since: standing.since.map(|since| since.to_string()),
            shelved_until: standing.shelved_until.map(|until| until.to_string()),
            message: self.alarm_text(index),
        };
        found.into_iter().map(view).collect()
    }
}

fn estimate_view(kind: EstimateKind, estimate: Result<Estimate, Quality>) -> EstimateView {
    let (interval, quality) = match estimate {
        Ok(estimate) => (Some(estimate), estimate.quality),
        Err(quality) => (None, quality),
    };
    EstimateView {
        quantity: kind.word(),
        unit: kind.quantity().unit().ucum(),
        value: interval.map(|e| e.value),
        low90: interval.map(|e| e.low90),
        high90: interval.map(|e| e.high90),
        quality: quality.into(),
    }
}

fn outlook_view(outlook: &Outlook) -> OutlookView {
    let finite = |days: f64| days.is_finite().then_some(days);
    let tends = |plateau: Plateau| match plateau {
        Plateau::At(level) => finite(level),
        Plateau::Rises => None,
    };
    let prospect = &outlook.prospect;
    OutlookView {
        evaporation_l_d: prospect.evaporation_l_d.value,
        dragout_l_d: prospect.dragout_l_d.value,
        makeup_percent: prospect.makeup_percent.value,
        plateau_mg_l: tends(prospect.plateau_mg_l()),
        plateau_percent: tends(prospect.plateau_percent()),
        limits: (outlook.limits.iter())
            .map(|ahead| AheadView {
                name: ahead.name.clone(),
                quantity: ahead.kind.word(),
                limit: ahead.limit,
                days: finite(ahead.crossing.days),
                low90_days: finite(ahead.crossing.low90),
                high90_days: finite(ahead.crossing.high90),
                never_share: ahead.crossing.never_share,
                text: wording::ahead_message(ahead.kind, ahead.limit, &ahead.crossing),
            })
            .collect(),
    }
}
