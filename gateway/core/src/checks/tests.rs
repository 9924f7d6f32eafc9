//! The plan as a story in days.

use proptest::prelude::*;

use super::settings::{Country, Workdays};
use super::view::date;
use super::*;
use crate::model::{SumpIndex, Uptime};

/// Monday, 2026-03-02, 08:00, and so many hours later.
fn hours(hours: u64) -> Now {
    let monday = Timestamp::parse("2026-03-02T08:00:00Z").unwrap();
    Now::simulated(monday.plus(Duration::from_secs(3600 * hours)))
}

fn days(days: u64) -> Now {
    hours(24 * days)
}

fn plan(country: Country) -> TestPlan {
    TestPlan::new(PlanSettings::of(country), Vec::new(), 1.0)
}

fn noted(kind: NoteKind, value: f64, now: Now) -> Note {
    Note { by: Some(Line::new("Kim", 80).unwrap()), ..Note::of(SumpIndex(0), now.utc, kind, value) }
}

fn overdue(plan: &TestPlan, now: Now) -> Vec<(Check, u32)> {
    plan.overdue(now).collect()
}

/// The day a check is due next.
fn due(plan: &TestPlan, check: Check, now: Now) -> String {
    date(plan.due(now).into_iter().find(|due| due.what == check).unwrap().due)
}

#[test]
fn a_new_plan_is_not_overdue_and_a_daily_look_rests_on_weekends() {
    let mut plan = plan(Country::Uk);
    plan.tick(days(0), ByProbe::default());
    assert_eq!(overdue(&plan, days(0)), []);
    assert_eq!(overdue(&plan, days(1)), [], "due the whole of Tuesday");
    assert_eq!(overdue(&plan, days(2)), [(Check::Look, 1)]);
    plan.note(days(4), &noted(NoteKind::Inspected, 1.0, days(4)));
    assert_eq!(due(&plan, Check::Look, days(4)), "2026-03-09", "Friday's is due again on Monday");
    assert_eq!(overdue(&plan, days(6)), []);
    assert_eq!(overdue(&plan, days(8))[0], (Check::Look, 1));
    plan.note(days(8), &noted(NoteKind::Odour, 2.0, days(8)));
    assert_eq!(due(&plan, Check::Look, days(8)), "2026-03-11", "who smells something has looked");
}

#[test]
fn a_weekly_check_is_due_on_the_day_a_week_later_and_overdue_the_day_after() {
    let mut plan = plan(Country::De);
    plan.note(days(0), &noted(NoteKind::Brix, 3.7, days(0)));
    let concentration = |plan: &TestPlan, now| {
        plan.overdue(now).find(|(check, _)| *check == Check::Concentration).map(|(_, days)| days)
    };
    assert_eq!(concentration(&plan, hours(7 * 24 + 15)), None, "Monday 23:00");
    assert_eq!(concentration(&plan, hours(7 * 24 + 16)), Some(1), "Tuesday 00:00");
    assert_eq!(concentration(&plan, days(17)), Some(10));
    // Written down on Thursday, read on Wednesday.
    plan.note(days(10), &noted(NoteKind::ConcentrationPercent, 5.2, days(9)));
    assert_eq!(due(&plan, Check::Concentration, days(10)), "2026-03-18");
    // An older sheet typed in later changes nothing.
    plan.note(days(10), &noted(NoteKind::Brix, 2.0, days(5)));
    assert_eq!(due(&plan, Check::Concentration, days(10)), "2026-03-18");
    let view = plan.view();
    let last = view.checks.iter().find(|c| c.check == "concentration").unwrap().last.as_ref().unwrap();
    assert_eq!(
        (last.text.as_str(), last.by.as_deref(), last.at.as_str()),
        ("5.2 %", Some("Kim"), "2026-03-11T08:00:00Z")
    );
}

