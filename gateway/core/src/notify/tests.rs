//! Stories of the router, and a shop full of random ones: whatever happens, rows go out in order, none is lost, nothing ends
//! before it began, and a restart at any point changes nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use jiff::civil::Time;
use proptest::prelude::*;

use super::dispatch::{Decision, Dispatch, EXPIRE_GRACE, Outcome, RETRY};
use super::quiet::QuietHours;
use super::settings::{ReceiverSettings, Way, WebhookSettings};
use super::words::{PAGER_CHARS_MAX, compose, test_message};
use super::{Action, OutboxEntry, OutboxRow, Reached, Router};
use crate::acquire::settings::Secret;
use crate::alarm::notice::{Change, Facts, Notice};
use crate::alarm::settings::{Priority, Side};
use crate::model::line::clean;
use crate::model::{Name, Now, Timestamp, Uptime};

fn name(text: &str) -> Name {
    Name::new(text).expect("a name")
}

fn receiver(text: &str, step: u8) -> ReceiverSettings {
    let url = Secret::new("https://chat.example/hook".to_owned());
    let way = Way::Webhook(WebhookSettings::to(url));
    ReceiverSettings { step, ..ReceiverSettings::new(name(text), way) }
}

fn notice(alarm: &str, occurrence: u64, sequence: u32, change: Change, priority: Priority) -> Notice {
    let sump = alarm.split_once('/').map(|(sump, _)| sump).filter(|sump| *sump != "gateway");
    Notice {
        alarm: alarm.to_owned(),
        occurrence,
        sequence,
        change,
        at_ns: 1_772_000_000_000_000_000 + i64::from(sequence),
        priority,
        sump: sump.map(str::to_owned),
        title: "Lathe 1".to_owned(),
        by: None,
        why: None,
        facts: Facts::Limit {
            quantity: "ph".to_owned(),
            estimate: None,
            side: Side::Low,
            setpoint: 8.6,
            value: Some(8.42),
            interval: None,
            probability: None,
            ahead_days: None,
        },
    }
}

fn second(seconds: u64) -> Now {
    let up = Uptime::from_nanos(seconds * 1_000_000_000);
    Now { uptime: up, utc: Timestamp::from_millis(1_772_000_000_000 + seconds as i64 * 1000) }
}

fn told(entries: &[OutboxEntry]) -> Vec<(&str, Action, u32)> {
    entries.iter().map(|one| (one.receiver.as_str(), one.action, one.sequence)).collect()
}

fn shift(steps: &[(&str, u8)]) -> Router {
    Router::new(steps.iter().map(|(name, step)| receiver(name, *step)).collect(), "hall-2".to_owned())
}

const PH: &str = "lathe-1/ph-low";

#[test]
fn nobody_acknowledges_and_the_next_is_told_until_somebody_does() {
    let mut router = shift(&[("setter", 0), ("lead", 1)]);
    let raised = router.changed(second(0), &notice(PH, 7, 1, Change::Raised, Priority::High));
    assert_eq!(told(&raised), [("setter", Action::Raise, 1)]);
    assert_eq!(raised[0].key, "hall-2/lathe-1/ph-low#7");
    assert_eq!(router.poll_timeout(), Some(second(300).uptime));
    assert_eq!(router.tick(second(299)), []);
    let both = [("setter", Action::Escalate, 2), ("lead", Action::Escalate, 2)];
    assert_eq!(told(&router.tick(second(300))), both);
    assert_eq!(
        told(&router.tick(second(600))),
        [("lead", Action::Escalate, 3)],
        "5 min after the first time"
    );
    assert_eq!(told(&router.tick(second(900))), [("setter", Action::Escalate, 4)], "intervals grow");
    let seen = router.changed(second(901), &notice(PH, 7, 2, Change::Acknowledged, Priority::High));
    assert_eq!(told(&seen), [("lead", Action::Acknowledge, 5), ("setter", Action::Acknowledge, 5)]);
    assert_eq!(router.poll_timeout(), None);
    assert_eq!(router.tick(second(9_999)), []);
    let over = router.changed(second(10_000), &notice(PH, 7, 3, Change::Ended, Priority::High));
    assert_eq!(told(&over), [("lead", Action::End, 6), ("setter", Action::End, 6)]);
    assert_eq!(router.changed(second(10_001), &notice(PH, 7, 3, Change::Ended, Priority::High)), []);
}

