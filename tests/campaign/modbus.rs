//! Devices that answer late, wrongly or not at all, and a network that swallows what is sent.

use std::time::{Duration, Instant};

use sumpwarden_sim::device::{Fault, Times};

use super::account::{FOREIGN, close, polls_per_second};
use super::outcome::Outcome;
use super::plant::{COUNTING, Parts, Plant};
use super::{Around, Dice};

/// Units whose replies are played with and still those that were asked for.
const BENIGN: [u8; 2] = [1, 2];

/// Replies that are doubled, foreign, cut, noisy or exceptions, at random, each device its own. The first two units send
/// what may be taken or not; what the others send otherwise than whole must never be taken.
pub(crate) fn replies(around: &Around) -> Outcome {
    let rounds = around.times(8, 200);
    let mut dice = Dice::new(around.seed);
    let mut plant = Plant::new(Parts::BRISK, &around.build);
    plant.start();
    for round in 0..rounds {
        for (unit, _) in COUNTING {
            let faults = faults(BENIGN.contains(&unit));
            let fault = faults[dice.between(0, faults.len() as u64) as usize].clone();
            plant.bank.script(unit, fault, Times::Chance { chance: 0.1, seed: dice.between(0, u64::MAX) });
        }
        plant.pass(Duration::from_millis(900));
        COUNTING.iter().for_each(|(unit, _)| plant.bank.heal(*unit));
        plant.pass(Duration::from_millis(200));
        around.step(round + 1, rounds);
    }
    let disturbed = COUNTING.iter().map(|(unit, _)| plant.bank.counts(*unit).disturbed).sum();
    let mut outcome = Outcome::new(disturbed);
    outcome.say("fourteen kinds of wrong replies, one in ten");
    let mut account = close(&mut plant);
    let may = |wrong: &String| BENIGN.iter().any(|unit| wrong.starts_with(&format!("net-{unit}: {FOREIGN}")));
    account.wrong.retain(|wrong| !may(wrong));
    outcome.with(account)
}

fn faults(benign: bool) -> Vec<Fault> {
    if benign {
        return vec![
            Fault::Twice,
            Fault::Pieces(Duration::from_millis(3)),
            Fault::NoiseBefore(vec![0x55; 9]),
            Fault::NoiseAfter(vec![0xaa; 9]),
        ];
    }
    vec![
        Fault::WrongUnit,
        Fault::WrongFunction,
        Fault::WrongByteCount,
        Fault::WrongTransaction,
        Fault::ProtocolId(7),
        Fault::LengthField(65_535),
        Fault::Exception(6),
        Fault::CutOff(6),
        Fault::Reset,
        Fault::Close,
    ]
}

/// The devices gone and back, again and again.
pub(crate) fn restart(around: &Around) -> Outcome {
    let times = around.times(3, 50);
    let mut plant = Plant::new(Parts::DEVICES, &around.build);
    let mut outcome = Outcome::new(times);
    plant.start();
    for time in 0..times {
        plant.pass(Duration::from_millis(800));
        let port = plant.device_port();
        plant.devices_off();
        plant.pass(Duration::from_millis(700));
        plant.devices_on(port);
        let before = plant.requests();
        plant.pass(Duration::from_secs(3));
        outcome
            .expect(plant.requests() > before + polls_per_second() / 2, "polls did not come back within 3 s");
        around.step(time + 1, times);
    }
    outcome.say("connection refused for 0.7 s each time, back within 3 s");
    outcome.with(close(&mut plant))
}

/// One device of the bus silent: the others are polled on.
pub(crate) fn dead(around: &Around) -> Outcome {
    let mut plant = Plant::new(Parts::BRISK, &around.build);
    let mut outcome = Outcome::new(1);
    plant.start();
    plant.pass(Duration::from_secs(2));
    plant.bank.script(4, Fault::Silent, Times::Always);
    let others =
        |plant: &Plant| -> u64 { [1, 2, 3].map(|unit| plant.bank.counts(unit).answered).iter().sum() };
    let (before, seconds) = (others(&plant), around.size(15, 60));
    plant.pass(Duration::from_secs(seconds));
    let share =
        (others(&plant) - before) as f64 / (seconds as f64 * (1000.0 / 40.0 + 1000.0 / 60.0 + 1000.0 / 90.0));
    plant.bank.heal(4);
    outcome.expect(share > 0.3, format!("the others had {:.0} % of their polls", share * 100.0));
    outcome.say(format!(
        "one device silent for {seconds} s: the others had {:.0} % of their polls",
        share * 100.0
    ));
    plant.pass(Duration::from_secs(around.size(6, 60)));
    around.step(1, 1);
    outcome.with(close(&mut plant))
}

/// The connection is there for one end only: what is sent is swallowed, and nobody says that it has ended.
pub(crate) fn half_open(around: &Around) -> Outcome {
    let times = around.times(1, 20);
    let mut plant = Plant::new(Parts::RELAY, &around.build);
    let mut outcome = Outcome::new(times);
    plant.start();
    for time in 0..times {
        plant.pass(Duration::from_secs(1));
        plant.relay.as_ref().expect("it has one").swallow();
        // What the relay had in hand is on its way still.
        std::thread::sleep(Duration::from_millis(100));
        let (before, cut) = (plant.requests(), Instant::now());
        while plant.requests() == before && cut.elapsed() < NOTICED_WITHIN {
            plant.pass(Duration::from_millis(100));
        }
        let back = cut.elapsed();
        outcome.expect(back < NOTICED_WITHIN, format!("not noticed within {NOTICED_WITHIN:?}"));
        outcome.say(format!("polled again after {} ms", back.as_millis()));
        around.step(time + 1, times);
    }
    outcome.with(close(&mut plant))
}

/// Two polls of devices that are given a third of a second each, and a new connection, on a busy machine.
const NOTICED_WITHIN: Duration = Duration::from_secs(5);
