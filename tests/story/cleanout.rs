//! Clean-outs of simulated shops, proper and skimped, and what is told of them.
//!
//! Only the days around a clean-out are played: the engine meets the shop as if it had been switched on then.

use std::fs;
use std::io::BufWriter;
use std::time::Duration;

use sumpwarden::commands::replay::replay;
use sumpwarden::config::{Settings, load};
use sumpwarden_core::engine::snapshot::CleanoutView;
use sumpwarden_core::engine::{Engine, Input, Outbound};
use sumpwarden_core::model::{Now, ProbeIndex, Raw, RawReading, Timestamp};
use sumpwarden_core::store::record::{JournalRecord, RecordKind};
use sumpwarden_sim::scenario::{
    ConfigurationOptions, Endpoints, HistoryOptions, Row, Scenario, write_history,
};
use sumpwarden_sim::stamp::Stamp;
use sumpwarden_sim::world::Action;
use tempfile::TempDir;

const DAY_MS: i64 = 86_400_000;

/// What the engine told of some days of a shop, and what was true.
struct Played {
    journal: Vec<JournalRecord>,
    cleanout: CleanoutView,
    /// Time and pH at 25 °C of its first sump, hour by hour.
    truth: Vec<(Stamp, f64)>,
}

fn settings(scenario: &Scenario, scratch: &TempDir) -> Settings {
    let options = ConfigurationOptions { every: Duration::from_secs(60), ..ConfigurationOptions::default() };
    let file = scenario.configuration(&Endpoints::new(), &options).write(scratch.path()).expect("written");
    load(&file).unwrap_or_else(|report| panic!("{}", report.draw(false))).settings
}

fn moment(row: &Row) -> Stamp {
    match row {
        Row::Sample { at, .. } | Row::Note { at, .. } => *at,
        Row::Truth { truth, .. } => truth.at,
    }
}

/// Rows between two days, counted from `from`.
fn rows(scenario: &Scenario, from: Stamp, days: (f64, f64)) -> impl Iterator<Item = Row> {
    let (first, last) = (from.plus_days(days.0), from.plus_days(days.1));
    let history = scenario.history(HistoryOptions::default());
    history.skip_while(move |row| moment(row) < first).take_while(move |row| moment(row) <= last)
}

fn play(scenario: &Scenario, from: Stamp, days: (f64, f64)) -> Played {
    let scratch = TempDir::new().expect("a temporary directory");
    let settings = settings(scenario, &scratch).engine;
    let probes: Vec<ProbeIndex> = (scenario.probes.iter())
        .map(|plan| {
            let name = |index: usize| {
                let probe = &settings.probes[index];
                (settings.sumps[probe.sump.slot()].name.as_str(), probe.name.as_str())
            };
            let wanted = (scenario.sumps[plan.sump].name, plan.setup.name);
            let place = (0..settings.probes.len()).find(|&index| name(index) == wanted).expect("configured");
            ProbeIndex(u32::try_from(place).expect("few probes"))
        })
        .collect();
    let mut engine = Engine::new(settings).expect("sound settings");
    let (mut out, mut truth, mut batch) = (Outbound::default(), Vec::new(), Vec::new());
    let mut clock_runs = false;
    for row in rows(scenario, from, days) {
        match row {
            Row::Sample { at, probe, raw, .. } => {
                let at = Timestamp::from_millis(at.0);
                if batch.first().is_some_and(|first: &RawReading| first.at < at) {
                    hand_over(&mut engine, &mut batch, &mut out, clock_runs);
                    clock_runs = true;
                }
                let (probe, received) = (probes[probe], Now::simulated(at).uptime);
                batch.push(RawReading { probe, at, received, raw: Raw::Number(raw) });
            }
            Row::Truth { sump: 0, truth: t } => truth.push((t.at, t.ph + 0.022 * (t.temperature_c - 25.0))),
            Row::Truth { .. } | Row::Note { .. } => {}
        }
    }
    let cleanout = engine.snapshot().sumps[0].fill.cleanout.clone();
    Played { journal: out.journal, cleanout, truth }
}

