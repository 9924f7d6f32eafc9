//! One message out, on a connection of its own, done when the broker has acknowledged it.

use rumqttc::{AsyncClient, Event, Packet, PublishOptions};
use sumpwarden_core::acquire::settings::BrokerSettings;
use tokio::time::timeout;

use super::GOODBYE_MAX;
use super::listener::{as_of_now, network, options};
use super::sieve::Mark;
use super::words::explain;

/// Largest message, bytes.
const MESSAGE_BYTES_MAX: usize = 1 << 20;

/// Publishes `payload` to `topic` of the broker at QoS 1; returns when it has been acknowledged. Whoever calls limits the
/// time.
pub async fn publish_once(settings: &BrokerSettings, topic: &str, payload: Vec<u8>) -> Result<(), String> {
    let told = |error: &dyn std::error::Error| error.to_string();
    let mut options = options(&as_of_now(settings).await, Mark::draw()).map_err(|error| told(&error))?;
    options.try_set_clean_session(true).map_err(|error| told(&error))?;
    options.set_max_packet_size(settings.packet_bytes_max as usize, MESSAGE_BYTES_MAX);
    let (client, mut eventloop) =
        AsyncClient::builder(options).capacity(2).try_build().map_err(|error| told(&error))?;
    eventloop.set_network_options(network());
    loop {
        match eventloop.poll().await.map_err(|error| explain(&error).1)? {
            Event::Incoming(Packet::ConnAck(_)) => client
                .try_publish(topic, payload.clone(), PublishOptions::at_least_once())
                .map_err(|error| told(&error))?,
            Event::Incoming(Packet::PubAck(_)) => break,
            Event::Incoming(_) | Event::Outgoing(_) => {}
        }
    }
    if client.try_disconnect_with_timeout(GOODBYE_MAX).is_ok() {
        let gone = async { while eventloop.poll().await.is_ok() {} };
        // It has been acknowledged: how the connection ends does not matter.
        let _ = timeout(GOODBYE_MAX, gone).await;
    }
    Ok(())
}
