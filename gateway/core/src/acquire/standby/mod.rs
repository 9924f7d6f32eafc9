//! Who of two boxes polls the bus that both could: a lease that is renewed, and never two at once.
//!
//! ```text
//!              silent for a term: claim           silent for two, claim and take heard back
//!  standing by ───────────────────────► claiming ────────────────────────────────────────► holding
//!      ▲ ▲                                │  a greater claim, or cut off                     │ │
//!      │ └────────────────────────────────┘                                                  │ │
//!      ├───── a greater claim; a term without a renewal that counted ────────────────────────┘ │
//!      └───── line let go, released ◄── handing over ◄── the preferred one asks, or a stop ────┘
//! ```
//!
//! Words:
//! - *sign*: a message that both hear through the broker, each also its own. What comes back on a connection proves that
//!   everything before it has come as well; a mere acknowledgement does not.
//! - *term*: for so long after a renewal was *sent* the holder polls, by its own clock, once it has heard it back. Then
//!   it stops by itself, whatever else happens: nobody has to reach it.
//! - The other begins no earlier than two terms after it *heard* the last sign of a holder, by its own clock. Between the
//!   two lies most of a term: room for clocks that run apart, for messages under way, and for the exchange that was on the
//!   wire when the holder stopped.
//! - *rank*: epoch, name of the box, number of its run. Of two that claim, the greater goes on and the other stands back.
//!   Who heard of a greater rank never counts a renewal again.
//! - *peer*: the other box asked directly. It grants a further term if it stands by, and its own wait begins anew before it
//!   answers: so the holder goes on polling while the broker alone is away. Nobody begins by a peer's word, only goes on.
//!
//! What was kept at the broker (a retained sign) tells a newcomer who held and under which epoch, no more: it may be older than
//! what goes on, so that whoever begins to listen waits the two terms from there.

#[cfg(test)]
mod simulated;
#[cfg(test)]
mod tests;
mod words;

use std::time::Duration;

use crate::model::Uptime;

pub use words::{Answer, Event, Question, Rank, Sign, Stand, What};

/// Renewals in a term: two may be lost, and a third late.
const RENEWALS: u32 = 5;
/// Looks in a term.
const LOOKS: u32 = 20;
/// Terms that the preferred box stands by before it asks for its bus, so that one that comes and goes does not make the
/// bus go to and fro.
const SETTLED_TERMS: u32 = 3;
/// Terms without any sign of another box after which there is none.
const LONE_TERMS: u32 = 3;
/// Own signs that have not come back. More: the oldest no longer counts.
const UNHEARD_MAX: usize = 32;

/// What a box does when it holds and can reach neither broker nor peer.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Alone {
    /// It stops: two masters on one line would make wrong values, silence is told.
    Stop,
    /// It goes on, and so may the other.
    Poll,
}

/// What the lease of one bus is told.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct StandbySettings {
    /// How long a renewal counts.
    pub term: Duration,
    /// Whether this box takes the bus back when it returns.
    pub preferred: bool,
    /// What it does when it holds and is cut off.
    pub alone: Alone,
    /// Whether the other box can be asked.
    pub has_peer: bool,
}

impl StandbySettings {
    /// How often [`Standby::tick`] wants to be called.
    pub fn look_every(&self) -> Duration {
        self.term / LOOKS
    }
}

/// What is to be done.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Order {
    /// Publish it; kept at the broker where `retained`.
    Publish {
        /// What.
        sign: Sign,
        /// Whether the broker keeps it for who comes later.
        retained: bool,
    },
    /// Ask the other box, and bring [`Standby::answered`] what it says.
    Ask(Question),
}

#[derive(Clone, PartialEq, Eq, Debug)]
enum Role {
    StandingBy,
    /// `quick`: the holder has let go. `taking`: number of the sign that, heard back, makes it ours, and when it was sent.
    Claiming {
        epoch: u64,
        quick: bool,
        taking: Option<(u64, Uptime)>,
    },
    Holding {
        epoch: u64,
    },
    /// The line is let go first.
    HandingOver {
        epoch: u64,
        to: Option<String>,
    },
}

