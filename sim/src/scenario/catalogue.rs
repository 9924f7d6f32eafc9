//! The shops. Every name, machine and figure here is invented.

use super::wiring::{HOUR, Wired, days, lathe, mill, saw};
use super::{Judged, Link, Scenario, quarter};
use crate::probe::{Delivery, Measures, ProbeSetup, Trouble};
use crate::rng::Rng;
use crate::stamp::Stamp;
use crate::world::{Action, Biology, People, Start, Water};

/// Name, what it shows, and who builds it from a seed.
pub(super) type Entry = (&'static str, &'static str, fn(u64) -> Scenario);

/// Every scenario.
pub(super) fn all() -> impl Iterator<Item = &'static Entry> {
    SHORT.iter().chain(quarter::ALL)
}

const SHORT: &[Entry] = &[
    ("quiet-week", "two sumps in good hands for a week: nothing to say", quiet_week),
    (
        "hard-water",
        "four weeks of hard tap water on top of evaporation: hardness climbs, concentration sinks",
        hard_water,
    ),
    ("going-sour", "a tired fill over a weekend: pH sags", going_sour),
    ("chips", "three weeks of chips that stay in the sump: less coolant than the gauge says", chips),
    ("leak", "a seal goes on the fourth day", leak),
    ("probe-trouble", "wire break, frozen pH, a silent sender, spikes, a dry cell", probe_trouble),
    ("clean-out", "a dump in the first week, a clean-out in the second", clean_out),
    ("ninety-days", "three months of everything slow: hardness, chips, fouling, unknown mixes", ninety_days),
    ("shop", "four sumps, each with a trouble of its own, on every kind of wire", shop),
];

fn quiet_week(seed: u64) -> Scenario {
    let sumps = vec![lathe("lathe-1", "Lathe 1, by the door"), mill("mill-2", "Mill 2")];
    let mut scenario = Wired::new(seed, days(7), sumps)
        .bus("cell", Link::Tcp)
        .device("lathe-1-head", 1)
        .head(0)
        .device("mill-2-head", 2)
        .head(1)
        .done();
    scenario.judged = Judged { quiet: true, metered: true, ..Judged::UNTOLD };
    scenario
}

fn hard_water(seed: u64) -> Scenario {
    let mut sump = lathe("lathe-1", "Lathe 1, by the door");
    sump.water = Water::tap(320.0);
    sump.start.hardness_mg_l = 330.0;
    sump.people = People { plain_chance: 0.8, ..People::CAREFUL };
    sump.machine.spray_factor = 3.0;
    Wired::new(seed, days(28), vec![sump]).bus("cell", Link::Tcp).device("lathe-1-head", 1).head(0).done()
}

fn going_sour(seed: u64) -> Scenario {
    let mut sump = mill("mill-2", "Mill 2");
    sump.biology = Biology::TIRED;
    sump.start = Start { percent: 5.0, log_cfu_ml: 5.9, acid_mmol_l: 1.0, ..sump.start };
    sump.machine.tramp_oil_l_h = 0.06;
    sump.people.skim_chance = 0.0;
    let mut scenario = Wired::new(seed, days(6), vec![sump])
        .bus("line", Link::Rtu { baud: 19_200 })
        .device("mill-2-head", 2)
        .head(0)
        .done();
    // Thursday to Tuesday, so that the weekend lies in the middle.
    scenario.start = Stamp::MONDAY.plus_days(3.0);
    scenario
}

fn chips(seed: u64) -> Scenario {
    let mut sump = lathe("lathe-1", "Lathe 1, by the door");
    sump.machine.chips_kept_share = 0.08;
    sump.machine.chip_porosity = 0.85;
    sump.start.chip_solids_l = 3.0;
    Wired::new(seed, days(21), vec![sump]).bus("cell", Link::Tcp).device("lathe-1-head", 1).head(0).done()
}

fn leak(seed: u64) -> Scenario {
    Wired::new(seed, days(10), vec![saw("saw-3", "Saw 3")])
        .bus("server", Link::RtuOverTcp { baud: 9600 })
        .device("saw-3-head", 3)
        .head(0)
        .happens(3.4, 0, Action::Leak(1.5))
        .done()
}

