//! Where people and programs hand something in over HTTP: who may, how often, and what is answered where it is wrong.
//!
//! Whatever is wrong is answered as problem details (RFC 9457) whose `detail` says what would be right, in the order:
//! another site's page, too many requests, nobody known or not allowed to, no JSON, too large; then what the matter itself
//! asks for. Whoever was let in, and whoever showed something wrong, goes on record ([`Trace`]).

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Json;
use axum::body::{Body, Bytes, to_bytes};
use axum::extract::Request;
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::Serialize;
use serde::de::DeserializeOwned;
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::model::{Line, Name};
use tokio::sync::oneshot;
use tokio::time::{Instant, timeout};

use super::access::{Caller, Hashed, Role};
use super::commands::{Command, Commands};
use super::door::Peer;
use super::gate::Gate;
use super::key::Lock;
use super::{Page, is_ours};

/// How long a body may take to come.
pub(super) const BODY_WAIT_MAX: Duration = Duration::from_secs(10);
/// Largest body.
pub(super) const BODY_BYTES_MAX: usize = 64 << 10;
/// How long the engine and the disk may take.
const DURABLE_WAIT_MAX: Duration = Duration::from_secs(10);
/// What the page's own script puts on everything it hands in. A form of another site cannot.
const PAGE_HEADER: &str = "sumpwarden-page";
/// Cookie of a session over TLS: a browser takes it for this host only, and sends it back over TLS only.
const COOKIE_TLS: &str = "__Host-sumpwarden-session";
/// Cookie of a session on this machine, without TLS.
const COOKIE: &str = "sumpwarden-session";

/// What is needed to take things in.
pub(super) struct Desk {
    lock: Lock,
    gate: Mutex<Gate>,
    /// Looks are counted by themselves: who looks much may still write, and who waits after a wrong key may still look.
    looks: Mutex<Gate>,
    commands: Commands,
}

impl Desk {
    /// Opened by `key`; what comes in goes to `commands`.
    ///
    /// # Errors
    /// If the system gives no random numbers.
    pub(super) fn new(key: &Secret, commands: Commands) -> std::io::Result<Self> {
        Ok(Self { lock: Lock::new(key)?, gate: Mutex::default(), looks: Mutex::default(), commands })
    }

    fn gate<T>(&self, look: impl FnOnce(&mut Gate, Instant) -> T) -> T {
        // Held for a few moves; a panic of another task has left nothing half-made behind.
        look(&mut self.gate.lock().unwrap_or_else(PoisonError::into_inner), Instant::now())
    }
}

/// What somebody has to be to do something.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Need {
    /// Whoever may look, where that takes a login.
    Look,
    /// Anybody who is known by name.
    Known,
    /// At the machine of this sump, or with the role to write.
    AtSump,
    /// With this role.
    Role(Role),
    /// With the role to manage; the first person may come with the code of the first start.
    FirstPerson,
}

/// Somebody who was let in, with what they brought.
pub(super) struct Admitted {
    pub(super) caller: Caller,
    pub(super) origin: Origin,
    pub(super) body: Bytes,
    trace: Trace,
}

/// What goes on record of a request; the request carries it, and whoever answers fills it in.
#[derive(Clone, Default)]
pub(super) struct Trace(Arc<Mutex<Traced>>);

/// Who, and what was before and is now.
#[derive(Clone, Default)]
pub(super) struct Traced {
    pub(super) who: Option<String>,
    /// They showed something that was not right.
    pub(super) wrong: bool,
    pub(super) detail: Option<String>,
}

impl Trace {
    /// That of a request.
    fn carried(parts: &Parts) -> Self {
        parts.extensions.get::<Self>().cloned().unwrap_or_default()
    }

    pub(super) fn of(&self) -> Traced {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    pub(super) fn who(&self, who: String) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).who = Some(who);
    }

    pub(super) fn wrong(&self) {
        let mut traced = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        traced.wrong = true;
        traced.who.get_or_insert_with(|| "(nobody known)".to_owned());
    }

    pub(super) fn detail(&self, detail: String) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).detail = Some(detail);
    }
}

impl Admitted {
    /// What was brought, as a `T`; `example` says what it looks like.
    pub(super) fn parse<T: DeserializeOwned>(&self, what: &str, example: &str) -> Result<T, Problem> {
        serde_json::from_slice(&self.body).map_err(|error| {
            let detail = format!("this is no {what}: {error}; send {example}");
            Problem::new(StatusCode::BAD_REQUEST, "malformed", detail)
        })
    }

