//! What lies under `deploy/`: the unit, the Debian package, the broker's rules, queries and dashboard, copies of the store,
//! the rule for serial adapters and the container's recipe, each against the foreign program that will read it.

mod backup;
mod boards;
mod booted;
mod broker;
mod container;
mod debian;
mod devices;
mod install;
mod parts;
mod unit;

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

/// A file below `deploy/`.
fn deployed(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy").join(name)
}

/// Its text.
#[track_caller]
fn text_of(name: &str) -> String {
    fs::read_to_string(deployed(name)).unwrap_or_else(|error| panic!("deploy/{name}: {error}"))
}

/// Whether this process is root; a test that cannot do without says so, loudly, and shows nothing.
fn is_root(what: &str) -> bool {
    let root = rustix::process::geteuid().is_root();
    if !root {
        // Past the harness, which keeps to itself what a test prints that passes.
        writeln!(std::io::stderr(), "NOT TESTED: {what}: this takes root").ok();
    }
    root
}
