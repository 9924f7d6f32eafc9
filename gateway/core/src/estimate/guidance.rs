//! The rules and cautions that advice rests on, with their sources. All texts of advice stand here, so that another
//! language is another file like this one.
//!
//! A rule is named by its [`Rule`], a caution by its [`Caution`]; who works out numbers names what they rest on and never
//! writes a sentence of its own. Most rules are guidance, not law; limits of pH and concentration belong to the fluid's
//! supplier.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Serialize, Serializer};

/// Numbers with what they rest on.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct Advice<N> {
    /// What was given and what was worked out.
    pub numbers: N,
    /// Rules the numbers follow, the one that decided first.
    pub rules: Vec<Rule>,
    /// Cautions that belong to it.
    pub cautions: Vec<Caution>,
}

impl<N> Advice<N> {
    /// The numbers and what they rest on.
    pub(super) fn new(numbers: N, rules: &[Rule], cautions: &[Caution]) -> Self {
        Self { numbers, rules: rules.to_vec(), cautions: cautions.to_vec() }
    }
}

/// How a rule or a caution goes out; only described, see `Serialize` below.
#[derive(JsonSchema)]
#[expect(dead_code, reason = "describes what is written field by field")]
struct TextShape {
    /// Stable word.
    word: String,
    /// What it says.
    text: String,
    /// Who says so.
    source: String,
}

