//! The page and the interface behind it, over HTTP.
//!
//! `GET /` is the page; it uses nothing but the interface, whose routes stand in [`routes`] and, described for programs, in `GET
//! /openapi.json`. Who may do what is [`access`]'s to know, whoever hands something in comes to the [`desk`], connections
//! come in at the [`door`]. `/acknowledge/TOKEN` is where the links in messages lead.
//!
//! Titles and messages are untrusted text: the page puts them into text nodes, the server sends a policy that forbids inline
//! script. The `Host` header must be one of ours, so that a foreign site cannot reach the page by rebinding its name.

pub mod access;
mod acknowledge;
mod assets;
pub mod buses;
pub mod calibration;
pub mod certificate;
pub mod commands;
mod desk;
mod door;
mod events;
mod gate;
mod interface;
pub mod key;
mod login;
mod metrics;
mod mix;
mod notes;
pub mod orders;
mod persons;
pub mod records;
pub mod reload;
mod routes;
pub mod status;

use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use axum::Json;
use axum::body::Body;
use axum::extract::{Path, Request, State};
use axum::http::{HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use rustls::ServerConfig;
use schemars::JsonSchema;
use serde::Serialize;
use sumpwarden_core::acquire::Lateness;
use sumpwarden_core::engine::snapshot::{Snapshot, SumpView};
use tokio::net::TcpListener;
use tokio::sync::{Mutex, Semaphore, mpsc, oneshot};
use tokio::time::Instant;

use access::{Access, Caller, Deed, Reads};
use desk::{Desk, Need, Origin, Problem, Trace};
use events::Rounds;
use records::Records;

/// Asks the engine for the shop as it stands.
pub type SnapshotRequests = mpsc::Sender<oneshot::Sender<Snapshot>>;

/// How late polls start; whoever handles their readings counts.
pub type PollStarts = Arc<std::sync::Mutex<Lateness>>;

/// How each way for messages is, asked of whoever keeps them.
pub type Receivers = Arc<dyn Fn() -> Vec<ReceiverView> + Send + Sync>;

/// How the gateway itself is, asked of whoever watches over it.
pub type Health = Arc<dyn Fn() -> HealthView + Send + Sync>;

/// How the gateway itself is.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct HealthView {
    /// What is left away after crashes, and why, in words.
    pub reduced: Vec<String>,
    /// Crashes of tasks since the start, by name.
    pub task_crashes: Vec<(String, u64)>,
    /// Panics since the start, wherever.
    pub panics: u64,
}

pub use acknowledge::{Claimed, TokenError, Tokens, Writes};

/// The engine is asked no more often than this, however many pages look.
const SNAPSHOT_AGE_MAX: Duration = Duration::from_millis(250);
/// A snapshot that does not come within this is a fault of ours, and the page is told so.
const SNAPSHOT_WAIT_MAX: Duration = Duration::from_secs(2);

/// Reads of the store at once; the others wait.
const READS_AT_ONCE: usize = 4;

/// Headers of every answer, errors too, unless it has its own.
const HEADERS: [(HeaderName, &str); 5] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; base-uri 'none'; \
         form-action 'none'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::CACHE_CONTROL, "no-store"),
];

/// What `GET /state` answers.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct Shop {
    /// Site name in the configuration.
    pub site: String,
    /// Its time zone, IANA name: the page shows the shop's hours.
    pub timezone: String,
    /// When this was put together, RFC 3339.
    pub at: String,
    /// The sumps.
    #[serde(flatten)]
    pub snapshot: Snapshot,
    /// Whether messages reach people.
    pub receivers: Vec<ReceiverView>,
    /// What is left away after crashes of the gateway, and why, in words; empty while everything runs.
    pub reduced: Vec<String>,
}

/// One way for messages.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, JsonSchema)]
pub struct ReceiverView {
    /// Name in the configuration.
    pub name: String,
    /// `starting`, `reached`, `retrying` or `refused`.
    pub state: &'static str,
    /// When a message was taken last, RFC 3339; none since the start.
    pub delivered_at: Option<String>,
    /// Rows that wait.
    pub waiting: u64,
    /// What was said last, unless all is well. Untrusted text.
    pub error: Option<String>,
}

/// What serving the page takes. Everything in it lives as long as the daemon, however often the page is started.
#[derive(Clone)]
pub struct Parts {
    /// Site name in the configuration.
    pub site: String,
    /// Its time zone, IANA name.
    pub timezone: String,
    /// Where the shop is asked for.
    pub snapshots: SnapshotRequests,
    /// What people may change.
    pub writes: Writes,
    /// What has been.
    pub records: Records,
    /// How late polls start.
    pub starts: PollStarts,
    /// What the buses have done.
    pub buses: buses::Buses,
    /// Who may do what.
    pub access: Arc<Access>,
    /// Certificate and key; without, anybody on the way can listen in.
    pub tls: Option<Arc<ServerConfig>>,
    /// Address of the server that stands before the page, whose word on who asks is taken.
    pub proxy: Option<IpAddr>,
}

