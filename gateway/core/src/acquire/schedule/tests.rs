use std::collections::BTreeSet;

use proptest::prelude::*;
use sumpwarden_protocol::words::{Encoding, NumberKind, Order};

use super::super::plan::plan;
use super::super::testing::{bus, device, inputs, line, ms, point, tcp};
use super::*;
use crate::acquire::settings::BusLink;
use crate::model::{ProbeIndex, Raw, Timestamp};

/// What a simulated device does with a request.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Does {
    /// Answers; every word is its own address.
    Answer(Duration),
    Except(u8),
    Nothing,
    Garble,
    Cut,
}

/// One bus in simulated time.
struct World {
    schedule: Schedule,
    now: Uptime,
    readings: Vec<RawReading>,
    /// Start, end and request of every poll.
    polls: Vec<(Uptime, Uptime, Exchange)>,
}

impl World {
    fn new(settings: &BusSettings) -> Self {
        let now = Uptime::from_nanos(1_000_000_000);
        let mut schedule = Schedule::new(BusIndex(0), settings, &plan(settings).unwrap(), now);
        schedule.connected();
        Self { schedule, now, readings: Vec::new(), polls: Vec::new() }
    }

    fn stamp(&self) -> Now {
        Now { uptime: self.now, utc: Timestamp::from_nanos(self.now.as_nanos() as i64) }
    }

    /// Runs for `length` with devices that behave as `does` says.
    fn run(&mut self, length: Duration, mut does: impl FnMut(&Exchange, Uptime) -> Does) -> &mut Self {
        let end = self.now.plus(length);
        while self.now < end {
            match self.schedule.next(self.stamp(), &mut self.readings) {
                Next::Wait(until) => {
                    assert!(until > self.now, "a wait goes forward");
                    self.now = until.min(end);
                }
                Next::NotConnected(_) => {}
                Next::Exchange(exchange) => {
                    let start = self.now;
                    self.carry_out(&exchange, does(&exchange, start));
                    self.polls.push((start, self.now, exchange));
                }
            }
            assert!(self.schedule.counters().all(DeviceCounters::balanced));
        }
        self
    }

    fn carry_out(&mut self, exchange: &Exchange, does: Does) {
        let words: Vec<u16> = (0..exchange.quantity).map(|i| exchange.start + i).collect();
        let (takes, outcome) = match does {
            Does::Answer(takes) => (takes, Outcome::Reply(Reply::Words(&words))),
            Does::Except(code) => (ms(5), Outcome::Exception(code)),
            Does::Nothing => (exchange.patience, Outcome::NoReply),
            Does::Garble => (ms(5), Outcome::BadFrame),
            Does::Cut => (ms(1), Outcome::Lost { partial: false }),
        };
        self.now = self.now.plus(takes);
        self.schedule.finished(outcome, self.stamp(), &mut self.readings);
        if does == Does::Cut {
            self.schedule.disconnected();
        }
    }

    fn counters(&self, device: usize) -> DeviceCounters {
        *self.schedule.counters().nth(device).unwrap()
    }

    fn faults(&self) -> BTreeSet<(u32, String)> {
        let fault = |r: &RawReading| match r.raw {
            Raw::Fault(fault) => Some((r.probe.0, format!("{fault:?}"))),
            Raw::Number(_) => None,
        };
        self.readings.iter().filter_map(fault).collect()
    }
}

const QUICK: Does = Does::Answer(Duration::from_millis(2));

fn seconds(s: u64) -> Duration {
    Duration::from_secs(s)
}

