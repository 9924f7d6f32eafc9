//! One task per broker: listens to the configured topics and hands the readings on.
//!
//! ```text
//!            ┌── wait: back-off with jitter; two connects a minute while another has our client id
//!            ▼                                                            │
//!       connecting ── accepted, subscribe ──► listening ── broken, silent ┤
//!            └──────── refused, not reached ──────────────────────────────┘
//! ```
//!
//! - The session is persistent and the subscriptions are of QoS 1, so what is published while the gateway is away waits
//!   with the broker. A message is acknowledged when the store has its readings and not before: an [`Ack`] goes along
//!   with them and comes back. What was not acknowledged comes again after a reconnect, and is known for a copy.
//! - Nothing a broker sends grows anything here: messages over the packet limit are cut on the way in ([`sieve`]), what is
//!   handed on waits in a bounded channel, unacknowledged messages have a bounded number of places ([`inflight`]).
//! - The client library's `poll` is never dropped half-way: listening and answering go on beside each other in one task,
//!   and whatever ends or crashes in either is the task's own end.
//!
//! [`sparkplug`] is another task and another connection: what plant systems see of the shop.
//!
//! What a topic means and whether to believe a message is [`TopicMap`]'s to know.

mod connect;
mod inflight;
mod listener;
mod notes;
mod once;
mod publish;
mod sieve;
pub mod signs;
pub mod sparkplug;
mod status;
#[cfg(test)]
mod tests;
mod words;

use std::pin::pin;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use rumqttc::{AsyncClient, ManualAck};
use sumpwarden_core::acquire::TopicMap;
use sumpwarden_core::acquire::settings::BrokerSettings;
use sumpwarden_core::estimate::note::Note;
use sumpwarden_core::model::{Ack, Batch, BrokerIndex};
use tokio::sync::{mpsc, watch};
use tokio::time::timeout;

pub use self::notes::NoteEar;
pub use self::once::{ListenError, Listened, listen_once};
pub use self::publish::publish_once;
pub use self::status::{BrokerCounters, BrokerStatus, Link};

use self::inflight::{Inflight, UNACKNOWLEDGED_MAX};
use self::listener::{Listener, lock};
use super::clock::Clock;
use super::pulse::Pulse;

/// Reports of all brokers on their way to the engine. Full: the broker's task waits, at most [`INTAKE_WAIT_SHARE`] of the
/// keep-alive time; then it gives the connection up, so that the broker keeps what is not acknowledged.
pub const BROKER_REPORTS_MAX: usize = 256;

/// Share of the keep-alive time that one message may wait for room. Meanwhile nothing is said to the broker, whose
/// patience ends at 1.5 times what it was told (MQTT 3.1.1, 3.1.2.10).
const INTAKE_WAIT_SHARE: f64 = 0.3;

/// How long the store may take, when the daemon stops, with what was handed on last.
const STOP_GRACE: Duration = Duration::from_secs(3);

/// How long the goodbye to the broker may take.
const GOODBYE_MAX: Duration = Duration::from_secs(2);

/// What a broker's task tells the engine.
#[derive(Clone, PartialEq, Debug)]
pub enum BrokerReport {
    /// What one message brought, or the faults that stand in its place while the broker is away.
    Batch {
        /// Which broker.
        broker: BrokerIndex,
        /// Readings, and what to acknowledge once they are durable.
        batch: Batch,
    },
    /// What a person wrote down.
    Note {
        /// Which broker.
        broker: BrokerIndex,
        /// Checked.
        note: Box<Note>,
        /// One that is the same and at most so far away in time is this one, come again: a message without a time of its
        /// own has another one each time.
        same_within: Duration,
        /// What to acknowledge once it is durable.
        ack: Option<Ack>,
    },
    /// The broker has accepted us.
    Connected {
        /// Which broker.
        broker: BrokerIndex,
    },
    /// The broker cannot be used; sent when that begins, not at every attempt.
    NotConnected {
        /// Which broker.
        broker: BrokerIndex,
        /// Why, in words.
        why: String,
    },
}

/// What outlasts the task of a broker that crashed and is started again: its wires, and which messages still wait for the
/// store, so that what the store says of an earlier one is never taken for a later one's.
#[derive(Clone, Debug)]
pub struct BrokerSeat {
    acks: Arc<tokio::sync::Mutex<mpsc::UnboundedReceiver<Ack>>>,
    status: watch::Sender<BrokerStatus>,
    inflight: Arc<Mutex<Inflight>>,
    pulse: Pulse,
}

