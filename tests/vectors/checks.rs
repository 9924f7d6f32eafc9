//! The test plan against what the agencies say: how often, which limits, and the memory of nitrite row by row.

use std::time::Duration;

use sumpwarden_core::checks::settings::{Country, PlanSettings};
use sumpwarden_core::checks::verdict::{Bands, Judgement, judge};
use sumpwarden_core::checks::{ByProbe, Check, TestPlan};
use sumpwarden_core::estimate::note::{Note, NoteKind};
use sumpwarden_core::model::{Now, SumpIndex, Timestamp};
use sumpwarden_tests::vectors::Vectors;

const DAY: Duration = Duration::from_secs(86_400);

fn vectors() -> Vectors {
    Vectors::read("checks")
}

fn country(word: &str) -> PlanSettings {
    PlanSettings::of(Country::ALL.into_iter().find(|country| country.word() == word).expect("a country"))
}

fn word<T: serde::Serialize>(value: T) -> String {
    serde_json::to_value(value).expect("it has a word").as_str().expect("a text").to_owned()
}

#[test]
fn nitrite_remembers_its_last_results() {
    let settings = country("de");
    let mut plan = TestPlan::new(settings.clone(), Vec::new(), 1.0);
    let start = Timestamp::parse("2026-03-02T08:00:00Z").expect("RFC 3339");
    let mut case = String::new();
    let mut rows = 0;
    for row in vectors().rows("nitrite_interval_examples") {
        if row.text("case") != case {
            case = row.text("case").to_owned();
            plan = TestPlan::new(settings.clone(), Vec::new(), 1.0);
        }
        let what = format!("{case}, {}", row.integer("index"));
        // Each as late as the result before it allows.
        let now = Now::simulated(start.plus(28 * DAY * u32::try_from(row.integer("index")).expect("small")));
        let value = row.number("nitrite_mg_l");
        plan.note(now, &Note::of(SumpIndex(0), now.utc, NoteKind::Nitrite, value));
        assert_eq!(i64::from(plan.nitrite_low_in_a_row()), row.integer("consecutive_below_10"), "{what}");
        let due = plan.due(now).into_iter().find(|due| due.what == Check::Nitrite).expect("asked for");
        assert_eq!(due.days, row.integer("next_test_days_max"), "{what}");
        let verdict = judge(&settings, NoteKind::Nitrite, value).expect("a rule");
        let expected = match row.text("action") {
            "none" => Judgement::Fine,
            "watch" => Judgement::Watch,
            _ => Judgement::Act,
        };
        assert_eq!(verdict.judgement, expected, "{what}");
        rows += 1;
    }
    assert_eq!(rows, 21);
}

#[test]
fn dip_slides_fall_into_bands() {
    for row in vectors().rows("dip_slide_band_examples") {
        let count = row.number("cfu_per_ml");
        let verdict = judge(&country("uk"), NoteKind::DipSlide, count).expect("bands");
        assert_eq!(word(verdict.band.expect("bands")), row.text("band"), "{count}");
        assert_eq!(word(Bands::UK.of(count)), row.text("band"));
        let german = judge(&country("de"), NoteKind::DipSlide, count).expect("a rule");
        assert_eq!((german.band, german.judgement), (None, Judgement::Fine), "no limit can be set");
    }
}

#[test]
fn plans_ask_for_what_agencies_ask_for() {
    for row in vectors().rows("intervals") {
        let plan = country(row.text("country"));
        let check = Check::from_word(row.text("check")).expect("a check");
        let asked = plan.checks.iter().find(|asked| asked.check == check);
        let asked = asked.unwrap_or_else(|| panic!("{}", row.text("publisher")));
        assert_eq!(i64::from(asked.every_days), row.integer("every_days"), "{}", row.text("publisher"));
        let publisher = row.text("publisher").split(':').next().expect("a name");
        assert!(asked.source.starts_with(publisher), "{} beside {publisher}", asked.source);
    }
    for row in vectors().rows("not_asked_for") {
        let check = Check::from_word(row.text("check")).expect("a check");
        assert!(country(row.text("country")).checks.iter().all(|asked| asked.check != check));
    }
    assert_eq!(country("none").checks, []);
}

#[test]
fn results_are_judged_by_their_rule() {
    for row in vectors().rows("verdicts") {
        let kind = NoteKind::from_word(row.text("kind")).expect("a kind");
        let verdict = judge(&country("de"), kind, row.number("value")).expect("a rule");
        assert_eq!(
            word(verdict.judgement),
            row.text("judgement"),
            "{} {}",
            row.text("kind"),
            row.number("value")
        );
    }
}

/// A probe does not replace the check by hand (DGUV Regel 109-003, 7.1), unless the shop says so.
#[test]
fn a_ph_probe_does_not_replace_the_strip() {
    let at = |days: u32| {
        Now::simulated(Timestamp::parse("2026-03-02T08:00:00Z").expect("RFC 3339").plus(DAY * days))
    };
    let read = ByProbe { ph: true, concentration: true };
    for (by_probe, overdue) in [(false, true), (true, false)] {
        let mut settings = country("de");
        settings.checks.iter_mut().for_each(|check| check.by_probe = by_probe && check.check == Check::Ph);
        let mut plan = TestPlan::new(settings, Vec::new(), 1.0);
        (0..=9).for_each(|day| plan.tick(at(day), read));
        assert_eq!(plan.overdue(at(9)).any(|(check, _)| check == Check::Ph), overdue);
        assert!(plan.overdue(at(9)).any(|(check, _)| check == Check::Concentration), "nobody allowed it");
    }
}
