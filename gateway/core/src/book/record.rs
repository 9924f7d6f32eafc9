//! The record sheet: what one person noted on one day, in the columns that agencies' sample sheets have.

use jiff::civil::Date;

use super::{Calendar, Reading, Series};
use crate::estimate::note::{NoteKind, number};
use crate::estimate::settings::SumpSettings;
use crate::model::Quantity;

/// One row of the record sheet. All texts are untrusted.
#[derive(Clone, PartialEq, Debug)]
pub struct RecordRow {
    /// The day.
    pub date: Date,
    /// Its calendar week (ISO 8601).
    pub week: i8,
    /// What was seen and smelt; none if nobody looked.
    pub perceptible: Option<String>,
    /// pH by hand.
    pub ph: Option<String>,
    /// By refractometer.
    pub refractometer: Option<String>,
    /// By titration, or however else.
    pub titration: Option<String>,
    /// Nitrite, mg/L.
    pub nitrite: Option<String>,
    /// What else was measured, the day's conductivity, and their own words.
    pub remarks: Option<String>,
    /// Who.
    pub checker: Option<String>,
}

/// The rows of a sump, in order of days.
pub(super) fn rows(
    calendar: &Calendar,
    settings: &SumpSettings,
    readings: &[Reading],
    series: &[Series],
) -> Vec<RecordRow> {
    let mut rows: Vec<RecordRow> = Vec::new();
    for reading in readings.iter().filter(|reading| belongs(reading.kind)) {
        let date = calendar.day(reading.at);
        let at = rows.iter().position(|row| row.date == date && row.checker == reading.by);
        let at = at.unwrap_or_else(|| {
            rows.push(empty(date, reading.by.clone()));
            rows.len() - 1
        });
        enter(&mut rows[at], settings, reading);
    }
    for row in &mut rows {
        if let Some(mean) = conductivity(series, row.date) {
            add(&mut row.remarks, &format!("conductivity {mean:.0} µS/cm by probe"));
        }
    }
    rows
}

/// What is poured in and what is done stands in lists of its own.
fn belongs(kind: NoteKind) -> bool {
    !matches!(
        kind,
        NoteKind::TopUpLitres
            | NoteKind::TopUpPercent
            | NoteKind::Cleanout
            | NoteKind::Calibrated
            | NoteKind::Action
    )
}

fn empty(date: Date, checker: Option<String>) -> RecordRow {
    RecordRow {
        date,
        week: date.iso_week_date().week(),
        perceptible: None,
        ph: None,
        refractometer: None,
        titration: None,
        nitrite: None,
        remarks: None,
        checker,
    }
}

fn enter(row: &mut RecordRow, settings: &SumpSettings, reading: &Reading) {
    let written = reading.written().unwrap_or_default();
    match reading.kind {
        NoteKind::Ph => add(&mut row.ph, &written),
        NoteKind::Brix => add(&mut row.refractometer, &refractometer(settings, reading)),
        NoteKind::ConcentrationPercent => add(&mut row.titration, &written),
        NoteKind::Nitrite => add(&mut row.nitrite, &written),
        NoteKind::Inspected => add(&mut row.perceptible, "nothing perceptible"),
        NoteKind::OilLayer
        | NoteKind::Odour
        | NoteKind::Foam
        | NoteKind::ChipsSeen
        | NoteKind::Growth
        | NoteKind::Discolouring
        | NoteKind::Residue
        | NoteKind::Splitting => {
            add(&mut row.perceptible, &format!("{}: {written}", reading.kind.noun()));
        }
        other => add(&mut row.remarks, &format!("{} {written}", other.noun())),
    }
    if let Some(text) = &reading.text {
        add(&mut row.remarks, text);
    }
}

/// Percent, and what it was worked out from: as it was worked out then, or by the factor of today where nobody wrote it down.
fn refractometer(settings: &SumpSettings, reading: &Reading) -> String {
    let then = reading.meaning.strip_prefix("concentration ").and_then(|rest| rest.split_once(", target"));
    let factor = settings.fluid.refractometer_factor;
    match (then, reading.value) {
        (Some((percent, _)), _) => percent.to_owned(),
        (None, Some(brix)) => {
            format!("{} % (Brix {} × {})", number(brix * factor), number(brix), number(factor))
        }
        (None, None) => String::new(),
    }
}

fn add(cell: &mut Option<String>, text: &str) {
    match cell {
        _ if text.is_empty() => {}
        Some(cell) => *cell = format!("{cell}; {text}"),
        None => *cell = Some(text.to_owned()),
    }
}

fn conductivity(series: &[Series], date: Date) -> Option<f64> {
    let series = series.iter().find(|series| series.quantity == Quantity::Conductivity)?;
    Some(series.days.iter().find(|day| day.date == date)?.figures?.mean)
}