#[test]
fn polls_keep_to_their_grid_and_do_not_drift() {
    let settings = bus(tcp(), vec![device(1, inputs(0..10, seconds(1)))]);
    let mut world = World::new(&settings);
    world.run(seconds(600), |_, _| QUICK);
    let starts: Vec<_> = world.polls.iter().map(|p| p.0).collect();
    assert!((600..=601).contains(&starts.len()), "{}", starts.len());
    assert!(starts[2..].windows(2).all(|w| w[1].since(w[0]) == seconds(1)));
    assert_eq!(world.counters(0).skipped, 0);
    assert!(
        world.readings.iter().all(|r| r.raw == Raw::Number(r.probe.0.into())),
        "each word is its address"
    );
    assert_eq!(world.readings.len(), 10 * starts.len());
}

#[test]
fn the_first_values_come_soon_whatever_the_period() {
    let mut world = World::new(&bus(tcp(), vec![device(1, inputs([0, 50, 100], seconds(3600)))]));
    world.run(START_SPREAD + ms(10), |_, _| QUICK);
    assert_eq!(world.polls.len(), 3);
}

#[test]
fn requests_of_many_buses_and_of_one_bus_are_spread() {
    let settings = bus(tcp(), vec![device(1, inputs([0], seconds(1)))]);
    let plan_of = plan(&settings).unwrap();
    let mut dues: Vec<_> = (0..500)
        .map(|i| {
            let now = Now { uptime: Uptime::from_nanos(5), utc: Timestamp::from_nanos(0) };
            let mut schedule = Schedule::new(BusIndex(i), &settings, &plan_of, now.uptime);
            schedule.connected();
            match schedule.next(now, &mut Vec::new()) {
                Next::Exchange(exchange) => exchange.due,
                Next::Wait(until) => until,
                Next::NotConnected(_) => unreachable!("connected"),
            }
        })
        .collect();
    dues.sort_unstable();
    let closest = dues.windows(2).map(|w| w[1].since(w[0])).min().unwrap();
    assert!(closest > START_SPREAD / 2000, "500 polls, closest {closest:?} apart");

    let mut world = World::new(&bus(tcp(), (1..=20).map(|u| device(u, inputs([0], seconds(1)))).collect()));
    world.run(seconds(10), |_, _| QUICK);
    let late = world.polls.iter().map(|p| p.0.since(p.2.due)).max().unwrap();
    assert!(late <= ms(3), "no poll waits for more than the one before it, {late:?}");
}

#[test]
fn a_late_bus_skips_and_counts_instead_of_queueing() {
    let mut world = World::new(&bus(tcp(), vec![device(1, inputs([0], ms(100)))]));
    world.run(seconds(10), |_, _| Does::Answer(ms(350)));
    let counters = world.counters(0);
    assert!(counters.polls_sent.abs_diff(28) <= 2, "{counters:?}");
    assert!((counters.polls_sent + counters.skipped).abs_diff(100) <= 4, "{counters:?}");
    let late = world.polls.iter().map(|p| p.0.since(p.2.due)).max().unwrap();
    assert!(late < ms(100), "the newest due poll runs, not the oldest: {late:?}");
}

#[test]
fn one_dead_device_among_32_costs_at_most_its_share() {
    // Points due faster than the line can serve them, so that every second lost shows.
    let settings = bus(line(19_200), (1..=32).map(|u| device(u, inputs(0..10, ms(100)))).collect());
    let polls = |dead: Option<u8>| {
        let mut world = World::new(&settings);
        world.run(
            seconds(600),
            |e, _| if Some(e.unit_id) == dead { Does::Nothing } else { Does::Answer(ms(25)) },
        );
        let healthy = world.polls.iter().filter(|p| Some(p.2.unit_id) != dead).count();
        let spent: Duration =
            world.polls.iter().filter(|p| Some(p.2.unit_id) == dead).map(|p| p.1.since(p.0)).sum();
        (healthy, spent, world)
    };
    let (without, _, _) = polls(None);
    let (with, spent, world) = polls(Some(7));
    // 31 devices share what 32 had, less one share at most.
    assert!(
        with as f64 >= without as f64 * 31.0 / 32.0,
        "{with} polls of the others against {without} of all"
    );
    assert!(spent < seconds(600) / 32, "the dead one took {spent:?}");
    let counts: Vec<_> = world.schedule.counters().map(|c| c.replies_ok).filter(|n| *n > 0).collect();
    let (least, most) = (*counts.iter().min().unwrap(), *counts.iter().max().unwrap());
    assert!(most - least <= 2, "the others get equal turns: {least} to {most}");
    assert_eq!(world.schedule.silent().collect::<Vec<_>>(), [DeviceIndex(6)]);
    assert!(world.readings.iter().any(|r| r.raw == Raw::Fault(Fault::NoReply)));
}

