//! The list of parts: in its format, of what cargo builds and locks, the same each time, and in the package.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use serde_json::{Value, json};
use sumpwarden_tests::gateway::program;
use sumpwarden_tests::process::{TempDir, peer_script, python, run, tool};

use crate::deployed;

/// What stands beside the crates of Cargo.lock.
const BESIDE: [&str; 2] = ["rust-std", "sqlite"];
const TARGET: &str = "x86_64-unknown-linux-gnu";

/// Name and version.
type Part = (String, String);

fn list(folder: &TempDir, name: &str) -> (String, Value) {
    let file = folder.file(name);
    run(Command::new(deployed("parts"))
        .env("SOURCE_DATE_EPOCH", "1772000000")
        .args(["--target", TARGET, "--output", &file]));
    let text = fs::read_to_string(&file).expect("written");
    let list = serde_json::from_str(&text).expect("JSON");
    (text, list)
}

fn judged(text: &str) -> Output {
    let mut judge = Command::new(python());
    let judge = judge
        .arg(peer_script("parts.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    let mut judge = judge.spawn().expect("it starts");
    judge.stdin.take().expect("asked for").write_all(text.as_bytes()).expect("it reads");
    judge.wait_with_output().expect("it ends")
}

fn part(value: &Value) -> Part {
    let text = |key: &str| value[key].as_str().expect("text").to_owned();
    (text("name"), text("version"))
}

fn repository() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("one up")
}

fn cargo(arguments: &[&str]) -> String {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    run(Command::new(cargo).args(arguments).current_dir(repository()))
}

/// Of each package of Cargo.lock its checksum, and the names of what it depends on.
fn locked() -> BTreeMap<Part, (Option<String>, BTreeSet<String>)> {
    let text = fs::read_to_string(repository().join("Cargo.lock")).expect("there");
    let lock: toml::Table = text.parse().expect("cargo has read it");
    let mut found = BTreeMap::new();
    for package in lock["package"].as_array().expect("a list") {
        let text = |key: &str| package.get(key).and_then(toml::Value::as_str).map(str::to_owned);
        let on = package.get("dependencies").and_then(toml::Value::as_array).into_iter().flatten();
        let names = on.filter_map(|line| Some(line.as_str()?.split(' ').next()?.to_owned()));
        let part = (text("name").expect("a name"), text("version").expect("a version"));
        found.insert(part, (text("checksum"), names.collect()));
    }
    found
}

#[test]
fn the_list_of_parts_is_in_its_format_and_the_same_each_time() {
    let folder = TempDir::new("parts");
    let (text, parsed) = list(&folder, "one.json");
    assert_eq!(list(&folder, "two.json").0, text);
    let judgement = judged(&text);
    assert!(judgement.status.success(), "{judgement:?}");
    for (what, wrong, says) in [
        ("/components/3/hashes/0/alg", json!("SHA-257"), "SHA-257"),
        ("/components/3/licenses/0/expression", json!("MIT OR Nonsense"), "Nonsense"),
        ("/components/3/version", json!("99.0.0"), "99.0.0"),
        ("/dependencies/3/dependsOn", json!(["pkg:cargo/nothing@1.0.0"]), "nothing"),
    ] {
        let mut broken = parsed.clone();
        *broken.pointer_mut(what).expect("it is there") = wrong;
        let judgement = judged(&broken.to_string());
        let said = String::from_utf8_lossy(&judgement.stdout).into_owned();
        assert!(judgement.status.code() == Some(1) && said.contains(says), "{what}: {judgement:?}");
    }
}

#[test]
fn the_list_of_parts_is_of_what_is_built_and_locked() {
    let folder = TempDir::new("parts");
    let (_, parsed) = list(&folder, "parts.json");
    let components = parsed["components"].as_array().expect("a list");
    let (beside, crates): (Vec<_>, Vec<_>) =
        components.iter().partition(|one| BESIDE.contains(&part(one).0.as_str()));
    let tree = cargo(&[
        "tree",
        "--locked",
        "--package",
        "sumpwarden",
        "--no-default-features",
        "--edges",
        "normal",
        "--prefix",
        "none",
        "--target",
        TARGET,
        "--format",
        "{p}",
    ]);
    let mut built: BTreeSet<Part> = tree
        .lines()
        .filter_map(|line| line.split_once(" v"))
        .map(|(name, rest)| (name.to_owned(), rest.split(' ').next().unwrap_or_default().to_owned()))
        .collect();
    assert!(built.remove(&part(&parsed["metadata"]["component"])));
    assert_eq!(crates.iter().map(|one| part(one)).collect::<BTreeSet<_>>(), built);
    assert!(
        built.len() > 200 && !built.iter().any(|(name, _)| name == "rumqttd"),
        "without the demo's broker"
    );

    let locked = locked();
    for one in &crates {
        let (checksum, _) = &locked[&part(one)];
        assert_eq!(one["hashes"][0]["content"].as_str(), checksum.as_deref(), "{one}");
    }
    for edge in parsed["dependencies"].as_array().expect("a list") {
        let of = |reference: &str| -> Option<Part> {
            let (name, version) = reference.strip_prefix("pkg:cargo/")?.split_once('@')?;
            Some((name.to_owned(), version.to_owned()))
        };
        let Some(holder) = of(edge["ref"].as_str().expect("text")) else { continue };
        let on = edge["dependsOn"].as_array().expect("a list").iter().filter_map(|on| of(on.as_str()?));
        on.for_each(|(name, _)| assert!(locked[&holder].1.contains(&name), "{holder:?} on {name}"));
    }

    // What has no entry of its own in Cargo.lock, by what it says of itself.
    let versions: BTreeMap<String, String> = beside.into_iter().map(part).collect();
    assert_eq!(versions["sqlite"], rusqlite::version());
    let compiler = run(Command::new("rustc").arg("--version").current_dir(repository()));
    assert_eq!(Some(versions["rust-std"].as_str()), compiler.split(' ').nth(1));
}

#[test]
fn the_package_holds_the_list_of_its_parts() {
    let folder = TempDir::new("parts");
    let mut build = Command::new(deployed("debian/build"));
    build.env("SOURCE_DATE_EPOCH", "1772000000").arg("--quick").arg("--program").arg(program());
    let package = run(build.args(["--architecture", "amd64", "--output"]).arg(folder.path()));
    let archive = folder.file("package.tar");
    let written = fs::File::create(&archive).expect("room");
    let unpacked =
        Command::new(tool("dpkg-deb")).arg("--fsys-tarfile").arg(package.trim()).stdout(written).status();
    assert!(unpacked.expect("it starts").success());
    let inside = "./usr/share/doc/sumpwarden/parts.cdx.json";
    let held = run(Command::new("tar").args(["-xOf", &archive, inside]));
    assert_eq!(held, list(&folder, "parts.json").0);
}
