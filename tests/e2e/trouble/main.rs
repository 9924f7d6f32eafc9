//! The gateway's own program while its disk is in trouble: it polls, raises alarms and sends messages, and loses
//! nothing that was acknowledged. Needs root, for small file systems of its own.

mod disk;

use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use sumpwarden_tests::gateway::{Installation, Stored, plain_probe, sump};
use sumpwarden_tests::modbus::ModbusTcp;
use sumpwarden_tests::process::{self, free_port, run, tool};
use sumpwarden_tests::receiver::{Item, Receiver};

/// How long anything may take on a busy machine; alarms of lines come and end after half a minute or more.
const MOMENT: Duration = Duration::from_secs(120);

/// Looks until `found` gives something.
#[track_caller]
fn wait_for<T>(what: &str, found: impl FnMut() -> Option<T>) -> T {
    process::wait_for(what, MOMENT, found)
}

/// A receiver that is asked what it was told.
#[derive(Clone)]
struct Told(Receiver);

impl Told {
    fn items(&self) -> Vec<Item> {
        self.0.log()
    }

    /// Waits until an alarm with this in its key has been told of so.
    #[track_caller]
    fn wait(&self, key: &str, action: &str) -> Item {
        wait_for(&format!("a message of {key}, {action}"), || {
            self.items().into_iter().find(|item| item.0.contains(key) && item.2 == action)
        })
    }

    /// Each thing once, and each alarm's in order.
    #[track_caller]
    fn assert_once_in_order(&self) {
        let items = self.items();
        let mut last = std::collections::BTreeMap::new();
        for (key, sequence, action) in &items {
            let before = last.insert(key, *sequence);
            assert!(before < Some(*sequence), "{key} {sequence} {action} after {before:?}: {items:?}");
        }
    }
}

/// A small file system in memory on a directory; gone when dropped.
struct Mount(PathBuf);

impl Mount {
    fn small(at: &Path, options: &str) -> Self {
        std::fs::create_dir_all(at).expect("a place to mount on");
        run(Command::new(tool("mount")).args(["-t", "tmpfs", "-o", options, "trouble"]).arg(at));
        Self(at.to_owned())
    }

    fn change(&self, options: &str) {
        run(Command::new(tool("mount")).args(["-o", &format!("remount,{options}")]).arg(&self.0));
    }

    /// Writes until nothing more fits; gives the file to delete.
    fn fill(&self) -> PathBuf {
        let path = self.0.join("ballast");
        let mut file = std::fs::OpenOptions::new().create(true).append(true).open(&path).expect("made");
        let block = [0x5a; 4096];
        while file.write_all(&block).is_ok() {}
        path
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        let _ = Command::new(tool("umount")).arg("-l").arg(&self.0).status();
    }
}

/// A shop with a device that counts its replies, another one that can be taken away, and a receiver.
struct Shop {
    counting: ModbusTcp,
    other_port: u16,
    told: Told,
    installation: Installation,
}

impl Shop {
    fn new() -> Self {
        let (counting, other_port, told) = (ModbusTcp::start(&[1]), free_port(), Told(Receiver::new()));
        let bus = |name: &str, port: u16, read: &str| {
            format!(
                "\n[bus.{name}]\nlink = \"modbus-tcp\"\naddress = \"127.0.0.1:{port}\"\nreconnect_after_max = \"1 s\"\n\
                 \n[device.{name}-1]\nbus = \"{name}\"\nunit_id = 1\ntimeout = \"1 s\"\nretries = 0\n"
            ) + &plain_probe("s", name, &format!("device = \"{name}-1\"\n{read}\nevery = \"100 ms\""))
        };
        let mut all = sump("s") + &bus("count", counting.port, "register = \"holding:0\"\nnumber = \"u32\"");
        all += &bus("other", other_port, "register = \"holding:40\"\nnumber = \"f32\"");
        all += &format!(
            "\n[receiver.setter]\ngather_for = \"0 s\"\nrate = \"0 s\"\n[receiver.setter.webhook]\nurl = \"http://127.0.0.1:{}/hook\"\n",
            told.0.port
        );
        Self { counting, other_port, told, installation: Installation::new(&all) }
    }

    fn data(&self) -> PathBuf {
        self.installation.path("data")
    }

    /// Replies of the counting device so far.
    fn answered(&self) -> BTreeSet<u32> {
        self.counting.answered().into_iter().map(|(_, number)| number).collect()
    }

    /// Waits until it was polled so many more times.
    #[track_caller]
    fn wait_polled(&self, more: usize) {
        let before = self.answered().len();
        wait_for("polls", || (self.answered().len() >= before + more).then_some(()));
    }

    /// Every reply is in the store, once, in order. The last ones may have been under way when the program was stopped.
    #[track_caller]
    fn assert_whole(&self, stored: &Stored) {
        let numbers = stored.raw("probe/s/count");
        assert!(numbers.is_sorted_by(|a, b| a < b), "{numbers:?}");
        let held: BTreeSet<u32> = numbers.into_iter().collect();
        let missing: Vec<u32> = self.answered().difference(&held).copied().collect();
        let last = held.last().copied().unwrap_or(0);
        assert!(missing.iter().all(|number| *number > last), "lost: {missing:?} of {}", held.len());
        assert!(missing.len() <= 1 && held.len() > 20, "{missing:?} of {}", held.len());
    }
}
