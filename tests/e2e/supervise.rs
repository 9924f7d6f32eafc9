//! The gateway's own program, with faults injected on purpose: what crashes or hangs in it is named, told and started anew,
//! and everything else goes on.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::net::UnixDatagram;
use std::process::Command;
use std::thread::sleep;
use std::time::{Duration, Instant};

use rustix::process::Signal;
use sumpwarden_tests::gateway::{
    Daemon, Installation, counting_devices, plain_probe, program, program_with_faults, sump, tcp_bus,
};
use sumpwarden_tests::modbus::ModbusTcp;
use sumpwarden_tests::process::{self, TempDir, free_port};

/// How long anything may take on a busy machine.
const MOMENT: Duration = Duration::from_secs(60);
/// Twenty looks, one a second, and what the last words take.
const BITTEN_WITHIN: Duration = Duration::from_secs(30);
/// Exit codes.
const STUCK: Option<i32> = Some(69);
const PANICKED: Option<i32> = Some(70);

/// Looks until `found` gives something.
#[track_caller]
fn wait_for<T>(what: &str, found: impl FnMut() -> Option<T>) -> T {
    process::wait_for(what, MOMENT, found)
}

/// A sump with one bus, and a probe that reads the device's reply counter this often, in ms.
fn shop(port: u16, every: u32) -> String {
    sump("s") + &tcp_bus("net", port) + &counting_devices("net", "s", &[(1, every)])
}

/// A database nobody listens for.
fn forwarder() -> String {
    let port = free_port();
    format!(
        "\n[forward.db]\nurl = \"http://127.0.0.1:{port}\"\norganisation = \"shop\"\nbucket = \"coolant\"\n"
    )
}

fn reading(daemon: &Daemon) -> f64 {
    wait_for("a reading", || daemon.probe("s", "net-1")["raw"].as_f64())
}

fn goes_on(daemon: &Daemon) {
    let before = reading(daemon);
    wait_for("a later reading", || (reading(daemon) > before).then_some(()));
}

#[test]
fn a_task_that_crashes_is_told_and_started_again_and_polling_does_not_notice() {
    let devices = ModbusTcp::start(&[1]);
    let installation = Installation::new(&(shop(devices.port, 100) + &forwarder()));
    let daemon = installation.run_with_faults("panic@forwarder:2");
    let alarm = wait_for("its alarm", || daemon.alarm("gateway/task/forwarder/db"));
    assert_eq!(alarm["state"], "UNACK");
    let message = alarm["message"].as_str().expect("text");
    assert!(
        message.contains("a task of the gateway crashed: forwarder/db: fault injected at forwarder"),
        "{message}"
    );
    assert_eq!(daemon.metric("sumpwarden_task_crashes_total{task=\"forwarder/db\"}").as_deref(), Some("1"));
    assert_eq!(daemon.metric("sumpwarden_reduced ").as_deref(), Some("0"));
    wait_for("polls enough to count", || (devices.answered().len() > 20).then_some(()));
    goes_on(&daemon);
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:#?}");
    let told = |words: &str| log.iter().filter(|line| line.contains(words)).count();
    assert_eq!(told("a task has crashed; it is started again"), 1, "{log:#?}");
    let stored: BTreeSet<u32> = installation.stored().raw("probe/s/net-1").into_iter().collect();
    let answered: BTreeSet<u32> = devices.answered().into_iter().map(|(_, number)| number).collect();
    // The last answer may have come as the daemon stopped.
    let lost: Vec<_> =
        answered.difference(&stored).filter(|number| Some(*number) != answered.last()).collect();
    assert!(stored.len() > 10 && lost.is_empty(), "{lost:?} of {}", answered.len());
}

#[test]
fn a_task_that_crashes_thrice_is_left_away_and_everything_else_goes_on() {
    let devices = ModbusTcp::start(&[1]);
    let installation = Installation::new(&(shop(devices.port, 100) + &forwarder()));
    let daemon = installation.run_with_faults("panic@forwarder:1,panic@forwarder:2,panic@forwarder:3");
    let reduced = wait_for("the reduced mode", || daemon.alarm("gateway/reduced"));
    let message = reduced["message"].as_str().expect("text");
    assert!(message.contains("forwarder/db is left away") && message.contains("log"), "{message}");
    let state = daemon.state();
    let words = state["reduced"][0].as_str().expect("in words");
    assert!(words.starts_with("forwarder/db is left away until the gateway is started anew"), "{words}");
    assert_eq!(daemon.metric("sumpwarden_reduced ").as_deref(), Some("1"));
    assert_eq!(daemon.metric("sumpwarden_panics_total ").as_deref(), Some("3"));
    goes_on(&daemon);
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:#?}");
}

