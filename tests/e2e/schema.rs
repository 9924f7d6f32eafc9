//! The schema of configurations before an independent validator: it takes what the daemon takes, and refuses mistakes of form.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use sumpwarden::config::{load_with, schema};
use sumpwarden_tests::process::{TempDir, peer_script, python, run};

fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// What the validator finds in each file.
fn judged(files: &[PathBuf]) -> BTreeMap<PathBuf, Vec<String>> {
    let folder = TempDir::new("schema");
    let path = folder.path().join("schema.json");
    fs::write(&path, schema().to_string()).expect("a file can be written");
    let mut command = Command::new(python());
    command.arg(peer_script("schema.py")).arg(path).args(files);
    serde_json::from_str(&run(&mut command)).expect("the validator prints JSON")
}

fn corpus() -> Vec<PathBuf> {
    let files = fs::read_dir(repository().join("tests/config")).expect("the corpus is there");
    let mut files: Vec<PathBuf> = files.map(|entry| entry.expect("it can be listed").path()).collect();
    files.retain(|path| path.extension().is_some_and(|e| e == "toml"));
    files.sort();
    files
}

#[test]
fn what_the_daemon_takes_is_valid() {
    let mut files: Vec<PathBuf> = corpus().into_iter().filter(|path| load_with(path, &[]).is_ok()).collect();
    files.push(repository().join("deploy/examples/small-shop.toml"));
    assert!(files.len() > 20, "{}", files.len());
    for (file, wrong) in judged(&files) {
        assert!(wrong.is_empty(), "{}: {wrong:#?}", file.display());
    }
}

#[test]
fn mistakes_of_form_are_not() {
    /// The beginnings of names of such mistakes in the corpus.
    const FORM: [&str; 8] = [
        "unknown-",
        "word-",
        "type-number-for",
        "type-list",
        "type-table",
        "type-text",
        "types-unknown-key",
        "types-wrong-kind",
    ];
    const MORE: [&str; 6] =
        ["unit-comma", "unit-unknown", "unit-hardness", "time-minutes", "time-negative", "alarm-unknown"];
    let of_form = |path: &PathBuf| {
        let name = path.file_stem().and_then(|name| name.to_str()).unwrap_or_default();
        FORM.iter().any(|start| name.starts_with(start)) || MORE.contains(&name)
    };
    let files: Vec<PathBuf> = corpus().into_iter().filter(of_form).collect();
    assert!(files.len() >= 20, "{}", files.len());
    for (file, wrong) in judged(&files) {
        assert!(!wrong.is_empty(), "{} is taken", file.display());
    }
}
