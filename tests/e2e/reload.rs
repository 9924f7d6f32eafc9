//! The gateway's own program reads its configuration anew, again and again, while numbered devices answer and a database that
//! was away is caught up with: no number is lost, doubled or put down under another name.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Write as _;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::sleep;
use std::time::Duration;

use rustix::process::Signal;
use serde_json::Value;
use sumpwarden_tests::database::http_with;
use sumpwarden_tests::gateway::{
    Daemon, Installation, Stored, counting_devices, program, program_with_faults, sump, tcp_bus,
};
use sumpwarden_tests::modbus::ModbusTcp;
use sumpwarden_tests::process::{self, free_port};
use sumpwarden_tests::server;

/// How long anything may take on a busy machine.
const MOMENT: Duration = Duration::from_secs(60);
/// How often the device that nothing touches is asked, ms.
const FAR_EVERY: u32 = 50;

#[track_caller]
fn wait_for<T>(what: &str, found: impl FnMut() -> Option<T>) -> T {
    process::wait_for(what, MOMENT, found)
}

/// A database that answers 503 until it is let in, and keeps what it is sent from then on: each point of a probe once.
struct Database {
    port: u16,
    open: Arc<AtomicBool>,
    points: Arc<Mutex<BTreeSet<(String, i64)>>>,
}

impl Database {
    fn start() -> Self {
        let (open, points) = (Arc::new(AtomicBool::new(false)), Arc::new(Mutex::new(BTreeSet::new())));
        let (let_in, kept) = (Arc::clone(&open), Arc::clone(&points));
        let port = server::serve(move |request, stream| {
            if !let_in.load(Ordering::Relaxed) {
                stream.write_all(b"HTTP/1.1 503 -\r\nContent-Length: 0\r\n\r\n")?;
                return Ok(true);
            }
            // Slow enough that the backlog is still there when the next order to reload comes.
            sleep(Duration::from_millis(100));
            let text = String::from_utf8_lossy(&request.body).into_owned();
            let mut kept = kept.lock().expect("nobody panics with it");
            for line in text.lines().filter(|line| line.starts_with("probe,")) {
                let (tags, rest) = line.split_once(' ').expect("tags, fields, time");
                let (_, time) = rest.rsplit_once(' ').expect("fields and time");
                kept.insert((tags.to_owned(), time.parse().expect("nanoseconds")));
            }
            stream.write_all(b"HTTP/1.1 204 -\r\nContent-Length: 0\r\n\r\n")?;
            Ok(true)
        });
        Self { port, open, points }
    }

    fn table(&self) -> String {
        let port = self.port;
        format!(
            "\n[forward.db]\nurl = \"http://127.0.0.1:{port}\"\norganisation = \"shop\"\nbucket = \"coolant\"\n"
        )
    }
}

/// Three buses: one that nothing touches, one that loses a device, one that gets a sump more.
struct Shop {
    far: ModbusTcp,
    net: ModbusTcp,
    cell: ModbusTcp,
    database: Database,
}

impl Shop {
    fn start() -> Self {
        Self {
            far: ModbusTcp::start(&[1]),
            net: ModbusTcp::start(&[2, 3]),
            cell: ModbusTcp::start(&[4, 5]),
            database: Database::start(),
        }
    }

    /// What stays.
    fn first(&self) -> String {
        [
            sump("s"),
            tcp_bus("far", self.far.port),
            counting_devices("far", "s", &[(1, FAR_EVERY)]),
            tcp_bus("net", self.net.port),
            tcp_bus("cell", self.cell.port),
            counting_devices("cell", "s", &[(4, 90)]),
            self.database.table(),
        ]
        .concat()
    }

    fn both_on_net(&self) -> String {
        counting_devices("net", "s", &[(2, 70), (3, 110)])
    }

    fn one_on_net(&self) -> String {
        counting_devices("net", "s", &[(2, 70)])
    }

    /// A sump whose name comes before the other's, so that every place moves on.
    fn another_sump(&self) -> String {
        sump("a") + &counting_devices("cell", "a", &[(5, 80)])
    }

