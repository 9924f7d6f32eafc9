//! The ninety-day shops: each thing that goes on in them shows, and the quiet ones are quiet.
//!
//! Ninety days take seconds here, so most tests look at a part, or at the whole with its script brought forward.

#![allow(clippy::unwrap_used, reason = "tests")]

mod books;

use std::time::Duration;

use sumpwarden_sim::Stamp;
use sumpwarden_sim::probe::Measures;
use sumpwarden_sim::scenario::{
    ConfigurationOptions, Endpoints, Habits, HistoryOptions, Knowledge, Plant, Row, Scenario, write_history,
};
use sumpwarden_sim::world::tank::displaced_l;
use sumpwarden_sim::world::{Action, Event, EventKind, Rest, Truth};

const HOUR: Duration = Duration::from_secs(3600);
const MINUTE: Duration = Duration::from_secs(60);
const DAY: Duration = Duration::from_secs(86_400);

fn named(name: &str, seed: u64) -> Scenario {
    Scenario::named(name, seed).unwrap()
}

fn quarters() -> impl Iterator<Item = &'static str> {
    Scenario::names().map(|(name, _)| name).filter(|name| name.starts_with("quarter-"))
}

/// Everything in the script and every rest this many times sooner, and chips that come that much faster.
fn hurried(mut scenario: Scenario, times: u32) -> Scenario {
    let start = scenario.start;
    let sooner = |at: Stamp| start + at.since(start) / times;
    for (at, ..) in &mut scenario.script {
        *at = sooner(*at);
    }
    for sump in &mut scenario.sumps {
        sump.rests.iter_mut().for_each(|rest| {
            *rest = Rest { from: sooner(rest.from), to: sooner(rest.to), ..*rest };
        });
        sump.machine.chips_kept_share *= f64::from(times);
    }
    scenario.length /= times;
    scenario
}

fn run(scenario: &Scenario) -> Plant {
    let mut plant = Plant::new(scenario);
    plant.step(scenario.length);
    plant
}

/// Truth of the first sump every so often to the end.
fn truths(scenario: &Scenario, every: Duration) -> Vec<Truth> {
    let mut plant = Plant::new(scenario);
    let mut truths = vec![plant.world().truth(0)];
    while plant.world().now() < scenario.end() {
        plant.step(every);
        truths.push(plant.world().truth(0));
    }
    truths
}

fn topups(events: &[Event]) -> Vec<(Stamp, Stamp, f64, f64)> {
    let topup = |event: &Event| match event.kind {
        EventKind::TopUp { started, litres, percent } => Some((started, event.at, litres, percent)),
        _ => None,
    };
    events.iter().filter_map(topup).collect()
}

#[test]
fn there_are_enough_and_each_is_described() {
    assert!(quarters().count() >= 14);
    let scenarios: Vec<Scenario> = quarters().map(|name| named(name, 1)).collect();
    for scenario in &scenarios {
        assert_eq!(scenario.length, 90 * DAY, "{}", scenario.name);
        assert!(scenario.about.len() > 20 && scenario.known != Knowledge::EXACT, "{}", scenario.name);
    }
    let some = |what: fn(&Scenario) -> bool| {
        let with = scenarios.iter().filter(|scenario| what(scenario)).count();
        with >= 3 && with + 3 <= scenarios.len()
    };
    assert!(some(|scenario| scenario.judged.quiet));
    assert!(some(|scenario| scenario.judged.manual));
    assert!(some(|scenario| scenario.judged.mix_known));
    assert!(some(|scenario| scenario.judged.metered));
}