#[test]
fn what_comes_and_goes_while_nobody_acknowledges_still_reaches_the_next() {
    let mut router = shift(&[("setter", 0), ("lead", 1)]);
    let mut sequence = 0;
    let mut change = |router: &mut Router, at: u64, change| {
        sequence += 1;
        router.changed(second(at), &notice(PH, 7, sequence, change, Priority::High))
    };
    change(&mut router, 0, Change::Raised);
    change(&mut router, 120, Change::Returned);
    assert_eq!(router.poll_timeout(), None, "while it is over nobody is asked");
    change(&mut router, 180, Change::Raised);
    change(&mut router, 290, Change::Returned);
    change(&mut router, 360, Change::Raised);
    let due = router.tick(second(360));
    assert!(told(&due).iter().any(|(who, ..)| *who == "lead"), "five minutes after the first time: {due:?}");
    assert!(router.poll_timeout().is_some_and(|due| due > second(360).uptime));
}

#[test]
fn what_is_configured_away_is_over_for_those_who_were_told() {
    let mut router = shift(&[("setter", 0)]);
    router.changed(second(0), &notice(PH, 7, 1, Change::Raised, Priority::High));
    router.changed(second(0), &notice("mill-1/gone", 2, 1, Change::Raised, Priority::High));
    let over = router.keep_only(second(10), |alarm, occurrence| (alarm, occurrence) == (PH, 7));
    let [entry] = &over[..] else { panic!("one is over: {over:?}") };
    assert_eq!((entry.key.as_str(), entry.action), ("hall-2/mill-1/gone#2", Action::End));
    assert_eq!(told(&router.tick(second(300))), [("setter", Action::Escalate, 2)], "the other goes on");
    assert!(router.keep_only(second(301), |_, _| true).is_empty());
}

#[test]
fn low_priority_never_escalates_and_who_does_not_ask_for_it_hears_nothing() {
    let mut router = shift(&[("setter", 0), ("lead", 1)]);
    let raised = router.changed(second(0), &notice(PH, 1, 1, Change::Raised, Priority::Low));
    assert_eq!(told(&raised), [("setter", Action::Raise, 1)]);
    assert_eq!(router.poll_timeout(), None);

    let mut only_mill = receiver("mill-team", 0);
    only_mill.sumps = Some(BTreeSet::from([name("mill-1")]));
    only_mill.gateway = false;
    let mut urgent_only = receiver("night", 0);
    urgent_only.least = Priority::High;
    urgent_only.returns = false;
    let mut router = Router::new(vec![only_mill, urgent_only], "hall-2".to_owned());
    assert_eq!(router.changed(second(0), &notice(PH, 1, 1, Change::Raised, Priority::Medium)), []);
    let raised = router.changed(second(0), &notice("mill-1/level-low", 1, 1, Change::Raised, Priority::High));
    let both = [("mill-team", Action::Raise, 1), ("night", Action::Raise, 1)];
    assert_eq!(told(&raised), both);
    let over = router.changed(second(5), &notice("mill-1/level-low", 1, 2, Change::Returned, Priority::High));
    assert_eq!(told(&over), [("mill-team", Action::End, 2)]);
    let fault = notice("gateway/bus/line-1", 1, 1, Change::Raised, Priority::High);
    assert_eq!(told(&router.changed(second(6), &fault)), [("night", Action::Raise, 1)]);
    let itself = notice("gateway/receiver/night", 1, 1, Change::Raised, Priority::High);
    assert_eq!(router.changed(second(6), &itself), [], "nobody is told over a line that the line is dead");
}

#[test]
fn a_message_refused_for_good_goes_to_the_next_at_once() {
    let mut router = shift(&[("setter", 0), ("lead", 1), ("deputy", 1), ("boss", 2)]);
    let raised = router.changed(second(0), &notice(PH, 1, 1, Change::Raised, Priority::Low));
    let key = raised[0].key.clone();
    let next = router.failed(&name("setter"), &key, second(1));
    assert_eq!(told(&next), [("lead", Action::Escalate, 2), ("deputy", Action::Escalate, 2)]);
    assert_eq!(told(&router.failed(&name("lead"), &key, second(2))), [("boss", Action::Escalate, 3)]);
    assert_eq!(router.failed(&name("boss"), &key, second(3)), [], "there is nobody left");
    assert_eq!(router.failed(&name("setter"), "hall-2/other#1", second(3)), []);
    router.changed(second(4), &notice(PH, 1, 2, Change::Acknowledged, Priority::Low));
    assert_eq!(router.failed(&name("setter"), &key, second(5)), [], "somebody has seen it");
}

