//! What a person measured or did, as it enters the engine.

use crate::model::{SumpIndex, Timestamp};

/// One manual reading or action on one sump.
#[derive(Clone, PartialEq, Debug)]
pub struct Note {
    /// Whose.
    pub sump: SumpIndex,
    /// When it was taken or done.
    pub at: Timestamp,
    /// What.
    pub kind: NoteKind,
    /// In the unit of the kind.
    pub value: f64,
}

macro_rules! kinds {
    ($($(#[$doc:meta])* $variant:ident $word:literal, $low:literal ..= $high:literal;)+) => {
        /// Kinds of notes. Their words are part of the replay format.
        #[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
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
        }
    };
}

kinds! {
    /// Concentration, percent by volume, however determined.
    ConcentrationPercent "concentration_percent", 0.0 ..= 100.0;
    /// Refractometer reading.
    Brix "brix", 0.0 ..= 95.0;
    /// Hardness by strip or titration, mg/L as CaCO3.
    HardnessMgL "hardness_mg_l", 0.0 ..= 20000.0;
    /// pH by strip or hand meter.
    Ph "ph", 0.0 ..= 14.0;
    /// Dip slide, colony-forming units per mL.
    DipSlide "dip_slide_cfu_ml", 0.0 ..= 1e12;
    /// Chip depth by dip-stick, mm.
    ChipDepth "chip_depth_mm", 0.0 ..= 10000.0;
    /// Top-up, litres.
    TopUpLitres "topup_l", 0.0 ..= 100000.0;
    /// Concentration of a top-up, percent by volume.
    TopUpPercent "topup_percent", 0.0 ..= 100.0;
    /// A clean-out: 1 begins it, 0 abandons it.
    Cleanout "cleanout", 0.0 ..= 1.0;
}

impl NoteKind {
    /// The kind of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|kind| kind.word() == word)
    }
}
