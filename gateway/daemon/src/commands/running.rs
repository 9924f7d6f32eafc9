//! Asking the running daemon on this machine, with the key from its data directory. Where its page has a certificate, it has
//! to be that very one.

mod pinned;

use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

use axum::body::{Body, to_bytes};
use axum::http::{Method, Request, header};
use hyper::client::conn::http1;
use hyper_util::rt::TokioIo;
use serde_json::Value;
use sumpwarden_core::acquire::settings::Secret;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::time::timeout;

use super::{Exit, block_on, console};
use crate::config::{PageTls, Settings};
use crate::edge::data_files::NOTE_KEY;
use crate::edge::web::{certificate, key};

/// How long the daemon may take to answer; it gives up itself after ten seconds.
const ANSWER_WAIT_MAX: Duration = Duration::from_secs(15);
/// Largest answer that is read.
const ANSWER_BYTES_MAX: usize = 64 << 20;

/// Which daemon is asked, and who reads what it answers.
#[derive(clap::Args, Clone, Debug)]
pub(super) struct OfDaemon {
    /// Configuration file of the running daemon
    #[arg(long, short, value_name = "FILE")]
    pub(super) config: PathBuf,
    /// Machine-readable
    #[arg(long, global = true)]
    pub(super) json: bool,
}

/// Something to ask the daemon.
struct Asked<'a> {
    method: Method,
    path: &'a str,
    body: Option<String>,
    /// Whether the key has to go with it.
    with_key: bool,
    /// What to do where nobody knows whether it was taken.
    twice: &'a str,
}

/// Hands `body` in under `path`, with the key, and gives the answer; what went wrong is told. `twice` says what to do where
/// nobody knows whether it was taken.
pub(super) fn hand_in(settings: &Settings, path: &str, body: &Value, twice: &str) -> Result<Value, Exit> {
    answer(
        settings,
        Asked { method: Method::POST, path, body: Some(body.to_string()), with_key: true, twice },
    )
}

/// Does something under `path`, with the key.
pub(super) fn with_key(
    settings: &Settings,
    method: Method,
    path: &str,
    body: Option<&Value>,
) -> Result<Value, Exit> {
    let (body, twice) = (body.map(Value::to_string), "look how it is now");
    answer(settings, Asked { method, path, body, with_key: true, twice })
}

/// What stands under `path`.
pub(super) fn look_up(settings: &Settings, path: &str) -> Result<Value, Exit> {
    // Looking needs the key only where it takes a login; whoever may not read the key may look all the same.
    let with_key = settings.web.reads_need_login;
    answer(settings, Asked { method: Method::GET, path, body: None, with_key, twice: "ask again" })
}

/// The text that stands under `path`.
pub(super) fn look_up_text(settings: &Settings, path: &str) -> Result<String, Exit> {
    let with_key = settings.web.reads_need_login;
    let asked = Asked { method: Method::GET, path, body: None, with_key, twice: "ask again" };
    let key = if with_key { Some(key_of(settings)?) } else { None };
    let certificate = certificate_of(settings)?;
    match block_on(fetch(address_of(settings.web.listen), certificate, key, asked))? {
        Ok((200, body)) => Ok(String::from_utf8_lossy(&body).into_owned()),
        Ok((status, _)) => {
            console::complain(&format!("{path} is refused ({status})"));
            Err(Exit::Outside)
        }
        Err(why) => {
            console::complain(&why);
            Err(Exit::Outside)
        }
    }
}

fn answer(settings: &Settings, asked: Asked<'_>) -> Result<Value, Exit> {
    let key = if asked.with_key { Some(key_of(settings)?) } else { None };
    let certificate = certificate_of(settings)?;
    match block_on(send(address_of(settings.web.listen), certificate, key, asked))? {
        Ok((200..=299, answer)) => Ok(answer),
        Ok((status, problem)) => {
            let detail = problem["detail"].as_str().unwrap_or("no reason given");
            let mut lines = detail.lines().map(console::plain);
            console::complain(&format!("refused ({status}): {}", lines.next().unwrap_or_default()));
            lines.for_each(|line| console::complain(&line));
            Err(if status == 503 { Exit::Outside } else { Exit::Negative })
        }
        Err(why) => {
            console::complain(&why);
            Err(Exit::Outside)
        }
    }
}

/// The certificate that the page shows, where it has one, PEM.
fn certificate_of(settings: &Settings) -> Result<Option<String>, Exit> {
    match &settings.web.tls {
        PageTls::Off => Ok(None),
        PageTls::Files { certificate, .. } => Ok(Some(certificate.clone())),
        PageTls::Own => certificate::own_pem(&settings.store.directory).map(Some).map_err(|error| {
            console::complain(&format!(
                "{error}; start the daemon once (sumpwarden run), and run this as its user"
            ));
            Exit::Outside
        }),
    }
}

