//! A note on its way: into the journal, the belief, the clean-out and the test plan, and what it came to for who wrote it.

use std::time::Duration;

use schemars::JsonSchema;
use serde::Serialize;

use super::{Engine, Outbound, restart};
use crate::checks::verdict::{Verdict, judge};
use crate::checks::view::date;
use crate::checks::{ByProbe, Calibration, Check, TestPlan};
use crate::estimate::note::draft::{NEWS_MAX, NoteBook};
use crate::estimate::note::{Note, NoteKind, number};
use crate::model::{Measurement, Name, Now, ProbeIndex, SumpIndex, Timestamp};
use crate::signal::settings::ProbeSettings;
use crate::store::record::JournalRecord;

use super::Settings;

/// Stands between what a note means and who wrote it.
const NOTED_BY: &str = ", noted by ";

/// A note that was taken, and what follows from it.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct NoteView {
    /// Name of the sump.
    pub sump: String,
    /// Word of the kind.
    pub kind: &'static str,
    /// In the unit of the kind; none where the kind has no number.
    pub value: Option<f64>,
    /// Name of the probe that was calibrated.
    pub probe: Option<String>,
    /// When, RFC 3339.
    pub at: String,
    /// Who; untrusted text.
    pub by: Option<String>,
    /// In their words; untrusted text.
    pub text: Option<String>,
    /// It had been taken before and was not taken again.
    pub copy: bool,
    /// In words: "concentration 5.18 % (Brix 3.7 × 1.4), target 7.5 %".
    pub meaning: String,
    /// What it means, where a rule says so.
    pub verdict: Option<Verdict>,
    /// Checks of the plan that it did, with the day each is due next (UTC).
    pub next: Vec<NextView>,
    /// Whether it may move what is believed of the sump: readings older than two hours stand in the journal only.
    pub moves_estimate: bool,
}

/// When a check is due next.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct NextView {
    /// Stable word of the check; `calibration` for a probe's.
    pub check: &'static str,
    /// The day, `2026-03-09`.
    pub due: String,
}

/// One plan a sump, as the settings say; none is asked for where they say nothing.
pub(super) fn plans(settings: &Settings) -> Vec<TestPlan> {
    let calibrations = |sump: SumpIndex| {
        let calibration = |(probe, settings): (ProbeIndex, &ProbeSettings)| Calibration {
            probe,
            name: settings.name.clone(),
            due: settings.calibration_due,
        };
        settings.probes_of(sump).map(calibration).collect()
    };
    let asked = |sump: u32| settings.plans.get(sump as usize).cloned().unwrap_or_default();
    let sumps = (0..).take(settings.sumps.len());
    sumps.map(|sump| TestPlan::new(asked(sump), calibrations(SumpIndex(sump)), settings.pace.0)).collect()
}

impl Settings {
    /// Sumps and probes that notes may be of.
    pub fn note_book(&self) -> NoteBook {
        let probes = |sump: SumpIndex| {
            self.probes_of(sump).map(|(probe, settings)| (settings.name.clone(), probe)).collect()
        };
        let sumps = self.sumps.iter().zip(0..);
        NoteBook::new(sumps.map(|(sump, index)| (sump.name.clone(), probes(SumpIndex(index)))).collect())
    }
}

impl Engine {
    /// Whether this note was taken before: the same sump, kind and value, and times at most `within` apart.
    pub fn knows_note(&self, note: &Note, within: Duration) -> bool {
        self.plans[note.sump.slot()].knows(note, within)
    }

    /// What `note`, which was taken just now or is a `copy` of an earlier one, came to.
    pub fn note_view(&self, now: Now, note: &Note, copy: bool) -> NoteView {
        let plan = &self.plans[note.sump.slot()];
        NoteView {
            sump: self.settings.sumps[note.sump.slot()].name.to_string(),
            kind: note.kind.word(),
            value: note.kind.is_number().then_some(note.value),
            probe: note.probe.map(|probe| self.settings.probes[probe.slot()].name.to_string()),
            at: note.at.to_string(),
            by: note.by.as_ref().map(ToString::to_string),
            text: note.text.as_ref().map(ToString::to_string),
            copy,
            meaning: self.meaning_of(note),
            verdict: judge(plan.settings(), note.kind, note.value),
            next: next_of(plan, now, note),
            moves_estimate: !copy && self.moves_estimate(now, note),
        }
    }

    /// A note goes everywhere it says something to.
    pub(super) fn take_note(&mut self, now: Now, note: &Note) {
        self.journal_note(now, note);
        if self.moves_estimate(now, note) {
            self.sumps[note.sump.slot()].note(now, note);
            self.watch_note(now, note);
            if note.kind == NoteKind::Cleanout {
                self.fills[note.sump.slot()].note_cleanout(now, note.value >= 0.5);
                self.rest_limits(now, note.sump);
            }
        }
        // An analysis of the water holds for every sump that is topped up with it.
        let water = &self.settings.sumps[note.sump.slot()].water.name;
        for (index, sump) in (0..).zip(&self.settings.sumps) {
            let here = SumpIndex(index) == note.sump;
            if here || (note.kind.is_of_makeup_water() && sump.water.name == *water) {
                note_in_plan(&mut self.plans[index as usize], &sump.name, now, note, &mut self.out);
            }
        }
        if self.estimates() {
            self.journal_events(now, note.sump);
        }
    }

