//! What a probe's signal means: the sensor stage, and the unit its signal must come in.

use sumpwarden_core::model::{Quantity, Unit};
use sumpwarden_core::signal::ph_buffers::BufferFamily;
use sumpwarden_core::signal::settings::{
    Compensation, Density, PhCalibration, SensorStage, TemperatureSource,
};
use sumpwarden_protocol::words::NumberKind;

use super::super::file::{BuffersWord, Cell, CompensationWord, Counter, Electrode, Hydrostatic, Probe, Rtd};
use super::notes::{At, Notes};
use super::probe::Context;

/// Stands in for an unknown temperature of the liquid: a shop's air. Common practice, no source.
const TEMPERATURE_FALLBACK_C: f64 = 22.0;

/// A sensor stage with the unit of its signal; none for counts and contacts.
pub(super) struct Sensor {
    pub(super) stage: SensorStage,
    pub(super) signal: Option<Unit>,
}

impl Sensor {
    fn new(stage: SensorStage, signal: Unit) -> Self {
        Self { stage, signal: Some(signal) }
    }
}

pub(super) fn sensor(
    notes: &mut Notes<'_>,
    at: &At,
    table: &Probe,
    quantity: Quantity,
    context: &Context<'_>,
) -> Option<Sensor> {
    let tables = [
        ("rtd", table.rtd.is_some(), Quantity::Temperature),
        ("electrode", table.electrode.is_some(), Quantity::Ph),
        ("cell", table.cell.is_some(), Quantity::Conductivity),
        ("hydrostatic", table.hydrostatic.is_some(), Quantity::Level),
        ("gap", table.gap.is_some(), Quantity::Level),
        ("counter", table.counter.is_some(), Quantity::FlowTotal),
        ("contact", table.contact.is_some(), Quantity::PumpRunning),
    ];
    for (key, _, fits) in tables.iter().filter(|(_, written, fits)| *written && *fits != quantity) {
        let what =
            format!("`{key}` gives a {}, and this probe's quantity is \"{}\"", fits.word(), quantity.word());
        notes.wrong(&at.key(key), what, "delete it, or write the other quantity");
    }
    if table.hydrostatic.is_some() && table.gap.is_some() {
        let other = (&at.key("hydrostatic"), "also here");
        notes.clash(
            &at.key("gap"),
            "a probe is either under the liquid or above it",
            "keep one of the two",
            other,
        );
    }
    match quantity {
        Quantity::Temperature if table.rtd.is_some() => rtd(notes, &at.key("rtd"), table.rtd.as_ref()?),
        Quantity::Ph if table.electrode.is_some() => {
            electrode(notes, at, table, table.electrode.as_ref()?, context)
        }
        Quantity::Conductivity if table.cell.is_some() => {
            cell(notes, at, table, table.cell.as_ref()?, context)
        }
        Quantity::Level if table.hydrostatic.is_some() => {
            hydrostatic(notes, at, table, table.hydrostatic.as_ref()?, context)
        }
        Quantity::Level if table.gap.is_some() => gap(notes, &at.key("gap"), table),
        Quantity::FlowTotal => counter(notes, at, table),
        Quantity::PumpRunning => {
            let inverted = table.contact.as_ref().and_then(|c| c.inverted).unwrap_or(false);
            Some(Sensor { stage: SensorStage::Contact { inverted }, signal: None })
        }
        other => Some(Sensor::new(SensorStage::Direct, other.unit())),
    }
}

fn rtd(notes: &mut Notes<'_>, at: &At, table: &Rtd) -> Option<Sensor> {
    let r0 = notes.require(at, "r0", table.r0.as_ref(), "\"100 Ohm\"")?;
    let r0_at = at.key("r0");
    let r0 = notes.in_unit(&r0_at, r0, Unit::Ohm, false)?;
    if ![100.0, 500.0, 1000.0].contains(&r0) {
        let cure = "platinum resistors have 100, 500 or 1000 Ohm at 0 °C (IEC 60751)";
        notes.wrong(&r0_at, format!("`r0` is {r0} Ohm"), cure);
    }
    let lead = match &table.lead {
        Some(lead) => {
            let at = at.key("lead");
            let ohm = notes.in_unit(&at, lead, Unit::Ohm, false)?;
            notes.within(&at, ohm, (0.0, r0 / 2.0), "Ohm")?
        }
        None => 0.0,
    };
    Some(Sensor::new(SensorStage::Rtd { r0_ohm: r0, lead_ohm: lead }, Unit::Ohm))
}