struct Page {
    site: String,
    timezone: String,
    listening: SocketAddr,
    requests: SnapshotRequests,
    writes: Writes,
    records: Records,
    starts: PollStarts,
    buses: buses::Buses,
    access: Arc<Access>,
    proxy: Option<IpAddr>,
    latest: Mutex<Option<(Instant, Shop)>>,
    /// The journal is counted and a book written for one at a time: it may be long.
    counting: Arc<Semaphore>,
    /// Stretches of series and of the journal are read for a few at once.
    reading: Arc<Semaphore>,
    desk: Desk,
    rounds: Rounds,
}

/// Serves on `listener` until `shutdown` ends.
///
/// # Errors
/// If the system gives no random numbers, or the listener is none.
pub async fn serve(
    listener: TcpListener,
    parts: Parts,
    shutdown: impl Future<Output = ()>,
) -> std::io::Result<()> {
    let listening = listener.local_addr()?;
    let Parts { site, timezone, snapshots, writes, records, starts, buses, access, tls, proxy } = parts;
    let desk = Desk::new(&writes.key, writes.commands.clone())?;
    let page = Arc::new(Page {
        site,
        timezone,
        listening,
        requests: snapshots,
        writes,
        records,
        starts,
        buses,
        access,
        proxy,
        latest: Mutex::new(None),
        counting: Arc::new(Semaphore::new(1)),
        reading: Arc::new(Semaphore::new(READS_AT_ONCE)),
        desk,
        rounds: Rounds::default(),
    });
    let router = routes::router(&page);
    tokio::select! {
        () = Rounds::run(Arc::clone(&page)) => {}
        () = door::serve(listener, tls, proxy, router, shutdown) => {}
    }
    Ok(())
}

async fn state(State(page): State<Arc<Page>>) -> Result<Json<Shop>, Problem> {
    page.shop().await.map(Json).ok_or_else(no_engine)
}

async fn sump(State(page): State<Arc<Page>>, Path(name): Path<String>) -> Result<Json<SumpView>, Problem> {
    let known = records::known(&page, &name)?;
    let shop = page.shop().await.ok_or_else(no_engine)?;
    let found = shop.snapshot.sumps.into_iter().find(|sump| sump.name == known.as_str());
    found.map(Json).ok_or_else(no_engine)
}

fn no_engine() -> Problem {
    Problem::new(StatusCode::SERVICE_UNAVAILABLE, "engine", "the engine does not answer; try again")
}

async fn health(State(page): State<Arc<Page>>) -> impl IntoResponse {
    let health = (page.writes.health)();
    let status = status::whole(&page).await;
    let starts = page.starts.lock().unwrap_or_else(PoisonError::into_inner).clone();
    let text = metrics::write(&starts, &health, page.access.unwritten(), &status);
    ([(header::CONTENT_TYPE, metrics::MEDIA_TYPE)], text)
}

