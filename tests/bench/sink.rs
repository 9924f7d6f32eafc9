//! Where lines go: an HTTP server that takes what is posted, counts lines and answers 204. It runs within the bench
//! process, whose CPU is not measured.

use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use sumpwarden_tests::server::serve;

/// The server and its count.
pub(crate) struct Sink {
    pub(crate) url: String,
    lines: Arc<AtomicU64>,
}

impl Sink {
    /// Starts it on a free port.
    pub(crate) fn start() -> Self {
        let lines = Arc::new(AtomicU64::new(0));
        let count = Arc::clone(&lines);
        let port = serve(move |request, stream| {
            let lines = request.body.split(|&b| b == b'\n').filter(|line| !line.is_empty()).count();
            count.fetch_add(lines as u64, Ordering::Relaxed);
            stream.write_all(b"HTTP/1.1 204 No Content\r\n\r\n").map(|()| true)
        });
        Self { url: format!("http://127.0.0.1:{port}"), lines }
    }

    /// Lines taken so far.
    pub(crate) fn lines(&self) -> u64 {
        self.lines.load(Ordering::Relaxed)
    }
}
