//! What goes on in the scenarios: the books close, a seed is a seed, and each shows what it promises.

#![allow(clippy::unwrap_used, reason = "tests")]

mod books;

use std::collections::BTreeSet;
use std::time::Duration;

use sumpwarden_sim::probe::Measures;
use sumpwarden_sim::scenario::{Habits, HistoryOptions, Plant, Row, Scenario, write_history, write_truths};
use sumpwarden_sim::world::{EventKind, Truth};

const HOUR: Duration = Duration::from_secs(3600);

fn run(name: &str, seed: u64) -> Plant {
    let scenario = Scenario::named(name, seed).unwrap();
    let mut plant = Plant::new(&scenario);
    plant.step(scenario.length);
    plant
}

/// Truth of the first sump at every hour.
fn hourly(name: &str, seed: u64) -> Vec<Truth> {
    let scenario = Scenario::named(name, seed).unwrap();
    let mut plant = Plant::new(&scenario);
    let mut truths = vec![plant.world().truth(0)];
    while plant.world().now() < scenario.end() {
        plant.step(HOUR);
        truths.push(plant.world().truth(0));
    }
    truths
}

#[test]
fn books_close_in_every_scenario() {
    // The ninety-day shops have a file of their own.
    for (name, _) in Scenario::names().filter(|(name, _)| !name.starts_with("quarter-")) {
        books::assert_close(&run(name, 3), name);
    }
}

#[test]
fn evaporation_takes_water_and_nothing_else() {
    let plant = run("hard-water", 2);
    let sump = &plant.world().sumps()[0];
    let gone = sump.ledger().evaporated;
    assert!(gone.liquid_l > 50.0);
    assert_eq!((gone.concentrate_l, gone.hardness_g, gone.chloride_mmol), (0.0, 0.0, 0.0));
    // Chloride takes part in nothing: what came and did not leave with coolant is there, so its content gauges the rest.
    let carried = sump.ledger().carried_out;
    let left =
        sump.ledger().started.chloride_mmol + sump.ledger().added.chloride_mmol - carried.chloride_mmol;
    assert!((left / sump.content().chloride_mmol - 1.0).abs() < 1e-9);
}

#[test]
fn losses_are_those_of_a_stand_alone_sump() {
    // Fluid-management guides (from memory): 3 to 10 % of the volume a day in all, 0.5 to 3 % of it carried off; on a
    // working day. The weekend's share is small, so five days of a week count.
    let plant = run("quiet-week", 5);
    for sump in plant.world().sumps() {
        let (ledger, volume) = (sump.ledger(), sump.content().liquid_l);
        let evaporated = 100.0 * ledger.evaporated.liquid_l / 5.0 / volume;
        let carried = 100.0 * ledger.carried_out.liquid_l / 5.0 / volume;
        assert!((2.5..10.0).contains(&(evaporated + carried)), "{evaporated} + {carried} % a day");
        assert!((0.5..3.0).contains(&carried), "{carried} % a day carried off");
    }
}

