//! Messages out: what the outbox holds for a receiver becomes messages, answers become marks. Nothing waits here that the
//! store does not hold.
//!
//! One task per receiver. It wakes when rows have become durable, asks [`Dispatch`] what to send when, sends it, and marks the
//! rows in the store. A row is marked when the other side has taken it and not before, so a message may come twice after a
//! kill, with the same key and number; it never fails to come.

mod address;
#[cfg(test)]
mod fake;
mod heartbeat;
mod http;
pub mod link;
mod mail;
pub mod template;
#[cfg(test)]
mod tests;
mod webhook;

use std::fmt::Display;
use std::hash::{BuildHasher, RandomState};
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use sumpwarden_core::alarm::notice::Notice;
use sumpwarden_core::model::{Name, Timestamp};
use sumpwarden_core::notify::dispatch::{Decision, Dispatch, Outcome};
use sumpwarden_core::notify::settings::{MqttSettings, Way};
use sumpwarden_core::notify::words::{Composed, compose, test_message};
use sumpwarden_core::notify::{
    Mark, OutboxCounts, OutboxNews, OutboxRow, Reached, ReceiverSettings, RowState, quiet,
};
use tokio::sync::{mpsc, watch};

use super::clock::Clock;
use super::pulse::Pulse;
use crate::faults;
use link::Links;

pub use address::disguised;
pub use heartbeat::{Heartbeat, HeartbeatSettings};
pub use http::check_url;

use mail::Mail;
use webhook::Webhook;

/// From the first byte of a message to the last of its answer.
const MESSAGE_DEADLINE: Duration = Duration::from_secs(10);
/// Rows read at once.
const ROWS_READ: u32 = 1_000;
/// A task looks round at least so often, whatever it waits for: the clock may have been set.
const LOOK_EVERY: Duration = Duration::from_secs(10);
/// Between attempts where the store does not answer.
const STORE_RETRY: Duration = Duration::from_secs(1);

/// Reports of all receivers on their way to the engine. Full: the receiver's task waits, and its messages with it; the engine
/// takes them within milliseconds.
pub const RECEIVER_REPORTS_MAX: usize = 64;

/// The store as a receiver's task sees it.
pub trait Outbox: Clone + Send + Sync + 'static {
    /// Why the store did not do it.
    type Error: Display + Send;

    /// Changes whenever rows have become durable.
    fn news(&self) -> watch::Receiver<OutboxNews>;
    /// Rows of a receiver that are to be sent, after row `id`, at most `limit`.
    fn pending_after(
        &self,
        receiver: Name,
        id: i64,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<OutboxRow>, Self::Error>> + Send;
    /// Records what has become of rows; returns once that is durable.
    fn mark(&self, marks: Vec<Mark>) -> impl Future<Output = Result<(), Self::Error>> + Send;
    /// What has become of all rows of a receiver, and when one was taken last.
    fn counts(
        &self,
        receiver: Name,
    ) -> impl Future<Output = Result<(OutboxCounts, Option<Timestamp>), Self::Error>> + Send;
}

/// Publishes by MQTT; done when the broker has acknowledged.
pub type Publisher = Arc<
    dyn Fn(MqttSettings, Vec<u8>) -> Pin<Box<dyn Future<Output = Result<(), String>> + Send>> + Send + Sync,
>;

/// Why a receiver cannot be started.
#[derive(Debug, thiserror::Error)]
pub enum ReceiverError {
    /// Its address.
    #[error("{0}")]
    Address(String),
    /// Its template.
    #[error("template: {0}")]
    Template(String),
    /// What it sends.
    #[error("{0}")]
    Message(String),
}

/// How a receiver is.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct ReceiverStatus {
    /// In one word.
    pub state: ReceiverState,
    /// What the other side, the network or the store said last, unless all is well. Untrusted text, bounded.
    pub error: Option<String>,
    /// What has become of its rows.
    pub counts: OutboxCounts,
    /// When the other side has taken a message last; the test message counts.
    pub delivered_at: Option<Timestamp>,
}

