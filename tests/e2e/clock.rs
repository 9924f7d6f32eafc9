//! The gateway's own program on a box whose clock does not run on without power: it starts in 1970, is killed there, and is set
//! right while it runs. Every number that the device gave stands once in the store and at the database, at its true time.

use std::collections::BTreeMap;
use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::thread::sleep;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use sumpwarden_tests::faketime;
use sumpwarden_tests::gateway::{
    Daemon, Installation, counting_devices, program, program_with_faults, sump, tcp_bus,
};
use sumpwarden_tests::process::{self, TempDir};
use sumpwarden_tests::server;

/// How long anything may take on a busy machine.
const MOMENT: Duration = Duration::from_secs(60);
/// A stamp may be off by so much: the way from the device to the gateway, on a busy machine.
const OFF_MAX_MS: u64 = 400;
/// Answers that a kill may cost: a second of them, and what was on its way.
const KILL_COSTS: usize = 40;
/// How often the device is asked, ms.
const EVERY_MS: u32 = 50;

const SERIES: &str = "probe/s/net-1";

#[track_caller]
fn wait_for<T>(what: &str, found: impl FnMut() -> Option<T>) -> T {
    process::wait_for(what, MOMENT, found)
}

fn now_ns() -> i64 {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).expect("this machine's clock is set");
    i64::try_from(now.as_nanos()).expect("before 2262")
}

/// A device that numbers its answers and knows when it gave them.
struct Device {
    port: u16,
    answered: Arc<Mutex<BTreeMap<u32, i64>>>,
}

impl Device {
    fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = listener.local_addr().expect("bound").port();
        let answered = Arc::new(Mutex::new(BTreeMap::new()));
        let kept = Arc::clone(&answered);
        std::thread::spawn(move || {
            for connection in listener.incoming().flatten() {
                let kept = Arc::clone(&kept);
                std::thread::spawn(move || while answer(&connection, &kept).is_some() {});
            }
        });
        Self { port, answered }
    }

    fn answered(&self) -> BTreeMap<u32, i64> {
        self.answered.lock().expect("nobody panics with it").clone()
    }
}

/// Answers one request for registers with the next number in the first two of them.
fn answer(mut connection: &TcpStream, answered: &Mutex<BTreeMap<u32, i64>>) -> Option<()> {
    let mut request = [0; 12];
    connection.read_exact(&mut request).ok()?;
    let registers = u16::from_be_bytes([request[10], request[11]]).max(2);
    let bytes = u8::try_from(2 * registers).expect("at most 125 registers are asked for");
    let number = {
        let mut answered = answered.lock().expect("nobody panics with it");
        let number = answered.keys().next_back().map_or(1, |last| last + 1);
        answered.insert(number, now_ns());
        number
    };
    let mut reply = request[..4].to_vec();
    reply.extend(u16::from(bytes + 3).to_be_bytes());
    reply.extend([request[6], request[7], bytes]);
    reply.extend(number.to_be_bytes());
    reply.resize(9 + usize::from(bytes), 0);
    connection.write_all(&reply).ok()
}

/// A database that keeps of every point of the probe its number and its time, as often as it is sent.
#[derive(Clone, Default)]
struct Database(Arc<Mutex<Vec<(u32, i64)>>>);

impl Database {
    fn start(&self) -> u16 {
        let kept = Arc::clone(&self.0);
        server::serve(move |request, stream| {
            let text = String::from_utf8_lossy(&request.body).into_owned();
            let mut kept = kept.lock().expect("nobody panics with it");
            for line in text.lines().filter(|line| line.starts_with("probe,")) {
                let (rest, time) = line.rsplit_once(' ').expect("fields and time");
                let raw = rest.split("raw=").nth(1).and_then(|raw| raw.split([',', ' ']).next());
                let Some(raw) = raw.and_then(|raw| raw.parse::<f64>().ok()) else { continue };
                kept.push((raw as u32, time.parse().expect("nanoseconds")));
            }
            stream.write_all(b"HTTP/1.1 204 -\r\nContent-Length: 0\r\n\r\n")?;
            Ok(true)
        })
    }

    fn points(&self) -> Vec<(u32, i64)> {
        self.0.lock().expect("nobody panics with it").clone()
    }
}

/// The wall clock of the program alone; it goes on from where it is set.
struct WallClock {
    folder: TempDir,
}

impl WallClock {
    fn new() -> Self {
        Self { folder: TempDir::new("clock") }
    }

    /// In one step: a half-written file would be another time.
    fn set(&self, offset_s: i64) {
        fs::write(self.folder.file("next"), format!("{offset_s:+}")).expect("room");
        fs::rename(self.folder.file("next"), self.folder.file("now")).expect("room");
    }

    fn start(&self, installation: &Installation, broken: Option<&str>) -> Daemon {
        let mut command = Command::new(if broken.is_some() { program_with_faults() } else { program() });
        command
            .env("LD_PRELOAD", faketime::library())
            .env("FAKETIME_TIMESTAMP_FILE", self.folder.file("now"))
            .env("FAKETIME_NO_CACHE", "1")
            .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
            .env("SUMPWARDEN_FAULTS", broken.unwrap_or_default());
        installation.run_as(&mut command)
    }
}

