//! Alarms of a whole shop on a simulated clock, from its configuration to what people hear: waves, a pulled probe, a dead
//! bus, a shelf across a restart, a long weekend.
//!
//! Ten sumps stand on one serial line, a device each with level, pH, temperature and pump contact: forty probes. Every
//! reading is said here; what is judged is who hears what, and how often.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Duration;

use sumpwarden::config::load;
use sumpwarden_core::alarm::condition::Fault as Broken;
use sumpwarden_core::alarm::notice::Notice;
use sumpwarden_core::alarm::order::{Order, Said};
use sumpwarden_core::alarm::settings::FaultKey;
use sumpwarden_core::engine::{Engine, Input, Outbound, Settings};
use sumpwarden_core::model::{Fault, Now, ProbeIndex, Quantity, Raw, RawReading, Timestamp};
use sumpwarden_core::notify::{Action, OutboxEntry};

const SUMPS: usize = 10;
const MINUTE: Duration = Duration::from_secs(60);
const HOUR: Duration = Duration::from_secs(3_600);

/// Sumps on one line, as a shop would write them.
fn configuration() -> String {
    let mut text = String::from(
        "[site]\nname = \"hall-2\"\n\n[bus.line]\nlink = \"modbus-rtu\"\nport = \"/dev/serial/by-id/line\"\nbaud = 115200\n\n\
         [receiver.setter]\nwebhook = { url = \"http://127.0.0.1:9/alarms\" }\n\n[water.mains]\nhardness = \"240 mg/L\"\n\n[fluid.semi]\nrefractometer_factor = 1.4\n\
         conductivity_curve = [[0, 560], [5, 1290], [12, 2190]]\n",
    );
    for n in 1..=SUMPS {
        write!(
            text,
            "\n[device.d{n:02}]\nbus = \"line\"\nunit_id = {n}\n\n[sump.s{n:02}]\ntitle = \"Sump {n}\"\nfluid = \"semi\"\n\
             water = \"mains\"\ntarget_percent = 7\nfill_mark = \"310 mm\"\npump_minimum = \"120 mm\"\n\
             tank = {{ shape = \"box\", length = \"1200 mm\", width = \"700 mm\", height = \"400 mm\" }}\n"
        )
        .expect("writing to a text cannot fail");
        for (probe, quantity, register, more) in [
            ("level", "level", "30001", "unit = \"mm\""),
            ("ph", "ph", "30002", "scale = 0.01\nfrozen = false"),
            ("warmth", "temperature", "30003", "frozen = false"),
            ("pump", "pump_running", "10001", ""),
        ] {
            write!(
                text,
                "\n[sump.s{n:02}.probe.{probe}]\nquantity = \"{quantity}\"\ndevice = \"d{n:02}\"\nregister = \"{register}\"\n\
                 every = \"60 s\"\n{more}\n"
            )
            .expect("writing to a text cannot fail");
        }
    }
    text
}

fn settings() -> Settings {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let file = directory.path().join("shop.toml");
    std::fs::write(&file, configuration()).expect("written");
    load(&file).unwrap_or_else(|report| panic!("{report}")).settings.engine
}

/// What a sump's probes say.
#[derive(Clone, Copy)]
struct Reads {
    level_mm: f64,
    ph: f64,
    warmth_c: f64,
    pump: bool,
}

const WELL: Reads = Reads { level_mm: 300.0, ph: 9.1, warmth_c: 24.0, pump: true };

struct Shop {
    engine: Engine,
    /// By sump and quantity.
    probes: BTreeMap<(usize, Quantity), ProbeIndex>,
    now: Timestamp,
    saved: BTreeMap<String, Vec<u8>>,
    outbox: Vec<OutboxEntry>,
}

impl Shop {
    fn new() -> Self {
        let settings = settings();
        let probes = settings.probes.iter().zip(0..);
        let probes = probes.map(|(probe, i)| ((probe.sump.slot(), probe.quantity), ProbeIndex(i))).collect();
        Self {
            engine: Engine::new(settings).expect("checked settings"),
            probes,
            now: Timestamp::parse("2026-03-02T06:00:00Z").expect("RFC 3339"),
            saved: BTreeMap::new(),
            outbox: Vec::new(),
        }
    }

    fn take(&mut self) {
        let mut out = Outbound::default();
        self.engine.drain(&mut out);
        self.saved.extend(out.saved);
        self.outbox.extend(out.outbox);
    }

