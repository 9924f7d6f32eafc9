//! Forwarding to the shop's time-series database: what the store owes becomes lines, lines become requests, answers
//! move the cursor. Nothing waits here: the store is the queue.
//!
//! What is read, sent and recorded when is the pure [`Forwarder`]'s to say; here it is carried out.

#[cfg(test)]
pub(crate) mod fake;
mod guard;
mod send;
#[cfg(test)]
mod tests;

use std::fmt::Display;
use std::hash::{BuildHasher, RandomState};
use std::time::{Duration, Instant};

#[cfg(feature = "faults")]
use sumpwarden_core::store::cursor;
use sumpwarden_core::store::cursor::Stretch;
use sumpwarden_core::store::forward::{Delivered, ForwardTotals, Parked, Read};
use sumpwarden_core::store::forwarder::{Errand, Forwarder, JOURNAL_MAX, Waits};
use sumpwarden_core::store::lines::Catalogue;
use sumpwarden_core::store::parcel::{Answer, LINES_MAX, Lines, Settled};
use sumpwarden_core::store::settings::ForwardSettings;
use sumpwarden_core::store::{JournalEntry, StoredSeries};
use tokio::sync::watch;

use super::clock::Clock;
use super::secret_file;
use crate::faults;
use send::Sender;

/// The store as a forwarder sees it.
pub trait Outbox: Clone + Send + Sync + 'static {
    /// Why the store did not do it.
    type Error: Display + Send;

    /// Where forwarder `name` stands; one that is new owes everything that is held.
    fn begin(&self, name: &str) -> impl Future<Output = Result<ForwardTotals, Self::Error>> + Send;
    /// Makes what is owed so far a backlog of its own.
    fn split(&self, name: &str) -> impl Future<Output = Result<ForwardTotals, Self::Error>> + Send;
    /// Records what became of a stretch.
    fn delivered(
        &self,
        name: &str,
        done: Delivered,
    ) -> impl Future<Output = Result<ForwardTotals, Self::Error>> + Send;
    /// Journal records before number `to` are done with.
    fn journal_delivered(
        &self,
        name: &str,
        to: i64,
        parked: Vec<Parked>,
    ) -> impl Future<Output = Result<ForwardTotals, Self::Error>> + Send;
    /// Every series that was ever stored.
    fn series(&self) -> impl Future<Output = Result<Vec<StoredSeries>, Self::Error>> + Send;
    /// Points of a stretch, at most `max`.
    fn read(&self, stretch: Stretch, max: usize) -> impl Future<Output = Result<Read, Self::Error>> + Send;
    /// Journal records from number `id` on.
    fn journal_after(
        &self,
        id: i64,
        limit: u32,
    ) -> impl Future<Output = Result<Vec<JournalEntry>, Self::Error>> + Send;
}

/// Why a forwarder cannot be started.
#[derive(Debug, thiserror::Error)]
pub enum UplinkError {
    /// The address is none.
    #[error("{url:?} is no address of a database: {why}")]
    Url {
        /// As configured.
        url: String,
        /// Why.
        why: String,
    },
    /// The token cannot be sent.
    #[error("the token holds characters that no HTTP header can carry")]
    Token,
    /// The HTTP client cannot be made.
    #[error("the HTTP client cannot be set up: {0}")]
    Client(String),
    /// The relay in front of it cannot listen.
    #[error("no loopback port for the forwarder's relay: {0}")]
    Guard(std::io::Error),
}

/// How forwarding goes.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct UplinkStatus {
    /// In one word.
    pub state: UplinkState,
    /// What the other side, the network or the store said last, unless all is well. Untrusted text, bounded.
    pub error: Option<String>,
    /// Points taken by the other side, ever.
    pub forwarded: u64,
    /// Points that it will never take, ever.
    pub parked: u64,
    /// Points dropped before they were forwarded.
    pub expired: u64,
    /// Whether a backlog is being drained.
    pub backlog: bool,
    /// When something was taken last.
    pub delivered_at: Option<Instant>,
}

