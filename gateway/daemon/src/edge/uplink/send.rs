//! One request to the database, and what its answer means.
//!
//! The client reads the body of a refusal without a bound and shows no headers. The time of a request is bounded here;
//! the bytes of an answer are bounded by the [`guard`](super::guard), through which every connection goes.

use std::io::Write as _;
use std::time::Duration;

use flate2::Compression;
use flate2::write::GzEncoder;
use influxdb2::{Client, ClientBuilder, RequestError};
use reqwest::header::{CONTENT_ENCODING, HeaderMap, HeaderValue};
use sumpwarden_core::model::line::{clean, error_chain};
use sumpwarden_core::store::parcel::Answer;
use sumpwarden_core::store::settings::ForwardSettings;

use super::UplinkError;
use super::guard::Guard;

/// From the first byte of a request to the last of its answer.
pub(super) const REQUEST_DEADLINE: Duration = Duration::from_secs(30);
/// To reach the other side.
const CONNECT_DEADLINE: Duration = Duration::from_secs(5);
/// Text of an answer that is kept, characters.
const REASON_CHARS_MAX: usize = 300;

/// Sends lines.
#[derive(Debug)]
pub(super) struct Sender {
    client: Client,
    organisation: String,
    bucket: String,
    deadline: Duration,
    guard: Guard,
}

impl Sender {
    /// Checks what would otherwise make the client panic.
    pub(super) fn new(settings: &ForwardSettings, deadline: Duration) -> Result<Self, UplinkError> {
        let bad = |why: String| UplinkError::Url { url: settings.url.clone(), why };
        let url = reqwest::Url::parse(&settings.url).map_err(|e| bad(e.to_string()))?;
        if !matches!(url.scheme(), "http" | "https") || url.host_str().is_none() {
            return Err(bad("it must be http://HOST:PORT or https://HOST:PORT".into()));
        }
        let guard = Guard::new(&url).map_err(UplinkError::Guard)?;
        let mut headers = HeaderMap::new();
        headers.insert(CONTENT_ENCODING, HeaderValue::from_static("gzip"));
        let token = settings.token.reveal();
        HeaderValue::from_str(token).map_err(|_| UplinkError::Token)?;
        let http = reqwest::ClientBuilder::new()
            .user_agent(concat!("sumpwarden/", env!("CARGO_PKG_VERSION")))
            .default_headers(headers)
            .redirect(reqwest::redirect::Policy::none())
            .proxy(reqwest::Proxy::all(guard.url()).map_err(|e| bad(e.to_string()))?)
            .no_gzip()
            .connect_timeout(CONNECT_DEADLINE)
            .timeout(deadline)
            .pool_max_idle_per_host(1)
            .min_tls_version(reqwest::tls::Version::TLS_1_2);
        let client =
            ClientBuilder::with_builder(http, settings.url.as_str(), settings.organisation.as_str(), token)
                .build()
                .map_err(|e| UplinkError::Client(e.to_string()))?;
        Ok(Self {
            client,
            organisation: settings.organisation.clone(),
            bucket: settings.bucket.clone(),
            deadline,
            guard,
        })
    }

    /// Sends `lines`, packed.
    pub(super) async fn send(&self, lines: &str) -> Answer {
        let mut packer = GzEncoder::new(Vec::with_capacity(lines.len() / 6), Compression::fast());
        let packed = packer.write_all(lines.as_bytes()).and_then(|()| packer.finish());
        let body = packed.expect("writing to memory does not fail");
        let request = self.client.write_line_protocol(&self.organisation, &self.bucket, body);
        match tokio::time::timeout(self.deadline, request).await {
            Ok(Ok(())) => Answer::Taken,
            Ok(Err(error)) => judge(error),
            Err(_) => Answer::Later(format!("no answer within {:?}", self.deadline)),
        }
    }

    /// How long a request may take.
    pub(super) fn deadline(&self) -> Duration {
        self.deadline
    }

    /// How long the other side asked to be left alone in its latest answer, where that could be seen.
    pub(super) fn retry_after(&self) -> Option<Duration> {
        self.guard.retry_after()
    }
}

fn judge(error: RequestError) -> Answer {
    let (status, text) = match error {
        RequestError::Http { status, text } => (status.as_u16(), text),
        other => return Answer::Later(chain(&other)),
    };
    Answer::of_status(status, format!("{status}: {}", short(&text)))
}

fn chain(error: &dyn std::error::Error) -> String {
    error_chain(error, REASON_CHARS_MAX)
}

fn short(text: &str) -> String {
    clean(text.trim(), REASON_CHARS_MAX)
}
