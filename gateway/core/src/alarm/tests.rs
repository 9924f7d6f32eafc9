//! Stories on a simulated clock, and the published deadband example.

use std::time::Duration;

use super::order::{Order, OrderError, Said};
use super::settings::{ConditionSettings, Habits, InstrumentSettings, LimitSettings, Priority, Side};
use super::state::{Context, transition};
use super::*;
use crate::estimate::settings::{BoxPart, FluidSettings, SumpProbes, TankShape, WaterSettings};
use crate::model::{DeviceStatus, Measured, Name, Quantity, Status};
use crate::signal::settings::{Accuracy, InputStage, Line, SensorStage};

mod first_out;
mod restart;

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
        terms: Terms::Value,
        habits: Habits::default(),
        source: None,
    }
}

fn name(text: &str) -> Name {
    Name::new(text).expect("allowed characters")
}

fn probe(number: u32) -> ProbeSettings {
    ProbeSettings {
        name: name(&format!("p{number}")),
        sump: SumpIndex(0),
        quantity: Quantity::Level,
        input_unit: None,
        input: InputStage::Scaled(Line { scale: 1.0, offset: 0.0 }),
        sensor: SensorStage::Direct,
        range: None,
        accuracy: Accuracy { absolute: 1.0, relative: 0.0 },
        period: Duration::from_secs(10),
        hold: Duration::from_secs(30),
        stale_after: Duration::from_secs(50),
        frozen: None,
        spike: None,
        calibration_due: None,
    }
}

fn sump() -> SumpSettings {
    let water = WaterSettings { name: name("mains"), hardness_mg_l: 240.0, conductivity_us_cm: None };
    let part = BoxPart { length_mm: 1200.0, width_mm: 700.0, floor_mm: 0.0, top_mm: 400.0 };
    SumpSettings {
        name: name("lathe-1"),
        title: "Lathe 1".to_owned(),
        tank: TankShape::Boxes(vec![part]),
        fill_mark_mm: 310.0,
        pump_minimum_mm: None,
        holdup_l: 0.0,
        fluid: FluidSettings {
            name: name("semi"),
            refractometer_factor: 1.4,
            conductivity_curve: vec![(0.0, 560.0), (8.0, 1690.0)],
        },
        water,
        fill_water: None,
        makeup_percent: None,
        chip_solid_percent: None,
        target_percent: 7.0,
        probes: SumpProbes::default(),
    }
}

fn instrument(number: u32, on_s: u64, off_s: u64) -> InstrumentSettings {
    InstrumentSettings {
        probe: ProbeIndex(number),
        on_delay: Duration::from_secs(on_s),
        off_delay: Duration::from_secs(off_s),
        priority: Priority::Low,
        behind: Vec::new(),
    }
}

fn alarms(settings: &AlarmSettings, probes: u32) -> Alarms {
    let probes: Vec<_> = (0..probes).map(probe).collect();
    Alarms::new(settings, &probes, &[sump()])
}

/// An alarm under test, with the transitions it has made.
struct Story {
    alarms: Alarms,
    made: Vec<Transition>,
    /// What was given to be saved, as it would be found after a kill.
    kept: BTreeMap<String, Vec<u8>>,
}

impl Story {
    fn of(limit: LimitSettings) -> Self {
        let settings = AlarmSettings { limits: vec![limit], ..AlarmSettings::default() };
        Self { alarms: alarms(&settings, 1), made: Vec::new(), kept: BTreeMap::new() }
    }

    fn of_instrument(on_s: u64, off_s: u64) -> Self {
        let settings =
            AlarmSettings { instruments: vec![instrument(0, on_s, off_s)], ..AlarmSettings::default() };
        Self { alarms: alarms(&settings, 1), made: Vec::new(), kept: BTreeMap::new() }
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
        let kept = &mut self.kept;
        self.alarms.save(s(to), |key, bytes| _ = kept.insert(key.to_owned(), bytes));
        self
    }

    fn order(mut self, at: f64, order: Order) -> Self {
        self = self.pass(at);
        let said = Said::new("kim", Some("waiting for parts"));
        // What an order that changes nothing says is looked at where it matters.
        let _ = self.alarms.order(s(at), AlarmIndex(0), order, said, &mut self.made);
        self
    }

