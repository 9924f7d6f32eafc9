//! `POST /notes`: a note as JSON, with the key, into the store; answered once it is durable.

use std::net::SocketAddr;
use std::sync::Arc;

use axum::Json;
use axum::extract::{ConnectInfo, Request, State};
use axum::http::StatusCode;
use sumpwarden_core::engine::notes::NoteView;
use sumpwarden_core::estimate::note::draft::{DRAFT_BYTES_MAX, Draft, NoteRefusal, Refused};

use super::Page;
use super::commands::Command;
use super::desk::{self, Problem};

const _: () = assert!(DRAFT_BYTES_MAX == desk::BODY_BYTES_MAX);

/// Takes a note.
pub(super) async fn take(
    State(page): State<Arc<Page>>,
    ConnectInfo(from): ConnectInfo<SocketAddr>,
    request: Request,
) -> Result<Json<NoteView>, Problem> {
    let draft = Box::new(Draft::parse(&desk::admitted(&page, from.ip(), request).await?)?);
    let twice = "send the note again with the same `at`: it is not noted twice";
    let note = desk::done(&page, |answer| Command::Note { draft, answer }, twice).await?;
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