#[test]
fn books_close_whatever_happens() {
    for name in quarters() {
        let plant = run(&hurried(named(name, 3), 9));
        books::assert_close(&plant, name);
    }
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_one_others() {
    let bytes = |name: &str, seed| {
        let mut scenario = named(name, seed);
        scenario.length = 5 * DAY;
        let mut out = Vec::new();
        write_history(&scenario, scenario.history_as_told(5 * MINUTE, DAY), &mut out).unwrap();
        out
    };
    for name in ["quarter-everything", "quarter-careless"] {
        assert!(bytes(name, 7) == bytes(name, 7), "{name}");
        assert!(bytes(name, 7) != bytes(name, 8), "{name}");
    }
}

#[test]
fn quiet_shops_stay_within_the_limits_they_write() {
    for (seed, name) in (1..).zip(quarters().filter(|name| named(name, 1).judged.quiet)) {
        let scenario = named(name, seed);
        let mut plant = Plant::new(&scenario);
        while plant.world().now() < scenario.end() {
            plant.step(4 * HOUR);
            for (place, sump) in scenario.sumps.iter().enumerate() {
                let truth = plant.world().truth(place);
                // Half a percent point, 20 mm, 0.3 pH and 2 K away from the limits that the configuration sets.
                let off = truth.percent - sump.target_percent;
                assert!(off > -1.5 && off < 2.5, "{name}: {truth:?}");
                assert!(truth.level_mm > sump.pump_minimum_mm + 60.0, "{name}: {truth:?}");
                assert!(truth.ph > 8.8 && truth.temperature_c < 36.0, "{name}: {truth:?}");
                assert!(truth.hardness_mg_l < 500.0 && truth.leak_l_h == 0.0, "{name}: {truth:?}");
                assert!(truth.oil_layer_mm < 3.0, "{name}: {truth:?}");
            }
        }
    }
}

#[test]
fn a_topup_reaches_the_probe_in_minutes_with_the_pump_and_in_hours_without() {
    let scenario = named("quarter-quiet-lathe", 2);
    let mixing = scenario.sumps[0].mixing;
    // Saturday at noon nobody is there; Monday at seven the pump runs.
    for (day, constant) in
        [(5.5, HOUR.mul_f64(mixing.standing_h)), (0.31, MINUTE.mul_f64(mixing.running_min))]
    {
        let mut plant = Plant::new(&scenario);
        plant.step(DAY.mul_f64(day));
        let before = plant.world().truth(0);
        plant.world_mut().act(0, &Action::Pour { litres: 3.0, percent: 0.0 });
        plant.step(MINUTE);
        let behind = |plant: &Plant| {
            let truth = plant.world().truth(0);
            truth.met_25_us_cm / truth.conductivity_25_us_cm - 1.0
        };
        let at_once = behind(&plant);
        assert!(at_once > 0.001, "{before:?}: {at_once}");
        // A pump that runs stops now and then, so it may take longer, not shorter.
        plant.step(constant / 2);
        assert!(behind(&plant) > 0.4 * at_once, "{at_once}, then {}", behind(&plant));
        plant.step(5 * constant + 20 * MINUTE);
        assert!(behind(&plant).abs() < 0.15 * at_once, "{at_once}, in the end {}", behind(&plant));
    }
}

#[test]
fn softened_water_brings_salts_without_hardness_and_demineralised_water_neither() {
    let mut soft = named("quarter-softened", 1);
    soft.length = 20 * DAY;
    let seen = truths(&soft, DAY);
    let (first, last) = (seen.first().unwrap(), seen.last().unwrap());
    assert!(last.hardness_mg_l < 10.0);
    assert!(
        last.conductivity_25_us_cm / last.percent > 1.1 * first.conductivity_25_us_cm / first.percent,
        "{first:?} {last:?}"
    );
    let mut demineralised = named("quarter-demineralised", 1);
    demineralised.length = 20 * DAY;
    let seen = truths(&demineralised, DAY);
    assert!(seen.last().unwrap().hardness_mg_l < 0.85 * seen[0].hardness_mg_l);
}

#[test]
fn hard_water_passes_its_limit() {
    let mut scenario = named("quarter-hard", 1);
    scenario.length = 45 * DAY;
    let last = *truths(&scenario, DAY).last().unwrap();
    assert!(last.hardness_mg_l > scenario.judged.hardness_limit_mg_l.unwrap(), "{last:?}");
}

#[test]
fn stringy_chips_stand_out_of_the_coolant_and_fine_ones_displace_it() {
    let stringy = hurried(named("quarter-stringy", 1), 9);
    let last = *truths(&stringy, HOUR).last().unwrap();
    assert!(last.chip_depth_mm > last.level_mm, "the bed stands out: {last:?}");
    let sump = &stringy.sumps[0];
    let wet = displaced_l(&sump.tank, last.level_mm, last.chip_solids_l, sump.machine.chip_porosity);
    assert!(wet < 0.97 * last.chip_solids_l, "{wet} of {} L displace", last.chip_solids_l);
    let fine = hurried(named("quarter-fine-chips", 1), 9);
    let peak = truths(&fine, HOUR).into_iter().max_by(|a, b| a.chip_solids_l.total_cmp(&b.chip_solids_l));
    let peak = peak.unwrap();
    assert!(peak.chip_solids_l > 8.0 && peak.chip_depth_mm < 0.6 * peak.level_mm, "{peak:?}");
}

#[test]
fn chips_are_shovelled_out_and_the_coolant_stays() {
    let scenario = hurried(named("quarter-fine-chips", 2), 9);
    let (at, _, _) = scenario.script[0];
    let mut plant = Plant::new(&scenario);
    plant.step(at.since(scenario.start));
    let before = plant.world().truth(0);
    plant.step(MINUTE);
    let after = plant.world().truth(0);
    assert!(after.chip_solids_l < 0.4 * before.chip_solids_l, "{before:?} {after:?}");
    let clung = before.liquid_l - after.liquid_l;
    assert!(clung > 0.0 && clung < before.chip_solids_l && after.level_mm < before.level_mm - 3.0);
    assert!(
        matches!(plant.events().last().unwrap().kind, EventKind::ChipsEmptied { solids_l } if solids_l > 5.0)
    );
}

#[test]
fn leaks_take_what_the_script_says_and_their_ends_are_told() {
    for (name, litres_h) in [("quarter-slow-leak", 0.3), ("quarter-fast-leak", 1.5)] {
        let scenario = hurried(named(name, 2), 6);
        let plant = run(&scenario);
        let events = plant.events();
        let begun = events.iter().find(|event| matches!(event.kind, EventKind::LeakBegun { .. })).unwrap();
        let ended = events.iter().find(|event| event.kind == EventKind::LeakEnded);
        let end = ended.map_or(scenario.end(), |event| event.at);
        let expected = litres_h * end.since(begun.at).as_secs_f64() / 3600.0;
        let leaked = plant.world().sumps()[0].ledger().leaked.liquid_l;
        assert!((leaked - expected).abs() < 0.1, "{name}: {leaked} L, {expected} by the script");
        assert_eq!(ended.is_some(), name == "quarter-fast-leak");
    }
}

#[test]
fn careless_people_err_in_every_way() {
    let mut scenario = named("quarter-careless", 3);
    scenario.sumps[0].people.wrong_chance = 0.3;
    scenario.sumps[0].people.neat_chance = 0.3;
    scenario.length = 25 * DAY;
    let mut plant = Plant::new(&scenario);
    let mut switched = vec![plant.world().now()];
    let mut pump = false;
    while plant.world().now() < scenario.end() {
        plant.step(Duration::from_secs(10));
        let now_runs = plant.world().sumps()[0].pump_runs();
        if now_runs != pump {
            (pump, switched) = (now_runs, [switched, vec![plant.world().now()]].concat());
        }
    }
    let poured = topups(plant.world().events());
    assert!(poured.iter().any(|(.., percent)| *percent == 12.0), "a wrong mix");
    let neat = poured.windows(2).find(|pair| pair[0].3 == 100.0).unwrap();
    assert!(neat[1].3 == 0.0 && neat[1].2 > 3.0 * neat[0].2, "water after the concentrate: {neat:?}");
    let same_day = |pair: &[(Stamp, Stamp, f64, f64)]| pair[2].0.since(pair[0].0) < 8 * HOUR;
    assert!(poured.windows(3).any(same_day), "three in a day");
    let at_switch = |start: Stamp| switched.iter().any(|at| start.0.abs_diff(at.0) <= 20_000);
    assert!(poured.iter().filter(|pour| at_switch(pour.0)).count() >= 4, "at the moment the pump switches");
    let all: f64 = poured.iter().map(|pour| pour.2).sum();
    let metered = plant.world().truth(0).meter_l;
    assert!(metered < 0.95 * all && metered > 0.1 * all, "{metered} of {all} L through the meter");
}

#[test]
fn nobody_pours_on_holiday_and_the_machine_stands_on_idle_days() {
    let scenario = named("quarter-holiday", 1);
    let rests = &scenario.sumps[0].rests;
    let (holiday, idle) = (rests[0], rests[1]);
    assert!(holiday.holiday && holiday.to.since(holiday.from) == 14 * DAY && !idle.holiday);
    let mut plant = Plant::new(&scenario);
    plant.step(holiday.from.since(scenario.start) + HOUR);
    let (before, poured) = (plant.world().truth(0), plant.world().events().len());
    let mut ran = false;
    while plant.world().now() < holiday.to {
        plant.step(HOUR);
        ran |= plant.world().truth(0).pump;
    }
    let after = plant.world().truth(0);
    assert!(!ran && plant.world().events().len() <= poured + 1);
    assert!(after.liquid_l < before.liquid_l - 4.0, "{before:?} {after:?}");
    assert!(after.hardness_mg_l > 1.01 * before.hardness_mg_l, "{before:?} {after:?}");
}

#[test]
fn a_skimped_cleanout_lets_it_grow_back_and_a_proper_one_does_not() {
    let after_weeks = |clean: Duration| {
        let mut scenario = named("quarter-skimped", 1);
        let Action::CleanOut { litres, percent, .. } = scenario.script[0].2 else { panic!("a clean-out") };
        let at = scenario.start.plus_days(4.4);
        scenario.script = vec![(at, 0, Action::CleanOut { litres, percent, clean, rinse: HOUR / 2 })];
        scenario.length = 35 * DAY;
        let mut plant = Plant::new(&scenario);
        plant.step(6 * DAY);
        let fresh = plant.world().truth(0);
        plant.step(scenario.length - 6 * DAY);
        (fresh, plant.world().truth(0))
    };
    let (fresh, grown) = after_weeks(HOUR / 3);
    let (proper_fresh, proper) = after_weeks(2 * HOUR);
    assert!(fresh.slime > 0.15 && proper_fresh.slime < 0.02, "{fresh:?} {proper_fresh:?}");
    assert!(grown.log_cfu_ml > proper.log_cfu_ml + 2.0, "{grown:?} {proper:?}");
    assert!(grown.ph < proper.ph - 0.3, "{grown:?} {proper:?}");
}

#[test]
fn a_dump_leaves_the_chips_and_a_cleanout_takes_them() {
    let scenario = hurried(named("quarter-renewal", 1), 9);
    let plant = run(&scenario);
    let kinds: Vec<EventKind> = plant.events().iter().map(|event| event.kind).collect();
    let dumped = kinds.iter().position(|kind| matches!(kind, EventKind::Dump { .. })).unwrap();
    let cleaned = kinds.iter().position(|kind| {
        matches!(kind, EventKind::CleanOut { clean, rinse, .. } if *clean == 2 * HOUR && *rinse == HOUR / 2)
    });
    assert!(cleaned.unwrap() > dumped);
    let seen = truths(&scenario, 2 * MINUTE);
    let refilled = |pair: &&[Truth]| pair[0].liquid_l < 200.0 && pair[1].liquid_l >= 200.0;
    let first = seen.windows(2).find(refilled).unwrap();
    assert!(first[1].chip_solids_l > 1.0, "{:?}", first[1]);
}

#[test]
fn a_clogging_screen_parts_two_level_probes() {
    let mut scenario = hurried(named("quarter-screen", 1), 9);
    scenario.sumps[0].screen.as_mut().unwrap().clogs_per_h *= 9.0;
    // Thursday at noon.
    let brushed = scenario.start.plus_days(3.5);
    scenario.script[0].0 = brushed;
    let seen = truths(&scenario, HOUR / 6);
    let drop = |truth: &Truth| truth.level_dirty_mm - truth.level_clean_mm;
    let largest = |from: Stamp, to: Stamp| {
        seen.iter().filter(|truth| truth.at > from && truth.at < to).map(drop).fold(0.0, f64::max)
    };
    let first = largest(scenario.start, scenario.start.plus_days(0.3));
    let (clogged, clean) =
        (largest(scenario.start, brushed), largest(brushed + HOUR / 4, brushed + 2 * HOUR));
    assert!(clogged > first + 2.0 && clean < clogged - 1.0 && clean > 0.0, "{first} {clogged} {clean} mm");
    assert!(seen.iter().any(|truth| !truth.pump && drop(truth).abs() < 0.1), "level at rest");
    let levels = scenario.probes.iter().filter(|plan| plan.setup.measures == Measures::Level);
    assert_eq!(levels.count(), 2);
}

#[test]
fn tramp_oil_lies_on_top_and_blurs_the_refractometer() {
    let mut scenario = named("quarter-oil", 1);
    scenario.sumps[0].machine.tramp_oil_l_h *= 4.0;
    scenario.length = 20 * DAY;
    scenario.habits = Habits { manual_every: Some(DAY), ..scenario.habits };
    let (mut off, mut layer) = (Vec::new(), 0.0_f64);
    let mut history = scenario.history_as_told(10 * MINUTE, DAY);
    while let Some(row) = history.next() {
        if let Row::Note { kind: "brix", value, .. } = row {
            let truth = history.plant().world().truth(0);
            let fluid = scenario.sumps[0].fluid;
            if truth.at > scenario.start + 12 * DAY {
                off.push(value - truth.percent / fluid.refractometer_factor);
            }
            layer = layer.max(truth.oil_layer_mm);
        }
    }
    assert!(layer > 2.0, "{layer} mm");
    let mean = off.iter().sum::<f64>() / off.len() as f64;
    assert!(mean > 0.2, "{off:?}");
}

#[test]
fn weather_moves_evaporation_from_day_to_day() {
    let mut scenario = named("quarter-holiday", 2);
    scenario.length = 25 * DAY;
    let evaporation = |weather: bool| {
        let mut scenario = scenario.clone();
        if !weather {
            (scenario.hall.weather_k, scenario.hall.weather_moisture) = (0.0, 0.0);
        }
        // Always at the same hour of a night, so that only weather and temperature differ.
        let mut plant = Plant::new(&scenario);
        plant.step(4 * HOUR);
        (0..24)
            .map(|_| {
                plant.step(DAY);
                plant.world().truth(0).evaporation_l_h
            })
            .collect::<Vec<f64>>()
    };
    let spread = |xs: &[f64]| {
        let mean = xs.iter().sum::<f64>() / xs.len() as f64;
        (xs.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / xs.len() as f64).sqrt() / mean
    };
    let (with, without) = (spread(&evaporation(true)), spread(&evaporation(false)));
    assert!(with > without + 0.05, "{with} with weather, {without} without");
}

#[test]
fn notes_are_late_missing_and_coarse() {
    let mut scenario = named("quarter-quiet-lathe", 4);
    scenario.length = 40 * DAY;
    scenario.habits.topups_missing = 0.3;
    let options = HistoryOptions { every: 10 * MINUTE, ..HistoryOptions::default() };
    let mut history = scenario.history(options);
    let notes: Vec<(Stamp, &str, f64)> = history
        .by_ref()
        .filter_map(|row| match row {
            Row::Note { at, kind, value, .. } => Some((at, kind, value)),
            Row::Sample { .. } | Row::Truth { .. } => None,
        })
        .collect();
    let poured = topups(history.plant().world().events());
    let of = |kind: &str| notes.iter().filter(|note| note.1 == kind).copied().collect::<Vec<_>>();
    let told = of("topup_l");
    assert!(
        told.len() + 2 <= poured.len() && told.len() * 2 > poured.len(),
        "{} of {}",
        told.len(),
        poured.len()
    );
    let late = told
        .iter()
        .filter(|note| !poured.iter().any(|pour| pour.1 <= note.0 && note.0.since(pour.1) < HOUR / 2))
        .count();
    assert!(late >= 2, "{late} late");
    let tenths = |x: f64, step: f64| ((x / step).round() * step - x).abs() < 1e-9;
    assert!(of("brix").len() == 6 && of("brix").iter().all(|note| tenths(note.2, 0.1)));
    assert!(of("ph").iter().all(|note| tenths(note.2, 0.2)) && of("chip_depth_mm").len() == 2);
    assert!(of("dip_slide_cfu_ml").iter().all(|note| libm::log10(note.2).fract() == 0.0));
}

#[test]
fn a_fouling_probe_freezes_and_is_swapped_and_its_events_say_when() {
    let scenario = named("quarter-fouling", 1);
    let mut plant = Plant::new(&scenario);
    plant.step(90 * DAY);
    let events = plant.events();
    assert!(events.windows(2).all(|pair| pair[0].at <= pair[1].at));
    let conductivity =
        scenario.probes.iter().position(|plan| plan.setup.measures == Measures::Conductivity).unwrap();
    let has = |what: &dyn Fn(&EventKind) -> bool| events.iter().filter(|event| what(&event.kind)).count();
    assert_eq!(
        has(&|kind| matches!(kind, EventKind::ProbeFrozen { probe, .. } if *probe == conductivity)),
        1
    );
    assert_eq!(has(&|kind| *kind == EventKind::ProbeSwapped { probe: conductivity }), 1);
    assert_eq!(has(&|kind| *kind == EventKind::ProbeWiped { probe: conductivity }), 3);
}

#[test]
fn a_shop_knows_itself_within_what_people_can_measure() {
    let number = |value: &toml::Value| {
        let text = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
        text.split(' ').next().unwrap().parse::<f64>().unwrap()
    };
    let mut jars = Vec::new();
    for seed in 1..=6 {
        let scenario = named("quarter-hard", seed);
        let text = scenario.configuration(&Endpoints::new(), &ConfigurationOptions::default()).toml;
        let table: toml::Table = text.parse().unwrap();
        let (sump, told) = (&scenario.sumps[0], &table["sump"]["lathe-1"]);
        let sumpwarden_sim::world::Tank::Box { length_m, .. } = sump.tank else { panic!("a box") };
        let length = number(&told["tank"]["length"]) / 1000.0 / length_m;
        let holdup = number(&told["holdup"]) / sump.holdup_l;
        let hardness = number(&table["water"]["lathe-1-tap"]["hardness"]) / sump.water.hardness_mg_l();
        assert!(
            (length - 1.0).abs() < 0.011 && (holdup - 1.0).abs() < 0.28 && (hardness - 1.0).abs() < 0.042
        );
        assert!(length != 1.0 && hardness != 1.0);
        let fluid = &table["fluid"]["lathe-1-semi-synthetic"];
        let curve = fluid["conductivity_curve"].as_array().unwrap();
        for (point, (percent, us_cm)) in curve.iter().zip(sump.fluid.jar_test(&sump.water)) {
            assert!((number(&point[1]) / us_cm - 1.0).abs() < 0.026, "seed {seed} at {percent} %");
        }
        jars.push(number(&curve[4][1]) / sump.fluid.jar_test(&sump.water)[4].1);
        let again =
            named("quarter-hard", seed).configuration(&Endpoints::new(), &ConfigurationOptions::default());
        assert_eq!(text, again.toml);
    }
    assert!(jars.windows(2).all(|pair| pair[0] != pair[1]), "{jars:?}");
}
