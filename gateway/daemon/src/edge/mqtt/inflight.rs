//! Messages not yet acknowledged: their packets and places around what the core knows of their order and of copies.

use std::collections::BTreeSet;
use std::hash::{BuildHasher, RandomState};
use std::sync::Arc;

use rumqttc::{ManualAck, Publish};
use sumpwarden_core::acquire::inflight::{self, Coming, Delivery};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Messages of one broker that may wait for the store at once. Full: no message is taken over until one is done, and if
/// that takes too long the connection is given up (see [`super::INTAKE_WAIT_SHARE`]). Brokers hold back after 20 to 100.
pub(super) const UNACKNOWLEDGED_MAX: usize = 1024;

/// Tokens and what they stand for.
#[derive(Debug)]
pub(super) struct Inflight {
    places: Arc<Semaphore>,
    messages: inflight::Inflight<(ManualAck, OwnedSemaphorePermit)>,
    hasher: RandomState,
}

impl Inflight {
    pub(super) fn new() -> Self {
        Self {
            places: Arc::new(Semaphore::new(UNACKNOWLEDGED_MAX)),
            messages: inflight::Inflight::default(),
            hasher: RandomState::new(),
        }
    }

    /// Where a place is waited for before a message is handed on.
    pub(super) fn places(&self) -> Arc<Semaphore> {
        Arc::clone(&self.places)
    }

    /// The token that the next message gets.
    pub(super) fn next_token(&self) -> u64 {
        self.messages.next_token()
    }

    /// Tokens whose readings were lost since this was last asked.
    pub(super) fn gone(&mut self) -> BTreeSet<u64> {
        self.messages.gone()
    }

    /// A token for a message that comes so.
    pub(super) fn add(
        &mut self,
        publish: &Publish,
        coming: Coming,
        ack: ManualAck,
        place: OwnedSemaphorePermit,
    ) -> u64 {
        self.messages.add(self.delivery(publish), coming, (ack, place))
    }

    /// The token's message needs nothing more. Returns what can be answered now, in order; nothing if its connection is
    /// gone.
    pub(super) fn done(&mut self, token: u64) -> Vec<ManualAck> {
        self.messages.done(token).into_iter().map(|(ack, _place)| ack).collect()
    }

    /// What went with the token never comes to be stored.
    pub(super) fn lost(&mut self, token: u64) {
        self.messages.lost(token);
    }

    /// Whether one that waits was lost.
    pub(super) fn has_lost(&self) -> bool {
        self.messages.has_lost()
    }

    /// Whether this has come before. Said once for each.
    pub(super) fn coming(&mut self, publish: &Publish) -> Coming {
        self.messages.coming(self.delivery(publish))
    }

    /// The connection is gone.
    pub(super) fn cut(&mut self) {
        self.messages.cut();
    }

    /// The broker has forgotten the session: packet ids start over.
    pub(super) fn forget_session(&mut self) {
        self.messages.forget_session();
    }

    /// How many wait.
    pub(super) fn len(&self) -> usize {
        self.messages.len()
    }

    fn delivery(&self, publish: &Publish) -> Delivery {
        let print = self.hasher.hash_one((&publish.topic, &publish.payload));
        Delivery { packet_id: publish.pkid, dup: publish.dup, print }
    }
}

#[cfg(test)]
mod tests {
    use rumqttc::{PubAck, QoS};

    use super::*;

    #[test]
    fn what_is_answered_gives_its_place_back() {
        let mut inflight = Inflight::new();
        let publish = |id, payload: &'static str, dup| {
            let mut publish = Publish::new("t", QoS::AtLeastOnce, payload);
            (publish.pkid, publish.dup) = (id, dup);
            publish
        };
        let add = |inflight: &mut Inflight, id| {
            let place = inflight.places().try_acquire_owned().unwrap();
            inflight.add(&publish(id, "a", false), Coming::First, ManualAck::PubAck(PubAck::new(id)), place)
        };
        let (first, second) = (add(&mut inflight, 1), add(&mut inflight, 2));
        assert_eq!(inflight.done(second), []);
        let answers = [1, 2].map(|id| ManualAck::PubAck(PubAck::new(id)));
        assert_eq!(inflight.done(first), answers);
        assert_eq!(inflight.places().available_permits(), UNACKNOWLEDGED_MAX);
        add(&mut inflight, 3);
        inflight.cut();
        assert_eq!(inflight.places().available_permits(), UNACKNOWLEDGED_MAX);
        assert_eq!(inflight.coming(&publish(3, "b", true)), Coming::First, "other content");
        let fourth = add(&mut inflight, 4);
        inflight.cut();
        assert_eq!(inflight.coming(&publish(4, "a", true)), Coming::Again(fourth));
    }
}