#[test]
fn a_new_occurrence_ends_the_one_before_and_shelving_keeps_the_key() {
    let mut router = shift(&[("setter", 0)]);
    router.changed(second(0), &notice(PH, 1, 1, Change::Raised, Priority::Medium));
    let held = router.changed(second(1), &notice(PH, 1, 2, Change::Withheld, Priority::Medium));
    assert_eq!(told(&held), [("setter", Action::Withhold, 2)]);
    assert_eq!(router.poll_timeout(), None);
    let back = router.changed(second(2), &notice(PH, 1, 3, Change::Raised, Priority::Medium));
    assert_eq!(told(&back), [("setter", Action::Raise, 3)]);
    let next = router.changed(second(3), &notice(PH, 2, 1, Change::Raised, Priority::Medium));
    assert_eq!(told(&next), [("setter", Action::End, 4), ("setter", Action::Raise, 1)]);
    assert_eq!(
        (next[0].key.as_str(), next[1].key.as_str()),
        ("hall-2/lathe-1/ph-low#1", "hall-2/lathe-1/ph-low#2")
    );
    let late = notice(PH, 1, 9, Change::Ended, Priority::Medium);
    assert_eq!(router.changed(second(4), &late), [], "the older one is over");
}

#[test]
fn a_key_is_never_longer_than_receivers_take() {
    let mut router = shift(&[("setter", 0)]);
    let keys: Vec<String> = ["ä", "ö"]
        .map(|end| {
            let alarm = format!("lathe-1/{}{end}", "ü".repeat(400));
            router.changed(second(0), &notice(&alarm, u64::MAX, 1, Change::Raised, Priority::Low))[0]
                .key
                .clone()
        })
        .into();
    assert!(keys.iter().all(|key| key.chars().count() == 255 && key.ends_with("#18446744073709551615")));
    assert_ne!(keys[0], keys[1], "names that differ only at their end");
}

/// What is due is kept through a restart, by the clock that went on; a step of the other changes nothing.
#[test]
fn a_restart_and_a_clock_step_neither_hasten_nor_delay_the_next_step() {
    let raise = |router: &mut Router| {
        router.changed(second(1_000), &notice(PH, 1, 1, Change::Raised, Priority::High));
        router.save(second(1_000)).expect("changed").1
    };
    let mut before = shift(&[("setter", 0), ("lead", 1)]);
    let saved = raise(&mut before);
    assert_eq!(before.save(second(1_001)), None, "nothing has changed since");
    let hour = 3_600_000_000_000;
    for step in [0, hour, -hour] {
        let stepped = |seconds: u64| {
            let now = second(seconds);
            Now { utc: Timestamp::from_nanos(now.utc.as_nanos() + step), ..now }
        };
        let mut after = shift(&[("setter", 0), ("lead", 1)]);
        after.restore(stepped(1_120), &saved).expect("what was saved");
        assert_eq!(after.poll_timeout(), Some(second(1_300).uptime));
        assert_eq!(after.tick(stepped(1_299)), []);
        assert_eq!(told(&after.tick(stepped(1_300))).len(), 2);
    }
    // The machine was restarted: its monotonic clock began anew 20 s ago, two minutes have passed by the other.
    let mut after = shift(&[("lead", 1)]);
    let now = Now { uptime: second(20).uptime, utc: second(1_120).utc };
    after.restore(now, &saved).expect("what was saved");
    assert_eq!(after.poll_timeout(), Some(second(200).uptime));
    let due = Now { uptime: second(200).uptime, utc: second(1_300).utc };
    assert_eq!(told(&after.tick(due)), [("lead", Action::Escalate, 2)], "the setter is no longer configured");
    let broken = shift(&[]).restore(now, b"{\"version\":9,\"uptime_ns\":0,\"utc_ns\":0,\"open\":{}}");
    assert!(broken.is_err_and(|error| error.to_string().contains("version 9")));
}

