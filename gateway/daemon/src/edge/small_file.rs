//! Small files that are only ever there whole, and only for whom the daemon runs as.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// What the name of a file ends in that is not whole yet.
pub const HALF: &str = ".new";

/// Puts `bytes` in place of the file at `path`: written under another name and moved, so that a power cut leaves the old one or
/// the new one.
///
/// # Errors
/// If it cannot be written; the old one stays.
pub fn put(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut half = path.as_os_str().to_owned();
    half.push(HALF);
    let half = PathBuf::from(half);
    // One that was left over by a run that was cut short may be anybody's to read: it is not written into.
    if let Err(error) = std::fs::remove_file(&half)
        && error.kind() != io::ErrorKind::NotFound
    {
        return Err(error);
    }
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&half)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    std::fs::rename(&half, path)?;
    path.parent().map_or(Ok(()), |directory| File::open(directory)?.sync_all())
}
