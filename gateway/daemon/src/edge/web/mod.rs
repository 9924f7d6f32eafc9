//! The page and the state behind it, over HTTP.
//!
//! `GET /` is the page; `GET /state` is the shop as JSON, `GET /sumps/SUMP/trend` and `GET /journal` what has been: the page
//! uses nothing else. `GET /metrics` is the gateway's own health. `POST /notes` takes a note and `POST /alarms` an order from whoever has the key, `/acknowledge/TOKEN` is where the
//! links in messages lead; everything else is read only. Titles and
//! messages are untrusted text: the page puts them into text nodes, the server sends a policy that forbids inline
//! script. The `Host` header must be one of ours, so that a foreign site cannot reach the page by rebinding its name.

mod acknowledge;
mod assets;
pub mod commands;
mod desk;
mod gate;
pub mod key;
mod metrics;
mod notes;
pub mod orders;
pub mod records;

use std::net::SocketAddr;
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use axum::Json;
use axum::body::Body;
use axum::extract::DefaultBodyLimit;
use axum::extract::{Request, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use serde::Serialize;
use sumpwarden_core::acquire::Lateness;
use sumpwarden_core::engine::snapshot::Snapshot;
use tokio::net::TcpListener;
use tokio::sync::{Mutex, mpsc, oneshot};
use tokio::time::Instant;

use desk::Desk;
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

/// Headers of every answer, errors too.
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
#[derive(Clone, Debug, Serialize)]
pub struct Shop {
    /// Site name in the configuration.
    pub site: String,
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
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
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

struct Page {
    site: String,
    listening: SocketAddr,
    requests: SnapshotRequests,
    writes: Writes,
    records: Records,
    starts: PollStarts,
    latest: Mutex<Option<(Instant, Shop)>>,
    /// The journal is counted for one at a time: it may be long.
    counting: Mutex<()>,
    desk: Desk,
}

/// Serves on `listener` until `shutdown` ends.
pub async fn serve(
    listener: TcpListener,
    site: String,
    requests: SnapshotRequests,
    writes: Writes,
    records: Records,
    starts: PollStarts,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let listening = listener.local_addr()?;
    let desk = Desk::new(&writes.key, writes.commands.clone())?;
    let page = Arc::new(Page {
        site,
        listening,
        requests,
        writes,
        records,
        starts,
        latest: Mutex::new(None),
        counting: Mutex::new(()),
        desk,
    });
    let router = assets::routes()
        .route("/state", get(state))
        .route("/sumps/{sump}/trend", get(records::trend))
        .route("/journal", get(records::journal))
        .route("/metrics", get(health))
        .route("/notes", post(notes::take))
        .route("/alarms", post(orders::take))
        .route("/alarms/performance", get(orders::performance))
        .route(
            "/acknowledge/{token}",
            get(acknowledge::show)
                .post(acknowledge::acknowledge)
                .layer(DefaultBodyLimit::max(acknowledge::BODY_BYTES_MAX)),
        )
        .layer(middleware::from_fn_with_state(Arc::clone(&page), guard))
        .with_state(page);
    let service = router.into_make_service_with_connect_info::<SocketAddr>();
    axum::serve(listener, service).with_graceful_shutdown(shutdown).await
}

async fn state(State(page): State<Arc<Page>>) -> Response {
    match page.shop().await {
        Some(shop) => Json(shop).into_response(),
        None => (StatusCode::SERVICE_UNAVAILABLE, "the engine does not answer").into_response(),
    }
}

async fn health(State(page): State<Arc<Page>>) -> impl IntoResponse {
    let health = (page.writes.health)();
    let text = metrics::write(&page.starts.lock().unwrap_or_else(PoisonError::into_inner), &health);
    ([(header::CONTENT_TYPE, metrics::MEDIA_TYPE)], text)
}

async fn guard(State(page): State<Arc<Page>>, request: Request<Body>, next: Next) -> Response {
    let host = request.headers().get(header::HOST).and_then(|host| host.to_str().ok());
    let mut response = match host {
        Some(host) if is_ours(host, page.listening) || page.writes.is_public(host) => next.run(request).await,
        _ => {
            (StatusCode::MISDIRECTED_REQUEST, "this server does not answer to that host name").into_response()
        }
    };
    for (name, value) in HEADERS {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    if response.extensions().get::<acknowledge::HasForm>().is_some() {
        let policy = HeaderValue::from_static(acknowledge::POLICY);
        response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    response
}

impl Page {
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
        let shop = Shop { site: self.site.clone(), at: self.now().to_string(), snapshot, receivers, reduced };
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
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    use super::commands::Command;
    use sumpwarden_core::acquire::settings::Secret;
    use sumpwarden_core::alarm::order::Order;
    use sumpwarden_core::alarm::performance::Performance;
    use sumpwarden_core::model::Timestamp;

    const KEY: &str = "0123456789abcdef0123456789abcdef";

    /// What the engine of a test says to an order about an alarm.
    type Says = fn(&Command) -> Result<(), String>;

    fn nobody_asked(_: &Command) -> Result<(), String> {
        Err("nobody asked for this".to_owned())
    }

    pub(super) async fn answer_to(request: &str) -> String {
        answer_of(request, nobody_asked).await
    }

    /// Tokens are `good`, which stands for the third time that lathe-1/ph-low came up, and `old`.
    fn tokens(token: &str) -> Result<Claimed, TokenError> {
        match token {
            "good" => Ok(Claimed {
                alarm: "lathe-1/<b>ph-low".to_owned(),
                occurrence: 3,
                receiver: "setter".to_owned(),
            }),
            "old" => Err(TokenError::Expired),
            _ => Err(TokenError::NotOurs),
        }
    }

    pub(super) async fn answer_of(request: &str, says: Says) -> String {
        answers_of(&[request], says).await.remove(0)
    }

    async fn answers_to(requests: &[&str]) -> Vec<String> {
        answers_of(requests, nobody_asked).await
    }

    /// Answers to requests that come one after the other; no engine takes a note.
    async fn answers_of(requests: &[&str], says: Says) -> Vec<String> {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("loopback");
        let address = listener.local_addr().expect("bound");
        let (snapshots, mut asked) = mpsc::channel::<oneshot::Sender<Snapshot>>(1);
        tokio::spawn(async move {
            while let Some(answer) = asked.recv().await {
                let _ = answer.send(Snapshot { sumps: Vec::new(), alarms: Vec::new() });
            }
        });
        let (commands, mut told) = mpsc::channel(commands::COMMANDS_MAX);
        tokio::spawn(async move {
            while let Some(command) = told.recv().await {
                let said = says(&command);
                match command {
                    Command::Order { answer, .. } => _ = answer.send(said),
                    Command::Note { answer, .. } => drop(answer),
                }
            }
        });
        let public_host = Some("sumps.example".to_owned());
        let performance: orders::Measures = Arc::new(|days| {
            let from = Timestamp::default();
            let until = from.plus(Duration::from_hours(24) * days);
            Box::pin(async move { Some(Performance::of(&[], from, until)) })
        });
        let receivers: Receivers = Arc::new(Vec::new);
        let key = Secret::new(KEY.to_owned());
        let health: Health = Arc::new(|| HealthView {
            reduced: vec!["page is left away: it broke".to_owned()],
            ..HealthView::default()
        });
        let tokens: Option<Tokens> = Some(Arc::new(tokens));
        let writes = Writes { key, commands, tokens, public_host, performance, receivers, health };
        tokio::spawn(serve(
            listener,
            "hall-2".to_owned(),
            snapshots,
            writes,
            records::tests::records(),
            PollStarts::default(),
            std::future::pending(),
        ));
        let mut answers = Vec::new();
        for request in requests {
            let mut stream = tokio::net::TcpStream::connect(address).await.expect("listening");
            let request = request.replace("OURS", &address.to_string());
            stream.write_all(request.as_bytes()).await.expect("written");
            let mut answer = String::new();
            stream.read_to_string(&mut answer).await.expect("answered and closed");
            answers.push(answer);
        }
        answers
    }

    /// A request with a note, with these headers more and this body.
    fn note(headers: &str, body: &str) -> String {
        let length = body.len();
        format!(
            "POST /notes HTTP/1.1\r\nHost: OURS\r\nConnection: close\r\nContent-Length: {length}\r\n{headers}\r\n{body}"
        )
    }

    #[tokio::test]
    async fn a_note_is_refused_with_what_would_be_right() {
        let key = format!("Authorization: Bearer {KEY}\r\n");
        let json = format!("{key}Content-Type: application/json; charset=utf-8\r\n");
        let large = " ".repeat((64 << 10) + 1);
        for (headers, body, status, words) in [
            ("", "{}", 401, "Authorization: Bearer KEY"),
            ("Authorization: Bearer 0123456789abcdef\r\n", "{}", 401, "not the key"),
            (&format!("Authorization: Basic {KEY}\r\n"), "{}", 401, "Authorization: Bearer KEY"),
            (&format!("{json}Sec-Fetch-Site: cross-site\r\n"), "{}", 403, "other sites"),
            (&format!("{json}Origin: http://evil.example\r\n"), "{}", 403, "other sites"),
            (&format!("{json}Origin: null\r\n"), "{}", 403, "other sites"),
            (&key, "{}", 415, "application/json"),
            (&format!("{key}Content-Type: text/plain\r\n"), "{}", 415, "application/json"),
            (&json, "{", 400, "send one JSON object"),
            (&json, &large, 413, "65536"),
            (
                &format!("{json}Origin: http://OURS\r\nSec-Fetch-Site: same-origin\r\n"),
                "{}",
                503,
                "same `at`",
            ),
        ] {
            let answer = answer_to(&note(headers, body)).await;
            assert!(answer.starts_with(&format!("HTTP/1.1 {status}")), "{headers}: {answer}");
            assert!(answer.contains("content-type: application/problem+json"), "{answer}");
            assert!(answer.contains(words) && answer.contains(&format!("\"status\":{status}")), "{answer}");
        }
        let nobody = answer_to("GET /notes HTTP/1.1\r\nHost: OURS\r\nConnection: close\r\n\r\n").await;
        assert!(nobody.starts_with("HTTP/1.1 405"), "nothing can be read there: {nobody}");
    }

    /// An order with the key.
    fn order(body: &str) -> String {
        let headers = format!("Authorization: Bearer {KEY}\r\nContent-Type: application/json\r\n");
        note(&headers, body).replace("POST /notes", "POST /alarms")
    }

    #[tokio::test]
    async fn an_order_goes_to_the_engine_as_it_was_meant() {
        let says = |command: &Command| {
            let Command::Order { alarm, order, by, why, .. } = command else { panic!("{command:?}") };
            let eight_hours = Order::Shelve { time: Duration::from_hours(8) };
            assert_eq!((alarm.as_str(), *order, by.as_str()), ("lathe-1/ph-low", eight_hours, "Kim"));
            assert_eq!(why.as_deref(), Some("probe in the buffer"));
            Ok(())
        };
        let text = r#"{"alarm": "lathe-1/ph-low", "do": "shelve", "minutes": 480, "by": " Kim ",
            "why": "probe in the buffer"}"#;
        let answer = answer_of(&order(text), says).await;
        assert!(answer.starts_with("HTTP/1.1 204"), "{answer}");
    }

    #[tokio::test]
    async fn an_order_is_refused_with_what_would_be_right() {
        let refuses = |_: &Command| Err("say why: the journal has to tell the next shift".to_owned());
        let alarm = r#""alarm": "lathe-1/ph-low""#;
        for (body, status, words) in [
            ("{".to_owned(), 400, "this is no order"),
            (format!(r#"{{{alarm}, "do": "mute", "by": "Kim"}}"#), 400, "acknowledge"),
            (format!(r#"{{{alarm}, "do": "shelve", "by": "Kim", "until": 5}}"#), 400, "unknown field"),
            (format!(r#"{{{alarm}, "do": "shelve", "by": ""}}"#), 422, "`by` is empty"),
            (format!(r#"{{{alarm}, "do": "shelve", "by": "a\u0007b"}}"#), 422, "U+0007"),
            (format!(r#"{{{alarm}, "do": "shelve", "by": "Kim"}}"#), 409, "say why"),
        ] {
            let answer = answer_of(&order(&body), refuses).await;
            assert!(
                answer.starts_with(&format!("HTTP/1.1 {status}")) && answer.contains(words),
                "{body}: {answer}"
            );
        }
        let stranger =
            answer_to(&note("Content-Type: application/json\r\n", "{}").replace("/notes", "/alarms")).await;
        assert!(stranger.starts_with("HTTP/1.1 401"), "{stranger}");
    }

    #[tokio::test]
    async fn the_measures_of_the_alarms_are_asked_for_by_days() {
        let get = |query: &str| {
            format!("GET /alarms/performance{query} HTTP/1.1\r\nHost: OURS\r\nConnection: close\r\n\r\n")
        };
        let answer = answer_to(&get("?days=30")).await;
        assert!(answer.starts_with("HTTP/1.1 200") && answer.contains("\"days\":30.0"), "{answer}");
        assert!(answer_to(&get("")).await.contains("\"days\":7.0"));
        for query in ["?days=0", "?days=367", "?days=x"] {
            let answer = answer_to(&get(query)).await;
            assert!(answer.starts_with("HTTP/1.1 400") && answer.contains("1 to 366"), "{answer}");
        }
    }

    #[tokio::test]
    async fn guessing_the_key_costs_time_and_hasty_senders_wait() {
        let wrong = note("Authorization: Bearer guess\r\n", "{}");
        let right = note(&format!("Authorization: Bearer {KEY}\r\n"), "{}");
        let answers = answers_to(&[&wrong, &wrong, &wrong, &wrong, &wrong, &wrong, &right]).await;
        assert!(answers[5].starts_with("HTTP/1.1 401"), "{}", answers[5]);
        assert!(
            answers[6].starts_with("HTTP/1.1 429") && answers[6].contains("retry-after: "),
            "{}",
            answers[6]
        );
        let many = answers_to(&[right.as_str(); 120]).await;
        assert!(many[..20].iter().all(|answer| answer.starts_with("HTTP/1.1 415")), "twenty at once");
        assert!(many.iter().any(|answer| answer.starts_with("HTTP/1.1 429")), "120 in a moment are too many");
    }

    #[tokio::test]
    async fn the_state_is_json_under_our_own_name() {
        let answer = answer_to("GET /state HTTP/1.1\r\nHost: OURS\r\nConnection: close\r\n\r\n").await;
        assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
        assert!(
            answer.contains(
                r#"{"site":"hall-2","at":"2026-03-01T08:00:00Z","sumps":[],"alarms":[],"receivers":[],"reduced":["#
            ),
            "{answer}"
        );
        assert!(answer.contains(r#""reduced":["page is left away: it broke"]}"#), "{answer}");
    }

    #[tokio::test]
    async fn health_is_open_metrics() {
        let answer = answer_to("GET /metrics HTTP/1.1\r\nHost: OURS\r\nConnection: close\r\n\r\n").await;
        assert!(answer.contains("content-type: application/openmetrics-text; version=1.0.0"), "{answer}");
        assert!(answer.contains("sumpwarden_poll_start_late_seconds_count 0\n"), "{answer}");
    }

    #[test]
    fn addresses_are_ours_where_all_are_listened_on_and_foreign_names_never() {
        let [loopback, all] =
            ["127.0.0.1:8480", "0.0.0.0:8480"].map(|text| text.parse().expect("an address"));
        for (host, on_loopback, on_all) in [
            ("127.0.0.1:8480", true, true),
            ("LocalHost:8480", true, true),
            ("192.0.2.7:8480", false, true),
            ("[2001:db8::7]:8480", false, true),
            ("192.0.2.7:80", false, false),
            ("192.0.2.7", false, false),
            ("evil.example:8480", false, false),
            ("localhost.evil.example:8480", false, false),
        ] {
            assert_eq!((is_ours(host, loopback), is_ours(host, all)), (on_loopback, on_all), "{host}");
        }
    }

    #[tokio::test]
    async fn a_foreign_host_name_is_refused_with_all_headers() {
        for host in ["evil.example", "127.0.0.1", "localhost.evil.example:80"] {
            let answer =
                answer_to(&format!("GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n")).await;
            assert!(answer.starts_with("HTTP/1.1 421"), "{answer}");
            assert!(answer.contains("content-security-policy: default-src 'none'"), "{answer}");
        }
    }

    #[tokio::test]
    async fn nothing_can_be_written() {
        for method in ["POST", "PUT", "DELETE", "PATCH"] {
            let answer = answer_to(&format!(
                "{method} /state HTTP/1.1\r\nHost: OURS\r\nConnection: close\r\nContent-Length: 0\r\n\r\n"
            ))
            .await;
            assert!(answer.starts_with("HTTP/1.1 405"), "{answer}");
        }
    }
}