/// Whatever comes in and goes out: our name, our headers, and the record of deeds.
async fn guard(State(page): State<Arc<Page>>, request: Request<Body>, next: Next) -> Response {
    let trace = Trace::default();
    let (mut parts, body) = request.into_parts();
    parts.extensions.insert(trace.clone());
    let asked = Asked {
        method: parts.method.clone(),
        path: parts.uri.path().to_owned(),
        origin: page.origin(&parts),
    };
    let host = parts.headers.get(header::HOST).and_then(|host| host.to_str().ok());
    let ours = host.is_some_and(|host| is_ours(host, page.listening) || page.writes.is_public(host));
    let mut response = if ours {
        let request = Request::from_parts(parts, body);
        asked.answer(Arc::clone(&page), request, next, trace).await
    } else {
        let detail = "this server does not answer to that host name";
        Problem::new(StatusCode::MISDIRECTED_REQUEST, "host", detail).into_response()
    };
    for (name, value) in HEADERS {
        response.headers_mut().entry(name).or_insert(HeaderValue::from_static(value));
    }
    if response.extensions().get::<acknowledge::HasForm>().is_some() {
        let policy = HeaderValue::from_static(acknowledge::POLICY);
        response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    response
}

/// What somebody asks for, as far as the record of deeds wants to know.
struct Asked {
    method: Method,
    path: String,
    origin: Origin,
}

impl Asked {
    async fn answer(self, page: Arc<Page>, request: Request<Body>, next: Next, trace: Trace) -> Response {
        if matches!(self.method, Method::GET | Method::HEAD) {
            let response = next.run(request).await;
            self.put_on_record(&page, &trace, response.status()).await;
            return response;
        }
        // Whoever hangs up has done it all the same: it is brought to its end, and goes on record.
        let done = tokio::spawn(async move {
            let response = next.run(request).await;
            self.put_on_record(&page, &trace, response.status()).await;
            response
        });
        done.await.unwrap_or_else(|_| {
            let detail = "the gateway failed at this; its log says how";
            Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "failed", detail).into_response()
        })
    }

    /// Before whoever did it hears of it. What was not understood has changed nothing and is not kept; who showed something wrong
    /// is, whatever they asked for.
    async fn put_on_record(&self, page: &Page, trace: &Trace, status: StatusCode) {
        let traced = trace.of();
        let looked = matches!(self.method, Method::GET | Method::HEAD);
        let meant = status.is_success()
            || matches!(
                status,
                StatusCode::FORBIDDEN | StatusCode::CONFLICT | StatusCode::SERVICE_UNAVAILABLE
            );
        let Some(who) = traced.who.filter(|_| traced.wrong || (!looked && meant)) else { return };
        let deed = Deed {
            at: page.now(),
            who,
            from: self.origin.address.to_string(),
            what: format!("{} {}", self.method, self.path),
            status: status.as_u16(),
            detail: traced.detail,
        };
        let access = Arc::clone(&page.access);
        let _ = tokio::task::spawn_blocking(move || access.record(&deed)).await;
    }
}

/// So many looks a second from one address; where looking takes a login, whoever looks has to be known; a sticker shows its own sump only.
async fn lookers_only(State(page): State<Arc<Page>>, request: Request<Body>, next: Next) -> Response {
    let (parts, body) = request.into_parts();
    if let Err(problem) = desk::may_look_again(&page, &parts) {
        return problem.into_response();
    }
    if page.access.reads() == Reads::Open {
        return next.run(Request::from_parts(parts, body)).await;
    }
    let caller = match desk::permitted(&page, &Need::Look, &parts, false) {
        Ok(caller) => caller,
        Err(problem) => return problem.into_response(),
    };
    if let Caller::Sticker(sump) = caller
        && parts.uri.path() != format!("/sumps/{sump}")
    {
        let detail = "a sticker shows its own machine; log in to see the others";
        return Problem::new(StatusCode::FORBIDDEN, "role", detail).into_response();
    }
    next.run(Request::from_parts(parts, body)).await
}

impl Page {
    /// What is found in the store, with one of `places` held until the store is done, also where whoever asked has gone.
    async fn found<T: Send + 'static>(places: &Arc<Semaphore>, finding: records::Finding<T>) -> Option<T> {
        let place = Arc::clone(places).acquire_owned().await.ok()?;
        let work = tokio::spawn(async move {
            let found = finding.await;
            drop(place);
            found
        });
        work.await.ok().flatten()
    }

    /// Whoever looks now sees what has just been done.
    async fn forget_latest(&self) {
        *self.latest.lock().await = None;
    }

    async fn shop(&self) -> Option<Shop> {
        let mut latest = self.latest.lock().await;
        if let Some((_, shop)) = latest.as_ref().filter(|(made, _)| made.elapsed() < SNAPSHOT_AGE_MAX) {
            return Some(shop.clone());
        }
        let snapshot = tokio::time::timeout(SNAPSHOT_WAIT_MAX, self.ask()).await.ok()??;
        let receivers = (self.writes.receivers)();
        let reduced = (self.writes.health)().reduced;
        let (site, timezone, at) = (self.site.clone(), self.timezone.clone(), self.now().to_string());
        let shop = Shop { site, timezone, at, snapshot, receivers, reduced };
        *latest = Some((Instant::now(), shop.clone()));
        Some(shop)
    }

    async fn ask(&self) -> Option<Snapshot> {
        let (answer, answered) = oneshot::channel();
        self.requests.send(answer).await.ok()?;
        answered.await.ok()
    }
}

/// Whether the page may be asked for under `host`: the address it listens on, `localhost` if that is loopback, and any
/// address with our port if it listens on all of them. Addresses cannot be rebound, names can: no other name is ours.
fn is_ours(host: &str, listening: SocketAddr) -> bool {
    let here = listening.ip();
    if host
        .parse::<SocketAddr>()
        .is_ok_and(|named| named.port() == listening.port() && (named.ip() == here || here.is_unspecified()))
    {
        return true;
    }
    let localhost = format!("localhost:{}", listening.port());
    (here.is_loopback() || here.is_unspecified()) && host.eq_ignore_ascii_case(&localhost)
}

#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_people;