    fn acknowledge(self, at: f64) -> Self {
        self.order(at, Order::Acknowledge { occurrence: None })
    }

    /// The same alarms after a restart that takes from `at` to `again`, from what was given to be saved.
    fn restart(mut self, at: f64, again: f64, settings: &AlarmSettings) -> Self {
        self = self.pass(at);
        let mut after = alarms(settings, u32::try_from(self.alarms.silent.len()).expect("few"));
        for (key, bytes) in &self.kept {
            let index = after.find(key).expect("the same settings");
            assert!(after.restore(s(again), index, bytes), "{key}: {}", String::from_utf8_lossy(bytes));
        }
        self.alarms = after;
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
            assert_eq!(made.to == State::Unacknowledged, i % 2 == 0, "raise and clear take turns");
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
fn what_ends_while_it_is_silent_is_over_for_those_who_were_told() {
    let story = Story::of(limit(Side::High, 10.0, 1.0, 0, 0))
        .value(0.0, 11.0)
        .order(1.0, Order::Shelve { time: Duration::from_secs(600) })
        .value(2.0, 5.0)
        .pass(700.0)
        .expect(State::Normal);
    let changes: Vec<_> = story.made.iter().map(|made| made.change).collect();
    assert_eq!(changes, [Some(Change::Raised), Some(Change::Withheld), Some(Change::Ended)]);
}

#[test]
fn what_earlier_versions_kept_is_read() {
    let settings =
        AlarmSettings { limits: vec![limit(Side::Low, 40.0, 5.0, 10, 10)], ..AlarmSettings::default() };
    let mut story = Story::of(settings.limits[0].clone());
    assert!(story.alarms.restore(s(90.0), AlarmIndex(0), b"ACKED 1970-01-01T00:00:10Z"));
    let story = story.value(100.0, 39.0).pass(200.0).expect(State::Acknowledged);
    assert!(story.made.is_empty());
    for bad in [&b""[..], b"ACKED", b"ACKED yesterday", b"FINE 1970-01-01T00:00:10Z", b"{}", &[0xff, 0x00]] {
        assert!(!alarms(&settings, 1).restore(s(90.0), AlarmIndex(0), bad), "{bad:?}");
    }
}

/// The reference transitions of ISA-18.2 / IEC 62682 (letters A to G of the standard's figure): acknowledging, returning,
/// re-alarming, shelving, designed suppression and removal from service, each with its way back.
#[test]
fn every_reference_transition() {
    use State::{
        Acknowledged as C, Normal as A, OutOfService as G, ReturnedUnacknowledged as D, Shelved as E,
        SuppressedByDesign as F, Unacknowledged as B,
    };
    use Stimulus as S;
    let plain = Context::default();
    let active = Context { active: true, ..plain };
    let mut table = vec![
        (A, S::ConditionTrue, active, B),
        (B, S::Acknowledge, active, C),
        (B, S::ConditionFalse, plain, D),
        (C, S::ConditionFalse, plain, A),
        (D, S::Acknowledge, plain, A),
        (D, S::ConditionTrue, active, B),
        (C, S::ReAlarm, active, B),
        (A, S::Acknowledge, plain, A),
        (C, S::Acknowledge, active, C),
        (E, S::Unshelve, plain, A),
        (E, S::Unshelve, active, B),
        (F, S::Unsuppress, plain, A),
        (F, S::Unsuppress, active, B),
        (G, S::Return, plain, A),
        (G, S::Return, active, B),
    ];
    for from in [A, B, C, D] {
        table.extend([
            (from, S::Shelve, plain, E),
            (from, S::Suppress, plain, F),
            (from, S::Remove, plain, G),
        ]);
    }
    for (from, stimulus, context, to) in table {
        let (reached, effect) = transition(from, stimulus, context);
        assert_eq!(reached, to, "{from:?} on {stimulus:?}");
        assert_eq!(effect == Effect::None, from == to, "{from:?} on {stimulus:?}");
        assert_eq!(effect == Effect::Annunciate, to == B, "{from:?} on {stimulus:?}");
    }
    for &state in State::ALL {
        assert_eq!(State::from_word(state.word()), Some(state));
    }
}

/// What must hold of every pair, whatever the table says.
#[test]
fn invariants_of_every_pair() {
    for &from in State::ALL {
        for &stimulus in Stimulus::ALL {
            for bits in 0..8_u8 {
                let [active, latching, suppressed] = [1, 2, 4].map(|bit| bits & bit != 0);
                let (to, effect) = transition(from, stimulus, Context { active, latching, suppressed });
                let pair = format!("{from:?} on {stimulus:?}");
                let renewed = (from, stimulus) == (State::Shelved, Stimulus::Shelve);
                assert_eq!(
                    effect == Effect::None,
                    from == to && !renewed,
                    "every change is journalled: {pair}"
                );
                assert_eq!(effect == Effect::Annunciate, to == State::Unacknowledged && from != to, "{pair}");
                let silences = matches!(stimulus, Stimulus::Shelve | Stimulus::Suppress | Stimulus::Remove);
                if to.is_silenced() && from != to && !silences {
                    assert!(suppressed && to == State::SuppressedByDesign, "silence out of nowhere: {pair}");
                }
                if from == State::Unacknowledged && stimulus == Stimulus::ConditionFalse {
                    assert_eq!(to, State::ReturnedUnacknowledged, "must still be seen: {pair}");
                }
                if to == State::Latched {
                    assert!(latching || from == to, "{pair}");
                }
            }
        }
    }
}

#[test]
fn a_latched_alarm_waits_for_its_reset() {
    let habits = Habits { latching: true, realarm_after: None };
    let latching = || Story::of(LimitSettings { habits, ..limit(Side::High, 10.0, 1.0, 0, 0) });
    let story = latching()
        .value(0.0, 11.0)
        .order(1.0, Order::Reset)
        .expect(State::Unacknowledged)
        .acknowledge(2.0)
        .value(3.0, 5.0)
        .expect(State::Latched)
        .order(4.0, Order::Reset)
        .expect(State::Normal);
    let changes: Vec<_> = story.made.iter().map(|made| made.change.expect("told")).collect();
    assert_eq!(changes, [Change::Raised, Change::Acknowledged, Change::Returned, Change::Ended]);
    latching()
        .value(0.0, 11.0)
        .value(1.0, 5.0)
        .acknowledge(2.0)
        .expect(State::Latched)
        .value(3.0, 12.0)
        .expect(State::Unacknowledged);
}

#[test]
fn what_stands_acknowledged_for_too_long_comes_up_again() {
    let habits = Habits { latching: false, realarm_after: Some(Duration::from_secs(3_600)) };
    let story = Story::of(LimitSettings { habits, ..limit(Side::High, 10.0, 1.0, 0, 0) })
        .value(0.0, 11.0)
        .acknowledge(5.0)
        .pass(3_604.0)
        .expect(State::Acknowledged)
        .pass(3_605.0)
        .expect(State::Unacknowledged);
    let last = story.made.last().expect("again");
    assert_eq!((last.occurrence, last.sequence), (1, 3), "the same occurrence");
    story.acknowledge(3_700.0).value(3_800.0, 5.0).expect(State::Normal).pass(99_999.0).expect(State::Normal);
}

#[test]
fn maintenance_comes_before_a_shelf_and_both_before_the_condition() {
    let hour = Duration::from_secs(3_600);
    let story = Story::of(limit(Side::High, 10.0, 1.0, 0, 0))
        .value(0.0, 11.0)
        .order(1.0, Order::Remove)
        .expect(State::OutOfService)
        .order(2.0, Order::Shelve { time: hour })
        .expect(State::OutOfService)
        .value(3.0, 5.0)
        .value(4.0, 12.0)
        .expect(State::OutOfService)
        .order(5.0, Order::Return)
        .expect(State::Unacknowledged);
    assert_eq!(story.made.last().expect("back").occurrence, 2, "what it was before was withheld");
}

#[test]
fn orders_are_checked() {
    let mut story = Story::of(limit(Side::High, 10.0, 1.0, 0, 0)).value(0.0, 11.0);
    let mut order = |order, by, why| {
        story.alarms.order(s(1.0), AlarmIndex(0), order, Said::new(by, why), &mut story.made)
    };
    let hours = |hours: u64| Order::Shelve { time: Duration::from_hours(hours) };
    assert_eq!(order(Order::Acknowledge { occurrence: None }, " ", None), Err(OrderError::Nobody));
    assert_eq!(order(hours(1), "kim", None), Err(OrderError::NoReason));
    assert_eq!(order(hours(1), "kim", Some("  ")), Err(OrderError::NoReason));
    assert_eq!(order(hours(0), "kim", Some("parts")), Err(OrderError::ShelfTime));
    assert_eq!(order(hours(169), "kim", Some("parts")), Err(OrderError::ShelfTime));
    assert_eq!(
        order(Order::Acknowledge { occurrence: Some(7) }, "kim", None),
        Err(OrderError::EarlierOccurrence)
    );
    assert_eq!(order(Order::Unshelve, "kim", None), Err(OrderError::NothingToDo(State::Unacknowledged)));
    assert_eq!(order(Order::Acknowledge { occurrence: Some(1) }, "kim", None), Ok(()));
}

#[test]
fn an_estimate_raises_only_once_it_is_as_probable_as_asked() {
    let settings = LimitSettings {
        subject: Subject::Estimate(EstimateKind::Hardness),
        terms: Terms::Probability(0.8),
        ..limit(Side::High, 400.0, 20.0, 0, 0)
    };
    let settings = AlarmSettings { limits: vec![settings], ..AlarmSettings::default() };
    let mut alarms = alarms(&settings, 0);
    let mut made = Vec::new();
    // A normal distribution of standard deviation 20: half its 90 % interval is 32.9 wide (z = 1.6449), and 80 % lie over
    // 400 where the mean is 400 + 0.8416 · 20 = 416.8 (table of the normal distribution).
    for (second, value, expected) in
        [(0, 400.0, State::Normal), (1, 416.0, State::Normal), (2, 417.5, State::Unacknowledged)]
    {
        let estimate = Estimate { value, low90: value - 32.9, high90: value + 32.9, quality: Quality::GOOD };
        alarms.observe_estimate(
            s(f64::from(second)),
            SumpIndex(0),
            EstimateKind::Hardness,
            Ok(estimate),
            &mut made,
        );
        assert_eq!(alarms.get(AlarmIndex(0)).1.state, expected, "at {value}");
    }
    let unknown = Err(Quality::WAITING);
    alarms.observe_estimate(s(3.0), SumpIndex(0), EstimateKind::Hardness, unknown, &mut made);
    assert_eq!(alarms.get(AlarmIndex(0)).1.state, State::Unacknowledged, "not known is not over");
}

#[test]
fn a_forecast_alarms_within_its_days_and_ends_some_way_off() {
    let settings = LimitSettings {
        subject: Subject::Estimate(EstimateKind::Hardness),
        terms: Terms::WithinDays(14.0),
        ..limit(Side::High, 400.0, 0.0, 0, 0)
    };
    let settings = AlarmSettings { limits: vec![settings], ..AlarmSettings::default() };
    let mut alarms = alarms(&settings, 0);
    let [index] = alarms.ahead(SumpIndex(0))[..] else { panic!("one looks ahead") };
    let mut made = Vec::new();
    let estimate = Estimate { value: 300.0, low90: 280.0, high90: 320.0, quality: Quality::GOOD };
    for (second, days, expected) in [
        (0, 15.0, State::Normal),
        (1, 14.0, State::Unacknowledged),
        (2, 17.0, State::Unacknowledged),
        (3, 18.0, State::ReturnedUnacknowledged),
    ] {
        let crossing = Crossing { days, low90: days - 3.0, high90: days + 5.0, never_share: 0.0 };
        alarms.observe_ahead(s(f64::from(second)), index, Ok(estimate), Some(&crossing), &mut made);
        assert_eq!(alarms.get(index).1.state, expected, "{days} days ahead");
    }
}

#[test]
fn what_is_worked_out_holds_until_it_is_told_otherwise() {
    let condition = ConditionSettings::default_for(SumpIndex(0), Condition::UnexplainedLoss);
    let settings = AlarmSettings { conditions: vec![condition], ..AlarmSettings::default() };
    let mut alarms = alarms(&settings, 0);
    let mut made = Vec::new();
    let loss = (SumpIndex(0), Condition::UnexplainedLoss);
    let mut tell = |second: f64, holds, value| {
        let finding = Finding { holds, value, ..Finding::default() };
        alarms.observe_condition(s(second), loss, &finding, &mut made);
        alarms.get(AlarmIndex(0)).1.state
    };
    assert_eq!(tell(0.0, Some(true), Some(12.0)), State::Unacknowledged);
    assert_eq!(tell(1.0, None, None), State::Unacknowledged, "not known is not over");
    assert_eq!(tell(2.0, Some(false), None), State::ReturnedUnacknowledged);
    assert_eq!(made[0].seen.value, Some(12.0));
    assert_eq!(alarms.key(AlarmIndex(0)), "lathe-1/unexplained-loss");
}

#[test]
fn a_delay_that_ends_while_limits_rest_ends_in_silence() {
    let begun = || Story::of(limit(Side::Low, 40.0, 5.0, 10, 10)).value(0.0, 39.0);
    begun().rest(5.0, true).pass(60.0).expect(State::SuppressedByDesign);
    begun().rest(5.0, false).pass(60.0).expect(State::Unacknowledged);
}

#[test]
fn limits_that_rest_neither_raise_nor_clear_and_start_over_after() {
    let story = Story::of(limit(Side::Low, 40.0, 5.0, 10, 10))
        .value(0.0, 39.0)
        .rest(1.0, true)
        .value(5.0, 39.0)
        .value(30.0, 39.0)
        .expect(State::SuppressedByDesign)
        .rest(30.5, false)
        .expect(State::Normal)
        .value(31.0, 39.0)
        .value(40.4, 39.0)
        .expect(State::Normal)
        .value(40.5, 39.0)
        .expect(State::Unacknowledged);
    // What stands is suppressed; afterwards its condition begins anew.
    story
        .rest(42.0, true)
        .expect(State::SuppressedByDesign)
        .value(50.0, 39.0)
        .rest(60.0, false)
        .expect(State::Normal)
        .pass(69.0)
        .expect(State::Normal)
        .pass(70.0)
        .expect(State::Unacknowledged);
    Story::of_instrument(10, 10).rest(0.0, true).bad(0.0).bad(10.0).expect(State::Unacknowledged);
}

fn things<'a>(things: &'a [&'a str]) -> Finding<'a> {
    Finding { holds: Some(true), value: Some(1.0), things, ..Finding::default() }
}

#[test]
fn a_second_thing_that_is_due_is_told_to_whoever_has_seen_the_first() {
    let condition = ConditionSettings::default_for(SumpIndex(0), Condition::CheckOverdue);
    let settings = AlarmSettings { conditions: vec![condition], ..AlarmSettings::default() };
    let due = (SumpIndex(0), Condition::CheckOverdue);
    let mut before = alarms(&settings, 0);
    let mut made = Vec::new();
    before.observe_condition(s(0.0), due, &things(&["look"]), &mut made);
    let seen = Order::Acknowledge { occurrence: None };
    before.order(s(1.0), AlarmIndex(0), seen, Said::new("kim", None), &mut made).expect("it stands");
    before.observe_condition(s(2.0), due, &things(&["look"]), &mut made);
    let mut kept = Vec::new();
    before.save(s(2.0), |_, bytes| kept = bytes);
    let mut after = alarms(&settings, 0);
    assert!(after.restore(s(3.0), AlarmIndex(0), &kept));
    made.clear();
    after.observe_condition(s(4.0), due, &things(&["look"]), &mut made);
    assert!(made.is_empty(), "the same is not told twice, not after a restart either: {made:?}");
    after.observe_condition(s(5.0), due, &things(&["look", "ph"]), &mut made);
    let told: Vec<_> =
        made.iter().map(|made| (made.change, made.occurrence, made.seen.detail.as_str())).collect();
    assert_eq!(told, [(Some(Change::Raised), 1, "look, ph")]);
    after.observe_condition(s(6.0), due, &things(&["ph"]), &mut made);
    assert_eq!(made.len(), 1, "less is no news");
}