    /// What was done by itself here, and stands in the journal already, counts for the plan like a note of it.
    pub(super) fn note_in_plan(&mut self, now: Now, note: &Note) {
        let sump = &self.settings.sumps[note.sump.slot()].name;
        note_in_plan(&mut self.plans[note.sump.slot()], sump, now, note, &mut self.out);
    }

    fn moves_estimate(&self, now: Now, note: &Note) -> bool {
        self.estimates() && moves_estimate(now, note)
    }

    /// From the first reading on it is known what day it is.
    pub(super) fn begin_plans(&mut self, now: Now) {
        self.plans.iter_mut().for_each(|plan| plan.tick(now, ByProbe::default()));
    }

    /// Time has come to `now` for the plan of a sump; `concentration` says whether one is believed.
    pub(super) fn tick_plan(&mut self, now: Now, sump: SumpIndex, concentration: bool) {
        let settings = &self.settings.sumps[sump.slot()];
        let last = |probe: ProbeIndex| -> &Measurement { &self.signals.last(probe).current };
        let ph = settings.probes.ph.is_some_and(|probe| last(probe).measured.usable().is_some());
        let plan = &mut self.plans[sump.slot()];
        plan.tick(now, ByProbe { ph, concentration });
        self.out.saved.extend(plan.save().map(|bytes| (restart::checks_key(&settings.name), bytes)));
    }

    /// What a person wrote down stands in the journal as a note of that person; what was found in the readings, as an event.
    fn journal_note(&mut self, now: Now, note: &Note) {
        let (sump, word) = (&self.settings.sumps[note.sump.slot()].name, note.kind.word());
        let value = note.kind.is_number().then_some(note.value);
        let record = JournalRecord::event(note.at, sump, ("note", word), value, self.words_of(now, note));
        self.out.journal.push(record);
    }

    /// Who wrote a note and in which words; nothing in a replay, where nobody stands beside the number.
    fn words_of(&self, now: Now, note: &Note) -> String {
        /// A note that comes later than this says when it was written down.
        const LATE: Duration = Duration::from_secs(300);
        let Some(by) = &note.by else { return String::new() };
        let late = match now.utc.since(note.at) > LATE {
            true => format!(" on {}", now.utc.floor_to_millis()),
            false => String::new(),
        };
        let text = note.text.as_ref().map_or_else(String::new, |text| format!(": {text}"));
        format!("{}{NOTED_BY}{by}{late}{text}", self.meaning_of(note))
    }

    /// What a note says, in words: "concentration 5.18 % (Brix 3.7 × 1.4), target 7.5 %".
    fn meaning_of(&self, note: &Note) -> String {
        let settings = &self.settings.sumps[note.sump.slot()];
        let target = || format!("target {} %", number(settings.target_percent));
        match note.kind {
            NoteKind::Brix => {
                let factor = settings.fluid.refractometer_factor;
                let (percent, brix) = (number(note.value * factor), number(note.value));
                format!("concentration {percent} % (Brix {brix} × {}), {}", number(factor), target())
            }
            NoteKind::ConcentrationPercent => {
                format!("concentration {} %, {}", number(note.value), target())
            }
            NoteKind::Calibrated => {
                let probe = note.probe.map_or("", |probe| self.settings.probes[probe.slot()].name.as_str());
                format!("calibration of {probe}")
            }
            NoteKind::Inspected => "looked and smelt: nothing perceptible".to_owned(),
            NoteKind::Action => "action".to_owned(),
            kind => format!("{} {}", kind.noun(), kind.written(note.value)),
        }
    }
}

fn note_in_plan(plan: &mut TestPlan, sump: &Name, now: Now, note: &Note, out: &mut Outbound) {
    plan.note(now, note);
    out.saved.extend(plan.save().map(|bytes| (restart::checks_key(sump), bytes)));
}

/// Whether a note is of a kind that moves what is believed, and recent enough to.
fn moves_estimate(now: Now, note: &Note) -> bool {
    note.kind.moves_estimate() && now.utc.since(note.at) <= NEWS_MAX
}

/// The words of a note's record, taken apart again.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct NoteWords<'a> {
    /// What it means; empty where nobody is named.
    pub meaning: &'a str,
    /// Who; untrusted text.
    pub by: Option<&'a str>,
    /// In their words; untrusted text.
    pub text: Option<&'a str>,
}

/// Takes apart what the journal says of a note. A name ends where a colon and a space stand in it.
pub fn said(message: &str) -> NoteWords<'_> {
    let Some((meaning, rest)) = message.split_once(NOTED_BY) else { return NoteWords::default() };
    let (by, text) = rest.split_once(": ").map_or((rest, None), |(by, text)| (by, Some(text)));
    let by = match by.rsplit_once(" on ") {
        Some((by, when)) if Timestamp::parse(when).is_ok() => by,
        _ => by,
    };
    NoteWords { meaning, by: Some(by), text }
}

fn next_of(plan: &TestPlan, now: Now, note: &Note) -> Vec<NextView> {
    let does = |check: Check| check.done_by().contains(&note.kind);
    let checks = plan.due(now).into_iter().filter(|due| does(due.what));
    let calibrations = plan.calibrations(now).into_iter().filter(|due| Some(due.what) == note.probe);
    let calibrations = calibrations.map(|due| NextView { check: "calibration", due: date(due.due) });
    checks.map(|due| NextView { check: due.what.word(), due: date(due.due) }).chain(calibrations).collect()
}
