//! Ninety days of everything slow and everything that people do: the shops an estimator is judged by.
//!
//! Each draws its rates, its tank, its hall and the wear of its probes from the seed, so that many seeds are many shops. What
//! the shop knows of itself is measured, not true ([`Knowledge::MEASURED`]). Every name and figure here is invented.

use std::time::Duration;

use super::catalogue::Entry;
use super::wiring::{HOUR, Wired, days, lathe, mill, saw};
use super::{Habits, Judged, Knowledge, Link, Scenario};
use crate::probe::{Attention, Delivery, Measures, ProbeSetup, Side, Trouble};
use crate::rng::Rng;
use crate::world::{
    Action, Biology, Hall, Hose, Machine, Mixing, People, Rest, Screen, SumpSetup, Tank, Water,
};

/// Every one of them.
pub(super) const ALL: &[Entry] = &[
    ("quarter-quiet-lathe", "good care, weekly readings, every top-up told: nothing is wrong", quiet_lathe),
    ("quarter-quiet-mill", "good care of an emulsion in soft water that foams, and nothing told", quiet_mill),
    ("quarter-quiet-pair", "good care of two sumps over a plant holiday, read every other week", quiet_pair),
    ("quarter-hard", "very hard water, plain top-ups, nobody reads anything: hardness builds up", hard),
    ("quarter-softened", "softened water: salts build up without hardness, no meter", softened),
    ("quarter-demineralised", "filled from the main, topped up with demineralised water", demineralised),
    ("quarter-fine-chips", "fine chips pile up and are shovelled out without a dump", fine_chips),
    ("quarter-stringy", "stringy chips grow out of the coolant; no pump contact", stringy),
    ("quarter-slow-leak", "a seal weeps 0.3 L/h from the second month on", slow_leak),
    ("quarter-fast-leak", "1.5 L/h run out for two weeks, on a machine that stands for days", fast_leak),
    ("quarter-fouling", "a probe fouls, is wiped, freezes and is swapped", fouling),
    ("quarter-careless", "wrong mixes, neat concentrate, plain water, buckets past the meter", careless),
    ("quarter-holiday", "two weeks of holiday, idle days, changing weather, no meter", holiday),
    ("quarter-renewal", "a dump that nobody logs and a proper clean-out", renewal),
    ("quarter-skimped", "a clean-out cut short, and what grows back after it", skimped),
    ("quarter-screen", "a chip screen clogs between two level probes", screen),
    ("quarter-oil", "tramp oil lies on top, drifts and biases in every tool", oil),
    ("quarter-everything", "two sumps with most of it at once", everything),
];

/// The day it falls on, or the Monday after where that is at a weekend. Scenarios begin on a Monday.
fn working_day(day: f64) -> f64 {
    let whole = day.floor();
    let weekday = whole - 7.0 * (whole / 7.0).floor();
    if weekday < 5.0 { whole } else { whole + 7.0 - weekday }
}

/// A generator of this scenario's choices.
fn choices(seed: u64, name: &str) -> Rng {
    Rng::of(seed, name)
}

