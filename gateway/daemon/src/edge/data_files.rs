//! Everything the daemon writes into its data directory, by name, in one place: who writes a file there takes its name from
//! here, so that whoever clears the directory knows it and can say what it was. `tidy` looks that nobody makes up a name.

use std::path::{Path, PathBuf};

use sumpwarden_core::model::Name;

use super::small_file;

/// One file of the data directory.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DataFile {
    name: &'static str,
    about: &'static str,
    secret: bool,
}

impl DataFile {
    const fn new(name: &'static str, about: &'static str) -> Self {
        Self { name, about, secret: false }
    }

    const fn secret(name: &'static str, about: &'static str) -> Self {
        Self { name, about, secret: true }
    }

    /// Its name.
    pub const fn name(self) -> &'static str {
        self.name
    }

    /// Where it lies in this data directory.
    pub fn of(self, directory: &Path) -> PathBuf {
        directory.join(self.name)
    }
}

/// The store.
pub const STORE: DataFile =
    DataFile::new("store.sqlite", "store: readings, journal, messages, what is known of the sumps");
/// Whoever has the directory holds it locked.
pub const LOCK: DataFile = DataFile::new("lock", "lock of the daemon");
/// Room for alarms on a full disk.
pub const RESERVE: DataFile = DataFile::new("reserve", "room kept free for a full disk; holds nothing");
/// What lets a program hand something in.
pub const NOTE_KEY: DataFile = DataFile::secret("note-key", "key that programs hand notes in with");
/// What links in messages are signed with.
pub const LINK_KEY: DataFile = DataFile::secret("link-key", "key of the links in messages");
/// What the codes on machines are signed with.
pub const STICKER_KEY: DataFile = DataFile::secret("sticker-key", "key of the codes on stickers");
/// What the record of deeds is sealed with.
pub const DEEDS_KEY: DataFile = DataFile::secret("deeds-key", "key that seals the record of deeds");
/// The page's certificate, where the daemon made it.
pub const CERTIFICATE: DataFile = DataFile::new("page-certificate.pem", "the page's own certificate");
/// Its key.
pub const CERTIFICATE_KEY: DataFile =
    DataFile::secret("page-certificate-key.pem", "key of the page's own certificate");
/// Who can log in.
pub const PEOPLE: DataFile =
    DataFile::secret("people.json", "people who can log in, hashes of their passwords, stickers made void");
/// The record of deeds.
pub const DEEDS: DataFile = DataFile::new("deeds.jsonl", "record of logins and deeds");
/// The older half of it.
pub const DEEDS_OLDER: DataFile =
    DataFile::new("deeds-older.jsonl", "record of logins and deeds, older part");
/// Where it ended.
pub const DEEDS_HEAD: DataFile = DataFile::new("deeds-head.json", "where the record of deeds ends");
/// Starts and how they ended.
pub const STARTS: DataFile = DataFile::new("starts.json", "starts of the daemon and how they ended");

/// Files that are there once; the store and those of edge nodes have kin.
const SINGLE: [DataFile; 13] = [
    NOTE_KEY,
    LINK_KEY,
    STICKER_KEY,
    DEEDS_KEY,
    CERTIFICATE_KEY,
    CERTIFICATE,
    PEOPLE,
    DEEDS,
    DEEDS_OLDER,
    DEEDS_HEAD,
    STARTS,
    RESERVE,
    LOCK,
];

/// Keys that the daemon made.
pub const KEYS: [DataFile; 4] = [NOTE_KEY, LINK_KEY, STICKER_KEY, DEEDS_KEY];

/// What stands before the broker's name in the file of an edge node of Sparkplug.
const SPARKPLUG: &str = "sparkplug-";

/// The file of the edge node at this broker.
pub fn sparkplug(directory: &Path, broker: &Name) -> PathBuf {
    directory.join(format!("{SPARKPLUG}{broker}"))
}

/// What SQLite keeps beside a file, by the end of its name.
const BESIDE: [&str; 4] = ["", "-wal", "-shm", "-journal"];

/// Why a store has another name: it was damaged, replaced by a copy, or is a copy that was not finished. A number follows.
pub const DAMAGED: &str = "damaged";
/// See [`DAMAGED`].
pub const REPLACED: &str = "replaced";
/// See [`DAMAGED`].
pub const UNFINISHED: &str = "unfinished";

/// The name of a store that does not have its own.
pub fn store_aside(word: &str, number: u32) -> String {
    format!("{}.{word}-{number}", STORE.name)
}

/// What is known of a file by its name.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Known {
    /// What it is.
    pub about: String,
    /// Whether who has it can do something that others may not.
    pub secret: bool,
}

/// What the file of this name is; none where the daemon writes no such file.
pub fn known(name: &str) -> Option<Known> {
    if let Some(whole) = name.strip_suffix(small_file::HALF) {
        let known = small(whole)?;
        return Some(Known { about: known.about + ", half written", ..known });
    }
    small(name).or_else(|| of_store(name))
}

fn small(name: &str) -> Option<Known> {
    let single = SINGLE.iter().find(|file| file.name == name);
    let single = single.map(|file| Known { about: file.about.to_owned(), secret: file.secret });
    single.or_else(|| {
        let broker = name.strip_prefix(SPARKPLUG).filter(|broker| Name::new(broker).is_ok())?;
        Some(Known { about: format!("Sparkplug: number of the last connection to {broker}"), secret: false })
    })
}

fn of_store(name: &str) -> Option<Known> {
    let rest = name.strip_prefix(STORE.name)?;
    let (rest, part) = match BESIDE[1..].iter().find_map(|end| rest.strip_suffix(end)) {
        Some(rest) => (rest, "; log or index beside it"),
        None => (rest, ""),
    };
    let why = match rest.strip_prefix('.').and_then(|aside| aside.rsplit_once('-')) {
        None if rest.is_empty() => "",
        Some((word, number)) if number.parse::<u32>().is_ok() => match word {
            DAMAGED => ", set aside as damaged",
            REPLACED => ", replaced by a copy",
            UNFINISHED => ", copy that was not finished",
            _ => return None,
        },
        _ => return None,
    };
    Some(Known { about: format!("{}{why}{part}", STORE.about), secret: false })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_daemon_writes_is_known_and_nothing_else_is() {
        for file in SINGLE.iter().chain([&STORE]) {
            assert_eq!(known(file.name).unwrap().about, file.about);
        }
        for (name, says) in [
            ("people.json.new", "half written"),
            ("sparkplug-plant", "last connection to plant"),
            ("sparkplug-plant.new", "half written"),
            ("store.sqlite-wal", "beside it"),
            ("store.sqlite.damaged-3", "damaged"),
            ("store.sqlite.damaged-12-wal", "beside it"),
            ("store.sqlite.replaced-1", "replaced by a copy"),
            ("store.sqlite.unfinished-4711-journal", "not finished"),
        ] {
            let known = known(name).unwrap_or_else(|| panic!("{name}"));
            assert!(known.about.contains(says), "{name}: {}", known.about);
        }
        for name in [
            "",
            "Lock",
            "lock2",
            ".new",
            "people.json.old",
            "people.json.new.new",
            "sparkplug-",
            "sparkplug-A B",
            "store.sqlite.",
            "store.sqlite.damaged-",
            "store.sqlite.damaged-x",
            "store.sqlite.mine-1",
            "store.sqlite-old",
            "store.sqlite.damaged-1-wal-wal",
            "store.sqlite.new",
            "shop.toml",
        ] {
            assert_eq!(known(name), None, "{name:?}");
        }
        assert!(KEYS.iter().all(|key| known(key.name).unwrap().secret));
    }
}
