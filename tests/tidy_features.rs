//! A program has points for injected faults only where its builder asked for them.

use std::path::Path;

use super::{MadeUp, complains_of, none, read, repository};

#[test]
fn injected_faults_are_never_compiled_in_by_default() {
    none(default_faults(repository()));
}

/// Ways by which the feature `faults` comes into a program that nobody asked it of.
fn default_faults(root: &Path) -> Vec<String> {
    let text = read(&root.join("gateway/daemon/Cargo.toml"));
    let of = |line: &str| line.split_once('=').map(|(name, list)| (name.trim().to_owned(), list.to_owned()));
    let features = text.lines().skip_while(|line| line.trim() != "[features]").skip(1);
    let features = features.take_while(|line| !line.starts_with('[')).filter_map(of);
    let brings = features.filter(|(name, list)| name != "faults" && list.contains("\"faults\""));
    let mut complaints: Vec<String> = brings
        .map(|(name, _)| format!("gateway/daemon/Cargo.toml: the feature {name} brings faults with it"))
        .collect();
    for manifest in ["Cargo.toml", "tests/Cargo.toml", "sim/Cargo.toml"] {
        if read(&root.join(manifest)).contains("\"faults\"") {
            complaints.push(format!("{manifest}: faults are asked for on the command line of a build only"));
        }
    }
    complaints
}

#[test]
fn faults_that_come_by_themselves_are_found() {
    let tree = MadeUp::new(
        "faults",
        &[
            ("gateway/daemon/Cargo.toml", "[features]\ndefault = [\"demo\", \"faults\"]\nfaults = []\n"),
            ("tests/Cargo.toml", "sumpwarden = { features = [\"faults\"] }\n"),
        ],
    );
    complains_of(&default_faults(&tree.0), &["the feature default", "tests/Cargo.toml"]);
}

#[test]
fn every_test_file_is_in_a_lane_of_tests_run() {
    none(in_no_lane(repository()));
}

/// Test files that `tests/run` would pass over: it takes e2e_a to e2e_z and whatever does not begin with an e.
fn in_no_lane(root: &Path) -> Vec<String> {
    let manifest: toml::Table = read(&root.join("tests/Cargo.toml")).parse().expect("cargo has read it");
    let registered = manifest.get("test").and_then(toml::Value::as_array).into_iter().flatten();
    let registered = registered.filter_map(|test| Some(test.get("name")?.as_str()?.to_owned()));
    let of_packages = ["gateway/core", "gateway/daemon", "protocol", "sim"].into_iter().flat_map(|package| {
        let files = std::fs::read_dir(root.join(package).join("tests")).into_iter().flatten();
        files.filter_map(|file| Some(file.ok()?.path().file_stem()?.to_string_lossy().into_owned()))
    });
    let against_peers = |name: &str| {
        name.strip_prefix("e2e_").is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_lowercase()))
    };
    let lost = registered.chain(of_packages).filter(|name| name.starts_with('e') && !against_peers(name));
    lost.map(|name| {
        format!("{name}: a test file that begins with an e must be an e2e_ with a letter, or tests/run passes it over")
    })
    .collect()
}

#[test]
fn a_test_file_in_no_lane_is_found() {
    let tree = MadeUp::new(
        "lanes",
        &[
            (
                "tests/Cargo.toml",
                "[[test]]\nname = \"e2e_a\"\n[[test]]\nname = \"evening\"\n[[test]]\nname = \"noon\"\n[[test]]\nname = \"e2e_9\"\n",
            ),
            ("sim/tests/early.rs", ""),
            ("sim/tests/late.rs", ""),
        ],
    );
    complains_of(&in_no_lane(&tree.0), &["evening", "e2e_9", "early"]);
}
