//! Chapters from hand-made records and hours, counted by hand.

use std::time::Duration;

use jiff::civil::{Date, date};
use jiff::tz::TimeZone;

use super::*;
use crate::checks::Check;
use crate::checks::settings::{Country, PlanSettings};
use crate::estimate::note::NoteKind;
use crate::estimate::settings::{BoxPart, FluidSettings, SumpProbes, SumpSettings, TankShape, WaterSettings};
use crate::model::{Quality, Quantity, Reason};
use crate::store::Point;
use crate::store::rollup::Bucket;

const SUMP: SumpIndex = SumpIndex(0);

fn name(text: &str) -> Name {
    Name::new(text).expect("allowed characters")
}

/// Two sumps on one water, checked as in Germany.
fn settings() -> Settings {
    let sump = |of: &str| SumpSettings {
        name: name(of),
        title: format!("Title of {of}"),
        tank: TankShape::Boxes(vec![BoxPart {
            length_mm: 1000.0,
            width_mm: 500.0,
            floor_mm: 0.0,
            top_mm: 400.0,
        }]),
        fill_mark_mm: 300.0,
        pump_minimum_mm: None,
        holdup_l: 20.0,
        fluid: FluidSettings {
            name: name("semi"),
            refractometer_factor: 1.4,
            conductivity_curve: vec![(0.0, 560.0), (8.0, 1690.0)],
        },
        water: WaterSettings { name: name("mains"), hardness_mg_l: 240.0, conductivity_us_cm: None },
        fill_water: None,
        makeup_percent: None,
        chip_solid_percent: None,
        target_percent: 7.5,
        probes: SumpProbes::default(),
    };
    Settings {
        sumps: vec![sump("lathe-3"), sump("mill-1")],
        plans: vec![PlanSettings::of(Country::De); 2],
        estimate_every: Duration::from_secs(600),
        ..Settings::default()
    }
}

fn at(text: &str) -> Timestamp {
    Timestamp::parse(text).expect("RFC 3339")
}

fn vienna() -> Calendar {
    Calendar::new(TimeZone::get("Europe/Vienna").expect("in the database"))
}

fn event(time: &str, subject: &str, state: &str, value: Option<f64>, message: &str) -> JournalEntry {
    JournalEntry {
        id: 0,
        at: at(time),
        kind: "event".to_owned(),
        sump: Some("lathe-3".to_owned()),
        subject: subject.to_owned(),
        state: state.to_owned(),
        priority: None,
        value,
        message: message.to_owned(),
    }
}

fn note(time: &str, kind: &str, value: f64, by: &str) -> JournalEntry {
    event(time, "note", kind, Some(value), &format!("{kind} {value}, noted by {by}"))
}

fn alarm(time: &str, state: &str, message: &str) -> JournalEntry {
    JournalEntry {
        kind: "alarm".to_owned(),
        priority: Some("medium".to_owned()),
        ..event(time, "ph-low", state, Some(8.4), message)
    }
}

/// The chapter of lathe-3 in November 2026, as it stands a week later.
fn november(journal: &[JournalEntry], hours: &[Hours]) -> Chapter {
    let (settings, calendar) = (settings(), vienna());
    let now = at("2026-12-07T12:00:00Z");
    let material = Material { settings: &settings, calendar: &calendar, now, journal };
    chapter(&material, SUMP, Span::month_of(date(2026, 11, 1)), hours)
}

#[test]
fn days_are_those_on_the_wall() {
    let calendar = vienna();
    assert_eq!(calendar.day(at("2026-10-31T22:59:59Z")), date(2026, 10, 31));
    assert_eq!(calendar.day(at("2026-10-31T23:00:00Z")), date(2026, 11, 1));
    let clocks_back = Span { first: date(2026, 10, 25), last: date(2026, 10, 25) };
    let (from, until) = calendar.bounds(clocks_back);
    assert_eq!(until.since(from), Duration::from_hours(25));
    assert!(calendar.has_whole_hours(clocks_back));
    let kathmandu = Calendar::new(TimeZone::get("Asia/Kathmandu").expect("in the database"));
    assert!(!kathmandu.has_whole_hours(clocks_back), "a quarter to six ahead");
    let span = Span::new(date(2026, 1, 30), date(2026, 3, 2)).expect("in order");
    let months: Vec<(Date, Date)> = span.months().map(|span| (span.first, span.last)).collect();
    let expected = [
        (date(2026, 1, 30), date(2026, 1, 31)),
        (date(2026, 2, 1), date(2026, 2, 28)),
        (date(2026, 3, 1), date(2026, 3, 2)),
    ];
    assert_eq!(months, expected);
    assert_eq!(Span::new(date(2026, 3, 2), date(2026, 3, 1)), None);
}