    fn wait(&mut self, time: Duration) {
        let until = self.now.plus(time);
        while let Some(due) = self.engine.poll_timeout().filter(|due| *due < Now::simulated(until).uptime) {
            // What was due before the engine began is due when it begins.
            let utc =
                Timestamp::from_nanos(i64::try_from(due.as_nanos()).expect("before 2262")).max(self.now);
            self.engine.handle(Now::simulated(utc), Input::Tick);
        }
        self.now = until;
        self.take();
    }

    /// Every sump is polled once a minute for `time`; `reads` says what comes, by sump and minute, or that nothing does.
    fn run(&mut self, time: Duration, reads: impl Fn(usize, u64) -> Result<Reads, Fault>) -> &mut Self {
        for minute in 0..time.as_secs() / 60 {
            for sump in 0..SUMPS {
                let said = reads(sump, minute);
                let raw = |of: fn(&Reads) -> f64| match &said {
                    Ok(reads) => Raw::Number(of(reads)),
                    Err(fault) => Raw::Fault(*fault),
                };
                for (quantity, raw) in [
                    (Quantity::Level, raw(|r| r.level_mm)),
                    (Quantity::Ph, raw(|r| 100.0 * r.ph)),
                    (Quantity::Temperature, raw(|r| r.warmth_c)),
                    (Quantity::PumpRunning, raw(|r| f64::from(u8::from(r.pump)))),
                ] {
                    let now = Now::simulated(self.now);
                    let probe = self.probes[&(sump, quantity)];
                    let reading = RawReading { probe, at: now.utc, received: now.uptime, raw };
                    self.engine.handle(now, Input::Readings(&[reading]));
                }
            }
            self.wait(MINUTE);
        }
        self
    }

    /// The same shop after a restart that takes `time`.
    fn restart(&mut self, time: Duration) {
        self.take();
        self.now = self.now.plus(time);
        self.engine = Engine::new(settings()).expect("checked settings");
        let saved = &self.saved;
        let unreadable = self.engine.restore(Now::simulated(self.now), |key| saved.get(key).cloned());
        assert!(unreadable.is_empty(), "{unreadable:?}");
    }

    /// What somebody had to hear since this was asked last.
    fn raised(&mut self) -> Vec<String> {
        let outbox = std::mem::take(&mut self.outbox);
        let raised = outbox.into_iter().filter(|entry| entry.action == Action::Raise);
        raised.map(|entry| notice_of(&entry).alarm).collect()
    }

    fn state(&self, alarm: &str) -> &'static str {
        let shop = self.engine.snapshot();
        let all = shop.alarms.iter().chain(shop.sumps.iter().flat_map(|sump| &sump.alarms));
        all.into_iter().find(|view| view.id == alarm).map_or("NORM", |view| view.state)
    }
}

fn notice_of(entry: &OutboxEntry) -> Notice {
    serde_json::from_str(&entry.body).expect("a notice as JSON")
}

#[test]
fn waves_on_the_surface_alarm_nobody() {
    let mut shop = Shop::new();
    // The pump throws waves: every other reading lies under the limit, which is at 139 mm.
    let wave = |minute: u64| if minute.is_multiple_of(2) { 136.0 } else { 146.0 };
    shop.run(6 * HOUR, |_, minute| Ok(Reads { level_mm: wave(minute), ..WELL }));
    assert_eq!(shop.raised(), Vec::<String>::new());
    shop.run(10 * MINUTE, |sump, _| Ok(Reads { level_mm: if sump == 0 { 130.0 } else { 300.0 }, ..WELL }));
    assert_eq!(shop.raised(), ["s01/level-low"], "what stays under it does");
}

#[test]
fn a_probe_pulled_while_its_alarm_stands_neither_ends_it_nor_raises_another_but_its_own() {
    let mut shop = Shop::new();
    let low = Reads { level_mm: 130.0, ..WELL };
    shop.run(10 * MINUTE, |sump, _| Ok(if sump == 0 { low } else { WELL }));
    assert_eq!(shop.raised(), ["s01/level-low"]);
    shop.run(2 * HOUR, |sump, _| if sump == 0 { Err(Fault::NoReply) } else { Ok(WELL) });
    assert_eq!(shop.raised(), ["gateway/device/d01"], "one for the device, none for its four probes");
    assert_eq!(shop.state("s01/level-low"), "UNACK");
    shop.run(10 * MINUTE, |_, _| Ok(WELL));
    assert_eq!((shop.state("s01/level-low"), shop.state("gateway/device/d01")), ("RTNUN", "RTNUN"));
}