#[test]
fn on_a_full_line_a_device_long_dead_costs_half_a_percent_and_elsewhere_is_asked_once_a_minute() {
    // Ten registers take 23 ms of this line: with a period of 100 ms 32 devices ask for seven times what it has, with 10 s
    // for a fourteenth. Waiting for the dead one takes a second.
    for (period, least, most) in [(ms(100), 198, 202), (seconds(10), 58, 62)] {
        let mut settings = bus(line(19_200), (1..=32).map(|u| device(u, inputs(0..10, period))).collect());
        for device in &mut settings.devices {
            (device.timeout, device.worst_reply) = (ms(500), seconds(1));
        }
        let mut world = World::new(&settings);
        world.run(seconds(3600), |e, _| if e.unit_id == 7 { Does::Nothing } else { Does::Answer(ms(25)) });
        let asked: Vec<_> = world.polls.iter().filter(|p| p.2.unit_id == 7).map(|p| p.0).collect();
        let pauses = asked.windows(2).map(|pair| pair[1].since(pair[0]));
        let longest = pauses.max().expect("it was asked more than once");
        assert!((seconds(least)..seconds(most)).contains(&longest), "period {period:?}: {longest:?}");
    }
}

#[test]
fn a_silent_device_comes_back_at_full_rate_with_its_first_reply() {
    let mut world = World::new(&bus(tcp(), vec![device(1, inputs([0, 100], seconds(1)))]));
    world.run(seconds(300), |_, _| Does::Nothing);
    let silent = world.polls.len();
    assert!(silent < 60, "asked {silent} times in 300 s instead of 600");
    let waits: Vec<_> = world.polls.windows(2).map(|w| w[1].0.since(w[0].0)).collect();
    assert!(waits.iter().all(|w| *w <= PROBE_WAIT_MAX + ms(500)));
    world.run(seconds(120), |_, _| QUICK);
    let back = world.polls[silent].0;
    let full: Vec<_> = world.polls[silent..].iter().filter(|p| p.0 < back.plus(seconds(20))).collect();
    assert!(full.len() >= 38, "{} polls in the 20 s after the first reply", full.len());
}

#[test]
fn a_time_out_is_repeated_then_reported_and_the_bus_stays_quiet() {
    let mut world = World::new(&bus(
        line(9600),
        vec![device(1, inputs([0], seconds(1))), device(2, inputs([0], seconds(1)))],
    ));
    let mut first = true;
    world.run(
        seconds(2),
        |e, _| if e.unit_id == 1 && std::mem::take(&mut first) { Does::Nothing } else { QUICK },
    );
    let place = world.polls.iter().position(|p| p.2.unit_id == 1).unwrap();
    let (asked, _, exchange) = world.polls[place];
    let on_wire = exchange.patience - ms(200);
    // MODBUS over serial line V1.02, 2.5.1.1: eleven bits a character; 8 characters ask, 7 answer with one register.
    assert_eq!(on_wire.as_micros(), 15 * 11 * 1_000_000 / 9600);
    let again = world.polls[place + 1].0;
    assert_eq!(again.since(asked), ms(300) + on_wire, "worst_reply, counted from the request, and the wire");
    assert!(world.faults().is_empty(), "the repeat brought the value");
    assert_eq!((world.counters(0).timeouts, world.counters(1).timeouts), (1, 0));
}

