//! Messages not yet acknowledged: from the token that goes with the readings to the packet that waits.
//!
//! Acknowledgements leave in the order the messages came in (MQTT 3.1.1, 4.6), so one that is done early, or never had
//! to be stored, waits behind those before it.
//!
//! A token is good for the connection its message came by. When that breaks, the broker sends the message again under
//! the same packet id (MQTT 3.1.1, 4.4), and the new copy gets a token of its own; what the store says of the old one
//! then leads nowhere. The packet ids of a broken connection are remembered with what they carried, so that a copy is
//! known for one.

use std::collections::{HashMap, VecDeque};
use std::hash::{BuildHasher, RandomState};
use std::sync::Arc;

use rumqttc::{ManualAck, Publish};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Messages of one broker that may wait for the store at once. Full: no message is taken over until one is done, and if
/// that takes too long the connection is given up (see [`super::INTAKE_WAIT_SHARE`]). Brokers hold back after 20 to 100.
pub(super) const UNACKNOWLEDGED_MAX: usize = 1024;

/// Tokens and what they stand for.
#[derive(Debug)]
pub(super) struct Inflight {
    places: Arc<Semaphore>,
    /// In order of arrival; tokens follow each other without a gap.
    waiting: VecDeque<Waiting>,
    next_token: u64,
    /// Handed on over a connection that broke: packet id to print of the message.
    handed_on: HashMap<u16, u64>,
    hasher: RandomState,
}

#[derive(Debug)]
struct Waiting {
    token: u64,
    done: bool,
    ack: ManualAck,
    packet_id: u16,
    print: u64,
    _place: OwnedSemaphorePermit,
}

impl Inflight {
    pub(super) fn new() -> Self {
        Self {
            places: Arc::new(Semaphore::new(UNACKNOWLEDGED_MAX)),
            waiting: VecDeque::new(),
            next_token: 1,
            handed_on: HashMap::new(),
            hasher: RandomState::new(),
        }
    }

    /// Where a place is waited for before a message is handed on.
    pub(super) fn places(&self) -> Arc<Semaphore> {
        Arc::clone(&self.places)
    }

    /// A token for a message.
    pub(super) fn add(&mut self, publish: &Publish, ack: ManualAck, place: OwnedSemaphorePermit) -> u64 {
        let token = self.next_token;
        self.next_token += 1;
        let print = self.print(publish);
        let packet_id = publish.pkid;
        self.waiting.push_back(Waiting { token, done: false, ack, packet_id, print, _place: place });
        token
    }

    /// The token's message needs nothing more. Returns what can be answered now, in order; nothing if its connection is
    /// gone.
    pub(super) fn done(&mut self, token: u64) -> Vec<ManualAck> {
        let first = self.waiting.front().map_or(self.next_token, |w| w.token);
        let slot = token.checked_sub(first).and_then(|n| usize::try_from(n).ok());
        let Some(waiting) = slot.and_then(|n| self.waiting.get_mut(n)) else { return Vec::new() };
        waiting.done = true;
        let mut answers = Vec::new();
        while let Some(waiting) = self.waiting.pop_front_if(|w| w.done) {
            answers.push(waiting.ack);
        }
        answers
    }

    /// Whether this is a second copy of a message handed on before the connection broke. Said once for each.
    pub(super) fn is_second_copy(&mut self, publish: &Publish) -> bool {
        let same = publish.dup && self.handed_on.get(&publish.pkid) == Some(&self.print(publish));
        if publish.pkid != 0 {
            self.handed_on.remove(&publish.pkid);
        }
        same
    }

    /// The connection is gone.
    pub(super) fn cut(&mut self) {
        for waiting in self.waiting.drain(..) {
            self.handed_on.insert(waiting.packet_id, waiting.print);
        }
    }

    /// The broker has forgotten the session: packet ids start over.
    pub(super) fn forget_session(&mut self) {
        self.handed_on.clear();
    }

    /// How many wait.
    pub(super) fn len(&self) -> usize {
        self.waiting.len()
    }

    fn print(&self, publish: &Publish) -> u64 {
        self.hasher.hash_one((&publish.topic, &publish.payload))
    }
}

#[cfg(test)]
mod tests {
    use rumqttc::{PubAck, QoS};

    use super::*;

    fn publish(packet_id: u16, payload: &'static str, dup: bool) -> Publish {
        let mut publish = Publish::new("t", QoS::AtLeastOnce, payload);
        (publish.pkid, publish.dup) = (packet_id, dup);
        publish
    }

    fn add(inflight: &mut Inflight, publish: &Publish) -> u64 {
        let place = inflight.places().try_acquire_owned().unwrap();
        inflight.add(publish, ManualAck::PubAck(PubAck::new(publish.pkid)), place)
    }

    fn answers(ids: &[u16]) -> Vec<ManualAck> {
        ids.iter().map(|id| ManualAck::PubAck(PubAck::new(*id))).collect()
    }

    #[test]
    fn answers_leave_in_the_order_of_arrival() {
        let mut inflight = Inflight::new();
        let tokens: Vec<u64> = (1..=4).map(|id| add(&mut inflight, &publish(id, "a", false))).collect();
        assert_eq!(inflight.done(tokens[2]), []);
        assert_eq!(inflight.done(tokens[1]), []);
        assert_eq!(inflight.done(tokens[0]), answers(&[1, 2, 3]));
        assert_eq!(inflight.done(tokens[0]), [], "once");
        assert_eq!(inflight.done(tokens[3]), answers(&[4]));
        assert_eq!(inflight.done(999), []);
        assert_eq!(inflight.places().available_permits(), UNACKNOWLEDGED_MAX);
    }

    #[test]
    fn a_token_leads_nowhere_once_its_connection_broke() {
        let mut inflight = Inflight::new();
        let old = add(&mut inflight, &publish(2, "b", false));
        inflight.cut();
        let new = add(&mut inflight, &publish(3, "c", false));
        assert_eq!(inflight.done(old), []);
        assert_eq!(inflight.done(new), answers(&[3]));
        assert!(inflight.is_second_copy(&publish(2, "b", true)));
        assert!(!inflight.is_second_copy(&publish(2, "b", true)), "said once");
    }

    #[test]
    fn only_the_same_message_under_the_same_id_is_a_copy() {
        let mut inflight = Inflight::new();
        for id in 1..=3 {
            add(&mut inflight, &publish(id, "a", false));
        }
        inflight.cut();
        assert!(!inflight.is_second_copy(&publish(1, "b", true)), "other content");
        assert!(!inflight.is_second_copy(&publish(2, "a", false)), "sent for the first time");
        assert!(!inflight.is_second_copy(&publish(9, "a", true)), "never handed on by us");
        inflight.forget_session();
        assert!(!inflight.is_second_copy(&publish(3, "a", true)));
    }
}
