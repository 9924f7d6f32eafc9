//! F7½: the log book: journal records and hourly figures of some days into what a book in the office would say of a sump.
//!
//! [`chapter`] is one sump in one stretch of days (a month, or a part of one), [`Gateway`] what the gateway itself went
//! through, [`Summary`] the line of a sump on the page of the whole shop. Everything is counted and summed here; how it is
//! written down, and where records and figures lie, is not known.
//!
//! - Days are days of the shop's time zone ([`Calendar`]).
//! - What is not known is `None`, never a zero. A sum says over how many hours it was known, or how much of it is not.
//! - Texts of people, probes and configuration go through as they are: whoever writes the book escapes them.

mod alarms;
mod amounts;
mod calendar;
mod checks;
mod notes;
mod record;
mod series;
mod sheet;
#[cfg(test)]
mod tests;

pub use alarms::Occurrence;
pub use amounts::{Consumption, Loss, Pour, PourKind, Poured, Removed};
pub use calendar::{Calendar, Span};
pub use checks::{Asked, CalibrationDue, CheckLine};
pub use notes::Reading;
pub use record::RecordRow;
pub use series::{Day, Figures, Hour, Hours, Series};
pub use sheet::{LimitLine, Noted, Sheet, WaterLine};

use std::collections::BTreeMap;

use crate::engine::Settings;
use crate::estimate::settings::EstimateKind;
use crate::model::{Name, SumpIndex, Timestamp};
use crate::store::JournalEntry;

/// How far back records are wanted before the days asked for: alarms that still stood, checks done before, the last
/// analysis of the water.
pub const LOOK_BACK_DAYS: i32 = 400;

/// What all chapters of a book are made from.
#[derive(Clone, Copy, Debug)]
pub struct Material<'a> {
    /// The configuration in force.
    pub settings: &'a Settings,
    /// Whose days.
    pub calendar: &'a Calendar,
    /// When the book is written: nothing later is known.
    pub now: Timestamp,
    /// Records of the whole shop, in order of their stamps, from [`LOOK_BACK_DAYS`] before the first day on.
    pub journal: &'a [JournalEntry],
}

/// One sump in a stretch of days.
#[derive(Clone, PartialEq, Debug)]
pub struct Chapter {
    /// Name in the configuration.
    pub sump: Name,
    /// What people call it; untrusted text.
    pub title: String,
    /// Which days.
    pub span: Span,
    /// Its days that are over or have begun; none where all lie ahead.
    pub known: Option<Span>,
    /// What stands at the head of its sheet.
    pub sheet: Sheet,
    /// The record sheet, a row for what one person noted on one day.
    pub record: Vec<RecordRow>,
    /// Every reading by hand and every action.
    pub readings: Vec<Reading>,
    /// Probes, then estimates, day by day.
    pub series: Vec<Series>,
    /// What is limited, by the configuration in force.
    pub limits: Vec<LimitLine>,
    /// What was poured in.
    pub poured: Vec<Pour>,
    /// What that comes to.
    pub consumption: Consumption,
    /// Water that evaporated; none where nothing is known of it.
    pub evaporation: Option<Loss>,
    /// Coolant that left on chips and parts.
    pub drag_out: Option<Loss>,
    /// What was taken out.
    pub removed: Vec<Removed>,
    /// Alarms that stood in these days.
    pub alarms: Vec<Occurrence>,
    /// Steps of clean-outs, and what grew back.
    pub cleanouts: Vec<Line>,
    /// What else was found in the readings.
    pub found: Vec<Line>,
    /// Checks of the test plan.
    pub checks: Vec<CheckLine>,
    /// Calibrations with a date.
    pub calibrations: Vec<CalibrationDue>,
    /// Who did how much of what; untrusted names.
    pub people: BTreeMap<String, BTreeMap<&'static str, u32>>,
}

/// One line of the journal.
#[derive(Clone, PartialEq, Debug)]
pub struct Line {
    /// When.
    pub at: Timestamp,
    /// What; untrusted text.
    pub text: String,
}

/// What the gateway itself went through.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Gateway {
    /// Its own alarms: lines, peers, store, clock.
    pub alarms: Vec<Occurrence>,
    /// Everything else.
    pub events: Vec<Line>,
}

/// A sump on the page of the whole shop.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Summary {
    /// Alarms that came, by their priority's word.
    pub alarms: BTreeMap<String, u32>,
    /// Alarms that still stand at the end.
    pub standing: u32,
    /// Checks that fell due, and those of them that were done late or not at all.
    pub checks: (u32, u32),
    /// Litres taken out; none if nothing was.
    pub removed_l: Option<f64>,
}

