//! What is said over one connection: subscriptions, births, data, the goodbye.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use rumqttc::{
    AsyncClient, Packet, Publish, PublishOptions, QoS, SubAck, SubscribeFilter, SubscribeReasonCode,
};
use sumpwarden_core::acquire::pace::Pace;
use sumpwarden_protocol::sparkplug::session::{Heard, Outgoing, Session};
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, sleep_until, timeout};

use super::metrics::picture;
use super::{GOODBYE_MAX, SparkplugSettings, Surroundings, now_ms};
use crate::edge::mqtt::words::shown;
use crate::faults;

/// The shop that is not seen within this is looked at again next time.
const LOOK_MAX: Duration = Duration::from_secs(2);

/// Rebirths are this far apart, however often hosts ask: one answers all that asked meanwhile.
const REBIRTHS_APART: Duration = Duration::from_secs(1);

/// Requests to the library that may wait: a birth and a death of each sump, subscriptions, the goodbye. Never full by
/// construction, since nobody looks while something waits; if it is, the connection is given up.
pub(super) const fn requests_max(sumps: usize) -> usize {
    2 * sumps + 16
}

/// Why nothing more is said.
pub(super) struct Left {
    /// The daemon stops.
    pub(super) told: bool,
    /// In words.
    pub(super) words: String,
}

/// What happens next.
enum What {
    Stop,
    Came(Option<Packet>),
    Due,
}

pub(super) struct Talk<'a> {
    settings: &'a SparkplugSettings,
    around: &'a Surroundings,
    session: &'a mut Session,
    pace: &'a mut Pace,
    client: AsyncClient,
    /// Messages that have not left yet.
    waiting: Arc<AtomicUsize>,
    shutdown: watch::Receiver<bool>,
    accepted: bool,
    filters: Vec<String>,
    /// When it is looked next; not before the subscriptions are answered.
    next: Option<Instant>,
    told_at: Option<Instant>,
    ignored: Option<&'static str>,
}

impl<'a> Talk<'a> {
    pub(super) fn new(
        settings: &'a SparkplugSettings,
        around: &'a Surroundings,
        session: &'a mut Session,
        pace: &'a mut Pace,
        client: AsyncClient,
        waiting: Arc<AtomicUsize>,
        shutdown: watch::Receiver<bool>,
    ) -> Self {
        Self {
            settings,
            around,
            session,
            pace,
            client,
            waiting,
            shutdown,
            accepted: false,
            filters: Vec::new(),
            next: None,
            told_at: None,
            ignored: None,
        }
    }

    /// Whether the broker had said yes.
    pub(super) fn was_accepted(&self) -> bool {
        self.accepted
    }

    /// Until the daemon stops, the primary host goes, or nothing more gets out. The goodbye is queued then.
    pub(super) async fn run(&mut self, mut arriving: mpsc::Receiver<Packet>) -> Left {
        let mut shutdown = self.shutdown.clone();
        loop {
            let next = self.next.unwrap_or_else(|| Instant::now() + self.settings.every);
            let what = tokio::select! {
                biased;
                () = async { drop(shutdown.wait_for(|stop| *stop).await) } => What::Stop,
                packet = arriving.recv() => What::Came(packet),
                () = sleep_until(next), if self.next.is_some() => What::Due,
            };
            let step = match what {
                What::Stop => Err(Left { told: true, words: "told to stop".to_owned() }),
                What::Came(Some(packet)) => self.step(packet),
                // The connection has ended, and whoever drives it says how.
                What::Came(None) => std::future::pending().await,
                What::Due => self.look().await,
            };
            if let Err(left) = step {
                self.say_goodbye();
                return left;
            }
        }
    }

    fn step(&mut self, packet: Packet) -> Result<(), Left> {
        match packet {
            Packet::ConnAck(_) => self.accepted(),
            Packet::SubAck(answer) => {
                self.subscribed(&answer);
                Ok(())
            }
            Packet::Publish(publish) => self.heard(&publish),
            _ => Ok(()),
        }
    }