/// The next thing to do on a bus, which must be a request.
fn request(world: &mut World) -> Exchange {
    match world.schedule.next(world.stamp(), &mut world.readings) {
        Next::Exchange(exchange) => exchange,
        other => panic!("{other:?} instead of a request"),
    }
}

/// The next thing to do on a bus, which must be to wait; how long after the first moment of the world.
fn wait(world: &mut World) -> Duration {
    match world.schedule.next(world.stamp(), &mut world.readings) {
        Next::Wait(until) => until.since(Uptime::from_nanos(1_000_000_000)),
        other => panic!("{other:?} instead of a wait"),
    }
}

#[test]
fn a_line_stays_quiet_from_when_a_request_really_left() {
    let mut world = World::new(&bus(line(115_200), vec![device(1, inputs([0], seconds(1)))]));
    world.now = world.now.plus(seconds(1));
    let exchange = request(&mut world);
    // The machine was busy between the decision and the write.
    let left = world.now.plus(ms(250));
    world.schedule.sent(left);
    world.now = left.plus(exchange.patience);
    world.schedule.finished(Outcome::NoReply, world.stamp(), &mut world.readings);
    assert_eq!(wait(&mut world), seconds(1) + ms(250) + ms(300) + (exchange.patience - ms(200)));
}

#[test]
fn a_reply_on_a_line_survives_the_connection_to_its_serial_server() {
    let BusLink::Rtu { line: rate, .. } = line(9600) else { unreachable!("made so") };
    let through = BusLink::RtuOverTcp { address: "192.0.2.1:4001".to_owned(), line: rate };
    let mut world = World::new(&bus(through, vec![device(1, inputs([0], seconds(1)))]));
    world.now = world.now.plus(seconds(1));
    let exchange = request(&mut world);
    world.now = world.now.plus(ms(1));
    world.schedule.finished(Outcome::Lost { partial: false }, world.stamp(), &mut world.readings);
    world.schedule.disconnected();
    world.schedule.connected();
    assert_eq!(wait(&mut world), seconds(1) + ms(300) + (exchange.patience - ms(200)));
}

#[test]
fn the_first_request_after_connecting_may_fail_once() {
    let mut settings = bus(tcp(), vec![device(1, inputs([0], seconds(1)))]);
    settings.devices[0].retries = 0;
    let mut world = World::new(&settings);
    let mut asked = 0;
    world.run(seconds(5), |_, _| {
        asked += 1;
        if asked == 1 { Does::Nothing } else { QUICK }
    });
    assert!(world.faults().is_empty());
    let mut world = World::new(&settings);
    world.run(seconds(5), |_, _| Does::Nothing);
    assert!(world.faults().contains(&(0, "NoReply".to_owned())), "but not for ever");
}

#[test]
fn a_lost_connection_is_reported_at_the_polls_own_pace() {
    let mut world = World::new(&bus(tcp(), vec![device(1, inputs([0], seconds(1)))]));
    world.run(seconds(5), |_, _| QUICK).run(ms(1100), |_, _| Does::Cut);
    let before = world.readings.len();
    world.run(seconds(10), |_, _| unreachable!("nothing is sent without a connection"));
    assert!((world.readings.len() - before).abs_diff(10) <= 1);
    let counters = world.counters(0);
    assert!(counters.not_connected.abs_diff(10) <= 1, "{counters:?}");
    assert_eq!(counters.timeouts, 1, "the poll that was cut");
    world.schedule.connected();
    world.run(seconds(5), |_, _| QUICK);
    assert_eq!(world.readings.last().unwrap().raw, Raw::Number(0.0));
}

#[test]
fn a_poll_waits_for_a_connection_as_long_as_for_a_reply() {
    let mut world = World::new(&bus(tcp(), vec![device(1, inputs([0], seconds(1)))]));
    world.run(seconds(5), |_, _| QUICK);
    world.schedule.disconnected();
    let Next::Wait(until) = world.schedule.next(world.stamp(), &mut world.readings) else {
        panic!("nothing is due")
    };
    world.now = Uptime::from_nanos(until.as_nanos() - 50_000_000);
    world.schedule.connected();
    world.run(ms(100), |_, _| QUICK);
    assert_eq!(world.counters(0).not_connected, 0);
    assert!(world.faults().is_empty());
}

