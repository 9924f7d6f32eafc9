//! The broker restarted, frozen, flooded, and strangers on it.

use std::time::Duration;

use sumpwarden_tests::broker::{publish, publisher};

use super::Around;
use super::account::{close, polls_per_second};
use super::outcome::Outcome;
use super::plant::{Parts, Plant};

/// Restarts of a broker that keeps its sessions, while numbered messages go on.
pub(crate) fn restart(around: &Around) -> Outcome {
    let times = around.times(3, 50);
    let mut plant = Plant::new(Parts::BROKER, &around.build);
    let mut outcome = Outcome::new(times);
    plant.start();
    plant.pass(Duration::from_secs(2));
    for time in 0..times {
        let broker = plant.broker.as_mut().expect("it has one");
        broker.stop();
        std::thread::sleep(Duration::from_millis(300));
        broker.start_again();
        plant.pass(Duration::from_secs(3));
        if time % 3 == 1 {
            plant.kill(true);
            plant.start();
            outcome.lose(plant.check());
        }
        around.step(time + 1, times);
    }
    outcome.say("numbered messages of QoS 1, a third of the restarts with a kill of the gateway");
    outcome.with(close(&mut plant))
}

/// Frozen for longer than the keep-alive bears, then thawed.
pub(crate) fn frozen(around: &Around) -> Outcome {
    let mut plant = Plant::new(Parts::BROKER, &around.build);
    let mut outcome = Outcome::new(1);
    plant.start();
    plant.pass(Duration::from_secs(2));
    plant.broker.as_ref().expect("it has one").freeze();
    let before = plant.requests();
    let seconds = around.size(8, 90);
    plant.pass(Duration::from_secs(seconds));
    let polls = plant.requests() - before;
    plant.broker.as_ref().expect("it has one").thaw();
    outcome.expect(polls > polls_per_second() * seconds / 2, format!("{polls} polls beside a frozen broker"));
    outcome.say(format!("frozen for {seconds} s, {polls} polls meanwhile"));
    plant.pass(Duration::from_secs(3));
    around.step(1, 1);
    outcome.with(close(&mut plant))
}

/// Payloads nobody should send, and a flood of retained topics, on the topic of a good probe's neighbours.
pub(crate) fn hostile(around: &Around) -> Outcome {
    let payloads = [
        String::new(),
        "x".to_owned(),
        "[".repeat(10_000),
        "{\"v\": 1e400, \"t\": 1}".to_owned(),
        "{\"v\": 1, \"v\": 2, \"t\": 3}".to_owned(),
        "{\"v\": 123456789012345678901234567890, \"t\": -1}".to_owned(),
        "\u{7}<script>alert(1)</script>\n".to_owned(),
        "{\"v\": \"not a number\"}".to_owned(),
        "9".repeat(60_000),
    ];
    let flood = around.size(2_000, 100_000).to_string();
    let mut plant = Plant::new(Parts::BROKER, &around.build);
    let mut outcome = Outcome::new(payloads.len() as u64 + 1);
    plant.start();
    plant.pass(Duration::from_secs(1));
    let port = plant.broker.as_ref().expect("it has one").port;
    let before = plant.requests();
    let flooding =
        publisher(port, &["--topic", "hall/a", "--flood", "--retain", "--count", &flood, "--first", "7"]);
    for (done, payload) in (1..).zip(&payloads) {
        publish(port, &["--topic", "hall/a", "--raw", payload, "--first", &done.to_string()]);
        plant.pass(Duration::from_millis(100));
        around.step(done, payloads.len() as u64 + 1);
    }
    flooding.finish(Duration::from_secs(300));
    plant.pass(Duration::from_secs(1));
    let polls = plant.requests() - before;
    outcome.expect(polls > polls_per_second(), format!("{polls} polls"));
    outcome.say(format!("{} payloads, {flood} retained topics, {polls} polls meanwhile", payloads.len()));
    outcome.with(close(&mut plant))
}