/// The lease of one bus as one box sees it. Nothing here reads a clock or sends: time comes in, orders come out.
#[derive(Clone, Debug)]
pub struct Standby {
    settings: StandbySettings,
    name: String,
    run: u32,
    role: Role,
    linked: bool,
    /// When it last heard of a holder or a claim, or began to listen.
    heard_at: Uptime,
    /// Since when it stands by and hears the broker.
    settled_since: Uptime,
    /// Greatest rank that was heard of, and whether it has let go.
    top: Option<Rank>,
    holder: Option<String>,
    number: u64,
    unheard: Vec<(u64, Uptime)>,
    asked: Option<(u64, Uptime)>,
    good_until: Uptime,
    send_at: Uptime,
    /// When another box gave any sign.
    other_at: Uptime,
    /// Another box under our name was heard.
    twin_at: Option<Uptime>,
    /// Silence after which it takes: two terms.
    take_after: Duration,
    orders: Vec<Order>,
    events: Vec<Event>,
}

impl Standby {
    /// Box `name`, standing by. `run` differs from start to start, so that a box never takes its former self, or a copy, for
    /// itself.
    pub fn new(settings: StandbySettings, name: &str, run: u32, now: Uptime) -> Self {
        Self {
            take_after: settings.term * 2,
            settings,
            name: name.to_owned(),
            run,
            role: Role::StandingBy,
            linked: false,
            heard_at: now,
            settled_since: now,
            top: None,
            holder: None,
            number: 0,
            unheard: Vec::new(),
            asked: None,
            good_until: Uptime::default(),
            send_at: now,
            other_at: now,
            twin_at: None,
            orders: Vec::new(),
            events: Vec::new(),
        }
    }

    /// Before which instant a request may be sent: past, unless this box holds.
    pub fn polls_until(&self) -> Uptime {
        match (&self.role, self.settings.alone) {
            (Role::Holding { .. }, Alone::Poll) => Uptime::from_nanos(u64::MAX),
            (Role::Holding { .. }, Alone::Stop) => self.good_until,
            _ => Uptime::default(),
        }
    }

    /// How things stand, for people.
    pub fn stand(&self, now: Uptime) -> Stand {
        let lone = now.since(self.other_at) >= self.settings.term * LONE_TERMS;
        let twin = self.twin_at.is_some_and(|at| now.since(at) < self.settings.term * LONE_TERMS);
        let polls = matches!(self.role, Role::Holding { .. }) && now < self.polls_until();
        Stand { polls, holder: self.holder.clone(), lone, twin, linked: self.linked }
    }

    /// The broker is heard from now on. What it kept comes as [`Self::heard`] with `retained`.
    pub fn linked(&mut self, now: Uptime) {
        self.linked = true;
        self.settled_since = now;
        self.unheard.clear();
        self.heard_at = now;
        self.send_at = now;
    }

    /// The broker is not heard any more: a claim is void, since an objection could not be heard.
    pub fn unlinked(&mut self) {
        self.linked = false;
        self.unheard.clear();
        if matches!(self.role, Role::Claiming { .. }) {
            self.role = Role::StandingBy;
        }
    }

    /// A sign came, maybe our own.
    pub fn heard(&mut self, now: Uptime, sign: &Sign, retained: bool) {
        if sign.rank.name == self.name && sign.rank.run == self.run {
            if !retained {
                self.heard_back(now, sign);
            }
            return;
        }
        if !retained {
            self.other_at = now;
            if sign.rank.name == self.name {
                self.twin_at = Some(now);
            }
        }
        match &sign.what {
            What::Standing => {}
            What::Asking => self.asked_for(now, &sign.rank),
            What::Holding | What::Claiming => self.rivalled(now, &sign.rank),
            What::Released { to } => self.released(now, &sign.rank, to.as_deref(), retained),
        }
    }

    /// One of our own signs: everything the broker had before it has been heard as well.
    fn heard_back(&mut self, now: Uptime, sign: &Sign) {
        let Some(at) = self.unheard.iter().position(|(number, _)| *number == sign.number) else { return };
        let (_, sent) = self.unheard.remove(at);
        match self.role {
            Role::Holding { epoch } if epoch == sign.rank.epoch => self.renewed(sent),
            Role::Claiming { epoch, quick, taking }
                if epoch == sign.rank.epoch
                    && (quick || taking.is_some_and(|(number, _)| number == sign.number)) =>
            {
                self.take(now, epoch, quick, sent);
            }
            _ => {}
        }
    }

