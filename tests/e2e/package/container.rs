//! The container's recipe, without an engine: what its last stage says is done in a fresh Debian root, and the program runs
//! there as its user, on a root that cannot be written, until its own health check is content.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use rustix::process::Signal;
use sumpwarden_tests::gateway::program;
use sumpwarden_tests::process::{Peer, free_port, tool, wait_for};

use crate::debian::Root;
use crate::{deployed, is_root, text_of};

const MOMENT: Duration = Duration::from_secs(60);
const RECIPE: &str = "container/Containerfile";

/// The instructions of the recipe, in order: word and rest, long lines put together.
fn instructions() -> Vec<(String, String)> {
    let text = text_of(RECIPE);
    let lines: Vec<&str> = text.lines().filter(|line| !line.trim_start().starts_with('#')).collect();
    let whole = lines.join("\n").replace("\\\n", " ");
    let split = |line: &str| {
        let (word, rest) =
            line.trim().split_once(' ').unwrap_or_else(|| panic!("{line}: an instruction and more"));
        (word.to_owned(), rest.split_whitespace().collect::<Vec<_>>().join(" "))
    };
    whole.lines().filter(|line| !line.trim().is_empty()).map(split).collect()
}

/// Those of the last stage.
fn last_stage() -> Vec<(String, String)> {
    let all = instructions();
    let start = all.iter().rposition(|(word, _)| word == "FROM").expect("a stage");
    all[start..].to_vec()
}

/// The rest of the one instruction with this word.
#[track_caller]
fn one(stage: &[(String, String)], word: &str) -> String {
    let found: Vec<&String> = stage.iter().filter(|(w, _)| w == word).map(|(_, rest)| rest).collect();
    assert_eq!(found.len(), 1, "{word}: {found:?}");
    found[0].clone()
}

/// A list in the form of JSON.
fn words(rest: &str) -> Vec<String> {
    serde_json::from_str(rest).unwrap_or_else(|error| panic!("{rest}: {error}"))
}

#[test]
fn the_recipe_names_what_is_there() {
    let all = instructions();
    assert_eq!(all.iter().filter(|(word, _)| word == "FROM").count(), 2);
    let workspace = fs::read_to_string(deployed("../Cargo.toml")).expect("the workspace");
    let least = workspace.lines().find_map(|line| line.strip_prefix("rust-version = ")).expect("a version");
    let build = &all[0].1;
    assert!(build.contains(&format!(":{}-bookworm", least.trim_matches('"'))), "{build}: not Rust {least}");
    // What is built is what is copied.
    let (workdir, run) =
        (one(&all, "WORKDIR"), &all.iter().find(|(word, _)| word == "RUN").expect("a build").1);
    assert!(run.contains("--release") && run.contains("-p sumpwarden --no-default-features"), "{run}");
    let stage = last_stage();
    assert_eq!(
        one(&stage, "COPY"),
        format!("--from=build {workdir}/target/release/sumpwarden /usr/bin/sumpwarden")
    );
    let user = one(&stage, "USER");
    assert!(
        user.split(':').all(|id| id.parse::<u32>().is_ok_and(|id| id > 0)),
        "{user} is not root, and a number"
    );
    let listen = stage.iter().find_map(|(_, rest)| rest.strip_prefix("SUMPWARDEN__WEB__LISTEN=0.0.0.0:"));
    assert_eq!(listen, Some(one(&stage, "EXPOSE").as_str()));
    let shop = text_of("debian/shop.toml");
    assert!(
        shop.contains(&format!("directory = \"{}\"", one(&stage, "VOLUME"))),
        "the volume is where the store is"
    );
}

#[test]
fn the_last_stage_runs_as_its_user_on_a_root_that_cannot_be_written() {
    if !is_root("the container's recipe in a root of its own") {
        return;
    }
    let (root, stage) = (Root::fresh(), last_stage());
    let mut environment = BTreeMap::new();
    for (word, rest) in &stage {
        match word.as_str() {
            // What it installs is in this root already, by the package's own list.
            "RUN" if rest.starts_with("apt-get ") => {
                assert!(rest.contains(" ca-certificates tzdata "), "{rest}")
            }
            "RUN" => drop(root.run(&["sh", "-c", rest])),
            "COPY" => {
                let to = rest.rsplit(' ').next().expect("a place");
                fs::copy(program(), root.inside(to)).map(drop).expect("it can be copied");
            }
            "ENV" => {
                let (name, value) = rest.split_once('=').expect("a variable");
                environment.insert(name.to_owned(), value.to_owned());
            }
            _ => {}
        }
    }
    fs::create_dir(root.inside("/etc/sumpwarden")).expect("a directory");
    fs::copy(deployed("debian/shop.toml"), root.inside("/etc/sumpwarden/shop.toml"))
        .expect("it can be copied");
    // On every address in the container, on the loopback one here.
    let page = format!("127.0.0.1:{}", free_port());
    environment.insert("SUMPWARDEN__WEB__LISTEN".to_owned(), page).expect("the recipe sets it");
    let mut start = words(&one(&stage, "ENTRYPOINT"));
    start.extend(words(&one(&stage, "CMD")));
    let peer = Peer::start("sumpwarden", inside(&root, &stage, &start).envs(&environment));
    let check = one(&stage, "HEALTHCHECK");
    let (_, check) = check.split_once(" CMD ").expect("a command");
    let healthy = || inside(&root, &stage, &words(check)).envs(&environment).output().expect("it starts");
    wait_for("a health check that is content", MOMENT, || healthy().status.success().then_some(()));
    let log = peer.output().join("\n");
    assert!(!log.contains("Read-only") && !log.contains("cannot be written"), "{log}");
    peer.signal(Signal::TERM);
    let (status, log) = peer.end(Duration::from_secs(10));
    assert!(status.success(), "{log:#?}");
    assert!(root.inside("/var/lib/sumpwarden/store.sqlite").is_file());
    assert!(!healthy().status.success(), "nothing runs any more");
    let probe = inside(
        &root,
        &stage,
        &["sh", "-c", "echo x >/var/lib/sumpwarden/x; echo x >/tmp/x"].map(str::to_owned),
    );
    let probe = { probe }.output().expect("it starts");
    assert!(String::from_utf8_lossy(&probe.stderr).contains("Read-only file system"), "{probe:?}");
    assert!(root.inside("/var/lib/sumpwarden/x").is_file());
}

/// A command in the root as the recipe's user, with nothing writable but the volume; the mounts are gone with it.
fn inside(root: &Root, stage: &[(String, String)], start: &[String]) -> Command {
    let script = "set -e\nmount --bind \"$1\" \"$1\"\nmount --bind \"$1$2\" \"$1$2\"\nmount -o remount,bind,ro \"$1\"\n\
                  root=$1 user=$3\nshift 3\nexec chroot --userspec=\"$user\" \"$root\" \"$@\"\n";
    let top = root.inside("");
    let top = Path::new(top.to_str().expect("text").trim_end_matches('/')).to_owned();
    let mut command = Command::new(tool("unshare"));
    command.args(["--mount", "--propagation", "private", "sh", "-c", script, "sh"]).arg(top);
    command.args([one(stage, "VOLUME"), one(stage, "USER")]).args(start);
    command
}