fn row(id: i64, key: &str, sequence: u32, action: Action, priority: Priority, at: Timestamp) -> OutboxRow {
    let change = if action == Action::End { Change::Ended } else { Change::Raised };
    let body = serde_json::to_string(&notice(key, 1, sequence, change, priority)).expect("JSON");
    let entry =
        OutboxEntry { receiver: name("setter"), key: key.to_owned(), sequence, action, priority, at, body };
    OutboxRow { id, entry, attempts: 0 }
}

fn trigger(id: i64, key: &str, priority: Priority) -> OutboxRow {
    row(id, key, 1, Action::Raise, priority, second(0).utc)
}

#[test]
fn a_burst_goes_as_one_message_and_what_is_urgent_does_not_wait_for_company() {
    let mut dispatch = Dispatch::new(receiver("setter", 0), 7);
    dispatch.take(second(0).uptime, vec![trigger(1, "a", Priority::Low)]);
    dispatch.take(second(4).uptime, vec![trigger(2, "b", Priority::Medium)]);
    assert_eq!(dispatch.next(second(4)), Decision::Wait(Some(second(10).uptime)));
    assert_eq!(dispatch.next(second(10)), Decision::Send(vec![1, 2]));
    dispatch.settle(second(10).uptime, &[1, 2], Outcome::Taken);
    dispatch.take(second(11).uptime, vec![trigger(3, "c", Priority::High)]);
    assert_eq!(dispatch.next(second(11)), Decision::Wait(Some(second(20).uptime)), "one message in 10 s");
    assert_eq!(dispatch.next(second(20)), Decision::Send(vec![3]));
    dispatch.settle(second(20).uptime, &[3], Outcome::Taken);
    dispatch.take(second(60).uptime, vec![trigger(4, "d", Priority::High)]);
    assert_eq!(dispatch.next(second(60)), Decision::Send(vec![4]), "at once");
}

#[test]
fn after_an_outage_the_most_urgent_alarms_come_first_and_each_in_order() {
    let mut dispatch = Dispatch::new(receiver("setter", 0), 7);
    let mut rows: Vec<OutboxRow> =
        (1..=300).map(|id| trigger(id, &format!("low-{id}"), Priority::Low)).collect();
    rows.push(row(301, "low-1", 2, Action::End, Priority::Low, second(0).utc));
    rows.push(trigger(302, "high", Priority::High));
    dispatch.take(second(0).uptime, rows);
    let Decision::Send(first) = dispatch.next(second(0)) else { panic!("urgent") };
    assert!(first.len() == 200 && first.contains(&302) && first.contains(&1) && first.contains(&301));
    dispatch.settle(second(0).uptime, &first, Outcome::Taken);
    let Decision::Send(rest) = dispatch.next(second(10)) else { panic!("due") };
    assert_eq!(first.len() + rest.len(), 302);
    dispatch.settle(second(10).uptime, &rest[..2], Outcome::TooLarge);
    assert!(matches!(dispatch.next(second(10)), Decision::Send(ids) if ids.len() == 1));
}

#[test]
fn quiet_hours_hold_back_and_their_end_tells_the_latest_of_each_alarm_once() {
    let mut settings = receiver("setter", 0);
    let hour = |h| Time::constant(h, 0, 0, 0);
    settings.quiet =
        Some(QuietHours { from: hour(22), to: hour(6), weekdays: [true; 7], through: Priority::High });
    let at = |text: &str| {
        let utc = Timestamp::parse(text).expect("RFC 3339");
        Now { uptime: Uptime::from_nanos(utc.as_nanos() as u64), utc }
    };
    let night = at("2026-03-01T23:00:00Z");
    let mut dispatch = Dispatch::new(settings.clone(), 7);
    let rows = vec![
        row(1, "lathe-1/ph", 1, Action::Raise, Priority::Medium, night.utc),
        row(2, "mill-1/ph", 1, Action::Raise, Priority::Medium, night.utc),
        row(3, "lathe-1/ph", 2, Action::End, Priority::Medium, night.utc),
    ];
    dispatch.take(night.uptime, rows);
    assert_eq!(dispatch.next(night), Decision::Wait(Some(at("2026-03-02T06:00:00Z").uptime)));
    dispatch.take(night.uptime, vec![row(4, "lathe-1/level", 1, Action::Raise, Priority::High, night.utc)]);
    assert_eq!(dispatch.next(night), Decision::Send(vec![4]), "this gets through");
    dispatch.settle(night.uptime, &[4], Outcome::Taken);
    let morning = at("2026-03-02T06:00:00Z");
    assert_eq!(dispatch.next(morning), Decision::Send(vec![1, 2, 3]));
    let composed = compose(&name("hall-2"), &settings, &dispatch.rows(&[1, 2, 3]), |_| None);
    let latest: Vec<_> = composed.latest.iter().map(|one| (one.key.as_str(), one.action)).collect();
    assert_eq!(latest, [("mill-1/ph", Action::Raise), ("lathe-1/ph", Action::End)]);
    assert_eq!(composed.items.len(), 3, "machines get every row");
}

