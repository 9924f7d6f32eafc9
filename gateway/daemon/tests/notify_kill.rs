//! Kills a process that raises alarms and tells of them, again and again, and compares what it owed with what arrived.
//!
//! The child is a gateway in small: alarms change, the router says who hears of it, rows go into the store together with the
//! router's state and the number of the next change, receivers send them. It is killed at any moment, when a message has
//! arrived and is not answered yet, in the middle of the answer, and right after it. In the end every row must have arrived,
//! nothing that was not durable, each alarm's rows in order, and at most one message twice for each kill. The same is done
//! once with an outbox that marks rows before they are sent, which must show as loss. `notify_kill [KILLS]`, 24 by default.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use sumpwarden::edge::clock::Clock;
use sumpwarden::edge::notify::{Outbox, Receiver, Surroundings};
use sumpwarden::edge::store::{Commit, Store, StoreError};
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::alarm::notice::{Change, Facts, Notice};
use sumpwarden_core::alarm::settings::Priority;
use sumpwarden_core::model::{Name, Timestamp};
use sumpwarden_core::notify::router::SAVED_KEY;
use sumpwarden_core::notify::settings::{Way, WebhookSettings};
use sumpwarden_core::notify::{
    Mark, OutboxCounts, OutboxNews, OutboxRow, ReceiverSettings, Router, RowState,
};
use sumpwarden_core::store::settings::StoreSettings;
use tokio::sync::{mpsc, watch};

const KILLS: usize = 24;
const HASTY_KILLS: usize = 6;
const RECEIVERS: [&str; 2] = ["setter", "lead"];
/// Under this key the child keeps the number of its next change.
const NEXT_KEY: &str = "next";

fn main() {
    let args: Vec<String> = std::env::args().collect();
    match args.get(1).map(String::as_str) {
        Some("child") => {
            let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
            runtime.expect("a runtime").block_on(child(&args[2..]));
        }
        // A filter or a flag of the test runner.
        other => {
            let kills = other.and_then(|n| n.parse().ok()).unwrap_or(KILLS);
            let sound = campaign("sound", kills);
            assert_eq!(sound.missing, 0, "{sound:?}");
            assert!(sound.rows > 200, "too little was sent to prove anything: {sound:?}");
            let hasty = campaign("hasty", HASTY_KILLS);
            assert!(hasty.missing > 0, "an outbox that marks too early must show: {hasty:?}");
            tell(&sound, &hasty);
        }
    }
}

#[expect(clippy::print_stderr, reason = "a test without a harness says what it did")]
fn tell(sound: &Found, hasty: &Found) {
    eprintln!("sound outbox: {sound:?}");
    eprintln!("outbox that marks too early: {hasty:?}");
}

fn name(text: &str) -> Name {
    Name::new(text).expect("a name")
}

fn open(directory: &Path) -> Store {
    let settings = StoreSettings { free_min: 0, ..StoreSettings::default() };
    Store::open(directory, &[], settings, mpsc::unbounded_channel().0).expect("the directory is ours")
}

fn receiver(text: &str, url: &str) -> ReceiverSettings {
    let way = Way::Webhook(WebhookSettings::to(Secret::new(url.to_owned())));
    let quick = Duration::from_millis(20);
    ReceiverSettings { gather_for: quick, rate: quick, ..ReceiverSettings::new(name(text), way) }
}

/// The `number`th change of the shop: five alarms, each raised, acknowledged and ended, over and over.
fn change(number: u64) -> Notice {
    let (alarm, turn) = (number % 5, number / 5);
    let change = [Change::Raised, Change::Acknowledged, Change::Ended][(turn % 3) as usize];
    Notice {
        alarm: format!("lathe-{alarm}/instrument/ph"),
        occurrence: turn / 3 + 1,
        sequence: (turn % 3) as u32 + 1,
        change,
        at_ns: Clock.utc().as_nanos(),
        priority: Priority::Medium,
        sump: Some(format!("lathe-{alarm}")),
        title: format!("Lathe {alarm}"),
        by: None,
        why: None,
        facts: Facts::Probe { probe: "ph".to_owned(), reason: "no reply".to_owned() },
    }
}

