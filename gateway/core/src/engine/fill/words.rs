//! What is told of a fill, as the journal tells it.

use super::Told;
use crate::estimate::acidity::{CORRECTIVE_OVER, Judgement, REPLACE_OVER};
use crate::estimate::cleanout::{Ending, Event, Found, Outcome, Report, Step};
use crate::estimate::guidance::Rule;
use crate::model::{Name, Timestamp};
use crate::store::record::JournalRecord;

/// The record of what is told. `causes` are the steps that the last clean-out cut short.
pub(in crate::engine) fn record(
    sump: &Name,
    at: Timestamp,
    told: &Told,
    causes: &[(Step, Outcome)],
) -> JournalRecord {
    let (subject, state, value, message) = match told {
        Told::Cleanout(Event::Begun { by_person }) => {
            let how = if *by_person { "begun by a person" } else { "begun: cleaner in an emptied sump" };
            ("cleanout", "begun", None, format!("clean-out {how}"))
        }
        Told::Cleanout(Event::StepDone { step, outcome, measure }) => {
            let message = format!("clean-out, {}: {outcome}. {}", step.noun(), step.rule().text());
            ("cleanout", step.word(), *measure, message)
        }
        Told::Cleanout(Event::Over(report)) => {
            ("cleanout", ending(report.ending), Some(report.short_count() as f64), verdict(report))
        }
        Told::Cleanout(Event::Regrowth(found)) => {
            ("regrowth", "ph_fall", Some(found.fall), regrowth(found, causes))
        }
        Told::Suppression(true) => {
            ("cleanout", "suppression", Some(1.0), Rule::CleanoutLimitsRest.text().to_owned())
        }
        Told::Suppression(false) => {
            let message = "limits of this sump are judged again".to_owned();
            ("cleanout", "suppression", Some(0.0), message)
        }
        Told::Drop { judgement, drop } => ("ph-drop", "ph", Some(*drop), drop_words(*judgement, *drop)),
        Told::LikelyBiological { fall } => {
            let text = Rule::LikelyBiological.text();
            let message = format!("pH fell by {fall:.2} in warm coolant that stood still: {text}");
            ("likely-biological", "ph_fall", Some(*fall), message)
        }
    };
    JournalRecord::event(at, sump, (subject, state), value, message)
}

fn ending(ending: Ending) -> &'static str {
    match ending {
        Ending::Complete => "over",
        Ending::Abandoned => "abandoned",
        Ending::GivenUp => "given-up",
    }
}

/// What was made of a clean-out, and what that risks.
pub(in crate::engine) fn verdict(report: &Report) -> String {
    let hours = report.ended_h - report.begun_h;
    let mut text = match report.ending {
        Ending::Complete => format!("clean-out over after {hours:.1} h"),
        Ending::Abandoned => format!("clean-out abandoned after {hours:.1} h"),
        Ending::GivenUp => format!("clean-out given up after {hours:.1} h without an end"),
    };
    let steps: Vec<String> =
        report.steps().map(|(step, outcome)| format!("{} {outcome}", step.noun())).collect();
    text.push_str(": ");
    text.push_str(&steps.join("; "));
    text.push('.');
    for (step, _) in report.steps().filter(|(_, outcome)| outcome.is_short()) {
        text.push(' ');
        text.push_str(step.rule().text());
    }
    text
}

/// What grows back, its likely cause, and what to do before believing it.
pub(in crate::engine) fn regrowth(found: &Found, causes: &[(Step, Outcome)]) -> String {
    let mut text = format!(
        "{} (fell by {:.2}, as if at 25 °C, in {:.1} days",
        Rule::RegrowthAfterCleanout.text(),
        found.fall,
        found.days
    );
    let mut share = |share: Option<f64>, what: &str| {
        if let Some(share) = share {
            text.push_str(&format!("; {what} {:.0} % of the hours", 100.0 * share));
        }
    };
    share(found.warm_share, "warm");
    share(found.still_share, "standing still");
    text.push_str(").");
    if causes.is_empty() {
        text.push_str(" Nothing was seen to be cut short: old coolant may have stayed in hidden places.");
    } else {
        let causes: Vec<String> =
            causes.iter().map(|(step, outcome)| format!("{} {outcome}", step.noun())).collect();
        text.push_str(&format!(" Likely because: {}.", causes.join("; ")));
    }
    text
}

/// How far the pH has dropped, and what that asks for.
pub(super) fn drop_words(judgement: Judgement, drop: f64) -> String {
    let (mark, rule) = match judgement {
        Judgement::Replace => (REPLACE_OVER, Rule::PhDropReplace),
        Judgement::NoBaseline | Judgement::Fine | Judgement::CorrectiveAction => {
            (CORRECTIVE_OVER, Rule::PhDropAction)
        }
    };
    format!("pH {drop:.2} under that of the first hours, as if at 25 °C, more than {mark}. {}", rule.text())
}
