//! A box that leaves the shop: everything the daemon wrote goes, nothing else does.

use std::collections::BTreeSet;
use std::fs::{self, DirBuilder};
use std::os::unix::fs::{DirBuilderExt as _, PermissionsExt as _, symlink};
use std::path::Path;
use std::process::{Command, Stdio};

use sumpwarden_tests::broker::{Entrance, Mosquitto};
use sumpwarden_tests::gateway::{Installation, counting_devices, program, sump, tcp_bus};
use sumpwarden_tests::modbus::ModbusTcp;
use sumpwarden_tests::process::free_port;

use super::commands::text;
use super::wait_for;

/// What a daemon leaves behind that has a page of its own, people, links, an edge node, a damaged store and one that was replaced.
const LEFT: [&str; 18] = [
    "deeds-head.json",
    "deeds-key",
    "deeds.jsonl",
    "link-key",
    "lock",
    "note-key",
    "page-certificate-key.pem",
    "page-certificate.pem",
    "people.json",
    "reserve",
    "sparkplug-plant",
    "starts.json",
    "sticker-key",
    "store.sqlite",
    "store.sqlite-shm",
    "store.sqlite-wal",
    "store.sqlite.damaged-1",
    "store.sqlite.replaced-1",
];

fn shop(broker: &Mosquitto, devices: &ModbusTcp) -> Installation {
    let plant = format!(
        "\n[broker.plant]\naddress = \"127.0.0.1:{}\"\nuser = \"gateway\"\npassword_file = \"plant.password\"\n\
         [broker.plant.sparkplug]\nnode = \"box-1\"\n",
        broker.port
    );
    let tables = [sump("s"), tcp_bus("net", devices.port), counting_devices("net", "s", &[(1, 250)]), plant];
    let installation = Installation::with_page(free_port(), &tables.concat());
    let text = fs::read_to_string(installation.configuration()).expect("written");
    let page = "[web]\ntls = \"own\"\npublic_url = \"https://sumps.example\"\n";
    fs::write(installation.configuration(), text.replace("[web]\n", page)).expect("ours");
    let password = installation.path("plant.password");
    fs::write(&password, "anything\n").expect("ours");
    fs::set_permissions(&password, fs::Permissions::from_mode(0o600)).expect("ours");
    installation
}

fn names(directory: &Path) -> BTreeSet<String> {
    let entries = fs::read_dir(directory).expect("it is there");
    entries.map(|entry| entry.expect("readable").file_name().into_string().expect("text")).collect()
}

/// Runs a daemon until everything it writes by itself or is asked to write is there, and kills it.
fn fill(installation: &Installation, data: &Path) {
    let daemon = installation.run();
    wait_for("the number of the edge node's connection", || {
        data.join("sparkplug-plant").exists().then_some(())
    });
    if !data.join("people.json").exists() {
        let mut people = Command::new(program());
        people
            .args(["people", "--config"])
            .arg(installation.configuration())
            .args(["add", "kim", "--role", "manage"]);
        let mut asked = people.stdin(Stdio::piped()).stdout(Stdio::null()).spawn().expect("it starts");
        let typed = asked.stdin.take().expect("asked for");
        std::io::Write::write_all(&mut &typed, b"harbour lantern gravel\n").expect("it reads");
        drop(typed);
        assert!(asked.wait().expect("it ends").success());
        let noted = installation.command("note", &["s", "odour", "2", "--by", "Kim"]);
        assert_eq!(noted.status.code(), Some(0), "{}", text(&noted));
    }
    // What is written anew has another name until it is whole.
    let whole = || names(data).into_iter().filter(|name| !name.ends_with(".new")).collect::<BTreeSet<_>>();
    for arguments in [&[][..], &["--yes"]] {
        let before = whole();
        let refused = installation.command("wipe", arguments);
        assert_eq!(refused.status.code(), Some(74), "{}", text(&refused));
        assert!(
            text(&refused).contains("in use by another instance; stop that one first"),
            "{}",
            text(&refused)
        );
        // The log's index comes and goes with whoever reads.
        assert_eq!(whole(), before);
    }
    daemon.kill();
}

