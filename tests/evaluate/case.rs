//! What is played: which scenarios, what people write down in them, and what each is there to show.

use std::time::Duration;
use sumpwarden_core::engine::outlook::HARDNESS_LIMIT_MG_L;

use sumpwarden_sim::scenario::{Habits, HistoryOptions, Knowledge, Scenario, UnknownScenario};

/// Scenarios shorter than this are there to be watched; too little of them is left after the warm-up.
const LENGTH_LEAST: Duration = Duration::from_secs(6 * 86_400);

const WEEK: Duration = Duration::from_secs(7 * 86_400);

/// How exactly people know the mix where they are made to write it down, percent.
const MIX_SPREAD: f64 = 0.2;

/// What people write down of what an estimator can use.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum Notes {
    /// Nothing, or hardly anything: at most a reading in four weeks.
    None,
    /// Refractometer and hardness.
    Readings,
    /// Litres and mix of every top-up.
    MixKnown,
    /// Both.
    Both,
}

impl Notes {
    pub(crate) const ALL: [Self; 4] = [Self::None, Self::Readings, Self::MixKnown, Self::Both];

    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Readings => "readings",
            Self::MixKnown => "mix-known",
            Self::Both => "both",
        }
    }

    /// Whether somebody reads the refractometer.
    pub(crate) fn has_readings(self) -> bool {
        matches!(self, Self::Readings | Self::Both)
    }

    /// Whether every top-up's mix is known.
    pub(crate) fn has_mix(self) -> bool {
        matches!(self, Self::MixKnown | Self::Both)
    }

    /// Of a scenario's own people.
    fn of(scenario: &Scenario) -> Self {
        match (scenario.judged.manual, scenario.judged.mix_known) {
            (false, false) => Self::None,
            (true, false) => Self::Readings,
            (false, true) => Self::MixKnown,
            (true, true) => Self::Both,
        }
    }

    /// Of people who write down this and no more: readings once a week.
    fn habits(self) -> Habits {
        Habits {
            manual_every: self.has_readings().then_some(WEEK),
            topups_known: self.has_mix().then_some(MIX_SPREAD),
            ..Habits::NONE
        }
    }
}

/// What people or probes are made to know exactly: what is still wrong then, it did not cause.
#[derive(Clone, Copy, PartialEq, Eq, Debug, clap::ValueEnum)]
pub(crate) enum Exact {
    /// Hardness of the waters.
    Analysis,
    /// Readings of the jar test and its meter.
    JarTest,
    /// Lengths of the tank.
    Tank,
    /// Factor of the refractometer.
    Factor,
    /// Hold-up of the machine.
    Holdup,
    /// Hardness of what is in the sump on the first day, noted once as a strip is.
    Start,
    /// What the probes show: they neither foul nor drift.
    Probes,
}

impl Exact {
    /// As the command line takes it.
    pub(crate) fn word(self) -> String {
        let named = clap::ValueEnum::to_possible_value(&self);
        named.map(|value| value.get_name().to_owned()).unwrap_or_default()
    }

    fn make(self, case: &mut Case) {
        let known: &mut Knowledge = &mut case.scenario.known;
        match self {
            Self::Analysis => known.analysis = 0.0,
            Self::JarTest => (known.jar, known.meter) = (0.0, 0.0),
            Self::Tank => known.dimensions = 0.0,
            Self::Factor => known.factor = 0.0,
            Self::Holdup => known.holdup = 0.0,
            Self::Start => case.start_known = true,
            Self::Probes => {
                for plan in &mut case.scenario.probes {
                    let setup = &mut plan.setup;
                    (setup.gain, setup.drift_per_day, setup.wander_per_day) = (1.0, 0.0, 0.0);
                }
            }
        }
    }
}

/// One history to play.
#[derive(Clone, Debug)]
pub(crate) struct Case {
    pub(crate) scenario: Scenario,
    pub(crate) notes: Notes,
    pub(crate) history: HistoryOptions,
    /// Somebody determines the hardness on the first day.
    pub(crate) start_known: bool,
}

/// Names of the scenarios judged where none is named.
pub(crate) fn worth_judging() -> impl Iterator<Item = &'static str> {
    let long = |name: &&str| Scenario::named(name, 1).is_ok_and(|scenario| scenario.length >= LENGTH_LEAST);
    Scenario::names().map(|(name, _)| name).filter(long)
}

impl Case {
    /// A scenario by name and seed, with its own people's notes or with others, a sample `every`, at most this long.
    pub(crate) fn new(
        name: &str,
        seed: u64,
        notes: Option<Notes>,
        every: Duration,
        days: Option<u64>,
    ) -> Result<Self, UnknownScenario> {
        let mut scenario = Scenario::named(name, seed)?;
        if let Some(days) = days {
            scenario.length = scenario.length.min(Duration::from_secs(86_400 * days));
        }
        let habits = notes.map(Notes::habits);
        Ok(Self {
            notes: notes.unwrap_or_else(|| Notes::of(&scenario)),
            history: HistoryOptions { every, habits, ..HistoryOptions::default() },
            scenario,
            start_known: false,
        })
    }

    /// The same, its people knowing these figures exactly.
    pub(crate) fn knowing(mut self, exact: &[Exact]) -> Self {
        exact.iter().for_each(|figure| figure.make(&mut self));
        self
    }

    /// Somebody reads refractometer and hardness once a week.
    pub(crate) fn is_read_weekly(&self) -> bool {
        let every = self.history.habits.unwrap_or(self.scenario.habits).manual_every;
        self.notes.has_readings() && every.is_some_and(|every| every <= WEEK)
    }

    /// Nothing happens in it that a process alarm should tell.
    pub(crate) fn is_quiet(&self) -> bool {
        self.scenario.judged.quiet
    }

    /// Hardness up to which the forecast counts the days, mg/L as CaCO3.
    pub(crate) fn hardness_limit_mg_l(&self) -> f64 {
        self.scenario.judged.hardness_limit_mg_l.unwrap_or(HARDNESS_LIMIT_MG_L)
    }

    /// Simulated days, rounded up.
    pub(crate) fn days(&self) -> u64 {
        self.scenario.length.as_secs().div_ceil(86_400)
    }
}