#[test]
fn late_sheets_do_not_count_towards_the_memory_of_nitrite() {
    let mut plan = plan(Country::De);
    for (written, read, value, low) in [(10, 10, 5.0, 1), (10, 3, 4.0, 1), (17, 17, 4.0, 2), (24, 24, 3.0, 3)]
    {
        plan.note(days(written), &noted(NoteKind::Nitrite, value, days(read)));
        assert_eq!(plan.nitrite_low_in_a_row(), low, "written on {written}, read on {read}");
    }
    assert_eq!(due(&plan, Check::Nitrite, days(24)), "2026-04-23", "four weeks on");
}

#[test]
fn strips_of_one_day_are_one_test() {
    let mut plan = plan(Country::De);
    for (hour, value, low) in
        [(0, 5.0, 1), (1, 5.0, 1), (2, 6.0, 1), (24, 5.0, 2), (25, 12.0, 0), (26, 5.0, 0), (49, 5.0, 1)]
    {
        plan.note(hours(hour), &noted(NoteKind::Nitrite, value, hours(hour)));
        assert_eq!(plan.nitrite_low_in_a_row(), low, "after {hour} h");
    }
}

#[test]
fn a_set_clock_neither_raises_nor_clears() {
    let mut plan = plan(Country::Uk);
    plan.note(days(0), &noted(NoteKind::Inspected, 1.0, days(0)));
    let year = Duration::from_secs(366 * 86_400);
    let ahead = Now { utc: hours(1).utc.plus(year), ..hours(1) };
    assert_eq!(overdue(&plan, ahead), []);
    // What is noted by the new clock is as old as it says.
    plan.note(ahead, &Note::of(SumpIndex(0), ahead.utc, NoteKind::Ph, 9.1));
    let back = Now { utc: days(2).utc.minus(year), ..days(2) };
    assert_eq!(overdue(&plan, back), [(Check::Look, 1)], "two days have passed, whatever it shows");
    assert_eq!(plan.due(hours(2)).iter().find(|due| due.what == Check::Ph).unwrap().days, 7);
}

#[test]
fn a_restart_goes_on_where_it_stood() {
    let mut before = plan(Country::De);
    before.note(days(0), &noted(NoteKind::Nitrite, 5.0, days(0)));
    before.note(days(0), &noted(NoteKind::Inspected, 1.0, days(0)));
    let kept = before.save().unwrap();
    assert_eq!(before.save(), None, "nothing has changed since");
    // A week later, on a machine whose uptime begins anew.
    let later = Now { uptime: Uptime::from_nanos(1), utc: days(7).utc };
    let mut after = plan(Country::De);
    assert!(after.restore(&kept));
    after.tick(later, ByProbe::default());
    assert_eq!(after.nitrite_low_in_a_row(), 1);
    assert_eq!(overdue(&after, later), [(Check::Look, 6)]);
    assert_eq!(after.due(later), before.due(days(7)));
    assert!(after.knows(&noted(NoteKind::Nitrite, 5.0, days(0)), Duration::ZERO));
    // A clock that is wrong at the start makes nothing older than it was.
    let lost = Now { uptime: Uptime::from_nanos(1), utc: Timestamp::from_nanos(0) };
    let mut after = plan(Country::De);
    assert!(after.restore(&kept));
    after.tick(lost, ByProbe::default());
    assert_eq!(overdue(&after, lost), []);
}

#[test]
fn a_check_that_is_asked_for_a_year_later_is_not_a_year_overdue() {
    let mut before = plan(Country::Us);
    before.tick(days(0), ByProbe::default());
    let kept = before.save().unwrap();
    let mut after = plan(Country::De);
    assert!(after.restore(&kept));
    after.tick(days(364), ByProbe::default());
    assert!(!overdue(&after, days(371)).iter().any(|(check, _)| *check == Check::Nitrite));
    assert!(overdue(&after, days(372)).contains(&(Check::Nitrite, 1)));
    assert!(overdue(&after, days(372)).contains(&(Check::Ph, 365)), "asked for all the time and never done");
}

