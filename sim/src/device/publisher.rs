//! A device that publishes over MQTT.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, PublishOptions, QoS};
use tokio::task::JoinHandle;

/// Messages not yet on the wire. Full: the publisher's caller waits (or, with [`Publisher::try_publish`], is told).
const MESSAGES_MAX: usize = 256;
/// Wait before connecting again.
const RECONNECT_AFTER: Duration = Duration::from_millis(250);

/// How a publisher connects.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PublisherOptions {
    /// Host of the broker.
    pub host: String,
    /// Port of the broker.
    pub port: u16,
    /// Client id.
    pub client_id: String,
    /// User and password.
    pub user: Option<(String, String)>,
}

/// What became of a publisher's messages.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct PublisherCounts {
    /// Taken for publishing.
    pub taken: u64,
    /// Acknowledged by the broker.
    pub acknowledged: u64,
    /// Times it connected.
    pub connected: u64,
}

/// A connection to a broker; dropping it ends it. Messages go out at least once (QoS 1).
#[derive(Debug)]
pub struct Publisher {
    client: AsyncClient,
    counters: Arc<Counters>,
    task: JoinHandle<()>,
}

#[derive(Debug, Default)]
struct Counters {
    taken: AtomicU64,
    acknowledged: AtomicU64,
    connected: AtomicU64,
}

/// A message was not taken: the topic is none, or the connection is over.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("message for topic {topic:?} not taken: {why}")]
pub struct PublishError {
    /// Topic of the message.
    pub topic: String,
    /// What the client said.
    pub why: String,
}

impl Publisher {
    /// Starts to connect, and connects again whenever the connection is lost. Must be called within a tokio runtime.
    pub fn start(options: PublisherOptions) -> Self {
        let mut mqtt = MqttOptions::new(options.client_id, (options.host, options.port));
        mqtt.set_keep_alive(15);
        if let Some((user, password)) = options.user {
            mqtt.set_credentials(user, password);
        }
        let (client, mut wire) = AsyncClient::builder(mqtt).capacity(MESSAGES_MAX).build();
        let counters = Arc::new(Counters::default());
        let task = tokio::spawn({
            let counters = Arc::clone(&counters);
            async move {
                loop {
                    match wire.poll().await {
                        Ok(Event::Incoming(Packet::PubAck(_))) => {
                            counters.acknowledged.fetch_add(1, Ordering::Relaxed)
                        }
                        Ok(Event::Incoming(Packet::ConnAck(_))) => {
                            counters.connected.fetch_add(1, Ordering::Relaxed)
                        }
                        Ok(_) => 0,
                        Err(error) => {
                            tracing::debug!(%error, "simulated publisher reconnects");
                            tokio::time::sleep(RECONNECT_AFTER).await;
                            0
                        }
                    };
                }
            }
        });
        Self { client, counters, task }
    }

    /// Hands a message over; waits while [`MESSAGES_MAX`] are under way.
    pub async fn publish(&self, topic: &str, payload: Vec<u8>, retained: bool) -> Result<(), PublishError> {
        let options = PublishOptions::new(QoS::AtLeastOnce).retain(retained);
        let done = self.client.publish(topic, payload, options).await;
        self.taken(topic, done)
    }

    /// Hands a message over, or says at once that there is no room.
    pub fn try_publish(&self, topic: &str, payload: Vec<u8>, retained: bool) -> Result<(), PublishError> {
        let options = PublishOptions::new(QoS::AtLeastOnce).retain(retained);
        let done = self.client.try_publish(topic, payload, options);
        self.taken(topic, done)
    }

    fn taken<E: std::fmt::Display>(&self, topic: &str, done: Result<(), E>) -> Result<(), PublishError> {
        done.map_err(|error| PublishError { topic: topic.into(), why: error.to_string() })?;
        self.counters.taken.fetch_add(1, Ordering::Relaxed);
        Ok(())
    }

    /// What became of the messages so far.
    pub fn counts(&self) -> PublisherCounts {
        PublisherCounts {
            taken: self.counters.taken.load(Ordering::Relaxed),
            acknowledged: self.counters.acknowledged.load(Ordering::Relaxed),
            connected: self.counters.connected.load(Ordering::Relaxed),
        }
    }
}

impl Drop for Publisher {
    fn drop(&mut self) {
        self.task.abort();
    }
}
