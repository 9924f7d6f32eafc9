//! The program killed, stopped, frozen and starved.

use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

use super::account::{close, polls_per_second};
use super::outcome::Outcome;
use super::plant::{Parts, Plant};
use super::{Around, Dice};

/// `kill -9` at any moment of the whole program.
pub(crate) fn kill(around: &Around) -> Outcome {
    let kills = around.times(10, 1000);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let mut dice = Dice::new(around.seed);
    let mut outcome = Outcome::new(kills);
    plant.start();
    for kill in 0..kills {
        let life = dice.between(100, 3_000) / if around.long { 2 } else { 1 };
        plant.pass(Duration::from_millis(life));
        plant.kill(true);
        plant.start();
        let missing = plant.check();
        outcome.lose(missing);
        around.step(kill + 1, kills);
    }
    outcome.starts(&plant.starts);
    let account = close(&mut plant);
    // What was answered in the second before a kill, and a reply on its way.
    let most = kills * (polls_per_second() * 3 / 2 + 1);
    outcome.expect(
        account.volatile <= most,
        format!("{} answers were not durable, {most} at most", account.volatile),
    );
    outcome.expect(
        account.messages_twice <= (kills + 2) * 16,
        format!("{} messages came twice", account.messages_twice),
    );
    outcome.with(account)
}

/// Stopped in its tracks and let go on.
pub(crate) fn freeze(around: &Around) -> Outcome {
    let (times, long) = (around.times(1, 3), Duration::from_secs(around.size(10, 60)));
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let mut outcome = Outcome::new(times);
    plant.start();
    plant.pass(Duration::from_secs(3));
    for time in 0..times {
        plant.daemon().peer().signal(Signal::STOP);
        std::thread::sleep(long);
        let before = plant.requests();
        plant.daemon().peer().signal(Signal::CONT);
        std::thread::sleep(Duration::from_secs(1));
        let burst = plant.requests() - before;
        // Missed polls are skipped: a second's worth at the usual pace, and one a device that was due.
        let most = polls_per_second() + 2 * 5;
        outcome.expect(burst <= most, format!("{burst} polls in the first second, {most} at most"));
        outcome.say(format!("frozen for {} s, then {burst} polls in a second", long.as_secs()));
        plant.pass(Duration::from_secs(2));
        around.step(time + 1, times);
    }
    outcome.with(close(&mut plant))
}

/// Asked to end under load; and asked twice.
pub(crate) fn stop(around: &Around) -> Outcome {
    let times = around.times(3, 50);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let mut dice = Dice::new(around.seed);
    let mut outcome = Outcome::new(times);
    let mut slowest = Duration::ZERO;
    for time in 0..times {
        plant.start();
        plant.pass(Duration::from_millis(dice.between(300, 3_000)));
        let asked = Instant::now();
        let mut daemon = plant.take();
        daemon.peer().signal(Signal::TERM);
        // Every third time somebody loses patience; whatever that ends is still no loss of what was durable.
        let twice = time % 3 == 2;
        if twice {
            std::thread::sleep(Duration::from_millis(dice.between(1, 60)));
            let pid = Pid::from_raw(daemon.peer().id() as i32).expect("a process id");
            // It may have ended already.
            let _ = kill_process(pid, Signal::TERM);
        }
        let (status, _) = daemon.end(Duration::from_secs(8));
        slowest = slowest.max(asked.elapsed());
        outcome.expect(status.code() == Some(0) || twice, format!("ended with {status}"));
        around.step(time + 1, times);
    }
    outcome.expect(slowest < Duration::from_secs(6), format!("a stop took {slowest:?}"));
    outcome.say(format!("the slowest stop took {} ms", slowest.as_millis()));
    let account = close(&mut plant);
    // One reply may be on its way at each stop; a second request to stop ends the waiting.
    let most = times + times / 3 * (polls_per_second() * 3 / 2);
    outcome.expect(account.volatile <= most, format!("{} answers were not stored", account.volatile));
    outcome.with(account)
}

/// Started twice on one directory.
pub(crate) fn two(around: &Around) -> Outcome {
    let times = around.times(2, 20);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let mut outcome = Outcome::new(times);
    plant.start();
    for time in 0..times {
        plant.pass(Duration::from_millis(500));
        let second =
            plant.program().args(["run", "--config"]).arg(plant.installation.configuration()).output();
        let second = second.expect("it can be started");
        let said = String::from_utf8_lossy(&second.stderr).into_owned();
        let refused = second.status.code() == Some(74) && said.contains("in use by another instance");
        outcome.expect(refused, format!("the second one: {} {said}", second.status));
        around.step(time + 1, times);
    }
    outcome.say("the second one refuses, the first goes on");
    outcome.with(close(&mut plant))
}

/// Nobody reads what it says: standard output and error are closed pipes.
pub(crate) fn unheard(around: &Around) -> Outcome {
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let mut outcome = Outcome::new(1);
    plant.start();
    plant.pass(Duration::from_secs(1));
    plant.kill(true);
    // `head` reads its first lines, the one that says where the page is among them, and goes.
    let script = format!("trap '' PIPE; \"$0\" \"$@\" 2>&1 | head -n {HEARD}");
    let before = plant.requests();
    let mut command = plant.dressed(std::process::Command::new("bash"));
    command.args(["-c", &script]).arg(plant.path());
    plant.start_as(command);
    plant.pass(Duration::from_secs(around.size(6, 60)));
    let polls = plant.requests() - before;
    outcome.expect(polls > 2 * polls_per_second(), format!("{polls} polls only"));
    let heard = plant.daemon().peer().output().len();
    outcome.expect(heard >= HEARD, format!("it said {heard} lines only: its output was never closed"));
    outcome.say(format!("{polls} polls went on"));
    around.step(1, 1);
    let program = plant.path();
    let data = plant.installation.configuration();
    for pid in running(&program, &data) {
        let _ = kill_process(pid, Signal::TERM);
    }
    let _ = plant.take().end(Duration::from_secs(8));
    outcome.with(close(&mut plant))
}

