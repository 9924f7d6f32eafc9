//! Calls to the disk that kill, fail or take long, by `strace`; files that are gone or damaged.

use std::process::Command;
use std::time::{Duration, Instant};

use sumpwarden_tests::process::{run, tool};

use super::account::{close, polls_per_second};
use super::outcome::Outcome;
use super::plant::{Parts, Plant};
use super::{Around, Dice};

/// The calls by which a store changes what is on the disk, and up to which of each it is killed in a long run. Calls are
/// counted by the thread that makes them.
const CALLS: [(&str, u64); 5] =
    [("fsync", 40), ("pwrite64", 120), ("unlink", 3), ("ftruncate", 2), ("rename", 1)];

/// The program under `strace`, which does this at these calls. The program stays our own child (`-D`).
fn traced(plant: &Plant, calls: &str, inject: &str) -> Command {
    let mut command = plant.dressed(Command::new(tool("strace")));
    command.args(["-D", "-f", "-o", "/dev/null", "-e", "signal=none"]);
    command.arg("-e").arg(format!("trace={calls}")).arg("-e").arg(format!("inject={calls}:{inject}"));
    command.arg(plant.path());
    command
}

/// Killed at the n-th call of each kind, for every n of the first seconds of a run.
pub(crate) fn step(around: &Around) -> Outcome {
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let mut outcome = Outcome::new(0);
    plant.start();
    plant.pass(Duration::from_millis(700));
    plant.kill(true);
    let steps: Vec<(&str, u64)> = if around.long {
        CALLS.iter().flat_map(|(call, most)| (1..=*most).map(move |n| (*call, n))).collect()
    } else {
        vec![("fsync", 1), ("pwrite64", 3), ("fsync", 4), ("pwrite64", 17), ("fsync", 9), ("pwrite64", 40)]
    };
    let (count, mut never) = (steps.len() as u64, 0);
    for (done, (call, n)) in (1..).zip(steps) {
        let mut command = traced(&plant, call, &format!("signal=KILL:when={n}"));
        let mut child = command.args(["run", "--config"]).arg(plant.installation.configuration());
        child = child.stdin(std::process::Stdio::null()).stdout(std::process::Stdio::null());
        let mut child = child.stderr(std::process::Stdio::null()).spawn().expect("strace starts");
        let deadline = Instant::now() + Duration::from_secs(6);
        let ended = loop {
            plant.look();
            match child.try_wait().expect("ours") {
                Some(_) => break true,
                None if Instant::now() > deadline => break false,
                None => std::thread::sleep(Duration::from_millis(20)),
            }
        };
        if ended {
            outcome.injected += 1;
        } else {
            // So many calls of that kind do not come in this time: killed all the same.
            never += 1;
            plant.look();
            let _ = child.kill();
            let _ = child.wait();
        }
        plant.start();
        outcome.lose(plant.check());
        plant.pass(Duration::from_millis(150));
        plant.kill(true);
        around.step(done, count);
    }
    outcome.say(format!("killed at the n-th sync, write, removal, cut and renaming; {never} never came"));
    outcome.starts(&plant.starts);
    outcome.with(close(&mut plant))
}

/// Syncs that fail once, or take long: the window is written again, polls go on.
pub(crate) fn sync(around: &Around) -> Outcome {
    let mut outcome = Outcome::new(2);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    plant.start();
    plant.pass(Duration::from_secs(1));
    plant.kill(true);
    // Not the first ones: a start that cannot write refuses.
    plant.start_as(traced(&plant, "fsync", "error=EIO:when=7..8"));
    plant.pass(Duration::from_secs(5));
    plant.kill(true);
    plant.start();
    outcome.lose(plant.check());
    outcome.say("two syncs failed, then a kill");
    plant.kill(true);
    around.step(1, 2);
    plant.start_as(traced(&plant, "fsync", "delay_enter=1500000:when=10+2"));
    let before = plant.requests();
    let seconds = around.size(6, 30);
    plant.pass(Duration::from_secs(seconds));
    let polls = plant.requests() - before;
    outcome.expect(polls > polls_per_second() * seconds / 2, format!("{polls} polls beside slow syncs"));
    outcome.say(format!("every second sync 1.5 s: {polls} polls in {seconds} s"));
    around.step(2, 2);
    outcome.with(close(&mut plant))
}

/// The disk is full for a while, then there is room again.
pub(crate) fn full(around: &Around) -> Outcome {
    let times = around.times(1, 10);
    let mut outcome = Outcome::new(times);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let data = plant.installation.path("data");
    let disk = super::power::Disk::mount(&data);
    let mut dice = Dice::new(around.seed);
    plant.start();
    for time in 0..times {
        plant.pass(Duration::from_secs(1));
        let ballast = data.join("ballast");
        // `dd` ends with an error once nothing is left.
        let _ = Command::new(tool("dd"))
            .args(["if=/dev/zero", "bs=64K", "status=none"])
            .arg(format!("of={}", ballast.display()))
            .stderr(std::process::Stdio::null())
            .status();
        let before = plant.requests();
        plant.pass(Duration::from_millis(dice.between(3_000, 6_000)));
        let polls = plant.requests() - before;
        outcome.expect(polls > polls_per_second(), format!("{polls} polls while the disk was full"));
        std::fs::remove_file(&ballast).expect("it was made");
        plant.pass(Duration::from_secs(4));
        outcome.say(format!("{polls} polls while nothing could be written"));
        around.step(time + 1, times);
    }
    let outcome = outcome.with(close(&mut plant));
    drop(disk);
    outcome
}

/// The file system turns read-only for a while.
pub(crate) fn read_only(around: &Around) -> Outcome {
    let mut outcome = Outcome::new(1);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let data = plant.installation.path("data");
    let disk = super::power::Disk::mount(&data);
    plant.start();
    plant.pass(Duration::from_secs(2));
    plant.kill(true);
    run(Command::new(tool("mount")).args(["-o", "remount,ro"]).arg(&data));
    let refused = plant.program().args(["run", "--config"]).arg(plant.installation.configuration()).output();
    let refused = refused.expect("it can be started");
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    outcome.expect(
        !refused.status.success() && !said.contains("panicked"),
        format!("{} {said}", refused.status),
    );
    run(Command::new(tool("mount")).args(["-o", "remount,rw"]).arg(&data));
    plant.start();
    outcome.lose(plant.check());
    outcome.say("a start says so and changes nothing; goes on once it can write");
    around.step(1, 1);
    let outcome = outcome.with(close(&mut plant));
    drop(disk);
    outcome
}