/// How a receiver is, in one word.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
pub enum ReceiverState {
    /// Nothing sent yet.
    #[default]
    Starting,
    /// Messages get through.
    Reached,
    /// They fail for now; tried again by itself.
    Retrying,
    /// The last one was refused for good: a person has to act.
    Refused,
}

/// What a receiver tells the engine.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ReceiverReport {
    /// Which.
    pub receiver: Name,
    /// What has happened.
    pub what: Reached,
}

/// How messages are sent.
enum Sender {
    Webhook(Box<Webhook>),
    Mail(Box<Mail>),
    Mqtt(Box<MqttSettings>, Publisher),
}

impl Sender {
    /// Takes over other secrets, where their files hold such by now; whether it did. A broker's password is read each time.
    async fn renew(&mut self) -> bool {
        match self {
            Self::Webhook(webhook) => webhook.renew().await,
            Self::Mail(mail) => mail.renew().await,
            Self::Mqtt(..) => false,
        }
    }
}

/// What every receiver is handed.
#[derive(Clone)]
pub struct Surroundings {
    /// Site name.
    pub site: Name,
    /// Makes the links to acknowledge by, where there is a page to link to.
    pub links: Option<Arc<Links>>,
    /// Publishes by MQTT.
    pub publisher: Publisher,
    /// Where reports go.
    pub reports: mpsc::Sender<ReceiverReport>,
}

/// What a receiver's task shows of itself.
#[derive(Clone, Debug)]
pub struct ReceiverSeat {
    status: watch::Sender<ReceiverStatus>,
    /// Goes up whenever the task has looked round.
    pub pulse: Pulse,
}

/// The task of one receiver.
pub struct Receiver<S> {
    site: Name,
    links: Option<Arc<Links>>,
    reports: mpsc::Sender<ReceiverReport>,
    outbox: S,
    sender: Sender,
    dispatch: Dispatch,
    status: watch::Sender<ReceiverStatus>,
    pulse: Pulse,
    /// Row read last, and from which file.
    cursor: (u64, i64),
    next_test: Option<Timestamp>,
    deadline: Duration,
}

impl<S: Outbox> Receiver<S> {
    /// Prepares the task.
    pub fn new(settings: ReceiverSettings, outbox: &S, around: Surroundings) -> Result<Self, ReceiverError> {
        let sender = match &settings.way {
            Way::Webhook(webhook) => Sender::Webhook(Box::new(Webhook::new(webhook)?)),
            Way::Mail(mail) => Sender::Mail(Box::new(Mail::new(mail, &around.site)?)),
            Way::Mqtt(mqtt) => Sender::Mqtt(Box::new(mqtt.clone()), around.publisher),
        };
        let seed = RandomState::new().hash_one(settings.name.as_str());
        Ok(Self {
            site: around.site,
            links: around.links,
            reports: around.reports,
            outbox: outbox.clone(),
            sender,
            // Many receivers on one server that comes back do not all knock at the same instant.
            dispatch: Dispatch::new(settings, seed),
            status: watch::Sender::default(),
            pulse: Pulse::default(),
            cursor: (0, 0),
            next_test: None,
            deadline: MESSAGE_DEADLINE,
        })
    }

    /// How it is, now and whenever it changes.
    pub fn status(&self) -> watch::Receiver<ReceiverStatus> {
        self.status.subscribe()
    }

    /// What a task shows of itself, for the next one should this one crash: how it is, and that it goes on.
    pub fn seat(&self) -> ReceiverSeat {
        ReceiverSeat { status: self.status.clone(), pulse: self.pulse.clone() }
    }

    /// In the seat of one before.
    pub fn seated(self, seat: ReceiverSeat) -> Self {
        Self { status: seat.status, pulse: seat.pulse, ..self }
    }