fn history_bytes(name: &str, seed: u64) -> (Vec<u8>, Vec<u8>) {
    let scenario = Scenario::named(name, seed).unwrap();
    let manual_every = Some(Duration::from_secs(7 * 86_400));
    let habits = Some(Habits { manual_every, topups_known: Some(0.2), ..Habits::NONE });
    let options = HistoryOptions { every: 5 * HOUR / 60, habits, ..Default::default() };
    let rows: Vec<Row> = scenario.history(options).collect();
    let (mut samples, mut truths) = (Vec::new(), Vec::new());
    write_history(&scenario, rows.iter().cloned(), &mut samples).unwrap();
    write_truths(&scenario, rows.into_iter(), &mut truths).unwrap();
    (samples, truths)
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_one_others() {
    for name in ["quiet-week", "probe-trouble"] {
        assert!(history_bytes(name, 7) == history_bytes(name, 7));
        assert!(history_bytes(name, 7).0 != history_bytes(name, 8).0);
    }
}

#[test]
fn truth_does_not_depend_on_how_finely_it_is_asked_for() {
    let scenario = Scenario::named("leak", 4).unwrap();
    let (mut once, mut often) = (Plant::new(&scenario), Plant::new(&scenario));
    once.step(100 * HOUR);
    for _ in 0..36_000 {
        often.step(Duration::from_millis(9999));
        often.step(Duration::from_millis(1));
    }
    assert_eq!(once.world().truth(0), often.world().truth(0));
}

#[test]
fn rows_read_as_a_replay_expects() {
    let (samples, truths) = history_bytes("probe-trouble", 1);
    let samples = String::from_utf8(samples).unwrap();
    let mut lines = samples.lines();
    assert_eq!(lines.next(), Some("time,source,value"));
    assert!(lines.next().unwrap().starts_with("2024-01-01T00:05:00.000Z,probe/lathe-1/ph,"));
    let mut last = "";
    let mut sources = BTreeSet::new();
    for line in samples.lines().skip(1) {
        let [time, source, value] = line.split(',').collect::<Vec<_>>()[..] else { panic!("{line}") };
        assert!(time >= last, "{line}");
        assert!(value.parse::<f64>().is_ok(), "{line}");
        last = time;
        sources.insert(source);
    }
    for source in
        ["probe/mill-2/temperature", "note/lathe-1/brix", "note/mill-2/hardness_mg_l", "note/lathe-1/topup_l"]
    {
        assert!(sources.contains(source), "{source}");
    }
    // Seven days of two sumps, hourly.
    assert_eq!(String::from_utf8(truths).unwrap().lines().count(), 1 + 2 * 24 * 7);
}

#[test]
fn a_quiet_week_stays_within_limits() {
    for seed in 0..4 {
        let scenario = Scenario::named("quiet-week", seed).unwrap();
        let mut plant = Plant::new(&scenario);
        for _ in 0..scenario.length.as_secs() / 3600 {
            plant.step(HOUR);
            for (i, sump) in scenario.sumps.iter().enumerate() {
                let truth = plant.world().truth(i);
                assert!((truth.percent - sump.target_percent).abs() < 2.0, "{truth:?}");
                assert!(truth.hardness_mg_l < 400.0 && truth.ph > 8.8, "{truth:?}");
                assert!(truth.level_mm > sump.pump_minimum_mm + 80.0, "{truth:?}");
                assert!(truth.level_mm < sump.tank.height_mm() - 10.0, "{truth:?}");
            }
        }
    }
}

#[test]
fn hard_water_builds_up_toward_its_plateau() {
    for seed in 0..3 {
        let truths = hourly("hard-water", seed);
        let (first, last) = (truths.first().unwrap(), truths.last().unwrap());
        assert!(last.hardness_mg_l > 450.0, "seed {seed}: {}", last.hardness_mg_l);
        assert!(last.percent < first.percent - 0.7, "seed {seed}: {}", last.percent);
        // It cannot exceed H·(E + D)/D for the whole time's losses (mass balance at constant volume).
        let plant = run("hard-water", seed);
        let ledger = plant.world().sumps()[0].ledger();
        let plateau = 320.0 * (1.0 + ledger.evaporated.liquid_l / ledger.carried_out.liquid_l);
        assert!(last.hardness_mg_l < plateau, "{} under {plateau}", last.hardness_mg_l);
    }
}

#[test]
fn a_tired_fill_goes_sour_over_the_weekend() {
    for seed in 0..3 {
        let truths = hourly("going-sour", seed);
        // Friday 22:00 is hour 46 from Thursday 0:00; Monday 6:00 is hour 102.
        let (friday, monday) = (truths[46].ph, truths[102].ph);
        assert!(truths[6].ph - friday < 0.4, "seed {seed}: still fit on Friday: {friday}");
        assert!(friday - monday > 0.5, "seed {seed}: {friday} to {monday}");
        assert!(truths.iter().all(|truth| truth.ph > 6.5));
        assert!(truths[102].log_cfu_ml > 6.0, "poor control by the HSE's band");
    }
}

#[test]
fn chips_take_room_and_the_gauge_does_not_say_so() {
    let scenario = Scenario::named("chips", 1).unwrap();
    let last = *hourly("chips", 1).last().unwrap();
    let gauge_l = scenario.sumps[0].tank.volume_l(last.level_mm);
    assert!(last.chip_solids_l > 12.0);
    let short = gauge_l - (last.liquid_l - last.holdup_l);
    assert!((short - last.chip_solids_l).abs() < 1e-6, "{short} L less than the gauge says");
}

#[test]
fn a_leak_empties_more_than_air_and_chips_do() {
    let plant = run("leak", 1);
    let ledger = plant.world().sumps()[0].ledger();
    // 1.5 L/h from day 3.4 to day 10.
    assert!((ledger.leaked.liquid_l - 1.5 * 24.0 * 6.6).abs() < 0.1, "{}", ledger.leaked.liquid_l);
}

#[test]
fn a_cleanout_is_there_for_the_probes_to_witness() {
    let truths = hourly("clean-out", 1);
    let peak = truths.iter().map(|truth| truth.ph).fold(0.0, f64::max);
    assert!(peak > 10.5, "cleaner shows: pH {peak}");
    let plant = run("clean-out", 1);
    let kinds: Vec<_> = plant.world().events().iter().map(|event| event.kind).collect();
    assert!(kinds.iter().any(|kind| matches!(kind, EventKind::Dump { .. })));
    assert!(kinds.iter().any(|kind| matches!(kind, EventKind::CleanOut { .. })));
    let after = truths.last().unwrap();
    assert!(after.chip_solids_l < 1.0 && (8.8..9.6).contains(&after.ph), "{after:?}");
}

#[test]
fn troubled_probes_show_it_and_sound_ones_follow_the_truth() {
    let scenario = Scenario::named("probe-trouble", 1).unwrap();
    let options = HistoryOptions { every: 5 * HOUR / 60, ..HistoryOptions::default() };
    let temperature =
        (0..scenario.probes.len()).find(|&p| scenario.source(p) == "probe/mill-2/temperature").unwrap();
    let mut history = scenario.history(options);
    let (mut heard, mut worst) = (Vec::new(), 0.0_f64);
    while let Some(row) = history.next() {
        if let Row::Sample { at, probe, raw, .. } = row {
            let plan = &scenario.probes[probe];
            if probe == temperature {
                heard.push(at);
            }
            if plan.sump == 1 && plan.setup.measures == Measures::Temperature {
                worst = worst.max((raw - history.plant().world().truth(1).temperature_c).abs());
            }
        }
    }
    let gap = heard.windows(2).map(|pair| pair[1].since(pair[0])).max().unwrap();
    assert!(gap > 9 * HOUR && gap < 10 * HOUR, "silent for 0.4 days: {gap:?}");
    // Noise 0.04 °C, five standard deviations, and the lag of half a minute.
    assert!(worst < 0.3, "{worst}");
}
