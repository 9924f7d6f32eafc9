//! Where people and programs hand something in over HTTP: who may, how often, and what is answered where it is wrong.
//!
//! Whatever is wrong is answered as problem details (RFC 9457) whose `detail` says what would be right, in the order:
//! another site's page, too many requests, no or a wrong key, no JSON, too large; then what the matter itself asks for.

use std::net::{IpAddr, SocketAddr};
use std::sync::PoisonError;
use std::time::Duration;

use axum::Json;
use axum::body::{Body, Bytes, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::json;
use sumpwarden_core::acquire::settings::Secret;
use tokio::sync::oneshot;
use tokio::time::{Instant, timeout};

use super::commands::{Command, Commands};
use super::gate::Gate;
use super::key::Lock;
use super::{Page, is_ours};

/// How long a body may take to come.
const BODY_WAIT_MAX: Duration = Duration::from_secs(10);
/// Largest body.
pub(super) const BODY_BYTES_MAX: usize = 64 << 10;
/// How long the engine and the disk may take.
const DURABLE_WAIT_MAX: Duration = Duration::from_secs(10);

/// What is needed to take things in.
pub(super) struct Desk {
    lock: Lock,
    gate: std::sync::Mutex<Gate>,
    commands: Commands,
}

impl Desk {
    /// Opened by `key`; what comes in goes to `commands`.
    ///
    /// # Errors
    /// If the system gives no random numbers.
    pub(super) fn new(key: &Secret, commands: Commands) -> std::io::Result<Self> {
        Ok(Self { lock: Lock::new(key)?, gate: std::sync::Mutex::default(), commands })
    }

    fn gate<T>(&self, look: impl FnOnce(&mut Gate, Instant) -> T) -> T {
        // Held for a few moves; a panic of another task has left nothing half-made behind.
        look(&mut self.gate.lock().unwrap_or_else(PoisonError::into_inner), Instant::now())
    }
}

/// The body of a request from somebody who may, as JSON.
pub(super) async fn admitted(page: &Page, from: IpAddr, request: Request) -> Result<Bytes, Problem> {
    let (parts, body) = request.into_parts();
    refuse_other_sites(&parts.headers, page.listening)?;
    page.desk.gate(|gate, now| gate.enter(from, now)).map_err(Problem::too_many)?;
    refuse_strangers(&page.desk, from, &parts.headers)?;
    json_body(&parts.headers, body).await
}

/// Has the engine do something and waits until that is durable; `twice` says what becomes of it if it is sent again.
pub(super) async fn done<T>(
    page: &Page,
    command: impl FnOnce(oneshot::Sender<T>) -> Command,
    twice: &str,
) -> Result<T, Problem> {
    let (answer, answered) = oneshot::channel();
    let command = command(answer);
    let work = async {
        page.desk.commands.send(command).await.ok()?;
        answered.await.ok()
    };
    let answered = timeout(DURABLE_WAIT_MAX, work).await.ok().flatten();
    answered.ok_or_else(|| {
        let detail = format!("the store has not confirmed it; {twice}");
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, "not_durable", detail)
    })
}

/// Whether the request comes from our own page, as a browser says, or from no browser.
pub(super) fn is_same_site(headers: &HeaderMap) -> bool {
    text(headers, "sec-fetch-site").is_none_or(|site| matches!(site, "same-origin" | "none"))
}

/// A header; one that is no text is no word that anybody knows.
fn text<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    headers.get(name).map(|value| value.to_str().unwrap_or("?"))
}

/// A browser says which page a request comes from. A program says nothing, and has to show the key.
fn refuse_other_sites(headers: &HeaderMap, listening: SocketAddr) -> Result<(), Problem> {
    let own = |origin: &str| origin.split_once("://").is_some_and(|(_, host)| is_ours(host, listening));
    if is_same_site(headers) && text(headers, "origin").is_none_or(own) {
        return Ok(());
    }
    let detail =
        "things are taken in from this server's own page and from programs, not from other sites' pages";
    Err(Problem::new(StatusCode::FORBIDDEN, "other_site", detail))
}

fn refuse_strangers(desk: &Desk, from: IpAddr, headers: &HeaderMap) -> Result<(), Problem> {
    let shown = headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
    let key = shown.and_then(|text| {
        let (scheme, key) = text.split_once(' ')?;
        scheme.eq_ignore_ascii_case("bearer").then(|| key.trim())
    });
    if key.is_some_and(|key| desk.lock.opens(key)) {
        desk.gate(|gate, _| gate.right_key(from));
        return Ok(());
    }
    desk.gate(|gate, now| gate.wrong_key(from, now));
    let detail = match key {
        None => "show the key: Authorization: Bearer KEY; it lies in note-key in the data directory",
        Some(_) => "this is not the key; it lies in note-key in the data directory",
    };
    Err(Problem::new(StatusCode::UNAUTHORIZED, "no_key", detail))
}

async fn json_body(headers: &HeaderMap, body: Body) -> Result<Bytes, Problem> {
    let media_type = headers.get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or("");
    if !media_type.split(';').next().is_some_and(|t| t.trim().eq_ignore_ascii_case("application/json")) {
        let detail = "send JSON, and say so: Content-Type: application/json";
        return Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "media_type", detail));
    }
    let body = timeout(BODY_WAIT_MAX, to_bytes(body, BODY_BYTES_MAX)).await.map_err(|_| {
        let detail = "it took longer than 10 s to come; send it again";
        Problem::new(StatusCode::REQUEST_TIMEOUT, "slow", detail)
    })?;
    // The one way to fail but for a connection that is gone, whose answer nobody reads.
    body.map_err(|_| {
        let detail = format!("it is too large; it has at most {BODY_BYTES_MAX} bytes");
        Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "oversized", detail)
    })
}

/// What is wrong, for people and for programs (RFC 9457).
#[derive(Debug)]
pub(super) struct Problem {
    status: StatusCode,
    reason: &'static str,
    detail: String,
    retry_after: Option<Duration>,
}

impl Problem {
    pub(super) fn new(status: StatusCode, reason: &'static str, detail: impl Into<String>) -> Self {
        Self { status, reason, detail: detail.into(), retry_after: None }
    }

    fn too_many(wait: Duration) -> Self {
        let seconds = wait.as_secs_f64().ceil();
        let detail = format!("too many requests or wrong keys from this address; wait {seconds} s");
        Self { retry_after: Some(wait), ..Self::new(StatusCode::TOO_MANY_REQUESTS, "too_many", detail) }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let title = self.status.canonical_reason().unwrap_or("refused");
        let status = self.status.as_u16();
        let body = json!({"title": title, "status": status, "detail": self.detail, "reason": self.reason});
        let mut response = (self.status, Json(body)).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if self.status == StatusCode::UNAUTHORIZED {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer realm=\"sumpwarden\""));
        }
        if let Some(wait) = self.retry_after {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(wait.as_secs() + 1));
        }
        response
    }
}