#[test]
fn what_is_too_old_expires_but_not_because_the_clock_was_set() {
    let mut dispatch = Dispatch::new(receiver("setter", 0), 7);
    let old = row(1, "a", 1, Action::Raise, Priority::Low, Timestamp::from_nanos(0));
    dispatch.take(second(0).uptime, vec![old, trigger(2, "b", Priority::Low)]);
    assert_eq!(
        dispatch.next(second(10)),
        Decision::Send(vec![1, 2]),
        "stamped in 1970, and new all the same"
    );
    dispatch.settle(second(10).uptime, &[1, 2], later(None));
    assert_eq!(dispatch.next(second(EXPIRE_GRACE.as_secs())), Decision::Expire(vec![1]));
    dispatch.remove(&[1]);
    assert_eq!(dispatch.rows(&[1, 2]).len(), 1);
}

/// Two hours without a receiver, 500 changes of 50 alarms meanwhile: one wait (five minutes at most), then a message in ten
/// seconds until all have arrived, each alarm's in order.
#[test]
fn after_two_hours_away_everything_arrives_within_minutes() {
    for seed in 1..5_u64 {
        let mut dispatch = Dispatch::new(receiver("setter", 0), seed);
        let mut arrived: Vec<(String, u32)> = Vec::new();
        let (mut ended, mut not_before) = (0, Uptime::default());
        for now in 0..8_000_u64 {
            let (count, next) = (now * 500 / 7_200, (now + 1) * 500 / 7_200);
            if now < 7_200 && next > count {
                let (alarm, sequence) = (count % 50, count as u32 / 50 + 1);
                let id = count as i64 + 1;
                let key = format!("sump-{alarm}/ph");
                let new = row(id, &key, sequence, Action::Raise, Priority::Medium, second(now).utc);
                dispatch.take(second(now).uptime, vec![new]);
            }
            if second(now).uptime < not_before {
                continue;
            }
            let ids = match dispatch.next(second(now)) {
                Decision::Send(ids) => ids,
                Decision::Wait(until) => {
                    not_before = until.unwrap_or_default();
                    continue;
                }
                Decision::Expire(ids) => panic!("{ids:?} are not that old"),
            };
            if now < 7_200 {
                dispatch.settle(second(now).uptime, &ids, later(None));
                continue;
            }
            arrived.extend(dispatch.rows(&ids).iter().map(|one| (one.entry.key.clone(), one.entry.sequence)));
            dispatch.settle(second(now).uptime, &ids, Outcome::Taken);
            ended = now;
        }
        assert_eq!(arrived.len(), 500);
        assert!(ended <= 7_200 + RETRY.1.as_secs() + 30, "{} s after it came back", ended - 7_200);
        for alarm in 0..50 {
            let key = format!("sump-{alarm}/ph");
            let numbers = arrived.iter().filter(|(one, _)| *one == key).map(|(_, number)| *number);
            assert!(numbers.eq(1..=10), "{key} out of order");
        }
    }
}

