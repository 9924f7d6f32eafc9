use proptest::prelude::*;

use super::*;
use crate::acquire::settings::PayloadFormat as F;
use crate::model::Name;

/// 2026-03-01T08:00:00Z on the wall clock, one day after the start on the other.
fn now() -> Now {
    let utc = Timestamp::parse("2026-03-01T08:00:00Z").unwrap();
    Now { uptime: Uptime::default().plus(Duration::from_hours(24)), utc }
}

fn later(seconds: u64) -> Now {
    let by = Duration::from_secs(seconds);
    Now { uptime: now().uptime.plus(by), utc: now().utc.plus(by) }
}

fn json() -> F {
    F::Json { value: "/t".into(), time: Some("/ts".into()), unit: Some("/u".into()) }
}

/// Probe n listens to the n-th filter; an hour back, a minute ahead.
fn settings(points: &[(&str, F)]) -> BrokerSettings {
    let topics = points
        .iter()
        .enumerate()
        .map(|(n, (filter, payload))| TopicPoint {
            probe: ProbeIndex(n as u32),
            filter: (*filter).to_owned(),
            payload: payload.clone(),
            time_window: (Duration::from_hours(1), Duration::from_mins(1)),
        })
        .collect();
    BrokerSettings {
        name: Name::new("shop").unwrap(),
        host: "127.0.0.1".into(),
        port: 1883,
        client_id: "c".into(),
        user: None,
        tls: None,
        keep_alive: Duration::from_secs(30),
        packet_bytes_max: 1 << 20,
        reconnect: (Duration::from_secs(1), Duration::from_mins(1)),
        topics,
        notes: None,
    }
}

/// As [`settings`], in Celsius and stale after ten minutes.
fn map(points: &[(&str, F)]) -> TopicMap {
    let expected = Expected { unit: Unit::Celsius, stale_after: Duration::from_mins(10) };
    TopicMap::new(&settings(points), |_| expected).unwrap()
}

fn message<'a>(topic: &'a str, payload: &'a str) -> Message<'a> {
    Message { topic, payload: Some(payload.as_bytes()), retained: false, token: None }
}

fn retained<'a>(topic: &'a str, payload: &'a str) -> Message<'a> {
    Message { retained: true, ..message(topic, payload) }
}

/// The one number a message came to.
fn number(taken: &Taken) -> f64 {
    match taken.readings[..] {
        [RawReading { raw: Raw::Number(number), .. }] => number,
        _ => panic!("{taken:?}"),
    }
}

/// A message that came to nothing but this.
fn refused(taken: &Taken, refusal: Refusal) {
    assert_eq!(taken.fates, [Fate::Refused(refusal)]);
    let faults: Vec<Raw> = taken.readings.iter().map(|r| r.raw).collect();
    assert_eq!(faults, refusal.fault().map(Raw::Fault).into_iter().collect::<Vec<_>>());
}

#[test]
fn a_filter_is_subscribed_to_once_and_a_message_goes_to_all_who_listen() {
    let mut map = map(&[("a/b", F::Plain), ("a/b", json()), ("a/+", F::Plain), ("#", F::Plain)]);
    assert_eq!(map.subscriptions(), ["#", "a/+", "a/b"]);
    let taken = map.read(&message("a/b", "21.5"), now());
    assert_eq!(taken.fates[0], Fate::Accepted);
    assert_eq!(taken.fates[1], Fate::Refused(Refusal::Malformed));
    let probes: Vec<u32> = taken.readings.iter().map(|r| r.probe.0).collect();
    assert_eq!(probes, [0, 1, 2, 3]);
    assert_eq!(taken.readings[0].at, now().utc);
    assert_eq!(taken.readings[0].received, now().uptime);
    refused(&self::map(&[("a/b", F::Plain)]).read(&message("a/c", "1"), now()), Refusal::UnknownTopic);
}

