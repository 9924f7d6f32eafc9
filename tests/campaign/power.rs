//! The power goes: the store lies on a file system of its own, which is shut down without its log being written, so that
//! whatever was not synced is gone.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::Signal;
use sumpwarden::edge::store::{Commit, Store};
use sumpwarden_core::model::{Name, Quality, Quantity, Sample, SeriesIndex, Timestamp};
use sumpwarden_core::store::settings::StoreSettings;
use sumpwarden_core::store::{SeriesKey, SeriesSource};
use sumpwarden_tests::process::{TempDir, run, tool};

use super::account::close;
use super::others::Mood;
use super::outcome::Outcome;
use super::plant::{Parts, Plant};
use super::{Around, Dice};

/// Shuts an ext4 file system down (`EXT4_IOC_SHUTDOWN` with `EXT4_GOING_FLAGS_NOLOGFLUSH`) as soon as it reads a line.
const CUT: &str = "import fcntl, os, struct, sys
where = os.open(sys.argv[1], os.O_RDONLY)
sys.stdin.readline()
fcntl.ioctl(where, 0x8004587D, struct.pack('I', 2))
";
/// How long whoever else holds the file system may take to let go of it.
const GONE_WITHIN: Duration = Duration::from_secs(120);
/// Size of the file system; only what is written takes room.
const BYTES: u64 = 256 << 20;

/// A file system in a file, mounted.
pub(crate) struct Disk {
    image: PathBuf,
    at: PathBuf,
    _folder: TempDir,
}

impl Disk {
    /// Makes one and mounts it at `at`.
    pub(crate) fn mount(at: &Path) -> Self {
        let folder = Plant::scratch();
        let image = folder.path().join("disk");
        std::fs::File::create(&image).and_then(|file| file.set_len(BYTES)).expect("room for a sparse file");
        run(Command::new(tool("mkfs.ext4")).args(["-q", "-F"]).arg(&image));
        std::fs::create_dir_all(at).expect("a directory");
        let disk = Self { image, at: at.to_owned(), _folder: folder };
        disk.again();
        disk
    }

    fn again(&self) {
        run(Command::new(tool("mount")).args(["-o", "loop"]).arg(&self.image).arg(&self.at));
    }

