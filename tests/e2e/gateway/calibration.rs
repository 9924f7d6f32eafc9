//! A pH probe on a real wire that is moved from its sump through two buffers and back, calibrated through the daemon.

use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::{Value, json};
use sumpwarden_tests::database::http;
use sumpwarden_tests::electrode::{Electrode, shop};
use sumpwarden_tests::gateway::{Daemon, Installation, program};
use sumpwarden_tests::process::{self, free_port, peer_script, python, run};

use super::commands::{json as answer_of, text};
use super::wait_for;

/// Half a minute of the same signal, on a busy machine.
const STEADY: Duration = Duration::from_secs(120);
const ADDRESS: &str = "/sumps/s/probes/ph/calibration";

fn look(daemon: &Daemon) -> Value {
    let answer = http(daemon.port(), "GET", ADDRESS, "");
    assert_eq!(answer.status, 200, "{}", answer.body);
    serde_json::from_str(&answer.body).expect("JSON")
}

fn wait_until_stable(daemon: &Daemon, buffer: &str) {
    process::wait_for("a steady signal", STEADY, || {
        let session = look(daemon)["session"].clone();
        (session["stable"] == true && session["recognised"]["name"] == buffer).then_some(())
    });
}

fn nothing_is_raised(daemon: &Daemon) {
    let alarms = daemon.state()["sumps"][0]["alarms"].clone();
    let of_ph =
        alarms.as_array().expect("a list").iter().find(|alarm| {
            alarm["name"].as_str().is_some_and(|name| name == "ph-low" || name == "instrument/ph")
        });
    assert_eq!(of_ph, None, "a buffer is not the sump");
}

fn reads(daemon: &Daemon) -> Option<f64> {
    daemon.probe("s", "ph")["value"].as_f64()
}

/// Leads through the rest of a calibration by hand: Enter once the signal is stable, then the end.
fn by_hand(installation: &Installation) -> String {
    let mut command = Command::new(program());
    command
        .args(["calibrate", "--config"])
        .arg(installation.configuration())
        .args(["s", "ph", "--by", "Noor"]);
    let mut child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it starts");
    let said = Arc::new(Mutex::new(String::new()));
    let (output, heard) = (child.stdout.take().expect("piped"), Arc::clone(&said));
    let reader = std::thread::spawn(move || {
        for line in BufReader::new(output).lines().map_while(Result::ok) {
            *heard.lock().expect("nobody panics with it") += &(line + "\n");
        }
    });
    let mut keys = child.stdin.take().expect("piped");
    let wait = |words: &str| {
        process::wait_for(words, STEADY, || {
            said.lock().expect("nobody panics with it").contains(words).then_some(())
        });
    };
    wait("stable: take the point in 4.00");
    keys.write_all(b"\n").expect("it reads");
    wait("would be slope");
    keys.write_all(b"f\n").expect("it reads");
    assert_eq!(child.wait().expect("our child").code(), Some(0));
    reader.join().expect("it ends with the output");
    let said = said.lock().expect("nobody panics with it");
    said.clone()
}

#[test]
fn a_probe_goes_through_its_buffers_and_is_right_afterwards_whatever_is_killed() {
    let (electrode, port) = (Electrode::new(), free_port());
    electrode.stands_in(9.0, 26.0);
    let installation = shop(&electrode, port);
    let daemon = installation.run();
    let off = wait_for("a value", || reads(&daemon)) - 9.0;
    assert!(off.abs() > 0.2, "the configuration knows nothing of this electrode: {off}");
    assert_eq!(look(&daemon)["current"]["from"], "configuration");

    let begun = installation.command("calibrate", &["s", "ph", "begin", "--by", "Kim"]);
    assert_eq!(begun.status.code(), Some(0), "{}", text(&begun));
    electrode.stands_in(7.02, 20.0);
    wait_for("a signal", || look(&daemon)["session"]["signal"].as_f64());
    let refused = installation.command("calibrate", &["s", "ph", "take", "--by", "Kim"]);
    assert_eq!(refused.status.code(), Some(1), "{}", text(&refused));
    assert!(text(&refused).contains("not steady yet"), "{}", text(&refused));
    wait_for("the word for it", || {
        let probe = daemon.probe("s", "ph");
        (probe["reason"] == "being calibrated" && probe["value"].is_null()).then_some(())
    });
    wait_until_stable(&daemon, "7.00 (technical)");
    nothing_is_raised(&daemon);
    let taken = answer_of(&installation.command("calibrate", &["s", "ph", "take", "--by", "Kim", "--json"]));
    assert_eq!(taken["session"]["points"][0]["standard"]["value"], 7.02, "the table at 20 °C: {taken}");
    daemon.kill();

    let daemon = installation.run();
    let session = look(&daemon)["session"].clone();
    assert_eq!((&session["by"], &session["points"][0]), (&json!("Kim"), &taken["session"]["points"][0]));
    electrode.stands_in(4.0, 20.0);
    let said = by_hand(&installation);
    assert!(said.contains("Rinse the probe") && said.contains("slope 95.0 %"), "{said}");
    assert!(said.contains("calibrated by Noor") && !said.contains("unfit"), "{said}");
    nothing_is_raised(&daemon);
    daemon.kill();

    electrode.stands_in(9.0, 26.0);
    let daemon = installation.run();
    let right = wait_for("a value", || reads(&daemon));
    assert!((right - 9.0).abs() < 0.05, "within the probe's accuracy: {right}");
    let current = look(&daemon)["current"].clone();
    assert_eq!((&current["from"], &current["by"]), (&json!("calibration"), &json!("Noor")), "{current}");
    let due = daemon.state()["sumps"][0]["plan"]["calibrations"][0].clone();
    assert_eq!((&due["probe"], &due["state"]), (&json!("ph"), &json!("later")));
    daemon.terminate();
    let journal = installation.stored().journal;
    let told: Vec<&str> =
        journal.iter().filter(|r| r.subject == "calibration/ph").map(|r| r.state.as_str()).collect();
    assert_eq!(told, ["begun", "point", "point", "finished"]);
    assert!(!journal.iter().any(|record| record.subject == "ph-low"), "{journal:?}");
}