/// A sump of its own measures and rates.
fn varied(rng: &mut Rng, mut sump: SumpSetup) -> SumpSetup {
    let stretch = rng.between(0.85, 1.15);
    sump.tank = match sump.tank {
        Tank::Box { length_m, width_m, drop_m, height_m } => {
            Tank::Box { length_m: length_m * stretch, width_m, drop_m, height_m }
        }
        Tank::Stepped(steps) => {
            Tank::Stepped(steps.into_iter().map(|(area, top)| (area * stretch, top)).collect())
        }
        Tank::Cylinder { diameter_m, length_m } => {
            Tank::Cylinder { diameter_m, length_m: length_m * stretch }
        }
    };
    sump.holdup_l *= rng.between(0.7, 1.3);
    sump.water = Water::tap(rng.between(110.0, 200.0));
    sump.start.hardness_mg_l = sump.water.hardness_mg_l() * rng.between(1.0, 1.2);
    sump.start.percent = sump.target_percent * rng.between(0.9, 1.1);
    sump.start.chip_solids_l = rng.between(0.5, 3.0);
    sump.fluid.refractometer_factor *= rng.between(0.9, 1.1);
    sump.fluid.organic_mmol_l_percent *= rng.between(0.85, 1.15);
    sump.fluid.depletion_per_day *= rng.between(0.6, 1.4);
    sump.mixing = Mixing { running_min: rng.between(2.0, 8.0), standing_h: rng.between(1.0, 5.0) };
    let machine = &mut sump.machine;
    machine.spray_factor = rng.between(1.6, 3.2);
    machine.dragout_share = rng.between(0.03, 0.07);
    machine.mist_l_h = rng.between(0.06, 0.2);
    machine.warming_k = rng.between(4.0, 8.0);
    machine.chips_kept_share = rng.between(0.002, 0.006);
    machine.tramp_oil_l_h = rng.between(0.002, 0.008);
    machine.waves_mm = rng.between(0.8, 2.5);
    sump.people = careful(rng, sump.target_percent);
    sump
}

/// People who read the refractometer before they mix.
fn careful(rng: &mut Rng, target_percent: f64) -> People {
    People {
        low_part: rng.between(0.06, 0.12),
        mix_percent: 0.55 * target_percent,
        mix_spread: 0.25,
        corrects: 1.2,
        hose_l_min: rng.between(8.0, 16.0),
        ..People::CAREFUL
    }
}

/// People who mix by habit and take the hose when it looks low, now and then plain water.
fn habitual(rng: &mut Rng, target_percent: f64) -> People {
    People {
        mix_percent: target_percent * rng.between(0.45, 0.7),
        mix_spread: 0.8,
        plain_chance: rng.between(0.1, 0.3),
        corrects: 0.4,
        hose: Hose::Anyhow,
        ..careful(rng, target_percent)
    }
}

/// A shop on one wire, its hall and weather drawn.
fn shop(rng: &mut Rng, seed: u64, sumps: Vec<SumpSetup>) -> Wired {
    let mut wired = Wired::new(seed, days(90), sumps);
    wired.scenario.known = Knowledge::MEASURED;
    wired.scenario.hall = Hall {
        mean_c: rng.between(18.0, 23.0),
        swing_k: rng.between(1.5, 3.0),
        humidity: rng.between(0.35, 0.55),
        weather_k: 1.5,
        weather_moisture: 0.2,
        ..Hall::MILD
    };
    wired.bus("cell", Link::Tcp)
}

/// A shop with a single sump and a head with everything on it.
fn single(rng: &mut Rng, seed: u64, sump: SumpSetup) -> Wired {
    shop(rng, seed, vec![sump]).device("head-1", 1).head(0)
}

/// Probes as they are: calibrated within a few percent, drifting a little, wiped now and then.
fn worn(rng: &mut Rng, mut wired: Wired) -> Wired {
    let start = wired.scenario.start;
    for plan in &mut wired.scenario.probes {
        let setup = &mut plan.setup;
        match setup.measures {
            Measures::Conductivity => {
                setup.gain = rng.between(0.98, 1.02);
                setup.drift_per_day = rng.between(0.0, 0.0006);
                setup.wander_per_day = rng.between(0.0005, 0.0015);
                setup.compensation_percent_per_k = rng.between(1.9, 2.2);
                setup.head_warmer_k = rng.between(-0.5, 0.5);
                let mut day = rng.between(15.0, 45.0);
                while day < 90.0 {
                    let at = start.plus_days(working_day(day) + 0.4);
                    setup.attentions.push((at, Attention::Wiped(rng.between(0.3, 0.8))));
                    day += rng.between(20.0, 50.0);
                }
            }
            Measures::Meter => setup.gain = rng.between(0.985, 1.015),
            Measures::Level => setup.drift_per_day = rng.between(-0.02, 0.02),
            Measures::Ph => setup.drift_per_day = rng.between(-0.0015, 0.0005),
            Measures::Temperature | Measures::Pump => {}
        }
    }
    wired
}

