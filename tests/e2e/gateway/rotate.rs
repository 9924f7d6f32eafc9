//! Passwords and tokens that are changed while the daemon runs: it reads them anew where it is refused, or told to reload;
//! nothing is lost meanwhile, nothing sent twice, and none of them is in a log.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write as _;
use std::os::unix::fs::PermissionsExt as _;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use sumpwarden_tests::broker::{Entrance, Mosquitto, publish};
use sumpwarden_tests::gateway::{Daemon, Installation, sump};
use sumpwarden_tests::process::{self, free_port};
use sumpwarden_tests::server;

use super::{numbered_topics, wait_for};

/// A forwarder that is not allowed to write tries again each minute.
const NEXT_ATTEMPT: Duration = Duration::from_secs(150);

/// A database that takes one token, and counts how often it was given each number of a probe.
#[derive(Clone, Default)]
struct Database(Arc<Mutex<Kept>>);

#[derive(Default)]
struct Kept {
    token: String,
    refused: usize,
    points: BTreeMap<(String, i64), usize>,
}

impl Database {
    fn serve(&self) -> u16 {
        let kept = Arc::clone(&self.0);
        server::serve(move |request, stream| {
            let mut kept = kept.lock().expect("nobody panics with it");
            if request.header("authorization") != Some(&format!("Token {}", kept.token)) {
                kept.refused += 1;
                stream.write_all(b"HTTP/1.1 401 -\r\nContent-Length: 12\r\n\r\nunauthorized")?;
                return Ok(true);
            }
            let text = String::from_utf8_lossy(&request.body).into_owned();
            // A probe whose broker is away has points without a number.
            let numbers = text.lines().filter(|line| line.starts_with("probe,") && line.contains("raw="));
            for line in numbers {
                let (tags, rest) = line.split_once(' ').expect("tags, fields, time");
                let (_, time) = rest.rsplit_once(' ').expect("fields and time");
                let point = (tags.to_owned(), time.parse().expect("nanoseconds"));
                *kept.points.entry(point).or_default() += 1;
            }
            stream.write_all(b"HTTP/1.1 204 -\r\nContent-Length: 0\r\n\r\n")?;
            Ok(true)
        })
    }

    /// From now on this token and no other; gives how often it has refused one.
    fn wants(&self, token: &str) -> usize {
        let mut kept = self.0.lock().expect("nobody panics with it");
        kept.token = token.to_owned();
        kept.refused
    }

    fn has_refused_more_than(&self, before: usize) -> bool {
        self.0.lock().expect("nobody panics with it").refused > before
    }

    fn points(&self) -> usize {
        self.0.lock().expect("nobody panics with it").points.len()
    }

    #[track_caller]
    fn wait_for_points(&self, points: usize, most: Duration) {
        process::wait_for(&format!("{points} points"), most, || (self.points() >= points).then_some(()));
    }
}

/// A secret in words that nothing else holds.
fn canary(which: &str) -> String {
    format!("canary-{which}-59c0a7e1")
}

fn put(installation: &Installation, name: &str, text: &str) {
    let path = installation.path(name);
    fs::write(&path, text).expect("ours");
    fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).expect("ours");
}

/// Publishes so many numbers from `first` on, and waits until the broker has them.
fn numbers(broker: &Mosquitto, password: &str, first: u32, count: u32) {
    let (first, count) = (first.to_string(), count.to_string());
    publish(
        broker.port,
        &["--user", "gateway", "--password", password, "--first", &first, "--count", &count],
    );
}

fn wait_for_number(daemon: &Daemon, number: u32) {
    wait_for(&format!("number {number}"), || {
        (daemon.probe("s", "t")["value"].as_f64() == Some(f64::from(number))).then_some(())
    });
}

fn shop(broker: u16, database: u16) -> Installation {
    let broker = numbered_topics(broker, "s", &["t"]).replace(
        "[broker.shop]\n",
        "[broker.shop]\nuser = \"gateway\"\npassword_file = \"broker.password\"\nreconnect_after_max = \"1 s\"\n",
    );
    let forward = format!(
        "\n[forward.db]\nurl = \"http://127.0.0.1:{database}\"\norganisation = \"shop\"\nbucket = \"coolant\"\n\
         token_file = \"db.token\"\n"
    );
    Installation::with_page(free_port(), &[sump("s"), broker, forward].concat())
}

#[test]
fn secrets_are_changed_while_it_runs_and_nothing_is_lost_or_sent_twice() {
    let (mut broker, database) = (Mosquitto::start(Entrance::Password), Database::default());
    let installation = shop(broker.port, database.serve());
    put(&installation, "broker.password", "right\r\n");
    put(&installation, "db.token", &format!("{}\n", canary("first")));
    database.wants(&canary("first"));
    let mut daemon = installation.run();
    wait_for("the subscription", || {
        daemon.peer().output().iter().any(|line| line.contains("\"connected\"")).then_some(())
    });
    numbers(&broker, "right", 0, 20);
    database.wait_for_points(20, NEXT_ATTEMPT);

    // The file first, as it should be done: the refused request itself is repeated, nothing waits.
    put(&installation, "db.token", &format!("{}\r\n", canary("second")));
    let refused = database.wants(&canary("second"));
    numbers(&broker, "right", 20, 20);
    database.wait_for_points(40, Duration::from_secs(30));
    assert!(database.has_refused_more_than(refused));

    // The other way round: what comes meanwhile waits in the store.
    let refused = database.wants(&canary("third"));
    numbers(&broker, "right", 40, 20);
    wait_for("a refusal", || database.has_refused_more_than(refused).then_some(()));
    wait_for_number(&daemon, 59);
    assert_eq!(database.points(), 40);
    put(&installation, "db.token", &format!("\u{feff}{}\r\n", canary("third")));

    // The broker's password meanwhile; the broker keeps what comes for a session it does not let in.
    broker.stop();
    broker.change_password(&canary("broker"));
    broker.start_again();
    wait_for("the broker's refusal", || {
        daemon
            .peer()
            .output()
            .iter()
            .any(|line| line.contains("broker not connected") && line.contains("refuses"))
            .then_some(())
    });
    numbers(&broker, &canary("broker"), 60, 40);
    put(&installation, "broker.password", &format!("{}\n", canary("broker")));
    wait_for_number(&daemon, 99);
    database.wait_for_points(100, NEXT_ATTEMPT);

    // Or whoever has changed it says so, and nobody waits for the next attempt.
    let refused = database.wants(&canary("fourth"));
    numbers(&broker, &canary("broker"), 100, 10);
    wait_for("a refusal", || database.has_refused_more_than(refused).then_some(()));
    put(&installation, "db.token", &canary("fourth"));
    let reloaded = installation.command("reload", &[]);
    assert_eq!(reloaded.status.code(), Some(0), "{reloaded:?}");
    database.wait_for_points(110, Duration::from_secs(30));

    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    assert_eq!(installation.stored().raw("probe/s/t"), (0..110).collect::<Vec<u32>>());
    let kept = database.0.lock().expect("nobody panics with it");
    assert_eq!(kept.points.len(), 110);
    assert!(kept.points.values().all(|times| *times == 1), "{:?}", kept.points);
    for line in &log {
        assert!(!line.contains("canary"), "{line}");
    }
    for words in ["its file holds another token", "its file holds another password"] {
        assert!(log.iter().any(|line| line.contains(words)), "{words}: {log:#?}");
    }
}