/// How forwarding goes, in one word.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
pub enum UplinkState {
    /// Nothing tried yet.
    #[default]
    Starting,
    /// Goes.
    Delivering,
    /// Fails for now; tried again by itself.
    Retrying,
    /// Address, token, organisation or bucket are wrong: a person has to act. Everything is kept; tried each minute.
    NotAllowed,
}

/// One forwarder.
#[derive(Debug)]
pub struct Uplink<S> {
    settings: ForwardSettings,
    outbox: S,
    sender: Sender,
    status: watch::Sender<UplinkStatus>,
    forwarder: Forwarder,
    catalogue: Catalogue,
}

/// Waits, as a whole so that a test can shorten them together.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pace {
    pub(crate) waits: Waits,
    pub(crate) request_deadline: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Self { waits: Waits::default(), request_deadline: send::REQUEST_DEADLINE }
    }
}

impl<S: Outbox> Uplink<S> {
    /// Prepares forwarding from `outbox`. Must be called inside a runtime.
    pub fn new(settings: ForwardSettings, outbox: &S) -> Result<Self, UplinkError> {
        Self::paced(settings, outbox, Pace::default())
    }

    pub(crate) fn paced(settings: ForwardSettings, outbox: &S, pace: Pace) -> Result<Self, UplinkError> {
        let sender = Sender::new(&settings, pace.request_deadline)?;
        // Many gateways that lose one database must not come back in step.
        let seed = RandomState::new().hash_one(settings.name.as_str());
        Ok(Self {
            settings,
            outbox: outbox.clone(),
            sender,
            status: watch::Sender::default(),
            forwarder: Forwarder::new(pace.waits, seed),
            catalogue: Catalogue::default(),
        })
    }

    /// How it goes, now and whenever it changes.
    pub fn status(&self) -> watch::Receiver<UplinkStatus> {
        self.status.subscribe()
    }

    /// What a task shows of itself, for the next one should this one crash.
    pub fn seat(&self) -> watch::Sender<UplinkStatus> {
        self.status.clone()
    }

    /// In the seat of one before.
    pub fn seated(self, status: watch::Sender<UplinkStatus>) -> Self {
        Self { status, ..self }
    }

