//! The test plan over days that are gone: what fell due when, what was done, what was missed.
//!
//! The plan of the gateway itself is run again over the notes, on the shop's own days. Before the first record nothing was
//! asked for. Of what probes read before these days nothing is known here: where the plan lets a probe stand in, it counts as
//! having read until then.

use jiff::civil::{Date, DateTime};

use super::calendar::as_utc;
use super::notes::{kind_of, reading};
use super::{Material, Series, Span};
use crate::checks::settings::PlanSettings;
use crate::checks::{ByProbe, Calibration, Check, TestPlan};
use crate::estimate::note::{Note, NoteKind};
use crate::estimate::settings::EstimateKind;
use crate::model::{Now, ProbeIndex, Quantity, SumpIndex, Timestamp};

/// A check of the plan in a stretch of days.
#[derive(Clone, PartialEq, Debug)]
pub struct CheckLine {
    /// Which.
    pub check: Check,
    /// Days from one to the next.
    pub every_days: u32,
    /// Who asks for it.
    pub source: &'static str,
    /// On which days it was done and by whom; untrusted names.
    pub done: Vec<(Date, Option<String>)>,
    /// Each time it fell due, or was overdue already as these days began.
    pub asked: Vec<Asked>,
}

/// Once that a check was due.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Asked {
    /// On which day.
    pub due: Date,
    /// When it was done; none if it was not within these days.
    pub done: Option<Date>,
    /// Whether its day is over.
    pub over: bool,
}

impl Asked {
    /// Done after its day, or not at all.
    pub fn is_missed(&self) -> bool {
        self.over && self.done.is_none_or(|done| done > self.due)
    }
}

impl CheckLine {
    /// Those that were done late, or not.
    pub fn missed(&self) -> impl Iterator<Item = &Asked> {
        self.asked.iter().filter(|asked| asked.is_missed())
    }
}

/// The calibration of a probe as it stood at the end of the days.
#[derive(Clone, PartialEq, Debug)]
pub struct CalibrationDue {
    /// Name of the probe.
    pub probe: String,
    /// When it was calibrated last, as far as is known.
    pub last: Option<Date>,
    /// The last day that holds.
    pub due: Date,
    /// Whole days since that day was over.
    pub overdue_days: u32,
}

/// A note as the plan takes it, and who wrote it.
struct Done {
    day: Date,
    note: Note,
    by: Option<String>,
}

/// Checks and calibrations of a sump.
pub(super) fn walk(
    material: &Material<'_>,
    sump: SumpIndex,
    span: Span,
    series: &[Series],
) -> (Vec<CheckLine>, Vec<CalibrationDue>) {
    let Some(known) = material.known(span) else { return (Vec::new(), Vec::new()) };
    let none = PlanSettings::default();
    let settings = material.settings.plans.get(sump.slot()).unwrap_or(&none);
    let calendar = material.calendar;
    let calibrations = calibrations(material, sump);
    let mut plan = TestPlan::new(settings.clone(), calibrations.clone(), 1.0);
    let notes = notes(material, sump, known);
    let begun = material.journal.first().map(|entry| calendar.day(entry.at));
    let begun = begun.filter(|day| *day < known.first).unwrap_or(known.first);
    let mut lines = lines(settings);
    let mut notes = notes.into_iter().peekable();
    for day in (Span { first: begun, last: known.last }).days() {
        let morning = now(day.at(0, 0, 0, 0));
        plan.tick(morning, ByProbe::default());
        let counts = known.contains(day);
        if counts {
            note_due(&mut lines, &plan, morning, day == known.first);
        }
        while let Some(done) = notes.next_if(|done| done.day <= day) {
            plan.note(now_at(done.note.at.max(morning.utc)), &done.note);
            let does = |check: Check| check.done_by().contains(&done.note.kind);
            for line in lines.iter_mut().filter(|line| counts && done.day == day && does(line.check)) {
                line.done.push((day, done.by.clone()));
            }
        }
        let evening = now(day.at(23, 59, 59, 0));
        plan.tick(evening, if counts { read_on(series, day) } else { ALL });
        if counts {
            let over = day < calendar.day(material.now);
            note_done(&mut lines, &plan, evening, day, over);
        }
    }
    let evening = now(known.last.at(23, 59, 59, 0));
    let due = plan.calibrations(evening).into_iter().filter_map(|due| {
        let calibration = calibrations.iter().find(|calibration| calibration.probe == due.what)?;
        Some(CalibrationDue {
            probe: calibration.name.to_string(),
            last: due.last.map(utc_day),
            due: utc_day(due.due),
            overdue_days: due.overdue_days,
        })
    });
    (lines, due.collect())
}

