//! What comes in beside readings, and what is handed to the store together.
//!
//! Lines and peers that come and go, notes and orders of people, what receivers answered: each becomes inputs of the
//! engine and entries of the journal. Whatever waits for something to be durable (a broker for its acknowledgement, a
//! person for an answer) is an [`Ack`] that goes to the store in one transaction with what it is about.

use std::collections::BTreeMap;
use std::time::Duration;

use super::calibration::{CalibrationFor, ProbeCalibrationView, Step};
use super::notes::NoteView;
use super::{AlarmFor, Engine, Input, Outbound};
use crate::acquire::standby::Event;
use crate::alarm::condition::Fault;
use crate::alarm::order::{Order, Said};
use crate::alarm::settings::FaultKey;
use crate::estimate::note::Note;
use crate::estimate::note::draft::{Draft, NoteBook, Refused};
use crate::model::{Ack, Batch, BrokerIndex, BusIndex, Name, Now, RawReading, Uptime};
use crate::notify::Reached;
use crate::store::record::{JournalRecord, RecordKind};

/// What becomes durable together, or not at all.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct HandOver {
    /// What the engine has to say.
    pub out: Outbound,
    /// Given back once all of it is durable.
    pub acks: Vec<Ack>,
    /// A state has changed: to be written now rather than within a second.
    pub at_once: bool,
}

/// The engine behind everything that comes in.
#[derive(Debug)]
pub struct Intake {
    engine: Engine,
    book: NoteBook,
    out: Outbound,
    acks: Vec<Ack>,
}

impl Intake {
    /// Before `engine`, which has been restored.
    pub fn new(engine: Engine) -> Self {
        Self { book: engine.settings().note_book(), engine, out: Outbound::default(), acks: Vec::new() }
    }

    /// The engine.
    pub fn engine(&self) -> &Engine {
        &self.engine
    }

    /// A new configuration takes over: `engine`, which has seen nothing yet, goes on from where the one before stands. What that one
    /// had to say has been handed over. Gives what [`Engine::take_over`] gives.
    pub fn take_over(&mut self, now: Now, engine: Engine, stored: &BTreeMap<String, Vec<u8>>) -> Vec<String> {
        let before = std::mem::replace(&mut self.engine, engine);
        let unreadable = self.engine.take_over(now, before, stored);
        self.book = self.engine.settings().note_book();
        unreadable
    }

    /// Something that happened to the gateway itself, for the journal.
    pub fn remark(&mut self, now: Now, (subject, state): (&str, &str), message: String) {
        self.out.journal.push(JournalRecord {
            at: now.utc,
            kind: RecordKind::Instrument,
            sump: None,
            subject: subject.to_owned(),
            state: state.to_owned(),
            priority: None,
            value: None,
            message,
        });
    }

    /// The wall clock is not believed, and why, or is from now on.
    pub fn doubt_clock(&mut self, now: Now, why: Option<String>) {
        self.engine.doubt_clock(now, why);
    }

    /// Only time has passed.
    pub fn tick(&mut self, now: Now) {
        self.engine.handle(now, Input::Tick);
    }

    /// When [`Self::tick`] is due, if nothing else comes before.
    pub fn poll_timeout(&self) -> Option<Uptime> {
        self.engine.poll_timeout()
    }

    /// Readings of a bus.
    pub fn readings(&mut self, now: Now, readings: &[RawReading]) {
        self.engine.handle(now, Input::Readings(readings));
    }

    /// What one message of a broker brought.
    pub fn batch(&mut self, now: Now, batch: &Batch) {
        if !batch.readings.is_empty() {
            self.engine.handle(now, Input::Readings(&batch.readings));
        }
        self.acks.extend(batch.ack);
    }

    /// A note, unless it was taken before; true if it was. What it is acknowledged by waits for it either way.
    pub fn note(&mut self, now: Now, note: &Note, same_within: Duration, ack: Option<Ack>) -> bool {
        let copy = self.engine.knows_note(note, same_within);
        if !copy {
            self.engine.handle(now, Input::Note(note));
        }
        self.acks.extend(ack);
        copy
    }

    /// A note as somebody sends it. `wait` keeps the answer until it is durable.
    pub fn draft(
        &mut self,
        now: Now,
        draft: &Draft,
        wait: impl FnOnce(NoteView) -> Ack,
    ) -> Result<(), Refused> {
        let note = self.book.check(draft, now.utc)?;
        let copy = self.note(now, &note, Duration::ZERO, None);
        let view = self.engine.note_view(now, &note, copy);
        self.acks.push(wait(view));
        Ok(())
    }