/// Top-ups written down: a few forgotten, a third late.
fn told() -> Habits {
    Habits {
        topups_known: Some(0.2),
        litres_spread: 0.1,
        topups_missing: 0.05,
        topups_late: 4 * HOUR,
        ..Habits::NONE
    }
}

/// Refractometer and hardness every so many days, by somebody with eyes and tools of his own.
fn read(rng: &mut Rng, every_days: u64, habits: Habits) -> Habits {
    Habits {
        manual_every: Some(days(every_days)),
        titrated: rng.chance(0.3),
        brix_step: if rng.chance(0.5) { 0.1 } else { 0.2 },
        brix_bias: rng.between(-0.1, 0.1),
        ..habits
    }
}

/// With habits, and judged by them.
fn finish(rng: &mut Rng, wired: Wired, habits: Habits, judged: Judged) -> Scenario {
    let mut scenario = worn(rng, wired).done();
    let metered = |sump: usize| {
        let meter =
            scenario.probes.iter().any(|plan| plan.sump == sump && plan.setup.measures == Measures::Meter);
        let people = &scenario.sumps[sump].people;
        meter && people.bucket_chance == 0.0 && people.neat_chance == 0.0
    };
    let metered = (0..scenario.sumps.len()).all(metered);
    let manual = habits.manual_every.is_some_and(|every| every <= days(14));
    scenario.judged = Judged { manual, mix_known: habits.topups_known.is_some(), metered, ..judged };
    scenario.habits = habits;
    scenario
}

const QUIET: Judged = Judged { quiet: true, ..Judged::UNTOLD };

fn quiet_lathe(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-quiet-lathe");
    let sump = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    let wired = single(&mut rng, seed, sump);
    let habits = Habits {
        ph_strip_every: Some(days(7)),
        dip_slide_every: Some(days(7)),
        dip_stick_every: Some(days(28)),
        ..read(&mut rng, 7, told())
    };
    finish(&mut rng, wired, habits, QUIET)
}

fn quiet_mill(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-quiet-mill");
    let mut sump = varied(&mut rng, mill("mill-2", "Mill 2"));
    sump.water = Water::tap(rng.between(60.0, 80.0));
    sump.start.hardness_mg_l = sump.water.hardness_mg_l() * rng.between(1.0, 1.3);
    let mut wired = single(&mut rng, seed, sump).without(0, "makeup");
    for week in 0..12 {
        // A few hours of foam after the weekend.
        let from = f64::from(7 * week) + 0.3 + rng.uniform();
        wired = wired.trouble(0, "level", from, from + 0.15, Trouble::Spikes { chance: 0.1, by: 25.0 });
    }
    finish(&mut rng, wired, Habits::NONE, QUIET)
}

fn quiet_pair(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-quiet-pair");
    let first = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    let mut second = varied(&mut rng, saw("saw-3", "Saw 3"));
    second.people = People { portions: 3, ..second.people };
    let mut wired = shop(&mut rng, seed, vec![first, second])
        .device("head-1", 1)
        .head(0)
        .device("head-3", 3)
        .head(1)
        .without(1, "makeup");
    let rest = Rest { from: wired.day(42.0), to: wired.day(56.0), holiday: true };
    for sump in &mut wired.scenario.sumps {
        sump.rests.push(rest);
    }
    let habits = read(&mut rng, 14, Habits::NONE);
    finish(&mut rng, wired, habits, QUIET)
}

fn hard(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-hard");
    let mut sump = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    sump.water = Water::tap(rng.between(330.0, 380.0));
    sump.start.hardness_mg_l = sump.water.hardness_mg_l();
    sump.machine.spray_factor = rng.between(2.5, 4.5);
    sump.people = People { plain_chance: rng.between(0.3, 0.6), ..habitual(&mut rng, sump.target_percent) };
    let wired = single(&mut rng, seed, sump);
    finish(&mut rng, wired, Habits::NONE, Judged { hardness_limit_mg_l: Some(600.0), ..Judged::UNTOLD })
}

