//! The MQTT edge against mosquitto, with paho as the publisher: nothing lost, nothing twice, nothing believed blindly.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use sumpwarden::edge::clock::Clock;
use sumpwarden::edge::mqtt::{BROKER_REPORTS_MAX, BrokerReport, BrokerSeat, BrokerStatus, Link, run_broker};
use sumpwarden_core::acquire::settings::{BrokerSettings, PayloadFormat, Secret, TlsSettings, TopicPoint};
use sumpwarden_core::acquire::{Expected, Refusal, TopicMap};
use sumpwarden_core::model::{Ack, BrokerIndex, Name, ProbeIndex, Raw, RawReading, Timestamp, Unit};
use sumpwarden_tests::broker::{Entrance, Mosquitto, publish, publisher};
use sumpwarden_tests::process::resident_bytes;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};

/// How long anything may take on a busy machine.
const MOMENT: Duration = Duration::from_secs(40);

fn json() -> PayloadFormat {
    PayloadFormat::Json { value: "/v".into(), time: Some("/t".into()), unit: None }
}

/// One probe on `hall/t`.
fn settings(broker: &Mosquitto, payload: PayloadFormat) -> BrokerSettings {
    BrokerSettings {
        name: Name::new("shop").expect("a name"),
        host: if broker.certificates.is_some() { "localhost".into() } else { "127.0.0.1".into() },
        port: broker.port,
        client_id: "gateway".into(),
        user: None,
        tls: broker
            .certificates
            .as_ref()
            .map(|made| TlsSettings { ca_file: Some(made.file("ca.pem")), client: None }),
        keep_alive: Duration::from_secs(10),
        packet_bytes_max: 64 * 1024,
        reconnect: (Duration::from_millis(100), Duration::from_millis(500)),
        topics: vec![TopicPoint {
            probe: ProbeIndex(0),
            filter: "hall/t".into(),
            payload,
            time_window: (Duration::from_hours(1), Duration::from_mins(1)),
        }],
        notes: None,
    }
}

/// The edge with its wires in hand; aborted, as by a crash, when dropped.
struct Edge {
    reports: mpsc::Receiver<BrokerReport>,
    acks: mpsc::UnboundedSender<Ack>,
    status: watch::Receiver<BrokerStatus>,
    shutdown: watch::Sender<bool>,
    task: JoinHandle<()>,
    /// Times of what [`Self::store`] has taken.
    stored_at: Vec<Timestamp>,
}

impl Edge {
    fn start(settings: &BrokerSettings) -> Self {
        Self::start_again(settings, &[])
    }

    /// After a crash, with what the store says it had.
    fn start_again(settings: &BrokerSettings, stored_at: &[Timestamp]) -> Self {
        let expected = Expected { unit: Unit::Celsius, stale_after: Duration::from_mins(10) };
        let mut topics = TopicMap::new(settings, |_| expected).expect("good filters");
        topics.recall(ProbeIndex(0), stored_at);
        let (reports_in, reports) = mpsc::channel(BROKER_REPORTS_MAX);
        let (acks, acks_out) = mpsc::unbounded_channel();
        let (status_in, status) = watch::channel(BrokerStatus::default());
        let (shutdown, shutdown_out) = watch::channel(false);
        let settings = settings.clone();
        let task = tokio::spawn(async move {
            run_broker(
                BrokerIndex(0),
                &settings,
                topics,
                None,
                Clock,
                reports_in,
                BrokerSeat::new(acks_out, status_in),
                shutdown_out,
            )
            .await;
        });
        Self { reports, acks, status, shutdown, task, stored_at: Vec::new() }
    }

    async fn until(&self, what: &str, condition: impl Fn(&BrokerStatus) -> bool) -> BrokerStatus {
        let deadline = Instant::now() + MOMENT;
        loop {
            let status = self.status.borrow().clone();
            if condition(&status) {
                return status;
            }
            assert!(Instant::now() < deadline, "{what} never came: {status:?}");
            sleep(Duration::from_millis(5)).await;
        }
    }

    async fn connected(&self) {
        self.until("the connection", |s| s.link == Link::Connected).await;
    }