/// So many lines are read before nobody reads any more.
const HEARD: usize = 40;

/// Processes of this program on this configuration: those that a shell started for us.
fn running(program: &std::path::Path, configuration: &std::path::Path) -> Vec<Pid> {
    let entries = std::fs::read_dir("/proc").into_iter().flatten().flatten();
    let ours = |pid: &i32| {
        let line = std::fs::read(format!("/proc/{pid}/cmdline")).unwrap_or_default();
        let words: Vec<&[u8]> = line.split(|byte| *byte == 0).collect();
        words.first() == Some(&program.as_os_str().as_encoded_bytes())
            && words.contains(&configuration.as_os_str().as_encoded_bytes())
    };
    entries
        .filter_map(|entry| entry.file_name().to_str()?.parse().ok())
        .filter(ours)
        .filter_map(Pid::from_raw)
        .collect()
}

/// Few descriptors, little processor time.
pub(crate) fn starved(around: &Around) -> Outcome {
    let mut outcome = Outcome::new(2);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    plant.start();
    plant.pass(Duration::from_secs(1));
    let id = plant.daemon().peer().id();
    sumpwarden_tests::process::run(std::process::Command::new("prlimit").args([
        "--pid",
        &id.to_string(),
        "--nofile=48:48",
    ]));
    let page = plant.daemon().port();
    let visitors: Vec<_> =
        (0..100).map_while(|_| std::net::TcpStream::connect(("127.0.0.1", page)).ok()).collect();
    let (before, cpu) = (plant.requests(), cpu_ticks(id));
    plant.pass(Duration::from_secs(around.size(5, 60)));
    let seconds = around.size(5, 60);
    // A tick is a hundredth of a second.
    let (polls, spent) = (plant.requests() - before, (cpu_ticks(id) - cpu) / seconds);
    outcome.expect(polls > polls_per_second() * seconds / 2, format!("{polls} polls without descriptors"));
    outcome.say(format!("48 descriptors, {} visitors: {polls} polls, {spent} % of a core", visitors.len()));
    drop(visitors);
    around.step(1, 2);
    let hogs: Vec<Hog> = (0..4).map(|_| Hog::start()).collect();
    let before = plant.requests();
    plant.pass(Duration::from_secs(seconds));
    let polls = plant.requests() - before;
    drop(hogs);
    outcome.expect(polls > seconds, format!("{polls} polls beside four busy loops"));
    outcome.say(format!("four busy loops: {polls} polls"));
    around.step(2, 2);
    outcome.with(close(&mut plant))
}

fn cpu_ticks(id: u32) -> u64 {
    let stat = std::fs::read_to_string(format!("/proc/{id}/stat")).unwrap_or_default();
    let fields = stat.rsplit_once(") ").map(|(_, fields)| fields.to_owned()).unwrap_or_default();
    fields.split(' ').skip(11).take(2).filter_map(|ticks| ticks.parse::<u64>().ok()).sum()
}

/// A busy loop of its own process.
struct Hog(std::process::Child);

impl Hog {
    fn start() -> Self {
        let mut command = std::process::Command::new("bash");
        Self(command.args(["-c", "while :; do :; done"]).spawn().expect("a shell"))
    }
}

impl Drop for Hog {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Little memory: a limit of the kernel's that kills.
pub(crate) fn memory(around: &Around) -> Outcome {
    let mut outcome = Outcome::new(1);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let group = Group::limited(MEMORY_BYTES);
    plant.start();
    group.take_in(plant.daemon().peer().id());
    let (before, seconds) = (plant.requests(), around.size(6, 60));
    plant.pass(Duration::from_secs(seconds));
    let polls = plant.requests() - before;
    outcome.expect(
        polls > polls_per_second() * seconds / 2,
        format!("{polls} polls in {} MiB", MEMORY_BYTES >> 20),
    );
    outcome.say(format!("{} MiB are enough for {polls} polls in {seconds} s", MEMORY_BYTES >> 20));
    // Too little for anything: it is slow or killed by the kernel, and by us in the end.
    plant.look();
    group.limit(1 << 20);
    plant.pass(Duration::from_secs(2));
    plant.kill(false);
    outcome.say("then 1 MiB, and a kill");
    plant.start();
    outcome.lose(plant.check());
    around.step(1, 1);
    outcome.with(close(&mut plant))
}

/// What the gateway has to get along with.
const MEMORY_BYTES: u64 = 96 << 20;

/// A group of processes under one limit of memory.
struct Group(std::path::PathBuf);

impl Group {
    fn limited(bytes: u64) -> Self {
        let path = format!("/sys/fs/cgroup/memory/sumpwarden-campaign-{}", std::process::id());
        std::fs::create_dir(&path).expect("root, and the memory controller of version 1");
        let group = Self(path.into());
        group.limit(bytes);
        group
    }

    fn limit(&self, bytes: u64) {
        // The kernel refuses a limit that it cannot bring about at once; what it could free is freed all the same.
        let _ = std::fs::write(self.0.join("memory.limit_in_bytes"), bytes.to_string());
    }

    fn take_in(&self, id: u32) {
        std::fs::write(self.0.join("cgroup.procs"), id.to_string()).expect("our own process");
    }
}

impl Drop for Group {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir(&self.0);
    }
}
