//! Forwarding to the shop's time-series database: what the store owes becomes lines, lines become requests, answers
//! move the cursor. Nothing waits here: the store is the queue.
//!
//! Live points go first. When the live stretch could not be emptied for [`LIVE_LATE`] (after an outage, after a restart
//! with a backlog) it is split: what is owed so far becomes a backlog, drained oldest first a batch at a time, and the
//! live end begins at the newest commit, so that fresh points arrive within seconds meanwhile.
//!
//! An answer moves the cursor only when it is final: taken, or refused for good line by line. Whatever else happens, the
//! same lines are sent again; their tags and stamps make them the same points.

#[cfg(test)]
pub(crate) mod fake;
mod guard;
mod lines;
mod send;
#[cfg(test)]
mod tests;

use std::collections::VecDeque;
use std::fmt::Display;
use std::hash::{BuildHasher, RandomState};
use std::ops::Range;
use std::time::{Duration, Instant};

use sumpwarden_core::acquire::backoff::Backoff;
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::cursor::{Cursor, Stretch};
use sumpwarden_core::store::forward::{Delivered, ForwardTotals, Parked, Read};
use sumpwarden_core::store::settings::ForwardSettings;
use sumpwarden_core::store::{JournalEntry, StoredSeries};
use tokio::sync::watch;

use lines::Catalogue;
use send::{Answer, Sender};

/// Most points of one read, and lines of one request.
const LINES_MAX: usize = 5_000;
/// Most bytes of one request, before packing.
const REQUEST_BYTES_MAX: usize = 1 << 20;
/// Journal records of one request.
const JOURNAL_MAX: u32 = 500;
/// How often the store is asked for live points.
const LIVE_EVERY: Duration = Duration::from_secs(1);
/// From when on live points must not wait behind older ones.
const LIVE_LATE: Duration = Duration::from_secs(4);
/// First and longest wait after a passing failure.
const RETRY: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(300));
/// Between attempts where people have to act.
const NOT_ALLOWED_EVERY: Duration = Duration::from_secs(60);

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
    pace: Pace,
    backoff: Backoff,
    catalogue: Catalogue,
    /// Lines and bytes that the other side is known to take at once.
    lines_max: usize,
    bytes_max: usize,
    emptied: Option<Instant>,
    asked: Option<Instant>,
}

/// Waits, as a whole so that a test can shorten them together.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pace {
    pub(crate) live_every: Duration,
    pub(crate) live_late: Duration,
    pub(crate) retry: (Duration, Duration),
    pub(crate) not_allowed_every: Duration,
    pub(crate) request_deadline: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Self {
            live_every: LIVE_EVERY,
            live_late: LIVE_LATE,
            retry: RETRY,
            not_allowed_every: NOT_ALLOWED_EVERY,
            request_deadline: send::REQUEST_DEADLINE,
        }
    }
}

/// Lines of one read: their text and where each one ends in it.
#[derive(Debug, Default)]
struct Lines {
    text: String,
    /// Of each line: where it begins, and its point's stamp.
    starts: Vec<(usize, Timestamp)>,
    unwritable: Vec<Parked>,
}

impl Lines {
    fn bytes(&self, lines: &Range<usize>) -> Range<usize> {
        let start = |line: usize| self.starts.get(line).map_or(self.text.len(), |s| s.0);
        start(lines.start)..start(lines.end)
    }