#[test]
fn a_box_that_leaves_the_shop_keeps_nothing_of_it() {
    let (broker, devices) = (Mosquitto::start(Entrance::Open), ModbusTcp::start(&[1]));
    let installation = shop(&broker, &devices);
    let (data, outside) = (installation.path("data"), installation.path("outside.txt"));
    DirBuilder::new().mode(0o700).create(&data).expect("ours");
    fs::write(data.join("store.sqlite"), "no store").expect("ours");
    fill(&installation, &data);
    let copy = installation.path("copy.sqlite");
    let copy = copy.to_str().expect("text");
    assert!(installation.command("snapshot", &["--output", copy]).status.success());
    assert!(installation.command("restore", &["--from", copy]).status.success());
    fill(&installation, &data);
    let left = names(&data);
    for name in LEFT {
        assert!(left.contains(name), "{name} is not in {left:?}");
    }

    // What is not the gateway's, and links, also under a name of the gateway's.
    fs::write(&outside, "somebody else's").expect("ours");
    fs::write(data.join("notes.txt"), "mine").expect("ours");
    fs::create_dir(data.join("old")).expect("ours");
    fs::write(data.join("old/starts.json"), "mine").expect("ours");
    symlink(&outside, data.join("deeds-older.jsonl")).expect("ours");
    symlink(&outside, data.join("elsewhere")).expect("ours");
    let foreign = ["deeds-older.jsonl", "elsewhere", "notes.txt", "old"];
    // Who clears a box away may have taken the secrets first.
    fs::remove_file(installation.path("plant.password")).expect("ours");

    let (before, listed) = (names(&data), installation.command("wipe", &[]));
    assert_eq!(listed.status.code(), Some(1), "{}", text(&listed));
    let said = text(&listed);
    for name in LEFT {
        assert!(said.lines().any(|line| line.contains(" goes ") && line.contains(name)), "{name}:\n{said}");
    }
    for name in foreign {
        assert!(said.lines().any(|line| line.contains(" stays ") && line.contains(name)), "{name}:\n{said}");
    }
    for words in [
        "gateway.toml: the configuration",
        "plant.password: named by the configuration",
        "a deleted file is no erased one",
        "nothing was removed; --yes removes it",
    ] {
        assert!(said.contains(words), "{words}:\n{said}");
    }
    assert_eq!(names(&data), before, "it only listed");

    let removed = installation.command("wipe", &["--yes"]);
    assert_eq!(removed.status.code(), Some(1), "{}", text(&removed));
    assert!(text(&removed).contains("is not empty"), "{}", text(&removed));
    assert_eq!(names(&data), foreign.map(str::to_owned).into());
    assert_eq!(fs::read_to_string(&outside).expect("a link is not followed"), "somebody else's");
    assert_eq!(fs::read_to_string(data.join("old/starts.json")).expect("nor a directory gone into"), "mine");
    assert!(installation.configuration().is_file() && Path::new(copy).is_file());

    foreign[..3].iter().for_each(|name| fs::remove_file(data.join(name)).expect("ours"));
    fs::remove_dir_all(data.join("old")).expect("ours");
    let nothing = installation.command("wipe", &["--yes"]);
    assert_eq!(nothing.status.code(), Some(0), "{}", text(&nothing));
    assert_eq!(names(&data), BTreeSet::new(), "and the directory itself is there");
}

#[test]
fn a_directory_is_cleared_without_its_configuration() {
    let devices = ModbusTcp::start(&[1]);
    let tables = [sump("s"), tcp_bus("net", devices.port), counting_devices("net", "s", &[(1, 250)])];
    let installation = Installation::new(&tables.concat());
    assert!(installation.run().terminate().0.success());
    let data = installation.path("data");
    assert!(names(&data).contains("store.sqlite"));
    let mut wipe = Command::new(program());
    let wiped = wipe.args(["wipe", "--yes", "--store-at"]).arg(&data).output().expect("it can be started");
    assert_eq!(wiped.status.code(), Some(0), "{}", text(&wiped));
    assert_eq!(names(&data), BTreeSet::new());
    assert!(installation.run().terminate().0.success(), "a daemon begins anew in it");
}
