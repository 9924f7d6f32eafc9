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
