//! A new configuration takes over while readings go on.

use super::*;
use crate::engine::succession::Successors;

const MOVED: u32 = 1;

/// The shop with one sump more, whose name comes first: every place of the old one moves on.
fn grown() -> Settings {
    let mut settings = shop();
    let mut other = settings.sumps[0].clone();
    other.name = name("edm-1");
    other.probes = SumpProbes { level: [Some(ProbeIndex(0)), None], ..SumpProbes::default() };
    let moved = |probe: ProbeIndex| ProbeIndex(probe.0 + MOVED);
    settings.sumps[0].probes.level = [Some(moved(LEVEL)), None];
    settings.sumps[0].probes.conductivity = Some(moved(CONDUCTIVITY));
    settings.sumps.insert(0, other);
    settings.probes.iter_mut().for_each(|probe| probe.sump = SumpIndex(1));
    settings.probes.insert(0, probe("level", Quantity::Level, 0.1, 1.0));
    for limit in &mut settings.alarms.limits {
        limit.sump = SumpIndex(1);
        if let Subject::Probe(probe) = limit.subject {
            limit.subject = Subject::Probe(moved(probe));
        }
    }
    settings.alarms.instruments[0].probe = moved(LEVEL);
    settings
}

pub(super) fn taken_over(mut story: Story, settings: Settings, second: u64) -> Story {
    story.engine.drain(&mut story.out);
    let mut engine = Engine::new(settings).expect("sound settings");
    let stored = story.out.saved.iter().cloned().collect();
    let unreadable = engine.take_over(at(second), story.engine, &stored);
    assert!(unreadable.is_empty(), "{unreadable:?}");
    story.engine = engine;
    story.engine.handle(at(second), Input::Tick);
    story.out.journal.clear();
    story.engine.drain(&mut story.out);
    story
}

/// Readings every minute, and what they came to for `lathe-3`: text of the series, stamp, value.
fn run(
    story: &mut Story,
    minutes: std::ops::Range<u64>,
    first: ProbeIndex,
    level: f64,
) -> Vec<(String, i64, Option<f64>)> {
    story.out.samples.clear();
    for minute in minutes {
        let at = 60 * minute;
        // Something happens now and then, so that windows, steps and delays are under way.
        let level = level - if minute % 97 > 60 { 300.0 } else { 0.0 };
        story.read(at, first, Raw::Number(level + (minute % 7) as f64));
        story.read(at + 1, ProbeIndex(first.0 + 1), Raw::Number(1290.0 + (minute % 5) as f64));
    }
    let series = story.engine.series().to_vec();
    let of = |sample: &Sample| (series[sample.series.slot()].to_string(), sample.at.as_nanos(), sample.value);
    story.out.samples.iter().map(of).filter(|(key, ..)| key.contains("/lathe-3/")).collect()
}

#[test]
fn a_sump_that_is_told_the_same_goes_on_to_the_last_bit() {
    let (mut left, mut taken) = (Story::new(), Story::new());
    run(&mut left, 0..310, LEVEL, 2000.0);
    run(&mut taken, 0..310, LEVEL, 2000.0);
    let mut taken = taken_over(taken, grown(), 60 * 309 + 30);
    assert_eq!(taken.states(), [], "nothing is said of it");
    let expected = run(&mut left, 310..700, LEVEL, 2000.0);
    let found = run(&mut taken, 310..700, ProbeIndex(LEVEL.0 + MOVED), 2000.0);
    assert!(expected.iter().any(|(key, _, value)| key.starts_with("estimate") && value.is_some()));
    assert_eq!(found, expected);
    let journal = |story: &Story| -> Vec<String> {
        story
            .out
            .journal
            .iter()
            .map(|r| format!("{} {} {} {}", r.at, r.subject, r.state, r.message))
            .collect()
    };
    let after = at(60 * 309 + 30).utc;
    let left: Vec<_> =
        journal(&left).into_iter().filter(|line| line.as_str() > after.to_string().as_str()).collect();
    assert_eq!(journal(&taken), left);
}

