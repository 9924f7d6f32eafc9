//! What people do with the store by command, while the daemon runs and after it.

use std::fs;

use sumpwarden_protocol::line::parse::{Value as Field, parse};
use sumpwarden_tests::gateway::{Installation, counting_devices, sump, tcp_bus};
use sumpwarden_tests::modbus::ModbusTcp;

use super::commands::{json, text};
use super::wait_for;

/// A daemon that polls two counters, four times a second each.
fn shop() -> (Installation, ModbusTcp) {
    let devices = ModbusTcp::start(&[1, 2]);
    let tables =
        [sump("s"), tcp_bus("net", devices.port), counting_devices("net", "s", &[(1, 250), (2, 250)])]
            .concat();
    (Installation::new(&tables), devices)
}

#[test]
fn a_running_daemon_is_checked_copied_exported_and_gone_back_to() {
    let (installation, _devices) = shop();
    let daemon = installation.run();
    let points = || json(&installation.command("check", &["--store", "--json"]))["points"].as_u64();
    wait_for("some points", || points().filter(|points| *points > 30));

    let checked = installation.command("check", &["--store"]);
    assert_eq!(checked.status.code(), Some(0), "{}", text(&checked));
    assert!(text(&checked).contains("batch") && !text(&checked).contains("WRONG"), "{}", text(&checked));

    let path = |name: &str| installation.path(name).to_str().expect("text").to_owned();
    let (copy, lines) = (path("copy.sqlite"), path("lines"));
    let copied = installation.command("snapshot", &["--output", &copy]);
    assert_eq!(copied.status.code(), Some(0), "{}", text(&copied));
    let again = installation.command("snapshot", &["--output", &copy]);
    assert_eq!(again.status.code(), Some(74), "{}", text(&again));
    let exported = installation.command("export", &["--output", &lines, "--format", "lines"]);
    assert_eq!(exported.status.code(), Some(0), "{}", text(&exported));
    let refused = installation.command("restore", &["--from", &copy]);
    assert_eq!(refused.status.code(), Some(74), "{}", text(&refused));
    assert!(text(&refused).contains("in use"), "{}", text(&refused));
    let (status, log) = daemon.terminate();
    assert!(status.success(), "{log:?}");

    // What was exported while it ran are points that are there, as they are there.
    let stored = installation.stored();
    let exported = parse(&fs::read_to_string(format!("{lines}/points.line")).expect("made")).expect("lines");
    // An estimate and both ends of its interval are three points and one line.
    assert!(exported.len() > 10, "{} lines", exported.len());
    for point in &exported {
        let tag =
            |name: &str| point.tags.iter().find(|(key, _)| key == name).map(|(_, value)| value.as_str());
        let Some(probe) = tag("probe") else { continue };
        let series = &stored.points[&format!("probe/s/{probe}")];
        let at = point.timestamp.expect("every line has one");
        let held = series.iter().find(|held| held.at.as_nanos() == at).expect("it is there");
        let raw = point.fields.iter().find(|(key, _)| key == "raw").map(|(_, value)| value.clone());
        assert_eq!(raw, held.raw.map(Field::Float));
    }

    let restored = installation.command("restore", &["--from", &copy]);
    assert_eq!(restored.status.code(), Some(0), "{}", text(&restored));
    assert!(text(&restored).contains("store.sqlite.replaced-1"), "{}", text(&restored));
    let checked = installation.command("check", &["--store", "--json"]);
    assert_eq!(checked.status.code(), Some(0), "{}", text(&checked));
    let daemon = installation.run();
    let before = json(&checked)["points"].as_u64().expect("a number");
    wait_for("more points", || points().filter(|points| *points > before + 10));
    daemon.kill();
    let checked = installation.command("check", &["--store"]);
    assert_eq!(checked.status.code(), Some(0), "after a kill: {}", text(&checked));
}

#[test]
fn a_damaged_file_is_exported_as_far_as_it_goes() {
    let (installation, _devices) = shop();
    let daemon = installation.run();
    let points = || json(&installation.command("check", &["--store", "--json"]))["points"].as_u64();
    wait_for("some points", || points().filter(|points| *points > 30));
    assert!(daemon.terminate().0.success());
    let stored = installation.stored();
    let file = installation.path("data/store.sqlite");
    let mut bytes = fs::read(&file).expect("the store");
    // The description of the tables is gone: SQLite can read nothing of it any more.
    bytes[..4_096].fill(0);
    fs::write(&file, bytes).expect("the store");

    let checked = installation.command("check", &["--store"]);
    assert_ne!(checked.status.code(), Some(0), "{}", text(&checked));
    let path = |name: &str| installation.path(name).to_str().expect("text").to_owned();
    let (whole, rest) = (path("whole"), path("rest"));
    let refused = installation.command("export", &["--output", &whole]);
    assert_eq!(refused.status.code(), Some(74), "{}", text(&refused));
    let file = path("data/store.sqlite");
    let exported = installation.command("export", &["--output", &rest, "--format", "json", "--file", &file]);
    assert!([Some(0), Some(1)].contains(&exported.status.code()), "{}", text(&exported));
    let held: usize = stored.points.values().map(Vec::len).sum();
    let lines = fs::read_to_string(format!("{rest}/points.jsonl")).expect("made");
    assert_eq!(lines.lines().count(), held, "{}", text(&exported));
    let journal = fs::read_to_string(format!("{rest}/journal.jsonl")).expect("made");
    assert_eq!(journal.lines().count(), stored.journal.len());

    // The daemon starts all the same, and says what became of the file.
    let daemon = installation.run();
    wait_for("some points", || points().filter(|points| *points > 5));
    let checked = installation.command("check", &["--store"]);
    assert!(text(&checked).contains(&format!("damaged-1: {held} points")), "{}", text(&checked));
    assert!(daemon.terminate().0.success());
}
