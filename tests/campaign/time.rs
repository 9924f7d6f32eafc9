//! The clock set, forward and back, while the program runs; it alone sees the false time.

use std::process::Command;
use std::time::Duration;

use sumpwarden_tests::faketime;

use super::Around;
use super::account::{OUT_OF_ORDER, close, polls_per_second};
use super::outcome::Outcome;
use super::plant::{Parts, Plant};

/// An hour forward and back by turns.
pub(crate) fn step(around: &Around) -> Outcome {
    let times = around.times(4, 40);
    let mut plant = Plant::new(Parts { alarms: true, ..Parts::DEVICES }, &around.build);
    let mut outcome = Outcome::new(times);
    let folder = Plant::scratch();
    let file = folder.path().join("now");
    let set = |offset: &str| {
        // In one step: a half-written file would be another time.
        std::fs::write(folder.path().join("next"), offset).expect("room");
        std::fs::rename(folder.path().join("next"), &file).expect("room");
    };
    set("+0");
    let mut command: Command = plant.program();
    command
        .env("LD_PRELOAD", faketime::library())
        .env("FAKETIME_TIMESTAMP_FILE", &file)
        .env("FAKETIME_NO_CACHE", "1")
        .env("FAKETIME_DONT_FAKE_MONOTONIC", "1");
    plant.start_as(command);
    plant.pass(Duration::from_secs(2));
    for time in 0..times {
        set(["+3600", "+0", "-3600", "+0"][time as usize % 4]);
        let before = plant.requests();
        plant.pass(Duration::from_secs(2));
        let polls = plant.requests() - before;
        let right = (polls_per_second() / 2..=polls_per_second() * 4).contains(&polls);
        outcome.expect(right, format!("{polls} polls in two seconds after a step"));
        around.step(time + 1, times);
    }
    outcome.say("an hour forward, back, back and forward again");
    let mut account = close(&mut plant);
    // What is read after the clock was set back has an earlier stamp than what was read before.
    account.wrong.retain(|wrong| !wrong.contains(OUT_OF_ORDER));
    outcome.with(account)
}