#[test]
fn who_wrote_what_and_when_is_read_back() {
    let journal = [
        event(
            "2026-11-03T07:00:00Z",
            "note",
            "brix",
            Some(3.7),
            "concentration 5.18 % (Brix 3.7 × 1.4), target 7.5 %, noted by Kim on the lathe on \
             2026-11-03T09:00:00Z: from the nozzle: clear",
        ),
        note("2026-11-03T07:01:00Z", "odour", 2.0, "Kim on the lathe"),
        event("2026-11-30T23:30:00Z", "note", "ph", Some(9.0), ""),
    ];
    let chapter = november(&journal, &[]);
    assert_eq!(chapter.readings.len(), 2, "the last one is of December in Vienna");
    let brix = &chapter.readings[0];
    assert_eq!(brix.by.as_deref(), Some("Kim on the lathe"));
    assert_eq!(brix.text.as_deref(), Some("from the nozzle: clear"));
    let [row] = &chapter.record[..] else { panic!("one person on one day: {:?}", chapter.record) };
    assert_eq!((row.date, row.week), (date(2026, 11, 3), 45));
    assert_eq!(row.refractometer.as_deref(), Some("5.18 % (Brix 3.7 × 1.4)"));
    assert_eq!(row.perceptible.as_deref(), Some("odour: plainly"));
    assert_eq!((row.ph.as_deref(), row.nitrite.as_deref()), (None, None), "nobody measured it");
    assert_eq!(chapter.people["Kim on the lathe"]["refractometer"], 1);
}

#[test]
fn what_is_poured_counts_once() {
    let journal = [
        event("2026-11-02T08:00:00Z", "topup", "litres", Some(40.0), "topped up with 40 L"),
        event(
            "2026-11-02T08:00:00.000000001Z",
            "topup",
            "percent",
            Some(5.0),
            "topped up at 5.0 % (90 %: ± 0.8)",
        ),
        note("2026-11-02T08:30:00Z", "topup_l", 38.0, "Kim"),
        note("2026-11-02T08:31:00Z", "topup_percent", 5.5, "Kim"),
        note("2026-11-09T08:00:00Z", "topup_l", 20.0, "Kim"),
        note("2026-11-10T08:00:00Z", "topup_percent", 4.0, "Ali"),
        event("2026-11-20T08:00:00Z", "fill", "litres", Some(100.0), "filled with 100 L"),
        event(
            "2026-11-20T08:00:00.000000001Z",
            "fill",
            "percent",
            Some(8.0),
            "filled at 8.0 % (90 %: ± 0.3)",
        ),
        event("2026-11-20T06:00:00Z", "dump", "litres", Some(120.0), "pumped out, 120 L"),
    ];
    let chapter = november(&journal, &[]);
    let first = &chapter.poured[0];
    assert_eq!((first.litres(), first.percent()), (Some(40.0), Some(5.0)));
    assert_eq!((first.by.as_deref(), first.strength.as_str()), (Some("Kim"), "5.0 % (90 %: ± 0.8)"));
    assert_eq!(first.noted, Some(Poured { litres: Some(38.0), percent: Some(5.5) }));
    let all = chapter.consumption;
    assert_eq!(all.pours, (3, 1));
    assert_eq!(all.concentrate_l, Some(40.0 * 0.05 + 100.0 * 0.08));
    assert_eq!(all.water_l, Some(38.0 + 92.0));
    assert_eq!((all.unknown_l, all.unknown), (Some(20.0), 1), "no strength; no litres");
    assert_eq!(chapter.removed.len(), 1);
    let nothing = november(&[], &[]);
    assert_eq!(nothing.consumption.water_l, None, "not known is no zero");
}

