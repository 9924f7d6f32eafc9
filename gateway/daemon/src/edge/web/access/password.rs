//! Passwords: which are taken, how they are kept, how they are compared.
//!
//! Argon2id with 19 MiB, two passes, one lane (OWASP's first choice for logins). A hash takes tenths of a second of a core, so it
//! runs beside the page's tasks and at most two at once: whoever sends passwords by the thousand waits, and no poll does.

use std::sync::Arc;

use argon2::{Algorithm, Argon2, Params, Version};
use serde::{Deserialize, Serialize};
use sumpwarden_core::acquire::settings::Secret;
use tokio::sync::Semaphore;

use crate::edge::hex::hex;
use crate::edge::web::key::{Lock, random};

/// Fewest characters (NIST SP 800-63B).
const CHARS_MIN: usize = 8;
/// Most bytes: far over any passphrase, far under what would cost time to hash.
const BYTES_MAX: usize = 512;
/// Memory of a hash, KiB.
const MEMORY_KIB: u32 = 19 * 1024;
const PASSES: u32 = 2;
const LANES: u32 = 1;
const BYTES: usize = 32;
const SALT_BYTES: usize = 16;
/// Passwords that are found within so many guesses are refused: they stand at the head of every list.
const GUESSES_MIN: u64 = 10_000;
/// Hashes at once.
const AT_ONCE: usize = 2;

/// A password as it is kept: what it was hashed with, and what came out.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(in super::super) struct Hashed {
    memory_kib: u32,
    passes: u32,
    lanes: u32,
    /// Hexadecimal.
    salt: String,
    /// Hexadecimal.
    hash: String,
}

/// Why a password is not taken.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum PasswordError {
    /// Too few characters.
    #[error("the password is too short: take at least {CHARS_MIN} characters; three or four words are good")]
    Short,
    /// Too many bytes.
    #[error("the password is too long: take at most {BYTES_MAX} bytes")]
    Long,
    /// One of the first that anybody tries.
    #[error(
        "the password is among the first ones that anybody tries; three or four words that do not belong together are good"
    )]
    Common,
    /// The system gives no random numbers, or no memory.
    #[error("the system cannot hash a password now; try again")]
    System,
}

/// Whether a password may be taken by somebody of this name.
///
/// # Errors
/// Why not.
pub(in super::super) fn check(password: &str, name: &str) -> Result<(), PasswordError> {
    if password.chars().count() < CHARS_MIN {
        return Err(PasswordError::Short);
    }
    if password.len() > BYTES_MAX {
        return Err(PasswordError::Long);
    }
    let guesses = zxcvbn::zxcvbn(password, &[name, "sumpwarden", "coolant"]).guesses();
    if guesses < GUESSES_MIN { Err(PasswordError::Common) } else { Ok(()) }
}

/// Hashes passwords, two at a time.
pub(in super::super) struct Hasher {
    places: Arc<Semaphore>,
}

impl Default for Hasher {
    fn default() -> Self {
        Self { places: Arc::new(Semaphore::new(AT_ONCE)) }
    }
}

impl Hasher {
    /// A new password as it is kept.
    ///
    /// # Errors
    /// If the system gives no random numbers.
    pub(in super::super) async fn hash(&self, password: Secret) -> Result<Hashed, PasswordError> {
        let salt = hex(&random::<SALT_BYTES>().map_err(|_| PasswordError::System)?);
        let fresh =
            Hashed { memory_kib: MEMORY_KIB, passes: PASSES, lanes: LANES, salt, hash: String::new() };
        let hash = self.run(fresh.clone(), password).await.ok_or(PasswordError::System)?;
        Ok(Hashed { hash, ..fresh })
    }

    /// Whether `password` is the kept one. Where there is none, the same work is done for nothing: how long an answer takes says
    /// nothing of whether the name is known.
    pub(in super::super) async fn verify(&self, kept: Option<Hashed>, password: Secret) -> bool {
        let nobody = || Hashed {
            memory_kib: MEMORY_KIB,
            passes: PASSES,
            lanes: LANES,
            salt: "0".repeat(2 * SALT_BYTES),
            hash: String::new(),
        };
        let known = kept.is_some();
        let kept = kept.unwrap_or_else(nobody);
        let expected = kept.hash.clone();
        let Some(found) = self.run(kept, password).await else { return false };
        known && Lock::new(&Secret::new(expected)).is_ok_and(|lock| lock.opens(&found))
    }

    async fn run(&self, with: Hashed, password: Secret) -> Option<String> {
        let place = Arc::clone(&self.places).acquire_owned().await.ok()?;
        // The place is held until the hash is done, also where whoever asked has gone meanwhile.
        let hash = move || {
            let _place = place;
            with.of(password.reveal())
        };
        tokio::task::spawn_blocking(hash).await.ok().flatten()
    }
}

impl Hashed {
    /// What `password` comes to under these parameters and this salt, hexadecimal.
    fn of(&self, password: &str) -> Option<String> {
        let params = Params::new(self.memory_kib, self.passes, self.lanes, Some(BYTES)).ok()?;
        let mut out = [0; BYTES];
        let argon = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
        argon.hash_password_into(password.as_bytes(), self.salt.as_bytes(), &mut out).ok()?;
        Some(hex(&out))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_anybody_tries_first_is_refused_and_long_words_are_not_asked_for_digits() {
        for (password, refused) in [
            ("short", Some(PasswordError::Short)),
            ("password1", Some(PasswordError::Common)),
            ("qwertyuiop", Some(PasswordError::Common)),
            ("kimkimkim", Some(PasswordError::Common)),
            ("sumpwarden", Some(PasswordError::Common)),
            ("harbour lantern gravel", None),
            ("пароль станка номер", None),
        ] {
            assert_eq!(check(password, "kim").err(), refused, "{password}");
        }
        assert_eq!(check(&"a b c ".repeat(100), "kim").err(), Some(PasswordError::Long));
    }

    #[tokio::test]
    async fn only_the_password_itself_is_the_password() {
        let hasher = Hasher::default();
        let secret = |text: &str| Secret::new(text.to_owned());
        let kept = hasher.hash(secret("harbour lantern gravel")).await.unwrap();
        assert!(hasher.verify(Some(kept.clone()), secret("harbour lantern gravel")).await);
        assert!(!hasher.verify(Some(kept.clone()), secret("harbour lantern gravem")).await);
        assert!(!hasher.verify(None, secret("")).await, "nobody has no password");
        let again = hasher.hash(secret("harbour lantern gravel")).await.unwrap();
        assert_ne!(again, kept, "each with its own salt");
    }

    /// RFC 9106, section 5.3 is with a secret and associated data; this one is the Argon2id test of the reference
    /// implementation (m = 65536 KiB, t = 2, p = 1, "password", "somesalt"), from memory.
    #[test]
    fn the_hash_is_the_published_one() {
        let with = Hashed {
            memory_kib: 65536,
            passes: 2,
            lanes: 1,
            salt: "somesalt".to_owned(),
            hash: String::new(),
        };
        let expected = "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7";
        assert_eq!(with.of("password").as_deref(), Some(expected));
    }
}