/// Directory, `sound` or `hasty`, `go` or `drain`, one address a receiver.
async fn child(args: &[String]) {
    let store = open(Path::new(&args[0]));
    let receivers: Vec<ReceiverSettings> =
        RECEIVERS.iter().zip(&args[3..]).map(|(name, url)| receiver(name, url)).collect();
    let mut router = Router::new(receivers.clone(), "hall-2".to_owned());
    let mut reader = store.reader().expect("open");
    if let Some(saved) = reader.saved(SAVED_KEY).expect("readable") {
        router.restore(Clock.now(), &saved).expect("what was saved");
    }
    let next = reader.saved(NEXT_KEY).expect("readable");
    let next = next.map_or(0, |bytes| u64::from_le_bytes(bytes.try_into().expect("eight")));
    let (_stop, stopping) = watch::channel(false);
    for settings in receivers {
        if args[1] == "hasty" {
            run(settings, &Hasty(store.clone()), stopping.clone());
        } else {
            run(settings, &store, stopping.clone());
        }
    }
    if args[2] == "go" {
        raise_for_ever(&store, &mut router, next).await;
    }
    while reader.outbox_counts().expect("readable").values().any(|counts| counts.pending > 0) {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    store.close();
}

/// Goes on from change `next` until it is killed.
async fn raise_for_ever(store: &Store, router: &mut Router, next: u64) {
    for number in next.. {
        let outbox = router.changed(Clock.now(), &change(number));
        let mut saved = vec![(NEXT_KEY.to_owned(), (number + 1).to_le_bytes().to_vec())];
        saved.extend(router.save(Clock.now()));
        store.submit(Commit { outbox, saved, ..Commit::default() });
        tokio::time::sleep(Duration::from_millis(4)).await;
    }
}

fn run<S: Outbox>(settings: ReceiverSettings, outbox: &S, stopping: watch::Receiver<bool>) {
    let (reports, mut told) = mpsc::channel(8);
    tokio::spawn(async move { while told.recv().await.is_some() {} });
    let around = Surroundings {
        site: name("hall-2"),
        links: None,
        publisher: Arc::new(|_, _| Box::pin(async { Err("no broker here".to_owned()) })),
        reports,
    };
    tokio::spawn(Receiver::new(settings, outbox, around).expect("sound settings").run(stopping));
}

/// The mistake that is looked for: a row counts as delivered once it has been read.
#[derive(Clone)]
struct Hasty(Store);

impl Outbox for Hasty {
    type Error = StoreError;

    fn news(&self) -> watch::Receiver<OutboxNews> {
        self.0.news()
    }

    async fn pending_after(&self, receiver: Name, id: i64, limit: u32) -> Result<Vec<OutboxRow>, StoreError> {
        let rows = self.0.pending_after(receiver, id, limit).await?;
        let ids = rows.iter().map(|row| row.id).collect();
        let at = Timestamp::from_nanos(0);
        self.0.mark(vec![Mark::Rows { ids, state: RowState::Delivered, reason: None, at }]).await?;
        Ok(rows)
    }

    async fn mark(&self, marks: Vec<Mark>) -> Result<(), StoreError> {
        self.0.mark(marks).await
    }

    async fn counts(&self, receiver: Name) -> Result<(OutboxCounts, Option<Timestamp>), StoreError> {
        self.0.counts(receiver).await
    }
}

/// When the child is killed.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Moment {
    /// After so many milliseconds.
    After(u64),
    /// A message has arrived, nothing is answered yet.
    Arrived,
    /// Half of the answer has been sent.
    HalfAnswered,
    /// All of it has.
    Answered,
}

/// What a campaign has found.
#[derive(Debug)]
#[expect(dead_code, reason = "shown by Debug")]
struct Found {
    kills: usize,
    rows: usize,
    missing: usize,
    messages: usize,
    messages_twice: usize,
}

/// Receiver, key, number.
type Arrival = (String, String, u64);

/// What has arrived, message by message, and whom to kill when.
#[derive(Default)]
struct Log {
    messages: Vec<Vec<Arrival>>,
    trap: Option<(Moment, i32)>,
}

