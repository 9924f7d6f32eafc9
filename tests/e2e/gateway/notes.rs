//! What people write down: by the command, over HTTP from a foreign client, by messages from another; who, once, and for good.

use std::collections::BTreeMap;
use std::process::{Command, Output};

use serde_json::{Value, json};
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::JournalEntry;
use sumpwarden_tests::broker::{Entrance, Mosquitto, publish};
use sumpwarden_tests::gateway::{Daemon, Installation, counting_devices, program, sump, tcp_bus};
use sumpwarden_tests::modbus::ModbusTcp;
use sumpwarden_tests::process::{free_port, peer_script, python, run};

use super::wait_for;

const PLAN: &str = "\n[plan]\ncountry = \"de\"\ndip_slide = { every = \"7 d\", bands = [10000, 1000000] }\n";

/// A shop with one device, a plan and, where there is a broker, notes from it.
fn shop(devices: &ModbusTcp, port: u16, broker: Option<&Mosquitto>) -> Installation {
    let notes = broker.map(|broker| {
        format!(
            "\n[broker.shop]\naddress = \"127.0.0.1:{}\"\nreconnect_after = \"200 ms\"\n[broker.shop.notes]\ntopic = \"hall/{{sump}}/note\"\n",
            broker.port
        )
    });
    let probes = counting_devices("net", "s", &[(1, 200)]);
    let tables =
        [sump("s"), tcp_bus("net", devices.port), probes, PLAN.to_owned(), notes.unwrap_or_default()]
            .concat();
    Installation::with_page(port, &tables)
}

fn note(installation: &Installation, arguments: &[&str]) -> (Option<i32>, String) {
    let Output { status, stdout, stderr } = installation.command("note", arguments);
    (status.code(), String::from_utf8_lossy(&stdout).into_owned() + &String::from_utf8_lossy(&stderr))
}

/// Posts bodies by Python's HTTP client; status and body of each answer.
fn post(installation: &Installation, port: u16, bodies: &[&str]) -> Vec<(u64, Value)> {
    let mut command = Command::new(python());
    command.arg(peer_script("poster.py")).args(["--port", &port.to_string(), "--key-file"]);
    let said = run(command.arg(installation.path("data/note-key")).args(bodies));
    let answers = said.lines().map(|line| serde_json::from_str::<Value>(line).expect("JSON"));
    answers.map(|answer| (answer["status"].as_u64().expect("a status"), answer["body"].clone())).collect()
}

/// The notes in a journal, by kind: value and words.
fn notes(journal: &[JournalEntry]) -> Vec<(&str, Option<f64>, &str)> {
    let of_people = journal.iter().filter(|entry| entry.subject == "note");
    of_people.map(|entry| (entry.state.as_str(), entry.value, entry.message.as_str())).collect()
}

fn plan(daemon: &Daemon) -> BTreeMap<String, Value> {
    let checks = daemon.state()["sumps"][0]["plan"]["checks"].clone();
    let checks = checks.as_array().expect("a list").iter();
    checks.map(|check| (check["check"].as_str().expect("a word").to_owned(), check.clone())).collect()
}

fn now() -> String {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).expect("after 1970");
    Timestamp::from_millis(since.as_millis() as i64).to_string()
}

