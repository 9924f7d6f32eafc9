//! One small shop through the whole middle, on a simulated clock.

use std::collections::BTreeMap;
use std::time::Duration;

use super::*;
use crate::alarm::condition::{self, Condition};
use crate::alarm::order::{Order, Said};
use crate::alarm::settings::{
    AlarmSettings, ConditionSettings, FaultSettings, Habits, InstrumentSettings, LimitSettings, Priority,
    Side, Subject, Terms,
};
use crate::estimate::guidance::Caution;
use crate::estimate::note::NoteKind;
use crate::estimate::settings::{BoxPart, FluidSettings, SumpProbes, SumpSettings, TankShape, WaterSettings};
use crate::estimate::sump::advice::Topic;
use crate::model::{Fault, ProbeIndex, Quality, Quantity, Raw, Reason, Timestamp};
use crate::signal::settings::{Accuracy, InputStage, Line, ProbeSettings, SensorStage};
use crate::store::record::{Bound, RecordKind, SeriesSource};

const LEVEL: ProbeIndex = ProbeIndex(0);
const CONDUCTIVITY: ProbeIndex = ProbeIndex(1);
const SUMP: SumpIndex = SumpIndex(0);

fn name(text: &str) -> Name {
    Name::new(text).expect("allowed characters")
}

fn probe(of: &str, quantity: Quantity, scale: f64, absolute: f64) -> ProbeSettings {
    ProbeSettings {
        name: name(of),
        sump: SUMP,
        quantity,
        input_unit: None,
        input: InputStage::Scaled(Line { scale, offset: 0.0 }),
        sensor: SensorStage::Direct,
        range: None,
        accuracy: Accuracy { absolute, relative: 0.0 },
        period: Duration::from_secs(60),
        hold: Duration::from_secs(180),
        stale_after: Duration::from_secs(180),
        frozen: None,
        spike: None,
        calibration_due: None,
    }
}

/// A box of 1200 × 700 mm: 0.84 L per mm; fill mark at 310 mm; a low limit at 150 mm with 60 s of delay.
fn shop() -> Settings {
    let sump = SumpSettings {
        name: name("lathe-3"),
        title: "Lathe 3".to_owned(),
        tank: TankShape::Boxes(vec![BoxPart {
            length_mm: 1200.0,
            width_mm: 700.0,
            floor_mm: 0.0,
            top_mm: 400.0,
        }]),
        fill_mark_mm: 310.0,
        pump_minimum_mm: Some(120.0),
        holdup_l: 35.0,
        fluid: FluidSettings {
            name: name("semi"),
            refractometer_factor: 1.4,
            conductivity_curve: vec![(0.0, 560.0), (3.0, 1010.0), (5.0, 1290.0), (8.0, 1690.0)],
        },
        water: WaterSettings { name: name("mains"), hardness_mg_l: 240.0, conductivity_us_cm: Some(560.0) },
        fill_water: None,
        makeup_percent: None,
        chip_solid_percent: None,
        target_percent: 7.5,
        probes: SumpProbes {
            level: [Some(LEVEL), None],
            conductivity: Some(CONDUCTIVITY),
            ..SumpProbes::default()
        },
    };
    let limit = |of: &str, subject, setpoint, deadband| LimitSettings {
        name: of.to_owned(),
        sump: SUMP,
        subject,
        side: Side::Low,
        setpoint,
        deadband,
        on_delay: Duration::from_secs(60),
        off_delay: Duration::from_secs(60),
        priority: Priority::Medium,
        terms: Terms::Value,
        habits: Habits::default(),
        source: None,
    };
    Settings {
        probes: vec![
            probe("level", Quantity::Level, 0.1, 1.0),
            probe("conductivity", Quantity::Conductivity, 1.0, 10.0),
        ],
        sumps: vec![sump],
        alarms: AlarmSettings {
            limits: vec![
                limit("level-low", Subject::Probe(LEVEL), 150.0, 10.0),
                limit("concentration-low", Subject::Estimate(EstimateKind::Concentration), 4.0, 0.3),
            ],
            instruments: vec![InstrumentSettings {
                probe: LEVEL,
                on_delay: Duration::from_secs(30),
                off_delay: Duration::from_secs(30),
                priority: Priority::Low,
                behind: Vec::new(),
            }],
            ..AlarmSettings::default()
        },
        estimate_every: Duration::from_secs(600),
        ..Settings::default()
    }
}