fn probe_trouble(seed: u64) -> Scenario {
    Wired::new(seed, days(7), vec![lathe("lathe-1", "Lathe 1, by the door"), mill("mill-2", "Mill 2")])
        .bus("cell", Link::Tcp)
        .device("lathe-1-head", 1)
        .head(0)
        .wireless(1)
        .trouble(0, "level", 0.5, 0.8, Trouble::WireBreak)
        .trouble(0, "ph", 1.3, 1.9, Trouble::Frozen)
        .trouble(0, "conductivity", 2.3, 2.6, Trouble::Dry)
        .trouble(0, "level", 3.3, 3.9, Trouble::Spikes { chance: 0.02, by: 60.0 })
        .trouble(0, "temperature", 4.3, 4.5, Trouble::NoValue)
        .trouble(1, "temperature", 1.0, 1.4, Trouble::Stale)
        .trouble(1, "conductivity", 2.0, 6.0, Trouble::Offset(250.0))
        .done()
}

fn clean_out(seed: u64) -> Scenario {
    let refill = 300.0;
    Wired::new(seed, days(14), vec![lathe("lathe-1", "Lathe 1, by the door")])
        .bus("cell", Link::Tcp)
        .device("lathe-1-head", 1)
        .bare(0)
        .happens(3.94, 0, Action::Dump { litres: refill, percent: 7.0 })
        .happens(10.3, 0, Action::CleanOut { litres: refill, percent: 7.0, clean: 2 * HOUR, rinse: HOUR / 2 })
        .done()
}

/// A single sump whose rates the seed chooses, so that many seeds judge an estimator over many shops.
fn ninety_days(seed: u64) -> Scenario {
    let mut rng = Rng::of(seed, "ninety-days");
    let mut sump = lathe("lathe-1", "Lathe 1, by the door");
    sump.water = Water::tap(rng.between(180.0, 300.0));
    sump.start.hardness_mg_l = sump.water.hardness_mg_l();
    sump.start.percent = rng.between(6.0, 8.0);
    sump.machine.spray_factor = rng.between(1.8, 4.5);
    sump.machine.dragout_share = rng.between(0.02, 0.06);
    sump.machine.mist_l_h = rng.between(0.05, 0.2);
    // At two shifts of load 1 this leaves 10 to 40 L of solids in ninety days.
    sump.machine.chips_kept_share = rng.between(0.008, 0.034);
    sump.people =
        People { mix_percent: rng.between(3.0, 5.0), mix_spread: 0.8, plain_chance: 0.2, ..People::CAREFUL };
    let fouling = rng.between(0.0, 0.0006);
    let mut wired =
        Wired::new(seed, days(90), vec![sump]).bus("cell", Link::Tcp).device("lathe-1-head", 1).head(0);
    for plan in &mut wired.scenario.probes {
        if plan.setup.measures == Measures::Conductivity {
            plan.setup.drift_per_day = fouling;
        }
    }
    wired.done()
}

/// Begins on a Friday at 14:00, so that at 600 × real time an evening's evaporation takes half a minute and a weekend five.
fn shop(seed: u64) -> Scenario {
    let mut hard = lathe("lathe-1", "Lathe 1, by the door");
    hard.water = Water::tap(360.0);
    hard.start = Start { hardness_mg_l: 394.0, fullness: 0.93, ..hard.start };
    hard.people = People { plain_chance: 1.0, low_part: 0.05, ..People::CAREFUL };
    hard.machine.spray_factor = 4.5;
    let mut sour = mill("mill-2", "Mill 2");
    sour.biology = Biology { acid_mmol_l_h: 0.9, ..Biology::TIRED };
    sour.start = Start { percent: 4.5, log_cfu_ml: 7.3, acid_mmol_l: 1.5, ..sour.start };
    sour.people.skim_chance = 0.0;
    let mut leaking = saw("saw-3", "Saw 3");
    leaking.machine.chips_kept_share = 0.25;
    leaking.start.chip_solids_l = 14.0;
    let mut wired =
        Wired::new(seed, days(4), vec![hard, sour, leaking, lathe("grinder-4", "Grinder 4, far corner")]);
    wired.scenario.start = Stamp::MONDAY.plus_days(4.0) + 14 * HOUR;
    wired
        .bus("cell", Link::Tcp)
        .device("lathe-1-head", 1)
        .head(0)
        .bus("line", Link::Rtu { baud: 19_200 })
        .device("mill-2-head", 2)
        .bare(1)
        .bus("server", Link::RtuOverTcp { baud: 9600 })
        .device("saw-3-head", 3)
        .head(2)
        .wireless(3)
        .bus("cell-2", Link::Tcp)
        .device("grinder-4-loop", 1)
        .probe(3, ProbeSetup::new("depth", Measures::Level, Delivery::Loop { signal: (0.0, 500.0) }))
        .happens(0.1, 2, Action::Leak(7.0))
        .trouble(3, "depth", 0.15, 0.6, Trouble::WireBreak)
        .trouble(3, "temperature", 0.25, 4.0, Trouble::Stale)
        .trouble(3, "ph", 0.3, 4.0, Trouble::Frozen)
        .done()
}