fn electrode(
    notes: &mut Notes<'_>,
    at: &At,
    probe: &Probe,
    table: &Electrode,
    context: &Context<'_>,
) -> Option<Sensor> {
    let here = at.key("electrode");
    let mut figure = |key: &str, value: Option<f64>, default: f64, range: (f64, f64), unit: &str| {
        notes.within(&here.key(key), value.unwrap_or(default), range, unit)
    };
    // An electrode under 80 % or over 110 % is broken or was calibrated in the wrong buffers: common practice.
    let slope = figure("slope_percent", table.slope_percent, 100.0, (80.0, 110.0), "percent")?;
    let alkaline =
        figure("slope_alkaline_percent", table.slope_alkaline_percent, slope, (80.0, 110.0), "percent");
    let knee = figure("knee_ph", table.knee_ph, 7.0, (3.0, 11.0), "");
    let zero = figure("zero_ph", table.zero_ph, 7.0, (5.0, 9.0), "");
    let isopotential = figure("isopotential_ph", table.isopotential_ph, 7.0, (0.0, 14.0), "");
    let calibrated_at = match &table.calibrated_at {
        Some(measure) => {
            let at = here.key("calibrated_at");
            let celsius = notes.in_unit(&at, measure, Unit::Celsius, false)?;
            notes.within(&at, celsius, (0.0, 100.0), "°C")?
        }
        None => 25.0,
    };
    let temperature = temperature(notes, at, probe, context);
    let calibration = PhCalibration {
        slope_percent: slope,
        slope_alkaline_percent: alkaline?,
        knee_ph: knee?,
        zero_ph: zero?,
        isopotential_ph: isopotential?,
        temperature_c: calibrated_at,
    };
    let buffers = table.buffers.map(|word| match word {
        BuffersWord::Din19266 => BufferFamily::Din19266,
        BuffersWord::JisZ8802 => BufferFamily::JisZ8802,
        BuffersWord::Technical => BufferFamily::Technical4710,
    });
    let stage = SensorStage::PhElectrode { calibration, temperature: temperature?, buffers };
    Some(Sensor::new(stage, Unit::Millivolt))
}

fn cell(
    notes: &mut Notes<'_>,
    at: &At,
    probe: &Probe,
    table: &Cell,
    context: &Context<'_>,
) -> Option<Sensor> {
    let here = at.key("cell");
    let word = table.compensation.unwrap_or(CompensationWord::None);
    for (key, written, fits) in [
        ("percent_per_k", table.percent_per_k.is_some(), CompensationWord::Linear),
        ("factors", table.factors.is_some(), CompensationWord::Table),
    ] {
        if written && word != fits {
            let what = format!("`{key}` does not belong to this compensation");
            notes.wrong(&here.key(key), what, "percent_per_k belongs to \"linear\", factors to \"table\"");
        }
    }
    let compensation = match word {
        CompensationWord::None => Compensation::None,
        CompensationWord::NaturalWater => Compensation::NaturalWater,
        CompensationWord::Linear => {
            let percent = table.percent_per_k.unwrap_or(2.0);
            let percent =
                notes.within(&here.key("percent_per_k"), percent, (0.0, 10.0), "percent per kelvin")?;
            Compensation::Linear { alpha_per_k: percent / 100.0 }
        }
        CompensationWord::Table => Compensation::Table(factors(notes, &here, table)?),
    };
    let temperature = match word {
        CompensationWord::None => TemperatureSource::Fixed(25.0),
        CompensationWord::Linear | CompensationWord::NaturalWater | CompensationWord::Table => {
            temperature(notes, at, probe, context)?
        }
    };
    let (constant, signal) = match table.constant_per_cm {
        Some(constant) => (
            notes.within(&here.key("constant_per_cm"), constant, (0.001, 100.0), "per cm")?,
            Unit::Microsiemens,
        ),
        None => (1.0, Unit::MicrosiemensPerCm),
    };
    Some(Sensor::new(
        SensorStage::Conductivity { cell_constant_per_cm: constant, compensation, temperature },
        signal,
    ))
}

fn factors(notes: &mut Notes<'_>, at: &At, table: &Cell) -> Option<Vec<(f64, f64)>> {
    const EXAMPLE: &str = "[[15, 1.24], [25, 1.0], [35, 0.83]]: °C and factor to 25 °C";
    let factors = notes.require(at, "factors", table.factors.clone(), EXAMPLE)?;
    let at = at.key("factors");
    if factors.len() < 2 || !factors.iter().all(|(_, factor)| *factor > 0.0) {
        let what = "the table has fewer than two rows, or a factor that is not above 0";
        notes.wrong(&at, what, format!("write factors = {EXAMPLE}"));
        return None;
    }
    // The hotter the liquid, the better it conducts: the factor falls.
    if let Some(row) = factors.windows(2).position(|w| w[1].0 <= w[0].0 || w[1].1 >= w[0].1) {
        let what = format!("row {} of `{}` does not go on from the one before", row + 2, notes.text(&at));
        notes.wrong(&at.item(row + 1), what, "°C rises from row to row and the factor falls");
        return None;
    }
    Some(factors)
}