    /// Forwards until `stop` holds true or its sender is gone.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        tokio::select! {
            // Whatever was under way is sent again after the next start.
            _ = stop.wait_for(|stop| *stop) => {}
            () = self.forward() => {}
        }
    }

    /// Goes on for ever; what fails in the store is tried again.
    async fn forward(&mut self) {
        loop {
            faults::pass("forwarder").await;
            let errand = self.forwarder.next(Clock.uptime());
            if let Err(error) = self.carry_out(errand).await {
                self.trouble(UplinkState::Retrying, format!("store: {error}"));
                self.forwarder.failed(Clock.uptime());
            }
        }
    }

    async fn carry_out(&mut self, errand: Errand) -> Result<(), S::Error> {
        let name = self.settings.name.as_str();
        let totals = match errand {
            Errand::Begin => self.outbox.begin(name).await?,
            Errand::Split => self.outbox.split(name).await?,
            Errand::Record(done) => self.outbox.delivered(name, *done).await?,
            Errand::RecordJournal(to, parked) => self.outbox.journal_delivered(name, to, parked).await?,
            Errand::Read(stretch) => {
                let read = self.outbox.read(stretch, LINES_MAX).await?;
                let lines = self.lines(&read).await?;
                #[cfg(feature = "faults")]
                if faults::broken("early-cursor@forwarder") && read.next != stretch.from {
                    self.record_unsent(stretch.from, &read).await?;
                }
                self.forwarder.read(Clock.uptime(), read, lines);
                return Ok(());
            }
            Errand::ReadJournal(from) => {
                let entries = self.outbox.journal_after(from, JOURNAL_MAX).await?;
                let lines = Lines::of_journal(&self.settings.origin, &entries);
                self.forwarder.read_journal(&entries, lines);
                return Ok(());
            }
            Errand::Send => {
                self.send().await;
                return Ok(());
            }
            Errand::Wait(until) => {
                tokio::time::sleep(until.since(Clock.uptime())).await;
                return Ok(());
            }
        };
        self.show(&totals);
        self.forwarder.stands(Clock.uptime(), totals);
        Ok(())
    }

    /// What a right program never does; for a test that has to notice.
    #[cfg(feature = "faults")]
    async fn record_unsent(&self, from: cursor::Cursor, read: &Read) -> Result<(), S::Error> {
        let forwarded = read.points.len() as u64;
        let done =
            Delivered { from, to: read.next, forwarded, parked: Vec::new(), damaged: 0, layout: read.layout };
        self.outbox.delivered(self.settings.name.as_str(), done).await.map(drop)
    }

    async fn lines(&mut self, read: &Read) -> Result<Lines, S::Error> {
        if !read.points.iter().all(|(series, _)| self.catalogue.knows(*series)) {
            self.catalogue = Catalogue::new(&self.settings.origin, &self.outbox.series().await?);
        }
        Ok(Lines::of_points(&self.catalogue, &read.points))
    }

    async fn send(&mut self) {
        let mut answer = self.sender.send(self.forwarder.portion()).await;
        if matches!(answer, Answer::NotAllowed(_)) && self.renew_token().await {
            answer = self.sender.send(self.forwarder.portion()).await;
        }
        match &answer {
            Answer::NotAllowed(why) => self.trouble(UplinkState::NotAllowed, why.clone()),
            Answer::Later(why) => self.trouble(UplinkState::Retrying, why.clone()),
            Answer::Taken | Answer::Refused(_) | Answer::TooLarge => {
                self.status.send_if_modified(|status| {
                    let news = status.state != UplinkState::Delivering;
                    status.state = UplinkState::Delivering;
                    status.error = None;
                    status.delivered_at = Some(Instant::now());
                    news
                });
            }
        }
        let settled = self.forwarder.answered(Clock.uptime(), answer, self.sender.retry_after());
        match settled {
            Some(Settled::Smaller) => {
                let lines = self.forwarder.sizes().lines_max;
                tracing::info!(lines, "the database takes less at once; remembered");
            }
            Some(Settled::SetAside(reason)) => {
                tracing::warn!(reason, "a point was refused for good and set aside");
            }
            Some(Settled::Taken | Settled::Halved) | None => {}
        }
    }

    /// Takes over another token, where the token's file holds one by now.
    async fn renew_token(&mut self) -> bool {
        let Some(token) = secret_file::renewed(&self.settings.token).await else { return false };
        let settings = ForwardSettings { token, ..self.settings.clone() };
        match Sender::new(&settings, self.sender.deadline()) {
            Ok(sender) => {
                tracing::info!(forwarder = %settings.name, "its file holds another token: used from now on");
                (self.settings, self.sender) = (settings, sender);
                true
            }
            Err(error) => {
                tracing::warn!(forwarder = %settings.name, %error, "the token in its file cannot be used");
                false
            }
        }
    }

    fn trouble(&self, state: UplinkState, error: String) {
        self.status.send_if_modified(|status| {
            let news = status.state != state || status.error.as_ref() != Some(&error);
            if news {
                tracing::warn!(forwarder = %self.settings.name, error, "forwarding fails; everything is kept");
            }
            status.state = state;
            status.error = Some(error);
            news
        });
    }

    fn show(&self, totals: &ForwardTotals) {
        self.status.send_if_modified(|status| {
            let before = status.clone();
            status.forwarded = totals.forwarded;
            status.parked = totals.parked;
            status.expired = totals.expired;
            status.backlog = totals.pending.backlog().is_some();
            *status != before
        });
    }
}
