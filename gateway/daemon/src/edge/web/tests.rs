//! The whole interface over real connections.

use super::*;
use tokio::io::{AsyncReadExt, AsyncWriteExt};

use super::buses::DeviceView;
use super::commands::Command;
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::alarm::order::Order;
use sumpwarden_core::alarm::performance::Performance;
use sumpwarden_core::model::Timestamp;

pub(super) const KEY: &str = "0123456789abcdef0123456789abcdef";

/// What the engine of a test says to an order about an alarm.
pub(super) type Says = fn(&Command) -> Result<(), String>;

pub(super) fn nobody_asked(_: &Command) -> Result<(), String> {
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
    let address = served(says, access(Reads::Open)).await;
    let mut answers = Vec::new();
    for request in requests {
        answers.push(asked(address, request).await);
    }
    answers
}

/// Nobody can log in yet.
pub(super) fn access(reads: Reads) -> Arc<Access> {
    static N: std::sync::atomic::AtomicU32 = std::sync::atomic::AtomicU32::new(0);
    let n = N.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
    let directory = access::tempdir(&format!("web-{n}"));
    let key = Secret::new(KEY.to_owned());
    Arc::new(Access::open(&directory, &key, &key, reads))
}

pub(super) async fn asked(address: SocketAddr, request: &str) -> String {
    let mut stream = tokio::net::TcpStream::connect(address).await.expect("listening");
    let request = request.replace("OURS", &address.to_string());
    stream.write_all(request.as_bytes()).await.expect("written");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.expect("answered and closed");
    answer
}

fn bus() -> buses::BusView {
    let device = DeviceView {
        name: "head".to_owned(),
        asked: 9,
        answered: 7,
        refused: 0,
        silent: 2,
        damaged: 0,
        skipped: 0,
        last_reply_at: None,
    };
    buses::BusView {
        name: "cell".to_owned(),
        connected: true,
        standing_by: false,
        polled_by: None,
        line_load_percent: Some(4.5),
        devices: vec![device],
    }
}

#[tokio::test]
async fn buses_tell_what_became_of_every_poll() {
    let answer = answer_to("GET /buses HTTP/1.1\r\nHost: OURS\r\nConnection: close\r\n\r\n").await;
    let expected = r#"{"buses":[{"name":"cell","connected":true,"standing_by":false,"polled_by":null,"line_load_percent":4.5,"devices":[{"name":"head","asked":9,"answered":7,"refused":0,"silent":2,"damaged":0,"skipped":0,"last_reply_at":null}]}]}"#;
    assert!(answer.ends_with(expected), "{answer}");
}

/// A page that runs until the test ends.
pub(super) async fn served(says: Says, access: Arc<Access>) -> SocketAddr {
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
                Command::Calibration { answer, .. } => drop(answer),
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
    let reload: reload::Reload =
        Arc::new(|| Box::pin(async { Err("the old one stays in force".to_owned()) }));
    let standing: status::Standing = Arc::new(|| {
        let started_at = "2026-03-01T08:00:00Z".to_owned();
        let view = status::StatusView { started_at, version: "1.2".to_owned(), ..Default::default() };
        Box::pin(async move { view })
    });
    let (still, not_ready): (status::Still, status::Still) =
        (Arc::new(Vec::new), Arc::new(|| vec!["bus cell".to_owned()]));
    let tokens: Option<Tokens> = Some(Arc::new(tokens));
    let writes = Writes {
        key,
        commands,
        tokens,
        public_host,
        performance,
        receivers,
        health,
        reload,
        standing,
        still,
        not_ready,
    };
    let parts = Parts {
        site: "hall-2".to_owned(),
        timezone: "Europe/Berlin".to_owned(),
        snapshots,
        writes,
        records: records::tests::records(),
        starts: PollStarts::default(),
        buses: Arc::new(|| vec![bus()]),
        access,
        tls: None,
        proxy: None,
    };
    tokio::spawn(serve(listener, parts, std::future::pending()));
    address
}

/// A request with a note, with these headers more and this body.
pub(super) fn note(headers: &str, body: &str) -> String {
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
        (&format!("{json}Origin: http://OURS\r\nSec-Fetch-Site: same-origin\r\n"), "{}", 503, "same `at`"),
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
    assert!(answers[6].starts_with("HTTP/1.1 429") && answers[6].contains("retry-after: "), "{}", answers[6]);
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
            r#"{"site":"hall-2","timezone":"Europe/Berlin","at":"2026-03-01T08:00:00Z","sumps":[],"alarms":[],"receivers":[],"reduced":["#
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
    let [loopback, all] = ["127.0.0.1:8480", "0.0.0.0:8480"].map(|text| text.parse().expect("an address"));
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
        let answer = answer_to(&format!("GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n")).await;
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