#[test]
fn an_alarm_and_a_delay_that_runs_go_through_it() {
    let mut story = Story::new();
    story.read(0, LEVEL, Raw::Number(1400.0)).read(60, LEVEL, Raw::Number(1400.0));
    assert_eq!(story.states(), [("level-low", "UNACK")]);
    let level = ProbeIndex(LEVEL.0 + MOVED);
    let mut story = taken_over(story, grown(), 61);
    story.read(120, level, Raw::Number(1400.0)).read(150, level, Raw::Number(2400.0));
    assert_eq!(story.states(), [], "it stands and is not told twice");
    // Another take-over in the middle of the off-delay.
    let mut story = taken_over(story, grown(), 180);
    story.read(200, level, Raw::Number(2400.0)).read(209, level, Raw::Number(2400.0));
    assert_eq!(story.states(), []);
    story.read(211, level, Raw::Number(2400.0));
    assert_eq!(story.states(), [("level-low", "RTNUN")]);
    assert_eq!(story.out.journal[0].at, at(210).utc, "sixty seconds after the first good reading");
}

#[test]
fn a_limit_that_was_changed_is_judged_by_the_next_reading_and_its_delays() {
    let mut story = Story::new();
    story.read(0, LEVEL, Raw::Number(1700.0));
    let mut settings = shop();
    settings.alarms.limits[0].setpoint = 180.0;
    let mut story = taken_over(story, settings, 30);
    story.read(60, LEVEL, Raw::Number(1700.0)).read(119, LEVEL, Raw::Number(1700.0));
    assert_eq!(story.states(), []);
    story.read(120, LEVEL, Raw::Number(1700.0));
    assert_eq!(story.states(), [("level-low", "UNACK")]);
}

#[test]
fn a_sump_that_is_gone_ends_its_alarms_and_comes_back_as_it_was() {
    let mut story = Story { engine: Engine::new(grown()).expect("sound settings"), out: Outbound::default() };
    let level = ProbeIndex(LEVEL.0 + MOVED);
    run(&mut story, 0..300, level, 2000.0);
    let believed = story.engine.snapshot().sumps[1].clone();
    story.read(18_000, level, Raw::Number(1400.0)).read(18_060, level, Raw::Number(1400.0));
    let mut alone = shop();
    alone.sumps[0].name = name("edm-1");
    let story = taken_over(story, alone, 18_061);
    assert_eq!(story.states(), [("level-low", "NORM")]);
    let [record] = &story.out.journal[..] else { panic!("one entry") };
    assert_eq!(record.sump.as_ref().map(Name::as_str), Some("lathe-3"));
    assert!(
        record.message.contains("the new configuration no longer has it; it stood as UNACK"),
        "{record:?}"
    );
    // It comes back: normal, with what was believed of it, and its next occurrence is its second.
    let mut story = taken_over(story, grown(), 18_062);
    assert_eq!(story.states(), []);
    story.read(18_120, level, Raw::Number(1400.0)).read(18_180, level, Raw::Number(1400.0));
    assert_eq!(story.states(), [("level-low", "UNACK")]);
    let (_, bytes) =
        story.out.saved.iter().rfind(|(key, _)| key == "alarm/lathe-3/level-low").expect("saved");
    let saved: serde_json::Value = serde_json::from_slice(bytes).expect("JSON");
    assert_eq!(saved["occurrence"], 2);
    run(&mut story, 304..321, level, 2000.0);
    let again = story.engine.snapshot().sumps[1].clone();
    let liquid = |view: &snapshot::SumpView| {
        let found = view.estimates.iter().find(|e| e.quantity == "liquid_l").expect("estimated");
        (found.high90.unwrap_or(f64::NAN) - found.low90.unwrap_or(f64::NAN)).abs()
    };
    assert!(liquid(&again) < 1.5 * liquid(&believed), "not a sump of which nothing is known: {again:?}");
}

#[test]
fn places_follow_the_names() {
    let successors = Successors::of(&shop(), &grown());
    assert_eq!(successors.sumps, BTreeMap::from([(SumpIndex(0), SumpIndex(1))]));
    assert_eq!(successors.probes.get(&CONDUCTIVITY), Some(&ProbeIndex(2)));
    let back = Successors::of(&grown(), &shop());
    assert_eq!(back.sumps.get(&SumpIndex(0)), None, "the one that is gone has none");
}