fn undated(daemon: &Daemon) -> u64 {
    daemon.metric("sumpwarden_samples_undated").expect("it is told").parse().expect("a number")
}

/// Played by this program, broken in this way if any; gives what was wrong.
fn play(broken: Option<&str>) -> Vec<String> {
    let (device, database, clock) = (Device::start(), Database::default(), WallClock::new());
    let tables = sump("s")
        + &tcp_bus("net", device.port)
        + &counting_devices("net", "s", &[(1, EVERY_MS)])
        + &format!(
            "\n[forward.db]\nurl = \"http://127.0.0.1:{}\"\norganisation = \"shop\"\nbucket = \"coolant\"\n",
            database.start()
        );
    let installation = Installation::with_page(process::free_port(), &tables);
    clock.set(10 - now_ns() / 1_000_000_000);
    for start in 1..=2_u64 {
        let daemon = clock.start(&installation, broken);
        wait_for("numbers that wait for the clock", || (undated(&daemon) >= start * 40).then_some(()));
        let alarm = daemon.alarm("gateway/clock").expect("the clock is told");
        let message = alarm["message"].as_str().expect("a text");
        assert!(message.contains("it is not set: it says 1970-01-01T00:"), "{message}");
        assert!(daemon.probe("s", "net-1")["value"].as_f64().is_some(), "polling goes on");
        let status = installation.command("status", &[]);
        let said = String::from_utf8_lossy(&status.stdout).into_owned();
        assert!(said.contains("samples wait for the clock to be set"), "{said}");
        let log = daemon.kill();
        assert!(log.iter().any(|line| line.contains("the clock is not set; numbers are kept")), "{log:?}");
    }
    assert_eq!(database.points(), [], "nothing goes out without a date");
    let daemon = clock.start(&installation, broken);
    wait_for("more of them", || (undated(&daemon) >= 120).then_some(()));
    clock.set(0);
    wait_for("the clock is believed", || {
        daemon.alarm("gateway/clock")?["message"].as_str()?.contains("it was set by").then_some(())
    });
    // Wherever that meets the dating.
    drop(daemon.kill());
    let daemon = clock.start(&installation, broken);
    wait_for("all is dated", || (undated(&daemon) == 0).then_some(()));
    sleep(Duration::from_secs(2));
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    account(&device, &database, &installation)
}

/// What is missing, doubled or at another time than the device gave it.
fn account(device: &Device, database: &Database, installation: &Installation) -> Vec<String> {
    let (answered, stored) = (device.answered(), installation.stored());
    let mut wrong = Vec::new();
    let mut compare = |where_: &str, points: &[(u32, i64)]| {
        for (number, at) in points {
            let Some(right) = answered.get(number) else {
                wrong.push(format!("{where_}: {number} was never answered"));
                continue;
            };
            let off = at.abs_diff(*right) / 1_000_000;
            if off > OFF_MAX_MS {
                wrong.push(format!("{where_}: {number} is off by {off} ms"));
            }
        }
    };
    let held: Vec<(u32, i64)> = (stored.points[SERIES].iter())
        .filter_map(|point| Some((point.raw? as u32, point.at.as_nanos())))
        .collect();
    let sent = database.points();
    compare("store", &held);
    compare("database", &sent);
    let numbers: Vec<u32> = held.iter().map(|(number, _)| *number).collect();
    if !numbers.is_sorted_by(|a, b| a < b) {
        wrong.push("the store's numbers are not in order, or there twice".to_owned());
    }
    if held.len() + 3 * KILL_COSTS < answered.len() {
        wrong.push(format!("of {} answers {} are stored", answered.len(), held.len()));
    }
    let mut once: BTreeMap<u32, i64> = BTreeMap::new();
    for (number, at) in &sent {
        if once.insert(*number, *at).is_some_and(|before| before != *at) {
            wrong.push(format!("database: {number} at two times"));
        }
    }
    // The last second may have been stored and not been sent yet.
    wrong.extend(
        (held.iter().rev().skip(KILL_COSTS).filter(|(number, _)| !once.contains_key(number)))
            .map(|(number, _)| format!("database: {number} is missing")),
    );
    let told = |state: &str| stored.journal.iter().any(|of| of.subject == "clock" && of.state == state);
    if !told("dated") {
        wrong.push("the journal does not say that numbers were dated".to_owned());
    }
    let of_1970 = stored.journal.iter().filter(|entry| entry.at.as_nanos() < answered[&1] - 1_000_000_000);
    wrong.extend(of_1970.map(|entry| format!("journal: {} of {}", entry.message, entry.at)));
    wrong
}

#[test]
fn numbers_of_a_box_that_starts_in_1970_get_their_true_time_once() {
    let wrong = play(None);
    assert!(wrong.is_empty(), "{}: {:?}", wrong.len(), &wrong[..wrong.len().min(8)]);
}

#[test]
fn numbers_that_are_not_put_right_would_be_noticed() {
    let wrong = play(Some("unmoved@clock"));
    let off =
        |place: &str| wrong.iter().filter(|wrong| wrong.contains(place) && wrong.contains("off by")).count();
    assert!(off("store") >= 100 && off("database") >= 100, "{:?}", &wrong[..wrong.len().min(8)]);
}