    /// What somebody wants done about an alarm. `wait` keeps the answer until it is durable.
    pub fn order(
        &mut self,
        now: Now,
        alarm: &str,
        order: Order,
        said: Said<'_>,
        wait: impl FnOnce() -> Ack,
    ) -> Result<(), AlarmFor> {
        self.engine.order(now, alarm, order, said)?;
        self.acks.push(wait());
        Ok(())
    }

    /// What somebody does about the calibration of a probe. `wait` keeps the answer until it is durable.
    pub fn calibrate(
        &mut self,
        now: Now,
        (sump, probe): (&str, &str),
        step: &Step,
        wait: impl FnOnce(ProbeCalibrationView) -> Ack,
    ) -> Result<(), CalibrationFor> {
        let view = self.engine.calibrate(now, sump, probe, step)?;
        self.acks.push(wait(view));
        Ok(())
    }

    /// A bus is open, or is not and why.
    pub fn bus(&mut self, now: Now, bus: BusIndex, broken: Option<&str>) {
        let name = self.engine.settings().buses[bus.slot()].name.clone();
        self.link(now, Fault::Bus, &name, connected(broken), broken);
    }

    /// Another box polls a bus from now on, or no longer.
    pub fn standing_by(&mut self, now: Now, bus: BusIndex, stands_by: bool) {
        let state = if stands_by { "standing by" } else { "polling" };
        self.tell_of_bus(now, bus, state, String::new());
        self.engine.handle(now, Input::StandingBy(bus, stands_by));
    }

    /// What has happened between the boxes that share a bus.
    pub fn lease(&mut self, now: Now, bus: BusIndex, event: &Event) {
        self.tell_of_bus(now, bus, event.state(), event.to_string());
    }

    fn tell_of_bus(&mut self, now: Now, bus: BusIndex, state: &str, message: String) {
        let of = self.engine.settings().buses[bus.slot()].name.to_string();
        self.out.journal.push(JournalRecord {
            at: now.utc,
            kind: RecordKind::Instrument,
            sump: None,
            subject: FaultKey { fault: Fault::Standby, of }.name(),
            state: state.to_owned(),
            priority: None,
            value: None,
            message,
        });
    }

    /// A broker has accepted us, or has not and why.
    pub fn broker(&mut self, now: Now, broker: BrokerIndex, broken: Option<&str>) {
        let name = self.engine.settings().brokers[broker.slot()].name.clone();
        self.link(now, Fault::Broker, &name, connected(broken), broken);
    }

    /// Whether messages get through: an event of its own, for its alarm to judge, and for whoever comes next where one was
    /// refused for good.
    pub fn receiver(&mut self, now: Now, receiver: &Name, what: &Reached) {
        let (state, broken) = match what {
            Reached::Yes => ("reached", None),
            Reached::No { why } => ("not reached", Some(why.as_str())),
            Reached::Refused { why, .. } => ("refused", Some(why.as_str())),
        };
        self.link(now, Fault::Receiver, receiver, state, broken);
        if let Reached::Refused { keys, .. } = what {
            self.engine.handle(now, Input::Undelivered(receiver, keys));
        }
    }

    /// A fault found elsewhere, with how it shows, or that it is over.
    pub fn fault(&mut self, now: Now, key: &FaultKey, shows: Option<&str>) {
        self.engine.handle(now, Input::Fault(key, shows.is_some(), shows.unwrap_or_default()));
    }

    /// Everything that has arisen since the last call; none if nothing has.
    pub fn hand_over(&mut self) -> Option<HandOver> {
        self.engine.drain(&mut self.out);
        if self.out.is_empty() && self.acks.is_empty() {
            return None;
        }
        let out = std::mem::take(&mut self.out);
        let at_once = !out.journal.is_empty();
        Some(HandOver { out, acks: std::mem::take(&mut self.acks), at_once })
    }

    /// A line or a peer is there, or is not and why: an event of its own, and for its alarm to judge.
    fn link(&mut self, now: Now, fault: Fault, of: &Name, state: &str, broken: Option<&str>) {
        let key = FaultKey { fault, of: of.to_string() };
        let shows = broken.unwrap_or_default();
        self.remark(now, (&key.name(), state), shows.to_owned());
        self.engine.handle(now, Input::Fault(&key, broken.is_some(), shows));
    }
}

const fn connected(broken: Option<&str>) -> &'static str {
    if broken.is_some() { "not connected" } else { "connected" }
}