macro_rules! texts {
    ($name:ident, $what:literal: $($(#[$doc:meta])* $variant:ident $word:literal $text:literal, $source:literal;)+) => {
        #[doc = $what]
        #[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
        pub enum $name { $($(#[$doc])* $variant,)+ }

        impl $name {
            /// Every one.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// Stable word for machines.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            /// What it says.
            pub const fn text(self) -> &'static str {
                match self { $(Self::$variant => $text,)+ }
            }

            /// Who says so.
            pub const fn source(self) -> &'static str {
                match self { $(Self::$variant => $source,)+ }
            }
        }

        impl JsonSchema for $name {
            fn schema_name() -> Cow<'static, str> {
                stringify!($name).into()
            }

            fn json_schema(generator: &mut SchemaGenerator) -> Schema {
                TextShape::json_schema(generator)
            }
        }

        impl Serialize for $name {
            /// As `{ word, text, source }`.
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                use serde::ser::SerializeStruct;
                let mut shape = serializer.serialize_struct(stringify!($name), 3)?;
                shape.serialize_field("word", self.word())?;
                shape.serialize_field("text", self.text())?;
                shape.serialize_field("source", self.source())?;
                shape.end()
            }
        }
    };
}

texts! { Rule, "What a number follows.":
    /// Volumes add.
    MassBalance "mass-balance"
        "Volumes add up and concentrate counts as 100 %: what is in the sump plus what is poured in is what is there afterwards.",
        "mass balance";
    /// Refractometer.
    BrixTimesFactor "brix-times-factor"
        "Concentration is the refractometer's reading (Brix) times the product's factor; zero it with the shop's own water. Floating oil blurs the line and reads high: take the sample from the nozzle.",
        "suppliers' information sheets; product data sheet for the factor";
    /// Order of pouring.
    ConcentrateIntoWater "concentrate-into-water"
        "Add concentrate to water, never water to concentrate.",
        "common practice, no source";
    /// Too strong.
    TooStrongWeakPremix "too-strong-weak-premix"
        "Too strong: top up with a weak premix, not with plain water.",
        "company instruction built on BG rule 143";
    /// The weak premix.
    WeakestPremix "weakest-premix"
        "A premix of 1 % counts as the weakest that is still no plain water.",
        "common practice, no source";
    /// Too weak.
    TooWeakStrongPremix "too-weak-strong-premix"
        "Too weak: top up with a premix of at most 30 %, never with neat concentrate.",
        "company instruction built on BG rule 143";
    /// Make-up weaker than the fill.
    WeakerThanFill "weaker-than-fill"
        "Water evaporates and concentrate stays, so what is topped up day by day is weaker than the fill: the strength that holds the concentration is target × drag-out / (evaporation + drag-out).",
        "mass balance; a supplier's tips page runs make-up at 60 % of the fill";
    /// Water to top up with.
    LowMineralTopUp "low-mineral-top-up"
        "For topping up use softened or demineralised water only: evaporation leaves the salts behind.",
        "DGUV / IFA, make-up water";
    /// Hardness of the water to fill with.
    FillWaterHardness "fill-water-hardness"
        "Water to mix with has 10 to 20 °dH (180 to 360 mg/L as CaCO3): softer water foams, harder water forms soap and deposits.",
        "DGUV / IFA, make-up water";
    /// Foam.
    SoftWaterFoams "soft-water-foams"
        "Water under 70 mg/L as CaCO3 makes many fluids foam; 80 to 110 mg/L suited one shop.",
        "trade article on a university optics centre's series on water quality (1994-95)";
    /// Plateau.
    Plateau "plateau"
        "With constant rates hardness tends to that of the top-up water × (evaporation + drag-out) / drag-out. Soap and deposits take some away, so this is an upper bound.",
        "mass balance";
    /// Exchange.
    PartialExchange "partial-exchange"
        "Draining takes out hardness and concentrate in proportion. Of the old may stay: volume filled up to × (limit − refill) / (sump − refill), hardness each; the rest is drained. The refill counts as all water, which errs to the safe side.",
        "mass balance";
    /// The hardness that counts where none was configured.
    HardnessLimit "hardness-limit"
        "Where no limit on hardness is configured 400 mg/L as CaCO3 counts: past it many emulsions split, leave scum and protect less against rust.",
        "common practice, no source";
    /// Leak.
    LooksLikeLeak "looks-like-leak"
        "What leaves whether the pumps run or stand, is no water vapour and was drawn off by nobody, leaks: look under the machine, at pump, hoses, way covers and drain valve.",
        "mass balance; where to look: common practice, no source";
    /// Run-back.
    RunBack "run-back"
        "When the pumps stop, what lines and machine hold up runs back into the tank.",
        "mass balance";
    /// pH: action.
    PhDropAction "ph-drop-action"
        "A pH more than 0.5 under that of the fresh fill asks for corrective measures.",
        "DGUV Regel 109-003, annex 3";
    /// pH: replacement.
    PhDropReplace "ph-drop-replace"
        "A pH more than 1.0 under that of the fresh fill asks for replacing the fluid.",
        "company instruction built on BG rule 143";
    /// pH: absolute.
    PhLow "ph-low"
        "Below pH 8.5 the properties of the fluid get worse quickly; the limit that counts is the supplier's.",
        "chemical-safety database of the German accident insurers (gischem.de)";
    /// Warmth.
    WarmthFavours "warmth-favours"
        "20 to 40 °C suits most bacteria and fungi best.",
        "DGUV, water circuits";
    /// Biological activity.
    LikelyBiological "likely-biological"
        "likely biological activity; confirm with a dip slide",
        "falling pH with warmth and standing still: common practice, no source";
    /// Clean-out: draining.
    CleanoutDrain "cleanout-drain"
        "Pump the old coolant out and take the chips out: what stays behind seeds the new fill.",
        "common practice, no source";
    /// Clean-out: cleaner.
    CleanoutClean "cleanout-clean"
        "Circulate an alkaline cleaner with all pumps on: slime that is not dissolved shelters bacteria, and they grow back within days to weeks.",
        "common practice, no source";
    /// Clean-out: hidden places.
    CleanoutPlaces "cleanout-places"
        "Empty the places where old coolant hides: lines, filters, way covers, chip conveyor, coolant through the spindle. No probe can witness it; what stays there seeds the new fill.",
        "common practice, no source";
    /// Clean-out: cleaner out.
    CleanoutPumpOut "cleanout-pump-out"
        "Pump the cleaner out: what stays holds the loosened slime, and is caustic to skin, paint and aluminium.",
        "common practice, no source";
    /// Clean-out: rinse.
    CleanoutRinse "cleanout-rinse"
        "Circulate a weak coolant as a rinse: cleaner and loosened slime that stay in the lines foam, irritate skin and spoil the new fill.",
        "common practice, no source";
    /// Clean-out: rinse out.
    CleanoutPumpOutRinse "cleanout-pump-out-rinse"
        "Pump the rinse out: it holds what the rinse took along, and weakens the new fill.",
        "common practice, no source";
    /// Clean-out: fresh fill.
    CleanoutRecharge "cleanout-recharge"
        "Fill at the target concentration: too weak a fill rusts and is eaten by bacteria sooner.",
        "common practice, no source";
    /// Clean-out: alarms.
    CleanoutLimitsRest "cleanout-limits-rest"
        "While a clean-out runs, the limits of this sump alarm nobody: an empty tank and a caustic pH are the work itself. Faults of probes do.",
        "common practice, no source";
    /// Regrowth.
    RegrowthAfterCleanout "regrowth-after-cleanout"
        "pH that falls soon after a clean-out: likely regrowth; confirm with a dip slide",
        "common practice, no source";
    /// Nitrite: limit.
    NitriteLimit "nitrite-limit"
        "Nitrite in the fluid over 20 mg/L: change the fluid or a part of it, or add inhibitor as agreed with the supplier.",
        "TRGS 611, 5.3";
    /// Nitrite: how often.
    NitriteInterval "nitrite-interval"
        "Nitrite is tested weekly. After three results in a row under 10 mg/L the next may wait for up to 4 weeks; over 10 mg/L it is weekly again.",
        "TRGS 611, 5.3";
    /// Dip slides: bands.
    DipSlideBands "dip-slide-bands"
        "Under 10 000 CFU/mL control is good; up to 1 000 000 it is reasonable: review it and adjust the fluid; from there on it is poor: act at once.",
        "UK HSE, hse.gov.uk/metalworking/bacterial.htm (edges read, wording of the last band from memory)";
    /// Dip slides: bands of the shop.
    DipSlideShopBands "dip-slide-shop-bands"
        "Judged by the shop's own bands.",
        "the shop's configuration";
    /// Dip slides: no bands.
    DipSlideTrend "dip-slide-trend"
        "No limit can be set for bacteria in the fluid: follow the trend, together with pH, concentration, nitrite and appearance.",
        "DGUV Information 209-051, 6.2";
    /// Tramp oil.
    TrampOilMost "tramp-oil-most"
        "Tramp oil stays at 2 % at the most: skim it off, and find where it comes from.",
        "UK industry guide supported by HSE (a supplier's summary of the 2018 guide)";
    /// Make-up water: nitrate.
    MakeupNitrate "makeup-nitrate"
        "Nitrate in make-up water over 50 mg/L: dilute it with low-nitrate or demineralised water.",
        "TRGS 611, 5.2";
    /// Make-up water: nitrite.
    MakeupNitrite "makeup-nitrite"
        "Nitrate in make-up water can only be determined where there is no nitrite.",
        "DGUV Regel 109-003, 7.1";
    /// Look and smell.
    PerceptibleChange "perceptible-change"
        "Discolouring, foam, residue, splitting, floating oil, a smell or visible growth say that something changes: find out what.",
        "DGUV Regel 109-003, 7.1";
}

texts! { Caution, "What to mind while doing it.":
    /// Comes with everything.
    DataSheetFirst "data-sheet-first"
        "The product's safety data sheet and the supplier's limits come first.",
        "common practice, no source";
    /// Skin and eyes.
    GlovesAndEyes "gloves-and-eyes"
        "Wear gloves and eye protection: concentrate is caustic and irritates skin and eyes.",
        "common practice, no source";
    /// Waste.
    LicensedWaste "licensed-waste"
        "Waste coolant leaves only by a licensed route, never by the drain.",
        "common practice, no source";
    /// Mix well.
    MeasureAfter "measure-after"
        "Circulate, then measure again with a refractometer before topping up more.",
        "common practice, no source";
    /// Foam.
    MayFoam "may-foam"
        "Very soft water may foam: try a small share first.",
        "DGUV / IFA, make-up water";
    /// Rest in lines.
    OldCoolantStays "old-coolant-stays"
        "What stays in lines, machine and chips mixes back in: measure after circulating.",
        "common practice, no source";
    /// Spill.
    LeaveRoom "leave-room"
        "Leave the room that stopped pumps need, or the tank runs over.",
        "common practice, no source";
    /// Hand check.
    CheckByHand "check-by-hand"
        "pH electrodes foul fast in oil: check by hand before acting on a drift.",
        "DGUV Regel 109-003, 7.1";
    /// No diagnosis.
    NotABacteriaCount "not-a-bacteria-count"
        "pH is no substitute for a count of bacteria.",
        "UK HSE";
    /// Energy.
    LockOut "lock-out"
        "Lock out and tag out the machine before anybody reaches into sump, conveyor or lines.",
        "common practice, no source";
    /// Chemistry.
    NeverMixCleaner "never-mix-cleaner"
        "Never mix the cleaner with a biocide, an acid or another cleaner: some mixtures give off toxic gas or heat.",
        "common practice, no source";
    /// Air.
    Ventilate "ventilate"
        "Ventilate: a sour sump gives off foul and toxic gas when it is stirred, a cleaner gives off mist.",
        "common practice, no source";
    /// Fire.
    OilyWipes "oily-wipes"
        "Oily wipes go into a closed container for oily waste: in a heap they can heat themselves up and burn.",
        "common practice, no source";
    /// Biocides.
    BiocidesByThoseAllowed "biocides-by-those-allowed"
        "Biocides are handled only by those who are trained and allowed to, and only products approved for coolant.",
        "common practice, no source";
}

/// Stands under every advice.
pub const NO_SAFETY_SYSTEM: &str = "This is advice, not a safety system: the fluid's safety data sheet, local codes and licensed practice come first.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_rule_and_caution_has_words_and_a_source_of_its_own_word() {
        let rules = Rule::ALL.iter().map(|r| (r.word(), r.text(), r.source()));
        let cautions = Caution::ALL.iter().map(|c| (c.word(), c.text(), c.source()));
        let mut words = Vec::new();
        for (word, text, source) in rules.chain(cautions) {
            assert!(!text.is_empty() && !source.is_empty(), "{word}");
            words.push(word);
        }
        let all = words.len();
        words.sort_unstable();
        words.dedup();
        assert_eq!(words.len(), all, "a word stands for one thing");
    }
}
