//! Whole histories of simulated shops through `replay`, judged against the simulator's own truth.
//!
//! The simulator shares no code with the gateway: its tanks, its conductivity and its chips are of its own making.

use std::collections::HashMap;
use std::fs;
use std::io::{BufWriter, ErrorKind};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::time::Duration;

use sumpwarden::commands::replay::{ReplayError, Summary, replay};
use sumpwarden::config::{Settings, load};
use sumpwarden_core::model::Timestamp;
use sumpwarden_sim::scenario::{
    ConfigurationOptions, Endpoints, HistoryOptions, Row, Scenario, write_history,
};
use sumpwarden_sim::world::Truth;
use tempfile::TempDir;

/// A scenario's history on disk, what is true in it, and the settings that read it.
struct Recorded {
    scenario: Scenario,
    truths: HashMap<(String, String), Truth>,
    settings: Settings,
    samples: PathBuf,
    scratch: TempDir,
}

fn record(name: &str, seed: u64) -> Recorded {
    record_polled(name, seed, Duration::from_secs(60))
}

/// The same, read by a configuration that expects a sample `every` so often.
fn record_polled(name: &str, seed: u64, every: Duration) -> Recorded {
    let scratch = TempDir::new().expect("a temporary directory");
    let scenario = Scenario::named(name, seed).expect("known scenario");
    let options = ConfigurationOptions { every, ..ConfigurationOptions::default() };
    let file = scenario.configuration(&Endpoints::new(), &options).write(scratch.path()).expect("written");
    let settings = load(&file).unwrap_or_else(|report| panic!("{}", report.draw(false))).settings;
    let rows: Vec<Row> = scenario.history(HistoryOptions::default()).collect();
    let truths = rows.iter().filter_map(|row| match row {
        Row::Truth { sump, truth } => {
            Some(((same_form(&truth.at.to_string()), scenario.sumps[*sump].name.to_owned()), *truth))
        }
        Row::Sample { .. } | Row::Note { .. } => None,
    });
    let truths = truths.collect();
    let samples = scratch.path().join("samples.csv");
    let mut out = BufWriter::new(fs::File::create(&samples).expect("created"));
    write_history(&scenario, rows.into_iter(), &mut out).expect("written");
    drop(out);
    Recorded { scenario, truths, settings, samples, scratch }
}

impl Recorded {
    fn play(&self, into: &str) -> (PathBuf, Summary) {
        let output = self.scratch.path().join(into);
        let summary = replay(self.settings.engine.clone(), &self.samples, &output).expect("replayed");
        (output, summary)
    }
}

/// The simulator writes milliseconds even where there are none.
fn same_form(time: &str) -> String {
    Timestamp::parse(time).expect("RFC 3339").to_string()
}

fn rows(file: &Path) -> Vec<Vec<String>> {
    let text = fs::read_to_string(file).expect("written");
    text.lines().skip(1).map(|line| line.splitn(7, ',').map(str::to_owned).collect()).collect()
}

#[test]
fn the_same_history_gives_the_same_bytes() {
    let recorded = record("going-sour", 3);
    let (first, summary) = recorded.play("first");
    let (second, again) = recorded.play("second");
    assert_eq!(summary, again);
    assert_eq!(summary.refused, 0, "{:?}", summary.named);
    for name in ["estimates.csv", "alarms.csv", "events.csv"] {
        let bytes = fs::read(first.join(name)).expect("written");
        assert!(bytes == fs::read(second.join(name)).expect("written"), "{name} differs");
    }
    assert!(summary.written[0] > 1000, "a week has a thousand ten-minute steps: {summary:?}");
}

#[test]
fn liquid_and_concentration_hold_the_truth_within_their_intervals() {
    for (name, seed) in [("quiet-week", 1), ("quiet-week", 2), ("hard-water", 5)] {
        let recorded = record(name, seed);
        let (output, _) = recorded.play("out");
        let (mut judged, mut held) =
            (0_u32, HashMap::from([("liquid_l", 0_u32), ("concentration_percent", 0)]));
        for row in rows(&output.join("estimates.csv")) {
            let [time, sump, quantity, value, low, high, _] = &row[..] else {
                panic!("seven columns: {row:?}")
            };
            let Some(truth) = recorded.truths.get(&(time.clone(), sump.clone())) else { continue };
            let true_value = match quantity.as_str() {
                "liquid_l" => truth.liquid_l,
                "concentration_percent" => truth.percent,
                _ => continue,
            };
            if value.is_empty() {
                continue;
            }
            judged += 1;
            let [low, high] = [low, high].map(|text| text.parse::<f64>().expect("a number"));
            *held.get_mut(quantity.as_str()).expect("one of the two") +=
                u32::from((low..=high).contains(&true_value));
        }
        assert!(judged > 100, "{name}: only {judged} estimates could be judged");
        for (quantity, held) in held {
            let share = f64::from(held) / (f64::from(judged) / 2.0);
            assert!(share > 0.85, "{name} seed {seed}: {quantity} held the truth in {:.0} %", 100.0 * share);
        }
    }
}

