//! What stands at the head of a sump's sheet: tank, fluid, water, targets and limits, by the configuration in force.

use super::notes::kind_of;
use super::{Material, Span};
use crate::alarm::settings::{Priority, Side, Subject, Terms};
use crate::alarm::wording::{noun, noun_of_estimate};
use crate::engine::Settings;
use crate::engine::notes::said;
use crate::estimate::note::NoteKind;
use crate::estimate::settings::WaterSettings;
use crate::estimate::tank::Tank;
use crate::model::{Quantity, SumpIndex, Timestamp};

/// The head of the sheet.
#[derive(Clone, PartialEq, Debug)]
pub struct Sheet {
    /// Litres in the tank at the fill mark.
    pub fill_l: Option<f64>,
    /// Litres in lines and machine beside that.
    pub holdup_l: f64,
    /// Name of the fluid.
    pub fluid: String,
    /// Target, percent by volume.
    pub target_percent: f64,
    /// Percent = Brix × factor.
    pub refractometer_factor: f64,
    /// Water to top up with.
    pub water: WaterLine,
    /// Water to fill with, where that is another one.
    pub fill_water: Option<WaterLine>,
}

/// A water.
#[derive(Clone, PartialEq, Debug)]
pub struct WaterLine {
    /// Its name.
    pub name: String,
    /// Hardness in the configuration, mg/L as CaCO3.
    pub hardness_mg_l: f64,
    /// What was noted last, up to the end of the days: hardness, nitrate, nitrite. Of the water to top up with only.
    pub noted: [Option<Noted>; 3],
}

/// A result as it was noted.
#[derive(Clone, PartialEq, Debug)]
pub struct Noted {
    /// When.
    pub at: Timestamp,
    /// Value and unit.
    pub text: String,
    /// By whom; untrusted text.
    pub by: Option<String>,
}

/// A limit.
#[derive(Clone, PartialEq, Debug)]
pub struct LimitLine {
    /// Its name.
    pub name: String,
    /// On what: the probe's name, or the estimate.
    pub of: String,
    /// What is measured.
    pub quantity: Quantity,
    /// Which probe or estimate: its word, and whether it is an estimate.
    pub series: (String, bool),
    /// Which side.
    pub side: Side,
    /// From where on it is passed.
    pub setpoint: f64,
    /// What more it asks for.
    pub terms: Terms,
    /// How urgent.
    pub priority: Priority,
    /// Where the figure comes from; none if the shop set it.
    pub source: Option<&'static str>,
}

/// Kinds of notes that are analyses of water.
const ANALYSES: [NoteKind; 3] = [NoteKind::MakeupHardness, NoteKind::MakeupNitrate, NoteKind::MakeupNitrite];

pub(super) fn sheet(material: &Material<'_>, sump: SumpIndex, span: Span) -> Sheet {
    let settings = &material.settings.sumps[sump.slot()];
    let tank = Tank::new(&settings.tank).ok();
    let fill_water = settings.fill_water.as_ref().map(|water| WaterLine {
        name: water.name.to_string(),
        hardness_mg_l: water.hardness_mg_l,
        noted: [None, None, None],
    });
    Sheet {
        fill_l: tank.map(|tank| tank.volume_l(settings.fill_mark_mm)),
        holdup_l: settings.holdup_l,
        fluid: settings.fluid.name.to_string(),
        target_percent: settings.target_percent,
        refractometer_factor: settings.fluid.refractometer_factor,
        water: WaterLine {
            name: settings.water.name.to_string(),
            hardness_mg_l: settings.water.hardness_mg_l,
            noted: ANALYSES.map(|kind| analysis(material, span, &settings.water, kind)),
        },
        fill_water,
    }
}

/// The last analysis of a water up to the end of the days, on whichever sump it was noted.
fn analysis(material: &Material<'_>, span: Span, water: &WaterSettings, kind: NoteKind) -> Option<Noted> {
    let (_, until) = material.calendar.bounds(span);
    let has_water = |name: &str| {
        material.settings.sumps.iter().any(|sump| sump.name.as_str() == name && sump.water.name == water.name)
    };
    let entry = material.journal.iter().rev().find(|entry| {
        entry.at < until && kind_of(entry) == Some(kind) && entry.sump.as_deref().is_some_and(has_water)
    })?;
    Some(Noted {
        at: entry.at,
        text: kind.written(entry.value?),
        by: said(&entry.message).by.map(str::to_owned),
    })
}

/// The limits of a sump.
pub(super) fn limits(settings: &Settings, sump: SumpIndex) -> Vec<LimitLine> {
    let limits = settings.alarms.limits.iter().filter(|limit| limit.sump == sump);
    let line = |limit: &crate::alarm::settings::LimitSettings| {
        let (of, quantity, series) = match limit.subject {
            Subject::Probe(index) => {
                let probe = &settings.probes[index.slot()];
                let of = format!("{} ({})", noun(probe.quantity), probe.name);
                (of, probe.quantity, (probe.name.to_string(), false))
            }
            Subject::Estimate(kind) => {
                (noun_of_estimate(kind).to_owned(), kind.quantity(), (kind.word().to_owned(), true))
            }
        };
        LimitLine {
            name: limit.name.clone(),
            of,
            quantity,
            series,
            side: limit.side,
            setpoint: limit.setpoint,
            terms: limit.terms,
            priority: limit.priority,
            source: limit.source,
        }
    };
    limits.map(line).collect()
}
