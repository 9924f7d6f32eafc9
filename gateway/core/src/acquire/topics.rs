//! A message of a broker to raw readings: which probes it is for, what it says of each, and whether to believe it.
//!
//! Every message ends in at least one counted [`Fate`], whoever sent it:
//!
//! - A message over the packet limit is refused before anyone looks into it.
//! - A number comes in the unit the message names and leaves in the unit the probe is set to.
//! - A message's own time counts where it lies inside the window around the gateway's clock; outside it the number is
//!   refused with [`Fault::TimeRefused`]. Without an own time the message is of the moment it came.
//!   While the gateway does not believe its own clock ([`TopicMap::doubt_clock`]) it refuses only what is too old, and takes no
//!   retained message.
//! - **Retained messages are not news.** A broker hands the last message of a topic to every new subscriber, be it a
//!   minute or a year old. Without an own time nobody can tell, so it is counted and not used. With an own time it is
//!   used only if it is newer than all the probe has had and no older than the probe's own limit for stale values, and
//!   it is then as old as it says: its `received` is set back by its age, so that the value goes stale when it would
//!   have, had it come by itself. A retained message never makes a fault reading: what was damaged long ago is no
//!   fault of today. So nothing older than its validity reaches a limit.
//! - **Messages come twice.** QoS 1 delivers again after a broken connection. A reading whose own time the probe has
//!   had already is dropped and counted. The last [`TIMES_REMEMBERED`] times of each probe are known, over a restart too
//!   ([`TopicMap::recall`]). A message without a time of its own is taken over again. What a message brought and was lost
//!   on the way to the store is forgotten ([`TopicMap::forget`]), so that one copy of it is taken when it comes again.
//!
//! Topics are strangers' text and are never kept: what is remembered grows with the configuration alone.

#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;

use sumpwarden_protocol::number::Number;
use sumpwarden_protocol::payload::json::{Fields, Pointer, PointerError};
use sumpwarden_protocol::payload::senml::{self, RELATIVE_TIME_BELOW_S, Record};
use sumpwarden_protocol::payload::topic::{Filter, TopicError};
use sumpwarden_protocol::payload::{Stamp, json, plain};

use super::settings::{BrokerSettings, PayloadFormat, TopicPoint};
use crate::model::{Fault, Now, ProbeIndex, Raw, RawReading, Timestamp, Unit, Uptime};

/// Payload times remembered for each probe. Brokers redeliver what was in flight when the connection broke: 20 messages
/// with mosquitto's own setting, 100 with others.
pub const TIMES_REMEMBERED: usize = 256;

/// Times of retained messages remembered for each probe: one a topic, and a probe seldom listens to more than a few.
const RETAINED_REMEMBERED: usize = 16;

/// A message as it came.
#[derive(Clone, Copy, Debug)]
pub struct Message<'a> {
    /// Topic, a stranger's text.
    pub topic: &'a str,
    /// What it carries; none where it was over the packet limit and dropped on the way.
    pub payload: Option<&'a [u8]>,
    /// Kept by the broker from before this subscription.
    pub retained: bool,
    /// With which token what it brings goes to the store; none where nobody hears what becomes of it.
    pub token: Option<u64>,
}

/// What a message came to.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Taken {
    /// Readings, faults among them, in the order of probes and records.
    pub readings: Vec<RawReading>,
    /// What became of it, one entry for each reading it held for each probe; at least one.
    pub fates: Vec<Fate>,
}

impl Taken {
    /// Whether the message is acknowledged by way of the store. A duplicate is, behind its first copy, which may not be
    /// durable yet.
    pub fn waits_for_the_store(&self) -> bool {
        !self.readings.is_empty() || self.fates.contains(&Fate::Duplicate)
    }
}

/// What became of one reading of a message.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Fate {
    /// Taken over.
    Accepted,
    /// The probe has had it.
    Duplicate,
    /// Kept by the broker, and too old or without a time.
    RetainedIgnored,
    /// Refused, with the reason.
    Refused(Refusal),
}

