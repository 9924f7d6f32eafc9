//! What a person measured, saw or did, as it enters the engine.
//!
//! A [`Note`] is checked: its number can be meant, its texts are lines. How one comes about from what somebody sends is
//! [`draft`]'s to know; what it means for the belief, the test plan and the journal is not known here.

pub mod draft;

use crate::model::{Line, ProbeIndex, SumpIndex, Timestamp};

/// One manual reading, observation or action on one sump.
#[derive(Clone, PartialEq, Debug)]
pub struct Note {
    /// Whose.
    pub sump: SumpIndex,
    /// When it was taken or done.
    pub at: Timestamp,
    /// What.
    pub kind: NoteKind,
    /// In the unit of the kind; 1 where the kind has no number.
    pub value: f64,
    /// Which probe was calibrated.
    pub probe: Option<ProbeIndex>,
    /// Who says so; none in a replay. Untrusted text.
    pub by: Option<Line>,
    /// In their words. Untrusted text.
    pub text: Option<Line>,
}

impl Note {
    /// A number without a name or words beside it, as a replay has them.
    pub const fn of(sump: SumpIndex, at: Timestamp, kind: NoteKind, value: f64) -> Self {
        Self { sump, at, kind, value, probe: None, by: None, text: None }
    }
}

/// What the number of a note counts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Gauge {
    /// Percent by volume.
    Percent,
    /// Degrees of a refractometer.
    Brix,
    /// Hardness, mg/L as CaCO3.
    Hardness,
    /// Something dissolved, mg/L.
    MilligramPerLitre,
    /// pH.
    Ph,
    /// Colony-forming units per mL.
    CfuPerMl,
    /// Millimetres.
    Millimetre,
    /// Litres.
    Litre,
    /// How much of it is seen or smelt: 0 none, 1 a little, 2 plainly, 3 much. The steps are common practice, no source.
    Grade,
    /// 1 begins, 0 abandons.
    Begun,
    /// Nothing: it was done.
    Done,
}

impl Gauge {
    /// What stands behind the number, with a space before it; nothing where it has no unit.
    pub const fn suffix(self) -> &'static str {
        match self {
            Self::Percent => " %",
            Self::Brix => " °Bx",
            Self::Hardness => " mg/L as CaCO3",
            Self::MilligramPerLitre => " mg/L",
            Self::CfuPerMl => " CFU/mL",
            Self::Millimetre => " mm",
            Self::Litre => " L",
            Self::Ph | Self::Grade | Self::Begun | Self::Done => "",
        }
    }

    /// Whether only whole numbers are meant.
    const fn is_whole(self) -> bool {
        matches!(self, Self::Grade | Self::Begun | Self::Done)
    }
}

/// Words of the grades 0 to 3.
pub const GRADES: [&str; 4] = ["none", "a little", "plainly", "much"];