/// The rows of an instant go in together, once time has passed up to them.
fn hand_over(engine: &mut Engine, batch: &mut Vec<RawReading>, out: &mut Outbound, clock_runs: bool) {
    let now = Now::simulated(batch[0].at);
    while let Some(due) = engine.poll_timeout().filter(|due| clock_runs && *due < now.uptime) {
        let utc = Timestamp::from_nanos(i64::try_from(due.as_nanos()).expect("this century"));
        engine.handle(Now { uptime: due, utc }, Input::Tick);
    }
    engine.handle(now, Input::Readings(batch));
    engine.drain(out);
    out.samples.clear();
    out.saved.clear();
    batch.clear();
}

impl Played {
    fn events<'a>(&'a self, subject: &str) -> impl Iterator<Item = &'a JournalRecord> {
        let subject = subject.to_owned();
        self.journal.iter().filter(move |r| r.kind == RecordKind::Event && r.subject == subject)
    }

    fn event(&self, subject: &str, state: &str) -> &JournalRecord {
        let mut found = self.events(subject).filter(|record| record.state == state);
        let all: Vec<_> = self.events(subject).collect();
        let event = found.next().unwrap_or_else(|| panic!("no {subject} {state} in {all:#?}"));
        assert!(found.next().is_none(), "{subject} {state} is told once: {all:#?}");
        event
    }

    fn outcomes(&self) -> Vec<(&str, &str)> {
        self.cleanout.steps.iter().map(|view| (view.step.word(), view.outcome)).collect()
    }

    /// Process alarms that somebody heard of while limits should rest.
    fn alarms_within(&self, from: Timestamp, to: Timestamp) -> Vec<&JournalRecord> {
        let within = |record: &&JournalRecord| {
            record.kind == RecordKind::Alarm
                && record.state == "UNACK"
                && from <= record.at
                && record.at <= to
        };
        self.journal.iter().filter(within).collect()
    }
}

/// When the script cleans out.
fn cleaned_at(scenario: &Scenario) -> Stamp {
    let mut script = scenario.script.iter();
    script.find(|(_, _, action)| matches!(action, Action::CleanOut { .. })).expect("a clean-out").0
}

#[test]
fn a_proper_clean_out_is_recognised_with_every_step_done() {
    for (name, seed) in [("clean-out", 1), ("clean-out", 2), ("quarter-renewal", 1), ("quarter-renewal", 2)] {
        let scenario = Scenario::named(name, seed).expect("known");
        let played = play(&scenario, cleaned_at(&scenario), (-2.0, 4.5));
        let done = [
            ("drain", "done"),
            ("clean", "done"),
            ("places", "not-witnessed"),
            ("pump-out", "done"),
            ("rinse", "done"),
            ("pump-out-rinse", "done"),
            ("recharge", "done"),
        ];
        assert_eq!(played.outcomes(), done, "{name} {seed}: {:?}", played.cleanout.verdict);
        let hours = |step: &str| played.event("cleanout", step).value.expect("measured");
        assert!((hours("clean") - 2.0).abs() < 0.1, "{name} {seed}: {} h of cleaner", hours("clean"));
        assert!((hours("rinse") - 0.5).abs() < 0.1, "{name} {seed}: {} h of rinse", hours("rinse"));
        let (begun, over) = (played.event("cleanout", "begun"), played.event("cleanout", "over"));
        assert_eq!(over.value, Some(0.0), "nothing cut short");
        assert!(played.alarms_within(begun.at, over.at).is_empty(), "limits rest");
        for subject in ["regrowth", "ph-drop", "likely-biological"] {
            assert_eq!(played.events(subject).next(), None, "{name} {seed}");
        }
    }
}

#[test]
fn a_skimped_clean_out_is_named_and_what_grows_back_is_told_early() {
    for seed in 1..=3 {
        let scenario = Scenario::named("quarter-skimped", seed).expect("known");
        let cleaned = cleaned_at(&scenario);
        let played = play(&scenario, cleaned, (-2.0, 26.0));
        let over = played.event("cleanout", "over");
        assert_eq!(over.value, Some(2.0), "cleaner and rinse: {}", over.message);
        for words in ["cleaner cut short: ", "instead of 120 min", "rinse cut short: ", "instead of 30 min"] {
            assert!(over.message.contains(words), "{}", over.message);
        }
        let cleaner = played.event("cleanout", "clean").value.expect("measured");
        assert!((cleaner - 1.0 / 3.0).abs() < 0.1, "20 min of cleaner, {cleaner:.2} h told");
        assert!(played.event("cleanout", "rinse").value.expect("measured") < 0.1, "hardly a rinse");

        let told = played.event("regrowth", "ph_fall");
        for words in ["confirm with a dip slide", "cleaner cut short", "rinse cut short"] {
            assert!(told.message.contains(words), "{}", told.message);
        }
        let fallen = fallen_at(&played.truth, cleaned);
        let early_days = (fallen.0 - told.at.as_millis()) as f64 / DAY_MS as f64;
        assert!(early_days > 0.0, "seed {seed}: told {early_days:.1} days before pH had fallen by 0.5");
    }
}

