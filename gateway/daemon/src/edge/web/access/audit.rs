//! The record of deeds: who logged in or failed to, who changed what, from where. Lines are only ever added, each sealed together
//! with the one before it, so that one that was changed, put in or taken out shows (`check --store`).
//!
//! Two files of at most 8 MiB, the older one goes when the newer is full: years of a shop's deeds. Beside them stands how far
//! the record goes, so that an end that was cut off shows as well. Where it cannot be written the page goes on; it is counted
//! and told.

use std::fs::{File, OpenOptions};
use std::io::{self, BufRead, BufReader, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use ring::hmac;
use serde::{Deserialize, Serialize};
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::model::Timestamp;

use crate::edge::data_files::{DEEDS, DEEDS_HEAD, DEEDS_OLDER};
use crate::edge::hex::hex;

/// A file this large is full.
const FILE_BYTES_MAX: u64 = 8 << 20;
/// Most characters of a text; control characters stand as what they are called.
const TEXT_CHARS_MAX: usize = 200;

/// Something that was done or tried.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(in super::super) struct Deed {
    pub(in super::super) at: Timestamp,
    /// Who, as far as it is known.
    pub(in super::super) who: String,
    /// Address it came from.
    pub(in super::super) from: String,
    /// What: "POST /notes".
    pub(in super::super) what: String,
    /// HTTP status it was answered with.
    pub(in super::super) status: u16,
    /// What was before and is now, where the deed says so.
    pub(in super::super) detail: Option<String>,
}

/// One line of the record.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
struct Entry {
    n: u64,
    at: String,
    who: String,
    from: String,
    what: String,
    status: u16,
    #[serde(skip_serializing_if = "Option::is_none")]
    detail: Option<String>,
    /// Seal of the entry before.
    after: String,
    /// Over everything else in it.
    seal: String,
}

#[derive(Clone, PartialEq, Eq, Default, Debug, Serialize, Deserialize)]
struct Head {
    n: u64,
    seal: String,
}

/// Where the record does not hold together.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Broken {
    /// File.
    pub path: PathBuf,
    /// Line, from 1.
    pub line: usize,
    /// What is wrong there.
    pub what: &'static str,
}

/// Writes the record.
#[derive(Debug)]
pub(in super::super) struct AuditLog {
    directory: PathBuf,
    key: hmac::Key,
    head: Head,
    unwritten: Arc<AtomicU64>,
    file_bytes_max: u64,
}

impl AuditLog {
    /// Goes on where the record of this directory ended.
    pub(in super::super) fn open(directory: &Path, key: &Secret) -> Self {
        let mut log = Self {
            directory: directory.to_owned(),
            key: sealing(key),
            head: Head::default(),
            unwritten: Arc::default(),
            file_bytes_max: FILE_BYTES_MAX,
        };
        // Where the end was cut off, the next entry does not follow on what is left: that shows for good.
        let ends = [log.end_of_file(), head(directory)];
        log.head = ends.into_iter().flatten().max_by_key(|head| head.n).unwrap_or_default();
        log
    }

    /// How many deeds could not be put on record, to be asked without waiting for a disk.
    pub(in super::super) fn unwritten(&self) -> Arc<AtomicU64> {
        Arc::clone(&self.unwritten)
    }

    /// Puts a deed on record.
    pub(in super::super) fn write(&mut self, deed: &Deed) {
        let entry = self.entry(deed);
        match self.append(&entry) {
            Ok(()) => {
                self.head = Head { n: entry.n, seal: entry.seal };
                if let Err(error) = self.put_head() {
                    tracing::warn!(%error, "how far the record of deeds goes could not be written");
                }
            }
            Err(error) => {
                self.unwritten.fetch_add(1, Ordering::Relaxed);
                tracing::error!(%error, who = entry.who, what = entry.what, "a deed could not be put on record");
            }
        }
    }

    fn entry(&self, deed: &Deed) -> Entry {
        let short = |text: &str| text.escape_debug().take(TEXT_CHARS_MAX).collect::<String>();
        let mut entry = Entry {
            n: self.head.n + 1,
            at: deed.at.to_string(),
            who: short(&deed.who),
            from: short(&deed.from),
            what: short(&deed.what),
            status: deed.status,
            detail: deed.detail.as_deref().map(short),
            after: self.head.seal.clone(),
            seal: String::new(),
        };
        entry.seal = seal(&self.key, &entry);
        entry
    }

