//! Stories on a simulated clock, and the published deadband example.

use std::time::Duration;

use super::*;
use crate::model::{DeviceStatus, Measured, ProbeIndex, Reason, Status};

const PROBE: ProbeIndex = ProbeIndex(0);

fn s(seconds: f64) -> Now {
    Now::simulated(Timestamp::from_nanos((seconds * 1e9) as i64))
}

fn limit(side: Side, setpoint: f64, deadband: f64, on_s: u64, off_s: u64) -> LimitSettings {
    LimitSettings {
        name: "x".to_owned(),
        sump: SumpIndex(0),
        subject: Subject::Probe(PROBE),
        side,
        setpoint,
        deadband,
        on_delay: Duration::from_secs(on_s),
        off_delay: Duration::from_secs(off_s),
        priority: Priority::Medium,
    }
}

/// An alarm under test, with the transitions it has made.
struct Story {
    alarms: Alarms,
    made: Vec<Transition>,
}

impl Story {
    fn of(limit: LimitSettings) -> Self {
        Self { alarms: Alarms::new(&[limit], &[], 1, 1), made: Vec::new() }
    }

    fn of_instrument(on_s: u64, off_s: u64) -> Self {
        let instrument = InstrumentSettings {
            probe: PROBE,
            on_delay: Duration::from_secs(on_s),
            off_delay: Duration::from_secs(off_s),
            priority: Priority::Low,
        };
        Self { alarms: Alarms::new(&[], &[instrument], 1, 1), made: Vec::new() }
    }

    fn see(mut self, at: f64, measured: Measured) -> Self {
        self = self.pass(at - 1e-6);
        let now = s(at);
        let measurement =
            Measurement { probe: PROBE, at: now.utc, received: now.uptime, raw: None, measured };
        self.alarms.observe(now, &measurement, &mut self.made);
        self.pass(at)
    }

    /// From `at` on the limits rest, or no longer.
    fn rest(mut self, at: f64, rests: bool) -> Self {
        self = self.pass(at);
        self.alarms.rest(s(at), SumpIndex(0), rests, &mut self.made);
        self
    }

    fn value(self, at: f64, value: f64) -> Self {
        self.see(at, Measured::Good(value, Quality::GOOD))
    }

    fn bad(self, at: f64) -> Self {
        let quality = Quality::new(Status::BadNoCommunication, DeviceStatus::Failure, Reason::NoReply);
        self.see(at, Measured::Bad(quality))
    }

    fn pass(mut self, to: f64) -> Self {
        while let Some(due) = self.alarms.poll_timeout().filter(|due| *due <= s(to).uptime) {
            self.alarms
                .tick(Now { uptime: due, utc: Timestamp::from_nanos(due.as_nanos() as i64) }, &mut self.made);
        }
        self
    }

    fn acknowledge(mut self, at: f64) -> Self {
        self.alarms.acknowledge(s(at), AlarmIndex(0), "kim", &mut self.made);
        self
    }

    fn expect(self, state: State) -> Self {
        assert_eq!(self.alarms.iter().next().expect("one alarm").2.state, state, "after {:?}", self.made);
        self
    }
}

/// ISA-18.2 / EEMUA 191 deadband and delay arithmetic, worked in full: raise when the value has been at or over the limit
/// for the on-delay, clear when it has been under limit − deadband for the off-delay; one sample a second from 0 s.
#[test]
fn the_worked_deadband_and_delay_example_comes_out_to_the_second() {
    let x = [
        9.0, 9.4, 9.6, 9.5, 9.4, 9.6, 9.7, 9.8, 9.6, 9.45, 9.4, 9.35, 9.2, 9.1, 9.0, 9.2, 9.6, 9.6, 9.35, 9.2,
    ];
    let cases: [(f64, u64, u64, &[f64]); 4] = [
        (0.0, 0, 0, &[2.0, 4.0, 5.0, 9.0, 16.0, 18.0]),
        (0.2, 0, 0, &[2.0, 12.0, 16.0, 19.0]),
        (0.2, 2, 0, &[7.0, 12.0]),
        (0.2, 2, 2, &[7.0, 14.0]),
    ];
    for (deadband, on_s, off_s, expected) in cases {
        let mut story = Story::of(limit(Side::High, 9.5, deadband, on_s, off_s));
        for (second, value) in x.iter().enumerate() {
            story = story.value(second as f64, *value);
        }
        let times: Vec<f64> = story.made.iter().map(|t| t.at.as_nanos() as f64 / 1e9).collect();
        assert_eq!(times, expected, "deadband {deadband}, delays {on_s} and {off_s} s");
        for (i, made) in story.made.iter().enumerate() {
            assert_eq!(made.to.condition_holds(), i % 2 == 0, "raise and clear take turns");
        }
    }
}

#[test]
fn waves_in_the_sump_do_not_alarm() {
    Story::of(limit(Side::Low, 40.0, 5.0, 10, 10))
        .value(0.0, 39.0)
        .expect(State::Normal)
        .value(9.0, 41.0)
        .expect(State::Normal)
        .value(10.0, 39.0)
        .expect(State::Normal)
        .value(19.0, 39.5)
        .expect(State::Normal)
        .value(20.0, 39.0)
        .expect(State::Unacknowledged);
}

