//! What the topics of a broker bring in a while, for a person who wants to see what is on the wire.
//!
//! With a client id of its own, a clean session and QoS 0: the daemon, which may run at the same time, keeps its
//! connection, its session and every message that waits for it.

use std::time::Duration;

use rumqttc::{
    AsyncClient, Event, EventLoop, Packet, Publish, QoS, SubAck, SubscribeFilter, SubscribeReasonCode,
};
use sumpwarden_core::acquire::TopicMap;
use sumpwarden_core::acquire::settings::BrokerSettings;
use sumpwarden_core::model::{ProbeIndex, RawReading};
use tokio::time::{Instant, timeout, timeout_at};

use super::GOODBYE_MAX;
use super::listener::{in_packets, network, options, read};
use super::sieve::Mark;
use super::words::explain;
use crate::edge::clock::Clock;

/// Requests to the library that may wait: subscriptions, pings, the goodbye. Full: the attempt is given up.
const REQUESTS_MAX: usize = 1024;

/// Added to the configured client id.
const CLIENT_ID_SUFFIX: &str = "-read";

/// What a broker's topics brought.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Listened {
    /// The first reading of each probe that had one, faults among them.
    pub readings: Vec<RawReading>,
    /// Filters the broker would not let us subscribe to.
    pub refused_filters: Vec<String>,
}

impl Listened {
    fn has(&self, probe: ProbeIndex) -> bool {
        self.readings.iter().any(|reading| reading.probe == probe)
    }
}

/// Why a broker could not be listened to, in words.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{0}")]
pub struct ListenError(String);

/// Listens for one reading of each probe of `topics`, no longer than `most` from when the broker accepts us.
///
/// `topics` was made of `settings`.
pub async fn listen_once(
    settings: &BrokerSettings,
    topics: TopicMap,
    clock: Clock,
    most: Duration,
) -> Result<Listened, ListenError> {
    let mut ear = Ear::connect(settings, topics, clock).await?;
    let mut listened = Listened::default();
    let deadline = Instant::now() + most;
    let probes = ear.topics.probes();
    while probes.iter().any(|probe| !listened.has(*probe)) {
        let Ok(event) = timeout_at(deadline, ear.eventloop.poll()).await else { break };
        match event.map_err(|error| ListenError(explain(&error).1))? {
            Event::Incoming(Packet::Publish(publish)) => ear.hear(&publish, &mut listened),
            Event::Incoming(Packet::SubAck(answer)) => {
                listened.refused_filters.extend(ear.refused_filters(&answer));
            }
            Event::Incoming(_) | Event::Outgoing(_) => {}
        }
    }
    ear.leave().await;
    Ok(listened)
}

/// A connection that has been accepted and has asked for its subscriptions.
struct Ear {
    topics: TopicMap,
    mark: Mark,
    clock: Clock,
    client: AsyncClient,
    eventloop: EventLoop,
    /// Filters of the SUBSCRIBE packets that are not answered yet, the oldest last.
    unanswered: Vec<Vec<String>>,
}

impl Ear {
    async fn connect(settings: &BrokerSettings, topics: TopicMap, clock: Clock) -> Result<Self, ListenError> {
        let told = |error: &dyn std::error::Error| ListenError(error.to_string());
        let client_id = format!("{}{CLIENT_ID_SUFFIX}", settings.client_id);
        let settings = BrokerSettings { client_id, ..settings.clone() };
        let mark = Mark::draw();
        let mut options = options(&settings, mark).map_err(|error| told(&error))?;
        options.try_set_clean_session(true).map_err(|error| told(&error))?;
        let builder = AsyncClient::builder(options).capacity(REQUESTS_MAX);
        let (client, mut eventloop) = builder.try_build().map_err(|error| told(&error))?;
        eventloop.set_network_options(network());
        while !matches!(
            eventloop.poll().await.map_err(|error| ListenError(explain(&error).1))?,
            Event::Incoming(Packet::ConnAck(_))
        ) {}
        let mut unanswered = in_packets(&topics.subscriptions());
        for filters in &unanswered {
            let wanted = filters.iter().map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtMostOnce));
            client.try_subscribe_many(wanted).map_err(|error| told(&error))?;
        }
        unanswered.reverse();
        Ok(Self { topics, mark, clock, client, eventloop, unanswered })
    }

    fn hear(&mut self, publish: &Publish, listened: &mut Listened) {
        for reading in read(&mut self.topics, self.mark, publish, None, self.clock).readings {
            if !listened.has(reading.probe) {
                listened.readings.push(reading);
            }
        }
    }

    /// Brokers answer subscriptions in their order, as they come over one connection.
    fn refused_filters(&mut self, answer: &SubAck) -> Vec<String> {
        let filters = self.unanswered.pop().unwrap_or_default();
        let answered = filters.into_iter().zip(&answer.return_codes);
        answered
            .filter(|(_, code)| matches!(code, SubscribeReasonCode::Failure))
            .map(|(filter, _)| filter)
            .collect()
    }

    /// Says goodbye, if there is time.
    async fn leave(mut self) {
        if self.client.try_disconnect_with_timeout(GOODBYE_MAX).is_ok() {
            let gone = async { while self.eventloop.poll().await.is_ok() {} };
            // Without a goodbye the broker drops a clean session all the same.
            let _ = timeout(GOODBYE_MAX, gone).await;
        }
    }
}
