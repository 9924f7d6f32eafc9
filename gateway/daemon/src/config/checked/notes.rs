//! Where the checks note what they find, and the small checks that many of them share.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use sumpwarden_core::model::{Name, Unit};

use super::super::in_force::Facts;
use super::super::nearest::{did_you_mean, listed};
use super::super::quantity::{Lasting, Measure, lasting_text};
use super::super::report::{Mistake, Report, Weight};
use super::super::sources::{KeyPath, Layered, path_text};
use super::secret;

/// A key by its path.
#[derive(Clone, Debug)]
pub(super) struct At(pub(super) KeyPath);

impl At {
    /// The root.
    pub(super) fn root() -> Self {
        Self(KeyPath::new())
    }

    /// The key below.
    pub(super) fn key(&self, key: &str) -> Self {
        let mut path = self.0.clone();
        path.push(key.to_owned());
        Self(path)
    }

    /// The list item below.
    pub(super) fn item(&self, index: usize) -> Self {
        self.key(&format!("#{index}"))
    }

    /// The last key that is no place in a list.
    pub(super) fn last_key(&self) -> &str {
        self.0.iter().rev().find(|part| !part.starts_with('#')).map_or("", String::as_str)
    }
}

/// The report under construction, with what is needed to place a mistake.
pub(super) struct Notes<'a> {
    pub(super) layered: &'a Layered,
    pub(super) report: &'a mut Report,
    /// Keys already complained of: their absence is no second mistake.
    pub(super) noted: BTreeSet<KeyPath>,
    /// Keys whose values nobody reads: what would stand below them is missing for a reason.
    pub(super) lost: BTreeSet<KeyPath>,
    /// Directory of the main file; relative paths start there.
    pub(super) base: PathBuf,
    /// Mistakes in what was inherited, by their places in the report, each with who inherits it from what.
    pub(super) inherited: Vec<(usize, Heir)>,
    /// What is worked out of each key, where somebody wants to know.
    pub(super) facts: Option<Facts>,
}

/// Who inherits, and from what.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct Heir {
    /// `device_type.head`, `sump_type.small-lathe`, `device.head-7`.
    pub(super) from: KeyPath,
    /// `sump.lathe-3`, `device.head-7`.
    pub(super) user: KeyPath,
}