    fn append(&self, entry: &Entry) -> io::Result<()> {
        let path = DEEDS.of(&self.directory);
        if std::fs::metadata(&path).is_ok_and(|meta| meta.len() >= self.file_bytes_max) {
            std::fs::rename(&path, DEEDS_OLDER.of(&self.directory))?;
        }
        let mut line = serde_json::to_vec(entry).map_err(io::Error::other)?;
        line.push(b'\n');
        let mut file = OpenOptions::new().create(true).append(true).mode(0o600).open(&path)?;
        let before = file.metadata()?.len();
        // Half a line of a full disk would be glued to the next one.
        file.write_all(&line).and_then(|()| file.sync_data()).inspect_err(|_| _ = file.set_len(before))
    }

    fn put_head(&self) -> io::Result<()> {
        let head = serde_json::to_vec(&self.head).map_err(io::Error::other)?;
        let path = DEEDS_HEAD.of(&self.directory);
        OpenOptions::new().create(true).write(true).truncate(true).mode(0o600).open(path)?.write_all(&head)
    }

    /// The last entry; half a line behind it, of a power cut, is taken away.
    fn end_of_file(&self) -> Option<Head> {
        let path = DEEDS.of(&self.directory);
        let text = std::fs::read(&path).ok()?;
        let whole = text.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
        if whole < text.len()
            && let Err(error) =
                OpenOptions::new().write(true).open(&path).and_then(|file| file.set_len(whole as u64))
        {
            tracing::warn!(%error, "half a line at the end of the record of deeds");
        }
        let last = text[..whole].split(|byte| *byte == b'\n').rfind(|line| !line.is_empty())?;
        let entry: Entry = serde_json::from_slice(last).ok()?;
        Some(Head { n: entry.n, seal: entry.seal })
    }
}

fn head(directory: &Path) -> Option<Head> {
    serde_json::from_slice(&std::fs::read(DEEDS_HEAD.of(directory)).ok()?).ok()
}

fn sealing(key: &Secret) -> hmac::Key {
    hmac::Key::new(hmac::HMAC_SHA256, key.reveal().as_bytes())
}

fn seal(key: &hmac::Key, entry: &Entry) -> String {
    let bare = Entry { seal: String::new(), ..entry.clone() };
    let text = serde_json::to_vec(&bare).expect("texts and numbers always serialise");
    hex(hmac::sign(key, &text).as_ref())
}

/// Reads the whole record of a directory; how many entries hold together.
///
/// # Errors
/// The first place where they do not. A file that cannot be opened is an empty one.
pub fn verify(directory: &Path, key: &Secret) -> Result<u64, Broken> {
    let key = sealing(key);
    // Read first: a daemon that runs may add to the record meanwhile.
    let furthest = head(directory);
    let mut before: Option<Head> = None;
    let mut counted = 0;
    for file in [DEEDS_OLDER, DEEDS] {
        let path = file.of(directory);
        let Ok(file) = File::open(&path) else { continue };
        for (line, text) in (1..).zip(BufReader::new(file).split(b'\n')) {
            let broken = |what| Broken { path: path.clone(), line, what };
            let text = text.map_err(|_| broken("it cannot be read"))?;
            let entry: Entry = serde_json::from_slice(&text)
                .map_err(|_| broken("this is no entry; it was damaged or changed"))?;
            if seal(&key, &entry) != entry.seal {
                return Err(broken("its seal does not fit; it was damaged or changed"));
            }
            // Of the oldest entry that is kept it is known only that one was before it.
            if before.as_ref().is_some_and(|head| head.n + 1 != entry.n || head.seal != entry.after) {
                return Err(broken("it does not follow on the entry before; one was taken out or put in"));
            }
            counted += 1;
            before = Some(Head { n: entry.n, seal: entry.seal });
        }
    }
    let end = before.map_or(0, |head| head.n);
    if furthest.is_some_and(|head| head.n > end) {
        let what = "the record went further once; its end was cut off";
        return Err(Broken { path: DEEDS.of(directory), line: counted as usize + 1, what });
    }
    Ok(counted)
}