    /// What was answered, by the series it belongs to.
    fn answered(&self) -> BTreeMap<String, BTreeSet<u32>> {
        let mut answered: BTreeMap<String, BTreeSet<u32>> = BTreeMap::new();
        for (bus, devices) in [("far", &self.far), ("net", &self.net), ("cell", &self.cell)] {
            for (unit, number) in devices.answered() {
                let sump = if unit == 5 { "a" } else { "s" };
                answered.entry(format!("probe/{sump}/{bus}-{unit}")).or_default().insert(number);
            }
        }
        answered
    }
}

/// One that counters never come to.
fn limit(degrees: u32) -> String {
    format!("\n[sump.s.limit.cold]\nof = \"net-2\"\nlow = \"-{degrees} °C\"\n")
}

/// How often the log says that the configuration was read anew, or refused.
fn said(daemon: &mut Daemon, words: &str) -> usize {
    daemon.peer().output().iter().filter(|line| line.contains(words)).count()
}

const DONE: &str = "configuration read anew";
const REFUSED: &str = "a new configuration was refused";

/// The new file takes the place of the old one at once, as careful people do it: nobody reads half of it.
fn put(installation: &Installation, text: &str) {
    fs::write(installation.path("next"), text).expect("there is room");
    fs::rename(installation.path("next"), installation.configuration()).expect("the same directory");
}

/// Puts `tables` behind what every configuration has, has it read anew, and waits until that is done.
fn reload(installation: &Installation, head: &str, tables: &[String], daemon: &mut Daemon) {
    let before = said(daemon, DONE);
    put(installation, &format!("{head}{}", tables.concat()));
    daemon.peer().signal(Signal::HUP);
    wait_for("a reload", || (said(daemon, DONE) > before).then_some(()));
}

/// What is wrong with what is stored: numbers that were answered and are not there, and those that nobody gave.
fn complaints(answered: &BTreeMap<String, BTreeSet<u32>>, stored: &Stored) -> Vec<String> {
    let mut complaints = Vec::new();
    for (series, numbers) in answered {
        let held = stored.raw(series);
        let distinct: BTreeSet<u32> = held.iter().copied().collect();
        if distinct.len() < held.len() {
            complaints.push(format!("{series}: {} doubled", held.len() - distinct.len()));
        }
        // The last answer may have come as the daemon stopped.
        let missing: Vec<_> =
            numbers.difference(&distinct).filter(|number| Some(*number) != numbers.last()).collect();
        let foreign: Vec<_> = distinct.difference(numbers).collect();
        if !missing.is_empty() || !foreign.is_empty() {
            complaints.push(format!("{series}: missing {missing:?}, never answered {foreign:?}"));
        }
    }
    complaints
}

/// Runs through every kind of change; gives what is wrong in the end, what was stored, and how many reloads it came to.
fn through_changes(
    shop: &Shop,
    installation: &Installation,
    mut daemon: Daemon,
) -> (Vec<String>, Stored, usize) {
    let all = fs::read_to_string(installation.configuration()).expect("it is there");
    let head = all.split_once("\n[sump.s]").expect("its own tables").0.to_owned();
    let first = shop.first();
    wait_for("polls of every device", || {
        let answered = shop.answered();
        (answered.len() == 4 && answered.values().all(|numbers| numbers.len() > 15)).then_some(())
    });
    // A sump more: every place moves on, and bus `cell` gets a device more.
    reload(
        installation,
        &head,
        &[first.clone(), shop.both_on_net(), limit(20), shop.another_sump()],
        &mut daemon,
    );
    wait_for("the new device", || {
        (shop.cell.answered().iter().filter(|(unit, _)| *unit == 5).count() > 5).then_some(())
    });
    // A limit changed: no part stops.
    reload(
        installation,
        &head,
        &[first.clone(), shop.both_on_net(), limit(30), shop.another_sump()],
        &mut daemon,
    );
    // A device removed.
    reload(
        installation,
        &head,
        &[first.clone(), shop.one_on_net(), limit(30), shop.another_sump()],
        &mut daemon,
    );
    // A broken file changes nothing.
    put(installation, &format!("{head}{first}\n[sump.s.probe.x]\nquantity = \"warmth\"\n"));
    daemon.peer().signal(Signal::HUP);
    wait_for("a refusal", || (said(&mut daemon, REFUSED) > 0).then_some(()));
    // A storm of orders while the backlog drains, between two files.
    shop.database.open.store(true, Ordering::Relaxed);
    for round in 0..200 {
        if round % 40 == 0 {
            let net = if round % 80 == 0 { shop.both_on_net() } else { shop.one_on_net() };
            let whole = format!("{head}{first}{net}{}{}", limit(30 + round % 15), shop.another_sump());
            put(installation, &whole);
        }
        daemon.peer().signal(Signal::HUP);
        sleep(Duration::from_millis(10));
    }
    // And the sump is gone again.
    reload(installation, &head, &[first, shop.both_on_net(), limit(30)], &mut daemon);
    wait_for("polls under the last configuration", || {
        let before = shop.net.answered().len();
        sleep(Duration::from_millis(300));
        (shop.net.answered().len() > before + 2).then_some(())
    });
    let forwarded = || shop.database.points.lock().expect("nobody panics with it").len();
    wait_for("the backlog to drain", || {
        let before = forwarded();
        sleep(Duration::from_millis(1_500));
        let status: Value =
            serde_json::from_str(&http_with(daemon.port(), "GET", "/status", "", "").body).ok()?;
        (status["forwarders"][0]["backlog"] == false && forwarded() > before).then_some(())
    });
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:#?}");
    assert!(!log.iter().any(|line| line.contains("left behind")), "{log:#?}");
    let reloads = log.iter().filter(|line| line.contains(DONE)).count();
    let (answered, stored) = (shop.answered(), installation.stored());
    (complaints(&answered, &stored), stored, reloads)
}

