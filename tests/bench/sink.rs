//! Where lines go: an HTTP server that takes what is posted, counts lines and bytes and answers 204; or 503 while it is closed.
//! It runs within the bench process, whose CPU is not measured.

use std::io::Write;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{SystemTime, UNIX_EPOCH};

use sumpwarden_tests::server::serve;

/// The server and its count.
pub(crate) struct Sink {
    pub(crate) url: String,
    lines: Arc<AtomicU64>,
    bytes: Arc<AtomicU64>,
    closed: Arc<AtomicBool>,
    watch: Arc<Mutex<Option<Watch>>>,
}

/// What is kept of lines that are stamped from an instant on.
struct Watch {
    /// ns since 1970.
    from: u64,
    /// How old each was when it came, s.
    ages: Vec<f64>,
}

impl Sink {
    /// Starts it on a free port.
    pub(crate) fn start() -> Self {
        let lines = Arc::new(AtomicU64::new(0));
        let bytes = Arc::new(AtomicU64::new(0));
        let wire = Arc::clone(&bytes);
        let closed = Arc::new(AtomicBool::new(false));
        let watch = Arc::new(Mutex::new(None::<Watch>));
        let (count, shut, eyes) = (Arc::clone(&lines), Arc::clone(&closed), Arc::clone(&watch));
        let port = serve(move |request, stream| {
            if shut.load(Ordering::Relaxed) {
                return stream
                    .write_all(b"HTTP/1.1 503 Service Unavailable\r\nContent-Length: 0\r\n\r\n")
                    .map(|()| true);
            }
            let lines = || request.body.split(|&b| b == b'\n').filter(|line| !line.is_empty());
            count.fetch_add(lines().count() as u64, Ordering::Relaxed);
            wire.fetch_add(request.wire_bytes as u64, Ordering::Relaxed);
            if let Some(watch) = eyes.lock().unwrap_or_else(PoisonError::into_inner).as_mut() {
                watch.see(lines());
            }
            stream.write_all(b"HTTP/1.1 204 No Content\r\n\r\n").map(|()| true)
        });
        Self { url: format!("http://127.0.0.1:{port}"), lines, bytes, closed, watch }
    }

    /// Lines taken so far.
    pub(crate) fn lines(&self) -> u64 {
        self.lines.load(Ordering::Relaxed)
    }

    /// Bytes of their bodies on the wire so far.
    pub(crate) fn bytes(&self) -> u64 {
        self.bytes.load(Ordering::Relaxed)
    }

    /// Refuses everything, or takes it again.
    pub(crate) fn close(&self, closed: bool) {
        self.closed.store(closed, Ordering::Relaxed);
    }

    /// Begins to keep how old lines are that are stamped from now on.
    pub(crate) fn watch(&self) {
        let watch = Watch { from: unix_nanos(), ages: Vec::new() };
        *self.watch.lock().unwrap_or_else(PoisonError::into_inner) = Some(watch);
    }

    /// Ages of the lines seen since [`Self::watch`], s.
    pub(crate) fn ages(&self) -> Vec<f64> {
        let watch = self.watch.lock().unwrap_or_else(PoisonError::into_inner).take();
        watch.map(|watch| watch.ages).unwrap_or_default()
    }
}

impl Watch {
    fn see<'a>(&mut self, lines: impl Iterator<Item = &'a [u8]>) {
        let now = unix_nanos();
        for line in lines {
            let stamp =
                line.rsplit(|&byte| byte == b' ').next().and_then(|stamp| std::str::from_utf8(stamp).ok());
            // A line without a stamp is the database's matter, not this count's.
            let Some(stamp) = stamp.and_then(|stamp| stamp.parse::<u64>().ok()) else { continue };
            if stamp >= self.from {
                self.ages.push(now.saturating_sub(stamp) as f64 / 1e9);
            }
        }
    }
}

fn unix_nanos() -> u64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    u64::try_from(since.as_nanos()).unwrap_or(u64::MAX)
}
