//! Messages not yet acknowledged: from the token that goes with the readings to the answer that waits.
//!
//! Acknowledgements leave in the order the messages came in (MQTT 3.1.1, 4.6), so one that is done early, or never had
//! to be stored, waits behind those before it.
//!
//! A token is good for the connection its message came by. When that breaks, the broker sends the message again under
//! the same packet id (MQTT 3.1.1, 4.4), and the new copy gets a token of its own; what the store says of the old one
//! then leads nowhere. The packet ids of a broken connection are remembered with what they carried, so that a copy is
//! known for one. What was lost on the way to the store is told once ([`Inflight::gone`]), so that what it brought can be
//! forgotten: then whichever copy comes first is taken, and no other.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Tokens and the answers they stand for.
#[derive(Clone, Debug)]
pub struct Inflight<A> {
    /// In order of arrival; tokens follow each other without a gap.
    waiting: VecDeque<Waiting<A>>,
    next_token: u64,
    /// Handed on over a connection that broke, by packet id.
    handed_on: BTreeMap<u16, HandedOn>,
    /// Tokens whose readings were lost, until somebody asks.
    gone: BTreeSet<u64>,
}

#[derive(Clone, Debug)]
struct Waiting<A> {
    token: u64,
    /// Token its readings went with: another one if this is a copy.
    first: u64,
    done: bool,
    lost: bool,
    answer: A,
    message: Delivery,
}

/// What was handed on before its connection broke.
#[derive(Clone, Copy, Debug)]
struct HandedOn {
    print: u64,
    first: u64,
}

/// Whether a message has come before.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Coming {
    /// It has not.
    First,
    /// It was handed on before its connection broke, with this token.
    Again(u64),
}

/// A message as it can be known again.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Delivery {
    /// Its packet id; 0 where it asks for no answer.
    pub packet_id: u16,
    /// The broker says that it may have come before.
    pub dup: bool,
    /// The same for the same topic and payload.
    pub print: u64,
}

impl<A> Default for Inflight<A> {
    fn default() -> Self {
        Self { waiting: VecDeque::new(), next_token: 1, handed_on: BTreeMap::new(), gone: BTreeSet::new() }
    }
}

impl<A> Inflight<A> {
    /// The token that the next message gets.
    pub fn next_token(&self) -> u64 {
        self.next_token
    }

    /// A token for a message that comes so; `answer` is given back when it is done.
    pub fn add(&mut self, message: Delivery, coming: Coming, answer: A) -> u64 {
        let token = self.next_token;
        self.next_token += 1;
        let first = if let Coming::Again(first) = coming { first } else { token };
        self.waiting.push_back(Waiting { token, first, done: false, lost: false, answer, message });
        token
    }

    /// The token's message needs nothing more. Returns what can be answered now, in order; nothing if its connection is
    /// gone.
    pub fn done(&mut self, token: u64) -> Vec<A> {
        let first = self.waiting.front().map_or(self.next_token, |w| w.token);
        let slot = token.checked_sub(first).and_then(|n| usize::try_from(n).ok());
        let Some(waiting) = slot.and_then(|n| self.waiting.get_mut(n)) else { return Vec::new() };
        waiting.done = true;
        let mut answers = Vec::new();
        while let Some(waiting) = self.waiting.pop_front_if(|w| w.done && !w.lost) {
            answers.push(waiting.answer);
        }
        answers
    }

    /// What went with the token never comes to be stored: neither it nor a copy of it may be answered over this
    /// connection, and over the next one it counts as new.
    pub fn lost(&mut self, token: u64) {
        self.waiting.iter_mut().filter(|w| w.first == token).for_each(|w| w.lost = true);
        self.handed_on.retain(|_, before| before.first != token);
        self.gone.insert(token);
    }

    /// Tokens whose readings were lost since this was last asked.
    pub fn gone(&mut self) -> BTreeSet<u64> {
        std::mem::take(&mut self.gone)
    }

    /// Whether one that waits was lost: nothing behind it can be answered over this connection.
    pub fn has_lost(&self) -> bool {
        self.waiting.iter().any(|waiting| waiting.lost)
    }

    /// Whether this has come before. Said once for each.
    pub fn coming(&mut self, message: Delivery) -> Coming {
        let before = if message.packet_id == 0 { None } else { self.handed_on.remove(&message.packet_id) };
        match before.filter(|before| message.dup && before.print == message.print) {
            Some(before) => Coming::Again(before.first),
            None => Coming::First,
        }
    }