    /// The next message's readings and its token, if one comes in time.
    async fn next(&mut self, most: Duration) -> Option<(Vec<RawReading>, Option<Ack>)> {
        let deadline = Instant::now() + most;
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            match timeout(left, self.reports.recv()).await.ok()? {
                Some(BrokerReport::Batch { batch, .. }) => return Some((batch.readings, batch.ack)),
                Some(BrokerReport::Connected { .. } | BrokerReport::NotConnected { .. }) => {}
                Some(BrokerReport::Note { .. }) => panic!("no notes are listened to"),
                None => panic!("the edge has ended: {:?}", self.status.borrow()),
            }
        }
    }

    /// Takes readings as a store would, until `count` different numbers are in. Returns all numbers in order of arrival.
    async fn store(&mut self, count: usize) -> Vec<u32> {
        let mut stored = Vec::new();
        while stored.iter().collect::<BTreeSet<_>>().len() < count {
            let Some((readings, ack)) = self.next(MOMENT).await else {
                panic!("only {} of {count}: {:?}", stored.len(), self.status.borrow());
            };
            stored.extend(numbers(&readings));
            self.stored_at.extend(readings.iter().map(|reading| reading.at));
            if let Some(ack) = ack {
                self.acks.send(ack).expect("the edge runs");
            }
        }
        stored
    }
}

impl Drop for Edge {
    fn drop(&mut self) {
        self.shutdown.send_replace(true);
        self.task.abort();
    }
}