    /// Until it is gone: where another mount namespace was made meanwhile, by a container say, it holds the file system, shut
    /// down as it is, and mounting it again would bring that one back.
    fn unmount(&self) {
        run(Command::new(tool("umount")).arg(&self.at));
        let held = || {
            let found = Command::new(tool("losetup")).arg("-j").arg(&self.image).output();
            !found.expect("losetup runs").stdout.is_empty()
        };
        let deadline = Instant::now() + GONE_WITHIN;
        while held() {
            assert!(
                Instant::now() < deadline,
                "{} is still mounted elsewhere: run this alone",
                self.at.display()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Writes everything to the disk, whoever forgot to.
    fn settle(&self) {
        run(Command::new(tool("sync")).arg("-f").arg(&self.at));
    }

    /// Somebody with a hand on the switch.
    fn hand(&self) -> Child {
        let mut command = Command::new("python3");
        command.args(["-c", CUT]).arg(&self.at).stdin(Stdio::piped());
        let hand = command.spawn().expect("python3 is there");
        // So that it is there when it is wanted.
        std::thread::sleep(Duration::from_millis(150));
        hand
    }

    /// Cuts the power of a running plant, then mounts what is left.
    pub(crate) fn cut(&self, plant: &mut Plant) {
        let mut hand = self.hand();
        // Only what was durable before the cut counts.
        plant.look();
        // The program stops first, as it does when the power goes: a sync that races with the shutdown may say that it
        // went well, and what the program then told the broker would be nobody's fault.
        plant.daemon().peer().signal(Signal::STOP);
        hand.stdin.take().expect("piped").write_all(b"now\n").expect("it listens");
        let done = hand.wait().expect("ours");
        plant.end_by("a power cut");
        assert!(done.success(), "the file system cannot be shut down: root on ext4 is needed");
        self.unmount();
        self.again();
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new(tool("umount")).arg("-l").arg(&self.at).stderr(Stdio::null()).status();
    }
}

/// What goes on when the power goes.
#[derive(Clone, Copy, Debug)]
enum Phase {
    FirstStart,
    FullRate,
    Backlog,
    Burst,
    Packing,
    Idle,
    Killed,
}

const PHASES: [Phase; 7] = [
    Phase::FirstStart,
    Phase::FullRate,
    Phase::Backlog,
    Phase::Burst,
    Phase::Packing,
    Phase::Idle,
    Phase::Killed,
];

/// The power goes, in every phase.
pub(crate) fn cut(around: &Around) -> Outcome {
    let cuts = around.times(7, 300);
    let mut outcome = Outcome::new(cuts);
    let mut dice = Dice::new(around.seed);
    let (mut starts, mut done) = (Vec::new(), 0);
    // A first start is one of a fresh directory, so a plant serves for some cuts only.
    while done < cuts {
        let mut plant = Plant::new(Parts::ALL, &around.build);
        let data = plant.installation.path("data");
        let disk = Disk::mount(&data);
        let mut old = 0;
        for round in 0..(cuts - done).min(30) {
            let phase = if round == 0 {
                Phase::FirstStart
            } else {
                PHASES[1 + (round as usize - 1) % (PHASES.len() - 1)]
            };
            if round == 0 && around.proof {
                // A build that never syncs would lose its keys and not come up again: no loss, but no proof either.
                plant.start();
                plant.pass(Duration::from_secs(1));
                disk.settle();
                plant.kill(true);
            }
            let put = prepare(&mut plant, phase, &mut dice);
            old += put;
            disk.cut(&mut plant);
            plant.database.behave(Mood::Well);
            if put > 0 {
                outcome.lose(packed_missing(&plant, old));
            }
            plant.start();
            outcome.lose(plant.check());
            done += 1;
            around.step(done, cuts);
        }
        starts.append(&mut plant.starts);
        outcome = outcome.with(close(&mut plant));
    }
    outcome.starts(&starts);
    outcome.say("at a first start, at full rate, with a backlog, in a burst of alarms, while packing, idle, after a kill");
    outcome
}

/// Brings the plant into a phase; gives how many old samples it was given for that, to be packed.
fn prepare(plant: &mut Plant, phase: Phase, dice: &mut Dice) -> u64 {
    match phase {
        Phase::FirstStart => {
            plant.start_briefly();
            plant.pass(Duration::from_millis(dice.between(0, 400)));
        }
        Phase::FullRate | Phase::Burst => plant.pass(Duration::from_millis(dice.between(500, 2_000))),
        Phase::Backlog => {
            plant.database.behave(Mood::Hangs);
            plant.pass(Duration::from_millis(1_500));
            plant.database.behave(Mood::Well);
            plant.pass(Duration::from_millis(dice.between(0, 600)));
        }
        Phase::Packing => {
            plant.kill(true);
            let packed = old_samples(&plant.installation.path("data"), dice.between(0, 1_000_000) as i64);
            plant.start();
            plant.pass(Duration::from_millis(dice.between(0, 900)));
            return packed;
        }
        // What was written and not synced before the kill is seen after it, and must be synced before it counts.
        Phase::Killed => {
            plant.pass(Duration::from_millis(dice.between(500, 1_500)));
            plant.kill(true);
            plant.start();
            plant.pass(Duration::from_millis(dice.between(0, 300)));
        }
        Phase::Idle => {
            plant.pass(Duration::from_millis(100));
            let port = plant.device_port();
            plant.devices_off();
            plant.pass(Duration::from_millis(1_500));
            plant.devices_on(port);
        }
    }
    0
}

/// Samples in each lot of old ones.
const OLD: u64 = 20_000;

/// Puts a lot of samples from two hours ago into the store, which a daemon then packs at its start.
fn old_samples(data: &Path, offset: i64) -> u64 {
    let name = |text: &str| Name::new(text).expect("letters");
    let source = SeriesSource::Probe(name("old"));
    let key = SeriesKey { sump: name("s"), source, quantity: Quantity::Temperature };
    let settings = StoreSettings { free_min: 0, ..StoreSettings::default() };
    let events = tokio::sync::mpsc::unbounded_channel().0;
    let store = Store::open(data, &[key], settings, events).expect("nobody has it");
    let from = sumpwarden::edge::clock::Clock.utc().as_nanos() - 7_200_000_000_000 + offset;
    for lot in 0..OLD / 500 {
        let sample = |n: u64| Sample {
            series: SeriesIndex(0),
            at: Timestamp::from_nanos(from + (lot * 500 + n) as i64 * 50_000_000),
            raw: Some(n as f64),
            value: Some(n as f64),
            quality: Quality::GOOD,
        };
        store.submit(Commit { samples: (0..500).map(sample).collect(), at_once: true, ..Commit::default() });
        store.flush().expect("room");
    }
    store.close();
    OLD
}

/// Old samples that are not all there after a cut, or more than once.
fn packed_missing(plant: &Plant, expected: u64) -> Vec<String> {
    let held = plant.installation.stored().points.get("probe/s/old").map_or(0, Vec::len) as u64;
    if held == expected { Vec::new() } else { vec![format!("{held} old samples of {expected}")] }
}