/// Longest time between two stamps of a series, and the usual one, ms.
fn gaps(stored: &Stored, series: &str) -> (f64, f64) {
    let stamps: Vec<i64> = stored.points[series].iter().map(|point| point.at.as_nanos()).collect();
    let mut between: Vec<f64> = stamps.windows(2).map(|pair| (pair[1] - pair[0]) as f64 / 1e6).collect();
    between.sort_by(f64::total_cmp);
    (between[between.len() - 1], between[between.len() / 2])
}

#[test]
fn no_answer_is_lost_whatever_is_changed_and_however_often() {
    let shop = Shop::start();
    let tables = [shop.first(), shop.both_on_net(), limit(20)].concat();
    let installation = Installation::new(&tables);
    let daemon = installation.run_program(program(), &[]);
    let (complaints, stored, reloads) = through_changes(&shop, &installation, daemon);
    assert!(complaints.is_empty(), "{complaints:#?}");
    assert!((5..=25).contains(&reloads), "{reloads} reloads of two hundred and four orders");

    let (longest, usual) = gaps(&stored, "probe/s/far-1");
    println!(
        "the bus that nothing touched: polled every {usual:.1} ms, longest gap {longest:.1} ms; {reloads} reloads"
    );
    // One bus was opened once: it went on through all of it.
    let opened = |bus: &str| {
        let of = format!("bus/{bus}");
        stored.journal.iter().filter(|entry| entry.subject == of && entry.state == "connected").count()
    };
    assert_eq!(opened("far"), 1);
    assert!(opened("net") > 2 && opened("cell") >= 2);
    let states = |subject: &str| -> Vec<&str> {
        let of = stored.journal.iter().filter(|entry| entry.subject == subject);
        of.map(|entry| entry.state.as_str()).collect()
    };
    let told = states("configuration");
    assert_eq!(told.iter().filter(|state| **state == "refused").count(), 1, "{told:?}");
    assert_eq!(told.iter().filter(|state| **state == "reloaded").count(), reloads, "{told:?}");
    let refused = stored.journal.iter().find(|entry| entry.state == "refused").expect("journalled");
    assert!(
        refused.message.contains("warmth") && refused.message.contains("gateway.toml:"),
        "{}",
        refused.message
    );
    assert_eq!(states("cold"), Vec::<&str>::new(), "no alarm flickered");

    // What is stored has arrived, each point under its own name; the last ones may have been stored as it stopped.
    let arrived = shop.database.points.lock().expect("nobody panics with it").clone();
    for (series, points) in stored.points.iter().filter(|(series, _)| series.starts_with("probe/")) {
        let mut parts = series.split('/').skip(1);
        let (sump, probe) = (parts.next().expect("a sump"), parts.next().expect("a probe"));
        let tags = format!("probe,box=box-1,probe={probe},quantity=temperature,site=hall-2,sump={sump}");
        let missing = points.iter().filter(|point| !arrived.contains(&(tags.clone(), point.at.as_nanos())));
        let last = points.last().expect("polled").at.as_nanos();
        let missing: Vec<i64> =
            missing.map(|point| point.at.as_nanos()).filter(|at| last - at > 3_000_000_000).collect();
        assert!(missing.is_empty(), "{series}: not at the database {missing:?}");
    }
}

