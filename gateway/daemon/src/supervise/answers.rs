//! Who waits for something of theirs to be durable.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use sumpwarden_core::engine::notes::NoteView;
use sumpwarden_core::estimate::note::draft::Refused;
use sumpwarden_core::model::{Ack, BrokerIndex};
use tokio::sync::oneshot;

type Answer = oneshot::Sender<Result<NoteView, Refused>>;

/// Answers that wait for the store, by the token that goes there and comes back; clones share them. Their acknowledgements
/// are those of the broker after the last.
#[derive(Clone, Debug)]
pub(super) struct Answers {
    index: BrokerIndex,
    waiting: Arc<Mutex<Waiting>>,
}

#[derive(Debug, Default)]
struct Waiting {
    next_token: u64,
    answers: BTreeMap<u64, (NoteView, Answer)>,
}

impl Answers {
    /// Beside so many brokers.
    pub(super) fn beside(brokers: usize) -> Self {
        let index = BrokerIndex(u32::try_from(brokers).expect("fewer brokers than items in a file"));
        Self { index, waiting: Arc::default() }
    }

    /// Keeps an answer until [`Answers::durable`]; gives what to submit with what it is about.
    pub(super) fn wait(&self, view: NoteView, answer: Answer) -> Ack {
        let mut waiting = self.lock();
        // Whoever gave up waiting needs no answer: while the disk is full they do not pile up.
        waiting.answers.retain(|_, (_, answer)| !answer.is_closed());
        let token = waiting.next_token;
        waiting.next_token += 1;
        waiting.answers.insert(token, (view, answer));
        Ack { broker: self.index, token }
    }

    /// What went with `ack` is durable.
    pub(super) fn durable(&self, ack: Ack) {
        let waited = self.lock().answers.remove(&ack.token);
        if let Some((view, answer)) = waited {
            // Whoever asked may have gone.
            let _ = answer.send(Ok(view));
        }
    }

    fn lock(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
