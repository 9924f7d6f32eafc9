//! Sumps with the waters and fluids they refer to.

use std::collections::BTreeMap;

use sumpwarden_core::estimate::fluid::{JarTest, JarTestError};
use sumpwarden_core::estimate::mixing::STRONGEST_PREMIX_PERCENT;
use sumpwarden_core::estimate::settings::{FluidSettings, SumpProbes, SumpSettings, WaterSettings};
use sumpwarden_core::estimate::tank::Tank;
use sumpwarden_core::model::{ProbeIndex, Quantity, Unit};

use super::super::file::{Fluid, Shop, Sump, Water};
use super::limit::ProbeFacts;
use super::notes::{At, Notes, name, number};
use super::tank;

/// Concentrations to be held, percent; what is stronger than the strongest premix cannot be topped up.
const TARGET: (f64, f64) = (0.5, STRONGEST_PREMIX_PERCENT);

/// A checked sump before its probes are known.
pub(super) struct Checked {
    pub(super) settings: SumpSettings,
    pub(super) tank: Tank,
}

/// Longest title, in characters.
const TITLE_MAX: usize = 100;

pub(super) fn sump(
    notes: &mut Notes<'_>,
    at: &At,
    key: &str,
    table: &Sump,
    fluids: &BTreeMap<String, Option<FluidSettings>>,
    waters: &BTreeMap<String, Option<WaterSettings>>,
) -> Option<Checked> {
    let title = table.title.clone().unwrap_or_else(|| key.to_owned());
    if title.trim().is_empty() || title.chars().count() > TITLE_MAX || title.chars().any(char::is_control) {
        let what = "`title` is empty, longer than 100 characters or holds control characters";
        notes.wrong(&at.key("title"), what, "write it as in \"Lathe 3, bay B\"");
    }
    let fluid =
        notes.require(at, "fluid", table.fluid.as_deref(), "\"semi-synthetic\", the name of its fluid");
    let names = fluids.iter().map(|(k, v)| (k.as_str(), v));
    let fluid = fluid.and_then(|name| notes.refer(&at.key("fluid"), "fluid", name, names).cloned().flatten());
    let water = notes.require(at, "water", table.water.as_deref(), "\"mains\", the name of its water");
    let names = waters.iter().map(|(k, v)| (k.as_str(), v));
    let water = water.and_then(|name| notes.refer(&at.key("water"), "water", name, names).cloned().flatten());
    let fill_water = table.fill_water.as_deref().map(|name| {
        let names = waters.iter().map(|(k, v)| (k.as_str(), v));
        notes.refer(&at.key("fill_water"), "water", name, names).cloned().flatten()
    });
    let mut percent = |key: &str, value: Option<f64>, range: (f64, f64)| {
        value.map(|value| notes.within(&at.key(key), value, range, "percent"))
    };
    let makeup_percent = percent("makeup_percent", table.makeup_percent, (0.0, 50.0));
    let chip_solid_percent = percent("chip_solid_percent", table.chip_solid_percent, (0.5, 60.0));
    let target = notes.require(at, "target_percent", table.target_percent, "7.5");
    let target = target.and_then(|value| notes.within(&at.key("target_percent"), value, TARGET, "percent"));
    if let (Some(target), Some(fluid)) = (target, &fluid) {
        note_beyond_jar_test(notes, at, target, fluid);
    }
    let (shape, tank) = match &table.tank {
        Some(tank) => tank::tank(notes, &at.key("tank"), tank),
        None => {
            let example =
                "{ shape = \"box\", length = \"1200 mm\", width = \"700 mm\", height = \"400 mm\" }";
            notes.require(at, "tank", None, example)
        }
    }
    .unzip();
    let height = tank.as_ref().map(Tank::height_mm);
    let marks = marks(notes, at, table, height);
    let holdup = table.holdup.as_ref().map(|holdup| {
        let at = at.key("holdup");
        let litres = notes.in_unit(&at, holdup, Unit::Litre, false)?;
        notes.within(&at, litres, (0.0, 10_000.0), "L")
    });
    let (fill_mark_mm, pump_minimum_mm) = marks?;
    let settings = SumpSettings {
        name: name(key),
        title,
        tank: shape?,
        fill_mark_mm,
        pump_minimum_mm,
        holdup_l: holdup.unwrap_or(Some(0.0))?,
        fluid: fluid?,
        water: water?,
        fill_water: fill_water.map_or(Some(None), |water| water.map(Some))?,
        makeup_percent: makeup_percent.map_or(Some(None), |percent| percent.map(Some))?,
        chip_solid_percent: chip_solid_percent.map_or(Some(None), |percent| percent.map(Some))?,
        target_percent: target?,
        probes: SumpProbes::default(),
    };
    Some(Checked { settings, tank: tank? })
}

/// A target that nobody mixed in the jar test: what conductivity goes with it would be guessed.
fn note_beyond_jar_test(notes: &mut Notes<'_>, at: &At, target: f64, fluid: &FluidSettings) {
    let Some((strongest, _)) = fluid.conductivity_curve.last() else { return };
    if target > *strongest {
        let what = format!(
            "the target of {} % lies beyond the jar test of \"{}\", which ends at {} %",
            number(target),
            fluid.name,
            number(*strongest)
        );
        let curve = At::root().key("fluid").key(fluid.name.as_str()).key("conductivity_curve");
        let cure = "add a stronger mix to the jar test";
        notes.warn_clash(&at.key("target_percent"), what, cure, (&curve, "the jar test"));
    }
}