#[test]
fn alarms_come_are_seen_and_go() {
    let journal = [
        alarm("2026-10-30T08:00:00Z", "UNACK", "pH 8.42, low limit 8.50. Check by hand."),
        alarm(
            "2026-11-01T08:00:00Z",
            "ACKED",
            "pH 8.42, low limit 8.50: acknowledged by Kim (strip says 8.6)",
        ),
        alarm("2026-11-02T08:00:00Z", "UNACK", "pH 8.30, low limit 8.50. Check by hand."),
        alarm("2026-11-04T08:00:00Z", "NORM", "pH 8.70, low limit 8.50: back to normal"),
        alarm("2026-11-05T08:00:00Z", "UNACK", "pH 8.40, low limit 8.50. Check by hand."),
        alarm("2026-11-05T09:00:00Z", "RTNUN", "pH 8.60, low limit 8.50: back to normal"),
        alarm("2026-11-05T10:00:00Z", "NORM", "pH 8.60, low limit 8.50: back to normal by Ali"),
        alarm("2026-11-06T08:00:00Z", "UNACK", "pH 8.40, low limit 8.50. Check by hand."),
        alarm("2026-11-06T09:00:00Z", "SHLVD", "pH 8.40: shelved until 2026-11-07T09:00:00Z by Kim (buffer)"),
        alarm("2026-11-30T08:00:00Z", "UNACK", "pH 8.40, low limit 8.50. Check by hand."),
        alarm("2026-12-02T08:00:00Z", "NORM", "pH 8.60: back to normal"),
    ];
    let chapter = november(&journal, &[]);
    let told: Vec<_> = (chapter.alarms.iter())
        .map(|a| {
            let seen = a.seen.as_ref().map(|(at, by)| (at.to_string(), by.clone().unwrap_or_default()));
            (a.came.to_string(), seen, a.went.map(|at| at.to_string()), a.again, a.stands())
        })
        .collect();
    let time = |day: &str| format!("2026-{day}:00:00Z");
    let seen = |day: &str, by: &str| Some((time(day), by.to_owned()));
    let expected = [
        (time("10-30T08"), seen("11-01T08", "Kim (strip says 8.6)"), Some(time("11-04T08")), 1, false),
        (time("11-05T08"), seen("11-05T10", "Ali"), Some(time("11-05T09")), 0, false),
        (time("11-06T08"), None, None, 0, false),
        (time("11-30T08"), None, None, 0, true),
    ];
    assert_eq!(told, expected);
    let summary = chapter.summary(&vienna());
    assert_eq!((summary.alarms["medium"], summary.standing), (3, 1), "one came in October");
    assert!(november(&journal[..4], &[]).alarms.len() == 1 && november(&journal[..1], &[]).alarms.len() == 1);
}

#[test]
fn checks_fall_due_are_done_and_missed() {
    let journal = [
        note("2026-10-26T07:00:00Z", "nitrite_mg_l", 5.0, "Kim"), // a Monday; due on 2 November
        note("2026-11-05T07:00:00Z", "nitrite_mg_l", 5.0, "Kim"), // three days late; due on the 12th
        note("2026-11-12T22:59:00Z", "nitrite_mg_l", 4.0, "Ali"), // a minute before midnight in Vienna; third low one
    ];
    let chapter = november(&journal, &[]);
    let nitrite = chapter.checks.iter().find(|line| line.check == Check::Nitrite).expect("asked for");
    assert_eq!(
        nitrite.done,
        [(date(2026, 11, 5), Some("Kim".to_owned())), (date(2026, 11, 12), Some("Ali".to_owned()))]
    );
    let late = Asked { due: date(2026, 11, 2), done: Some(date(2026, 11, 5)), over: true };
    let in_time = Asked { due: date(2026, 11, 12), done: Some(date(2026, 11, 12)), over: true };
    assert_eq!(nitrite.asked, [late, in_time], "after three low ones in a row the next has four weeks");
    assert_eq!(nitrite.missed().collect::<Vec<_>>(), [&late]);
    let ph = chapter.checks.iter().find(|line| line.check == Check::Ph).expect("asked for");
    // Asked for since the first record, 26 October; never done.
    assert_eq!(ph.asked, [Asked { due: date(2026, 11, 2), done: None, over: true }]);
    let (due, missed) = chapter.summary(&vienna()).checks;
    assert!(due > 2 && missed < due, "{due} {missed}");
}

