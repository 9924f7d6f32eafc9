//! The plan as it stands, for the page and whoever asks for it.

use schemars::JsonSchema;
use serde::Serialize;

use super::verdict::{Verdict, judge};
use super::{Due, TestPlan};
use crate::estimate::note::NoteKind;
use crate::model::{ProbeIndex, Timestamp};

/// The test plan of a sump.
#[derive(Clone, PartialEq, Debug, Default, Serialize, JsonSchema)]
pub struct PlanView {
    /// Whose guidance it follows: `uk`, `de`, `us` or `none`.
    pub country: &'static str,
    /// Its checks, the most urgent first.
    pub checks: Vec<CheckView>,
    /// Calibrations that have a date, the most urgent first.
    pub calibrations: Vec<CalibrationView>,
    /// Results of nitrite in a row under 10 mg/L.
    pub nitrite_low_in_a_row: u32,
}

/// One check.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct CheckView {
    /// Stable word.
    pub check: &'static str,
    /// What people call it.
    pub name: &'static str,
    /// `overdue`, `today`, `this-week` or `later`.
    pub state: &'static str,
    /// The day it is due, `2026-03-02`, in UTC.
    pub due: String,
    /// Whole days since that day was over.
    pub overdue_days: u32,
    /// Days from one to the next as things stand.
    pub every_days: u32,
    /// Who asks for it.
    pub source: &'static str,
    /// The result that was noted last.
    pub last: Option<ResultView>,
}

/// A result.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct ResultView {
    /// Word of the note's kind.
    pub kind: String,
    /// In the unit of the kind.
    pub value: f64,
    /// With its unit, or in a word.
    pub text: String,
    /// When, RFC 3339.
    pub at: String,
    /// Who; untrusted text.
    pub by: Option<String>,
    /// What it means.
    pub verdict: Option<Verdict>,
}

/// The calibration of a probe.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct CalibrationView {
    /// Name of the probe.
    pub probe: String,
    /// As for checks.
    pub state: &'static str,
    /// The last day it holds, in UTC.
    pub due: String,
    /// Whole days since that day was over.
    pub overdue_days: u32,
    /// When it was noted last, RFC 3339.
    pub last: Option<String>,
}

impl TestPlan {
    /// The plan as it stood when time last came to it.
    pub fn view(&self) -> PlanView {
        let now = self.present;
        PlanView {
            country: self.settings.country.word(),
            checks: self.due(now).iter().map(|due| self.check_view(due)).collect(),
            calibrations: self
                .calibrations(now)
                .iter()
                .filter_map(|due| self.calibration_view(due))
                .collect(),
            nitrite_low_in_a_row: self.state.nitrite_low,
        }
    }

    fn check_view(&self, due: &Due<super::Check>) -> CheckView {
        let settings = self.settings.checks.iter().find(|settings| settings.check == due.what);
        let settings = settings.expect("due() speaks of the checks in the settings only");
        CheckView {
            check: due.what.word(),
            name: due.what.noun(),
            state: state_of(due.days),
            due: date(due.due),
            overdue_days: due.overdue_days,
            every_days: self.interval_days(settings),
            source: settings.source,
            last: self.result_view(due.what.word()),
        }
    }

    fn result_view(&self, check: &str) -> Option<ResultView> {
        let last = self.state.last.get(check)?;
        let kind = NoteKind::from_word(&last.kind)?;
        Some(ResultView {
            kind: last.kind.clone(),
            value: last.value,
            text: kind.written(last.value),
            at: Timestamp::from_nanos(last.noted_ns).floor_to_millis().to_string(),
            by: last.by.as_ref().map(ToString::to_string),
            verdict: judge(&self.settings, kind, last.value),
        })
    }

    fn calibration_view(&self, due: &Due<ProbeIndex>) -> Option<CalibrationView> {
        let calibration = self.calibrations.iter().find(|calibration| calibration.probe == due.what)?;
        Some(CalibrationView {
            probe: calibration.name.to_string(),
            state: state_of(due.days),
            due: date(due.due),
            overdue_days: due.overdue_days,
            last: due.last.map(|at| at.floor_to_millis().to_string()),
        })
    }
}

const fn state_of(days: i64) -> &'static str {
    match days {
        ..0 => "overdue",
        0 => "today",
        1..7 => "this-week",
        _ => "later",
    }
}

/// The day of an instant in UTC: `2026-03-02`.
pub(crate) fn date(at: Timestamp) -> String {
    let text = at.to_string();
    text.split_once('T').map_or(text.clone(), |(day, _)| day.to_owned())
}