#[test]
fn a_number_is_turned_into_the_unit_the_probe_is_set_to() {
    let mut map = map(&[("t", json())]);
    // Fixed points by definition of the scales: 212 °F = 100 °C, 273.15 K = 0 °C.
    for (payload, celsius) in [
        (r#"{"t":212,"u":"[degF]","ts":null}"#, 100.0),
        (r#"{"t":273.15,"u":"K","ts":null}"#, 0.0),
        (r#"{"t":21.5,"u":"Cel","ts":null}"#, 21.5),
        (r#"{"t":21.5,"u":null,"ts":null}"#, 21.5),
    ] {
        assert!((number(&map.read(&message("t", payload), now())) - celsius).abs() < 1e-9, "{payload}");
    }
    refused(&map.read(&message("t", r#"{"t":1,"u":"bar","ts":null}"#), now()), Refusal::WrongUnit);
    refused(&map.read(&message("t", r#"{"t":1,"u":"furlong","ts":null}"#), now()), Refusal::WrongUnit);
}

#[test]
fn an_own_time_counts_inside_the_window_only() {
    let mut map = map(&[("t", json())]);
    let at = |time: &str| format!(r#"{{"t":1,"u":"Cel","ts":"{time}"}}"#);
    let taken = map.read(&message("t", &at("2026-03-01T07:00:00Z")), now());
    assert_eq!(taken.readings[0].at.to_string(), "2026-03-01T07:00:00Z");
    assert_eq!(taken.readings[0].received, now().uptime);
    assert_eq!(map.read(&message("t", &at("2026-03-01T08:01:00Z")), now()).fates, [Fate::Accepted]);
    // Older than what came before, but inside the window: taken over with its own time.
    assert_eq!(map.read(&message("t", &at("2026-03-01T07:30:00Z")), now()).fates, [Fate::Accepted]);
    for time in [
        "2026-03-01T06:59:59.999Z",
        "2026-03-01T08:01:00.001Z",
        "2027-03-01T08:00:00Z",
        "1970-01-01T00:00:01Z",
    ] {
        refused(&map.read(&message("t", &at(time)), now()), Refusal::TimeRefused);
    }
    refused(&map.read(&message("t", &at("2026-03-01T08:00:00")), now()), Refusal::Malformed);
}

#[test]
fn a_time_the_probe_has_had_comes_in_once() {
    let mut map = map(&[("t", json()), ("u", json())]);
    let at = |ms: u64| format!(r#"{{"t":{ms},"u":"Cel","ts":{}}}"#, 1_772_352_000_000 + ms);
    for ms in 0..50 {
        assert_eq!(map.read(&message("t", &at(ms)), later(1)).fates, [Fate::Accepted]);
    }
    for ms in 0..50 {
        let again = map.read(&message("t", &at(ms)), later(2));
        assert_eq!((again.fates, again.readings), (vec![Fate::Duplicate], vec![]));
    }
    assert_eq!(map.read(&message("u", &at(7)), later(2)).fates, [Fate::Accepted], "another probe");
    for ms in 0..10_000 {
        map.read(&message("t", &at(ms)), later(11));
    }
    assert_eq!(map.points[0].had.times.len(), TIMES_REMEMBERED);
    // A payload without a time is the same every time; only its arrival tells it apart.
    assert_eq!(map.read(&message("t", r#"{"t":5,"u":null,"ts":null}"#), later(12)).fates, [Fate::Accepted]);
    assert_eq!(map.read(&message("t", r#"{"t":5,"u":null,"ts":null}"#), later(13)).fates, [Fate::Accepted]);
}

#[test]
fn a_retained_message_without_a_time_is_no_sample() {
    let mut map = map(&[("t", F::Plain), ("u", F::SenmlJson { name: String::new() })]);
    // SenML without a base time is of now, whenever that was.
    for (topic, payload) in
        [("t", "21.5"), ("u", r#"[{"n":"t","v":21.5}]"#), ("u", r#"[{"n":"t","v":1,"t":-5}]"#)]
    {
        let taken = map.read(&retained(topic, payload), now());
        assert_eq!((taken.fates, taken.readings), (vec![Fate::RetainedIgnored], vec![]), "{payload}");
        assert_eq!(map.read(&message(topic, payload), now()).fates, [Fate::Accepted], "{payload}");
    }
}

#[test]
fn a_retained_message_with_a_time_is_as_old_as_it_says() {
    let mut map = map(&[("t", json())]);
    let at = |time: &str| format!(r#"{{"t":21.5,"u":"Cel","ts":"2026-03-01T{time}Z"}}"#);
    let mut read = |time: &str, now: Now| map.read(&retained("t", &at(time)), now);

    // Older than a value may be: no limit sees it.
    assert_eq!(read("07:49:59", now()).fates, [Fate::RetainedIgnored]);
    let taken = read("07:55:00", now());
    assert_eq!(taken.fates, [Fate::Accepted]);
    assert_eq!(
        taken.readings[0].received,
        now().uptime.minus(Duration::from_mins(5)),
        "stale when it would have been"
    );
    assert_eq!(read("07:55:00", later(1)).fates, [Fate::Duplicate], "sent again at the next subscription");
    assert_eq!(
        read("07:54:00", later(1)).fates,
        [Fate::RetainedIgnored],
        "older than what the probe has had"
    );
    assert_eq!(read("07:56:00", later(1)).fates, [Fate::Accepted]);
    let live = message("t", r#"{"t":22,"u":"Cel","ts":null}"#);
    assert_eq!(map.read(&live, later(2)).fates, [Fate::Accepted]);
    let kept = at("07:59:00");
    assert_eq!(
        map.read(&retained("t", &kept), later(3)).fates,
        [Fate::RetainedIgnored],
        "it has had one since"
    );
}

#[test]
fn a_damaged_retained_message_is_counted_and_no_fault_of_today() {
    let taken = map(&[("t", F::Plain)]).read(&retained("t", "???"), now());
    assert_eq!((taken.fates, taken.readings), (vec![Fate::Refused(Refusal::Malformed)], vec![]));
}

#[test]
fn senml_gives_every_record_of_the_name() {
    // RFC 8428, 5.1.3 (numbers shortened in the RFC's own text) with base time and relative times.
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a01080063","bt":1320067464,"bu":"Cel","v":21.2,"t":0},{"v":21.3,"t":10},
        {"n":"/other","v":9},{"v":21.4,"t":20}]"#;
    let mut map = map(&[
        ("t", F::SenmlJson { name: "urn:dev:ow:10e2073a01080063".into() }),
        ("u", F::SenmlJson { name: "x".into() }),
    ]);
    let utc = Timestamp::from_nanos(1_320_067_484_000_000_000);
    let taken = map.read(&message("t", pack), Now { utc, ..now() });
    let got: Vec<(i64, Raw)> = taken.readings.iter().map(|r| (r.at.as_millis() / 1000, r.raw)).collect();
    assert_eq!(
        got,
        [
            (1_320_067_464, Raw::Number(21.2)),
            (1_320_067_474, Raw::Number(21.3)),
            (1_320_067_484, Raw::Number(21.4))
        ]
    );
    assert_eq!(map.read(&message("t", pack), Now { utc, ..now() }).fates, [Fate::Duplicate; 3]);
    refused(&map.read(&message("u", pack), Now { utc, ..now() }), Refusal::Absent);
    // Relative to when it came (RFC 8428, 4.5.3).
    let taken = map.read(&message("u", r#"[{"n":"x","v":1,"t":-5},{"n":"x","v":2}]"#), now());
    let at: Vec<_> = taken.readings.iter().map(|r| r.at.to_string()).collect();
    assert_eq!(at, ["2026-03-01T07:59:55Z", "2026-03-01T08:00:00Z"]);
}

#[test]
fn senml_in_cbor_says_the_same() {
    // [{-2: "s1/", -3: 1700000000, -4: "Cel", 0: "t", 2: 23.5}] as cbor2 6.3.0, an independent encoder, writes it.
    let pack =
        b"\x81\xa5\x21\x63s1/\x22\x1a\x65\x53\xf1\x00\x23\x63Cel\x00\x61t\x02\xfb\x40\x37\x80\0\0\0\0\0";
    let mut map = map(&[("t", F::SenmlCbor { name: "s1/t".into() })]);
    let utc = Timestamp::from_nanos(1_700_000_000_000_000_000);
    let message = Message { topic: "t", payload: Some(pack), retained: false, token: None };
    let taken = map.read(&message, Now { utc, ..now() });
    assert_eq!((number(&taken), taken.readings[0].at), (23.5, utc));
}

#[test]
fn what_holds_no_number_says_why() {
    let mut map = map(&[("t", json()), ("p", F::Plain)]);
    refused(&map.read(&message("p", "NaN"), now()), Refusal::NotFinite);
    refused(&map.read(&message("p", ""), now()), Refusal::Malformed);
    refused(&map.read(&message("t", r#"{"t":null,"u":null,"ts":null}"#), now()), Refusal::NoValue);
    refused(&map.read(&message("t", r#"{"t":1e400,"u":null,"ts":null}"#), now()), Refusal::Malformed);
    refused(
        &map.read(&message("t", r#"{"t":123456789012345678901234567890,"u":null,"ts":null}"#), now()),
        Refusal::TooLarge,
    );
    refused(&map.read(&message("t", r#"{"t":1,"t":2,"u":null,"ts":null}"#), now()), Refusal::Malformed);
    refused(&map.read(&message("t", &"[".repeat(10_000)), now()), Refusal::Malformed);
    refused(&map.read(&Message { payload: None, ..message("t", "") }, now()), Refusal::Oversized);
}

#[test]
fn settings_that_make_no_map_say_why() {
    let broker = |filter: &str, payload: F| {
        let expected = Expected { unit: Unit::Celsius, stale_after: Duration::ZERO };
        TopicMap::new(&settings(&[(filter, payload)]), |_| expected).map(|_| ()).map_err(|e| e.to_string())
    };
    assert_eq!(broker("a/+/b", F::Plain), Ok(()));
    assert!(broker("a/+b", F::Plain).unwrap_err().contains('+'));
    assert!(
        broker("a", F::Json { value: "t".into(), time: None, unit: None }).unwrap_err().contains("pointer")
    );
}

proptest! {
    #[test]
    fn no_message_makes_it_panic_or_leaves_no_trace(
        topic in ".{0,200}",
        payload in prop::collection::vec(any::<u8>(), 0..400),
        format in 0..4,
        retained: bool,
    ) {
        let format = match format {
            0 => F::Plain,
            1 => json(),
            2 => F::SenmlJson { name: String::new() },
            _ => F::SenmlCbor { name: "x".into() },
        };
        let mut map = map(&[("#", format)]);
        let taken = map.read(&Message { topic: &topic, payload: Some(&payload), retained, token: None }, now());
        prop_assert!(!taken.fates.is_empty());
        let numbers = taken.readings.iter().filter(|r| matches!(r.raw, Raw::Number(_))).count();
        prop_assert_eq!(numbers, taken.fates.iter().filter(|f| **f == Fate::Accepted).count());
    }
}

#[test]
fn a_message_behind_a_younger_one_stands_before_it() {
    let mut map = map(&[("t", json())]);
    let mut read = |time: &str, now: Now| {
        let payload = format!(r#"{{"t":1,"u":null,"ts":"2026-03-01T{time}Z"}}"#);
        let taken = map.read(&message("t", &payload), now);
        assert_eq!(taken.fates, [Fate::Accepted]);
        taken.readings[0].received
    };
    // Ahead of us by half a minute, which changes nothing: it is the order that counts.
    assert_eq!(read("08:00:30", later(0)), later(0).uptime);
    assert_eq!(read("08:00:10", later(5)), later(0).uptime.minus(Duration::from_secs(20)));
    assert_eq!(read("07:30:00", later(6)), later(0).uptime.minus(Duration::from_secs(1830)));
    assert_eq!(read("08:00:31", later(7)), later(7).uptime);
}

#[test]
fn what_was_stored_before_a_restart_is_known_for_a_copy() {
    let mut map = map(&[("t", json()), ("other", json())]);
    let had = now().utc.minus(Duration::from_secs(5));
    map.recall(ProbeIndex(0), &[had]);
    let payload = r#"{"t":1,"u":null,"ts":"2026-03-01T07:59:55Z"}"#;
    assert_eq!(map.read(&message("t", payload), now()).fates, [Fate::Duplicate]);
    assert_eq!(map.read(&message("other", payload), now()).fates, [Fate::Accepted]);
}

fn stamped(at: Timestamp) -> String {
    format!("{{\"t\":21.5,\"u\":null,\"ts\":\"{at}\"}}")
}

#[test]
fn a_publishers_history_that_is_sent_again_is_known_for_a_copy() {
    let mut map = map(&[("a/b", json())]);
    for second in 0..TIMES_REMEMBERED as u64 {
        let now = later(second);
        map.read(&message("a/b", &stamped(now.utc)), now);
    }
    let now = later(600);
    let history = stamped(now.utc.minus(Duration::from_mins(50)));
    assert_eq!(map.read(&message("a/b", &history), now).fates, [Fate::Accepted]);
    assert_eq!(map.read(&message("a/b", &history), now).fates, [Fate::Duplicate]);
    let mut restarted = self::map(&[("a/b", json())]);
    let times: Vec<Timestamp> = (0..400).map(|second| later(second).utc).collect();
    restarted.recall(ProbeIndex(0), &times);
    restarted.recall(ProbeIndex(0), &[now.utc.minus(Duration::from_mins(50))]);
    assert_eq!(restarted.read(&message("a/b", &history), now).fates, [Fate::Duplicate], "stored last");
}

/// A publisher sent it twice, the topic keeps it as well, and the store lost what the first copy brought: whichever copy comes
/// first is taken, and the others are copies of that one.
#[test]
fn of_all_copies_of_what_the_store_lost_one_is_taken() {
    for kept_first in [false, true] {
        let mut map = map(&[("a/b", json())]);
        let payload = stamped(now().utc.minus(Duration::from_secs(5)));
        let by = |token| Message { token: Some(token), ..message("a/b", &payload) };
        let kept = Message { token: Some(8), ..retained("a/b", &payload) };
        assert_eq!(map.read(&by(1), now()).fates, [Fate::Accepted]);
        assert_eq!(map.read(&by(2), now()).fates, [Fate::Duplicate]);
        map.forget(&BTreeSet::from([2]));
        assert_eq!(map.read(&by(3), now()).fates, [Fate::Duplicate], "the copy brought nothing");
        map.forget(&BTreeSet::from([1, 2, 3]));
        let (first, then) = if kept_first { (kept, by(7)) } else { (by(7), kept) };
        assert_eq!(map.read(&first, now()).fates, [Fate::Accepted], "kept first: {kept_first}");
        assert_eq!(map.read(&then, now()).fates, [Fate::Duplicate], "kept first: {kept_first}");
        assert_eq!(map.read(&by(9), now()).fates, [Fate::Duplicate]);
    }
}

/// Two packs overlap, as a publisher's do that repeats its last record: the loss of the second takes nothing from the first.
#[test]
fn what_another_message_brought_is_not_forgotten_with_a_lost_one() {
    let mut map = map(&[("t", F::SenmlJson { name: "x".into() })]);
    let base = now().utc.as_nanos() / 1_000_000_000;
    let pack = |seconds: [i64; 2]| {
        let record = |s: i64| format!(r#"{{"n":"x","v":{s},"t":{}}}"#, base - s);
        format!("[{},{}]", record(seconds[0]), record(seconds[1]))
    };
    let (early, late) = (pack([30, 20]), pack([20, 10]));
    let by = |token, pack| Message { token: Some(token), ..message("t", pack) };
    assert_eq!(map.read(&by(1, &early), now()).fates, [Fate::Accepted, Fate::Accepted]);
    assert_eq!(map.read(&by(2, &late), now()).fates, [Fate::Duplicate, Fate::Accepted]);
    map.forget(&BTreeSet::from([2]));
    assert_eq!(map.read(&by(3, &late), now()).fates, [Fate::Duplicate, Fate::Accepted]);
}

/// After an outage a topic's last message comes at once, as the one that is kept, and once more behind all that waited.
#[test]
fn a_retained_message_is_known_again_behind_a_long_queue() {
    let mut map = map(&[("a/b", json())]);
    let (now, waited) = (later(1_000), 3 * TIMES_REMEMBERED as u64);
    let last = stamped(later(waited).utc);
    let kept = Message { retained: true, ..message("a/b", &last) };
    assert_eq!(map.read(&kept, now).fates, [Fate::Accepted]);
    for second in 0..waited {
        let payload = stamped(later(second).utc);
        assert_eq!(map.read(&message("a/b", &payload), now).fates, [Fate::Accepted]);
    }
    assert_eq!(map.read(&message("a/b", &last), now).fates, [Fate::Duplicate]);
}

#[test]
fn what_was_believed_under_a_wrong_clock_does_not_keep_out_what_is_true() {
    let mut map = map(&[("a/b", json())]);
    let wrong = Now { utc: now().utc.plus(Duration::from_hours(48)), ..now() };
    assert_eq!(map.read(&message("a/b", &stamped(wrong.utc)), wrong).fates, [Fate::Accepted]);
    let right = later(60);
    let taken = map.read(&message("a/b", &stamped(right.utc)), right);
    assert_eq!(taken.readings[0].received, right.uptime, "it is the latest, not two days late");
}

#[test]
fn while_the_gateways_clock_is_doubted_times_of_senders_hold_and_nothing_is_lost() {
    let mut map = map(&[("a/b", json()), ("p/q", F::Plain)]);
    let true_time = now().utc.plus(Duration::from_hours(72));
    refused(&map.read(&message("a/b", &stamped(true_time)), now()), Refusal::TimeRefused);
    map.doubt_clock(true);
    let taken = map.read(&message("a/b", &stamped(true_time)), now());
    assert_eq!((taken.fates.as_slice(), taken.readings[0].at), (&[Fate::Accepted][..], true_time));
    assert_eq!(map.read(&message("a/b", &stamped(true_time)), later(1)).fates, [Fate::Duplicate]);
    let old = now().utc.minus(Duration::from_hours(24 * 400));
    refused(&map.read(&message("a/b", &stamped(old)), now()), Refusal::TimeRefused);
    let plain = map.read(&message("p/q", "8.5"), later(2)).readings[0];
    assert_eq!((plain.at, plain.received), (later(2).utc.floor_to_millis(), later(2).uptime));
    let kept = stamped(true_time.plus(Duration::from_secs(1)));
    assert_eq!(
        map.read(&retained("a/b", &kept), later(3)).fates,
        [Fate::RetainedIgnored],
        "how old it is, nobody knows"
    );
    map.doubt_clock(false);
    refused(
        &map.read(&message("a/b", &stamped(true_time.plus(Duration::from_secs(2)))), later(4)),
        Refusal::TimeRefused,
    );
}
