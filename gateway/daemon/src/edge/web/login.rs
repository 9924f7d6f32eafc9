//! `POST /session` logs somebody in, `DELETE /session` out; `GET /session` says who is there and what they may. `PUT
//! /session/password` and `PUT /session/units` change what is one's own.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Request, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tokio::time::Instant;

use super::Page;
use super::access::{Caller, PeopleError, Person, Reads, Role, Units};
use super::desk::{self, Need, Problem};

/// Who is there, and what they may.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct SessionView {
    /// Who is logged in; none where nobody is.
    person: Option<PersonView>,
    /// Whether nobody has been made yet who could log in: the first one is made with the code from the daemon's log.
    first_start: bool,
    /// Whether looking takes a login.
    reads: Reads,
    /// Whether this connection is one that a password may go over: TLS, or this machine.
    sheltered: bool,
}

/// Somebody, without their password.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct PersonView {
    name: String,
    role: Role,
    units: Units,
}

impl From<&Person> for PersonView {
    fn from(person: &Person) -> Self {
        Self { name: person.name.to_string(), role: person.role, units: person.units }
    }
}

/// What somebody logs in with.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Login {
    name: String,
    password: String,
}

/// A password that is changed.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct PasswordChange {
    /// The one until now.
    old: String,
    /// The one from now on.
    new: String,
}

/// Who is there.
pub(super) async fn show(State(page): State<Arc<Page>>, request: Request) -> Json<SessionView> {
    let (parts, _) = request.into_parts();
    let origin = page.origin(&parts);
    // Somebody works with the page: what it looks after by itself asks elsewhere.
    let found = desk::in_session(&page, origin, &parts.headers, true);
    let people = page.access.people();
    let person = found.and_then(|(name, _)| people.find(name.as_str()).map(PersonView::from));
    Json(SessionView {
        person,
        first_start: people.wants_first(),
        reads: page.access.reads(),
        sheltered: origin.sheltered,
    })
}

/// Logs somebody in.
pub(super) async fn begin(State(page): State<Arc<Page>>, request: Request) -> Result<Response, Problem> {
    let (body, origin, trace) = desk::from_anybody(&page, request).await?;
    let login: Login = desk::private(&body, r#"{"name": "kim", "password": ...}"#)?;
    trace.who(login.name.clone());
    let person = page.access.people().find(&login.name).cloned();
    let kept = person.as_ref().map(|person| person.password.clone());
    let right = desk::is_password(&page, origin, &login.name, kept, login.password).await?;
    // Whoever was given another password meanwhile is not let in by the old one.
    let person =
        person.filter(|person| right && page.access.people().find(person.name.as_str()) == Some(person));
    let Some(person) = person else {
        trace.wrong();
        let detail = "name and password do not belong together";
        return Err(Problem::new(StatusCode::UNAUTHORIZED, "no_login", detail));
    };
    let token = page.access.sessions().begin(&person.name, Instant::now()).map_err(|_| {
        Problem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "random",
            "the system gives no random numbers; try again",
        )
    })?;
    let cookie = desk::set_cookie(origin, token.reveal());
    Ok(([(header::SET_COOKIE, cookie)], Json(PersonView::from(&person))).into_response())
}

/// Logs out.
pub(super) async fn end(State(page): State<Arc<Page>>, request: Request) -> Result<Response, Problem> {
    let (parts, _) = request.into_parts();
    let origin = page.origin(&parts);
    desk::permitted(&page, &Need::Known, &parts, true)?;
    if let Some(token) = desk::session_cookie(origin, &parts.headers) {
        page.access.sessions().end(token);
    }
    Ok((StatusCode::NO_CONTENT, [(header::SET_COOKIE, desk::set_cookie(origin, ""))]).into_response())
}

/// Changes one's own password; other sessions of theirs end.
pub(super) async fn password(State(page): State<Arc<Page>>, request: Request) -> Result<Response, Problem> {
    let admitted = desk::admitted(&page, &Need::Known, request).await?;
    let origin = admitted.origin;
    let change: PasswordChange = desk::private(&admitted.body, r#"{"old": ..., "new": ...}"#)?;
    let name = named(&admitted.caller)?;
    let kept = page.access.people().find(&name).map(|person| person.password.clone());
    let right = desk::is_password(&page, origin, &name, kept, change.old).await?;
    if !right {
        let detail = "the password until now is another one";
        return Err(Problem::new(StatusCode::FORBIDDEN, "no_login", detail));
    }
    let hashed = page.access.hashed(&change.new, &name).await?;
    page.access.people().change(&name, |person| person.password = hashed)?;
    // Whoever had it before is out, this browser stays in, under a new token.
    page.access.sessions().end_all_of(&name);
    let person = page.access.people().find(&name).map(|person| person.name.clone());
    let fresh = person.and_then(|name| page.access.sessions().begin(&name, Instant::now()).ok());
    let cookie = desk::set_cookie(origin, fresh.as_ref().map_or("", |token| token.reveal()));
    Ok((StatusCode::NO_CONTENT, [(header::SET_COOKIE, cookie)]).into_response())
}

/// Changes the units one reads in.
pub(super) async fn units(
    State(page): State<Arc<Page>>,
    request: Request,
) -> Result<Json<PersonView>, Problem> {
    let admitted = desk::admitted(&page, &Need::Known, request).await?;
    let example = r#"{"system": "us", "hardness": "gpg", "conductivity": "ms-cm"}"#;
    let units: Units = admitted.parse("choice of units", example)?;
    let name = named(&admitted.caller)?;
    page.access.people().change(&name, |person| person.units = units)?;
    let people = page.access.people();
    people.find(&name).map(|person| Json(person.into())).ok_or_else(|| PeopleError::Nobody.into())
}

fn named(caller: &Caller) -> Result<String, Problem> {
    match caller {
        Caller::Person { name, .. } => Ok(name.to_string()),
        _ => Err(PeopleError::Nobody.into()),
    }
}

impl From<PeopleError> for Problem {
    fn from(error: PeopleError) -> Self {
        let (status, reason) = match error {
            PeopleError::File { .. } => {
                tracing::error!(%error, "people could not be written");
                let detail = "the file of people cannot be written; the daemon's log says why";
                return Self::new(StatusCode::SERVICE_UNAVAILABLE, "not_durable", detail);
            }
            PeopleError::Taken => (StatusCode::CONFLICT, "taken"),
            PeopleError::Nobody => (StatusCode::NOT_FOUND, "nobody"),
            PeopleError::LastManager => (StatusCode::CONFLICT, "last_manager"),
            PeopleError::Full => (StatusCode::CONFLICT, "full"),
        };
        Self::new(status, reason, error.to_string())
    }
}
