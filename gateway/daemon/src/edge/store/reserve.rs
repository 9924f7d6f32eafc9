//! A file that only takes up room, given up when the disk is full: what it held is then there for alarms, messages and
//! the journal, which must not wait until somebody has made room. Samples wait meanwhile.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rustix::fs::{FallocateFlags, fallocate, statvfs};
use rustix::io::Errno;

use crate::edge::data_files::RESERVE;

/// What it holds. The log of the file grows to about 4 MiB before it is begun anew, and as much again for the pages it
/// is copied to: room for hundreds of changes of alarms before the log turns round, and for thousands after.
pub(super) const RESERVE_BYTES: u64 = 8 << 20;

/// So much more must be free before it is made anew, so that it does not come and go with every other program's file.
const MARGIN_BYTES: u64 = 1 << 20;

/// The file, or the need for it.
#[derive(Debug)]
pub(super) struct Reserve {
    path: PathBuf,
    held: bool,
}

impl Reserve {
    /// The one of `directory`, which is made or completed where there is room.
    pub(super) fn of(directory: &Path) -> Self {
        let path = RESERVE.of(directory);
        let held = std::fs::metadata(&path).is_ok_and(|found| found.len() >= RESERVE_BYTES);
        let mut reserve = Self { path, held };
        reserve.hold();
        reserve
    }

    /// Whether it is there; made anew if there is room by now. False says that the disk is full: where the reserve cannot be
    /// made for another reason there is none, and whether the disk can be written shows when it is.
    pub(super) fn hold(&mut self) -> bool {
        if self.held {
            return true;
        }
        if !self.has_room() {
            return false;
        }
        let made = make(&self.path);
        self.held = made.is_ok();
        let Err(error) = made else { return true };
        tracing::debug!(%error, "no reserve on the disk");
        // What cannot be made cannot always be removed either.
        let _ = std::fs::remove_file(&self.path);
        !matches!(error.kind(), io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded)
    }

    fn has_room(&self) -> bool {
        let directory = self.path.parent().unwrap_or(Path::new("."));
        let free = |found: rustix::fs::StatVfs| found.f_bavail.saturating_mul(found.f_frsize);
        // A file system without blocks does not say how full it is, nor does one that does not answer.
        statvfs(directory)
            .map_or(true, |found| found.f_blocks == 0 || free(found) >= RESERVE_BYTES + MARGIN_BYTES)
    }

    /// Gives its room, and its place among the disk's files, to whoever writes next.
    pub(super) fn give_up(&mut self) {
        let gone = std::fs::remove_file(&self.path);
        if std::mem::take(&mut self.held) || gone.is_ok() {
            tracing::warn!(
                bytes = RESERVE_BYTES,
                "the disk is full: the reserve goes to alarms and messages"
            );
        }
    }
}

fn make(path: &Path) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create(true).truncate(false).mode(0o600).open(path)?;
    match fallocate(&file, FallocateFlags::empty(), 0, RESERVE_BYTES) {
        Err(Errno::OPNOTSUPP | Errno::NOSYS) => fill(&mut file)?,
        done => done?,
    }
    file.sync_all()
}

/// On a file system that cannot set room aside. Not zeros: one that compresses would set nothing aside.
fn fill(file: &mut File) -> io::Result<()> {
    let mut number = 88_172_645_463_325_252_u64;
    let mut block = [0; 64 << 10];
    for _ in 0..RESERVE_BYTES / block.len() as u64 {
        for eight in block.chunks_exact_mut(8) {
            number ^= number << 13;
            number ^= number >> 7;
            number ^= number << 17;
            eight.copy_from_slice(&number.to_le_bytes());
        }
        file.write_all(&block)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::MetadataExt;

    use super::*;

    #[test]
    fn it_takes_up_room_until_it_is_given_up() {
        let directory = std::env::temp_dir().join(format!("sumpwarden-reserve-{}", std::process::id()));
        std::fs::create_dir_all(&directory).unwrap();
        let mut reserve = Reserve::of(&directory);
        assert!(reserve.hold());
        let blocks = |path: &Path| std::fs::metadata(path).unwrap().blocks() * 512;
        assert!(blocks(&RESERVE.of(&directory)) >= RESERVE_BYTES);
        reserve.give_up();
        assert!(!RESERVE.of(&directory).exists());
        assert!(reserve.hold() && Reserve::of(&directory).held, "and is there again");
        let path = directory.join("filled");
        fill(&mut File::create(&path).unwrap()).unwrap();
        assert!(blocks(&path) >= RESERVE_BYTES);
        std::fs::remove_dir_all(&directory).unwrap();
    }

    #[test]
    fn where_it_cannot_be_made_the_disk_is_not_full_for_that() {
        let directory = std::env::temp_dir().join(format!("sumpwarden-no-reserve-{}", std::process::id()));
        std::fs::create_dir_all(RESERVE.of(&directory).join("in the way")).unwrap();
        assert!(Reserve::of(&directory).hold());
        assert!(Reserve::of(&directory.join("gone")).hold(), "nor where there is no directory");
        std::fs::remove_dir_all(&directory).unwrap();
    }
}