#[test]
fn notes_come_by_command_http_and_broker_and_stay_with_their_authors() {
    let (devices, broker, port) = (ModbusTcp::start(&[1]), Mosquitto::start(Entrance::Open), free_port());
    let installation = shop(&devices, port, Some(&broker));
    let (code, said) = note(&installation, &["s", "brix", "3,7", "--by", "Kim"]);
    assert_eq!(code, Some(74), "no key yet: {said}");
    assert!(said.contains("start the daemon once"), "{said}");

    let daemon = installation.run();
    let (code, said) = note(&installation, &["s", "brix", "3,7", "--by", "Kim", "--text", "from the nozzle"]);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("s: concentration 5.18 % (Brix 3.7 × 1.4), target 7.5 %"), "{said}");
    assert!(said.contains("next concentration due 20") && said.contains("noted by Kim"), "{said}");
    let (code, said) =
        note(&installation, &["s", "makeup_hardness_mg_l", "23.5 °dH", "--by", "Kim", "--json"]);
    assert_eq!(code, Some(0), "{said}");
    let answer: Value = serde_json::from_str(&said).expect("JSON");
    assert_eq!(answer["verdict"]["judgement"], "watch", "over 20 °dH: {said}");
    for (arguments, expected, words) in [
        (&["s", "birx", "3.7", "--by", "Kim"][..], 64, "did you mean `brix`?"),
        (&["sx", "brix", "3.7", "--by", "Kim"], 64, "there is: s"),
        (&["s", "ph", "19", "--by", "Kim"], 1, "it lies from 0 to 14"),
        (&["s", "topup_l", "60 mm", "--by", "Kim"], 1, "as in \"60 L\" or \"5 gal\""),
        (&["s", "ph", "9", "--by", "Kim", "--at", "2020-01-01T00:00:00Z"], 1, "for 35 days"),
        (&["s", "calibrated", "nothing", "--by", "Kim"], 64, "there is: net-1"),
    ] {
        let (code, said) = note(&installation, arguments);
        assert_eq!(code, Some(expected), "{arguments:?}: {said}");
        assert!(said.contains(words), "{arguments:?}: {said}");
    }

    let hostile = "<script>alert('1')</script> \\u200f\\u05e0 \\\"; DROP";
    let long = "x".repeat(70_000);
    let body = |more: &str| format!(r#"{{"sump":"s","kind":"odour","value":2,"by":"Łucja",{more}}}"#);
    let at = now();
    let twice = format!(r#"{{"sump":"s","kind":"topup_l","value":"5 gal","by":"Noor","at":"{at}"}}"#);
    let answers = post(
        &installation,
        port,
        &[
            &body(&format!(r#""text":"{hostile}""#)),
            &twice,
            &twice,
            &body(r#""text":"a\u001b[2Jb""#),
            &body(&format!(r#""text":"{}""#, &long[..1001])),
            &body(&format!(r#""text":"{long}""#)),
            "[[[[",
        ],
    );
    let statuses: Vec<u64> = answers.iter().map(|(status, _)| *status).collect();
    assert_eq!(statuses, [200, 200, 200, 422, 422, 413, 400], "{answers:?}");
    assert_eq!((&answers[1].1["copy"], &answers[2].1["copy"]), (&json!(false), &json!(true)));
    assert!(answers[3].1["detail"].as_str().expect("words").contains("U+001B"), "{:?}", answers[3]);

    let raw = |text: &str, more: &[&str]| {
        publish(broker.port, &[&["--topic", "hall/s/note", "--raw", text], more].concat());
    };
    let nitrite = format!(r#"{{"kind":"nitrite_mg_l","value":5,"by":"Ito","at":"{at}"}}"#);
    raw(&nitrite, &[]);
    raw(&nitrite, &[]);
    raw(r#"{"kind":"nitrite_mg_l","value":-5,"by":"Ito\u001b"}"#, &[]);
    raw(r#"{"kind":"nitrite_mg_l","value":6,"by":"Ito"}"#, &["--retain"]);
    raw(r#"{"kind":"inspected","by":"Ito"}"#, &[]);
    wait_for("the daily look", || {
        plan(&daemon)["look"]["last"]["by"].as_str().filter(|by| *by == "Ito").map(|_| ())
    });
    let before = plan(&daemon);
    // To who listens already, a message to be kept is one like any other.
    assert_eq!(before["nitrite"]["last"]["text"], "6 mg/L");
    let low = daemon.state()["sumps"][0]["plan"]["nitrite_low_in_a_row"].clone();
    assert_eq!(low, 1, "a second strip on the same day is no further test");

    let (_, log) = daemon.terminate();
    let refused = |log: &[String], reason: &str| {
        log.iter().filter(|line| line.contains("note refused") && line.contains(reason)).count()
    };
    assert_eq!(refused(&log, "out_of_range"), 1, "{log:?}");
    assert!(!log.iter().any(|line| line.contains('\u{1b}')), "nothing drives the terminal");
    let mut daemon = installation.run();
    wait_for("what the broker keeps", || {
        daemon.peer().output().iter().any(|line| line.contains("retained")).then_some(())
    });
    assert_eq!(plan(&daemon)["nitrite"]["last"], before["nitrite"]["last"]);
    assert_eq!(plan(&daemon)["look"]["last"]["by"], "Ito");
    let (_, log) = daemon.terminate();
    assert_eq!(refused(&log, "retained"), 1, "kept by the broker, it is no news: {log:?}");

    let journal = installation.stored().journal;
    let found = notes(&journal);
    let by = |kind: &str| -> Vec<(Option<f64>, &str)> {
        found.iter().filter(|(k, ..)| *k == kind).map(|(_, value, words)| (*value, *words)).collect()
    };
    assert_eq!(
        by("brix"),
        [(Some(3.7), "concentration 5.18 % (Brix 3.7 × 1.4), target 7.5 %, noted by Kim: from the nozzle")]
    );
    let expected = "odour plainly, noted by Łucja: <script>alert('1')</script> \u{200f}\u{5e0} \"; DROP";
    assert_eq!(by("odour"), [(Some(2.0), expected)]);
    assert_eq!(by("topup_l").len(), 1);
    assert_eq!(
        by("nitrite_mg_l").iter().map(|(value, _)| *value).collect::<Vec<_>>(),
        [Some(5.0), Some(6.0)]
    );
    assert!(by("inspected")[0].1.ends_with("noted by Ito"));
    assert!(by("ph").is_empty(), "what was refused is nowhere");
}

#[test]
fn what_was_answered_survives_a_kill_and_what_was_not_comes_again_once() {
    const KILLS: usize = 5;
    let (devices, broker, port) = (ModbusTcp::start(&[1]), Mosquitto::start(Entrance::Open), free_port());
    let installation = shop(&devices, port, Some(&broker));
    for n in 0..KILLS {
        let mut daemon = installation.run();
        // What is published before the broker knows us is nobody's.
        wait_for("the broker", || {
            daemon.peer().output().iter().any(|line| line.contains("session_present")).then_some(())
        });
        std::thread::sleep(std::time::Duration::from_millis(300));
        if n > 0 {
            let last = format!("{}", n - 1);
            wait_for("the plan of before", || {
                (plan(&daemon)["nitrite"]["last"]["by"] == format!("Noor {last}")).then_some(())
            });
        }
        let by_broker = format!(r#"{{"kind":"growth","value":1,"by":"Ito","text":"{n}","at":"{}"}}"#, now());
        publish(broker.port, &["--topic", "hall/s/note", "--raw", &by_broker]);
        let body = format!(r#"{{"sump":"s","kind":"nitrite_mg_l","value":5,"by":"Noor {n}"}}"#);
        let answers = post(&installation, port, &[&body]);
        daemon.kill();
        assert_eq!(answers[0].0, 200, "{answers:?}");
    }
    // Whatever was on its way when it was killed comes now.
    let daemon = installation.run();
    wait_for("the last one", || {
        plan(&daemon)["look"]["last"]["kind"].as_str().filter(|kind| *kind == "growth").map(|_| ())
    });
    std::thread::sleep(std::time::Duration::from_secs(1));
    daemon.terminate();
    let journal = installation.stored().journal;
    let mut words: Vec<&str> = notes(&journal).into_iter().map(|(_, _, words)| words).collect();
    words.sort_unstable();
    let each = |words: fn(usize) -> String| (0..KILLS).map(words).collect::<Vec<_>>();
    let by_http = each(|n| format!("nitrite 5 mg/L, noted by Noor {n}"));
    let by_broker = each(|n| format!("visible growth a little, noted by Ito: {n}"));
    assert_eq!(words, [by_http, by_broker].concat());
}

#[test]
fn an_answer_waits_for_the_disk() {
    let (devices, port) = (ModbusTcp::start(&[1]), free_port());
    let installation = shop(&devices, port, None);
    let daemon = installation.run();
    // As a disk that takes nothing: the store's writer has to wait for this one.
    let other = rusqlite::Connection::open(installation.path("data/store.sqlite")).expect("the store's file");
    wait_for("a moment between two commits", || other.execute_batch("BEGIN IMMEDIATE").ok());
    let mut command = Command::new(program());
    command.args(["note", "--config"]).arg(installation.configuration());
    let mut waiting = command.args(["s", "inspected", "--by", "Kim"]).spawn().expect("it starts");
    std::thread::sleep(std::time::Duration::from_secs(3));
    assert_eq!(waiting.try_wait().expect("our child"), None, "nothing is durable yet");
    other.execute_batch("COMMIT").expect("it was begun");
    assert_eq!(waiting.wait().expect("our child").code(), Some(0));
    daemon.kill();
    assert_eq!(notes(&installation.stored().journal).len(), 1);
}

#[test]
fn nobody_writes_without_the_key_and_a_daemon_that_is_gone_is_told() {
    let (devices, port) = (ModbusTcp::start(&[1]), free_port());
    let installation = shop(&devices, port, None);
    let daemon = installation.run();
    let answer = sumpwarden_tests::database::http(
        port,
        "POST",
        "/notes",
        r#"{"sump":"s","kind":"inspected","by":"Eve"}"#,
    );
    assert_eq!(answer.status, 401, "{}", answer.body);
    let (code, said) = note(&installation, &["s", "action", "skimmed the oil off", "--by", "Kim"]);
    assert_eq!(code, Some(0), "{said}");
    daemon.terminate();
    let (code, said) = note(&installation, &["s", "inspected", "--by", "Kim"]);
    assert_eq!(code, Some(74), "{said}");
    assert!(said.contains("the daemon does not run"), "{said}");
    let journal = installation.stored().journal;
    assert_eq!(notes(&journal), [("action", None, "action, noted by Kim: skimmed the oil off")]);
}
