//! The shapes of what is kept. They name things by name, never by index: a store outlives the configuration.

use std::fmt;

use schemars::JsonSchema;
use serde::Serialize;

use crate::model::{Name, Quality, Quantity, Timestamp};

/// One stored series. Its text form is stable for ever: `probe/lathe-1/ph`, `estimate/lathe-1/liquid_l`,
/// `estimate/lathe-1/liquid_l/low90`.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
pub struct SeriesKey {
    /// Whose.
    pub sump: Name,
    /// Of what.
    pub source: SeriesSource,
    /// What is measured; gives the unit.
    pub quantity: Quantity,
}

/// Where a series comes from.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
pub enum SeriesSource {
    /// A probe of the sump, by name.
    Probe(Name),
    /// An estimate, by its stable word (`concentration_percent`, `liquid_l`, …), or one end of its 90 % interval.
    Estimate {
        /// Stable word.
        word: &'static str,
        /// Value or end of the interval.
        bound: Bound,
    },
}

/// Value of an estimate or an end of its 90 % interval.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Bound {
    /// The value.
    Value,
    /// Lower end.
    Low90,
    /// Upper end.
    High90,
}

impl fmt::Display for SeriesKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.source {
            SeriesSource::Probe(probe) => write!(f, "probe/{}/{probe}", self.sump),
            SeriesSource::Estimate { word, bound } => {
                write!(f, "estimate/{}/{word}", self.sump)?;
                f.write_str(match bound {
                    Bound::Value => "",
                    Bound::Low90 => "/low90",
                    Bound::High90 => "/high90",
                })
            }
        }
    }
}

/// One entry of the journal: an alarm transition, an event of a sump, a fault of the gateway itself.
#[derive(Clone, PartialEq, Debug)]
pub struct JournalRecord {
    /// When.
    pub at: Timestamp,
    /// What sort.
    pub kind: RecordKind,
    /// Whose; none for the gateway itself.
    pub sump: Option<Name>,
    /// Alarm or event name: `ph-low`, `instrument/ph`, `topup`.
    pub subject: String,
    /// State it came to (`UNACK`, `RTNUN`, …) or the event's word.
    pub state: String,
    /// Priority word of an alarm.
    pub priority: Option<&'static str>,
    /// Value at that moment.
    pub value: Option<f64>,
    /// In words.
    pub message: String,
}

impl JournalRecord {
    /// What happened in a sump: `subject` is the event's name, `word` what it is or what its value counts.
    pub fn event(
        at: Timestamp,
        sump: &Name,
        (subject, word): (&str, &str),
        value: Option<f64>,
        message: String,
    ) -> Self {
        Self {
            at,
            kind: RecordKind::Event,
            sump: Some(sump.clone()),
            subject: subject.to_owned(),
            state: word.to_owned(),
            priority: None,
            value,
            message,
        }
    }
}

/// Sort of a journal entry.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RecordKind {
    /// Process alarm.
    Alarm,
    /// Instrument alarm: probe, bus, broker, store, forwarder, clock.
    Instrument,
    /// Event of a sump.
    Event,
}

impl RecordKind {
    /// Stable word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Alarm => "alarm",
            Self::Instrument => "instrument",
            Self::Event => "event",
        }
    }
}

/// A stored series, by the number the store gave its key. It never changes and is never given twice.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct SeriesId(pub u32);

/// One kept point of a series.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Point {
    /// Stamp; unique within its series.
    pub at: Timestamp,
    /// The device's own number, if it gave one. Finite.
    pub raw: Option<f64>,
    /// The engineering value, if it is usable. Finite.
    pub value: Option<f64>,
    /// How good it is and why.
    pub quality: Quality,
}

/// One series of the store.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct StoredSeries {
    /// Its number.
    pub id: SeriesId,
    /// Text of its key: `probe/lathe-1/ph`.
    pub text: String,
    /// Word of its quantity: `ph`.
    pub quantity: String,
}

/// The text of a series' key, taken apart.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SeriesParts<'a> {
    /// Whose.
    pub sump: &'a str,
    /// Whether it is an estimate.
    pub estimated: bool,
    /// Name of the probe, or word of the estimate.
    pub of: &'a str,
    /// Of an estimate: empty for its value, or the end of the interval.
    pub bound: &'a str,
}

impl StoredSeries {
    /// What its key says; none for a key that is none of ours.
    pub fn parts(&self) -> Option<SeriesParts<'_>> {
        let mut pieces = self.text.splitn(4, '/');
        let (sort, sump, of) = (pieces.next()?, pieces.next()?, pieces.next()?);
        Some(SeriesParts { sump, estimated: sort == "estimate", of, bound: pieces.next().unwrap_or("") })
    }
}

/// One record of the journal as it is kept.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct JournalEntry {
    /// Number, in order of arrival.
    #[serde(skip)]
    pub id: i64,
    /// Stamp; no two records have the same.
    #[schemars(with = "String")]
    pub at: Timestamp,
    /// `alarm`, `instrument` or `event`.
    pub kind: String,
    /// Whose; none for the gateway itself.
    pub sump: Option<String>,
    /// Alarm or event name.
    pub subject: String,
    /// State it came to, or the event's word.
    pub state: String,
    /// Priority word of an alarm.
    pub priority: Option<String>,
    /// Value at that moment.
    pub value: Option<f64>,
    /// In words. Untrusted text.
    pub message: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_series_belongs_to_the_sump_that_its_key_names() {
        let part = |text: &str, sump: &str| {
            let (id, quantity) = (SeriesId(1), String::new());
            let series = StoredSeries { id, text: text.to_owned(), quantity };
            let parts = series.parts().filter(|parts| parts.sump == sump)?;
            Some((parts.estimated, parts.of.to_owned(), parts.bound.to_owned()))
        };
        let some = |estimated, of: &str, bound: &str| Some((estimated, of.to_owned(), bound.to_owned()));
        assert_eq!(part("probe/lathe-1/ph", "lathe-1"), some(false, "ph", ""));
        assert_eq!(part("estimate/lathe-1/liquid_l/low90", "lathe-1"), some(true, "liquid_l", "low90"));
        assert_eq!(part("probe/lathe-10/ph", "lathe-1"), None);
        assert_eq!(part("probe", "lathe-1"), None);
    }
}