fn numbers(readings: &[RawReading]) -> impl Iterator<Item = u32> {
    readings.iter().filter_map(|reading| match reading.raw {
        Raw::Number(number) => Some(number as u32),
        Raw::Fault(_) => None,
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn every_number_arrives_once_over_restarts_of_broker_and_gateway() {
    let mut broker = Mosquitto::start(Entrance::Open);
    let settings = settings(&broker, json());
    let mut edge = Edge::start(&settings);
    edge.connected().await;
    let publishing = publisher(broker.port, &["--count", "600", "--every-ms", "5"]);
    let mut stored = edge.store(100).await;
    broker.stop();
    sleep(Duration::from_millis(500)).await;
    broker.start_again();
    stored.extend(edge.store(150).await);
    // The gateway dies with messages taken over and not stored.
    let mut lost = Vec::new();
    for _ in 0..5 {
        lost.extend(numbers(&edge.next(MOMENT).await.unwrap().0));
    }
    let stored_at = std::mem::take(&mut edge.stored_at);
    drop(edge);
    sleep(Duration::from_millis(300)).await;
    let mut edge = Edge::start_again(&settings, &stored_at);
    let missing = 600 - stored.iter().collect::<BTreeSet<_>>().len();
    stored.extend(edge.store(missing).await);
    let set: BTreeSet<u32> = stored.iter().copied().collect();
    assert_eq!(
        set,
        (0..600).collect(),
        "missing: {:?}",
        (0..600).filter(|n| !set.contains(n)).collect::<Vec<_>>()
    );
    assert!(lost.iter().all(|n| set.contains(n)) && lost.len() == 5, "{lost:?} come again");
    assert_eq!(stored.len(), 600, "each of them once");
    publishing.finish(MOMENT);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_copy_without_a_time_is_known_by_its_packet_id() {
    let mut broker = Mosquitto::start(Entrance::Open);
    let mut edge = Edge::start(&settings(&broker, PayloadFormat::Plain));
    edge.connected().await;
    publish(broker.port, &["--count", "5", "--format", "plain"]);
    let mut tokens = Vec::new();
    for n in 0..5 {
        let (readings, ack) = edge.next(MOMENT).await.unwrap();
        assert_eq!(numbers(&readings).collect::<Vec<_>>(), [n]);
        tokens.push(ack.unwrap());
    }
    broker.stop();
    broker.start_again();
    let mut copies = 0;
    while copies < 5 {
        // While the broker was away the probe got faults; they wait for nothing.
        let (readings, ack) = edge.next(MOMENT).await.expect("the copies");
        let Some(ack) = ack else { continue };
        assert_eq!(readings, [], "a copy brings nothing new");
        edge.acks.send(ack).unwrap();
        copies += 1;
    }
    let status = edge.until("the copies", |s| s.counters.acknowledged == 5).await;
    assert_eq!((status.counters.accepted, status.counters.duplicates), (5, 5));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_forgot_everything_is_subscribed_to_again() {
    let mut broker = Mosquitto::start(Entrance::Open);
    let mut edge = Edge::start(&settings(&broker, PayloadFormat::SenmlJson { name: "probe".into() }));
    edge.connected().await;
    broker.stop();
    broker.forget();
    broker.start_again();
    edge.until("the second connection", |s| s.counters.connects == 2 && s.link == Link::Connected).await;
    sleep(Duration::from_millis(200)).await;
    publish(broker.port, &["--count", "3", "--format", "senml"]);
    assert_eq!(edge.store(3).await, [0, 1, 2]);
}

#[tokio::test(flavor = "multi_thread")]
async fn senml_in_cbor_by_an_independent_encoder_is_read() {
    let broker = Mosquitto::start(Entrance::Open);
    let mut edge = Edge::start(&settings(&broker, PayloadFormat::SenmlCbor { name: "probe".into() }));
    edge.connected().await;
    publish(broker.port, &["--count", "3", "--format", "senml-cbor"]);
    assert_eq!(edge.store(3).await, [0, 1, 2]);
}

#[tokio::test(flavor = "multi_thread")]
async fn tls_lets_in_and_keeps_out() {
    let broker = Mosquitto::start(Entrance::TlsBothWays);
    let made = broker.certificates.as_ref().unwrap();
    let mut good = settings(&broker, json());
    good.tls.as_mut().unwrap().client = Some((made.file("client.pem"), made.file("client.key")));
    Edge::start(&good).connected().await;

    let refused = async |settings: BrokerSettings, words: &str| {
        let edge = Edge::start(&settings);
        let status = edge.until(words, |s| s.words.contains(words)).await;
        assert_eq!(status.counters.connects, 0, "{words}");
    };
    let mut unknown = good.clone();
    unknown.tls.as_mut().unwrap().ca_file = Some(made.file("stranger.pem"));
    refused(unknown, "nobody we trust").await;
    let mut missing = good.clone();
    missing.tls.as_mut().unwrap().ca_file = Some(made.file("nowhere.pem"));
    refused(missing, "nowhere.pem").await;
    let mut nameless = good.clone();
    nameless.tls.as_mut().unwrap().client = None;
    refused(nameless, "certificate").await;
    let mut plain = good;
    plain.tls = None;
    plain.client_id = "plain".into();
    refused(plain, "closes the connection").await;

    let other = Mosquitto::start(Entrance::TlsOtherName);
    refused(settings(&other, json()), "another name").await;
    let expired = Mosquitto::start(Entrance::TlsExpired);
    refused(settings(&expired, json()), "expired").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn tls_asked_of_a_plain_port_never_turns_into_plain() {
    let broker = Mosquitto::start(Entrance::Open);
    let mut wanted = settings(&broker, json());
    wanted.host = "localhost".into();
    wanted.tls = Some(TlsSettings::default());
    let edge = Edge::start(&wanted);
    sleep(Duration::from_secs(2)).await;
    assert_eq!(edge.status.borrow().counters.connects, 0);
    assert!(!broker.log().iter().any(|line| line.contains("as gateway")), "{:?}", broker.log());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_password_is_said_plainly_and_not_tried_in_a_loop() {
    let broker = Mosquitto::start(Entrance::Password);
    let mut wrong = settings(&broker, json());
    wrong.reconnect.1 = Duration::from_secs(60);
    wrong.user = Some(("gateway".into(), Secret::new("swordfish".into())));
    let edge = Edge::start(&wrong);
    let status = edge.until("the refusal", |s| s.link == Link::Refused).await;
    assert!(status.words.contains("password") && !status.words.contains("swordfish"), "{}", status.words);
    sleep(Duration::from_secs(2)).await;
    let tried = broker.log().iter().filter(|line| line.contains("New connection")).count();
    // One by the harness, which waits for the port.
    assert!(tried <= 2, "{:?}", broker.log());
    let mut right = wrong;
    right.user = Some(("gateway".into(), Secret::new("right".into())));
    Edge::start(&right).connected().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn two_gateways_with_one_client_id_stop_fighting() {
    let broker = Mosquitto::start(Entrance::Open);
    let settings = settings(&broker, json());
    let (one, two) = (Edge::start(&settings), Edge::start(&settings));
    sleep(Duration::from_secs(8)).await;
    let (one, two) = (one.status.borrow().clone(), two.status.borrow().clone());
    assert!(one.counters.connects <= 2 && two.counters.connects <= 2, "{one:?} {two:?}");
    let told = [&one, &two].iter().any(|s| s.link == Link::TakenOver && s.words.contains("client id"));
    assert!(told, "{one:?} {two:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_frozen_broker_is_known_for_it_within_one_and_a_half_keep_alives() {
    let broker = Mosquitto::start(Entrance::Open);
    let mut settings = settings(&broker, json());
    settings.keep_alive = Duration::from_secs(3);
    let edge = Edge::start(&settings);
    edge.connected().await;
    sleep(Duration::from_millis(700)).await;
    broker.freeze();
    let frozen_at = Instant::now();
    edge.until("the silence", |s| s.words.contains("silent")).await;
    assert!(frozen_at.elapsed() < Duration::from_millis(4500), "{:?}", frozen_at.elapsed());
    broker.thaw();
    edge.until("the broker again", |s| s.link == Link::Connected).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_hundred_thousand_retained_topics_neither_fill_memory_nor_count_as_news() {
    let broker = Mosquitto::start(Entrance::Open);
    publish(
        broker.port,
        &[
            "--flood", "--retain", "--count", "100000", "--topic", "hall/old", "--format", "plain", "--qos",
            "1",
        ],
    );
    let mut settings = settings(&broker, PayloadFormat::Plain);
    settings.topics[0].filter = "hall/#".into();
    let before = resident_bytes();
    let mut edge = Edge::start(&settings);
    let started = Instant::now();
    edge.until("the flood", |s| s.counters.retained_ignored >= 100_000).await;
    let took = started.elapsed();
    let grown = resident_bytes().saturating_sub(before);
    assert!(grown < 16 << 20, "{grown} bytes more");
    assert!(edge.next(Duration::from_millis(200)).await.is_none(), "no reading came of it");
    publish(broker.port, &["--count", "1", "--format", "plain", "--first", "7"]);
    assert_eq!(edge.store(1).await, [7], "what is new comes through");
    println!("100 000 retained messages in {took:?}, {grown} bytes of memory more");
}

#[tokio::test(flavor = "multi_thread")]
async fn strangers_messages_do_no_harm() {
    let broker = Mosquitto::start(Entrance::Open);
    let mut settings = settings(&broker, json());
    settings.topics[0].filter = "#".into();
    let mut edge = Edge::start(&settings);
    edge.connected().await;
    let topics =
        ["../../etc/passwd", "<img src=x onerror=alert(1)>", "\u{202e}drow", "{{7*7}}", "'; drop table--"];
    let huge = "9".repeat(100_000);
    let payloads = ["", "{", "{\"v\":1,\"v\":2}", "{\"v\":1e999,\"t\":null}", "\u{feff}{}", &huge];
    let mut count = 0;
    for topic in topics {
        for payload in payloads {
            publish(broker.port, &["--topic", topic, "--raw", payload]);
            count += 1;
            // Faults are stored too, and acknowledged when they are.
            let (readings, ack) = edge.next(MOMENT).await.expect("what was refused is seen as a fault");
            assert!(matches!(readings[..], [RawReading { raw: Raw::Fault(_), .. }]), "{readings:?}");
            edge.acks.send(ack.expect("QoS 1")).unwrap();
        }
    }
    let refused = |s: &BrokerStatus| Refusal::ALL.iter().map(|r| s.counters.refused(*r)).sum::<u64>();
    let status = edge.until("all of them", |s| refused(s) == count).await;
    assert_eq!((status.counters.received, status.counters.accepted), (count, 0));
    assert_eq!(status.counters.refused(Refusal::Oversized), topics.len() as u64);
    assert_eq!(status.counters.connects, 1, "the connection stood");
    assert!(status.last_refused.is_some_and(|text| text.chars().all(|c| !c.is_control() && c != '\u{202e}')));
}
