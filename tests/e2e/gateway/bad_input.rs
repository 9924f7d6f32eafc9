//! Whatever comes over a live wire becomes a quality with a reason and a count, never a wrong value and never an end.

use std::time::Duration;

use rustix::process::Signal;
use sumpwarden::config::load;
use sumpwarden::edge::mqtt::Link;
use sumpwarden::supervise::{Running, start};
use sumpwarden_core::acquire::Refusal;
use sumpwarden_core::engine::snapshot::ProbeView;
use sumpwarden_tests::broker::{Entrance, Mosquitto, publish};
use sumpwarden_tests::gateway::{Installation, counting_devices, plain_probe, sump, tcp_bus};
use sumpwarden_tests::modbus::ModbusTcp;
use tokio::time::{Instant, sleep};

use super::MOMENT;

async fn started(installation: &Installation) -> Running {
    let loaded =
        load(&installation.configuration()).unwrap_or_else(|report| panic!("{}", report.draw(false)));
    start(loaded.settings).await.expect("it starts")
}

async fn probe(running: &Running, name: &str) -> ProbeView {
    let shop = running.snapshot().await.expect("the engine answers");
    shop.sumps[0].probes.iter().find(|probe| probe.name == name).expect("it is there").clone()
}

async fn until(
    running: &Running,
    name: &str,
    what: &str,
    condition: impl Fn(&ProbeView) -> bool,
) -> ProbeView {
    let deadline = Instant::now() + MOMENT;
    loop {
        let view = probe(running, name).await;
        if condition(&view) {
            return view;
        }
        assert!(Instant::now() < deadline, "{name}: {what} never came: {view:?}");
        sleep(Duration::from_millis(50)).await;
    }
}

fn good(view: &ProbeView) -> bool {
    view.quality.status == "Good"
}

/// A device that answers within half a second or not at all, and is not waited for long.
fn brisk(unit: u8, name: &str, bus: &str) -> String {
    let source = format!(
        "device = \"{name}\"\nregister = \"holding:0\"\nnumber = \"u32\"\nevery = \"100 ms\"\nhold = \"1 s\""
    );
    format!("\n[device.{name}]\nbus = \"{bus}\"\nunit_id = {unit}\ntimeout = \"500 ms\"\nretries = 0\n")
        + &plain_probe("s", name, &source)
}

#[tokio::test(flavor = "multi_thread")]
async fn devices_that_fail_say_so_and_come_back() {
    let devices = ModbusTcp::start(&[1]);
    let steady = ModbusTcp::start(&[1]);
    let tables = [
        sump("s"),
        tcp_bus("net", devices.port),
        brisk(1, "here", "net"),
        brisk(9, "nobody", "net"),
        tcp_bus("steady", steady.port),
        counting_devices("steady", "s", &[(1, 100)]),
    ]
    .concat();
    let installation = Installation::new(&tables);
    let running = started(&installation).await;
    let counters = |bus: usize, device: usize| running.buses[bus].devices()[device];
    let (net, here, nobody) = (0, 0, 1);

    // A unit that is not there.
    until(&running, "here", "a value", good).await;
    let absent = until(&running, "nobody", "a diagnosis", |view| view.quality.reason != "not read yet").await;
    assert_eq!((absent.value, absent.raw), (None, None), "{absent:?}");
    let sent = counters(net, nobody);
    assert!(sent.timeouts + sent.exceptions > 0 && sent.replies_ok == 0, "{sent:?}");

    // Silent, then back.
    devices.peer().signal(Signal::STOP);
    let silent =
        until(&running, "here", "silence", |view| view.quality.reason == "no reply" && view.value.is_none())
            .await;
    assert_eq!(silent.quality.status, "BadNoCommunication", "{silent:?}");
    let timeouts = counters(net, here).timeouts;
    assert!(timeouts > 0);
    devices.peer().signal(Signal::CONT);
    until(&running, "here", "a value after silence", good).await;

    // Dead, then started anew on the same port; its counter begins at one again.
    let (port, before) = (devices.port, devices.answered());
    drop(devices);
    let cut = "bus or broker not connected";
    let gone = until(&running, "here", cut, |view| view.quality.reason == cut && view.value.is_none()).await;
    assert_eq!(gone.quality.status, "BadNoCommunication", "{gone:?}");
    assert!(!running.buses[net].connected());
    let connects = running.buses[net].connects();
    let devices = ModbusTcp::start_on(port, &[1]);
    until(&running, "here", "a value from the new server", good).await;
    assert!(running.buses[net].connects() > connects && running.buses[net].open_failures() > 0);
    assert!(counters(net, here).not_connected > 0);

    // All that did not touch the other bus, and every poll is in one bucket.
    let other = counters(1, 0);
    assert_eq!((other.timeouts, other.frame_errors, other.unmatched, other.not_connected), (0, 0, 0, 0));
    assert!(
        [counters(net, here), counters(net, nobody), other].iter().all(|c| c.balanced() || c.polls_sent > 0)
    );
    running.stop().await;
    let stored = installation.stored();
    // One more may have been answered after it was asked and before it was killed.
    let split = 1 + before.iter().map(|(_, number)| *number).max().expect("it answered");
    let numbers = stored.raw("probe/s/here");
    let restart = numbers.windows(2).position(|pair| pair[1] < pair[0]).expect("a new counter") + 1;
    for (part, most) in [
        (&numbers[..restart], split),
        (&numbers[restart..], devices.answered().iter().map(|(_, n)| *n).max().expect("it answers")),
    ] {
        assert!(part.is_sorted_by(|a, b| a < b) && part.last().is_some_and(|last| *last <= most), "{part:?}");
    }
    assert!(stored.raw("probe/s/nobody").is_empty());
    let reasons: Vec<&str> =
        stored.points["probe/s/here"].iter().map(|point| point.quality.reason.text()).collect();
    assert!(reasons.contains(&"no reply") && reasons.contains(&"bus or broker not connected"), "{reasons:?}");
}

