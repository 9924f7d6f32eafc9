//! Who may do what over HTTP: people with passwords and roles, their sessions, codes that stick on machines, and the record
//! of what was let in and what was not.
//!
//! | who | shows | may |
//! | --- | --- | --- |
//! | a program of this machine | the key of the data directory | everything |
//! | a person | the cookie of a session, got for name and password | what the role says |
//! | whoever stands at a machine | the code of its sticker | write a note on that sump |
//!
//! Whoever looks needs nothing, unless the configuration asks for a login there too.

mod audit;
mod password;
mod people;
mod sessions;
mod setup;
mod stickers;

use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::model::Name;

use crate::edge::data_files::STICKER_KEY;

pub(super) use audit::{AuditLog, Deed};
pub use audit::{Broken, verify as verify_deeds};
pub use password::PasswordError;
pub(super) use password::{Hashed, Hasher, check as check_password};
pub(super) use people::PeopleError;
pub use people::{Hardness, Role, Salinity, System, Units};
pub(super) use people::{People, Person};
pub(super) use sessions::Sessions;
pub(super) use setup::Setup;
pub use stickers::Stickers;

/// Whoever makes a request, as far as the page knows.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Caller {
    /// A program that has the key.
    Program,
    /// Somebody who is logged in.
    Person {
        /// Their name.
        name: Name,
        /// What they may do.
        role: Role,
    },
    /// Somebody who stands before the machine.
    Sticker(Name),
    /// Somebody with the code for the first start.
    FirstStart,
}

impl Caller {
    /// For the record: "kim", and in brackets, which no name has, "(key)" or "(sticker of lathe-1)".
    pub(super) fn words(&self) -> String {
        match self {
            Self::Program => "(key)".to_owned(),
            Self::Person { name, .. } => name.to_string(),
            Self::Sticker(sump) => format!("(sticker of {sump})"),
            Self::FirstStart => "(code of the first start)".to_owned(),
        }
    }
}

/// Everything that is known of who may what. Lives as long as the daemon: a page that is started again knows its sessions.
pub struct Access {
    people: Mutex<People>,
    sessions: Mutex<Sessions>,
    setup: Mutex<Setup>,
    stickers: Stickers,
    audit: Mutex<AuditLog>,
    unwritten: Arc<AtomicU64>,
    hasher: Hasher,
    reads: Reads,
}

/// Who may look.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Reads {
    /// Whoever reaches the page.
    #[default]
    Open,
    /// Whoever is logged in.
    Login,
}

impl std::fmt::Debug for Access {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Access").field("reads", &self.reads).finish_non_exhaustive()
    }
}

impl Access {
    /// From a data directory; `sticker_key` signs the codes on machines.
    pub fn open(directory: &Path, sticker_key: &Secret, audit_key: &Secret, reads: Reads) -> Self {
        let people = People::open_or_nobody(directory);
        let setup = Setup::new(people.wants_first());
        let audit = AuditLog::open(directory, audit_key);
        Self {
            people: Mutex::new(people),
            sessions: Mutex::default(),
            setup: Mutex::new(setup),
            stickers: Stickers::new(sticker_key),
            unwritten: audit.unwritten(),
            audit: Mutex::new(audit),
            hasher: Hasher::default(),
            reads,
        }
    }

    /// The code of a sump's stickers, as a data directory says it without a daemon.
    ///
    /// # Errors
    /// If its people or its key cannot be read.
    pub fn sticker_code(directory: &Path, sump: &Name) -> std::io::Result<String> {
        let key = super::key::read(directory, STICKER_KEY)?;
        let voided = People::open(directory).map_err(std::io::Error::other)?.voided(sump);
        Ok(Stickers::new(&key).code(sump, voided))
    }

    /// The code that lets the first person be made, while it holds; none once there are people.
    pub fn first_code(&self) -> Option<String> {
        lock(&self.setup).code()
    }

    /// How many entries of the record of deeds could not be written since the start.
    pub fn unwritten(&self) -> u64 {
        self.unwritten.load(Ordering::Relaxed)
    }

    pub(super) fn people(&self) -> MutexGuard<'_, People> {
        lock(&self.people)
    }

    pub(super) fn sessions(&self) -> MutexGuard<'_, Sessions> {
        lock(&self.sessions)
    }

    pub(super) fn setup(&self) -> MutexGuard<'_, Setup> {
        lock(&self.setup)
    }

    pub(super) const fn stickers(&self) -> &Stickers {
        &self.stickers
    }

    pub(super) const fn hasher(&self) -> &Hasher {
        &self.hasher
    }

    pub(super) const fn reads(&self) -> Reads {
        self.reads
    }

    /// Puts a deed on record.
    pub(super) fn record(&self, deed: &Deed) {
        lock(&self.audit).write(deed);
    }
}

/// Held for a few moves; a panic of another task has left nothing half-made behind.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
pub(super) use people::tests::tempdir;