#[test]
fn every_kind_of_task_is_kept() {
    let devices = ModbusTcp::start(&[1]);
    let (away, closed) = (free_port(), free_port());
    let mut tables = shop(devices.port, 200);
    tables += &format!("\n[broker.shop]\naddress = \"127.0.0.1:{away}\"\nreconnect_after = \"200 ms\"\n");
    tables += &plain_probe("s", "a", "broker = \"shop\"\ntopic = \"hall/a\"\nevery = \"1 s\"");
    tables += &format!(
        "\n[receiver.chat]\nwebhook = {{ url = \"http://127.0.0.1:{closed}/\", private_network = true }}\n"
    );
    tables += &forwarder();
    tables += &format!("\n[heartbeat]\nurl = \"http://127.0.0.1:{closed}/alive\"\nprivate_network = true\n");
    let installation = Installation::new(&tables);
    let tasks = [
        ("bus/net", "panic@bus:3"),
        ("broker/shop", "panic@broker:2"),
        ("forwarder/db", "panic@forwarder:2"),
        ("receiver/chat", "panic@receiver:2"),
        ("page", "panic@page:1"),
        ("dispatcher", "panic@dispatcher:1"),
        ("fault-watch", "panic@fault-watch:2"),
        ("weekly-report", "panic@weekly-report:1"),
        ("heartbeat", "panic@heartbeat:1"),
    ];
    let daemon = installation.run_with_faults(&tasks.map(|(_, fault)| fault).join(","));
    for (task, _) in tasks {
        let alarm = wait_for(task, || daemon.alarm(&format!("gateway/task/{task}")));
        assert_eq!(alarm["state"], "UNACK", "{alarm}");
    }
    goes_on(&daemon);
    assert_eq!(daemon.state()["reduced"], serde_json::json!([]), "once each is no habit");
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:#?}");
    assert!(!log.iter().any(|line| line.contains("left behind")), "{log:#?}");
}

#[test]
fn a_loop_that_hangs_is_named_and_the_process_ends_within_thirty_seconds() {
    let devices = ModbusTcp::start(&[1]);
    let hangs = [("engine:15", "engine for 2"), ("writer:3", "store for 2"), ("bus:5", "bus net for 2")];
    let shops: Vec<_> = hangs.iter().map(|_| Installation::new(&shop(devices.port, 200))).collect();
    let daemons: Vec<_> = (shops.iter().zip(&hangs))
        .map(|(shop, (point, _))| {
            let daemon = shop.run_with_faults(&format!("hang@{point}"));
            (daemon, Instant::now())
        })
        .collect();
    for ((daemon, started), ((point, named), shop)) in daemons.into_iter().zip(hangs.iter().zip(&shops)) {
        // The point is passed within a few seconds of the start.
        let most = (BITTEN_WITHIN + Duration::from_secs(8)).saturating_sub(started.elapsed());
        let (status, log) = daemon.end(most);
        assert_eq!(status.code(), STUCK, "{point}: {log:#?}");
        let line = log.iter().find(|line| line.contains("these loops stand still"));
        let line = line.unwrap_or_else(|| panic!("{point}: {log:#?}"));
        assert!(line.contains(named), "{point}: {line}");
        if *point == "bus:5" {
            assert!(!line.contains("engine") && !line.contains("store"), "only that one: {line}");
        }
        let record = fs::read_to_string(shop.path("data").join("starts.json")).expect("written");
        assert!(record.contains(&format!("stuck: {}", named.trim_end_matches(" for 2"))), "{record}");
    }
}

#[test]
fn a_process_that_was_stopped_for_long_is_not_bitten_and_polls_once() {
    let devices = ModbusTcp::start(&[1]);
    let installation = Installation::new(&shop(devices.port, 6_000));
    let mut daemon = installation.run_program(program(), &[]);
    let answered = || devices.answered().len();
    // The first one comes at the start, the next ones by their own beat: thawed 15 s after one of those, 3 s are left to the next.
    wait_for("a poll on the beat", || (answered() > 1).then_some(()));
    let before = answered();
    daemon.peer().signal(Signal::STOP);
    sleep(Duration::from_secs(15));
    assert_eq!(answered(), before, "it was stopped");
    daemon.peer().signal(Signal::CONT);
    sleep(Duration::from_secs(1));
    let polled = answered() - before;
    assert!(polled <= 1, "{polled} polls at once");
    wait_for("the next poll", || (answered() > before + 1).then_some(()));
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:#?}");
    assert!(!log.iter().any(|line| line.contains("stand still")), "{log:#?}");
}