#[test]
fn the_delay_ends_on_time_even_if_no_sample_falls_on_it() {
    let story = Story::of(limit(Side::Low, 40.0, 5.0, 10, 10)).value(0.0, 39.0).value(7.0, 39.0).pass(30.0);
    assert_eq!(story.made[0].at, s(10.0).utc);
}

#[test]
fn a_probe_pulled_while_in_alarm_neither_clears_nor_raises() {
    Story::of(limit(Side::Low, 40.0, 5.0, 10, 10))
        .value(0.0, 39.0)
        .value(10.0, 39.0)
        .expect(State::Unacknowledged)
        .bad(20.0)
        .bad(60.0)
        .pass(500.0)
        .expect(State::Unacknowledged)
        .value(501.0, 50.0)
        .expect(State::Unacknowledged)
        .value(511.0, 50.0)
        .expect(State::ReturnedUnacknowledged)
        .value(520.0, 39.0)
        .bad(525.0)
        .pass(600.0)
        .expect(State::ReturnedUnacknowledged);
}

#[test]
fn what_returned_before_anybody_looked_must_still_be_seen() {
    Story::of(limit(Side::High, 10.0, 1.0, 0, 0))
        .value(0.0, 11.0)
        .value(1.0, 5.0)
        .expect(State::ReturnedUnacknowledged)
        .value(2.0, 12.0)
        .expect(State::Unacknowledged)
        .acknowledge(3.0)
        .expect(State::Acknowledged)
        .acknowledge(4.0)
        .expect(State::Acknowledged)
        .value(5.0, 5.0)
        .expect(State::Normal)
        .acknowledge(6.0)
        .expect(State::Normal);
}

#[test]
fn a_silent_probe_is_an_instrument_alarm_of_its_own() {
    Story::of_instrument(30, 10)
        .value(0.0, 1.0)
        .bad(10.0)
        .bad(39.0)
        .expect(State::Normal)
        .pass(40.0)
        .expect(State::Unacknowledged)
        .value(41.0, 1.0)
        .expect(State::Unacknowledged)
        .pass(51.0)
        .expect(State::ReturnedUnacknowledged);
}

#[test]
fn a_restart_neither_annunciates_anew_nor_forgets() {
    let mut story = Story::of(limit(Side::Low, 40.0, 5.0, 10, 10));
    story.alarms.restore(AlarmIndex(0), State::Acknowledged, s(0.0).utc);
    let story = story.value(100.0, 39.0).pass(200.0).expect(State::Acknowledged);
    assert!(story.made.is_empty());
    story.value(201.0, 60.0).pass(211.0).expect(State::Normal);
}

/// The reference transitions of ISA-18.2 / IEC 62682 between the basic states A to D, and the rule that acknowledging in
/// A or C changes nothing.
#[test]
fn every_reference_transition() {
    use State::{Acknowledged as C, Normal as A, ReturnedUnacknowledged as D, Unacknowledged as B};
    use Stimulus::{Acknowledge, ConditionFalse, ConditionTrue};
    for (from, stimulus, to) in [
        (A, ConditionTrue, B),
        (B, Acknowledge, C),
        (B, ConditionFalse, D),
        (C, ConditionFalse, A),
        (D, Acknowledge, A),
        (D, ConditionTrue, B),
        (A, Acknowledge, A),
        (C, Acknowledge, C),
    ] {
        let (reached, effect) = transition(from, stimulus);
        assert_eq!(reached, to, "{from:?} on {stimulus:?}");
        assert_eq!(effect == Effect::None, from == to);
        assert_eq!(effect == Effect::Annunciate, stimulus == ConditionTrue);
    }
    for &state in State::ALL {
        assert_eq!(State::from_word(state.word()), Some(state));
    }
}

#[test]
fn a_delay_that_runs_when_limits_begin_to_rest_comes_to_nothing() {
    let begun = || Story::of(limit(Side::Low, 40.0, 5.0, 10, 10)).value(0.0, 39.0);
    begun().rest(5.0, true).pass(60.0).expect(State::Normal);
    begun().rest(5.0, false).pass(60.0).expect(State::Unacknowledged);
}

#[test]
fn limits_that_rest_neither_raise_nor_clear_and_start_over_after() {
    let story = Story::of(limit(Side::Low, 40.0, 5.0, 10, 10))
        .value(0.0, 39.0)
        .rest(1.0, true)
        .value(5.0, 39.0)
        .value(30.0, 39.0)
        .expect(State::Normal)
        .rest(30.5, false)
        .value(31.0, 39.0)
        .value(40.0, 39.0)
        .expect(State::Normal)
        .value(41.0, 39.0)
        .expect(State::Unacknowledged);
    story.rest(42.0, true).value(50.0, 60.0).value(90.0, 60.0).expect(State::Unacknowledged);
    Story::of_instrument(10, 10).rest(0.0, true).bad(0.0).bad(10.0).expect(State::Unacknowledged);
}