    fn renewed(&mut self, sent: Uptime) {
        self.good_until = self.good_until.max(sent.plus(self.settings.term));
    }

    fn take(&mut self, now: Uptime, epoch: u64, quick: bool, sent: Uptime) {
        let from = self.holder.replace(self.name.clone());
        let silent = now.since(self.heard_at);
        self.events.push(if quick { Event::HandedToUs { from } } else { Event::TookOver { from, silent } });
        self.role = Role::Holding { epoch };
        self.good_until = sent.plus(self.settings.term);
        self.send_at = now;
    }

    /// Somebody else holds, or wants to.
    fn rivalled(&mut self, now: Uptime, rank: &Rank) {
        self.heard_at = now;
        let above = self.top.as_ref().is_none_or(|top| rank >= top);
        if above {
            self.top = Some(rank.clone());
            self.holder = Some(rank.name.clone());
        }
        match &mut self.role {
            Role::Holding { epoch } | Role::HandingOver { epoch, .. } => {
                if *rank > Rank::new(*epoch, &self.name, self.run) {
                    self.stand_back(now, Some(Event::LostTo { name: rank.name.clone() }));
                } else {
                    // It has not heard of us, or the broker has forgotten.
                    self.send_at = now;
                }
            }
            Role::Claiming { epoch, quick, taking } => {
                if *rank > Rank::new(*epoch, &self.name, self.run) {
                    self.stand_back(now, None);
                } else {
                    (*quick, *taking) = (false, None);
                }
            }
            Role::StandingBy => {}
        }
    }

    fn stand_back(&mut self, now: Uptime, event: Option<Event>) {
        self.role = Role::StandingBy;
        self.settled_since = now;
        self.good_until = Uptime::default();
        self.asked = None;
        self.events.extend(event);
    }

    /// The holder has let go. Only if that is said to us, and now: what the broker kept may be older than what goes on.
    fn released(&mut self, now: Uptime, rank: &Rank, to: Option<&str>, retained: bool) {
        let newest = self.top.as_ref().is_none_or(|top| rank >= top);
        if !newest {
            return;
        }
        self.top = Some(rank.clone());
        self.holder = Some(rank.name.clone());
        let for_us = to.is_none_or(|to| to == self.name);
        if retained || !for_us || !self.linked || self.role != Role::StandingBy {
            return;
        }
        self.claim(now, true);
    }

    fn asked_for(&mut self, now: Uptime, rank: &Rank) {
        if let Role::Holding { epoch } = self.role
            && rank.name != self.name
            && now < self.polls_until()
        {
            self.role = Role::HandingOver { epoch, to: Some(rank.name.clone()) };
            self.events.push(Event::HandingOver { to: Some(rank.name.clone()) });
        }
    }

    /// The other box asks whether it may go on.
    pub fn question(&mut self, now: Uptime, question: &Question) -> Answer {
        let other = question.rank.name != self.name || question.rank.run != self.run;
        let newest = self.top.as_ref().is_none_or(|top| question.rank >= *top);
        let grants = other && newest && self.role == Role::StandingBy;
        if other {
            self.other_at = now;
        }
        if grants {
            self.heard_at = now;
            self.top = Some(question.rank.clone());
            self.holder = Some(question.rank.name.clone());
        }
        let polls = now < self.polls_until();
        let epoch = match self.role {
            Role::Holding { epoch } | Role::Claiming { epoch, .. } | Role::HandingOver { epoch, .. } => {
                Some(epoch)
            }
            Role::StandingBy => None,
        };
        Answer {
            number: question.number,
            name: self.name.clone(),
            grants,
            polls,
            rank: epoch.map(|epoch| Rank::new(epoch, &self.name, self.run)),
        }
    }

    /// What the other box said to our question.
    pub fn answered(&mut self, now: Uptime, answer: &Answer) {
        let Some((_, sent)) = self.asked.take_if(|(number, _)| *number == answer.number) else { return };
        self.other_at = now;
        if let Some(rank) = &answer.rank {
            self.rivalled(now, rank);
        }
        if answer.grants && matches!(self.role, Role::Holding { .. }) {
            self.renewed(sent);
        }
    }