#[test]
fn three_crashes_make_the_next_start_reduced_and_a_clean_stop_ends_that() {
    let devices = ModbusTcp::start(&[1]);
    let mut tables = shop(devices.port, 200) + &forwarder();
    let source = "device = \"net-1\"\nregister = \"holding:40\"\nnumber = \"f32\"\nevery = \"500 ms\"";
    tables += &plain_probe("s", "warm", source);
    tables +=
        "\n[sump.s.limit.too-warm]\nof = \"warm\"\nhigh = 20\non_delay = \"0 s\"\npriority = \"high\"\n";
    let installation = Installation::new(&tables);
    // Kills count for nothing.
    for _ in 0..3 {
        let daemon = installation.run_with_faults("");
        reading(&daemon);
        assert_eq!(daemon.state()["reduced"], serde_json::json!([]));
        daemon.kill();
    }
    for start in 0..3 {
        let daemon = installation.run_with_faults("panic@engine:25");
        let (status, log) = daemon.end(MOMENT);
        assert_eq!(status.code(), PANICKED, "start {start}: {log:#?}");
        assert!(log.iter().any(|line| line.contains("panic: fault injected at engine")), "{log:#?}");
    }
    let daemon = installation.run_with_faults("");
    let state = daemon.state();
    let words = state["reduced"][0].as_str().expect("in words").to_owned();
    assert!(words.contains("forwarding") && words.contains("fault injected at engine"), "{words}");
    let alarm = wait_for("its alarm", || daemon.alarm("gateway/reduced"));
    assert_eq!((&alarm["state"], &alarm["priority"]), (&"UNACK".into(), &"high".into()), "{alarm}");
    goes_on(&daemon);
    wait_for("a limit on a probe", || {
        let state = daemon.state();
        let alarms = state["sumps"][0]["alarms"].as_array().expect("a list").clone();
        alarms.into_iter().find(|alarm| alarm["name"] == "too-warm" && alarm["state"] == "UNACK")
    });
    let estimates = state["sumps"][0]["estimates"].as_array().expect("a list").clone();
    assert!(estimates.iter().all(|estimate| estimate["value"].is_null()), "{estimates:?}");
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:#?}");

    let daemon = installation.run_with_faults("");
    assert_eq!(daemon.state()["reduced"], serde_json::json!([]), "a person stopped and started it");
    wait_for("the alarm to end", || {
        daemon.alarm("gateway/reduced").is_some_and(|alarm| alarm["state"] == "RTNUN").then_some(())
    });
    daemon.terminate();
}

#[test]
fn a_store_whose_writer_crashes_takes_the_process_at_once() {
    let devices = ModbusTcp::start(&[1]);
    let installation = Installation::new(&shop(devices.port, 200));
    let (status, log) = installation.run_with_faults("panic@writer:5").end(Duration::from_secs(15));
    assert_eq!(status.code(), PANICKED, "{log:#?}");
}

#[test]
fn what_the_daemon_cannot_be_without_takes_the_process() {
    let devices = ModbusTcp::start(&[1]);
    let thrice = "panic@dispatcher:1,panic@dispatcher:2,panic@dispatcher:3";
    for (faults, cause) in [
        (thrice, "dispatcher has crashed again and again: fault injected at dispatcher"),
        ("panic@watchdog:2", "panic in watchdog: fault injected at watchdog"),
    ] {
        let installation = Installation::new(&shop(devices.port, 200));
        let (status, log) = installation.run_with_faults(faults).end(MOMENT);
        assert_eq!(status.code(), PANICKED, "{log:#?}");
        let record = fs::read_to_string(installation.path("data").join("starts.json")).expect("written");
        assert!(record.contains(cause), "{record}");
    }
}

#[test]
fn the_service_manager_hears_of_start_life_and_stop() {
    let devices = ModbusTcp::start(&[1]);
    let installation = Installation::new(&shop(devices.port, 1_000));
    let place = TempDir::new("manager");
    let path = place.file("notify");
    let manager = UnixDatagram::bind(&path).expect("bound");
    manager.set_read_timeout(Some(MOMENT)).expect("a time-out");
    let heard = || {
        let mut buffer = [0; 512];
        let length = manager.recv(&mut buffer).expect("a datagram in time");
        String::from_utf8_lossy(&buffer[..length]).into_owned()
    };
    let environment = [("NOTIFY_SOCKET", path.as_str()), ("WATCHDOG_USEC", "30000000")];
    let daemon = installation.run_program(program(), &environment);
    let first: Vec<String> = (0..4).map(|_| heard()).collect();
    let ready = first.iter().find(|words| words.starts_with("READY=1\n")).expect("it is ready");
    assert_eq!(ready, "READY=1\nSTATUS=polling 1 buses, listening to 0 brokers");
    assert!(first.iter().filter(|words| *words == "WATCHDOG=1").count() >= 2, "{first:?}");
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:#?}");
    wait_for("word of the stop", || heard().starts_with("STOPPING=1").then_some(()));
}

#[test]
fn a_program_with_faults_says_so() {
    let version = |program| {
        let said = Command::new(program).arg("--version").output().expect("it runs");
        String::from_utf8_lossy(&said.stdout).into_owned()
    };
    assert!(version(program_with_faults()).contains("with injected faults, for tests only"));
    assert!(!version(program()).contains("faults"));
}
