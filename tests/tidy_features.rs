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
