//! What is due on a sump by its test plan: what people noted and when, into what to check today, this week, and overdue.
//!
//! - A [`Check`] is due for the whole of a day, so many days after the day it was last done, and overdue once that day is
//!   over. Checks that come more often than weekly fall due on working days only. What was never done is due so many days
//!   after it was first asked for: a new check is not overdue on its first day.
//! - **Days are counted on the plan's own clock.** It begins with UTC and then follows the monotonic one, so that a set
//!   clock neither raises nor takes back an alarm; after a restart it goes on from where it stood by the UTC passed. A
//!   note's own time is turned into that clock by its age. Days are days of UTC.
//! - A probe that reads a quantity all the time does not replace the weekly check by hand, because electrodes foul fast
//!   (DGUV Regel 109-003, 7.1); a shop that wants it to may say so (`by_probe`).
//! - A note older than the last of its check changes nothing here; it stands in the journal.
//!
//! What a result means is [`verdict`]'s to know. When somebody is told of an overdue check is not known here.

mod kept;
pub mod settings;
#[cfg(test)]
mod tests;
pub mod verdict;
pub mod view;

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::estimate::note::{Note, NoteKind};
use crate::model::{KeptAt, Line, Name, Now, ProbeIndex, Timestamp};
use settings::{CheckSettings, PlanSettings};
use verdict::NITRITE_LOW_MG_L;

/// Nanoseconds of a day.
const DAY_NS: i64 = 86_400_000_000_000;

/// Notes remembered of each sump, to know one that comes twice. Brokers redeliver what was in flight: 20 messages with
/// mosquitto's own setting, 100 with others, of all sumps together.
const RECENT_MAX: usize = 100;