#[test]
fn texts_say_what_how_sure_what_to_do_by_when_and_what_to_mind() {
    let settings = receiver("setter", 0);
    let one = row(1, "lathe-1/ph-low", 1, Action::Raise, Priority::Medium, second(0).utc);
    let link = |_: &Notice| Some("https://sumps.example/acknowledge/TOKEN".to_owned());
    let composed = compose(&name("hall-2"), &settings, &[&one], link);
    for part in [
        "Lathe 1: pH 8.42, low limit 8.60",
        "Do now: Check by hand",
        "By when: within the day",
        "Mind: ",
        "TOKEN",
    ] {
        assert!(composed.text.contains(part), "{part} in {}", composed.text);
    }
    assert_eq!(composed.subject, "hall-2: Lathe 1: pH 8.42, low limit 8.60");
    let many: Vec<OutboxRow> = (1..=14).map(|id| trigger(id, &format!("s-{id}/ph"), Priority::Low)).collect();
    let composed = compose(&name("hall-2"), &settings, &many.iter().collect::<Vec<_>>(), |_| None);
    assert!(composed.text.ends_with("and 4 more\n") && composed.items.len() == 14, "{}", composed.text);
    assert!(test_message(&name("hall-2"), &settings).test);
}

#[test]
fn a_pager_text_keeps_sump_what_and_what_to_do_in_160_plain_characters() {
    let mut settings = receiver("setter", 0);
    settings.pager = true;
    let mut one = notice("lathe-1/hardness", 1, 1, Change::Raised, Priority::High);
    one.title = "Lathe “one” with an {extremely} long name \u{1f600} in hall two".to_owned();
    let mut first = trigger(1, "lathe-1/hardness", Priority::High);
    first.entry.body = serde_json::to_string(&one).expect("JSON");
    first.entry.action = Action::Escalate;
    let second = trigger(2, "mill-1/ph", Priority::Low);
    let text = compose(&name("hall-2"), &settings, &[&first, &second], |_| None).text;
    assert_eq!(
        text,
        "AGAIN Lathe \"one\" with an.: pH 8.42, low limit 8.60. Check by hand, look for floating oil and smell, take a dip \
         slide. +1 more"
    );
    for facts in every_kind_of_facts() {
        one.facts = facts;
        first.entry.body = serde_json::to_string(&one).expect("JSON");
        let text = compose(&name("hall-2"), &settings, &[&first], |_| None).text;
        assert!(text.chars().count() <= PAGER_CHARS_MAX, "{text}");
        assert!(!text.contains(['°', 'µ', '{', '…', '“']), "{text}");
    }
}

fn every_kind_of_facts() -> Vec<Facts> {
    let conditions = crate::alarm::condition::Condition::ALL.iter().map(|condition| Facts::Condition {
        condition: condition.word().to_owned(),
        value: Some(12.345),
        detail: "a detail of more than a few words, as somebody may have written it down".to_owned(),
    });
    let faults = crate::alarm::condition::Fault::ALL.iter().map(|fault| Facts::Fault {
        fault: fault.word().to_owned(),
        of: "line-1".to_owned(),
        detail: "connection refused (os error 111) {while} connecting to a device far away".to_owned(),
    });
    conditions.chain(faults).collect()
}

#[test]
fn untrusted_text_stays_on_one_line_and_short() {
    assert_eq!(clean("a\r\nBcc: b\u{1b}[31m\u{202e}c\u{2028}d", 99), "a  Bcc: b [31m c d");
    assert_eq!(clean("abcdef", 4), "abc…");
}

/// It failed for now, and the other side asked for this wait.
fn later(asked: Option<Duration>) -> Outcome {
    Outcome::Later("503".to_owned(), asked)
}

proptest! {
    #[test]
    fn waits_stay_within_their_bounds(failures in 0u32..80, asked in proptest::option::of(0u64..100_000), seed: u64) {
        let mut dispatch = Dispatch::new(receiver("setter", 0), seed);
        (0..failures).for_each(|_| _ = dispatch.settle(second(0).uptime, &[], later(None)));
        dispatch.settle(second(0).uptime, &[], later(asked.map(Duration::from_secs)));
        let wait = dispatch.not_before().since(second(0).uptime);
        let ceiling = RETRY.0.saturating_mul(1 << failures.min(30)).min(RETRY.1);
        prop_assert!(wait <= RETRY.1);
        match asked {
            None => prop_assert!(wait <= ceiling),
            Some(asked) => prop_assert!(wait >= Duration::from_secs(asked).min(RETRY.1)),
        }
    }
}

/// What may happen next in the random shop.
#[derive(Clone, Debug)]
enum Step {
    /// This alarm goes on to its next change, or comes up.
    Change(u8, Change),
    /// So many seconds pass.
    Pass(u16),
    /// What the other side says to the next messages.
    Answer(Answer),
    /// The gateway is killed and starts again; what a message in flight came to is not known.
    Restart,
}

