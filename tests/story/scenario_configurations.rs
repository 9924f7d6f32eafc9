//! The configuration that each simulated shop writes is one that the gateway takes, without a warning, and with it the
//! gateway makes of the raw numbers what was true in the sumps.

use std::time::Duration;

use sumpwarden_core::model::{Now, ProbeIndex, Raw, RawReading, Timestamp};
use sumpwarden_core::signal::Signals;
use sumpwarden_sim::probe::Measures;
use sumpwarden_sim::scenario::{
    Configuration, ConfigurationOptions, Endpoints, HistoryOptions, Place, Row, Scenario,
};
use sumpwarden_sim::world::Truth;

fn load(scenario: &Scenario, options: &ConfigurationOptions) -> sumpwarden::config::Loaded {
    let name = scenario.name;
    let directory =
        std::env::temp_dir().join(format!("sumpwarden-{name}-{options:p}-{}", std::process::id()));
    std::fs::create_dir_all(&directory).expect("a directory to write into");
    let written = scenario.configuration(&Endpoints::new(), options).write(&directory);
    let path = written.expect("a file to write");
    assert!(path.ends_with(Configuration::FILE));
    let loaded = sumpwarden::config::load_with(&path, &[]);
    std::fs::remove_dir_all(&directory).expect("our own directory");
    loaded.unwrap_or_else(|report| panic!("{name}:\n{}", report.draw(false)))
}

fn scenarios() -> impl Iterator<Item = Scenario> {
    Scenario::names().map(|(name, _)| Scenario::named(name, 1).expect("a name from the list"))
}

#[test]
fn the_gateway_takes_every_scenario() {
    for scenario in scenarios() {
        let name = scenario.name;
        for (speed, reply_counters) in [(1.0, false), (600.0, true)] {
            let options = ConfigurationOptions { speed, reply_counters, ..ConfigurationOptions::default() };
            let loaded = load(&scenario, &options);
            assert!(loaded.warnings.mistakes.is_empty(), "{name}:\n{}", loaded.warnings.draw(false));
            let counters = if reply_counters { scenario.devices.len() } else { 0 };
            let engine = &loaded.settings.engine;
            assert_eq!(engine.probes.len(), scenario.probes.len() + counters, "{name}");
            assert_eq!(engine.sumps.len(), scenario.sumps.len(), "{name}");
            let topics =
                scenario.probes.iter().filter(|plan| matches!(plan.place, Place::Topic { .. })).count();
            let listened: usize = engine.brokers.iter().map(|broker| broker.topics.len()).sum();
            assert_eq!(listened, topics, "{name}");
        }
    }
}

/// What is true of a measured quantity, and how far a sound probe may be off: five standard deviations of noise and waves,
/// lag, and for conductivity the wrong temperature coefficient of a head (0.04 %/K over 12 K) and a week's fouling.
fn truth_of(measures: Measures, truth: &Truth) -> (f64, f64) {
    match measures {
        Measures::Ph => (truth.ph, 0.08),
        Measures::Conductivity => (truth.conductivity_25_us_cm, 0.02 * truth.conductivity_25_us_cm),
        Measures::Level => (truth.level_mm, 12.0),
        Measures::Temperature => (truth.temperature_c, 0.4),
        Measures::Pump => (f64::from(u8::from(truth.pump)), 0.0),
        Measures::Meter => (truth.meter_l, 0.2),
    }
}

#[test]
fn the_gateway_makes_of_raw_numbers_what_was_true() {
    for name in ["quiet-week", "clean-out", "leak"] {
        let scenario = Scenario::named(name, 1).expect("a name from the list");
        let probes = load(&scenario, &ConfigurationOptions::default()).settings.engine;
        let place = |probe: usize| {
            let plan = &scenario.probes[probe];
            let sump = scenario.sumps[plan.sump].name;
            let is = |settings: &sumpwarden_core::signal::settings::ProbeSettings| {
                settings.name.as_str() == plan.setup.name
                    && probes.sumps[settings.sump.slot()].name.as_str() == sump
            };
            ProbeIndex(probes.probes.iter().position(is).expect("every probe is configured") as u32)
        };
        let places: Vec<ProbeIndex> = (0..scenario.probes.len()).map(place).collect();
        let mut signals = Signals::new(&probes.probes);
        let mut compared = 0;
        let options = HistoryOptions { every: Duration::from_secs(60), ..HistoryOptions::default() };
        let mut history = scenario.history(options);
        while let Some(row) = history.next() {
            let Row::Sample { at, sump, probe, raw } = row else { continue };
            if at > scenario.start.plus_days(2.0) {
                break;
            }
            let now = Now::simulated(Timestamp::from_millis(at.0));
            let reading =
                RawReading { probe: places[probe], at: now.utc, received: now.uptime, raw: Raw::Number(raw) };
            let measured = signals.convert(now, &reading).measured;
            let (true_value, off_max) =
                truth_of(scenario.probes[probe].setup.measures, &history.plant().world().truth(sump));
            let value =
                measured.usable().unwrap_or_else(|| panic!("{at} {}: {measured:?}", scenario.source(probe)));
            let off = (value - true_value).abs();
            assert!(off <= off_max, "{at} {}: {value}, true is {true_value}", scenario.source(probe));
            compared += 1;
        }
        assert!(compared >= 2 * 24 * 60 * 5, "{name}: {compared}");
    }
}