/// A payload (`NOW` is the time in ms), which way it is refused, and the reason the probe then shows.
const REFUSED: [(&str, Refusal, &str); 6] = [
    ("lukewarm", Refusal::Malformed, "message does not hold what was configured"),
    (r#"{"v": 99}"#, Refusal::Malformed, "message does not hold what was configured"),
    // RFC 8259 knows no such number; nor does an f64.
    (r#"{"v": 1e999, "t": NOW}"#, Refusal::Malformed, "message does not hold what was configured"),
    (r#"{"v": "NaN", "t": NOW}"#, Refusal::NotFinite, "not a number"),
    (r#"{"v": 99, "t": 4102444800}"#, Refusal::TimeRefused, "time stamp too far from the gateway's clock"),
    (r#"{"v": 99, "t": 1000}"#, Refusal::TimeRefused, "time stamp too far from the gateway's clock"),
];

#[tokio::test(flavor = "multi_thread")]
async fn messages_that_are_wrong_are_counted_and_the_next_good_one_counts_again() {
    let broker = Mosquitto::start(Entrance::Open);
    let mut tables = sump("s");
    tables +=
        &format!("\n[broker.shop]\naddress = \"127.0.0.1:{}\"\nmessage_size_max = \"2 KiB\"\n", broker.port);
    let json = "broker = \"shop\"\ntopic = \"hall/t\"\njson = { value = \"/v\", time = \"/t\" }\nevery = \"200 ms\"\nhold = \"200 ms\"\nstale_after = \"1 h\"";
    tables += &plain_probe("s", "t", json);
    tables += &plain_probe(
        "s",
        "n",
        "broker = \"shop\"\ntopic = \"hall/n\"\npayload = \"number\"\nevery = \"200 ms\"\nhold = \"200 ms\"\nstale_after = \"1 h\"",
    );
    let installation = Installation::new(&tables);
    let running = started(&installation).await;
    let deadline = Instant::now() + MOMENT;
    while running.brokers[0].borrow().link != Link::Connected {
        assert!(Instant::now() < deadline, "{:?}", running.brokers[0].borrow());
        sleep(Duration::from_millis(20)).await;
    }
    let port = broker.port;
    let raw = async |topic: &str, payload: &str| {
        let (topic, payload) = (topic.to_owned(), payload.to_owned());
        let send = move || publish(port, &["--topic", &topic, &format!("--raw={payload}")]);
        tokio::task::spawn_blocking(send).await.expect("published");
    };
    let counted = |refusal| running.brokers[0].borrow().counters.refused(refusal);
    let now_ms = || {
        let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).expect("after 1970");
        now.as_millis()
    };
    for (n, (payload, refusal, reason)) in REFUSED.into_iter().enumerate() {
        let number = 20.0 + n as f64;
        raw("hall/t", &format!(r#"{{"v": {number}, "t": {}}}"#, now_ms())).await;
        until(&running, "t", "the good message", |view| view.raw == Some(number)).await;
        let before = counted(refusal);
        raw("hall/t", &payload.replace("NOW", &now_ms().to_string())).await;
        // The last value is held for a moment, with the reason; then there is none.
        let bad = until(&running, "t", payload, |view| view.value.is_none()).await;
        assert_eq!(bad.quality.reason, reason, "{payload}");
        assert_eq!(counted(refusal), before + 1, "{payload}");
    }
    raw("hall/n", "NaN").await;
    let bad = until(&running, "n", "NaN", |view| view.quality.reason != "not read yet").await;
    assert_eq!((bad.value, bad.quality.reason), (None, "not a number"), "{bad:?}");
    raw("hall/t", &format!(r#"{{"v": 99, "t": {}, "x": "{}"}}"#, now_ms(), "x".repeat(5000))).await;
    let bad = until(&running, "t", "an oversized message", |view| view.value.is_none()).await;
    assert_eq!(bad.quality.reason, "message too large", "{bad:?}");
    assert_eq!(counted(Refusal::Oversized), 1);

    // One that comes late, behind a younger one: kept at its own time, and the younger stays the latest.
    let late = now_ms() - 10_000;
    raw("hall/t", &format!(r#"{{"v": 31, "t": {}}}"#, now_ms())).await;
    until(&running, "t", "the younger message", |view| view.raw == Some(31.0)).await;
    raw("hall/t", &format!(r#"{{"v": 30, "t": {late}}}"#)).await;
    let deadline = Instant::now() + MOMENT;
    while running.brokers[0].borrow().counters.accepted < REFUSED.len() as u64 + 2 {
        assert!(Instant::now() < deadline, "{:?}", running.brokers[0].borrow().counters);
        sleep(Duration::from_millis(20)).await;
    }
    sleep(Duration::from_millis(200)).await;
    let latest = probe(&running, "t").await;
    running.stop().await;
    let stored = installation.stored();
    let mut raws = stored.raw("probe/s/t");
    let at = |number: u32| {
        let points = &stored.points["probe/s/t"];
        points.iter().find(|point| point.raw == Some(f64::from(number))).map(|point| point.at.as_nanos())
    };
    assert_eq!(at(30), Some(i64::try_from(late).expect("our time") * 1_000_000));
    raws.sort_unstable();
    assert_eq!(raws, [20, 21, 22, 23, 24, 25, 30, 31], "no wrong number, none twice");
    assert!(stored.raw("probe/s/n").is_empty());
    assert_ne!(latest.raw, Some(30.0), "the older number is not the latest: {latest:?}");
}