#[derive(Clone, Copy, PartialEq, Debug)]
enum Answer {
    Taken,
    Later,
    Refused,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let change = prop_oneof![
        4 => Just(Change::Raised), 2 => Just(Change::Acknowledged), 2 => Just(Change::Returned),
        2 => Just(Change::Ended), 1 => Just(Change::Withheld)
    ];
    let answer = prop_oneof![4 => Just(Answer::Taken), 3 => Just(Answer::Later), 1 => Just(Answer::Refused)];
    let step = prop_oneof![
        6 => (0u8..5, change).prop_map(|(alarm, change)| Step::Change(alarm, change)),
        4 => (1u16..2_000).prop_map(Step::Pass),
        2 => answer.prop_map(Step::Answer),
        1 => Just(Step::Restart),
    ];
    proptest::collection::vec(step, 1..80)
}

/// The shop: alarms, a router, its outbox and one dispatch a receiver.
struct World {
    router: Router,
    saved: Option<Vec<u8>>,
    outbox: Vec<(OutboxRow, &'static str)>,
    dispatches: BTreeMap<String, Dispatch>,
    /// Occurrence, sequence, whether it is over.
    alarms: BTreeMap<u8, (u64, u32, bool)>,
    /// Receiver, key, sequence, action in the order the other side got them, with when.
    got: Vec<(String, String, u32, Action, u64, Priority)>,
    answer: Answer,
    now: u64,
}

fn shop() -> Vec<ReceiverSettings> {
    let mut night = receiver("setter", 0);
    let hour = |h| Time::constant(h, 0, 0, 0);
    night.quiet =
        Some(QuietHours { from: hour(22), to: hour(6), weekdays: [true; 7], through: Priority::High });
    vec![night, receiver("lead", 1), receiver("boss", 2)]
}

impl World {
    fn new() -> Self {
        let dispatches =
            shop().into_iter().map(|one| (one.name.to_string(), Dispatch::new(one, 7))).collect();
        Self {
            router: Router::new(shop(), "hall-2".to_owned()),
            saved: None,
            outbox: Vec::new(),
            dispatches,
            alarms: BTreeMap::new(),
            got: Vec::new(),
            answer: Answer::Taken,
            now: 1_000,
        }
    }

    /// Rows and the router's state become durable together.
    fn commit(&mut self, entries: Vec<OutboxEntry>) {
        for entry in entries {
            let twice = self.outbox.iter().any(|(row, _)| {
                let same = &row.entry;
                (&same.receiver, &same.key, same.sequence, same.action)
                    == (&entry.receiver, &entry.key, entry.sequence, entry.action)
            });
            assert!(!twice, "{entry:?} would be ignored as a duplicate");
            let row = OutboxRow { id: self.outbox.len() as i64 + 1, entry, attempts: 0 };
            let receiver = row.entry.receiver.to_string();
            let uptime = second(self.now).uptime;
            self.dispatches.get_mut(&receiver).expect("configured").take(uptime, vec![row.clone()]);
            self.outbox.push((row, "pending"));
        }
        if let Some((_, body)) = self.router.save(second(self.now)) {
            self.saved = Some(body);
        }
    }

    fn step(&mut self, step: &Step) {
        match step {
            Step::Change(alarm, change) => {
                let (occurrence, sequence, over) = self.alarms.entry(*alarm).or_insert((0, 0, true));
                if *over && *change != Change::Raised {
                    return;
                }
                // Now and then the end of the one before is missed.
                if *over || *change == Change::Raised && *sequence % 3 == 0 {
                    (*occurrence, *sequence) = (*occurrence + 1, 0);
                }
                *sequence += 1;
                *over = *change == Change::Ended;
                let priority = [Priority::Low, Priority::Medium, Priority::High][usize::from(alarm % 3)];
                let what = notice(&format!("sump-{alarm}/ph"), *occurrence, *sequence, *change, priority);
                let rows = self.router.changed(second(self.now), &what);
                assert_eq!(self.router.changed(second(self.now), &what), [], "the same change again");
                self.commit(rows);
            }
            Step::Pass(seconds) => self.pass(u64::from(*seconds)),
            Step::Answer(answer) => self.answer = *answer,
            Step::Restart => self.restart(),
        }
    }

