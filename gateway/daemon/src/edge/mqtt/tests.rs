//! The edge against an embedded broker, over a cable that can be cut, frozen and put elsewhere.

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rumqttc::{AsyncClient, MqttOptions, PublishOptions};
use sumpwarden_core::acquire::settings::{BrokerSettings, PayloadFormat, Secret, TopicPoint};
use sumpwarden_core::acquire::{Expected, Refusal};
use sumpwarden_core::model::{Fault, Name, ProbeIndex, Raw, Unit};
use tokio::io::copy_bidirectional;
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;

use super::*;

/// How long anything may take on a busy machine.
const MOMENT: Duration = Duration::from_secs(30);

/// Starts an embedded broker on a free port; it lives as long as the test program.
fn broker(auth: Option<(&str, &str)>) -> SocketAddr {
    let listen = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let connections = rumqttd::ConnectionSettings {
        connection_timeout_ms: 5000,
        max_payload_size: 8 << 20,
        max_inflight_count: 100,
        auth: auth.map(|(user, password)| HashMap::from([(user.to_owned(), password.to_owned())])),
        external_auth: None,
        dynamic_filters: true,
    };
    let server = rumqttd::ServerSettings {
        name: "v4".into(),
        listen,
        tls: None,
        next_connection_delay_ms: 1,
        connections,
    };
    let config = rumqttd::Config {
        id: 0,
        router: rumqttd::RouterConfig {
            max_connections: 100,
            max_outgoing_packet_count: 200,
            max_segment_size: 64 << 20,
            max_segment_count: 4,
            ..Default::default()
        },
        v4: Some(HashMap::from([("v4".to_owned(), server)])),
        v5: None,
        ws: None,
        cluster: None,
        console: None,
        bridge: None,
        prometheus: None,
        metrics: None,
    };
    std::thread::spawn(move || drop(rumqttd::Broker::new(config).start()));
    let deadline = Instant::now() + MOMENT;
    while std::net::TcpStream::connect(listen).is_err() {
        assert!(Instant::now() < deadline, "the embedded broker does not listen");
        std::thread::sleep(Duration::from_millis(10));
    }
    listen
}

/// A cable between client and broker.
struct Cable {
    address: SocketAddr,
    to: Arc<Mutex<SocketAddr>>,
    links: Arc<Mutex<Vec<JoinHandle<()>>>>,
    frozen: watch::Sender<bool>,
}

impl Cable {
    async fn to(broker: SocketAddr) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let cable = Self {
            address: listener.local_addr().unwrap(),
            to: Arc::new(Mutex::new(broker)),
            links: Arc::default(),
            frozen: watch::channel(false).0,
        };
        let (to, links, frozen) = (Arc::clone(&cable.to), Arc::clone(&cable.links), cable.frozen.subscribe());
        tokio::spawn(async move {
            loop {
                let (mut near, _) = listener.accept().await.unwrap();
                let (broker, mut frozen) = (*to.lock().unwrap(), frozen.clone());
                links.lock().unwrap().push(tokio::spawn(async move {
                    let Ok(mut far) = TcpStream::connect(broker).await else { return };
                    tokio::select! {
                        _ = copy_bidirectional(&mut near, &mut far) => {}
                        // Both ends stay open and nothing passes any more.
                        () = async { drop(frozen.wait_for(|f| *f).await) } => std::future::pending().await,
                    }
                }));
            }
        });
        cable
    }

    fn cut(&self) {
        self.links.lock().unwrap().drain(..).for_each(|link| link.abort());
    }
}