#[test]
fn forty_probes_on_one_dead_line_are_one_alarm() {
    let mut shop = Shop::new();
    shop.run(HOUR, |_, _| Ok(WELL));
    let line = FaultKey { fault: Broken::Bus, of: "line".to_owned() };
    shop.engine.handle(Now::simulated(shop.now), Input::Fault(&line, true, "no such device"));
    shop.run(8 * HOUR, |_, _| Err(Fault::NotConnected));
    assert_eq!(shop.raised(), ["gateway/bus/line"]);
    shop.engine.handle(Now::simulated(shop.now), Input::Fault(&line, false, ""));
    shop.run(HOUR, |_, _| Ok(WELL));
    assert_eq!(shop.raised(), Vec::<String>::new(), "and its end none at all");
    // The same where the adapter is there and every device silent: nobody tells but the readings.
    shop.run(8 * HOUR, |_, _| Err(Fault::NoReply));
    assert_eq!(shop.raised(), ["gateway/bus/line"]);
}

#[test]
fn a_shelf_outlasts_a_restart_and_ends_on_time() {
    let mut shop = Shop::new();
    let low = |_: usize, _: u64| Ok(Reads { level_mm: 130.0, ..WELL });
    shop.run(5 * MINUTE, low);
    assert_eq!(shop.raised().len(), SUMPS);
    let now = Now::simulated(shop.now);
    let said = Said::new("kim", Some("tanker comes at noon"));
    shop.engine.order(now, "s01/level-low", Order::Shelve { time: 2 * HOUR }, said).expect("it stands");
    shop.run(HOUR, low);
    shop.restart(10 * MINUTE);
    let views = shop.engine.snapshot().sumps[0].alarms.clone();
    let view = views.iter().find(|view| view.id == "s01/level-low").expect("kept");
    assert_eq!(view.state, "SHLVD");
    assert!(view.message.ends_with("by kim (tanker comes at noon)"), "{view:?}");
    shop.run(49 * MINUTE, low);
    assert_eq!((shop.raised(), shop.state("s01/level-low")), (Vec::new(), "SHLVD"));
    shop.run(2 * MINUTE, low);
    assert_eq!((shop.raised(), shop.state("s01/level-low")), (vec!["s01/level-low".to_owned()], "UNACK"));
    assert_eq!(shop.state("s02/level-low"), "UNACK", "and the others stood all along");
}

#[test]
fn an_ordinary_weekend_is_quiet_and_a_long_one_is_told_once() {
    let mut shop = Shop::new();
    let standing = Reads { pump: false, ..WELL };
    shop.run(16 * HOUR, |_, _| Ok(WELL));
    shop.run(56 * HOUR, |_, _| Ok(standing));
    shop.run(HOUR, |_, _| Ok(WELL));
    assert_eq!(shop.raised(), Vec::<String>::new(), "Friday night to Monday morning");
    shop.run(90 * HOUR, |sump, _| Ok(if sump < 2 { standing } else { WELL }));
    let mut raised = shop.raised();
    raised.sort();
    assert_eq!(raised, ["s01/stagnation", "s02/stagnation"]);
    shop.run(HOUR, |_, _| Ok(WELL));
    assert_eq!(shop.state("s01/stagnation"), "RTNUN");
}

#[test]
fn whoever_does_not_acknowledge_hears_again_and_a_restart_changes_nothing_about_it() {
    let mut shop = Shop::new();
    let low = |_: usize, _: u64| Ok(Reads { level_mm: 130.0, ..WELL });
    shop.run(5 * MINUTE, low);
    assert_eq!(shop.raised().len(), SUMPS);
    shop.restart(MINUTE);
    shop.run(5 * MINUTE, low);
    let again: Vec<_> = shop.outbox.iter().filter(|entry| entry.action == Action::Escalate).collect();
    assert_eq!(again.len(), SUMPS, "high priority: after five minutes, once each");
    assert_eq!(notice_of(again[0]).occurrence, 1, "the same occurrence");
    let now = Now::simulated(shop.now);
    for n in 1..=SUMPS {
        let seen = Order::Acknowledge { occurrence: Some(1) };
        shop.engine
            .order(now, &format!("s{n:02}/level-low"), seen, Said::new("kim", None))
            .expect("it stands");
    }
    shop.outbox.clear();
    shop.run(8 * HOUR, low);
    let more: Vec<_> = shop.outbox.iter().filter(|entry| entry.action == Action::Escalate).collect();
    assert!(more.is_empty(), "who has seen it is left alone: {more:?}");
}

#[test]
fn everything_starting_at_once_is_quiet() {
    let mut shop = Shop::new();
    // Half a minute of nothing, then every probe's first reading.
    shop.wait(MINUTE / 2);
    shop.run(3 * HOUR, |_, _| Ok(WELL));
    assert_eq!(shop.raised(), Vec::<String>::new());
}
