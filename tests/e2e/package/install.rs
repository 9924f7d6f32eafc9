//! The Debian package in a fresh Debian root: installed, run as its unit would run it, upgraded, removed, purged.

use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use rustix::process::Signal;
use sumpwarden_tests::gateway::program;
use sumpwarden_tests::process::{Peer, free_port, run, wait_for};

use crate::debian::{Root, said};
use crate::{deployed, is_root, text_of};

/// How long a start may take on a busy machine.
const MOMENT: Duration = Duration::from_secs(60);
const CONFIGURATION: &str = "/etc/sumpwarden/shop.toml";

/// The package of this version, inside the root; its path there.
pub(crate) fn package(root: &Root, version: &str) -> String {
    let mut command = Command::new(deployed("debian/build"));
    command.arg("--quick").arg("--program").arg(program()).arg("--output").arg(root.inside("/tmp"));
    let path = run(command.args(["--version", version]));
    let name = Path::new(path.trim()).file_name().and_then(|name| name.to_str()).expect("a name");
    format!("/tmp/{name}")
}

#[test]
fn it_is_installed_runs_is_upgraded_and_removed_and_a_purge_leaves_nothing() {
    if !is_root("the Debian package in a root of its own") {
        return;
    }
    let root = Root::fresh();
    root.stand_in_for_the_manager();
    let (before, users) = (root.files(), root.users());
    installs(&root);
    completes(&root);
    let port = free_port();
    let edited = edits(&root);
    runs_and_takes_a_note(&root, port);
    upgrades(&root, &edited);
    holds_the_note(&root, port);
    said(root.as_user(port).arg("/usr/lib/sumpwarden/sumpwarden-backup").output().expect("it starts"));
    removes(&root, &edited);
    let told = root.run(&["dpkg", "--force-unsafe-io", "--purge", "sumpwarden"]);
    for what in
        ["all readings, journal and keys in /var/lib/sumpwarden (", "/etc/sumpwarden", "the user sumpwarden"]
    {
        assert!(told.contains(what), "purge does not speak of {what}: {told}");
    }
    assert_eq!(root.users(), users);
    let copies = root.inside("/var/backups/sumpwarden");
    assert!(told.contains("copies of the store in /var/backups/sumpwarden are left to you"), "{told}");
    assert_eq!(copies.metadata().expect("they are kept").uid(), 0);
    assert_eq!(fs::read_dir(&copies).expect("a directory").count(), 2);
    fs::remove_dir_all(copies).expect("they can be removed");
    let after = root.files();
    let left: Vec<_> = after.iter().filter(|(path, what)| before.get(*path) != Some(what)).collect();
    assert!(left.is_empty(), "left behind or changed: {left:#?}");
    let lost: Vec<_> = before.keys().filter(|path| !after.contains_key(*path)).collect();
    assert!(lost.is_empty(), "taken along: {lost:#?}");
}

fn installs(root: &Root) {
    let package = package(root, "0.1.0");
    let told = root.run(&["dpkg", "--force-unsafe-io", "--install", &package]);
    assert!(told.contains("installed, and not started yet"), "{told}");
    assert_eq!(root.told(), "--system daemon-reload\n", "and nothing is started");
    assert_eq!(
        root.run(&["dpkg", "--verify", "sumpwarden"]),
        "",
        "every file is what it was when it was packed"
    );
    let groups = root.run(&["id", "-Gn", "sumpwarden"]);
    assert_eq!(groups.trim(), "sumpwarden dialout");
    let user = root.run(&["getent", "passwd", "sumpwarden"]);
    assert!(user.trim().ends_with(":/var/lib/sumpwarden:/usr/sbin/nologin"), "{user}");
    for (path, expected) in [
        ("/usr/bin/sumpwarden", "755 root root"),
        ("/lib/systemd/system/sumpwarden.service", "644 root root"),
        (CONFIGURATION, "644 root root"),
        ("/etc/sumpwarden/secrets", "700 root root"),
        ("/var/lib/sumpwarden", "700 sumpwarden sumpwarden"),
        ("/var/backups/sumpwarden", "700 sumpwarden sumpwarden"),
        ("/usr/lib/sumpwarden/sumpwarden-backup", "755 root root"),
        ("/lib/systemd/system/sumpwarden-backup.timer", "644 root root"),
        ("/usr/share/doc/sumpwarden/examples/small-shop.toml", "644 root root"),
        ("/usr/share/man/man8/sumpwarden.8.gz", "644 root root"),
    ] {
        assert_eq!(root.run(&["stat", "-c", "%a %U %G", path]).trim(), expected, "{path}");
    }
    let unit = text_of("sumpwarden.service");
    let document =
        unit.lines().find_map(|line| line.strip_prefix("Documentation=file:")).expect("a document");
    assert!(root.inside(document).is_file(), "the unit leads to {document}");
    let files = root.run(&["dpkg", "--listfiles", "sumpwarden"]);
    for path in files.lines().filter(|path| root.inside(path).is_file()) {
        let mode = root.inside(path).metadata().expect("it is there").mode();
        assert_eq!(mode & 0o6022, 0, "{path} can be written by others, or runs as somebody else");
    }
    let plan = said(
        root.as_user(0).args(["sumpwarden", "check", "--config", CONFIGURATION]).output().expect("it starts"),
    );
    assert!(plan.contains("sump example") && !plan.contains("bus ") && !plan.contains("broker "), "{plan}");
}