macro_rules! checks {
    ($($(#[$doc:meta])* $variant:ident $word:literal $noun:literal [$($kind:ident)*];)+) => {
        /// What a test plan may ask for. Words are those of the configuration.
        #[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
        pub enum Check { $($(#[$doc])* $variant,)+ }

        impl Check {
            /// Every one.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// Stable word.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            /// What people call it.
            pub const fn noun(self) -> &'static str {
                match self { $(Self::$variant => $noun,)+ }
            }

            /// Kinds of notes that do it.
            pub const fn done_by(self) -> &'static [NoteKind] {
                match self { $(Self::$variant => &[$(NoteKind::$kind,)*],)+ }
            }
        }
    };
}

checks! {
    /// Look and smell. Whoever grades a smell or an oil layer has looked.
    Look "look" "look and smell" [Inspected OilLayer Odour Foam Growth Discolouring Residue Splitting];
    /// Concentration by refractometer or titration.
    Concentration "concentration" "concentration" [ConcentrationPercent Brix];
    /// pH by strip or hand meter.
    Ph "ph" "pH by hand" [Ph];
    /// Nitrite in the fluid.
    Nitrite "nitrite" "nitrite" [Nitrite];
    /// Dip slide.
    DipSlide "dip_slide" "dip slide" [DipSlide];
    /// Tramp oil, measured or graded.
    TrampOil "tramp_oil" "tramp oil" [TrampOil OilLayer];
    /// Hardness of the make-up water.
    MakeupHardness "makeup_hardness" "hardness of the make-up water" [MakeupHardness];
    /// Nitrate in the make-up water.
    MakeupNitrate "makeup_nitrate" "nitrate in the make-up water" [MakeupNitrate];
}

impl Check {
    /// The one of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|check| check.word() == word)
    }
}

/// A result that was noted last.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
struct Last {
    /// On the plan's clock, ns.
    done_ns: i64,
    /// As its note says, UTC, ns.
    noted_ns: i64,
    /// Word of the note's kind.
    kind: String,
    value: f64,
    by: Option<Line>,
}

/// A note that was taken, by what tells it from others.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
struct Recent {
    kind: String,
    at_ns: i64,
    value: f64,
}

/// What is kept over a restart; its size is bounded.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
struct State {
    /// Since when each check is asked for, by its word, on the plan's clock.
    since_ns: BTreeMap<String, i64>,
    /// The last result of each check, by its word.
    last: BTreeMap<String, Last>,
    /// When a probe last did what its check asks for, where it may.
    read_ns: BTreeMap<String, i64>,
    /// Results of nitrite in a row under [`NITRITE_LOW_MG_L`].
    nitrite_low: u32,
    /// When each probe was calibrated last, by its name.
    calibrated_ns: BTreeMap<String, i64>,
    recent: VecDeque<Recent>,
}

/// A probe whose calibration is due by a date.
#[derive(Clone, PartialEq, Debug)]
pub struct Calibration {
    /// Which.
    pub probe: ProbeIndex,
    /// Its name.
    pub name: Name,
    /// Last moment its calibration holds, where the shop set a date.
    pub due: Option<Timestamp>,
}

/// A check and how it stands.
#[derive(Clone, PartialEq, Debug)]
pub struct Due<W> {
    /// Which.
    pub what: W,
    /// When it was done last, UTC.
    pub last: Option<Timestamp>,
    /// First moment of the day it is due, UTC.
    pub due: Timestamp,
    /// Days from today to that day; 0 is today, less is the past.
    pub days: i64,
    /// Whole days since that day was over; 0 where it is not.
    pub overdue_days: u32,
}

/// Whether probes gave usable values of late.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct ByProbe {
    /// pH.
    pub ph: bool,
    /// What concentration is worked out from.
    pub concentration: bool,
}

/// The test plan of one sump.
#[derive(Clone, PartialEq, Debug)]
pub struct TestPlan {
    settings: PlanSettings,
    calibrations: Vec<Calibration>,
    pace: f64,
    /// Own time at an instant; none before the first.
    begun: Option<(i64, Now)>,
    /// Own time of what a restart goes on from, and when that was.
    resumed: Option<(i64, KeptAt)>,
    present: Now,
    state: State,
    changed: bool,
}

fn day_of(ns: i64) -> i64 {
    ns.div_euclid(DAY_NS)
}

impl TestPlan {
    /// A plan that has seen nothing yet. `pace` is how many hours pass in the sump in one of the clock.
    pub fn new(settings: PlanSettings, calibrations: Vec<Calibration>, pace: f64) -> Self {
        Self {
            settings,
            calibrations,
            pace,
            begun: None,
            resumed: None,
            present: Now::default(),
            state: State::default(),
            changed: false,
        }
    }

    /// Its settings.
    pub fn settings(&self) -> &PlanSettings {
        &self.settings
    }

    /// Time has come to `now`, and probes have given what `read` says.
    pub fn tick(&mut self, now: Now, read: ByProbe) {
        let at_ns = self.come_to(now);
        for settings in self.settings.checks.iter().filter(|settings| settings.by_probe) {
            let here = match settings.check {
                Check::Ph => read.ph,
                Check::Concentration => read.concentration,
                _ => false,
            };
            if here {
                let before = self.state.read_ns.insert(settings.check.word().to_owned(), at_ns);
                // Kept once a day: a write a minute would be for nothing.
                self.changed |= before.is_none_or(|before| day_of(before) != day_of(at_ns));
            }
        }
    }

    /// Takes a note.
    pub fn note(&mut self, now: Now, note: &Note) {
        let present_ns = self.come_to(now);
        let done_ns = present_ns.saturating_sub(self.aged(note.at, now.utc)).min(present_ns);
        self.changed = true;
        self.remember(note);
        if let Some(probe) = note.probe
            && let Some(calibration) = self.calibrations.iter().find(|c| c.probe == probe)
        {
            let last = self.state.calibrated_ns.entry(calibration.name.to_string()).or_insert(done_ns);
            *last = done_ns.max(*last);
        }
        for check in Check::ALL.iter().copied().filter(|check| check.done_by().contains(&note.kind)) {
            let before = self.state.last.get(check.word());
            if before.is_some_and(|last| last.done_ns > done_ns) {
                continue;
            }
            if check == Check::Nitrite {
                // A second strip on the same day is no further test in a row.
                let same_day = before.is_some_and(|last| day_of(last.done_ns) == day_of(done_ns));
                let low_before = self.state.nitrite_low;
                self.state.nitrite_low = match note.value < NITRITE_LOW_MG_L {
                    true => low_before.saturating_add(u32::from(!same_day)),
                    false => 0,
                };
            }
            let kind = note.kind.word().to_owned();
            let noted_ns = note.at.as_nanos();
            let last = Last { done_ns, noted_ns, kind, value: note.value, by: note.by.clone() };
            self.state.last.insert(check.word().to_owned(), last);
        }
    }

    /// Whether a note of this kind and value was taken whose time is at most `within` away from that of `note`.
    pub fn knows(&self, note: &Note, within: Duration) -> bool {
        let near = |at_ns: i64| {
            let at = Timestamp::from_nanos(at_ns);
            at.since(note.at).max(note.at.since(at)) <= within
        };
        let kind = note.kind.word();
        let same = |recent: &&Recent| recent.kind == kind && recent.value == note.value && near(recent.at_ns);
        self.state.recent.iter().any(|recent| same(&recent))
    }

    /// How every check of the plan stands, the most urgent first.
    pub fn due(&self, now: Now) -> Vec<Due<Check>> {
        let mut due: Vec<_> = self.settings.checks.iter().map(|check| self.due_of(now, check)).collect();
        due.sort_by_key(|due| (due.days, due.what));
        due
    }

    /// How the calibrations stand, the most urgent first; probes without a date that were never calibrated are left out.
    pub fn calibrations(&self, now: Now) -> Vec<Due<ProbeIndex>> {
        let mut due: Vec<_> = self.calibrations.iter().filter_map(|c| self.calibration_due(now, c)).collect();
        due.sort_by_key(|due| (due.days, due.what));
        due
    }

    /// Checks whose day is over, with the whole days since.
    pub fn overdue(&self, now: Now) -> impl Iterator<Item = (Check, u32)> + use<> {
        self.due(now).into_iter().filter(|due| due.overdue_days > 0).map(|due| (due.what, due.overdue_days))
    }

    /// Probes whose calibration has run out, with the whole days since.
    pub fn calibrations_overdue(&self, now: Now) -> impl Iterator<Item = (ProbeIndex, u32)> + use<> {
        let due = self.calibrations(now).into_iter().filter(|due| due.overdue_days > 0);
        due.map(|due| (due.what, due.overdue_days))
    }

    /// Results of nitrite in a row under 10 mg/L.
    pub fn nitrite_low_in_a_row(&self) -> u32 {
        self.state.nitrite_low
    }

    /// Days until a check is due again after it was done.
    pub fn interval_days(&self, check: &CheckSettings) -> u32 {
        match check.relaxed_days {
            Some(relaxed) if self.state.nitrite_low >= verdict::NITRITE_LOW_IN_A_ROW => relaxed,
            _ => check.every_days,
        }
    }

    fn due_of(&self, now: Now, check: &CheckSettings) -> Due<Check> {
        let word = check.check.word();
        let noted = self.state.last.get(word).map(|last| last.done_ns);
        let read = self.state.read_ns.get(word).copied().filter(|_| check.by_probe);
        let last_ns = noted.max(read);
        let since_ns = self.state.since_ns.get(word).copied().unwrap_or_else(|| self.at(now));
        let interval = i64::from(self.interval_days(check));
        let mut due_day = day_of(last_ns.unwrap_or(since_ns)) + interval;
        if interval < 7 {
            due_day = self.settings.workdays.next_from(due_day);
        }
        self.due_on(now, check.check, last_ns, due_day)
    }

    fn calibration_due(&self, now: Now, calibration: &Calibration) -> Option<Due<ProbeIndex>> {
        let done_ns = self.state.calibrated_ns.get(calibration.name.as_str()).copied();
        let noted = done_ns.map(|ns| day_of(ns) + i64::from(self.settings.calibrate_every_days));
        let due_day = noted.max(calibration.due.map(|due| day_of(due.as_nanos())))?;
        Some(self.due_on(now, calibration.probe, done_ns, due_day))
    }

    fn due_on<W>(&self, now: Now, what: W, last_ns: Option<i64>, due_day: i64) -> Due<W> {
        let days = due_day - day_of(self.at(now));
        Due {
            what,
            last: last_ns.map(|ns| self.utc(now, ns)),
            due: self.utc(now, due_day.saturating_mul(DAY_NS)),
            days,
            overdue_days: u32::try_from(-days.min(0)).unwrap_or(u32::MAX),
        }
    }

    /// Begins the plan's clock if it does not run yet; gives the present on it.
    fn come_to(&mut self, now: Now) -> i64 {
        self.present = now;
        if self.begun.is_none() {
            let at_ns = match self.resumed.take() {
                Some((at_ns, kept)) => {
                    at_ns.saturating_add((self.pace * kept.passed(now).as_nanos() as f64) as i64)
                }
                None => now.utc.as_nanos(),
            };
            self.begun = Some((at_ns, now));
            self.begin_checks(at_ns);
        }
        self.at(now)
    }

    /// What the settings ask for anew begins now; what they no longer ask for would begin anew another time.
    fn begin_checks(&mut self, at_ns: i64) {
        let words = || self.settings.checks.iter().map(|asked| asked.check.word());
        let before = self.state.since_ns.len();
        self.state.since_ns.retain(|word, _| words().any(|asked| asked == word));
        self.changed |= self.state.since_ns.len() != before;
        for word in words() {
            self.state.since_ns.entry(word.to_owned()).or_insert_with(|| {
                self.changed = true;
                at_ns
            });
        }
    }

    /// The plan's clock at `now`, ns since 1970.
    fn at(&self, now: Now) -> i64 {
        match self.begun {
            None => now.utc.as_nanos(),
            Some((at_ns, begun)) => {
                let passed = self.pace * now.uptime.since(begun.uptime).as_nanos() as f64;
                at_ns.saturating_add(passed as i64)
            }
        }
    }

    /// How much time of the plan's clock passes from `earlier` to `later`, both UTC; negative where they are in the other
    /// order.
    fn aged(&self, earlier: Timestamp, later: Timestamp) -> i64 {
        let nanos = i128::from(later.as_nanos()) - i128::from(earlier.as_nanos());
        (self.pace * nanos as f64) as i64
    }

    /// UTC of a time on the plan's clock.
    fn utc(&self, now: Now, ns: i64) -> Timestamp {
        let ahead = (ns.saturating_sub(self.at(now)) as f64 / self.pace) as i64;
        Timestamp::from_nanos(now.utc.as_nanos().saturating_add(ahead))
    }

    fn remember(&mut self, note: &Note) {
        let recent = &mut self.state.recent;
        recent.push_back(Recent {
            kind: note.kind.word().to_owned(),
            at_ns: note.at.as_nanos(),
            value: note.value,
        });
        while recent.len() > RECENT_MAX {
            recent.pop_front();
        }
    }
}