#[test]
fn a_note_that_comes_twice_is_known() {
    let mut plan = plan(Country::None);
    let first = noted(NoteKind::TopUpLitres, 40.0, days(0));
    plan.note(days(0), &first);
    assert!(plan.knows(&first, Duration::ZERO));
    let hour = Duration::from_secs(3600);
    for (other, within, known) in [
        (noted(NoteKind::TopUpLitres, 41.0, days(0)), hour, false),
        (noted(NoteKind::TopUpPercent, 40.0, days(0)), hour, false),
        (noted(NoteKind::TopUpLitres, 40.0, hours(1)), Duration::ZERO, false),
        (noted(NoteKind::TopUpLitres, 40.0, hours(1)), hour, true),
        (noted(NoteKind::TopUpLitres, 40.0, hours(2)), hour, false),
    ] {
        assert_eq!(plan.knows(&other, within), known, "{other:?}");
    }
    (1..=RECENT_MAX as u64).for_each(|n| plan.note(hours(n), &noted(NoteKind::Foam, 1.0, hours(n))));
    assert!(!plan.knows(&first, Duration::ZERO), "so many later it is forgotten");
}

#[test]
fn calibrations_are_due_by_their_date_or_by_the_last_one_noted() {
    let probe = |index, text: &str, due: Option<&str>| Calibration {
        probe: ProbeIndex(index),
        name: Name::new(text).unwrap(),
        due: due.map(|due| Timestamp::parse(due).unwrap()),
    };
    let probes = vec![probe(0, "ph", Some("2026-03-03T23:59:59Z")), probe(1, "level", None)];
    let mut plan = TestPlan::new(PlanSettings::default(), probes, 1.0);
    plan.tick(days(0), ByProbe::default());
    let out = |plan: &TestPlan, now| plan.calibrations_overdue(now).collect::<Vec<_>>();
    assert_eq!(out(&plan, days(1)), [], "its last day");
    assert_eq!(out(&plan, days(2)), [(ProbeIndex(0), 1)]);
    plan.note(days(2), &Note { probe: Some(ProbeIndex(0)), ..noted(NoteKind::Calibrated, 1.0, days(2)) });
    assert_eq!(out(&plan, days(92)), []);
    assert_eq!(out(&plan, days(93)), [(ProbeIndex(0), 1)], "after 90 days");
    let view = plan.view();
    assert_eq!(view.calibrations.len(), 1, "nobody asked for the level's");
    assert_eq!(
        (view.calibrations[0].probe.as_str(), view.calibrations[0].due.as_str()),
        ("ph", "2026-06-02")
    );
}

#[test]
fn workdays_are_counted_from_a_thursday() {
    let monday = day_of(days(0).utc.as_nanos());
    let weekend = Workdays::new([false, false, false, false, false, true, true]).unwrap();
    assert_eq!(weekend.next_from(monday), monday + 5);
    assert_eq!(weekend.next_from(monday + 6), monday + 6);
    assert_eq!(Workdays::new([false; 7]), None);
}

fn any_now() -> impl Strategy<Value = Now> {
    (any::<u64>(), any::<i64>())
        .prop_map(|(uptime, utc)| Now { uptime: Uptime::from_nanos(uptime), utc: Timestamp::from_nanos(utc) })
}

proptest! {
    #[test]
    fn no_clock_and_no_kept_bytes_make_it_panic(
        mut nows in proptest::collection::vec(any_now(), 1..6),
        bytes in proptest::collection::vec(any::<u8>(), 0..60),
        value in any::<f64>(),
        kind in proptest::sample::select(NoteKind::ALL.to_vec()),
    ) {
        let mut plan = plan(Country::De);
        plan.restore(&bytes);
        // Uptime is monotonic, whatever UTC does.
        nows.sort_by_key(|now| now.uptime);
        for now in nows {
            plan.note(now, &noted(kind, value, now));
            plan.tick(now, ByProbe::default());
            plan.view();
            // No number in it is not JSON.
            if let Some(kept) = plan.save() {
                prop_assert!(!value.is_finite() || plan.clone().restore(&kept));
            }
        }
    }
}
