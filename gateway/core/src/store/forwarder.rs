//! What a forwarder does next: whoever holds the store and the line asks [`Forwarder::next`], does it, and says what came
//! of it.
//!
//! ```text
//!   begin ──▶ live stretch: read, send, record ──▶ journal: read, send, record ──▶ backlog, a read at a time ──┐
//!                 ▲                                                                                            │
//!                 └─────────────────────────── every second ◀──────────────────────────────────────────────────┘
//! ```
//!
//! Live points go first. When the live stretch could not be emptied for [`Waits::live_late`] (after an outage, after a
//! restart with a backlog) it is split: what is owed so far becomes a backlog, drained oldest first a read at a time, and
//! the live end begins at the newest commit, so that fresh points arrive within seconds meanwhile.
//!
//! An answer moves the cursor only when it is final: taken, or refused for good line by line. Whatever else happens, the
//! same lines are sent again; their tags and stamps make them the same points.

use std::time::Duration;

use super::JournalEntry;
use super::cursor::{Cursor, Stretch};
use super::forward::{Delivered, ForwardTotals, Parked, Read};
use super::parcel::{Answer, LINES_MAX, Lines, Parcel, Settled, Sizes};
use crate::acquire::backoff::Backoff;
use crate::model::Uptime;

/// Journal records of one request.
pub const JOURNAL_MAX: u32 = 500;

/// Waits, as a whole so that a test can shorten them together.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Waits {
    /// How often the store is asked for live points.
    pub live_every: Duration,
    /// From when on live points must not wait behind older ones.
    pub live_late: Duration,
    /// First and longest wait after a passing failure.
    pub retry: (Duration, Duration),
    /// Between attempts where people have to act.
    pub not_allowed_every: Duration,
}

impl Default for Waits {
    fn default() -> Self {
        Self {
            live_every: Duration::from_secs(1),
            live_late: Duration::from_secs(4),
            retry: (Duration::from_secs(1), Duration::from_secs(300)),
            not_allowed_every: Duration::from_secs(60),
        }
    }
}

/// What to do now.
#[derive(Clone, PartialEq, Debug)]
pub enum Errand {
    /// Ask the store where this forwarder stands; then [`Forwarder::stands`].
    Begin,
    /// Have what is owed so far made a backlog of its own; then [`Forwarder::stands`].
    Split,
    /// Read points of this stretch, at most [`LINES_MAX`]; then [`Forwarder::read`].
    Read(Stretch),
    /// Read journal records from this number on, at most [`JOURNAL_MAX`]; then [`Forwarder::read_journal`].
    ReadJournal(i64),
    /// Send [`Forwarder::portion`]; then [`Forwarder::answered`].
    Send,
    /// Have this recorded; then [`Forwarder::stands`] once that is durable.
    Record(Box<Delivered>),
    /// Have recorded that journal records before this number are done with, but for those lines; then
    /// [`Forwarder::stands`] once that is durable.
    RecordJournal(i64, Vec<Parked>),
    /// Nothing before this instant.
    Wait(Uptime),
}

/// What is under way.
#[derive(Clone, PartialEq, Debug)]
enum State {
    Begin,
    /// Between two errands.
    Rest,
    Reading(Which),
    /// What was read from there is sent if that moves nothing.
    Splitting(Box<Read>, Lines, Cursor),
    ReadingJournal,
    Sending(Parcel, Then),
    Recording(Errand, Then),
    /// Points and journal have been looked at; the backlog is next.
    Turned,
}

/// A stretch that is being read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Which {
    /// The live one, asked at that instant, after the live end was emptied too long ago or not.
    Live(Uptime, bool),
    Backlog(Stretch),
}

/// What is being delivered.
#[derive(Clone, PartialEq, Debug)]
enum Then {
    /// Points; with whether they were all there were.
    Points(Which, bool, Box<Delivered>, u64),
    Journal(i64),
}

/// One forwarder.
#[derive(Clone, Debug)]
pub struct Forwarder {
    waits: Waits,
    backoff: Backoff,
    sizes: Sizes,
    totals: Option<ForwardTotals>,
    emptied: Option<Uptime>,
    asked: Option<Uptime>,
    not_before: Option<Uptime>,
    state: State,
}

impl Forwarder {
    /// One that knows nothing yet. The same `seed` gives the same waits.
    pub fn new(waits: Waits, seed: u64) -> Self {
        Self {
            waits,
            backoff: Backoff::new(waits.retry.0, waits.retry.1, seed),
            sizes: Sizes::default(),
            totals: None,
            emptied: None,
            asked: None,
            not_before: None,
            state: State::Begin,
        }
    }

    /// Where it stands, as far as it knows.
    pub fn totals(&self) -> Option<&ForwardTotals> {
        self.totals.as_ref()
    }

    /// Lines and bytes that the other side is known to take at once.
    pub fn sizes(&self) -> Sizes {
        self.sizes
    }