    /// Whether it may be about this sump: a sticker speaks for its own machine.
    pub(super) fn about(&self, sump: Option<&str>) -> Result<(), Problem> {
        match &self.caller {
            Caller::Sticker(own) if sump.is_some_and(|sump| sump != own.as_str()) => {
                let detail = format!("the sticker is {own}'s; use the one on the other machine, or log in");
                Err(Problem::new(StatusCode::FORBIDDEN, "other_sump", detail))
            }
            _ => Ok(()),
        }
    }

    /// In whose name: people who are logged in speak for themselves.
    pub(super) fn by(&self, said: Option<&str>) -> Result<Option<String>, Problem> {
        let Caller::Person { name, .. } = &self.caller else { return Ok(said.map(str::to_owned)) };
        match said {
            Some(said) if said != name.as_str() => {
                let detail = format!("`by` is {name}, who is logged in; leave it out");
                Err(Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "by", detail))
            }
            _ => Ok(Some(name.to_string())),
        }
    }

    /// In whose name, where somebody has to be named.
    pub(super) fn by_name(&self, said: Option<&str>) -> Result<Line, Problem> {
        let by = self.by(said)?.ok_or_else(|| {
            let detail = "say who: `by`, as in \"by\": \"Kim\"";
            Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "text", detail)
        })?;
        line(&by, "by", Line::NAME_CHARS_MAX)
    }

    /// Says in the record what was done.
    pub(super) fn on_record(&self, detail: String) {
        self.trace.detail(detail);
    }
}

/// Somebody who may, with the body of their request.
pub(super) async fn admitted(page: &Page, need: &Need, request: Request) -> Result<Admitted, Problem> {
    let (parts, body) = request.into_parts();
    let caller = permitted(page, need, &parts, true)?;
    let (origin, trace) = (page.origin(&parts), Trace::carried(&parts));
    let body = json_body(&parts.headers, body).await?;
    Ok(Admitted { caller, origin, body, trace })
}

/// The body of a request from anybody: a name and a password, before anybody is known.
pub(super) async fn from_anybody(page: &Page, request: Request) -> Result<(Bytes, Origin, Trace), Problem> {
    let (parts, body) = request.into_parts();
    let (origin, trace) = (page.origin(&parts), Trace::carried(&parts));
    refuse_other_sites(page, &parts.headers)?;
    knock(page, origin)?;
    refuse_open_air(origin)?;
    Ok((json_body(&parts.headers, body).await?, origin, trace))
}

/// Whether `password` is that of `name`, whose is `kept`. Counted as a wrong one before it is looked at: whoever hangs up
/// meanwhile has tried all the same.
pub(super) async fn is_password(
    page: &Page,
    origin: Origin,
    name: &str,
    kept: Option<Hashed>,
    password: String,
) -> Result<bool, Problem> {
    let tried = page.desk.gate(|gate, now| gate.try_password(origin.address, name, now));
    tried.map_err(Problem::too_many)?;
    let right = page.access.hasher().verify(kept, Secret::new(password)).await;
    if right {
        page.desk.gate(|gate, _| gate.right_password(origin.address, name));
    }
    Ok(right)
}

/// One request of those that a second has room for.
///
/// # Errors
/// How long to wait.
pub(super) fn knock(page: &Page, origin: Origin) -> Result<(), Problem> {
    page.desk.gate(|gate, now| gate.enter(origin.address, now)).map_err(Problem::too_many)
}

/// One look of those that a second has room for; whoever is on this machine may look as they like.
///
/// # Errors
/// How long to wait.
pub(super) fn may_look_again(page: &Page, parts: &Parts) -> Result<(), Problem> {
    let origin = page.origin(parts);
    if origin.address.is_loopback() {
        return Ok(());
    }
    let mut looks = page.desk.looks.lock().unwrap_or_else(PoisonError::into_inner);
    looks.enter(origin.address, Instant::now()).map_err(Problem::too_many)
}

/// Who makes a request, if they may; `deed` says whether they do something.
pub(super) fn permitted(page: &Page, need: &Need, parts: &Parts, deed: bool) -> Result<Caller, Problem> {
    let origin = page.origin(parts);
    if deed {
        refuse_other_sites(page, &parts.headers)?;
    }
    if deed || parts.headers.contains_key(header::AUTHORIZATION) {
        knock(page, origin)?;
    }
    let trace = Trace::carried(parts);
    let known = known(page, origin, &parts.headers, deed);
    if let Known::Wrong { .. } = known {
        page.desk.gate(|gate, now| gate.wrong_key(origin.address, now));
        trace.wrong();
    }
    let caller = known.caller()?;
    trace.who(caller.words());
    let in_session = matches!(caller, Caller::Person { .. });
    if in_session && deed && parts.headers.get(PAGE_HEADER).is_none() {
        let detail =
            format!("a browser's session counts only with the header {PAGE_HEADER}, which our page sends");
        return Err(Problem::new(StatusCode::FORBIDDEN, "other_site", detail));
    }
    refuse_open_air(origin)?;
    if may(need, &caller) { Ok(caller) } else { Err(not_allowed(need)) }
}

