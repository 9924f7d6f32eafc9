//! Who waits for something of theirs to be durable.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use sumpwarden_core::engine::calibration::{CalibrationFor, ProbeCalibrationView};
use sumpwarden_core::engine::notes::NoteView;
use sumpwarden_core::estimate::note::draft::Refused;
use sumpwarden_core::model::{Ack, BrokerIndex};
use tokio::sync::oneshot;

/// An answer that waits, with what it will say.
#[derive(Debug)]
pub(super) enum Waiting {
    /// A note was taken.
    Noted(Box<NoteView>, oneshot::Sender<Result<NoteView, Refused>>),
    /// An order about an alarm was carried out.
    Done(oneshot::Sender<Result<(), String>>),
    /// A step of a calibration was done.
    Calibrated(Box<ProbeCalibrationView>, oneshot::Sender<Result<Box<ProbeCalibrationView>, CalibrationFor>>),
}

impl Waiting {
    fn is_given_up(&self) -> bool {
        match self {
            Self::Noted(_, answer) => answer.is_closed(),
            Self::Done(answer) => answer.is_closed(),
            Self::Calibrated(_, answer) => answer.is_closed(),
        }
    }

    /// Answers. Whoever asked may have gone.
    fn give(self) {
        match self {
            Self::Noted(view, answer) => drop(answer.send(Ok(*view))),
            Self::Done(answer) => drop(answer.send(Ok(()))),
            Self::Calibrated(view, answer) => drop(answer.send(Ok(view))),
        }
    }
}

/// Under this, no broker's acknowledgements are known.
const NO_BROKER: BrokerIndex = BrokerIndex(u32::MAX);

/// Answers that wait for the store, by the token that goes there and comes back; clones share them. Their acknowledgements
/// are those of no broker.
#[derive(Clone, Debug, Default)]
pub(super) struct Answers {
    waiting: Arc<Mutex<Queue>>,
}

#[derive(Debug, Default)]
struct Queue {
    next_token: u64,
    answers: BTreeMap<u64, Waiting>,
}

impl Answers {
    /// Keeps an answer until [`Answers::durable`]; gives what to submit with what it is about.
    pub(super) fn wait(&self, answer: Waiting) -> Ack {
        let mut waiting = self.lock();
        // Whoever gave up waiting needs no answer: while the disk is full they do not pile up.
        waiting.answers.retain(|_, answer| !answer.is_given_up());
        let token = waiting.next_token;
        waiting.next_token += 1;
        waiting.answers.insert(token, answer);
        Ack { broker: NO_BROKER, token }
    }

    /// Whether `ack` is of an answer.
    pub(super) fn awaits(ack: Ack) -> bool {
        ack.broker == NO_BROKER
    }

    /// What went with `ack` is durable.
    pub(super) fn durable(&self, ack: Ack) {
        let waited = self.lock().answers.remove(&ack.token);
        if let Some(waited) = waited {
            waited.give();
        }
    }

    /// What went with `ack` never becomes durable: whoever asked is told so by having no answer.
    pub(super) fn lost(&self, ack: Ack) {
        self.lock().answers.remove(&ack.token);
    }

    fn lock(&self) -> MutexGuard<'_, Queue> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
