//! What a result means: which rule it is judged by, what that says, and who says so.
//!
//! Limits of pH and concentration belong to the fluid's supplier and are not judged here, but for the pH under which every
//! fluid gets worse. Nothing here diagnoses bacteria; bands are those of the country or of the shop.

use schemars::JsonSchema;
use serde::Serialize;

use super::settings::PlanSettings;
use crate::estimate::guidance::Rule;
use crate::estimate::note::NoteKind;
use crate::model::hardness_mg_l;

/// Nitrite in the fluid that is still allowed, mg/L (TRGS 611, 5.3: at most 20).
pub const NITRITE_MOST_MG_L: f64 = 20.0;
/// Nitrite under which a result counts as low, mg/L (TRGS 611, 5.3: under 10).
pub const NITRITE_LOW_MG_L: f64 = 10.0;
/// Low results in a row after which the next may wait for 4 weeks (TRGS 611, 5.3).
pub const NITRITE_LOW_IN_A_ROW: u32 = 3;
/// Nitrate in make-up water that is still allowed, mg/L (TRGS 611, 5.2: at most 50).
pub const NITRATE_MOST_MG_L: f64 = 50.0;
/// Hardness of make-up water, °dH (DGUV / IFA: 10 to 20, both ends inside).
pub const MAKEUP_DH: (f64, f64) = (10.0, 20.0);
/// Tramp oil that is still recommended, percent (UK industry guide supported by HSE: at most 2).
pub const TRAMP_OIL_MOST_PERCENT: f64 = 2.0;
/// pH below which a fluid's properties get worse quickly (gischem.de 5015).
pub const PH_WORSE_BELOW: f64 = 8.5;

/// Bands of a dip slide, CFU/mL.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Bands {
    /// From here on control is only reasonable.
    pub reasonable_from: f64,
    /// From here on it is poor.
    pub poor_from: f64,
    /// Who set them.
    pub rule: Rule,
}

impl Bands {
    /// UK HSE, hse.gov.uk/metalworking/bacterial.htm.
    pub const UK: Self = Self { reasonable_from: 1e4, poor_from: 1e6, rule: Rule::DipSlideBands };

    /// The band of a count.
    pub fn of(&self, cfu_ml: f64) -> Band {
        if cfu_ml >= self.poor_from {
            Band::Poor
        } else if cfu_ml >= self.reasonable_from {
            Band::Reasonable
        } else {
            Band::Good
        }
    }
}

/// How well bacteria are under control, in the words of the UK HSE.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Band {
    /// Good control.
    Good,
    /// Reasonable control: review, adjust the fluid.
    Reasonable,
    /// Poor control: act at once.
    Poor,
}

/// What to do about a result.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Judgement {
    /// Nothing.
    Fine,
    /// Look more closely.
    Watch,
    /// Act.
    Act,
}

/// A result judged.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, JsonSchema)]
pub struct Verdict {
    /// What to do about it.
    pub judgement: Judgement,
    /// Band of a dip slide, where there are bands.
    pub band: Option<Band>,
    /// What it is judged by.
    pub rule: Rule,
}

/// What a result of `kind` means under this plan; none where nobody but the supplier can say.
pub fn judge(plan: &PlanSettings, kind: NoteKind, value: f64) -> Option<Verdict> {
    let verdict = |judgement, rule| Some(Verdict { judgement, band: None, rule });
    let over = |most: f64, rule| verdict(if value > most { Judgement::Act } else { Judgement::Fine }, rule);
    match kind {
        NoteKind::Nitrite if value > NITRITE_MOST_MG_L => verdict(Judgement::Act, Rule::NitriteLimit),
        NoteKind::Nitrite if value > NITRITE_LOW_MG_L => verdict(Judgement::Watch, Rule::NitriteInterval),
        NoteKind::Nitrite => verdict(Judgement::Fine, Rule::NitriteInterval),
        NoteKind::DipSlide => Some(dip_slide(plan.bands, value)),
        NoteKind::TrampOil => over(TRAMP_OIL_MOST_PERCENT, Rule::TrampOilMost),
        NoteKind::MakeupNitrate => over(NITRATE_MOST_MG_L, Rule::MakeupNitrate),
        NoteKind::MakeupNitrite => {
            verdict(if value > 0.0 { Judgement::Watch } else { Judgement::Fine }, Rule::MakeupNitrite)
        }
        NoteKind::MakeupHardness => {
            let [low, high] =
                [MAKEUP_DH.0, MAKEUP_DH.1].map(|dh| hardness_mg_l(dh, "°dH").expect("a unit of hardness"));
            let fits = (low..=high).contains(&value);
            verdict(if fits { Judgement::Fine } else { Judgement::Watch }, Rule::FillWaterHardness)
        }
        NoteKind::Ph => {
            verdict(if value < PH_WORSE_BELOW { Judgement::Watch } else { Judgement::Fine }, Rule::PhLow)
        }
        NoteKind::OilLayer
        | NoteKind::Odour
        | NoteKind::Foam
        | NoteKind::Growth
        | NoteKind::Discolouring
        | NoteKind::Residue
        | NoteKind::Splitting => {
            // A little asks for a second look, more for somebody to act: common practice, no source.
            let judgement = match value {
                v if v < 1.0 => Judgement::Fine,
                v if v < 2.0 => Judgement::Watch,
                _ => Judgement::Act,
            };
            verdict(judgement, Rule::PerceptibleChange)
        }
        NoteKind::ConcentrationPercent
        | NoteKind::Brix
        | NoteKind::HardnessMgL
        | NoteKind::ChipDepth
        | NoteKind::TopUpLitres
        | NoteKind::TopUpPercent
        | NoteKind::Cleanout
        | NoteKind::Inspected
        | NoteKind::ChipsSeen
        | NoteKind::Calibrated
        | NoteKind::Action => None,
    }
}

fn dip_slide(bands: Option<Bands>, cfu_ml: f64) -> Verdict {
    let Some(bands) = bands else {
        return Verdict { judgement: Judgement::Fine, band: None, rule: Rule::DipSlideTrend };
    };
    let band = bands.of(cfu_ml);
    let judgement = match band {
        Band::Good => Judgement::Fine,
        Band::Reasonable => Judgement::Watch,
        Band::Poor => Judgement::Act,
    };
    Verdict { judgement, band: Some(band), rule: bands.rule }
}