macro_rules! kinds {
    ($($(#[$doc:meta])* $variant:ident $word:literal, $gauge:ident $low:literal ..= $high:literal, $noun:literal;)+) => {
        /// Kinds of notes. Their words are part of the replay format.
        #[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
        pub enum NoteKind { $($(#[$doc])* $variant,)+ }

        impl NoteKind {
            /// Every kind.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// Stable word.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            /// Least and greatest value that can be meant.
            pub const fn range(self) -> (f64, f64) {
                match self { $(Self::$variant => ($low, $high),)+ }
            }

            /// What its number counts.
            pub const fn gauge(self) -> Gauge {
                match self { $(Self::$variant => Gauge::$gauge,)+ }
            }

            /// What people call it.
            pub const fn noun(self) -> &'static str {
                match self { $(Self::$variant => $noun,)+ }
            }
        }
    };
}

kinds! {
    /// Concentration, percent by volume, however determined.
    ConcentrationPercent "concentration_percent", Percent 0.0 ..= 100.0, "concentration";
    /// Refractometer reading.
    Brix "brix", Brix 0.0 ..= 95.0, "refractometer";
    /// Hardness by strip or titration, mg/L as CaCO3.
    HardnessMgL "hardness_mg_l", Hardness 0.0 ..= 20000.0, "hardness";
    /// pH by strip or hand meter.
    Ph "ph", Ph 0.0 ..= 14.0, "pH by hand";
    /// Dip slide, colony-forming units per mL.
    DipSlide "dip_slide_cfu_ml", CfuPerMl 0.0 ..= 1e12, "dip slide";
    /// Chip depth by dip-stick, mm.
    ChipDepth "chip_depth_mm", Millimetre 0.0 ..= 10000.0, "chip depth";
    /// Top-up, litres.
    TopUpLitres "topup_l", Litre 0.0 ..= 100000.0, "top-up";
    /// Concentration of a top-up, percent by volume.
    TopUpPercent "topup_percent", Percent 0.0 ..= 100.0, "strength of the top-up";
    /// A clean-out: 1 begins it, 0 abandons it.
    Cleanout "cleanout", Begun 0.0 ..= 1.0, "clean-out";
    /// Nitrite in the fluid by strip, mg/L.
    Nitrite "nitrite_mg_l", MilligramPerLitre 0.0 ..= 10000.0, "nitrite";
    /// Tramp oil, percent by volume.
    TrampOil "tramp_oil_percent", Percent 0.0 ..= 100.0, "tramp oil";
    /// Hardness of the make-up water, mg/L as CaCO3.
    MakeupHardness "makeup_hardness_mg_l", Hardness 0.0 ..= 20000.0, "hardness of the make-up water";
    /// Nitrate in the make-up water, mg/L.
    MakeupNitrate "makeup_nitrate_mg_l", MilligramPerLitre 0.0 ..= 10000.0, "nitrate in the make-up water";
    /// Nitrite in the make-up water, mg/L.
    MakeupNitrite "makeup_nitrite_mg_l", MilligramPerLitre 0.0 ..= 10000.0, "nitrite in the make-up water";
    /// The daily look and smell: nothing perceptible.
    Inspected "inspected", Done 1.0 ..= 1.0, "look and smell";
    /// Floating oil.
    OilLayer "oil_layer", Grade 0.0 ..= 3.0, "floating oil";
    /// Smell.
    Odour "odour", Grade 0.0 ..= 3.0, "odour";
    /// Foam.
    Foam "foam", Grade 0.0 ..= 3.0, "foam";
    /// Heaps of chips that show.
    ChipsSeen "chips_seen", Grade 0.0 ..= 3.0, "chips";
    /// Visible growth: slime, mould.
    Growth "growth", Grade 0.0 ..= 3.0, "visible growth";
    /// Another colour than it should have.
    Discolouring "discolouring", Grade 0.0 ..= 3.0, "discolouring";
    /// Residue: sticky films, scum.
    Residue "residue", Grade 0.0 ..= 3.0, "residue";
    /// The emulsion splits: oil or cream on top.
    Splitting "splitting", Grade 0.0 ..= 3.0, "splitting";
    /// A probe was calibrated.
    Calibrated "calibrated", Done 1.0 ..= 1.0, "calibration";
    /// Something was done; the text says what.
    Action "action", Done 1.0 ..= 1.0, "action";
}

impl NoteKind {
    /// The kind of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|kind| kind.word() == word)
    }

    /// Whether a number says all of it, so that a replay can hold it.
    pub const fn is_number(self) -> bool {
        !matches!(self, Self::Calibrated | Self::Action)
    }

    /// Whether the belief about the sump or its clean-out may move by it.
    pub const fn moves_estimate(self) -> bool {
        matches!(
            self,
            Self::ConcentrationPercent
                | Self::Brix
                | Self::HardnessMgL
                | Self::Ph
                | Self::DipSlide
                | Self::ChipDepth
                | Self::TopUpLitres
                | Self::TopUpPercent
                | Self::Cleanout
        )
    }

    /// Whether it speaks of the water a sump is topped up with, and so of every sump with that water.
    pub const fn is_of_makeup_water(self) -> bool {
        matches!(self, Self::MakeupHardness | Self::MakeupNitrate | Self::MakeupNitrite)
    }

    /// A value of this kind as people write it: "5.2 %", "plainly", "begun". Empty where there is nothing to say.
    pub fn written(self, value: f64) -> String {
        match self.gauge() {
            Gauge::Grade => {
                GRADES.get(value as usize).map_or_else(|| number(value), |word| (*word).to_owned())
            }
            Gauge::Begun => if value >= 0.5 { "begun" } else { "abandoned" }.to_owned(),
            Gauge::Done => String::new(),
            gauge => number(value) + gauge.suffix(),
        }
    }
}

/// A number as people write it.
pub(crate) fn number(value: f64) -> String {
    let rounded = (value * 1e6).round() / 1e6;
    format!("{}", if rounded == 0.0 { 0.0 } else { rounded })
}