    /// Sends until `stop` holds true or its sender is gone. A message under way is sent again after the next start.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        tokio::select! {
            _ = stop.wait_for(|stop| *stop) => {}
            _ = self.deliver() => {}
        }
    }

    /// Goes on for ever; what fails in the store is tried again.
    async fn deliver(&mut self) {
        let mut news = self.outbox.news();
        loop {
            faults::pass("receiver").await;
            let pulse = self.pulse.clone();
            let latest = *news.borrow_and_update();
            // A message has its deadline, and the store, however long it takes, a pulse of its own.
            let wait = match pulse.during(self.step(latest)).await {
                Ok(wait) => wait,
                Err(error) => {
                    self.trouble(ReceiverState::Retrying, format!("store: {error}"));
                    STORE_RETRY
                }
            };
            tokio::select! {
                // The store's sender lives as long as this task's handle on the store.
                _ = news.changed() => {}
                () = pulse.during(tokio::time::sleep(wait)) => {}
            }
        }
    }

    /// One look round; gives how long nothing is to be done, unless rows arrive.
    async fn step(&mut self, latest: OutboxNews) -> Result<Duration, S::Error> {
        self.read(latest).await?;
        self.test_if_due().await;
        let now = Clock.now();
        match self.dispatch.next(now) {
            Decision::Expire(ids) => {
                self.mark(ids.clone(), RowState::Expired, Some("too old to matter".to_owned())).await?;
                self.dispatch.remove(&ids);
                Ok(Duration::ZERO)
            }
            Decision::Send(ids) => {
                self.send(ids).await?;
                Ok(Duration::ZERO)
            }
            Decision::Wait(until) => {
                Ok(until.map_or(LOOK_EVERY, |until| until.since(now.uptime).min(LOOK_EVERY)))
            }
        }
    }

    /// Reads the rows that have become durable since the last look.
    async fn read(&mut self, latest: OutboxNews) -> Result<(), S::Error> {
        if latest.generation != self.cursor.0 {
            self.cursor = (latest.generation, 0);
            self.dispatch.forget();
        }
        let mut more = true;
        let mut arrived = false;
        while more {
            let name = self.dispatch.settings().name.clone();
            let rows = self.outbox.pending_after(name, self.cursor.1, ROWS_READ).await?;
            more = rows.len() == ROWS_READ as usize;
            arrived |= !rows.is_empty();
            self.cursor.1 = rows.last().map_or(self.cursor.1, |row| row.id);
            self.dispatch.take(Clock.uptime(), rows);
        }
        if arrived || self.status.borrow().state == ReceiverState::Starting {
            self.show_counts().await?;
        }
        Ok(())
    }

    async fn send(&mut self, ids: Vec<i64>) -> Result<(), S::Error> {
        let settings = self.dispatch.settings();
        let now = Clock.utc();
        let link = |notice: &Notice| self.links.as_ref()?.address(notice, &settings.name, now);
        let message = compose(&self.site, settings, &self.dispatch.rows(&ids), link);
        #[cfg(feature = "faults")]
        let message = under_another_key(message);
        let outcome = self.attempt(&message).await;
        if let Some(mark) = outcome.mark(&ids, Clock.utc()) {
            self.outbox.mark(vec![mark]).await?;
        }
        self.show_outcome(&outcome, ids.len());
        let now = Clock.uptime();
        let report = self.dispatch.settle(now, &ids, outcome);
        if self.dispatch.not_before() > now {
            let wait = self.dispatch.not_before().since(now);
            tracing::info!(receiver = %self.dispatch.settings().name, ?wait, "tried again later");
        }
        self.report(report).await;
        self.show_counts().await
    }

    /// One that fails is tried once more at once where a secret has been changed meanwhile.
    async fn attempt(&mut self, message: &Composed) -> Outcome {
        let outcome = self.attempt_once(message).await;
        if matches!(outcome, Outcome::Refused(_) | Outcome::Later(..)) && self.sender.renew().await {
            tracing::info!(receiver = %self.dispatch.settings().name, "one of its files holds another secret: used from now on");
            return self.attempt_once(message).await;
        }
        outcome
    }

    async fn attempt_once(&self, message: &Composed) -> Outcome {
        let sending = async {
            match &self.sender {
                Sender::Webhook(webhook) => webhook.send(message, Clock.utc()).await,
                Sender::Mail(mail) => mail.send(message).await,
                Sender::Mqtt(settings, publisher) => {
                    match publisher((**settings).clone(), webhook::generic_body(message)).await {
                        Ok(()) => Outcome::Taken,
                        Err(why) => Outcome::Later(why, None),
                    }
                }
            }
        };
        let late = || Outcome::Later(format!("no answer within {:?}", self.deadline), None);
        tokio::time::timeout(self.deadline, sending).await.unwrap_or_else(|_| late())
    }

    /// Shows what a message with so many rows came to.
    fn show_outcome(&self, outcome: &Outcome, rows: usize) {
        if let Some(why) = outcome.refusal(rows) {
            return self.trouble(ReceiverState::Refused, why.to_owned());
        }
        match outcome {
            Outcome::Taken => self.status.send_modify(|status| {
                status.state = ReceiverState::Reached;
                status.error = None;
                status.delivered_at = Some(Clock.utc());
            }),
            Outcome::Later(why, _) => self.trouble(ReceiverState::Retrying, why.clone()),
            Outcome::TooLarge | Outcome::Refused(_) => {}
        }
    }

    /// A message that says nothing but that it arrives, once a day where that is wanted. One that fails is not repeated:
    /// that it fails shows.
    async fn test_if_due(&mut self) {
        let settings = self.dispatch.settings();
        let Some(time) = settings.test_daily else { return };
        let now = Clock.utc();
        let next = || quiet::next_at(time, now, &settings.reader.zone);
        let Some(due) = self.next_test.or_else(next) else { return };
        // After the clock was set back, the next one is not days away.
        self.next_test = if due > now { next().map(|next| next.min(due)) } else { next() };
        if due > now {
            return;
        }
        let message = test_message(&self.site, settings);
        let outcome = self.attempt(&message).await;
        match outcome.refusal(1) {
            Some(why) => self.trouble(ReceiverState::Retrying, why.to_owned()),
            None => self.show_outcome(&outcome, 1),
        }
        let report = self.dispatch.tested(Clock.uptime(), outcome);
        self.report(report).await;
    }

    async fn mark(&self, ids: Vec<i64>, state: RowState, reason: Option<String>) -> Result<(), S::Error> {
        self.outbox.mark(vec![Mark::Rows { ids, state, reason, at: Clock.utc() }]).await
    }

    async fn report(&self, what: Option<Reached>) {
        let Some(what) = what else { return };
        let receiver = self.dispatch.settings().name.clone();
        // The engine has ended: so will this task.
        let _ = self.reports.send(ReceiverReport { receiver, what }).await;
    }

    async fn show_counts(&self) -> Result<(), S::Error> {
        let (counts, delivered_at) = self.outbox.counts(self.dispatch.settings().name.clone()).await?;
        if !counts.add_up() {
            tracing::error!(receiver = %self.dispatch.settings().name, ?counts, "rows are not in exactly one count");
        }
        self.status.send_if_modified(|status| {
            let before = status.clone();
            status.counts = counts;
            status.delivered_at = status.delivered_at.max(delivered_at);
            *status != before
        });
        Ok(())
    }

    fn trouble(&self, state: ReceiverState, error: String) {
        self.status.send_if_modified(|status| {
            let news = status.state != state || status.error.as_ref() != Some(&error);
            if news {
                tracing::warn!(receiver = %self.dispatch.settings().name, error, "a message does not get through; it is kept");
            }
            status.state = state;
            status.error = Some(error);
            news
        });
    }
}

/// What a right program never does; for a test that has to notice.
#[cfg(feature = "faults")]
fn under_another_key(mut message: Composed) -> Composed {
    if faults::broken("random-key@outbox") {
        let drawn = RandomState::new().hash_one(());
        let Composed { items, latest, .. } = &mut message;
        items.iter_mut().chain(latest).for_each(|item| item.key = format!("{drawn:x}"));
    }
    message
}