#[test]
fn a_connection_looks_dead_when_nobody_on_it_answers() {
    let settings = bus(tcp(), (1..=3).map(|u| device(u, inputs([0], seconds(1)))).collect());
    let mut world = World::new(&settings);
    world.run(seconds(60), |e, _| if e.unit_id == 2 { Does::Nothing } else { QUICK });
    assert!(!world.schedule.looks_dead(), "one dead unit behind a living gateway");
    world.run(seconds(60), |e, _| if e.unit_id == 2 { Does::Except(11) } else { QUICK });
    assert!(!world.schedule.looks_dead());
    world.run(seconds(3), |_, _| Does::Nothing);
    assert!(world.schedule.looks_dead());
    let mut alone = World::new(&bus(tcp(), vec![device(1, inputs([0], seconds(1)))]));
    alone.run(seconds(3), |_, _| QUICK).run(seconds(3), |_, _| Does::Nothing);
    assert!(alone.schedule.looks_dead(), "half-open, found within two polls");
}

#[test]
fn a_busy_device_is_asked_again_a_little_later() {
    let mut world = World::new(&bus(tcp(), vec![device(1, inputs([0], seconds(10)))]));
    let mut busy = 2;
    world.run(seconds(9), |_, _| {
        busy -= 1;
        if busy >= 0 { Does::Except(6) } else { QUICK }
    });
    assert!(world.faults().is_empty());
    assert_eq!(world.readings.len(), 1);
    assert!(world.polls.windows(2).all(|w| w[1].0.since(w[0].1) >= BUSY_WAIT));
    let mut world = World::new(&bus(tcp(), vec![device(1, inputs([0], seconds(10)))]));
    world.run(seconds(9), |_, _| Does::Except(5));
    assert_eq!(world.polls.len(), 1 + usize::from(BUSY_TRIES));
    assert_eq!(world.faults().into_iter().collect::<Vec<_>>(), [(0, "Exception(5)".to_owned())]);
    assert_eq!(world.counters(0).exceptions_by_code[5], 4);
}

#[test]
fn exceptions_that_no_repeat_cures() {
    for (code, place) in [(4, 4), (8, 8), (0x7F, 0)] {
        let mut world = World::new(&bus(tcp(), vec![device(1, inputs([0, 1], seconds(1)))]));
        world.run(seconds(10), |_, _| Does::Except(code));
        assert!((10..=12).contains(&world.polls.len()), "asked at its usual rate");
        assert_eq!(world.counters(0).exceptions_by_code[place], world.counters(0).exceptions);
        assert!(world.faults().contains(&(1, format!("Exception({code})"))));
    }
}

#[test]
fn a_unit_that_the_gateway_cannot_reach_costs_only_itself() {
    let settings = bus(tcp(), (1..=4).map(|u| device(u, inputs([0], seconds(1)))).collect());
    let mut world = World::new(&settings);
    world.run(seconds(60), |e, _| if e.unit_id == 3 { Does::Except(11) } else { QUICK });
    assert_eq!(world.schedule.silent().collect::<Vec<_>>(), [DeviceIndex(2)]);
    assert!(world.counters(2).polls_sent < 15);
    assert!([0, 1, 3].iter().all(|&d| world.counters(d).replies_ok >= 59));
}

