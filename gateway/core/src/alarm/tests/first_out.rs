//! A cause with an alarm of its own keeps what it explains quiet.

use super::*;
use crate::alarm::condition::Fault;
use crate::alarm::settings::FaultSettings;

fn key(fault: Fault, of: &str) -> FaultKey {
    FaultKey { fault, of: of.to_owned() }
}

/// A bus with ten devices of four probes each.
fn hall() -> AlarmSettings {
    let fault = |key, silent: Vec<u32>, on_s, behind| FaultSettings {
        key,
        on_delay: Duration::from_secs(on_s),
        off_delay: Duration::from_secs(10),
        priority: Priority::Medium,
        silent: silent.into_iter().map(ProbeIndex).collect(),
        behind,
    };
    let bus = key(Fault::Bus, "hall");
    let device = |n: u32| key(Fault::Device, &format!("d{n}"));
    let mut faults = vec![fault(bus.clone(), (0..40).collect(), 60, Vec::new())];
    faults.extend((0..10).map(|n| fault(device(n), (4 * n..4 * n + 4).collect(), 300, vec![bus.clone()])));
    let instruments = (0..40)
        .map(|n| InstrumentSettings { behind: vec![device(n / 4), bus.clone()], ..instrument(n, 300, 60) });
    AlarmSettings { instruments: instruments.collect(), faults, ..AlarmSettings::default() }
}

struct Hall {
    alarms: Alarms,
    made: Vec<Transition>,
}

impl Hall {
    fn new() -> Self {
        Self { alarms: alarms(&hall(), 40), made: Vec::new() }
    }

    /// The same hall after a restart that takes from `at` to `again`.
    fn restart(&mut self, at: f64, again: f64) -> Self {
        let mut kept = Vec::new();
        self.alarms.save(s(at), |key, bytes| kept.push((key.to_owned(), bytes)));
        let mut after = Self::new();
        for (key, bytes) in &kept {
            let index = after.alarms.find(key).expect("the same settings");
            assert!(after.alarms.restore(s(again), index, bytes));
        }
        after
    }

    fn pass(&mut self, to: f64) {
        while let Some(due) = self.alarms.poll_timeout().filter(|due| *due <= s(to).uptime) {
            let now = Now { uptime: due, utc: Timestamp::from_nanos(due.as_nanos() as i64) };
            self.alarms.tick(now, &mut self.made);
        }
    }

    /// Each probe of `probes` answers, or is silent, once every ten seconds.
    fn polls(&mut self, from: u32, until: u32, answers: impl Fn(u32) -> bool) {
        for second in (from..until).step_by(10) {
            for probe in 0..40 {
                let now = s(f64::from(second) + 0.01 * f64::from(probe));
                self.pass(f64::from(second) + 0.01 * f64::from(probe));
                let silent = Quality::new(Status::BadNoCommunication, DeviceStatus::Failure, Reason::NoReply);
                let measured =
                    if answers(probe) { Measured::Good(1.0, Quality::GOOD) } else { Measured::Bad(silent) };
                let probe = ProbeIndex(probe);
                let measurement =
                    Measurement { probe, at: now.utc, received: now.uptime, raw: None, measured };
                self.alarms.observe(now, &measurement, &mut self.made);
            }
        }
        self.pass(f64::from(until));
    }

    fn annunciated(&self) -> Vec<&str> {
        let made = self.made.iter().filter(|made| made.effect == Effect::Annunciate);
        made.map(|made| self.alarms.key(made.alarm)).collect()
    }
}

#[test]
fn a_dead_bus_with_forty_probes_is_one_alarm() {
    let mut hall = Hall::new();
    hall.polls(0, 60, |_| true);
    hall.polls(60, 3_600, |_| false);
    assert_eq!(hall.annunciated(), ["gateway/bus/hall"]);
    hall.polls(3_600, 7_200, |_| true);
    assert_eq!(hall.annunciated(), ["gateway/bus/hall"], "its end is no alarm either");
    let silenced = hall.alarms.iter().filter(|(.., standing)| standing.state != State::Normal).count();
    assert_eq!(silenced, 1, "the bus alarm that nobody has seen");
}

#[test]
fn after_the_bus_what_is_still_dead_has_an_alarm_of_its_own() {
    let mut hall = Hall::new();
    hall.polls(0, 60, |probe| probe != 39);
    hall.polls(60, 1_800, |_| false);
    hall.polls(1_800, 3_600, |probe| probe >= 4 && probe != 39);
    assert_eq!(hall.annunciated(), ["gateway/bus/hall", "gateway/device/d0", "lathe-1/instrument/p39"]);
}

#[test]
fn what_stood_before_its_cause_goes_on_standing() {
    let mut hall = Hall::new();
    hall.polls(0, 600, |probe| probe != 7);
    assert_eq!(hall.annunciated(), ["lathe-1/instrument/p7"]);
    hall.polls(600, 1_800, |_| false);
    let p7 = hall.alarms.find("lathe-1/instrument/p7").expect("made");
    assert_eq!(hall.alarms.get(p7).1.state, State::Unacknowledged);
    assert_eq!(hall.annunciated(), ["lathe-1/instrument/p7", "gateway/bus/hall"]);
}

#[test]
fn a_bus_that_died_before_a_restart_and_lives_after_it_leaves_nothing_suppressed() {
    let mut hall = Hall::new();
    hall.polls(0, 900, |_| false);
    let mut after = hall.restart(900.0, 1_000.0);
    after.polls(1_000, 1_200, |_| true);
    let left: Vec<_> = (after.alarms.iter())
        .filter(|(.., standing)| standing.state != State::Normal)
        .map(|(index, _, standing)| (after.alarms.key(index), standing.state))
        .collect();
    assert_eq!(left, [("gateway/bus/hall", State::ReturnedUnacknowledged)]);
}

#[test]
fn a_line_that_drops_now_and_then_does_not_hide_a_dead_probe() {
    let mut hall = Hall::new();
    let bus = key(Fault::Bus, "hall");
    hall.polls(0, 30, |_| true);
    for minute in 0..8 {
        hall.polls(30 + 60 * minute, 80 + 60 * minute, |probe| probe != 7);
        let at = f64::from(80 + 60 * minute);
        hall.alarms.observe_fault(s(at), &bus, true, "unplugged", &mut hall.made);
        hall.alarms.observe_fault(s(at + 5.0), &bus, false, "", &mut hall.made);
        hall.pass(at + 9.0);
    }
    assert_eq!(hall.annunciated(), ["lathe-1/instrument/p7"], "five minutes after it fell silent");
}

#[test]
fn what_has_not_been_asked_since_a_restart_counts_as_unknown() {
    let mut hall = Hall::new();
    hall.polls(0, 900, |_| false);
    let mut after = hall.restart(900.0, 900.0);
    // The adapter is there; no device has been asked yet.
    after.alarms.observe_fault(s(901.0), &key(Fault::Bus, "hall"), false, "", &mut after.made);
    after.pass(1_100.0);
    after.polls(1_100, 1_200, |_| false);
    assert!(after.made.is_empty(), "it was dead and is dead: {:?}", after.made);
}