fn campaign(outbox: &str, kills: usize) -> Found {
    let directory =
        std::env::temp_dir().join(format!("sumpwarden-notify-kill-{outbox}-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&directory);
    let log = Arc::new(Mutex::new(Log::default()));
    let urls = RECEIVERS.map(|receiver| serve(receiver, &log));
    for round in 0..kills {
        let life = 250 + (round as u64 * 137) % 400;
        let moment =
            [Moment::After(life), Moment::Arrived, Moment::HalfAnswered, Moment::Answered][round % 4];
        let mut child = start(&directory, outbox, "go", &urls);
        if let Moment::After(life) = moment {
            std::thread::sleep(Duration::from_millis(life));
            child.kill().expect("it runs for ever");
        } else {
            // First it catches up a little, then the next message springs the trap.
            std::thread::sleep(Duration::from_millis(life));
            let pid = i32::try_from(child.id()).expect("a process id");
            log.lock().expect("whole").trap = Some((moment, pid));
        }
        child.wait().expect("ours");
        log.lock().expect("whole").trap = None;
    }
    assert!(
        start(&directory, outbox, "drain", &urls).wait().expect("ours").success(),
        "it empties its outbox"
    );
    let found = compare(&directory, &log.lock().expect("whole").messages, kills);
    std::fs::remove_dir_all(&directory).expect("the test made it");
    found
}

fn start(directory: &Path, outbox: &str, mode: &str, urls: &[String]) -> Child {
    Command::new(std::env::current_exe().expect("a path"))
        .args(["child".as_ref(), directory.as_os_str()])
        .args([outbox, mode])
        .args(urls)
        .spawn()
        .expect("the test can start itself")
}

fn compare(directory: &Path, messages: &[Vec<Arrival>], kills: usize) -> Found {
    let owed = rows(directory);
    let mut seen = BTreeSet::new();
    let mut last: BTreeMap<(&str, &str), u64> = BTreeMap::new();
    let mut twice = 0;
    for message in messages {
        let mut again = false;
        for arrival @ (receiver, key, sequence) in message {
            assert!(owed.contains(arrival), "{arrival:?} was sent and is not in the store");
            if !seen.insert(arrival) {
                again = true;
                continue;
            }
            let before = last.insert((receiver, key), *sequence);
            assert!(before < Some(*sequence), "{arrival:?} after {before:?}");
        }
        twice += usize::from(again);
    }
    // A message in flight, one a receiver.
    assert!(twice <= kills * RECEIVERS.len(), "{twice} messages came twice after {kills} kills");
    let missing = owed.iter().filter(|row| !seen.contains(row)).count();
    Found { kills, rows: owed.len(), missing, messages: messages.len(), messages_twice: twice }
}

/// Every row that ever became durable; all of them are done with, and counted.
fn rows(directory: &Path) -> BTreeSet<Arrival> {
    let store = open(directory);
    let counts = store.reader().expect("open").outbox_counts().expect("readable");
    assert!(counts.values().all(|one| one.add_up() && one.pending == 0), "{counts:?}");
    store.close();
    let connection = rusqlite::Connection::open(directory.join("store.sqlite")).expect("there");
    let mut statement = connection.prepare("SELECT receiver, key, sequence FROM outbox").expect("there");
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?))).expect("readable");
    rows.collect::<Result<_, _>>().expect("readable")
}

/// A receiver's other side; gives its address.
fn serve(receiver: &'static str, log: &Arc<Mutex<Log>>) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let url = format!("http://{}/{receiver}", listener.local_addr().expect("bound"));
    let log = Arc::clone(log);
    std::thread::spawn(move || {
        for stream in listener.incoming().map_while(Result::ok) {
            // One that was cut by a kill is no message.
            let _ = answer(receiver, stream, &log);
        }
    });
    url
}

fn answer(receiver: &str, mut stream: TcpStream, log: &Mutex<Log>) -> std::io::Result<()> {
    let body = read(&mut stream)?;
    let value: Value = serde_json::from_slice(&body).expect("JSON");
    let text = |value: &Value| value.as_str().expect("text").to_owned();
    let items = value["items"].as_array().expect("items").iter();
    let message = items
        .map(|item| (receiver.to_owned(), text(&item["key"]), item["sequence"].as_u64().expect("a number")));
    log.lock().expect("whole").messages.push(message.collect());
    spring(Moment::Arrived, log);
    stream.write_all(b"HTTP/1.1 200 OK\r\nContent-")?;
    spring(Moment::HalfAnswered, log);
    stream.write_all(b"Length: 0\r\nConnection: close\r\n\r\n")?;
    spring(Moment::Answered, log);
    Ok(())
}

/// Kills the child if this is the moment.
fn spring(moment: Moment, log: &Mutex<Log>) {
    let trap = log.lock().expect("whole").trap;
    if let Some((_, pid)) = trap.filter(|(when, _)| *when == moment)
        && let Some(pid) = Pid::from_raw(pid)
    {
        // The second receiver's message may find it dead already.
        let _ = kill_process(pid, Signal::KILL);
    }
}

fn read(stream: &mut TcpStream) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut piece = [0; 16 * 1024];
    let end = loop {
        if let Some(end) = bytes.windows(4).position(|four| four == b"\r\n\r\n") {
            break end + 4;
        }
        match stream.read(&mut piece)? {
            0 => return Err(std::io::ErrorKind::UnexpectedEof.into()),
            length => bytes.extend_from_slice(&piece[..length]),
        }
    };
    let head = String::from_utf8_lossy(&bytes[..end]).to_lowercase();
    let length = head.lines().find_map(|line| line.strip_prefix("content-length: ")?.trim().parse().ok());
    let mut body = bytes.split_off(end);
    let have = body.len();
    body.resize(length.unwrap_or(0), 0);
    stream.read_exact(&mut body[have..])?;
    Ok(body)
}
