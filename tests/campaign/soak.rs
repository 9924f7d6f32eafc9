//! Faults drawn by lot, one after the other, for as long as it is given.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use rustix::process::Signal;
use sumpwarden_sim::device::{Fault, Times};

use super::account::close;
use super::others::Mood;
use super::outcome::Outcome;
use super::plant::{COUNTING, Parts, Plant};
use super::{Around, Dice};

const FAULTS: [&str; 8] = [
    "kill",
    "power",
    "broker restart",
    "broker frozen",
    "database",
    "devices gone",
    "wrong replies",
    "frozen",
];

/// Draws faults by the seed.
pub(crate) fn soak(around: &Around) -> Outcome {
    let until = Instant::now() + Duration::from_secs(around.size(20, around.minutes * 60));
    let mut dice = Dice::new(around.seed);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let disk = super::power::Disk::mount(&plant.installation.path("data"));
    let mut counts: BTreeMap<&str, u64> = BTreeMap::new();
    let mut outcome = Outcome::new(0);
    plant.start();
    while Instant::now() < until {
        plant.pass(Duration::from_millis(dice.between(200, 2_500)));
        let fault = FAULTS[dice.between(0, FAULTS.len() as u64) as usize];
        inject(fault, &mut plant, &disk, &mut dice);
        outcome.lose(if plant.runs() { plant.check() } else { Vec::new() });
        *counts.entry(fault).or_default() += 1;
        outcome.injected += 1;
        around.step(outcome.injected, outcome.injected);
    }
    let drawn: Vec<String> = counts.iter().map(|(fault, count)| format!("{count} {fault}")).collect();
    outcome.say(format!("seed {}: {}", around.seed, drawn.join(", ")));
    outcome.starts(&plant.starts);
    let account = close(&mut plant);
    drop(disk);
    outcome.with(account)
}

fn inject(fault: &str, plant: &mut Plant, disk: &super::power::Disk, dice: &mut Dice) {
    let time = Duration::from_millis(dice.between(100, 2_000));
    match fault {
        "kill" => {
            plant.kill(true);
            plant.start();
        }
        "power" => {
            disk.cut(plant);
            plant.start();
        }
        "broker restart" => {
            let broker = plant.broker.as_mut().expect("it has one");
            broker.stop();
            std::thread::sleep(time);
            broker.start_again();
        }
        "broker frozen" => {
            plant.broker.as_ref().expect("it has one").freeze();
            plant.pass(time);
            plant.broker.as_ref().expect("it has one").thaw();
        }
        "database" => {
            let moods =
                [Mood::Hangs, Mood::LosesReply, Mood::Refuses(503, true), Mood::BreaksOff, Mood::Narrow(30)];
            plant.database.behave(moods[dice.between(0, moods.len() as u64) as usize]);
            plant.pass(time);
            plant.database.behave(Mood::Well);
        }
        "devices gone" => {
            let port = plant.device_port();
            plant.devices_off();
            plant.pass(time);
            plant.devices_on(port);
        }
        "wrong replies" => {
            let (unit, _) = COUNTING[dice.between(0, COUNTING.len() as u64) as usize];
            let chance = Times::Chance { chance: 0.2, seed: dice.between(0, u64::MAX) };
            plant.bank.script(unit, Fault::WrongTransaction, chance);
            plant.pass(time);
            plant.bank.heal(unit);
        }
        _ => {
            plant.daemon().peer().signal(Signal::STOP);
            std::thread::sleep(time);
            plant.daemon().peer().signal(Signal::CONT);
        }
    }
}