fn at(second: u64) -> Now {
    Now::simulated(Timestamp::from_nanos(second as i64 * 1_000_000_000))
}

struct Story {
    engine: Engine,
    out: Outbound,
}

impl Story {
    fn new() -> Self {
        Self { engine: Engine::new(shop()).expect("sound settings"), out: Outbound::default() }
    }

    fn pass(&mut self, until: u64) {
        while let Some(due) = self.engine.poll_timeout().filter(|due| *due < at(until).uptime) {
            let utc = Timestamp::from_nanos(due.as_nanos() as i64);
            self.engine.handle(Now { uptime: due, utc }, Input::Tick);
        }
    }

    fn read(&mut self, second: u64, probe: ProbeIndex, raw: Raw) -> &mut Self {
        self.pass(second);
        let now = at(second);
        self.engine
            .handle(now, Input::Readings(&[RawReading { probe, at: now.utc, received: now.uptime, raw }]));
        self.engine.drain(&mut self.out);
        self
    }

    fn states(&self) -> Vec<(&str, &str)> {
        self.out.journal.iter().map(|r| (r.subject.as_str(), r.state.as_str())).collect()
    }
}

#[test]
fn a_level_that_stays_low_is_journalled_with_what_to_do() {
    let mut story = Story::new();
    for minute in 0..3 {
        story.read(60 * minute, LEVEL, Raw::Number(1490.0));
    }
    assert_eq!(story.states(), [("level-low", "UNACK")]);
    let record = &story.out.journal[0];
    assert_eq!(record.at, at(60).utc, "after the delay, counted from the first low reading");
    assert_eq!(record.message, "level 149 mm, low limit 150 mm. Top up before the pump draws air.");
    assert_eq!((record.value, record.priority), (Some(149.0), Some("medium")));
    let kept = story.out.saved.iter().rfind(|(key, _)| key == "alarm/lathe-3/level-low");
    let (_, kept) = kept.expect("kept for a restart");
    assert!(String::from_utf8_lossy(kept).contains(r#""state":"UNACK""#));
}

#[test]
fn every_reading_is_stored_as_it_came_even_a_bad_one() {
    let mut story = Story::new();
    story.read(0, LEVEL, Raw::Number(2000.0)).read(60, LEVEL, Raw::Fault(Fault::NoValue));
    let [good, bad] = &story.out.samples[..] else {
        panic!("two readings, two samples: {:?}", story.out.samples)
    };
    assert_eq!((good.raw, good.value, good.quality), (Some(2000.0), Some(200.0), Quality::GOOD));
    assert_eq!((bad.raw, bad.value, bad.quality.reason), (None, None, Reason::NoValue));
}

#[test]
fn estimates_are_written_on_the_grid_with_their_intervals() {
    let mut story = Story::new();
    for minute in 0..=60 {
        story.read(60 * minute, LEVEL, Raw::Number(2000.0));
        story.read(60 * minute + 1, CONDUCTIVITY, Raw::Number(1290.0));
    }
    story.out.samples.clear();
    for minute in 61..=70 {
        story.read(60 * minute, LEVEL, Raw::Number(2000.0));
    }
    let series = story.engine.series().to_vec();
    let estimates: Vec<_> = (story.out.samples.iter())
        .filter_map(|sample| match &series[sample.series.slot()].source {
            SeriesSource::Estimate { word, bound } => Some((*word, *bound, sample)),
            SeriesSource::Probe(_) => None,
        })
        .collect();
    assert_eq!(estimates.len(), 3 * EstimateKind::ALL.len(), "each with two ends, once: {estimates:?}");
    assert!(estimates.iter().all(|(_, _, sample)| sample.at == at(4200).utc));
    let of = |word: &str, bound: Bound| {
        let found = estimates.iter().find(|(w, b, _)| *w == word && *b == bound).expect("written");
        found.2.value.expect("known")
    };
    for kind in EstimateKind::ALL {
        let [value, low, high] = [Bound::Value, Bound::Low90, Bound::High90].map(|b| of(kind.word(), b));
        assert!(low <= value && value <= high, "{}: {low} {value} {high}", kind.word());
    }
    // 200 mm × 0.84 L/mm in the tank, which nobody says is all of it; the jar test says 5 % at 1290 uS/cm.
    assert!((of("room_l", Bound::Value) - (260.4 - 168.0)).abs() < 3.0);
    assert!(
        of("concentration_percent", Bound::Low90) < 5.0 && 5.0 < of("concentration_percent", Bound::High90)
    );
}

#[test]
fn a_limit_on_an_estimate_follows_the_readings_behind_it() {
    let mut story = Story::new();
    for minute in 0..=180 {
        story.read(60 * minute, CONDUCTIVITY, Raw::Number(900.0));
    }
    assert!(story.states().contains(&("concentration-low", "UNACK")), "{:?}", story.states());
    let alarms = story.engine.snapshot().sumps[0].alarms.clone();
    let alarm = alarms.iter().find(|alarm| alarm.name == "concentration-low").expect("raised");
    assert!(alarm.message.contains("low limit 4.00 %. Check with a refractometer"), "{alarm:?}");
}

#[test]
fn a_probe_that_stops_answering_is_an_instrument_fault_not_a_process_alarm() {
    let mut story = Story::new();
    story.read(0, LEVEL, Raw::Number(1400.0)).read(20, LEVEL, Raw::Fault(Fault::NoReply));
    story.pass(1000);
    story.engine.drain(&mut story.out);
    assert!(story.states().contains(&("instrument/level", "UNACK")), "{:?}", story.states());
    assert_eq!(
        story.states().iter().filter(|(subject, _)| *subject == "level-low").count(),
        1,
        "held value counts"
    );
    let silent = story.engine.snapshot().sumps[0].probes[0].clone();
    assert_eq!((silent.value, silent.quality.reason), (None, "no reply"));
}

#[test]
fn a_restart_keeps_the_alarm_and_says_nothing_twice() {
    let mut before = Story::new();
    before.read(0, LEVEL, Raw::Number(1400.0)).read(60, LEVEL, Raw::Number(1400.0));
    let mut after = Story::new();
    let saved = before.out.saved.clone();
    let unreadable = after
        .engine
        .restore(at(60), |key| saved.iter().rfind(|(k, _)| k == key).map(|(_, bytes)| bytes.clone()));
    assert!(unreadable.is_empty());
    after.read(120, LEVEL, Raw::Number(1400.0)).read(300, LEVEL, Raw::Number(1400.0));
    assert!(after.states().is_empty(), "already annunciated: {:?}", after.states());
    after.read(360, LEVEL, Raw::Number(2400.0)).read(420, LEVEL, Raw::Number(2400.0));
    assert_eq!(after.states(), [("level-low", "RTNUN")]);
    assert_eq!(
        Story::new().engine.restore(at(0), |_| Some(b"nonsense".to_vec())).len(),
        9,
        "three alarms, one belief, one pH, one clean-out, one plan, who has heard, the first number"
    );
}

#[test]
fn after_going_back_to_a_copy_no_occurrence_and_no_change_gets_a_number_again() {
    let mut before = Story::new();
    before.read(0, LEVEL, Raw::Number(1400.0)).read(60, LEVEL, Raw::Number(1400.0));
    let mut copy: BTreeMap<String, Vec<u8>> = before.out.saved.iter().cloned().collect();
    // What happens now is told and then forgotten: it ends, and comes up twice more.
    for second in [400, 800, 1_200, 1_600, 2_000] {
        let raw = if second % 800 == 400 { 2400.0 } else { 1400.0 };
        before.read(second, LEVEL, Raw::Number(raw)).read(second + 60, LEVEL, Raw::Number(raw));
    }
    let number = |bytes: &[u8], name: &str| {
        let value: serde_json::Value = serde_json::from_slice(bytes).expect("JSON");
        value[name].as_u64().expect("a number")
    };
    let later = before.out.saved.iter().rfind(|(key, _)| key == "alarm/lathe-3/level-low").expect("changed");
    let later = (number(&later.1, "occurrence"), number(&later.1, "sequence"));
    for round in 1..=2_u64 {
        let entries: Vec<_> = copy.iter().map(|(key, bytes)| (key.clone(), bytes.clone())).collect();
        copy.extend(renumbered(&entries));
        let mut after = Story::new();
        assert!(after.engine.restore(at(60), |key| copy.get(key).cloned()).is_empty());
        after.read(100, LEVEL, Raw::Number(2400.0)).read(200, LEVEL, Raw::Number(2400.0));
        let (_, ended) =
            after.out.saved.iter().rfind(|(key, _)| key == "alarm/lathe-3/level-low").expect("ended");
        assert!(number(ended, "sequence") > round * 1_000_000);
        after
            .engine
            .order(
                at(201),
                "lathe-3/level-low",
                Order::Acknowledge { occurrence: None },
                Said::new("kim", None),
            )
            .expect("it stands");
        after.read(300, LEVEL, Raw::Number(1400.0)).read(400, LEVEL, Raw::Number(1400.0));
        let (_, again) =
            after.out.saved.iter().rfind(|(key, _)| key == "alarm/lathe-3/level-low").expect("raised");
        assert!(number(again, "occurrence") > later.0 && number(again, "occurrence") >= round * 1_000_000);
    }
}

#[test]
fn notes_are_journalled_as_events() {
    let mut story = Story::new();
    for (kind, value) in [(NoteKind::TopUpLitres, 40.0), (NoteKind::TopUpPercent, 5.0), (NoteKind::Brix, 5.1)]
    {
        let note = Note::of(SUMP, at(5).utc, kind, value);
        story.engine.handle(at(5), Input::Note(&note));
    }
    story.engine.drain(&mut story.out);
    assert_eq!(story.states(), [("note", "topup_l"), ("note", "topup_percent"), ("note", "brix")]);
}

#[test]
fn acknowledging_is_journalled_with_the_name() {
    let mut story = Story::new();
    story.read(0, LEVEL, Raw::Number(1400.0)).read(60, LEVEL, Raw::Number(1400.0));
    let order = Order::Acknowledge { occurrence: Some(1) };
    story.engine.order(at(61), "lathe-3/level-low", order, Said::new("kim", None)).expect("it stands");
    let unknown = story.engine.order(at(61), "lathe-3/nonsense", order, Said::new("kim", None));
    assert_eq!(unknown, Err(AlarmFor::Unknown("lathe-3/nonsense".to_owned())));
    story.engine.drain(&mut story.out);
    assert_eq!(story.out.journal[1].message, "level 140 mm, low limit 150 mm: acknowledged by kim");
}

fn some_hours() -> Story {
    let mut story = Story::new();
    for minute in 0..=240 {
        story.read(60 * minute, LEVEL, Raw::Number(2000.0));
        story.read(60 * minute + 1, CONDUCTIVITY, Raw::Number(1290.0));
    }
    story
}

#[test]
fn the_outlook_holds_every_limit_on_hardness_and_concentration() {
    assert_eq!(Story::new().engine.outlook(SUMP), None, "nothing is believed yet");
    let outlook = some_hours().engine.outlook(SUMP).expect("hours of readings");
    let [hardness, weak] = &outlook.limits[..] else { panic!("{outlook:?}") };
    assert_eq!((hardness.name.as_deref(), hardness.limit), (None, outlook::HARDNESS_LIMIT_MG_L));
    assert_eq!((weak.name.as_deref(), weak.limit), (Some("concentration-low"), 4.0));
    let crossing = outlook.prospect.days_to_hardness(400.0);
    assert_eq!(crossing, hardness.crossing);
    assert!(crossing.low90 > 0.0 && crossing.low90 <= crossing.days && crossing.days <= crossing.high90);
    assert!(outlook.prospect.days_to_hardness(350.0).days < crossing.days);
    assert_eq!(outlook.prospect.days_to_hardness(10.0).days, 0.0, "passed already");
}

#[test]
fn the_lowest_configured_limit_on_hardness_counts() {
    let mut settings = shop();
    for setpoint in [380.0, 300.0] {
        let subject = Subject::Estimate(EstimateKind::Hardness);
        let like = settings.alarms.limits[0].clone();
        settings.alarms.limits.push(LimitSettings { subject, side: Side::High, setpoint, ..like });
    }
    let engine = Engine::new(settings).expect("sound settings");
    assert_eq!(engine.hardness_limit(SUMP), (Some("level-low"), 300.0));
}

/// serde writes a number that is none as null: what this shop lacks is null and nothing else, and no text may hold one.
#[test]
fn the_snapshot_holds_no_number_that_is_none() {
    // No pH probe, no clean-out, and a limit that nobody configured and that is never reached.
    const MISSING: [&str; 16] = [
        ".sumps.fill.baseline_ph",
        ".sumps.fill.cleanout.hours",
        ".sumps.fill.cleanout.hours_wanted",
        ".sumps.fill.cleanout.regrowth",
        ".sumps.fill.cleanout.sheet",
        ".sumps.fill.cleanout.step",
        ".sumps.fill.cleanout.to_do",
        ".sumps.fill.cleanout.verdict",
        ".sumps.fill.drop_ph",
        ".sumps.fill.likely_biological",
        ".sumps.fill.ph",
        ".sumps.fill.trend",
        ".sumps.outlook.limits.days",
        ".sumps.outlook.limits.high90_days",
        ".sumps.outlook.limits.name",
        ".sumps.standing_by_since",
    ];
    fn walk(key: &str, value: &serde_json::Value, nulls: &mut Vec<String>) {
        match value {
            serde_json::Value::Null => nulls.push(key.to_owned()),
            serde_json::Value::Array(items) => items.iter().for_each(|item| walk(key, item, nulls)),
            serde_json::Value::Object(map) => {
                map.iter().for_each(|(own, item)| walk(&format!("{key}.{own}"), item, nulls))
            }
            serde_json::Value::String(text) => {
                assert!(!text.contains("NaN") && !text.contains("inf"), "{text}")
            }
            serde_json::Value::Bool(_) | serde_json::Value::Number(_) => {}
        }
    }
    let json = serde_json::to_value(some_hours().engine.snapshot()).expect("plain data");
    let sump = &json["sumps"][0];
    let mut nulls = Vec::new();
    walk("", &json, &mut nulls);
    nulls.sort();
    nulls.dedup();
    assert_eq!(nulls, MISSING);
    assert!(sump["outlook"]["evaporation_l_d"].as_f64().is_some_and(|l_d| l_d > 0.0), "{sump}");
    assert!(
        sump["outlook"]["limits"][0]["text"].as_str().is_some_and(|t| t.starts_with("hardness 400 mg/L "))
    );
    let advice = &sump["advice"][0];
    assert_eq!(advice["topic"], "top-up", "200 mm of 310 mm: {sump}");
    assert_eq!(advice["rules"][0]["word"], "mass-balance");
    assert!(
        advice["numbers"][0]["value"].is_number() && advice["cautions"][0]["source"].is_string(),
        "{advice}"
    );
    let empty = serde_json::to_value(Story::new().engine.snapshot()).expect("plain data");
    assert!(empty["sumps"][0]["outlook"].is_null() && empty["sumps"][0]["advice"] == serde_json::json!([]));
}

#[test]
fn advice_follows_the_configured_limit_on_hardness() {
    let engine = some_hours().engine;
    let topics: Vec<_> = engine.advice(SUMP).into_iter().map(|suggestion| suggestion.topic).collect();
    assert!(!topics.contains(&Topic::Exchange), "{topics:?}");
    let mut settings = shop();
    let subject = Subject::Estimate(EstimateKind::Hardness);
    settings.alarms.limits.push(LimitSettings {
        subject,
        side: Side::High,
        setpoint: 150.0,
        ..settings.alarms.limits[0].clone()
    });
    let mut story =
        Story { engine: Engine::new(settings).expect("sound settings"), out: Outbound::default() };
    for minute in 0..=60 {
        story.read(60 * minute, LEVEL, Raw::Number(2000.0)).read(
            60 * minute + 1,
            CONDUCTIVITY,
            Raw::Number(1290.0),
        );
    }
    let advice = story.engine.advice(SUMP);
    assert_eq!(advice[0].topic, Topic::Exchange, "{advice:?}");
    assert!(advice[0].text.contains("is over 150: "), "{advice:?}");
    assert!(advice.iter().any(|suggestion| suggestion.topic == Topic::LowMineral));
}

#[test]
fn limits_rest_while_a_clean_out_runs_and_the_journal_says_so() {
    let mut story = Story::new();
    story.read(0, LEVEL, Raw::Number(3000.0));
    let note = |value| Note::of(SUMP, at(10).utc, NoteKind::Cleanout, value);
    story.engine.handle(at(10), Input::Note(&note(1.0)));
    for minute in 1..20 {
        story.read(60 * minute, LEVEL, Raw::Number(if minute < 3 { 1000.0 } else { 10.0 }));
    }
    let view = story.engine.snapshot().sumps[0].fill.cleanout.clone();
    assert_eq!((view.stage, view.limits_rest), ("running", true));
    assert_eq!(view.steps[0].outcome, "done", "emptied");
    assert!(view.sheet.expect("while it runs").numbers.cleaner_concentrate_l > 10.0);
    let fill = story.engine.snapshot().sumps[0].fill.clone();
    assert!(fill.to_do[0].starts_with("Clean-out, "), "{:?}", fill.to_do);
    assert!(
        fill.to_do.iter().any(|text| text.contains("limits of this sump alarm nobody")),
        "{:?}",
        fill.to_do
    );
    assert!(fill.cautions.contains(&Caution::GlovesAndEyes), "{:?}", fill.cautions);
    let rested = [
        ("note", "cleanout"),
        ("cleanout", "suppression"),
        ("cleanout", "begun"),
        ("level-low", "DSUPR"),
        ("cleanout", "drain"),
    ];
    assert_eq!(story.states(), rested, "nobody hears of an empty tank");
    story.engine.handle(at(1200), Input::Note(&note(0.0)));
    for minute in 20..24 {
        story.read(60 * minute, LEVEL, Raw::Number(10.0));
    }
    let after = [
        ("note", "cleanout"),
        ("cleanout", "abandoned"),
        ("cleanout", "suppression"),
        ("level-low", "NORM"),
        ("level-low", "UNACK"),
    ];
    assert_eq!(story.states()[5..10], after, "judged again");
}

#[test]
fn a_restart_in_the_middle_of_a_clean_out_goes_on_with_it() {
    let mut before = Story::new();
    before.read(0, LEVEL, Raw::Number(3000.0));
    let note = Note::of(SUMP, at(10).utc, NoteKind::Cleanout, 1.0);
    before.engine.handle(at(10), Input::Note(&note));
    before.read(60, LEVEL, Raw::Number(900.0)).read(120, LEVEL, Raw::Number(10.0)).read(
        180,
        LEVEL,
        Raw::Number(10.0),
    );
    let saved = before.out.saved.clone();
    let mut after = Story::new();
    let lookup = |key: &str| saved.iter().rev().find(|(k, _)| k == key).map(|(_, bytes)| bytes.clone());
    assert!(after.engine.restore(at(0), lookup).is_empty());
    after.read(600, LEVEL, Raw::Number(10.0)).read(900, LEVEL, Raw::Number(10.0));
    let told = after.states().iter().filter(|(subject, _)| !subject.starts_with("instrument/")).count();
    assert_eq!(told, 0, "nothing twice, no alarm: {:?}", after.states());
    let view = after.engine.snapshot().sumps[0].fill.cleanout.clone();
    assert_eq!((view.stage, view.step.map(|step| step.word())), ("running", Some("clean")));
}

fn with_conditions(change: impl FnOnce(&mut Settings)) -> Story {
    let mut settings = shop();
    let conditions = Condition::ALL.iter().map(|&condition| ConditionSettings::default_for(SUMP, condition));
    settings.alarms.conditions = conditions.collect();
    let clock = FaultKey { fault: condition::Fault::Clock, of: String::new() };
    settings.alarms.faults.push(FaultSettings {
        key: clock,
        on_delay: Duration::ZERO,
        off_delay: Duration::from_secs(60),
        priority: Priority::Low,
        silent: Vec::new(),
        behind: Vec::new(),
    });
    change(&mut settings);
    Story { engine: Engine::new(settings).expect("sound settings"), out: Outbound::default() }
}

#[test]
fn a_clock_that_is_set_is_told_and_moves_no_alarm() {
    let mut story = with_conditions(|_| {});
    story.read(0, LEVEL, Raw::Number(1490.0)).read(30, LEVEL, Raw::Number(1490.0));
    // The same instants on the monotonic clock; UTC is set from 1970 to 2024.
    let on = Duration::from_secs(86_400 * 20_000);
    let stepped = |second| Now { utc: at(second).utc.plus(on), ..at(second) };
    let reading =
        |now: Now| [RawReading { probe: LEVEL, at: now.utc, received: now.uptime, raw: Raw::Number(1490.0) }];
    story.engine.handle(stepped(40), Input::Readings(&reading(stepped(40))));
    story.engine.drain(&mut story.out);
    assert_eq!(story.states(), [("clock", "UNACK")], "and no level alarm before its delay is over");
    assert_eq!(
        story.out.journal[0].message,
        "the gateway's clock: it was set by +20000 d. See that the gateway reaches a time server."
    );
    story.engine.handle(stepped(60), Input::Readings(&reading(stepped(60))));
    story.engine.drain(&mut story.out);
    assert_eq!(story.states()[1], ("level-low", "UNACK"), "sixty seconds after the first low reading");
    for second in (700..1000).step_by(60) {
        story.engine.handle(stepped(second), Input::Tick);
    }
    story.engine.drain(&mut story.out);
    assert!(story.states().contains(&("clock", "RTNUN")), "ten minutes later: {:?}", story.states());
}

#[test]
fn a_calibration_that_has_run_out_is_told_by_name() {
    let mut story = with_conditions(|settings| settings.probes[0].calibration_due = Some(at(86_400).utc));
    for hour in 0..96 {
        story.read(3_600 * hour, LEVEL, Raw::Number(2000.0));
    }
    let told: Vec<_> = story.out.journal.iter().filter(|r| r.subject == "calibration-overdue").collect();
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].message.starts_with("calibration overdue by 1 d: level. Calibrate"), "{told:?}");
    assert_eq!((told[0].kind, told[0].priority), (RecordKind::Alarm, Some("low")));
}

