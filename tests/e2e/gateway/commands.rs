//! The commands as a person runs them: what they print, and what they exit with.

use std::fs;
use std::io::BufWriter;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

use serde_json::Value;
use sumpwarden_sim::scenario::{
    ConfigurationOptions, Endpoints, HistoryOptions, Row, Scenario, write_history,
};
use sumpwarden_tests::broker::{Entrance, Mosquitto, publisher};
use sumpwarden_tests::database::http;
use sumpwarden_tests::gateway::{Installation, counting_devices, plain_probe, program, sump, tcp_bus};
use sumpwarden_tests::modbus::{ModbusRtu, ModbusTcp};
use sumpwarden_tests::process::{Peer, TempDir, free_port};

use super::{MOMENT, numbered_topics, serial_bus, wait_for};

pub(super) fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

pub(super) fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|error| panic!("{error}: {}", text(output)))
}

fn device(unit: u8) -> String {
    format!("\n[device.head]\nbus = \"net\"\nunit_id = {unit}\ntimeout = \"2 s\"\nretries = 0\n")
}

fn words_probe() -> String {
    let source = "device = \"head\"\nregister = \"holding:42\"\nnumber = \"f32\"\norder = \"CDAB\"";
    plain_probe("s", "words", source)
}

#[test]
fn check_and_read_show_a_live_probe() {
    let devices = ModbusTcp::start(&[1]);
    let installation =
        Installation::new(&[sump("s"), tcp_bus("net", devices.port), device(1), words_probe()].concat());

    let checked = installation.command("check", &[]);
    assert_eq!(checked.status.code(), Some(0), "{}", text(&checked));
    assert!(text(&checked).contains("head"), "{}", text(&checked));
    let checked = installation.command("check", &["--json"]);
    assert_eq!(checked.status.code(), Some(0), "{}", text(&checked));
    assert!(json(&checked).is_object());

    let read = installation.command("read", &["s/words"]);
    assert_eq!(read.status.code(), Some(0), "{}", text(&read));
    // 21.5 is 0x41AC0000 (IEEE 754), low word first.
    assert!(text(&read).contains("0x0000 0x41AC") && text(&read).contains("21.5 Cel"), "{}", text(&read));
    let read = json(&installation.command("read", &["s", "--json"]));
    assert_eq!(read[0]["probe"], "s/words");
    assert_eq!((&read[0]["raw"], &read[0]["value"]), (&21.5.into(), &21.5.into()), "{read}");
    assert_eq!(read[0]["status"], "Good");

    let unknown = installation.command("read", &["s/nothing"]);
    assert_eq!(unknown.status.code(), Some(64), "{}", text(&unknown));
    assert!(text(&unknown).contains("s/words"), "it says what there is: {}", text(&unknown));
}

#[test]
fn read_says_what_is_wrong_with_a_dead_device() {
    let devices = ModbusTcp::start(&[1]);
    let tables = [sump("s"), tcp_bus("net", devices.port), device(1), words_probe()].concat();
    let installation = Installation::new(&tables);
    devices.peer().signal(rustix::process::Signal::STOP);
    let silent = installation.command("read", &["s/words", "--json"]);
    assert_eq!(silent.status.code(), Some(1), "{}", text(&silent));
    let silent = json(&silent);
    assert_eq!(silent[0]["reason"], "no reply", "{silent}");
    assert!(silent[0]["value"].is_null(), "{silent}");

    drop(devices);
    let gone = installation.command("read", &["s/words"]);
    assert_eq!(gone.status.code(), Some(74), "{}", text(&gone));
    assert!(text(&gone).contains("bus net") && text(&gone).contains("refuses"), "{}", text(&gone));
}

#[test]
fn read_leaves_a_serial_line_alone_that_the_daemon_polls() {
    let devices = ModbusRtu::start(&[3], 115_200);
    let tables =
        sump("s") + &serial_bus("line", &devices.port, 115_200) + &counting_devices("line", "s", &[(3, 100)]);
    let installation = Installation::new(&tables);
    let daemon = installation.run();
    wait_for("a reading", || daemon.probe("s", "line-3")["value"].as_f64());
    let before = daemon.probe("s", "line-3")["value"].as_f64();
    let busy = installation.command("read", &["s/line-3"]);
    assert_eq!(busy.status.code(), Some(74), "{}", text(&busy));
    assert!(text(&busy).contains("bus line") && text(&busy).contains("another"), "{}", text(&busy));
    wait_for("the next reading", || {
        let probe = daemon.probe("s", "line-3");
        (probe["status"] == "Good" && probe["value"].as_f64() > before).then_some(())
    });
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    let mut numbers = devices.answered();
    numbers.dedup();
    assert!(installation.stored().raw("probe/s/line-3").len() + 1 >= numbers.len(), "a reply was spoilt");
}

#[test]
fn a_mistake_in_the_configuration_is_named_by_every_command() {
    let installation = Installation::new(&(sump("s") + &words_probe()));
    for (command, arguments) in [("check", &[][..]), ("run", &[]), ("read", &["s/words"])] {
        let refused = installation.command(command, arguments);
        assert_eq!(refused.status.code(), Some(78), "{command}: {}", text(&refused));
        assert!(
            text(&refused).contains("gateway.toml") && text(&refused).contains("head"),
            "{}",
            text(&refused)
        );
    }
}

