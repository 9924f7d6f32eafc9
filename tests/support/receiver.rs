//! A receiver of messages that takes everything and keeps what it was told.

use std::io::{self, Write};
use std::sync::{Arc, Mutex, PoisonError};

use serde_json::Value;

use crate::server::serve;

/// Key, number and action of a message's item.
pub type Item = (String, u64, String);

/// A receiver on a port of the loopback address; clones share what it has heard.
#[derive(Clone, Debug)]
pub struct Receiver {
    /// Where it listens.
    pub port: u16,
    log: Arc<Mutex<Vec<Item>>>,
}

impl Receiver {
    /// Listens until the process ends.
    #[expect(clippy::new_without_default, reason = "it opens a port")]
    pub fn new() -> Self {
        let log: Arc<Mutex<Vec<Item>>> = Arc::default();
        let inner = Arc::clone(&log);
        let port = serve(move |request, stream| {
            let body: Value = serde_json::from_slice(&request.body).map_err(io::Error::other)?;
            let items = body["items"].as_array().cloned().unwrap_or_default();
            let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
            let read = |item: &Value| {
                (text(&item["key"]), item["sequence"].as_u64().unwrap_or_default(), text(&item["action"]))
            };
            inner.lock().unwrap_or_else(PoisonError::into_inner).extend(items.iter().map(read));
            stream.write_all(b"HTTP/1.1 204 x\r\n\r\n").map(|()| true)
        });
        Self { port, log }
    }

    /// All that has arrived, in order.
    pub fn log(&self) -> Vec<Item> {
        self.log.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}
