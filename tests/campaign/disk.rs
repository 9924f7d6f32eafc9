//! Calls to the disk that kill, fail or take long, by `strace`; a disk that is full or read-only.

use std::os::unix::process::ExitStatusExt;
use std::path::Path;
use std::process::{Command, ExitStatus};
use std::time::{Duration, Instant};

use rustix::process::Signal;
use sumpwarden_tests::process::{run, tool};

use super::account::{Account, close, polls_per_second};
use super::outcome::Outcome;
use super::plant::{MOMENT, Parts, Plant};
use super::{Around, Dice};

/// The calls by which a store changes what is on the disk, and up to which of each it is killed in a long run. Calls are
/// counted by the thread that makes them.
const CALLS: [(&str, u64); 5] =
    [("fsync", 40), ("pwrite64", 120), ("unlink", 3), ("ftruncate", 2), ("rename", 1)];

/// What the program's log says while it cannot write, and once it can again.
const TROUBLE: &str = "the store cannot be written; commits wait in memory";
const OVER: &str = "the store is written again";

/// The program under `strace`, which does this at these calls and says so in `record`. The program stays our own child
/// (`-D`).
fn traced(plant: &Plant, calls: &str, inject: &str, record: &Path) -> Command {
    let mut command = plant.dressed(Command::new(tool("strace")));
    command.args(["-D", "-f", "-e", "signal=none", "-o"]).arg(record);
    command.arg("-e").arg(format!("trace={calls}")).arg("-e").arg(format!("inject={calls}:{inject}"));
    command.arg(plant.path());
    command
}