#[test]
fn a_refused_point_is_asked_once_a_minute_and_the_rest_read_on() {
    let mut world = World::new(&bus(tcp(), vec![device(1, inputs(0..16, seconds(1)))]));
    let bad = 11;
    let holds = |e: &Exchange, at: u16| (e.start..e.start + e.quantity).contains(&at);
    world.run(seconds(300), |e, _| if holds(e, bad) { Does::Except(2) } else { QUICK });
    assert_eq!(world.faults().into_iter().collect::<Vec<_>>(), [(11, "Exception(2)".to_owned())]);
    assert!(
        (9..=10).contains(&world.counters(0).exceptions),
        "4 halvings, then one a minute: {:?}",
        world.counters(0)
    );
    for probe in (0..16).filter(|p| *p != u32::from(bad)) {
        let values = world.readings.iter().filter(|r| r.probe == ProbeIndex(probe)).count();
        assert!((299..=303).contains(&values), "point {probe}: {values}");
    }
}

#[test]
fn a_device_that_refuses_only_while_it_starts_is_read_whole_again() {
    let mut world = World::new(&bus(tcp(), vec![device(1, inputs(0..8, seconds(1)))]));
    world.run(seconds(30), |_, _| Does::Except(2));
    world.run(seconds(900), |_, _| QUICK);
    assert_eq!(world.polls.last().unwrap().2.quantity, 8);
    let last: Vec<_> = world.readings.iter().rev().take(8).map(|r| r.probe.0).collect();
    assert_eq!(last.iter().rev().copied().collect::<Vec<_>>(), (0..8).collect::<Vec<_>>());
}

#[test]
fn a_gap_that_may_not_be_read_is_found_too() {
    let mut world = World::new(&bus(tcp(), vec![device(1, inputs([0, 1, 4, 5], seconds(1)))]));
    let gap = |e: &Exchange| e.start <= 3 && e.start + e.quantity > 2;
    world.run(seconds(10), |e, _| if gap(e) { Does::Except(2) } else { QUICK });
    assert!(world.faults().is_empty(), "no point is to blame");
    assert_eq!(world.counters(0).exceptions, 1);
}

#[test]
fn words_become_numbers_or_the_reason_why_not() {
    let mut points = vec![
        point(0, Table::HoldingRegister, 0, NumberKind::F32, seconds(1)),
        point(1, Table::HoldingRegister, 2, NumberKind::I16, seconds(1)),
        point(2, Table::HoldingRegister, 3, NumberKind::F32, seconds(1)),
        point(3, Table::HoldingRegister, 5, NumberKind::U64, seconds(1)),
        point(4, Table::HoldingRegister, 9, NumberKind::BitField { low: 4, width: 4 }, seconds(1)),
    ];
    points[0].encoding = Encoding { order: Order::Cdab, ..Encoding::of(NumberKind::F32) };
    points[1].encoding.no_value = vec![0x8000];
    let mut world = World::new(&bus(tcp(), vec![device(1, points)]));
    let now = Now { uptime: world.now.plus(ms(300)), utc: Timestamp::from_nanos(1_700_000_000_123_456_789) };
    assert!(matches!(world.schedule.next(now, &mut Vec::new()), Next::Exchange(_)));
    // 12.5 is 0x41480000 (IEEE 754), the second float a NaN, the 64-bit word far over 2^53.
    let words = [0, 0x4148, 0x8000, 0x7FC0, 0, 0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF, 0x00A5];
    let mut readings = Vec::new();
    world.schedule.finished(Outcome::Reply(Reply::Words(&words)), now, &mut readings);
    let raws: Vec<_> = readings.iter().map(|r| r.raw).collect();
    let fault = Raw::Fault;
    let expected = [
        Raw::Number(12.5),
        fault(Fault::NoValue),
        fault(Fault::NotFinite),
        fault(Fault::TooLarge),
        Raw::Number(10.0),
    ];
    assert_eq!(raws, expected);
    assert!(
        readings
            .iter()
            .all(|r| r.at == Timestamp::from_millis(1_700_000_000_123) && r.received == now.uptime)
    );
}