/// Probe n listens to the n-th topic for plain numbers.
fn settings(address: SocketAddr, topics: &[&str]) -> BrokerSettings {
    BrokerSettings {
        name: Name::new("shop").unwrap(),
        host: address.ip().to_string(),
        port: address.port(),
        client_id: format!("gateway-{}", address.port()),
        user: None,
        tls: None,
        keep_alive: Duration::from_secs(10),
        packet_bytes_max: 1000,
        reconnect: (Duration::from_millis(50), Duration::from_millis(400)),
        topics: topics
            .iter()
            .enumerate()
            .map(|(n, filter)| TopicPoint {
                probe: ProbeIndex(n as u32),
                filter: (*filter).to_owned(),
                payload: PayloadFormat::Plain,
                time_window: (Duration::from_hours(1), Duration::from_mins(1)),
            })
            .collect(),
        notes: None,
    }
}

/// The edge at work, with its wires in hand.
struct Edge {
    reports: mpsc::Receiver<BrokerReport>,
    acks: mpsc::UnboundedSender<Ack>,
    losses: Losses,
    status: watch::Receiver<BrokerStatus>,
    shutdown: watch::Sender<bool>,
    task: JoinHandle<()>,
}

impl Edge {
    fn start(settings: BrokerSettings, reports_max: usize) -> Self {
        let expected = Expected { unit: Unit::Celsius, stale_after: Duration::from_mins(10) };
        let topics = TopicMap::new(&settings, |_| expected).unwrap();
        let (reports_in, reports) = mpsc::channel(reports_max);
        let (acks, acks_out) = mpsc::unbounded_channel();
        let (status_in, status) = watch::channel(BrokerStatus::default());
        let (shutdown, shutdown_out) = watch::channel(false);
        let seat = BrokerSeat::new(acks_out, status_in);
        let losses = seat.losses();
        let task = tokio::spawn(async move {
            run_broker(BrokerIndex(3), &settings, topics, None, Clock, reports_in, seat, shutdown_out).await;
        });
        Self { reports, acks, losses, status, shutdown, task }
    }

