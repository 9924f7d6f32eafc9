//! MQTT to mosquitto: done on its acknowledgement, and not lost while it is away.

use std::process::Command;
use std::time::Duration;

use serde_json::Value;
use sumpwarden_core::acquire::settings::BrokerSettings;
use sumpwarden_core::notify::settings::{MqttSettings, Way};
use sumpwarden_tests::broker::{Entrance, Mosquitto};
use sumpwarden_tests::process::{Peer, peer_script, python};

use super::{deliver, entry, name};

fn settings(port: u16) -> MqttSettings {
    let broker = BrokerSettings {
        notes: None,
        name: name("shop"),
        host: "127.0.0.1".to_owned(),
        port,
        client_id: "sumpwarden-hall-2-setter".to_owned(),
        user: None,
        tls: None,
        keep_alive: Duration::from_secs(30),
        packet_bytes_max: 256 << 10,
        reconnect: (Duration::from_millis(100), Duration::from_secs(1)),
        topics: Vec::new(),
    };
    MqttSettings { broker, topic: "hall-2/sump-alarms".to_owned() }
}

#[tokio::test(flavor = "multi_thread")]
async fn rows_arrive_with_a_broker_and_one_that_comes_back() {
    let mut broker = Mosquitto::start(Entrance::Open);
    let listener = |port: u16| {
        let mut command = Command::new(python());
        command.arg(peer_script("subscriber.py")).args(["--port", &port.to_string(), "--topic", "hall-2/#"]);
        let mut peer = Peer::start("subscriber", &mut command);
        let output = peer.shared_output();
        let heard = || output.lock().expect("whole").iter().any(|line| line == "listening");
        peer.wait_until("listens", heard);
        peer
    };
    let first = listener(broker.port);
    let (counts, _) = deliver(Way::Mqtt(settings(broker.port)), vec![entry(1)]).await;
    assert_eq!(counts.delivered, 1);
    drop(first);
    broker.stop();
    let delivering = tokio::spawn(deliver(Way::Mqtt(settings(broker.port)), vec![entry(2)]));
    tokio::time::sleep(Duration::from_secs(1)).await;
    broker.start_again();
    let (counts, _) = delivering.await.expect("it ends");
    assert_eq!(counts.delivered, 1);
    let second = listener(broker.port);
    tokio::time::sleep(Duration::from_secs(1)).await;
    let got: Vec<Value> = second.output().iter().filter_map(|line| serde_json::from_str(line).ok()).collect();
    let last = got.last().expect("it waited for the panel");
    assert_eq!((&last["items"][0]["sequence"], &last["items"][0]["action"]), (&2.into(), &"end".into()));
}