fn softened(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-softened");
    let mut sump = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    sump.water = Water::softened(rng.between(250.0, 350.0));
    sump.start.hardness_mg_l = sump.water.hardness_mg_l();
    sump.machine.spray_factor = rng.between(2.5, 4.0);
    sump.people = habitual(&mut rng, sump.target_percent);
    let wired = single(&mut rng, seed, sump).without(0, "makeup");
    let habits = read(&mut rng, 7, Habits::NONE);
    finish(&mut rng, wired, habits, Judged { hardness_limit_mg_l: Some(400.0), ..Judged::UNTOLD })
}

fn demineralised(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-demineralised");
    let mut sump = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    sump.fill_water = Some(Water::tap(rng.between(200.0, 300.0)));
    sump.start.hardness_mg_l = sump.fill_water.map_or(0.0, |water| water.hardness_mg_l());
    sump.water = Water::demineralised();
    let wired = single(&mut rng, seed, sump);
    finish(&mut rng, wired, told(), Judged { hardness_limit_mg_l: Some(400.0), ..Judged::UNTOLD })
}

fn fine_chips(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-fine-chips");
    let mut sump = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    sump.machine.chip_porosity = rng.between(0.70, 0.78);
    sump.machine.chips_kept_share = rng.between(0.015, 0.045);
    let left = rng.between(0.05, 0.3);
    let day = working_day(rng.between(58.0, 66.0)) + 0.6;
    let wired = single(&mut rng, seed, sump).happens(day, 0, Action::EmptyChips { left });
    let habits = Habits { dip_stick_every: Some(days(14)), ..told() };
    finish(&mut rng, wired, habits, Judged::UNTOLD)
}

fn stringy(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-stringy");
    let mut sump = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    sump.machine.chip_porosity = rng.between(0.93, 0.96);
    sump.machine.chips_kept_share = rng.between(0.02, 0.035);
    sump.people = habitual(&mut rng, sump.target_percent);
    let wired = single(&mut rng, seed, sump).without(0, "pump");
    finish(&mut rng, wired, Habits::NONE, Judged::UNTOLD)
}

fn slow_leak(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-slow-leak");
    let sump = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    let day = rng.between(28.0, 40.0);
    let wired = single(&mut rng, seed, sump).happens(day, 0, Action::Leak(0.3));
    let habits = read(&mut rng, 14, told());
    finish(&mut rng, wired, habits, Judged::UNTOLD)
}

fn fast_leak(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-fast-leak");
    let mut sump = varied(&mut rng, saw("saw-3", "Saw 3"));
    sump.people = habitual(&mut rng, sump.target_percent);
    let day = rng.between(30.0, 40.0);
    let mut wired = single(&mut rng, seed, sump)
        .without(0, "makeup")
        .happens(day, 0, Action::Leak(1.5))
        .happens(day + rng.between(12.0, 16.0), 0, Action::Leak(0.0));
    for from in [8.0, 63.0] {
        let rest = Rest { from: wired.day(from), to: wired.day(from + 3.0), holiday: false };
        wired.scenario.sumps[0].rests.push(rest);
    }
    finish(&mut rng, wired, Habits::NONE, Judged::UNTOLD)
}

fn fouling(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-fouling");
    let mut sump = varied(&mut rng, mill("mill-2", "Mill 2"));
    sump.people = habitual(&mut rng, sump.target_percent);
    let frozen = rng.between(16.0, 24.0);
    let swapped = working_day(rng.between(50.0, 60.0)) + 0.5;
    let jump = rng.between(0.02, 0.06) * if rng.chance(0.5) { 1.0 } else { -1.0 };
    let wired = single(&mut rng, seed, sump).trouble(
        0,
        "conductivity",
        frozen,
        frozen + rng.between(1.0, 3.0),
        Trouble::Frozen,
    );
    let habits = read(&mut rng, 7, Habits::NONE);
    let mut scenario = finish(&mut rng, wired, habits, Judged::UNTOLD);
    let day = |count: f64| scenario.start.plus_days(count);
    let wipes = [30.0, 44.0, 74.0].map(|at| (day(at + 0.4), Attention::Wiped(rng.between(0.4, 0.9))));
    let swap = (day(swapped), swapped);
    for plan in scenario.probes.iter_mut().filter(|plan| plan.setup.measures == Measures::Conductivity) {
        let setup = &mut plan.setup;
        setup.drift_per_day = rng.between(0.0010, 0.0025);
        setup.wander_per_day = rng.between(0.002, 0.004);
        setup.attentions = wipes.to_vec();
        setup.attentions.push((swap.0, Attention::Swapped(setup.gain + jump)));
        setup.attentions.sort_by_key(|(at, _)| *at);
    }
    scenario
}