fn key_of(settings: &Settings) -> Result<Secret, Exit> {
    if let Some(key) = &settings.web.note_key {
        return Ok(key.clone());
    }
    let directory = &settings.store.directory;
    key::read(directory, NOTE_KEY).map_err(|error| {
        let path = NOTE_KEY.of(directory);
        let cure = match error.kind() {
            io::ErrorKind::NotFound => "start the daemon once (sumpwarden run): it makes the key",
            io::ErrorKind::PermissionDenied => "run this as the daemon's user, with sudo -u USER",
            _ => "see that only the daemon's user can read it",
        };
        console::complain(&format!("the key for notes {}: {error}; {cure}", path.display()));
        Exit::Outside
    })
}

/// Where a daemon that listens on all addresses is found on its own machine.
fn address_of(listen: SocketAddr) -> SocketAddr {
    let ip = match listen.ip() {
        IpAddr::V4(ip) if ip.is_unspecified() => IpAddr::V4(Ipv4Addr::LOCALHOST),
        IpAddr::V6(ip) if ip.is_unspecified() => IpAddr::V6(Ipv6Addr::LOCALHOST),
        ip => ip,
    };
    SocketAddr::new(ip, listen.port())
}

/// Status and JSON of the daemon's answer; null where it says nothing more.
async fn send(
    address: SocketAddr,
    certificate: Option<String>,
    key: Option<Secret>,
    asked: Asked<'_>,
) -> Result<(u16, Value), String> {
    let (status, body) = fetch(address, certificate, key, asked).await?;
    if body.is_empty() {
        return Ok((status, Value::Null));
    }
    let answer = serde_json::from_slice(&body)
        .map_err(|_| format!("what answers at {address} is not this daemon; look at [web] listen"))?;
    Ok((status, answer))
}

/// Status and body of the daemon's answer.
async fn fetch(
    address: SocketAddr,
    certificate: Option<String>,
    key: Option<Secret>,
    asked: Asked<'_>,
) -> Result<(u16, Vec<u8>), String> {
    if address.port() == 0 {
        return Err("the page listens on a port that the system chooses; give [web] listen a port".to_owned());
    }
    let twice = asked.twice;
    let connected = timeout(ANSWER_WAIT_MAX, connect(address, certificate)).await;
    let stream = connected.unwrap_or_else(|_| Err(io::ErrorKind::TimedOut.into())).map_err(|error| {
        let cure =
            "the daemon does not run, or listens elsewhere: start it with sumpwarden run, or look at [web]";
        format!("no answer from the daemon at {address} ({error}); {cure}")
    })?;
    let exchanged = timeout(ANSWER_WAIT_MAX, exchange(stream, request(address, key, asked))).await;
    exchanged.ok().flatten().ok_or_else(|| {
        format!("no answer from the daemon at {address}; it is not known whether it was taken; {twice}")
    })
}

trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}

impl<S: AsyncRead + AsyncWrite + Send + Unpin> Stream for S {}

async fn connect(address: SocketAddr, certificate: Option<String>) -> io::Result<Box<dyn Stream>> {
    let stream = TcpStream::connect(address).await?;
    match certificate {
        None => Ok(Box::new(stream)),
        Some(certificate) => Ok(Box::new(pinned::over(stream, &certificate, address.ip()).await?)),
    }
}

fn request(address: SocketAddr, key: Option<Secret>, asked: Asked<'_>) -> Option<Request<Body>> {
    let mut request =
        Request::builder().method(asked.method).uri(asked.path).header(header::HOST, address.to_string());
    if let Some(key) = key {
        request = request.header(header::AUTHORIZATION, format!("Bearer {}", key.reveal()));
    }
    if asked.body.is_some() {
        request = request.header(header::CONTENT_TYPE, "application/json");
    }
    request.body(asked.body.map_or_else(Body::empty, Body::from)).ok()
}

async fn exchange(stream: Box<dyn Stream>, request: Option<Request<Body>>) -> Option<(u16, Vec<u8>)> {
    let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await.ok()?;
    let ended = tokio::spawn(connection);
    let answer = sender.send_request(request?).await.ok()?;
    let status = answer.status().as_u16();
    let body = to_bytes(Body::new(answer.into_body()), ANSWER_BYTES_MAX).await.ok()?;
    ended.abort();
    Some((status, body.to_vec()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_daemon_is_asked_where_it_can_be_reached() {
        for (listen, asked) in [
            ("127.0.0.1:1", "127.0.0.1:1"),
            ("0.0.0.0:2", "127.0.0.1:2"),
            ("[::]:3", "[::1]:3"),
            ("192.0.2.7:4", "192.0.2.7:4"),
        ] {
            assert_eq!(address_of(listen.parse().unwrap()).to_string(), asked);
        }
    }
}