fn completes(root: &Root) {
    let complete = |words: &str, at: usize| {
        let script = format!(
            "source /usr/share/bash-completion/completions/sumpwarden; COMP_WORDS=({words}); COMP_CWORD={at}; \
             _sumpwarden; echo ${{COMPREPLY[@]}}"
        );
        root.run(&["bash", "-c", &script]).trim().to_owned()
    };
    assert_eq!(complete("sumpwarden snap", 1), "snapshot");
    assert_eq!(complete("sumpwarden check --sto", 2), "--store --store-at");
    assert_eq!(complete("sumpwarden check --config /etc/sumpwarden/sh", 3), CONFIGURATION);
}

/// What a person wrote into the configuration.
fn edits(root: &Root) -> String {
    let path = root.inside(CONFIGURATION);
    let text = fs::read_to_string(&path).expect("a text").replace("\"Example\"", "\"Lathe 3\"");
    assert!(text.contains("title = \"Lathe 3\""), "{text}");
    fs::write(path, &text).expect("it can be written");
    text
}

/// The words of the unit's `ExecStart`.
fn exec_start() -> Vec<String> {
    let unit = text_of("sumpwarden.service");
    let line =
        unit.lines().find_map(|line| line.strip_prefix("ExecStart=")).expect("a unit that starts something");
    line.split(' ').map(str::to_owned).collect()
}

fn runs_and_takes_a_note(root: &Root, port: u16) {
    let socket = root.inside("/run/notify");
    let manager = UnixDatagram::bind(&socket).expect("a socket");
    manager.set_read_timeout(Some(MOMENT)).expect("a time-out");
    fs::set_permissions(&socket, fs::Permissions::from_mode(0o777)).expect("a mode");
    let mut command = root.as_user(port);
    command.args(exec_start()).env("NOTIFY_SOCKET", "/run/notify");
    command.env("WATCHDOG_USEC", "30000000").env("STATE_DIRECTORY", "/var/lib/sumpwarden");
    let peer = Peer::start("sumpwarden", &mut command);
    hears(&manager, "READY=1");
    hears(&manager, "WATCHDOG=1");
    let status = fs::read_to_string(format!("/proc/{}/status", peer.id())).expect("a process");
    let uid = root.run(&["id", "-u", "sumpwarden"]);
    assert!(status.lines().any(|line| line.starts_with("Uid:") && line.contains(uid.trim())), "{status}");
    let note = ["sumpwarden", "note", "--config", CONFIGURATION, "example", "odour", "1", "--by", "Kim"];
    said(root.as_user(port).args(note).output().expect("it starts"));
    peer.signal(Signal::TERM);
    hears(&manager, "STOPPING=1");
    let (status, log) = peer.end(Duration::from_secs(10));
    assert!(status.success(), "{log:#?}");
    drop(manager);
    fs::remove_file(socket).expect("it was there");
}

#[track_caller]
fn hears(manager: &UnixDatagram, word: &str) {
    wait_for(word, MOMENT, || {
        let mut buffer = [0; 512];
        let length = manager.recv(&mut buffer).expect("a word in time");
        String::from_utf8_lossy(&buffer[..length]).contains(word).then_some(())
    });
}

fn upgrades(root: &Root, edited: &str) {
    let package = package(root, "0.1.1");
    root.told();
    let told = root.run(&["dpkg", "--force-unsafe-io", "--install", &package]);
    assert!(!told.contains("not started yet"), "{told}");
    assert_eq!(root.told(), "--system daemon-reload\ntry-restart sumpwarden.service\n");
    assert_eq!(root.run(&["dpkg-query", "-W", "-f", "${Version}", "sumpwarden"]), "0.1.1");
    assert_eq!(fs::read_to_string(root.inside(CONFIGURATION)).expect("it is there"), edited);
}

fn holds_the_note(root: &Root, port: u16) {
    let mut look = root.as_user(port);
    let whole = said(
        look.args(["sumpwarden", "check", "--store", "--config", CONFIGURATION]).output().expect("it starts"),
    );
    assert!(whole.contains("record of deeds: "), "{whole}");
    let out = root.inside("/tmp/out");
    let export = ["sumpwarden", "export", "--config", CONFIGURATION, "--output", "/tmp/out"];
    said(root.as_user(port).args(export).output().expect("it starts"));
    let journal = fs::read_to_string(out.join("journal.csv")).expect("a journal");
    assert!(journal.contains("odour") && journal.contains("Kim"), "{journal}");
    fs::remove_dir_all(out).expect("it was there");
}

fn removes(root: &Root, edited: &str) {
    root.told();
    root.run(&["dpkg", "--force-unsafe-io", "--remove", "sumpwarden"]);
    let told = root.told();
    assert!(told.contains("stop sumpwarden-backup.timer sumpwarden.service\n"), "{told}");
    assert!(told.contains("disable sumpwarden-backup.timer sumpwarden.service\n"), "{told}");
    assert!(
        !root.inside("/usr/bin/sumpwarden").exists()
            && root.inside("/var/lib/sumpwarden/store.sqlite").is_file()
    );
    assert_eq!(fs::read_to_string(root.inside(CONFIGURATION)).expect("it is there"), edited);
}