impl BrokerSeat {
    /// An [`Ack`] from `acks` says that what went with it is durable; it must be of this broker.
    pub fn new(acks: mpsc::UnboundedReceiver<Ack>, status: watch::Sender<BrokerStatus>) -> Self {
        Self {
            acks: Arc::new(tokio::sync::Mutex::new(acks)),
            status,
            inflight: Arc::new(Mutex::new(Inflight::new())),
            pulse: Pulse::default(),
        }
    }

    /// What is to be told when something of this broker never comes to be stored.
    pub fn losses(&self) -> Losses {
        Losses(Arc::clone(&self.inflight))
    }

    /// Rises with every pass of the broker's loop.
    pub fn pulse(&self) -> &Pulse {
        &self.pulse
    }
}

/// The way back for what the store has lost: the connection is given up before long, so that the broker sends again what
/// was not acknowledged; the times of what was lost are forgotten, so that one copy of it is taken.
#[derive(Clone, Debug)]
pub struct Losses(Arc<Mutex<Inflight>>);

impl Losses {
    /// What went with `ack` never comes to be stored. It must be of this broker.
    pub fn tell(&self, ack: Ack) {
        lock(&self.0).lost(ack.token);
    }
}

/// Listens to one broker until `shutdown` turns true or the receiver of `reports` is gone.
///
/// `topics` and `notes` were made of `settings`. After `shutdown` nothing more is taken over; what was handed on is waited for a moment, then the broker is
/// told goodbye.
#[expect(clippy::too_many_arguments, reason = "all of them are wires to somewhere else, joined in one place")]
pub async fn run_broker(
    broker: BrokerIndex,
    settings: &BrokerSettings,
    topics: TopicMap,
    notes: Option<NoteEar>,
    clock: Clock,
    reports: mpsc::Sender<BrokerReport>,
    seat: BrokerSeat,
    mut shutdown: watch::Receiver<bool>,
) {
    let BrokerSeat { acks, status, inflight, pulse } = seat;
    lock(&inflight).cut();
    let wires = listener::Wires { clock, reports, status: status.clone(), shutdown: shutdown.clone(), pulse };
    let (client, listener) =
        match Listener::new(broker, settings, (topics, notes), Arc::clone(&inflight), wires) {
            Ok(both) => both,
            Err(error) => {
                tracing::error!(broker = %settings.name, %error, "cannot listen");
                status.send_modify(|s| s.words = format!("cannot listen: {error}"));
                return;
            }
        };
    let mut listening = pin!(listener.run());
    let mut passing = pin!(pass_acks(acks, Arc::clone(&inflight), client.clone(), status.clone()));
    let mut passes = true;
    let told = loop {
        tokio::select! {
            _ = shutdown.wait_for(|stop| *stop) => break true,
            () = &mut listening => break false,
            // Nobody acknowledges any more: the daemon is on its way out.
            () = &mut passing, if passes => passes = false,
        }
    };
    if told {
        let places = lock(&inflight).places();
        let listens = tokio::select! {
            _ = timeout(STOP_GRACE, places.acquire_many(UNACKNOWLEDGED_MAX as u32)) => true,
            () = &mut passing, if passes => true,
            () = &mut listening => false,
        };
        // Not queued when the queue is full: then the listener is ended without a goodbye, below.
        let _ = client.try_disconnect_with_timeout(GOODBYE_MAX);
        if listens {
            // Who does not say it in time is ended without.
            let _ = timeout(GOODBYE_MAX, listening).await;
        }
    }
    let left = lock(&inflight).len();
    status.send_modify(|s| {
        s.link = Link::Stopped;
        s.words = format!("stopped; {left} messages not acknowledged, they will come again");
        s.since = clock.utc();
    });
    tracing::info!(broker = %settings.name, unacknowledged = left, "stopped listening");
}

/// Answers the packets whose readings are durable.
async fn pass_acks(
    acks: Arc<tokio::sync::Mutex<mpsc::UnboundedReceiver<Ack>>>,
    inflight: Arc<Mutex<Inflight>>,
    client: AsyncClient,
    status: watch::Sender<BrokerStatus>,
) {
    let mut acks = acks.lock().await;
    while let Some(ack) = acks.recv().await {
        // The lock is held until the answer is queued, so that it cannot slip into the next connection.
        let mut inflight = lock(&inflight);
        for answer in inflight.done(ack.token) {
            answer_with(&client, answer, &status);
        }
    }
}

/// Queues an answer. The queue holds more than there are places; should it ever be full, the message comes again.
fn answer_with(client: &AsyncClient, answer: ManualAck, status: &watch::Sender<BrokerStatus>) {
    match client.try_manual_ack(answer) {
        Ok(()) => {
            status.send_if_modified(|s| {
                s.counters.acknowledged += 1;
                false
            });
        }
        Err(error) => tracing::warn!(%error, "an acknowledgement could not be queued"),
    }
}