fn careless(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-careless");
    let mut sump = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    sump.people = People {
        wrong_chance: 0.08,
        wrong_percent: 12.0,
        neat_chance: 0.15,
        bucket_chance: 0.4,
        portions: 4,
        hose: Hose::AtSwitch,
        ..habitual(&mut rng, sump.target_percent)
    };
    let wired = single(&mut rng, seed, sump);
    finish(&mut rng, wired, Habits::NONE, Judged::UNTOLD)
}

fn holiday(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-holiday");
    let mut sump = varied(&mut rng, mill("mill-2", "Mill 2"));
    sump.people = People { hose: Hose::Standing, ..habitual(&mut rng, sump.target_percent) };
    let mut wired = single(&mut rng, seed, sump).without(0, "makeup");
    wired.scenario.hall.weather_k = 3.0;
    wired.scenario.hall.weather_moisture = 0.35;
    let from = 7.0 * (4.0 + rng.below(4) as f64);
    let idle = 7.0 * (10.0 + rng.below(2) as f64) + 1.0;
    let rests = [
        Rest { from: wired.day(from), to: wired.day(from + 14.0), holiday: true },
        Rest { from: wired.day(idle), to: wired.day(idle + 4.0), holiday: false },
    ];
    wired.scenario.sumps[0].rests.extend(rests);
    finish(&mut rng, wired, Habits::NONE, Judged::UNTOLD)
}

/// Litres of a fresh charge, with room for the chips that a dump leaves.
fn charge_l(sump: &SumpSetup) -> f64 {
    (0.9 * sump.tank.volume_l(sump.fill_mark_mm)).round()
}

fn renewal(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-renewal");
    let mut sump = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    sump.machine.chips_kept_share = rng.between(0.008, 0.02);
    sump.people = habitual(&mut rng, sump.target_percent);
    let (litres, percent) = (charge_l(&sump), sump.target_percent);
    let dump = 7.0 * rng.between(2.0, 4.0).floor() + 3.45;
    let clean = 7.0 * rng.between(7.0, 9.0).floor() + 4.4;
    let wired = single(&mut rng, seed, sump).happens(dump, 0, Action::Dump { litres, percent }).happens(
        clean,
        0,
        Action::CleanOut { litres, percent, clean: 2 * HOUR, rinse: HOUR / 2 },
    );
    let habits = read(&mut rng, 28, Habits::NONE);
    finish(&mut rng, wired, habits, Judged::UNTOLD)
}

fn skimped(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-skimped");
    let mut sump = varied(&mut rng, mill("mill-2", "Mill 2"));
    sump.biology = Biology { growth_h: 0.13, kill_h_percent: 0.012, acid_mmol_l_h: 0.35 };
    sump.start.slime = rng.between(0.7, 0.95);
    sump.start.log_cfu_ml = rng.between(5.0, 5.6);
    sump.machine.tramp_oil_l_h = rng.between(0.008, 0.015);
    sump.people = People { skim_chance: 0.05, ..sump.people };
    let (litres, percent) = (charge_l(&sump), sump.target_percent);
    let day = 7.0 * rng.between(3.0, 5.0).floor() + 4.4;
    let clean = HOUR / 3;
    let wired = single(&mut rng, seed, sump).happens(
        day,
        0,
        Action::CleanOut { litres, percent, clean, rinse: Duration::ZERO },
    );
    let habits = Habits { dip_slide_every: Some(days(14)), ..read(&mut rng, 14, Habits::NONE) };
    finish(&mut rng, wired, habits, Judged::UNTOLD)
}