    fn accepted(&mut self) -> Result<(), Left> {
        self.accepted = true;
        self.pace.accepted(self.around.clock.uptime());
        self.filters = self.session.accepted();
        let wanted = self.filters.iter().map(|f| SubscribeFilter::new(f.clone(), QoS::AtLeastOnce));
        self.client.try_subscribe_many(wanted).map_err(|error| gave_up(&error))
    }

    /// From now on no command is missed.
    fn subscribed(&mut self, answer: &SubAck) {
        for (filter, code) in self.filters.iter().zip(&answer.return_codes) {
            if matches!(code, SubscribeReasonCode::Failure) {
                let broker = &self.settings.broker.name;
                tracing::error!(%broker, filter, "subscription refused: check access rights");
            }
        }
        if let Some(host) = &self.settings.primary_host {
            tracing::info!(broker = %self.settings.broker.name, %host, "nothing is said before this host is online");
        }
        self.next = Some(Instant::now());
    }

    fn heard(&mut self, publish: &Publish) -> Result<(), Left> {
        let topic = String::from_utf8_lossy(&publish.topic);
        match self.session.heard(&topic, &publish.payload, publish.retain) {
            Heard::Rebirth => {
                let earliest = self.told_at.map_or_else(Instant::now, |told| told + REBIRTHS_APART);
                self.next = self.next.map(|_| earliest);
            }
            Heard::HostOnline => self.next = self.next.map(|_| Instant::now()),
            Heard::HostOffline if self.session.is_alive() => {
                return Err(Left { told: false, words: "the primary host has gone offline".to_owned() });
            }
            Heard::HostOffline => {}
            // Once a reason and connection: a host that is wrong for ever does not fill the log.
            Heard::Ignored(why) if self.ignored != Some(why) => {
                self.ignored = Some(why);
                tracing::warn!(broker = %self.settings.broker.name, topic = shown(&topic), "ignored {why}");
            }
            Heard::Ignored(_) => {}
        }
        Ok(())
    }

    /// Looks at the shop and tells what has changed.
    async fn look(&mut self) -> Result<(), Left> {
        faults::pass("sparkplug").await;
        let now = Instant::now();
        self.next = Some(now + self.settings.every);
        // What has not left yet would only be followed by more; it is looked again next time.
        if self.waiting.load(Ordering::Relaxed) > 0 {
            return Ok(());
        }
        let Ok(Some(seen)) = timeout(LOOK_MAX, (self.around.look)()).await else { return Ok(()) };
        let was_alive = self.session.is_alive();
        let out = self.session.tell(&picture(&self.around.facts, &seen));
        for Outgoing { topic, payload } in out {
            self.waiting.fetch_add(1, Ordering::Relaxed);
            self.client
                .try_publish(topic, payload, PublishOptions::at_most_once())
                .map_err(|error| gave_up(&error))?;
            self.told_at = Some(now);
        }
        if self.session.is_alive() && !was_alive {
            let SparkplugSettings { edge_node, broker, .. } = self.settings;
            let (group, node, bd_seq) = (&edge_node.group, &edge_node.node, self.session.bd_seq().0);
            tracing::info!(broker = %broker.name, %group, %node, bd_seq, "plant systems see this box");
        }
        Ok(())
    }

    /// Queues the death and the end. Where there is no room the broker publishes the will, which says the same.
    fn say_goodbye(&mut self) {
        if let Some(Outgoing { topic, payload }) = self.session.end(now_ms(self.around.clock)) {
            let _ = self.client.try_publish(topic, payload, PublishOptions::at_least_once());
        }
        let _ = self.client.try_disconnect_with_timeout(GOODBYE_MAX);
    }
}

fn gave_up(error: &dyn std::error::Error) -> Left {
    Left { told: false, words: format!("takes nothing any more: {error}") }
}