#[test]
fn bits_are_read_by_their_place() {
    let coils = [3, 5].map(|i| point(i.into(), Table::Coil, i, NumberKind::Bit, seconds(1)));
    let mut world = World::new(&bus(tcp(), vec![device(1, coils.to_vec())]));
    world.now = world.now.plus(ms(300));
    assert!(matches!(world.schedule.next(world.stamp(), &mut Vec::new()), Next::Exchange(_)));
    world.schedule.finished(
        Outcome::Reply(Reply::Bits(&[true, true, false])),
        world.stamp(),
        &mut world.readings,
    );
    let raws: Vec<_> = world.readings.iter().map(|r| (r.probe.0, r.raw)).collect();
    assert_eq!(raws, [(3, Raw::Number(1.0)), (5, Raw::Number(0.0))]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn splitting_finds_exactly_the_bad_addresses(
        bad in proptest::collection::btree_set(0u16..60, 0..12), step in 1u16..3, registers_max in 4u16..64,
    ) {
        let mut device = device(1, inputs((0..60).step_by(usize::from(step)), seconds(1)));
        device.registers_max = registers_max;
        let asked: BTreeSet<u16> = (0..60).step_by(usize::from(step)).collect();
        let mut world = World::new(&bus(tcp(), vec![device]));
        let holds = |e: &Exchange| bad.range(e.start..e.start + e.quantity).next().is_some();
        world.run(seconds(50), |e, _| if holds(e) { Does::Except(2) } else { QUICK });
        let blamed: BTreeSet<u16> = world.faults().into_iter().map(|(p, _)| p as u16).collect();
        let expected: BTreeSet<u16> = bad.intersection(&asked).copied().collect();
        prop_assert_eq!(&blamed, &expected);
        let last = world.now.as_nanos() - 2_000_000_000;
        let read: BTreeSet<u16> = world.readings.iter()
            .filter(|r| r.received.as_nanos() >= last && matches!(r.raw, Raw::Number(_)))
            .map(|r| r.probe.0 as u16).collect();
        prop_assert_eq!(read, &asked - &bad, "all the others are read to the end");
    }

    #[test]
    fn whatever_happens_polls_are_counted_once_and_silence_is_kept(
        script in proptest::collection::vec(0u8..12, 1..200), serial in any::<bool>(), retries in 0u8..3,
    ) {
        let link = if serial { line(9600) } else { tcp() };
        let mut devices: Vec<_> = (1..=3).map(|u| device(u, inputs([0, 1, 40], ms(200 * u64::from(u))))).collect();
        devices.iter_mut().for_each(|d| d.retries = retries);
        let settings = bus(link, devices);
        let mut world = World::new(&settings);
        let mut steps = script.iter().cycle();
        let mut said = Vec::new();
        for _ in 0..20 {
            world.run(seconds(3), |_, _| {
                let does = match steps.next().unwrap() {
                    0..=4 => QUICK,
                    5 => Does::Nothing,
                    6 => Does::Garble,
                    7 => Does::Except(2),
                    8 => Does::Except(6),
                    9 => Does::Except(10),
                    10 => Does::Answer(ms(900)),
                    _ => Does::Cut,
                };
                said.push(does);
                does
            });
            world.schedule.connected();
        }
        let sent: u64 = world.schedule.counters().map(|c| c.polls_sent).sum();
        prop_assert_eq!(sent, world.polls.len() as u64);
        for (pair, does) in world.polls.windows(2).zip(&said) {
            prop_assert!(pair[1].0 >= pair[0].1, "one at a time");
            let quiet = if matches!(does, Does::Nothing | Does::Garble) { ms(300) } else { Duration::ZERO };
            prop_assert!(pair[1].0 >= pair[0].0.plus(quiet));
            if serial && *does != Does::Cut {
                // 3.5 characters of 11 bits at 9600 baud (Serial Line V1.02, 2.5.1.1).
                prop_assert!(pair[1].0.since(pair[0].1) >= Duration::from_nanos(4_010_416));
            }
        }
    }
}
