//! Messages that carry people's notes: which they are, and what they say.

use std::sync::Arc;
use std::time::Duration;

use rumqttc::Publish;
use sumpwarden_core::acquire::settings::NotesTopic;
use sumpwarden_core::estimate::note::Note;
use sumpwarden_core::estimate::note::draft::{Draft, NoteBook, NoteRefusal, Refused};
use sumpwarden_protocol::payload::topic::{Filter, TopicError};

use super::sieve::Mark;
use crate::edge::clock::Clock;

/// How far apart the times of two copies of one message without a time of its own may lie: a broker sends again what was
/// not acknowledged as soon as we are back.
const REDELIVERED_WITHIN: Duration = Duration::from_secs(3600);

/// Where notes come from at one broker.
#[derive(Clone, Debug)]
pub struct NoteEar {
    settings: NotesTopic,
    filter: Filter,
    book: Arc<NoteBook>,
}

/// A note that was heard.
pub(super) struct Heard {
    pub(super) note: Note,
    pub(super) same_within: Duration,
}

impl NoteEar {
    /// Of these settings; notes may be of what `book` holds.
    ///
    /// # Errors
    /// If the filter is none.
    pub fn new(settings: &NotesTopic, book: Arc<NoteBook>) -> Result<Self, TopicError> {
        Ok(Self { filter: settings.filter.parse()?, settings: settings.clone(), book })
    }

    /// What to subscribe to.
    pub(super) fn filter(&self) -> &str {
        &self.settings.filter
    }

    /// The note in a message; none where its topic carries none.
    pub(super) fn read(&self, publish: &Publish, mark: Mark, clock: Clock) -> Option<Result<Heard, Refused>> {
        let topic = std::str::from_utf8(&publish.topic).ok().filter(|topic| self.filter.matches(topic))?;
        let payload = (!mark.is(&publish.payload)).then_some(&publish.payload[..]);
        Some(self.heard(topic, payload, publish, clock))
    }

    fn heard(
        &self,
        topic: &str,
        payload: Option<&[u8]>,
        publish: &Publish,
        clock: Clock,
    ) -> Result<Heard, Refused> {
        let too_large = || {
            Refused::new(
                NoteRefusal::Oversized,
                "the message is over the packet limit",
                "send a shorter note",
            )
        };
        let mut draft = Draft::parse(payload.ok_or_else(too_large)?)?;
        let level =
            |place: Option<usize>| place.and_then(|place| topic.split('/').nth(place)).map(str::to_owned);
        draft.sump = draft.sump.or_else(|| level(self.settings.sump_level));
        draft.by = draft.by.or_else(|| level(self.settings.by_level));
        if publish.retain && draft.at.is_none() {
            let what = "the broker had kept this note, and it says no time";
            return Err(Refused::new(
                NoteRefusal::Retained,
                what,
                "publish notes without `retain`, or with `at`",
            ));
        }
        let again = publish.dup && draft.at.is_none();
        let note = self.book.check(&draft, clock.utc())?;
        Ok(Heard { note, same_within: if again { REDELIVERED_WITHIN } else { Duration::ZERO } })
    }
}

#[cfg(test)]
mod tests {
    use rumqttc::QoS;
    use sumpwarden_core::model::{Name, SumpIndex};

    use super::*;

    fn ear() -> NoteEar {
        let settings =
            NotesTopic { filter: "hall/+/+/note".to_owned(), sump_level: Some(1), by_level: Some(2) };
        let sumps = ["lathe-3", "mill-1"].map(|name| (Name::new(name).unwrap(), Vec::new())).to_vec();
        NoteEar::new(&settings, Arc::new(NoteBook::new(sumps))).unwrap()
    }

    fn heard(
        topic: &str,
        payload: impl Into<Vec<u8>>,
        dup: bool,
        retain: bool,
    ) -> Option<Result<Heard, NoteRefusal>> {
        let mut publish = Publish::new(topic, QoS::AtLeastOnce, payload.into());
        (publish.dup, publish.retain) = (dup, retain);
        let read = ear().read(&publish, Mark::draw(), Clock);
        read.map(|read| read.map_err(|refused| refused.why))
    }

    #[test]
    fn a_topic_says_what_the_message_does_not() {
        let bare = r#"{"kind":"inspected"}"#;
        let note = heard("hall/mill-1/kim/note", bare, false, false).unwrap().ok().unwrap().note;
        assert_eq!((note.sump, note.by.unwrap().as_str()), (SumpIndex(1), "kim"));
        let full = r#"{"sump":"lathe-3","kind":"inspected","by":"Ito"}"#;
        let note = heard("hall/mill-1/kim/note", full, false, false).unwrap().ok().unwrap().note;
        assert_eq!((note.sump, note.by.unwrap().as_str()), (SumpIndex(0), "Ito"), "the message counts");
        assert!(heard("hall/mill-1/note", bare, false, false).is_none(), "no topic of notes");
        assert_eq!(
            heard("hall/saw/kim/note", bare, false, false).unwrap().err(),
            Some(NoteRefusal::UnknownSump)
        );
        assert_eq!(
            heard("hall/mill-1/\u{202e}/note", bare, false, false).unwrap().err(),
            Some(NoteRefusal::BadText)
        );
    }

    #[test]
    fn only_a_second_copy_without_a_time_is_known_by_its_content() {
        let timed = format!(r#"{{"kind":"inspected","at":"{}"}}"#, Clock.utc());
        let bare = r#"{"kind":"inspected"}"#.to_owned();
        for (json, dup, within) in [
            (&bare, false, Duration::ZERO),
            (&bare, true, REDELIVERED_WITHIN),
            (&timed, false, Duration::ZERO),
            (&timed, true, Duration::ZERO),
        ] {
            let heard = heard("hall/mill-1/kim/note", json.as_bytes(), dup, false).unwrap().ok().unwrap();
            assert_eq!(heard.same_within, within, "{json} {dup}");
        }
        assert_eq!(
            heard("hall/mill-1/kim/note", bare, false, true).unwrap().err(),
            Some(NoteRefusal::Retained)
        );
        assert!(
            heard("hall/mill-1/kim/note", timed, false, true).unwrap().is_ok(),
            "its time says whether it is news"
        );
        let large = " ".repeat((64 << 10) + 1);
        assert_eq!(
            heard("hall/mill-1/kim/note", large, false, false).unwrap().err(),
            Some(NoteRefusal::Oversized)
        );
    }
}
