//! Messages not yet acknowledged: from the token that goes with the readings to the answer that waits.
//!
//! Acknowledgements leave in the order the messages came in (MQTT 3.1.1, 4.6), so one that is done early, or never had
//! to be stored, waits behind those before it.
//!
//! A token is good for the connection its message came by. When that breaks, the broker sends the message again under
//! the same packet id (MQTT 3.1.1, 4.4), and the new copy gets a token of its own; what the store says of the old one
//! then leads nowhere. The packet ids of a broken connection are remembered with what they carried, so that a copy is
//! known for one.

use std::collections::{BTreeMap, VecDeque};

/// Tokens and the answers they stand for.
#[derive(Clone, Debug)]
pub struct Inflight<A> {
    /// In order of arrival; tokens follow each other without a gap.
    waiting: VecDeque<Waiting<A>>,
    next_token: u64,
    /// Handed on over a connection that broke: packet id to print of the message.
    handed_on: BTreeMap<u16, u64>,
}

#[derive(Clone, Debug)]
struct Waiting<A> {
    token: u64,
    done: bool,
    answer: A,
    message: Delivery,
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
        Self { waiting: VecDeque::new(), next_token: 1, handed_on: BTreeMap::new() }
    }
}

impl<A> Inflight<A> {
    /// A token for a message; `answer` is given back when it is done.
    pub fn add(&mut self, message: Delivery, answer: A) -> u64 {
        let token = self.next_token;
        self.next_token += 1;
        self.waiting.push_back(Waiting { token, done: false, answer, message });
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
        while let Some(waiting) = self.waiting.pop_front_if(|w| w.done) {
            answers.push(waiting.answer);
        }
        answers
    }

    /// Whether this is a second copy of a message handed on before the connection broke. Said once for each.
    pub fn is_second_copy(&mut self, message: Delivery) -> bool {
        let same = message.dup && self.handed_on.get(&message.packet_id) == Some(&message.print);
        if message.packet_id != 0 {
            self.handed_on.remove(&message.packet_id);
        }
        same
    }

    /// The connection is gone.
    pub fn cut(&mut self) {
        for waiting in self.waiting.drain(..) {
            self.handed_on.insert(waiting.message.packet_id, waiting.message.print);
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
        inflight.add(message, message.packet_id)
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
        assert!(inflight.is_second_copy(message(2, 8, true)));
        assert!(!inflight.is_second_copy(message(2, 8, true)), "said once");
    }

    #[test]
    fn only_the_same_message_under_the_same_id_is_a_copy() {
        let mut inflight = Inflight::default();
        for id in 1..=3 {
            add(&mut inflight, message(id, 7, false));
        }
        inflight.cut();
        assert!(!inflight.is_second_copy(message(1, 8, true)), "other content");
        assert!(!inflight.is_second_copy(message(2, 7, false)), "sent for the first time");
        assert!(!inflight.is_second_copy(message(9, 7, true)), "never handed on by us");
        inflight.forget_session();
        assert!(!inflight.is_second_copy(message(3, 7, true)));
    }
}