    /// The connection is gone.
    pub fn cut(&mut self) {
        for waiting in std::mem::take(&mut self.waiting).into_iter().filter(|waiting| !waiting.lost) {
            let Delivery { packet_id, print, .. } = waiting.message;
            self.handed_on.insert(packet_id, HandedOn { print, first: waiting.first });
        }
    }

    /// The broker has forgotten the session: packet ids start over.
    pub fn forget_session(&mut self) {
        self.handed_on.clear();
    }

    /// How many wait.
    pub fn len(&self) -> usize {
        self.waiting.len()
    }

    /// Whether none waits.
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn message(packet_id: u16, print: u64, dup: bool) -> Delivery {
        Delivery { packet_id, dup, print }
    }

    fn add(inflight: &mut Inflight<u16>, message: Delivery) -> u64 {
        inflight.add(message, Coming::First, message.packet_id)
    }

    #[test]
    fn answers_leave_in_the_order_of_arrival() {
        let mut inflight = Inflight::default();
        let tokens: Vec<u64> = (1..=4).map(|id| add(&mut inflight, message(id, 7, false))).collect();
        assert!(inflight.done(tokens[2]).is_empty());
        assert!(inflight.done(tokens[1]).is_empty());
        assert_eq!(inflight.done(tokens[0]), [1, 2, 3]);
        assert!(inflight.done(tokens[0]).is_empty(), "once");
        assert_eq!(inflight.done(tokens[3]), [4]);
        assert!(inflight.done(999).is_empty());
        assert!(inflight.is_empty());
    }

    #[test]
    fn a_token_leads_nowhere_once_its_connection_broke() {
        let mut inflight = Inflight::default();
        let old = add(&mut inflight, message(2, 8, false));
        inflight.cut();
        let new = add(&mut inflight, message(3, 9, false));
        assert!(inflight.done(old).is_empty());
        assert_eq!(inflight.done(new), [3]);
        assert_eq!(inflight.coming(message(2, 8, true)), Coming::Again(old));
        assert_eq!(inflight.coming(message(2, 8, true)), Coming::First, "said once");
    }

    #[test]
    fn only_the_same_message_under_the_same_id_is_a_copy() {
        let mut inflight = Inflight::default();
        for id in 1..=3 {
            add(&mut inflight, message(id, 7, false));
        }
        inflight.cut();
        assert_eq!(inflight.coming(message(1, 8, true)), Coming::First, "other content");
        assert_eq!(inflight.coming(message(2, 7, false)), Coming::First, "sent for the first time");
        assert_eq!(inflight.coming(message(9, 7, true)), Coming::First, "never handed on by us");
        inflight.forget_session();
        assert_eq!(inflight.coming(message(3, 7, true)), Coming::First);
    }

    #[test]
    fn what_was_lost_holds_up_the_answers_and_is_new_when_it_comes_again() {
        let mut inflight = Inflight::default();
        let tokens: Vec<u64> = (1..=3).map(|id| add(&mut inflight, message(id, id.into(), false))).collect();
        inflight.lost(tokens[1]);
        assert!(inflight.has_lost());
        assert_eq!(inflight.done(tokens[0]), [1]);
        assert!(inflight.done(tokens[1]).is_empty(), "the lost one");
        assert!(inflight.done(tokens[2]).is_empty(), "behind it");
        inflight.cut();
        assert!(!inflight.has_lost());
        assert_eq!(inflight.gone(), BTreeSet::from([tokens[1]]), "what it brought can be forgotten");
        assert!(inflight.gone().is_empty(), "told once");
        assert_eq!(inflight.coming(message(2, 2, true)), Coming::First);
        assert_eq!(inflight.coming(message(3, 3, true)), Coming::Again(tokens[2]));
    }

    #[test]
    fn what_is_lost_only_after_the_connection_broke_is_not_answered_by_its_copy() {
        let mut inflight = Inflight::default();
        let early = add(&mut inflight, message(1, 7, false));
        let late = add(&mut inflight, message(2, 8, false));
        inflight.cut();
        inflight.lost(early);
        assert_eq!(inflight.coming(message(1, 7, true)), Coming::First, "before its copy came");
        let coming = inflight.coming(message(2, 8, true));
        let copy = inflight.add(message(2, 8, true), coming, 2);
        inflight.lost(late);
        assert!(inflight.done(copy).is_empty() && inflight.has_lost(), "after its copy came");
        inflight.cut();
        assert_eq!(inflight.coming(message(2, 8, true)), Coming::First);
        assert_eq!(inflight.gone(), BTreeSet::from([early, late]));
    }
}
