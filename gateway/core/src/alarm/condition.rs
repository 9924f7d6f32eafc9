//! Conditions that are worked out rather than read off a limit, and faults of the gateway and its lines.
//!
//! Each has a stable word, which is also the name of its alarm, a default priority and the source of what it is judged by.
//! What they say stands in [`super::wording`].

use super::settings::Priority;

macro_rules! words {
    ($name:ident, $what:literal: $($(#[$doc:meta])* $variant:ident $word:literal $priority:ident, $source:literal;)+) => {
        #[doc = $what]
        #[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
        pub enum $name { $($(#[$doc])* $variant,)+ }

        impl $name {
            /// Every one.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// Stable word.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            /// The one of a word.
            pub fn from_word(word: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|one| one.word() == word)
            }

            /// Priority unless somebody sets another.
            pub const fn priority(self) -> Priority {
                match self { $(Self::$variant => Priority::$priority,)+ }
            }

            /// Where the default figures come from.
            pub const fn source(self) -> &'static str {
                match self { $(Self::$variant => $source,)+ }
            }
        }
    };
}

words! { Condition, "What is worked out about a sump and asks for somebody to act.":
    /// pH more than 0.5 under this fill's own baseline.
    PhDrop "ph-drop" Medium,
        "DGUV Regel 109-003, annex 3: a drop over 0.5 against the first fill asks for corrective measures";
    /// pH more than 1.0 under it.
    PhReplace "ph-replace" High,
        "plant instruction built on BG rule 143: a drop over 1.0 asks for replacing the fluid";
    /// Fall, warmth and standing still together.
    LikelyBiological "likely-biological" Medium,
        "warmth from 20 to 40 °C: DGUV (water circuits); the pattern: common practice, no source";
    /// The pumps have stood still for long.
    Stagnation "stagnation" Low, "three days without circulation: common practice, no source";
    /// Coolant leaves that neither evaporation nor chips explain.
    UnexplainedLoss "unexplained-loss" Medium, "beyond doubt, or two and a half standard deviations for six hours: the estimator's own interval";
    /// Conductivity changed, and neither concentrate nor minerals explain it.
    ConductivityUnexplained "conductivity-unexplained" Low, "the estimator's own interval";
    /// A top-up was much weaker or stronger than it should have been.
    MixWrong "mix-wrong" Low, "outside half to double the strength that holds the target: common practice, no source";
    /// If the pumps stopped now, the tank would run over.
    WouldOverflow "would-overflow" High, "the tank's own measures, hold-up included";
    /// pH falls soon after a clean-out.
    Regrowth "regrowth" Medium, "common practice, no source";
    /// A check of the test plan is overdue.
    CheckOverdue "check-overdue" Low, "the shop's test plan";
    /// A probe's calibration has run out.
    CalibrationOverdue "calibration-overdue" Low, "the date the shop set";
}

words! { Fault, "What can be wrong with the gateway, its lines and its peers.":
    /// A bus cannot be reached, or nothing on it answers.
    Bus "bus" Medium, "one minute: common practice, no source";
    /// A device gives nothing on any of its probes.
    Device "device" Low, "as its probes";
    /// A broker cannot be reached.
    Broker "broker" Medium, "one minute: common practice, no source";
    /// A bus that two boxes share has nobody to stand by, or is polled by nobody.
    Standby "standby" Medium, "one minute without a sign of the other box: common practice, no source";
    /// The store cannot be written.
    Store "store" High, "at once: what is measured now is lost with the power";
    /// The store nears its limit, or samples are no longer held.
    StoreSpace "store-space" Medium, "four fifths of what may be used";
    /// A database takes nothing.
    Forwarder "forwarder" Low, "an hour: nothing is lost meanwhile";
    /// Messages do not get out by this way.
    Receiver "receiver" Medium, "one message refused for good, or ten minutes without getting through";
    /// The clock was set, or cannot be right.
    Clock "clock" Low, "a step of more than two seconds";
    /// A task of the gateway itself has crashed.
    Task "task" Medium, "over after ten minutes without another crash: common practice, no source";
    /// The gateway leaves away what is not vital, because it or a task of it crashed again and again.
    Reduced "reduced" High, "three crashes within ten minutes: common practice, no source";
}
