//! The script that makes copies of the store: beside a running daemon, with its rotation, refusing to remove anything when a
//! copy fails; and the way back by the steps of `RESTORE.md`.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::{MetadataExt, symlink};
use std::path::Path;
use std::process::{Command, Output};
use std::time::Duration;

use sumpwarden_tests::gateway::{Daemon, Installation, counting_devices, program, sump, tcp_bus};
use sumpwarden_tests::modbus::ModbusTcp;
use sumpwarden_tests::process::{TempDir, wait_for};

use crate::{deployed, text_of};

const MOMENT: Duration = Duration::from_secs(60);

/// The script, with this program on its path.
fn backup(shop: &Installation, directory: &Path, arguments: &[&str]) -> Output {
    let folder = shop.path("bin");
    if !folder.is_dir() {
        fs::create_dir(&folder).expect("a directory");
        symlink(program(), folder.join("sumpwarden")).expect("a link");
    }
    let path = format!("{}:{}", folder.display(), std::env::var("PATH").unwrap_or_default());
    let mut command = Command::new(deployed("backup/sumpwarden-backup"));
    command.env("PATH", path).arg("--data").arg(shop.path("data"));
    command.arg("--directory").arg(directory).args(arguments).output().expect("it starts")
}

fn names(directory: &Path) -> BTreeSet<String> {
    let entries = fs::read_dir(directory).expect("a directory");
    entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned()).collect()
}

#[track_caller]
fn went(output: &Output) -> String {
    let text =
        [&output.stdout, &output.stderr].map(|bytes| String::from_utf8_lossy(bytes).into_owned()).concat();
    assert!(output.status.success(), "{}: {text}", output.status);
    text
}

fn reading(daemon: &Daemon) -> u32 {
    wait_for("a reading", MOMENT, || {
        daemon.probe("s", "net-1")["raw"].as_f64().filter(|number| *number > 5.0)
    }) as u32
}

#[test]
fn a_copy_is_made_while_the_daemon_runs_and_is_the_way_back() {
    let devices = ModbusTcp::start(&[1]);
    let shop = Installation::new(
        &(sump("s") + &tcp_bus("net", devices.port) + &counting_devices("net", "s", &[(1, 100)])),
    );
    let kept = TempDir::new("copies");
    let daemon = shop.run();
    let seen = reading(&daemon);
    // Acquired is durable within a second.
    std::thread::sleep(Duration::from_millis(1500));
    let told = went(&backup(&shop, kept.path(), &[]));
    assert!(told.contains("1 copies"), "{told}");
    let files = names(kept.path());
    assert_eq!(files.len(), 2, "a store and what is beside it, no half of anything: {files:?}");
    for name in &files {
        assert_eq!(kept.path().join(name).metadata().expect("it is there").mode() & 0o777, 0o600, "{name}");
    }
    let copy = kept.path().join(files.iter().find(|name| name.ends_with(".sqlite")).expect("a store"));
    let beside = copy.with_extension("tar");
    let listed = Command::new("tar").arg("-tf").arg(&beside).output().expect("tar");
    let listed = went(&listed);
    assert!(listed.contains("./note-key") && !listed.contains("store.sqlite"), "{listed}");
    let looked =
        went(&Command::new(program()).args(["check", "--store-at"]).arg(&copy).output().expect("it starts"));
    let (_, rest) = looked.split_once(": schema ").expect("a version of the tables");
    let schema = rest.split(',').next().expect("a number");
    let last = text_of("UPGRADING.md").lines().rfind(|line| line.starts_with("| ")).map(str::to_owned);
    assert!(
        last.is_some_and(|row| row.starts_with(&format!("| {schema} |"))),
        "UPGRADING.md ends before {schema}"
    );
    daemon.terminate();
    let key = fs::read(shop.path("data/note-key")).expect("a key");
    // The accident: everything gone.
    fs::remove_dir_all(shop.path("data")).expect("it was there");
    fs::create_dir(shop.path("data")).expect("a directory");
    went(&shop.command("restore", &["--from", copy.to_str().expect("text")]));
    let unpacked = Command::new("tar").arg("-xf").arg(&beside).arg("-C").arg(shop.path("data")).output();
    went(&unpacked.expect("tar"));
    assert_eq!(fs::read(shop.path("data/note-key")).expect("a key"), key);
    let (status, log) = shop.run().terminate();
    assert!(status.success(), "{log:#?}");
    let stored: BTreeSet<u32> = shop.stored().raw("probe/s/net-1").into_iter().collect();
    assert!(stored.contains(&seen), "{seen} is not among {stored:?}");
}

#[test]
fn old_copies_go_by_the_rule_and_none_goes_when_a_copy_fails() {
    let shop = Installation::new(&sump("s"));
    let (status, _) = shop.run().terminate();
    assert!(status.success());
    let kept = TempDir::new("rotation");
    let old = [
        "20250105T023000Z",
        "20250828T023000Z",
        "20250910T023000Z",
        "20250930T023000Z",
        "20251001T023000Z",
        "20251030T023000Z",
        "20251031T023000Z",
    ];
    for name in old {
        for end in ["sqlite", "tar"] {
            fs::write(kept.path().join(format!("sumpwarden-{name}.{end}")), "old").expect("a file");
        }
    }
    fs::write(kept.path().join("notes.txt"), "not ours").expect("a file");
    let before = names(kept.path());
    let (store, away) = (shop.path("data/store.sqlite"), shop.path("data/away"));
    fs::rename(&store, &away).expect("it is there");
    let failed = backup(&shop, kept.path(), &["--days", "1", "--months", "0"]);
    assert_eq!(failed.status.code(), Some(74), "the program's own code");
    assert!(String::from_utf8_lossy(&failed.stderr).contains("nothing was removed"));
    assert_eq!(names(kept.path()), before);
    fs::rename(&away, &store).expect("it is there");
    for wrong in ["0", "many", ""] {
        assert_eq!(backup(&shop, kept.path(), &["--days", wrong]).status.code(), Some(2), "{wrong}");
    }
    // The new one and the one before; of this month, October and September the newest.
    let told = went(&backup(&shop, kept.path(), &["--days", "2", "--months", "3"]));
    let stay = ["20250930T023000Z", "20251031T023000Z"];
    let gone =
        |name: &str| old.iter().any(|old| name.contains(old)) && !stay.iter().any(|stay| name.contains(stay));
    let after = names(kept.path());
    let expected: BTreeSet<String> = before.iter().filter(|name| !gone(name)).cloned().collect();
    assert_eq!(after.intersection(&before).cloned().collect::<BTreeSet<_>>(), expected, "{told}");
    assert_eq!(after.difference(&before).count(), 2, "{after:?}");
    assert!(told.contains("3 copies"), "{told}");
}
