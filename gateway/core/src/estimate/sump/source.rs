//! Which probe tells what of a sump, and when a reading of it says something of now.

use crate::estimate::settings::SumpProbes;
use crate::model::{Measurement, Quality, Reason, Status};

/// What a probe is to the sump.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Source {
    Level(usize),
    Conductivity,
    Temperature,
    Ph,
    Pump,
    Meter,
}

impl Source {
    /// Whether a sump can show this at all; what it cannot is no reading of it, whatever the probe's own range allows.
    fn can_be(self, value: f64) -> bool {
        let (least, most) = match self {
            Self::Level(_) => (-1e3, 1e5),
            Self::Conductivity => (0.0, 1e6),
            Self::Temperature => (-50.0, 150.0),
            Self::Ph => (0.0, 14.0),
            Self::Pump => (0.0, 1.0),
            Self::Meter => (0.0, 1e12),
        };
        (least..=most).contains(&value)
    }
}

/// The probes of a sump: those from its first to its last one, with what each is to the sump.
#[derive(Clone, Debug)]
pub(crate) struct Sources {
    first: usize,
    from_first: Vec<Option<Source>>,
}

impl Sources {
    pub(crate) fn new(probes: &SumpProbes) -> Self {
        let all = [
            (probes.level[0], Source::Level(0)),
            (probes.level[1], Source::Level(1)),
            (probes.conductivity, Source::Conductivity),
            (probes.temperature, Source::Temperature),
            (probes.ph, Source::Ph),
            (probes.pump, Source::Pump),
            (probes.makeup_total, Source::Meter),
        ];
        let places = || all.iter().filter_map(|(probe, source)| Some((probe.as_ref()?.0 as usize, *source)));
        let first = places().map(|(place, _)| place).min().unwrap_or(0);
        let last = places().map(|(place, _)| place).max().unwrap_or(0);
        let mut from_first = vec![None; last - first + 1];
        // The first name of a probe that stands for several things counts.
        places().rev().for_each(|(place, source)| from_first[place - first] = Some(source));
        Self { first, from_first }
    }

    /// Whether the sump has such a probe.
    pub(crate) fn has(&self, source: Source) -> bool {
        self.from_first.contains(&Some(source))
    }

    /// What a measurement is to the sump, and its value where that is one of now.
    pub(crate) fn read(&self, measurement: &Measurement) -> Option<(Source, Option<f64>)> {
        let source = (*self.from_first.get((measurement.probe.0 as usize).wrapping_sub(self.first))?)?;
        let value = measurement.measured.usable().filter(|_| tells_of_now(measurement.measured.quality()));
        Some((source, value.filter(|value| source.can_be(*value))))
    }
}

/// Whether a usable value is a new one: not held for a silent device, not frozen, not a jump still to be confirmed.
fn tells_of_now(quality: Quality) -> bool {
    !matches!(
        quality.status,
        Status::UncertainNoCommunicationLastUsableValue | Status::UncertainLastUsableValue
    ) && !matches!(quality.reason, Reason::Frozen | Reason::Spike | Reason::Stale)
}