#[test]
fn a_souring_sump_alarms_and_a_quiet_week_does_not() {
    let sour = record("going-sour", 3);
    let alarms = rows(&sour.play("out").0.join("alarms.csv"));
    assert!(alarms.iter().any(|row| row[2].contains("ph") && row[3] == "UNACK"), "{alarms:?}");
    for seed in 1..=3 {
        let quiet = record("quiet-week", seed);
        let alarms = rows(&quiet.play("out").0.join("alarms.csv"));
        let process: Vec<_> = alarms.iter().filter(|row| !row[2].starts_with("instrument/")).collect();
        assert!(process.is_empty(), "seed {seed} of {}: {process:?}", quiet.scenario.name);
    }
}

#[test]
fn a_bad_row_is_named_by_its_line_and_the_rest_goes_on() {
    let recorded = record("quiet-week", 1);
    let text = fs::read_to_string(&recorded.samples).expect("written");
    let mut lines: Vec<&str> = text.lines().collect();
    let later = lines[200].to_owned();
    let source = later.split(',').nth(1).expect("three columns").to_owned();
    let not_a_number = format!("{},{source},seven", later.split(',').next().expect("a time"));
    for (place, bad) in [
        (100, "yesterday,probe/x/y,1"),
        (101, "2026-01-01T00:00:00Z,probe/nowhere/ph,1"),
        (102, "1999-01-01T00:00:00Z,probe/nowhere/ph,1"),
        (103, "one,two"),
        (210, not_a_number.as_str()),
    ] {
        lines.insert(place, bad);
    }
    fs::write(&recorded.samples, lines.join("\n")).expect("written");
    let (_, summary) = recorded.play("out");
    assert_eq!(summary.refused, 5, "{:?}", summary.named);
    for (named, line) in summary.named.iter().zip([101, 102, 103, 104, 211]) {
        assert!(named.starts_with(&format!("line {line}: ")), "{named}");
    }
    assert_eq!(summary.rows as usize, lines.len() - 1 - 5);
}

/// A pump contact that comes later than its `every` says is stale between two samples; the pumps have not turned for it.
#[test]
fn a_disk_that_is_full_is_named_by_its_file() {
    let recorded = record("going-sour", 3);
    // Of all estimates a part is written long before the end, of events nothing.
    for name in ["estimates.csv", "events.csv"] {
        let output = recorded.scratch.path().join(format!("full-{name}"));
        fs::create_dir(&output).expect("created");
        symlink("/dev/full", output.join(name)).expect("linked");
        let error =
            replay(recorded.settings.engine.clone(), &recorded.samples, &output).expect_err("no room");
        let ReplayError::File { path, why } = &error else { panic!("{error}") };
        assert_eq!((path, why.kind()), (&output.join(name), ErrorKind::StorageFull), "{error}");
    }
}

#[test]
fn samples_that_come_seldom_tell_the_same_topups() {
    // Time, sump, what and how much of each.
    let [minutely, seldom] = [60, 10].map(|every_s| {
        let recorded = record_polled("hard-water", 2, Duration::from_secs(every_s));
        let (output, _) = recorded.play("seldom");
        let mut events = rows(&output.join("events.csv"));
        events.retain(|row| row[2] == "topup");
        events
    });
    assert!(minutely.len() > 10, "{minutely:?}");
    assert_eq!(minutely.len(), seldom.len(), "with an `every` of 60 s and of 10 s");
    for (one, other) in minutely.iter().zip(&seldom) {
        assert_eq!(one[..4], other[..4], "the same top-up");
        let [a, b] = [one, other].map(|row| row[4].parse::<f64>().expect("a number"));
        assert!((a - b).abs() < 0.1 * a.abs() + 0.2, "{one:?}, and {other:?}");
    }
}