#[test]
fn what_is_wrong_is_answered_with_what_would_be_right() {
    let (electrode, port) = (Electrode::new(), free_port());
    electrode.stands_in(9.0, 26.0);
    let installation = shop(&electrode, port);
    let daemon = installation.run();
    let post = |path: &str, bodies: &[&str]| -> Vec<(u64, String, String)> {
        let mut command = Command::new(python());
        command.arg(peer_script("poster.py")).args([
            "--port",
            &port.to_string(),
            "--path",
            path,
            "--key-file",
        ]);
        let said = run(command.arg(installation.path("data/note-key")).args(bodies));
        let answers = said.lines().map(|line| serde_json::from_str::<Value>(line).expect("JSON"));
        let word = |answer: &Value, key: &str| answer["body"][key].as_str().unwrap_or_default().to_owned();
        answers
            .map(|a| (a["status"].as_u64().expect("a status"), word(&a, "reason"), word(&a, "detail")))
            .collect()
    };
    let answers = post(
        ADDRESS,
        &[
            r#"{"do":"take","by":"Kim"}"#,
            r#"{"do":"begin","by":"Kim","standard":"1413"}"#,
            r#"{"do":"begin","by":" "}"#,
            r#"{"do":"burn","by":"Kim"}"#,
            r#"{"do":"begin","by":"Kim","standard":7.02}"#,
            r#"{"do":"begin","by":"Noor"}"#,
            r#"{"do":"finish","by":"Noor"}"#,
            r#"{"do":"abandon","by":"Noor"}"#,
        ],
    );
    let expected = [
        (409, "not_running", "begin first"),
        (422, "standard", "din-19266"),
        (422, "text", "one line"),
        (400, "malformed", r#""do": "begin""#),
        (200, "", ""),
        (409, "running", "Kim has been calibrating"),
        (409, "no_point", "take one"),
        (200, "", ""),
    ];
    for ((status, reason, detail), (code, word, words)) in answers.iter().zip(expected) {
        assert!(*status == code && reason == word && detail.contains(words), "{status} {reason} {detail}");
    }
    let elsewhere = post("/sumps/s/probes/temperature/calibration", &[r#"{"do":"begin","by":"Kim"}"#]);
    assert!(elsewhere[0].0 == 409 && elsewhere[0].2.contains("calibrate it at the device"), "{elsewhere:?}");
    let unknown = post("/sumps/s/probes/pH/calibration", &[r#"{"do":"begin","by":"Kim"}"#]);
    assert!(unknown[0].0 == 404 && unknown[0].2.contains("there is: ph, temperature"), "{unknown:?}");
    let stranger = http(port, "POST", ADDRESS, r#"{"do":"begin","by":"Eve"}"#);
    assert_eq!(stranger.status, 401, "{}", stranger.body);
    daemon.terminate();
    let journal = installation.stored().journal;
    let told: Vec<&str> =
        journal.iter().filter(|r| r.subject == "calibration/ph").map(|r| r.state.as_str()).collect();
    assert_eq!(told, ["begun", "abandoned"], "what was refused is nowhere");
}