fn screen(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-screen");
    let mut sump = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    sump.screen = Some(Screen {
        dirty_share: rng.between(0.5, 0.7),
        clean_drop_mm: rng.between(2.0, 5.0),
        clogs_per_h: rng.between(0.002, 0.005),
    });
    sump.machine.chips_kept_share = rng.between(0.008, 0.016);
    let before = ProbeSetup {
        side: Side::Dirty,
        ..ProbeSetup::new("level-before", Measures::Level, Delivery::Loop { signal: (0.0, 500.0) })
    };
    let brushed = working_day(rng.between(40.0, 60.0)) + 0.5;
    let wired = single(&mut rng, seed, sump).probe(0, before).happens(brushed, 0, Action::BrushScreen);
    finish(&mut rng, wired, told(), Judged::UNTOLD)
}

fn oil(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-oil");
    let mut sump = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    sump.machine.tramp_oil_l_h = rng.between(0.010, 0.018);
    sump.people = People { skim_chance: 0.02, ..sump.people };
    let wired = shop(&mut rng, seed, vec![sump]).device("head-1", 1).bare(0);
    let habits = Habits { ph_strip_every: Some(days(7)), ..read(&mut rng, 7, told()) };
    let mut scenario = finish(&mut rng, wired, habits, Judged::UNTOLD);
    scenario.habits.brix_bias = 0.1;
    for plan in &mut scenario.probes {
        match plan.setup.measures {
            Measures::Level => plan.setup.drift_per_day = rng.between(-0.08, 0.08),
            Measures::Ph => plan.setup.drift_per_day = rng.between(-0.004, -0.002),
            _ => {}
        }
    }
    scenario
}

fn everything(seed: u64) -> Scenario {
    let mut rng = choices(seed, "quarter-everything");
    let mut first = varied(&mut rng, lathe("lathe-1", "Lathe 1, by the door"));
    first.water = Water::tap(rng.between(250.0, 360.0));
    first.start.hardness_mg_l = first.water.hardness_mg_l();
    first.people = People {
        wrong_chance: 0.05,
        neat_chance: 0.05,
        bucket_chance: 0.2,
        portions: 2,
        ..habitual(&mut rng, first.target_percent)
    };
    let mut second = varied(&mut rng, mill("mill-2", "Mill 2"));
    second.machine = Machine {
        chip_porosity: rng.between(0.85, 0.95),
        chips_kept_share: rng.between(0.008, 0.02),
        tramp_oil_l_h: 0.01,
        ..second.machine
    };
    second.people = habitual(&mut rng, second.target_percent);
    let dump = Action::Dump { litres: charge_l(&second), percent: second.target_percent };
    let leak = rng.between(20.0, 60.0);
    let emptied = working_day(rng.between(50.0, 60.0)) + 0.5;
    let mut wired = shop(&mut rng, seed, vec![first, second])
        .device("head-1", 1)
        .head(0)
        .wireless(1)
        .happens(leak, 0, Action::Leak(0.6))
        .happens(leak + 10.0, 0, Action::Leak(0.0))
        .happens(emptied, 1, Action::EmptyChips { left: 0.2 })
        .happens(73.4, 1, dump)
        .trouble(0, "level", 12.0, 13.5, Trouble::WireBreak)
        .trouble(1, "conductivity", 33.0, 35.0, Trouble::Frozen)
        .trouble(1, "level", 66.0, 66.4, Trouble::Stale);
    let rest = Rest { from: wired.day(77.0), to: wired.day(86.0), holiday: true };
    wired.scenario.sumps.iter_mut().for_each(|sump| sump.rests.push(rest));
    let habits = Habits { topups_missing: 0.4, ..read(&mut rng, 14, told()) };
    let limit = Judged { hardness_limit_mg_l: Some(500.0), ..Judged::UNTOLD };
    let mut scenario = finish(&mut rng, wired, habits, limit);
    scenario.judged.mix_known = false;
    scenario
}
