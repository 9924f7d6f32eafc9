//! A small durable record of starts and how they ended, and what follows from it: whether the next start leaves away what
//! is not vital.
//!
//! Only crashes of this program count, written down as they happen. A start whose end is not written down was killed, or
//! the power was cut: that says nothing of the program.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::{Deserialize, Serialize};
use sumpwarden_core::model::{KeptAt, Now};

use crate::edge::data_files::STARTS;
use crate::edge::small_file;

/// Starts that are remembered.
const KEPT: usize = 12;
/// So many crashes of starts within [`CRASHES_WITHIN`] make the next one reduced (common practice, no source).
const CRASHES_MAX: usize = 3;
const CRASHES_WITHIN: Duration = Duration::from_mins(10);

/// How a run ended.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum End {
    /// It was told to stop, or ended reduced running by itself.
    Clean,
    /// By a panic, or by the watchdog; with what was said.
    Crashed(String),
}

#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
struct Start {
    at: KeptAt,
    #[serde(default)]
    reduced: bool,
    #[serde(default)]
    end: Option<End>,
}

/// Starts, oldest first.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
struct Starts(Vec<Start>);

impl Starts {
    /// Why a start at `now` is to be reduced; none if it is not.
    fn reduced_because(&self, now: Now) -> Option<String> {
        let mut crashes = 0;
        let mut cause = None;
        let mut unbroken = true;
        for start in self.0.iter().rev() {
            match &start.end {
                Some(End::Clean) => break,
                None => unbroken = false,
                Some(End::Crashed(why)) => {
                    crashes += usize::from(start.at.passed(now) <= CRASHES_WITHIN);
                    let last = cause.get_or_insert(why);
                    // One that crashed while it was reduced already is no proof that the whole would run.
                    if crashes >= CRASHES_MAX || (start.reduced && unbroken) {
                        return Some(last.clone());
                    }
                    unbroken = false;
                }
            }
        }
        None
    }

    fn begin(&mut self, now: Now, reduced: bool) {
        self.0.push(Start { at: KeptAt::of(now), reduced, end: None });
        let excess = self.0.len().saturating_sub(KEPT);
        self.0.drain(..excess);
    }

    /// The first end is the one that counts: what follows a crash is its consequence.
    fn end(&mut self, end: End) -> bool {
        match self.0.last_mut() {
            Some(Start { end: open @ None, .. }) => {
                *open = Some(end);
                true
            }
            _ => false,
        }
    }
}

/// The record of a data directory, with this start in it.
#[derive(Debug)]
pub(super) struct Record {
    directory: PathBuf,
    starts: Starts,
}

impl Record {
    /// Writes a start down; gives why it is reduced, if it is. The directory belongs to this process. A record that cannot
    /// be read is begun anew; one that cannot be written is told in the log and does not stop anything.
    pub(super) fn begin(directory: &Path, now: Now) -> (Self, Option<String>) {
        let path = STARTS.of(directory);
        let starts = match fs::read(&path) {
            Ok(bytes) => serde_json::from_slice(&bytes).unwrap_or_else(|error| {
                tracing::warn!(file = %path.display(), %error, "the record of starts cannot be read; begun anew");
                Starts::default()
            }),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Starts::default(),
            Err(error) => {
                tracing::warn!(file = %path.display(), %error, "the record of starts cannot be read; begun anew");
                Starts::default()
            }
        };
        let mut record = Self { directory: directory.to_owned(), starts };
        let because = record.starts.reduced_because(now);
        record.starts.begin(now, because.is_some());
        record.write();
        (record, because)
    }

    /// Writes down how this run ends, durably.
    pub(super) fn end(&mut self, end: End) {
        if self.starts.end(end) {
            self.write();
        }
    }

    fn write(&self) {
        if let Err(error) = self.try_write() {
            tracing::warn!(%error, "the record of starts cannot be written");
        }
    }

    fn try_write(&self) -> io::Result<()> {
        small_file::put(&STARTS.of(&self.directory), &serde_json::to_vec(&self.starts)?)
    }
}

#[cfg(test)]
mod tests {
    use sumpwarden_core::model::Timestamp;

    use super::*;

    fn at(second: u64) -> Now {
        Now::simulated(Timestamp::from_millis(1_800_000_000_000 + 1_000 * second as i64))
    }

    /// Starts by second, whether reduced, and end: `c` clean, `x` crashed, `?` not written down.
    fn starts(of: &[(u64, bool, char)]) -> Starts {
        let end = |what, second| match what {
            'c' => Some(End::Clean),
            'x' => Some(End::Crashed(format!("crash of {second}"))),
            _ => None,
        };
        Starts(
            of.iter()
                .map(|&(second, reduced, what)| Start {
                    at: KeptAt::of(at(second)),
                    reduced,
                    end: end(what, second),
                })
                .collect(),
        )
    }

    #[test]
    fn three_crashes_within_ten_minutes_and_nothing_else_make_a_start_reduced() {
        let full = false;
        for (of, now, because) in [
            (&[][..], 0, None),
            (&[(0, full, 'x'), (60, full, 'x')], 70, None),
            (&[(0, full, 'x'), (60, full, 'x'), (70, full, 'x')], 80, Some("crash of 70")),
            (&[(0, full, 'x'), (60, full, 'x'), (70, full, 'x')], 601, None),
            (&[(0, full, '?'), (60, full, '?'), (70, full, '?')], 80, None),
            (&[(0, full, 'x'), (60, full, '?'), (70, full, 'x'), (75, full, 'x')], 80, Some("crash of 75")),
            (&[(0, full, 'x'), (60, full, 'c'), (70, full, 'x'), (75, full, 'x')], 80, None),
            (&[(0, full, 'x'), (60, full, 'x'), (70, full, 'x'), (75, true, 'c')], 80, None),
            (&[(0, full, 'x'), (60, full, 'x'), (70, full, 'x'), (75, true, '?')], 80, Some("crash of 70")),
            (&[(0, full, 'x'), (60, full, 'x'), (70, full, 'x'), (75, true, '?')], 900, None),
            (&[(70, full, 'x'), (75, true, 'x')], 3_000, Some("crash of 75")),
        ] {
            assert_eq!(starts(of).reduced_because(at(now)).as_deref(), because, "{of:?} at {now}");
        }
    }

    #[test]
    fn what_happens_is_found_again_and_only_the_first_end_counts() {
        let place = std::env::temp_dir().join(format!("sumpwarden-starts-{}", std::process::id()));
        fs::create_dir_all(&place).expect("a temporary directory");
        for second in 0..3 {
            let (mut record, because) = Record::begin(&place, at(second));
            assert_eq!(because, None, "start {second}");
            record.end(End::Crashed("it broke".to_owned()));
            record.end(End::Clean);
        }
        let (mut record, because) = Record::begin(&place, at(3));
        assert_eq!(because.as_deref(), Some("it broke"));
        record.end(End::Clean);
        assert_eq!(Record::begin(&place, at(4)).1, None, "a clean end is a new beginning");
        for second in 5..40 {
            Record::begin(&place, at(second));
        }
        assert_eq!(Record::begin(&place, at(40)).0.starts.0.len(), KEPT);
        fs::write(STARTS.of(&place), "{").expect("written");
        assert_eq!(Record::begin(&place, at(41)).0.starts.0.len(), 1, "a damaged one is begun anew");
        fs::remove_dir_all(&place).expect("removed");
    }
}