const ALL: ByProbe = ByProbe { ph: true, concentration: true };

/// An empty line for each check of the plan.
fn lines(settings: &PlanSettings) -> Vec<CheckLine> {
    let line = |asked: &crate::checks::settings::CheckSettings| CheckLine {
        check: asked.check,
        every_days: asked.every_days,
        source: asked.source,
        done: Vec::new(),
        asked: Vec::new(),
    };
    settings.checks.iter().map(line).collect()
}

/// What falls due in the morning; on the first day, what is overdue too.
fn note_due(lines: &mut [CheckLine], plan: &TestPlan, morning: Now, first: bool) {
    for due in plan.due(morning).into_iter().filter(|due| due.days == 0 || first && due.days < 0) {
        let day = utc_day(due.due);
        if let Some(line) = lines.iter_mut().find(|line| line.check == due.what) {
            line.asked.push(Asked { due: day, done: None, over: false });
        }
    }
}

/// What was due and is no longer in the evening was done, by hand or by a probe.
fn note_done(lines: &mut [CheckLine], plan: &TestPlan, evening: Now, day: Date, over: bool) {
    let due = plan.due(evening);
    for line in lines {
        let Some(open) = line.asked.last_mut().filter(|asked| asked.done.is_none()) else { continue };
        let later = due.iter().any(|due| due.what == line.check && due.days > 0);
        if later {
            open.done = Some(day);
        }
        open.over |= over;
    }
}

/// What probes read on a day.
fn read_on(series: &[Series], day: Date) -> ByProbe {
    let read = |wanted: fn(&Series) -> bool| {
        let mut days = series.iter().filter(|series| wanted(series)).flat_map(|series| &series.days);
        days.any(|figures| figures.date == day && figures.figures.is_some())
    };
    ByProbe {
        ph: read(|series| series.estimate.is_none() && series.quantity == Quantity::Ph),
        concentration: read(|series| series.estimate == Some(EstimateKind::Concentration)),
    }
}

/// Every note up to the last day that the plan of a sump knows: its own, and those of water that it shares.
fn notes(material: &Material<'_>, sump: SumpIndex, known: Span) -> Vec<Done> {
    let settings = &material.settings.sumps[sump.slot()];
    let water = |name: &str| {
        let of = material.settings.sumps.iter().find(|other| other.name.as_str() == name);
        of.is_some_and(|other| other.water.name == settings.water.name)
    };
    let concerns = |name: &str, kind: NoteKind| {
        name == settings.name.as_str() || kind.is_of_makeup_water() && water(name)
    };
    let done = |entry: &crate::store::JournalEntry| {
        let kind = kind_of(entry)?;
        let day = material.calendar.day(entry.at);
        if day > known.last || !entry.sump.as_deref().is_some_and(|name| concerns(name, kind)) {
            return None;
        }
        let reading = reading(entry, material.settings, sump)?;
        let at = material.calendar.wall_as_utc(entry.at);
        let probe =
            (kind == NoteKind::Calibrated).then(|| probe_of(material, sump, &reading.meaning)).flatten();
        let note = Note { probe, ..Note::of(sump, at, kind, reading.value.unwrap_or(1.0)) };
        Some(Done { day, note, by: reading.by })
    };
    material.journal.iter().filter_map(done).collect()
}

/// The probe that a note of its calibration names.
fn probe_of(material: &Material<'_>, sump: SumpIndex, meaning: &str) -> Option<ProbeIndex> {
    let name = meaning.strip_prefix("calibration of ")?;
    let mut probes = material.settings.probes_of(sump);
    probes.find(|(_, probe)| probe.name.as_str() == name).map(|(index, _)| index)
}

fn calibrations(material: &Material<'_>, sump: SumpIndex) -> Vec<Calibration> {
    let probes = material.settings.probes_of(sump);
    probes
        .map(|(probe, settings)| Calibration {
            probe,
            name: settings.name.clone(),
            due: settings.calibration_due,
        })
        .collect()
}

/// Days of the shop, which the plan counts as days of UTC.
fn now(wall: DateTime) -> Now {
    now_at(as_utc(wall))
}

fn now_at(at: Timestamp) -> Now {
    Now::simulated(at)
}

fn utc_day(at: Timestamp) -> Date {
    super::Calendar::new(jiff::tz::TimeZone::UTC).day(at)
}
