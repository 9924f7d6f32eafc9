//! How long a message takes from the reading that crosses a limit until a receiver on loopback has it: conversion and alarm
//! in the engine, the store's sync, the wake-up, the request. Delays of the limit, group wait and rate are none; what is
//! left is ours.

use std::collections::BTreeMap;
use std::error::Error;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use serde_json::Value;
use sumpwarden::config::load;
use sumpwarden::edge::clock::Clock;
use sumpwarden::edge::notify::{Receiver, Surroundings};
use sumpwarden::edge::store::{Commit, Store};
use sumpwarden_core::engine::{Engine, Input, Outbound, Settings};
use sumpwarden_core::model::{Name, ProbeIndex, Raw, RawReading};
use sumpwarden_core::store::settings::StoreSettings;
use tokio::sync::{mpsc, watch};

use crate::alone::{Figures, emptied, named};
use crate::quantiles::Quantiles;

/// Between two changes: they do not queue behind each other.
const EVERY: Duration = Duration::from_millis(10);

/// After so long nothing more is coming.
const QUIET: Duration = Duration::from_secs(5);

/// Figures of `messages` messages, their store in `directory`.
pub(crate) fn measure(directory: &Path, messages: u64) -> Result<Figures, Box<dyn Error>> {
    emptied(directory)?;
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    let took = runtime.block_on(tell(directory, messages));
    if took.len() as u64 != messages {
        return Err(format!("{} of {messages} messages arrived: nobody knows which", took.len()).into());
    }
    let took = took.into_iter().map(|took| took.as_secs_f64() * 1e3).collect();
    let quantiles = Quantiles::of(took).ok_or("no message arrived")?;
    Ok(named([("p50_ms", quantiles.p50), ("p99_ms", quantiles.p99), ("worst_ms", quantiles.max)]))
}

/// A sump whose pH probe is read a hundred times a second.
const SHOP: &str = r#"
[site]
name = "hall-2"

[bus.line]
link = "modbus-tcp"
address = "127.0.0.1:502"

[device.io]
bus = "line"

[receiver.setter]
webhook = { url = "URL", private_network = true }
gather_for = "0 s"
rate = "0 s"

[water.mains]
hardness = "240 mg/L"

[fluid.semi]
refractometer_factor = 1.4
conductivity_curve = [[0, 560], [5, 1290], [12, 2190]]

[sump.lathe]
fluid = "semi"
water = "mains"
target_percent = 7
fill_mark = "310 mm"
tank = { shape = "box", length = "1200 mm", width = "700 mm", height = "400 mm" }

[sump.lathe.probe.ph]
quantity = "ph"
device = "io"
register = "30001"
scale = 0.01
every = "1 s"
frozen = false
spike = false

[sump.lathe.limit.alkaline]
of = "ph"
high = 9.8
deadband = 0.1
on_delay = "0 s"
off_delay = "0 s"
priority = "high"
"#;

fn shop(url: &str) -> Settings {
    let directory = std::env::temp_dir().join(format!("sumpwarden-bench-shop-{}", std::process::id()));
    std::fs::create_dir_all(&directory).expect("a temporary directory");
    let file = directory.join("shop.toml");
    std::fs::write(&file, SHOP.replace("URL", url)).expect("written");
    let settings = load(&file).unwrap_or_else(|report| panic!("{report}")).settings.engine;
    std::fs::remove_dir_all(&directory).expect("made here");
    settings
}

async fn tell(directory: &Path, messages: u64) -> Vec<Duration> {
    let (arrivals, arrived) = channel();
    let mut engine = Engine::new(shop(&serve(arrivals))).expect("checked settings");
    let settings = StoreSettings { free_min: 0, ..StoreSettings::default() };
    let store = Store::open(directory, engine.series(), settings, mpsc::unbounded_channel().0).expect("ours");
    let (reports, _told) = mpsc::channel(8);
    let publisher: sumpwarden::edge::notify::Publisher =
        Arc::new(|_, _| Box::pin(async { Err(String::new()) }));
    let site = Name::new("hall-2").expect("a name");
    let around = Surroundings { site, links: None, publisher, reports };
    let receiver = engine.settings().receivers[0].clone();
    let (stop, stopping) = watch::channel(false);
    let task = tokio::spawn(Receiver::new(receiver, &store, around).expect("sound").run(stopping));
    let begun: Arc<Mutex<BTreeMap<u64, Instant>>> = Arc::default();
    for occurrence in 1..=messages {
        begun.lock().expect("whole").insert(occurrence, Instant::now());
        read_ph(&mut engine, &store, 10.2);
        tokio::time::sleep(EVERY).await;
        read_ph(&mut engine, &store, 9.1);
        tokio::time::sleep(EVERY).await;
    }
    let took = tokio::task::spawn_blocking(move || {
        let begun = begun.lock().expect("whole");
        let of =
            |(occurrence, at): (u64, Instant)| Some(at.saturating_duration_since(*begun.get(&occurrence)?));
        // On a busy machine two changes may become one message; then it is not known which is missing.
        (0..messages).map_while(|_| arrived.recv_timeout(QUIET).ok()).filter_map(of).collect()
    });
    let took = took.await.expect("it ends");
    stop.send_replace(true);
    task.await.expect("it ends");
    store.close();
    took
}

/// What the probe says now, all the way into the store's inbox.
fn read_ph(engine: &mut Engine, store: &Store, ph: f64) {
    let now = Clock.now();
    let raw = Raw::Number(100.0 * ph);
    let reading = RawReading { probe: ProbeIndex(0), at: now.utc, received: now.uptime, raw };
    engine.handle(now, Input::Readings(&[reading]));
    let mut out = Outbound::default();
    engine.drain(&mut out);
    let Outbound { samples, journal, saved, outbox } = out;
    let at_once = !journal.is_empty();
    store.submit(Commit { samples, journal, saved, outbox, at_once, ..Commit::default() });
}

/// Takes everything and says when each raise came; gives its address.
fn serve(arrivals: Sender<(u64, Instant)>) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let url = format!("http://{}/", listener.local_addr().expect("bound"));
    std::thread::spawn(move || {
        // An alarm that nobody has seen comes back as the same occurrence, so they are told apart by their order.
        let mut raises = 0;
        for mut stream in listener.incoming().map_while(Result::ok) {
            let body = read(&mut stream);
            let now = Instant::now();
            let _ = stream.write_all(b"HTTP/1.1 204 x\r\nConnection: close\r\n\r\n");
            let raised = |item: &&Value| item["action"] == "raise";
            for _ in body["items"].as_array().expect("items").iter().filter(raised) {
                raises += 1;
                if arrivals.send((raises, now)).is_err() {
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
