//! Stands between the HTTP client and the database, because the client reads the answer to a refused request without a
//! bound and shows none of its headers.
//!
//! A relay on a loopback port of its own, used by this client alone as its proxy. Whatever it is asked, it connects to
//! the one configured host and port and to nothing else. It passes bytes both ways and cuts a connection whose answers
//! run over [`ANSWER_BYTES_MAX`] since the last byte that was sent. Where the connection is not encrypted it sees the
//! `Retry-After` of an answer; behind TLS it cannot, and the client's own back-off has to do.

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// Most bytes of one answer, headers included.
pub(super) const ANSWER_BYTES_MAX: usize = 64 * 1024;
/// Longest request for a tunnel.
const TUNNEL_BYTES_MAX: usize = 8 * 1024;
/// Longest wait that an answer may ask for.
pub(super) const RETRY_AFTER_MAX: Duration = Duration::from_secs(300);
/// Bytes passed on at once.
const PIECE: usize = 16 * 1024;

/// The relay's end that the sender holds. The relay stops when it is dropped.
#[derive(Debug)]
pub(super) struct Guard {
    address: SocketAddr,
    seen: Seen,
    task: tokio::task::JoinHandle<()>,
}

/// Wait that the latest answer asked for.
type Seen = Arc<Mutex<Option<Duration>>>;

/// Where everything goes.
#[derive(Clone, Debug)]
struct Target {
    host: String,
    port: u16,
    tunnel: bool,
}

impl Guard {
    /// Starts the relay to the host of `url`. Must be called inside a runtime.
    pub(super) fn new(url: &reqwest::Url) -> std::io::Result<Self> {
        let target = Target {
            host: url.host_str().unwrap_or_default().trim_matches(['[', ']']).to_owned(),
            port: url.port_or_known_default().unwrap_or(80),
            tunnel: url.scheme() == "https",
        };
        let listener = std::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?;
        listener.set_nonblocking(true)?;
        let address = listener.local_addr()?;
        let listener = TcpListener::from_std(listener)?;
        let seen = Seen::default();
        let task = tokio::spawn(accept(listener, target, Arc::clone(&seen)));
        Ok(Self { address, seen, task })
    }

    pub(super) fn url(&self) -> String {
        format!("http://{}", self.address)
    }

    /// Wait that the latest answer asked for, at most [`RETRY_AFTER_MAX`].
    pub(super) fn retry_after(&self) -> Option<Duration> {
        *self.seen.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Guard {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// Serves one connection at a time and one in waiting: the client has one request under way.
async fn accept(listener: TcpListener, target: Target, seen: Seen) {
    let mut running = tokio::task::JoinSet::new();
    while let Ok((client, _)) = listener.accept().await {
        while running.len() >= 2 {
            running.join_next().await;
        }
        running.spawn(relay(client, target.clone(), Arc::clone(&seen)));
    }
}

/// Passes bytes until either side ends or an answer is too long. Errors end the connection, which the client reports.
async fn relay(mut client: TcpStream, target: Target, seen: Seen) {
    if target.tunnel && !read_tunnel_request(&mut client).await {
        return;
    }
    let Ok(mut server) = TcpStream::connect((target.host.as_str(), target.port)).await else { return };
    // Small pieces of a request should not wait for each other.
    let _ = (client.set_nodelay(true), server.set_nodelay(true));
    if target.tunnel && client.write_all(b"HTTP/1.1 200 OK\r\n\r\n").await.is_err() {
        return;
    }
    let (mut to_server, mut to_client) = (vec![0; PIECE], vec![0; PIECE]);
    let mut answered: usize = 0;
    let mut head = Vec::new();
    loop {
        tokio::select! {
            read = client.read(&mut to_server) => {
                let Ok(length @ 1..) = read else { return };
                if answered > 0 {
                    (answered, head) = (0, Vec::new());
                }
                if server.write_all(&to_server[..length]).await.is_err() {
                    // What the server has already answered tells more than the broken pipe does.
                    drain(&mut server, &mut client, ANSWER_BYTES_MAX).await;
                    return;
                }
            }
            read = server.read(&mut to_client) => {
                let Ok(length @ 1..) = read else { return };
                answered += length;
                if !target.tunnel {
                    head.extend_from_slice(&to_client[..length]);
                    note_retry_after(&head, &seen);
                }
                if answered > ANSWER_BYTES_MAX || client.write_all(&to_client[..length]).await.is_err() {
                    return;
                }
            }
        }
    }
}

/// Passes on what is left of an answer.
async fn drain(server: &mut TcpStream, client: &mut TcpStream, bytes_max: usize) {
    let mut rest = server.take(bytes_max as u64);
    // Whether it arrives or not, the connection is over.
    let _ = tokio::io::copy(&mut rest, client).await;
}

/// Takes the request for a tunnel away; it names a host, but there is only one to go to.
async fn read_tunnel_request(client: &mut TcpStream) -> bool {
    let mut request = Vec::new();
    let mut byte = [0; 1];
    while !request.ends_with(b"\r\n\r\n") {
        if request.len() >= TUNNEL_BYTES_MAX || client.read_exact(&mut byte).await.is_err() {
            return false;
        }
        request.push(byte[0]);
    }
    request.starts_with(b"CONNECT ")
}

fn note_retry_after(head: &[u8], seen: &Seen) {
    let text = String::from_utf8_lossy(head);
    let Some((headers, _)) = text.split_once("\r\n\r\n") else { return };
    let asked = headers.lines().skip(1).find_map(|line| {
        let (name, value) = line.split_once(':')?;
        let seconds: u64 = name.eq_ignore_ascii_case("retry-after").then(|| value.trim().parse().ok())??;
        Some(Duration::from_secs(seconds).min(RETRY_AFTER_MAX))
    });
    *seen.lock().unwrap_or_else(PoisonError::into_inner) = asked;
}
