//! A receiver that answers as it is told and keeps what it got, and an outbox in memory.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use sumpwarden_core::model::{Name, Timestamp};
use sumpwarden_core::notify::{Mark, OutboxCounts, OutboxEntry, OutboxNews, OutboxRow, RowState};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

use super::Outbox;

/// What the receiver does with one request.
#[derive(Clone, Debug)]
pub(super) enum Reply {
    /// Answers with this status and these header lines.
    Status(u16, &'static str),
    /// Redirects there.
    Redirect(String),
    /// Takes it and never answers.
    Hang,
    /// Takes it and closes the connection.
    Cut,
    /// Answers 200 after this.
    Late(Duration),
    /// Answers 200 with a body that never ends.
    Flood,
}

/// One request as it came.
#[derive(Clone, Debug)]
pub(super) struct Request {
    pub(super) head: String,
    pub(super) body: Vec<u8>,
    pub(super) at: tokio::time::Instant,
}

/// The receiver. After its script it takes everything.
#[derive(Clone, Debug)]
pub(super) struct Fake {
    pub(super) url: String,
    requests: Arc<Mutex<Vec<Request>>>,
    connections: Arc<Mutex<usize>>,
    script: Arc<Mutex<VecDeque<Reply>>>,
}

impl Fake {
    pub(super) async fn start(script: impl IntoIterator<Item = Reply>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("loopback");
        let url = format!("http://{}/hook/secret-part", listener.local_addr().expect("bound"));
        let fake = Self {
            url,
            requests: Arc::default(),
            connections: Arc::default(),
            script: Arc::new(Mutex::new(script.into_iter().collect())),
        };
        let served = fake.clone();
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                *served.connections.lock().expect("whole") += 1;
                tokio::spawn(served.clone().serve(stream));
            }
        });
        fake
    }

    pub(super) fn requests(&self) -> Vec<Request> {
        self.requests.lock().expect("whole").clone()
    }

    pub(super) fn connections(&self) -> usize {
        *self.connections.lock().expect("whole")
    }

    async fn serve(self, mut stream: TcpStream) {
        let Some(request) = read(&mut stream).await else { return };
        self.requests.lock().expect("whole").push(request);
        let reply = self.script.lock().expect("whole").pop_front().unwrap_or(Reply::Status(200, ""));
        let answer = |status: u16, lines: &str| {
            format!("HTTP/1.1 {status} x\r\n{lines}Content-Length: 2\r\nConnection: close\r\n\r\nok")
        };
        // A client that has gone does not matter here.
        let _ = match reply {
            Reply::Status(status, lines) => stream.write_all(answer(status, lines).as_bytes()).await,
            Reply::Redirect(to) => {
                stream.write_all(answer(302, &format!("Location: {to}\r\n")).as_bytes()).await
            }
            Reply::Hang => std::future::pending().await,
            Reply::Cut => Ok(()),
            Reply::Late(after) => {
                tokio::time::sleep(after).await;
                stream.write_all(answer(200, "").as_bytes()).await
            }
            Reply::Flood => {
                let _ = stream.write_all(b"HTTP/1.1 200 x\r\n\r\n").await;
                while stream.write_all(&[b'x'; 4096]).await.is_ok() {}
                Ok(())
            }
        };
    }
}

async fn read(stream: &mut TcpStream) -> Option<Request> {
    let mut bytes = Vec::new();
    let end = loop {
        if let Some(end) = bytes.windows(4).position(|four| four == b"\r\n\r\n") {
            break end + 4;
        }
        let mut piece = [0; 4096];
        let length @ 1.. = stream.read(&mut piece).await.ok()? else { return None };
        bytes.extend_from_slice(&piece[..length]);
    };
    let head = String::from_utf8_lossy(&bytes[..end]).to_lowercase();
    let length: usize = head
        .lines()
        .find_map(|line| line.strip_prefix("content-length: "))
        .map_or(0, |n| n.parse().expect("a number"));
    let mut body = bytes.split_off(end);
    let have = body.len();
    body.resize(length, 0);
    stream.read_exact(&mut body[have..]).await.ok()?;
    Some(Request { head, body, at: tokio::time::Instant::now() })
}

/// Rows in memory.
#[derive(Clone, Debug)]
pub(super) struct List {
    rows: Arc<Mutex<Vec<(OutboxRow, RowState)>>>,
    news: Arc<watch::Sender<OutboxNews>>,
}

impl List {
    pub(super) fn new() -> Self {
        Self { rows: Arc::default(), news: Arc::new(watch::Sender::default()) }
    }

    pub(super) fn push(&self, entry: OutboxEntry) {
        let mut rows = self.rows.lock().expect("whole");
        let id = rows.len() as i64 + 1;
        rows.push((OutboxRow { id, entry, attempts: 0 }, RowState::Pending));
        self.news.send_modify(|news| news.commits += 1);
    }

    pub(super) fn states(&self) -> Vec<RowState> {
        self.rows.lock().expect("whole").iter().map(|(_, state)| *state).collect()
    }

    /// Completes when every row is done with.
    pub(super) async fn emptied(&self) {
        while self.states().contains(&RowState::Pending) {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }
}

impl Outbox for List {
    type Error = Infallible;

    fn news(&self) -> watch::Receiver<OutboxNews> {
        self.news.subscribe()
    }

    async fn pending_after(&self, receiver: Name, id: i64, limit: u32) -> Result<Vec<OutboxRow>, Infallible> {
        let rows = self.rows.lock().expect("whole");
        let pending = rows.iter().filter(|(row, state)| {
            *state == RowState::Pending && row.id > id && row.entry.receiver == receiver
        });
        Ok(pending.map(|(row, _)| row.clone()).take(limit as usize).collect())
    }

    async fn mark(&self, marks: Vec<Mark>) -> Result<(), Infallible> {
        let mut rows = self.rows.lock().expect("whole");
        for mark in marks {
            let Mark::Rows { ids, state, .. } = mark else { continue };
            for id in ids {
                let (row, was) = &mut rows[id as usize - 1];
                assert_eq!(*was, RowState::Pending, "row {id} ends twice");
                row.attempts += 1;
                *was = state;
            }
        }
        Ok(())
    }

    async fn counts(&self, _: Name) -> Result<(OutboxCounts, Option<Timestamp>), Infallible> {
        let mut counts = OutboxCounts::default();
        for state in self.states() {
            counts.transitions += 1;
            *counts.of(state) += 1;
        }
        Ok((counts, None))
    }
}
