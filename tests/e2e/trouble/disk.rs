//! A disk that is full, read-only, out of inodes, or has gone.

use std::process::Command;
use std::time::{Duration, Instant};

use sumpwarden_tests::gateway::Daemon;
use sumpwarden_tests::modbus::ModbusTcp;
use sumpwarden_tests::process::{Peer, run, tool};

use super::{Mount, Shop, wait_for};

/// Waits until it says that everything is written again.
fn wait_over(daemon: &mut Daemon) {
    let over = |line: &String| line.contains("the store is written again");
    wait_for("an end of the trouble", || daemon.peer().output().iter().any(over).then_some(()));
}

/// While others have filled the disk, alarms and messages are written into the reserve, samples wait, and all is there once
/// somebody has made room.
#[test]
fn on_a_full_disk_alarms_are_written_and_told_and_samples_wait_for_room() {
    let shop = Shop::new();
    let disk = Mount::small(&shop.data(), "size=24m");
    let other = ModbusTcp::start_on(shop.other_port, &[1]);
    let daemon = shop.installation.run();
    shop.wait_polled(10);
    let reserve = shop.data().join("reserve");
    assert_eq!(std::fs::metadata(&reserve).expect("there").len(), 8 << 20);
    let ballast = disk.fill();
    shop.told.wait("store#", "raise");
    assert!(!reserve.exists(), "given up");
    drop(other);
    shop.told.wait("bus/other", "raise");
    shop.wait_polled(20);
    // The row of that alarm is durable though the disk is full: a kill now loses no message and no alarm.
    daemon.kill();
    let mut daemon = shop.installation.run();
    wait_for("the alarm after a kill", || {
        let state = daemon.state();
        let alarms = state["alarms"].as_array().expect("a list").clone();
        alarms.into_iter().find(|alarm| alarm["id"] == "gateway/bus/other" && alarm["state"] == "UNACK")
    });
    let before = shop.answered().len();
    shop.wait_polled(20);
    std::fs::remove_file(ballast).expect("ours");
    wait_over(&mut daemon);
    assert!(reserve.exists(), "made anew");
    shop.wait_polled(10);
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    shop.told.assert_once_in_order();
    let held = shop.installation.stored().raw("probe/s/count");
    let late: Vec<u32> = shop.answered().into_iter().skip(before + 1).collect();
    let lost: Vec<_> = late.iter().filter(|number| !held.contains(number)).collect();
    assert!(lost.len() <= 1, "what waited in memory was lost: {lost:?}");
}

/// Every write into a file fails: messages go out from memory, and are written as delivered later.
#[test]
fn where_nothing_can_be_written_messages_go_out_from_memory() {
    let shop = Shop::new();
    let other = ModbusTcp::start_on(shop.other_port, &[1]);
    let mut daemon = shop.installation.run();
    shop.wait_polled(10);
    let id = daemon.peer().id().to_string();
    let failing = "-e trace=pwrite64 -e inject=pwrite64:error=EIO -o /dev/null -f -p";
    let tracer = Peer::start("strace", Command::new(tool("strace")).args(failing.split(' ')).arg(id));
    shop.told.wait("store#", "raise");
    drop(other);
    shop.told.wait("bus/other", "raise");
    shop.wait_polled(20);
    tracer.stop();
    wait_over(&mut daemon);
    shop.wait_polled(10);
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    shop.told.assert_once_in_order();
    shop.assert_whole(&shop.installation.stored());
}