#[test]
fn a_limit_that_looks_ahead_speaks_before_the_other_one() {
    let mut story = with_conditions(|settings| {
        let of = |name: &str, setpoint, terms| LimitSettings {
            name: name.to_owned(),
            subject: Subject::Estimate(EstimateKind::Hardness),
            side: Side::High,
            setpoint,
            terms,
            ..settings.alarms.limits[0].clone()
        };
        let more = [of("hard", 2_000.0, Terms::Value), of("soon", 100.0, Terms::WithinDays(14.0))];
        settings.alarms.limits.extend(more);
    });
    for minute in 0..=240 {
        story.read(60 * minute, LEVEL, Raw::Number(2000.0));
        story.read(60 * minute + 1, CONDUCTIVITY, Raw::Number(1290.0));
    }
    let soon = story.out.journal.iter().find(|record| record.subject == "soon").expect("told");
    assert!(soon.message.contains("high limit 100 mg/L passed already"), "{soon:?}");
    assert!(!story.states().contains(&("hard", "UNACK")), "{:?}", story.states());
    let outlook = story.engine.outlook(SUMP).expect("hours of readings");
    assert_eq!(outlook.limits.len(), 2, "once a limit: {:?}", outlook.limits);
}

#[test]
fn a_bus_that_is_gone_is_an_alarm_of_the_gateway() {
    let key = FaultKey { fault: condition::Fault::Bus, of: "hall".to_owned() };
    let mut story = with_conditions(|settings| {
        let clock = settings.alarms.faults[0].clone();
        settings.alarms.faults.push(FaultSettings {
            key: key.clone(),
            on_delay: Duration::from_secs(60),
            ..clock
        });
    });
    story.engine.handle(at(0), Input::Fault(&key, true, "connection refused"));
    story.pass(61);
    story.engine.drain(&mut story.out);
    assert_eq!(story.states(), [("bus/hall", "UNACK")]);
    let record = &story.out.journal[0];
    assert_eq!((record.sump.as_ref(), record.kind, record.at), (None, RecordKind::Instrument, at(60).utc));
    let [view] = &story.engine.snapshot().alarms[..] else { panic!("one alarm of the gateway") };
    assert_eq!(view.id, "gateway/bus/hall");
    assert!(view.message.starts_with("nothing comes over bus hall: connection refused."), "{view:?}");
}
mod calibration;
mod notes;
mod reduced;
mod rounds;
mod standing_by;
mod succession;