    /// The line has been let go: the other may begin.
    pub fn let_go(&mut self, now: Uptime) {
        let Role::HandingOver { epoch, to } = &self.role else { return };
        let (epoch, to) = (*epoch, to.clone());
        self.say(now, epoch, What::Released { to });
        self.stand_back(now, None);
        self.top = Some(Rank::new(epoch, &self.name, self.run));
        self.heard_at = now;
    }

    /// The daemon stops: the line is to be let go, then [`Self::let_go`].
    pub fn stop(&mut self) {
        match self.role {
            Role::Holding { epoch } => self.role = Role::HandingOver { epoch, to: None },
            Role::Claiming { .. } => self.role = Role::StandingBy,
            Role::HandingOver { .. } | Role::StandingBy => {}
        }
    }

    /// Whether the line is to be let go.
    pub fn is_handing_over(&self) -> bool {
        matches!(self.role, Role::HandingOver { .. })
    }

    /// Time has passed.
    pub fn tick(&mut self, now: Uptime) {
        if matches!(self.role, Role::Holding { .. }) && now >= self.polls_until() {
            self.stand_back(now, Some(Event::CutOff));
            self.heard_at = now;
        }
        if matches!(self.role, Role::StandingBy)
            && self.linked
            && now.since(self.heard_at) >= self.settings.term
        {
            self.claim(now, false);
        }
        if let Role::Claiming { epoch, quick: false, taking: taking @ None } = &mut self.role
            && now.since(self.heard_at) >= self.take_after
        {
            let epoch = *epoch;
            *taking = Some((self.number + 1, now));
            self.say(now, epoch, What::Claiming);
        }
        if let Role::Claiming { taking: Some((_, sent)), .. } = self.role
            && now.since(sent) >= self.settings.term
        {
            // It went astray.
            self.stand_back(now, None);
            self.heard_at = now;
        }
        if now >= self.send_at {
            self.send_at = now.plus(self.settings.term / RENEWALS);
            self.remind(now);
        }
    }

    fn claim(&mut self, now: Uptime, quick: bool) {
        let epoch = self.top.as_ref().map_or(0, |top| top.epoch).saturating_add(1);
        self.role = Role::Claiming { epoch, quick, taking: None };
        self.say(now, epoch, What::Claiming);
    }

    /// What is said again and again.
    fn remind(&mut self, now: Uptime) {
        match self.role {
            Role::Holding { epoch } => {
                self.say(now, epoch, What::Holding);
                if self.settings.has_peer {
                    self.ask(now, epoch);
                }
            }
            // The sign that decides is not repeated: what comes back must be the one that was sent after the silence.
            Role::Claiming { epoch, taking: None, .. } => self.say(now, epoch, What::Claiming),
            Role::Claiming { .. } | Role::HandingOver { .. } => {}
            Role::StandingBy => {
                let settled = now.since(self.settled_since) >= self.settings.term * SETTLED_TERMS;
                let asks = self.settings.preferred && settled && self.top.is_some();
                let epoch = self.top.as_ref().map_or(0, |top| top.epoch);
                self.say(now, epoch, if asks { What::Asking } else { What::Standing });
            }
        }
    }

    fn say(&mut self, now: Uptime, epoch: u64, what: What) {
        if !self.linked {
            return;
        }
        self.number += 1;
        let retained = what.is_kept();
        if retained {
            self.unheard.truncate(UNHEARD_MAX - 1);
            self.unheard.insert(0, (self.number, now));
        }
        let sign = Sign { rank: Rank::new(epoch, &self.name, self.run), number: self.number, what };
        self.orders.push(Order::Publish { sign, retained });
    }

    fn ask(&mut self, now: Uptime, epoch: u64) {
        self.number += 1;
        self.asked = Some((self.number, now));
        let question = Question { rank: Rank::new(epoch, &self.name, self.run), number: self.number };
        self.orders.push(Order::Ask(question));
    }

    /// What is to be done, oldest first.
    pub fn orders(&mut self) -> Vec<Order> {
        std::mem::take(&mut self.orders)
    }

    /// What has happened, oldest first.
    pub fn events(&mut self) -> Vec<Event> {
        std::mem::take(&mut self.events)
    }
}