    async fn until(&mut self, what: &str, condition: impl Fn(&BrokerStatus) -> bool) -> BrokerStatus {
        let deadline = Instant::now() + MOMENT;
        loop {
            let status = self.status.borrow().clone();
            if condition(&status) {
                return status;
            }
            assert!(Instant::now() < deadline, "{what} never came: {status:?}");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    async fn connected(&mut self) {
        self.until("the connection", |s| s.link == Link::Connected).await;
    }

    /// The next message's batch; reports of the connection itself are passed over.
    async fn batch(&mut self) -> Batch {
        loop {
            match timeout(MOMENT, self.reports.recv()).await.expect("a report in time") {
                Some(BrokerReport::Batch { broker, batch }) => {
                    assert_eq!(broker, BrokerIndex(3));
                    return batch;
                }
                Some(BrokerReport::Connected { .. } | BrokerReport::NotConnected { .. }) => {}
                Some(BrokerReport::Note { .. }) => panic!("no notes are listened to"),
                None => panic!("the edge has ended"),
            }
        }
    }

    /// The numbers of the next batch, and its token.
    async fn numbers(&mut self) -> (Vec<f64>, Option<Ack>) {
        let batch = self.batch().await;
        let numbers = batch.readings.iter().filter_map(|r| match r.raw {
            Raw::Number(number) => Some(number),
            Raw::Fault(_) => None,
        });
        (numbers.collect(), batch.ack)
    }
}

/// Publishes and waits until the broker has it.
async fn publish(broker: SocketAddr, messages: &[(&str, Vec<u8>, PublishOptions)]) {
    let mut options = MqttOptions::new("publisher", (broker.ip().to_string(), broker.port()));
    options.set_max_packet_size(8 << 20, 8 << 20);
    let (client, mut eventloop) = AsyncClient::builder(options).capacity(10).build();
    let polling = tokio::spawn(async move { while eventloop.poll().await.is_ok() {} });
    for (topic, payload, options) in messages {
        let notice = client.publish_tracked(*topic, payload.clone(), *options).await.unwrap();
        timeout(MOMENT, notice.wait_completion_async()).await.expect("the broker takes it").unwrap();
    }
    client.disconnect().await.ok();
    timeout(MOMENT, polling).await.unwrap().unwrap();
}

fn qos1() -> PublishOptions {
    PublishOptions::at_least_once()
}

fn numbered(numbers: std::ops::Range<u32>) -> Vec<(&'static str, Vec<u8>, PublishOptions)> {
    numbers.map(|n| ("hall/t", n.to_string().into_bytes(), qos1())).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_not_acknowledged_comes_again_and_is_known_for_a_copy() {
    let broker = broker(None);
    let cable = Cable::to(broker).await;
    let mut settings = settings(cable.address, &["hall/t"]);
    settings.topics[0].payload =
        PayloadFormat::Json { value: "/v".into(), time: Some("/t".into()), unit: None };
    let mut edge = Edge::start(settings.clone(), 64);
    edge.connected().await;

    // This broker sends again under new packet ids and does not say so; the messages' own times tell.
    let now = Clock.utc().as_millis();
    let timed = |n: i64| ("hall/t", format!(r#"{{"v":{n},"t":{}}}"#, now + n).into_bytes(), qos1());
    publish(broker, &[timed(0), timed(1), timed(2)]).await;
    let mut tokens = Vec::new();
    for n in 0..3 {
        let (numbers, ack) = edge.numbers().await;
        assert_eq!(numbers, [f64::from(n)]);
        tokens.push(ack.expect("QoS 1 waits for its acknowledgement"));
    }
    // The store has the first one. Then the cable breaks.
    edge.acks.send(tokens[0]).unwrap();
    edge.until("the acknowledgement", |s| s.counters.acknowledged == 1).await;
    tokio::time::sleep(Duration::from_millis(100)).await;
    cable.cut();

    let mut again = Vec::new();
    for _ in 1..3 {
        let (numbers, ack) = edge.numbers().await;
        assert_eq!(numbers, [0.0; 0], "a copy brings no second sample");
        again.push(ack.expect("the copy is what the broker waits for now"));
    }
    assert_eq!(edge.status.borrow().counters.duplicates, 2);
    // What the store says of the first copies leads nowhere; the second ones are answered.
    for token in tokens[1..].iter().chain(&again) {
        edge.acks.send(*token).unwrap();
    }
    edge.until("all acknowledgements", |s| s.counters.acknowledged == 3).await;
    tokio::time::sleep(Duration::from_millis(100)).await;
    edge.shutdown.send_replace(true);
    edge.until("the end", |s| s.link == Link::Stopped).await;
    let mut edge = Edge::start(settings, 64);
    edge.connected().await;
    publish(broker, &[timed(3)]).await;
    assert_eq!(edge.numbers().await.0, [3.0], "and nothing old before it");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_the_store_lost_is_asked_for_again_and_holds_up_nothing() {
    let broker = broker(None);
    let mut settings = settings(broker, &["hall/t"]);
    settings.topics[0].payload =
        PayloadFormat::Json { value: "/v".into(), time: Some("/t".into()), unit: None };
    let mut edge = Edge::start(settings, 64);
    edge.connected().await;
    let now = Clock.utc().as_millis();
    let timed = |n: i64| ("hall/t", format!(r#"{{"v":{n},"t":{}}}"#, now + n).into_bytes(), qos1());
    publish(broker, &[timed(0), timed(1)]).await;
    let first = edge.numbers().await.1.expect("QoS 1 waits for its acknowledgement");
    let second = edge.numbers().await.1.expect("so does this one");
    // The store has the second one and had no room for the first.
    edge.losses.tell(first);
    edge.acks.send(second).unwrap();
    publish(broker, &[timed(2)]).await;
    let mut next = edge.numbers().await;
    if next.0 == [2.0] {
        // It was faster than the giving up.
        next = edge.numbers().await;
    }
    assert_eq!(next.0, [0.0], "the broker sends it again, and it is no copy");
    let mut acks = vec![next.1.expect("it waits for its acknowledgement")];
    let (numbers, copy) = edge.numbers().await;
    assert_eq!(numbers, [0.0; 0], "what was not lost is known for a copy");
    acks.extend(copy.into_iter().chain(edge.numbers().await.1));
    assert_eq!(edge.status.borrow().counters.acknowledged, 0, "in their order");
    for ack in acks {
        edge.acks.send(ack).unwrap();
    }
    edge.until("all acknowledgements", |s| s.counters.acknowledged == 3).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_forgot_us_is_subscribed_to_again() {
    let (first, second) = (broker(None), broker(None));
    let cable = Cable::to(first).await;
    let mut edge = Edge::start(settings(cable.address, &["hall/t", "hall/+"]), 64);
    edge.connected().await;
    *cable.to.lock().unwrap() = second;
    cable.cut();
    edge.until("the other broker", |s| s.counters.connects == 2).await;
    tokio::time::sleep(Duration::from_millis(200)).await;
    publish(second, &numbered(7..8)).await;
    assert_eq!(edge.numbers().await.0, [7.0, 7.0]);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_oversized_message_is_refused_and_holds_up_nobody() {
    let broker = broker(None);
    let mut edge = Edge::start(settings(broker, &["hall/t"]), 64);
    edge.connected().await;
    let huge = vec![b'9'; 4 << 20];
    publish(broker, &[("hall/t", huge.clone(), qos1()), ("hall/t", huge, qos1())]).await;
    publish(broker, &numbered(5..6)).await;
    for _ in 0..2 {
        let batch = edge.batch().await;
        assert_eq!(batch.readings[0].raw, Raw::Fault(Fault::Oversized));
        if let Some(ack) = batch.ack {
            edge.acks.send(ack).unwrap();
        }
    }
    assert_eq!(edge.numbers().await.0, [5.0]);
    let counters = edge.status.borrow().counters;
    assert_eq!((counters.refused(Refusal::Oversized), counters.connects), (2, 1), "the connection stays");
}

#[tokio::test(flavor = "multi_thread")]
async fn wrong_credentials_are_said_plainly_and_tried_seldom() {
    let broker = broker(Some(("gateway", "right")));
    let mut wrong = settings(broker, &["hall/t"]);
    wrong.user = Some(("gateway".into(), Secret::new("wrong".into())));
    let mut edge = Edge::start(wrong, 64);
    // This broker closes the connection where the standard has an answer for it; another one is in the tests of the whole.
    edge.until("the refusal", |s| s.words.contains("password")).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert!(matches!(edge.reports.recv().await, Some(BrokerReport::NotConnected { .. })));
    assert_eq!(edge.batch().await.readings[0].raw, Raw::Fault(Fault::NotConnected));

    let mut right = settings(broker, &["hall/t"]);
    right.user = Some(("gateway".into(), Secret::new("right".into())));
    Edge::start(right, 64).connected().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn strangers_topics_and_payloads_do_no_harm() {
    let broker = broker(None);
    let mut edge = Edge::start(settings(broker, &["#"]), 256);
    edge.connected().await;
    let long = "x/".repeat(30_000);
    let topics = [
        "a/../../etc/passwd",
        "<script>alert(1)</script>",
        "a\nb\u{1b}[31m\u{7}",
        "drow\u{202e}",
        "%s{}\\",
        &long,
    ];
    let payloads: [&[u8]; 6] = [b"", b"\xff\xfe\0", b"{\"a\":", b"1e999", b"\x1b]0;x\x07", b"21.5"];
    for topic in topics {
        let messages: Vec<_> = payloads.iter().map(|p| (topic, p.to_vec(), qos1())).collect();
        publish(broker, &messages).await;
    }
    let count = (topics.len() * payloads.len()) as u64;
    let refused = |s: &BrokerStatus| Refusal::ALL.iter().map(|r| s.counters.refused(*r)).sum::<u64>();
    let status = edge.until("all messages", |s| s.counters.accepted + refused(s) == count).await;
    assert_eq!(status.counters.received, count);
    let shown = status.last_refused.expect("some were refused");
    assert!(shown.chars().count() < 300 && !shown.chars().any(char::is_control), "{shown:?}");
    assert_eq!(status.counters.connects, 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_falls_silent_is_known_for_it_within_one_and_a_half_keep_alives() {
    let broker = broker(None);
    let cable = Cable::to(broker).await;
    let mut settings = settings(cable.address, &["hall/t"]);
    settings.keep_alive = Duration::from_secs(3);
    let mut edge = Edge::start(settings, 64);
    edge.connected().await;
    tokio::time::sleep(Duration::from_millis(500)).await;
    let frozen_at = Instant::now();
    cable.frozen.send_replace(true);
    let status = edge.until("the silence", |s| s.link == Link::NotConnected).await;
    assert!(frozen_at.elapsed() < Duration::from_millis(4500), "{:?}", frozen_at.elapsed());
    assert!(status.words.contains("silent"), "{}", status.words);
    cable.frozen.send_replace(false);
    // An attempt that had begun meanwhile is stuck in its frozen link.
    cable.cut();
    edge.until("the broker again", |s| s.counters.connects == 2).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn when_nobody_takes_the_readings_the_broker_keeps_them() {
    let broker = broker(None);
    let mut settings = settings(broker, &["hall/t"]);
    settings.keep_alive = Duration::from_secs(2);
    let mut edge = Edge::start(settings, 4);
    edge.connected().await;
    publish(broker, &numbered(0..40)).await;
    let status = edge.until("giving up", |s| s.words.contains("more slowly")).await;
    assert!(status.counters.received <= 10, "{status:?}");

    let mut seen = std::collections::BTreeSet::new();
    while seen.len() < 40 {
        let (numbers, ack) = edge.numbers().await;
        seen.extend(numbers.iter().map(|n| *n as u32));
        if let Some(ack) = ack {
            edge.acks.send(ack).unwrap();
        }
    }
    assert_eq!(seen, (0..40).collect());
    assert_eq!(edge.status.borrow().counters.overflowed, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_listener_that_ends_is_missed_though_nobody_acknowledges_any_more() {
    let broker = broker(None);
    let mut edge = Edge::start(settings(broker, &["hall/t"]), 64);
    edge.connected().await;
    let Edge { reports, acks, task, shutdown: _running, .. } = edge;
    drop(acks);
    tokio::time::sleep(Duration::from_millis(50)).await;
    drop(reports);
    publish(broker, &numbered(0..1)).await;
    timeout(MOMENT, task).await.expect("the task ends with its listener").unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn stopping_waits_for_the_store_and_says_goodbye() {
    let broker = broker(None);
    let mut edge = Edge::start(settings(broker, &["hall/t"]), 64);
    edge.connected().await;
    publish(broker, &numbered(0..2)).await;
    let first = edge.numbers().await.1.unwrap();
    let second = edge.numbers().await.1.unwrap();
    edge.shutdown.send_replace(true);
    tokio::time::sleep(Duration::from_millis(50)).await;
    for ack in [first, second] {
        edge.acks.send(ack).unwrap();
    }
    timeout(Duration::from_secs(2), edge.task)
        .await
        .expect("it ends as soon as all is acknowledged")
        .unwrap();
    let status = edge.status.borrow().clone();
    assert_eq!((status.link, status.counters.acknowledged), (Link::Stopped, 2));

    // The same client id again: nothing is waiting.
    let mut next = Edge::start(settings(broker, &["hall/t"]), 64);
    next.connected().await;
    publish(broker, &numbered(9..10)).await;
    assert_eq!(next.numbers().await.0, [9.0]);
}