/// Calls in a record of `strace` of which it says this.
fn recorded(record: &Path, what: &str) -> u64 {
    let text = std::fs::read_to_string(record).unwrap_or_default();
    text.lines().filter(|line| line.ends_with(what)).count() as u64
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
    let killed = |status: ExitStatus| status.signal() == Some(Signal::KILL.as_raw());
    for (done, (call, n)) in (1..).zip(steps) {
        let mut command = traced(&plant, call, &format!("signal=KILL:when={n}"), Path::new("/dev/null"));
        let mut child = command.args(["run", "--config"]).arg(plant.installation.configuration());
        child = child.stdin(std::process::Stdio::null()).stdout(std::process::Stdio::null());
        let mut child = child.stderr(std::process::Stdio::null()).spawn().expect("strace starts");
        let deadline = Instant::now() + Duration::from_secs(6);
        let ended = loop {
            plant.look();
            match child.try_wait().expect("ours") {
                Some(status) => break Some(status),
                None if Instant::now() > deadline => break None,
                None => std::thread::sleep(Duration::from_millis(20)),
            }
        };
        match ended {
            Some(status) if killed(status) => outcome.injected += 1,
            Some(status) => outcome.expect(false, format!("ended with {status} before {call} {n}")),
            None => {
                // So many calls of that kind do not come in this time: killed all the same.
                never += 1;
                plant.look();
                let _ = child.kill();
                let _ = child.wait();
            }
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
    let mut outcome = Outcome::new(0);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let folder = Plant::scratch();
    // Not the first ones: those belong to the start, not to what comes in.
    let failed = failing(&mut plant, "fsync", "error=EIO:when=7..8", &folder.file("failing"), &mut outcome);
    outcome.say(format!("{failed} syncs failed, told and written again, then a kill"));
    around.step(1, 2);
    let slow = ("fsync", "delay_enter=1500000:when=10+2", "(DELAYED)");
    let (account, delayed, polls) = disturbed(&mut plant, slow, &folder.file("slow"), around, &mut outcome);
    outcome.say(format!("{delayed} syncs of 1.5 s: {polls}"));
    outcome.injected = failed + delayed;
    around.step(2, 2);
    outcome.with(account)
}

/// Writes that fail, or are interrupted: the window is written again, or goes on as if nothing had been.
pub(crate) fn write(around: &Around) -> Outcome {
    let mut outcome = Outcome::new(0);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let folder = Plant::scratch();
    let failed =
        failing(&mut plant, "pwrite64", "error=EIO:when=60..64", &folder.file("failing"), &mut outcome);
    outcome.say(format!("{failed} writes failed, told and written again, then a kill"));
    around.step(1, 2);
    let often = ("pwrite64", "error=EINTR:when=20+3", "(INJECTED)");
    let (account, interrupted, polls) =
        disturbed(&mut plant, often, &folder.file("interrupted"), around, &mut outcome);
    outcome.say(format!("{interrupted} writes interrupted: {polls}"));
    outcome.injected = failed + interrupted;
    around.step(2, 2);
    outcome.with(account)
}

/// A run in which some of these calls fail, then a kill and another start; gives how many failed.
fn failing(plant: &mut Plant, calls: &str, inject: &str, record: &str, outcome: &mut Outcome) -> u64 {
    let record = Path::new(record);
    plant.start();
    plant.pass(Duration::from_secs(1));
    plant.kill(true);
    plant.start_as(traced(plant, calls, inject, record));
    let told = plant.pass_until(MOMENT, |log| log.contains(TROUBLE));
    outcome.expect(told, format!("{calls} failed and the log says nothing of it"));
    let over = plant.pass_until(MOMENT, |log| log.contains(OVER));
    outcome.expect(over, format!("nothing was written after {calls} had failed"));
    plant.pass(Duration::from_secs(2));
    plant.kill(true);
    let failed = recorded(record, "(INJECTED)");
    outcome.expect(failed > 0, format!("no {calls} failed"));
    plant.start();
    outcome.lose(plant.check());
    plant.kill(true);
    failed
}

/// A run in which these calls are disturbed so that nobody must notice, to its end; gives how many were, and how polls went
/// on, in words.
fn disturbed(
    plant: &mut Plant,
    (calls, inject, mark): (&str, &str, &str),
    record: &str,
    around: &Around,
    outcome: &mut Outcome,
) -> (Account, u64, String) {
    let record = Path::new(record);
    plant.start_as(traced(plant, calls, inject, record));
    let before = plant.requests();
    let seconds = around.size(6, 30);
    plant.pass(Duration::from_secs(seconds));
    let polls = plant.requests() - before;
    outcome.expect(polls > polls_per_second() * seconds / 2, format!("{polls} polls beside {calls}"));
    let trouble = plant.daemon().peer().output().iter().any(|line| line.contains(TROUBLE));
    outcome.expect(!trouble, format!("{calls} were only disturbed, and the log tells of trouble"));
    let account = close(plant);
    let count = recorded(record, mark);
    outcome.expect(count > 0, format!("no {calls} was disturbed"));
    (account, count, format!("{polls} polls in {seconds} s"))
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

/// Started on a file system that is read-only for a while: it polls, keeps in memory, and writes once it can.
pub(crate) fn read_only(around: &Around) -> Outcome {
    let times = around.times(1, 10);
    let mut outcome = Outcome::new(times);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let data = plant.installation.path("data");
    let disk = super::power::Disk::mount(&data);
    plant.start();
    for time in 0..times {
        plant.pass(Duration::from_secs(2));
        plant.kill(true);
        run(Command::new(tool("mount")).args(["-o", "remount,ro"]).arg(&data));
        plant.start();
        let (before, seconds) = (plant.requests(), around.size(5, 60));
        plant.pass(Duration::from_secs(seconds));
        let polls = plant.requests() - before;
        outcome.expect(polls > polls_per_second() * seconds / 2, format!("{polls} polls while read-only"));
        let told = plant.pass_until(MOMENT, |log| log.contains(TROUBLE));
        outcome.expect(told, "the log does not say that nothing can be written");
        run(Command::new(tool("mount")).args(["-o", "remount,rw"]).arg(&data));
        let over = plant.pass_until(MOMENT, |log| log.contains(OVER));
        outcome.expect(over, "nothing was written once it could be");
        outcome.lose(plant.check());
        outcome.say(format!("started read-only: {polls} polls in {seconds} s, then written"));
        around.step(time + 1, times);
    }
    let account = close(&mut plant);
    // What was answered in the second before a kill; all that waited in memory was written.
    let most = times * (polls_per_second() * 3 / 2 + 1);
    outcome.expect(account.volatile <= most, format!("{} answers were not stored", account.volatile));
    let outcome = outcome.with(account);
    drop(disk);
    outcome
}