impl Material<'_> {
    /// The records of a stretch of days.
    fn during(&self, span: Span) -> impl Iterator<Item = &JournalEntry> {
        let (from, until) = self.calendar.bounds(span);
        let first = |at: Timestamp| self.journal.partition_point(|entry| entry.at < at);
        self.journal[first(from)..first(until).max(first(from))].iter()
    }

    /// Its part that has begun.
    fn known(&self, span: Span) -> Option<Span> {
        let today = self.calendar.day(self.now);
        (span.first <= today).then(|| Span { first: span.first, last: span.last.min(today) })
    }
}

/// What the book says of a sump; `hours` are its series over these days.
pub fn chapter(material: &Material<'_>, sump: SumpIndex, span: Span, hours: &[Hours]) -> Chapter {
    let settings = &material.settings.sumps[sump.slot()];
    let name = settings.name.as_str();
    let own = |entry: &&JournalEntry| entry.sump.as_deref() == Some(name);
    let series: Vec<Series> = hours.iter().map(|hours| series::daily(material, span, hours)).collect();
    let readings: Vec<Reading> = (material.during(span).filter(own))
        .filter_map(|entry| notes::reading(entry, material.settings, sump))
        .collect();
    let poured = amounts::poured(material.during(span).filter(own), &readings);
    let alarms = alarms::occurrences(material, span, Some(name));
    let loss = |kind: EstimateKind| {
        let hours = hours.iter().find(|hours| hours.estimated && hours.of == kind.word())?;
        amounts::loss(material, span, hours)
    };
    let line = |entry: &JournalEntry| Line { at: entry.at, text: entry.message.clone() };
    let of_subjects = |subjects: &[&str]| {
        let entries = material.during(span).filter(own);
        entries
            .filter(|entry| entry.kind == "event" && subjects.contains(&entry.subject.as_str()))
            .map(line)
            .collect()
    };
    let (checks, calibrations) = checks::walk(material, sump, span, &series);
    Chapter {
        sump: settings.name.clone(),
        title: settings.title.clone(),
        span,
        known: material.known(span),
        sheet: sheet::sheet(material, sump, span),
        record: record::rows(material.calendar, settings, &readings, &series),
        limits: sheet::limits(material.settings, sump),
        consumption: Consumption::of(&poured),
        evaporation: loss(EstimateKind::Evaporation),
        drag_out: loss(EstimateKind::DragOut),
        removed: amounts::removed(material.during(span).filter(own)),
        cleanouts: of_subjects(&["cleanout", "regrowth"]),
        found: of_subjects(&["conductivity-step", "leak", "ph-drop", "likely-biological"]),
        people: people(&readings, &alarms),
        readings,
        series,
        poured,
        alarms,
        checks,
        calibrations,
    }
}

/// What the gateway itself went through in these days.
pub fn gateway(material: &Material<'_>, span: Span) -> Gateway {
    let events = material.during(span).filter(|entry| entry.sump.is_none() && entry.priority.is_none());
    Gateway {
        alarms: alarms::occurrences(material, span, None),
        events: events
            .map(|entry| Line {
                at: entry.at,
                text: match entry.message.as_str() {
                    "" => format!("{} {}", entry.subject, entry.state),
                    message => format!("{} {}: {message}", entry.subject, entry.state),
                },
            })
            .collect(),
    }
}

impl Chapter {
    /// Its line on the page of the whole shop.
    pub fn summary(&self, calendar: &Calendar) -> Summary {
        let (from, _) = calendar.bounds(self.span);
        let mut alarms = BTreeMap::new();
        for alarm in self.alarms.iter().filter(|alarm| alarm.came >= from) {
            *alarms.entry(alarm.priority.clone()).or_insert(0) += 1;
        }
        let due = self.checks.iter().map(|check| check.asked.len() as u32).sum();
        let missed = self.checks.iter().map(|check| check.missed().count() as u32).sum();
        Summary {
            alarms,
            standing: self.alarms.iter().filter(|alarm| alarm.stands()).count() as u32,
            checks: (due, missed),
            removed_l: self.removed.iter().map(|removed| removed.litres).reduce(|a, b| a + b),
        }
    }
}

fn people(readings: &[Reading], alarms: &[Occurrence]) -> BTreeMap<String, BTreeMap<&'static str, u32>> {
    let mut people: BTreeMap<String, BTreeMap<&'static str, u32>> = BTreeMap::new();
    let mut did = |who: &str, what: &'static str| {
        *people.entry(who.to_owned()).or_default().entry(what).or_insert(0) += 1;
    };
    for reading in readings {
        if let Some(by) = &reading.by {
            did(by, reading.kind.noun());
        }
    }
    for seen in alarms.iter().filter_map(|alarm| alarm.seen.as_ref()) {
        if let Some(by) = &seen.1 {
            did(by, "alarm seen");
        }
    }
    people
}
