//! A bus that another box polls for a while.

use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_protocol::words::{Encoding, NumberKind};

use super::*;
use crate::acquire::settings::{BusLink, BusSettings, DeviceSettings, Point};
use crate::model::BusIndex;

const BUS: BusIndex = BusIndex(0);

/// The shop with its level behind a bus.
fn shared() -> Story {
    let point = Point {
        probe: LEVEL,
        address: Address::new(Table::InputRegister, 0),
        encoding: Encoding::of(NumberKind::U16),
        period: Duration::from_secs(60),
    };
    let device = DeviceSettings {
        name: name("head"),
        unit_id: 1,
        timeout: Duration::from_secs(1),
        retries: 0,
        turnaround: Duration::ZERO,
        silent_interval: None,
        worst_reply: Duration::from_secs(1),
        registers_max: 125,
        gap_max: 4,
        points: vec![point],
    };
    let bus = BusSettings {
        name: name("line-1"),
        link: BusLink::Tcp { address: "192.0.2.10:502".to_owned() },
        connect_timeout: Duration::from_secs(3),
        reconnect: (Duration::from_secs(1), Duration::from_secs(10)),
        devices: vec![device],
    };
    let settings = Settings { buses: vec![bus], ..shop() };
    Story { engine: Engine::new(settings).expect("sound settings"), out: Outbound::default() }
}

impl Story {
    fn stand_by(&mut self, second: u64, stands_by: bool) {
        self.pass(second);
        self.engine.handle(at(second), Input::StandingBy(BUS, stands_by));
        self.engine.drain(&mut self.out);
    }

    fn go_on(&mut self, until: u64) {
        self.pass(until);
        self.engine.drain(&mut self.out);
    }
}

#[test]
fn what_stands_is_withheld_and_comes_back_with_this_box() {
    let mut story = shared();
    for minute in 0..3 {
        story.read(60 * minute, LEVEL, Raw::Number(1490.0));
    }
    story.stand_by(200, true);
    assert_eq!(story.states(), [("level-low", "UNACK"), ("level-low", "DSUPR")]);
    let view = &story.engine.snapshot().sumps[0];
    assert_eq!(view.standing_by_since.as_deref(), Some("1970-01-01T00:03:20Z"));
    assert_eq!(view.probes[0].quality.reason, Reason::StandingBy.text());
    assert_eq!(view.probes[0].value, None);

    // A day later nothing has gone stale, nothing was told, and nothing was estimated.
    story.out.samples.clear();
    story.go_on(86_400);
    assert_eq!(story.states().len(), 2, "{:?}", story.states());
    assert_eq!(story.out.samples, []);

    story.stand_by(86_400, false);
    assert_eq!(story.engine.snapshot().sumps[0].standing_by_since, None);
    for minute in 1..4 {
        story.read(86_400 + 60 * minute, LEVEL, Raw::Number(1490.0));
    }
    let last = story.states().pop();
    assert_eq!(last, Some(("level-low", "UNACK")), "it begins anew with its delay: {:?}", story.states());
}

#[test]
fn an_instrument_alarm_neither_comes_up_nor_stays() {
    let mut story = shared();
    story.read(0, LEVEL, Raw::Fault(Fault::NoValue)).read(40, LEVEL, Raw::Fault(Fault::NoValue));
    assert_eq!(story.states(), [("instrument/level", "UNACK")]);
    story.stand_by(50, true);
    story.go_on(7_200);
    assert_eq!(story.states(), [("instrument/level", "UNACK"), ("instrument/level", "DSUPR")]);

    let mut quiet = shared();
    quiet.stand_by(0, true);
    quiet.go_on(7_200);
    assert_eq!(quiet.states(), []);
    // It polls, and the probe says nothing: that is its own trouble now.
    quiet.stand_by(7_200, false);
    quiet.read(7_210, LEVEL, Raw::Fault(Fault::NoValue)).read(7_260, LEVEL, Raw::Fault(Fault::NoValue));
    assert_eq!(quiet.states(), [("instrument/level", "UNACK")]);
}

#[test]
fn who_polls_a_bus_outlasts_a_new_configuration() {
    let mut story = shared();
    for minute in 0..3 {
        story.read(60 * minute, LEVEL, Raw::Number(1490.0));
    }
    story.stand_by(200, true);
    let settings = story.engine.settings().clone();
    let mut story = succession::taken_over(story, settings, 3_600);
    assert_eq!(story.states(), [], "nothing is said of it");
    let view = &story.engine.snapshot().sumps[0];
    assert_eq!(view.standing_by_since.as_deref(), Some("1970-01-01T00:03:20Z"));
    assert_eq!(view.probes[0].quality.reason, Reason::StandingBy.text());
    // And this box takes the bus as if nothing had been between.
    story.stand_by(4_000, false);
    assert_eq!(story.engine.snapshot().sumps[0].standing_by_since, None);
    for minute in 1..4 {
        story.read(4_000 + 60 * minute, LEVEL, Raw::Number(1490.0));
    }
    assert_eq!(story.states(), [("level-low", "NORM"), ("level-low", "UNACK")], "with its delay");
}
