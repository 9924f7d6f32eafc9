//! A restart: what stood stands, what ran goes on, and nothing is told anew.

use super::*;

#[test]
fn a_restart_neither_annunciates_anew_nor_forgets() {
    let settings =
        AlarmSettings { limits: vec![limit(Side::Low, 40.0, 5.0, 10, 10)], ..AlarmSettings::default() };
    let begun = || Story::of(settings.limits[0].clone()).value(0.0, 39.0);
    let story = begun().pass(10.0).acknowledge(12.0).restart(20.0, 90.0, &settings);
    let before = story.made.len();
    let story = story.value(100.0, 39.0).pass(200.0).expect(State::Acknowledged);
    assert_eq!(story.made.len(), before, "nothing is said twice");
    assert_eq!(story.alarms.get(AlarmIndex(0)).1.by.as_deref(), Some("kim"));
    let story = story.value(201.0, 60.0).pass(211.0).expect(State::Normal);
    assert_eq!((story.made.last().expect("ended").occurrence, story.made.len()), (1, before + 1));

    // A delay goes on from where it stood, as soon as it is seen that the condition holds still …
    let story = begun().restart(6.0, 8.0, &settings).value(9.0, 39.0).expect(State::Normal);
    let story = story.pass(9.9).expect(State::Normal).pass(10.0).expect(State::Unacknowledged);
    assert_eq!(story.made[0].at, s(10.0).utc);
    // … and never by itself.
    begun()
        .restart(6.0, 100.0, &settings)
        .pass(500.0)
        .expect(State::Normal)
        .value(501.0, 39.0)
        .expect(State::Unacknowledged);
    begun().restart(6.0, 100.0, &settings).value(101.0, 60.0).value(102.0, 39.0).expect(State::Normal);
}

/// What comes to hold while it is shelved is known after two restarts, though nothing was told of it and nothing usable is
/// read since.
#[test]
fn what_came_to_hold_in_silence_outlasts_restarts() {
    let settings =
        AlarmSettings { limits: vec![limit(Side::High, 50.0, 5.0, 300, 120)], ..Default::default() };
    let shelved = || {
        let story = Story::of(settings.limits[0].clone()).value(0.0, 60.0);
        story.order(60.0, Order::Shelve { time: Duration::from_secs(1_800) }).value(200.0, 60.0)
    };
    let story =
        shelved().restart(250.0, 280.0, &settings).value(310.0, 60.0).restart(320.0, 330.0, &settings);
    story.bad(400.0).pass(1_900.0).expect(State::Unacknowledged);
    // Killed twice before anything was read: the delay has been running all the while.
    let story =
        shelved().restart(250.0, 260.0, &settings).restart(262.0, 270.0, &settings).value(310.0, 60.0);
    story.bad(400.0).pass(1_900.0).expect(State::Unacknowledged);
    // It was not seen any more when it was killed: the delay begins anew.
    let story = shelved().bad(210.0).restart(250.0, 260.0, &settings).value(310.0, 60.0);
    story.bad(400.0).pass(1_900.0).expect(State::Normal);
}

#[test]
fn a_shelf_ends_when_it_was_to_end_across_a_restart_and_a_clock_that_was_set() {
    let settings =
        AlarmSettings { limits: vec![limit(Side::Low, 40.0, 5.0, 0, 0)], ..AlarmSettings::default() };
    let hour = Duration::from_secs(3_600);
    let shelved = || {
        Story::of(settings.limits[0].clone())
            .value(0.0, 39.0)
            .order(10.0, Order::Shelve { time: hour })
            .expect(State::Shelved)
    };
    shelved().pass(3_609.0).expect(State::Shelved).pass(3_610.0).expect(State::Unacknowledged);
    shelved().value(20.0, 60.0).pass(3_610.0).expect(State::Normal);
    let story = shelved().restart(600.0, 1_200.0, &settings).pass(3_609.0).expect(State::Shelved);
    assert_eq!(story.alarms.get(AlarmIndex(0)).1.why.as_deref(), Some("waiting for parts"));
    story.pass(3_610.0).expect(State::Unacknowledged);
    // Set back by a day while the gateway was off: no longer than was left.
    let mut story = shelved().restart(600.0, 600.0, &settings);
    let mut kept = Vec::new();
    story.alarms.changed.insert(AlarmIndex(0));
    story.alarms.save(s(600.0), |_, bytes| kept = bytes);
    let mut again = alarms(&settings, 1);
    let earlier = Now { uptime: Uptime::from_nanos(0), utc: s(600.0).utc.minus(24 * hour) };
    assert!(again.restore(earlier, AlarmIndex(0), &kept));
    assert_eq!(again.poll_timeout(), Some(Uptime::from_nanos(0).plus(hour - Duration::from_secs(590))));
}

#[test]
fn a_clock_that_was_set_before_a_restart_neither_ends_a_shelf_nor_a_delay() {
    let settings =
        AlarmSettings { limits: vec![limit(Side::Low, 40.0, 5.0, 600, 0)], ..AlarmSettings::default() };
    let days = Duration::from_hours(72);
    let kept_of = |story: &mut Story| {
        let mut kept = Vec::new();
        story.alarms.changed.insert(AlarmIndex(0));
        story.alarms.save(s(100.0), |_, bytes| kept = bytes);
        kept
    };
    // Kept at 100 s; then UTC is set on by three days, and the program starts again at 200 s.
    let again = Now { uptime: s(200.0).uptime, utc: s(200.0).utc.plus(days) };
    let mut delayed = Story::of(settings.limits[0].clone()).value(0.0, 39.0).pass(100.0);
    let mut after = alarms(&settings, 1);
    assert!(after.restore(again, AlarmIndex(0), &kept_of(&mut delayed)));
    let mut made = Vec::new();
    let measurement = Measurement {
        probe: PROBE,
        at: again.utc,
        received: again.uptime,
        raw: None,
        measured: Measured::Good(39.0, Quality::GOOD),
    };
    after.observe(again, &measurement, &mut made);
    assert!(made.is_empty(), "200 of its 600 s have passed");
    assert_eq!(after.poll_timeout(), Some(s(600.0).uptime));

    let day = Order::Shelve { time: Duration::from_hours(24) };
    let mut shelved = Story::of(settings.limits[0].clone()).order(50.0, day);
    let mut after = alarms(&settings, 1);
    assert!(after.restore(again, AlarmIndex(0), &kept_of(&mut shelved)));
    assert_eq!(after.poll_timeout(), Some(s(86_450.0).uptime));
}