    /// What to do now.
    pub fn next(&mut self, now: Uptime) -> Errand {
        if let Some(until) = self.not_before.filter(|until| *until > now) {
            return Errand::Wait(until);
        }
        self.not_before = None;
        loop {
            let Some(totals) = &self.totals else { return Errand::Begin };
            match &mut self.state {
                State::Begin => return Errand::Begin,
                State::Rest => {
                    let due = self.asked.is_none_or(|asked| now.since(asked) >= self.waits.live_every);
                    self.state = if due { State::Reading(self.live(now)) } else { State::Turned };
                    if due {
                        self.asked = Some(now);
                    }
                }
                State::Turned => match totals.pending.backlog() {
                    Some(stretch) => self.state = State::Reading(Which::Backlog(stretch)),
                    None => {
                        self.state = State::Rest;
                        let due = self.asked.map_or(now, |asked| asked.plus(self.waits.live_every));
                        return Errand::Wait(due);
                    }
                },
                State::Reading(Which::Live(..)) => return Errand::Read(totals.pending.live()),
                State::Reading(Which::Backlog(stretch)) => return Errand::Read(*stretch),
                State::Splitting(..) => return Errand::Split,
                State::ReadingJournal => return Errand::ReadJournal(totals.journal_from),
                State::Sending(parcel, _) => {
                    if parcel.cut(self.sizes) {
                        return Errand::Send;
                    }
                    self.sent();
                }
                State::Recording(errand, _) => return errand.clone(),
            }
        }
    }

    /// What to send, when [`Self::next`] says so.
    pub fn portion(&self) -> &str {
        match &self.state {
            State::Sending(parcel, _) => parcel.portion(),
            _ => "",
        }
    }

    /// The store said where the forwarder stands.
    pub fn stands(&mut self, now: Uptime, totals: ForwardTotals) {
        self.state = match std::mem::replace(&mut self.state, State::Rest) {
            State::Splitting(read, lines, from) => {
                self.emptied = Some(now);
                match totals.pending.live().from == from {
                    true => Self::deliver(Which::Live(now, false), *read, lines, false, from),
                    false => State::Reading(self.live(now)),
                }
            }
            State::Recording(_, Then::Points(which, all, ..)) => self.after(which, all, now),
            State::Recording(_, Then::Journal(_)) => State::Turned,
            _ => State::Rest,
        };
        self.totals = Some(totals);
    }

    /// What was read of a stretch, and its lines.
    pub fn read(&mut self, now: Uptime, mut read: Read, lines: Lines) {
        let State::Reading(which) = self.state else { return };
        let Some(totals) = &self.totals else { return };
        let all = read.points.len() < LINES_MAX;
        let from = match which {
            Which::Live(..) => totals.pending.live().from,
            Which::Backlog(stretch) => stretch.from,
        };
        match which {
            Which::Live(_, true) if !all => {
                self.state = State::Splitting(Box::new(read), lines, from);
                return;
            }
            // Nothing is held of the rest of it.
            Which::Backlog(stretch) if read.points.is_empty() && read.damaged == 0 => {
                read.next = stretch.until.map_or(read.next, Cursor::before);
            }
            Which::Live(..) | Which::Backlog(_) => {}
        }
        self.state = match which {
            _ if read.next != from => Self::deliver(which, read, lines, all, from),
            Which::Live(..) => self.after(which, all, now),
            Which::Backlog(_) => State::Begin,
        };
    }

    /// What was read of the journal, and its lines.
    pub fn read_journal(&mut self, entries: &[JournalEntry], lines: Lines) {
        self.state = match entries.last() {
            None => State::Turned,
            Some(last) => State::Sending(Parcel::new(lines), Then::Journal(last.id + 1)),
        };
    }

    /// The other side has answered, or has not. `asked` is how long it wants to be left alone. None where the same lines
    /// are sent again later.
    pub fn answered(&mut self, now: Uptime, answer: Answer, asked: Option<Duration>) -> Option<Settled> {
        if !answer.is_final() {
            let wait = match answer {
                Answer::NotAllowed(_) => self.waits.not_allowed_every,
                _ => {
                    let drawn = self.backoff.next_wait();
                    asked.map_or(drawn, |asked| asked.saturating_add(drawn))
                }
            };
            self.not_before = Some(now.plus(wait));
            return None;
        }
        self.backoff.reset();
        match &mut self.state {
            State::Sending(parcel, _) => Some(parcel.answered(answer, &mut self.sizes)),
            _ => None,
        }
    }

    /// The store did not do what it was asked for: everything begins anew, after a moment.
    pub fn failed(&mut self, now: Uptime) {
        self.state = State::Begin;
        self.not_before = Some(now.plus(self.waits.retry.0));
    }

    fn live(&self, now: Uptime) -> Which {
        let late = self.emptied.is_none_or(|at| now.since(at) > self.waits.live_late);
        Which::Live(now, late)
    }

    fn deliver(which: Which, read: Read, lines: Lines, all: bool, from: Cursor) -> State {
        let points = read.points.len() as u64;
        let done = Delivered {
            from,
            to: read.next,
            forwarded: 0,
            parked: Vec::new(),
            damaged: read.damaged,
            layout: read.layout,
        };
        State::Sending(Parcel::new(lines), Then::Points(which, all, Box::new(done), points))
    }

    /// Nothing is left to send.
    fn sent(&mut self) {
        let State::Sending(parcel, then) = std::mem::replace(&mut self.state, State::Rest) else { return };
        let parked = parcel.parked();
        self.state = match then {
            Then::Points(which, all, mut done, points) => {
                done.forwarded = points - parked.len() as u64;
                done.parked = parked;
                State::Recording(Errand::Record(done.clone()), Then::Points(which, all, done, points))
            }
            Then::Journal(to) => State::Recording(Errand::RecordJournal(to, parked), Then::Journal(to)),
        };
    }

    /// A stretch has been delivered as far as it was read.
    fn after(&mut self, which: Which, all: bool, now: Uptime) -> State {
        match which {
            Which::Live(asked, _) if all => {
                self.emptied = Some(asked);
                State::ReadingJournal
            }
            Which::Live(..) => State::Reading(self.live(now)),
            Which::Backlog(_) => State::Rest,
        }
    }
}