fn hydrostatic(
    notes: &mut Notes<'_>,
    at: &At,
    probe: &Probe,
    table: &Hydrostatic,
    context: &Context<'_>,
) -> Option<Sensor> {
    let here = at.key("hydrostatic");
    let density = match (table.density_kg_m3, table.density_over_water) {
        (Some(_), Some(_)) => {
            let other = (&here.key("density_kg_m3"), "also here");
            let what = "the density is given twice";
            notes.clash(&here.key("density_over_water"), what, "keep one of the two", other);
            return None;
        }
        (Some(fixed), None) => {
            Density::Fixed(notes.within(&here.key("density_kg_m3"), fixed, (500.0, 2000.0), "kg/m3")?)
        }
        (None, factor) => {
            let factor =
                notes.within(&here.key("density_over_water"), factor.unwrap_or(1.0), (0.5, 2.0), "")?;
            Density::Water { factor, temperature: temperature(notes, at, probe, context)? }
        }
    };
    let mounting_mm = match &table.mounting {
        Some(mounting) => notes.length(&here.key("mounting"), mounting, 0.0)?,
        None => 0.0,
    };
    Some(Sensor::new(SensorStage::Hydrostatic { density, mounting_mm }, Unit::Pascal))
}

fn gap(notes: &mut Notes<'_>, at: &At, table: &Probe) -> Option<Sensor> {
    let gap = table.gap.as_ref()?;
    let height = notes.require(at, "sensor_height", gap.sensor_height.as_ref(), "\"650 mm\"")?;
    let sensor_height_mm = notes.length(&at.key("sensor_height"), height, 1.0)?;
    Some(Sensor::new(SensorStage::Gap { sensor_height_mm }, Unit::Millimetre))
}

fn counter(notes: &mut Notes<'_>, at: &At, table: &Probe) -> Option<Sensor> {
    let here = at.key("counter");
    let default = Counter::default();
    let counter = table.counter.as_ref().unwrap_or(&default);
    let litres_per_count = notes.within(
        &here.key("litres_per_count"),
        counter.litres_per_count.unwrap_or(1.0),
        (1e-6, 1e6),
        "L",
    )?;
    let modulus = match counter.modulus {
        Some(modulus) => Some(notes.within(&here.key("modulus"), modulus, (2.0, 1e19), "counts")?),
        None if table.scale.is_none() && table.offset.is_none() && table.device.is_some() => {
            width_modulus(table)
        }
        None => None,
    };
    let flow_max = match &counter.flow_max {
        Some(measure) => {
            let at = here.key("flow_max");
            let flow = notes.in_unit(&at, measure, Unit::LitrePerMinute, false)?;
            notes.within(&at, flow, (0.01, 100_000.0), "L/min")?
        }
        // A make-up line of a shop: common practice, no source.
        None => 200.0,
    };
    let litres_per_second_max = flow_max / 60.0;
    Some(Sensor {
        stage: SensorStage::Counter { litres_per_count, modulus, litres_per_second_max },
        signal: None,
    })
}

/// Where an unsigned register starts over by itself.
fn width_modulus(table: &Probe) -> Option<f64> {
    match table.number.as_deref().unwrap_or("u16").parse() {
        Ok(NumberKind::U16) => Some(65_536.0),
        Ok(NumberKind::U32) => Some(4_294_967_296.0),
        _ => None,
    }
}

/// Temperature of the liquid: a probe of the same sump by name, a fixed one, or the sump's only temperature probe.
fn temperature(
    notes: &mut Notes<'_>,
    at: &At,
    table: &Probe,
    context: &Context<'_>,
) -> Option<TemperatureSource> {
    let fallback_c = match &table.temperature_fallback {
        Some(measure) => {
            let at = at.key("temperature_fallback");
            let celsius = notes.in_unit(&at, measure, Unit::Celsius, false)?;
            notes.within(&at, celsius, (0.0, 100.0), "°C")?
        }
        None => TEMPERATURE_FALLBACK_C,
    };
    let is_temperature = |name: &str| {
        context
            .probes()
            .and_then(|p| p.get(name))
            .is_some_and(|p| p.quantity.as_deref() == Some("temperature"))
    };
    let Some(text) = table.temperature.as_deref() else {
        let first = context.probes()?.keys().find(|name| is_temperature(name));
        return Some(match first {
            Some(name) => TemperatureSource::Probe { probe: context.index(name)?, fallback_c },
            None => TemperatureSource::Fixed(fallback_c),
        });
    };
    let at = at.key("temperature");
    if text.starts_with(|c: char| c.is_ascii_digit() || c == '-')
        && let Ok(measure) = super::super::quantity::Measure::parse(text)
    {
        let celsius = notes.in_unit(&at, &measure, Unit::Celsius, false)?;
        return Some(TemperatureSource::Fixed(notes.within(&at, celsius, (0.0, 100.0), "°C")?));
    }
    let names = context.probes()?.keys().map(|k| (k.as_str(), ()));
    notes.refer(&at, "probe", text, names)?;
    if !is_temperature(text) {
        notes.wrong(
            &at,
            format!("probe \"{text}\" measures no temperature"),
            "name a probe with quantity = \"temperature\"",
        );
        return None;
    }
    Some(TemperatureSource::Probe { probe: context.index(text)?, fallback_c })
}