/// Deleted, with everything in it: found within ten seconds, and what the program knows is written anew.
#[test]
fn a_directory_that_was_deleted_is_written_anew_with_all_that_is_known() {
    let shop = Shop::new();
    let daemon = shop.installation.run();
    // Nobody is there: its alarm stands before the directory goes.
    let raised = shop.told.wait("bus/other", "raise");
    shop.wait_polled(10);
    let began = Instant::now();
    std::fs::remove_dir_all(shop.data()).expect("ours");
    shop.told.wait("store#", "raise");
    assert!(began.elapsed() < Duration::from_secs(12), "{:?}", began.elapsed());
    wait_for("the file", || shop.data().join("store.sqlite").exists().then_some(()));
    let second = shop.installation.command("run", &[]);
    assert_eq!(second.status.code(), Some(74), "its lock is new as well");
    shop.wait_polled(10);
    daemon.kill();
    let daemon = shop.installation.run();
    let state = daemon.state();
    let alarms = state["alarms"].as_array().expect("a list");
    assert!(
        alarms.iter().any(|alarm| alarm["id"] == "gateway/bus/other" && alarm["state"] == "UNACK"),
        "{alarms:?}"
    );
    let other = ModbusTcp::start_on(shop.other_port, &[1]);
    let ended = shop.told.wait("bus/other", "end");
    assert_eq!(ended.0, raised.0, "the same occurrence goes on");
    drop(other);
    daemon.terminate();
    shop.told.assert_once_in_order();
    assert!(shop.installation.stored().raw("probe/s/count").len() > 5);
}

/// Whatever keeps it from writing at the start, it polls and tells within seconds, and writes all of it once it can.
#[test]
fn it_starts_though_it_cannot_write_and_writes_once_it_can() {
    type Trouble = (&'static str, &'static str, fn(&Mount), fn(&Mount));
    let troubles: [Trouble; 3] = [
        ("read-only", "size=40m", |disk| disk.change("ro"), |disk| disk.change("rw")),
        ("no inodes", "size=40m,nr_inodes=2", |_| {}, |disk| disk.change("nr_inodes=100")),
        ("full", "size=1m", |disk| drop(disk.fill()), |disk| disk.change("size=60m")),
    ];
    for (what, options, begin, end) in troubles {
        let shop = Shop::new();
        let disk = Mount::small(&shop.data(), options);
        begin(&disk);
        let began = Instant::now();
        let mut daemon = shop.installation.run();
        assert!(began.elapsed() < Duration::from_secs(5), "{what}: {:?}", began.elapsed());
        shop.told.wait("store#", "raise");
        shop.wait_polled(20);
        end(&disk);
        wait_over(&mut daemon);
        shop.wait_polled(10);
        let (status, log) = daemon.terminate();
        assert_eq!(status.code(), Some(0), "{what}: {log:?}");
        shop.told.assert_once_in_order();
        shop.assert_whole(&shop.installation.stored());
    }
}

/// The same on the file of the run before: nothing of what the start itself wants written may hold it up.
#[test]
fn it_starts_on_its_own_file_that_can_only_be_read() {
    let shop = Shop::new();
    let disk = Mount::small(&shop.data(), "size=40m");
    let daemon = shop.installation.run();
    shop.wait_polled(10);
    daemon.terminate();
    disk.change("ro");
    let mut daemon = shop.installation.run();
    shop.told.wait("store#", "raise");
    shop.wait_polled(20);
    disk.change("rw");
    wait_over(&mut daemon);
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    shop.told.assert_once_in_order();
    shop.assert_whole(&shop.installation.stored());
}

/// A directory that is not there and cannot be made is a mistake of the configuration or a mount that is missing: said in one
/// line, and the unit starts it again.
#[test]
fn a_directory_that_cannot_be_made_ends_it_with_a_clear_line() {
    let shop = Shop::new();
    std::fs::write(shop.data(), "a file where the directory should be").expect("made");
    let refused = shop.installation.command("run", &[]);
    let said = String::from_utf8_lossy(&refused.stderr);
    assert_eq!(refused.status.code(), Some(74), "{said}");
    assert!(said.contains("data directory") && said.contains("under [store]"), "{said}");
}

/// Nothing in the directory may change any more, then it may again.
#[test]
fn a_directory_made_immutable_is_borne() {
    let shop = Shop::new();
    let daemon = shop.installation.run();
    shop.wait_polled(10);
    let changes = Command::new(tool("chattr")).arg("+i").arg(shop.data()).status().expect("it runs");
    assert!(changes.success(), "the temporary directory lies on a file system without attributes");
    shop.wait_polled(30);
    run(Command::new(tool("chattr")).arg("-i").arg(shop.data()));
    shop.wait_polled(10);
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    shop.assert_whole(&shop.installation.stored());
}
