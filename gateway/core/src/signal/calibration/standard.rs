//! Which liquid a probe stands in: a buffer of a family, a potassium chloride standard, or what the label says.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::Refusal;
use crate::signal::conductivity::{KclStandard, conductivity_us_cm, labelled_kcl_us_cm};
use crate::signal::ph_buffers::{BufferFamily, RECOGNISED_WITHIN_PH, TEMPERATURE_MAX_C, TEMPERATURE_MIN_C};
use crate::signal::settings::PhCalibration;

/// Labels of the bottles that are sold for calibrating cells, µS/cm at 25 °C (common practice, no source).
pub const BOTTLES_US_CM: [f64; 4] = [84.0, 1_413.0, 12_880.0, 111_800.0];

/// A cell that was calibrated once is off by less than this, and the bottles lie ten times apart (common practice, no
/// source).
const RECOGNISED_WITHIN: f64 = 0.25;

/// pH a label can have.
const LABEL_PH: std::ops::RangeInclusive<f64> = 0.0..=14.0;

/// A liquid and its value at its temperature.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Standard {
    /// What people call it.
    pub name: String,
    /// pH, or µS/cm.
    pub value: f64,
}

/// What somebody says of the liquids: `din-19266`, `jis-z-8802`, `technical`; a pH; `kcl-0.01`, `kcl-0.1`, `kcl-1` (mol/kg);
/// the label of a bottle in µS/cm or mS/cm at 25 °C.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Choice {
    /// Buffers of this family, each recognised by itself.
    Family(BufferFamily),
    /// This pH: of the family's buffer with that label at its temperature, else as it is.
    Ph(f64),
    /// A potassium chloride solution.
    Kcl(KclStandard),
    /// A bottle with this label, µS/cm at 25 °C.
    Label(f64),
}

/// Words of the potassium chloride solutions.
const KCL_WORDS: [(&str, KclStandard); 3] =
    [("kcl-0.01", KclStandard::Molal001), ("kcl-0.1", KclStandard::Molal01), ("kcl-1", KclStandard::Molal1)];

impl Choice {
    /// Reads it, for a pH electrode or for a cell.
    pub fn parse(text: &str, is_ph: bool) -> Result<Self, Refusal> {
        let text = text.trim();
        let wrong = || Refusal::Standard(text.chars().take(40).collect(), is_ph);
        if is_ph {
            if let Some(family) = BufferFamily::from_word(text) {
                return Ok(Self::Family(family));
            }
            let digits = text.strip_prefix("pH").unwrap_or(text);
            return number(digits).filter(|ph| LABEL_PH.contains(ph)).map(Self::Ph).ok_or_else(wrong);
        }
        if let Some((_, standard)) = KCL_WORDS.iter().find(|(word, _)| *word == text) {
            return Ok(Self::Kcl(*standard));
        }
        let of_unit = |unit: &str, factor: f64| number(text.strip_suffix(unit)?).map(|value| value * factor);
        let units = [("mS/cm", 1e3), ("µS/cm", 1.0), ("μS/cm", 1.0), ("uS/cm", 1.0), ("", 1.0)];
        let label = units.iter().find_map(|(unit, factor)| of_unit(unit, *factor)).ok_or_else(wrong)?;
        labelled_kcl_us_cm(label, 25.0).map(|_| Self::Label(label)).ok_or_else(wrong)
    }

    pub(super) const fn is_of_ph(self) -> bool {
        matches!(self, Self::Family(_) | Self::Ph(_))
    }
}

/// A number with a point or a decimal comma.
fn number(text: &str) -> Option<f64> {
    f64::from_str(&text.trim().replace(',', ".")).ok().filter(|value| value.is_finite())
}

impl fmt::Display for Choice {
    /// As [`Choice::parse`] reads it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Family(family) => f.write_str(family.word()),
            Self::Ph(ph) => write!(f, "{ph}"),
            Self::Kcl(standard) => {
                let word = KCL_WORDS.iter().find(|(_, one)| one == standard).map_or("kcl", |(word, _)| word);
                f.write_str(word)
            }
            Self::Label(us_cm) => write!(f, "{us_cm} uS/cm"),
        }
    }
}

/// The buffer an electrode stands in that gives `mv` at `celsius`, and is `known` to be about so.
pub(super) fn buffer(
    choice: Option<Choice>,
    family: Option<BufferFamily>,
    known: &PhCalibration,
    mv: f64,
    celsius: f64,
) -> Result<Standard, Refusal> {
    if !(TEMPERATURE_MIN_C..=TEMPERATURE_MAX_C).contains(&celsius) {
        return Err(Refusal::Temperature(celsius));
    }
    let named = |family: BufferFamily, name: &str, value| Standard {
        name: format!("{name} ({})", family.word()),
        value,
    };
    if let Some(Choice::Ph(ph)) = choice {
        let of_family = family.and_then(|family| {
            let buffer = family.labelled(ph)?;
            Some(named(family, buffer.name, buffer.ph_at(celsius)?))
        });
        return Ok(of_family.unwrap_or_else(|| Standard { name: format!("pH {ph}"), value: ph }));
    }
    let family = match choice {
        Some(Choice::Family(chosen)) => chosen,
        _ => family.ok_or(Refusal::NoFamily)?,
    };
    // A new electrode is nearer to the book than to the calibration of the one before it.
    let reads = [known.ph(mv, celsius), PhCalibration::IDEAL.ph(mv, celsius)];
    let found = reads.into_iter().find_map(|ph| family.recognise(ph, celsius));
    let found = found.and_then(|buffer| Some(named(family, buffer.name, buffer.ph_at(celsius)?)));
    found.ok_or(Refusal::NoSuchBuffer { family, reads: reads[0], within: RECOGNISED_WITHIN_PH })
}

/// The solution a cell of the constant `before` stands in that gives `signal` at `celsius`.
pub(super) fn solution(
    choice: Option<Choice>,
    before: f64,
    signal: f64,
    celsius: f64,
) -> Result<Standard, Refusal> {
    let labelled = |label: f64| {
        let name = format!("{label} µS/cm at 25 °C");
        Some(Standard { name, value: labelled_kcl_us_cm(label, celsius)? })
    };
    let reads = conductivity_us_cm(signal, before);
    let found = match choice {
        Some(Choice::Kcl(standard)) => {
            let name = Choice::Kcl(standard).to_string();
            standard.solution_us_cm(celsius).map(|value| Standard { name, value })
        }
        Some(Choice::Label(label)) => labelled(label),
        _ => {
            let near = |standard: &Standard| (reads / standard.value - 1.0).abs() <= RECOGNISED_WITHIN;
            let found = BOTTLES_US_CM.into_iter().filter_map(labelled).find(near);
            return found.ok_or(if (TEMPERATURE_MIN_C..=TEMPERATURE_MAX_C).contains(&celsius) {
                Refusal::NoSuchSolution { reads }
            } else {
                Refusal::Temperature(celsius)
            });
        }
    };
    found.ok_or(Refusal::Temperature(celsius))
}