#[cfg(test)]
mod tests {
    use super::super::people::tests::tempdir;
    use super::*;

    fn deed(n: u16) -> Deed {
        Deed {
            at: Timestamp::from_nanos(i64::from(n)),
            who: "kim\n\u{1b}[2J".to_owned(),
            from: "192.0.2.7".to_owned(),
            what: "POST /notes".to_owned(),
            status: 200 + n,
            detail: Some("x".repeat(5000)),
        }
    }

    fn written(what: &str) -> (PathBuf, Secret) {
        let (directory, key) = (tempdir(what), Secret::new("k".repeat(64)));
        let mut log = AuditLog::open(&directory, &key);
        (0..3).for_each(|n| log.write(&deed(n)));
        (0..3).for_each(|n| AuditLog::open(&directory, &key).write(&deed(n)));
        assert_eq!(verify(&directory, &key), Ok(6));
        (directory, key)
    }

    fn lines(directory: &Path) -> Vec<String> {
        let text = std::fs::read_to_string(DEEDS.of(directory)).unwrap();
        text.lines().map(str::to_owned).collect()
    }

    #[test]
    fn a_deed_is_one_line_whatever_its_texts_hold() {
        let (directory, _) = written("one-line");
        let lines = lines(&directory);
        assert_eq!(lines.len(), 6);
        assert!(lines.iter().all(|line| line.len() < 2000 && !line.contains('\u{1b}')), "{}", lines[0]);
        std::fs::remove_dir_all(&directory).unwrap();
    }

    #[test]
    fn what_was_changed_taken_out_put_in_or_cut_off_shows() {
        let (directory, key) = written("tampered");
        let whole = lines(&directory);
        let with = |change: &dyn Fn(&mut Vec<String>)| {
            let mut lines = whole.clone();
            change(&mut lines);
            std::fs::write(DEEDS.of(&directory), lines.join("\n") + "\n").unwrap();
            verify(&directory, &key).map_err(|broken| broken.line)
        };
        assert_eq!(with(&|_| ()), Ok(6));
        assert_eq!(with(&|lines| lines[2] = lines[2].replace("192.0.2.7", "192.0.2.8")), Err(3));
        assert_eq!(with(&|lines| _ = lines.remove(3)), Err(4));
        assert_eq!(with(&|lines| lines.swap(1, 2)), Err(2));
        assert_eq!(with(&|lines| lines.insert(2, lines[1].clone())), Err(3));
        assert_eq!(with(&|lines| _ = lines.pop()), Err(6), "the end");
        AuditLog::open(&directory, &key).write(&deed(9));
        assert_eq!(
            verify(&directory, &key).map_err(|broken| broken.line),
            Err(6),
            "also after the next deed"
        );
        std::fs::remove_file(DEEDS_HEAD.of(&directory)).unwrap();
        with(&|_| ()).unwrap();
        assert!(verify(&directory, &Secret::new("q".repeat(64))).is_err(), "sealed by another key");
        std::fs::remove_dir_all(&directory).unwrap();
    }

    #[test]
    fn half_a_line_of_a_power_cut_is_no_damage_and_a_full_file_makes_room() {
        let (directory, key) = written("torn");
        OpenOptions::new().append(true).open(DEEDS.of(&directory)).unwrap().write_all(b"{\"n\":7").unwrap();
        let mut log = AuditLog::open(&directory, &key);
        log.write(&deed(6));
        assert_eq!(verify(&directory, &key), Ok(7));
        log.file_bytes_max = 64 << 10;
        for n in 0..500 {
            log.write(&deed(n % 300));
        }
        assert!(std::fs::metadata(DEEDS_OLDER.of(&directory)).unwrap().len() < (64 << 10) + 4096);
        assert!(std::fs::metadata(DEEDS.of(&directory)).unwrap().len() < (64 << 10) + 4096);
        let kept = verify(&directory, &key).unwrap();
        assert!((100..507).contains(&kept), "{kept}");
        assert_eq!(log.unwritten().load(Ordering::Relaxed), 0);
        std::fs::remove_dir_all(&directory).unwrap();
    }
}
