//! The database away, busy, choosy, slow, and gone in the middle of an answer.

use std::time::Duration;

use super::account::close;
use super::others::Mood;
use super::outcome::Outcome;
use super::plant::{Parts, Plant};
use super::{Around, Dice};

/// Everything a database does, one after the other and then at random, and the program killed in the middle of it.
pub(crate) fn moods(around: &Around) -> Outcome {
    let mut dice = Dice::new(around.seed);
    let mut plant = Plant::new(Parts::DEVICES, &around.build);
    let mut outcome = Outcome::new(0);
    let moods = [
        Mood::Refuses(503, false),
        Mood::Narrow(40),
        Mood::Refuses(429, true),
        Mood::LosesReply,
        Mood::Choosy(101),
        Mood::BreaksOff,
        Mood::Refuses(500, false),
        Mood::Slow(Duration::from_millis(700)),
        Mood::Refuses(401, false),
        Mood::Endless,
        Mood::Hangs,
        Mood::Refuses(502, true),
    ];
    let rounds = around.times(moods.len() as u64, 300);
    plant.start();
    for round in 0..rounds {
        let mood = match moods.get(round as usize) {
            Some(mood) => *mood,
            None => moods[dice.between(0, moods.len() as u64) as usize],
        };
        plant.database.behave(mood);
        plant.pass(Duration::from_millis(1_200));
        if round % 4 == 3 {
            plant.kill(true);
            plant.start();
            outcome.lose(plant.check());
        }
        plant.database.behave(Mood::Well);
        plant.pass(Duration::from_millis(300));
        around.step(round + 1, rounds);
    }
    outcome.injected = plant.database.disturbed();
    outcome.say(format!("{} kinds of answers, {} kills within", moods.len(), rounds / 4));
    outcome.with(close(&mut plant))
}

/// An outage while data goes on coming, then everything at once; what comes live does not wait behind the backlog.
pub(crate) fn outage(around: &Around) -> Outcome {
    let mut plant = Plant::new(Parts::BROKER, &around.build);
    let mut outcome = Outcome::new(1);
    let away = around.size(10, 300);
    plant.start();
    plant.pass(Duration::from_secs(1));
    plant.database.behave(Mood::Hangs);
    plant.pass(Duration::from_secs(away));
    plant.database.behave(Mood::Well);
    let owed = plant.durable.len() - plant.database.points().len().min(plant.durable.len() as usize) as u64;
    let begun = std::time::Instant::now();
    let goal = plant.durable.len();
    while (plant.database.points().len() as u64) < goal && begun.elapsed() < Duration::from_secs(120) {
        plant.pass(Duration::from_millis(100));
    }
    outcome.say(format!(
        "{away} s away, {owed} points owed, all there after {} ms",
        begun.elapsed().as_millis()
    ));
    around.step(1, 1);
    outcome.with(close(&mut plant))
}
