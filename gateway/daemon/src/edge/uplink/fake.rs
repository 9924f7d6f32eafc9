//! A fake database that answers in every way a real one, or the net before it, has been seen to.

use std::collections::{BTreeSet, VecDeque};
use std::io::Read as _;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::model::Name;
use sumpwarden_core::store::Origin;
use sumpwarden_core::store::forwarder::Waits;
use sumpwarden_core::store::settings::ForwardSettings;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

use super::Pace;

/// What the fake does with a request.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Reply {
    Store,
    Status(u16),
    /// Stores, then closes without a word.
    StoreAndCut,
    /// Closes without a word.
    Cut,
    /// Never answers.
    Silent,
    /// A refusal that does not end.
    Endless,
}

#[derive(Debug, Default)]
pub(crate) struct FakeState {
    /// For the next requests; then everything is stored.
    script: VecDeque<Reply>,
    /// Lines that hold this are poison: the request is refused whole, or all but them are stored.
    pub(crate) poison: Option<(&'static str, bool)>,
    pub(crate) lines_max: Option<usize>,
    pub(crate) stored: Vec<String>,
    pub(crate) requests: Vec<Instant>,
    pub(crate) authorised: bool,
}

#[derive(Clone)]
pub(crate) struct Fake {
    pub(crate) state: Arc<Mutex<FakeState>>,
    pub(crate) port: u16,
}

impl Fake {
    pub(crate) async fn start(script: &[Reply]) -> Self {
        let listener = TcpListener::bind(("127.0.0.1", 0)).await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let state = FakeState { script: script.iter().copied().collect(), ..Default::default() };
        let fake = Self { state: Arc::new(Mutex::new(state)), port };
        let serving = fake.clone();
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let fake = serving.clone();
                tokio::spawn(async move { fake.serve(stream).await });
            }
        });
        fake
    }

    async fn serve(&self, mut stream: TcpStream) {
        while let Some(lines) = self.request(&mut stream).await {
            let (reply, status) = self.decide(&lines);
            if matches!(reply, Reply::Store | Reply::StoreAndCut) && status == 204 {
                self.state.lock().unwrap().stored.extend(lines);
            }
            match reply {
                Reply::Cut | Reply::StoreAndCut => return,
                Reply::Silent => tokio::time::sleep(Duration::from_secs(60)).await,
                Reply::Endless => {
                    let _ = stream
                        .write_all(b"HTTP/1.1 400 Bad Request\r\nTransfer-Encoding: chunked\r\n\r\n")
                        .await;
                    while stream.write_all(b"10\r\nxxxxxxxxxxxxxxxx\r\n").await.is_ok() {}
                    return;
                }
                Reply::Store | Reply::Status(_) => {
                    let more = if status == 429 { "Retry-After: 1\r\n" } else { "" };
                    let body = if status == 204 { "" } else { "the reason" };
                    let length = if status == 204 {
                        String::new()
                    } else {
                        format!("Content-Length: {}\r\n", body.len())
                    };
                    let answer = format!("HTTP/1.1 {status} X\r\n{more}{length}\r\n{body}");
                    if stream.write_all(answer.as_bytes()).await.is_err() {
                        return;
                    }
                }
            }
        }
    }

    async fn request(&self, stream: &mut TcpStream) -> Option<Vec<String>> {
        let mut head = Vec::new();
        while !head.ends_with(b"\r\n\r\n") {
            head.push(stream.read_u8().await.ok()?);
        }
        let head = String::from_utf8(head).unwrap().to_lowercase();
        assert!(head.contains("/api/v2/write?bucket=coolant&org=shop&precision=ns"), "{head}");
        assert!(head.contains("content-encoding: gzip"), "{head}");
        let length: usize =
            head.lines().find_map(|l| l.strip_prefix("content-length: ")).unwrap().trim().parse().unwrap();
        let mut body = vec![0; length];
        stream.read_exact(&mut body).await.ok()?;
        let mut text = String::new();
        flate2::read::GzDecoder::new(body.as_slice()).read_to_string(&mut text).unwrap();
        let mut state = self.state.lock().unwrap();
        state.authorised = head.contains("authorization: token secret-1");
        state.requests.push(Instant::now());
        Some(text.lines().map(str::to_owned).collect())
    }

    fn decide(&self, lines: &[String]) -> (Reply, u16) {
        let mut state = self.state.lock().unwrap();
        if let Some(reply) = state.script.pop_front() {
            return (reply, if let Reply::Status(status) = reply { status } else { 204 });
        }
        if state.lines_max.is_some_and(|max| lines.len() > max) {
            return (Reply::Store, 413);
        }
        if let Some((poison, partial)) = state.poison {
            let good: Vec<String> = lines.iter().filter(|l| !l.contains(poison)).cloned().collect();
            if good.len() < lines.len() {
                if partial {
                    state.stored.extend(good);
                }
                return (Reply::Store, if partial { 400 } else { 422 });
            }
        }
        (Reply::Store, 204)
    }

    /// Stored points by series and stamp, as a database has them.
    pub(crate) fn points(&self) -> BTreeSet<String> {
        let key = |line: &String| {
            let parts: Vec<&str> = line.split(' ').collect();
            format!("{} {}", parts[0], parts[parts.len() - 1])
        };
        self.state.lock().unwrap().stored.iter().map(key).collect()
    }
}

/// Towards a fake on `port`.
pub(crate) fn settings(port: u16) -> ForwardSettings {
    ForwardSettings {
        name: Name::new("tsdb").unwrap(),
        url: format!("http://127.0.0.1:{port}"),
        organisation: "shop".into(),
        bucket: "coolant".into(),
        token: Secret::new("secret-1".into()),
        origin: Origin { site: Name::new("hall-2").unwrap(), box_name: Name::new("box-1").unwrap() },
    }
}

/// As the daemon's, much faster.
pub(crate) const QUICK: Pace = Pace {
    waits: Waits {
        live_every: Duration::from_millis(20),
        live_late: Duration::from_millis(200),
        retry: (Duration::from_millis(5), Duration::from_millis(40)),
        not_allowed_every: Duration::from_millis(100),
    },
    request_deadline: Duration::from_millis(500),
};