#[test]
fn readings_that_go_to_the_old_places_would_be_noticed() {
    let shop = Shop::start();
    let installation = Installation::new(&[shop.first(), shop.both_on_net(), limit(20)].concat());
    let daemon =
        installation.run_program(program_with_faults(), &[("SUMPWARDEN_FAULTS", "old-places@reload")]);
    let (complaints, ..) = through_changes(&shop, &installation, daemon);
    assert!(!complaints.is_empty(), "numbers under other names were not noticed");
}

#[test]
fn by_command_it_says_what_changed_what_takes_a_restart_and_every_mistake() {
    let devices = ModbusTcp::start(&[1]);
    let tables =
        [sump("s"), tcp_bus("net", devices.port), counting_devices("net", "s", &[(1, 200)])].concat();
    let installation = Installation::with_page(free_port(), &tables);
    let daemon = installation.run();
    let whole = fs::read_to_string(installation.configuration()).expect("it is there");
    let write = |text: &str| fs::write(installation.configuration(), text).expect("there is room");

    write(&(whole.replace("directory = \"data\"", "directory = \"elsewhere\"") + &sump("mill-9")));
    let answer = installation.command("reload", &["--json"]);
    // The command looks for the key where the new file says the store is.
    assert_eq!(answer.status.code(), Some(74), "{answer:?}");
    write(&(whole.replace("free_bytes_min = \"1 MiB\"", "free_bytes_min = \"2 MiB\"") + &sump("mill-9")));
    let answer = installation.command("reload", &["--json"]);
    assert!(answer.status.success(), "{answer:?}");
    let view: Value = serde_json::from_slice(&answer.stdout).expect("JSON");
    assert_eq!(view["sumps"]["added"][0], "mill-9", "{view}");
    assert_eq!((&view["buses"]["kept"], &view["sumps"]["kept"]), (&1.into(), &1.into()), "{view}");
    assert_eq!(view["only_by_restart"][0], "how much [store] keeps, and how long", "{view}");
    assert!(daemon.state()["sumps"].as_array().is_some_and(|sumps| sumps.len() == 2));

    write(&(whole.clone() + "\n[sump.x]\nfluid = \"water\"\n"));
    let answer = installation.command("reload", &[]);
    let text = String::from_utf8_lossy(&answer.stderr).into_owned();
    assert_eq!(answer.status.code(), Some(78), "{text}");
    assert!(text.contains("what it runs with stays in force") && text.contains("gateway.toml"), "{text}");
    // The daemon itself finds the same, names every mistake, and goes on.
    let key = fs::read_to_string(installation.path("data/note-key")).expect("it made one");
    let headers = format!("Authorization: Bearer {}\r\nContent-Type: application/json\r\n", key.trim());
    let answer = http_with(daemon.port(), "POST", "/reload", &headers, "{}");
    assert_eq!(answer.status, 409, "{}", answer.body);
    let problem: Value = serde_json::from_str(&answer.body).expect("JSON");
    let detail = problem["detail"].as_str().expect("a text");
    assert!(detail.starts_with("the old configuration stays in force; the new one has"), "{detail}");
    assert!(detail.contains("gateway.toml:") && detail.contains("water"), "{detail}");
    assert_eq!(
        http_with(daemon.port(), "POST", "/reload", "Content-Type: application/json\r\n", "{}").status,
        401
    );

    write(&whole.replace("name = \"hall-2\"", "name = \"hall-3\""));
    let answer = installation.command("reload", &[]);
    let text = String::from_utf8_lossy(&answer.stderr).into_owned();
    assert_eq!(answer.status.code(), Some(1), "{text}");
    assert!(text.contains("[site] name") && text.contains("only by a restart"), "{text}");
    write(&whole);
    let answer = installation.command("reload", &[]);
    let text = String::from_utf8_lossy(&answer.stdout).into_owned();
    assert!(text.contains("sumps       removed mill-9; 1 untouched"), "{text}");
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
}
