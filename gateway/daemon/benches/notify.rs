//! How long a message takes from the commit of an alarm's change until a receiver on loopback has it: the store's sync, the
//! wake-up, the request. Group wait and rate are none; what is left is ours. `cargo bench -p sumpwarden --bench notify`.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use serde_json::Value;
use sumpwarden::edge::clock::Clock;
use sumpwarden::edge::notify::{Receiver, Surroundings};
use sumpwarden::edge::store::{Commit, Store};
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::alarm::notice::{Change, Facts, Notice};
use sumpwarden_core::alarm::settings::Priority;
use sumpwarden_core::model::Name;
use sumpwarden_core::notify::settings::{Way, WebhookSettings};
use sumpwarden_core::notify::{ReceiverSettings, Router};
use sumpwarden_core::store::settings::StoreSettings;
use tokio::sync::{mpsc, watch};

const MESSAGES: u64 = 500;
/// Between two changes: they do not queue behind each other.
const EVERY: Duration = Duration::from_millis(10);

fn main() {
    let directory = std::env::temp_dir().join(format!("sumpwarden-bench-notify-{}", std::process::id()));
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    let mut took = runtime.expect("a runtime").block_on(measure(&directory));
    std::fs::remove_dir_all(&directory).expect("made here");
    took.sort();
    let quantile = |q: f64| took[((took.len() - 1) as f64 * q) as usize];
    say(&format!(
        "{} messages, from commit to receiver: p50 {:.2?}, p99 {:.2?}, worst {:.2?}",
        took.len(),
        quantile(0.5),
        quantile(0.99),
        quantile(1.0)
    ));
}

#[expect(clippy::print_stdout, reason = "a benchmark says what it measured")]
fn say(text: &str) {
    println!("{text}");
}

fn name(text: &str) -> Name {
    Name::new(text).expect("a name")
}

async fn measure(directory: &Path) -> Vec<Duration> {
    let settings = StoreSettings { free_min: 0, ..StoreSettings::default() };
    let store = Store::open(directory, &[], settings, mpsc::unbounded_channel().0).expect("ours");
    let (arrivals, arrived) = channel();
    let receiver = receiver(&serve(arrivals));
    let mut router = Router::new(vec![receiver.clone()], "hall-2".to_owned());
    let (reports, _told) = mpsc::channel(8);
    let publisher: sumpwarden::edge::notify::Publisher =
        Arc::new(|_, _| Box::pin(async { Err(String::new()) }));
    let around = Surroundings { site: name("hall-2"), links: None, publisher, reports };
    let (stop, stopping) = watch::channel(false);
    let task = tokio::spawn(Receiver::new(receiver, &store, around).expect("sound").run(stopping));
    let begun: Arc<Mutex<BTreeMap<u64, Instant>>> = Arc::default();
    for occurrence in 1..=MESSAGES {
        let outbox = router.changed(Clock.now(), &notice(occurrence));
        begun.lock().expect("whole").insert(occurrence, Instant::now());
        store.submit(Commit { outbox, ..Commit::default() });
        tokio::time::sleep(EVERY).await;
    }
    let took = tokio::task::spawn_blocking(move || {
        let begun = begun.lock().expect("whole");
        let of =
            |(occurrence, at): (u64, Instant)| Some(at.saturating_duration_since(*begun.get(&occurrence)?));
        (0..MESSAGES).filter_map(|_| of(arrived.recv().expect("every message arrives"))).collect()
    });
    let took = took.await.expect("it ends");
    stop.send_replace(true);
    task.await.expect("it ends");
    store.close();
    took
}

fn notice(occurrence: u64) -> Notice {
    Notice {
        // An alarm of its own each time: nothing is resolved on the way.
        alarm: format!("lathe-{occurrence}/instrument/ph"),
        occurrence,
        sequence: 1,
        change: Change::Raised,
        at_ns: Clock.utc().as_nanos(),
        priority: Priority::High,
        sump: Some("lathe".to_owned()),
        title: "Lathe".to_owned(),
        by: None,
        why: None,
        facts: Facts::Probe { probe: "ph".to_owned(), reason: "no reply".to_owned() },
    }
}

fn receiver(url: &str) -> ReceiverSettings {
    let way = Way::Webhook(WebhookSettings::to(Secret::new(url.to_owned())));
    let at_once = Duration::ZERO;
    ReceiverSettings { gather_for: at_once, rate: at_once, ..ReceiverSettings::new(name("setter"), way) }
}

/// Takes everything and says when which occurrence came; gives its address.
fn serve(arrivals: Sender<(u64, Instant)>) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let url = format!("http://{}/", listener.local_addr().expect("bound"));
    std::thread::spawn(move || {
        for mut stream in listener.incoming().map_while(Result::ok) {
            let body = read(&mut stream);
            let now = Instant::now();
            let _ = stream.write_all(b"HTTP/1.1 204 x\r\nConnection: close\r\n\r\n");
            for item in body["items"].as_array().expect("items") {
                let key = item["key"].as_str().expect("a key");
                let occurrence = key.rsplit_once('#').and_then(|(_, number)| number.parse().ok());
                if arrivals.send((occurrence.expect("a number"), now)).is_err() {
                    return;
                }
            }
        }
    });
    url
}

fn read(stream: &mut TcpStream) -> Value {
    let mut bytes = Vec::new();
    let mut piece = [0; 16 * 1024];
    loop {
        let length = stream.read(&mut piece).expect("a whole request");
        bytes.extend_from_slice(&piece[..length]);
        let end = bytes.windows(4).position(|four| four == b"\r\n\r\n").map(|end| end + 4);
        if let Some(body) = end.and_then(|end| serde_json::from_slice(&bytes[end..]).ok()) {
            return body;
        }
    }
}