    /// Goes from one thing that is due to the next.
    fn pass(&mut self, seconds: u64) {
        let end = self.now + seconds;
        while self.now < end {
            let rows = self.router.tick(second(self.now));
            self.commit(rows);
            self.send();
            self.now += 1;
        }
    }

    fn send(&mut self) {
        let now = second(self.now);
        for receiver in self.dispatches.keys().cloned().collect::<Vec<_>>() {
            let dispatch = self.dispatches.get_mut(&receiver).expect("configured");
            let Decision::Send(ids) = dispatch.next(now) else { continue };
            match self.answer {
                Answer::Taken => {
                    for row in dispatch.rows(&ids) {
                        let one = &row.entry;
                        let (key, priority) = (one.key.clone(), one.priority);
                        self.got.push((receiver.clone(), key, one.sequence, one.action, self.now, priority));
                    }
                    dispatch.settle(now.uptime, &ids, Outcome::Taken);
                    self.mark(&ids, "delivered");
                }
                Answer::Later => drop(dispatch.settle(now.uptime, &ids, later(None))),
                Answer::Refused => {
                    let refused = dispatch.settle(now.uptime, &ids, Outcome::Refused("404".to_owned()));
                    let Some(Reached::Refused { keys, .. }) = refused else { panic!("{refused:?}") };
                    self.mark(&ids, "failed");
                    for key in keys {
                        let rows = self.router.failed(&name(&receiver), &key, now);
                        self.commit(rows);
                    }
                }
            }
        }
    }

    fn mark(&mut self, ids: &[i64], state: &'static str) {
        for id in ids {
            let row = &mut self.outbox[*id as usize - 1];
            assert_eq!(row.1, "pending", "{row:?} ends twice");
            row.1 = state;
        }
    }

    fn restart(&mut self) {
        let due = self.router.poll_timeout();
        self.router = Router::new(shop(), "hall-2".to_owned());
        if let Some(saved) = &self.saved {
            self.router.restore(second(self.now), saved).expect("what was saved");
        }
        let passed_over = due.map(|due| due.max(second(self.now).uptime));
        let kept = self.router.poll_timeout().map(|due| due.max(second(self.now).uptime));
        assert_eq!(kept, passed_over, "what is due stays due");
        for (receiver, dispatch) in &mut self.dispatches {
            *dispatch = Dispatch::new(dispatch.settings().clone(), 7);
            let pending = self
                .outbox
                .iter()
                .filter(|(row, state)| row.entry.receiver.as_str() == receiver && *state == "pending");
            dispatch.take(second(self.now).uptime, pending.map(|(row, _)| row.clone()).collect());
        }
    }

    /// Everything ends well: the other side answers, everybody acknowledges, days pass.
    fn settle(&mut self) {
        self.answer = Answer::Taken;
        for alarm in self.alarms.keys().copied().collect::<Vec<_>>() {
            self.step(&Step::Change(alarm, Change::Acknowledged));
        }
        for _ in 0..40 {
            self.now += 3_600;
            self.pass(30);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn whatever_happens_rows_go_in_order_and_none_is_lost(steps in steps()) {
        let mut world = World::new();
        steps.iter().for_each(|step| world.step(step));
        world.settle();
        for (row, state) in &world.outbox {
            prop_assert!(*state != "pending", "{:?} is still there", row);
        }
        let mut last: BTreeMap<(&str, &str), u32> = BTreeMap::new();
        let refused: BTreeSet<(&str, &str)> = world.outbox.iter().filter(|(_, state)| *state == "failed")
            .map(|(row, _)| (row.entry.receiver.as_str(), row.entry.key.as_str())).collect();
        for (receiver, key, sequence, action, at, priority) in &world.got {
            let before = last.insert((receiver, key), *sequence);
            prop_assert!(before.is_none_or(|before| before < *sequence), "{key} {sequence} out of order");
            prop_assert!(before.is_some() || action.asks() || refused.contains(&(receiver.as_str(), key.as_str())),
                "{key} {action:?} before it came up");
            let night = second(*at).utc.as_millis() / 3_600_000 % 24;
            prop_assert!(receiver != "setter" || *priority == Priority::High || (6..22).contains(&night), "at {night}");
        }
        let delivered = world.outbox.iter().filter(|(_, state)| *state == "delivered").count();
        prop_assert_eq!(delivered, world.got.len());
    }
}
