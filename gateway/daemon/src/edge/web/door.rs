//! The door: connections come in here, few at once, with or without TLS, and each with its deadlines.
//!
//! | what | limit |
//! | --- | --- |
//! | connections | 64, of one address 16; one more is closed at once |
//! | handshake of TLS | 5 s |
//! | headers | 10 s, 16 KiB |
//! | a write that nobody takes | 30 s |
//!
//! A browser that reads slowly, or a thousand idle connections, hold nothing that anybody else needs.

use std::collections::BTreeMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Router;
use axum::extract::Extension;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::{GracefulShutdown, Watcher};
use hyper_util::service::TowerToHyperService;
use rustls::ServerConfig;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::{Sleep, sleep, timeout};
use tokio_rustls::TlsAcceptor;

const CONNECTIONS_MAX: u32 = 64;
const OF_ONE_ADDRESS_MAX: u32 = 16;
const HANDSHAKE_WAIT_MAX: Duration = Duration::from_secs(5);
const HEADERS_WAIT_MAX: Duration = Duration::from_secs(10);
const HEADERS_BYTES_MAX: usize = 16 << 10;
const WRITE_WAIT_MAX: Duration = Duration::from_secs(30);
/// After a failed accept, as where no descriptor is left.
const ACCEPT_PAUSE: Duration = Duration::from_millis(50);
/// How long answers that are under way may take at the end.
const GOODBYE_MAX: Duration = Duration::from_secs(2);

/// Who is at the other end.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Peer {
    /// Its address.
    pub(super) address: IpAddr,
    /// Whether nobody between us can listen in.
    pub(super) tls: bool,
}

/// Serves `router` on `listener` until `shutdown` ends; with TLS where there is a certificate for it.
pub(super) async fn serve(
    listener: TcpListener,
    tls: Option<Arc<ServerConfig>>,
    proxy: Option<IpAddr>,
    router: Router,
    shutdown: impl Future<Output = ()>,
) {
    let (places, graceful) = (Places::default(), GracefulShutdown::new());
    let acceptor = tls.map(TlsAcceptor::from);
    tokio::pin!(shutdown);
    loop {
        let accepted = tokio::select! {
            () = &mut shutdown => break,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok((stream, address)) => {
                if let Some(place) = places.take(address, proxy) {
                    let connection =
                        one(stream, address, acceptor.clone(), router.clone(), graceful.watcher());
                    tokio::spawn(async move {
                        connection.await;
                        drop(place);
                    });
                }
            }
            Err(error) => {
                tracing::warn!(%error, "a connection to the page could not be accepted");
                sleep(ACCEPT_PAUSE).await;
            }
        }
    }
    drop(listener);
    let _ = timeout(GOODBYE_MAX, graceful.shutdown()).await;
}

/// One connection, to its end.
async fn one(
    stream: TcpStream,
    address: SocketAddr,
    acceptor: Option<TlsAcceptor>,
    router: Router,
    watcher: Watcher,
) {
    let peer = Peer { address: address.ip().to_canonical(), tls: acceptor.is_some() };
    let stream: Box<dyn Stream> = match acceptor {
        None => Box::new(stream),
        Some(acceptor) => match timeout(HANDSHAKE_WAIT_MAX, acceptor.accept(stream)).await {
            Ok(Ok(stream)) => Box::new(stream),
            Ok(Err(error)) => {
                tracing::debug!(%address, %error, "a browser and the page could not agree on TLS");
                return;
            }
            Err(_) => return,
        },
    };
    let service = TowerToHyperService::new(router.layer(Extension(peer)));
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADERS_WAIT_MAX)
        .max_buf_size(HEADERS_BYTES_MAX)
        .serve_connection(TokioIo::new(Patient::new(stream)), service);
    if let Err(error) = watcher.watch(connection).await {
        tracing::debug!(%address, %error, "a connection to the page ended");
    }
}

trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}

impl<S: AsyncRead + AsyncWrite + Send + Unpin> Stream for S {}

/// A stream whose other end takes what is written to it in good time, or is given up.
struct Patient {
    inner: Box<dyn Stream>,
    stalled: Option<Pin<Box<Sleep>>>,
}

impl Patient {
    const fn new(inner: Box<dyn Stream>) -> Self {
        Self { inner, stalled: None }
    }

    fn within<T>(&mut self, context: &mut Context<'_>, written: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.stalled = None;
            return written;
        }
        let stalled = self.stalled.get_or_insert_with(|| Box::pin(sleep(WRITE_WAIT_MAX)));
        match stalled.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncRead for Patient {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_read(context, buffer)
    }
}

