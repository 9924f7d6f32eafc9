//! The library that shows a process another time.

use std::path::PathBuf;

/// Where Debian puts it.
///
/// # Panics
/// If it is not installed.
pub fn library() -> PathBuf {
    let places = ["x86_64-linux-gnu", "aarch64-linux-gnu"];
    let files = places.map(|place| PathBuf::from(format!("/usr/lib/{place}/faketime/libfaketimeMT.so.1")));
    let found = files.into_iter().find(|file| file.is_file());
    found.expect("faketime is not installed: tests/run --prepare installs it")
}
