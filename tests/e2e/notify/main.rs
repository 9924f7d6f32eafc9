//! Messages to foreign peers: aiosmtpd takes mail, mosquitto takes MQTT, and the gateway's own program starts receivers from
//! its configuration and takes an acknowledgement by link.

mod mail;
mod mqtt;
mod page;

use std::io::Write as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use jiff::tz::TimeZone;
use sumpwarden::edge::clock::Clock;
use sumpwarden::edge::mqtt::publish_once;
use sumpwarden::edge::notify::{Receiver, ReceiverStatus, Surroundings};
use sumpwarden::edge::store::{Commit, Store};
use sumpwarden_core::acquire::settings::{Secret, SecretFile};
use sumpwarden_core::alarm::notice::{Change, Facts, Notice};
use sumpwarden_core::alarm::settings::{Priority, Side};
use sumpwarden_core::alarm::wording::{Reader, Units};
use sumpwarden_core::model::Name;
use sumpwarden_core::notify::settings::{Way, WebhookSettings};
use sumpwarden_core::notify::{Action, OutboxCounts, OutboxEntry, ReceiverSettings};
use sumpwarden_core::store::settings::StoreSettings;
use tokio::sync::{mpsc, watch};

/// How long anything may take on a busy machine.
const MOMENT: Duration = Duration::from_secs(60);

fn name(text: &str) -> Name {
    Name::new(text).expect("a name")
}

fn open(directory: &Path) -> Store {
    let settings = StoreSettings { free_min: 0, ..StoreSettings::default() };
    Store::open(directory, &[], settings, mpsc::unbounded_channel().0).expect("the directory is ours")
}

fn receiver(way: Way) -> ReceiverSettings {
    ReceiverSettings {
        reader: Reader { units: Units::Us, zone: TimeZone::get("America/Chicago").expect("in the database") },
        gather_for: Duration::ZERO,
        rate: Duration::ZERO,
        ..ReceiverSettings::new(name("setter"), way)
    }
}

/// Row `sequence` of an alarm whose title tries to get out of its line.
fn entry(sequence: u32) -> OutboxEntry {
    let notice = Notice {
        alarm: "lathe-1/hardness-high".to_owned(),
        occurrence: 3,
        sequence,
        change: if sequence == 1 { Change::Raised } else { Change::Ended },
        at_ns: 1_772_352_000_000_000_000,
        priority: Priority::Medium,
        sump: Some("lathe-1".to_owned()),
        title: "Lathe 1\r\nBcc: other@shop.example\r\n\r\n.\r\n".to_owned(),
        by: None,
        why: None,
        facts: Facts::Limit {
            quantity: "hardness".to_owned(),
            estimate: Some("hardness_mg_l".to_owned()),
            side: Side::High,
            setpoint: 400.0,
            value: Some(431.0),
            interval: Some((410.0, 452.0)),
            probability: Some(0.93),
            ahead_days: None,
        },
    };
    OutboxEntry {
        receiver: name("setter"),
        key: "hall-2/lathe-1/hardness-high#3".to_owned(),
        sequence,
        action: if sequence == 1 { Action::Raise } else { Action::End },
        priority: Priority::Medium,
        at: Clock.utc(),
        body: serde_json::to_string(&notice).expect("JSON"),
    }
}

/// A secret that was read as `before` from a file that holds `now`.
fn was_changed(folder: &Path, before: &str, now: &str) -> Secret {
    let path = folder.join("secret");
    std::fs::write(&path, now).expect("ours");
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).expect("ours");
    Secret::new(before.to_owned()).read_from(SecretFile { path, handed: false })
}

/// Runs a receiver on a store with these rows until all of them are done with; gives what became of them, and how it was.
async fn deliver(way: Way, entries: Vec<OutboxEntry>) -> (OutboxCounts, ReceiverStatus) {
    let folder = sumpwarden_tests::process::TempDir::new("notify");
    let store = open(folder.path());
    let publisher: sumpwarden::edge::notify::Publisher = Arc::new(|mqtt, payload| {
        Box::pin(async move { publish_once(&mqtt.broker, &mqtt.topic, payload).await })
    });
    let (reports, mut told) = mpsc::channel(8);
    tokio::spawn(async move { while told.recv().await.is_some() {} });
    let around = Surroundings { site: name("hall-2"), links: None, publisher, reports };
    let task = Receiver::new(receiver(way), &store, around).expect("sound settings");
    let mut status = task.status();
    let (stop, stopping) = watch::channel(false);
    let task = tokio::spawn(task.run(stopping));
    let expected = entries.len() as u64;
    for outbox in entries {
        store.submit(Commit { outbox: vec![outbox], ..Commit::default() });
    }
    let ended = |status: &ReceiverStatus| {
        status.counts.transitions == expected && status.counts.pending == 0 && status.counts.add_up()
    };
    let waited = tokio::time::timeout(MOMENT, status.wait_for(ended)).await.is_ok();
    let how = status.borrow().clone();
    assert!(waited, "not everything was delivered: {how:?}");
    stop.send_replace(true);
    task.await.expect("it ends");
    let counts = store.reader().expect("open").outbox_counts().expect("readable")["setter"];
    store.close();
    (counts, how)
}

/// Gone for good at the old address and to the old key: only a message with both new ones gets through.
#[tokio::test(flavor = "multi_thread")]
async fn an_address_and_a_key_that_were_changed_are_read_anew() {
    let port = sumpwarden_tests::server::serve(|request, stream| {
        let status = match (request.path.as_str(), request.header("x-key")) {
            ("/new", Some("new-key")) => 204,
            ("/new", _) => 401,
            _ => 404,
        };
        stream.write_all(format!("HTTP/1.1 {status} -\r\nContent-Length: 0\r\n\r\n").as_bytes())?;
        Ok(true)
    });
    let folders = ["url", "key"].map(sumpwarden_tests::process::TempDir::new);
    let address = |path: &str| format!("http://127.0.0.1:{port}/{path}");
    let url = was_changed(folders[0].path(), &address("old"), &format!("{}\n", address("new")));
    let key = was_changed(folders[1].path(), "old-key", "\u{feff}new-key\r\n");
    let headers = vec![("X-Key".to_owned(), key)];
    let webhook = WebhookSettings { headers, private_network: true, ..WebhookSettings::to(url) };
    let (counts, status) = deliver(Way::Webhook(webhook), vec![entry(1), entry(2)]).await;
    assert_eq!((counts.delivered, counts.failed), (2, 0), "{status:?}");
}
