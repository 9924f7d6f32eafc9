//! The people who may do more than look: name, role, password, the units they read in. Kept in one file of the data directory
//! that only its user can read.

use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sumpwarden_core::model::Name;

use super::password::Hashed;
use crate::edge::data_files::PEOPLE;
use crate::edge::small_file;

/// Most people: a shop's, with room.
const PEOPLE_MAX: usize = 200;
/// Largest file that is read.
const FILE_BYTES_MAX: u64 = 1 << 20;
/// Layout of the file.
const VERSION: u32 = 1;

/// What somebody may do; each may what those before it may.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Look.
    Look,
    /// Write notes, calibrate, see to alarms.
    Log,
    /// Take alarms out of service, make and change people, void stickers.
    Manage,
}

/// Litres or gallons, degrees Celsius or Fahrenheit.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum System {
    /// L, °C, mm.
    #[default]
    Metric,
    /// US gal, °F, in.
    Us,
}

/// How hardness is told.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Hardness {
    /// mg/L as CaCO3.
    #[default]
    MgL,
    /// German degrees, °dH.
    Dh,
    /// French degrees, °fH.
    Fh,
    /// Grains a US gallon.
    Gpg,
}

/// How conductivity is told.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Salinity {
    /// µS/cm.
    #[default]
    UsCm,
    /// mS/cm.
    MsCm,
}

/// The units somebody reads and writes in.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Units {
    /// Volumes, temperatures, lengths.
    #[serde(default)]
    pub system: System,
    /// Hardness.
    #[serde(default)]
    pub hardness: Hardness,
    /// Conductivity.
    #[serde(default)]
    pub conductivity: Salinity,
}

/// One person.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(in super::super) struct Person {
    pub(in super::super) name: Name,
    pub(in super::super) role: Role,
    pub(in super::super) units: Units,
    pub(in super::super) password: Hashed,
}

/// What the file holds.
#[derive(Debug, Serialize, Deserialize)]
struct Kept {
    version: u32,
    people: Vec<Person>,
    /// How often the stickers of a sump were made void.
    #[serde(default)]
    stickers: std::collections::BTreeMap<Name, u32>,
}

/// Why people cannot be read or changed.
#[derive(Debug, thiserror::Error)]
pub(in super::super) enum PeopleError {
    /// The file.
    #[error("the file of people {path}: {why}", path = path.display())]
    File {
        /// Where.
        path: PathBuf,
        /// Why.
        why: io::Error,
    },
    /// Somebody of that name is there already.
    #[error("there is somebody of that name already")]
    Taken,
    /// Nobody is.
    #[error("there is nobody of that name")]
    Nobody,
    /// Nobody would be left who may manage.
    #[error("they are the last one who may manage; make another one first")]
    LastManager,
    /// Too many.
    #[error("there are {PEOPLE_MAX} people already; take somebody out first")]
    Full,
}

/// Everybody.
#[derive(Debug)]
pub(in super::super) struct People {
    path: PathBuf,
    kept: Kept,
    /// There is a file that cannot be read: nobody can log in, and it is not written over.
    unreadable: bool,
}

impl People {
    /// From the file; nobody where there is none.
    ///
    /// # Errors
    /// If there is one that cannot be read.
    pub(in super::super) fn open(directory: &Path) -> Result<Self, PeopleError> {
        let path = PEOPLE.of(directory);
        let kept = match File::open(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                Kept { version: VERSION, people: Vec::new(), stickers: Default::default() }
            }
            Err(why) => return Err(PeopleError::File { path, why }),
            Ok(file) => match read(file) {
                Ok(kept) => kept,
                Err(why) => return Err(PeopleError::File { path, why }),
            },
        };
        Ok(Self { path, kept, unreadable: false })
    }

    /// The same, with nobody where the file cannot be read. It stays as it is for somebody to look at.
    pub(in super::super) fn open_or_nobody(directory: &Path) -> Self {
        Self::open(directory).unwrap_or_else(|error| {
            tracing::error!(%error, "nobody can log in: put the file right or move it away, and start the daemon again");
            let kept = Kept { version: VERSION, people: Vec::new(), stickers: Default::default() };
            Self { path: PEOPLE.of(directory), kept, unreadable: true }
        })
    }

    /// Whether the first person may be made.
    pub(in super::super) fn wants_first(&self) -> bool {
        self.is_empty() && !self.unreadable
    }

    pub(in super::super) fn is_empty(&self) -> bool {
        self.kept.people.is_empty()
    }

    pub(in super::super) fn all(&self) -> &[Person] {
        &self.kept.people
    }

    pub(in super::super) fn find(&self, name: &str) -> Option<&Person> {
        self.kept.people.iter().find(|person| person.name.as_str() == name)
    }

    /// One more.
    ///
    /// # Errors
    /// If the name is taken, or the file cannot be written; then nothing has changed.
    pub(in super::super) fn add(&mut self, person: Person) -> Result<(), PeopleError> {
        if self.find(person.name.as_str()).is_some() {
            return Err(PeopleError::Taken);
        }
        if self.kept.people.len() >= PEOPLE_MAX {
            return Err(PeopleError::Full);
        }
        let mut people = self.kept.people.clone();
        people.push(person);
        self.replace(people)
    }

    /// Somebody changed by `change`.
    ///
    /// # Errors
    /// If there is nobody, nobody is left to manage, or the file cannot be written; then nothing has changed.
    pub(in super::super) fn change(
        &mut self,
        name: &str,
        change: impl FnOnce(&mut Person),
    ) -> Result<(), PeopleError> {
        let mut people = self.kept.people.clone();
        let person = people.iter_mut().find(|person| person.name.as_str() == name);
        change(person.ok_or(PeopleError::Nobody)?);
        self.replace_managed(people)
    }

    /// Without somebody.
    ///
    /// # Errors
    /// As for [`Self::change`].
    pub(in super::super) fn remove(&mut self, name: &str) -> Result<(), PeopleError> {
        self.find(name).ok_or(PeopleError::Nobody)?;
        let others = self.kept.people.iter().filter(|person| person.name.as_str() != name);
        self.replace_managed(others.cloned().collect())
    }

    /// How often the stickers of a sump were made void.
    pub(in super::super) fn voided(&self, sump: &Name) -> u32 {
        self.kept.stickers.get(sump).copied().unwrap_or(0)
    }

    /// Makes the stickers of a sump void.
    ///
    /// # Errors
    /// If the file cannot be written; then they still hold.
    pub(in super::super) fn void(&mut self, sump: &Name) -> Result<(), PeopleError> {
        let before = self.voided(sump);
        self.kept.stickers.insert(sump.clone(), before + 1);
        self.save().inspect_err(|_| {
            self.kept.stickers.insert(sump.clone(), before);
        })
    }

    fn replace_managed(&mut self, people: Vec<Person>) -> Result<(), PeopleError> {
        if !people.iter().any(|person| person.role == Role::Manage) {
            return Err(PeopleError::LastManager);
        }
        self.replace(people)
    }

    fn replace(&mut self, people: Vec<Person>) -> Result<(), PeopleError> {
        let before = std::mem::replace(&mut self.kept.people, people);
        self.save().inspect_err(|_| self.kept.people = before)
    }

    fn save(&self) -> Result<(), PeopleError> {
        let text = serde_json::to_vec_pretty(&self.kept).expect("texts and numbers always serialise");
        let unread = || io::Error::new(io::ErrorKind::InvalidData, "there is one that cannot be read");
        let put = if self.unreadable { Err(unread()) } else { small_file::put(&self.path, &text) };
        put.map_err(|why| PeopleError::File { path: self.path.clone(), why })
    }
}