#[test]
fn an_analysis_of_the_water_holds_for_every_sump_with_it() {
    let mut analysis = note("2026-08-01T07:00:00Z", "makeup_nitrate_mg_l", 18.0, "Lab");
    analysis.sump = Some("mill-1".to_owned());
    let chapter = november(&[analysis], &[]);
    let [hardness, nitrate, nitrite] = &chapter.sheet.water.noted;
    assert_eq!(nitrate.as_ref().map(|noted| noted.text.as_str()), Some("18 mg/L"));
    assert!(hardness.is_none() && nitrite.is_none(), "nobody measured them");
    assert_eq!(chapter.sheet.fill_l, Some(150.0));
    let line = chapter.checks.iter().find(|line| line.check == Check::MakeupNitrate).expect("asked for");
    assert_eq!(line.asked[0].due, date(2026, 10, 30), "90 days after the first of August");
}

fn hour(start: &str, values: &[f64]) -> Hour {
    let start = at(start);
    let point = |value: &f64| Point { at: start, raw: None, value: Some(*value), quality: Quality::GOOD };
    let bucket = values.iter().map(|value| Bucket::of(&point(value))).reduce(Bucket::merge).expect("some");
    Hour { start, bucket }
}

#[test]
fn hours_become_days_and_litres() {
    let silent = Point { at: at("2026-11-04T10:00:00Z"), raw: None, value: None, quality: Quality::WAITING };
    let values = vec![
        hour("2026-10-31T22:00:00Z", &[9.0]), // still October in Vienna
        hour("2026-10-31T23:00:00Z", &[1.0, 2.0, 3.0, 2.0, 2.0, 2.0]),
        hour("2026-11-01T10:00:00Z", &[5.0, 5.0, 5.0]),
        Hour { start: silent.at, bucket: Bucket::of(&silent) },
    ];
    let shifted = |by: f64| {
        let hours = values.iter().filter(|hour| hour.bucket.values.is_some());
        hours.map(move |h| Hour {
            start: h.start,
            bucket: hour("2026-11-01T10:00:00Z", &[h.bucket.values.expect("some").mean() + by]).bucket,
        })
    };
    let evaporation = Hours {
        of: EstimateKind::Evaporation.word().to_owned(),
        estimated: true,
        quantity: Quantity::Loss,
        ends: [shifted(-1.0).collect(), shifted(1.0).collect()],
        values,
    };
    let chapter = november(&[], &[evaporation]);
    let days = &chapter.series[0].days;
    assert_eq!(days.len(), 30);
    let first = days[0].figures.expect("values");
    assert_eq!((first.lowest, first.mean, first.highest, first.hours), (1.0, 3.0, 5.0, 2));
    assert_eq!(first.interval, Some((2.5, 4.5)));
    assert_eq!((days[1].figures, days[1].why), (None, ""), "nothing came");
    assert_eq!(
        (days[3].figures, days[3].why),
        (None, silent.quality.reason.text()),
        "something came without a value"
    );
    assert_ne!(silent.quality.reason, Reason::None);
    let loss = chapter.evaporation.expect("known for an hour and a half");
    // An hour of 2 L/h, half an hour of 5 L/h.
    assert_eq!((loss.litres, loss.hours, loss.of_hours), (4.5, 1.5, 720.0));
    assert_eq!(chapter.drag_out, None);
}

#[test]
fn what_lies_ahead_is_not_there() {
    let (settings, calendar) = (settings(), vienna());
    let now = at("2026-11-03T12:00:00Z");
    let journal = [note("2026-11-02T07:00:00Z", "ph", 9.1, "Kim")];
    let material = Material { settings: &settings, calendar: &calendar, now, journal: &journal };
    let of = |month| chapter(&material, SUMP, Span::month_of(date(2026, month, 1)), &[]);
    let november = of(11);
    assert_eq!(november.known, Span::new(date(2026, 11, 1), date(2026, 11, 3)));
    assert!(november.checks.iter().flat_map(|line| &line.asked).all(|asked| asked.due <= date(2026, 11, 3)));
    assert!(!november.checks.iter().any(|line| line.check == Check::Ph && line.missed().next().is_some()));
    let december = of(12);
    assert!(december.known.is_none() && december.checks.is_empty() && december.series.is_empty());
    assert_eq!(NoteKind::Ph.written(november.readings[0].value.expect("a number")), "9.1");
}
