//! `POST /notes`: a note as JSON, from a program, from somebody who is logged in or from whoever stands at the machine;
//! answered once it is durable. `GET /kinds`: what can be noted, for whoever builds a form.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Request, State};
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::Serialize;
use sumpwarden_core::engine::notes::NoteView;
use sumpwarden_core::estimate::note::draft::{DRAFT_BYTES_MAX, Draft, NoteRefusal, Refused};
use sumpwarden_core::estimate::note::{GRADES, Gauge, NoteKind};

use super::Page;
use super::access::Caller;
use super::commands::Command;
use super::desk::{self, Need, Problem};

const _: () = assert!(DRAFT_BYTES_MAX == desk::BODY_BYTES_MAX);

/// Takes a note.
pub(super) async fn take(State(page): State<Arc<Page>>, request: Request) -> Result<Json<NoteView>, Problem> {
    let admitted = desk::admitted(&page, &Need::AtSump, request).await?;
    let mut draft = Box::new(Draft::parse(&admitted.body)?);
    admitted.about(draft.sump.as_deref())?;
    let beyond =
        |kind: &str| matches!(NoteKind::from_word(kind), Some(NoteKind::Cleanout | NoteKind::Calibrated));
    if matches!(admitted.caller, Caller::Sticker(_)) && draft.kind.as_deref().is_some_and(beyond) {
        let detail =
            "a sticker is for readings; a clean-out and a calibration take somebody who is logged in";
        return Err(Problem::new(StatusCode::FORBIDDEN, "role", detail));
    }
    draft.by = admitted.by(draft.by.as_deref())?;
    let what = |text: &Option<String>| text.as_deref().unwrap_or("?").to_owned();
    admitted.on_record(format!("{} {}", what(&draft.sump), what(&draft.kind)));
    let twice = "send the note again with the same `at`: it is not noted twice";
    let note = desk::done(&page, |answer| Command::Note { draft, answer }, twice).await?;
    page.forget_latest().await;
    Ok(Json(note?))
}

impl From<Refused> for Problem {
    fn from(refused: Refused) -> Self {
        let status = match refused.why {
            NoteRefusal::Malformed => StatusCode::BAD_REQUEST,
            NoteRefusal::Oversized => StatusCode::PAYLOAD_TOO_LARGE,
            _ => StatusCode::UNPROCESSABLE_ENTITY,
        };
        Self::new(status, refused.why.word(), refused.to_string())
    }
}

/// What can be noted.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Kinds {
    kinds: Vec<KindView>,
}

/// One kind of note.
#[derive(Debug, Serialize, JsonSchema)]
struct KindView {
    /// Stable word, as `POST /notes` takes it.
    kind: &'static str,
    /// What people call it.
    noun: &'static str,
    /// What is entered: `number`, `grade` (a word of `grades`), `done` (nothing), `begun` (1 begins, 0 abandons), `probe`
    /// (its name) or `text`.
    entry: &'static str,
    /// What stands behind the number; empty where there is none.
    unit: &'static str,
    /// Least number that can be meant.
    low: f64,
    /// Greatest number that can be meant.
    high: f64,
    /// Words of the grades, from 0; empty where it is no grade.
    grades: &'static [&'static str],
}

/// Every kind of note.
pub(super) async fn kinds() -> Json<Kinds> {
    let view = |kind: &NoteKind| {
        let entry = match (kind, kind.gauge()) {
            (NoteKind::Calibrated, _) => "probe",
            (NoteKind::Action, _) => "text",
            (_, Gauge::Grade) => "grade",
            (_, Gauge::Begun) => "begun",
            (_, Gauge::Done) => "done",
            _ => "number",
        };
        let (low, high) = kind.range();
        let grades: &[&str] = if entry == "grade" { &GRADES } else { &[] };
        KindView {
            kind: kind.word(),
            noun: kind.noun(),
            entry,
            unit: kind.gauge().suffix().trim(),
            low,
            high,
            grades,
        }
    };
    Json(Kinds { kinds: NoteKind::ALL.iter().map(view).collect() })
}