fn read(file: File) -> io::Result<Kept> {
    let mut text = Vec::new();
    file.take(FILE_BYTES_MAX).read_to_end(&mut text)?;
    let kept: Kept = serde_json::from_slice(&text)
        .map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error.to_string()))?;
    if kept.version == VERSION {
        return Ok(kept);
    }
    let what = format!("it has layout {}, this program knows {VERSION}: start a newer one", kept.version);
    Err(io::Error::new(io::ErrorKind::InvalidData, what))
}

#[cfg(test)]
pub(in super::super) mod tests {
    use std::os::unix::fs::MetadataExt;

    use super::*;

    fn person(name: &str, role: Role) -> Person {
        let password = serde_json::from_value(serde_json::json!({
            "memory_kib": 8, "passes": 1, "lanes": 1, "salt": "00", "hash": "00"
        }));
        Person { name: Name::new(name).unwrap(), role, units: Units::default(), password: password.unwrap() }
    }

    #[test]
    fn people_are_there_at_the_next_start_and_their_file_is_nobody_elses() {
        let directory = tempdir("people");
        let mut people = People::open(&directory).unwrap();
        assert!(people.is_empty());
        people.add(person("kim", Role::Manage)).unwrap();
        people.add(person("ada", Role::Log)).unwrap();
        assert!(matches!(people.add(person("kim", Role::Look)), Err(PeopleError::Taken)));
        people.void(&Name::new("lathe-1").unwrap()).unwrap();
        let again = People::open(&directory).unwrap();
        assert_eq!(again.all(), people.all());
        assert_eq!(again.voided(&Name::new("lathe-1").unwrap()), 1);
        let mode = std::fs::metadata(PEOPLE.of(&directory)).unwrap().mode();
        assert_eq!(mode & 0o7777, 0o600);
        std::fs::remove_dir_all(&directory).unwrap();
    }

    #[test]
    fn somebody_who_may_manage_is_always_left() {
        let directory = tempdir("managers");
        let mut people = People::open(&directory).unwrap();
        people.add(person("kim", Role::Manage)).unwrap();
        people.add(person("ada", Role::Log)).unwrap();
        assert!(matches!(people.remove("kim"), Err(PeopleError::LastManager)));
        let demoted = people.change("kim", |person| person.role = Role::Look);
        assert!(matches!(demoted, Err(PeopleError::LastManager)));
        assert!(matches!(people.remove("eve"), Err(PeopleError::Nobody)));
        people.change("ada", |person| person.role = Role::Manage).unwrap();
        people.remove("kim").unwrap();
        assert_eq!(people.all().len(), 1);
        std::fs::remove_dir_all(&directory).unwrap();
    }

    #[test]
    fn a_file_that_cannot_be_read_is_named_and_left_alone() {
        let directory = tempdir("unread");
        for text in ["{", r#"{"version": 9, "people": []}"#] {
            std::fs::write(PEOPLE.of(&directory), text).unwrap();
            let error = People::open(&directory).unwrap_err().to_string();
            assert!(error.contains("people.json"), "{error}");
            let mut nobody = People::open_or_nobody(&directory);
            assert!(
                !nobody.wants_first()
                    && nobody.add(person("kim", Role::Manage)).is_err()
                    && nobody.is_empty()
            );
            assert_eq!(std::fs::read_to_string(PEOPLE.of(&directory)).unwrap(), text);
        }
        std::fs::remove_dir_all(&directory).unwrap();
    }

    pub(in super::super::super) fn tempdir(what: &str) -> PathBuf {
        let path = std::env::temp_dir().join(format!("sumpwarden-access-{what}-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).unwrap();
        path
    }
}