fn may(need: &Need, caller: &Caller) -> bool {
    match (need, caller) {
        (Need::Known, Caller::Person { .. }) | (Need::FirstPerson, Caller::FirstStart) => true,
        (Need::Known, _) | (_, Caller::FirstStart) => false,
        (_, Caller::Program) => true,
        (Need::Look, _) => true,
        (Need::AtSump, Caller::Sticker(_)) => true,
        (Need::AtSump, Caller::Person { role, .. }) => *role >= Role::Log,
        (Need::Role(least), Caller::Person { role, .. }) => role >= least,
        (Need::FirstPerson, Caller::Person { role, .. }) => *role == Role::Manage,
        (Need::Role(_) | Need::FirstPerson, Caller::Sticker(_)) => false,
    }
}

fn not_allowed(need: &Need) -> Problem {
    let detail = match need {
        Need::Look => "log in to look",
        Need::Known => "only people who are logged in have something of their own here",
        Need::AtSump | Need::Role(Role::Look | Role::Log) => "this takes the role `log`; ask whoever manages",
        Need::Role(Role::Manage) | Need::FirstPerson => "this takes the role `manage`; ask whoever has it",
    };
    Problem::new(StatusCode::FORBIDDEN, "role", detail)
}

/// Where a request comes from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Origin {
    pub(super) address: std::net::IpAddr,
    /// Whether it came over TLS, to us or to the server before us.
    pub(super) tls: bool,
    /// Whether nobody between can have listened in: TLS, or this machine.
    pub(super) sheltered: bool,
}

impl Page {
    /// Where a request comes from: from the server that stands before us, where the configuration names one, what that says.
    pub(super) fn origin(&self, parts: &Parts) -> Origin {
        let unknown = Peer { address: std::net::Ipv4Addr::UNSPECIFIED.into(), tls: false };
        let peer = parts.extensions.get::<Peer>().copied().unwrap_or(unknown);
        let last = |name: &str| {
            let value = parts.headers.get_all(name).iter().next_back()?.to_str().ok()?;
            value.rsplit(',').next().map(str::trim)
        };
        let forwarded = last("x-forwarded-for");
        if self.proxy == Some(peer.address) {
            // One that does not say for whom it asks is believed in nothing.
            let address = forwarded.and_then(address_of);
            let tls = address.is_some()
                && last("x-forwarded-proto").is_some_and(|proto| proto.eq_ignore_ascii_case("https"));
            return Origin { address: address.unwrap_or(peer.address), tls, sheltered: tls };
        }
        // A server before us that the configuration does not name asks for somebody else.
        let here = peer.address.is_loopback() && forwarded.is_none();
        Origin { address: peer.address, tls: peer.tls, sheltered: peer.tls || here }
    }
}

/// An address as servers forward it, with or without a port.
fn address_of(text: &str) -> Option<std::net::IpAddr> {
    let bare = text.trim_matches(['[', ']']);
    bare.parse().ok().or_else(|| text.parse::<std::net::SocketAddr>().ok().map(|socket| socket.ip()))
}

/// What a request shows of who makes it.
enum Known {
    Caller(Caller),
    /// Nothing.
    Nobody,
    /// Something that is not right.
    Wrong {
        detail: &'static str,
    },
}

impl Known {
    fn caller(self) -> Result<Caller, Problem> {
        let detail = match self {
            Self::Caller(caller) => return Ok(caller),
            Self::Nobody => {
                "log in on the page; a program shows the key: Authorization: Bearer KEY; it lies in note-key in the data \
                 directory"
            }
            Self::Wrong { detail } => detail,
        };
        Err(Problem::new(StatusCode::UNAUTHORIZED, "no_key", detail))
    }
}

fn known(page: &Page, origin: Origin, headers: &HeaderMap, deed: bool) -> Known {
    let shown = headers.get(header::AUTHORIZATION).map(|value| value.to_str().unwrap_or("?"));
    let Some(shown) = shown else {
        let found = in_session(page, origin, headers, deed);
        return found.map_or(Known::Nobody, |(name, role)| Known::Caller(Caller::Person { name, role }));
    };
    let (scheme, rest) = shown.split_once(' ').unwrap_or((shown, ""));
    let rest = rest.trim();
    if scheme.eq_ignore_ascii_case("bearer") {
        if page.desk.lock.opens(rest) {
            return Known::Caller(Caller::Program);
        }
        if page.access.setup().opens(rest) {
            return Known::Caller(Caller::FirstStart);
        }
        return Known::Wrong { detail: "this is not the key; it lies in note-key in the data directory" };
    }
    if scheme.eq_ignore_ascii_case("sticker") {
        let found = rest.split_once(':').and_then(|(sump, code)| sticker(page, sump, code));
        let wrong =
            Known::Wrong { detail: "this sticker does not hold any more; ask whoever manages for a new one" };
        return found.map_or(wrong, Known::Caller);
    }
    Known::Wrong {
        detail: "show the key: Authorization: Bearer KEY; it lies in note-key in the data directory",
    }
}

