//! A gzipped tar of plain files, as POSIX.1-1988 (`ustar`) lays it down: a head of 512 bytes, the content, and zeros up to the
//! next 512.

use std::fs::File;
use std::io::{self, Write};

use flate2::Compression;
use flate2::write::GzEncoder;
use sumpwarden_core::model::Timestamp;

const BLOCK: usize = 512;
/// Longest name that needs no second field.
const NAME_MAX: usize = 100;

/// An archive that is being written.
pub(super) struct Archive {
    out: GzEncoder<File>,
    seconds: u64,
}

impl Archive {
    /// Its files are all of that instant.
    pub(super) fn begin(file: File, at: Timestamp) -> Self {
        let seconds = u64::try_from(at.as_nanos() / 1_000_000_000).unwrap_or(0);
        Self { out: GzEncoder::new(file, Compression::default()), seconds }
    }

    /// One more file, for its owner only.
    pub(super) fn add(&mut self, name: &str, content: &[u8]) -> io::Result<()> {
        self.out.write_all(&head(name, content.len() as u64, self.seconds)?)?;
        self.out.write_all(content)?;
        let filled = content.len().next_multiple_of(BLOCK) - content.len();
        self.out.write_all(&[0; BLOCK][..filled])
    }

    /// Two empty heads end it.
    pub(super) fn finish(mut self) -> io::Result<File> {
        self.out.write_all(&[0; 2 * BLOCK])?;
        self.out.finish()
    }
}

fn head(name: &str, size: u64, seconds: u64) -> io::Result<[u8; BLOCK]> {
    if name.len() >= NAME_MAX {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "the name of a part is too long"));
    }
    let mut head = [0; BLOCK];
    let mut put = |at: usize, bytes: &[u8]| head[at..at + bytes.len()].copy_from_slice(bytes);
    put(0, name.as_bytes());
    put(100, b"0000600\0");
    put(108, b"0000000\0");
    put(116, b"0000000\0");
    put(124, format!("{size:011o}\0").as_bytes());
    put(136, format!("{seconds:011o}\0").as_bytes());
    // The sum counts its own field as blanks.
    put(148, b"        ");
    put(156, b"0");
    put(257, b"ustar\x0000");
    let sum: u32 = head.iter().map(|byte| u32::from(*byte)).sum();
    head[148..156].copy_from_slice(format!("{sum:06o}\0 ").as_bytes());
    Ok(head)
}