impl Notes<'_> {
    /// Notes a mistake in a value.
    pub(super) fn wrong(&mut self, at: &At, what: impl Into<String>, cure: impl Into<String>) {
        self.note(at, Weight::Mistake, what.into(), cure.into(), None);
    }

    /// Notes a mistake between two keys.
    pub(super) fn clash(
        &mut self,
        at: &At,
        what: impl Into<String>,
        cure: impl Into<String>,
        other: (&At, &str),
    ) {
        self.note(at, Weight::Mistake, what.into(), cure.into(), Some(other));
    }

    /// Notes something that is allowed and most likely not meant.
    pub(super) fn warn(&mut self, at: &At, what: impl Into<String>, cure: impl Into<String>) {
        self.note(at, Weight::Warning, what.into(), cure.into(), None);
    }

    /// Notes something about two keys that is allowed and most likely not meant.
    pub(super) fn warn_clash(
        &mut self,
        at: &At,
        what: impl Into<String>,
        cure: impl Into<String>,
        other: (&At, &str),
    ) {
        self.note(at, Weight::Warning, what.into(), cure.into(), Some(other));
    }

    fn note(&mut self, at: &At, weight: Weight, what: String, cure: String, other: Option<(&At, &str)>) {
        let place = self.layered.value_place(&at.0);
        let other = other.map(|(at, label)| (self.layered.key_place(&at.0), label.to_owned()));
        self.noted.insert(at.0.clone());
        self.note_heir(at);
        self.report.mistakes.push(Mistake { place, weight, what, cure, other });
    }

    /// Remembers whose the next mistake is, where it lies in something inherited.
    fn note_heir(&mut self, at: &At) {
        let spots = &self.layered.spots;
        let nearest = (0..=at.0.len()).rev().map(|n| &at.0[..n]).find(|path| spots.contains_key(*path));
        if let Some(origin) = nearest.and_then(|path| self.layered.inherited.origins.get(path)) {
            let heir = Heir { from: origin[..2].to_vec(), user: at.0[..2].to_vec() };
            self.inherited.push((self.report.mistakes.len(), heir));
        }
    }

    /// The key as somebody wrote it: that of the type, where it is inherited.
    pub(super) fn written(&self, at: &At) -> KeyPath {
        self.layered.inherited.written(&at.0)
    }

    /// `sump.lathe-3.tank`, or `sump_type.small.tank` where it is inherited.
    pub(super) fn text(&self, at: &At) -> String {
        path_text(&self.written(at))
    }

    /// Whether something below or at this key is already complained of, or lies in a file that could not be read.
    pub(super) fn doubtful(&self, at: &At) -> bool {
        self.layered.partial
            || self.noted.range(at.0.clone()..).next().is_some_and(|path| path.starts_with(&at.0))
            || (1..at.0.len()).any(|n| self.lost.contains(&at.0[..n]))
    }

    /// A key that must be there.
    pub(super) fn require<T>(&mut self, table: &At, key: &str, value: Option<T>, example: &str) -> Option<T> {
        let at = table.key(key);
        if value.is_none() && !self.doubtful(&at) {
            let place = self.layered.key_place(&table.0);
            let what = match table.0.is_empty() {
                true => format!("`{key}` is missing"),
                false => format!("`{}` lacks `{key}`", self.text(table)),
            };
            let cure = format!("write {key} = {example}");
            self.note_heir(table);
            self.noted.insert(at.0);
            self.report.mistakes.push(Mistake { place, weight: Weight::Mistake, what, cure, other: None });
        }
        value
    }

    /// The entry that a name refers to.
    pub(super) fn refer<'n, T>(
        &mut self,
        at: &At,
        table: &str,
        name: &str,
        mut names: impl Iterator<Item = (&'n str, T)>,
    ) -> Option<T> {
        let mut seen = Vec::new();
        let found = names.find_map(|(candidate, value)| {
            seen.push(candidate);
            (candidate == name).then_some(value)
        });
        if found.is_none() && !self.doubtful(&At::root().key(table)) {
            let cure = match seen.is_empty() {
                true => format!("add a table [{table}.{}]", Name::new(name).map_or("NAME", |_| name)),
                false => format!("{}there is: {}", did_you_mean(name, seen.iter().copied()), listed(&seen)),
            };
            self.wrong(
                at,
                format!("there is no {table} \"{}\"", super::super::reader::shortened(name)),
                cure,
            );
        }
        found
    }

    /// A number in `unit`; a number without a unit is taken to be in it where `bare` says so.
    pub(super) fn in_unit(&mut self, at: &At, measure: &Measure, unit: Unit, bare: bool) -> Option<f64> {
        let example = format!(
            "write it in {0} or a unit that turns into it, as in \"{1} {0}\"",
            unit.ucum(),
            measure.value
        );
        match measure.unit {
            None if bare => Some(measure.value),
            None => {
                self.wrong(at, format!("`{}` of `{}` has no unit", measure.value, at.last_key()), example);
                None
            }
            Some(from) => {
                let value = from.convert(measure.value, unit);
                if value.is_none() {
                    let what = format!("the unit `{}` does not fit `{}`", from.ucum(), self.text(at));
                    self.wrong(at, what, example);
                }
                value
            }
        }
    }

    /// A length in mm, with a unit in the file, from `least` to 100 m.
    pub(super) fn length(&mut self, at: &At, measure: &Measure, least: f64) -> Option<f64> {
        let mm = self.in_unit(at, measure, Unit::Millimetre, false)?;
        self.within(at, mm, (least, 100_000.0), "mm")
    }

    /// A number from `range.0` to `range.1`.
    pub(super) fn within(&mut self, at: &At, value: f64, range: (f64, f64), unit: &str) -> Option<f64> {
        self.range(at, (number(range.0), number(range.1)));
        if (range.0..=range.1).contains(&value) {
            return Some(value);
        }
        let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
        let what = format!("`{}` is {}{unit}", at.last_key(), number(value));
        self.wrong(at, what, format!("it lies from {} to {}{unit}", number(range.0), number(range.1)));
        None
    }

    /// A length of time from `range.0` to `range.1`, or the default where nothing is written.
    pub(super) fn time(
        &mut self,
        table: &At,
        key: &str,
        value: Option<Lasting>,
        default: Duration,
        range: (Duration, Duration),
    ) -> Duration {
        self.range(&table.key(key), (lasting_text(range.0), lasting_text(range.1)));
        self.default(table, key, value.is_some(), format_args!("\"{}\"", lasting_text(default)));
        let Some(Lasting(time)) = value else { return default };
        if (range.0..=range.1).contains(&time) {
            return time;
        }
        let cure = format!("it lies from {} to {}", lasting_text(range.0), lasting_text(range.1));
        self.wrong(&table.key(key), format!("`{key}` is {}", lasting_text(time)), cure);
        default
    }

    /// Records what a key is where nothing is written, as it would be written.
    pub(super) fn default(&mut self, table: &At, key: &str, written: bool, value: impl std::fmt::Display) {
        if let (Some(facts), false) = (&mut self.facts, written) {
            facts.entry(table.key(key).0).or_default().default = Some(value.to_string());
        }
    }

    /// Records from where to where a key goes.
    fn range(&mut self, at: &At, range: (String, String)) {
        if let Some(facts) = &mut self.facts {
            facts.entry(at.0.clone()).or_default().range = Some(range);
        }
    }

    /// A PEM file that must be there.
    pub(super) fn pem_file(&mut self, at: &At, text: &str) -> String {
        let Some(path) = secret::place(self, at, text) else { return text.to_owned() };
        if !path.is_file() {
            let cure = "name a PEM file that this user may read";
            self.wrong(at, format!("there is no file {}", path.display()), cure);
        }
        path.display().to_string()
    }

    /// A path in the file: relative ones start at the main file's directory.
    pub(super) fn path(&self, text: &str) -> PathBuf {
        self.base.join(Path::new(text))
    }
}

/// An error text of the form "what; cure" in its two parts.
pub(super) fn note_two_parts(notes: &mut Notes<'_>, at: &At, error: &str) {
    let (what, cure) = error.split_once("; ").unwrap_or((error, "see the example configuration"));
    notes.wrong(at, what, cure);
}

/// A checked name: every key was read as one.
pub(super) fn name(key: &str) -> Name {
    Name::new(key).expect("every key was checked to be a name when its file was read")
}

/// A number as people write it.
pub(super) fn number(value: f64) -> String {
    let rounded = (value * 1e6).round() / 1e6;
    format!("{}", if rounded == 0.0 { 0.0 } else { rounded })
}