    fn push<E: Display>(
        &mut self,
        at: Timestamp,
        what: impl FnOnce() -> String,
        written: Result<bool, E>,
        start: usize,
    ) {
        match written {
            Ok(true) => self.starts.push((start, at)),
            Ok(false) => {}
            Err(error) => self.unwritable.push(Parked { at, line: what(), reason: error.to_string() }),
        }
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
            pace,
            backoff: Backoff::new(pace.retry.0, pace.retry.1, seed),
            catalogue: Catalogue::default(),
            lines_max: LINES_MAX,
            bytes_max: REQUEST_BYTES_MAX,
            emptied: None,
            asked: None,
        })
    }

    /// How it goes, now and whenever it changes.
    pub fn status(&self) -> watch::Receiver<UplinkStatus> {
        self.status.subscribe()
    }

    /// Forwards until `stop` holds true or its sender is gone.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        tokio::select! {
            // Whatever was under way is sent again after the next start.
            _ = stop.wait_for(|stop| *stop) => {}
            _ = self.forward() => {}
        }
    }

    /// Goes on for ever; what fails in the store is tried again.
    async fn forward(&mut self) {
        let name = self.settings.name.to_string();
        loop {
            if let Err(error) = self.forward_from(&name).await {
                self.trouble(UplinkState::Retrying, format!("store: {error}"));
                tokio::time::sleep(self.pace.retry.0).await;
            }
        }
    }

    async fn forward_from(&mut self, name: &str) -> Result<(), S::Error> {
        let mut totals = self.outbox.begin(name).await?;
        self.show(&totals);
        loop {
            if self.asked.is_none_or(|asked| asked.elapsed() >= self.pace.live_every) {
                self.asked = Some(Instant::now());
                totals = self.forward_live(name, totals).await?;
                totals = self.forward_journal(name, totals).await?;
            }
            self.show(&totals);
            match totals.pending.backlog() {
                Some(stretch) => totals = self.forward_stretch(name, stretch).await?,
                None => {
                    let since = self.asked.map_or(self.pace.live_every, |asked| asked.elapsed());
                    tokio::time::sleep(self.pace.live_every.saturating_sub(since)).await;
                }
            }
        }
    }

    /// Empties the live stretch, or makes a backlog of it when that takes too long.
    async fn forward_live(
        &mut self,
        name: &str,
        mut totals: ForwardTotals,
    ) -> Result<ForwardTotals, S::Error> {
        loop {
            let live = totals.pending.live();
            let late = self.emptied.is_none_or(|at| at.elapsed() > self.pace.live_late);
            let asked = Instant::now();
            let read = self.outbox.read(live, LINES_MAX).await?;
            if read.points.len() < LINES_MAX {
                let after = self.deliver(name, live.from, read).await?;
                self.emptied = Some(asked);
                return Ok(after.unwrap_or(totals));
            }
            if late {
                totals = self.outbox.split(name).await?;
                self.emptied = Some(Instant::now());
                if totals.pending.live().from != live.from {
                    continue;
                }
            }
            totals = self.deliver(name, live.from, read).await?.unwrap_or(totals);
        }
    }

    async fn forward_stretch(&mut self, name: &str, stretch: Stretch) -> Result<ForwardTotals, S::Error> {
        let mut read = self.outbox.read(stretch, LINES_MAX).await?;
        if read.points.is_empty() && read.damaged == 0 {
            // Nothing is held of the rest of it.
            read.next = stretch.until.map_or(read.next, Cursor::before);
        }
        match self.deliver(name, stretch.from, read).await? {
            Some(totals) => Ok(totals),
            None => self.outbox.begin(name).await,
        }
    }

    /// Sends what was read until every line is taken or refused for good, and records it. None if there was nothing.
    async fn deliver(
        &mut self,
        name: &str,
        from: Cursor,
        read: Read,
    ) -> Result<Option<ForwardTotals>, S::Error> {
        if read.next == from {
            return Ok(None);
        }
        if !read.points.iter().all(|(series, _)| self.catalogue.knows(*series)) {
            self.catalogue = Catalogue::new(self.settings.site.as_str(), &self.outbox.series().await?);
        }
        let mut lines = Lines::default();
        for (series, point) in &read.points {
            let start = lines.text.len();
            let written = self.catalogue.write(*series, point, &mut lines.text);
            lines.push(point.at, || format!("{series:?} {point:?}"), written, start);
        }
        let parked = self.send_all(&mut lines).await;
        let forwarded = read.points.len() as u64 - parked.len() as u64;
        let done = Delivered { from, to: read.next, forwarded, parked, damaged: read.damaged };
        self.outbox.delivered(name, done).await.map(Some)
    }

    async fn forward_journal(
        &mut self,
        name: &str,
        totals: ForwardTotals,
    ) -> Result<ForwardTotals, S::Error> {
        let entries = self.outbox.journal_after(totals.journal_from, JOURNAL_MAX).await?;
        let Some(last) = entries.last() else { return Ok(totals) };
        let to = last.id + 1;
        let mut lines = Lines::default();
        for entry in &entries {
            let start = lines.text.len();
            let written = lines::write_journal(self.settings.site.as_str(), entry, &mut lines.text);
            lines.push(entry.at, || format!("{entry:?}"), written.map(|()| true), start);
        }
        let parked = self.send_all(&mut lines).await;
        self.outbox.journal_delivered(name, to, parked).await
    }

    /// Sends every line until the answer is final; gives those that will never be taken.
    async fn send_all(&mut self, lines: &mut Lines) -> Vec<Parked> {
        let mut parked = std::mem::take(&mut lines.unwritable);
        let mut todo: VecDeque<Range<usize>> = VecDeque::new();
        if !lines.starts.is_empty() {
            todo.push_back(0..lines.starts.len());
        }
        while let Some(range) = todo.pop_front() {
            let bytes = lines.bytes(&range);
            let halves = |range: &Range<usize>| {
                let middle = range.start.midpoint(range.end);
                [middle..range.end, range.start..middle]
            };
            if range.len() > 1 && (range.len() > self.lines_max || bytes.len() > self.bytes_max) {
                halves(&range).into_iter().for_each(|half| todo.push_front(half));
                continue;
            }
            match self.send_until_final(&lines.text[bytes.clone()]).await {
                Answer::Taken => {}
                Answer::TooLarge if range.len() > 1 => {
                    self.lines_max = range.len().div_ceil(2);
                    self.bytes_max = bytes.len() - 1;
                    tracing::info!(lines = self.lines_max, "the database takes less at once; remembered");
                    todo.push_front(range);
                }
                Answer::Refused(_) if range.len() > 1 => {
                    halves(&range).into_iter().for_each(|half| todo.push_front(half));
                }
                Answer::TooLarge => parked.push(park(lines, &range, "413: too large by itself".into())),
                Answer::Refused(why) | Answer::NotAllowed(why) | Answer::Later(why) => {
                    tracing::warn!(reason = why, "a point was refused for good and set aside");
                    parked.push(park(lines, &range, why));
                }
            }
        }
        parked
    }

    /// Sends `text` until it is taken, refused or found too large.
    async fn send_until_final(&mut self, text: &str) -> Answer {
        loop {
            let wait = match self.sender.send(text).await {
                Answer::NotAllowed(why) => {
                    self.trouble(UplinkState::NotAllowed, why);
                    self.pace.not_allowed_every
                }
                Answer::Later(why) => {
                    self.trouble(UplinkState::Retrying, why);
                    let drawn = self.backoff.next_wait();
                    self.sender.retry_after().map_or(drawn, |asked| asked.saturating_add(drawn))
                }
                answer => {
                    self.backoff.reset();
                    self.status.send_if_modified(|status| {
                        let news = status.state != UplinkState::Delivering;
                        status.state = UplinkState::Delivering;
                        status.error = None;
                        status.delivered_at = Some(Instant::now());
                        news
                    });
                    return answer;
                }
            };
            tokio::time::sleep(wait).await;
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

fn park(lines: &Lines, range: &Range<usize>, reason: String) -> Parked {
    let line = lines.text[lines.bytes(range)].trim_end().to_owned();
    Parked { at: lines.starts[range.start].1, line, reason }
}