/// When true pH first lies 0.5 under that of the first day of the fresh fill.
fn fallen_at(truth: &[(Stamp, f64)], cleaned: Stamp) -> Stamp {
    let after: Vec<_> = truth.iter().filter(|(at, _)| *at >= cleaned.plus_days(0.25)).collect();
    let fresh = after[..24].iter().map(|(_, ph)| ph).sum::<f64>() / 24.0;
    after.iter().find(|(_, ph)| *ph <= fresh - 0.5).expect("it turns sour").0
}

#[test]
fn a_dump_is_no_clean_out() {
    let scenario = Scenario::named("clean-out", 1).expect("known");
    let emptied = play(&scenario, scenario.start, (3.0, 3.97));
    assert_eq!(emptied.cleanout.stage, "suggested", "the emptied sump is seen, and asked about");
    let played = play(&scenario, scenario.start, (3.0, 8.0));
    assert_eq!(played.cleanout.stage, "none");
    assert_eq!(played.events("cleanout").next(), None);
    assert_eq!(played.events("ph-drop").next(), None);
}

#[test]
fn a_souring_fill_is_told_once_a_mark() {
    let scenario = Scenario::named("going-sour", 3).expect("known");
    let played = play(&scenario, scenario.start, (0.0, 6.0));
    let drops: Vec<f64> = played.events("ph-drop").filter_map(|record| record.value).collect();
    assert!(
        (1..=2).contains(&drops.len()) && drops[0] > 0.5,
        "0.5, and 1.0 where it comes to that: {drops:?}"
    );
    let named = played.events("likely-biological").next().expect("warm, still and falling");
    assert!(named.message.contains("confirm with a dip slide"));
    assert!(named.at < played.events("ph-drop").next().expect("told").at, "before the first mark");
    assert_eq!(played.events("cleanout").next(), None);
}

#[test]
fn quiet_shops_hear_nothing_of_it() {
    for (name, seed, days) in
        [("quiet-week", 1, 7.0), ("quiet-week", 2, 7.0), ("quarter-quiet-lathe", 1, 21.0)]
    {
        let scenario = Scenario::named(name, seed).expect("known");
        let played = play(&scenario, scenario.start, (0.0, days));
        for subject in ["cleanout", "regrowth", "ph-drop", "likely-biological"] {
            assert_eq!(played.events(subject).next(), None, "{name} {seed}");
        }
    }
}

#[test]
fn the_replay_writes_the_clean_out_into_its_events() {
    let scratch = TempDir::new().expect("a temporary directory");
    let scenario = Scenario::named("clean-out", 3).expect("known");
    let settings = settings(&scenario, &scratch).engine;
    let samples = scratch.path().join("samples.csv");
    let mut out = BufWriter::new(fs::File::create(&samples).expect("created"));
    write_history(&scenario, rows(&scenario, cleaned_at(&scenario), (-0.2, 0.5)), &mut out).expect("written");
    drop(out);
    let output = scratch.path().join("out");
    let summary = replay(settings, &samples, &output).expect("replayed");
    assert_eq!(summary.refused, 0, "{:?}", summary.named);
    let events = fs::read_to_string(output.join("events.csv")).expect("written");
    let told: Vec<&str> = (events.lines())
        .filter_map(|line| line.split_once(",lathe-1,cleanout,").map(|(_, rest)| rest))
        .map(|rest| rest.split_once(',').expect("a quantity and a value").0)
        .collect();
    let steps = ["drain", "clean", "places", "pump-out", "rinse", "pump-out-rinse", "recharge"];
    let expected = [&["suppression", "begun"][..], &steps, &["over", "suppression"]].concat();
    assert_eq!(told, expected, "{events}");
}