/// A level probe that ends below the fill mark never shows a full sump.
pub(super) fn note_reach(
    notes: &mut Notes<'_>,
    at: &At,
    table: &Sump,
    probes: &BTreeMap<&str, ProbeFacts>,
    checked: Option<&Checked>,
) {
    let Some(fill) = checked.map(|checked| checked.settings.fill_mark_mm) else { return };
    for (name, probe) in probes.iter().filter(|(_, probe)| probe.quantity == Quantity::Level) {
        let written = table.probe.get(*name).is_some_and(|table| table.range.is_some());
        if let (true, Some((_, end))) = (written, probe.range)
            && end < fill
        {
            let what = format!(
                "the range of the level probe ends at {} mm, below the fill mark at {} mm",
                number(end),
                number(fill)
            );
            let here = at.key("probe").key(name).key("range");
            let other = (&at.key("fill_mark"), "the fill mark");
            notes.warn_clash(&here, what, "check both: a full sump would be out of its range", other);
        }
    }
}

/// Fill mark and pump minimum, mm, against each other and the tank.
fn marks(notes: &mut Notes<'_>, at: &At, table: &Sump, height: Option<f64>) -> Option<(f64, Option<f64>)> {
    let fill_at = at.key("fill_mark");
    let fill = notes.require(at, "fill_mark", table.fill_mark.as_ref(), "\"310 mm\"");
    let fill = fill.and_then(|mark| notes.length(&fill_at, mark, 1.0));
    if let (Some(fill), Some(height)) = (fill, height)
        && fill > height
    {
        let what = format!(
            "the fill mark at {} mm lies above the tank, which is {} mm high",
            number(fill),
            number(height)
        );
        let cure = format!("it lies at most at {} mm above the lowest point of the floor", number(height));
        notes.clash(&fill_at, what, cure, (&at.key("tank"), "the tank"));
    }
    let pump_at = at.key("pump_minimum");
    let pump = match &table.pump_minimum {
        Some(mark) => Some(notes.length(&pump_at, mark, 0.0)?),
        None => None,
    };
    if let (Some(fill), Some(pump)) = (fill, pump)
        && pump >= fill
    {
        let what = format!(
            "the pump draws air below {} mm, but the fill mark is at {} mm",
            number(pump),
            number(fill)
        );
        notes.clash(
            &pump_at,
            what,
            "the pump's minimum lies below the fill mark",
            (&fill_at, "the fill mark"),
        );
    }
    Some((fill?, pump))
}

/// Fluids by name; those with a mistake hold nothing.
pub(super) fn fluids(notes: &mut Notes<'_>, shop: &Shop) -> BTreeMap<String, Option<FluidSettings>> {
    shop.fluid.iter().map(|(key, table)| (key.clone(), fluid(notes, key, table))).collect()
}

fn fluid(notes: &mut Notes<'_>, key: &str, table: &Fluid) -> Option<FluidSettings> {
    const CURVE: &str = "[[0, 560], [3, 1010], [5, 1290], [8, 1690], [12, 2190]]: percent and uS/cm at 25 °C";
    let at = At::root().key("fluid").key(key);
    let factor = notes.require(
        &at,
        "refractometer_factor",
        table.refractometer_factor,
        "1.4, from the product's sheet",
    );
    let factor = factor.and_then(|f| notes.within(&at.key("refractometer_factor"), f, (0.2, 10.0), ""));
    let curve = notes.require(&at, "conductivity_curve", table.conductivity_curve.clone(), CURVE)?;
    let curve_at = at.key("conductivity_curve");
    if let Err(error) = JarTest::new(&curve) {
        let at = match &error {
            JarTestError::TooFew(_) => curve_at,
            JarTestError::NotRising { place, .. } | JarTestError::OutOfRange { place } => {
                curve_at.item(place - 1)
            }
        };
        notes.wrong(&at, error.to_string(), format!("write it as in {CURVE}"));
        return None;
    }
    Some(FluidSettings { name: name(key), refractometer_factor: factor?, conductivity_curve: curve })
}

/// Waters by name; those with a mistake hold nothing.
pub(super) fn waters(notes: &mut Notes<'_>, shop: &Shop) -> BTreeMap<String, Option<WaterSettings>> {
    shop.water.iter().map(|(key, table)| (key.clone(), water(notes, key, table))).collect()
}

fn water(notes: &mut Notes<'_>, key: &str, table: &Water) -> Option<WaterSettings> {
    let at = At::root().key("water").key(key);
    let hardness = notes.require(&at, "hardness", table.hardness, "\"240 mg/L\" or \"13.4 °dH\"");
    let conductivity = match &table.conductivity {
        None => None,
        Some(measure) => {
            let at = at.key("conductivity");
            let value = notes.in_unit(&at, measure, Unit::MicrosiemensPerCm, false)?;
            Some(notes.within(&at, value, (0.0, 100_000.0), "uS/cm")?)
        }
    };
    Some(WaterSettings { name: name(key), hardness_mg_l: hardness?.0, conductivity_us_cm: conductivity })
}

impl Checked {
    /// The settings, once it is known which probe gives what: the first of a kind by name, of levels the first two.
    pub(super) fn finish(self, probes: &BTreeMap<&str, ProbeFacts>) -> SumpSettings {
        let first = |quantity: Quantity| -> Option<ProbeIndex> {
            probes.values().find(|p| p.quantity == quantity).map(|p| p.index)
        };
        let mut levels = probes.values().filter(|p| p.quantity == Quantity::Level).map(|p| p.index);
        let probes = SumpProbes {
            level: [levels.next(), levels.next()],
            conductivity: first(Quantity::Conductivity),
            ph: first(Quantity::Ph),
            temperature: first(Quantity::Temperature),
            pump: first(Quantity::PumpRunning),
            makeup_total: first(Quantity::FlowTotal),
        };
        SumpSettings { probes, ..self.settings }
    }
}