macro_rules! refusals {
    ($($(#[$doc:meta])* $variant:ident $word:literal, $text:literal;)+) => {
        /// Why a reading was refused.
        #[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
        pub enum Refusal { $($(#[$doc])* $variant,)+ }

        impl Refusal {
            /// Every reason.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// Stable word, for counters.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            /// In words.
            pub const fn text(self) -> &'static str {
                match self { $(Self::$variant => $text,)+ }
            }
        }
    };
}

refusals! {
    /// No probe listens to this topic; an old subscription that the broker still keeps.
    UnknownTopic "unknown_topic", "no probe listens to its topic";
    /// Over the packet limit.
    Oversized "oversized", "larger than the packet limit";
    /// A SenML pack without a record for the probe.
    Absent "absent", "no record of the configured name";
    /// Not what the configuration says it is.
    Malformed "malformed", "not what the configuration says it is";
    /// The sender says that it has no value.
    NoValue "no_value", "the sender says it has no value";
    /// NaN or an infinity.
    NotFinite "not_finite", "not a finite number";
    /// An integer over 2^53.
    TooLarge "too_large", "a number too large to hold exactly";
    /// A unit that is unknown or measures something else.
    WrongUnit "wrong_unit", "a unit that does not fit the probe";
    /// A time outside the window.
    TimeRefused "time_refused", "a time too far from the gateway's clock";
}

impl Refusal {
    /// The fault its reading carries.
    const fn fault(self) -> Option<Fault> {
        match self {
            // Of nobody's, and of somebody else's: no fault of the probe.
            Self::UnknownTopic | Self::Absent => None,
            Self::Oversized => Some(Fault::Oversized),
            Self::Malformed => Some(Fault::Malformed),
            Self::NoValue => Some(Fault::NoValue),
            Self::NotFinite => Some(Fault::NotFinite),
            Self::TooLarge => Some(Fault::TooLarge),
            Self::WrongUnit => Some(Fault::WrongUnit),
            Self::TimeRefused => Some(Fault::TimeRefused),
        }
    }
}

/// What a payload says of one value.
struct Said {
    number: Number,
    unit: Option<String>,
    time: SaidTime,
}

/// When a value was taken, as its payload says.
#[derive(Clone, Copy)]
enum SaidTime {
    /// Nothing, or so much before or after the message was sent, in nanoseconds (SenML's relative time).
    Relative(i64),
    /// This instant.
    Own(Timestamp),
}

/// Why settings make no topic map.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum TopicMapError {
    /// A bad filter.
    #[error(transparent)]
    Filter(#[from] TopicError),
    /// A bad pointer.
    #[error(transparent)]
    Pointer(#[from] PointerError),
}

/// What a probe expects of its messages.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Expected {
    /// Unit of a number that names none; one that names another is turned into it.
    pub unit: Unit,
    /// How old a value may be to be worth anything.
    pub stale_after: Duration,
}

/// Which probes listen to what, and what they have had.
#[derive(Clone, Debug)]
pub struct TopicMap {
    points: Vec<ListeningPoint>,
    /// Points whose filter has no wildcard, by topic.
    exact: BTreeMap<String, Vec<usize>>,
    /// Points whose filter has one.
    wild: Vec<usize>,
}

/// One probe's place in the messages of a topic.
#[derive(Clone, Debug)]
struct ListeningPoint {
    probe: ProbeIndex,
    filter: Filter,
    format: Format,
    time_window: (Duration, Duration),
    expected: Expected,
    had: Had,
    /// Latest of all readings taken over, with or without an own time.
    newest: Option<Newest>,
    /// The time it is given is the earliest it can be.
    doubted: bool,
}

/// Own times a probe has had, the last [`TIMES_REMEMBERED`] that came, however old they were: what is sent again came
/// last, and may be a publisher's history. Those of retained messages are kept apart: the message that a topic keeps is the
/// last one of all that wait in the session, and comes again behind them, however many.
#[derive(Clone, Debug, Default)]
struct Had {
    came: VecDeque<Came>,
    times: BTreeSet<Timestamp>,
    retained: VecDeque<Came>,
}

/// A time that came, and the token its value went to the store with.
#[derive(Clone, Copy, Debug)]
struct Came {
    time: Timestamp,
    token: Option<u64>,
}

impl Had {
    fn knows(&self, time: Timestamp) -> bool {
        self.times.contains(&time) || self.retained.iter().any(|came| came.time == time)
    }

    /// What went to the store with these tokens was lost.
    fn forget(&mut self, gone: &BTreeSet<u64>) {
        let lost = |came: &Came| came.token.is_some_and(|token| gone.contains(&token));
        for came in self.came.iter().filter(|came| lost(came)) {
            self.times.remove(&came.time);
        }
        self.came.retain(|came| !lost(came));
        self.retained.retain(|came| !lost(came));
    }

    fn remember_retained(&mut self, came: Came) {
        self.retained.push_back(came);
        if self.retained.len() > RETAINED_REMEMBERED {
            self.retained.pop_front();
        }
    }

    fn remember(&mut self, came: Came) {
        if !self.times.insert(came.time) {
            return;
        }
        self.came.push_back(came);
        if self.came.len() > TIMES_REMEMBERED
            && let Some(first) = self.came.pop_front()
        {
            self.times.remove(&first.time);
        }
    }
}

/// The latest of the readings taken over.
#[derive(Clone, Copy, Debug)]
struct Newest {
    at: Timestamp,
    received: Uptime,
}

/// A payload's format, ready to decode.
#[derive(Clone, Debug)]
enum Format {
    Plain,
    Json(Fields),
    SenmlJson(String),
    SenmlCbor(String),
}

impl TopicMap {
    /// Of a broker's settings; `expected` knows the probes its points name.
    pub fn new(
        broker: &BrokerSettings,
        expected: impl Fn(ProbeIndex) -> Expected,
    ) -> Result<Self, TopicMapError> {
        let mut map = Self { points: Vec::new(), exact: BTreeMap::new(), wild: Vec::new() };
        for topic in &broker.topics {
            let point = ListeningPoint::new(topic, expected(topic.probe))?;
            let slot = map.points.len();
            if topic.filter.contains(['+', '#', '$']) {
                map.wild.push(slot);
            } else {
                map.exact.entry(topic.filter.clone()).or_default().push(slot);
            }
            map.points.push(point);
        }
        Ok(map)
    }

    /// What to subscribe to, each filter once.
    pub fn subscriptions(&self) -> Vec<&str> {
        self.points.iter().map(|p| p.filter.as_str()).collect::<BTreeSet<_>>().into_iter().collect()
    }

    /// Probes that listen, each once, in order.
    pub fn probes(&self) -> Vec<ProbeIndex> {
        self.points.iter().map(|p| p.probe).collect::<BTreeSet<_>>().into_iter().collect()
    }

    /// Reminds it of times that `probe` had before a restart: what the store had and the broker was not told of comes
    /// again.
    pub fn recall(&mut self, probe: ProbeIndex, times: &[Timestamp]) {
        for point in self.points.iter_mut().filter(|point| point.probe == probe) {
            times.iter().for_each(|time| point.had.remember(Came { time: *time, token: None }));
        }
    }

    /// What went to the store with these tokens was lost: its times have not been had.
    pub fn forget(&mut self, gone: &BTreeSet<u64>) {
        if !gone.is_empty() {
            self.points.iter_mut().for_each(|point| point.had.forget(gone));
        }
    }

    /// Whether the gateway's own clock is not believed, so that the time it is given is the earliest it can be.
    pub fn doubt_clock(&mut self, doubted: bool) {
        self.points.iter_mut().for_each(|point| point.doubted = doubted);
    }

    /// What `message` says to the probes that listen to its topic.
    pub fn read(&mut self, message: &Message<'_>, now: Now) -> Taken {
        let mut taken = Taken::default();
        let exact = self.exact.get(message.topic).map_or(&[][..], Vec::as_slice);
        let wild = self.wild.iter().filter(|slot| self.points[**slot].filter.matches(message.topic));
        let mut slots: Vec<usize> = exact.iter().chain(wild).copied().collect();
        slots.sort_unstable();
        for slot in slots {
            self.points[slot].read(message, now, &mut taken);
        }
        if taken.fates.is_empty() {
            taken.fates.push(Fate::Refused(Refusal::UnknownTopic));
        }
        taken
    }
}

impl ListeningPoint {
    fn new(topic: &TopicPoint, expected: Expected) -> Result<Self, TopicMapError> {
        let pointer = |text: &String| text.parse::<Pointer>();
        let format = match &topic.payload {
            PayloadFormat::Plain => Format::Plain,
            PayloadFormat::Json { value, time, unit } => Format::Json(Fields {
                value: pointer(value)?,
                time: time.as_ref().map(pointer).transpose()?,
                unit: unit.as_ref().map(pointer).transpose()?,
            }),
            PayloadFormat::SenmlJson { name } => Format::SenmlJson(name.clone()),
            PayloadFormat::SenmlCbor { name } => Format::SenmlCbor(name.clone()),
        };
        Ok(Self {
            probe: topic.probe,
            filter: topic.filter.parse()?,
            format,
            time_window: topic.time_window,
            expected,
            had: Had::default(),
            newest: None,
            doubted: false,
        })
    }

    fn read(&mut self, message: &Message<'_>, now: Now, taken: &mut Taken) {
        let decoded = match message.payload {
            None => Err(Refusal::Oversized),
            Some(payload) => self.format.decode(payload),
        };
        match decoded {
            Err(refusal) => self.refuse(refusal, message.retained, now, taken),
            Ok(all) => {
                for said in &all {
                    self.take(said, message, now, taken);
                }
            }
        }
    }

    /// One value of a message that could be decoded.
    fn take(&mut self, said: &Said, message: &Message<'_>, now: Now, taken: &mut Taken) {
        let Message { retained, token, .. } = *message;
        let (at, own_time) = match said.time {
            SaidTime::Relative(nanos) => (relative(now.utc.floor_to_millis(), nanos), None),
            SaidTime::Own(time) => (time, Some(time)),
        };
        if !self.believes(at, now) {
            return self.refuse(Refusal::TimeRefused, retained, now, taken);
        }
        // What was believed while the gateway's clock was wrong must not keep out what is true now.
        self.newest = self.newest.filter(|newest| newest.at.since(now.utc) <= self.time_window.1);
        if own_time.is_some_and(|time| self.had.knows(time)) {
            return taken.fates.push(Fate::Duplicate);
        }
        if retained && !own_time.is_some_and(|time| self.is_news(time, now)) {
            return taken.fates.push(Fate::RetainedIgnored);
        }
        let value = match self.value(said) {
            Ok(value) => value,
            Err(refusal) => return self.refuse(refusal, retained, now, taken),
        };
        if let Some(time) = own_time {
            let came = Came { time, token };
            self.had.remember(came);
            if retained {
                self.had.remember_retained(came);
            }
        }
        let received = match said.time {
            // So that its stamp goes with it: that is how it is told from a time that came with a message.
            SaidTime::Relative(nanos) if self.doubted => {
                now.uptime.minus(Duration::from_nanos(nanos.min(0).unsigned_abs()))
            }
            SaidTime::Relative(_) | SaidTime::Own(_) => self.received(at, own_time.is_some(), retained, now),
        };
        if self.newest.is_none_or(|newest| at > newest.at) {
            self.newest = Some(Newest { at, received });
        }
        taken.readings.push(RawReading { probe: self.probe, at, received, raw: Raw::Number(value) });
        taken.fates.push(Fate::Accepted);
    }

    /// When a reading counts as received. One that comes behind a younger one stands before it by as much as their own
    /// times are apart, so that nobody takes it for the latest; without a time of its own it is never late, because the
    /// gateway's clock may have been set back.
    fn received(&self, at: Timestamp, own_time: bool, retained: bool, now: Now) -> Uptime {
        let age = if retained { now.utc.since(at) } else { Duration::ZERO };
        let received = now.uptime.minus(age);
        match self.newest {
            Some(newest) if own_time && at < newest.at => newest.received.minus(newest.at.since(at)),
            Some(newest) => received.max(newest.received),
            None => received,
        }
    }

    /// Whether a value of this time can be true.
    fn believes(&self, at: Timestamp, now: Now) -> bool {
        let (behind, ahead) = self.time_window;
        now.utc.since(at) <= behind && (self.doubted || at.since(now.utc) <= ahead)
    }

    /// Whether a retained reading of this time, which was not had, still says something. One as young as the youngest was
    /// that one itself, and lost.
    fn is_news(&self, time: Timestamp, now: Now) -> bool {
        !self.doubted
            && now.utc.since(time) <= self.expected.stale_after
            && self.newest.is_none_or(|newest| time >= newest.at)
    }

    /// The number in the probe's unit.
    fn value(&self, said: &Said) -> Result<f64, Refusal> {
        let number = match said.number {
            Number::Value(value) => value,
            Number::NoValue => return Err(Refusal::NoValue),
            Number::NotFinite => return Err(Refusal::NotFinite),
            Number::TooLarge => return Err(Refusal::TooLarge),
        };
        let Some(unit) = &said.unit else { return Ok(number) };
        let unit = Unit::parse(unit).ok_or(Refusal::WrongUnit)?;
        let value = unit.convert(number, self.expected.unit).ok_or(Refusal::WrongUnit)?;
        if value.is_finite() { Ok(value) } else { Err(Refusal::NotFinite) }
    }

    fn refuse(&self, refusal: Refusal, retained: bool, now: Now, taken: &mut Taken) {
        taken.fates.push(Fate::Refused(refusal));
        if let Some(fault) = refusal.fault().filter(|_| !retained) {
            taken.readings.push(RawReading {
                probe: self.probe,
                at: now.utc.floor_to_millis(),
                received: now.uptime,
                raw: Raw::Fault(fault),
            });
        }
    }
}

impl Format {
    /// What the payload says of the value: one, or in a SenML pack one for each record of the name.
    fn decode(&self, payload: &[u8]) -> Result<Vec<Said>, Refusal> {
        match self {
            Self::Plain => {
                let number = plain::decode(payload).map_err(|_| Refusal::Malformed)?;
                Ok(vec![Said { number, unit: None, time: SaidTime::Relative(0) }])
            }
            Self::Json(fields) => {
                let reading = json::decode(payload, fields).map_err(|_| Refusal::Malformed)?;
                let time = match reading.time {
                    None => SaidTime::Relative(0),
                    Some(Stamp::Nanos(nanos)) => SaidTime::Own(Timestamp::from_nanos(nanos)),
                    Some(Stamp::Text(text)) => {
                        SaidTime::Own(Timestamp::parse(&text).map_err(|_| Refusal::Malformed)?)
                    }
                };
                Ok(vec![Said { number: reading.number, unit: reading.unit, time }])
            }
            // Resolved against the start of 1970, a relative time stays the small number it is.
            Self::SenmlJson(name) => {
                pick(senml::decode_json(payload, 0).map_err(|_| Refusal::Malformed)?, name)
            }
            Self::SenmlCbor(name) => {
                pick(senml::decode_cbor(payload, 0).map_err(|_| Refusal::Malformed)?, name)
            }
        }
    }
}

/// The records of `name`, or every record that holds a number if the name is empty.
fn pick(records: Vec<Record>, name: &str) -> Result<Vec<Said>, Refusal> {
    let mut all = Vec::new();
    for record in records.into_iter().filter(|r| name.is_empty() || r.name == name) {
        match record.number() {
            Some(number) => all.push(Said { number, time: senml_time(record.time_nanos), unit: record.unit }),
            None if name.is_empty() => {}
            None => return Err(Refusal::Malformed),
        }
    }
    if all.is_empty() { Err(Refusal::Absent) } else { Ok(all) }
}

fn senml_time(nanos: i64) -> SaidTime {
    if (nanos as f64) < RELATIVE_TIME_BELOW_S * 1e9 {
        SaidTime::Relative(nanos)
    } else {
        SaidTime::Own(Timestamp::from_nanos(nanos))
    }
}

fn relative(now: Timestamp, nanos: i64) -> Timestamp {
    let distance = Duration::from_nanos(nanos.unsigned_abs());
    if nanos < 0 { now.minus(distance) } else { now.plus(distance) }
}