#[test]
fn read_listens_for_a_message_and_does_not_disturb_the_daemon() {
    let broker = Mosquitto::start(Entrance::Open);
    let installation = Installation::new(&(sump("s") + &numbered_topics(broker.port, "s", &["a"])));
    let daemon = installation.run();
    let publishing = publisher(broker.port, &["--topic", "hall/a", "--count", "800", "--every-ms", "10"]);
    wait_for("a first message", || daemon.probe("s", "a")["raw"].as_f64());

    let read = installation.command("read", &["s/a", "--json"]);
    assert_eq!(read.status.code(), Some(0), "{}", text(&read));
    let read = json(&read);
    assert_eq!(read[0]["from"], "shop hall/a", "{read}");
    assert!((0.0..800.0).contains(&read[0]["raw"].as_f64().expect("a number")), "{read}");
    assert_eq!(read[0]["value"], read[0]["raw"], "{read}");

    publishing.finish(MOMENT);
    let began = Instant::now();
    let silent = installation.command("read", &["s/a"]);
    assert_eq!(silent.status.code(), Some(1), "{}", text(&silent));
    assert!(text(&silent).contains("no reply") && text(&silent).contains("hall/a"), "{}", text(&silent));
    // Twice the period of a second.
    assert!(began.elapsed() < Duration::from_secs(8), "it waited {:?}", began.elapsed());

    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    assert!(!log.iter().any(|line| line.contains("not connected")), "it was thrown out: {log:?}");
    assert_eq!(installation.stored().raw("probe/s/a"), (0..800).collect::<Vec<_>>());
}

#[test]
fn read_says_what_is_wrong_with_a_broker() {
    let mut broker = Mosquitto::start(Entrance::Password);
    let installation = Installation::new(&(sump("s") + &numbered_topics(broker.port, "s", &["a"])));
    let refused = installation.command("read", &["s/a"]);
    assert_eq!(refused.status.code(), Some(74), "{}", text(&refused));
    assert!(text(&refused).contains("broker shop"), "{}", text(&refused));
    broker.stop();
    let gone = installation.command("read", &["s/a"]);
    assert_eq!(gone.status.code(), Some(74), "{}", text(&gone));
    assert!(text(&gone).contains("broker shop") && text(&gone).contains("nobody listens"), "{}", text(&gone));
}

#[test]
fn the_demo_shows_four_sumps_and_cleans_up() {
    let (temporary, port) = (TempDir::new("demo"), free_port());
    let mut command = Command::new(program());
    command.args(["demo", "--seconds", "8", "--listen", &format!("127.0.0.1:{port}")]);
    let mut demo = Peer::start("demo", command.env("TMPDIR", temporary.path()));
    let output = demo.shared_output();
    let page = format!("http://127.0.0.1:{port}/");
    demo.wait_until("prints the address of its page", || {
        output.lock().expect("nobody panics with it").iter().any(|line| line.contains(&page))
    });
    assert_eq!(fs::read_dir(temporary.path()).expect("it is there").count(), 1);
    let state = http(port, "GET", "/state", "");
    assert_eq!(state.status, 200, "{}", state.body);
    let state: Value = serde_json::from_str(&state.body).expect("JSON");
    assert_eq!(state["sumps"].as_array().map(Vec::len), Some(4), "{state}");
    assert!(http(port, "GET", "/", "").body.contains("<html"));
    demo.finish(MOMENT);
    assert_eq!(fs::read_dir(temporary.path()).expect("it is there").count(), 0, "something was left behind");
}

#[test]
fn a_simulated_day_is_replayed() {
    let scratch = TempDir::new("replay");
    let scenario = Scenario::named("quiet-week", 1).expect("a known scenario");
    let options = ConfigurationOptions { every: Duration::from_secs(60), ..ConfigurationOptions::default() };
    let file = scenario.configuration(&Endpoints::new(), &options).write(scratch.path()).expect("written");
    // The probes of a sump are sampled once a minute: a day is about 1440 rows of each.
    let rows: Vec<Row> =
        scenario.history(HistoryOptions::default()).take(1440 * scenario.probes.len()).collect();
    let samples = scratch.path().join("samples.csv");
    let mut out = BufWriter::new(fs::File::create(&samples).expect("created"));
    let written = write_history(&scenario, rows.into_iter(), &mut out).expect("written");
    assert!(written > 1000, "{written} rows");
    drop(out);
    let replay = |output: &str| {
        let mut command = Command::new(program());
        command.arg("replay").arg("--config").arg(&file).arg("--input").arg(&samples);
        command.arg("--output").arg(scratch.path().join(output)).output().expect("it can be started")
    };
    for output in ["first", "second"] {
        let replayed = replay(output);
        assert_eq!(replayed.status.code(), Some(0), "{}", text(&replayed));
    }
    for name in ["estimates.csv", "alarms.csv", "events.csv"] {
        let [first, second] = ["first", "second"]
            .map(|output| fs::read(scratch.path().join(output).join(name)).expect("written"));
        assert!(first == second, "{name} differs");
    }
    let estimates = fs::read_to_string(scratch.path().join("first/estimates.csv")).expect("written");
    assert!(estimates.lines().count() > 100, "{}", estimates.lines().count());
}
