//! One topic on a connection of its own, for what two boxes say to each other: what is heard in the order the broker gives it,
//! what is said at QoS 1.
//!
//! Every connection begins anew, with a client and a session that remember nothing: a sign that was meant for an earlier
//! moment must not come out later.

use std::time::Duration;

use rumqttc::{AckMode, AsyncClient, Event, Packet, PublishOptions, QoS, SubscribeReasonCode};
use sumpwarden_core::acquire::settings::BrokerSettings;
use tokio::sync::mpsc;
use tokio::time::{sleep, timeout};

use super::GOODBYE_MAX;
use super::listener::{as_of_now, network, options};
use super::sieve::Mark;
use super::words::explain;

/// Signs that are said and not yet sent. Full: the connection is given up, since nothing gets out.
const SAID_MAX: usize = 64;

/// Pause between two connections: a few boxes and one broker, which is wanted back soon.
const AGAIN_AFTER: Duration = Duration::from_secs(1);

/// Signs on their way to whoever listens. Full: the connection waits, so that none is left out.
pub const SIGNS_MAX: usize = 64;

/// What is heard.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Heard {
    /// The topic is listened to from now on, and this says what is to be said.
    Linked(Voice),
    /// A message.
    Sign {
        /// Its bytes, as foreign as any.
        payload: Vec<u8>,
        /// It was kept, and may be old.
        retained: bool,
    },
    /// The connection has ended, or could not be made; with why.
    Lost(String),
}

/// Says something on the topic, on the connection it was given for.
#[derive(Clone, Debug)]
pub struct Voice {
    client: AsyncClient,
    topic: String,
}

impl PartialEq for Voice {
    fn eq(&self, other: &Self) -> bool {
        self.topic == other.topic
    }
}

impl Eq for Voice {}

impl Voice {
    /// Queues `payload`; false if nothing gets out.
    pub fn say(&self, payload: Vec<u8>, retained: bool) -> bool {
        let how = PublishOptions::at_least_once().retain(retained);
        self.client.try_publish(&self.topic, payload, how).is_ok()
    }

    /// Ends the connection in order, once what was said is out.
    pub fn goodbye(&self) {
        // Where nothing gets out any more, the connection ends without.
        let _ = self.client.try_disconnect_with_timeout(GOODBYE_MAX);
    }
}

/// Listens until nobody takes what is heard any more, on one connection after the other. `silence_max` is how long the broker
/// may be silent, and how long a connection waits for whoever takes what is heard.
pub async fn listen(
    settings: &BrokerSettings,
    topic: &str,
    silence_max: Duration,
    heard: &mpsc::Sender<Heard>,
) {
    while !heard.is_closed() {
        let why = match connected(settings, topic, silence_max, heard).await {
            Ok(()) => return,
            Err(why) => why,
        };
        if heard.send(Heard::Lost(why)).await.is_err() {
            return;
        }
        sleep(AGAIN_AFTER).await;
    }
}

async fn connected(
    settings: &BrokerSettings,
    topic: &str,
    silence_max: Duration,
    heard: &mpsc::Sender<Heard>,
) -> Result<(), String> {
    let told = |error: &dyn std::error::Error| error.to_string();
    let settings =
        BrokerSettings { keep_alive: silence_max.max(Duration::from_secs(2)), ..as_of_now(settings).await };
    let mut options = options(&settings, Mark::draw()).map_err(|error| told(&error))?;
    options.try_set_clean_session(true).map_err(|error| told(&error))?;
    options.set_ack_mode(AckMode::Automatic);
    let (client, mut eventloop) =
        AsyncClient::builder(options).capacity(SAID_MAX).try_build().map_err(|error| told(&error))?;
    eventloop.set_network_options(network());
    let voice = Voice { client: client.clone(), topic: topic.to_owned() };
    loop {
        let event = eventloop.poll().await.map_err(|error| explain(&error).1)?;
        let news = match event {
            Event::Incoming(Packet::ConnAck(_)) => {
                client.try_subscribe(topic, QoS::AtLeastOnce).map_err(|error| told(&error))?;
                continue;
            }
            Event::Incoming(Packet::SubAck(answer)) => match answer.return_codes.first() {
                Some(SubscribeReasonCode::Success(QoS::AtLeastOnce | QoS::ExactlyOnce)) => {
                    Heard::Linked(voice.clone())
                }
                _ => {
                    return Err(format!("the broker does not let us listen to {topic}: check access rights"));
                }
            },
            Event::Incoming(Packet::Publish(publish)) => {
                Heard::Sign { payload: publish.payload.to_vec(), retained: publish.retain }
            }
            Event::Incoming(_) | Event::Outgoing(_) => continue,
        };
        // Whoever takes nothing for so long does not look at its lease either.
        match timeout(silence_max, heard.send(news)).await {
            Ok(Ok(())) => {}
            Ok(Err(_)) => return Ok(()),
            Err(_) => return Err("what was heard was not taken".to_owned()),
        }
    }
}
