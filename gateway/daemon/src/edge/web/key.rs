//! Keys the daemon makes for itself, 256 bits from the system each, in files that only its user can read: one that lets a
//! program hand something in (notes, orders about alarms), one that links in messages are signed with, one for the codes on
//! machines, one that seals the record of deeds.

use std::fs::File;
use std::io::{self, Read};
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use ring::hmac;
use ring::rand::{SecureRandom, SystemRandom};
use sumpwarden_core::acquire::settings::Secret;

use crate::edge::data_files::DataFile;
use crate::edge::hex::hex;
use crate::edge::small_file;

/// Bytes of the key; the file holds them in hexadecimal.
const KEY_BYTES: usize = 32;
/// Largest file that is read for a key.
const FILE_BYTES_MAX: u64 = 1024;

/// A key in a data directory, made if there is none.
///
/// # Errors
/// If it cannot be made or read, or if others can read it.
pub fn open_or_make(directory: &Path, key: DataFile) -> io::Result<Secret> {
    match read(directory, key) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            small_file::put(&key.of(directory), format!("{}\n", draw()?).as_bytes())?;
            read(directory, key)
        }
        found => found,
    }
}

/// A key for this run only, where the data directory cannot be written.
///
/// # Errors
/// If the system gives no random numbers.
pub fn passing() -> io::Result<Secret> {
    Ok(Secret::new(draw()?))
}

/// A key in a data directory.
///
/// # Errors
/// If it cannot be read, or if others can read it.
pub fn read(directory: &Path, key: DataFile) -> io::Result<Secret> {
    let path = key.of(directory);
    let meta = std::fs::symlink_metadata(&path)?;
    if !meta.is_file() || meta.mode() & 0o077 != 0 {
        let what =
            "is no plain file that only its owner can read: delete it, and the daemon makes another one";
        return Err(io::Error::new(io::ErrorKind::InvalidData, what));
    }
    let mut text = String::new();
    File::open(&path)?.take(FILE_BYTES_MAX).read_to_string(&mut text)?;
    let key = text.trim();
    if key.len() < 2 * KEY_BYTES {
        let what = "holds no key: delete it, and the daemon makes another one";
        return Err(io::Error::new(io::ErrorKind::InvalidData, what));
    }
    Ok(Secret::new(key.to_owned()))
}

fn draw() -> io::Result<String> {
    Ok(hex(&random::<KEY_BYTES>()?))
}

/// Bytes that nobody can guess.
///
/// # Errors
/// If the system gives none.
pub(super) fn random<const N: usize>() -> io::Result<[u8; N]> {
    let mut bytes = [0; N];
    let failed = |_| io::Error::other("the system gives no random numbers");
    SystemRandom::new().fill(&mut bytes).map_err(failed)?;
    Ok(bytes)
}

/// Knows the key without comparing it byte by byte: how long a comparison takes says nothing of how far a guess agrees.
pub(super) struct Lock {
    key: hmac::Key,
    tag: hmac::Tag,
}

impl Lock {
    /// Opened by `secret`.
    ///
    /// # Errors
    /// If the system gives no random numbers.
    pub(super) fn new(secret: &Secret) -> io::Result<Self> {
        let key = hmac::Key::generate(hmac::HMAC_SHA256, &SystemRandom::new())
            .map_err(|_| io::Error::other("the system gives no random numbers"))?;
        let tag = hmac::sign(&key, secret.reveal().as_bytes());
        Ok(Self { key, tag })
    }

    /// Whether `guess` is the key. Both are hashed under a key of this run and the hashes compared in constant time.
    pub(super) fn opens(&self, guess: &str) -> bool {
        hmac::verify(&self.key, guess.as_bytes(), self.tag.as_ref()).is_ok()
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;
    use crate::edge::data_files::{LINK_KEY, NOTE_KEY};

    #[test]
    fn a_key_is_made_once_for_its_owner_only() {
        let directory = std::env::temp_dir().join(format!("sumpwarden-note-key-{}", std::process::id()));
        std::fs::create_dir_all(&directory).unwrap();
        let first = open_or_make(&directory, NOTE_KEY).unwrap();
        assert_eq!(first.reveal().len(), 64);
        assert_eq!(open_or_make(&directory, NOTE_KEY).unwrap(), first, "the same at the next start");
        assert_ne!(open_or_make(&directory, LINK_KEY).unwrap(), first, "each its own");
        let path = NOTE_KEY.of(&directory);
        assert_eq!(std::fs::metadata(&path).unwrap().mode() & 0o7777, 0o600);
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o640)).unwrap();
        assert!(open_or_make(&directory, NOTE_KEY).is_err(), "others may have read it");
        std::fs::remove_file(&path).unwrap();
        assert_ne!(open_or_make(&directory, NOTE_KEY).unwrap(), first, "no two are the same");
        std::fs::remove_dir_all(&directory).unwrap();
    }

    #[test]
    fn only_the_whole_key_opens() {
        let lock = Lock::new(&Secret::new("a".repeat(64))).unwrap();
        assert!(lock.opens(&"a".repeat(64)));
        for guess in [String::new(), "a".repeat(63), "a".repeat(65), "b".repeat(64)] {
            assert!(!lock.opens(&guess), "{guess}");
        }
    }
}