fn sticker(page: &Page, sump: &str, code: &str) -> Option<Caller> {
    let known = page.records.known.now();
    let sump = known.names.iter().find(|name| name.as_str() == sump)?;
    let voided = page.access.people().voided(sump);
    page.access.stickers().opens(sump, voided, code).then(|| Caller::Sticker(sump.clone()))
}

/// Who is logged in, by the cookie of a request; `deed` says whether somebody does something.
pub(super) fn in_session(
    page: &Page,
    origin: Origin,
    headers: &HeaderMap,
    deed: bool,
) -> Option<(Name, Role)> {
    let token = session_cookie(origin, headers)?;
    let people = page.access.people();
    let role = |name: &Name| people.find(name.as_str()).map(|person| person.role);
    page.access.sessions().find(token, Instant::now(), deed, role)
}

/// The token of a session, from the cookie that belongs to this way of asking.
pub(super) fn session_cookie(origin: Origin, headers: &HeaderMap) -> Option<&str> {
    let wanted = if origin.tls { COOKIE_TLS } else { COOKIE };
    let all = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let mut pairs = all.flat_map(|text| text.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.find(|(name, _)| *name == wanted).map(|(_, token)| token)
}

/// What sets the cookie to `token`; empty ends it.
pub(super) fn set_cookie(origin: Origin, token: &str) -> HeaderValue {
    let (name, secure) = if origin.tls { (COOKIE_TLS, "; Secure") } else { (COOKIE, "") };
    let gone = if token.is_empty() { "; Max-Age=0" } else { "" };
    let text = format!("{name}={token}; Path=/; HttpOnly; SameSite=Strict{secure}{gone}");
    HeaderValue::from_str(&text).unwrap_or(HeaderValue::from_static(""))
}

/// A password, a session or a code goes over TLS or stays on this machine.
fn refuse_open_air(origin: Origin) -> Result<(), Problem> {
    if origin.sheltered {
        return Ok(());
    }
    let detail = "this connection can be listened in on: whoever manages the gateway gives it a certificate, with tls = \"own\" \
                  in [web] or a server with TLS before it";
    Err(Problem::new(StatusCode::FORBIDDEN, "no_tls", detail))
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
fn refuse_other_sites(page: &Page, headers: &HeaderMap) -> Result<(), Problem> {
    let own = |origin: &str| {
        let host = origin.split_once("://").map(|(_, host)| host);
        host.is_some_and(|host| is_ours(host, page.listening) || page.writes.is_public(host))
    };
    if is_same_site(headers) && text(headers, "origin").is_none_or(own) {
        return Ok(());
    }
    let detail =
        "things are taken in from this server's own page and from programs, not from other sites' pages";
    Err(Problem::new(StatusCode::FORBIDDEN, "other_site", detail))
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

/// Problem details as they go out (RFC 9457, `type` is `about:blank`).
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ProblemView {
    /// Name of the status.
    title: String,
    /// HTTP status.
    status: u16,
    /// What is wrong, and what would be right.
    detail: String,
    /// Stable word for programs.
    reason: String,
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let title = self.status.canonical_reason().unwrap_or("refused");
        let status = self.status.as_u16();
        let (title, reason) = (title.to_owned(), self.reason.to_owned());
        let body = ProblemView { title, status, detail: self.detail, reason };
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

/// A text of one line, or what is wrong with it.
pub(super) fn line(text: &str, what: &str, chars_max: usize) -> Result<Line, Problem> {
    Line::new(text, chars_max).map_err(|error| {
        let detail = format!("`{what}` {error}; write one line of at most {chars_max} characters");
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "text", detail)
    })
}

/// A body that may hold a password: what is wrong with it is told without a word of it.
pub(super) fn private<T: DeserializeOwned>(body: &[u8], example: &str) -> Result<T, Problem> {
    serde_json::from_slice(body).map_err(|error| {
        let wrong =
            if error.is_data() { "a field is missing, unknown or no text" } else { "this is not JSON" };
        Problem::new(StatusCode::BAD_REQUEST, "malformed", format!("{wrong}; send {example}"))
    })
}
