//! Pages of an SQLite file and of its write-ahead log, read without SQLite, so that damage in one place costs that place.
//!
//! The layout is that of "Database File Format" in SQLite's documentation. Nothing here trusts a number it reads: every
//! place is looked for inside the page, and every chain ends.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::Path;

use super::super::log_of;

/// Size of our pages, where the file does not say.
const PAGE_BYTES: usize = 4_096;
const WAL_HEADER: u64 = 32;
const FRAME_HEADER: u64 = 24;

/// A file and its log, as pages.
#[derive(Debug)]
pub(super) struct Pages {
    file: Option<File>,
    wal: Option<File>,
    pub(super) page_bytes: usize,
    /// Pages of the file, with those that only the log holds.
    pub(super) count: u32,
    /// Page numbers and where the log holds what was committed of them last.
    committed: BTreeMap<u32, u64>,
    /// The same for frames behind a damaged one, which SQLite passes over.
    pub(super) stray: BTreeMap<u32, u64>,
    /// A commit that was durable is no longer seen: behind a damaged frame it ends, and another one begins, which is not
    /// written before the one before it is synced. The last commit of a log may be one whose sync a power cut has cut short.
    pub(super) log_damaged: bool,
    free: BTreeSet<u32>,
}

impl Pages {
    /// Opens `path` and the log beside it; either may be missing.
    pub(super) fn open(path: &Path) -> io::Result<Self> {
        let regular = |path: &Path| std::fs::symlink_metadata(path).is_ok_and(|m| m.is_file());
        let open = |path: &Path| regular(path).then(|| File::open(path)).transpose();
        let (file, wal) = (open(path)?, open(&log_of(path))?);
        if file.is_none() && wal.is_none() {
            return Err(io::Error::new(io::ErrorKind::NotFound, "no such file"));
        }
        let mut pages = Self {
            file,
            wal,
            page_bytes: PAGE_BYTES,
            count: 0,
            committed: BTreeMap::new(),
            stray: BTreeMap::new(),
            log_damaged: false,
            free: BTreeSet::new(),
        };
        pages.size_up()?;
        pages.read_log()?;
        pages.find_free();
        Ok(pages)
    }

    fn size_up(&mut self) -> io::Result<()> {
        let Some(file) = &self.file else { return Ok(()) };
        let mut header = [0; 100];
        if file.read_exact_at(&mut header, 0).is_ok() && header.starts_with(b"SQLite format 3\0") {
            self.page_bytes = match u16::from_be_bytes([header[16], header[17]]) {
                1 => 65_536,
                size if size >= 512 && size.is_power_of_two() => usize::from(size),
                _ => PAGE_BYTES,
            };
        }
        let pages = file.metadata()?.len().div_ceil(self.page_bytes as u64);
        self.count = u32::try_from(pages).unwrap_or(u32::MAX);
        Ok(())
    }

    fn read_log(&mut self) -> io::Result<()> {
        let Some(wal) = &self.wal else { return Ok(()) };
        let bytes = wal.metadata()?.len();
        let mut header = [0; WAL_HEADER as usize];
        if bytes < WAL_HEADER + FRAME_HEADER || wal.read_exact_at(&mut header, 0).is_err() {
            return Ok(());
        }
        let order = if word(&header, 0) & 1 == 1 { u32::from_be_bytes } else { u32::from_le_bytes };
        let mut sum = checksum(order, (0, 0), &header[..24]);
        let mut whole = word(&header, 0) | 1 == 0x377f_0683 && sum == (word(&header, 24), word(&header, 28));
        let mut salts = (word(&header, 16), word(&header, 20));
        let mut pending: BTreeMap<u32, u64> = BTreeMap::new();
        let mut ended_behind = false;
        let mut frame = vec![0; FRAME_HEADER as usize + self.page_bytes];
        for number in 0.. {
            let at = WAL_HEADER + number * frame.len() as u64;
            if wal.read_exact_at(&mut frame, at).is_err() {
                break;
            }
            let found = (word(&frame, 8), word(&frame, 12));
            if number == 0 && !whole {
                salts = found;
            }
            let ours = found == salts && (1..1 << 30).contains(&word(&frame, 0));
            if whole {
                sum = checksum(order, sum, &frame[..8]);
                sum = checksum(order, sum, &frame[FRAME_HEADER as usize..]);
                whole = ours && sum == (word(&frame, 16), word(&frame, 20));
            }
            if !ours {
                continue;
            }
            let (page, commits) = (word(&frame, 0), word(&frame, 4) != 0);
            self.count = self.count.max(page);
            if whole {
                pending.insert(page, at + FRAME_HEADER);
                if commits {
                    self.committed.append(&mut pending);
                }
            } else {
                self.stray.insert(page, at + FRAME_HEADER);
                self.log_damaged |= ended_behind;
                ended_behind |= commits;
            }
        }
        // What was not committed is not trusted more than what lies behind damage.
        for (page, at) in pending {
            self.stray.entry(page).or_insert(at);
        }
        Ok(())
    }

    /// Pages that hold nothing any more, as far as the list of them can be followed.
    fn find_free(&mut self) {
        let Some(first) = self.read(1) else { return };
        let mut trunk = word(&first, 32);
        while trunk != 0 && self.free.insert(trunk) {
            let Some(page) = self.read(trunk) else { return };
            let leaves = (word(&page, 4) as usize).min(self.page_bytes / 4 - 2);
            self.free.extend((0..leaves).map(|leaf| word(&page, 8 + 4 * leaf)));
            trunk = word(&page, 0);
        }
    }

    pub(super) fn is_free(&self, page: u32) -> bool {
        self.free.contains(&page)
    }

    /// The page as it was committed last. Cut short, it ends in zeros.
    pub(super) fn read(&self, page: u32) -> Option<Vec<u8>> {
        if let (Some(at), Some(wal)) = (self.committed.get(&page), &self.wal) {
            return self.fill(wal, *at);
        }
        let file = self.file.as_ref()?;
        self.fill(file, u64::from(page.checked_sub(1)?) * self.page_bytes as u64)
    }

    /// The page with what lies behind damage in the log.
    pub(super) fn read_stray(&self, page: u32) -> Option<Vec<u8>> {
        match (self.stray.get(&page), &self.wal) {
            (Some(at), Some(wal)) => self.fill(wal, *at),
            _ => self.read(page),
        }
    }

    fn fill(&self, file: &File, at: u64) -> Option<Vec<u8>> {
        let mut page = vec![0; self.page_bytes];
        let mut filled = 0;
        while filled < page.len() {
            match file.read_at(&mut page[filled..], at + filled as u64) {
                Ok(0) => break,
                Ok(some) => filled += some,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(_) => break,
            }
        }
        (filled > 0).then_some(page)
    }
}

/// Four bytes as a number; 0 behind the end.
pub(super) fn word(bytes: &[u8], at: usize) -> u32 {
    bytes.get(at..).and_then(|rest| rest.first_chunk()).map_or(0, |four| u32::from_be_bytes(*four))
}

fn checksum(order: fn([u8; 4]) -> u32, (mut first, mut second): (u32, u32), bytes: &[u8]) -> (u32, u32) {
    let (pairs, _) = bytes.as_chunks::<8>();
    for pair in pairs {
        let [a, b, c, d, e, f, g, h] = *pair;
        first = first.wrapping_add(order([a, b, c, d])).wrapping_add(second);
        second = second.wrapping_add(order([e, f, g, h])).wrapping_add(first);
    }
    (first, second)
}