impl AsyncWrite for Patient {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.inner).poll_write(context, bytes);
        self.within(context, written)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let flushed = Pin::new(&mut self.inner).poll_flush(context);
        self.within(context, flushed)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let closed = Pin::new(&mut self.inner).poll_shutdown(context);
        self.within(context, closed)
    }
}

/// Who holds how many connections.
#[derive(Clone, Default)]
struct Places(Arc<Mutex<BTreeMap<IpAddr, u32>>>);

/// A connection's place; given back when it ends.
struct Place {
    places: Places,
    address: IpAddr,
}

impl Places {
    /// A place, if one is left. A server that stands before the page brings everybody's connections, so it has no limit of its
    /// own, and loopback has none.
    fn take(&self, from: SocketAddr, proxy: Option<IpAddr>) -> Option<Place> {
        let address = from.ip().to_canonical();
        let mut held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let all: u32 = held.values().sum();
        let own = held.get(&address).copied().unwrap_or(0);
        if all >= CONNECTIONS_MAX
            || (own >= OF_ONE_ADDRESS_MAX && !address.is_loopback() && proxy != Some(address))
        {
            return None;
        }
        held.insert(address, own + 1);
        Some(Place { places: self.clone(), address })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut held = self.places.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(own) = held.get_mut(&self.address) {
            *own -= 1;
            if *own == 0 {
                held.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use axum::routing::get;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    use super::*;

    #[test]
    fn one_address_has_sixteen_places_and_all_have_sixty_four() {
        let places = Places::default();
        let from = |last: u8| SocketAddr::from(([192, 0, 2, last], 1));
        let held: Vec<_> = (0..20).filter_map(|_| places.take(from(1), None)).collect();
        assert_eq!(held.len(), 16);
        let others: Vec<_> = (2..100).filter_map(|last| places.take(from(last), None)).collect();
        assert_eq!(others.len(), 48);
        drop(held);
        let here: Vec<_> =
            (0..20).filter_map(|_| places.take(SocketAddr::from(([127, 0, 0, 1], 1)), None)).collect();
        assert_eq!(here.len(), 16, "64 less 48: no limit of its own");
        drop((others, here));
        assert!(places.0.lock().unwrap().is_empty());
    }

    async fn served() -> SocketAddr {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let router = Router::new().route("/", get(|| async { "here" }));
        tokio::spawn(serve(listener, None, None, router, std::future::pending()));
        address
    }

    async fn answer(stream: &mut TcpStream, request: &[u8]) -> String {
        stream.write_all(request).await.unwrap();
        let mut answer = String::new();
        let _ = stream.read_to_string(&mut answer).await;
        answer
    }

    #[tokio::test]
    async fn headers_have_a_size_and_a_connection_more_is_closed() {
        let address = served().await;
        let mut stream = TcpStream::connect(address).await.unwrap();
        let large = format!("GET / HTTP/1.1\r\nHost: x\r\nX: {}\r\n\r\n", "x".repeat(HEADERS_BYTES_MAX));
        let answered = answer(&mut stream, large.as_bytes()).await;
        assert!(answered.starts_with("HTTP/1.1 431"), "{answered}");
        let mut idle = Vec::new();
        for _ in 0..CONNECTIONS_MAX {
            idle.push(TcpStream::connect(address).await.unwrap());
        }
        let request = b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n";
        // The idle ones are accepted one after the other; then there is no place.
        let mut refused = false;
        for _ in 0..100 {
            let mut one_more = TcpStream::connect(address).await.unwrap();
            refused = refused || answer(&mut one_more, request).await.is_empty();
        }
        assert!(refused, "a hundred more connections were all answered");
        drop(idle);
        let mut waited = String::new();
        while waited.is_empty() {
            let mut again = TcpStream::connect(address).await.unwrap();
            waited = answer(&mut again, request).await;
        }
        assert!(waited.contains("here"), "{waited}");
    }

    #[tokio::test(start_paused = true)]
    async fn a_reader_who_takes_nothing_is_given_up() {
        let (ours, _theirs) = tokio::io::duplex(64);
        let began = tokio::time::Instant::now();
        let error = Patient::new(Box::new(ours)).write_all(&[0; 4096]).await.unwrap_err();
        assert_eq!((error.kind(), began.elapsed()), (io::ErrorKind::TimedOut, WRITE_WAIT_MAX));
    }
}
